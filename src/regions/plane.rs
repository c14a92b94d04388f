//! Making planes smaller and reading them at another size.

use ndarray::{Array2, ArrayView2};

use crate::picture::bands;

/// Means over `k` x `k` blocks; the last ones may be smaller.
pub(super) fn shrink(plane: ArrayView2<'_, f32>, k: usize) -> Array2<f32> {
    let k = k.max(1);
    let plane = plane.as_standard_layout();
    let (h, w) = plane.dim();
    let mut out = Array2::zeros((h.div_ceil(k), w.div_ceil(k)));
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let from = (first + i) * k;
            let lines = from..(from + k).min(h);
            for line in lines.clone() {
                let line = plane.row(line);
                let line = line.to_slice().expect("standard layout");
                for (v, values) in row.iter_mut().zip(line.chunks(k)) {
                    let share = 1.0 / (values.len() * lines.len()) as f32;
                    let mut sum = 0.0;
                    for value in values {
                        sum += value;
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
    let plane = plane.as_standard_layout();
    let places = |count: usize, end: usize| -> Vec<Between> {
        (0..count)
            .map(|i| Between::new((i as f32 + 0.5) * step, end))
            .collect()
    };
    let (lines, columns) = (places(dim.0, plane.nrows()), places(dim.1, plane.ncols()));
    let mut out = Array2::zeros(dim);
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let line = lines[first + i];
            let top = plane.row(line.first).to_slice().expect("standard layout");
            let low = plane.row(line.second).to_slice().expect("standard layout");
            for (v, column) in row.iter_mut().zip(&columns) {
                let (top, low) = (column.read(top), column.read(low));
                *v = top + (low - top) * line.share;
            }
        }
    });
    out
}

/// A place between two values of a row or column.
#[derive(Debug, Clone, Copy)]
pub(super) struct Between {
    pub(super) first: usize,
    pub(super) second: usize,
    /// Share of the second.
    pub(super) share: f32,
}

impl Between {
    /// At coordinate `place` (edges of values at whole numbers) of `end` values, the last ones
    /// repeated.
    #[inline(always)]
    pub(super) fn new(place: f32, end: usize) -> Self {
        let place = (place - 0.5).max(0.0).min((end - 1) as f32);
        let first = place as usize;
        Self {
            first,
            second: (first + 1).min(end - 1),
            share: place - first as f32,
        }
    }

    #[inline(always)]
    pub(super) fn read(self, values: &[f32]) -> f32 {
        values[self.first] + (values[self.second] - values[self.first]) * self.share
    }
}
