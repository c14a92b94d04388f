//! A skull is opaque: no backdrop shows through the head beside the face.
//!
//! Where hair parts beside a temple its shaded depth may have the backdrop's very colour (a navy flag
//! behind fair hair, grey paper behind black braids), and what is told by colour then becomes a hole through
//! which the new wall is seen. Above the ears, what lies close to the face's own skin and cannot be
//! reached from the backdrop outside is head. The outline itself, a face turned so far that its skin
//! meets the backdrop, fly-aways and gaps between neck and hair stay as they are.

use ndarray::Array2;

use super::crop::halve;
use super::matting::Layers;
use super::nets::{Axes, COARSE};
use super::plane::resized;
use super::shell::flooded;
use crate::picture::bands;
use crate::picture::filter::{dilate, erode, gaussian};

/// How far below the eyes, in the face's own units, gaps between ears, neck and hair begin.
const DOWN: f32 = 0.1;

/// Where a face's own skin is found first, same units: beside the middle at most, and above the eyes.
const MIDDLE: (f32, f32) = (0.3, -0.35);

/// How far beyond the face's skin a skull reaches at least, in eye spans: the face's sides are its widest
/// part, and hairlines lie on it. A head is about 2.4 eye spans wide and the hairlines 2.2 apart (common
/// proportions, no source), and a parting is as near to skin as hair is thick.
const NEAR: f32 = 0.25;

/// Width of a passage, in eye spans, through which the backdrop outside leads to a gap, and how far beyond
/// what is reached so the outline's own softness goes.
const PASSAGE: f32 = 0.06;
const SOFT: f32 = 0.08;

/// Alpha under which a place is bare; share of skin from which it is the face's. Common practice, no source.
const BARE: f32 = 0.5;
const SKIN: f32 = 0.8;

/// How far around it what is closed is widened, and deviation of the blur at its edge, in half-size pixels.
const AROUND: usize = 2;
const EDGE: f32 = 1.0;

/// Closes what shows through the head; `span` is the eye span in picture pixels.
pub(super) fn close(layers: &mut Layers, axes: &Axes, span: f32) {
    let Some(inside) = inside(layers, axes, span / COARSE as f32) else {
        return;
    };
    let dim = layers.alpha.dim();
    let inside = resized(inside.view(), dim, 1.0 / COARSE as f32);
    let [skin, hair, clothing, worn] = &mut layers.shares;
    let planes = [&mut layers.alpha, skin, hair, clothing, worn];
    let planes = planes.map(|plane| plane.as_slice_mut().expect("planes are contiguous"));
    bands::each_piece_of_all(planes, dim.1, |y, rows| {
        let [alpha, shares @ ..] = rows else { return };
        for (x, alpha) in alpha.iter_mut().enumerate() {
            let missing = inside[[y, x]] * (1.0 - *alpha);
            if missing <= 0.0 {
                continue;
            }
            *alpha += missing;
            let sum = shares.iter().fold(0.0, |sum, share| sum + share[x]);
            if sum > BARE {
                let times = 1.0 + missing / sum;
                shares.iter_mut().for_each(|share| share[x] *= times);
            } else {
                // A shaded depth between strands.
                shares[1][x] += missing;
            }
        }
    });
}

/// How far a place is inside the head though it shows through, at half size; `span` is the eye span
/// there. Nothing where no such place is.
fn inside(layers: &Layers, axes: &Axes, span: f32) -> Option<Array2<f32>> {
    let pixels = |spans: f32| (spans * span + 0.5) as usize;
    let of = |y: usize, x: usize| axes.of_half(y, x);
    let above = |y: usize, x: usize| of(y, x).1 < DOWN;
    let near_face = || {
        let skin = halve(layers.shares[0].view());
        let skin = bands::plane(skin.dim(), |y, x| {
            f32::from(u8::from(skin[[y, x]] > SKIN && above(y, x)))
        });
        // The face's own alone: a flag's star may pass for skin.
        let middle = bands::plane(skin.dim(), |y, x| {
            let (beside, down) = of(y, x);
            beside.abs() < MIDDLE.0 && down > MIDDLE.1
        });
        let skin = flooded(&skin.mapv(|skin| 1.0 - skin), &middle);
        dilate(skin.view(), pixels(NEAR))
    };
    let from_outside = || {
        let alpha = halve(layers.alpha.view());
        let passage = pixels(0.5 * PASSAGE);
        let bare = alpha.mapv(|a| f32::from(u8::from(a < BARE)));
        let open = erode(bare.view(), passage);
        let (high, wide) = open.dim();
        let edge = |(y, x): (usize, usize)| y == 0 || x == 0 || y + 1 == high || x + 1 == wide;
        let outside = Array2::from_shape_fn((high, wide), edge);
        let reached = flooded(&open.mapv(|open| 1.0 - open), &outside);
        (alpha, dilate(reached.view(), passage + pixels(SOFT)))
    };
    let (near, (alpha, reached)) = bands::both(near_face, from_outside);
    let closed = bands::plane(alpha.dim(), |y, x| {
        let at = [y, x];
        let shows = near[at] > 0.5 && alpha[at] < 0.99 && above(y, x);
        f32::from(u8::from(shows && reached[at] < 0.5))
    });
    if !closed.iter().any(|closed| *closed > 0.0) {
        return None;
    }
    Some(gaussian(dilate(closed.view(), AROUND).view(), EDGE))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Point;

    /// A face with hair around it, a hole in the hair at each of `holes` (row, column, half side).
    fn head(holes: &[(usize, usize, usize)]) -> (Layers, Axes) {
        let dim = (300, 240);
        let inside = |y: usize, x: usize, side: usize| {
            (150_usize).abs_diff(y) < side && 120_usize.abs_diff(x) < side
        };
        let hole = |y: usize, x: usize| {
            let at = |&(row, column, half): &(usize, usize, usize)| {
                row.abs_diff(y) <= half && column.abs_diff(x) <= half
            };
            holes.iter().any(at)
        };
        let alpha = Array2::from_shape_fn(dim, |(y, x)| {
            f32::from(u8::from(inside(y, x, 80) && !hole(y, x)))
        });
        let skin = Array2::from_shape_fn(dim, |(y, x)| f32::from(u8::from(inside(y, x, 50))));
        let hair = &alpha - &(&alpha * &skin);
        let none = || Array2::zeros(dim);
        let layers = Layers {
            shares: [&alpha * &skin, hair, none(), none()],
            alpha,
            alike: 0.0,
        };
        let eyes = [Point { x: 100.0, y: 150.0 }, Point { x: 140.0, y: 150.0 }];
        (layers, Axes::new(eyes, Point { x: 120.0, y: 230.0 }))
    }

    #[test]
    fn a_hole_beside_the_forehead_is_closed() {
        let (mut layers, axes) = head(&[(110, 175, 3)]);
        close(&mut layers, &axes, 40.0);
        assert!(layers.alpha[[110, 175]] > 0.99);
        assert!(layers.shares[1][[110, 175]] > 0.99);
        let sum = layers
            .shares
            .iter()
            .fold(Array2::zeros((300, 240)), |sum, s| sum + s);
        assert!((&sum - &layers.alpha).iter().all(|d: &f32| d.abs() < 1e-5));
    }

    /// Below the ears, far from the skin, at the rim, and a bay of the backdrop.
    #[test]
    fn gaps_elsewhere_stay() {
        let (mut layers, axes) = head(&[(180, 175, 3), (82, 120, 3), (110, 194, 5)]);
        let before = layers.alpha.clone();
        close(&mut layers, &axes, 40.0);
        assert_eq!(layers.alpha, before);
    }
}
