//! The capture check, matching and the consistency report on rendered sitters whose faults were
//! made on purpose: the raws are linear, so light, colour, blur and distance are changed exactly.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod support;

use std::fs;
use std::sync::OnceLock;

use lapel::checks::compare::compare;
use lapel::checks::{Capture, Fault, Practice, Verdict};
use lapel::engine::{self, Fineness, Matching, Reference, Set, Target};
use lapel::measure::{self, Lab, delta_e_2000};
use lapel::operations::crop;
use lapel::picture::filter::gaussian;
use lapel::picture::{Linear, Point, Ratio};
use lapel::raw::{Frame, Samples, SensorFrame};
use lapel::recipe::{Diagnostics, Recipe};
use lapel::regions::Marks;
use lapel::sensor::{self, Balance, Development};
use ndarray::Array2;
use support::{Office, frame, lapel};

fn raw(id: &str) -> SensorFrame {
    match frame(id) {
        Frame::Sensor(sensor) => sensor,
        Frame::Finished(_) => panic!("{id} is a raw"),
    }
}

/// Light above black times a factor per site, cut at white: what more or other light would have given.
fn relit(frame: &SensorFrame, factor: impl Fn(usize, usize, usize) -> f32) -> SensorFrame {
    let (height, width) = frame.samples.dim();
    let samples = Array2::from_shape_fn((height, width), |(y, x)| {
        let black = frame.black_at(y, x);
        let light = frame.samples.at(y, x) - black;
        let white = frame.white_at(y, x);
        (black + light * factor(y, x, frame.colour_at(y, x))).min(white)
    });
    SensorFrame {
        samples: Samples::Float(samples),
        ..frame.clone()
    }
}

/// The mosaic of camera light that was changed as planes.
fn redrawn(frame: &SensorFrame, change: impl Fn(&Array2<f32>) -> Array2<f32>) -> SensorFrame {
    let Linear { planes } =
        sensor::demosaic(frame, frame.crop, [1.0; 3], Ratio(0.0), None).expect("a sound frame");
    let planes = planes.each_ref().map(change);
    let samples = Array2::from_shape_fn(planes[0].dim(), |(y, x)| {
        let colour = frame.colour_at(frame.crop.top + y, frame.crop.left + x);
        planes[colour][[y, x]]
    });
    assert_eq!((frame.crop.left % 2, frame.crop.top % 2), (0, 0));
    let size = frame.crop.size();
    SensorFrame {
        samples: Samples::Float(samples),
        black: Array2::zeros((1, 1)),
        white: [1.0; 3],
        crop: lapel::picture::Rect::whole(size),
        ..frame.clone()
    }
}

/// `plane` at `scale` about its middle, then moved down by `down` pixels; edges go on.
fn moved(plane: &Array2<f32>, scale: f32, down: f32) -> Array2<f32> {
    let (height, width) = plane.dim();
    let (cy, cx) = (0.5 * height as f32, 0.5 * width as f32);
    let at = |v: f32, end: usize| {
        let v = (v - 0.5).clamp(0.0, end as f32 - 1.001);
        (v as usize, v.fract())
    };
    Array2::from_shape_fn((height, width), |(y, x)| {
        let (y, fy) = at(cy + (y as f32 + 0.5 - down - cy) / scale, height);
        let (x, fx) = at(cx + (x as f32 + 0.5 - cx) / scale, width);
        let row = |y: usize| plane[[y, x]] * (1.0 - fx) + plane[[y, x + 1]] * fx;
        row(y) * (1.0 - fy) + row(y + 1) * fy
    })
}

/// Factors on the sites by which a light of other kelvin differs from that of the set (5503 K).
fn coloured(frame: &SensorFrame, kelvin: f32) -> [f32; 3] {
    let gains = |kelvin: f32| {
        let how = Development {
            balance: Balance::Temperature { kelvin, tint: 0.0 },
            ..Development::default()
        };
        sensor::colours(frame, &how).expect("a known camera").gains
    };
    let (set, other) = (gains(5503.0), gains(5503.0 + kelvin));
    [0, 1, 2].map(|c| set[c] / other[c])
}

fn recipe(steps: &str) -> Recipe {
    let text = format!("Recipe(format: 1, name: \"test\", steps: [{steps}])");
    let none = |_: &str| Err("nothing".to_owned());
    Recipe::read("test.ron", &text, &none, &mut Diagnostics::default()).expect("a sound recipe")
}

fn captured(name: &str, frame: SensorFrame) -> Capture {
    let recipe = recipe("Crop()");
    Capture::of(name, &Frame::Sensor(frame), &recipe, &Set::default()).expect("it develops")
}

