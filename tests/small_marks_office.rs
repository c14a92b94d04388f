//! Fly-away hairs and lint, planted in rendered raw frames: truth is the same frame without them.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod retouch_support;

use std::ops::ControlFlow;
use std::path::Path;

use lapel::engine::{self, Fineness, Set, StepNote};
use lapel::picture::filter::{dilate, gaussian};
use lapel::picture::{Oklab, Size};
use lapel::raw::{self, Frame, Limits, Samples};
use lapel::recipe::{Diagnostics, Recipe};
use ndarray::Array2;
use retouch_support::{classes, material};

fn frame(office: &Path, id: &str) -> Frame {
    let path = office.join("frames").join(format!("{id}.dng"));
    let bytes = std::fs::read(&path).expect("a frame");
    raw::read(&bytes, id, &Limits::default()).expect("a sound frame")
}

/// A picture before and after the step of this name, uncropped, and what the step noted.
fn around(frame: &Frame, step: &str) -> (Oklab, Oklab, StepNote) {
    let text = format!(
        "Recipe(format: 1, name: \"t\", steps: [WhiteBalance(from: SetReference), Denoise(strength: 0.5), \
         BackgroundLift(level: 62.0, tint: 0.0), {} ToneCurve(contrast: 0.3), {}])",
        if step.starts_with("FlyAways") {
            format!("{step},")
        } else {
            String::new()
        },
        if step.starts_with("Lint") { step } else { "" },
    );
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("t.ron", &text, &|_: &str| Err(String::new()), &mut notes)
        .unwrap_or_else(|| panic!("{notes}"));
    let name = &step[..step.find('(').expect("settings")];
    let (mut last, mut pair) = (None, None);
    let finished = engine::render(
        frame,
        &recipe,
        &Set::default(),
        Fineness::Full,
        |step, canvas| {
            let now = canvas.oklab().clone();
            if step.is_some_and(|step| step.operation.name() == name) {
                pair = Some((last.take().expect("a step before"), now));
            } else {
                last = Some(now);
            }
            ControlFlow::Continue(())
        },
    );
    let finished = finished.expect("renders");
    let note = finished.steps.into_iter().find(|note| note.step == name);
    let (before, after) = pair.expect("the step ran");
    (before, after, note.expect("a note"))
}

/// Takes raw light towards `level` (a share of white, of neutral colour) as far as `cover` says.
fn plant(frame: &Frame, cover: &Array2<f32>, level: f32) -> Frame {
    let Frame::Sensor(sensor) = frame else {
        panic!("a raw")
    };
    let mut sensor = sensor.clone();
    let black = sensor.black.mean().expect("a black level");
    // The office's neutral and pattern (RGGB), from its README.
    let neutral = |y: usize, x: usize| [[0.401_764, 1.0], [1.0, 0.679_525]][y % 2][x % 2];
    let white = sensor.white[1];
    let Samples::Whole(samples) = &mut sensor.samples else {
        panic!("whole numbers")
    };
    for ((y, x), v) in samples.indexed_iter_mut() {
        let wanted = black + level * neutral(y, x) * (white - black);
        let old = f32::from(*v);
        *v = (old + cover[[y, x]] * (wanted - old)).round() as u16;
    }
    Frame::Sensor(sensor)
}

/// Cover of soft dots along curves: start, control and end points of parabolas; radius in pixels.
fn drawn(size: Size, curves: &[[(f32, f32); 3]], radius: f32, most: f32) -> Array2<f32> {
    let mut cover = Array2::zeros((size.height, size.width));
    for [a, b, c] in curves {
        let n = 400;
        for i in 0..=n {
            let t = i as f32 / n as f32;
            let at = |p: f32, q: f32, r: f32| {
                (1.0 - t) * (1.0 - t) * p + 2.0 * t * (1.0 - t) * q + t * t * r
            };
            let (x, y) = (at(a.0, b.0, c.0), at(a.1, b.1, c.1));
            for row in (y - 4.0) as usize..(y + 5.0) as usize {
                for column in (x - 4.0) as usize..(x + 5.0) as usize {
                    let (dx, dy) = (column as f32 + 0.5 - x, row as f32 + 0.5 - y);
                    let here = most * (-0.5 * (dx * dx + dy * dy) / (radius * radius)).exp();
                    let old: f32 = cover[[row, column]];
                    cover[[row, column]] = old.max(here);
                }
            }
        }
    }
    cover
}

