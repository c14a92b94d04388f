//! How much noise a frame has, found from the frame itself.
//!
//! Shot noise grows with light, read noise does not: the variance of a site that collected `x` (black
//! 0, white 1) is `a x + b` (A. Foi, M. Trimeche, V. Katkovnik, K. Egiazarian, "Practical
//! Poissonian-Gaussian noise modeling and fitting for single-image raw-data", IEEE TIP 17, 2008).
//!
//! Patches of a picture lie in few of the directions that patches could have, noise lies in all:
//! along the principal directions with the least energy there is next to nothing but noise (S.
//! Pyatykh, J. Hesser, L. Zheng, "Image noise level estimation by principal component analysis", IEEE
//! TIP 22, 2013). Here patches are those of the mosaic, aligned with its filters, so that one
//! colour tells what is light in the other. Three things keep the figure honest: directions
//! come from one half of the patches and are measured on the other, since the least of many is
//! too little; patches are chosen for calm by their energy along all other directions, which
//! noise of this one does not touch; and samples are first divided by the deviation found so far,
//! so that noise is alike in dark and bright patches.

use super::sites::Sites;
use crate::picture::Rect;

/// Side of a patch, in sites. Six left twice the error on knitwear at ISO 100.
const SIDE: usize = 8;
const PLACES: usize = SIDE * SIDE;

/// Patches that are looked at, at most; a grid thins them out evenly. And at least.
const MOST: usize = 40_000;
const LEAST: usize = 400;

/// Directions that are measured: those with the least energy.
const MEASURED: usize = 6;

/// Classes of brightness, at most, and patches in each, at least.
const CLASSES: usize = 12;
const CLASS: usize = 100;

/// What gains usually are: red and blue sites gather less light of a white than green ones (common
/// practice, no source). Where colours have lines of their own, these begin in such proportion, and
/// are held to it by [`HELD`] of what the scatter weighs: directions that mix all colours tell
/// little of the proportion.
const USUAL: [f64; 3] = [2.0, 1.0, 1.5];
const HELD: f64 = 0.5;

/// How far from the usual proportion a colour may be found, as a factor.
const FARTHEST: f64 = 2.0;

/// Share of the patches of one brightness that counts as calm, one in so many.
const CALM: usize = 8;

/// Rounds in which calm patches, directions and noise are found from each other.
const ROUNDS: usize = 4;

/// Estimates `[a, b]` of red, green and blue from `window`, on the scale of `sites`. `alike`: the
/// colours share one line, since nothing was multiplied by gains; otherwise each has its own `a`,
/// and `b` goes with its square, since gains multiply one sensor's noise. `None` when too little is
/// usable.
pub(super) fn estimate(sites: &Sites<'_>, window: Rect, alike: bool) -> Option<[[f32; 2]; 3]> {
    let patches = Patches::new(sites, window);
    if patches.means.len() < LEAST {
        return None;
    }
    let usual = if alike { [1.0; 3] } else { USUAL };
    let mut energy = Vec::new();
    let mut noise = None;
    for _ in 0..ROUNDS {
        let scatter;
        (scatter, energy) = patches.measure(noise, usual, &energy);
        noise = Some(fit(&scatter, alike, noise)?);
    }
    noise.map(|noise| noise.map(|line| line.map(|v| v as f32)))
}

/// Patches of the mosaic.
struct Patches {
    /// Colour of each sample of a patch.
    colour: Vec<usize>,
    samples: Vec<f32>,
    /// Mean light of each colour.
    means: Vec<[f64; 3]>,
    /// Indices by brightness.
    order: Vec<usize>,
}

/// What the calm patches of one brightness say along one direction: the mean square should be
/// `a * light + b * dark`, summed over the colours.
struct Point {
    light: [f64; 3],
    dark: [f64; 3],
    square: f64,
}

