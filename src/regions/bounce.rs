//! Skin or cloth in shade, by the light that one throws on the other.
//!
//! Where an arm leaves its sleeve and where a neck stands in its collar, much of what little light there
//! is comes from the other one. Skin under a pink sleeve is pinker than any skin in the open, the inside of
//! a white collar has a tint halfway to skin's; to one who asks only which of the two colours is nearer, each
//! looks like the other. But light that was thrown back is multiplied, not mixed: what is lit in parts `1 - t` from the
//! lamp and `t` by way of a neighbour of colour `c` shows `own * (1 - t + t * c / mean(c))` (the first bounce of
//! radiosity: Goral, Torrance, Greenberg and Battaile, *Modeling the interaction of light between diffuse
//! surfaces*, SIGGRAPH 1984, for each of three bands). The tints that skin can have are so a line from its
//! own, and those that cloth can have another one; which is nearer tells.

use super::tones::{BINS, NEUTRAL, UNSEEN_TINT, WIDTH, median, tint};
use crate::colour::spaces::Curve;
use crate::picture::math::{exp, ln};

/// Added to values before their logarithm is taken.
pub(super) const BLACK: f32 = 0.02;

/// Share of the light that came by way of the neighbour, at most, and the steps in which it is tried.
const MOST: f32 = 0.7;
const STEPS: usize = 8;

/// Deviation of tints from their line, in ln R/G and ln G/B of sRGB-encoded values; log odds at most.
const DEVIATION: f32 = 0.06;
const TOLD: f32 = 1.5;

/// Distance from which a tint is neither's, but some other cloth's: no farther counts.
const FAR: f32 = 3.0 * DEVIATION;

/// Tints of which cloth may have several: at most, and the share of its places from which one counts.
const TINTS: usize = 4;
const SHARE: f32 = 0.05;

/// Half the side of what is one tint, in bins.
const SIDE: usize = 2;

/// Places of ln G from which a tint is hidden by noise and glare no more, and from which it tells in full.
const DARK: [f32; 2] = [1.0, 4.0];

/// Log odds of each bin for skin and against cloth, from the histograms of what is surely either and of hair.
///
/// From the face's usual lightness on nothing is told: what is lit owes little to its neighbours, the skin's
/// shine has the lamp's tint, and a yellow blouse is nearer to skin's line than to that of the jacket over it.
/// Nor does anything speak for skin that has a tint of hair.
pub(super) fn told(face: &[f32], cloth: &[f32], hair: Option<&[f32]>) -> Vec<f32> {
    let middle = median(face);
    let Some(skin) = colour(face, |place| place[2] + 1 >= middle) else {
        return vec![0.0; face.len()];
    };
    let cloths = tints(cloth);
    if cloths.is_empty() {
        return vec![0.0; face.len()];
    }
    let lines = |own: [f32; 3], by: [f32; 3]| -> Vec<Line> {
        (0..BINS[2]).map(|light| line(own, by, light)).collect()
    };
    let of_skin: Vec<_> = cloths.iter().map(|&cloth| lines(skin, cloth)).collect();
    let of_cloth: Vec<_> = cloths.iter().map(|&cloth| lines(cloth, skin)).collect();
    (0..face.len())
        .map(|at| {
            let place = place(at);
            let centre = [0, 1].map(|k| (place[k] as f32 + 0.5 - NEUTRAL[k]) * WIDTH[k]);
            let nearest = |lines: &[Vec<Line>]| {
                let points = lines.iter().flat_map(|line| line[place[2]]);
                let squares = points.map(|point| {
                    let off = [0, 1].map(|k| point[k] - centre[k]);
                    off[0] * off[0] + off[1] * off[1]
                });
                squares.fold(FAR * FAR, f32::min)
            };
            let told = (nearest(&of_cloth) - nearest(&of_skin)) / (2.0 * DEVIATION * DEVIATION);
            let seen = (place[2] as f32 - DARK[0]) / (DARK[1] - DARK[0]);
            let told = told.max(-TOLD).min(TOLD) * seen.max(0.0).min(1.0);
            if place[2] >= middle {
                0.0
            } else if told > 0.0 {
                told * hair.map_or(1.0, |hair| UNSEEN_TINT / (UNSEEN_TINT + tint(hair, at)))
            } else {
                told
            }
        })
        .collect()
}

/// Tints (ln R/G and ln G/B of encoded values) from all light by the lamp to [`MOST`] by way of the other.
type Line = [[f32; 2]; STEPS];

/// The line of what has the linear colour `own` beside `by`, at a place of ln G.
fn line(own: [f32; 3], by: [f32; 3], light: usize) -> Line {
    let mean = (by[0] + by[1] + by[2]) / 3.0;
    let mut green = [(exp((light as f32 + 0.5 - NEUTRAL[2]) * WIDTH[2]) - BLACK).max(0.01)];
    Curve::Srgb.decode_all(&mut green);
    std::array::from_fn(|step| {
        let t = MOST * step as f32 / (STEPS - 1) as f32;
        let mixed: [f32; 3] = std::array::from_fn(|c| own[c] * (1.0 - t + t * by[c] / mean));
        let mut shown = mixed.map(|v| v * green[0] / mixed[1]);
        Curve::Srgb.encode_all(&mut shown);
        let [r, g, b] = shown.map(|v| ln(v + BLACK));
        [r - g, g - b]
    })
}

