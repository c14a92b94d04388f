//! Laws of the whole flow, on the shipped office: same bytes at any thread count, neutral steps
//! that change nothing, a preview that shows what will be delivered, decoders that agree.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod support;

use std::collections::BTreeMap;
use std::fs;
use std::ops::ControlFlow;

use lapel::engine::{Fineness, Finished, Set, render};
use lapel::measure::difference_map;
use lapel::picture::{Linear, resample};
use lapel::raw::{self, Decoder, Frame, Limits, SensorFrame};
use lapel::recipe::{Diagnostics, Recipe};
use ndarray::Array2;
use support::{Office, frame, root, shipped, small_sitter};

/// A raw and a finished picture; outputs, sidecars and contact sheet.
#[test]
fn threads_and_place_do_not_change_a_byte() {
    let delivered = |threads: &str| -> BTreeMap<String, Vec<u8>> {
        let office = Office::bare();
        office.write("frames/s01.dng", &shipped("s01"));
        office.write("frames/s02.png", &small_sitter("s02"));
        office.finish(&["--threads", threads]).ends_with(0);
        office.delivered()
    };
    let one = delivered("1");
    assert_eq!(one.len(), 10);
    for threads in ["2", "4"] {
        let many = delivered(threads);
        let names: Vec<&String> = many.keys().collect();
        assert_eq!(names, one.keys().collect::<Vec<_>>());
        for (name, bytes) in &one {
            assert!(
                bytes == &many[name],
                "{name} differs between 1 and {threads} threads"
            );
        }
    }
}

fn recipe(text: &str) -> Recipe {
    let mut notes = Diagnostics::default();
    Recipe::read("recipe.ron", text, &|_| Err(String::new()), &mut notes)
        .unwrap_or_else(|| panic!("{notes}"))
}

fn rendered(frame: &Frame, recipe: &Recipe, fineness: Fineness) -> Finished {
    let go_on = |_: Option<&_>, _: &mut _| ControlFlow::Continue(());
    render(frame, recipe, &Set::default(), fineness, go_on).expect("it renders")
}

fn bits(plane: &Array2<f32>) -> Vec<u32> {
    plane.iter().map(|value| value.to_bits()).collect()
}

/// DESIGN.md: "Every operation at strength 0 (or opacity 0) returns its input to the bit."
#[test]
fn neutral_steps_give_the_developed_crop_to_the_bit() {
    let neutral = recipe(
        "Recipe(format: 1, name: \"Neutral\", steps: [
            Lens(defects: false, fringes: false), Crop(),
            BackgroundLift(strength: 0.0), BackgroundReplace(strength: 0.0),
            ToneCurve(opacity: 0.0), Contrast(amount: 0.0),
            ShadowLift(amount: 0.0), LocalContrast(amount: 0.0), Chroma(amount: 0.0), Adjust(),
            Heal(strength: 0.0), SkinSmoothing(strength: 0.0), ToneEvening(strength: 0.0),
            ContrastSculpting(depth: 0.0), SelectiveColour(), GradientToning(opacity: 0.0),
            BlackAndWhite(strength: 0.0), Heal(opacity: 0.0, on: Skin),
        ])",
    );
    let frame = frame("s02");
    let mut developed = None;
    let fineness = Fineness::Small(720);
    let finished = render(
        &frame,
        &neutral,
        &Set::default(),
        fineness,
        |step, canvas| {
            if step.is_none() {
                developed = Some(canvas.linear().clone());
            }
            ControlFlow::Continue(())
        },
    );
    let finished = finished.expect("it renders");
    let developed = developed.expect("seen before the first step");
    for (was, is) in developed.planes.iter().zip(&finished.picture.planes) {
        assert!(bits(was) == bits(is), "a neutral step changed a value");
    }
    assert_eq!(finished.steps.len(), 16);
    assert!(
        finished.steps.iter().all(|step| step.neutral),
        "{:?}",
        finished.steps
    );
}

/// The grey wall on a sitter, as previews and in full, compared at the preview's size. The crop is
/// the same to half a pixel of the preview, which edges show: a difference of 1 is just visible
/// between two flat patches side by side.
#[test]
fn preview_shows_what_is_delivered() {
    let text = fs::read_to_string(root("recipes/grey_wall.ron")).expect("shipped");
    let (frame, recipe) = (frame("s03"), recipe(&text));
    let full = rendered(&frame, &recipe, Fineness::Full).picture;
    for (pixels, most, most_on_edges) in [(1200, 0.3, 2.0), (600, 0.6, 4.0)] {
        let preview = rendered(&frame, &recipe, Fineness::Small(pixels)).picture;
        let full = resample::resize(&full, preview.size());
        let (mean, high) = mean_and_high(&full, &preview);
        eprintln!("{pixels}: mean CIEDE2000 {mean:.3}, 99th percentile {high:.3}");
        assert!(mean < most, "{pixels}: mean CIEDE2000 {mean}");
        assert!(high < most_on_edges, "{pixels}: 99th percentile {high}");
    }
}

/// Mean and 99th percentile of CIEDE2000.
fn mean_and_high(one: &Linear, other: &Linear) -> (f32, f32) {
    let mut map: Vec<f32> = difference_map(one, other).into_iter().collect();
    map.sort_by(f32::total_cmp);
    (
        map.iter().sum::<f32>() / map.len() as f32,
        map[map.len() * 99 / 100],
    )
}

/// The shipped frames are stored so that both decoders are right on them.
#[test]
fn both_decoders_read_the_shipped_frames_alike() {
    let folder = fs::read_dir(root("samples/office/frames")).expect("shipped");
    let frames: Vec<_> = folder
        .map(|entry| entry.expect("readable").path())
        .collect();
    assert!(frames.len() >= 8, "{frames:?}");
    for path in frames {
        let id = path.file_stem().expect("a name").to_string_lossy();
        let id = id.as_ref();
        let bytes = shipped(id);
        let [one, two]: [SensorFrame; 2] = [Decoder::Flashraw, Decoder::Rawloader].map(|decoder| {
            match raw::read_with(decoder, &bytes, id, &Limits::default()) {
                Ok(Frame::Sensor(frame)) => frame,
                other => panic!("{id}: {decoder:?}: {other:?}"),
            }
        });
        assert!(one.samples == two.samples, "{id}: samples differ");
        assert_eq!(one.pattern, two.pattern, "{id}");
        assert_eq!(one.crop, two.crop, "{id}");
        assert_eq!(one.white, two.white, "{id}");
        for (y, x) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
            assert_eq!(one.black_at(y, x), two.black_at(y, x), "{id}");
        }
        assert_eq!(one.orientation, two.orientation, "{id}");
        let [one, two] = [one, two].map(|frame| frame.balance.expect("the samples have one"));
        for (one, two) in one.iter().zip(two) {
            assert!(
                (one - two).abs() < 1e-4 * one,
                "{id}: gains {one} and {two}"
            );
        }
    }
}