impl Patches {
    fn new(sites: &Sites<'_>, window: Rect) -> Self {
        let cell = sites.cell();
        let places: Vec<(usize, usize)> = (0..SIDE)
            .flat_map(|y| (0..SIDE).map(move |x| (y, x)))
            .collect();
        let colour: Vec<usize> = places
            .iter()
            .map(|&(y, x)| sites.colour(window.top + y, window.left + x))
            .collect();
        let clip: Vec<f32> = colour.iter().map(|&of| 0.98 * sites.clip(of)).collect();
        let along = |length: usize| (length + cell).saturating_sub(SIDE) / cell;
        let (down, across) = (along(window.height), along(window.width));
        let all = down.saturating_mul(across);
        let thin = (1..).find(|thin| all / (thin * thin) <= MOST).unwrap_or(1);
        let mut patches = Self {
            colour,
            samples: Vec::new(),
            means: Vec::new(),
            order: Vec::new(),
        };
        let mut rows = vec![0.0; SIDE * window.width];
        let mut patch = vec![0.0; places.len()];
        for top in (0..down).step_by(thin) {
            for (k, row) in rows.chunks_exact_mut(window.width).enumerate() {
                let y = window.top + top * cell + k;
                sites.row(y as isize, window.left as isize, row);
            }
            for left in (0..across).step_by(thin) {
                let mut sums = [(0.0, 0.0); 3];
                for ((out, &(y, x)), &of) in patch.iter_mut().zip(&places).zip(&patches.colour) {
                    *out = rows[y * window.width + left * cell + x];
                    sums[of].0 += f64::from(*out);
                    sums[of].1 += 1.0;
                }
                if patch.iter().zip(&clip).all(|(sample, clip)| sample < clip) {
                    patches.samples.extend_from_slice(&patch);
                    patches
                        .means
                        .push(sums.map(|(sum, count)| sum / f64::max(count, 1.0)));
                }
            }
        }
        let light = |at: usize| -> f64 {
            let sample = |&of: &usize| patches.means[at][of];
            patches.colour.iter().map(sample).sum()
        };
        let lights: Vec<f64> = (0..patches.means.len()).map(light).collect();
        let mut order: Vec<usize> = (0..lights.len()).collect();
        order.sort_by(|&i, &j| lights[i].total_cmp(&lights[j]).then(i.cmp(&j)));
        patches.order = order;
        patches
    }

    /// One round: from the noise found so far, and each patch's energy along the directions that
    /// were not measured (empty: all energy), to what the next fit wants and such energies.
    fn measure(
        &self,
        noise: Option<[[f64; 2]; 3]>,
        usual: [f64; 3],
        energy: &[f64],
    ) -> (Vec<Point>, Vec<f64>) {
        let deviation = |mean: f64, of: usize| match noise {
            // Shot noise only, of any size: nothing is known yet.
            None => (usual[of] * mean.max(1.0e-3)).sqrt(),
            Some(noise) => {
                let [a, b] = noise[of];
                (a * mean.max(0.0) + b).max(1.0e-14).sqrt()
            }
        };
        let deviations: Vec<[f64; 3]> = self
            .means
            .iter()
            .map(|means| [0, 1, 2].map(|of| deviation(means[of], of)))
            .collect();
        let even = self.evened(&deviations);
        let total: Vec<f64>;
        let energy = if energy.is_empty() {
            total = even.chunks_exact(PLACES).map(squares).collect();
            &total
        } else {
            energy
        };
        let calm = self.calm(energy);
        // As many directions as there are colours hold nothing: their means were taken off.
        let colours = (0..3).filter(|of| self.colour.contains(of)).count();
        let mut points = Vec::new();
        let mut rest = vec![0.0; self.means.len()];
        for half in 0..2 {
            // Directions of the other half.
            let among: Vec<usize> = (0..rest.len())
                .filter(|&at| calm[at] && at % 2 != half)
                .collect();
            let axes = principal(&covariance(&even, &among));
            let axes = &axes[colours..colours + MEASURED];
            let mut along = vec![[0.0; MEASURED]; rest.len()];
            for at in (half..rest.len()).step_by(2) {
                let patch = &even[at * PLACES..][..PLACES];
                for (square, axis) in along[at].iter_mut().zip(axes) {
                    let dot: f64 = axis.iter().zip(patch).map(|(a, v)| a * v).sum();
                    *square = dot * dot;
                }
                // A turn keeps lengths: what is not along these lies along all others.
                rest[at] = squares(patch) - along[at].iter().sum::<f64>();
            }
            let measured: Vec<usize> = self
                .order
                .iter()
                .copied()
                .filter(|&at| calm[at] && at % 2 == half)
                .collect();
            for class in measured.chunks(measured.len().div_ceil(CLASSES).max(CLASS)) {
                let mean = |of: &dyn Fn(usize) -> f64| {
                    class.iter().map(|&at| of(at)).sum::<f64>() / class.len() as f64
                };
                let per_variance =
                    |at: usize, of: usize| 1.0 / (deviations[at][of] * deviations[at][of]);
                let dark = [0, 1, 2].map(|of| mean(&|at| per_variance(at, of)));
                let light = [0, 1, 2]
                    .map(|of| mean(&|at| per_variance(at, of) * self.means[at][of].max(0.0)));
                for (k, axis) in axes.iter().enumerate() {
                    let mut share = [0.0; 3];
                    for (v, &of) in axis.iter().zip(&self.colour) {
                        share[of] += v * v;
                    }
                    points.push(Point {
                        light: [0, 1, 2].map(|of| share[of] * light[of]),
                        dark: [0, 1, 2].map(|of| share[of] * dark[of]),
                        square: mean(&|at| along[at][k]),
                    });
                }
            }
        }
        (points, rest)
    }

