//! Backdrops replaced and lifted on the rendered office, against its truth (Blender's coverage and
//! foreground passes; `office/README.md`). Skipped where the office is absent.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

#[path = "support/rendered.rs"]
mod rendered;

use std::ops::ControlFlow;
use std::path::Path;

use lapel::engine::{self, Fineness, Finished, Set};
use lapel::measure::{Lab, delta_e_2000, lab};
use lapel::operations::Scene;
use lapel::operations::background_replace::BackgroundReplace;
use lapel::operations::colours::Colour;
use lapel::picture::filter::{dilate, gaussian};
use lapel::picture::{Linear, Ratio, luminance};
use lapel::raw::{self, Frame, Limits, Samples};
use lapel::recipe::{Diagnostics, Recipe};
use lapel::regions::{Matte, Region, Regions, find};
use ndarray::Array2;
use rendered::{developed, office};

fn true_matte(office: &Path, id: &str) -> Array2<f32> {
    let path = office.join("truth").join(id).join("person.png");
    let grey = image::open(path).expect("truth is there").into_luma16();
    let shape = (grey.height() as usize, grey.width() as usize);
    Array2::from_shape_fn(shape, |(y, x)| {
        f32::from(grey.get_pixel(x as u32, y as u32).0[0]) / 65535.0
    })
}

/// The premultiplied foreground in BT.2020: 65535 = 2.0 in linear sRGB. Matrix: ITU-R BT.2087-0, table 4.
fn true_foreground(office: &Path, id: &str) -> Linear {
    let path = office.join("truth").join(id).join("foreground.png");
    let seen = image::open(path).expect("truth is there").into_rgb16();
    let shape = (seen.height() as usize, seen.width() as usize);
    let rows = [
        [0.6274, 0.3293, 0.0433],
        [0.0691, 0.9195, 0.0114],
        [0.0164, 0.0880, 0.8956],
    ];
    Linear {
        planes: rows.map(|row| {
            Array2::from_shape_fn(shape, |(y, x)| {
                let rgb = seen.get_pixel(x as u32, y as u32).0;
                let parts = row.iter().zip(rgb);
                parts.map(|(k, v)| k * f32::from(v) * 2.0 / 65535.0).sum()
            })
        }),
    }
}

/// What noise leaves of the outline: where the true alpha is between 0.02 and 0.98, alpha solved from the pixel by
/// all channels (Smith and Blinn, *Blue Screen Matting*, SIGGRAPH 1996), with the truth's own colours, blurred by two
/// pixels, and the wall as measured; elsewhere as found.
fn from_true_colours(
    picture: &Linear,
    found: &Regions,
    alpha: &Array2<f32>,
    foreground: &Linear,
) -> Array2<f32> {
    let around = gaussian(alpha.view(), 2.0);
    let own = foreground.planes.each_ref();
    let own = own.map(|plane| gaussian(plane.view(), 2.0) / &around.mapv(|a| a.max(1e-4)));
    let mut walls = found.backdrop.as_ref().expect("a wall").rows();
    let mut out = found.region(Region::Person).whole();
    for y in 0..alpha.nrows() {
        let wall = walls.each_mut().map(|rows| rows.row(y));
        for x in (0..alpha.ncols()).filter(|&x| (0.02..0.98).contains(&alpha[[y, x]])) {
            let (mut along, mut square) = (0.0, 0.0);
            for c in 0..3 {
                let b = wall[c][x];
                let towards = own[c][[y, x]] - b;
                // Photon noise grows with light.
                along += towards * (picture.planes[c][[y, x]] - b) / (b + 0.01);
                square += towards * towards / (b + 0.01);
            }
            out[[y, x]] = (along / square).clamp(0.0, 1.0);
        }
    }
    out
}

fn with_matte(found: &Regions, person: Array2<f32>) -> Regions {
    let mut regions = found.clone();
    for (region, matte) in &mut regions.mattes {
        if *region == Region::Person {
            *matte = Matte::exact(person.clone());
        }
    }
    regions
}

