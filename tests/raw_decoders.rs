//! The two raw decoders against each other, and both against a third, LibRaw 0.22.2.
//!
//! Every file of the corpus that is whole is in this comparison; the tables below name each file
//! that is exempt, from what, and why. An exemption is tested too: a decoder that learns to read a file
//! makes its line a failure, so that the tables stay true.
//!
//! The corpus lies outside of the repository in `../shared/raw`, with LibRaw's reading of each file
//! (`truth.json`); without it the tests say so and pass. Of what a frame holds, the second decoder
//! has no default crop, forward matrices, calibrations, analogue balance, baseline exposure, noise profile
//! or exposure notes, and one matrix at most: those are not compared here.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::fs;
use std::path::{Path, PathBuf};

use lapel::raw::{self, Decoder, Error, Frame, Limits, Pattern, Samples, SensorFrame};
use serde_json::Value;
use sha2::{Digest, Sha256};

/// Why the second decoder is no witness for a file.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Exempt {
    /// It says that it cannot read it.
    Refused,
    /// It gives other samples.
    Samples,
    /// It gives another phase of the filters.
    Filters,
    /// It gives another black level.
    Black,
    /// It gives no white balance.
    Balance,
}

/// Files that `rawloader` 0.37.2 does not read rightly.
const SECOND: [(&str, Exempt, &str); 31] = {
    use Exempt::*;
    [
        (
            "genuine/canon-550d-magiclantern-14bit.dng",
            Refused,
            "samples of 14 bits",
        ),
        (
            "genuine/canon-crw.crw",
            Refused,
            "its dry run measures black, see below",
        ),
        (
            "02_u16_be_onestrip",
            Samples,
            "swaps the bytes of a big-endian file",
        ),
        ("04_packed10", Samples, "takes 10 bits from the wrong byte"),
        ("06_packed14", Refused, "samples of 14 bits"),
        (
            "07_packed12_be_oddwidth",
            Samples,
            "rows of an odd number of 12-bit samples",
        ),
        ("08_packed14_be_oddwidth", Refused, "samples of 14 bits"),
        (
            "10_packed12_multistrip_oddwidth",
            Samples,
            "takes later strips to follow the first",
        ),
        ("11_u16_le_tiles", Refused, "uncompressed tiles"),
        ("12_u16_be_tiles", Refused, "uncompressed tiles"),
        ("13_packed14_tiles", Refused, "uncompressed tiles"),
        (
            "14_ljpeg1_onestrip_14",
            Refused,
            "lossless JPEG of one component",
        ),
        (
            "17_ljpeg1_tiles_16_pred7",
            Refused,
            "predictors other than 1 in tiles",
        ),
        (
            "18_ljpeg2_tiles_12_be_pred6",
            Refused,
            "predictors other than 1 in tiles",
        ),
        (
            "19_ljpeg1_multistrip_14",
            Refused,
            "lossless JPEG in several strips",
        ),
        ("20_deflate_tiles", Refused, "Deflate"),
        ("21_deflate_pred2_be_strips", Refused, "Deflate"),
        ("25_xtrans_14_packed", Refused, "samples of 14 bits"),
        (
            "30_black_deltas",
            Black,
            "drops the corrections by row and column",
        ),
        (
            "31_black_1x2",
            Black,
            "takes the first of fewer than four levels",
        ),
        ("32_lintable_12", Samples, "ignores a LinearizationTable"),
        ("33_lintable_8", Samples, "dithers a LinearizationTable"),
        (
            "35_whitexy_analogbalance",
            Balance,
            "knows no AsShotWhiteXY",
        ),
        (
            "36_no_whitelevel_no_neutral",
            Refused,
            "asks for a WhiteLevel",
        ),
        (
            "39_linear_u16_be",
            Samples,
            "swaps the bytes of a big-endian file",
        ),
        ("41_linear_lossy_jpeg", Refused, "lossy JPEG"),
        ("42_float32", Refused, "floating point"),
        ("43_float32_deflate_pred3", Refused, "floating point"),
        (
            "45_quad4x4_u16",
            Filters,
            "takes a block of 4 x 4 filters for one of 8 x 2",
        ),
        ("46_jxl_lossless_tiles", Refused, "JPEG XL"),
        (
            "47_packed10_oddwidth",
            Samples,
            "takes 10 bits from the wrong byte",
        ),
    ]
};