fn person(office: &Path, id: &str) -> Array2<f32> {
    let path = office.join("truth").join(id).join("person.png");
    let map = image::open(path).expect("a matte").into_luma16();
    let shape = (map.height() as usize, map.width() as usize);
    let values = map.into_raw().into_iter().map(|v| f32::from(v) / 65535.0);
    Array2::from_shape_vec(shape, values.collect()).expect("one value a pixel")
}

fn energy(one: &Oklab, other: &Oklab, on: &Array2<bool>) -> f64 {
    let mut sum = 0.0;
    for (a, b) in one.planes.iter().zip(&other.planes) {
        for ((a, b), &on) in a.iter().zip(b).zip(on) {
            if on {
                sum += f64::from(a - b).powi(2);
            }
        }
    }
    sum
}

fn changed(one: &Oklab, other: &Oklab, on: &Array2<bool>) -> usize {
    let planes = one.planes[0].iter().zip(&other.planes[0]);
    planes
        .zip(on)
        .filter(|((a, b), on)| **on && (*a - *b).abs() > 0.004)
        .count()
}

/// Hairs that leave the head at the top and both sides, on the frame with short hair.
#[test]
fn planted_hairs_go_and_nothing_else() {
    let Some(office) = material("office") else {
        return;
    };
    let clean = frame(&office, "s02");
    let truth = person(&office, "s02");
    let (height, width) = truth.dim();
    let size = Size { width, height };
    // The top of the head, row by row from above.
    let crown = |x: usize| (0..height).find(|&y| truth[[y, x]] > 0.5).expect("a head") as f32;
    let hairs: Vec<_> = [
        (560, -70.0, 90.0),
        (600, 30.0, 110.0),
        (650, 90.0, 70.0),
        (520, -110.0, 30.0),
    ]
    .into_iter()
    .map(|(x, across, up)| {
        let (from, top) = (x as f32, crown(x) + 6.0);
        [
            (from, top),
            (from + 0.2 * across, top - up),
            (from + across, top - 0.8 * up),
        ]
    })
    .collect();
    let cover = drawn(size, &hairs, 0.9, 0.85);
    let planted = plant(&clean, &cover, 0.03);
    // He has thin fly-aways of his own, which go too: so each state is compared with its like.
    let (clean, clean_after, own) = around(&clean, "FlyAways(strength: 1.0)");
    let (before, after, note) = around(&planted, "FlyAways(strength: 1.0)");
    // An eye span is 154 pixels; nearer to the outline than 0.09 of it a hair is the outline's.
    let near = dilate(truth.mapv(|a| if a > 0.02 { 1.0 } else { 0.0 }).view(), 14);
    let hair = Array2::from_shape_fn(truth.dim(), |at| cover[at] > 0.02 && near[at] < 0.5);
    let removed = 1.0 - energy(&after, &clean_after, &hair) / energy(&before, &clean, &hair);
    let around = dilate(cover.view(), 8);
    // A hair of his own that a planted one touches counts as long with it: hair is left out here.
    let own_hair = dilate(truth.mapv(|a| if a > 0.005 { 1.0 } else { 0.0 }).view(), 6);
    let elsewhere =
        Array2::from_shape_fn(truth.dim(), |at| around[at] < 0.01 && own_hair[at] < 0.5);
    let other = changed(&after, &clean_after, &elsewhere);
    let sitter = truth.mapv(|a| a > 0.5);
    eprintln!(
        "{:?}: {removed:.3} of the energy removed, {other} other pixels changed",
        note.figures
    );
    assert!(removed >= 0.8, "{removed}");
    assert_eq!(changed(&after, &before, &sitter), 0);
    assert!(other < 200, "{other} pixels elsewhere");
    // Pieces run together where hairs cross; what they cover grows.
    let area = |note: &StepNote| note.figures[1].1;
    assert!(area(&note) > area(&own), "{own:?}, {note:?}");
}

