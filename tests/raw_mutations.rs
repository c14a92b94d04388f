//! Damaged files: never a panic's text, an abort, a hang or more than 2 GiB; always a frame or a
//! clear error.
//!
//! The test runs itself a second time as a child under `ulimit -v`, since neither an abort nor
//! text on standard error can be seen from inside. The child tells each case before it reads it,
//! so that a case that ends the process is known. Seeds: the corpus in `../shared/raw` where it
//! is, and finished pictures made here.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use image::codecs::{jpeg::JpegEncoder, png::PngEncoder, tiff::TiffEncoder};
use image::{ExtendedColorType, ImageEncoder};
use lapel::raw::{self, Limits};

/// Tells the child that it is the child.
const CHILD: &str = "LAPEL_MUTATIONS_CHILD";
/// `LAPEL_MUTATIONS` asks for another number of cases than this.
const CASES: usize = 2_400;
/// Memory of the child.
const MEMORY_KIB: u64 = 2 << 20;
/// Longest case. Files here take milliseconds; a busy machine is allowed its share.
const LONGEST: Duration = Duration::from_secs(20);

/// Marsaglia 2003, xorshift64: the same cases each time.
struct Dice(u64);

impl Dice {
    fn below(&mut self, bound: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % bound.max(1)
    }
}

/// Names and bytes of the files to damage.
fn seeds() -> Vec<(String, Vec<u8>)> {
    let shared = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/raw");
    let mut paths: Vec<PathBuf> = ["synthetic", "truncated", "genuine"]
        .iter()
        .filter_map(|folder| fs::read_dir(shared.join(folder)).ok())
        .flatten()
        .map(|entry| entry.expect("a readable folder").path())
        .filter(|path| path.extension().is_some_and(|ending| ending != "json"))
        .collect();
    paths.sort();
    if paths.is_empty() {
        eprintln!("only finished pictures: {} is not there", shared.display());
    }
    let mut seeds: Vec<(String, Vec<u8>)> = paths
        .into_iter()
        .map(|path| {
            let name = path
                .file_name()
                .expect("a file")
                .to_string_lossy()
                .into_owned();
            (name, fs::read(path).expect("a readable file"))
        })
        .collect();
    let pixels: Vec<u8> = (0..48 * 32 * 3).map(|at| (at * 7 % 251) as u8).collect();
    let icc = moxcms::ColorProfile::new_display_p3()
        .encode()
        .expect("a built-in profile");
    let mut jpeg = Vec::new();
    let mut encoder = JpegEncoder::new(&mut jpeg);
    encoder
        .set_icc_profile(icc.clone())
        .expect("JPEG takes profiles");
    encoder
        .write_image(&pixels, 48, 32, ExtendedColorType::Rgb8)
        .expect("a small picture");
    let mut png = Vec::new();
    let mut encoder = PngEncoder::new(&mut png);
    encoder.set_icc_profile(icc).expect("PNG takes profiles");
    encoder
        .write_image(&pixels, 24, 32, ExtendedColorType::Rgb16)
        .expect("a small picture");
    let mut tiff = std::io::Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff)
        .write_image(&pixels, 48, 32, ExtendedColorType::Rgb8)
        .expect("a small picture");
    let made = [
        ("a.jpg", jpeg),
        ("b.png", png),
        ("c.tif", tiff.into_inner()),
    ];
    seeds.extend(made.map(|(name, bytes)| (name.to_owned(), bytes)));
    seeds
}

/// Damages `bytes` in one of six ways and says which.
fn damage(bytes: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let length = bytes.len();
    let head = length.min(4096);
    match dice.below(6) {
        0 => {
            for _ in 0..=dice.below(8) {
                let at = dice.below(head);
                bytes[at] ^= 1 << dice.below(8);
            }
            "bits of the header"
        }
        1 => {
            for _ in 0..=dice.below(32) {
                let at = dice.below(length);
                bytes[at] ^= 1 << dice.below(8);
            }
            "bits anywhere"
        }
        2 => {
            let extremes = [
                0,
                1,
                0x7FFF,
                0xFFFF,
                0x0001_0000,
                0x7FFF_FFFF,
                0x8000_0000,
                u32::MAX,
            ];
            for _ in 0..=dice.below(4) {
                let word = extremes[dice.below(extremes.len())].to_le_bytes();
                let at = dice.below(head / 2) * 2;
                let end = (at + 4).min(length);
                bytes[at..end].copy_from_slice(&word[..end - at]);
            }
            "words at extremes"
        }
        3 => {
            // A TIFF entry is 12 bytes: another count or value in a place that looks like one.
            for _ in 0..=dice.below(3) {
                let at = dice.below(head / 2) * 2;
                let value = (dice.below(1 << 20) as u32).to_le_bytes();
                let end = (at + 4).min(length);
                bytes[at..end].copy_from_slice(&value[..end - at]);
            }
            "other values"
        }
        4 => {
            bytes.truncate(dice.below(length));
            "cut short"
        }
        _ => {
            let at = dice.below(length);
            let end = (at + 1 + dice.below(512)).min(length);
            bytes[at..end].fill(0);
            "a run of zeros"
        }
    }
}

