//! Recipes as code: the layout, comparing, advice, and the folder that a client begins with.

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use support::{Office, lapel, root};

/// Every RON text that the project ships.
fn shipped() -> Vec<PathBuf> {
    fn collect(folder: &Path, into: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).expect("shipped").flatten() {
            let path = entry.path();
            if path.is_dir() && entry.file_name() != "delivered" {
                collect(&path, into);
            } else if path.extension().is_some_and(|ending| ending == "ron") {
                into.push(path);
            }
        }
    }
    let mut files = Vec::new();
    collect(&root("recipes"), &mut files);
    collect(&root("samples"), &mut files);
    files
}

#[test]
fn shipped_texts_are_in_the_one_layout() {
    let files = shipped();
    assert!(files.len() >= 6, "{files:?}");
    let mut call = vec!["tidy", "--check"];
    call.extend(files.iter().map(|file| file.to_str().expect("UTF-8")));
    lapel(&call).ends_with(0);
}

#[test]
fn tidy_rewrites_what_differs_and_says_so() {
    let office = Office::bare();
    let path = office.at("own.ron");
    let path = path.to_str().expect("UTF-8");
    office.write(
        "own.ron",
        b"// Ours.\nRecipe(format:1,name:\"Own\",steps:[Crop(), // all alike\nHeal()])",
    );
    lapel(&["tidy", "--check", path])
        .ends_with(1)
        .says(&["own.ron: would change"]);
    lapel(&["tidy", path]).ends_with(0);
    let expected = "// Ours.\nRecipe(\n    format: 1,\n    name: \"Own\",\n    steps: [\n        \
                    Crop(), // all alike\n        Heal(),\n    ],\n)\n";
    assert_eq!(office.read("own.ron"), expected.as_bytes());
    lapel(&["tidy", "--check", path]).ends_with(0);

    // A text with a mistake stays as it is.
    office.write("own.ron", b"Recipe(format 1)");
    lapel(&["tidy", path]).ends_with(2);
    assert_eq!(office.read("own.ron"), b"Recipe(format 1)");
}

/// Texts from before there were formats: read with a message, the same look, and `tidy` brings them up
/// to date; what a later version wrote is refused.
#[test]
fn texts_in_an_old_format_are_migrated_with_a_message() {
    let office = Office::new();
    let path = |path: &str| office.at(path).to_str().expect("UTF-8").to_owned();
    let (job, house, more) = (path("job.ron"), path("house.ron"), path("more.ron"));
    office.write(
        "more.ron",
        b"// Hers.\nTouchUps(format: 1, change: [SkinSmoothing(strength: 0.1)])\n",
    );
    office.edit(
        "roster.csv",
        "frame,person,file_name,team\n",
        "frame,person,file_name,touch_ups\n",
    );
    office.edit("roster.csv", ",Land\n", ",more.ron\n");
    office.edit("roster.csv", ",Sea\n", ",\n");
    lapel(&["tidy", &job, &house, &more]).ends_with(0);
    let current = ["job.ron", "house.ron", "more.ron"].map(|file| office.read(file));
    office.finish(&[]).ends_with(0);

    for file in ["job.ron", "house.ron", "more.ron"] {
        office.edit(file, "    format: 1,\n", "");
    }
    let told = [
        "this job is in format 0: texts did not name their format",
        "this recipe is in format 0",
        "these touch-ups are in format 0",
        "read as format 1",
        "3 warnings",
    ];
    lapel(&["check", &job]).ends_with(0).says(&told);
    // The look is the same: nothing is rendered again.
    office
        .finish(&[])
        .ends_with(0)
        .says(&["2 unchanged"])
        .says(&told);
    lapel(&["tidy", "--check", &job, &house, &more])
        .ends_with(1)
        .says(&["house.ron: would change", "`lapel tidy", "writes it down"]);
    lapel(&["tidy", &job, &house, &more]).ends_with(0);
    assert_eq!(
        ["job.ron", "house.ron", "more.ron"].map(|file| office.read(file)),
        current
    );

    for file in ["job.ron", "house.ron", "more.ron"] {
        office.edit(file, "format: 1", "format: 2");
        lapel(&["check", &path(file)]).ends_with(2).says(&[
            "format 2 is newer than this program, which reads format 1",
            "or a later one",
        ]);
        office.edit(file, "format: 2", "format: 1");
    }
    office.edit("delivered/ann-web.jpg.ron", "format: 1", "format: 2");
    lapel(&["check", &path("delivered/ann-web.jpg.ron")])
        .ends_with(2)
        .says(&["its format 2 is newer than this program, which reads format 1"]);
}

