//! How much noise a frame has, found from the frame itself.
//!
//! Shot noise grows with light, read noise does not: the variance of a site that collected `x` (black
//! 0, white 1) is `a x + b` (A. Foi, M. Trimeche, V. Katkovnik, K. Egiazarian, "Practical
//! Poissonian-Gaussian noise modeling and fitting for single-image raw-data", IEEE TIP 17, 2008).
//!
//! Patches of a picture lie in few of the directions that patches could have, noise lies in all:
//! along the principal directions with the least energy there is next to nothing but noise (S.
//! Pyatykh, J. Hesser, L. Zheng, "Image noise level estimation by principal component analysis", IEEE
//! TIP 22, 2013; of calm patches: X. Liu, M. Tanaka, M. Okutomi, "Single-image noise level estimation
//! for blind denoising", IEEE TIP 22, 2013). Here patches are those of the mosaic, aligned with its
//! filters, so that one colour tells what is light in the other. Four things keep the figure honest:
//! directions come from one half of the frame and are measured in the other, since the least of many
//! is too little; patches weigh by their calm along all other directions, which noise of this one
//! does not touch; samples are first divided by the deviation found so far, so that noise is alike in
//! dark and bright patches; and what texture is left is told from noise by its growth, with the square
//! of light, since a surface reflects a share of the light that falls on it.

use std::ops::{Add, AddAssign, Mul};

use super::sites::Sites;
use crate::picture::{Rect, bands};

/// Side of a patch, in sites. Six left twice the error on knitwear at ISO 100.
const SIDE: usize = 8;
const PLACES: usize = SIDE * SIDE;

/// Patches that are looked at, at most; a grid thins them out evenly. And at least.
const MOST: usize = 60_000;
const LEAST: usize = 400;

/// Directions that are measured: those with the least energy. Six left a tenth to two fifths more error
/// on sharp texture.
const MEASURED: usize = 4;

/// Directions that are searched for along with them, so that the last ones are found as fast, and
/// steps of the search, each of which divides what is wrong by the ratio of energies.
const BESIDE: usize = 6;
const STEPS: usize = 14;

/// Side, in sites, of the squares that belong to one half of the frame and the other in turn: neighbours
/// share sites, so that halves of single patches would know each other's noise.
const SQUARE: usize = 32;

/// Classes of brightness, at most, and what the patches in each weigh, at least.
const CLASSES: f64 = 12.0;
const CLASS: f64 = 100.0;

/// What gains usually are: red and blue sites gather less light of a white than green ones (common
/// practice, no source). Where colours have lines of their own, these begin in such proportion, and
/// are held to it by [`HELD`] times what the scatter weighs: directions that mix all colours tell
/// little of the proportion.
const USUAL: [f64; 3] = [2.0, 1.0, 1.5];
const HELD: f64 = 2.0;

/// How far from the usual proportion a colour may be found, as a factor.
const FARTHEST: f64 = 2.0;

/// Read noise, in electrons, that is expected of a sensor (most cameras have 1.5 to 7; common
/// practice, no source), and how many points of the scatter that weighs: where no patch is dark, the
/// scatter tells nothing of it.
const READ: f64 = 3.0;
const EXPECTED: f64 = 4.0;

/// Share of all energy that may be taken for texture: where patches are about equally bright, its
/// growth cannot be told from that of noise.
const TEXTURE: f64 = 0.65;

/// Relative deviation of the scatter's points, for Cauchy weights; and by how much the mean logarithm of
/// their likelihood must rise for texture to be believed in. With 0.02 plain noise was taken for
/// texture at ISO 6400 (3 % too little noise in the median), with 0.1 texture for noise more often.
const SCATTER: f64 = 0.15;
const BETTER: f64 = 0.05;

/// Share of the patches of one brightness that counts as calm, one in so many; the middle one of
/// them is the measure of calm.
const CALM: usize = 8;

/// Up to how many times the measure's energy a patch weighs fully. From there on its weight falls with
/// the seventh power of energy.
const FULL: f64 = 1.1;

