//! Regions against the truth of the rendered office, which was made outside of this project's
//! code (Blender's coverage and class passes; `office/README.md`). Skipped where it is absent.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

#[path = "support/rendered.rs"]
mod rendered;

use std::path::Path;

use lapel::picture::{Linear, Point, Rect, Size, resample};
use lapel::regions::{Attention, Region, Regions, find};
use ndarray::{Array2, Axis, concatenate};
use rendered::{developed, office};

fn truth(office: &Path, id: &str) -> (Array2<f32>, Array2<u8>) {
    let open = |name: &str| {
        image::open(office.join("truth").join(id).join(name)).expect("the office's truth is there")
    };
    let person = open("person.png").into_luma16();
    let parts = open("parts.png").into_luma8();
    let (w, h) = (person.width() as usize, person.height() as usize);
    (
        Array2::from_shape_fn((h, w), |(y, x)| {
            f32::from(person.get_pixel(x as u32, y as u32).0[0]) / 65535.0
        }),
        Array2::from_shape_fn((h, w), |(y, x)| parts.get_pixel(x as u32, y as u32).0[0]),
    )
}

/// Soft intersection over union of a region and a set of classes.
fn overlap(found: &Regions, region: Region, parts: &Array2<u8>, classes: &[u8]) -> f32 {
    let matte = found.region(region).whole();
    let (mut both, mut either) = (0.0f64, 0.0f64);
    for (m, p) in matte.iter().zip(parts) {
        let t = if classes.contains(p) { 1.0 } else { 0.0 };
        both += f64::from(m.min(t));
        either += f64::from(m.max(t));
    }
    (both / either) as f32
}

/// Mean square error of the person's matte, and the sum of its errors in thousand pixels.
fn matte_off(found: &Regions, person: &Array2<f32>) -> (f64, f64) {
    let matte = found.region(Region::Person).whole();
    let (mut square, mut sum) = (0.0_f64, 0.0_f64);
    for (a, b) in matte.iter().zip(person) {
        let d = f64::from((a - b).abs());
        square += d * d;
        sum += d;
    }
    (square / person.len() as f64, sum / 1000.0)
}

/// What `marks.json` holds of a sitter.
fn marks(office: &Path, id: &str) -> serde_json::Value {
    let text = std::fs::read_to_string(office.join("truth").join(id).join("marks.json"))
        .expect("the office's truth is there");
    serde_json::from_str(&text).expect("JSON")
}

/// Middles of the eyes by `marks.json`.
fn eyes(office: &Path, id: &str) -> [Point; 2] {
    let marks = marks(office, id);
    ["right_of_sitter", "left_of_sitter"].map(|side| {
        let at = |i: usize| marks["eye_centre"][side][i].as_f64().expect("a number") as f32;
        Point { x: at(0), y: at(1) }
    })
}

#[test]
fn mattes_and_parts_come_near_the_truth() {
    let Some(office) = office() else { return };
    // Floors a little below what was measured when this was written; the simple baseline's mean
    // square errors are .0003, .0009 and .0009.
    for (id, error, hair) in [
        ("s02", 0.0004, 0.91),
        ("s04", 0.0002, 0.90),
        ("s09", 0.0006, 0.0),
    ] {
        let picture = developed(&office, id);
        let (person, parts) = truth(&office, id);
        let found = find(&picture, None);
        assert_eq!(found.attention, [], "{id}");
        let (square, _) = matte_off(&found, &person);
        assert!(square < error, "{id}: person {square}");
        let checks = [
            (Region::Clothing, &[4][..], 0.98),
            (Region::Skin, &[1, 2], 0.94),
            (Region::Iris, &[7], 0.82),
            (Region::Sclera, &[6], 0.73),
            (Region::Lips, &[8], 0.78),
            (Region::Hair, &[3], hair),
        ];
        for (region, classes, floor) in checks {
            let got = overlap(&found, region, &parts, classes);
            assert!(got >= floor, "{id}: {region:?} {got}");
        }
        let marks = found.marks.as_ref().expect("a face");
        let wanted = eyes(&office, id);
        let span = wanted[0].distance(wanted[1]);
        for (found, wanted) in marks.eyes.iter().zip(wanted) {
            assert!(
                found.distance(wanted) < 0.02 * span,
                "{id}: eye {found:?}, {wanted:?}"
            );
        }
        let off = crown_off(&office, id, &found);
        assert!(off < 0.05, "{id}: crown {off}");
    }
}