/// Files and parts in which LibRaw is no witness.
const LIBRAW: [(&str, &[&str], &str); 15] = [
    (
        "10_packed12_multistrip_oddwidth",
        &["samples"],
        "strips with padding between them",
    ),
    (
        "19_ljpeg1_multistrip_14",
        &["samples"],
        "lossless JPEG in several strips",
    ),
    (
        "20_deflate_tiles",
        &["all"],
        "cannot read integers under Deflate",
    ),
    (
        "21_deflate_pred2_be_strips",
        &["all"],
        "cannot read integers under Deflate",
    ),
    (
        "27_oddarea_rggb",
        &["samples", "size", "pattern"],
        "drops a row and a column",
    ),
    (
        "28_oddarea_bggr_ljpeg",
        &["samples", "size", "pattern"],
        "drops a row and a column",
    ),
    (
        "29_black_persite_oddarea",
        &["samples", "size", "pattern", "black"],
        "drops a row and a column",
    ),
    (
        "30_black_deltas",
        &["black"],
        "keeps one level for each site of the block",
    ),
    (
        "31_black_1x2",
        &["black"],
        "gives a row of two levels by colour, not by column",
    ),
    (
        "35_whitexy_analogbalance",
        &["balance"],
        "gives no balance from AsShotWhiteXY",
    ),
    (
        "41_linear_lossy_jpeg",
        &["samples"],
        "ignores the LinearizationTable",
    ),
    (
        "42_float32",
        &["samples", "white"],
        "turns floats into integers",
    ),
    (
        "43_float32_deflate_pred3",
        &["samples", "white"],
        "turns floats into integers",
    ),
    (
        "45_quad4x4_u16",
        &["pattern"],
        "gives 2 x 2 of the 4 x 4 filters",
    ),
    ("46_jxl_lossless_tiles", &["all"], "JPEG XL"),
];

/// The folder of shared raws, or `None` with a note.
fn shared() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/raw");
    if !folder.is_dir() {
        eprintln!("skipped: {} is not there", folder.display());
        return None;
    }
    Some(folder)
}

/// Every whole file of the corpus by its name in `truth.json`, with its bytes.
fn files(shared: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::new();
    for folder in ["genuine", "synthetic"] {
        for entry in fs::read_dir(shared.join(folder)).expect("a folder of the corpus") {
            let path = entry.expect("a readable folder").path();
            let name = path
                .file_name()
                .expect("a file")
                .to_string_lossy()
                .into_owned();
            if !name.ends_with(".json") {
                let bytes = fs::read(&path).expect("a readable file");
                files.push((format!("{folder}/{name}"), bytes));
            }
        }
    }
    files.sort();
    assert_eq!(files.len(), 56);
    files
}

/// The name as the tables have it.
fn short(file: &str) -> &str {
    let name = file.strip_prefix("synthetic/").unwrap_or(file);
    name.strip_suffix(".dng")
        .filter(|_| name != file)
        .unwrap_or(name)
}

fn sensor(decoder: Decoder, bytes: &[u8], file: &str) -> Result<SensorFrame, Error> {
    match raw::read_with(decoder, bytes, file, &Limits::default())? {
        Frame::Sensor(frame) => Ok(frame),
        Frame::Finished(_) => panic!("{file} is a camera raw"),
    }
}

/// Black of the first 12 x 12 sites: whole blocks of each kind.
fn black(frame: &SensorFrame) -> Vec<f32> {
    let columns = 12 * frame.planes();
    let sites = (0..12).flat_map(|y| (0..columns).map(move |x| (y, x)));
    sites.map(|(y, x)| frame.black_at(y, x)).collect()
}

fn near(a: f32, b: f32, share: f32) -> bool {
    (a - b).abs() <= share * b.abs().max(1e-6)
}

