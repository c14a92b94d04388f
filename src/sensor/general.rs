//! Any repeating filter pattern to three planes (used for 6 x 6).
use ndarray::Array2;

use super::{root, sites::Sites};
use crate::picture::{Rect, bands};

/// Square roots of the balanced colours of `window`: means of the nearest sites of each colour,
/// weighted by distance, as differences to green.
pub(super) fn fill_in(sites: &Sites<'_>, window: Rect, planes: &mut [Array2<f32>; 3]) {
    const REACH: isize = 3;
    bands::each_row(planes, |y, rows| {
        let width = window.width + 2 * REACH as usize;
        let y = (window.top + y) as isize;
        let mut near = vec![0.0; width * (2 * REACH as usize + 1)];
        for (k, row) in near.chunks_exact_mut(width).enumerate() {
            sites.row(y + k as isize - REACH, window.left as isize - REACH, row);
            row.iter_mut().for_each(|v| *v = root(*v));
        }
        let [r, g, b] = rows;
        let colour =
            |y: isize, x: isize| sites.colour(y.rem_euclid(6) as usize, x.rem_euclid(6) as usize);
        for x in 0..window.width {
            let (mut sums, mut weights) = ([0.0_f32; 3], [0.0_f32; 3]);
            for dy in -REACH..=REACH {
                for dx in -REACH..=REACH {
                    let c = colour(y + dy, (window.left + x) as isize + dx);
                    let at = (dy + REACH) as usize * width + (x as isize + dx + REACH) as usize;
                    let d = (dy * dy + dx * dx) as f32;
                    let weight = if d == 0.0 { 1.0e6 } else { 1.0 / (d * d) };
                    sums[c] += weight * near[at];
                    weights[c] += weight;
                }
            }
            (r[x], g[x], b[x]) = (
                sums[0] / weights[0],
                sums[1] / weights[1],
                sums[2] / weights[2],
            );
        }
    });
}
