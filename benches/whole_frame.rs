//! One whole 45-megapixel frame with the grey wall, from the file to two delivered ones (a JPEG of
//! 1600 pixels and a full-size 16-bit TIFF): seconds and peak memory by
//! stage, megapixels a second. One run each, on a machine that does nothing else.
//!
//! The frame is a rendered sitter, enlarged:
//!
//! ```sh
//! python3 - <<'END'          # needs rawpy, opencv-python, tifffile
//! import cv2, numpy, rawpy, tifffile
//! raw = rawpy.imread("samples/office/frames/s01.dng")
//! light = raw.postprocess(gamma=(1, 1), no_auto_bright=True, output_bps=16, use_camera_wb=True,
//!                         output_color=rawpy.ColorSpace.sRGB).astype("f4") / 65535
//! light = cv2.resize(light, (5464, 8192), interpolation=cv2.INTER_CUBIC).clip(0, 1)
//! tifffile.imwrite("big.tif", numpy.ascontiguousarray(numpy.rot90(light)))
//! END
//! python3 ../shared/tools/make_dng.py big.dng --picture big.tif --size 8192x5464 --bits 14 \
//!     --black 512 --compression ljpeg --tile 256x256 --full-well 40000 --orientation 6 --dual
//! LAPEL_BIG=big.dng cargo bench --bench whole_frame
//! ```
//!
//! Not divan: the stages follow from each other, and memory's peak is that of the process.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a bench reports on the terminal"
)]

use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use lapel::engine::{self, Fineness, Set};
use lapel::job::close::close;
use lapel::job::finish::{self, Done, Event, Manner};
use lapel::job::plan::Plan;
use lapel::job::{self, Job};
use lapel::recipe::Diagnostics;

/// A job of that one frame: a small picture for a page and a full-size one for print.
const JOB: &str = r#"Job(
    format: 1,
    client: "Bench",
    recipe: "RECIPE",
    frames: "frames",
    roster: "roster.csv",
    outputs: [
        Output(name: "web", long_edge: 1600, format: Jpeg(quality: 90), profile: Srgb),
        Output(
            name: "print",
            format: Tiff(bits: 16),
            profile: OpRgb,
            pattern: "print/{file_name}",
        ),
    ],
    deliver_to: "delivered",
    rights: Rights(creator: "Bench", copyright: "CC0", usage: "None."),
)"#;

fn main() {
    let Some(frame) = std::env::var_os("LAPEL_BIG") else {
        eprintln!("skipped: LAPEL_BIG names no frame (see the head of benches/whole_frame.rs)");
        return;
    };
    let frame = fs::canonicalize(frame).expect("the frame is there");
    let recipe = Path::new(env!("CARGO_MANIFEST_DIR")).join("recipes/grey_wall.ron");
    finished(&frame, &recipe);
    previewed(&frame, &recipe);
}

/// The whole job.
fn finished(frame: &Path, recipe: &Path) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = job_in(folder.path(), frame, recipe);
    let mut notes = Diagnostics::default();
    let job = Job::load(&job, &mut notes).unwrap_or_else(|| panic!("{notes:?}"));
    let plan = Plan::of(&job, &mut notes).expect("names that are apart");
    let stages = Stages::new();
    let manner = Manner {
        again: true,
        memory: 4 << 30,
        stop: &AtomicBool::new(false),
    };
    let outcomes = finish::finish(&plan, manner, &|event| {
        if let Event::Past(_, stage) = event {
            stages.past(stage);
        }
    });
    assert!(
        matches!(outcomes[0].result, Done::Rendered(2)),
        "{outcomes:?}"
    );
    close(&plan).expect("a contact sheet");
    stages.past("contact sheet");
    stages.print("finish, two outputs", megapixels(frame));
}

/// The same frame as `preview` renders it.
fn previewed(frame: &Path, recipe: &Path) {
    let mut notes = Diagnostics::default();
    let recipe = job::open_recipe(recipe, &mut notes).expect("a shipped recipe is sound");
    let stages = Stages::new();
    let (opened, _) = finish::open(frame).expect("a sound frame");
    stages.past("read");
    let fine = Fineness::Small(1600);
    let after = |step: Option<&lapel::recipe::Step>, _: &mut _| {
        stages.past(step.map_or("regions and development", |step| step.operation.name()));
        ControlFlow::Continue(())
    };
    engine::render(&opened, &recipe, &Set::default(), fine, after).expect("it renders");
    stages.print("preview, 1600 pixels", megapixels(frame));
}

fn job_in(folder: &Path, frame: &Path, recipe: &Path) -> PathBuf {
    let frames = folder.join("frames");
    fs::create_dir(&frames).expect("a new folder");
    // A copy of hundreds of megabytes would leave the disk busy.
    let there = frames.join("big.dng");
    fs::hard_link(frame, &there)
        .or_else(|_| fs::copy(frame, &there).map(drop))
        .expect("the frame can be linked or copied");
    let roster = "frame,person,file_name\nbig.dng,Nobody,nobody\n";
    fs::write(folder.join("roster.csv"), roster).expect("a roster");
    let job = folder.join("job.ron");
    fs::write(&job, JOB.replace("RECIPE", &recipe.display().to_string())).expect("a job");
    job
}

fn megapixels(frame: &Path) -> f64 {
    let (frame, _) = finish::open(frame).expect("a sound frame");
    let size = engine::upright_size(&frame);
    (size.width * size.height) as f64 / 1e6
}

/// Seconds by stage, and the peak of memory until its end.
struct Stages {
    began: Instant,
    ends: Mutex<Vec<(String, f64, f64)>>,
}

impl Stages {
    fn new() -> Self {
        Self {
            began: Instant::now(),
            ends: Mutex::default(),
        }
    }

    fn past(&self, stage: &str) {
        let seconds = self.began.elapsed().as_secs_f64();
        let mut ends = self.ends.lock().expect("no stage panics");
        ends.push((stage.to_owned(), seconds, peak_memory().unwrap_or(0.0)));
    }

    fn print(&self, what: &str, megapixels: f64) {
        let ends = self.ends.lock().expect("no stage panics");
        let mut before = 0.0;
        for (stage, end, peak) in &*ends {
            println!("{:7.2} s, peak {peak:6.0} MB  {stage}", end - before);
            before = *end;
        }
        println!(
            "{before:7.2} s  {what}: {:.1} MP/s of the frame\n",
            megapixels / before
        );
    }
}

/// The process's largest resident size so far in megabytes, as the kernel counts it.
fn peak_memory() -> Option<f64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes * 1024.0 / 1e6)
}