/// Reads all damaged files; tells how many were frames and errors.
fn child(cases: usize) {
    let seeds = seeds();
    let (small, large): (Vec<_>, Vec<_>) =
        seeds.iter().partition(|(_, bytes)| bytes.len() < 1 << 20);
    let (mut frames, mut errors, mut slowest) = (0, 0, Duration::ZERO);
    let mut out = std::io::stdout().lock();
    for case in 0..cases {
        let mut dice =
            Dice(0x9E37_79B9_7F4A_7C15 ^ (case as u64 + 1).wrapping_mul(0xBF58_476D_1CE4_E5B9));
        // Whole camera files take a hundred times as long as the others: one case in fifty.
        let pool = if case % 50 == 0 && !large.is_empty() {
            &large
        } else {
            &small
        };
        let (name, bytes) = pool[dice.below(pool.len())];
        let mut bytes = bytes.clone();
        let how = damage(&mut bytes, &mut dice);
        writeln!(out, "case {case}: {name}, {how}").expect("the parent listens");
        let start = Instant::now();
        let result = raw::read(&bytes, name, &Limits::default());
        slowest = slowest.max(start.elapsed());
        match result {
            Ok(_) => frames += 1,
            Err(error) => {
                let text = error.to_string();
                assert!(
                    text.starts_with(name.as_str()) && !text.contains('\u{1b}'),
                    "{text}"
                );
                errors += 1;
            }
        }
        assert!(
            start.elapsed() < LONGEST,
            "case {case} took {:?}",
            start.elapsed()
        );
    }
    writeln!(
        out,
        "done: {frames} frames, {errors} errors, slowest {slowest:?}"
    )
    .expect("the parent listens");
}

#[test]
fn damaged_files_are_frames_or_errors_and_nothing_else() {
    let wanted = std::env::var("LAPEL_MUTATIONS")
        .ok()
        .and_then(|text| text.parse().ok());
    let cases: usize = wanted.unwrap_or(CASES);
    if std::env::var_os(CHILD).is_some() {
        return child(cases);
    }
    let program = std::env::current_exe().expect("a test is a program");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (out, err) = (folder.path().join("out"), folder.path().join("err"));
    let to = |path: &Path| Stdio::from(fs::File::create(path).expect("a writable folder"));
    let script = format!("ulimit -v {MEMORY_KIB}; exec \"$0\" --exact \"$1\" --nocapture");
    let mut run = Command::new("sh")
        .args(["-c", &script])
        .arg(program)
        .arg("damaged_files_are_frames_or_errors_and_nothing_else")
        .env(CHILD, "1")
        .stdout(to(&out))
        .stderr(to(&err))
        .spawn()
        .expect("a shell");
    // A hang inside of one case never comes back to be timed there.
    let deadline = Instant::now() + LONGEST + Duration::from_millis(250) * cases as u32;
    let status = loop {
        if let Some(status) = run.try_wait().expect("our own child") {
            break status;
        }
        if Instant::now() > deadline {
            run.kill().expect("our own child");
            break run.wait().expect("our own child");
        }
        std::thread::sleep(Duration::from_millis(50));
    };
    let told = fs::read_to_string(&out).expect("the child's words");
    let said = String::from_utf8_lossy(&fs::read(&err).expect("the child's words")).into_owned();
    let last = told
        .lines()
        .rfind(|line| line.starts_with("case"))
        .unwrap_or("none");
    assert!(status.success(), "{status} at {last}: {said}");
    assert!(
        !said.contains("panicked"),
        "a panic was printed, last {last}: {said}"
    );
    assert!(
        told.contains("done: "),
        "the child did not come to its end: {last}"
    );
    let line = told
        .lines()
        .find(|line| line.starts_with("done"))
        .unwrap_or_default();
    eprintln!("{cases} damaged files, {line}");
    assert_eq!(told.matches("case ").count(), cases);
}
