//! What a peak of redness must look like to be a blemish: round, on clear skin, not the lit side of a
//! raised mark.

use ndarray::Array2;

use crate::operations::skin_bands::SkinGrid;
use crate::picture::math::{cos, sin};

/// Where a ring beside a spot begins and ends, in widths at which it was found.
const RING: [f32; 2] = [2.2, 6.0];
/// Bound of tr^2 / det of the Hessian; 4 is round, 6.5 about twice as long as wide.
const ROUND: f32 = 6.5;
/// A spot ends where its redness has fallen to this share of what it is in the middle.
const ENDS_AT: f32 = 0.12;
/// Radius of what is mended over that end, so that the fade begins outside of the spot.
const RADIUS_OVER_END: f32 = 1.4;
/// Bounds of the mended radius in widths at which the spot was found.
const RADIUS_OVER_WIDTH: [f32; 2] = [2.2, 6.0];

/// Lightest ln R beside a spot, above its surroundings: the largest of the difference of blurs
/// within three and a half widths.
pub(super) fn lit_side(
    light: &Array2<f32>,
    grid: &SkinGrid,
    (y, x): (usize, usize),
    width: f32,
) -> f32 {
    let (rows, columns) = light.dim();
    let reach = 3.5 * width + 1.0;
    let n = reach as usize;
    let mut lightest = 0.0_f32;
    for row in y.saturating_sub(n)..(y + n + 1).min(rows) {
        for column in x.saturating_sub(n)..(x + n + 1).min(columns) {
            let (dy, dx) = (row as f32 - y as f32, column as f32 - x as f32);
            if dy * dy + dx * dx <= reach * reach && grid.weight[[row, column]] > 0.8 {
                lightest = lightest.max(light[[row, column]]);
            }
        }
    }
    lightest
}

/// What is beside a spot, in a ring clear of it.
pub(super) struct Beside {
    /// Root mean square of the difference of blurs in redness.
    pub uneven: f32,
    /// How far red light falls, in ln R, at the darkest place.
    pub darkest: f32,
}

impl Beside {
    pub(super) fn new(
        red: &Array2<f32>,
        light: &Array2<f32>,
        grid: &SkinGrid,
        (y, x): (usize, usize),
        width: f32,
    ) -> Self {
        let (rows, columns) = red.dim();
        let [near, far] = RING.map(|bound| bound * width);
        let n = far as usize + 1;
        let (mut sum, mut count, mut darkest) = (0.0, 0, 0.0_f32);
        for row in y.saturating_sub(n)..(y + n + 1).min(rows) {
            for column in x.saturating_sub(n)..(x + n + 1).min(columns) {
                let (dy, dx) = (row as f32 - y as f32, column as f32 - x as f32);
                let squared = dy * dy + dx * dx;
                let inside = squared >= near * near && squared <= far * far;
                if inside && grid.weight[[row, column]] > 0.5 {
                    sum += red[[row, column]] * red[[row, column]];
                    count += 1;
                    darkest = darkest.max(-light[[row, column]]);
                }
            }
        }
        Self {
            uneven: (sum / count.max(1) as f32).sqrt(),
            darkest,
        }
    }
}

/// Radius to mend, in cells: from the fall of redness around the middle, against how red the ring
/// at the outer bound is.
pub(super) fn extent(red: &Array2<f32>, (y, x): (usize, usize), width: f32) -> f32 {
    let [least, most] = RADIUS_OVER_WIDTH.map(|bound| bound * width);
    let (rows, columns) = red.dim();
    let ring = |radius: f32| {
        let sum: f32 = (0..16)
            .map(|k| {
                let angle = std::f32::consts::TAU * k as f32 / 16.0;
                let row = (y as f32 + radius * sin(angle)).round();
                let column = (x as f32 + radius * cos(angle)).round();
                let row = row.clamp(0.0, rows as f32 - 1.0) as usize;
                red[[row, column.clamp(0.0, columns as f32 - 1.0) as usize]]
            })
            .sum();
        sum / 16.0
    };
    let around = ring(most / RADIUS_OVER_END);
    let excess = red[[y, x]] - around;
    let mut end = 1.0;
    while end * RADIUS_OVER_END < most && ring(end) - around > ENDS_AT * excess {
        end += 0.5;
    }
    (end * RADIUS_OVER_END).clamp(least, most)
}

/// Whether no neighbour, in place (5 x 5) or width, is higher.
pub(super) fn is_peak(planes: &[Array2<f32>], i: usize, y: usize, x: usize) -> bool {
    let here = planes[i][[y, x]];
    let widths = i.saturating_sub(1)..(i + 2).min(planes.len());
    widths
        .into_iter()
        .all(|j| (y - 2..y + 3).all(|y| (x - 2..x + 3).all(|x| planes[j][[y, x]] <= here)))
}

/// Whether the principal curvatures at a peak are alike.
pub(super) fn is_round(plane: &Array2<f32>, y: usize, x: usize) -> bool {
    let at = |dy: usize, dx: usize| plane[[y + dy - 1, x + dx - 1]];
    let dxx = at(1, 2) + at(1, 0) - 2.0 * at(1, 1);
    let dyy = at(2, 1) + at(0, 1) - 2.0 * at(1, 1);
    let dxy = 0.25 * (at(2, 2) + at(0, 0) - at(2, 0) - at(0, 2));
    let (trace, det) = (dxx + dyy, dxx * dyy - dxy * dxy);
    det > 0.0 && trace * trace < ROUND * det
}

/// Share of skin within `radius` cells.
pub(super) fn clear_share(grid: &SkinGrid, y: usize, x: usize, radius: f32) -> f32 {
    let (rows, columns) = grid.weight.dim();
    let n = radius.ceil() as isize;
    let (mut sum, mut count) = (0.0, 0);
    for dy in -n..=n {
        for dx in -n..=n {
            if (dy * dy + dx * dx) as f32 > radius * radius {
                continue;
            }
            count += 1;
            let (row, column) = (y as isize + dy, x as isize + dx);
            if row >= 0 && column >= 0 && (row as usize) < rows && (column as usize) < columns {
                sum += grid.weight[[row as usize, column as usize]];
            }
        }
    }
    sum / count as f32
}
