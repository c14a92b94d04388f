//! What comes out of raw files and finished pictures, against what is known to be in them.
//!
//! Synthetic DNGs: `expected.json` of their generator, which shares no code with a decoder.
//! Genuine files: LibRaw 0.22.2 (`truth.json`). Both lie outside of the repository in
//! `../shared/raw`; without it those tests say so and pass.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::fs;
use std::path::{Path, PathBuf};

use lapel::raw::{
    self, Decoder, Error, FinishedFrame, Frame, Limits, Pattern, Samples, SensorFrame,
};
use serde_json::Value;
use sha2::{Digest, Sha256};

/// The folder of shared raws, or `None` with a note.
fn shared() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/raw");
    if !folder.is_dir() {
        eprintln!("skipped: {} is not there", folder.display());
        return None;
    }
    Some(folder)
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).expect("a readable file")).expect("JSON")
}

fn name(path: &Path) -> String {
    path.file_name()
        .expect("a file")
        .to_string_lossy()
        .into_owned()
}

fn sensor(decoder: Decoder, path: &Path) -> Result<SensorFrame, Error> {
    let bytes = fs::read(path).expect("a readable file");
    match raw::read_with(decoder, &bytes, &name(path), &Limits::default())? {
        Frame::Sensor(frame) => Ok(frame),
        Frame::Finished(_) => panic!("{} is a camera raw", path.display()),
    }
}