/// Gold before dark hair and pearls before the wall; ears without anything, light and dark.
#[test]
fn studs_are_worn_and_bare_ears_are_bare() {
    let Some(office) = office() else { return };
    let empty = developed(&office, "empty");
    for id in ["s06", "s09"] {
        let (_, parts) = truth(&office, id);
        let found = find(&developed(&office, id), Some(&empty));
        let worn = found.region(Region::Worn).whole();
        let chin = found.marks.as_ref().expect("a face").chin.y as usize;
        // Above the eyes is the head wrap; the studs hang beside the mouth.
        let studs = parts
            .indexed_iter()
            .filter(|((y, _), part)| (chin.saturating_sub(250)..chin).contains(y) && **part == 10);
        let (mut seen, mut all) = (0.0_f64, 0.0);
        for (at, _) in studs {
            seen += f64::from(worn[at]);
            all += 1.0;
        }
        assert!(all > 600.0 && seen > 0.7 * all, "{id}: {seen} of {all}");
        let floor = if id == "s06" { 0.75 } else { 0.96 };
        let got = overlap(&found, Region::Worn, &parts, &[10]);
        assert!(got >= floor, "{id}: {got}");
    }
    for id in ["s02", "s04", "s07", "s08"] {
        let found = find(&developed(&office, id), None);
        let worn = found.region(Region::Worn).whole();
        let most = worn.iter().fold(0.0_f32, |a, v| a.max(*v));
        assert!(most < 0.5, "{id}: {most}");
    }
}

/// Pearls painted over the necks of two rendered sitters, as balls under one lamp: the truth is where they
/// are painted, paler than the palest skin under that light. A string of them hangs from collar to collar; without it (above) nothing is worn.
#[test]
fn a_string_of_pearls_is_worn() {
    let Some(office) = office() else { return };
    for id in ["s04", "s08"] {
        let mut picture = developed(&office, id);
        let (_, parts) = truth(&office, id);
        let eyes = eyes(&office, id);
        let span = eyes[0].distance(eyes[1]);
        let truth = marks(&office, id);
        let chin: [f32; 2] = [0, 1].map(|i| truth["chin"][i].as_f64().expect("a number") as f32);
        let radius = 0.055 * span;
        let mut painted = Array2::<f32>::zeros(parts.dim());
        let mut pearls = Vec::new();
        for i in -6..=6 {
            let t = i as f32 * 2.05 * radius / span;
            let (x, y) = (chin[0] + t * span, chin[1] + (0.85 - 0.2 * t * t) * span);
            // Under the collar.
            if parts[[y as usize, x as usize]] != 2 {
                continue;
            }
            pearls.push([y as usize, x as usize]);
            let reach = (radius + 2.0) as usize;
            for row in y as usize - reach..y as usize + reach {
                for column in x as usize - reach..x as usize + reach {
                    let (dx, dy) = (column as f32 + 0.5 - x, row as f32 + 0.5 - y);
                    let off = (dx * dx + dy * dy).sqrt();
                    let cover = (radius - off + 0.5).clamp(0.0, 1.0);
                    if cover <= 0.0 {
                        continue;
                    }
                    let (nx, ny) = (dx / radius, dy / radius);
                    let nz = (1.0 - nx * nx - ny * ny).max(0.0).sqrt();
                    let lit = (-0.4 * nx - 0.6 * ny + 0.7 * nz).max(0.0);
                    let light = 0.8 * (0.3 + 0.7 * lit) + 0.5 * lit.powi(40);
                    let at = [row, column];
                    painted[at] = cover.max(painted[at]);
                    for (plane, tint) in picture.planes.iter_mut().zip([1.0, 0.97, 0.9]) {
                        plane[at] += cover * (light * tint - plane[at]);
                    }
                }
            }
        }
        assert!(pearls.len() >= 5, "{id}: {} pearls show", pearls.len());
        let worn = find(&picture, None).region(Region::Worn).whole();
        let found = pearls
            .iter()
            .filter(|&&[row, column]| worn[[row, column]] > 0.5);
        let found = found.count();
        let beside: f32 = worn
            .iter()
            .zip(&painted)
            .map(|(a, b)| (a - b).max(0.0))
            .sum();
        let beside = beside / painted.sum();
        eprintln!(
            "{id}: {found} of {} pearls are worn, {beside:.2} of their area beside them",
            pearls.len()
        );
        // Those at a collar's edge are missed now and then.
        assert!(4 * found >= 3 * pearls.len(), "{id}");
        // Discs lie off towards the glint by up to a quarter of a radius.
        assert!(beside < 0.4, "{id}: {beside}");
    }
}

