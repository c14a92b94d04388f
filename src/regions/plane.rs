//! Making planes smaller and reading them at another size.

use ndarray::{Array2, ArrayView2};

use super::crop::sample;
use crate::picture::bands;

/// Means over `k` x `k` blocks; the last ones may be smaller.
pub(super) fn shrink(plane: ArrayView2<'_, f32>, k: usize) -> Array2<f32> {
    let k = k.max(1);
    let (h, w) = plane.dim();
    let mut out = Array2::zeros((h.div_ceil(k), w.div_ceil(k)));
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let from = (first + i) * k;
            let lines = from..(from + k).min(h);
            for line in lines.clone() {
                let line = plane.row(line);
                for (cell, v) in row.iter_mut().enumerate() {
                    let columns = cell * k..(cell * k + k).min(w);
                    let share = 1.0 / (columns.len() * lines.len()) as f32;
                    let mut sum = 0.0;
                    for x in columns {
                        sum += line[x];
                    }
                    *v += sum * share;
                }
            }
        }
    });
    out
}

/// A plane read at another size by linear interpolation: pixel centre c of the new one lies at
/// `step` * c of the old.
pub(super) fn resized(plane: ArrayView2<'_, f32>, dim: (usize, usize), step: f32) -> Array2<f32> {
    let mut out = Array2::zeros(dim);
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = ((first + i) as f32 + 0.5) * step;
            for (x, v) in row.iter_mut().enumerate() {
                *v = sample(plane, (x as f32 + 0.5) * step, y);
            }
        }
    });
    out
}
