//! How much noise a frame has, found from the frame itself.
//!
//! Shot noise grows with light, read noise does not: the variance of a site that collected `x` (black
//! 0, white 1) is `a x + b`. After A. Foi, M. Trimeche, V. Katkovnik, K. Egiazarian, "Practical
//! Poissonian-Gaussian noise modeling and fitting for single-image raw-data", IEEE TIP 17 (2008):
//! scatter points (mean, variance) of calm places, then a robust line. Calm places are blocks
//! whose fourth differences, both ways at once, are among the smallest of their brightness;
//! such differences hardly see anything but noise, since lenses blur what is so fine.

use super::sites::Sites;
use crate::picture::Rect;

/// Side of a block, in sites of one colour.
const BLOCK: usize = 10;

/// Fourth difference (binomial), and the sum of its squares both ways: its gain on white noise.
const DIFFERENCE: [f32; 5] = [1.0, -4.0, 6.0, -4.0, 1.0];
const GAIN: f32 = 70.0 * 70.0;

/// Differences in a row of a block.
const WITHIN: usize = BLOCK - 4;

/// Share of the blocks of one brightness that counts as calm ...
const CALM: usize = 20;

/// ... and what the mean of their variances is of the true one on pure noise, since the smallest
/// are picked: measured on 400,000 blocks of Gaussian noise.
const CALM_OF_TRUE: f32 = 0.287;

/// Brightness classes of about equally many blocks, at most, and blocks in each, at least.
const CLASSES: usize = 12;
const LEAST: usize = 40;

/// Blocks that are looked at, at most; a grid thins them out evenly.
const MOST: usize = 60_000;

/// Estimates `[a, b]` from all sites of `colours` (0 red, 1 green, 2 blue) in `window`, on the scale
/// of `sites`. `None` when too little of it is usable.
pub(super) fn estimate(sites: &Sites<'_>, window: Rect, colours: &[usize]) -> Option<[f32; 2]> {
    let mut points = points(sites, window, colours);
    let classes = (points.len() / LEAST).min(CLASSES);
    if classes < 3 {
        return None;
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let class = points.len().div_ceil(classes);
    let scatter: Vec<(f64, f64)> = points
        .chunks_mut(class)
        .filter(|class| class.len() >= LEAST / 2)
        .map(|class| {
            class.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.total_cmp(&b.0)));
            let calm = &class[..class.len().div_ceil(CALM)];
            let mean = |of: fn(&(f32, f32)) -> f32| {
                calm.iter().map(|point| f64::from(of(point))).sum::<f64>() / calm.len() as f64
            };
            (mean(|p| p.0), mean(|p| p.1) / f64::from(CALM_OF_TRUE))
        })
        .collect();
    line(&scatter)
}

/// Mean and variance of the differences of each usable block.
fn points(sites: &Sites<'_>, window: Rect, colours: &[usize]) -> Vec<(f32, f32)> {
    // Sites of one colour and kind lie a cell apart.
    let cell = sites.cell();
    let side = BLOCK * cell;
    // Blocks overlap by half.
    let step = side / 2;
    let blocks = |length: usize| (length / step).saturating_sub(1);
    let (down, across) = (blocks(window.height), blocks(window.width));
    let wanted: Vec<(usize, usize)> = (0..cell * cell)
        .map(|k| (k / cell, k % cell))
        .filter(|&(y, x)| colours.contains(&sites.colour(window.top + y, window.left + x)))
        .collect();
    let all = down * across * wanted.len();
    let thin = (1..).find(|thin| all / (thin * thin) <= MOST).unwrap_or(1);
    let mut points = Vec::new();
    let mut rows = vec![0.0; BLOCK * window.width];
    for block_row in (0..down).step_by(thin) {
        for &(dy, dx) in &wanted {
            for (k, row) in rows.chunks_exact_mut(window.width).enumerate() {
                let y = window.top + block_row * step + k * cell + dy;
                sites.row(y as isize, window.left as isize, row);
            }
            let clip = 0.98 * sites.clip(sites.colour(window.top + dy, window.left + dx));
            for block in (0..across).step_by(thin) {
                let at = |y: usize, x: usize| rows[y * window.width + block * step + x * cell + dx];
                points.extend(point(at, clip));
            }
        }
    }
    points
}

/// One block; `None` when something in it clips.
fn point(at: impl Fn(usize, usize) -> f32, clip: f32) -> Option<(f32, f32)> {
    let (mut sum, mut highest) = (0.0, f32::NEG_INFINITY);
    let mut rows = [[0.0; WITHIN]; BLOCK];
    for (y, row) in rows.iter_mut().enumerate() {
        for x in 0..BLOCK {
            sum += at(y, x);
            highest = highest.max(at(y, x));
        }
        for (x, out) in row.iter_mut().enumerate() {
            *out = (0..5).map(|k| DIFFERENCE[k] * at(y, x + k)).sum();
        }
    }
    let mut variance = 0.0;
    for y in 0..WITHIN {
        for x in 0..WITHIN {
            let difference: f32 = (0..5).map(|k| DIFFERENCE[k] * rows[y + k][x]).sum();
            variance += difference * difference;
        }
    }
    let count = (WITHIN * WITHIN) as f32;
    (highest < clip).then(|| (sum / (BLOCK * BLOCK) as f32, variance / (GAIN * count)))
}

/// A line through the scatter, robust (Cauchy weights), relative errors alike, neither number
/// negative.
fn line(scatter: &[(f64, f64)]) -> Option<[f32; 2]> {
    if scatter.len() < 3 {
        return None;
    }
    let mean =
        |of: fn(&(f64, f64)) -> f64| scatter.iter().map(of).sum::<f64>() / scatter.len() as f64;
    let (mut a, mut b) = ((mean(|p| p.1) / mean(|p| p.0).max(1e-9)).max(1e-12), 0.0);
    for _ in 0..30 {
        let (mut xx, mut x1, mut one, mut xv, mut v1) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(x, v) in scatter {
            let model = (a * x + b).max(1e-14);
            let off = (v - model) / (0.25 * model);
            let weight = 1.0 / (model * model * (1.0 + off * off));
            xx += weight * x * x;
            x1 += weight * x;
            one += weight;
            xv += weight * x * v;
            v1 += weight * v;
        }
        let determinant = xx * one - x1 * x1;
        if determinant.abs() <= f64::MIN_POSITIVE {
            return None;
        }
        (a, b) = (
            (xv * one - x1 * v1) / determinant,
            (xx * v1 - x1 * xv) / determinant,
        );
        if b < 0.0 {
            (a, b) = (xv / xx, 0.0);
        }
        if a < 0.0 {
            (a, b) = (0.0, v1 / one);
        }
    }
    (a.is_finite() && b.is_finite() && a + b > 0.0).then_some([a as f32, b as f32])
}