fn scene(regions: &Regions) -> Scene<'_> {
    let marks = regions.marks.as_ref().expect("a face");
    Scene {
        scale: marks.scale(),
        regions,
    }
}

#[test]
fn the_green_screen_goes_about_as_well_as_with_the_true_matte() {
    let Some(office) = office() else { return };
    let picture = developed(&office, "s04");
    let alpha = true_matte(&office, "s04");
    let mut foreground = true_foreground(&office, "s04");
    // The camera's exposure: least squares over what is all sitter.
    for (own, seen) in foreground.planes.iter_mut().zip(&picture.planes) {
        let (mut product, mut square) = (0.0_f64, 0.0_f64);
        for ((f, i), a) in own.iter().zip(seen).zip(&alpha) {
            if *a > 0.999 {
                product += f64::from(f * i);
                square += f64::from(f * f);
            }
        }
        let gain = (product / square) as f32;
        own.mapv_inplace(|f| f * gain);
    }
    let found = find(&picture, None);
    let known = with_matte(&found, alpha.clone());
    // What is reached is held here; half as much again is wanted, on average 1.3 is there. Before white every
    // error of the matte counts, and noise alone leaves more than that: see what `ideal` leaves.
    let ideal = with_matte(
        &found,
        from_true_colours(&picture, &found, &alpha, &foreground),
    );
    for (name, hex, most) in [
        ("grey", [0x76; 3], 1.05),
        ("black", [0; 3], 1.1),
        ("red", [0xd0, 0x20, 0x20], 1.12),
        ("white", [0xff; 3], 2.15),
    ] {
        // The truth holds the screen's own light on the sitter, so it stays here.
        let settings = BackgroundReplace {
            top: Colour(hex),
            bottom: Colour(hex),
            spill: Ratio(0.0),
            ..BackgroundReplace::default()
        };
        let wall = Colour(hex).light();
        let error = |regions: &Regions| {
            let mut out = picture.clone();
            settings.apply(&mut out, &scene(regions));
            let mut sum = 0.0_f64;
            for c in 0..3 {
                for ((v, f), a) in out.planes[c].iter().zip(&foreground.planes[c]).zip(&alpha) {
                    let off = f64::from(v - f - (1.0 - a) * wall[c]);
                    sum += off * off;
                }
            }
            (sum / (3 * alpha.len()) as f64).sqrt()
        };
        let (ours, best, ideal) = (error(&found), error(&known), error(&ideal));
        eprintln!(
            "{name}: {ours:.5}, with the true matte {best:.5}: {:.2}; solved from true colours {:.2}",
            ours / best,
            ideal / best
        );
        assert!(ours < most * best, "{name}: {ours} against {best}");
        assert!(ours < 1.15 * ideal, "{name}: {ours} against {ideal}");
    }
}

/// How much of an edge shows before a black, a white or a red wall, held at what is reached: over the outline and four pixels around it the
/// composite is compared with that of the true matte, as a mean CIEDE2000 (1 is just noticeable).
fn outline_shows_less_than(id: &str, most: [f64; 3]) {
    let Some(office) = office() else { return };
    let picture = developed(&office, id);
    let alpha = true_matte(&office, id);
    let found = find(&picture, None);
    let known = with_matte(&found, alpha.clone());
    let soft = alpha.mapv(|a| if a > 0.02 && a < 0.98 { 1.0 } else { 0.0 });
    let edge = dilate(soft.view(), 4);
    let walls = [[0; 3], [0xff; 3], [0xd0, 0x20, 0x20]];
    for (hex, most) in walls.into_iter().zip(most) {
        let settings = BackgroundReplace {
            top: Colour(hex),
            bottom: Colour(hex),
            ..BackgroundReplace::default()
        };
        let [ours, best] = [&found, &known].map(|regions| {
            let mut out = picture.clone();
            settings.apply(&mut out, &scene(regions));
            out
        });
        let (mut sum, mut count) = (0.0, 0.0);
        for ((y, x), _) in edge.indexed_iter().filter(|(_, edge)| **edge > 0.5) {
            sum += delta_e_2000(lab(ours.at(y, x)), lab(best.at(y, x)));
            count += 1.0;
        }
        let off = sum / count;
        eprintln!("{id} before {hex:?}: {off:.2}");
        assert!(off < most, "{id} before {hex:?}: {off}");
    }
}

