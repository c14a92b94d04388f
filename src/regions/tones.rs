//! Skin or cloth, hair or cloth, by the sitter's own colours.
//!
//! The parts net knows cloth from many sitters, but not this one's: a dark neck above a plum top it takes
//! for cloth. What it is surest of tells better: the face's colours are skin's, those of the surest cloth
//! are cloth's, and those of the surest hair are hair's. The likelihood ratio of two (Swain and Ballard,
//! *Color indexing*, IJCV 7(1), 1991, for colours kept as histograms; Jones and Rehg, *Statistical color
//! models with application to skin detection*, IJCV 46(1), 2002, equation 6) moves the odds between them
//! and nothing else. A colour that neither holds, as a shaded arm's may be, is told by its tint alone,
//! which shade changes least, and by the light that skin and cloth throw on each other ([`super::bounce`]).
//! Tints that neither holds, or both, move nothing: a white collar on which the face's highlights fall stays
//! what the net says.

use ndarray::{Array2, Array3, Axis};

use super::bounce;
use super::nets::{Axes, CLASSES};
use super::shades::flat;
use crate::picture::bands;
use crate::picture::filter::gaussian;
use crate::picture::math::{exp, ln};

/// Classes: backdrop, face skin, body skin, hair, clothing.
const NONE: usize = 0;
const FACE: usize = 1;
const BODY: usize = 2;
const HAIR: usize = 3;
const CLOTH: usize = 4;

/// Probability from which a place teaches its colour.
const SURE: f32 = 0.96;

/// Places that a colour must be learnt from at least, else nothing is done.
const FEWEST: f32 = 50.0;

/// Where a face is at most, in its own units beside and below the eyes: what the nets take for a face
/// elsewhere (a flag's stars, a white hat) teaches nothing.
const BESIDE: f32 = 0.85;
const DOWN: [f32; 2] = [-0.5, 1.05];

/// Same units: where a head's hair ends at the latest, where beards grow (beside the middle, below the eyes), and
/// where a throat is.
const HEAD: f32 = 0.5;
const BEARD: (f32, f32) = (0.6, 1.15);
const THROAT: (f32, f32) = (0.35, 1.2);

/// Bins of ln R/G, ln G/B and ln G of sRGB-encoded values, and their widths. Skin in light and
/// shade fills about three of each; common practice, no source.
pub(super) const BINS: [usize; 3] = [24, 24, 16];
pub(super) const WIDTH: [f32; 3] = [0.055, 0.055, 0.23];

/// The places where the logarithms are 0. Neutral stands at a third, since skin and most cloth are warm; the
/// lightest bin is white.
pub(super) const NEUTRAL: [f32; 3] = [
    (BINS[0] / 3) as f32,
    (BINS[1] / 3) as f32,
    (BINS[2] - 1) as f32,
];

/// Share of a bin that counts as never seen. A third of it made the collars of some portraits skin,
/// three times as much left half of the rendered necks cloth.
const UNSEEN: f32 = 1e-3;

/// Share of a tint, all its lightnesses together, that counts as never seen, and the share of a bin
/// below which the tint is asked more than the bin.
pub(super) const UNSEEN_TINT: f32 = 3e-3;
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

/// Backdrop up to which a place is surely inside the sitter, and log odds that take hair away at most there.
const WALL: f32 = 0.02;
const AWAY: f32 = 1.5;

/// Deviation by which the tint of a neck may differ from its face's, added to the face's own, in ln R/G and
/// ln G/B; squared deviations from which a tint begins to be foreign, and from which it is; log odds then. Of the
/// skin of neck and chest of nine rendered sitters and sixteen portraits 97 in a hundred places are nearer than the
/// first, half of nearly everybody's cloth is farther than the second.
const SHIFT: f32 = 0.1;
const FAR: [f32; 2] = [7.0, 12.0];
const MOST: f32 = 1.5;

/// How far below the face's usual lightness a place still counts as lit, in bins: in shade, skin has the colours
/// of brown hair.
const SHADE: usize = 4;

/// Values at which logarithms are looked up.
const STEPS: usize = 512;