/// Patches that weigh less are left out.
const LIGHTEST: f64 = 0.01;

/// Rounds in which calm patches, directions and noise are found from each other. All but the last work on
/// about so many patches: what they find is only where the last one begins.
const ROUNDS: usize = 4;
const FEW: usize = 12_000;

/// Patches of each half that tell its directions, about, at most: these have [`PLACES`] numbers each, what is
/// measured along them has one.
const TELLING: usize = 5_000;

/// Patches whose products are summed up in 32 bits before they join the sum of all in 64.
const RUN: usize = 256;

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
    let mut even = Vec::new();
    let mut round = |patches: &Patches, last: Option<Round>| {
        let noise = last.as_ref().map(|last| last.noise);
        let axes = last.map(|last| last.axes);
        let (scatter, axes) = patches.measure(noise, usual, axes.as_ref(), &mut even);
        let noise = fit(&scatter, alike, noise)?;
        Some(Round { noise, axes })
    };
    let few = patches.thinned(FEW);
    let mut found = None;
    for _ in 1..ROUNDS {
        found = Some(round(&few, found)?);
    }
    let noise = round(&patches, found)?.noise;
    Some(noise.map(|line| line.map(|v| v as f32)))
}

/// What a round leaves to the next one.
struct Round {
    noise: [[f64; 2]; 3],
    axes: [Vec<Axis>; 2],
}

/// A direction, of length 1.
type Axis = [f32; PLACES];

/// Patches of the mosaic.
struct Patches {
    /// Colour of each sample of a patch.
    colour: Vec<usize>,
    samples: Vec<f32>,
    /// Mean light of each colour.
    means: Vec<[f64; 3]>,
    /// Which half of the frame each belongs to.
    half: Vec<usize>,
    /// Indices by brightness.
    order: Vec<usize>,
}

