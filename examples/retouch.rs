//! Retouches a finished picture (sRGB, 8 or 16 bits) and writes what each operation does:
//!
//! `cargo run --release --example retouch -- PICTURE.png OUT_DIR [CLASSES.png MARKS.json]`
//!
//! writes `before.png`, one picture per operation alone and `all.png` (16-bit sRGB), and prints
//! what was found and how long it took. Regions come from the class map and marks of a rendered
//! truth if given, else they are found.
#![allow(clippy::print_stdout, clippy::print_stderr, missing_docs)]

#[path = "../tests/retouch_support/mod.rs"]
mod support;

use std::path::Path;
use std::time::Instant;

use lapel::operations::contrast_sculpting::ContrastSculpting;
use lapel::operations::heal::Heal;
use lapel::operations::skin_smoothing::SkinSmoothing;
use lapel::operations::tone_evening::ToneEvening;
use lapel::operations::{Findings, Scene};
use lapel::picture::{Oklab, Ratio};

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
    let [picture, out, truth @ ..] = arguments.as_slice() else {
        eprintln!("retouch PICTURE.png OUT_DIR [CLASSES.png MARKS.json]");
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