/// The grey set as it is (two more sitters were lit from the other side).
fn clean() -> &'static [Capture] {
    static CLEAN: OnceLock<Vec<Capture>> = OnceLock::new();
    CLEAN.get_or_init(|| {
        ["s01", "s06", "s09"]
            .map(|id| captured(id, raw(id)))
            .to_vec()
    })
}

#[test]
fn the_grey_set_has_no_fault() {
    let verdict = Verdict::of(clean(), &Practice::default());
    for (capture, findings) in clean().iter().zip(&verdict.frames) {
        eprintln!(
            "{}: {:?} {:?}",
            capture.frame, capture.face, capture.backdrop
        );
        assert!(findings.is_empty(), "{}: {findings:?}", capture.frame);
    }
}

/// Puts a faulty frame among the clean ones and expects this fault of it alone, and of no other frame.
#[track_caller]
fn found_in(faulty: SensorFrame, expected: Fault) -> String {
    let mut captures = clean().to_vec();
    captures[0] = captured("faulty", faulty);
    let verdict = Verdict::of(&captures, &Practice::default());
    let own = &verdict.frames[0];
    eprintln!(
        "{expected:?}: {own:?} {:?} {:?}",
        captures[0].face, captures[0].backdrop
    );
    for (capture, findings) in captures.iter().zip(&verdict.frames).skip(1) {
        assert!(
            findings.is_empty(),
            "{expected:?}: {}: {findings:?}",
            capture.frame
        );
    }
    let told_apart = expected != Fault::EyeSoft || own.iter().all(|f| f.fault != Fault::Motion);
    assert!(told_apart, "{own:?}");
    let found = own.iter().find(|finding| finding.fault == expected);
    found
        .unwrap_or_else(|| panic!("{expected:?} is not among {own:?}"))
        .says
        .clone()
}

#[test]
fn blur_and_motion_are_found_and_told_apart() {
    let blurred = redrawn(&raw("s01"), |plane| gaussian(plane.view(), 2.0));
    found_in(blurred, Fault::EyeSoft);
    let dragged = redrawn(&raw("s01"), |plane| {
        let (_, width) = plane.dim();
        Array2::from_shape_fn(plane.dim(), |(y, x)| {
            (0..13)
                .map(|d| plane[[y, (x + d).saturating_sub(6).min(width - 1)]])
                .sum::<f32>()
                / 13.0
        })
    });
    let says = found_in(dragged, Fault::Motion);
    assert!(says.contains("along 0 degrees"), "{says}");
}

#[test]
fn light_colour_and_clipping_are_found() {
    let says = found_in(relit(&raw("s01"), |_, _, _| 0.75), Fault::BackdropLevel);
    assert!(says.contains("0.4 stop darker"), "{says}");
    let s01 = raw("s01");
    let warm = coloured(&s01, -300.0);
    let says = found_in(relit(&s01, |_, _, c| warm[c]), Fault::WhiteDrift);
    assert!(says.contains("warmer"), "{says}");
    found_in(relit(&s01, |_, _, _| 2.6), Fault::ClippedSkin);
    let half = relit(
        &s01,
        |_, x, _| if x < 600 { 2.0_f32.powf(-1.5) } else { 1.0 },
    );
    found_in(half, Fault::KeyToFill);
}

#[test]
fn a_cut_head_glare_and_settings_are_found() {
    let cut = redrawn(&raw("s01"), |plane| moved(plane, 1.0, -480.0));
    let mut captures = clean().to_vec();
    captures[0] = captured("faulty", cut);
    let verdict = Verdict::of(&captures, &Practice::default());
    let faults: Vec<Fault> = verdict.frames[0]
        .iter()
        .map(|finding| finding.fault)
        .collect();
    assert!(
        faults.contains(&Fault::HeadCut) && faults.contains(&Fault::Room),
        "{faults:?}"
    );

    // A softbox in a lens over the eye at camera left.
    let glare = redrawn(&raw("s01"), |plane| {
        let mut plane = plane.clone();
        for ((y, x), v) in plane.indexed_iter_mut() {
            let (dx, dy) = (x as f32 - 520.0, y as f32 - 695.0);
            if dx.abs() < 32.0 && dy.abs() < 14.0 {
                *v = v.max(0.35);
            }
        }
        plane
    });
    // The camera's neutral is not grey in its own colours: make the glare neutral.
    let says = found_in(
        relit(&glare, |y, x, c| {
            let inside = x.abs_diff(520) < 32 && y.abs_diff(695) < 14;
            if inside { [1.0, 2.49, 1.69][c] } else { 1.0 }
        }),
        Fault::Glare,
    );
    assert!(says.contains("camera left"), "{says}");

    let mut wide_open = raw("s01");
    wide_open.exif.aperture = Some(2.8);
    wide_open.exif.iso = Some(800);
    wide_open.exif.exposure = Some(1.0 / 40.0);
    let mut captures = clean().to_vec();
    captures[0].exif = wide_open.exif;
    let verdict = Verdict::of(&captures, &Practice::default());
    let faults: Vec<Fault> = verdict.frames[0]
        .iter()
        .map(|finding| finding.fault)
        .collect();
    assert_eq!(faults, [Fault::Aperture, Fault::Iso, Fault::Shutter]);
}

