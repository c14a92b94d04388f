//! What the four retouching operations promise, on drawn skin whose truth is known.

use lapel::operations::contrast_sculpting::ContrastSculpting;
use lapel::operations::heal::Heal;
use lapel::operations::skin_smoothing::SkinSmoothing;
use lapel::operations::tone_evening::ToneEvening;
use lapel::operations::{Findings, Scene};
use lapel::picture::{EyeSpans, Oklab, Point, Ratio, Scale, Size};
use lapel::regions::{Marks, Matte, Region, Regions};
use ndarray::Array2;

const SIZE: Size = Size {
    width: 300,
    height: 360,
};
/// Pixels per eye span.
const SPAN: f32 = 100.0;
/// Light skin in Oklab.
const SKIN: [f32; 3] = [0.75, 0.045, 0.05];

/// Distance from the middle of the face in units of its outline: 1 on the edge.
fn outline(y: usize, x: usize) -> f32 {
    let (dx, dy) = ((x as f32 - 150.0) / 115.0, (y as f32 - 180.0) / 150.0);
    (dx * dx + dy * dy).sqrt()
}

fn regions() -> Regions {
    let skin = Array2::from_shape_fn((SIZE.height, SIZE.width), |(y, x)| {
        ((1.0 - outline(y, x)) * 60.0).clamp(0.0, 1.0)
    });
    let at = |x: f32, y: f32| Point { x, y };
    let eyes = [at(100.0, 140.0), at(200.0, 140.0)];
    Regions {
        size: SIZE,
        marks: Some(Marks {
            eyes,
            iris_radius: [9.0; 2],
            eye_corners: [
                at(80.0, 140.0),
                at(120.0, 140.0),
                at(180.0, 140.0),
                at(220.0, 140.0),
            ],
            mouth: [at(115.0, 255.0), at(185.0, 255.0)],
            nose: at(150.0, 205.0),
            chin: at(150.0, 320.0),
            crown: at(150.0, 30.0),
            mesh: Vec::new(),
            turn: 0.0,
            tilt: 0.0,
            openness: [0.3; 2],
        }),
        mattes: vec![(Region::FaceSkin, Matte::exact(skin))],
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    }
}

/// Skin with `change` added, in front of grey; with a little even noise, the same every time.
fn face(change: impl Fn(f32, f32) -> [f32; 3]) -> Oklab {
    let mut picture = Oklab::filled(SIZE, [0.5, 0.0, 0.0]);
    let mut state = 1_u32;
    for y in 0..SIZE.height {
        for x in 0..SIZE.width {
            // Numerical Recipes' linear congruential generator.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = ((state >> 8) as f32 / 16_777_216.0 - 0.5) * 0.004;
            if outline(y, x) < 1.0 {
                let change = change(x as f32 + 0.5, y as f32 + 0.5);
                let grain = [noise, noise * 0.2, noise * 0.2];
                for c in 0..3 {
                    picture.planes[c][[y, x]] = SKIN[c] + change[c] + grain[c];
                }
            }
        }
    }
    picture
}

fn lively() -> Oklab {
    face(|x, y| {
        let wave = (x / 12.0).sin() * (y / 9.0).cos();
        let light = (150.0 - x) / 150.0;
        [
            0.02 * wave + 0.12 * light,
            0.004 * wave + 0.01 * (y / 40.0).sin(),
            0.002 * wave,
        ]
    })
}

fn disc(x: f32, y: f32, centre: (f32, f32), radius: f32) -> f32 {
    let distance = ((x - centre.0).powi(2) + (y - centre.1).powi(2)).sqrt() / radius;
    ((1.15 - distance) / 0.85).clamp(0.0, 1.0)
}

fn skin_mean(picture: &Oklab) -> [f32; 3] {
    let mut sum = [0.0; 4];
    for y in 0..SIZE.height {
        for x in 0..SIZE.width {
            if outline(y, x) < 1.0 {
                let value = picture.at(y, x);
                for c in 0..3 {
                    sum[c] += f64::from(value[c]);
                }
                sum[3] += 1.0;
            }
        }
    }
    [0, 1, 2].map(|c| (sum[c] / sum[3]) as f32)
}

type Apply = Box<dyn Fn(&mut Oklab, &Scene) -> Findings + Send + Sync>;

