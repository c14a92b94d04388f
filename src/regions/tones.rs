//! Skin or cloth, by the sitter's own colours.
//!
//! The parts net knows cloth from many sitters, but not this one's: a dark neck above a plum top it takes
//! for cloth. What it is surest of tells better: the face's colours are skin's, those of the
//! surest cloth are cloth's. The likelihood ratio of both (Swain and Ballard, *Color indexing*,
//! IJCV 7(1), 1991, for colours kept as histograms; Jones and Rehg, *Statistical color models
//! with application to skin detection*, IJCV 46(1), 2002, equation 6) moves the odds between the two
//! and nothing else. Colours that neither holds, or both, move nothing: a white collar on which the
//! face's highlights fall stays what the net says.

use ndarray::{Array2, Array3, Axis};

use super::nets::CLASSES;
use crate::picture::bands;
use crate::picture::filter::gaussian;
use crate::picture::math::{exp, ln};

/// Classes: face skin, body skin, clothing.
const FACE: usize = 1;
const BODY: usize = 2;
const CLOTH: usize = 4;

/// Probability from which a place teaches its colour.
const SURE: f32 = 0.96;

/// Places that a colour must be learnt from at least, else nothing is done.
const FEWEST: f32 = 50.0;

/// Bins of ln R/G, ln G/B and ln G of sRGB-encoded values, and their widths. Skin in light and
/// shade fills about three of each; common practice, no source.
const BINS: [usize; 3] = [24, 24, 16];
const WIDTH: [f32; 3] = [0.055, 0.055, 0.23];

/// Share of a bin that counts as never seen. A third of it made the collars of some portraits skin,
/// three times as much left half of the rendered necks cloth.
const UNSEEN: f32 = 1e-3;

/// Standard deviation of the blur of what single pixels say, in eye spans: 0.015 to 0.06 scored alike.
const BLUR: f32 = 0.03;

/// Values at which logarithms are looked up.
const STEPS: usize = 512;

/// Moves what is skin and what is cloth in `classes` (probabilities, `[11, h, w]`) by the colours of
/// `shown`, sRGB-encoded and of the same size; `span` is the eye span in its pixels.
pub(super) fn settle(classes: &mut Array3<f32>, shown: &[Array2<f32>; 3], span: f32) {
    let (count, high, wide) = classes.dim();
    if count != CLASSES || shown.iter().any(|plane| plane.dim() != (high, wide)) {
        return;
    }
    let logs: Vec<f32> = (0..=STEPS)
        .map(|i| ln(i as f32 / STEPS as f32 + 0.02))
        .collect();
    let log = |v: f32| logs[(v.max(0.0).min(1.0) * STEPS as f32) as usize];
    let bin = |at: (usize, usize)| {
        let [r, g, b] = [0, 1, 2].map(|c| log(shown[c][at]));
        let place = [(r - g) / WIDTH[0], (g - b) / WIDTH[1], g / WIDTH[2]];
        // Neutral stands at a third, since skin and most cloth are warm; the lightest bin is white.
        let neutral = [BINS[0] / 3, BINS[1] / 3, BINS[2] - 1];
        let index = |k: usize| {
            let last = (BINS[k] - 1) as f32;
            (place[k] + neutral[k] as f32).max(0.0).min(last) as usize
        };
        (index(0) * BINS[1] + index(1)) * BINS[2] + index(2)
    };
    let total = BINS[0] * BINS[1] * BINS[2];
    let (mut skin, mut cloth) = (vec![0.0_f32; total], vec![0.0_f32; total]);
    for y in 0..high {
        for x in 0..wide {
            if classes[[FACE, y, x]] > SURE {
                skin[bin((y, x))] += 1.0;
            } else if classes[[CLOTH, y, x]] > SURE {
                cloth[bin((y, x))] += 1.0;
            }
        }
    }
    let (Some(skin), Some(cloth)) = (spread(skin), spread(cloth)) else {
        return;
    };
    let ratio: Vec<f32> = skin
        .iter()
        .zip(&cloth)
        .map(|(s, c)| ln((s + UNSEEN) / (c + UNSEEN)))
        .collect();
    let mut told = Array2::<f32>::zeros((high, wide));
    let values = told.as_slice_mut().expect("just made");
    let either = |at: [usize; 2]| {
        let [y, x] = at;
        classes[[FACE, y, x]] + classes[[BODY, y, x]] + classes[[CLOTH, y, x]]
    };
    bands::each_piece(values, wide, |y, row| {
        for (x, told) in row.iter_mut().enumerate() {
            // Weighed by how much there is to tell, so that hair and backdrop say nothing.
            *told = either([y, x]) * ratio[bin((y, x))];
        }
    });
    let told = gaussian(told.view(), BLUR * span);
    for y in 0..high {
        for x in 0..wide {
            let [face, body, cloth] = [FACE, BODY, CLOTH].map(|k| classes[[k, y, x]]);
            let (skin, all) = (face + body, face + body + cloth);
            if all < 0.02 {
                continue;
            }
            let odds = (skin + 1e-6) / (cloth + 1e-6) * exp(told[[y, x]]);
            let new = all * odds / (1.0 + odds);
            let in_face = (face + 1e-4) / (skin + 2e-4);
            classes[[FACE, y, x]] = new * in_face;
            classes[[BODY, y, x]] = new * (1.0 - in_face);
            classes[[CLOTH, y, x]] = all - new;
        }
    }
}