/// A depth between strands that has the wall's very colour, painted along the hairline of a rendered sitter: the
/// sitter covers it all the same.
#[test]
fn no_wall_shows_through_a_head() {
    let Some(office) = office() else { return };
    let mut picture = developed(&office, "s01");
    let (person, parts) = truth(&office, "s01");
    let eyes = eyes(&office, "s01");
    let span = eyes[0].distance(eyes[1]);
    let middle = (0.5 * (eyes[0].x + eyes[1].x)) as usize;
    let level = eyes[0].y.min(eyes[1].y);
    let mut painted = Vec::new();
    for y in (level - 0.75 * span) as usize..(level - 0.3 * span) as usize {
        let hairline = (0..middle).rev().find(|&x| parts[[y, x]] == 3);
        let from = hairline.expect("hair beside the forehead") - (0.03 * span) as usize;
        for x in from - (0.05 * span) as usize..from {
            painted.push([y, x]);
        }
    }
    assert!(painted.iter().all(|at| person[*at] > 0.99));
    for plane in &mut picture.planes {
        for &[y, x] in &painted {
            plane[[y, x]] = plane[[y, 20 + x % 7]];
        }
    }
    let matte = find(&picture, None).region(Region::Person).whole();
    let sum: f32 = painted.iter().map(|at| matte[*at]).sum();
    assert!(
        sum > 0.97 * painted.len() as f32,
        "{sum} of {}",
        painted.len()
    );
}

/// Distance of the crown from the truth's, in eye spans.
fn crown_off(office: &Path, id: &str, found: &Regions) -> f32 {
    let truth = marks(office, id);
    let at = |i: usize| truth["crown"][i].as_f64().expect("a number") as f32;
    let wanted = Point { x: at(0), y: at(1) };
    let found = found.marks.as_ref().expect("a face");
    found.crown.distance(wanted) / found.scale().0
}

/// A beard with skin between its hairs, and the cropped fringe of a bald head, of which the truth calls
/// every pixel by what covers most of it. An afro's flat top has its crown where the truth has it.
#[test]
fn beards_and_cropped_fringes_are_hair() {
    let Some(office) = office() else { return };
    for (id, floor) in [("s05", 0.53), ("s07", 0.22)] {
        let (person, parts) = truth(&office, id);
        let found = find(&developed(&office, id), None);
        let (square, _) = matte_off(&found, &person);
        assert!(square < 0.0012, "{id}: person {square}");
        let hair = overlap(&found, Region::Hair, &parts, &[3]);
        assert!(hair >= floor, "{id}: {hair}");
        if id == "s05" {
            // Neck and ears: 0.885 while shade and collars were told by the nets and histograms alone.
            let body = overlap(&found, Region::BodySkin, &parts, &[2]);
            assert!(body >= 0.893, "{id}: {body}");
        }
    }
    let empty = developed(&office, "empty");
    let found = find(&developed(&office, "s08"), Some(&empty));
    // Level over a third of an eye span: which place of it is topmost moves with the matte's last hairs.
    let off = crown_off(&office, "s08", &found);
    assert!(off < 0.07, "crown {off}");
}