/// Each operation as it comes and at full strength.
fn operations() -> Vec<(&'static str, Apply)> {
    vec![
        ("heal", Box::new(|p, s| Heal::default().apply(p, s))),
        (
            "heal, all",
            Box::new(|p, s| {
                Heal {
                    sensitivity: Ratio(1.0),
                    ..Heal::default()
                }
                .apply(p, s)
            }),
        ),
        (
            "smoothing",
            Box::new(|p, s| SkinSmoothing::default().apply(p, s)),
        ),
        (
            "smoothing, full",
            Box::new(|p, s| {
                SkinSmoothing {
                    strength: Ratio(1.0),
                }
                .apply(p, s)
            }),
        ),
        (
            "evening",
            Box::new(|p, s| ToneEvening::default().apply(p, s)),
        ),
        (
            "evening, full and narrow",
            Box::new(|p, s| {
                ToneEvening {
                    strength: Ratio(1.0),
                    radius: EyeSpans(0.03),
                }
                .apply(p, s)
            }),
        ),
        (
            "evening, full and wide",
            Box::new(|p, s| {
                ToneEvening {
                    strength: Ratio(1.0),
                    radius: EyeSpans(0.5),
                }
                .apply(p, s)
            }),
        ),
        (
            "sculpting",
            Box::new(|p, s| ContrastSculpting::default().apply(p, s)),
        ),
    ]
}

fn with_scene<R>(work: impl FnOnce(&Scene) -> R) -> R {
    let regions = regions();
    work(&Scene {
        scale: Scale(SPAN),
        regions: &regions,
    })
}

#[test]
fn neutral_settings_change_no_bit() {
    with_scene(|scene| {
        let before = lively();
        let mut after = before.clone();
        Heal::neutral().apply(&mut after, scene);
        SkinSmoothing::neutral().apply(&mut after, scene);
        ToneEvening::neutral().apply(&mut after, scene);
        ContrastSculpting::neutral().apply(&mut after, scene);
        assert_eq!(before, after);
    });
}

#[test]
fn nothing_outside_of_skin_changes_and_all_stays_finite() {
    with_scene(|scene| {
        let before = lively();
        for (name, apply) in operations() {
            let mut after = before.clone();
            apply(&mut after, scene);
            for c in 0..3 {
                for ((y, x), value) in after.planes[c].indexed_iter() {
                    assert!(value.is_finite(), "{name} at {x}, {y}");
                    if outline(y, x) >= 1.0 {
                        let was = before.planes[c][[y, x]];
                        assert_eq!(value.to_bits(), was.to_bits(), "{name} at {x}, {y}");
                    }
                }
            }
        }
    });
}

#[test]
fn one_thread_gives_the_bits_of_many() {
    with_scene(|scene| {
        for (name, apply) in operations() {
            let run = |threads| {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
                let mut picture = lively();
                let findings = pool.expect("a pool").install(|| apply(&mut picture, scene));
                (picture, findings)
            };
            assert!(run(1) == run(3), "{name}");
        }
    });
}

#[test]
fn without_skin_nothing_happens() {
    let mut regions = regions();
    regions.mattes.clear();
    let scene = Scene {
        scale: Scale(SPAN),
        regions: &regions,
    };
    let before = lively();
    for (name, apply) in operations() {
        let mut after = before.clone();
        apply(&mut after, &scene);
        assert!(before == after, "{name}");
    }
}

