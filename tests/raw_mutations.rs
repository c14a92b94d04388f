//! Damaged files: never a panic's text, an abort, a hang or more than 2 GiB; always a frame or a
//! clear error. What comes out as a frame is developed, as far as a small window goes.
//!
//! The test runs itself a second time as a child under `ulimit -v`, since neither an abort nor
//! text on standard error can be seen from inside. The child tells each case before it reads it,
//! so that a case that ends the process or hangs is known. Seeds: the corpus in `../shared/raw`
//! where it is (genuine, synthetic and cut camera raws), a shipped frame, and finished pictures
//! made here; `damage` says what is done to them.
//!
//! `LAPEL_MUTATIONS=20000 cargo test --test raw_mutations` asks for more cases than the default.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod damage;

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use damage::{Dice, damage};
use image::codecs::{jpeg::JpegEncoder, png::PngEncoder, tiff::TiffEncoder};
use image::{ExtendedColorType, ImageEncoder};
use lapel::picture::Rect;
use lapel::raw::{self, Frame, Limits};
use lapel::sensor::{Development, develop};

/// Tells the child that it is the child.
const CHILD: &str = "LAPEL_MUTATIONS_CHILD";
/// Begins with another case than 0, to look at that one again.
const FIRST: &str = "LAPEL_MUTATIONS_FIRST";
/// `LAPEL_MUTATIONS` asks for another number of cases than this.
const CASES: usize = 3_000;
/// Memory of the child.
const MEMORY_KIB: u64 = 2 << 20;
/// Longest case, in processor time. Files here take milliseconds.
const LONGEST: Duration = Duration::from_secs(5);
/// How long the child may say nothing: a hang, and not a busy machine.
const SILENT: Duration = Duration::from_secs(60);
/// Sites of a frame that are developed, a side.
const WINDOW: usize = 48;

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
        eprintln!("without camera raws: {} is not there", shared.display());
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
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/office/frames/s01.dng");
    seeds.push((
        "shipped.dng".to_owned(),
        fs::read(shipped).expect("shipped with the project"),
    ));
    seeds.extend(pictures());
    seeds
}

/// Finished pictures of all kinds that are taken in.
fn pictures() -> Vec<(String, Vec<u8>)> {
    use ExtendedColorType::{L8, La16, Rgb8, Rgb16, Rgba8};
    let pixels: Vec<u8> = (0..48 * 32 * 3).map(|at| (at * 7 % 251) as u8).collect();
    let icc = moxcms::ColorProfile::new_display_p3()
        .encode()
        .expect("a built-in profile");
    // Orientation and a camera's name (TIFF 6.0, section 2).
    let mut exif = b"II*\0\x08\0\0\0\x02\0\x0f\x01\x02\0\x06\0\0\0\x26\0\0\0".to_vec();
    exif.extend(b"\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0Maker\0");
    let mut made = Vec::new();
    let jpegs = [("a.jpg", Rgb8, 3), ("b.jpg", L8, 1)];
    for (name, colour, planes) in jpegs {
        let mut jpeg = Vec::new();
        let mut encoder = JpegEncoder::new(&mut jpeg);
        encoder
            .set_icc_profile(icc.clone())
            .expect("JPEG takes profiles");
        encoder
            .set_exif_metadata(exif.clone())
            .expect("JPEG takes Exif");
        encoder
            .write_image(&pixels[..48 * 32 * planes], 48, 32, colour)
            .expect("a small picture");
        made.push((name, jpeg));
    }
    let mut jpeg = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut jpeg, 80);
    encoder.set_progressive(true);
    encoder.set_restart_interval(2);
    encoder
        .encode(&pixels, 48, 32, jpeg_encoder::ColorType::Rgb)
        .expect("a small picture");
    made.push(("c.jpg", jpeg));
    let mut jpeg = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut jpeg, 80);
    encoder
        .encode(&pixels, 36, 32, jpeg_encoder::ColorType::Cmyk)
        .expect("a small picture");
    made.push(("d.jpg", jpeg));
    let pngs = [
        ("a.png", Rgb16, 24),
        ("b.png", Rgba8, 36),
        ("c.png", La16, 36),
        ("d.png", L8, 48 * 3),
    ];
    for (name, colour, width) in pngs {
        let mut png = Vec::new();
        let mut encoder = PngEncoder::new(&mut png);
        encoder
            .set_icc_profile(icc.clone())
            .expect("PNG takes profiles");
        encoder
            .write_image(&pixels, width, 32, colour)
            .expect("a small picture");
        made.push((name, png));
    }
    let mut png = Vec::new();
    let mut encoder = png::Encoder::new(&mut png, 96, 48);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_palette(
        (0..=255)
            .flat_map(|v| [v, 255 - v, v / 2])
            .collect::<Vec<u8>>(),
    );
    let mut writer = encoder.write_header().expect("a small picture");
    writer.write_image_data(&pixels).expect("a small picture");
    writer.finish().expect("a small picture");
    made.push(("e.png", png));
    let mut tiff = std::io::Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff)
        .write_image(&pixels, 48, 32, Rgb8)
        .expect("a small picture");
    made.push(("a.tif", tiff.into_inner()));
    use tiff::encoder::{Compression, DeflateLevel, TiffEncoder as Tiff, colortype};
    let deep: Vec<u16> = pixels.iter().map(|v| u16::from(*v) * 257).collect();
    let ways = [
        ("b.tif", Compression::Lzw),
        ("c.tif", Compression::Deflate(DeflateLevel::Fast)),
        ("d.tif", Compression::Packbits),
    ];
    for (name, way) in ways {
        let mut tiff = std::io::Cursor::new(Vec::new());
        let mut encoder = Tiff::new(&mut tiff)
            .expect("a small picture")
            .with_compression(way);
        let written = match name {
            "b.tif" => encoder.write_image::<colortype::RGB16>(48, 32, &deep),
            _ => encoder.write_image::<colortype::RGB8>(48, 32, &pixels),
        };
        written.expect("a small picture");
        made.push((name, tiff.into_inner()));
    }
    made.into_iter()
        .map(|(name, bytes)| (name.to_owned(), bytes))
        .collect()
}

