//! A row of a small map, read linearly at a picture's columns.
//!
//! The picture has several columns to each of the map's, and maps are mostly flat: so each pair of
//! neighbouring values serves its run of columns, and where neighbours are equal all columns between
//! are filled at once.

use std::ops::Range;

use super::bands;

/// Which two values of a map's row each column of a picture lies between, and how far along.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// The first column that reads each value as its left one, and one past the last column.
    starts: Vec<usize>,
    /// How far each column lies from its left to its right value.
    shares: Vec<f32>,
}

impl Stretch {
    /// For rows of `values` values: `places` gives for each column the value to its left, never going
    /// back, and how far it lies from there to the next. The last value's right neighbour is itself.
    pub fn new(values: usize, places: impl Iterator<Item = (usize, f32)>) -> Self {
        let mut starts = Vec::with_capacity(values + 1);
        let mut shares = Vec::new();
        if values > 0 {
            for (column, (left, share)) in places.enumerate() {
                while starts.len() <= left.min(values - 1) {
                    starts.push(column);
                }
                shares.push(share);
            }
        }
        starts.resize(values + 1, shares.len());
        Self { starts, shares }
    }

    /// The values of columns from the first on, as many as `out` holds and there are. Outside of the
    /// columns that are returned all are 0.
    ///
    /// # Panics
    /// When `values` are not as many as were told; without any, nothing is written.
    pub fn fill(&self, values: &[f32], out: &mut [f32]) -> Range<usize> {
        let Self { starts, shares } = self;
        let count = out.len().min(shares.len());
        let out = &mut out[..count];
        let Some((&last, _)) = values.split_last() else {
            return 0..0;
        };
        let ends = values.len();
        assert_eq!(ends + 1, starts.len(), "a row has the map's columns");
        bands::vectorised(
            #[inline(always)]
            || {
                let Some(first) = values.iter().position(|&v| v != 0.0) else {
                    out.fill(0.0);
                    return 0..0;
                };
                let end = values.iter().rposition(|&v| v != 0.0).unwrap_or(first) + 1;
                let start_of = |value: usize| starts[value].min(count);
                let mut next = 0;
                while next < ends {
                    let (from, value) = (next, values[next]);
                    next += 1;
                    while next < ends && values[next] == value {
                        next += 1;
                    }
                    // The last of equal values leads over to the one after them.
                    let slope = values.get(next).copied().unwrap_or(last) - value;
                    let end = start_of(next);
                    let flat = if slope == 0.0 {
                        end
                    } else {
                        start_of(next - 1)
                    };
                    out[start_of(from)..flat].fill(value);
                    for (out, share) in out[flat..end].iter_mut().zip(&shares[flat..end]) {
                        *out = value + slope * share;
                    }
                }
                start_of(first.saturating_sub(1))..start_of(end)
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten columns over four values: two before the first value's middle, two past the last's.
    fn places() -> impl Iterator<Item = (usize, f32)> {
        (0..10).map(|x| {
            let at = ((x as f32 + 0.5) * 0.4 - 0.5).clamp(0.0, 3.0);
            (at as usize, at - at.floor())
        })
    }

    #[test]
    fn columns_lie_linearly_between_their_values() {
        let stretch = Stretch::new(4, places());
        for values in [
            [0.0, 0.0, 1.0, 0.25],
            [1.0, 1.0, 1.0, 1.0],
            [0.0, 0.5, 0.5, 0.0],
            [0.0; 4],
            [2.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, 0.0, 3.0],
        ] {
            let mut out = [9.0; 10];
            let inside = stretch.fill(&values, &mut out);
            for (x, (left, share)) in places().enumerate() {
                let right = values[(left + 1).min(3)];
                assert_eq!(
                    out[x],
                    values[left] + (right - values[left]) * share,
                    "{values:?} at {x}"
                );
                assert!(out[x] == 0.0 || inside.contains(&x), "{values:?} at {x}");
            }
            let mut few = [9.0; 4];
            stretch.fill(&values, &mut few);
            assert_eq!(few, out[..4]);
        }
    }

    #[test]
    fn nothing_is_read_of_nothing() {
        let stretch = Stretch::new(0, places());
        assert_eq!(stretch.fill(&[], &mut [9.0; 3]), 0..0);
    }
}