/// An even low wave, all blotch with no form beside it, loses more than the half that a face's
/// blotches lose (`tests/retouch_office.rs`); finer waves stay.
#[test]
fn smoothing_halves_blotches_and_keeps_texture() {
    let (fine, blotch) = (3.0_f32, 36.0_f32);
    let wave = |length: f32, x: f32| (x * std::f32::consts::TAU / length).sin();
    let amplitude = |picture: &Oklab, length: f32| {
        // Over whole waves of both lengths, away from the edges.
        let (mut s, mut c) = (0.0, 0.0);
        for y in 120..240 {
            for x in 96..204 {
                let angle = (x as f32 + 0.5) * std::f32::consts::TAU / length;
                let light = picture.planes[0][[y, x]] - SKIN[0];
                s += f64::from(light * angle.sin());
                c += f64::from(light * angle.cos());
            }
        }
        (s * s + c * c).sqrt()
    };
    with_scene(|scene| {
        let before = face(|x, _| [0.01 * wave(fine, x) + 0.012 * wave(blotch, x), 0.0, 0.0]);
        let mut after = before.clone();
        let findings = SkinSmoothing::default().apply(&mut after, scene);
        let energy = |length| (amplitude(&after, length) / amplitude(&before, length)).powi(2);
        assert!(energy(fine) > 0.97, "texture kept {}", energy(fine));
        assert!(
            (0.15..0.5).contains(&energy(blotch)),
            "blotches kept {}",
            energy(blotch)
        );
        // What it tells is what was measured here.
        let (name, told) = &findings.figures[0];
        assert_eq!(name, "blotches kept");
        assert!((f64::from(*told) - energy(blotch)).abs() < 0.1, "{told}");

        let mut full = before.clone();
        SkinSmoothing {
            strength: Ratio(1.0),
        }
        .apply(&mut full, scene);
        assert!(
            amplitude(&full, fine) > 0.97 * amplitude(&before, fine),
            "pores go"
        );
        assert!(amplitude(&full, blotch) < 0.35 * amplitude(&before, blotch));
    });
}

/// What is lighter on one side of an edge stays so all the way: no ridge beside a nostril, a jaw's
/// shadow or the rim of a pair of glasses.
#[test]
fn smoothing_leaves_no_halo_at_edges() {
    with_scene(|scene| {
        for height in [0.05_f32, 0.1, 0.2, 0.4] {
            // As soft as a lens leaves it: about three pixels.
            let before = face(|x, _| {
                let side = ((x - 150.0) / 3.0).tanh();
                [-height * (0.5 + 0.5 * side), 0.0, 0.0]
            });
            for strength in [0.4, 1.0] {
                let mut after = before.clone();
                SkinSmoothing {
                    strength: Ratio(strength),
                }
                .apply(&mut after, scene);
                // Means of columns, so that the grain does not count.
                let column = |x: usize| {
                    let rows = 150..210;
                    let count = rows.len() as f32;
                    rows.map(|y| after.planes[0][[y, x]]).sum::<f32>() / count
                };
                let (mut lowest, mut ridge) = (f32::MAX, 0.0_f32);
                for x in 90..210 {
                    lowest = lowest.min(column(x));
                    ridge = ridge.max(column(x) - lowest);
                }
                // Half of what an eye can see in L*, 1 in a hundred: about 0.005 in Oklab.
                assert!(ridge < 0.005, "{height} at {strength}: a ridge of {ridge}");
            }
        }
    });
}

#[test]
fn evening_takes_redness_back_and_keeps_mean_and_light() {
    with_scene(|scene| {
        let cheek = |x, y| disc(x, y, (105.0, 210.0), 30.0);
        let before = face(|x, y| {
            [
                0.1 * (150.0 - x) / 150.0 - 0.01 * cheek(x, y),
                0.02 * cheek(x, y),
                0.0,
            ]
        });
        let mut after = before.clone();
        let findings = ToneEvening::default().apply(&mut after, scene);
        let redder = |p: &Oklab| {
            p.at(210, 105)[1] / p.at(210, 105)[0] - p.at(210, 195)[1] / p.at(210, 195)[0]
        };
        assert!(redder(&after) < 0.8 * redder(&before));
        assert!(redder(&after) > 0.4 * redder(&before));
        for (now, was) in skin_mean(&after).into_iter().zip(skin_mean(&before)) {
            // 0.002 in Oklab is about 0.2 of Delta E 2000 on skin.
            assert!((now - was).abs() < 0.002, "{now} {was}");
        }
        let (name, kept) = &findings.figures[0];
        assert_eq!(name, "key to shadow kept");
        assert!((0.95..=1.05).contains(kept), "{kept}");
    });
}

#[test]
fn sculpting_keeps_colour_and_mean() {
    with_scene(|scene| {
        let before = lively();
        let mut after = before.clone();
        ContrastSculpting::default().apply(&mut after, scene);
        for y in (60..300).step_by(7) {
            for x in (90..210).step_by(7) {
                let (new, old) = (after.at(y, x), before.at(y, x));
                for c in [1, 2] {
                    assert!((new[c] / new[0] - old[c] / old[0]).abs() < 1e-5);
                }
            }
        }
        assert!((skin_mean(&after)[0] - skin_mean(&before)[0]).abs() < 0.01);
        assert!(before != after);
    });
}

