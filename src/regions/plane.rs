//! Means over windows of small planes, for statistics of regions.
//!
//! Edges: the window is cut at the frame and the mean taken over what is left.

use ndarray::{Array2, ArrayView2, Axis};

/// Running means along rows, window 2 r + 1 cut at the ends.
fn along_rows(plane: ArrayView2<'_, f32>, r: usize) -> Array2<f32> {
    let w = plane.ncols();
    let mut out = Array2::zeros(plane.dim());
    for (from, mut to) in plane.outer_iter().zip(out.outer_iter_mut()) {
        let mut sum: f64 = (0..r.min(w)).map(|x| f64::from(from[x])).sum();
        let mut count = r.min(w);
        for x in 0..w {
            if x + r < w {
                sum += f64::from(from[x + r]);
                count += 1;
            }
            if x > r {
                sum -= f64::from(from[x - r - 1]);
                count -= 1;
            }
            to[x] = (sum / count as f64) as f32;
        }
    }
    out
}

/// Running means down columns, whole rows at a time.
fn down_columns(plane: ArrayView2<'_, f32>, r: usize) -> Array2<f32> {
    let (h, w) = plane.dim();
    let mut out = Array2::zeros((h, w));
    let mut sum = vec![0.0f64; w];
    let mut count = 0usize;
    let add = |sum: &mut [f64], y: usize, sign: f64| {
        for (s, v) in sum.iter_mut().zip(plane.row(y)) {
            *s += sign * f64::from(*v);
        }
    };
    for y in 0..r.min(h) {
        add(&mut sum, y, 1.0);
        count += 1;
    }
    for y in 0..h {
        if y + r < h {
            add(&mut sum, y + r, 1.0);
            count += 1;
        }
        if y > r {
            add(&mut sum, y - r - 1, -1.0);
            count -= 1;
        }
        for (o, s) in out.row_mut(y).iter_mut().zip(&sum) {
            *o = (s / count as f64) as f32;
        }
    }
    out
}

/// Mean over (2 r + 1) x (2 r + 1).
pub(super) fn mean(plane: ArrayView2<'_, f32>, r: usize) -> Array2<f32> {
    if r == 0 {
        return plane.to_owned();
    }
    down_columns(along_rows(plane, r).view(), r)
}

/// About a Gaussian of standard deviation `sigma`: three means in a row (the central limit; a
/// window of w pixels has variance (w^2 - 1) / 12).
pub(super) fn smooth(plane: ArrayView2<'_, f32>, sigma: f32) -> Array2<f32> {
    let width = (4.0 * sigma * sigma + 1.0).sqrt();
    let r = ((width - 1.0) / 2.0 + 0.5).max(0.0) as usize;
    let mut out = mean(plane, r);
    for _ in 0..2 {
        out = mean(out.view(), r);
    }
    out
}

/// Largest value within `r` pixels, in a square.
pub(super) fn dilate(plane: ArrayView2<'_, f32>, r: usize) -> Array2<f32> {
    extreme(plane, r, f32::max)
}

/// Smallest value within `r` pixels, in a square.
pub(super) fn erode(plane: ArrayView2<'_, f32>, r: usize) -> Array2<f32> {
    extreme(plane, r, f32::min)
}

fn extreme(plane: ArrayView2<'_, f32>, r: usize, pick: fn(f32, f32) -> f32) -> Array2<f32> {
    let pass = |plane: ArrayView2<'_, f32>| {
        let w = plane.ncols();
        let mut out = plane.to_owned();
        for (from, mut to) in plane.outer_iter().zip(out.outer_iter_mut()) {
            for x in 0..w {
                let (low, high) = (x.saturating_sub(r), (x + r).min(w - 1));
                to[x] = (low..=high).map(|i| from[i]).fold(from[x], pick);
            }
        }
        out
    };
    let rows = pass(plane);
    pass(rows.t()).t().as_standard_layout().into_owned()
}

/// Means over `k` x `k` blocks; the last ones may be smaller.
pub(super) fn shrink(plane: ArrayView2<'_, f32>, k: usize) -> Array2<f32> {
    let k = k.max(1);
    let (h, w) = plane.dim();
    let mut out = Array2::zeros((h.div_ceil(k), w.div_ceil(k)));
    for (block, mut row) in plane.axis_chunks_iter(Axis(0), k).zip(out.outer_iter_mut()) {
        for (cell, v) in block.axis_chunks_iter(Axis(1), k).zip(row.iter_mut()) {
            *v = cell.iter().sum::<f32>() / cell.len() as f32;
        }
    }
    out
}
