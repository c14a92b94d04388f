//! How wide edges are, whatever their contrast, and whether they are wider in one direction.
//!
//! An edge blurred by a Gaussian of deviation s has the slope A / (s sqrt(2 pi)); blurred once more
//! by s1 it has A / (sqrt(s^2 + s1^2) sqrt(2 pi)). The ratio R of both slopes knows no contrast A:
//! s = s1 / sqrt(R^2 - 1). Source: S. Zhuo and T. Sim, "Defocus map estimation from a single image",
//! Pattern Recognition 44(9), 2011, equations 4 to 6. Both slopes are taken after a first small blur
//! against noise, which is taken off again.
//!
//! Works on the square root of light, where noise is even. Lengths are pixels.

use ndarray::{Array2, ArrayView2};

use crate::picture::filter::gaussian;
use crate::picture::math::{cos, sin};

/// The blur against noise, and the second one, in pixels.
const FIRST: f32 = 0.8;
const SECOND: f32 = 1.6;
/// What a slope taken from two neighbours, two pixels apart, adds to the square of an edge's width: the
/// variance of a box of that width.
const NEIGHBOURS: f32 = 4.0 / 12.0;
/// Share of a window's places, those with the steepest slope, that count as edges.
const EDGES: f32 = 0.06;
/// Square of the slope, over that of the steepest place, below which a place is a tail and no edge.
const TAIL: f32 = 0.04;
/// Fewest edge places that make a figure.
const FEWEST: usize = 24;
/// Share of the edges, from the sharpest, at which the figure is read: an eye has soft edges of its
/// own (shaded lids), which say nothing about focus.
const SHARPEST: f32 = 0.25;
/// Directions in which slopes are looked at, as parts of half a turn.
const DIRECTIONS: usize = 4;

/// Width of the edges in a picture's window, all directions together (standard deviation of the
/// blur); `None` when it has too few edges.
pub fn blur(light: ArrayView2<'_, f32>) -> Option<f32> {
    let slopes = Slopes::of(light);
    let steep: Vec<f32> = slopes.fine.iter().map(|[x, y]| x * x + y * y).collect();
    let least = least_slope(steep.clone())?;
    let mut widths = Vec::new();
    for (index, square) in steep.iter().enumerate() {
        let [x, y] = slopes.coarse[index];
        if *square >= least && *square > 0.0 {
            widths.push(width(*square, x * x + y * y));
        }
    }
    sharpest(widths)
}

/// Widths of edges that run across each of four directions: 0 (rightwards), 45, 90 (downwards) and
/// 135 degrees; `None` where too few edges lie so.
pub fn directed_blur(light: ArrayView2<'_, f32>) -> [Option<f32>; DIRECTIONS] {
    let slopes = Slopes::of(light);
    [0, 1, 2, 3].map(|direction| {
        let angle = std::f32::consts::PI * direction as f32 / DIRECTIONS as f32;
        let (c, s) = (cos(angle), sin(angle));
        // Within an eighth of a half turn to either side.
        let lean = cos(std::f32::consts::PI / (2 * DIRECTIONS) as f32);
        let mut along = Vec::new();
        for (index, [x, y]) in slopes.fine.iter().enumerate() {
            let slope = x * c + y * s;
            if slope * slope >= lean * lean * (x * x + y * y) {
                along.push((slope * slope, index));
            }
        }
        let least = least_slope(along.iter().map(|(square, _)| *square).collect())?;
        let mut widths = Vec::new();
        for (square, index) in along {
            let [x, y] = slopes.coarse[index];
            let slope = x * c + y * s;
            if square >= least && square > 0.0 {
                widths.push(width(square, slope * slope));
            }
        }
        sharpest(widths)
    })
}

/// Slopes to the right and downwards, after the first blur and after both.
struct Slopes {
    fine: Vec<[f32; 2]>,
    coarse: Vec<[f32; 2]>,
}

