//! Skin or cloth, hair or cloth, by the sitter's own colours.
//!
//! The parts net knows cloth from many sitters, but not this one's: a dark neck above a plum top it takes
//! for cloth. What it is surest of tells better: the face's colours are skin's, those of the surest cloth
//! are cloth's, and those of the surest hair are hair's. The likelihood ratio of two (Swain and Ballard,
//! *Color indexing*, IJCV 7(1), 1991, for colours kept as histograms; Jones and Rehg, *Statistical color
//! models with application to skin detection*, IJCV 46(1), 2002, equation 6) moves the odds between them
//! and nothing else. A colour that neither holds, as a shaded arm's may be, is told by its tint alone,
//! which shade changes least. Tints that neither holds, or both, move nothing: a white collar on which the
//! face's highlights fall stays what the net says.

use ndarray::{Array2, Array3, Axis};

use super::nets::CLASSES;
use crate::picture::bands;
use crate::picture::filter::gaussian;
use crate::picture::math::{exp, ln};

/// Classes: face skin, body skin, hair, clothing.
const FACE: usize = 1;
const BODY: usize = 2;
const HAIR: usize = 3;
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

/// Share of a tint, all its lightnesses together, that counts as never seen, and the share of a bin
/// below which the tint is asked more than the bin.
const UNSEEN_TINT: f32 = 3e-3;
const RARE: f32 = 1e-3;

/// Standard deviation of the blur of what single pixels say, in eye spans: finer than a net's pixel, so
/// that a slit of skin keeps its shape; weave and pores are finer still.
const BLUR: f32 = 0.015;

/// How much what is told counts against the net's log odds, which are soft and wrong together over whole
/// arms. On the rendered sitters skin taken for cloth falls from 5,700 pixels of the half-size picture to
/// 4,000 with 1.5 and 2,600 with this, and of the reverse there are as many; whole collars of real
/// sitters come right. Hair's colours are nearer to cloth's: with 3 pinstripes became hair.
const SKIN_GAIN: f32 = 3.0;
const HAIR_GAIN: f32 = 2.0;

/// Share of hair by the nets from which its colours are heard in full.
const HEARD: f32 = 0.15;

/// Values at which logarithms are looked up.
const STEPS: usize = 512;

/// Moves what is skin, what is hair and what is cloth in `classes` (probabilities, `[11, h, w]`) by the
/// colours of `shown`, sRGB-encoded and of the same size; `span` is the eye span in its pixels.
pub(super) fn settle(classes: &mut Array3<f32>, shown: &[Array2<f32>; 3], span: f32) {
    let (count, high, wide) = classes.dim();
    if count != CLASSES || shown.iter().any(|plane| plane.dim() != (high, wide)) {
        return;
    }
    let bins = bins(shown);
    // The face teaches, which is never clothed; face and neck follow.
    part(classes, &bins, [FACE, BODY], SKIN_GAIN, span);
    part(classes, &bins, [HAIR, HAIR], HAIR_GAIN, span);
}

/// Each pixel's place in a histogram.
fn bins(shown: &[Array2<f32>; 3]) -> Array2<u16> {
    let logs: Vec<f32> = (0..=STEPS)
        .map(|i| ln(i as f32 / STEPS as f32 + 0.02))
        .collect();
    let log = |v: f32| logs[(v.max(0.0).min(1.0) * STEPS as f32) as usize];
    Array2::from_shape_fn(shown[0].dim(), |at| {
        let [r, g, b] = [0, 1, 2].map(|c| log(shown[c][at]));
        let place = [(r - g) / WIDTH[0], (g - b) / WIDTH[1], g / WIDTH[2]];
        // Neutral stands at a third, since skin and most cloth are warm; the lightest bin is white.
        let neutral = [BINS[0] / 3, BINS[1] / 3, BINS[2] - 1];
        let index = |k: usize| {
            let last = (BINS[k] - 1) as f32;
            (place[k] + neutral[k] as f32).max(0.0).min(last) as usize
        };
        // At most 24 * 24 * 16, see [`BINS`].
        ((index(0) * BINS[1] + index(1)) * BINS[2] + index(2)) as u16
    })
}

/// Moves the odds of two classes (or of one, given twice), of which the first teaches, against cloth's.
fn part(
    classes: &mut Array3<f32>,
    bins: &Array2<u16>,
    [first, second]: [usize; 2],
    gain: f32,
    span: f32,
) {
    let (high, wide) = bins.dim();
    let total = BINS[0] * BINS[1] * BINS[2];
    let (mut own, mut cloth) = (vec![0.0_f32; total], vec![0.0_f32; total]);
    for ((y, x), &bin) in bins.indexed_iter() {
        if classes[[first, y, x]] > SURE {
            own[usize::from(bin)] += 1.0;
        } else if classes[[CLOTH, y, x]] > SURE {
            cloth[usize::from(bin)] += 1.0;
        }
    }
    let (Some(own), Some(cloth)) = (spread(own), spread(cloth)) else {
        return;
    };
    let tint = |bins: &[f32], at: usize| {
        let first = at / BINS[2] * BINS[2];
        bins[first..first + BINS[2]].iter().fold(0.0, |a, b| a + b)
    };
    let ratio: Vec<f32> = (0..total)
        .map(|at| {
            let (s, c) = (own[at], cloth[at]);
            let by_tint = (tint(&own, at) + UNSEEN_TINT) / (tint(&cloth, at) + UNSEEN_TINT);
            ln((s + UNSEEN) / (c + UNSEEN)) + RARE / (RARE + s.max(c)) * ln(by_tint)
        })
        .collect();
    let shares = |classes: &Array3<f32>, y: usize, x: usize| {
        let other = if second == first {
            0.0
        } else {
            classes[[second, y, x]]
        };
        [classes[[first, y, x]], other, classes[[CLOTH, y, x]]]
    };
    let mut told = Array2::<f32>::zeros((high, wide));
    let values = told.as_slice_mut().expect("just made");
    let seen = &*classes;
    bands::each_piece(values, wide, |y, row| {
        for (x, told) in row.iter_mut().enumerate() {
            // Weighed by how much there is to tell, so that what is neither says nothing.
            let [a, b, c] = shares(seen, y, x);
            *told = (a + b + c) * ratio[usize::from(bins[[y, x]])];
        }
    });
    let told = gaussian(told.view(), BLUR * span);
    for y in 0..high {
        for x in 0..wide {
            let [one, other, cloth] = shares(classes, y, x);
            let (own, all) = (one + other, one + other + cloth);
            if all < 0.02 {
                continue;
            }
            let mut told = told[[y, x]];
            if first == HAIR {
                // Thin hair before a pale wall has pale cloth's colours, so hair is not told away. Grey hair
                // has a white collar's: where the nets see next to none, colours bring none.
                told = told.max(0.0) * (own / (HEARD * all)).min(1.0);
            }
            let odds = (own + 1e-6) / (cloth + 1e-6) * exp(gain * told);
            let new = all * odds / (1.0 + odds);
            classes[[CLOTH, y, x]] = all - new;
            if second == first {
                classes[[first, y, x]] = new;
            } else {
                let in_first = (one + 1e-4) / (own + 2e-4);
                classes[[first, y, x]] = new * in_first;
                classes[[second, y, x]] = new * (1.0 - in_first);
            }
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
