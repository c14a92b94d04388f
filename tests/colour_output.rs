//! Delivered numbers and profiles, read back by others: moxcms's transforms, and lcms through
//! Pillow where Python has it.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::path::Path;
use std::process::Command;

use image::ImageDecoder;
use lapel::colour::spaces::Curve;
use lapel::colour::{Profile, encode_8, encode_16};
use lapel::deliver::encode::{Format, Pixels, encode};
use lapel::deliver::metadata::Metadata;
use lapel::measure::{delta_e_2000, lab};
use lapel::picture::{Linear, Size, matrix, oklab_from_linear};
use moxcms::{ColorProfile, Layout, RenderingIntent, ToneReprCurve, TransformOptions};
use ndarray::Array2;

/// The 24 patches of the ColorChecker, edition after November 2014, in linear BT.2020 under D65:
/// colour-science 0.4, `CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]`, adapted
/// from its D50 by Bradford.
const PATCHES: [[f32; 3]; 24] = [
    [0.137212, 0.085040, 0.057112],
    [0.451729, 0.296152, 0.222442],
    [0.141842, 0.184645, 0.312907],
    [0.118192, 0.146500, 0.060525],
    [0.231128, 0.215861, 0.404323],
    [0.257249, 0.479244, 0.414734],
    [0.535866, 0.237692, 0.056743],
    [0.086979, 0.101502, 0.357118],
    [0.382807, 0.113660, 0.118838],
    [0.088313, 0.047725, 0.129193],
    [0.374408, 0.480814, 0.087363],
    [0.602522, 0.382562, 0.062427],
    [0.041114, 0.048385, 0.258981],
    [0.127732, 0.272428, 0.081513],
    [0.293690, 0.064727, 0.046820],
    [0.717451, 0.586329, 0.068497],
    [0.365900, 0.110891, 0.274493],
    [0.065732, 0.216119, 0.357641],
    [0.879432, 0.883999, 0.839396],
    [0.587057, 0.591503, 0.585113],
    [0.361134, 0.366379, 0.365275],
    [0.190348, 0.190785, 0.189897],
    [0.087027, 0.088547, 0.089640],
    [0.031445, 0.031493, 0.032232],
];

/// A picture of one row.
fn row_of(colours: &[[f32; 3]]) -> Linear {
    let plane = |i: usize| Array2::from_shape_fn((1, colours.len()), |(_, x)| colours[x][i]);
    Linear {
        planes: [plane(0), plane(1), plane(2)],
    }
}

/// Encoded values (0 to 1) back to working-space light by the standards' numbers alone.
fn decoded(values: &[f32], profile: Profile) -> Vec<[f32; 3]> {
    let mut light = values.to_vec();
    profile.space().curve.decode_all(&mut light);
    let back = matrix::to_f32(matrix::invert(profile.space().from_working()));
    light
        .chunks_exact(3)
        .map(|v| matrix::apply_f32(&back, [v[0], v[1], v[2]]))
        .collect()
}

/// Encoded values to working-space light by moxcms, from the embedded profile's bytes.
fn through_icc(values: &[f32], profile: Profile) -> Vec<[f32; 3]> {
    let source = ColorProfile::new_from_slice(&profile.icc()).expect("moxcms reads the profile");
    let mut working = ColorProfile::new_bt2020();
    let linear = Some(ToneReprCurve::Lut(Vec::new()));
    (working.red_trc, working.green_trc) = (linear.clone(), linear.clone());
    working.blue_trc = linear;
    working.cicp = None;
    let options = TransformOptions {
        rendering_intent: RenderingIntent::RelativeColorimetric,
        prefer_fixed_point: false,
        ..TransformOptions::default()
    };
    let transform = source
        .create_transform_f32(Layout::Rgb, &working, Layout::Rgb, options)
        .expect("a transform between two RGB profiles");
    let mut light = vec![0.0_f32; values.len()];
    transform
        .transform(values, &mut light)
        .expect("buffers of one length");
    light.chunks_exact(3).map(|v| [v[0], v[1], v[2]]).collect()
}

fn fractions_8(picture: &Linear, profile: Profile) -> Vec<f32> {
    encode_8(picture, profile)
        .into_iter()
        .map(|v| f32::from(v) / 255.0)
        .collect()
}

fn fractions_16(picture: &Linear, profile: Profile) -> Vec<f32> {
    encode_16(picture, profile)
        .into_iter()
        .map(|v| f32::from(v) / 65_535.0)
        .collect()
}

fn in_gamut([r, g, b]: [f32; 3], profile: Profile) -> bool {
    let out = matrix::apply_f32(&matrix::to_f32(profile.space().from_working()), [r, g, b]);
    out.iter().all(|v| (0.0..=1.0).contains(v))
}