/// Moves what is skin, what is hair and what is cloth in `classes` (probabilities, `[11, h, w]`) by the
/// colours of `shown`, sRGB-encoded and of the same size; `span` is the eye span in its pixels.
pub(super) fn settle(classes: &mut Array3<f32>, shown: &[Array2<f32>; 3], axes: &Axes, span: f32) {
    let (count, high, wide) = classes.dim();
    if count != CLASSES || shown.iter().any(|plane| plane.dim() != (high, wide)) {
        return;
    }
    let bins = bins(shown);
    let of = |y: usize, x: usize| axes.of_half(y, x);
    let on_face = |y: usize, x: usize| {
        let (beside, down) = of(y, x);
        beside.abs() < BESIDE && down > DOWN[0] && down < DOWN[1]
    };
    // The face teaches, which is never clothed; face and neck follow.
    let face = learnt(classes, FACE, &bins, on_face);
    // Lower a white collar may pass for hair.
    let on_head = |y: usize, x: usize| of(y, x).1 < HEAD;
    let hair = learnt(classes, HAIR, &bins, on_head);
    let cloth = learnt(classes, CLOTH, &bins, |_, _| true);
    if let (Some(face), Some(cloth)) = (&face, &cloth) {
        let mut told = ratios(face, cloth, hair.as_deref());
        let bounced = bounce::told(face, cloth, hair.as_deref());
        told.iter_mut().zip(bounced).for_each(|(t, b)| *t += b);
        let pair = Pair {
            own: [FACE, BODY],
            against: CLOTH,
            told: &told,
            gain: SKIN_GAIN,
        };
        pair.part(classes, &bins, span, |told, _, _| told);
    }
    if let Some(face) = &face {
        let pair = Pair {
            own: [FACE, BODY],
            against: CLOTH,
            told: &far(face, hair.as_deref()),
            gain: SKIN_GAIN,
        };
        pair.part(classes, &bins, span, |told, _, [y, x]| {
            // Shirts shine up at throats.
            let (beside, down) = of(y, x);
            let throat = beside.abs() < THROAT.0 && down < THROAT.1;
            if throat { 0.0 } else { told }
        });
    }
    let Some(hair) = &hair else { return };
    // Where the nets see next to none, colours bring none.
    let heard = |classes: &Array3<f32>, [y, x]: [usize; 2]| {
        let all = [FACE, BODY, HAIR, CLOTH].map(|k| classes[[k, y, x]]);
        let all = all.iter().fold(0.0, |sum, v| sum + v);
        (classes[[HAIR, y, x]] / (HEARD * all)).min(1.0)
    };
    // Of what became skin there, nothing is cloth's any more.
    if let Some(cloth) = learnt(classes, CLOTH, &bins, |_, _| true) {
        let pair = Pair {
            own: [HAIR, HAIR],
            against: CLOTH,
            told: &ratios(hair, &cloth, None),
            gain: HAIR_GAIN,
        };
        pair.part(classes, &bins, span, |told, classes, at| {
            // Thin hair before a pale wall has pale cloth's colours, so there hair is not told away.
            let (beside, down) = of(at[0], at[1]);
            let beard = beside.abs() < BEARD.0 && down < BEARD.1 || down < HEAD;
            let inside = classes[[NONE, at[0], at[1]]] < WALL && !beard;
            let least = if inside { -AWAY } else { 0.0 };
            told.max(least).min(0.0) + told.max(0.0) * heard(classes, at)
        });
    }
    if let Some(face) = &face {
        let shade = lit(face);
        let mut told = ratios(hair, face, None);
        for (at, told) in told.iter_mut().enumerate() {
            if at % BINS[2] < shade {
                *told = 0.0;
            }
        }
        let pair = Pair {
            own: [HAIR, HAIR],
            against: BODY,
            told: &told,
            gain: HAIR_GAIN,
        };
        pair.part(classes, &bins, span, |told, classes, at| {
            told.max(0.0) * heard(classes, at)
        });
    }
}