/// A bin's place along the three axes.
fn place(at: usize) -> [usize; 3] {
    [at / BINS[2] / BINS[1], at / BINS[2] % BINS[1], at % BINS[2]]
}

/// Mean linear colour of the bins that count, its own mean 1; nothing of nothing.
fn colour(bins: &[f32], counts: impl Fn([usize; 3]) -> bool) -> Option<[f32; 3]> {
    let mut sum = [0.0_f32; 3];
    for (at, &share) in bins.iter().enumerate() {
        let place = place(at);
        if share < 1e-4 || !counts(place) {
            continue;
        }
        let log: [f32; 3] =
            std::array::from_fn(|k| (place[k] as f32 + 0.5 - NEUTRAL[k]) * WIDTH[k]);
        let mut light =
            [log[2] + log[0], log[2], log[2] - log[1]].map(|v| (exp(v) - BLACK).max(0.002));
        Curve::Srgb.decode_all(&mut light);
        for (sum, light) in sum.iter_mut().zip(light) {
            *sum += share * light;
        }
    }
    let mean = (sum[0] + sum[1] + sum[2]) / 3.0;
    (mean > 0.0).then(|| sum.map(|v| v / mean))
}

/// Colours of a histogram's commonest tints, as [`colour`] gives them.
fn tints(bins: &[f32]) -> Vec<[f32; 3]> {
    let mut left: Vec<f32> = bins
        .chunks_exact(BINS[2])
        .map(|tint| tint.iter().sum())
        .collect();
    let mut found = Vec::new();
    for _ in 0..TINTS {
        let most = (0..left.len()).max_by(|&a, &b| left[a].total_cmp(&left[b]));
        let Some(most) = most else { break };
        let (row, column) = (most / BINS[1], most % BINS[1]);
        let one =
            |place: [usize; 3]| place[0].abs_diff(row) <= SIDE && place[1].abs_diff(column) <= SIDE;
        let mut share = 0.0;
        for (at, left) in left.iter_mut().enumerate() {
            if one([at / BINS[1], at % BINS[1], 0]) {
                share += std::mem::take(left);
            }
        }
        if share < SHARE {
            break;
        }
        found.extend(colour(bins, one));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bin of an encoded colour.
    fn bin(shown: [f32; 3]) -> usize {
        let [r, g, b] = shown.map(|v| ln(v + BLACK));
        let index = |k: usize, v: f32| ((v / WIDTH[k] + NEUTRAL[k]) as usize).min(BINS[k] - 1);
        (index(0, r - g) * BINS[1] + index(1, g - b)) * BINS[2] + index(2, g)
    }

    fn histogram(colours: &[[f32; 3]]) -> Vec<f32> {
        let mut bins = vec![0.0; BINS.iter().product()];
        for &colour in colours {
            bins[bin(colour)] += 1.0 / colours.len() as f32;
        }
        bins
    }

    /// `own` in light of which `t` comes by way of `by`, darker by `dim`: encoded values, by the formula above.
    fn lit(own: [f32; 3], by: [f32; 3], t: f32, dim: f32) -> [f32; 3] {
        let (mut own, mut by) = (own, by);
        Curve::Srgb.decode_all(&mut own);
        Curve::Srgb.decode_all(&mut by);
        let mean = (by[0] + by[1] + by[2]) / 3.0;
        let mut shown: [f32; 3] =
            std::array::from_fn(|c| dim * own[c] * (1.0 - t + t * by[c] / mean));
        Curve::Srgb.encode_all(&mut shown);
        shown
    }

    const SKIN: [f32; 3] = [0.42, 0.30, 0.24];

    #[test]
    fn a_white_collar_lit_by_the_neck_is_cloth() {
        let white = [0.9, 0.9, 0.88];
        let told = told(&histogram(&[SKIN]), &histogram(&[white]), None);
        assert!(told[bin(lit(white, SKIN, 0.5, 0.02))] < -0.8);
        assert!(told[bin(lit(SKIN, white, 0.5, 0.25))] > 0.8);
    }

    #[test]
    fn an_arm_lit_by_a_pink_sleeve_is_skin() {
        let pink = [0.75, 0.3, 0.5];
        let told = told(&histogram(&[SKIN]), &histogram(&[pink]), None);
        assert!(told[bin(lit(SKIN, pink, 0.5, 0.25))] > 0.8);
        assert!(told[bin(lit(pink, SKIN, 0.3, 0.2))] < -0.8);
    }

    #[test]
    fn shine_on_skin_is_no_white_collar() {
        let told = told(&histogram(&[SKIN]), &histogram(&[[0.9, 0.9, 0.88]]), None);
        assert!(told[bin([0.8, 0.78, 0.76])] == 0.0);
    }

    #[test]
    fn a_second_cloth_is_not_told() {
        let told = told(&histogram(&[SKIN]), &histogram(&[[0.15, 0.12, 0.1]]), None);
        assert!(told[bin([0.9, 0.82, 0.45])] == 0.0);
        assert!(told[bin([0.19, 0.17, 0.06])] == 0.0);
    }

    #[test]
    fn without_cloth_nothing_is_told() {
        let none = vec![0.0; BINS.iter().product()];
        assert!(
            told(&histogram(&[SKIN]), &none, None)
                .iter()
                .all(|&v| v == 0.0)
        );
    }
}