/// Whether both have a balance and its gains agree, or neither has one. They divide at different
/// places, so the last bits may differ.
fn balances_agree(one: &SensorFrame, other: &SensorFrame) -> bool {
    match (one.balance, other.balance) {
        (Some(a), Some(b)) => a.iter().zip(b).all(|(a, b)| near(*a, b, 1e-5)),
        (one, other) => one == other,
    }
}

#[test]
fn both_decoders_give_the_same_frame_of_every_file_that_both_read_rightly() {
    let Some(shared) = shared() else { return };
    let mut compared = 0;
    for (file, bytes) in files(&shared) {
        let first = sensor(Decoder::Flashraw, &bytes, &file).unwrap_or_else(|e| panic!("{e}"));
        let second = sensor(Decoder::Rawloader, &bytes, &file);
        let exempt = SECOND.iter().find(|(name, ..)| *name == short(&file));
        let exempt = exempt.map(|(_, exempt, _)| *exempt);
        if exempt == Some(Exempt::Refused) {
            assert!(second.is_err(), "{file}: the second decoder reads it now");
            continue;
        }
        let second = second.unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(first.decoder, Decoder::Flashraw);
        assert_eq!(second.decoder, Decoder::Rawloader);
        let parts = [
            (Exempt::Samples, first.samples == second.samples),
            (Exempt::Filters, first.pattern == second.pattern),
            (Exempt::Black, black(&first) == black(&second)),
            (Exempt::Balance, balances_agree(&first, &second)),
        ];
        for (part, agrees) in parts {
            if Some(part) == exempt {
                assert!(!agrees, "{file}: {part:?} agrees now");
            } else {
                assert!(agrees, "{file}: {part:?} differs");
            }
        }
        assert_eq!(first.size(), second.size(), "{file}: active area");
        assert_eq!(first.white, second.white, "{file}: white");
        assert_eq!(first.orientation, second.orientation, "{file}: orientation");
        // The second has one matrix: the one for daylight.
        if let (Some(a), Some(b)) = (first.matrices.last(), second.matrices.last())
            && first.pattern != Pattern::Monochrome
        {
            let entries = a
                .xyz_to_camera
                .iter()
                .flatten()
                .zip(b.xyz_to_camera.iter().flatten());
            for (a, b) in entries {
                assert!((a - b).abs() < 1e-6, "{file}: matrix");
            }
        }
        compared += usize::from(exempt.is_none());
    }
    eprintln!("{compared} files read alike by both decoders");
    assert_eq!(compared, 25);
}

