//! Colour charts seen askew, in shade and under mixed lights, made from the rendered chart frame whose
//! corners and colours are known; and the reference colours against colour-science.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::path::Path;

use lapel::picture::{Linear, Ratio, Rect, Size};
use lapel::raw::{self, Frame, Limits, Samples, SensorFrame};
use lapel::sensor;
use lapel::sensor::chart::{self, Chart, Light};
use ndarray::Array2;
use random::random;

#[path = "support/random.rs"]
mod random;

fn office() -> SensorFrame {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/samples/office/frames/chart.dng"
    );
    let bytes = std::fs::read(path).expect("shipped with the project");
    match raw::read(&bytes, "chart.dng", &Limits::default()).expect("a sound frame") {
        Frame::Sensor(frame) => frame,
        Frame::Finished(_) => panic!("the chart is a raw"),
    }
}

/// How a frame is seen: where its pixels come from, and which light falls there (factors of the
/// camera's colours).
struct Seen<'a> {
    from: &'a dyn Fn(f64, f64) -> [f64; 2],
    light: &'a dyn Fn(f64, f64) -> [f32; 3],
}

/// A mosaic of `picture` (light as the camera saw it, before gains), with the noise of 4000 electrons at
/// full scale and 3 of read noise.
fn mosaic(picture: &Linear, of: &SensorFrame, seen: &Seen<'_>) -> SensorFrame {
    let (height, width) = picture.planes[0].dim();
    let mut state = 1;
    let samples = Array2::from_shape_fn((height, width), |(y, x)| {
        let colour = of.colour_at(y, x);
        let [fy, fx] = (seen.from)(y as f64 + 0.5, x as f64 + 0.5);
        let light = read(&picture.planes[colour], fy - 0.5, fx - 0.5);
        // The lights fall on the chart, wherever it is seen.
        let light = light * (seen.light)(fy, fx)[colour];
        let normal = (0..12).map(|_| random(&mut state)).sum::<f32>() - 6.0;
        let noisy = light + normal * (light / 4000.0 + (3.0_f32 / 4000.0).powi(2)).sqrt();
        noisy.clamp(-0.03, 1.0)
    });
    SensorFrame {
        samples: Samples::Float(samples),
        black: Array2::zeros((1, 1)),
        white: [1.0; 3],
        crop: Rect::whole(Size { width, height }),
        ..of.clone()
    }
}

fn read(plane: &Array2<f32>, y: f64, x: f64) -> f32 {
    let (height, width) = plane.dim();
    let (y, x) = (
        y.clamp(0.0, height as f64 - 1.001),
        x.clamp(0.0, width as f64 - 1.001),
    );
    let (row, column) = (y as usize, x as usize);
    let (dy, dx) = ((y - row as f64) as f32, (x - column as f64) as f32);
    let at = |i: usize, j: usize| plane[[row + i, column + j]];
    let mix = |i: usize| at(i, 0) * (1.0 - dx) + at(i, 1) * dx;
    mix(0) * (1.0 - dy) + mix(1) * dy
}

/// Light as the office's camera saw it.
fn camera_light(frame: &SensorFrame) -> Linear {
    let gains = frame.balance.expect("noted");
    let whole = Rect::whole(frame.size());
    let mut picture =
        sensor::demosaic(frame, whole, gains, Ratio(0.0), None).expect("a sound frame");
    for (plane, gain) in picture.planes.iter_mut().zip(gains) {
        plane.mapv_inplace(|v| v / gain);
    }
    picture
}