/// Grey brows behind the bars of spectacles, and brows on the darkest skin, below a wrap that stays what it
/// is. The net that draws them learned from these sitters; nets that did not see a sitter reached 0.70 of
/// the spectacles, and 0.49 and 0.70 of the brows (0.48, 0.21 and 0.47 without it).
#[test]
fn brows_and_spectacles_are_drawn() {
    let Some(office) = office() else { return };
    for (id, brows, worn) in [("s03", 0.6, 0.8), ("s09", 0.68, 0.95)] {
        let (person, parts) = truth(&office, id);
        let found = find(&developed(&office, id), None);
        let (square, _) = matte_off(&found, &person);
        assert!(square < 0.0004, "{id}: person {square}");
        for (region, class, floor) in [(Region::Brows, 5, brows), (Region::Worn, 10, worn)] {
            let got = overlap(&found, region, &parts, &[class]);
            assert!(got >= floor, "{id}: {region:?} {got}");
        }
    }
}

/// Black hair and cloth before black paper, by what little they differ; an afro's fringe, half covered
/// over a long way; hair over a shoulder. Wedges of wall between arm and body and strips of it at the
/// frame's edge, with the set's empty frame and without it: there a plain polynomial strays by a fifth,
/// and the errors were 0.0026 and 0.0047.
#[test]
fn black_ends_before_black_and_hair_thins_out() {
    let Some(office) = office() else { return };
    let empty = developed(&office, "empty");
    for (id, cases) in [
        ("s01", &[(true, 0.0009, 7.4), (false, 0.001, 7.5)][..]),
        ("s05", &[(false, 0.0012, 6.2)]),
        ("s08", &[(true, 0.0008, 8.0), (false, 0.0008, 7.5)]),
    ] {
        let (person, _) = truth(&office, id);
        let picture = developed(&office, id);
        for &(set, error, most) in cases {
            let found = find(&picture, set.then_some(&empty));
            let (square, sum) = matte_off(&found, &person);
            assert!(square < error && sum < most, "{id}, {set}: {square} {sum}");
        }
    }
}

/// Regions found on a copy of a third of the size: at full size the outline comes nearer to the truth than
/// the copy's matte, the backdrop is what it leaves, and a part of the picture reads what the whole does.
#[test]
fn the_outline_is_as_fine_as_the_picture() {
    let Some(office) = office() else { return };
    for id in ["s04", "s06"] {
        let picture = developed(&office, id);
        let size = picture.size();
        let third = Size {
            width: size.width / 3,
            height: size.height / 3,
        };
        let found = find(&resample::resize(&picture, third), None);
        let coarse = found.placed(Rect::whole(size), size);
        let fine = coarse.clone().refined(&picture);
        let (truth, _) = truth(&office, id);
        let off = |regions: &Regions| -> f64 {
            let matte = regions.region(Region::Person).whole();
            let off = matte.iter().zip(&truth);
            off.map(|(a, b)| f64::from((a - b).abs())).sum()
        };
        let (before, after) = (off(&coarse), off(&fine));
        eprintln!(
            "{id}: {:.2} of {:.2} thousand pixels",
            after / 1e3,
            before / 1e3
        );
        assert!(after < 0.82 * before, "{id}: {after} of {before}");

        let person = fine.region(Region::Person).whole();
        let left = fine.matte(&[Region::Everything], &[Region::Person]).whole();
        let bare = fine.region(Region::Backdrop).whole();
        for ((a, c), d) in person.iter().zip(&left).zip(&bare) {
            assert!((a + c - 1.0).abs() < 1e-4 && (a + d - 1.0).abs() < 1e-4);
        }
        let part = Rect {
            left: 301,
            top: 207,
            width: 450,
            height: 611,
        };
        let there = fine.placed(part, size).region(Region::Person);
        // Places on the map are rounded.
        for (a, b) in there.whole().iter().zip(part.of(person.view())) {
            assert!((a - b).abs() < 1e-3, "{id}: {a}, {b}");
        }
        assert!((there.at(40, 33) - person[[247, 334]]).abs() < 1e-3);
    }
}

