//! A large office: whether time grows linearly with the frames, memory stays within the budget, and a
//! second run with nothing changed is quick.
//!
//! Frames are one small picture (120 x 180, nobody in it) again and again, each with a number behind its
//! end, so that no two files are the same; with `LAPEL_RAWS=1` the shipped sitters' raws. The recipe is
//! cheap (crop and sharpening), since it is the walk that is measured.
//!
//! ```sh
//! cargo bench --bench many_frames                                        # 125, 250 and 500 frames
//! LAPEL_FRAMES=28 LAPEL_RAWS=1 LAPEL_MEMORY=650 cargo bench --bench many_frames
//! ```
//!
//! Not divan: each measure is a process, whose processor time and peak of resident memory the system
//! tells (`/proc`, Linux alone). Processor time hardly knows who else uses the machine, so linear growth
//! is read from it.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a bench reports on the terminal"
)]

#[path = "../tests/support/mod.rs"]
mod support;

use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use support::{Office, shipped};

const SITTERS: [&str; 7] = ["s01", "s02", "s03", "s06", "s07", "s08", "s09"];
const RECIPE: &str = "Recipe(format: 1, name: \"Plain\", steps: [Crop(), OutputSharpening()])";

fn main() {
    let number = |name: &str, default: usize| {
        let written = std::env::var(name).ok();
        written
            .and_then(|text| text.parse().ok())
            .unwrap_or(default)
    };
    let (most, memory) = (number("LAPEL_FRAMES", 500), number("LAPEL_MEMORY", 2048));
    let raws = std::env::var_os("LAPEL_RAWS").is_some();
    println!("budget {memory} MiB; raws: {raws}");
    println!(
        "frames   first run   processor   a frame   peak memory   second run   processor   peak memory"
    );
    let mut each = Vec::new();
    for frames in [most / 4, most / 2, most] {
        let office = office(frames, raws);
        let first = run(&office, memory);
        // Times of change that are too fresh are not kept: wait as a person would.
        std::thread::sleep(Duration::from_secs(3));
        run(&office, memory);
        let second = run(&office, memory);
        let a_frame = first.processor / frames as f64;
        each.push(a_frame);
        println!(
            "{frames:6}   {:7.1} s   {:7.1} s   {a_frame:5.3} s   {:7} MiB   {:8.2} s   {:7.2} s   {:7} MiB",
            first.wall.as_secs_f64(),
            first.processor,
            first.peak,
            second.wall.as_secs_f64(),
            second.processor,
            second.peak
        );
    }
    let (low, high) = each.iter().fold((f64::MAX, 0.0_f64), |(low, high), v| {
        (low.min(*v), high.max(*v))
    });
    let apart = 100.0 * (high / low - 1.0);
    println!("processor time a frame: {apart:.0} % apart");
}

fn office(frames: usize, raws: bool) -> Office {
    let office = Office::bare();
    let nobody = support::nobody(0.2);
    let mut roster = "frame,person,file_name\n".to_owned();
    for index in 0..frames {
        let (mut bytes, ending) = if raws {
            (shipped(SITTERS[index % SITTERS.len()]), "dng")
        } else {
            (nobody.clone(), "png")
        };
        bytes.extend((index as u64).to_le_bytes());
        office.write(&format!("frames/f{index:04}.{ending}"), &bytes);
        roster += &format!("f{index:04},Person {index},person-{index}\n");
    }
    office.write("roster.csv", roster.as_bytes());
    office.write("house.ron", RECIPE.as_bytes());
    office
}

/// What one run took.
struct Took {
    wall: Duration,
    /// Seconds of all threads, in the program and for it in the kernel.
    processor: f64,
    /// Peak of resident memory in MiB.
    peak: u64,
}

fn run(office: &Office, memory: usize) -> Took {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_lapel"))
        .args(["finish", "--memory", &memory.to_string()])
        .arg(office.at("job.ron"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let told = |file: &str| {
        let path = format!("/proc/{}/{file}", child.id());
        fs::read_to_string(path).unwrap_or_default()
    };
    let mut peak = 0;
    let processor = loop {
        let text = told("status");
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse().ok());
        peak = peak.max(kib.unwrap_or(0));
        // Behind the name in brackets: state, then eleven numbers before the two times (proc(5)), in
        // hundredths of a second. One that has ended keeps them until it is waited for.
        let stat = told("stat");
        let fields = stat.rsplit_once(')').map_or("", |(_, fields)| fields);
        let fields: Vec<&str> = fields.split_whitespace().collect();
        if matches!(fields.first(), None | Some(&"Z")) {
            let ticks = |at: usize| fields.get(at).and_then(|text| text.parse::<f64>().ok());
            break (ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / 100.0;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let wall = begun.elapsed();
    let ended = child.wait().expect("it is ours");
    // 1: somebody has to look at a picture.
    assert!(matches!(ended.code(), Some(0 | 1)), "{ended:?}");
    Took {
        wall,
        processor,
        peak: peak / 1024,
    }
}