/// SHA-256 of samples, little-endian, row by row, as `truth.json` has it.
fn digest(bytes: impl IntoIterator<Item = u8>) -> String {
    let bytes: Vec<u8> = bytes.into_iter().collect();
    Sha256::digest(&bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

fn numbers(value: &Value) -> Vec<f32> {
    let list = value.as_array();
    list.into_iter()
        .flatten()
        .map(|v| v.as_f64().expect("a number") as f32)
        .collect()
}

fn truth(shared: &Path) -> Value {
    let text = fs::read(shared.join("truth.json")).expect("part of the corpus");
    serde_json::from_slice(&text).expect("JSON")
}

#[test]
fn a_third_reading_agrees() {
    let Some(shared) = shared() else { return };
    let truth = truth(&shared);
    let mut wrong = Vec::new();
    for (file, bytes) in files(&shared) {
        let frame = sensor(Decoder::Flashraw, &bytes, &file).unwrap_or_else(|e| panic!("{e}"));
        let theirs = &truth["files"][&file];
        let exempt = LIBRAW.iter().find(|(name, ..)| *name == short(&file));
        let exempt = exempt.map_or(&[][..], |(_, parts, _)| *parts);
        let samples = match &frame.samples {
            Samples::Whole(samples) => digest(samples.iter().flat_map(|v| v.to_le_bytes())),
            Samples::Float(samples) => digest(samples.iter().flat_map(|v| v.to_le_bytes())),
        };
        let number = |key: &str| theirs[key].as_f64().unwrap_or(f64::NAN) as f32;
        // LibRaw keeps whole numbers.
        let levels = numbers(&theirs["black"]);
        let at = |site: usize| match frame.pattern {
            Pattern::Linear => frame.black_at(0, site),
            _ => frame.black_at(site / 2, site % 2),
        };
        if levels.is_empty() {
            if exempt != ["all"] {
                wrong.push(format!("{file}: it has no reading"));
            }
            continue;
        }
        let planes = if frame.pattern == Pattern::Linear {
            3
        } else {
            4
        };
        let black = (0..planes).all(|site| (at(site) - levels[site]).abs() <= 1.0);
        let wb = numbers(&theirs["wb"]);
        let balance = match (frame.balance, &wb[..]) {
            (None, [red, ..]) => *red <= 0.0,
            (Some(gains), [red, green, blue, _]) => {
                near(gains[0], red / green, 1e-4) && near(gains[2], blue / green, 1e-4)
            }
            _ => false,
        };
        let matrix = numbers(&theirs["matrix"]);
        // LibRaw has a matrix of its own only for cameras that it knows by name.
        let matrices = matrix.iter().all(|v| *v == 0.0)
            || frame.matrices.iter().any(|ours| {
                let ours = ours.xyz_to_camera.iter().flatten();
                ours.zip(&matrix).all(|(a, b)| (a - b).abs() < 1e-4)
            });
        let letters = frame.pattern.letters();
        let parts = [
            ("samples", theirs["sha256"] == samples),
            (
                "size",
                [frame.width() as f32, frame.height() as f32]
                    == [number("width"), number("height")],
            ),
            ("pattern", theirs["cfa"].as_str().unwrap_or("") == letters),
            ("black", black),
            ("white", frame.white == [number("white"); 3]),
            (
                "orientation",
                f32::from(frame.orientation.0) == number("orientation"),
            ),
            ("balance", balance || frame.pattern == Pattern::Monochrome),
            ("matrix", matrices),
        ];
        for (part, agrees) in parts {
            if agrees == exempt.contains(&part) {
                wrong.push(format!(
                    "{file}: {part} {}",
                    if agrees { "agrees now" } else { "differs" }
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The only genuine file that both decoders read: our second path asks for a dry run first, which
/// fails on it, so `rawloader` is asked itself. Its whole buffer is LibRaw's; what is inside of it is the
/// first decoder's.
#[test]
fn the_genuine_crw_is_read_alike_three_times() {
    let Some(shared) = shared() else { return };
    let file = "genuine/canon-crw.crw";
    let bytes = fs::read(shared.join(file)).expect("part of the corpus");
    let theirs = &truth(&shared)["files"][file];
    let first = sensor(Decoder::Flashraw, &bytes, file).unwrap_or_else(|e| panic!("{e}"));
    let second = rawloader::decode(&mut std::io::Cursor::new(&bytes)).expect("it reads it");
    let rawloader::RawImageData::Integer(data) = &second.data else {
        panic!("a camera of 2000 gives integers");
    };
    let whole = digest(data.iter().flat_map(|v| v.to_le_bytes()));
    assert_eq!(theirs["sha256_full"], whole, "the whole buffer");
    let margins = numbers(&theirs["margins"]);
    let (top, left) = (margins[0] as usize, margins[1] as usize);
    for y in 0..first.height() {
        for x in 0..first.width() {
            let sample = data[(top + y) * second.width + left + x];
            assert_eq!(first.samples.at(y, x), f32::from(sample), "{y} {x}");
            let colour = second.cfa.color_at(top + y, left + x);
            assert_eq!(first.colour_at(y, x), colour, "{y} {x}");
        }
    }
    assert_eq!(first.white, [f32::from(second.whitelevels[0]); 3]);
    assert_eq!(
        u16::from(first.orientation.0),
        second.orientation.to_u16().max(1)
    );
    for (site, colour) in [(0, 0), (1, 1), (3, 2)] {
        let (ours, other) = (
            first.black_at(site / 2, site % 2),
            second.blacklevels[colour],
        );
        assert!(
            (ours - f32::from(other)).abs() <= 1.0,
            "black {ours} and {other}"
        );
    }
}
