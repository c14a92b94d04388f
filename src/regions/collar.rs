//! Where skin ends and cloth begins, along the picture's own edges.
//!
//! The parts net knows necklines and sleeves to some of its pixels only, and takes a shaded arm for the sleeve
//! above it. Between what is surely skin and what is surely cloth the border is found by a random walk
//! (Grady, *Random Walks for Image Segmentation*, IEEE PAMI 28(11), 2006) over the half-size picture, whose
//! edges hold the walker up; the net's word is a weak pull on every pixel.

use ndarray::{Array2, Array3};

use super::nets::CLASSES;
use super::walk::{Field, conductance};
use crate::picture::bands;
use crate::picture::filter::box_mean;
use crate::picture::math::ln;

/// Classes: face skin, body skin, clothing.
const FACE: usize = 1;
const BODY: usize = 2;
const CLOTH: usize = 4;

/// How far around a border it may be moved, in eye spans.
const REACH: f32 = 0.25;

/// Share of the rarer of both within that from which a place is near a border.
const BOTH: f32 = 0.05;

/// How firmly the net's word holds near a border, and elsewhere.
const WEAK: f32 = 0.003;
const FIRM: f32 = 3.0;

/// Difference of ln of sRGB-encoded values that counts as one unit of noise.
const UNIT: f32 = 0.03;

/// Keeps logarithms finite; common practice, no source.
const BLACK: f32 = 0.03;

/// Moves the border of skin and cloth in `classes` (probabilities, `[11, h, w]`) to the edges of `shown`,
/// sRGB-encoded and of the same size; `span` is the eye span in its pixels.
pub(super) fn settle(classes: &mut Array3<f32>, shown: &[Array2<f32>; 3], span: f32) {
    let (count, high, wide) = classes.dim();
    if count != CLASSES || shown.iter().any(|plane| plane.dim() != (high, wide)) {
        return;
    }
    let either = |y: usize, x: usize| {
        let skin = classes[[FACE, y, x]] + classes[[BODY, y, x]];
        (skin, skin + classes[[CLOTH, y, x]])
    };
    let is = |skin: bool| {
        move |(one, both): (f32, f32)| f32::from(u8::from(both > 0.5 && (one > 0.5 * both) == skin))
    };
    let radius = (REACH * span + 0.5) as usize;
    let near = |skin: bool| {
        let here = is(skin);
        let map = bands::plane((high, wide), |y, x| here(either(y, x)));
        box_mean(map.view(), radius)
    };
    let (skins, cloths) = bands::both(|| near(true), || near(false));
    let border = |at: [usize; 2]| {
        let (s, c) = (skins[at], cloths[at]);
        s.min(c) > BOTH * (s + c).max(1e-3)
    };
    let rows: Vec<usize> = (0..high)
        .filter(|&y| (0..wide).any(|x| border([y, x])))
        .collect();
    let (Some(&top), Some(&last)) = (rows.first(), rows.last()) else {
        return;
    };
    let dim = (last + 1 - top, wide);
    if dim.0 < 8 || dim.1 < 8 {
        return;
    }
    let colour = shown
        .each_ref()
        .map(|plane| bands::plane(dim, |y, x| ln(plane[[top + y, x]].max(0.0) + BLACK) / UNIT));
    let (mut right, mut below) = conductance(&colour);
    let inside = bands::plane(dim, |y, x| f32::from(u8::from(either(top + y, x).1 > 0.5)));
    let (mut wanted, mut weight) = (Array2::zeros(dim), Array2::zeros(dim));
    for y in 0..dim.0 {
        for x in 0..wide {
            let (skin, both) = either(top + y, x);
            let share = (skin + 1e-4) / (both + 2e-4);
            (wanted[[y, x]], weight[[y, x]]) = if border([top + y, x]) {
                (share, WEAK * both)
            } else {
                (f32::from(u8::from(share > 0.5)), FIRM * both)
            };
            // Hair and backdrop lead nowhere; squared, edges hold the walker up more.
            let to = |other: f32| (inside[[y, x]] * other).max(0.001);
            if x + 1 < wide {
                let leads = right[[y, x]];
                right[[y, x]] = leads * leads * to(inside[[y, x + 1]]);
            }
            if y + 1 < dim.0 {
                let leads = below[[y, x]];
                below[[y, x]] = leads * leads * to(inside[[y + 1, x]]);
            }
        }
    }
    let field = Field {
        wanted,
        weight,
        right,
        below,
    };
    let settled = field.settle();
    for ((y, x), &share) in settled.indexed_iter() {
        let at = [top + y, x];
        if !border(at) {
            continue;
        }
        let (skin, both) = {
            let skin = classes[[FACE, at[0], x]] + classes[[BODY, at[0], x]];
            (skin, skin + classes[[CLOTH, at[0], x]])
        };
        if both < 0.02 {
            continue;
        }
        let new = both * share;
        let face = (classes[[FACE, at[0], x]] + 1e-4) / (skin + 2e-4);
        classes[[FACE, at[0], x]] = new * face;
        classes[[BODY, at[0], x]] = new * (1.0 - face);
        classes[[CLOTH, at[0], x]] = both - new;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Skin to the left, cloth to the right of column 40; the net's border is soft and lies at `border`.
    fn neckline(border: f32) -> (Array3<f32>, [Array2<f32>; 3]) {
        let (high, wide) = (80, 90);
        let mut classes = Array3::zeros((CLASSES, high, wide));
        for y in 0..high {
            for x in 0..wide {
                let skin = ((border - x as f32) / 8.0 + 0.5).max(0.01).min(0.99);
                classes[[FACE, y, x]] = 0.25 * skin;
                classes[[BODY, y, x]] = 0.75 * skin;
                classes[[CLOTH, y, x]] = 1.0 - skin;
            }
        }
        let plane = |skin: f32, cloth: f32| {
            Array2::from_shape_fn((high, wide), |(_, x)| if x < 40 { skin } else { cloth })
        };
        (classes, [plane(0.6, 0.3), plane(0.4, 0.3), plane(0.3, 0.4)])
    }

    #[test]
    fn the_border_goes_to_the_edge() {
        let (mut classes, shown) = neckline(35.0);
        assert!(classes[[FACE, 40, 37]] + classes[[BODY, 40, 37]] < 0.3);
        settle(&mut classes, &shown, 60.0);
        let skin = |x: usize| classes[[FACE, 40, x]] + classes[[BODY, 40, x]];
        assert!(
            skin(38) > 0.5 && skin(41) < 0.5,
            "{} {}",
            skin(38),
            skin(41)
        );
    }

    #[test]
    fn shares_are_kept() {
        let (mut classes, shown) = neckline(45.0);
        settle(&mut classes, &shown, 60.0);
        for y in 0..80 {
            for x in 0..90 {
                let [face, body, cloth] = [FACE, BODY, CLOTH].map(|k| classes[[k, y, x]]);
                assert!((face + body + cloth - 1.0).abs() < 1e-4);
                assert!(face < 0.01 || (body / face - 3.0).abs() < 0.2);
            }
        }
    }
}
