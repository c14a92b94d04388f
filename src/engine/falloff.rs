//! The fall of the set's light across the frame, divided out where a recipe asks for it.
//!
//! The empty backdrop's luminance, as medians of cells, which dust and creases do not bend, is fitted
//! by a polynomial of degree four in its logarithm (iteratively reweighted least squares with
//! Tukey's biweight; Huber and Ronchetti, *Robust Statistics*), so that it has no grain of its own.
//! Light is divided by it, in linear light: one factor for all colours, 1 at the sitter's face.

use ndarray::ArrayViewMut2;
use serde::{Deserialize, Serialize};

use crate::picture::{Linear, Point, Ratio, Size, bands, math, matrix};

/// Most that light is changed at a place, in stops. Common practice, no source: beyond, noise shows.
const MOST: f64 = 1.0;

/// Cells along the long side of the copy that is fitted.
const CELLS: usize = 60;

/// Terms x^i y^j, i + j up to 4.
const TERMS: usize = 15;

/// Luminance of the working space, BT.2020 (ITU-R BT.2020-2, table 4).
const LUMINANCE: [f32; 3] = [0.2627, 0.6780, 0.0593];

/// Shape of the light: stops over places from -1 to 1 of the upright frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Falloff {
    /// Coefficients, by degree, then by powers of the place downwards.
    terms: Vec<f64>,
    /// Share that is divided out.
    strength: Ratio,
    /// Stops where light stays as it is.
    kept: f64,
}

fn exponents() -> impl Iterator<Item = (usize, usize)> {
    (0..=4).flat_map(|sum| (0..=sum).map(move |j| (sum - j, j)))
}

fn powers(at: f64) -> [f64; 5] {
    let square = at * at;
    [1.0, at, square, square * at, square * square]
}

fn terms_at([x, y]: [f64; 2]) -> [f64; TERMS] {
    let (across, down) = (powers(x), powers(y));
    let mut terms = [0.0; TERMS];
    for (term, (i, j)) in terms.iter_mut().zip(exponents()) {
        *term = across[i] * down[j];
    }
    terms
}

impl Falloff {
    /// Fits the light on an upright copy of the empty backdrop; `kept` is the place (shares of width
    /// and height) where light stays, by default where it is as the median. `None` where there is
    /// hardly any light.
    pub(super) fn of(empty: &Linear, strength: Ratio, kept: Option<[f64; 2]>) -> Option<Self> {
        let Size { width, height } = empty.size();
        let side = (width.max(height) / CELLS).max(1);
        let mut cells = Vec::new();
        let mut light = Vec::with_capacity(side * side);
        for top in (0..height).step_by(side) {
            for left in (0..width).step_by(side) {
                light.clear();
                let (bottom, right) = ((top + side).min(height), (left + side).min(width));
                for y in top..bottom {
                    for x in left..right {
                        let colour = empty.at(y, x);
                        light.push((0..3).map(|c| LUMINANCE[c] * colour[c]).sum::<f32>());
                    }
                }
                let middle = light.len() / 2;
                let median = *light.select_nth_unstable_by(middle, f32::total_cmp).1;
                // A thousandth of white: darker, flare and black level are the light.
                if median > 1.0e-3 {
                    let share = |from: usize, to: usize, whole: usize| {
                        (from + to) as f64 / whole as f64 - 1.0
                    };
                    let place = [share(left, right, width), share(top, bottom, height)];
                    cells.push((terms_at(place), f64::from(math::log2(median))));
                }
            }
        }
        let terms = fit(&cells)?;
        let stops =
            |row: &[f64; TERMS]| -> f64 { row.iter().zip(&terms).map(|(a, b)| a * b).sum() };
        let kept = match kept {
            Some(place) => stops(&terms_at(place.map(|v| 2.0 * v - 1.0))),
            None => {
                let mut all: Vec<f64> = cells.iter().map(|(row, _)| stops(row)).collect();
                all.sort_by(f64::total_cmp);
                all[all.len() / 2]
            }
        };
        Some(Self {
            terms,
            strength,
            kept,
        })
    }

    /// Stops that are added at a place.
    fn stops(&self, sums: &[f64; 5], x: f64) -> f64 {
        let here: f64 = sums.iter().zip(powers(x)).map(|(a, b)| a * b).sum();
        f64::from(self.strength.0) * (self.kept - here).clamp(-MOST, MOST)
    }

    /// The polynomial's coefficients in x along a row.
    fn along(&self, y: f64) -> [f64; 5] {
        let down = powers(y);
        let mut sums = [0.0; 5];
        for ((i, j), term) in exponents().zip(&self.terms) {
            sums[i] += term * down[j];
        }
        sums
    }

