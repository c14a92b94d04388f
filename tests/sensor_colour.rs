//! Colour out of the sensor stage: clipped ramps, exposure and white balance against figures from outside.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod support;

use lapel::engine::{self, Reference, Set};
use lapel::picture::oklab::oklab_from_linear;
use lapel::picture::{Rect, Stops};
use lapel::raw::{Filter, Frame, Pattern, SensorFrame};
use lapel::recipe::{Diagnostics, Recipe};
use lapel::sensor::{self, Balance, BalanceSource, Development};
use ndarray::Array2;

const RGGB: [Filter; 4] = [Filter::Red, Filter::Green, Filter::Green, Filter::Blue];
const GAINS: [f32; 3] = [2.05, 1.0, 1.55];

/// Light of one colour (balanced) that grows from left to right, as a sensor records it.
fn ramp(colour: [f32; 3], from: f32, to: f32) -> SensorFrame {
    let (height, width) = (16, 1600);
    let samples = Array2::from_shape_fn((height, width), |(y, x)| {
        let c = RGGB[y % 2 * 2 + x % 2] as usize;
        let light = from * (to / from).powf(x as f32 / width as f32);
        (colour[c] * light / GAINS[c]).min(1.0)
    });
    SensorFrame {
        balance: Some(GAINS),
        ..SensorFrame::from_light(samples, Pattern::RGGB)
    }
}

/// Hue in degrees, chroma and lightness (Oklab) along a ramp, each as the mean of two columns.
fn along(frame: &SensorFrame) -> Vec<[f32; 3]> {
    let how = Development::default();
    let picture = sensor::develop(frame, frame.crop, &how).expect("a sound frame");
    let picture = picture.picture;
    (8..1592)
        .step_by(2)
        .map(|x| {
            let [one, other] = [picture.at(8, x), picture.at(8, x + 1)];
            let [l, a, b] = oklab_from_linear([0, 1, 2].map(|c| 0.5 * (one[c] + other[c])));
            [b.atan2(a).to_degrees(), a.hypot(b), l]
        })
        .collect()
}

/// Until one, two and all three channels clip: a ramp pales to white, never darkens, never jumps in hue, and
/// a warm one never goes red of where it began, as it would if green stayed behind (13 degrees
/// in Oklch, pink).
#[test]
fn clipped_ramps_pale_to_white_without_another_hue() {
    // Colours in the order in which their channels clip: green, blue, red for grey; others vary.
    let ramps = [
        ("grey", [1.0, 1.0, 1.0]),
        ("lamp", [1.5, 1.0, 0.55]),
        ("skin", [1.0, 0.65, 0.5]),
        ("orange", [1.0, 0.35, 0.1]),
        ("sky", [0.55, 0.8, 1.2]),
        ("red", [1.0, 0.15, 0.12]),
    ];
    for (name, colour) in ramps {
        let least = colour.into_iter().fold(f32::MAX, f32::min);
        let most = colour.into_iter().fold(0.0, f32::max);
        let frame = ramp(colour, 0.3 / most, 12.0 / least);
        let seen = along(&frame);
        let began = seen[0];
        let mut brightest = 0.0_f32;
        let (mut reddest, mut jump, mut darker) = (f32::MAX, 0.0_f32, 0.0_f32);
        for pair in seen.windows(2) {
            let [[before, _, _], [hue, chroma, light]] = [pair[0], pair[1]];
            darker = darker.max(brightest - light);
            brightest = brightest.max(light);
            // Greys have no hue.
            if chroma > 0.01 {
                jump = jump.max((hue - before).abs());
                reddest = reddest.min(hue);
            }
        }
        eprintln!(
            "{name}: hue {:.0}, at least {reddest:.0}, {jump:.2} a step at most, darker by {darker:.4}",
            began[0]
        );
        // A step is half a percent of light; a hue of 3 degrees is hardly seen.
        assert!(jump < 3.0, "{name}: the hue jumps by {jump}");
        assert!(darker < 0.002, "{name}: darker by {darker}");
        assert!(seen[seen.len() - 1][1] < 0.002, "{name} ends in white");
        if colour[0] > colour[2] {
            assert!(reddest > began[0].min(45.0) - 2.0, "{name}: {reddest}");
        }
        if name == "grey" {
            assert!(seen.iter().all(|[_, chroma, _]| *chroma < 0.005), "grey");
        }
    }
}