#[test]
fn a_test_shot_is_told_from_the_reference_in_sentences() {
    let s01 = raw("s01");
    let reference = &clean()[0];
    assert_eq!(
        compare(reference, &captured("again", s01.clone())).says,
        [""; 0]
    );
    let key = relit(
        &s01,
        |_, x, _| if x < 600 { 2.0_f32.powf(0.3) } else { 1.0 },
    );
    let change = compare(reference, &captured("key", key));
    assert!(
        change.says[0].starts_with("key light moved by 0.3 stop at camera left"),
        "{change:?}"
    );
    let fill = relit(
        &s01,
        |_, x, _| if x < 600 { 1.0 } else { 2.0_f32.powf(-0.3) },
    );
    let change = compare(reference, &captured("fill", fill));
    assert!(
        change.says[0].starts_with("fill light moved by 0.3 stop at camera right"),
        "{change:?}"
    );
    let dark = captured("dark", relit(&s01, |_, _, _| 2.0_f32.powf(-0.5)));
    assert_eq!(
        compare(reference, &dark).says,
        ["backdrop 0.5 stop darker all over"]
    );
    let near = captured("near", redrawn(&s01, |plane| moved(plane, 1.06, 0.0)));
    let change = compare(reference, &near);
    let size = change.size.expect("two faces");
    assert!((size - 1.06).abs() < 0.015, "{size}");
    assert!(
        change.says.iter().any(|s| s.contains("larger: nearer")),
        "{change:?}"
    );
}

/// Even pseudo-random numbers from -1 to 1 (a linear congruence).
fn random(state: &mut u32) -> f32 {
    *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    (*state >> 8) as f32 / (1 << 23) as f32 - 1.0
}