/// What the patches of one brightness say along one direction: the mean square should be
/// `a * light + b * dark + c * bright`, summed over the colours, where `c` is what texture adds.
struct Point {
    light: [f64; 3],
    dark: [f64; 3],
    bright: [f64; 3],
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
        // Every so many rows and columns of patches, as many of one as of the other or one fewer.
        let fits =
            |[rows, columns]: [usize; 2]| (down / rows).saturating_mul(across / columns) <= MOST;
        let thinned = (2..).map(|sum: usize| [sum.div_ceil(2), sum / 2]);
        let [thin_rows, thin_columns] = thinned.into_iter().find(|&by| fits(by)).unwrap_or([1; 2]);
        let mut patches = Self {
            colour,
            samples: Vec::new(),
            means: Vec::new(),
            half: Vec::new(),
            order: Vec::new(),
        };
        let mut rows = vec![0.0; SIDE * window.width];
        let mut patch = vec![0.0; places.len()];
        for top in (0..down).step_by(thin_rows) {
            for (k, row) in rows.chunks_exact_mut(window.width).enumerate() {
                let y = window.top + top * cell + k;
                sites.row(y as isize, window.left as isize, row);
            }
            for left in (0..across).step_by(thin_columns) {
                let mut sums = [(0.0, 0.0); 3];
                for ((out, &(y, x)), &of) in patch.iter_mut().zip(&places).zip(&patches.colour) {
                    *out = rows[y * window.width + left * cell + x];
                    sums[of].0 += f64::from(*out);
                    sums[of].1 += 1.0;
                }
                if patch.iter().zip(&clip).all(|(sample, clip)| sample < clip) {
                    let square = |at: usize| (at * cell + SIDE / 2) / SQUARE;
                    patches.half.push((square(top) + square(left)) % 2);
                    patches.samples.extend_from_slice(&patch);
                    patches
                        .means
                        .push(sums.map(|(sum, count)| sum / f64::max(count, 1.0)));
                }
            }
        }
        patches.sort();
        patches
    }

    /// Puts all in order by brightness.
    fn sort(&mut self) {
        let light = |at: usize| -> f64 {
            let sample = |&of: &usize| self.means[at][of];
            self.colour.iter().map(sample).sum()
        };
        let lights: Vec<f64> = (0..self.means.len()).map(light).collect();
        self.order = (0..lights.len()).collect();
        self.order
            .sort_by(|&i, &j| lights[i].total_cmp(&lights[j]).then(i.cmp(&j)));
    }

    /// Every so many of them, `most` at most.
    fn thinned(&self, most: usize) -> Self {
        let every = self.means.len().div_ceil(most).max(1);
        let patches = self.samples.as_chunks::<PLACES>().0;
        let mut few = Self {
            colour: self.colour.clone(),
            samples: patches.iter().step_by(every).flatten().copied().collect(),
            means: self.means.iter().step_by(every).copied().collect(),
            half: self.half.iter().step_by(every).copied().collect(),
            order: Vec::new(),
        };
        few.sort();
        few
    }

    /// One round: from the noise found so far, and the directions that were measured in each half, to what
    /// the next fit wants and such directions. `even` is room for the patches in units of their noise.
    fn measure(
        &self,
        noise: Option<[[f64; 2]; 3]>,
        usual: [f64; 3],
        axes: Option<&[Vec<Axis>; 2]>,
        even: &mut Vec<[f32; PLACES]>,
    ) -> (Vec<Point>, [Vec<Axis>; 2]) {
        let variance = |mean: f64, of: usize| match noise {
            // Shot noise only, of any size: nothing is known yet.
            None => usual[of] * mean.max(1.0e-3),
            Some(noise) => {
                let [a, b] = noise[of];
                (a * mean.max(0.0) + b).max(1.0e-14)
            }
        };
        let variances: Vec<[f64; 3]> = self
            .means
            .iter()
            .map(|means| [0, 1, 2].map(|of| variance(means[of], of)))
            .collect();
        self.evened(&variances, even);
        // Of all directions in the first round.
        let nothing = vec![[0.0; MEASURED]; even.len()];
        let along = axes.map_or(nothing, |axes| self.along(even, axes));
        let weights = self.weights(&energies(even, &along));
        let found = bands::gathered(
            &[0, 1],
            || (),
            |(), half| quietest(&self.covariance(even, &weights, 1 - half), &self.colour),
        );
        let mut found = found.into_iter();
        let axes = [0, 1].map(|_| found.next().flatten().unwrap_or_default());
        // Weights that knew what is measured would prefer little of it.
        let along = self.along(even, &axes);
        let weights = self.weights(&energies(even, &along));
        let mut points = Vec::new();
        for half in [0, 1].into_iter().filter(|&half| !axes[half].is_empty()) {
            points.extend(self.points(half, &axes[half], &along, &variances, &weights));
        }
        (points, axes)
    }

    /// What the patches of one half say along its directions.
    fn points(
        &self,
        half: usize,
        axes: &[Axis],
        along: &[[f32; MEASURED]],
        variances: &[[f64; 3]],
        weights: &[f64],
    ) -> Vec<Point> {
        let mut points = Vec::new();
        for class in self.classes(weights, half) {
            // What grows in some way with light, in units of noise, and what is measured.
            let (mut dark, mut light, mut bright) = ([0.0; 3], [0.0; 3], [0.0; 3]);
            let (mut squares, mut whole) = ([0.0; MEASURED], 0.0);
            for at in class {
                let weight = weights[at];
                whole += weight;
                for of in 0..3 {
                    let (mean, each) = (self.means[at][of].max(0.0), weight / variances[at][of]);
                    dark[of] += each;
                    light[of] += each * mean;
                    bright[of] += each * mean * mean;
                }
                for (sum, square) in squares.iter_mut().zip(along[at]) {
                    *sum += weight * f64::from(square);
                }
            }
            for (square, axis) in squares.iter().zip(axes) {
                let mut share = [0.0; 3];
                for (&v, &of) in axis.iter().zip(&self.colour) {
                    share[of] += f64::from(v) * f64::from(v);
                }
                let shared = |of: [f64; 3]| [0, 1, 2].map(|c| share[c] * of[c] / whole);
                points.push(Point {
                    light: shared(light),
                    dark: shared(dark),
                    bright: shared(bright),
                    square: square / whole,
                });
            }
        }
        points
    }

    /// Samples in units of their noise, less each colour's mean.
    fn evened(&self, variances: &[[f64; 3]], even: &mut Vec<[f32; PLACES]>) {
        even.clear();
        let patches = self.samples.as_chunks::<PLACES>().0.iter().zip(&self.means);
        even.extend(patches.zip(variances).map(|((patch, means), variances)| {
            let scales = variances.map(|variance| (1.0 / variance.sqrt()) as f32);
            let means = means.map(|mean| mean as f32);
            std::array::from_fn(|k| {
                let of = self.colour[k];
                (patch[k] - means[of]) * scales[of]
            })
        }));
    }

    /// Squares of how far each patch goes along the directions of its half.
    fn along(&self, even: &[[f32; PLACES]], axes: &[Vec<Axis>; 2]) -> Vec<[f32; MEASURED]> {
        let mut along = vec![[0.0; MEASURED]; even.len()];
        bands::vectorised(
            #[inline(always)]
            || {
                for ((along, patch), &half) in along.iter_mut().zip(even).zip(&self.half) {
                    for (square, axis) in along.iter_mut().zip(&axes[half]) {
                        let dot = product(axis, patch);
                        *square = dot * dot;
                    }
                }
            },
        );
        along
    }

    /// How much each patch counts: those with the least energy among those about as bright fully.
    fn weights(&self, energy: &[f64]) -> Vec<f64> {
        let mut weights = vec![0.0; energy.len()];
        let classes = (energy.len() / LEAST).clamp(1, 16);
        let length = energy.len().div_ceil(classes);
        for class in self.order.chunks(length) {
            let mut energies: Vec<f64> = class.iter().map(|&at| energy[at]).collect();
            let middle = class.len().div_ceil(CALM) / 2;
            let (_, calm, _) = energies.select_nth_unstable_by(middle, f64::total_cmp);
            let full = FULL * *calm;
            for &at in class {
                let ratio = full / energy[at].max(full);
                let fourth = ratio * ratio * ratio * ratio;
                let weight = fourth * ratio * ratio * ratio;
                // Where there is no energy at all, that is no number.
                if weight >= LIGHTEST {
                    weights[at] = weight;
                }
            }
        }
        weights
    }

    /// The patches of one half by brightness, in classes of about equal weight.
    fn classes(&self, weights: &[f64], half: usize) -> Vec<Vec<usize>> {
        let counting = |&at: &usize| self.half[at] == half && weights[at] > 0.0;
        let those: Vec<usize> = self.order.iter().copied().filter(counting).collect();
        let whole: f64 = those.iter().map(|&at| weights[at]).sum();
        let wanted = (whole / CLASSES).max(CLASS);
        let mut classes = vec![Vec::new()];
        let mut weight = 0.0;
        for at in those {
            if weight >= wanted {
                classes.push(Vec::new());
                weight = 0.0;
            }
            weight += weights[at];
            if let Some(class) = classes.last_mut() {
                class.push(at);
            }
        }
        // A last one that is hardly begun says too little by itself.
        if weight < 0.5 * wanted {
            let last = classes.pop().unwrap_or_default();
            match classes.last_mut() {
                Some(class) => class.extend(last),
                None => classes.push(last),
            }
        }
        classes.retain(|class| !class.is_empty());
        classes
    }

    /// Mean products of the samples of one half's patches, every so many of them: the lower triangle.
    fn covariance(&self, even: &[[f32; PLACES]], weights: &[f64], half: usize) -> Vec<f64> {
        let counting = |&at: &usize| self.half[at] == half && weights[at] > 0.0;
        let those: Vec<usize> = (0..even.len()).filter(counting).collect();
        let every = those.len().div_ceil(TELLING).max(1);
        let those: Vec<usize> = those.into_iter().step_by(every).collect();
        let mut sums = vec![0.0; PLACES * PLACES];
        let mut part = vec![[0.0; PLACES]; PLACES];
        let nothing = [0.0; PLACES];
        for run in those.chunks(RUN) {
            part.fill([0.0; PLACES]);
            bands::vectorised(
                #[inline(always)]
                || {
                    let of = |at: usize| (&even[at], weights[at] as f32);
                    let (fours, last) = run.as_chunks::<4>();
                    for four in fours {
                        add_products(&mut part, four.map(of));
                    }
                    for &at in last {
                        let none = (&nothing, 0.0);
                        add_products(&mut part, [of(at), none, none, none]);
                    }
                },
            );
            for (sum, part) in sums.iter_mut().zip(part.as_flattened()) {
                *sum += f64::from(*part);
            }
        }
        let whole: f64 = those.iter().map(|&at| weights[at]).sum();
        let mean = 1.0 / f64::max(whole, 1.0);
        sums.iter_mut().for_each(|sum| *sum *= mean);
        sums
    }
}

