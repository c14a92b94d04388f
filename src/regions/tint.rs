//! Which of two things in a face a pixel is, by their tints there.
//!
//! Lips are redder than the skin around them, the white of an eye is paler: nets and landmarks know
//! about where they end, the tint tells it to the pixel. Each of the two is a normal in ln R/G and ln G/B
//! with the mean and variance found in its own sure core close by, so that make-up, tone of skin and the
//! colour of the light are this sitter's; brightness stays out, since shade crosses edges. Where
//! both look alike (dark lips on dark skin) the log-likelihood ratio is small, and the prior stands.

use ndarray::{Array2, Zip};

use crate::picture::filter::gaussian;
use crate::picture::math::ln;

/// Deviation of a tint that counts as none, in ln R/G and ln G/B of sRGB-encoded values: noise and pores.
const PLAIN: f32 = 0.04;

/// What a single pixel may say at most, as log odds. 2 and 3 scored alike on the rendered sitters.
const MOST: f32 = 3.0;

/// Squared deviations from which a pixel is neither, and says nothing.
const NEITHER: f32 = 9.0;

/// How far below the darker and above the brighter of the two (ln G, sRGB-encoded) a pixel still is one of
/// them: beyond are lashes, liner and beard, or reflections. It fades out over [`FADE`].
const DARKER: f32 = 0.4;
const BRIGHTER: f32 = 0.3;
const FADE: f32 = 0.2;

/// Pixels of a core that are needed, else tint says nothing.
const FEWEST: f32 = 20.0;

/// Keeps logarithms of black finite; common practice, no source.
const BLACK: f32 = 0.02;

/// Log odds of one thing against the other for each pixel of a cut-out (sRGB-encoded). `one` and `other` weigh
/// the pixels of their cores; `near` is how far those count (standard deviation) and `fine` the
/// blur against noise, in pixels. `None` where a core is too small.
pub(super) fn odds(
    shown: &[Array2<f32>; 3],
    one: &Array2<f32>,
    other: &Array2<f32>,
    near: f32,
    fine: f32,
) -> Option<Array2<f32>> {
    let dim = one.dim();
    let enough = |core: &Array2<f32>| core.iter().fold(0.0, |a, b| a + b) >= FEWEST;
    if !enough(one) || !enough(other) {
        return None;
    }
    let logs = shown
        .each_ref()
        .map(|plane| gaussian(plane.view(), fine).mapv(|v| ln(v.max(0.0) + BLACK)));
    let tints = [&logs[0] - &logs[1], &logs[1] - &logs[2]];
    let norms = [one, other].map(|core| gaussian(core.view(), near).mapv(|v| v + 1e-6));
    let mut out = Array2::<f32>::zeros(dim);
    for tint in &tints {
        let [one, other] = [(one, &norms[0]), (other, &norms[1])].map(|(core, norm)| {
            let mean = gaussian((core * tint).view(), near) / norm;
            let square = gaussian((&(core * tint) * tint).view(), near) / norm;
            let variance = Zip::from(&square)
                .and(&mean)
                .map_collect(|s, m| (s - m * m).max(0.0) + PLAIN * PLAIN);
            (mean, variance)
        });
        Zip::indexed(&mut out).for_each(|at, out| {
            let of = |(mean, variance): &(Array2<f32>, Array2<f32>)| {
                let d = tint[at] - mean[at];
                (d * d / variance[at]).min(NEITHER) + ln(variance[at])
            };
            *out += 0.5 * (of(&other) - of(&one));
        });
    }
    let light = &logs[1];
    let [one, other] = [(one, &norms[0]), (other, &norms[1])]
        .map(|(core, norm)| gaussian((core * light).view(), near) / norm);
    Zip::indexed(&mut out).for_each(|at, out| {
        let (low, high) = (
            one[at].min(other[at]) - DARKER,
            one[at].max(other[at]) + BRIGHTER,
        );
        let beyond = (low - light[at]).max(light[at] - high);
        let counts = (1.0 - beyond / FADE).max(0.0).min(1.0);
        *out = counts * out.max(-MOST).min(MOST);
    });
    Some(gaussian(out.view(), fine))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A red field in a brown one, the cores well inside of both, light falling off to the right.
    #[test]
    fn tint_finds_the_edge_in_any_light() {
        let dim = (40, 60);
        let red = |y: usize| (14..26).contains(&y);
        let light = |x: usize| 1.0 - 0.01 * x as f32;
        let plane = |lips: f32, skin: f32| {
            Array2::from_shape_fn(dim, |(y, x)| light(x) * if red(y) { lips } else { skin })
        };
        let shown = [plane(0.6, 0.6), plane(0.3, 0.42), plane(0.3, 0.33)];
        let core = |inside: fn(usize) -> bool| {
            Array2::from_shape_fn(dim, |(y, _)| f32::from(u8::from(inside(y))))
        };
        let (lips, skin) = (
            core(|y| (17..23).contains(&y)),
            core(|y| !(8..32).contains(&y)),
        );
        let odds = odds(&shown, &lips, &skin, 20.0, 0.5).expect("cores enough");
        for x in [5, 30, 55] {
            assert!(odds[[15, x]] > 1.0 && odds[[24, x]] > 1.0);
            assert!(odds[[12, x]] < -1.0 && odds[[27, x]] < -1.0);
        }
    }

    #[test]
    fn alike_says_nothing() {
        let dim = (30, 30);
        let shown = [0.5, 0.4, 0.3].map(|v| Array2::from_elem(dim, v));
        let core = |from: usize| {
            Array2::from_shape_fn(dim, |(y, _)| {
                f32::from(u8::from((from..from + 10).contains(&y)))
            })
        };
        let odds = odds(&shown, &core(0), &core(20), 10.0, 1.0).expect("cores enough");
        assert!(odds.iter().all(|v| v.abs() < 1e-3));
    }
}
