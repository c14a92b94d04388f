//! What `Adjust` may not do to eyes, teeth and lips, whatever a recipe asks for: each sentence of the
//! page's promise at the ends of the ranges, drawn and on a rendered sitter with an open smile.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod retouch_support;

use lapel::operations::Scene;
use lapel::operations::adjust::Adjust;
use lapel::picture::{Degrees, Oklab, Ratio, Scale, Size, Stops};
use lapel::regions::{Matte, Region, Regions};
use ndarray::Array2;
use retouch_support::{healed, material};

const SIZE: Size = Size {
    width: 80,
    height: 100,
};

/// Bands of 20 rows, from the top: skin, white of the eye, iris, lips, teeth.
const BANDS: [Region; 5] = [
    Region::FaceSkin,
    Region::Sclera,
    Region::Iris,
    Region::Lips,
    Region::Teeth,
];

fn regions() -> Regions {
    let band = |number: usize| {
        Matte::exact(Array2::from_shape_fn(
            (SIZE.height, SIZE.width),
            |(y, _)| {
                if y / 20 == number { 1.0 } else { 0.0 }
            },
        ))
    };
    Regions {
        size: SIZE,
        marks: None,
        mattes: BANDS
            .into_iter()
            .enumerate()
            .map(|(i, part)| (part, band(i)))
            .collect(),
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    }
}

/// Colours of the bands; along a row the eye gets darker to the right, every eighth column of the
/// white is a vein, three columns are a catch-light, the last ten columns of the teeth are gum.
fn face() -> Oklab {
    let mut picture = Oklab::zeros(SIZE);
    for y in 0..SIZE.height {
        for x in 0..SIZE.width {
            let shade = 0.1 * x as f32 / 80.0;
            let glint = (30..33).contains(&x);
            let lab = match y / 20 {
                0 => [0.70, 0.045, 0.05],
                1 if glint => [0.97, 0.0, 0.01],
                1 if x % 8 == 0 => [0.72 - shade, 0.05, 0.03],
                1 => [0.80 - shade, 0.01, 0.02],
                2 if glint => [0.95, 0.0, 0.0],
                2 => [0.35, 0.02, 0.03],
                3 => [0.55, 0.10, 0.04],
                _ if x >= 70 => [0.55, 0.09, 0.03],
                _ => [0.72, 0.008, 0.04],
            };
            for c in 0..3 {
                picture.planes[c][[y, x]] = lab[c];
            }
        }
    }
    picture
}

/// Every corner of the ranges.
fn corners() -> impl Iterator<Item = Adjust> {
    (0..64).map(|bits: u32| {
        let sign = |bit: u32| if bits & (1 << bit) == 0 { -1.0 } else { 1.0 };
        Adjust {
            exposure: Stops(1.5 * sign(0)),
            contrast: Ratio(0.4 * sign(1)),
            chroma: Ratio(0.8 * sign(2)),
            hue: Degrees(30.0 * sign(3)),
            warmth: Ratio(sign(4)),
            detail: Ratio(sign(5)),
        }
    })
}

fn each_corner(check: impl Fn(&Adjust, &Oklab, &Oklab)) {
    let regions = regions();
    let scene = Scene {
        scale: Scale(60.0),
        regions: &regions,
    };
    let before = face();
    for adjust in corners() {
        let mut after = before.clone();
        adjust.apply(&mut after, &scene);
        check(&adjust, &before, &after);
    }
}

fn mean(picture: &Oklab, band: usize, plane: usize, columns: std::ops::Range<usize>) -> f32 {
    let rows = 20 * band + 6..20 * band + 14;
    let count = (rows.len() * columns.len()) as f32;
    rows.flat_map(|y| columns.clone().map(move |x| (y, x)))
        .map(|at| picture.planes[plane][at])
        .sum::<f32>()
        / count
}

#[test]
fn whites_of_the_eyes_keep_warmth_veins_and_shading() {
    each_corner(|adjust, before, after| {
        for x in (1..80).filter(|x| !(29..34).contains(x)) {
            let (was, is) = (before.at(30, x), after.at(30, x));
            assert!(
                is[2] >= 0.34 * was[2],
                "{adjust:?}: yellow {is:?} of {was:?}"
            );
            // Veins are softened, not erased.
            assert!(is[1] >= 0.49 * was[1], "{adjust:?}: red {is:?} of {was:?}");
            assert!(
                is[0] <= was[0] + 0.036,
                "{adjust:?}: lightness {is:?} of {was:?}"
            );
        }
        // Darker towards the corner, by a third as much at the least (when 1.5 stops darker with the
        // least contrast), and each vein darker than its
        // neighbours.
        let falls = |picture: &Oklab| mean(picture, 1, 0, 1..8) - mean(picture, 1, 0, 65..72);
        assert!(
            falls(after) > 0.33 * falls(before),
            "{adjust:?}: {}",
            falls(after)
        );
        let vein = |picture: &Oklab| picture.at(30, 52)[0] - picture.at(30, 48)[0];
        assert!(
            vein(after) > 0.2 * vein(before),
            "{adjust:?}: {}",
            vein(after)
        );
    });
}