/// Values that are worked on together.
const LANES: usize = 8;

/// Each patch's energy along all other directions: a turn keeps lengths.
fn energies(even: &[[f32; PLACES]], along: &[[f32; MEASURED]]) -> Vec<f64> {
    let mut energies = Vec::with_capacity(even.len());
    bands::vectorised(
        #[inline(always)]
        || {
            for (patch, along) in even.iter().zip(along) {
                energies.push(f64::from(product(patch, patch) - along.iter().sum::<f32>()));
            }
        },
    );
    energies
}

/// Adds all products of two samples of each of four weighed patches, in whole groups of [`LANES`] up to the
/// diagonal and beyond. Four at a time, since reading and writing sums takes longer than the products.
#[inline(always)]
fn add_products(sums: &mut [[f32; PLACES]], patches: [(&[f32; PLACES], f32); 4]) {
    for (i, row) in sums.iter_mut().enumerate() {
        let [a, b, c, d] = patches.map(|(patch, weight)| weight * patch[i]);
        let [one, two, three, four] = patches.map(|(patch, _)| patch.as_chunks::<LANES>().0);
        let groups = row
            .as_chunks_mut::<LANES>()
            .0
            .iter_mut()
            .take(i / LANES + 1);
        let groups = groups.zip(one).zip(two).zip(three).zip(four);
        for ((((row, one), two), three), four) in groups {
            for k in 0..LANES {
                row[k] += (a * one[k] + b * two[k]) + (c * three[k] + d * four[k]);
            }
        }
    }
}

