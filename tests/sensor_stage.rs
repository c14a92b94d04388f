//! The sensor stage against its laws and against the demosaicing protocol of `../shared/tools`.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::path::Path;

use lapel::picture::filter::gaussian;
use lapel::picture::{Linear, Ratio, Rect, Size};
use lapel::raw::{Filter, Pattern, SensorFrame};
use lapel::sensor::{self, Balance, Development};
use ndarray::{Array2, Array3};
use random::random;

#[path = "support/random.rs"]
mod random;

const RGGB: [Filter; 4] = [Filter::Red, Filter::Green, Filter::Green, Filter::Blue];

/// The 6 x 6 pattern of the usual sensors of that kind.
fn six_by_six() -> Pattern {
    let letters = "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG";
    Pattern::SixBySix(
        letters
            .chars()
            .map(|letter| match letter {
                'R' => Filter::Red,
                'G' => Filter::Green,
                _ => Filter::Blue,
            })
            .collect(),
    )
}

fn frame(samples: Array2<f32>, pattern: Pattern) -> SensorFrame {
    SensorFrame {
        balance: Some([1.0; 3]),
        ..SensorFrame::from_light(samples, pattern)
    }
}

/// Smooth light with texture, larger than a band and a tile.
fn busy(height: usize, width: usize) -> Array2<f32> {
    let mut state = 7;
    Array2::from_shape_fn((height, width), |(y, x)| {
        let wave = ((x * x / 31 + y * 3) % 97) as f32 / 97.0;
        0.05 + 0.5 * wave + 0.2 * random(&mut state)
    })
}

#[test]
fn a_window_gives_the_pixels_of_the_whole() {
    let bayer = |k: usize| Pattern::Bayer(std::array::from_fn(|i| RGGB[i ^ k]));
    let patterns = [
        bayer(0),
        bayer(1),
        bayer(2),
        bayer(3),
        six_by_six(),
        Pattern::Monochrome,
    ];
    for (pattern, denoise) in patterns
        .iter()
        .flat_map(|pattern| [(pattern, 0.0), (pattern, 0.7)])
    {
        let frame = frame(busy(300, 530), pattern.clone());
        let how = Development {
            denoise: Ratio(denoise),
            ..Development::default()
        };
        let whole = Rect::whole(Size {
            width: 530,
            height: 300,
        });
        let all = sensor::develop(&frame, whole, &how)
            .expect("a sound frame")
            .picture;
        for window in [
            Rect {
                left: 101,
                top: 77,
                width: 64,
                height: 51,
            },
            Rect {
                left: 0,
                top: 249,
                width: 33,
                height: 51,
            },
            Rect {
                left: 529,
                top: 0,
                width: 1,
                height: 300,
            },
        ] {
            let part = sensor::develop(&frame, window, &how)
                .expect("a window inside")
                .picture;
            for y in 0..window.height {
                for x in 0..window.width {
                    assert_eq!(
                        part.at(y, x).map(f32::to_bits),
                        all.at(window.top + y, window.left + x).map(f32::to_bits),
                        "{pattern:?}, denoise {denoise}, {window:?}, row {y}, column {x}"
                    );
                }
            }
        }
    }
}

#[test]
fn one_thread_gives_the_bits_of_four() {
    let frame = frame(busy(600, 200), Pattern::RGGB);
    let how = Development {
        denoise: Ratio(0.5),
        ..Development::default()
    };
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        pool.install(|| {
            sensor::develop(&frame, frame.crop, &how)
                .expect("a sound frame")
                .picture
        })
    };
    assert_eq!(run(1), run(4));
}

