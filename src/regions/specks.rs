//! Takes what is no strand out of a matte: single pixels, and specks that hang on nothing.

use ndarray::Array2;

use crate::picture::bands;

/// No pixel more than the second largest of its eight neighbours and a little.
pub(super) fn without_specks(alpha: &Array2<f32>) -> Array2<f32> {
    let (h, w) = alpha.dim();
    let mut out = alpha.clone();
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = first + i;
            if y == 0 || y + 1 >= h {
                continue;
            }
            for x in 1..w.saturating_sub(1) {
                if row[x] < 0.02 {
                    continue;
                }
                let (mut most, mut second) = (0.0f32, 0.0f32);
                for near in y - 1..=y + 1 {
                    for beside in x - 1..=x + 1 {
                        if near != y || beside != x {
                            let v = alpha[[near, beside]];
                            second = second.max(v.min(most));
                            most = most.max(v);
                        }
                    }
                }
                row[x] = row[x].min(1.25 * second + 0.01);
            }
        }
    });
    out
}

/// Takes away what is connected with nothing larger than `longest` pixels each way: grain and dust of
/// the backdrop that pass for strands. What hangs on the sitter stays, however thin.
pub(super) fn drop_islands(alpha: &mut Array2<f32>, longest: usize) {
    let (height, width) = alpha.dim();
    let mut seen = alpha.mapv(|a| a < 0.02);
    let (mut island, mut open) = (Vec::new(), Vec::new());
    for y in 0..height {
        for x in 0..width {
            if seen[[y, x]] {
                continue;
            }
            seen[[y, x]] = true;
            island.clear();
            open.push((y, x));
            let (mut low, mut high) = ((y, x), (y, x));
            while let Some((y, x)) = open.pop() {
                island.push((y, x));
                low = (low.0.min(y), low.1.min(x));
                high = (high.0.max(y), high.1.max(x));
                for near in y.saturating_sub(1)..(y + 2).min(height) {
                    for beside in x.saturating_sub(1)..(x + 2).min(width) {
                        if !seen[[near, beside]] {
                            seen[[near, beside]] = true;
                            open.push((near, beside));
                        }
                    }
                }
            }
            if (high.0 - low.0).max(high.1 - low.1) < longest {
                island.iter().for_each(|&at| alpha[at] = 0.0);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::ops::Range;

    #[test]
    fn islands_go_and_strands_stay() {
        // One strand hangs on the sitter, one lies free; a speck comes to both.
        let inside = |rows: Range<usize>, columns: Range<usize>, (y, x): (usize, usize)| {
            rows.contains(&y) && columns.contains(&x)
        };
        let whole = Array2::from_shape_fn((40, 40), |at| {
            let sitter = inside(20..40, 10..30, at);
            let strand = inside(10..20, 15..16, at) || inside(2..3, 5..20, at);
            if sitter { 1.0 } else { 0.3 * f32::from(strand) }
        });
        let mut alpha = whole.clone();
        alpha.indexed_iter_mut().for_each(|(at, a)| {
            if inside(5..8, 34..37, at) {
                *a = 0.8;
            }
        });
        drop_islands(&mut alpha, 10);
        assert_eq!(alpha, whole);
    }
}