    /// Samples in units of their noise, less each colour's mean.
    fn evened(&self, deviations: &[[f64; 3]]) -> Vec<f64> {
        let mut even = Vec::with_capacity(self.samples.len());
        for ((patch, means), deviations) in self
            .samples
            .chunks_exact(PLACES)
            .zip(&self.means)
            .zip(deviations)
        {
            for (&sample, &of) in patch.iter().zip(&self.colour) {
                even.push((f64::from(sample) - means[of]) / deviations[of]);
            }
        }
        even
    }

    /// Which patches have the least energy among those about as bright.
    fn calm(&self, energy: &[f64]) -> Vec<bool> {
        let mut calm = vec![false; energy.len()];
        let classes = (energy.len() / LEAST).clamp(1, 16);
        let length = energy.len().div_ceil(classes);
        for class in self.order.chunks(length) {
            let mut class = class.to_vec();
            class.sort_by(|&i, &j| energy[i].total_cmp(&energy[j]).then(i.cmp(&j)));
            for &at in &class[..class.len().div_ceil(CALM)] {
                calm[at] = true;
            }
        }
        calm
    }
}

fn squares(patch: &[f64]) -> f64 {
    patch.iter().map(|v| v * v).sum()
}

/// Mean products of the samples of the patches `among` all.
fn covariance(even: &[f64], among: &[usize]) -> Vec<f64> {
    let mut sums = vec![0.0; PLACES * PLACES];
    for &at in among {
        let patch = &even[at * PLACES..][..PLACES];
        for (row, first) in sums.chunks_exact_mut(PLACES).zip(patch) {
            for (sum, v) in row.iter_mut().zip(patch) {
                *sum += first * v;
            }
        }
    }
    let count = among.len().max(1) as f64;
    sums.iter_mut().for_each(|sum| *sum /= count);
    sums
}

/// Principal directions, that of the least energy first: Jacobi's method by rows (G. Golub, C. Van
/// Loan, "Matrix Computations", section 8.5).
fn principal(matrix: &[f64]) -> Vec<Vec<f64>> {
    let n = PLACES;
    let mut m = matrix.to_vec();
    let mut axes: Vec<Vec<f64>> = (0..n)
        .map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect())
        .collect();
    let trace: f64 = (0..n).map(|i| m[i * n + i].abs()).sum();
    let small = 1.0e-13 * trace / n as f64;
    for _ in 0..30 {
        let mut turned = false;
        for (i, j) in (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))) {
            let off = m[i * n + j];
            if off.abs() <= small {
                continue;
            }
            turned = true;
            let theta = (m[j * n + j] - m[i * n + i]) / (2.0 * off);
            let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
            let c = 1.0 / (t * t + 1.0).sqrt();
            let s = t * c;
            for k in 0..n {
                let (p, q) = (m[k * n + i], m[k * n + j]);
                (m[k * n + i], m[k * n + j]) = (c * p - s * q, s * p + c * q);
            }
            for k in 0..n {
                let (p, q) = (m[i * n + k], m[j * n + k]);
                (m[i * n + k], m[j * n + k]) = (c * p - s * q, s * p + c * q);
            }
            for k in 0..n {
                let (p, q) = (axes[i][k], axes[j][k]);
                (axes[i][k], axes[j][k]) = (c * p - s * q, s * p + c * q);
            }
        }
        if !turned {
            break;
        }
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&i, &j| m[i * n + i].total_cmp(&m[j * n + j]).then(i.cmp(&j)));
    order.into_iter().map(|i| axes[i].clone()).collect()
}

