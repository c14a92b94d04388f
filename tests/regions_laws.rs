//! Mattes read and placed: what must hold whatever the maps are.

use lapel::picture::{Linear, Point, Rect, Size};
use lapel::regions::{Attention, BackdropModel, Matte, Region, Regions};
use ndarray::Array2;
use proptest::prelude::*;

/// Regions with arbitrary maps of one size.
fn some_regions(width: usize, height: usize, values: &[f32]) -> Regions {
    let size = Size { width, height };
    let map = |k: usize| {
        Matte::exact(Array2::from_shape_fn((height, width), |(y, x)| {
            values[(y * width + x + 7 * k) % values.len()]
        }))
    };
    let kept = [
        Region::Person,
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Brows,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
        Region::Clothing,
        Region::Worn,
    ];
    Regions {
        size,
        marks: None,
        mattes: kept
            .into_iter()
            .enumerate()
            .map(|(k, r)| (r, map(k)))
            .collect(),
        backdrop: Some(BackdropModel {
            surface: [map(20), map(21), map(22)],
        }),
        confidence: 1.0,
        attention: Vec::new(),
    }
}

proptest! {
    #[test]
    fn a_picture_of_the_maps_own_size_reads_them_to_the_bit(
        width in 1usize..40, height in 1usize..40, values in prop::collection::vec(0.0f32..=1.0, 1..60)
    ) {
        let regions = some_regions(width, height, &values);
        for (_, matte) in &regions.mattes {
            prop_assert_eq!(&matte.whole(), &matte.map);
        }
    }

    #[test]
    fn the_whole_frame_at_its_own_size_is_where_it_was(
        width in 1usize..40, height in 1usize..40, values in prop::collection::vec(0.0f32..=1.0, 1..60)
    ) {
        let regions = some_regions(width, height, &values);
        let same = regions.placed(Rect::whole(regions.size), regions.size);
        prop_assert_eq!(&same.mattes, &regions.mattes);
    }

    #[test]
    fn a_crop_shows_what_the_whole_shows_there(
        width in 8usize..40, height in 8usize..40, values in prop::collection::vec(0.0f32..=1.0, 1..60),
        scale in 1usize..4, left in 0usize..5, top in 0usize..5
    ) {
        let regions = some_regions(width, height, &values);
        let full = Size { width: width * scale, height: height * scale };
        let whole = regions.placed(Rect::whole(full), full);
        let crop = Rect { left, top, width: full.width - left - 1, height: full.height - top - 2 };
        let part = regions.placed(crop, full);
        prop_assert_eq!(part.size, crop.size());
        let whole = whole.region(Region::Person).whole();
        let part = part.region(Region::Person).whole();
        for ((y, x), v) in part.indexed_iter() {
            prop_assert!((v - whole[[y + top, x + left]]).abs() < 1e-4);
        }
    }

    #[test]
    fn mattes_stay_between_0_and_1(
        values in prop::collection::vec(0.0f32..=1.0, 1..60), on in 0usize..15, and in 0usize..15, except in 0usize..15
    ) {
        let regions = some_regions(9, 7, &values);
        let matte = regions.matte(&[Region::ALL[on], Region::ALL[and]], &[Region::ALL[except]]);
        prop_assert!(matte.whole().iter().all(|v| (0.0..=1.0).contains(v)));
        let swapped = regions.matte(&[Region::ALL[and], Region::ALL[on]], &[Region::ALL[except]]);
        prop_assert_eq!(matte.whole(), swapped.whole());
    }
}

#[test]
fn person_and_backdrop_are_all_there_is() {
    let regions = some_regions(12, 9, &[0.0, 0.25, 0.5, 0.75, 1.0]);
    let (person, backdrop) = (
        regions.region(Region::Person),
        regions.region(Region::Backdrop),
    );
    assert!(
        person
            .whole()
            .iter()
            .zip(&backdrop.whole())
            .all(|(p, b)| p + b == 1.0)
    );
    assert!(
        regions
            .matte(&[Region::Everything], &[])
            .whole()
            .iter()
            .all(|v| *v == 1.0)
    );
    assert!(regions.matte(&[], &[]).whole().iter().all(|v| *v == 0.0));
    let none = regions.matte(&[Region::Hair], &[Region::Everything]);
    assert!(none.whole().iter().all(|v| *v == 0.0));
}

