//! Any repeating filter pattern (6 x 6 here) to three planes.
//!
//! Green first: at each site the mean of the green sites near it, weighted by distance and by how
//! little light changes on the way there, judged by sites of one colour a cell's diagonal apart.
//! Then red and blue minus green likewise. Normalised convolution with structure-adaptive
//! weights: H. Knutsson and C.-F. Westin, "Normalized and differential convolution", CVPR 1993; for
//! filter patterns in general, R. Lukac and K. Plataniotis, "Universal demosaicking for imaging
//! pipelines with an RGB color filter array", Pattern Recognition 38 (2005), whose edge-sensing
//! weights 1 / (1 + change) these are.

use ndarray::Array2;

use super::{root, sites::Sites};
use crate::picture::bands;

/// How far colours are looked for: 6 x 6 patterns have all three within two sites.
const NEAR: isize = 2;

/// Sites read around one: twice [`NEAR`], since differences to green need green there, and one for
/// the plain mean there.
const REACH: isize = 2 * NEAR + 1;

/// Rows and columns after which filters repeat.
const CELL: isize = 6;

/// How strongly change lowers a weight, per full scale of square roots. Tried
/// once on real pictures, not tuned.
const EDGE: f32 = 20.0;

/// Rows filled at a time.
const BAND: usize = 32;

/// Square roots of the balanced colours of the sites from `origin` (row, column) on.
pub(super) fn fill_in(
    sites: &Sites<'_>,
    [top, left]: [isize; 2],
    lift: f32,
    planes: &mut [Array2<f32>; 3],
) {
    let width = planes[0].ncols();
    bands::each_band_of_three(planes, BAND, |first, mut rows| {
        let count = rows[0].len() / width;
        let reach = REACH as usize;
        let (wide, high) = (width + 2 * reach, count + 2 * reach);
        let origin = [top + first as isize - REACH, left - REACH];
        let mut tile = vec![0.0; wide * high];
        for (y, row) in tile.chunks_exact_mut(wide).enumerate() {
            sites.row(origin[0] + y as isize, origin[1], row);
            row.iter_mut().for_each(|v| *v = root(*v + lift));
        }
        let cell: [usize; 36] = std::array::from_fn(|k| {
            let (y, x) = (k as isize / CELL, k as isize % CELL);
            sites.colour(
                (origin[0] + y).rem_euclid(CELL) as usize,
                (origin[1] + x).rem_euclid(CELL) as usize,
            )
        });
        let colour = |y: usize, x: usize| cell[y % 6 * 6 + x % 6];
        let mut green = vec![0.0; wide * high];
        let mut steady = vec![0.0; wide * high];
        // A plain mean of what is near tells how light changes, whatever the filters.
        let near = NEAR as usize;
        let each = |from: usize| {
            (from..high - from).flat_map(move |y| (from..wide - from).map(move |x| (y, x)))
        };
        for (y, x) in each(1) {
            let mut sum = 0.0;
            for dy in 0..3 {
                for dx in 0..3 {
                    sum += tile[(y + dy - 1) * wide + x + dx - 1];
                }
            }
            steady[y * wide + x] = sum * (1.0 / 9.0);
        }
        let weighted = |y: usize, x: usize, wanted: usize, value: &dyn Fn(usize) -> f32| {
            let here = steady[y * wide + x];
            let (mut sum, mut weights) = (0.0, 0.0);
            for dy in 0..=2 * near {
                for dx in 0..=2 * near {
                    let (at_y, at_x) = (y + dy - near, x + dx - near);
                    if colour(at_y, at_x) == wanted {
                        let at = at_y * wide + at_x;
                        let (down, across) = (dy as f32 - near as f32, dx as f32 - near as f32);
                        let distance = down * down + across * across;
                        let change = (steady[at] - here).abs();
                        let weight = 1.0 / (distance * distance * (1.0 + EDGE * change));
                        sum += weight * value(at);
                        weights += weight;
                    }
                }
            }
            sum / weights
        };
        for (y, x) in each(near + 1) {
            let at = y * wide + x;
            green[at] = match colour(y, x) {
                1 => tile[at],
                _ => weighted(y, x, 1, &|at| tile[at]),
            };
        }
        for y in 0..count {
            for x in 0..width {
                let (ty, tx) = (y + reach, x + reach);
                let at = ty * wide + tx;
                for (c, rows) in rows.iter_mut().enumerate() {
                    rows[y * width + x] = match c {
                        _ if colour(ty, tx) == c => tile[at],
                        1 => green[at],
                        _ => green[at] + weighted(ty, tx, c, &|at| tile[at] - green[at]),
                    };
                }
            }
        }
    });
}
