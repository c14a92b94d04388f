//! One whole 45-megapixel frame through the grey wall: seconds after each step, and peak memory.
//!
//! ```sh
//! python3 ../shared/tools/make_dng.py big.dng --picture sideways.tif --size 8192x5464 --bits 14 \
//!     --compression ljpeg --tile 256x256 --full-well 40000 --orientation 6
//! LAPEL_BIG=big.dng cargo bench --bench whole_frame
//! ```
//!
//! `sideways.tif` is any linear RGB portrait of 5464 x 8192 pixels, turned to landscape.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a bench reports on the terminal"
)]

use std::ops::ControlFlow;
use std::path::Path;
use std::time::Instant;

use lapel::engine::{self, Fineness, Set};
use lapel::job;
use lapel::raw::{self, Limits};
use lapel::recipe::Diagnostics;

fn main() {
    let Some(path) = std::env::var_os("LAPEL_BIG") else {
        eprintln!("skipped: LAPEL_BIG names no frame (see the head of benches/whole_frame.rs)");
        return;
    };
    let bytes = std::fs::read(&path).expect("the frame can be read");
    let recipe = Path::new(env!("CARGO_MANIFEST_DIR")).join("recipes/grey_wall.ron");
    let mut notes = Diagnostics::default();
    let recipe = job::open_recipe(&recipe, &mut notes).expect("a shipped recipe is sound");
    for fineness in [Fineness::Small(1600), Fineness::Full] {
        println!("{fineness:?}");
        let began = Instant::now();
        let frame = raw::read(&bytes, "big.dng", &Limits::default()).expect("a sound frame");
        println!("{:7.2} s  read", began.elapsed().as_secs_f32());
        let finished = engine::render(&frame, &recipe, &Set::default(), fineness, |step, _| {
            let name = step.map_or("regions, crop, development", |step| step.operation.name());
            println!("{:7.2} s  {name}", began.elapsed().as_secs_f32());
            ControlFlow::Continue(())
        });
        let size = finished.expect("the frame renders").picture.size();
        println!("         {} x {} pixels", size.width, size.height);
    }
    println!("peak memory {}", peak_memory().unwrap_or_default());
}

/// The process's largest resident size so far, as the kernel counts it.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    Some(
        line.split_whitespace()
            .skip(1)
            .collect::<Vec<_>>()
            .join(" "),
    )
}