#[test]
fn patches_come_back_through_the_embedded_profile() {
    for profile in Profile::ALL {
        let fitting: Vec<[f32; 3]> = PATCHES
            .into_iter()
            .filter(|&patch| in_gamut(patch, profile))
            .collect();
        assert!(fitting.len() >= 23, "{profile:?} holds {}", fitting.len());
        let picture = row_of(&fitting);
        for (values, allowed) in [
            (fractions_8(&picture, profile), 1.0),
            (fractions_16(&picture, profile), 0.05),
        ] {
            for (patch, back) in fitting.iter().zip(through_icc(&values, profile)) {
                let off = delta_e_2000(lab(*patch), lab(back));
                assert!(off < allowed, "{profile:?} {patch:?}: Delta E 2000 {off}");
            }
        }
    }
}

#[test]
fn profiles_are_always_the_same_bytes_and_not_alike() {
    let icc = Profile::ALL.map(Profile::icc);
    assert_eq!(icc, Profile::ALL.map(Profile::icc));
    assert!(icc[0] != icc[1] && icc[1] != icc[2] && icc[0] != icc[2]);
    for bytes in icc {
        // ICC.1:2022, section 7.2: size, date and signature in the header.
        assert_eq!(bytes[0..4], (bytes.len() as u32).to_be_bytes());
        assert_eq!(bytes[24..28], [0x07, 0xcf, 0, 10], "1999, October");
        assert_eq!(&bytes[36..40], b"acsp");
        assert!(bytes.len() < 1000, "{} bytes", bytes.len());
    }
}

#[test]
fn names_in_text() {
    for (profile, name) in Profile::ALL.into_iter().zip(["sRGB", "DisplayP3", "opRGB"]) {
        assert_eq!(ron::to_string(&profile).expect("writes"), name);
        assert_eq!(ron::from_str::<Profile>(name).expect("reads"), profile);
    }
}

