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
    let rows = Rows::new(plane.dim(), dim, step);
    let values = plane.as_slice().expect("standard layout");
    let mut out = Array2::zeros(dim);
    bands::each_band(out.view_mut(), |first, mut lines| {
        for (i, mut line) in lines.outer_iter_mut().enumerate() {
            let mixed = rows.mixed(values, first + i);
            for (v, column) in line.iter_mut().zip(&rows.across) {
                *v = column.read(&mixed);
            }
        }
    });
    out
}

/// Reads planes of one size at another as [`resized`] does, row by row, for those who need only some of a
/// row's values or many planes at once.
pub(super) struct Rows {
    down: Vec<Between>,
    across: Vec<Between>,
    /// Columns of the planes that are read.
    wide: usize,
}

impl Rows {
    /// From planes of size `from` to size `to`; `step` as for [`resized`].
    pub(super) fn new(from: (usize, usize), to: (usize, usize), step: f32) -> Self {
        let places = |count: usize, end: usize| {
            let place = |i: usize| Between::new((i as f32 + 0.5) * step, end);
            (0..count).map(place).collect()
        };
        Self {
            down: places(to.0, from.0),
            across: places(to.1, from.1),
            wide: from.1,
        }
    }

    /// What [`Rows::read`] reads row `y` of the new size from; `plane` is given row by row.
    pub(super) fn mixed(&self, plane: &[f32], y: usize) -> Vec<f32> {
        let line = self.down[y];
        let [top, low] = [line.first, line.second].map(|y| &plane[y * self.wide..][..self.wide]);
        let mut mixed = top.to_vec();
        bands::vectorised(
            #[inline(always)]
            || {
                for (v, &low) in mixed.iter_mut().zip(low) {
                    *v += (low - *v) * line.share;
                }
            },
        );
        mixed
    }

    /// Value `x` of a row that was [mixed](Self::mixed).
    #[inline(always)]
    pub(super) fn read(&self, mixed: &[f32], x: usize) -> f32 {
        self.across[x].read(mixed)
    }
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