/// How far each bin's tint is from all that a face has: log odds against skin of the same person. Shade is left
/// out, where little light of many colours falls, and so are hair's own tints.
fn far(face: &[f32], hair: Option<&[f32]>) -> Vec<f32> {
    let offset = |at: usize| {
        let (first, second) = (at / BINS[2] / BINS[1], at / BINS[2] % BINS[1]);
        [first as f32 * WIDTH[0], second as f32 * WIDTH[1]]
    };
    let mean = |of: &dyn Fn(usize) -> f32| {
        let weighed = face.iter().enumerate().map(|(at, share)| share * of(at));
        weighed.fold(0.0, |sum, v| sum + v)
    };
    let middle = [0, 1].map(|k| mean(&|at| offset(at)[k]));
    let spread = [0, 1].map(|k| {
        let off = |at: usize| offset(at)[k] - middle[k];
        mean(&|at| off(at) * off(at)) + SHIFT * SHIFT
    });
    let shade = lit(face);
    (0..face.len())
        .map(|at| {
            if at % BINS[2] < shade {
                return 0.0;
            }
            let off: [f32; 2] = std::array::from_fn(|k| offset(at)[k] - middle[k]);
            let square = off[0] * off[0] / spread[0] + off[1] * off[1] / spread[1];
            let foreign = ((square - FAR[0]) / (FAR[1] - FAR[0])).max(0.0).min(1.0);
            let other = hair.map_or(1.0, |hair| UNSEEN_TINT / (UNSEEN_TINT + tint(hair, at)));
            -MOST * foreign * other
        })
        .collect()
}

/// Share of a bin's tint, all its lightnesses together.
pub(super) fn tint(bins: &[f32], at: usize) -> f32 {
    let first = at / BINS[2] * BINS[2];
    bins[first..first + BINS[2]]
        .iter()
        .fold(0.0, |sum, v| sum + v)
}

/// The lightness (place in a histogram) from which a place is lit about as a face is.
fn lit(face: &[f32]) -> usize {
    median(face).saturating_sub(SHADE)
}

/// The usual lightness of a histogram, as its place there.
pub(super) fn median(bins: &[f32]) -> usize {
    let mut sum = 0.0;
    for light in 0..BINS[2] {
        sum += bins
            .iter()
            .skip(light)
            .step_by(BINS[2])
            .fold(0.0, |a, b| a + b);
        if sum > 0.5 {
            return light;
        }
    }
    0
}

/// The colours of the surest places of a class, as shares of a histogram's bins; nothing of too few.
fn learnt(
    classes: &Array3<f32>,
    class: usize,
    bins: &Array2<u16>,
    counts: impl Fn(usize, usize) -> bool,
) -> Option<Vec<f32>> {
    let mut own = vec![0.0_f32; BINS[0] * BINS[1] * BINS[2]];
    for ((y, x), &bin) in bins.indexed_iter() {
        if classes[[class, y, x]] > SURE && counts(y, x) {
            own[usize::from(bin)] += 1.0;
        }
    }
    spread(own)
}

/// What each bin tells for one thing and against cloth, log odds. What a rival explains as well tells nothing
/// for it: fair hair over a jacket has skin's colours.
fn ratios(own: &[f32], cloth: &[f32], rival: Option<&[f32]>) -> Vec<f32> {
    let told = |cloth: &[f32], at: usize| {
        let (s, c) = (own[at], cloth[at]);
        let by_tint = (tint(own, at) + UNSEEN_TINT) / (tint(cloth, at) + UNSEEN_TINT);
        ln((s + UNSEEN) / (c + UNSEEN)) + RARE / (RARE + s.max(c)) * ln(by_tint)
    };
    (0..own.len())
        .map(|at| {
            let by_cloth = told(cloth, at);
            match rival {
                Some(rival) if by_cloth > 0.0 => by_cloth.min(told(rival, at).max(0.0)),
                _ => by_cloth,
            }
        })
        .collect()
}

/// Each pixel's place in a histogram.
fn bins(shown: &[Array2<f32>; 3]) -> Array2<u16> {
    let logs: Vec<f32> = (0..=STEPS)
        .map(|i| ln(i as f32 / STEPS as f32 + bounce::BLACK))
        .collect();
    let log = |v: f32| logs[(v.max(0.0).min(1.0) * STEPS as f32) as usize];
    bands::plane(shown[0].dim(), |y, x| {
        let [r, g, b] = [0, 1, 2].map(|c| log(shown[c][[y, x]]));
        let place = [(r - g) / WIDTH[0], (g - b) / WIDTH[1], g / WIDTH[2]];
        let index = |k: usize| {
            let last = (BINS[k] - 1) as f32;
            (place[k] + NEUTRAL[k]).max(0.0).min(last) as usize
        };
        // At most 24 * 24 * 16, see [`BINS`].
        ((index(0) * BINS[1] + index(1)) * BINS[2] + index(2)) as u16
    })
}

/// Two classes (or one, given twice) against another, and what colours tell for them.
struct Pair<'a> {
    own: [usize; 2],
    against: usize,
    /// Per bin, log odds.
    told: &'a [f32],
    gain: f32,
}