#[test]
fn healing_finds_the_red_spot_and_leaves_the_mole_unless_listed() {
    let (spot, mole) = ((110.0, 210.0), (190.0, 220.0));
    let drawn = |spots: f32| {
        face(|x, y| {
            let (red, dark) = (spots * disc(x, y, spot, 3.5), spots * disc(x, y, mole, 3.0));
            [
                -0.05 * red - 0.2 * dark,
                0.04 * red - 0.005 * dark,
                0.012 * red - 0.01 * dark,
            ]
        })
    };
    let (clean, before) = (drawn(0.0), drawn(1.0));
    with_scene(|scene| {
        let mut after = before.clone();
        let findings = Heal::default().apply(&mut after, scene);
        assert_eq!(findings.places.len(), 1, "{findings:?}");
        let (centre, radius) = findings.places[0];
        assert!(
            centre.distance(Point {
                x: spot.0,
                y: spot.1
            }) < 1.5
        );
        assert!((3.5..9.0).contains(&radius), "{radius}");
        for (y, x) in [(210, 110), (212, 108), (207, 111)] {
            for c in 0..3 {
                let off = after.at(y, x)[c] - clean.at(y, x)[c];
                // Twice the grain's height, or it is not real texture.
                assert!(off.abs() < 0.008, "plane {c} at {x}, {y}: {off}");
            }
        }
        assert_eq!(
            after.at(220, 190),
            before.at(220, 190),
            "the mole is the sitter's"
        );

        let mut heal = Heal::default();
        heal.set("spots", "[(x: 0.6333, y: 0.6111, radius: 0.05)]")
            .expect("a good list");
        let mut after = before.clone();
        let findings = heal.apply(&mut after, scene);
        assert_eq!(findings.places.len(), 2);
        assert!((after.at(220, 190)[0] - SKIN[0]).abs() < 0.02);
    });
}

#[test]
fn bad_spots_are_refused() {
    for text in [
        "[(x: 1.5, y: 0.5, radius: 0.05)]",
        "[(x: 0.5, y: NaN, radius: 0.05)]",
        "[(x: 0.5, y: 0.5, radius: 9.0)]",
        "[(x: 0.5, y: 0.5)]",
        "[(x: 0.5, y: 0.5, radius: 0.05, colour: 1)]",
    ] {
        let mut heal = Heal::default();
        assert!(heal.set("spots", text).is_err(), "{text}");
        assert_eq!(heal, Heal::default());
    }
}

/// The drawn face with one more region, a disc of 18 pixels around a place.
fn regions_with(region: Region, (x, y): (f32, f32)) -> Regions {
    let mut regions = regions();
    let part = Array2::from_shape_fn((SIZE.height, SIZE.width), |(row, column)| {
        let (dx, dy) = (column as f32 + 0.5 - x, row as f32 + 0.5 - y);
        if dx * dx + dy * dy < 18.0 * 18.0 {
            1.0
        } else {
            0.0
        }
    });
    regions.mattes.push((region, Matte::exact(part)));
    regions
}

/// A spot as red as a blemish, on whatever is no skin, is not healed; on skin it is.
#[test]
fn healing_keeps_off_brows_lashes_lips_beard_jewellery_and_glasses() {
    let spot = (110.0, 215.0);
    let drawn = face(|x, y| {
        let red = disc(x, y, spot, 3.5);
        [-0.05 * red, 0.04 * red, 0.012 * red]
    });
    let places = |regions: &Regions| {
        let mut picture = drawn.clone();
        let scene = Scene {
            scale: Scale(SPAN),
            regions,
        };
        let findings = Heal {
            sensitivity: Ratio(1.0),
            ..Heal::default()
        }
        .apply(&mut picture, &scene);
        findings.places.len()
    };
    assert_eq!(places(&regions()), 1);
    // Beards are hair; jewellery and glasses are worn; lashes stand in the eyes' mattes.
    for region in [
        Region::Brows,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
        Region::Hair,
        Region::Worn,
    ] {
        assert_eq!(places(&regions_with(region, spot)), 0, "{region:?}");
    }
    // Just outside of a part there is no room for a clean rim either.
    for region in [Region::Brows, Region::Lips, Region::Worn] {
        let beside = regions_with(region, (spot.0 + 19.5, spot.1));
        assert_eq!(places(&beside), 0, "beside {region:?}");
    }
}