/// Bounds as promised: finished walls within Delta E 2000 of 1.0 of each other, head heights within
/// 1.5 % and eye lines within 1 % of the picture, against the truth of the rendered sitters.
#[test]
fn an_office_that_wavered_comes_out_alike() {
    let truth = support::root("../shared/office/truth");
    let lifted = recipe(
        "WhiteBalance(from: SetReference), Crop(), BackgroundLift(tint: 0.0), ToneCurve(contrast: 0.3)",
    );
    // Without any lift the wall is what matching alone makes of it.
    let bare = recipe("WhiteBalance(from: SetReference), Crop()");
    let matching = Matching {
        exposure: true,
        white: true,
    };
    let reference = frame("s01");
    let set = |matched: bool| Set {
        reference: Reference::of(&reference),
        target: if matched {
            Target::of(&reference, false, matching).expect("it develops")
        } else {
            None
        },
        ..Set::default()
    };
    let (set, unmatched) = (set(true), set(false));
    let (mut walls, mut bare_walls, mut as_shot) = (Vec::new(), Vec::new(), Vec::new());
    let (mut heads, mut eye_lines) = (Vec::new(), Vec::new());
    let mut state = 7;
    for id in ["s01", "s02", "s06", "s08", "s09"] {
        let sensor = raw(id);
        let stops = 0.5 * random(&mut state);
        let light = coloured(&sensor, 300.0 * random(&mut state));
        let (scale, down) = (1.0 + 0.04 * random(&mut state), 30.0 * random(&mut state));
        // Height in the upright picture; frames that lie on their side move along their columns.
        let upright = sensor.orientation.0 < 5;
        let wavered = redrawn(&sensor, |plane| {
            moved(plane, scale, if upright { down } else { 0.0 })
        });
        let mut wavered = relit(&wavered, |_, _, c| light[c] * 2.0_f32.powf(stops));
        // The camera's own guess wavers too.
        wavered.balance = wavered.balance.map(|[r, g, b]| [r * 1.05, g, b * 0.96]);
        let full = Frame::Sensor(wavered);
        let render = |recipe: &Recipe, set: &Set, fineness| {
            let go_on = |_: Option<&_>, _: &mut _| std::ops::ControlFlow::Continue(());
            engine::render(&full, recipe, set, fineness, go_on).expect("it develops")
        };
        let wall = |finished: &engine::Finished| {
            let wall = measure::finished::wall(&finished.picture, &finished.regions);
            let [l, a, b] = wall.expect("a wall shows").lab;
            Lab::new(l, a, b)
        };
        let finished = render(&lifted, &set, Fineness::Full);
        eprintln!(
            "{id}: {stops:.2} stops, {scale:.3}, {down:.0} px: {:?}",
            finished.matched
        );
        assert!(finished.matched.is_some(), "{id}");
        walls.push(wall(&finished));
        bare_walls.push(wall(&render(&bare, &set, Fineness::Small(900))));
        as_shot.push(wall(&render(&bare, &unmatched, Fineness::Small(900))));

        let Ok(text) = fs::read_to_string(truth.join(id).join("marks.json")) else {
            eprintln!("skipped: {} is not there", truth.display());
            continue;
        };
        let json: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let point = |value: &serde_json::Value| Point {
            x: (value[0].as_f64().expect("a number") as f32 - 600.0) * scale + 600.0,
            y: (value[1].as_f64().expect("a number") as f32 - 900.0) * scale
                + 900.0
                + if upright { down } else { 0.0 },
        };
        let mut marks: Marks = finished.regions.marks.clone().expect("a face");
        marks.eyes =
            ["right_of_sitter", "left_of_sitter"].map(|eye| point(&json["eye_centre"][eye]));
        (marks.chin, marks.crown) = (point(&json["chin"]), point(&json["crown"]));
        let rect = finished.placement.rect;
        heads.push(crop::head(&marks) / rect.height as f64);
        let eyes = 0.5 * (marks.eyes[0].y + marks.eyes[1].y);
        eye_lines.push(f64::from(eyes - rect.top as f32) / rect.height as f64);
    }
    let apart = |walls: &[Lab]| {
        let pairs = walls
            .iter()
            .flat_map(|a| walls.iter().map(|b| delta_e_2000(*a, *b)));
        pairs.fold(0.0, f64::max)
    };
    let range = |values: &[f64]| {
        let (low, high) = values
            .iter()
            .fold((1.0, 0.0), |(low, high), v| (v.min(low), v.max(high)));
        (high - low).max(0.0)
    };
    eprintln!(
        "walls {:.2} apart lifted, {:.2} matched alone, {:.2} as shot; heads {heads:.4?} eye lines {eye_lines:.4?}",
        apart(&walls),
        apart(&bare_walls),
        apart(&as_shot),
    );
    assert!(apart(&walls) < 1.0, "{walls:?}");
    assert!(
        apart(&bare_walls) < 0.5 * apart(&as_shot),
        "{bare_walls:?} {as_shot:?}"
    );
    assert!(range(&eye_lines) < 0.01, "{eye_lines:?}");
    assert!(range(&heads) < 0.015, "{heads:?}");
}

#[test]
fn next_years_pictures_stand_before_last_years_wall() {
    let office = Office::new();
    let job = office.at("job.ron");
    let job = job.to_str().expect("UTF-8");
    office.finish(&[]);
    lapel(&["report", job]).says(&["Head height:", "consistency.html"]);
    let page = String::from_utf8(office.read("delivered/consistency.html")).expect("UTF-8");
    assert!(page.contains("Ann Ash") && page.contains("data:image/jpeg;base64,"));
    assert!(
        office
            .read("delivered/consistency.csv")
            .starts_with(b"person,frame,")
    );

    // Another house style next year, but the past's wall and crop.
    office.edit("house.ron", "head_height: 0.50", "head_height: 0.40");
    office.edit("house.ron", "level: 62.0", "level: 80.0");
    office.edit(
        "job.ron",
        "deliver_to: \"delivered\"",
        "deliver_to: \"later\",\n    match_to: \"delivered\"",
    );
    office.finish(&["--only", "s02"]);
    let sidecar = String::from_utf8(office.read("later/bo-web.jpg.ron")).expect("UTF-8");
    assert!(
        sidecar.contains("head_height: 0.5,") && sidecar.contains("level: 62.0"),
        "{sidecar}"
    );
    let run = lapel(&["report", "--json", job]);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(json["people"], serde_json::json!(["Bo Birch"]));
    let distance = json["measures"][0]["values"][0].as_f64().expect("a wall");
    assert!(distance < 1.0, "Delta E {distance} from last year's wall");

    office.edit("job.ron", "match_to: \"delivered\"", "match_to: \"frames\"");
    office.finish(&[]).ends_with(2).says(&["no sidecar in"]);
}