/// Sum of products as far as both go, in [`LANES`] sums that are added last.
#[inline(always)]
fn product<T>(one: &[T], other: &[T]) -> T
where
    T: Copy + Default + Add<Output = T> + AddAssign + Mul<Output = T>,
{
    let length = one.len().min(other.len());
    let (one, other) = (&one[..length], &other[..length]);
    let (ones, one) = one.as_chunks::<LANES>();
    let (others, other) = other.as_chunks::<LANES>();
    let mut sums = [T::default(); LANES];
    for (one, other) in ones.iter().zip(others) {
        for k in 0..LANES {
            sums[k] += one[k] * other[k];
        }
    }
    let rest = one.iter().zip(other).map(|(&a, &b)| a * b);
    sums.into_iter().chain(rest).fold(T::default(), T::add)
}

/// The directions in which patches have the least energy, by their covariance (its lower triangle):
/// inverse iteration on a whole subspace (G. Golub, C. Van Loan, "Matrix Computations", sections
/// 4.2 and 8.2). `None` where there is no energy.
fn quietest(matrix: &[f64], colour: &[usize]) -> Option<Vec<Axis>> {
    let n = PLACES;
    let trace: f64 = (0..n).map(|i| matrix[i * n + i]).sum();
    if !(trace > 0.0 && trace.is_finite()) {
        return None;
    }
    let mut root = matrix.to_vec();
    for i in 0..n {
        // Along the mean of a colour there is nothing, as it was taken off: that is no quiet.
        for j in (0..=i).filter(|&j| colour[i] == colour[j]) {
            root[i * n + j] += trace;
        }
        root[i * n + i] += 1.0e-9 * trace;
    }
    for i in 0..n {
        for j in 0..=i {
            let (before, row) = root.split_at_mut(i * n);
            let known = if j < i {
                &before[j * n..][..j]
            } else {
                &row[..j]
            };
            let value = row[j] - product(&row[..j], known);
            row[j] = match j == i {
                true => value.max(1.0e-12 * trace).sqrt(),
                false => value / before[j * n + j],
            };
        }
    }
    let mut state = 1_u32;
    let mut random = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1 << 24) - 0.5
    };
    let mut axes: Vec<Vec<f64>> = (0..MEASURED + BESIDE)
        .map(|_| (0..n).map(|_| random()).collect())
        .collect();
    for _ in 0..STEPS {
        for axis in &mut axes {
            for i in 0..n {
                axis[i] = (axis[i] - product(&root[i * n..][..i], axis)) / root[i * n + i];
            }
            for i in (0..n).rev() {
                let value = axis[i] / root[i * n + i];
                axis[i] = value;
                for (v, factor) in axis[..i].iter_mut().zip(&root[i * n..]) {
                    *v -= factor * value;
                }
            }
        }
        for i in 0..axes.len() {
            let (before, rest) = axes.split_at_mut(i);
            let axis = &mut rest[0];
            for other in before {
                let along = product(axis, other);
                for (v, o) in axis.iter_mut().zip(other.iter()) {
                    *v -= along * o;
                }
            }
            let length = product(axis, axis).sqrt();
            axis.iter_mut().for_each(|v| *v /= length);
        }
    }
    let energy = |axis: &[f64]| -> f64 {
        let row = |i: usize| {
            let below = product(&matrix[i * n..][..i], axis);
            axis[i] * (2.0 * below + matrix[i * n + i] * axis[i])
        };
        (0..n).map(row).sum()
    };
    let mut axes: Vec<(f64, Vec<f64>)> =
        axes.into_iter().map(|axis| (energy(&axis), axis)).collect();
    axes.sort_by(|one, other| one.0.total_cmp(&other.0));
    axes.truncate(MEASURED);
    let narrow = |axis: Vec<f64>| std::array::from_fn(|k| axis[k] as f32);
    Some(axes.into_iter().map(|(_, axis)| narrow(axis)).collect())
}