#[test]
fn long_loose_hair_stands_before_any_wall() {
    outline_shows_less_than("s01", [3.08, 2.36, 2.17]);
}

#[test]
fn a_bald_head_from_white_paper_stands_before_any_wall() {
    outline_shows_less_than("s07", [3.7, 0.85, 2.7]);
}

#[test]
fn grey_hair_from_white_paper_stands_before_any_wall() {
    outline_shows_less_than("s03", [2.95, 0.55, 1.8]);
}

#[test]
fn dark_hair_from_black_paper_stands_before_any_wall() {
    outline_shows_less_than("s05", [0.95, 6.9, 4.8]);
}

#[test]
fn hair_from_a_green_screen_stands_before_any_wall() {
    outline_shows_less_than("s04", [1.25, 0.55, 0.85]);
}

/// Cloth that has the key's own colour (a broad strip down the suit of the green frame, lit as it is but green)
/// is the sitter's, however much it looks like the wall. Where the suit is, the truth says.
#[test]
fn cloth_of_the_screens_colour_gets_no_holes() {
    let Some(office) = office() else { return };
    let mut picture = developed(&office, "s04");
    let parts = image::open(office.join("truth/s04/parts.png")).expect("truth is there");
    let parts = parts.into_luma8();
    // Class of clothing in the truth's map; the strip lies right of the middle, wholly within the suit.
    let strip = |y: usize, x: usize| {
        (1300..1700).contains(&y)
            && (650..800).contains(&x)
            && parts.get_pixel(x as u32, y as u32).0[0] == 4
    };
    let mut cloth = Vec::new();
    let (height, width) = picture.planes[0].dim();
    for y in 0..height {
        for x in (0..width).filter(|&x| strip(y, x)) {
            let light = luminance(picture.at(y, x));
            for (plane, share) in picture.planes.iter_mut().zip([0.5, 1.2, 0.45]) {
                plane[[y, x]] = 6.0 * share * light;
            }
            cloth.push((y, x));
        }
    }
    assert!(cloth.len() > 40_000, "{} pixels of cloth", cloth.len());
    let person = find(&picture, None).region(Region::Person).whole();
    let open = cloth.iter().filter(|at| person[**at] < 0.95).count();
    let share = open as f32 / cloth.len() as f32;
    eprintln!("of green cloth {share:.4} is open");
    assert!(share < 0.005, "{share}");
}

fn frame(office: &Path, id: &str) -> Frame {
    let path = office.join("frames").join(format!("{id}.dng"));
    let bytes = std::fs::read(&path).expect("the office's frames are there");
    raw::read(&bytes, id, &Limits::default()).expect("a sound frame")
}

/// A frame through these steps, uncropped, without the set's empty backdrop; and the picture before the
/// first of them.
fn rendered(frame: &Frame, steps: &str) -> (Linear, Finished) {
    let text = format!(
        "Recipe(format: 1, name: \"t\", steps: [WhiteBalance(from: SetReference), {steps}])"
    );
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("t.ron", &text, &|_: &str| Err(String::new()), &mut notes)
        .unwrap_or_else(|| panic!("{notes}"));
    let mut before = None;
    let finished = engine::render(
        frame,
        &recipe,
        &Set::default(),
        Fineness::Full,
        |_, canvas| {
            before.get_or_insert_with(|| canvas.linear().clone());
            ControlFlow::Continue(())
        },
    );
    (
        before.expect("the picture as developed"),
        finished.expect("renders"),
    )
}

/// 1 where the sitter is nearer than `radius` pixels.
fn near(truth: &Array2<f32>, radius: usize) -> Array2<f32> {
    let sitter = truth.mapv(|a| if a > 0.001 { 1.0 } else { 0.0 });
    dilate(sitter.view(), radius)
}

