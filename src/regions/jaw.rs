//! Shade under a chin is no hair.
//!
//! The parts net takes the deepest shade on a neck for hair in doubt, and the colours of dark hair then settle
//! it: a black strip runs along the jaw, hair is crisped there and skin left rough. But what grows under a
//! jaw is a beard ([`super::beard`] sees those), and what falls there from the head is hair the net is sure of,
//! and its edge. Of everything else doubt is taken away.

use ndarray::{Array3, Axis};

use super::nets::{Axes, CLASSES};
use crate::picture::bands;
use crate::picture::filter::dilate;

/// Classes: face skin, body skin, hair, clothing.
const FACE: usize = 1;
const BODY: usize = 2;
const HAIR: usize = 3;
const CLOTH: usize = 4;

/// The chin in the face's own units, beside the middle at most and below the eyes; cloth in doubt is a shirt's
/// light on it.
const CHIN: (f32, [f32; 2]) = (0.25, [0.75, 1.02]);

/// Where the shade of a chin falls, same units: beside the middle (wholly, and at all), by how much less for each
/// unit below [`NARROWS`] (hair falls in front of a neck from its sides), and below the eyes.
const BESIDE: [f32; 2] = [0.45, 0.55];
const LESS: f32 = 0.9;
const NARROWS: f32 = 1.05;
const BELOW: [f32; 2] = [0.85, 0.95];
const END: [f32; 2] = [1.4, 1.5];

/// Probability from which the net is sure of hair, that up to which it is in doubt, and how far, in eye spans,
/// sure hair has an edge.
const SURE: f32 = 0.9;
const DOUBT: f32 = 0.7;
const EDGE: f32 = 0.2;

/// Takes hair in doubt away under a chin that has no beard, in `classes` (probabilities, `[11, h, w]`, half size);
/// `span`: eye span in its pixels.
pub(super) fn settle(classes: &mut Array3<f32>, axes: &Axes, span: f32) {
    let (count, high, wide) = classes.dim();
    if count != CLASSES {
        return;
    }
    let of = |y: usize, x: usize| axes.of_half(y, x);
    let hair = classes.index_axis(Axis(0), HAIR);
    let ramp = |v: f32, [low, high]: [f32; 2]| ((v - low) / (high - low)).max(0.0).min(1.0);
    let sure = hair.mapv(|hair| f32::from(u8::from(hair > SURE)));
    let edge = dilate(sure.view(), (EDGE * span + 0.5) as usize);
    let doubt = bands::plane((high, wide), |y, x| {
        let (beside, down) = of(y, x);
        let beside = beside.abs() + LESS * (down - NARROWS).max(0.0);
        let here = (1.0 - ramp(beside, BESIDE)) * ramp(down, BELOW) * (1.0 - ramp(down, END));
        let unsure = 1.0 - ramp(classes[[HAIR, y, x]], [DOUBT, SURE]);
        here * unsure * (1.0 - edge[[y, x]])
    });
    for ((y, x), doubt) in doubt.indexed_iter() {
        let (beside, down) = of(y, x);
        let on_chin = beside.abs() < CHIN.0 && down > CHIN.1[0] && down < CHIN.1[1];
        let mut less = doubt * classes[[HAIR, y, x]];
        classes[[HAIR, y, x]] -= less;
        if on_chin && classes[[CLOTH, y, x]] < 0.5 {
            less += classes[[CLOTH, y, x]];
            classes[[CLOTH, y, x]] = 0.0;
        }
        let (face, body) = (classes[[FACE, y, x]], classes[[BODY, y, x]]);
        // What is nothing else is the neck.
        let share = face / (face + body + 1e-4);
        classes[[FACE, y, x]] += less * share;
        classes[[BODY, y, x]] += less * (1.0 - share);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Point;

    /// A face 100 pixels from eyes to chin, skin all over but for `hair`.
    fn sitter(hair: impl Fn(usize, usize) -> f32) -> (Array3<f32>, Axes) {
        let mut classes = Array3::zeros((CLASSES, 120, 100));
        for y in 0..120 {
            for x in 0..100 {
                classes[[HAIR, y, x]] = hair(y, x);
                classes[[if y < 75 { FACE } else { BODY }, y, x]] = 1.0 - hair(y, x);
            }
        }
        let eyes = [Point { x: 74.0, y: 40.0 }, Point { x: 126.0, y: 40.0 }];
        (classes, Axes::new(eyes, Point { x: 100.0, y: 140.0 }))
    }

    #[test]
    fn doubt_under_a_shaven_chin_goes() {
        let (mut classes, axes) = sitter(|y, _| if (72..80).contains(&y) { 0.5 } else { 0.0 });
        settle(&mut classes, &axes, 26.0);
        assert!(classes[[HAIR, 75, 50]] < 0.01 && classes[[BODY, 78, 50]] > 0.99);
        let sum = classes.sum_axis(Axis(0));
        assert!(sum.iter().all(|sum| (sum - 1.0).abs() < 1e-5));
    }

    #[test]
    fn falling_hair_stays() {
        let (mut classes, axes) = sitter(|_, x| match x {
            0..34 => 0.97,
            34..37 => 0.5,
            _ => 0.0,
        });
        let before = classes.clone();
        settle(&mut classes, &axes, 26.0);
        assert_eq!(classes, before);
    }
}