/// What belongs to a person stays: a tattoo's lines, a nostril, a lash, a raised mole with its light and
/// its dark side, a reflection; even where all that is faint is looked for.
#[test]
fn healing_leaves_what_belongs_to_a_person() {
    let at = (105.0, 215.0);
    type Mark = Box<dyn Fn(f32, f32) -> [f32; 3]>;
    let marks: [(&str, Mark); 6] = [
        (
            "a tattoo's lines",
            Box::new(move |x, y| {
                let ring = ((x - at.0).hypot(y - at.1) - 9.0).abs() < 1.5 || (x - at.0).abs() < 1.5;
                let on = if ring && (x - at.0).hypot(y - at.1) < 12.0 {
                    1.0
                } else {
                    0.0
                };
                [-0.35 * on, -0.03 * on, -0.05 * on]
            }),
        ),
        (
            "a nostril",
            Box::new(move |x, y| {
                let on = disc(x, y, at, 6.0);
                [-0.4 * on, 0.01 * on, 0.0]
            }),
        ),
        (
            "a lash",
            Box::new(move |x, y| {
                let on = if (y - at.1 - 0.2 * (x - at.0)).abs() < 1.2 && (x - at.0).abs() < 10.0 {
                    1.0
                } else {
                    0.0
                };
                [-0.3 * on, -0.01 * on, -0.02 * on]
            }),
        ),
        (
            // Brown, a lit and a dark side: as one beside a real sitter's brow.
            "a raised mole",
            Box::new(move |x, y| {
                let on = disc(x, y, at, 5.0);
                let side = ((at.0 - x) / 5.0).clamp(-1.0, 1.0);
                [(0.09 * side - 0.08) * on, 0.012 * on, 0.03 * on]
            }),
        ),
        (
            "a brown mole",
            Box::new(move |x, y| {
                let on = disc(x, y, at, 4.0);
                [-0.15 * on, 0.004 * on, 0.0]
            }),
        ),
        (
            "a reflection",
            Box::new(move |x, y| {
                let on = disc(x, y, at, 4.0);
                [0.12 * on, -0.01 * on, -0.02 * on]
            }),
        ),
    ];
    with_scene(|scene| {
        for (name, mark) in marks {
            let mut picture = face(mark);
            let findings = Heal {
                sensitivity: Ratio(1.0),
                ..Heal::default()
            }
            .apply(&mut picture, scene);
            assert!(findings.places.is_empty(), "{name}: {findings:?}");
        }
    });
}

#[test]
fn a_place_to_leave_is_left() {
    let drawn = face(|x, y| {
        let red = disc(x, y, (110.0, 210.0), 3.5);
        [-0.05 * red, 0.04 * red, 0.012 * red]
    });
    with_scene(|scene| {
        let mut heal = Heal::default();
        heal.set("leave", "[(x: 0.3667, y: 0.5833, radius: 0.06)]")
            .expect("a good list");
        let mut after = drawn.clone();
        assert!(heal.apply(&mut after, scene).places.is_empty());
        assert!(after == drawn);
    });
}