/// What fits the scatter: `a` of red, green and blue (of all in the first place where they are alike),
/// what `b` is of the squared gains, and texture's `c`.
type Found = [f64; 5];

fn model(found: &Found, terms: &Found) -> f64 {
    found.iter().zip(terms).map(|(f, t)| f * t).sum()
}

/// What `a` is of the usual gains: one electron, on the scale of the samples.
fn electron(found: &[f64], alike: bool) -> f64 {
    match alike {
        true => found[0],
        false => (0..3).map(|of| found[of] / USUAL[of]).sum::<f64>() / 3.0,
    }
}

/// Lines through the scatter. `last` is what the last round found; its gains are those in whose
/// squares `b` is told.
fn fit(points: &[Point], alike: bool, last: Option<[[f64; 2]; 3]>) -> Option<[[f64; 2]; 3]> {
    let sum = |v: [f64; 3]| v[0] + v[1] + v[2];
    let gains = match last.map(|noise| noise.map(|[a, _]| a)) {
        _ if alike => [1.0; 3],
        Some(found) if electron(&found, alike) > 0.0 => found.map(|a| a / electron(&found, alike)),
        _ => USUAL,
    };
    let squares = gains.map(|gain| gain * gain);
    let scatter: Vec<(Found, f64)> = points
        .iter()
        .map(|point| {
            let dark = sum([0, 1, 2].map(|of| point.dark[of] * squares[of]));
            let bright = sum(point.bright);
            let terms = match (alike, point.light) {
                (true, light) => [sum(light), 0.0, 0.0, dark, bright],
                (false, [r, g, b]) => [r, g, b, dark, bright],
            };
            (terms, point.square)
        })
        .collect();
    // In the first round samples are not yet in units of their noise.
    let expected = if last.is_some() { EXPECTED } else { 0.0 };
    let plain = solved(&scatter, alike, expected, 0.0);
    let textured = solved(&scatter, alike, expected, TEXTURE);
    let (_, mut found) = match textured.0 < plain.0 - BETTER {
        true => textured,
        false => plain,
    };
    if !alike {
        // A picture in which a colour hardly occurs says nothing of it.
        let electron = electron(&found, alike);
        for of in 0..3 {
            let usual = electron * USUAL[of];
            found[of] = found[of].max(usual / FARTHEST).min(usual * FARTHEST);
        }
    }
    let noise = match alike {
        true => [[found[0], found[3]]; 3],
        false => [0, 1, 2].map(|of| [found[of], found[3] * squares[of]]),
    };
    noise
        .iter()
        .all(|&[a, b]| a.is_finite() && b.is_finite() && a + b > 0.0)
        .then_some(noise)
}