#[test]
fn a_linear_map_is_read_linearly_between_its_pixels() {
    // Bilinear interpolation reproduces a plane exactly: f = x / 8 at pixel centres.
    let map = Array2::from_shape_fn((4, 8), |(_, x)| (x as f32 + 0.5) / 8.0);
    let size = Size {
        width: 32,
        height: 16,
    };
    let quarter = Point { x: 0.25, y: 0.25 };
    let matte = Matte {
        map: map.into_shared(),
        size,
        origin: Point { x: 0.0, y: 0.0 },
        step: quarter,
        detail: None,
    };
    let mut row = vec![0.0; 32];
    matte.fill_row(5, &mut row);
    for (x, v) in row.iter().enumerate().skip(2).take(28) {
        assert!((v - (x as f32 + 0.5) / 32.0).abs() < 1e-6, "{x}: {v}");
    }
    assert!((matte.area_share() - 0.5).abs() < 1e-3);
}

#[test]
fn the_backdrop_fills_its_three_rows() {
    let regions = some_regions(5, 4, &[0.1, 0.2, 0.3]);
    let backdrop = regions.backdrop.as_ref().expect("made with one");
    let (mut r, mut g, mut b) = (vec![0.0; 5], vec![0.0; 5], vec![0.0; 5]);
    backdrop.fill_row(2, [&mut r, &mut g, &mut b]);
    assert_eq!(r, backdrop.surface[0].map.row(2).to_vec());
    assert_eq!(b, backdrop.surface[2].map.row(2).to_vec());
    assert!(regions.attention.is_empty() && Attention::NoFace != Attention::FaceCut);
}

/// A disc with spokes a pixel and a half wide, drawn at full size; its matte is known to a quarter of that.
/// The truth is the drawing itself, the picture made of it by the compositing equation (Porter and Duff
/// 1984).
#[test]
fn an_outline_is_found_anew_at_a_larger_picture() {
    const SIDE: usize = 160;
    const TIMES: usize = 4;
    let (sitter, wall) = ([0.06, 0.05, 0.04], [0.20, 0.21, 0.22]);
    let truth = Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
        let (dy, dx) = (y as f32 - 79.5, x as f32 - 79.5);
        let from = (dx * dx + dy * dy).sqrt();
        let spoke = dx.abs().min(dy.abs()).min((dx - dy).abs() * 0.7);
        let disc = (40.0 - from).clamp(0.0, 1.0);
        let spoke = (1.25 - spoke).clamp(0.0, 1.0) * (70.0 - from).clamp(0.0, 1.0);
        disc.max(spoke)
    });
    let mut picture = Linear::zeros(Size {
        width: SIDE,
        height: SIDE,
    });
    for (c, plane) in picture.planes.iter_mut().enumerate() {
        plane.zip_mut_with(&truth, |v, &a| *v = a * sitter[c] + (1.0 - a) * wall[c]);
    }
    let small = SIDE / TIMES;
    let coarse = Array2::from_shape_fn((small, small), |(y, x)| {
        let mut sum = 0.0;
        for dy in 0..TIMES {
            for dx in 0..TIMES {
                sum += truth[[TIMES * y + dy, TIMES * x + dx]];
            }
        }
        sum / (TIMES * TIMES) as f32
    });
    let of = |size: Size| {
        let step = small as f32 / size.width as f32;
        Regions {
            size,
            marks: None,
            mattes: vec![(
                Region::Person,
                Matte {
                    size,
                    step: Point { x: step, y: step },
                    ..Matte::exact(coarse.clone())
                },
            )],
            backdrop: Some(BackdropModel {
                surface: wall.map(|v| Matte::constant(size, v)),
            }),
            confidence: 1.0,
            attention: Vec::new(),
        }
    };
    let found = of(picture.size());
    let off = |regions: &Regions| -> f32 {
        let matte = regions.region(Region::Person).whole();
        matte.iter().zip(&truth).map(|(a, b)| (a - b).abs()).sum()
    };
    let fine = found.clone().refined(&picture);
    let (before, after) = (off(&found), off(&fine));
    assert!(after < 0.25 * before, "{after} of {before}");
    // On a picture no larger than the map there is nothing to find.
    let size = Size {
        width: small,
        height: small,
    };
    let same = of(size).refined(&Linear::zeros(size));
    assert!(same.region(Region::Person) == of(size).region(Region::Person));
}