#[test]
fn a_new_client_checks_once_frames_are_there() {
    let office = Office::bare();
    let folder = office.at("client");
    let text = folder.to_str().expect("UTF-8");
    lapel(&["new", text]).ends_with(0).says(&["roster.csv"]);
    lapel(&["new", text])
        .ends_with(2)
        .says(&["something is in there already"]);
    for frame in ["first_frame.png", "second_frame.png"] {
        office.write(
            &format!("client/frames/{frame}"),
            &support::small_sitter("s01"),
        );
    }
    let job = folder.join("job.ron");
    lapel(&["check", job.to_str().expect("UTF-8")])
        .ends_with(0)
        .says(&["no mistakes"]);
}

#[test]
fn recipes_are_compared_in_words_and_on_frames() {
    let office = Office::new();
    let own = office.at("own.ron");
    office.write(
        "own.ron",
        b"Recipe(format: 1, name: \"Own\", builds_on: \"house.ron\", change: [BackgroundLift(level: 80.0)], \
          drop: [Heal])",
    );
    let (house, frame) = (office.at("house.ron"), office.at("frames/s01.png"));
    let path = |path: &Path| path.to_str().expect("UTF-8").to_owned();
    let (house, own, frame, to) = (path(&house), path(&own), path(&frame), path(&office.at("")));
    lapel(&["compare", &house, &house])
        .ends_with(0)
        .says(&["the same look"]);
    let run = lapel(&[
        "compare", "--json", "--size", "400", "--to", &to, &house, &own, &frame,
    ])
    .ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    assert_eq!(
        json["differences"][0],
        "BackgroundLift: level 62.0 becomes 80.0"
    );
    assert!(
        json["differences"][1]
            .as_str()
            .is_some_and(|gone| gone.starts_with("gone: Heal("))
    );
    // A wall 18 L* lighter: CIEDE2000 between greys of L* 62 and 80 is 13.6 (Sharma, Wu and Dalal
    // 2005, equations 1 to 22: the lightness term alone, 18 / S_L with S_L = 1.32 at L* 71).
    let regions = json["frames"][0]["difference"].as_array().expect("a list");
    let backdrop = regions.iter().find(|region| region[0] == "Backdrop");
    let mean = backdrop.and_then(|region| region[1]["mean"].as_f64());
    assert!(
        mean.is_some_and(|mean| (12.6..=14.6).contains(&mean)),
        "{regions:?}"
    );
    let picture = image::open(office.at("s01-compare.png")).expect("a picture");
    assert!(picture.width() > 3 * 150, "three tiles");

    // A small change, so that the map (white at 5) shows it: map and figures against what the two
    // pictures beside it say by themselves.
    office.edit("own.ron", "level: 80.0", "level: 65.0");
    let run = lapel(&[
        "compare", "--json", "--size", "600", "--to", &to, &house, &own, &frame,
    ])
    .ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    let regions = json["frames"][0]["difference"].as_array().expect("a list");
    let backdrop = regions.iter().find(|region| region[0] == "Backdrop");
    let told = backdrop
        .and_then(|region| region[1]["mean"].as_f64())
        .expect("told");
    let picture = image::open(office.at("s01-compare.png"))
        .expect("a picture")
        .to_rgb8();
    // Three tiles with 16 pixels between and around them, words of 30 below.
    let (wide, high) = ((picture.width() - 64) / 3, picture.height() - 62);
    let tile =
        |index: u32, x: u32, y: u32| picture.get_pixel(16 + index * (wide + 16) + x, 16 + y).0;
    // Means of blocks, since eight bits a channel put up to a Delta E of 1.2 into a single pixel.
    let block = |left: u32, top: u32, side: u32| {
        let (mut own, mut map) = (0.0, 0.0);
        for (y, x) in (0..side * side).map(|i| (top + i / side, left + i % side)) {
            own += ciede2000(lab(tile(0, x, y)), lab(tile(1, x, y))).min(5.0);
            map += f64::from(tile(2, x, y)[0]) / 255.0 * 5.0;
        }
        [own, map].map(|sum| sum / f64::from(side * side))
    };
    for top in (0..high - 8).step_by(8) {
        for left in (0..wide - 8).step_by(8) {
            let [own, map] = block(left, top, 8);
            let off = (own - map).abs();
            assert!(
                off < 0.4,
                "{own} by the pictures, {map} by the map at {left}, {top}"
            );
        }
    }
    // The upper corner shows nothing but wall.
    let [own, _] = block(0, 0, wide / 8);
    assert!(
        (own - told).abs() < 0.1,
        "{own} by the pictures, {told} told"
    );
}

