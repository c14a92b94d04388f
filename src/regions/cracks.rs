//! Skin is opaque: no backdrop shows through it along a lit edge.
//!
//! Where a rim light runs along an ear or a neck, there is a line between it and the shaded skin beside it
//! that has a grey backdrop's very colour, and what is told by colour becomes a crack through which the new
//! wall is seen. A closing (Serra, *Image Analysis and Mathematical Morphology*, 1982) of what is surely
//! skin finds such lines: they have skin on both sides, and the parts net calls them skin too. The outline's
//! own softness, gaps beside hair and cloth, and bays wider than a crack stay as they are.

use ndarray::{Array2, Array3};

use super::crop::halve;
use super::matting::Layers;
use super::nets::COARSE;
use super::plane::resized;
use crate::picture::bands;
use crate::picture::filter::{dilate, erode, gaussian};

/// Classes: face skin, body skin.
const FACE: usize = 1;
const BODY: usize = 2;

/// Half the width up to which a line is a crack, and how deep inside what is closed a place must lie, in eye
/// spans: an outline's softness ends within that. The crack beside a rendered neck's rim light is 0.03 wide.
/// Of four rendered sitters one gains 0.33 thousand pixels of alpha so, two next to nothing, and a fourth
/// 0.03 right and 0.02 wrong.
const WIDE: f32 = 0.039;
const DEEP: f32 = 0.026;

/// Share of skin in a place from which it is skin's, and the parts net's probability of skin from which a place
/// may be closed; alpha from which nothing is missing.
const SKIN: f32 = 0.5;
const LIKELY: f32 = 0.6;
const WHOLE: f32 = 0.99;

/// How far around it what is closed is widened, and deviation of the blur at its edge, in half-size pixels.
const AROUND: usize = 1;
const EDGE: f32 = 0.7;

/// Closes cracks in skin; `classes`: the parts net's probabilities at half size; `span`: the eye span in
/// picture pixels.
pub(super) fn close(layers: &mut Layers, classes: &Array3<f32>, span: f32) {
    let Some(inside) = inside(layers, classes, span / COARSE as f32) else {
        return;
    };
    let dim = layers.alpha.dim();
    let inside = resized(inside.view(), dim, 1.0 / COARSE as f32);
    let [skin, ..] = &mut layers.shares;
    let planes = [&mut layers.alpha, skin];
    let planes = planes.map(|plane| plane.as_slice_mut().expect("planes are contiguous"));
    bands::each_piece_of_all(planes, dim.1, |y, rows| {
        let [alpha, skin] = rows else { return };
        for (x, (alpha, skin)) in alpha.iter_mut().zip(skin.iter_mut()).enumerate() {
            let missing = inside[[y, x]] * (1.0 - *alpha);
            *alpha += missing;
            *skin += missing;
        }
    });
}

/// How far a place is a crack in skin, at half size; `span` is the eye span there. Nothing where there is none.
fn inside(layers: &Layers, classes: &Array3<f32>, span: f32) -> Option<Array2<f32>> {
    let alpha = halve(layers.alpha.view());
    let skin = halve(layers.shares[0].view()).mapv(|skin| f32::from(u8::from(skin > SKIN)));
    let (_, high, wide) = classes.dim();
    if (high, wide) != alpha.dim() {
        return None;
    }
    let pixels = |spans: f32| (spans * span + 0.5) as usize;
    let (wide, deep) = (pixels(WIDE), pixels(DEEP));
    let mut cracks = erode(dilate(skin.view(), wide).view(), wide + deep);
    let mut any = false;
    for (((y, x), crack), alpha) in cracks.indexed_iter_mut().zip(&alpha) {
        let open = *crack > 0.5 && *alpha < WHOLE;
        let open = open && classes[[FACE, y, x]] + classes[[BODY, y, x]] > LIKELY;
        any |= open;
        *crack = f32::from(u8::from(open));
    }
    any.then(|| gaussian(dilate(cracks.view(), AROUND).view(), EDGE))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::regions::nets::CLASSES;

    const SPAN: f32 = 156.0;

    /// A neck 100 pixels wide with `alpha` in it, all of `group`; the net says skin all over.
    fn neck(group: usize, alpha: impl Fn(usize, usize) -> f32) -> (Layers, Array3<f32>) {
        let dim = (120, 160);
        let alpha = Array2::from_shape_fn(dim, |(y, x)| {
            if (30..130).contains(&x) {
                alpha(y, x)
            } else {
                0.0
            }
        });
        let shares = std::array::from_fn(|k| {
            if k == group {
                alpha.clone()
            } else {
                Array2::zeros(dim)
            }
        });
        let layers = Layers {
            alpha,
            shares,
            alike: 0.0,
        };
        let mut classes = Array3::zeros((CLASSES, dim.0 / 2, dim.1 / 2));
        classes.index_axis_mut(ndarray::Axis(0), BODY).fill(1.0);
        (layers, classes)
    }

    fn groove(y: usize, x: usize) -> f32 {
        if (30..90).contains(&y) && (110..115).contains(&x) {
            0.2
        } else {
            1.0
        }
    }

    #[test]
    fn a_groove_in_skin_is_closed() {
        let (mut layers, classes) = neck(0, groove);
        close(&mut layers, &classes, SPAN);
        assert!(
            layers.alpha[[60, 112]] > 0.95,
            "{}",
            layers.alpha[[60, 112]]
        );
        let apart = (&layers.shares[0] - &layers.alpha).mapv(f32::abs);
        assert!(apart.iter().all(|d| *d < 1e-5));
    }

    /// In hair, where the net sees no skin, and a gap wider than a crack.
    #[test]
    fn other_gaps_and_the_outline_stay() {
        let (mut layers, classes) = neck(1, groove);
        let before = layers.alpha.clone();
        close(&mut layers, &classes, SPAN);
        assert_eq!(layers.alpha, before);
        let (mut layers, mut classes) = neck(0, groove);
        classes.fill(0.0);
        close(&mut layers, &classes, SPAN);
        assert_eq!(layers.alpha, before);
        let (mut layers, classes) = neck(0, |y, x| {
            if (30..90).contains(&y) && (60..90).contains(&x) {
                0.0
            } else {
                1.0
            }
        });
        let before = layers.alpha.clone();
        close(&mut layers, &classes, SPAN);
        assert_eq!(layers.alpha, before);
    }
}