#[test]
fn teeth_stay_yellower_than_neutral_and_darker_than_the_eyes_and_gums_stay() {
    each_corner(|adjust, before, after| {
        for x in 2..68 {
            let (was, is) = (before.at(90, x), after.at(90, x));
            assert!(
                is[2] >= 0.34 * was[2] && is[2] > 0.0,
                "{adjust:?}: {is:?} of {was:?}"
            );
        }
        // The eyes' white, as it was when the step began.
        let eyes = mean(before, 1, 0, 0..80);
        let teeth = mean(after, 4, 0, 4..66);
        assert!(
            teeth <= eyes + 1e-3,
            "{adjust:?}: teeth {teeth}, eyes {eyes}"
        );
        for x in 73..80 {
            let (was, is) = (before.at(90, x), after.at(90, x));
            assert!(
                (0..3).all(|c| (was[c] - is[c]).abs() < 1e-6),
                "{adjust:?}: gum {is:?}"
            );
        }
    });
}

#[test]
fn lips_keep_their_hue() {
    each_corner(|adjust, before, after| {
        let hue = |lab: [f32; 3]| lab[2].atan2(lab[1]).to_degrees();
        let chroma = |lab: [f32; 3]| lab[1].hypot(lab[2]) / lab[0];
        let (was, is) = (before.at(70, 40), after.at(70, 40));
        assert!((hue(was) - hue(is)).abs() < 0.1, "{adjust:?}: {is:?}");
        let times = chroma(is) / chroma(was);
        assert!((0.59..1.36).contains(&times), "{adjust:?}: {times}");
    });
}

#[test]
fn catch_lights_stay_and_nothing_is_clipped_that_was_not() {
    each_corner(|adjust, before, after| {
        for y in [30, 50] {
            for x in 30..33 {
                let (was, is) = (before.at(y, x), after.at(y, x));
                assert!(is[0] >= was[0] - 1e-4, "{adjust:?}: {is:?} was {was:?}");
            }
        }
        for (is, was) in after.planes[0].iter().zip(&before.planes[0]) {
            assert!(*is < 1.0 || is <= was, "{adjust:?}: {was} became {is}");
        }
    });
}

/// The house's whitening on a rendered smile: teeth end darker than the eyes' whites or no lighter than
/// they were, with most of their yellow; the whites too.
#[test]
fn a_rendered_smile_stays_natural() {
    let Some(office) = material("office") else {
        return;
    };
    let finished = healed(&office.join("frames/s04.dng"));
    let before = finished.picture.to_oklab();
    let regions = &finished.regions;
    let scene = Scene {
        scale: regions.marks.as_ref().expect("a face").scale(),
        regions,
    };
    let on = |part: Region| regions.region(part).whole().mapv(|v| v > 0.9);
    let (teeth, eyes) = (on(Region::Teeth), on(Region::Sclera));
    let mean = |picture: &Oklab, on: &Array2<bool>| {
        let count = on.iter().filter(|&&on| on).count() as f32;
        [0, 1, 2].map(|c| {
            let plane = &picture.planes[c];
            plane
                .iter()
                .zip(on)
                .filter(|(_, on)| **on)
                .map(|(v, _)| v)
                .sum::<f32>()
                / count
        })
    };
    for exposure in [0.1, 1.5] {
        let mut after = before.clone();
        Adjust {
            exposure: Stops(exposure),
            chroma: Ratio(-0.2),
            ..Adjust::default()
        }
        .apply(&mut after, &scene);
        let [was, is] = [&before, &after].map(|picture| mean(picture, &teeth));
        let [white, whiter] = [&before, &after].map(|picture| mean(picture, &eyes));
        eprintln!("{exposure}: teeth {was:.3?} to {is:.3?}, eyes {white:.3?} to {whiter:.3?}");
        assert!(is[0] <= was[0].max(white[0]) + 0.003, "{is:?}");
        assert!(is[2] > 0.3 * was[2] && whiter[2] > 0.3 * white[2]);
        assert!(whiter[0] <= white[0] + 0.036);
    }
}