/// Pixel x of a small copy of w shows the frame from x / w to (x + 1) / w of its width, in all
/// colours, to its last column: what is found on the copy is read at full size.
#[test]
fn a_small_copy_lies_exactly_on_its_frame() {
    let bayer = |k: usize| Pattern::Bayer(std::array::from_fn(|i| RGGB[i ^ k]));
    // Each site stands for n sites around it, so a ramp becomes a staircase whose integral strays
    // by up to n^2 / 8, shared out over a pixel's 3 sites. Red and blue sites of the 6 x 6 pattern
    // lie unevenly besides.
    let patterns = [
        (bayer(0), 4.0 / 8.0 / 3.0),
        (bayer(3), 4.0 / 8.0 / 3.0),
        (Pattern::Monochrome, 1.0 / 8.0 / 3.0),
        (six_by_six(), 0.5),
    ];
    for ((pattern, sites), upright) in patterns.iter().flat_map(|p| [(p, false), (p, true)]) {
        let (long, short) = (5465, 31);
        let slope = 0.8 / long as f32;
        let ramp = |at: usize| 0.1 + slope * (at as f32 + 0.5);
        let samples = if upright {
            Array2::from_shape_fn((long, short), |(y, _)| ramp(y))
        } else {
            Array2::from_shape_fn((short, long), |(_, x)| ramp(x))
        };
        let frame = frame(samples, pattern.clone());
        let small = sensor::develop_small(&frame, 1800, &Development::default());
        let small = small.expect("a sound frame");
        let Size { width, height } = small.size();
        let count = width.max(height);
        assert_eq!((count, width.min(height)), (1800, 10));
        for i in 2..count - 2 {
            let expected = 0.1 + slope * (i as f32 + 0.5) * long as f32 / count as f32;
            let found = if upright {
                small.at(i, 5)
            } else {
                small.at(5, i)
            };
            for value in found {
                let apart = (value - expected).abs() / slope;
                assert!(
                    apart < *sites,
                    "{pattern:?}: {apart} sites at {i} of {count}"
                );
            }
        }
    }
}

/// A grey that grows brighter than the sensor holds stays grey, and never darkens.
#[test]
fn clipped_highlights_are_not_pink() {
    let gains = [2.05, 1.0, 1.55];
    let width = 400;
    let light = |x: usize| 3.0 * x as f32 / width as f32;
    let samples = Array2::from_shape_fn((40, width), |(y, x)| {
        let colour = RGGB[y % 2 * 2 + x % 2] as usize;
        (light(x) / gains[colour]).min(1.0)
    });
    let mut frame = frame(samples, Pattern::RGGB);
    frame.balance = Some(gains);
    let developed =
        sensor::develop(&frame, frame.crop, &Development::default()).expect("a sound frame");
    assert!(developed.notes.clipped.0 > 0.3);
    let mut brightest: f32 = 0.0;
    for x in 8..width - 8 {
        let [r, g, b] = developed.picture.at(20, x);
        let (high, low) = (r.max(g).max(b), r.min(g).min(b));
        assert!(
            high - low <= 0.03 * high,
            "{r} {g} {b} at light {}",
            light(x)
        );
        assert!(g > 0.98 * brightest, "darker at light {}", light(x));
        brightest = brightest.max(g);
    }
    // Red holds out longest, to 2.05: so much is recovered.
    assert!((brightest - 2.05).abs() < 0.03, "{brightest}");
}

#[test]
fn a_grey_patch_gives_its_gains_and_they_make_it_grey() {
    let samples = Array2::from_shape_fn((64, 64), |(y, x)| {
        [0.2, 0.4, 0.1][RGGB[y % 2 * 2 + x % 2] as usize]
    });
    let frame = frame(samples, Pattern::RGGB);
    let patch = Rect {
        left: 9,
        top: 8,
        width: 20,
        height: 20,
    };
    let gains = sensor::balance_of_patch(&frame, patch).expect("a lit patch");
    for (gain, expected) in gains.into_iter().zip([2.0, 1.0, 4.0]) {
        assert!((gain - expected).abs() < 1e-5);
    }
    let how = Development {
        balance: Balance::Gains(gains),
        ..Development::default()
    };
    for picture in [
        sensor::develop(&frame, patch, &how)
            .expect("a sound frame")
            .picture,
        sensor::develop_small(&frame, 16, &how).expect("a sound frame"),
    ] {
        for value in picture.planes.iter().flatten() {
            assert!((value - 0.4).abs() < 1e-4, "{value}");
        }
    }
}