/// lcms reads description, spaces, version and date, and takes the patches to its own sRGB.
#[test]
fn lcms_reads_the_profiles() {
    let folder = tempfile::tempdir().expect("a folder");
    let fitting: Vec<[f32; 3]> = PATCHES
        .into_iter()
        .filter(|&patch| in_gamut(patch, Profile::Srgb))
        .collect();
    // Rounded instead of dithered, as lcms rounds.
    let picture = row_of(&fitting);
    for (profile, name) in Profile::ALL.into_iter().zip(["sRGB", "DisplayP3", "opRGB"]) {
        let rounded: Vec<u8> = fractions_16(&picture, profile)
            .into_iter()
            .map(|v| (v * 255.0).round() as u8)
            .collect();
        let at = |end: &str| folder.path().join(format!("{name}.{end}"));
        std::fs::write(at("icc"), profile.icc()).expect("writes");
        std::fs::write(at("rgb"), rounded).expect("writes");
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/colour/read_profiles.py");
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let Ok(out) = Command::new(python).arg(script).arg(folder.path()).output() else {
        eprintln!("skipped: no python3");
        return;
    };
    let text = String::from_utf8_lossy(&out.stdout);
    if text.starts_with("no Pillow") {
        eprintln!("skipped: python3 has no Pillow (set PYTHON to one that has)");
        return;
    }
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let lines: Vec<Vec<&str>> = text.lines().map(|line| line.split('|').collect()).collect();
    assert_eq!(lines.len(), 3, "{text}");
    for (line, (name, profile)) in lines.iter().zip([
        ("DisplayP3", Profile::DisplayP3),
        ("opRGB", Profile::OpRgb),
        ("sRGB", Profile::Srgb),
    ]) {
        assert_eq!(line[..4], [name, profile.description(), "XYZ", "RGB"]);
        assert!(line[4].starts_with("4."), "{line:?}");
        assert_eq!(line[5], "1999-10-18T00:00:00");
        // An 8-bit value here, another there: one step each of the wider space's coarser steps.
        let worst: u8 = line[6].parse().expect("a number");
        assert!(worst <= 2, "{line:?}");
    }
}

/// Colours of the whole BT.2020 cube and beyond white, most of them outside of sRGB.
fn cube() -> Vec<[f32; 3]> {
    let steps = [0.0, 0.02, 0.1, 0.3, 0.6, 0.9, 1.0, 1.3];
    let mut colours = Vec::new();
    for r in steps {
        for g in steps {
            for b in steps {
                colours.push([r, g, b]);
            }
        }
    }
    colours
}

#[test]
fn colours_outside_keep_hue_and_lightness() {
    for profile in Profile::ALL {
        let colours = cube();
        let back = decoded(&fractions_16(&row_of(&colours), profile), profile);
        let mut outside = 0;
        for (&colour, &back) in colours.iter().zip(&back) {
            let ([l, a, b], [l2, a2, b2]) = (oklab_from_linear(colour), oklab_from_linear(back));
            let (chroma, chroma2) = (a.hypot(b), a2.hypot(b2));
            let fits = in_gamut(colour, profile);
            outside += usize::from(!fits);
            assert!(
                (l.min(1.0) - l2).abs() < 1e-3,
                "{profile:?} {colour:?}: L {l} became {l2}"
            );
            assert!(
                chroma2 <= chroma + 1e-3,
                "{profile:?} {colour:?}: chroma rose"
            );
            if chroma2 > 0.02 {
                let turn = (a * b2 - b * a2) / (chroma * chroma2);
                assert!(
                    turn.abs() < 0.01,
                    "{profile:?} {colour:?}: hue turned by {turn} rad"
                );
            }
            if fits {
                assert!(
                    (chroma - chroma2).abs() < 1e-3,
                    "{profile:?} {colour:?} fitted"
                );
            }
        }
        assert!(outside > 100, "{outside}");
    }
}

/// Along a line from grey out of the gamut, no step is larger than inside of it.
#[test]
fn the_border_of_the_gamut_is_no_edge() {
    let line: Vec<[f32; 3]> = (0..=1000)
        .map(|i| {
            let t = i as f32 / 1000.0;
            [0.4 + 0.5 * t, 0.4 - 0.35 * t, 0.4 - 0.38 * t]
        })
        .collect();
    let values = fractions_16(&row_of(&line), Profile::Srgb);
    let mut largest = 0.0_f32;
    for (one, next) in values.chunks_exact(3).zip(values[3..].chunks_exact(3)) {
        for (a, b) in one.iter().zip(next) {
            largest = largest.max((a - b).abs());
        }
    }
    assert!(largest < 0.004, "a step of {largest}");
}

#[test]
fn black_white_and_beyond() {
    let colours = [
        [0.0; 3],
        [1.0; 3],
        [1.7; 3],
        [-0.5; 3],
        [f32::NAN; 3],
        [1.2, 1.1, 1.15],
        [0.0, 0.0, 1e-12],
    ];
    let picture = row_of(&colours);
    for profile in Profile::ALL {
        let (eight, sixteen) = (encode_8(&picture, profile), encode_16(&picture, profile));
        for (pixel, wanted) in [(0, 0), (1, 255), (2, 255), (3, 0), (4, 0), (5, 255), (6, 0)] {
            assert_eq!(
                eight[3 * pixel..3 * pixel + 3],
                [wanted; 3],
                "{:?}",
                colours[pixel]
            );
            let wanted = u16::from(wanted) * 257;
            let got = &sixteen[3 * pixel..3 * pixel + 3];
            // The matrix's f32 rows add up to 1 within a rounding; a 16-bit step hides it.
            assert!(
                got.iter().all(|v| v.abs_diff(wanted) <= 1),
                "{:?}: {got:?}",
                colours[pixel]
            );
        }
    }
    assert!(
        encode_8(
            &Linear::zeros(Size {
                width: 0,
                height: 3
            }),
            Profile::Srgb
        )
        .is_empty()
    );
}

/// A backdrop that darkens by two 8-bit steps over 512 pixels: means over 8 x 8 pixels follow
/// the slope to a tenth of a step, and grey stays grey.
#[test]
fn dither_keeps_a_smooth_backdrop_smooth() {
    let encoded = |x: usize| (120.3 + 2.0 * x as f32 / 512.0) / 255.0;
    let mut row: Vec<f32> = (0..512).map(encoded).collect();
    Curve::Srgb.decode_all(&mut row);
    let plane = Array2::from_shape_fn((64, 512), |(_, x)| row[x]);
    let picture = Linear {
        planes: [plane.clone(), plane.clone(), plane],
    };
    let bytes = encode_8(&picture, Profile::Srgb);
    assert!(
        bytes.chunks_exact(3).all(|p| p[0] == p[1] && p[1] == p[2]),
        "grey stays grey"
    );
    let at = |y: usize, x: usize| f32::from(bytes[3 * (512 * y + x)]);
    let (mut worst, mut squares) = (0.0_f32, 0.0_f32);
    for (by, bx) in (0..8).flat_map(|by| (0..64).map(move |bx| (by, bx))) {
        let places = (0..64).map(|i| (8 * by + i / 8, 8 * bx + i % 8));
        let off: f32 = places
            .map(|(y, x)| at(y, x) - 255.0 * encoded(x))
            .sum::<f32>()
            / 64.0;
        worst = worst.max(off.abs());
        squares += off * off / 512.0;
    }
    assert!(
        worst < 0.1 && squares.sqrt() < 0.03,
        "worst {worst}, deviation {}",
        squares.sqrt()
    );
}

#[test]
fn threads_do_not_change_a_byte() {
    let plane = |k: usize| {
        Array2::from_shape_fn((150, 333), |(y, x)| {
            ((x * 7 + y * 13 + k * 31) % 140) as f32 / 110.0
        })
    };
    let picture = Linear {
        planes: [plane(0), plane(1), plane(2)],
    };
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        pool.install(|| Profile::ALL.map(|p| (encode_8(&picture, p), encode_16(&picture, p))))
    };
    assert_eq!(with(1), with(4));
}