/// Lines through the scatter, robust (Cauchy weights at a deviation of 15 %), relative errors alike,
/// no number negative.
///
/// Unknown are `a` and `b`; or three `a` and what `b` is of the squared
/// gains, for which those of the last round are taken.
fn fit(points: &[Point], alike: bool, last: Option<[[f64; 2]; 3]>) -> Option<[[f64; 2]; 3]> {
    let sum = |v: [f64; 3]| v[0] + v[1] + v[2];
    // Gains of the last round, in whose squares `b` is told.
    let scale = |found: [f64; 3]| (0..3).map(|of| found[of] / USUAL[of]).sum::<f64>() / 3.0;
    let gains = match last.map(|noise| noise.map(|[a, _]| a)) {
        Some(found) if scale(found) > 0.0 => found.map(|a| a / scale(found)),
        _ => USUAL,
    };
    let squares = gains.map(|gain| gain * gain);
    let terms: Vec<[f64; 4]> = points
        .iter()
        .map(|Point { light, dark, .. }| match alike {
            true => [sum(*light), sum(*dark), 0.0, 0.0],
            false => {
                let dark = [0, 1, 2].map(|of| dark[of] * squares[of]);
                [light[0], light[1], light[2], sum(dark)]
            }
        })
        .collect();
    let model = |found: &[f64; 4], terms: &[f64; 4]| -> f64 {
        found.iter().zip(terms).map(|(f, t)| f * t).sum()
    };
    let lights: f64 = points.iter().map(|point| sum(point.light)).sum();
    let start = points.iter().map(|point| point.square).sum::<f64>() / lights.max(1.0e-30);
    let mut found = match alike {
        true => [start, 0.0, 0.0, 0.0],
        false => [start * USUAL[0], start * USUAL[1], start * USUAL[2], 0.0],
    };
    for _ in 0..40 {
        let mut products = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        for (terms, point) in terms.iter().zip(points) {
            let expected = model(&found, terms).max(1.0e-14);
            let off = (point.square - expected) / (0.15 * expected);
            let weight = 1.0 / (expected * expected * (1.0 + off * off));
            for i in 0..4 {
                for j in 0..4 {
                    products[i][j] += weight * terms[i] * terms[j];
                }
                right[i] += weight * terms[i] * point.square;
            }
        }
        if !alike {
            let scale = scale([found[0], found[1], found[2]]);
            for of in 0..3 {
                let held = HELD * products[of][of];
                products[of][of] += held;
                right[of] += held * scale * USUAL[of];
            }
        }
        // Least squares without negative numbers: one unknown after the other.
        for _ in 0..200 {
            for i in 0..4 {
                if products[i][i] > f64::MIN_POSITIVE {
                    let rest = right[i] - model(&found, &products[i]);
                    found[i] = (found[i] + rest / products[i][i]).max(0.0);
                }
            }
        }
    }
    if !alike {
        // A picture in which a colour hardly occurs says nothing of it.
        let scale = scale([found[0], found[1], found[2]]);
        for of in 0..3 {
            let usual = scale * USUAL[of];
            found[of] = found[of].max(usual / FARTHEST).min(usual * FARTHEST);
        }
    }
    let noise = match alike {
        true => [[found[0], found[1]]; 3],
        false => [0, 1, 2].map(|of| [found[of], found[3] * squares[of]]),
    };
    noise
        .iter()
        .all(|&[a, b]| a.is_finite() && b.is_finite() && a + b > 0.0)
        .then_some(noise)
}