fn office() -> SensorFrame {
    match support::frame("chart") {
        Frame::Sensor(frame) => frame,
        Frame::Finished(_) => panic!("the chart is a raw"),
    }
}

/// DNG specification 1.7.1, BaselineExposure: stops by which the zero point of exposure lies higher.
#[test]
fn baseline_exposure_is_in_stops_and_adds_to_what_is_asked() {
    let window = Rect {
        left: 300,
        top: 600,
        width: 64,
        height: 48,
    };
    let developed = |baseline, stops| {
        let frame = SensorFrame {
            baseline_exposure: baseline,
            ..office()
        };
        let how = Development {
            exposure: Stops(stops),
            ..Development::default()
        };
        let developed = sensor::develop(&frame, window, &how).expect("a sound frame");
        developed.picture
    };
    let plain = developed(0.0, 0.0);
    for (baseline, stops, factor) in [
        (1.0, 0.0, 2.0),
        (-1.0, 0.0, 0.5),
        (1.0, -1.0, 1.0),
        (0.5, 0.5, 2.0),
    ] {
        let other = developed(baseline, stops);
        for (other, plain) in other
            .planes
            .iter()
            .flatten()
            .zip(plain.planes.iter().flatten())
        {
            let off = (other - factor * plain).abs();
            assert!(
                off <= 1e-5 * plain.abs().max(0.01),
                "{baseline}, {stops}: {other}, {plain}"
            );
        }
    }
}

/// `../shared/office/README.md`: as-shot neutral 0.401764 1 0.679525 under 5503 K. Others: the
/// specification's steps in numpy with colour-science 0.4.7 (`CCT_to_uv_Robertson1968`, tint over
/// 3000 as Duv; matrices mixed by reciprocal temperature; camera neutral = matrix x white).
#[test]
fn white_balance_as_shot_and_by_temperature() {
    let frame = office();
    let near = |found: [f32; 3], wanted: [f32; 3]| {
        for (found, wanted) in found.into_iter().zip(wanted) {
            assert!((found / wanted - 1.0).abs() < 2e-3, "{found}, not {wanted}");
        }
    };
    let shot = sensor::develop(&frame, frame.crop, &Development::default()).expect("sound");
    assert_eq!(shot.notes.balance_source, BalanceSource::AsShot);
    near(shot.notes.gains, [1.0 / 0.401_764, 1.0, 1.0 / 0.679_525]);
    let [kelvin, _] = shot.notes.temperature.expect("it has matrices");
    assert!((kelvin - 5503.0).abs() < 15.0, "{kelvin}");
    for (kelvin, tint, gains) in [
        (2856.0, 0.0, [1.388_958, 1.0, 2.325_407]),
        (3200.0, 10.0, [1.582_440, 1.0, 2.243_975]),
        (5000.0, -8.0, [2.236_668, 1.0, 1.470_490]),
        (6504.0, 0.0, [2.684_078, 1.0, 1.315_239]),
        (9000.0, 12.0, [3.158_907, 1.0, 1.173_784]),
    ] {
        let how = Development {
            balance: Balance::Temperature { kelvin, tint },
            ..Development::default()
        };
        let colours = sensor::colours(&frame, &how).expect("in range");
        near(colours.gains, gains);
        let [back, _] = colours.temperature.expect("it has matrices");
        assert!((back / kelvin - 1.0).abs() < 0.01, "{kelvin}: {back}");
    }
}

/// Whatever a frame's own camera noted, the set's reference frame decides.
#[test]
fn white_balance_by_the_sets_reference() {
    let text = "Recipe(format: 1, name: \"r\", steps: [WhiteBalance(from: SetReference)])";
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("r.ron", text, &|_| Err(String::new()), &mut notes);
    let recipe = recipe.unwrap_or_else(|| panic!("{notes}"));
    let gains = [2.2, 1.0, 1.7];
    let reference = SensorFrame {
        balance: Some(gains),
        ..office()
    };
    let set = Set {
        reference: Reference::of(&Frame::Sensor(reference)),
        ..Set::default()
    };
    let small = engine::small_copy(&Frame::Sensor(office()), &recipe, &set, 300).expect("sound");
    let how = Development {
        balance: Balance::Gains(gains),
        ..Development::default()
    };
    let told = sensor::develop_small(&office(), 300, &how).expect("sound");
    assert_eq!(small, told);
    let shot = sensor::develop_small(&office(), 300, &Development::default()).expect("sound");
    assert_ne!(small, shot);
}