/// What follows the last dot of a name.
fn ending(name: &str) -> &str {
    name.rsplit_once('.').map_or("", |(_, ending)| ending)
}

/// Reads bytes, and develops a window of what is a frame; tells whether it was one.
fn read(bytes: &[u8], name: &str) -> bool {
    match raw::read(bytes, name, &Limits::default()) {
        Ok(Frame::Sensor(frame)) => {
            let crop = frame.crop;
            assert!(
                crop.left + crop.width <= frame.width() && crop.top + crop.height <= frame.height()
            );
            let window = Rect {
                width: crop.width.min(WINDOW),
                height: crop.height.min(WINDOW),
                ..crop
            };
            // Some kinds of filters can be read and not developed: an error, in words.
            if let Ok(developed) = develop(&frame, window, &Development::default()) {
                assert_eq!(developed.picture.size(), window.size());
            }
            true
        }
        Ok(Frame::Finished(frame)) => {
            assert!(frame.picture.size().width > 0);
            true
        }
        Err(error) => {
            let text = error.to_string();
            assert!(
                text.starts_with(name) && !text.contains('\u{1b}') && text.len() < 2000,
                "{text}"
            );
            false
        }
    }
}

/// What all threads of this process have worked so far, to a hundredth of a second: user and
/// system time of Linux's `proc_pid_stat(5)`, in ticks of which its x86-64 has 100 a second.
fn processor_time() -> Option<Duration> {
    let text = fs::read_to_string("/proc/self/stat").ok()?;
    // The second field is the program's name, which may hold blanks.
    let fields: Vec<&str> = text.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = |index: usize| fields.get(index)?.parse::<u64>().ok();
    Some(Duration::from_millis(10 * (ticks(11)? + ticks(12)?)))
}

/// A number that the caller asks for.
fn number(variable: &str) -> Option<usize> {
    std::env::var(variable).ok()?.parse().ok()
}

/// Reads all damaged files; tells how many were frames, by ending of their names.
fn child(cases: usize) {
    let seeds = seeds();
    let (small, large): (Vec<_>, Vec<_>) =
        seeds.iter().partition(|(_, bytes)| bytes.len() < 1 << 20);
    let mut counts: BTreeMap<String, [usize; 2]> = BTreeMap::new();
    let mut slowest = (Duration::ZERO, String::new());
    let mut out = std::io::stdout().lock();
    let first = number(FIRST).unwrap_or(0);
    for case in first..first + cases {
        let mut dice = Dice::of_case(case);
        // Whole camera files take a hundred times as long as the others: one case in fifty. All
        // others take turns, so that each is damaged as often.
        let (name, bytes) = if case % 50 == 49 && !large.is_empty() {
            large[case / 50 % large.len()]
        } else {
            small[(case - case / 50) % small.len()]
        };
        let mut bytes = bytes.clone();
        let how = damage(&mut bytes, &mut dice);
        writeln!(out, "case {case}: {name}, {how}").expect("the parent listens");
        let (start, worked) = (Instant::now(), processor_time());
        let frame = read(&bytes, name);
        // The clock runs on while a busy machine works on something else.
        let took = match (worked, processor_time()) {
            (Some(before), Some(after)) => after - before,
            _ => start.elapsed(),
        };
        assert!(took < LONGEST, "case {case} took {took:?}");
        if took > slowest.0 {
            slowest = (took, format!("{name}, number {case}"));
        }
        counts.entry(ending(name).to_lowercase()).or_default()[usize::from(frame)] += 1;
    }
    let told: Vec<String> = counts
        .iter()
        .map(|(ending, [errors, frames])| format!("{ending} {frames}/{}", errors + frames))
        .collect();
    writeln!(
        out,
        "done: frames of files by ending {}; slowest {:?} ({})",
        told.join(", "),
        slowest.0,
        slowest.1
    )
    .expect("the parent listens");
}

#[test]
fn damaged_files_are_frames_or_errors_and_nothing_else() {
    let cases = number("LAPEL_MUTATIONS").unwrap_or(CASES);
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
    let (mut heard, mut since) = (0, Instant::now());
    let status = loop {
        if let Some(status) = run.try_wait().expect("our own child") {
            break status;
        }
        let length = fs::metadata(&out).map_or(0, |about| about.len());
        if length != heard {
            (heard, since) = (length, Instant::now());
        }
        if since.elapsed() > SILENT {
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
    let printed: Vec<&str> = said
        .lines()
        .filter(|line| !line.starts_with("without camera raws"))
        .collect();
    assert!(printed.is_empty(), "printed, last {last}: {printed:?}");
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