/// Long strands and curls are the sitter's outline: at the light strength of the recipes they stay.
#[test]
fn the_outline_of_hair_stays() {
    let Some(office) = material("office") else {
        return;
    };
    for id in ["s01", "s08"] {
        let truth = person(&office, id);
        let (before, after, note) = around(&frame(&office, id), "FlyAways(strength: 0.3)");
        let wall = before.planes[0][[20, 20]];
        let (mut hair, mut moved) = (0.0, 0.0);
        for (at, &a) in truth.indexed_iter() {
            if (0.05..0.95).contains(&a) {
                hair += f64::from((before.planes[0][at] - wall).abs());
                moved += f64::from((before.planes[0][at] - after.planes[0][at]).abs());
            }
        }
        eprintln!(
            "{id}: {:?}, outline changed by {:.4}",
            note.figures,
            moved / hair
        );
        assert!(moved < 0.02 * hair, "{id}: {}", moved / hair);
    }
}

#[test]
fn planted_specks_go_and_nothing_else() {
    let Some(office) = material("office") else {
        return;
    };
    let clean = frame(&office, "s02");
    let parts = classes(&office.join("truth").join("s02").join("parts.png"));
    let (height, width) = parts.dim();
    let cloth = gaussian(parts.mapv(|c| if c == 4 { 1.0 } else { 0.0 }).view(), 12.0);
    let (clean_picture, _, _) = around(&clean, "Lint(strength: 1.0)");
    let dark = gaussian(clean_picture.planes[0].view(), 6.0);
    // Every 90 pixels where there is dark cloth all around: dots and short fibres in turn.
    let mut curves = Vec::new();
    for y in (60..height - 60).step_by(90) {
        for x in (60..width - 60).step_by(90) {
            if cloth[[y, x]] > 0.995 && dark[[y, x]] < 0.4 {
                let (x, y) = (x as f32, y as f32);
                let reach = if curves.len() % 2 == 0 { 1.0 } else { 9.0 };
                curves.push([(x, y), (x + 0.5 * reach, y + 0.4 * reach), (x + reach, y)]);
            }
        }
    }
    assert!(curves.len() >= 10, "{} places", curves.len());
    let cover = drawn(Size { width, height }, &curves, 1.0, 0.7);
    let planted = plant(&clean, &cover, 0.5);
    let (before, after, note) = around(&planted, "Lint(strength: 1.0)");
    let speck = cover.mapv(|c| c > 0.02);
    let removed =
        1.0 - energy(&after, &clean_picture, &speck) / energy(&before, &clean_picture, &speck);
    let around_it = dilate(cover.view(), 6);
    let elsewhere = around_it.mapv(|c| c < 0.01);
    let other = changed(&after, &before, &elsewhere);
    eprintln!(
        "{} planted, {:?}: {removed:.3} of the energy removed, {other} other pixels changed",
        curves.len(),
        note.figures
    );
    assert!(removed >= 0.8, "{removed}");
    // A ten-thousandth of the picture: glints at the edge of the tie.
    assert!(other < 216, "{other} pixels elsewhere");
}

/// Pinstripes, a tie's weave and a light shirt are no lint.
#[test]
fn stripes_and_patterns_stay() {
    let Some(office) = material("office") else {
        return;
    };
    for id in ["s03", "s04", "s06"] {
        let (before, after, note) = around(&frame(&office, id), "Lint(strength: 1.0)");
        let all = before.planes[0].mapv(|_| true);
        let other = changed(&after, &before, &all);
        eprintln!("{id}: {:?}, {other} pixels changed", note.figures);
        assert!(other < 150, "{id}: {other} pixels");
    }
}