/// A frame whose noise is made: variance a x + b, as sensors have it.
#[test]
fn noise_is_found_within_a_tenth() {
    for (a, b) in [(2.0e-5_f32, 2.0e-8_f32), (3.2e-4, 5.0e-7), (1.3e-3, 8.0e-6)] {
        let mut state = 3;
        let samples = Array2::from_shape_fn((480, 640), |(y, x)| {
            let light = 0.01 + 0.8 * (x as f32 / 640.0) * (1.0 - 0.3 * y as f32 / 480.0);
            let normal: f32 = (0..12).map(|_| random(&mut state)).sum::<f32>() - 6.0;
            light + (a * light + b).sqrt() * normal
        });
        let frame = frame(samples, Pattern::RGGB);
        let found = sensor::noise_of(&frame, true)
            .expect("a sound frame")
            .expect("calm places");
        for light in [0.02, 0.10, 0.50] {
            let ratio = ((found[1][0] * light + found[1][1]) / (a * light + b)).sqrt();
            assert!(
                (0.9..1.1).contains(&ratio),
                "a {a}, b {b}, light {light}: {ratio}"
            );
        }
    }
}

#[test]
fn what_makes_no_sense_is_refused() {
    let mut frame = frame(busy(16, 16), Pattern::RGGB);
    let how = Development::default();
    for window in [
        Rect {
            left: 0,
            top: 0,
            width: 17,
            height: 16,
        },
        Rect {
            left: 16,
            top: 0,
            width: 1,
            height: 1,
        },
        Rect {
            left: 0,
            top: 0,
            width: 0,
            height: 4,
        },
        Rect {
            left: usize::MAX,
            top: 0,
            width: 2,
            height: 2,
        },
    ] {
        assert!(sensor::develop(&frame, window, &how).is_err(), "{window:?}");
    }
    let nonsense = Development {
        balance: Balance::Gains([0.0, 1.0, 1.0]),
        ..how.clone()
    };
    assert!(sensor::develop(&frame, frame.crop, &nonsense).is_err());
    frame.white = [f32::NAN; 3];
    assert!(sensor::develop(&frame, frame.crop, &how).is_err());
}

fn decoded(v: f64) -> f64 {
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

fn encoded(v: f64) -> f64 {
    let v = v.clamp(0.0, 1.0);
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

/// PSNR per picture by the protocol of `../shared/tools/README.md`, without noise.
fn scores(pattern: &Pattern) -> Option<Vec<(String, f64)>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/tools/pictures");
    let mut names: Vec<_> = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|end| end == "png"))
        .collect();
    names.sort();
    Some(
        names
            .iter()
            .map(|path| {
                (
                    path.file_stem()
                        .expect("a name")
                        .to_string_lossy()
                        .into_owned(),
                    score(path, pattern),
                )
            })
            .collect(),
    )
}

fn score(path: &Path, pattern: &Pattern) -> f64 {
    let truth = image::open(path).expect("a picture").to_rgb8();
    let (width, height) = (
        truth.width() as usize / 2 * 2,
        truth.height() as usize / 2 * 2,
    );
    let filters = match pattern {
        Pattern::Bayer(filters) => filters.to_vec(),
        Pattern::SixBySix(filters) => filters.clone(),
        _ => unreachable!("mosaics only"),
    };
    let side = if filters.len() == 4 { 2 } else { 6 };
    let at = |y: usize, x: usize, c: usize| f64::from(truth[(x as u32, y as u32)][c]) / 255.0;
    let mosaic = Array2::from_shape_fn((height, width), |(y, x)| {
        decoded(at(y, x, filters[y % side * side + x % side] as usize)) as f32
    });
    let frame = frame(mosaic, pattern.clone());
    let out: Linear =
        sensor::demosaic(&frame, frame.crop, [1.0; 3], Ratio(0.0), None).expect("sound");
    let (mut sum, mut count) = (0.0, 0.0);
    for y in 8..height - 8 {
        for x in 8..width - 8 {
            for (c, value) in out.at(y, x).into_iter().enumerate() {
                let error = encoded(f64::from(value)) - at(y, x, c);
                sum += error * error;
                count += 1.0;
            }
        }
    }
    -10.0 * (sum / count).log10()
}