impl Slopes {
    fn of(light: ArrayView2<'_, f32>) -> Self {
        let roots = light.mapv(|v| v.max(0.0).sqrt());
        let fine = gaussian(roots.view(), FIRST);
        let coarse = gaussian(fine.view(), SECOND);
        Self {
            fine: slopes(&fine),
            coarse: slopes(&coarse),
        }
    }
}

fn slopes(plane: &Array2<f32>) -> Vec<[f32; 2]> {
    let (height, width) = plane.dim();
    let mut out = Vec::with_capacity(plane.len());
    for y in 1..height.saturating_sub(1) {
        for x in 1..width.saturating_sub(1) {
            out.push([
                plane[[y, x + 1]] - plane[[y, x - 1]],
                plane[[y + 1, x]] - plane[[y - 1, x]],
            ]);
        }
    }
    out
}

/// The edge's own width from the squares of its two slopes.
fn width(fine: f32, coarse: f32) -> f32 {
    let ratio = fine / coarse.max(f32::MIN_POSITIVE);
    // A slope that hardly gets less belongs to no edge that this scale can tell.
    let whole = SECOND * SECOND / (ratio - 1.0).max(0.01);
    (whole - FIRST * FIRST - NEIGHBOURS).max(0.0).sqrt()
}

/// The square of the slope from which a place counts as an edge.
fn least_slope(squares: Vec<f32>) -> Option<f32> {
    let steepest = squares.iter().copied().fold(0.0, f32::max);
    Some(quantile(squares, 1.0 - EDGES)?.max(TAIL * steepest))
}

fn sharpest(widths: Vec<f32>) -> Option<f32> {
    if widths.len() < FEWEST {
        return None;
    }
    quantile(widths, SHARPEST)
}

/// The value below which a share of the values lies.
fn quantile(mut values: Vec<f32>, share: f32) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let index = ((values.len() - 1) as f32 * share) as usize;
    Some(*values.select_nth_unstable_by(index, f32::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Squares of dark and light, blurred: the width that was put in comes out, at any contrast.
    #[test]
    fn the_blur_that_was_put_in_is_found() {
        for contrast in [0.1_f32, 0.8] {
            let sharp = Array2::from_shape_fn((120, 120), |(y, x)| {
                0.2 + contrast * f32::from((y / 30 + x / 30) % 2 == 0)
            });
            for put_in in [1.0_f32, 2.0, 3.0] {
                // On the scale of roots, so that the edge is a Gaussian's there.
                let blurred = gaussian(sharp.view(), put_in).mapv(|v| v * v);
                let found = blur(blurred.view()).expect("it has edges");
                assert!((found / put_in - 1.0).abs() < 0.12, "{found} for {put_in}");
            }
        }
    }

    #[test]
    fn motion_is_told_from_defocus() {
        let sharp = Array2::from_shape_fn((160, 160), |(y, x)| {
            let (dy, dx) = (y as f32 - 80.0, x as f32 - 80.0);
            let radius = (dy * dy + dx * dx).sqrt();
            0.2 + 0.6 * (40.5 - radius).clamp(0.0, 1.0)
        });
        let still = gaussian(sharp.view(), 1.2);
        let moved = Array2::from_shape_fn(still.dim(), |(y, x)| {
            let along = |d: usize| still[[y, (x + d).min(159)]];
            (0..9).map(along).sum::<f32>() / 9.0
        });
        let [across, _, down, _] = directed_blur(moved.mapv(|v| v * v).view());
        let (across, down) = (across.expect("edges"), down.expect("edges"));
        assert!(across > 1.8 * down, "{across} across, {down} down");
        let [across, _, down, _] = directed_blur(still.mapv(|v| v * v).view());
        let (across, down) = (across.expect("edges"), down.expect("edges"));
        assert!(
            (across / down - 1.0).abs() < 0.1,
            "{across} across, {down} down"
        );
    }

    #[test]
    fn an_even_window_has_no_edges_to_measure() {
        assert_eq!(blur(Array2::from_elem((3, 3), 0.5).view()), None);
        let flat = Array2::from_elem((50, 50), 0.5);
        assert_eq!(blur(flat.view()), None);
    }
}