/// SHA-256 of the active area's samples, little-endian, row by row.
fn digest(samples: &Samples) -> String {
    let bytes: Vec<u8> = match samples {
        Samples::Whole(samples) => samples.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Samples::Float(samples) => samples.iter().flat_map(|v| v.to_le_bytes()).collect(),
    };
    Sha256::digest(&bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

fn numbers(value: &Value) -> Vec<f32> {
    let list = value.as_array().expect("a list");
    list.iter()
        .map(|v| v.as_f64().expect("a number") as f32)
        .collect()
}

fn near(a: f32, b: f32, share: f32) -> bool {
    (a - b).abs() <= share * b.abs().max(1e-6)
}

/// All that a synthetic file says, against a frame.
fn compare(frame: &SensorFrame, expected: &Value, file: &str) {
    let area = numbers(&expected["active_area"]);
    let size = (frame.height() as f32, frame.width() as f32);
    assert_eq!(size, (area[2] - area[0], area[3] - area[1]), "{file}: size");
    if !expected["lossy"].as_bool().unwrap() {
        assert_eq!(
            digest(&frame.samples),
            expected["sha256_active"],
            "{file}: samples"
        );
    }
    let letters = expected["cfa_at_active_origin"]
        .as_str()
        .unwrap_or_default();
    assert_eq!(frame.pattern.letters(), letters, "{file}: phase");
    let planes = expected["samples"].as_u64().unwrap() as usize;
    assert_eq!(frame.planes(), planes, "{file}: planes");

    // The generator's corrections a column and a row, from its source (BlackLevelDeltaH, V).
    let across = |x: usize| ((x * 7 % 5) as f32 - 2.0) * 1.5;
    let down = |y: usize| ((y * 3 % 7) as f32 - 3.0) * 1.25;
    let corrected = |key: &str| expected[key].as_bool().unwrap();
    let (black, block) = (numbers(&expected["black"]), numbers(&expected["black_dim"]));
    let (rows, columns) = (block[0] as usize, block[1] as usize);
    for y in 0..frame.height() {
        for x in 0..frame.width() {
            let mut level = black[(y % rows * columns + x % columns) % black.len()];
            level += if corrected("black_delta_h") {
                across(x)
            } else {
                0.0
            };
            level += if corrected("black_delta_v") {
                down(y)
            } else {
                0.0
            };
            for plane in 0..planes {
                assert_eq!(
                    frame.black_at(y, planes * x + plane),
                    level,
                    "{file}: black {y} {x}"
                );
            }
        }
    }
    let white = expected["white"].as_f64().unwrap() as f32;
    assert_eq!(frame.white, [white; 3], "{file}: white");
    assert_eq!(
        u64::from(frame.orientation.0),
        expected["orientation"],
        "{file}: orientation"
    );

    let neutral = numbers(&expected["neutral"]);
    match (expected["neutral_tag"].as_str().unwrap(), frame.balance) {
        _ if frame.pattern == Pattern::Monochrome => {}
        ("none", balance) => assert_eq!(balance, None, "{file}: balance"),
        (_, None) => panic!("{file}: balance is missing"),
        (tag, Some(balance)) => {
            // From AsShotWhiteXY it goes through the matrices, which are stored rounded.
            let share = if tag == "xy" { 1e-3 } else { 1e-5 };
            for (gain, part) in balance.into_iter().zip(&neutral) {
                assert!(
                    near(gain, neutral[1] / part, share),
                    "{file}: balance {balance:?}"
                );
            }
        }
    }
}

/// What only the first decoder tells.
fn compare_extras(frame: &SensorFrame, expected: &Value, file: &str) {
    let gains = numbers(&expected["analog_balance"]);
    for (found, gain) in frame.analog_balance.iter().zip(gains) {
        assert!(near(*found, gain, 1e-5), "{file}: analog balance");
    }
    let exposure = expected["baseline_exposure"].as_f64().unwrap() as f32;
    assert_eq!(
        frame.baseline_exposure, exposure,
        "{file}: baseline exposure"
    );
    let origin = numbers(&expected["crop_origin"]);
    let found = (frame.crop.left as f32, frame.crop.top as f32);
    assert_eq!(found, (origin[0], origin[1]), "{file}: crop");
    assert!(
        frame.crop.left + frame.crop.width <= frame.width(),
        "{file}: crop"
    );
    if frame.pattern != Pattern::Monochrome {
        let lights = if expected["dual"].as_bool().unwrap() {
            2
        } else {
            1
        };
        assert_eq!(frame.matrices.len(), lights, "{file}: matrices");
        assert_eq!(frame.matrices[lights - 1].illuminant, 21, "{file}: D65");
    }
    assert_eq!(frame.exif.iso, Some(400), "{file}: ISO");
    assert_eq!(
        frame.exif.taken.as_deref(),
        Some("2024:05:06 07:08:09"),
        "{file}: taken"
    );
}

#[test]
fn synthetic_raws_hold_what_they_were_made_with() {
    let Some(shared) = shared() else { return };
    let expected = json(&shared.join("synthetic/expected.json"));
    let files = expected.as_object().unwrap();
    assert_eq!(files.len(), 54);
    for (file, expected) in files {
        let bytes = fs::read(shared.join("synthetic").join(file)).unwrap();
        let frame = match raw::read(&bytes, file, &Limits::default()) {
            Ok(Frame::Sensor(frame)) => frame,
            other => panic!("{file}: {other:?}"),
        };
        compare(&frame, expected, file);
        compare_extras(&frame, expected, file);
    }
}

#[test]
fn genuine_raws_equal_libraw() {
    let Some(shared) = shared() else { return };
    let truth = json(&shared.join("truth.json"));
    for file in [
        "genuine/canon-550d-magiclantern-14bit.dng",
        "genuine/canon-crw.crw",
    ] {
        let truth = &truth["files"][file];
        let frame = sensor(Decoder::Flashraw, &shared.join(file)).unwrap();
        assert_eq!(digest(&frame.samples), truth["sha256"], "{file}: samples");
        assert_eq!(frame.pattern.letters(), truth["cfa"], "{file}: phase");
        assert_eq!(
            frame.white,
            [truth["white"].as_f64().unwrap() as f32; 3],
            "{file}: white"
        );
        for (site, black) in numbers(&truth["black"]).into_iter().enumerate() {
            // LibRaw keeps whole numbers.
            let found = frame.black_at(site / 2, site % 2);
            assert!(
                (found - black).abs() <= 1.0,
                "{file}: black {found} for {black}"
            );
        }
    }
}

/// The one thing that the second decoder knows of the corpus and the first does not. LibRaw gives
/// green and blue of it as 0.976168 and 1.006883, red not at all; red is `rawloader`'s.
#[test]
fn the_balance_of_an_old_crw_comes_from_the_second_decoder() {
    let Some(shared) = shared() else { return };
    let bytes = fs::read(shared.join("genuine/canon-crw.crw")).unwrap();
    let Ok(Frame::Sensor(frame)) = raw::read(&bytes, "canon-crw.crw", &Limits::default()) else {
        panic!("a genuine raw");
    };
    let [red, green, blue] = frame.balance.expect("the second decoder knows it");
    assert_eq!(green, 1.0);
    assert!(near(blue, 1.006_883 / 0.976_168, 1e-4), "blue {blue}");
    assert!(near(red, 2.19, 5e-3), "red {red}");
    assert_eq!(
        frame.decoder,
        Decoder::Flashraw,
        "the samples are the first decoder's"
    );
}

#[test]
fn truncated_raws_give_a_clear_error() {
    let Some(shared) = shared() else { return };
    let mut files: Vec<PathBuf> = fs::read_dir(shared.join("truncated"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    assert_eq!(files.len(), 20);
    for path in files {
        let (bytes, name) = (fs::read(&path).unwrap(), name(&path));
        let error = raw::read(&bytes, &name, &Limits::default())
            .map(|_| ())
            .expect_err(&name);
        let text = error.to_string();
        assert!(text.starts_with(&name), "{text}");
        assert!(
            text.contains("Copy it again") || text.contains("Convert it"),
            "{text}"
        );
    }
}

/// Cut anywhere, a raw is an error and never a frame with rows missing.
#[test]
fn a_raw_cut_short_is_never_a_frame() {
    let Some(shared) = shared() else { return };
    for file in ["01_u16_le_onestrip", "16_ljpeg2_tiles_14", "06_packed14"] {
        let bytes = fs::read(shared.join(format!("synthetic/{file}.dng"))).unwrap();
        for tenth in 0..10 {
            let cut = &bytes[..bytes.len() * tenth / 10];
            let error = raw::read(cut, "cut.dng", &Limits::default()).map(|_| ());
            assert!(
                matches!(
                    error,
                    Err(Error::Malformed { .. } | Error::Unsupported { .. })
                ),
                "{error:?}"
            );
        }
    }
}

#[test]
fn bytes_that_are_no_picture_say_what_to_do() {
    let told = |bytes: &[u8], name: &str| {
        raw::read(bytes, name, &Limits::default())
            .map(|_| ())
            .unwrap_err()
            .to_string()
    };
    assert_eq!(
        told(b"", "a.dng"),
        "a.dng: file: it is empty (0 bytes). Copy it again from the card or the backup"
    );
    let text = told(b"Dear photographer,\nhere are the names.\n", "names.nef");
    assert!(text.contains("neither a camera raw"), "{text}");
    assert!(told(&[0; 4096], "zeros.cr2").starts_with("zeros.cr2: "));
    assert!(told(b"II*\0", "short.dng").starts_with("short.dng: "));
}

/// Sizes are refused from the header: a frame of 40 000 x 40 000 in 33 KB.
#[test]
fn absurd_dimensions_are_refused_before_pixels_are_made() {
    let Some(shared) = shared() else { return };
    let genuine = fs::read(shared.join("synthetic/01_u16_le_onestrip.dng")).unwrap();
    for absurd in [40_000_u32, 22_000, u32::MAX, 0] {
        let mut bytes = genuine.clone();
        // ImageWidth (256) and ImageLength (257) as one LONG, wherever they stand.
        for at in 0..bytes.len() - 12 {
            if matches!(bytes[at..at + 8], [0 | 1, 1, 4, 0, 1, 0, 0, 0]) {
                bytes[at + 8..at + 12].copy_from_slice(&absurd.to_le_bytes());
            }
        }
        assert_ne!(bytes, genuine);
        let error = raw::read(&bytes, "absurd.dng", &Limits::default()).map(|_| ());
        let refused = matches!(error, Err(Error::Limit { .. } | Error::Malformed { .. }));
        assert!(refused, "{absurd}: {error:?}");
        let too_large = matches!(error, Err(Error::Limit { .. }));
        assert!(too_large || absurd == 0, "{absurd}: {error:?}");
    }
    let tight = Limits {
        max_pixels: 100,
        ..Limits::default()
    };
    assert!(matches!(
        raw::read(&genuine, "x.dng", &tight),
        Err(Error::Limit { .. })
    ));
}

// Finished pictures.

use image::codecs::{jpeg::JpegEncoder, png::PngEncoder, tiff::TiffEncoder};
use image::{ExtendedColorType, ImageEncoder};

/// A picture of three pixels over two: red, green, blue; white, mid grey, black.
const COLOURS: [[u8; 3]; 6] = [
    [255, 0, 0],
    [0, 255, 0],
    [0, 0, 255],
    [255, 255, 255],
    [128, 128, 128],
    [0, 0, 0],
];

fn eight() -> Vec<u8> {
    COLOURS.concat()
}

fn sixteen() -> Vec<u8> {
    eight()
        .into_iter()
        .flat_map(|code| (u16::from(code) * 257).to_ne_bytes())
        .collect()
}

fn png(bytes: &[u8], colour: ExtendedColorType, icc: Option<Vec<u8>>) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = PngEncoder::new(&mut out);
    if let Some(icc) = icc {
        encoder.set_icc_profile(icc).unwrap();
    }
    encoder.write_image(bytes, 3, 2, colour).unwrap();
    out
}

fn tiff(bytes: &[u8], colour: ExtendedColorType) -> Vec<u8> {
    let mut out = std::io::Cursor::new(Vec::new());
    TiffEncoder::new(&mut out)
        .write_image(bytes, 3, 2, colour)
        .unwrap();
    out.into_inner()
}

/// One grey, so that the compression keeps it; with an Exif block of one entry, Orientation.
fn jpeg(width: u32, height: u32, orientation: u8) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut out, 100);
    let mut exif = b"II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0".to_vec();
    exif.extend([orientation, 0, 0, 0, 0, 0, 0, 0]);
    encoder.set_exif_metadata(exif).unwrap();
    let grey = vec![188; (3 * width * height) as usize];
    encoder
        .write_image(&grey, width, height, ExtendedColorType::Rgb8)
        .unwrap();
    out
}

fn finished(bytes: &[u8], name: &str) -> FinishedFrame {
    match raw::read(bytes, name, &Limits::default()) {
        Ok(Frame::Finished(frame)) => frame,
        other => panic!("{name}: {other:?}"),
    }
}

/// Linear BT.2020 of the six colours, given the primaries as columns' rows, and the mid grey.
fn expect(frame: &FinishedFrame, primaries: [[f32; 3]; 3], grey: f32, tolerance: f32) {
    let column = |c: usize| primaries.map(|row| row[c]);
    let expected = [
        column(0),
        column(1),
        column(2),
        [1.0; 3],
        [grey; 3],
        [0.0; 3],
    ];
    for (site, expected) in expected.into_iter().enumerate() {
        let found = frame.picture.at(site / 3, site % 3);
        for (a, b) in found.into_iter().zip(expected) {
            assert!(
                (a - b).abs() < tolerance,
                "site {site}: {found:?} for {expected:?}"
            );
        }
    }
}

/// ITU-R BT.2087-0, BT.709 to BT.2020. IEC 61966-2-1: code 128 of 255 is 0.21586.
#[test]
fn pictures_without_a_profile_count_as_srgb_and_say_so() {
    let primaries = [
        [0.6274, 0.3293, 0.0433],
        [0.0691, 0.9195, 0.0114],
        [0.0164, 0.0880, 0.8956],
    ];
    let files = [
        ("a.png", png(&eight(), ExtendedColorType::Rgb8, None)),
        ("b.png", png(&sixteen(), ExtendedColorType::Rgb16, None)),
        ("c.tif", tiff(&eight(), ExtendedColorType::Rgb8)),
        ("d.tif", tiff(&sixteen(), ExtendedColorType::Rgb16)),
    ];
    for (name, bytes) in files {
        let frame = finished(&bytes, name);
        assert_eq!(frame.profile, "sRGB (assumed)", "{name}");
        expect(&frame, primaries, 0.21586, 1e-4);
    }
}

/// The matrix of P3 with white D65 to BT.2020 as colour-science 0.4.7 derives it from the primaries
/// (SMPTE EG 432-1); the profile is `moxcms`'s.
#[test]
fn an_embedded_profile_is_honoured() {
    let primaries = [
        [0.753833, 0.198597, 0.047570],
        [0.045744, 0.941777, 0.012479],
        [-0.001210, 0.017602, 0.983609],
    ];
    let icc = moxcms::ColorProfile::new_display_p3().encode().unwrap();
    let frame = finished(
        &png(&eight(), ExtendedColorType::Rgb8, Some(icc.clone())),
        "p3.png",
    );
    assert!(frame.profile.contains("P3"), "{}", frame.profile);
    // Profiles differ in how they round the white (see the tests of the profile).
    expect(&frame, primaries, 0.21586, 5e-4);
    let mut damaged = icc;
    damaged.truncate(200);
    let bytes = png(&eight(), ExtendedColorType::Rgb8, Some(damaged));
    let error = raw::read(&bytes, "damaged.png", &Limits::default())
        .map(|_| ())
        .unwrap_err();
    assert!(error.to_string().contains("profile"), "{error}");
}

#[test]
fn a_jpeg_stands_upright_by_its_exif() {
    for orientation in 1..=8 {
        let frame = finished(&jpeg(24, 16, orientation), "grey.jpg");
        let size = frame.picture.size();
        let expected = if orientation >= 5 { (16, 24) } else { (24, 16) };
        assert_eq!(
            (size.width, size.height),
            expected,
            "orientation {orientation}"
        );
        // IEC 61966-2-1: code 188 of 255 is 0.50289; JPEG may be a code off.
        assert!((frame.picture.at(3, 3)[1] - 0.50289).abs() < 0.007);
    }
}

#[test]
fn a_jpeg_renamed_to_a_raw_says_so() {
    let error = raw::read(&jpeg(24, 16, 1), "IMG_0001.dng", &Limits::default());
    let text = error.map(|_| ()).unwrap_err().to_string();
    assert!(
        text.contains("JPEG") && text.contains("IMG_0001.jpg"),
        "{text}"
    );
    assert!(raw::read(&jpeg(24, 16, 1), "IMG_0001", &Limits::default()).is_ok());
}

#[test]
fn a_picture_that_shows_through_is_refused_and_a_solid_one_is_not() {
    let with = |alpha: u8| -> Vec<u8> {
        let pixels = COLOURS.iter().flat_map(|[r, g, b]| [*r, *g, *b, 255]);
        let mut pixels: Vec<u8> = pixels.collect();
        pixels[7] = alpha;
        png(&pixels, ExtendedColorType::Rgba8, None)
    };
    assert_eq!(finished(&with(255), "solid.png").picture.size().width, 3);
    let error = raw::read(&with(254), "clear.png", &Limits::default())
        .map(|_| ())
        .unwrap_err();
    assert!(error.to_string().contains("Flatten"), "{error}");
}

#[test]
fn a_tiff_under_the_name_of_a_raw_says_so() {
    let bytes = tiff(&eight(), ExtendedColorType::Rgb8);
    let error = raw::read(&bytes, "sitter.nef", &Limits::default())
        .map(|_| ())
        .unwrap_err();
    assert!(
        matches!(&error, Error::Misnamed { rename, .. } if rename == "sitter.tif"),
        "{error}"
    );
}

#[test]
fn finished_pictures_cut_short_are_errors() {
    let files = [
        ("a.png", png(&sixteen(), ExtendedColorType::Rgb16, None)),
        ("b.tif", tiff(&eight(), ExtendedColorType::Rgb8)),
        ("c.jpg", jpeg(640, 480, 1)),
    ];
    for (name, bytes) in files {
        for part in 1..8 {
            let cut = &bytes[..bytes.len() * part / 8];
            let result = raw::read(cut, name, &Limits::default()).map(|_| ());
            assert!(result.is_err(), "{name}, {part} eighths");
        }
    }
    let tight = Limits {
        max_side: 100,
        ..Limits::default()
    };
    let result = raw::read(&jpeg(640, 480, 1), "c.jpg", &tight).map(|_| ());
    assert!(matches!(result, Err(Error::Limit { .. })), "{result:?}");
}