/// A listed spot on striped cloth is filled with cloth whose stripes go on, and one on the wall with
/// wall; what stands beside them is not touched, and two neighbours get different texture.
#[test]
fn listed_spots_are_cloned_from_their_own_material() {
    let mut regions = regions();
    let cloth = Array2::from_shape_fn(
        (SIZE.height, SIZE.width),
        |(y, _)| {
            if y >= 300 { 1.0 } else { 0.0 }
        },
    );
    regions
        .mattes
        .push((Region::Clothing, Matte::exact(cloth.clone())));
    regions.mattes.push((Region::Person, Matte::exact(cloth)));
    let mut state = 7_u32;
    let mut clean = Oklab::zeros(SIZE);
    for ((y, x), v) in clean.planes[0].indexed_iter_mut() {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let grain = ((state >> 8) as f32 / 16_777_216.0 - 0.5) * 0.01;
        let stripe = if x % 12 < 2 { 0.12 } else { 0.0 };
        *v = grain
            + if y >= 300 {
                0.25 + stripe
            } else {
                0.6 + 0.0004 * y as f32
            };
    }
    let spots = [
        (80.5, 330.5, 5.0),
        (100.5, 330.5, 5.0),
        (200.5, 60.5, 6.0),
        (250.5, 296.5, 3.0),
    ];
    let mut spoilt = clean.clone();
    for ((y, x), v) in spoilt.planes[0].indexed_iter_mut() {
        for (sx, sy, radius) in spots {
            *v += 0.2 * disc(x as f32 + 0.5, y as f32 + 0.5, (sx, sy), 0.6 * radius);
        }
    }
    let list: Vec<String> = spots
        .iter()
        .map(|(x, y, radius)| {
            format!(
                "(x: {}, y: {}, radius: {})",
                x / 300.0,
                y / 360.0,
                radius * 1.3 / SPAN
            )
        })
        .collect();
    let mut heal = Heal::default();
    heal.set("spots", &format!("[{}]", list.join(", ")))
        .expect("a good list");
    let mut after = spoilt.clone();
    let scene = Scene {
        scale: Scale(SPAN),
        regions: &regions,
    };
    let findings = heal.apply(&mut after, &scene);
    assert_eq!(findings.places.len(), 4, "{findings:?}");
    let (mut before_error, mut after_error) = (0.0, 0.0);
    for ((at, now), (was, bad)) in after.planes[0]
        .indexed_iter()
        .zip(clean.planes[0].iter().zip(&spoilt.planes[0]))
    {
        before_error += (bad - was).powi(2);
        after_error += (now - was).powi(2);
        assert!((now - was).abs() < 0.09, "{at:?}: {now}, was {was}");
    }
    assert!(
        after_error < 0.08 * before_error,
        "{after_error} of {before_error}"
    );
    // No repeat: the two neighbours' fills differ by more than nothing.
    let same = (-3..4).all(|dy: i32| {
        (-3..4).all(|dx: i32| {
            let y = (330 + dy) as usize;
            let one = after.planes[0][[y, (80 + dx) as usize]];
            let other = after.planes[0][[y, (104 + dx) as usize]];
            (one - other).abs() < 1e-6
        })
    });
    assert!(!same, "one texture was used twice");
}

/// Sculpting makes no patch: its change is one smooth factor, finer than a tenth of an eye span there is
/// next to nothing in it, and no new lightest or darkest place stands on a plain slope of light.
#[test]
fn sculpting_leaves_no_patches() {
    with_scene(|scene| {
        // A face turned to the light, round, with a nose's ridge.
        let before = face(|x, y| {
            let nose = (-((x - 150.0) / 18.0).powi(2) - ((y - 190.0) / 50.0).powi(2)).exp();
            [0.1 * (150.0 - x) / 150.0 + 0.06 * nose, 0.0, 0.0]
        });
        let mut after = before.clone();
        ContrastSculpting::default().apply(&mut after, scene);
        // At the opacity of a recipe.
        let ratio =
            |y: usize, x: usize| 0.15 * (after.planes[0][[y, x]] / before.planes[0][[y, x]] - 1.0);
        for y in (90..270).step_by(3) {
            for x in (75..225).step_by(3) {
                let middle = ratio(y, x);
                let beside =
                    0.25 * (ratio(y - 5, x) + ratio(y + 5, x) + ratio(y, x - 5) + ratio(y, x + 5));
                // A twentieth of an eye span to each side: 0.1 % of the lightness is 0.1 L*.
                assert!(
                    (middle - beside).abs() < 0.0012,
                    "{x}, {y}: {middle} beside {beside}"
                );
                assert!(middle.abs() < 0.08, "{x}, {y}: {middle}");
            }
        }
        // Along a row of the cheek, away from the nose, light falls before and after.
        let smooth = |picture: &Oklab, x: usize| {
            let rows = 235..265;
            let count = rows.len() as f32 * 8.0;
            rows.flat_map(|y| (x..x + 8).map(move |x| (y, x)))
                .map(|at| picture.planes[0][[at.0, at.1]])
                .sum::<f32>()
                / count
        };
        let mixed = |x: usize| smooth(&before, x) + 0.15 * (smooth(&after, x) - smooth(&before, x));
        for x in (70..215).step_by(8) {
            let fell = smooth(&before, x) - smooth(&before, x + 8);
            let falls = mixed(x) - mixed(x + 8);
            if fell > 0.004 {
                assert!(falls > 0.0, "at {x}: light fell by {fell}, now by {falls}");
            }
        }
    });
}