fn mean(scores: &[(String, f64)]) -> f64 {
    scores.iter().map(|score| score.1).sum::<f64>() / scores.len() as f64
}

/// Floor of the protocol: 35.15 dB (Menon 2007, colour-demosaicing 0.2.7), 28.2 on its knit; reached: 37.62,
/// 34.98 on hair and 31.46 on knit.
#[test]
fn bayer_mosaics_are_filled_in_well() {
    let Some(scores) = scores(&Pattern::RGGB) else {
        eprintln!("skipped: ../shared/tools/pictures is not here");
        return;
    };
    assert!(mean(&scores) > 37.5, "{scores:#?}");
    for (name, least) in [("pattern_hair", 34.9), ("pattern_knit", 31.3)] {
        let found = scores
            .iter()
            .find(|score| score.0 == name)
            .expect("a test picture")
            .1;
        assert!(found > least, "{name}: {found}");
    }
}

/// The net that takes noise off against PyTorch, which gave the arrays (`src/sensor/models/golden.py`).
#[test]
fn noise_is_taken_off_as_by_an_outside_runner() {
    let path = |name: &str| {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/demosaic");
        format!("{folder}/learned_{name}.npy")
    };
    let mosaic: Array2<f32> = ndarray_npy::read_npy(path("mosaic")).expect("shipped");
    let frame = frame(mosaic, Pattern::RGGB);
    let noise = [[2.0e-3, 4.0e-5], [1.0e-3, 1.0e-5], [1.5e-3, 2.25e-5]];
    let expected: Array3<f32> = ndarray_npy::read_npy(path("noisy")).expect("shipped");
    let found = sensor::demosaic(&frame, frame.crop, [1.0; 3], Ratio(1.0), Some(noise));
    let found = found.expect("a sound frame");
    for ((y, x, c), &expected) in expected.indexed_iter() {
        let found = found.at(y, x)[c];
        assert!(
            (found - expected).abs() < 1e-4,
            "row {y}, column {x}, colour {c}: {found} instead of {expected}"
        );
    }
}

/// Against arrays of an outside library: colour-demosaicing 0.2.7 on an eye of a rendered sitter, written by
/// `tests/data/demosaic/make.py` (31.13 dB bilinear, 34.65 dB by Menon 2007, linear light).
#[test]
fn an_eye_comes_nearer_to_the_truth_than_by_an_outside_library() {
    let load = |name: &str| -> Array3<f32> {
        let path = format!(
            "{}/tests/data/demosaic/{name}.npy",
            env!("CARGO_MANIFEST_DIR")
        );
        ndarray_npy::read_npy(path).expect("shipped with the project")
    };
    let (truth, menon) = (load("truth"), load("menon"));
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/data/demosaic/mosaic.npy"
    );
    let mosaic: Array2<f32> = ndarray_npy::read_npy(path).expect("shipped with the project");
    let frame = frame(mosaic, Pattern::RGGB);
    let ours = sensor::demosaic(&frame, frame.crop, [1.0; 3], Ratio(0.0), None).expect("sound");
    let psnr = |at: &dyn Fn(usize, usize, usize) -> f32| {
        let (mut sum, mut count) = (0.0, 0.0);
        for ((y, x, c), &truth) in truth.indexed_iter() {
            if (8..56).contains(&y) && (8..56).contains(&x) {
                sum += f64::from(at(y, x, c) - truth).powi(2);
                count += 1.0;
            }
        }
        -10.0 * f64::log10(sum / count)
    };
    let theirs = psnr(&|y, x, c| menon[[y, x, c]]);
    let ours = psnr(&|y, x, c| ours.at(y, x)[c]);
    // The stored array is what the library printed when it was made.
    assert!((theirs - 34.652).abs() < 0.01, "{theirs}");
    assert!(ours > theirs, "{ours} against {theirs}");
}