/// The place in the office's frame that a corner seen at `at` shows, or the other way round by
/// Newton's steps on `from`.
fn seen_at(from: &dyn Fn(f64, f64) -> [f64; 2], [y, x]: [f64; 2]) -> [f64; 2] {
    let mut at = [y, x];
    for _ in 0..50 {
        let [fy, fx] = from(at[0], at[1]);
        let (ey, ex) = (y - fy, x - fx);
        let [ay, ax] = from(at[0] + 0.5, at[1]);
        let [by, bx] = from(at[0], at[1] + 0.5);
        let (a, b, c, d) = (
            (ay - fy) * 2.0,
            (by - fy) * 2.0,
            (ax - fx) * 2.0,
            (bx - fx) * 2.0,
        );
        let over = 1.0 / (a * d - b * c);
        at = [
            at[0] + over * (d * ey - b * ex),
            at[1] + over * (a * ex - c * ey),
        ];
    }
    at
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0), |(sum, count), v| (sum + v, count + 1));
    sum / f64::from(count.max(1))
}

fn told(name: &str, chart: &Chart) -> [f64; 2] {
    let after = mean(chart.patches.iter().map(|p| p.after));
    let left_out = mean(chart.patches.iter().map(|p| p.left_out));
    let most = chart.patches.iter().map(|p| p.after).fold(0.0, f64::max);
    eprintln!(
        "{name}: after {after:.2} (at most {most:.2}), left out {left_out:.2}, {:?}, {:?}",
        chart.light, chart.profile.kept
    );
    [after, left_out]
}

fn same(y: f64, x: f64) -> [f64; 2] {
    [y, x]
}

fn plain(_: f64, _: f64) -> [f32; 3] {
    [1.0; 3]
}

/// Mean at most 1.5 seen from three other sides; corners within three pixels, as the chart is a seventh
/// smaller here and looked for at half the size (0.7 pixels on the frame as it is).
#[test]
fn charts_seen_askew_are_found() {
    let frame = office();
    let picture = camera_light(&frame);
    let truth = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../shared/office/truth/chart/chart.json"
    );
    let truth: Option<serde_json::Value> = std::fs::read_to_string(truth)
        .ok()
        .map(|text| serde_json::from_str(&text).expect("JSON"));
    type View<'v> = &'v dyn Fn(f64, f64) -> [f64; 2];
    let views: [(&str, View<'_>); 3] = [
        ("turned by 25 degrees", &|y, x| turned(y, x, 25.0, [0.0; 2])),
        ("upside down, from the left", &|y, x| {
            turned(y, x, 184.0, [0.0, 4.0e-4])
        }),
        ("from below, turned back by 40", &|y, x| {
            turned(y, x, -40.0, [4.0e-4, 1.5e-4])
        }),
    ];
    for (name, from) in views {
        let seen = mosaic(
            &picture,
            &frame,
            &Seen {
                from,
                light: &plain,
            },
        );
        let chart = chart::read_chart(&seen).unwrap_or_else(|error| panic!("{name}: {error}"));
        let [after, left_out] = told(name, &chart);
        assert!(after <= 1.5 && left_out <= 1.5, "{name}");
        let Some(truth) = &truth else {
            eprintln!("corners skipped: no ../shared/office");
            continue;
        };
        let mut far = 0.0_f64;
        let patches = truth["patches"].as_array().expect("a list");
        for (patch, truth) in chart.patches.iter().zip(patches) {
            for (k, [x, y]) in patch.corners.iter().enumerate() {
                let at = |c: usize| truth["corners_px"][k][c].as_f64().expect("a number");
                let [ty, tx] = seen_at(from, [at(1), at(0)]);
                far = far.max((x - tx).hypot(y - ty));
            }
        }
        eprintln!("  corners within {far:.2} px");
        assert!(far <= 3.0, "{name}: {far} px");
    }
}

/// Where a pixel comes from: turned about the chart's middle and seen in perspective.
fn turned(y: f64, x: f64, degrees: f64, [down, right]: [f64; 2]) -> [f64; 2] {
    let (cy, cx) = (750.0, 600.0);
    let (y, x) = (y - cy, x - cx);
    let (sin, cos) = degrees.to_radians().sin_cos();
    let w = 1.0 + down * y + right * x;
    let (y, x) = (1.15 * y / w, 1.15 * x / w);
    [cy + cos * y + sin * x, cx - sin * y + cos * x]
}