/// A histogram as shares, spread over neighbouring bins by 1, 2, 1 twice each way; `None` of too few.
fn spread(mut bins: Vec<f32>) -> Option<Vec<f32>> {
    let sum = bins.iter().fold(0.0, |a, b| a + b);
    if sum < FEWEST {
        return None;
    }
    bins.iter_mut().for_each(|v| *v /= sum);
    let mut cube = Array3::from_shape_vec((BINS[0], BINS[1], BINS[2]), bins).ok()?;
    for axis in 0..3 {
        for mut lane in cube.lanes_mut(Axis(axis)) {
            for _ in 0..2 {
                let mut before = lane[0];
                for i in 0..lane.len() {
                    let here = lane[i];
                    let after = lane[(i + 1).min(lane.len() - 1)];
                    lane[i] = 0.25 * before + 0.5 * here + 0.25 * after;
                    before = here;
                }
            }
        }
    }
    Some(cube.into_raw_vec_and_offset().0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A face above, cloth below, and between them a neck that the net takes for cloth.
    fn sitter(neck: [f32; 3]) -> (Array3<f32>, [Array2<f32>; 3]) {
        let (high, wide) = (60, 40);
        let mut classes = Array3::zeros((CLASSES, high, wide));
        let colour = |y: usize| match y {
            0..20 => [0.40, 0.28, 0.22],
            20..40 => neck,
            _ => [0.55, 0.15, 0.35],
        };
        for y in 0..high {
            let share = match y {
                0..20 => [0.98, 0.0, 0.0],
                20..40 => [0.0, 0.25, 0.75],
                _ => [0.0, 0.01, 0.99],
            };
            for x in 0..wide {
                for (class, share) in [FACE, BODY, CLOTH].into_iter().zip(share) {
                    classes[[class, y, x]] = share;
                }
            }
        }
        let plane = |c: usize| Array2::from_shape_fn((high, wide), |(y, _)| colour(y)[c]);
        (classes, [plane(0), plane(1), plane(2)])
    }

    #[test]
    fn a_neck_of_the_faces_colour_is_skin() {
        let (mut classes, shown) = sitter([0.40, 0.28, 0.22]);
        settle(&mut classes, &shown, 40.0);
        assert!(classes[[BODY, 30, 20]] + classes[[FACE, 30, 20]] > 0.8);
        assert!(classes[[CLOTH, 55, 20]] > 0.95);
    }

    #[test]
    fn a_colour_that_neither_has_moves_nothing() {
        let (mut classes, shown) = sitter([0.1, 0.5, 0.8]);
        settle(&mut classes, &shown, 40.0);
        assert!((classes[[CLOTH, 30, 20]] - 0.75).abs() < 0.05);
    }

    #[test]
    fn shares_are_kept() {
        let (mut classes, shown) = sitter([0.40, 0.28, 0.22]);
        let before = classes.sum_axis(Axis(0));
        settle(&mut classes, &shown, 40.0);
        let after = classes.sum_axis(Axis(0));
        assert!(before.iter().zip(&after).all(|(a, b)| (a - b).abs() < 1e-5));
    }
}