/// Bilinear on the same mosaics: the mean of the own colour within 3 x 3 sites, weighted 1 2 1 each way
/// (scipy.ndimage on square roots, the best of three kernels): 27.43 dB. Reached: see the assertion.
#[test]
fn six_by_six_mosaics_are_filled_in_decently() {
    let Some(scores) = scores(&six_by_six()) else {
        eprintln!("skipped: ../shared/tools/pictures is not here");
        return;
    };
    assert!(mean(&scores) > 27.43 + 2.8, "{}", mean(&scores));
}

/// A picture's mosaic as the camera of the protocol delivers it, and the picture, encoded.
/// `read`: read noise in electrons.
fn noisy(
    light: &[Array2<f32>; 3],
    gains: [f32; 3],
    electrons: f32,
    read: f32,
    balanced: bool,
) -> Array2<f32> {
    let mut state = 11;
    let (height, width) = light[0].dim();
    Array2::from_shape_fn((height / 2 * 2, width / 2 * 2), |(y, x)| {
        let colour = RGGB[y % 2 * 2 + x % 2] as usize;
        let value = light[colour][[y, x]] / gains[colour];
        let normal: f32 = (0..12).map(|_| random(&mut state)).sum::<f32>() - 6.0;
        let deviation = (value * electrons + read * read).sqrt() / electrons;
        let value = value + deviation * normal;
        if balanced {
            value * gains[colour]
        } else {
            value.min(1.0)
        }
    })
}

/// A picture's name and its linear red, green and blue.
type Picture = (String, [Array2<f32>; 3]);

/// The pictures of the protocol in linear light.
fn pictures() -> Option<Vec<Picture>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/tools/pictures");
    let mut names: Vec<_> = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|end| end == "png"))
        .collect();
    names.sort();
    let read = |path: &Path| {
        let picture = image::open(path).expect("a picture").to_rgb8();
        let size = (picture.height() as usize, picture.width() as usize);
        [0, 1, 2].map(|c| {
            Array2::from_shape_fn(size, |(y, x)| {
                decoded(f64::from(picture[(x as u32, y as u32)][c]) / 255.0) as f32
            })
        })
    };
    let name = |path: &Path| {
        path.file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned()
    };
    Some(names.iter().map(|path| (name(path), read(path))).collect())
}

const GAINS: [f32; 3] = [2.05, 1.0, 1.55];

/// Estimated over true deviation of green's noise at a tenth of full scale, smallest first. `balanced` as
/// in [`noisy`]: then each colour has a line of its own.
fn noise_ratios(
    pictures: &[Picture],
    [electrons, read]: [f32; 2],
    balanced: bool,
) -> Vec<(f32, &str)> {
    let truth = 0.1 / electrons + (read / electrons).powi(2);
    let ratio = |(name, light): &Picture| {
        let mosaic = noisy(light, GAINS, electrons, read, balanced);
        let found = sensor::noise_of(&frame(mosaic, Pattern::RGGB), !balanced);
        let [a, b] = found
            .expect("a sound frame")
            .unwrap_or_else(|| panic!("{name}: none"))[1];
        ((a * 0.1 + b) / truth).sqrt()
    };
    let named = pictures
        .iter()
        .map(|picture| (ratio(picture), picture.0.as_str()));
    let mut ratios: Vec<_> = named.collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    ratios
}