/// Robust least squares (Cauchy weights), relative errors alike, no number negative; and how unlikely
/// the scatter is. At most the share `texture` of all energy is texture's.
fn solved(scatter: &[(Found, f64)], alike: bool, expected: f64, texture: f64) -> (f64, Found) {
    let all: f64 = scatter.iter().map(|(_, square)| square).sum();
    // What a term would be, had it all the energy. Robust weights could find more.
    let alone: Found = std::array::from_fn(|i| {
        let whole: f64 = scatter.iter().map(|(terms, _)| terms[i]).sum();
        all / whole.max(1.0e-30)
    });
    let mut bounds = alone.map(|alone| 2.0 * alone);
    bounds[4] = texture * alone[4];
    let lights: f64 = scatter
        .iter()
        .map(|(terms, _)| terms[..3].iter().sum::<f64>())
        .sum();
    let start = all / lights.max(1.0e-30);
    let mut found = match alike {
        true => [start, 0.0, 0.0, 0.0, 0.0],
        false => [0, 1, 2, 3, 4].map(|i| USUAL.get(i).map_or(0.0, |usual| start * usual)),
    };
    let off = |found: &Found, (terms, square): &(Found, f64)| {
        let told = model(found, terms).max(1.0e-14);
        ((square - told) / (SCATTER * told), told)
    };
    for _ in 0..40 {
        let mut products = [[0.0; 5]; 5];
        let mut right = [0.0; 5];
        for point in scatter {
            let (off, told) = off(&found, point);
            let weight = 1.0 / (told * told * (1.0 + off * off));
            let (terms, square) = point;
            for i in 0..5 {
                for j in 0..5 {
                    products[i][j] += weight * terms[i] * terms[j];
                }
                right[i] += weight * terms[i] * square;
            }
        }
        let electron = electron(&found, alike);
        if !alike {
            for of in 0..3 {
                let held = HELD * products[of][of];
                products[of][of] += held;
                right[of] += held * electron * USUAL[of];
            }
        }
        let read = (READ * electron * READ * electron).min(bounds[3]);
        if read > 0.0 {
            let larger = read.max(found[3]);
            let weight = expected / (larger * larger);
            products[3][3] += weight;
            right[3] += weight * read;
        }
        // One unknown after the other.
        for _ in 0..200 {
            for i in 0..5 {
                if products[i][i] > f64::MIN_POSITIVE {
                    let rest = right[i] - model(&found, &products[i]);
                    found[i] = (found[i] + rest / products[i][i]).max(0.0).min(bounds[i]);
                }
            }
        }
    }
    let each = scatter.iter().map(|point| {
        let (off, _) = off(&found, point);
        libm::log1p(off * off)
    });
    (each.sum::<f64>() / scatter.len().max(1) as f64, found)
}
