//! Retouches finished pictures and writes what each operation does:
//!
//! `cargo run --release --example retouch -- PICTURE.png OUT_DIR [CLASSES.png MARKS.json]`
//!
//! writes `before.png`, one picture per operation alone and `all.png` (16-bit sRGB), and prints
//! what was found and how long it took. Regions come from the class map and marks of a rendered
//! truth if given, else they are found.
//!
//! `cargo run --release --example retouch -- --sheets OUT_DIR [FRAME...]`
//!
//! takes frames through the grey wall's retouching and writes for each sheets at 100 %, the face
//! before and after (a large face on several sheets, so that no viewer shrinks them), then prints what moved: skin by its own measure (`measure.rs`), by sitter and
//! by tone of skin. Without FRAME: all sitters of the open office and all open portraits beside
//! the checkout. Keep OUT_DIR out of the repository: real people are on some sheets.
#![allow(clippy::print_stdout, clippy::print_stderr, missing_docs)]

#[path = "../tests/retouch_support/mod.rs"]
mod support;

use std::path::{Path, PathBuf};
use std::time::Instant;

use lapel::operations::contrast_sculpting::ContrastSculpting;
use lapel::operations::heal::Heal;
use lapel::operations::skin_smoothing::SkinSmoothing;
use lapel::operations::tone_evening::ToneEvening;
use lapel::operations::{Findings, Scene};
use lapel::picture::{Oklab, Ratio, Rect, Size};
use lapel::regions::{Marks, Region};
use support::measure::{self, Skin};