/// Side of a patch in pixels; more than a JPEG's block, and together enough pixels for the crate `image`
/// to give a TIFF's profile.
const SIDE: usize = 32;

/// The patches in a row, as squares.
fn chart(patches: &[[f32; 3]]) -> Linear {
    let shape = (SIDE, SIDE * patches.len());
    let plane = |c: usize| Array2::from_shape_fn(shape, |(_, x)| patches[x / SIDE][c]);
    Linear {
        planes: [plane(0), plane(1), plane(2)],
    }
}

const FORMATS: [Format; 7] = [
    Format::jpeg(88),
    Format::jpeg(92),
    Format::jpeg(98),
    Format::Png { bits: 8 },
    Format::Png { bits: 16 },
    Format::Tiff { bits: 8 },
    Format::Tiff { bits: 16 },
];

/// A picture as a file.
fn file_of(picture: &Linear, format: Format, profile: Profile) -> Vec<u8> {
    let pixels = if format.bits() == 16 {
        Pixels::Sixteen(encode_16(picture, profile))
    } else {
        Pixels::Eight(encode_8(picture, profile))
    };
    let metadata = Metadata::default();
    let encoded = encode(&pixels, picture.size(), format, &profile.icc(), &metadata);
    encoded.expect("it fits").0
}

/// Mean values, 0 to 1, of each square of a file, and the profile in it.
fn means(file: &[u8]) -> (Vec<f32>, Vec<u8>) {
    let reader = image::ImageReader::new(std::io::Cursor::new(file)).with_guessed_format();
    let mut decoder = reader
        .expect("bytes")
        .into_decoder()
        .expect("a known format");
    let icc = decoder.icc_profile().expect("readable").expect("embedded");
    let deep = decoder.color_type().bytes_per_pixel() == 6;
    let picture = image::DynamicImage::from_decoder(decoder).expect("readable");
    let (width, values): (_, Vec<f64>) = if deep {
        let rgb = picture.into_rgb16();
        let values = rgb.as_raw().iter().map(|v| f64::from(*v) / 65_535.0);
        (rgb.width() as usize, values.collect())
    } else {
        let rgb = picture.into_rgb8();
        let values = rgb.as_raw().iter().map(|v| f64::from(*v) / 255.0);
        (rgb.width() as usize, values.collect())
    };
    let mut sums = vec![0.0_f64; 3 * width / SIDE];
    for (i, value) in values.into_iter().enumerate() {
        sums[3 * (i / 3 % width / SIDE) + i % 3] += value;
    }
    let pixels = (SIDE * SIDE) as f64;
    (
        sums.into_iter().map(|sum| (sum / pixels) as f32).collect(),
        icc,
    )
}

/// The 24 patches through each kind of file and back by the profile that stands in it: within a Delta
/// E 2000 of 0.5 at 16 bits and 1.0 at 8.
#[test]
fn patches_come_back_from_every_kind_of_file() {
    let (mut told, mut good) = (Vec::new(), true);
    for profile in Profile::ALL {
        let fitting: Vec<[f32; 3]> = PATCHES
            .into_iter()
            .filter(|&patch| in_gamut(patch, profile))
            .collect();
        let picture = chart(&fitting);
        for format in FORMATS {
            let (values, icc) = means(&file_of(&picture, format, profile));
            assert_eq!(icc, profile.icc(), "{format:?}");
            let mut worst = 0.0_f64;
            for (patch, back) in fitting.iter().zip(through_icc(&values, profile)) {
                worst = worst.max(delta_e_2000(lab(*patch), lab(back)));
            }
            let allowed = match format {
                format if format.bits() == 16 => 0.5,
                _ => 1.0,
            };
            told.push(format!(
                "{format:?} {profile:?}: Delta E 2000 {worst:.3}, allowed {allowed}"
            ));
            good &= worst < allowed;
        }
    }
    assert!(good, "{told:#?}");
}