/// A warm light from the left and a cool one from the right, noise besides.
#[test]
fn two_lights_that_mix_do_not_bend_the_colours() {
    let frame = office();
    let picture = camera_light(&frame);
    for (warm, cool) in [
        ([1.0, 0.85, 0.6], [0.8, 0.9, 1.0]),
        ([1.0, 0.75, 0.4], [0.55, 0.85, 1.0]),
    ] {
        let light = |_: f64, x: f64| {
            let share = ((x - 200.0) / 800.0).clamp(0.0, 1.0) as f32;
            [0, 1, 2].map(|c| 0.9 * (warm[c] * (1.0 - share) + cool[c] * share))
        };
        let seen = mosaic(
            &picture,
            &frame,
            &Seen {
                from: &same,
                light: &light,
            },
        );
        let chart = chart::read_chart(&seen).expect("a chart");
        let [after, left_out] = told(&format!("{warm:?} and {cool:?}"), &chart);
        assert!(after <= 1.5 && left_out <= 1.5);
        assert!(matches!(chart.light, Light::Mixed | Light::MixedCurved));
    }
}

/// A shade with a soft edge over part of the chart: found always, read within 1.5 while the shade is
/// light. A deep and sharp one is no surface of second order: read to 2.8, which the figures left
/// out tell.
#[test]
fn a_partly_shaded_chart_is_read() {
    let frame = office();
    let picture = camera_light(&frame);
    for (name, stops, edge, soft, [least, most]) in [
        ("a third in light shade", -0.5_f32, 760.0, 120.0, [0.0, 1.5]),
        ("half in deep shade", -1.0, 620.0, 60.0, [1.5, 4.0]),
    ] {
        let light = |y: f64, x: f64| {
            let share = ((x + 0.2 * y - 0.2 * 750.0 - edge) / soft + 0.5).clamp(0.0, 1.0) as f32;
            [(stops * share).exp2(); 3]
        };
        let seen = mosaic(
            &picture,
            &frame,
            &Seen {
                from: &same,
                light: &light,
            },
        );
        let chart = chart::read_chart(&seen).unwrap_or_else(|error| panic!("{name}: {error}"));
        let [after, left_out] = told(name, &chart);
        assert!((least..most).contains(&after) && (least..most).contains(&left_out));
    }
}

#[test]
fn one_light_is_not_taken_for_two() {
    let chart = chart::read_chart(&office()).expect("a chart");
    let [after, left_out] = told("the office's own", &chart);
    assert!(after <= 1.0 && left_out <= 1.0);
    assert!(
        !matches!(chart.light, Light::Mixed | Light::MixedCurved),
        "{:?}",
        chart.light
    );
}

/// `tests/data/chart/reference.csv`, written by `make.py` beside it with colour-science 0.4.7: data set
/// "ColorChecker24 - After November 2014", its xyY, and linear BT.2020 (D65) adapted by Bradford.
#[test]
fn reference_colours_are_those_of_colour_science() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/chart/reference.csv");
    let mut table = csv::Reader::from_path(path).expect("shipped with the project");
    let chart = chart::read_chart(&office()).expect("a chart");
    let mut count = 0;
    for (row, patch) in table.records().zip(&chart.patches) {
        let row = row.expect("a row");
        // The data set adds densities to the greys' names.
        assert!(row[0].starts_with(patch.name), "{}", &row[0]);
        for (c, wanted) in patch.wanted.iter().enumerate() {
            let told: f32 = row[4 + c].parse().expect("a number");
            assert!(
                (wanted - told).abs() < 2e-5,
                "{}: {wanted}, {told}",
                &row[0]
            );
        }
        count += 1;
    }
    assert_eq!(count, 24);
}