/// The bare wall's colours, away from the sitter.
fn wall_of(picture: &Linear, near: &Array2<f32>) -> Vec<[f64; 3]> {
    let bare = near.indexed_iter().filter(|(_, near)| **near < 0.5);
    bare.map(|((y, x), _)| {
        let lab = lab(picture.at(y, x));
        [lab.l, lab.a, lab.b]
    })
    .collect()
}

/// 5th percentile, median, 95th.
fn percentiles(mut values: Vec<f64>) -> [f64; 3] {
    values.sort_by(f64::total_cmp);
    [5, 50, 95].map(|p| values[(values.len() - 1) * p / 100])
}

const TONES: &str = "ToneCurve(contrast: 0.3), ShadowLift(amount: 0.08, below: 30.0, on: Person), \
                     Chroma(amount: 0.1)";

/// A wall's colour is the delivered one, whatever the tone steps do to it: below a just noticeable
/// difference (a CIEDE2000 of 1).
#[test]
fn a_replaced_wall_has_the_colour_that_was_asked_for() {
    let Some(office) = office() else { return };
    let truth = true_matte(&office, "s02");
    let near = near(&truth, 12);
    let frame = frame(&office, "s02");
    for (hex, rgb) in [
        ("#b4b6b8", [0xb4, 0xb6, 0xb8]),
        ("#1e3c5a", [0x1e, 0x3c, 0x5a]),
        ("#c04030", [0xc0, 0x40, 0x30]),
    ] {
        let step = format!("BackgroundReplace(top: \"{hex}\", bottom: \"{hex}\"), {TONES}");
        let (_, finished) = rendered(&frame, &step);
        let wall = wall_of(&finished.picture, &near);
        let middle = [0, 1, 2].map(|c| percentiles(wall.iter().map(|v| v[c]).collect())[1]);
        let [l, a, b] = middle;
        let off = delta_e_2000(Lab::new(l, a, b), lab(Colour(rgb).light()));
        eprintln!("{hex}: off by {off:.3}");
        assert!(off < 0.5, "{hex}: {middle:?}");
    }
}

/// A crease across the paper, dust and a smudge, drawn into the raw samples, as a share of their light.
fn marked(frame: &Frame) -> Frame {
    let Frame::Sensor(sensor) = frame else {
        panic!("a raw")
    };
    let mut sensor = sensor.clone();
    let black = sensor.black.mean().expect("a black level");
    let Samples::Whole(samples) = &mut sensor.samples else {
        panic!("whole numbers")
    };
    for ((y, x), v) in samples.indexed_iter_mut() {
        let (y, x) = (y as f32, x as f32);
        let bump = |d: f32, width: f32| (-0.5 * (d / width) * (d / width)).exp();
        let crease = bump(x - 90.0 - 0.05 * y, 3.0);
        let dust = [
            (200.0, 150.0),
            (420.0, 210.0),
            (1050.0, 330.0),
            (1120.0, 700.0),
        ];
        let dust: f32 = dust
            .map(|(i, j): (f32, f32)| bump((x - i).hypot(y - j), 2.0))
            .iter()
            .sum();
        let smudge = bump((x - 1000.0).hypot(y - 150.0), 25.0);
        let light = 1.0 - 0.10 * crease - 0.4 * dust - 0.08 * smudge;
        *v = (black + (f32::from(*v) - black) * light).round() as u16;
    }
    Frame::Sensor(sensor)
}