/// 8-bit sRGB (IEC 61966-2-1) to CIELAB under D65.
fn lab(rgb: [u8; 3]) -> [f64; 3] {
    let [r, g, b] = rgb.map(|v| {
        let v = f64::from(v) / 255.0;
        if v <= 0.04045 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    });
    let f = |v: f64| {
        if v > 0.008856 {
            v.cbrt()
        } else {
            7.787 * v + 16.0 / 116.0
        }
    };
    let x = f((0.4124564 * r + 0.3575761 * g + 0.1804375 * b) / 0.95047);
    let y = f(0.2126729 * r + 0.7151522 * g + 0.0721750 * b);
    let z = f((0.0193339 * r + 0.1191920 * g + 0.9503041 * b) / 1.08883);
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// Sharma, Wu and Dalal 2005, equations 2 to 22, written down here apart from the program's.
fn ciede2000([l1, a1, b1]: [f64; 3], [l2, a2, b2]: [f64; 3]) -> f64 {
    let seventh = |c: f64| (c.powi(7) / (c.powi(7) + 25.0_f64.powi(7))).sqrt();
    let g = 0.5 * (1.0 - seventh(0.5 * (a1.hypot(b1) + a2.hypot(b2))));
    let (a1, a2) = ((1.0 + g) * a1, (1.0 + g) * a2);
    let (c1, c2) = (a1.hypot(b1), a2.hypot(b2));
    let hue = |a: f64, b: f64| b.atan2(a).to_degrees().rem_euclid(360.0);
    let (h1, h2) = (hue(a1, b1), hue(a2, b2));
    let grey = c1 * c2 < 1e-9;
    let turn = match h2 - h1 {
        _ if grey => 0.0,
        d if d > 180.0 => d - 360.0,
        d if d < -180.0 => d + 360.0,
        d => d,
    };
    let dh = 2.0 * (c1 * c2).sqrt() * (0.5 * turn).to_radians().sin();
    let (l, c) = (0.5 * (l1 + l2), 0.5 * (c1 + c2));
    let h = match (h1 + h2, (h1 - h2).abs() > 180.0) {
        (sum, _) if grey => sum,
        (sum, false) => 0.5 * sum,
        (sum, true) if sum < 360.0 => 0.5 * (sum + 360.0),
        (sum, true) => 0.5 * (sum - 360.0),
    };
    let cos = |degrees: f64| degrees.to_radians().cos();
    let t = 1.0 - 0.17 * cos(h - 30.0) + 0.24 * cos(2.0 * h) + 0.32 * cos(3.0 * h + 6.0)
        - 0.20 * cos(4.0 * h - 63.0);
    let s_l = 1.0 + 0.015 * (l - 50.0).powi(2) / (20.0 + (l - 50.0).powi(2)).sqrt();
    let (s_c, s_h) = (1.0 + 0.045 * c, 1.0 + 0.015 * c * t);
    let theta = 30.0 * (-((h - 275.0) / 25.0).powi(2)).exp();
    let r_t = -(2.0 * theta).to_radians().sin() * 2.0 * seventh(c);
    let (dl, dc, dh) = ((l2 - l1) / s_l, (c2 - c1) / s_c, dh / s_h);
    (dl * dl + dc * dc + dh * dh + r_t * dc * dh).sqrt()
}

#[test]
fn completions_and_manual_name_every_command() {
    for call in [vec!["completions", "bash"], vec!["manual"]] {
        let text = lapel(&call).ends_with(0).out;
        for command in ["finish", "preview", "check", "compare", "tidy", "new"] {
            let found = text.contains(command) || text.contains(&command.to_uppercase());
            assert!(found, "{call:?} lacks {command}");
        }
    }
}