/// Frames as `noise_frames.py` of `../shared/tools` makes them, whose yardstick is 19 % off in the
/// median at ISO 100 and, on one picture, 3.4 times too high. Here: 5 % and 25 %.
#[test]
fn noise_of_pictures_is_found() {
    let Some(pictures) = pictures() else {
        eprintln!("skipped: ../shared/tools/pictures is not here");
        return;
    };
    for iso in [100.0_f32, 800.0, 6400.0] {
        let electrons = 50_000.0 * 100.0 / iso;
        let read = (2.2_f32.powi(2) + (7.0 * 100.0 / iso).powi(2)).sqrt();
        let light = |(name, light): &Picture| {
            let soft = |plane: &Array2<f32>| gaussian(plane.view(), 1.5) * 0.9;
            (name.clone(), light.each_ref().map(soft))
        };
        let pictures: Vec<Picture> = pictures.iter().map(light).collect();
        let ratios = noise_ratios(&pictures, [electrons, read], false);
        let median = 0.5 * (ratios[5].0 + ratios[6].0);
        assert!((0.95..1.05).contains(&median), "ISO {iso}: {ratios:?}");
        assert!(
            ratios[0].0 > 0.8 && ratios[11].0 < 1.25,
            "ISO {iso}: {ratios:?}"
        );
    }
}

/// The middle 192 x 192 of a picture.
fn middle(light: &[Array2<f32>; 3]) -> [Array2<f32>; 3] {
    light.each_ref().map(|plane| {
        let (top, left) = ((plane.nrows() - 192) / 2, (plane.ncols() - 192) / 2);
        Array2::from_shape_fn((192, 192), |(y, x)| plane[[top + y, left + x]])
    })
}

/// Sharp textures fill the middle 192 x 192 of each picture: green's noise at a tenth of full scale is
/// found within a seventh in the median, and within three tenths everywhere, though
/// the pictures' own grain counts as noise. Variances are those that `noisy` makes.
#[test]
fn noise_of_sharp_crops_is_found() {
    let Some(pictures) = pictures() else {
        eprintln!("skipped: ../shared/tools/pictures is not here");
        return;
    };
    for electrons in [1000.0_f32, 250.0] {
        let crops = pictures
            .iter()
            .map(|(name, light)| (name.clone(), middle(light)));
        let crops: Vec<Picture> = crops.collect();
        let ratios = noise_ratios(&crops, [electrons, 3.0], true);
        let median = 0.5 * (ratios[5].0 + ratios[6].0);
        assert!((0.86..1.15).contains(&median), "{electrons}: {ratios:?}");
        assert!(
            ratios[0].0 > 0.75 && ratios[11].0 < 1.3,
            "{electrons}: {ratios:?}"
        );
    }
}

/// Middle 192 x 192 of each picture, noise found in the frame itself. References of
/// `../shared/tools/README.md`, told the noise: residual interpolation, then non-local means, 34.11,
/// 32.51 and 29.34 dB; then BM3D 32.86 and 29.37 at the last two.
#[test]
fn noise_is_taken_off_well() {
    let Some(pictures) = pictures() else {
        eprintln!("skipped: ../shared/tools/pictures is not here");
        return;
    };
    for (electrons, floor) in [(4000.0, 35.0), (1000.0, 32.95), (250.0, 29.45)] {
        let scores: Vec<(&str, f64)> = pictures
            .iter()
            .map(|(name, light)| {
                let light = middle(light);
                let frame = frame(noisy(&light, GAINS, electrons, 3.0, true), Pattern::RGGB);
                let noise = sensor::noise_of(&frame, false).expect("a sound frame");
                let out = sensor::demosaic(&frame, frame.crop, [1.0; 3], Ratio(1.0), noise)
                    .expect("a sound frame");
                let (mut sum, mut count) = (0.0, 0.0);
                for y in 8..184 {
                    for x in 8..184 {
                        for (c, value) in out.at(y, x).into_iter().enumerate() {
                            let truth = encoded(f64::from(light[c][[y, x]]));
                            sum += (encoded(f64::from(value)) - truth).powi(2);
                            count += 1.0;
                        }
                    }
                }
                (name.as_str(), -10.0 * (sum / count).log10())
            })
            .collect();
        let mean = scores.iter().map(|score| score.1).sum::<f64>() / scores.len() as f64;
        assert!(mean > floor, "{electrons} electrons: {mean}, {scores:?}");
    }
}