type Step = (&'static str, f32, fn(&mut Oklab, &Scene) -> Findings);

/// Name, opacity, operation.
const STEPS: [Step; 6] = [
    ("heal", 1.0, |p, s| Heal::default().apply(p, s)),
    ("smoothing", 1.0, |p, s| {
        SkinSmoothing::default().apply(p, s)
    }),
    ("smoothing_full", 1.0, |p, s| {
        SkinSmoothing {
            strength: Ratio(1.0),
        }
        .apply(p, s)
    }),
    ("evening", 1.0, |p, s| ToneEvening::default().apply(p, s)),
    ("evening_full", 1.0, |p, s| {
        ToneEvening {
            strength: Ratio(1.0),
            ..ToneEvening::default()
        }
        .apply(p, s)
    }),
    ("sculpting", 0.12, |p, s| {
        ContrastSculpting::default().apply(p, s)
    }),
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [flag, out, frames @ ..] = arguments.as_slice()
        && flag == "--sheets"
    {
        return sheets(Path::new(out), frames.iter().map(PathBuf::from).collect());
    }
    let [picture, out, truth @ ..] = arguments.as_slice() else {
        eprintln!("retouch PICTURE.png OUT_DIR [CLASSES.png MARKS.json]");
        eprintln!("retouch --sheets OUT_DIR [FRAME...]");
        std::process::exit(2);
    };
    let out = Path::new(out);
    std::fs::create_dir_all(out).expect("the folder can be made");
    let light = support::read(Path::new(picture));
    let regions = if let [classes, marks] = truth {
        let marks = std::fs::read_to_string(marks).expect("marks can be read");
        let marks = serde_json::from_str(&marks).expect("marks are JSON");
        support::regions(
            &support::classes(Path::new(classes)),
            support::marks(&marks),
        )
    } else {
        lapel::regions::find(&light, None)
    };
    let Some(marks) = &regions.marks else {
        eprintln!("nobody was found");
        std::process::exit(1);
    };
    let scene = Scene {
        scale: marks.scale(),
        regions: &regions,
    };
    let before = light.to_oklab();
    support::write(&before, &out.join("before.png"));
    let mut all = before.clone();
    let only = std::env::var("ONLY").ok();
    for (name, opacity, step) in STEPS {
        if only.as_ref().is_some_and(|only| only != name) {
            continue;
        }
        let mut alone = before.clone();
        let start = Instant::now();
        let findings = step(&mut alone, &scene);
        let took = start.elapsed();
        blend(&mut alone, &before, opacity);
        support::write(&alone, &out.join(format!("{name}.png")));
        println!("{name}: {:.0} ms", took.as_secs_f64() * 1e3);
        for (figure, value) in &findings.figures {
            println!("  {figure}: {value:.4}");
        }
        for (centre, radius) in &findings.places {
            println!("  place {:.1} {:.1} {radius:.1}", centre.x, centre.y);
        }
        if !name.ends_with("full") {
            let base = all.clone();
            step(&mut all, &scene);
            blend(&mut all, &base, opacity);
        }
    }
    support::write(&all, &out.join("all.png"));
}

/// What the engine does with an opacity.
fn blend(new: &mut Oklab, old: &Oklab, opacity: f32) {
    for (new, old) in new.planes.iter_mut().zip(&old.planes) {
        new.zip_mut_with(old, |n, &o| *n = o + opacity * (*n - o));
    }
}

/// Tone of skin as the material tells it: `office/README.md`, and `portraits/README.md` by eye.
const TONES: [(&str, &[&str]); 3] = [
    (
        "light",
        &[
            "s01", "s02", "s03", "p01", "p03", "p08", "p09", "p13", "p15", "p16",
        ],
    ),
    (
        "medium",
        &["s04", "s05", "s06", "p04", "p05", "p10", "p11", "p12"],
    ),
    ("dark", &["s07", "s08", "s09", "p02", "p06", "p07", "p14"]),
];

/// All open frames, in order.
fn open_frames() -> Vec<PathBuf> {
    let mut frames = Vec::new();
    for (folder, kind) in [("office/frames", "dng"), ("portraits", "jpg")] {
        let Some(folder) = support::material(folder) else {
            continue;
        };
        let names = std::fs::read_dir(folder).expect("the folder can be read");
        frames.extend(
            names
                .map(|entry| entry.expect("an entry").path())
                .filter(|path| {
                    path.extension().is_some_and(|found| found == kind)
                        && !["empty", "chart"].contains(&stem(path).as_str())
                }),
        );
    }
    frames.sort();
    frames
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map_or_else(String::new, |stem| stem.to_string_lossy().into_owned())
}

/// The sheets of each frame, then the tables.
fn sheets(out: &Path, frames: Vec<PathBuf>) {
    std::fs::create_dir_all(out).expect("the folder can be made");
    let frames = if frames.is_empty() {
        open_frames()
    } else {
        frames
    };
    let mut rows = Vec::new();
    for path in &frames {
        let name = stem(path);
        let shown = support::retouched(path);
        let after = shown.finished.picture.clone().to_oklab();
        let regions = &shown.finished.regions;
        let Some(marks) = &regions.marks else {
            println!("{name}: nobody was found");
            continue;
        };
        let scene = Scene {
            scale: marks.scale(),
            regions,
        };
        let skin = |on| {
            let matte = regions.matte(&[on], &[Region::Hair, Region::Brows, Region::Lips]);
            matte.whole().mapv(|v| v > 0.9)
        };
        let skin = Skin::new(&skin(Region::FaceSkin), &skin(Region::Skin), scene.scale.0);
        let sheets = sheets_of(&shown.before, &after, marks);
        for (number, sheet) in sheets.iter().enumerate() {
            let file = if sheets.len() == 1 {
                format!("{name}.png")
            } else {
                format!("{name}-{}.png", number + 1)
            };
            support::write(sheet, &out.join(file));
        }
        for note in &shown.finished.steps {
            if !note.places.is_empty() {
                println!("{name}: {} {} places", note.step, note.places.len());
            }
        }
        rows.push((name, measure::figures(&shown.before, &scene, &skin)));
    }
    if rows.is_empty() {
        return;
    }
    println!("{}", measure::table(&rows));
    for (number, (figure, _)) in rows[0].1.all.iter().enumerate() {
        print!("{figure:14}");
        for (tone, names) in TONES {
            let values: Vec<f64> = rows
                .iter()
                .filter(|(name, _)| names.contains(&name.as_str()))
                .map(|(_, figures)| figures.all[number].1)
                .collect();
            if values.is_empty() {
                continue;
            }
            let most = values.iter().copied().fold(f64::MIN, f64::max);
            let least = values.iter().copied().fold(f64::MAX, f64::min);
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            print!("  {tone} {mean:.3} ({least:.3} to {most:.3})");
        }
        println!();
    }
}

/// Most columns and rows of a face on one sheet: two beside each other are shown by usual viewers
/// without being made smaller.
const SHEET: [usize; 2] = [776, 780];

/// The face before and after, side by side, pixel for pixel; a large one on several sheets in reading
/// order, which overlap.
fn sheets_of(before: &Oklab, after: &Oklab, marks: &Marks) -> Vec<Oklab> {
    let (size, span) = (before.size(), marks.scale().0);
    let middle = 0.5 * (marks.eyes[0].x + marks.eyes[1].x);
    let eyes = 0.5 * (marks.eyes[0].y + marks.eyes[1].y);
    let along = |from: f32, to: f32, end: usize| {
        let first = (from.max(0.0) as usize).min(end - 1);
        (first, (to.max(0.0) as usize).clamp(first + 1, end))
    };
    let columns = along(middle - 1.5 * span, middle + 1.5 * span, size.width);
    let rows = along(eyes - 1.6 * span, eyes + 2.4 * span, size.height);
    let mut out = Vec::new();
    for (top, bottom) in parts(rows, SHEET[1]) {
        for (left, right) in parts(columns, SHEET[0]) {
            let part = Rect {
                left,
                top,
                width: right - left,
                height: bottom - top,
            };
            out.push(sheet(before, after, part));
        }
    }
    out
}

/// A range in equal parts of at most so many, a twentieth of it or more in common.
fn parts((from, to): (usize, usize), most: usize) -> Vec<(usize, usize)> {
    let all = to - from;
    if all <= most {
        return vec![(from, to)];
    }
    let shared = most / 20;
    let count = (all - shared).div_ceil(most - shared);
    (0..count)
        .map(|i| from + i * (all - most) / (count - 1))
        .map(|first| (first, first + most))
        .collect()
}

/// A part of the picture before and after, side by side.
fn sheet(before: &Oklab, after: &Oklab, part: Rect) -> Oklab {
    let mut out = Oklab::zeros(Size {
        width: 2 * part.width + 8,
        height: part.height,
    });
    for (picture, at) in [(before, 0), (after, part.width + 8)] {
        for (out, plane) in out.planes.iter_mut().zip(&picture.planes) {
            for ((y, x), value) in part.of(plane.view()).indexed_iter() {
                out[[y, at + x]] = *value;
            }
        }
    }
    out
}