const READ_FILES: &str = r#"
import io, sys
from PIL import Image, ImageCms
srgb = ImageCms.createProfile("sRGB")
for path in sys.argv[1:]:
    im = Image.open(path)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(im.info["icc_profile"]))
    there = ImageCms.profileToProfile(im.convert("RGB"), profile, srgb, renderingIntent=1)
    n = there.width // 32
    small = there.resize((n, 1), Image.BOX)
    print(" ".join(str(v) for v in small.tobytes()))
"#;

/// lcms takes every file's patches to its own sRGB by the profile that it finds in the file.
#[test]
fn lcms_reads_the_patches_of_every_kind_of_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let fitting: Vec<[f32; 3]> = PATCHES
        .into_iter()
        .filter(|&patch| in_gamut(patch, Profile::Srgb))
        .collect();
    let wanted: Vec<f32> = fractions_16(&row_of(&fitting), Profile::Srgb);
    let picture = chart(&fitting);
    let mut paths = Vec::new();
    for profile in Profile::ALL {
        for format in FORMATS {
            let (bits, ending) = (format.bits(), format.ending());
            let name = format!("{profile:?}-{bits}-{}.{ending}", paths.len());
            let path = folder.path().join(name);
            std::fs::write(&path, file_of(&picture, format, profile)).expect("writes");
            paths.push(path);
        }
    }
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has = Command::new(&python)
        .args(["-c", "import PIL.ImageCms"])
        .output();
    if !has.is_ok_and(|run| run.status.success()) {
        eprintln!("skipped: python3 has no Pillow (set PYTHON to one that has)");
        return;
    }
    let run = Command::new(python)
        .args(["-c", READ_FILES])
        .args(&paths)
        .output();
    let run = run.expect("python3 starts");
    let told = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{told}");
    let text = String::from_utf8_lossy(&run.stdout);
    assert_eq!(text.lines().count(), paths.len(), "{told}");
    for (line, path) in text.lines().zip(&paths) {
        let values = line.split(' ').map(|v| v.parse::<f32>().expect("a number"));
        for (found, wanted) in values.zip(&wanted) {
            // Pillow cuts 16 bits to 8, and lcms rounds to 8 bits once more on its way.
            let off = (found - 255.0 * wanted).abs();
            // Pillow's cutting comes on top.
            let cut = path.to_string_lossy().contains("-16-");
            let allowed = if cut { 3.0 } else { 2.0 };
            assert!(off <= allowed, "{}: {off} steps", path.display());
        }
    }
}

/// A backdrop that gets lighter by one 8-bit step over 1024 pixels: runs of equal values stay under 32
/// pixels where without dither they would have 1024, and a JPEG of it keeps its slope to 0.3 of
/// a step: where only means of blocks outlive the reader's rounding, to half a step.
#[test]
fn a_slow_backdrop_has_no_flat_steps() {
    const WIDTH: usize = 2048;
    let encoded = |x: usize| (140.0 + x as f32 / 1024.0) / 255.0;
    let mut row: Vec<f32> = (0..WIDTH).map(encoded).collect();
    Curve::Srgb.decode_all(&mut row);
    let plane = Array2::from_shape_fn((64, WIDTH), |(_, x)| row[x]);
    let picture = Linear {
        planes: [plane.clone(), plane.clone(), plane],
    };
    let bytes = encode_8(&picture, Profile::Srgb);
    for y in 0..64 {
        let (mut run, mut longest) = (1, 1);
        for x in 1..WIDTH {
            let at = |x: usize| bytes[3 * (WIDTH * y + x)];
            let between = (0.2..0.8).contains(&(255.0 * encoded(x)).fract());
            run = if at(x) == at(x - 1) && between {
                run + 1
            } else {
                1
            };
            longest = longest.max(run);
        }
        assert!(longest <= 32, "row {y}: {longest} equal values");
    }
    let file = file_of(&picture, Format::jpeg(92), Profile::Srgb);
    let back = image::load_from_memory(&file)
        .expect("readable")
        .into_rgb8();
    for first in (0..WIDTH).step_by(64) {
        let pixels = (0..64).flat_map(|y| (first..first + 64).map(move |x| (x, y)));
        let off = pixels
            .map(|(x, y)| f64::from(back[(x as u32, y)][1]) - f64::from(255.0 * encoded(x)))
            .sum::<f64>()
            / 4096.0;
        assert!(off.abs() < 0.3, "columns from {first}: {off}");
    }
}