    /// Divides the light out of planes whose first pixel has its centre at `first` and whose others
    /// follow by `step`, both in pixels of the upright frame of size `frame`.
    pub(super) fn apply(
        &self,
        planes: [ArrayViewMut2<'_, f32>; 3],
        first: Point,
        step: Point,
        frame: Size,
    ) {
        let place = |at: usize, first: f32, step: f32, whole: usize| {
            2.0 * (f64::from(first) + at as f64 * f64::from(step)) / whole as f64 - 1.0
        };
        for plane in planes {
            let mut plane = plane;
            bands::each_band(plane.view_mut(), |top, mut rows| {
                for (i, mut row) in rows.rows_mut().into_iter().enumerate() {
                    let sums = self.along(place(top + i, first.y, step.y, frame.height));
                    for (x, light) in row.iter_mut().enumerate() {
                        let stops = self.stops(&sums, place(x, first.x, step.x, frame.width));
                        *light *= math::exp2(stops as f32);
                    }
                }
            });
        }
    }

    /// Fewest and most stops that are added in the frame.
    pub(super) fn range(&self) -> [f32; 2] {
        let mut range = [f64::INFINITY, f64::NEG_INFINITY];
        for i in 0..=40 {
            let sums = self.along(f64::from(i) / 20.0 - 1.0);
            for j in 0..=40 {
                let stops = self.stops(&sums, f64::from(j) / 20.0 - 1.0);
                range = [range[0].min(stops), range[1].max(stops)];
            }
        }
        range.map(|stops| stops as f32)
    }
}

/// Robust least squares; `None` when too little is known.
fn fit(cells: &[([f64; TERMS], f64)]) -> Option<Vec<f64>> {
    if cells.len() < 4 * TERMS {
        return None;
    }
    let mut weights = vec![1.0; cells.len()];
    let mut terms = Vec::new();
    for _ in 0..12 {
        let mut normal = vec![vec![0.0; TERMS]; TERMS];
        let mut right = vec![0.0; TERMS];
        for ((row, stops), weight) in cells.iter().zip(&weights) {
            for a in 0..TERMS {
                right[a] += weight * row[a] * stops;
                for b in 0..TERMS {
                    normal[a][b] += weight * row[a] * row[b];
                }
            }
        }
        terms = matrix::solve(normal, right)?;
        let off: Vec<f64> = cells
            .iter()
            .map(|(row, stops)| {
                let told: f64 = row.iter().zip(&terms).map(|(a, b)| a * b).sum();
                (stops - told).abs()
            })
            .collect();
        let mut sorted = off.clone();
        sorted.sort_by(f64::total_cmp);
        // Closer than a hundredth of a stop no cell is off.
        let bound = 4.685 * (1.4826 * sorted[sorted.len() / 2]).max(0.01);
        for (weight, off) in weights.iter_mut().zip(off) {
            let t = off / bound;
            let kept = (1.0 - t * t).max(0.0);
            *weight = kept * kept;
        }
    }
    terms.iter().all(|v| v.is_finite()).then_some(terms)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Linear;

    const SIZE: Size = Size {
        width: 360,
        height: 540,
    };

    /// Stops of an invented light: two thirds of a stop down to the right, and a spot.
    fn light(y: usize, x: usize) -> f32 {
        let (x, y) = (x as f32 / 180.0 - 1.0, y as f32 / 270.0 - 1.0);
        -0.33 * x - 0.15 * y - 0.2 * (x * x + y * y) + 0.1 * x * x * y
    }

    fn lit(marks: bool) -> Linear {
        let mut picture = Linear::zeros(SIZE);
        for (c, plane) in picture.planes.iter_mut().enumerate() {
            for ((y, x), v) in plane.indexed_iter_mut() {
                let mark = marks && (x % 90 < 12 && y % 70 < 12);
                let dark = if mark { 0.6 } else { 1.0 };
                *v = dark * [0.32, 0.3, 0.27][c] * light(y, x).exp2();
            }
        }
        picture
    }

    fn divided(falloff: &Falloff) -> Linear {
        let mut picture = lit(false);
        let [r, g, b] = picture.planes.each_mut();
        falloff.apply(
            [r.view_mut(), g.view_mut(), b.view_mut()],
            Point { x: 0.5, y: 0.5 },
            Point { x: 1.0, y: 1.0 },
            SIZE,
        );
        picture
    }

    #[test]
    fn light_of_its_own_shape_becomes_even_marks_or_not() {
        for marks in [false, true] {
            let falloff = Falloff::of(&lit(marks), Ratio(1.0), Some([0.5, 0.4])).expect("light");
            let after = divided(&falloff);
            let here = light(216, 180).exp2();
            for ((y, x), &v) in after.planes[1].indexed_iter() {
                let off = (v / (0.3 * here)).log2();
                assert!(off.abs() < 0.02, "{marks}: {off} stops at {y}, {x}");
            }
        }
    }

    #[test]
    fn half_of_it_leaves_half_and_none_leaves_all() {
        let half = Falloff::of(&lit(false), Ratio(0.5), None).expect("light");
        let after = divided(&half);
        let stops =
            |picture: &Linear| (picture.planes[1][[0, 0]] / picture.planes[1][[539, 359]]).log2();
        let (before, after) = (stops(&lit(false)), stops(&after));
        assert!(
            (after - 0.5 * before).abs() < 0.02,
            "{before} became {after}"
        );
        let none = Falloff::of(&lit(false), Ratio(0.0), None).expect("light");
        assert_eq!(divided(&none), lit(false));
    }

    #[test]
    fn no_place_changes_by_more_than_a_stop_and_the_dark_has_no_shape() {
        let mut steep = lit(false);
        for plane in &mut steep.planes {
            for ((_, x), v) in plane.indexed_iter_mut() {
                *v = 0.4 * (-3.0 * x as f32 / 360.0).exp2();
            }
        }
        let falloff = Falloff::of(&steep, Ratio(1.0), None).expect("light");
        let [least, most] = falloff.range();
        assert!(
            (least + 1.0).abs() < 1e-3 && (most - 1.0).abs() < 1e-3,
            "{least} {most}"
        );
        assert_eq!(Falloff::of(&Linear::zeros(SIZE), Ratio(1.0), None), None);
    }
}