/// Bounds of the trade: lightness and chroma of a lifted wall vary by less than half a unit of CIELAB
/// (5th to 95th percentile), marks included, which were there before.
#[test]
fn a_lifted_wall_is_even_and_its_marks_are_gone() {
    let Some(office) = office() else { return };
    for id in ["s02", "s03", "s07"] {
        let near = near(&true_matte(&office, id), 25);
        let spread = |picture: &Linear| {
            let wall = wall_of(picture, &near);
            let of = |value: &dyn Fn(&[f64; 3]) -> f64| {
                let [low, middle, high] = percentiles(wall.iter().map(value).collect());
                (middle, high - low)
            };
            (of(&|lab| lab[0]), of(&|lab| lab[1].hypot(lab[2])))
        };
        let lift = "Denoise(strength: 0.5), BackgroundLift(level: 62.0, tint: 0.0)";
        let (before, after) = rendered(&marked(&frame(&office, id)), lift);
        let ((_, uneven), _) = spread(&before);
        let ((level, lightness), (_, chroma)) = spread(&after.picture);
        eprintln!(
            "{id}: L* {level:.2}, varies by {lightness:.2} (before {uneven:.1}), chroma {chroma:.2}"
        );
        assert!(
            (level - 62.0).abs() < 0.2 && uneven > 5.0,
            "{id}: {level}, {uneven}"
        );
        assert!(
            lightness < 0.5 && chroma < 0.5,
            "{id}: {lightness}, {chroma}"
        );
        // The marks themselves, not only few pixels among many.
        let light = |y: usize, x: usize| {
            let mean = |c: usize| {
                let mut sum = 0.0;
                for dy in 0..3 {
                    for dx in 0..3 {
                        sum += after.picture.planes[c][[y + dy - 1, x + dx - 1]] / 9.0;
                    }
                }
                sum
            };
            lab([mean(0), mean(1), mean(2)]).l
        };
        for (y, x) in [
            (100, 95),
            (500, 115),
            (150, 200),
            (210, 420),
            (330, 1050),
            (150, 1000),
        ] {
            let off = (light(y, x) - 62.0).abs();
            assert!(off < 0.6, "{id}: a mark at {y}, {x} is off by {off:.2}");
        }
    }
}

/// The sitter's bright pixels beside the outline (the rim light's, by the true matte) stay, and a wall
/// that is evened by half keeps half of its slope.
#[test]
fn a_lift_keeps_the_rim_light_and_a_slope_if_asked() {
    let Some(office) = office() else { return };
    for id in ["s01", "s03", "s06", "s07"] {
        let truth = true_matte(&office, id);
        let bare = dilate(truth.mapv(|a| if a < 0.5 { 1.0 } else { 0.0 }).view(), 12);
        let steps = "Denoise(strength: 0.5), BackgroundLift(level: 62.0, tint: 0.0)";
        let (before, after) = rendered(&frame(&office, id), steps);
        let beside: Vec<(f32, f32)> = truth
            .indexed_iter()
            .filter(|(at, a)| **a > 0.999 && bare[*at] > 0.5)
            .map(|((y, x), _)| {
                (
                    luminance(before.at(y, x)),
                    luminance(after.picture.at(y, x)),
                )
            })
            .collect();
        let bright = percentiles(beside.iter().map(|v| f64::from(v.0)).collect())[1];
        let changes = beside.iter().filter(|v| f64::from(v.0) > bright);
        let changes = changes.map(|(old, new)| f64::from((new / old - 1.0).abs()));
        let [_, middle, most] = percentiles(changes.collect());
        eprintln!("{id}: bright edge changed by {middle:.4}, at most (95 %) {most:.4}");
        assert!(middle < 0.002 && most < 0.01, "{id}: {middle}, {most}");
    }
    let near = near(&true_matte(&office, "s02"), 25);
    let slope = |evenness: f32| {
        let steps = format!("BackgroundLift(level: 62.0, tint: 0.0, evenness: {evenness:?})");
        let (_, after) = rendered(&frame(&office, "s02"), &steps);
        let wall = wall_of(&after.picture, &near);
        let [low, _, high] = percentiles(wall.iter().map(|v| v[0]).collect());
        high - low
    };
    let (none, half) = (slope(0.0), slope(0.5));
    eprintln!("slope {none:.2}, half evened {half:.2}");
    assert!(half > 0.4 * none && half < 0.6 * none, "{half} of {none}");
}