#[test]
fn parts_add_up_to_the_person() {
    let Some(office) = office() else { return };
    let found = find(&developed(&office, "s06"), None);
    let (square, _) = matte_off(&found, &truth(&office, "s06").0);
    assert!(square < 0.0004, "person {square}");
    let parts = [
        Region::Skin,
        Region::Hair,
        Region::Brows,
        Region::Eyes,
        Region::Lips,
        Region::Teeth,
        Region::Clothing,
        Region::Worn,
    ];
    let mut sum = Array2::<f32>::zeros((found.size.height, found.size.width));
    for part in parts {
        sum += &found.region(part).whole();
    }
    let person = found.region(Region::Person).whole();
    // Hair before the backdrop is twice as firm as the matte.
    let hair = found.region(Region::Hair).whole();
    let mut off = 0;
    for ((s, p), h) in sum.iter().zip(&person).zip(&hair) {
        let firm = if *p < 1.0 {
            ((p - 0.3) / 0.4).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let soft = if firm > 0.0 { h / firm * p } else { *p };
        if (s - h + soft.min(*p) - p).abs() > 0.02 && firm > 0.0 {
            off += 1;
        }
        assert!((s - p).abs() < 0.32, "{s} of {p}");
    }
    assert!((off as f32) < 0.002 * person.len() as f32, "{off} pixels");
}

#[test]
fn an_empty_backdrop_has_nobody() {
    let Some(office) = office() else { return };
    let found = find(&developed(&office, "empty"), None);
    assert_eq!(found.attention, [Attention::NoFace]);
    assert!(found.marks.is_none());
    assert!(
        found
            .region(Region::Person)
            .whole()
            .iter()
            .all(|v| *v == 0.0)
    );
    assert!(
        found
            .region(Region::Everything)
            .whole()
            .iter()
            .all(|v| *v == 1.0)
    );
}

/// A part of a picture.
fn cut(picture: &Linear, rect: Rect) -> Linear {
    let (rows, columns) = (
        rect.top..rect.top + rect.height,
        rect.left..rect.left + rect.width,
    );
    Linear {
        planes: picture.planes.each_ref().map(|p| {
            let mut p = p.clone();
            p = p.select(Axis(0), &rows.clone().collect::<Vec<_>>());
            p.select(Axis(1), &columns.clone().collect::<Vec<_>>())
        }),
    }
}

#[test]
fn two_sitters_and_a_cut_head_are_reported() {
    let Some(office) = office() else { return };
    let (a, b) = (developed(&office, "s02"), developed(&office, "s06"));
    let both = Linear {
        planes: std::array::from_fn(|c| {
            concatenate(Axis(1), &[a.planes[c].view(), b.planes[c].view()]).expect("same height")
        }),
    };
    assert!(
        find(&both, None)
            .attention
            .contains(&Attention::SeveralFaces(2))
    );
    let Size { width, height } = a.size();
    // The top of the head (crown at 386) and, below, half of the face are beyond the frame.
    let scalped = cut(
        &a,
        Rect {
            left: 0,
            top: 520,
            width,
            height: height - 520,
        },
    );
    assert!(find(&scalped, None).attention.contains(&Attention::FaceCut));
    let halved = cut(
        &a,
        Rect {
            left: 560,
            top: 0,
            width: width - 560,
            height,
        },
    );
    let found = find(&halved, None);
    let told = [Attention::FaceCut, Attention::NoFace];
    assert!(
        told.iter().any(|a| found.attention.contains(a)),
        "{:?}",
        found.attention
    );
}

#[test]
fn threads_do_not_matter() {
    let Some(office) = office() else { return };
    let picture = developed(&office, "s04");
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        pool.install(|| find(&picture, None))
    };
    let (one, four) = (with(1), with(4));
    assert_eq!(one.marks, four.marks);
    assert_eq!(one.mattes, four.mattes);
    assert_eq!(one.backdrop, four.backdrop);
}

#[test]
fn hostile_pictures_are_refused_quietly() {
    for picture in [
        Linear::zeros(Size {
            width: 1,
            height: 1,
        }),
        Linear::zeros(Size {
            width: 300,
            height: 200,
        }),
        Linear::filled(
            Size {
                width: 90,
                height: 90,
            },
            [f32::NAN; 3],
        ),
        Linear::filled(
            Size {
                width: 90,
                height: 90,
            },
            [f32::INFINITY, 0.0, -1.0],
        ),
    ] {
        assert_eq!(find(&picture, None).attention, [Attention::NoFace]);
    }
}
