//! The chart against the office's truth, turned pictures, other lights and hostile frames.

use std::path::Path;

use super::*;
use crate::raw::{self, Frame, Limits};

fn office() -> Option<(SensorFrame, serde_json::Value)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/office");
    let Ok(bytes) = std::fs::read(folder.join("frames/chart.dng")) else {
        eprintln!("skipped: no ../shared/office");
        return None;
    };
    let truth = std::fs::read_to_string(folder.join("truth/chart/chart.json")).unwrap();
    match raw::read(&bytes, "chart.dng", &Limits::default()).unwrap() {
        Frame::Sensor(frame) => Some((frame, serde_json::from_str(&truth).unwrap())),
        Frame::Finished(_) => panic!("the chart is a raw frame"),
    }
}

#[test]
fn corners_and_colours_of_the_office_chart() {
    let Some((frame, truth)) = office() else {
        return;
    };
    let chart = read_chart(&frame).unwrap();
    let mut far = 0.0_f64;
    for (patch, truth) in chart
        .patches
        .iter()
        .zip(truth["patches"].as_array().unwrap())
    {
        for (k, [x, y]) in patch.corners.iter().enumerate() {
            let at = |c: usize| truth["corners_px"][k][c].as_f64().unwrap();
            far = far.max((x - at(0)).hypot(y - at(1)));
        }
    }
    let average = |of: fn(&PatchNote) -> f64| mean(chart.patches.iter().map(of));
    let [before, after, left_out] = [
        average(|p| p.before),
        average(|p| p.after),
        average(|p| p.left_out),
    ];
    eprintln!(
        "{far:.2} px, {before:.2} {after:.2} {left_out:.2} {:?}",
        chart.profile.kept
    );
    assert!(far <= 2.0, "corners are off by {far} px");
    assert!(left_out <= 1.0, "left out {left_out}");
    assert!(after <= left_out.max(before), "{before} became {after}");
    let text = chart.profile.to_text();
    assert_eq!(ChartProfile::from_text(&text).unwrap(), chart.profile);
}

#[test]
fn a_wrong_profile_is_told_at_its_place() {
    let error =
        ChartProfile::from_text("ChartProfile(\n    format: 1,\n    gain: 2,\n)").unwrap_err();
    assert!(error.starts_with("3:"), "{error}");
}

#[test]
fn an_even_frame_holds_no_chart() {
    let Some((mut frame, _)) = office() else {
        return;
    };
    let raw::Samples::Whole(samples) = &mut frame.samples else {
        panic!("whole numbers")
    };
    samples.fill(4000);
    assert!(read_chart(&frame).is_err());
    // Noise: a multiplicative congruential generator (Park and Miller 1988), fixed seed.
    let mut state = 1_u64;
    for sample in samples_of(&mut frame) {
        state = state * 16_807 % 2_147_483_647;
        *sample = 512 + (state % 12_000) as u16;
    }
    assert!(read_chart(&frame).is_err());
}

fn samples_of(frame: &mut SensorFrame) -> impl Iterator<Item = &mut u16> {
    match &mut frame.samples {
        raw::Samples::Whole(samples) => samples.iter_mut(),
        raw::Samples::Float(_) => panic!("whole numbers"),
    }
}

/// Light of other colour on the frame, with noise as of 4000 electrons at full scale: a sum of twelve
/// uniform numbers for the normal one, from Park and Miller's generator.
fn under(frame: &mut SensorFrame, gains: [f32; 3]) {
    let (mut state, full) = (1_u64, frame.clone());
    let raw::Samples::Whole(samples) = &mut frame.samples else {
        panic!("whole numbers")
    };
    for ((y, x), sample) in samples.indexed_iter_mut() {
        let colour = full.colour_at(y, x);
        let range: f32 = full.white[colour] - 512.0;
        let light = ((f32::from(*sample) - 512.0) / range * gains[colour]).max(0.0);
        let mut normal = -6.0_f32;
        for _ in 0..12 {
            state = state * 16_807 % 2_147_483_647;
            normal += state as f32 / 2_147_483_647.0;
        }
        let noisy = light + normal * (light / 4000.0).sqrt();
        *sample = (512.0 + range * noisy).clamp(0.0, full.white[colour]) as u16;
    }
}

#[test]
fn a_warm_and_a_cool_light_with_noise() {
    let Some((frame, _)) = office() else { return };
    for gains in [[1.0, 0.8, 0.5], [0.55, 0.85, 1.0]] {
        let mut lit = frame.clone();
        under(&mut lit, gains);
        let chart = read_chart(&lit).unwrap();
        let after = mean(chart.patches.iter().map(|p| p.after));
        let left_out = mean(chart.patches.iter().map(|p| p.left_out));
        eprintln!(
            "{gains:?}: {after:.2} {left_out:.2} {:?}",
            chart.profile.kept
        );
        assert!(
            after <= 1.5 && left_out <= 1.5,
            "{gains:?}: {after}, {left_out}"
        );
    }
}