impl Pair<'_> {
    /// Moves the odds; `heard(told, classes, [row, column])` says how much of it counts.
    fn part(
        &self,
        classes: &mut Array3<f32>,
        bins: &Array2<u16>,
        span: f32,
        heard: impl Fn(f32, &Array3<f32>, [usize; 2]) -> f32 + Sync,
    ) {
        let (high, wide) = bins.dim();
        let [first, second] = self.own;
        let seen = &*classes;
        let values = seen.as_slice().expect("classes are contiguous");
        let plane = |class: usize| &values[class * high * wide..][..high * wide];
        let [one, against] = [first, self.against].map(plane);
        let other = (second != first).then(|| plane(second));
        let places = flat(bins);
        let shares = |at: usize| {
            let other = other.map_or(0.0, |other| other[at]);
            (one[at] + other, against[at])
        };
        // Weighed by how much there is to tell, so that what is neither says nothing.
        let told = bands::plane((high, wide), |y, x| {
            let at = y * wide + x;
            let (own, against) = shares(at);
            (own + against) * self.told[usize::from(places[at])]
        });
        let told = gaussian(told.view(), BLUR * span);
        let told = flat(&told);
        // What both have then; less than nothing where there is next to none of all three.
        let new = bands::plane((high, wide), |y, x| {
            let at = y * wide + x;
            let (own, against) = shares(at);
            let all = own + against;
            if all < 0.02 {
                return -1.0;
            }
            let told = heard(told[at], seen, [y, x]);
            let odds = (own + 1e-6) / (against + 1e-6) * exp(self.gain * told);
            all * odds / (1.0 + odds)
        });
        let planes = classes.as_slice_mut().expect("classes are contiguous");
        let mut planes: Vec<_> = planes.chunks_exact_mut(high * wide).map(Some).collect();
        let second = (second != first).then_some(second);
        let changed = [first, self.against].into_iter().chain(second);
        let changed = changed.filter_map(|class| planes[class].take());
        bands::each_piece_of_all(changed, wide, |y, rows| {
            let [first, against, second @ ..] = rows else {
                return;
            };
            for (x, &new) in new.row(y).iter().enumerate() {
                if new < 0.0 {
                    continue;
                }
                let one = first[x];
                let own = one + second.first().map_or(0.0, |second| second[x]);
                against[x] = own + against[x] - new;
                first[x] = new;
                if let [second] = second {
                    let in_first = (one + 1e-4) / (own + 2e-4);
                    first[x] = new * in_first;
                    second[x] = new * (1.0 - in_first);
                }
            }
        });
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
    use crate::picture::Point;

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

    /// Of a face as high as the sitter's.
    fn axes() -> Axes {
        let eyes = [Point { x: 30.0, y: 16.0 }, Point { x: 50.0, y: 16.0 }];
        Axes::new(eyes, Point { x: 40.0, y: 40.0 })
    }

    #[test]
    fn a_neck_of_the_faces_colour_is_skin() {
        let (mut classes, shown) = sitter([0.40, 0.28, 0.22]);
        settle(&mut classes, &shown, &axes(), 40.0);
        assert!(classes[[BODY, 30, 20]] + classes[[FACE, 30, 20]] > 0.8);
        assert!(classes[[CLOTH, 55, 20]] > 0.95);
    }

    /// Colours a little off the face's, and far off.
    #[test]
    fn a_colour_that_neither_has_moves_nothing_unless_no_skin_has_it() {
        let (mut classes, shown) = sitter([0.115, 0.1, 0.076]);
        settle(&mut classes, &shown, &axes(), 40.0);
        assert!((classes[[CLOTH, 30, 20]] - 0.75).abs() < 0.05);
        let (mut classes, shown) = sitter([0.1, 0.5, 0.8]);
        settle(&mut classes, &shown, &axes(), 40.0);
        assert!(classes[[CLOTH, 30, 20]] > 0.95);
    }

    #[test]
    fn shares_are_kept() {
        let (mut classes, shown) = sitter([0.40, 0.28, 0.22]);
        let before = classes.sum_axis(Axis(0));
        settle(&mut classes, &shown, &axes(), 40.0);
        let after = classes.sum_axis(Axis(0));
        assert!(before.iter().zip(&after).all(|(a, b)| (a - b).abs() < 1e-5));
    }
}
