//! One office, one look: frames of a set that wavered come out alike, the report shows it, and next
//! year's pictures stand before last year's wall.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/retakes.rs"]
mod retakes;
mod support;

use std::fs;

use browser::{BARRIERS, Browser};
use lapel::engine::{self, Fineness, Matching, Reference, Set, Target};
use lapel::measure::{self, Lab, delta_e_2000};
use lapel::operations::crop;
use lapel::picture::Point;
use lapel::raw::{Frame, SensorFrame};
use lapel::recipe::Recipe;
use lapel::regions::Marks;
use retakes::{coloured, dng, moved, raw, recipe, redrawn, relit};
use serde_json::json;
use support::{Office, frame, lapel};

/// Even pseudo-random numbers from -1 to 1 (a linear congruence).
fn random(state: &mut u32) -> f32 {
    *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    (*state >> 8) as f32 / (1 << 23) as f32 - 1.0
}

/// A frame that was taken otherwise than the set's reference, and how.
struct Wavered {
    frame: SensorFrame,
    stops: f32,
    scale: f32,
    /// Pixels in the upright picture.
    down: f32,
}

/// Exposure within half a stop, light within 300 K, distance within 4 %, height within 30 pixels.
fn wavered(id: &str, state: &mut u32) -> Wavered {
    let sensor = raw(id);
    let stops = 0.5 * random(state);
    let light = coloured(&sensor, 300.0 * random(state));
    let (scale, down) = (1.0 + 0.04 * random(state), 30.0 * random(state));
    // Frames that lie on their side would move along their columns.
    let down = if sensor.orientation.0 < 5 { down } else { 0.0 };
    let frame = redrawn(&sensor, |plane| moved(plane, scale, down));
    let mut frame = relit(&frame, |_, _, c| light[c] * 2.0_f32.powf(stops));
    // The camera's own guess wavers too.
    frame.balance = frame.balance.map(|[r, g, b]| [r * 1.05, g, b * 0.96]);
    Wavered {
        frame,
        stops,
        scale,
        down,
    }
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
        let Wavered {
            frame: wavered,
            stops,
            scale,
            down,
        } = wavered(id, &mut state);
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
            y: (value[1].as_f64().expect("a number") as f32 - 900.0) * scale + 900.0 + down,
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

/// The same office as files, through `finish` and `report`: the promised bounds hold in the table that
/// people get, computed from its columns; the page shows every figure and names who stands out.
#[test]
fn the_report_shows_how_alike_a_wavering_office_came_out() {
    let office = Office::bare();
    office.write("frames/s01.dng", &support::shipped("s01"));
    let mut state = 11;
    for id in ["s02", "s06", "s09"] {
        office.write(
            &format!("frames/{id}.dng"),
            &dng(&wavered(id, &mut state).frame),
        );
    }
    office.write("frames/s08.dng", &support::shipped("s08"));
    let steps = "WhiteBalance(from: SetReference), Crop(), BackgroundLift(tint: 0.0), ToneCurve()";
    let written = |name: &str, steps: &str| {
        let text = format!("Recipe(format: 1, name: \"{name}\", steps: [{steps}])");
        office.write(&format!("{name}.ron"), text.as_bytes());
    };
    written("house", steps);
    // One of another style, so that somebody stands out.
    let larger = steps.replace("Crop()", "Crop(head_height: 0.56)");
    written("larger", &larger);
    office.write(
        "roster.csv",
        "frame,person,file_name,recipe\ns01,Ann Ash,ann,\ns02,Bo Birch,bo,\ns06,Cy Cedar,cy,\n\
         s09,Di Dahl & Söhne,di,\ns08,Ed <Elm>,ed,larger.ron\n"
            .as_bytes(),
    );
    office.edit(
        "job.ron",
        "    outputs: [",
        "    set: Set(reference: \"frames/s01.dng\"),\n    match: Match(),\n    outputs: [",
    );
    office.edit("job.ron", "long_edge: 300", "long_edge: 900");
    office.finish(&[]).says(&["5 rendered"]);
    let job = office.at("job.ron");
    lapel(&["report", job.to_str().expect("UTF-8")])
        .ends_with(1)
        .says(&["Head height:", "stands out: Ed <Elm>"]);

    let table = office.read("delivered/consistency.csv");
    let mut table = csv::Reader::from_reader(table.as_slice());
    let head = table.headers().expect("a head").clone();
    let rows: Vec<csv::StringRecord> = table.records().map(|row| row.expect("a row")).collect();
    let column = |name: &str| -> Vec<f64> {
        let at = head.iter().position(|cell| cell.starts_with(name));
        let at = at.unwrap_or_else(|| panic!("{name} is not among {head:?}"));
        let values = rows[..4].iter().map(|row| row[at].parse());
        values.map(|value| value.expect("a number")).collect()
    };
    let range = |name: &str| {
        let values = column(name);
        let high = values.iter().copied().fold(f64::MIN, f64::max);
        high - values.iter().copied().fold(f64::MAX, f64::min)
    };
    let walls: Vec<Lab> = column("Wall, lightness")
        .into_iter()
        .zip(column("Wall, red to green"))
        .zip(column("Wall, yellow to blue"))
        .map(|((l, a), b)| Lab::new(l, a, b))
        .collect();
    let pairs = walls
        .iter()
        .flat_map(|a| walls.iter().map(|b| delta_e_2000(*a, *b)));
    let apart = pairs.fold(0.0, f64::max);
    let (heads, eyes) = (range("Head height"), range("Eye line"));
    let added = column("Exposure added by matching");
    eprintln!("walls {apart:.2} apart, heads {heads:.2} %, eye lines {eyes:.2} %, added {added:?}");
    assert!(apart < 1.0, "{walls:?}");
    assert!(heads < 1.5 && eyes < 1.0, "{rows:?}");
    // Matching had something to do, in both directions or by a good part of a stop.
    assert!(added.iter().any(|stops| stops.abs() > 0.1), "{added:?}");
    let standing_out: Vec<&str> = rows[..5].iter().map(|row| &row[2]).collect();
    assert_eq!(standing_out[..4], [""; 4], "{rows:?}");
    assert!(standing_out[4].contains("Head height"), "{rows:?}");
    assert_eq!((&rows[5][0], &rows[6][0]), ("(target)", "(may differ by)"));

    let page = String::from_utf8(office.read("delivered/consistency.html")).expect("UTF-8");
    let measures = head.len() - 3;
    assert_eq!(page.matches("<svg").count(), measures);
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 5);
    assert!(page.contains("Di Dahl &amp; Söhne") && page.contains("\u{25c6} Ed &lt;Elm&gt; ("));
    let Some(browser) = Browser::start() else {
        return;
    };
    browser.open_file(&office.at("delivered/consistency.html"));
    for (width, height) in [(390, 844), (1280, 900)] {
        browser.size(width, height, 1.0);
        for scheme in ["light", "dark"] {
            browser.scheme(scheme);
            assert_eq!(browser.run(BARRIERS), json!([]), "{width} {scheme}");
            browser.picture(&format!("report-{width}-{scheme}"));
        }
    }
    let loaded = "[...document.images].every((i) => i.naturalWidth > 50)";
    assert_eq!(browser.get(loaded), true);
    assert_eq!(browser.complaints(), [""; 0]);
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

    // The report on the terminal says how close.
    lapel(&["report", job]).says(&[
        "1 picture, held beside a past delivery of 4 files",
        "Wall, distance:",
        "farthest off by",
    ]);

    // What cannot be a target is told where it is named, by `check` too.
    std::fs::create_dir(office.at("empty")).expect("writable");
    office.write("foreign/notes.ron", b"Notes(of: \"somebody\")");
    let sidecar = String::from_utf8(office.read("delivered/ann-web.jpg.ron")).expect("UTF-8");
    let newer = sidecar.replacen("format: 1", "format: 2", 1);
    office.write("newer/ann-web.jpg.ron", newer.as_bytes());
    for (folder, says) in [
        ("frames", "no sidecar in"),
        ("empty", "no sidecar in"),
        ("foreign", "no sidecar in"),
        ("gone", "cannot be read: No such file"),
        ("newer", "its format 2 is newer than this program"),
    ] {
        let before = String::from_utf8(office.read("job.ron")).expect("UTF-8");
        office.edit(
            "job.ron",
            "match_to: \"delivered\"",
            &format!("match_to: \"{folder}\""),
        );
        let named = format!("match_to: \"{folder}\"");
        lapel(&["check", job])
            .ends_with(2)
            .says(&[says, &named, "1 error"]);
        office.finish(&[]).ends_with(2).says(&[says, &named]);
        office.write("job.ron", before.as_bytes());
    }
    lapel(&["check", job]).ends_with(0).says(&["no mistakes"]);
}
