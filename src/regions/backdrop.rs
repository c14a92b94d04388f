//! The backdrop without the sitter: one smooth surface of scene-linear colour.
//!
//! A polynomial of degree four in the picture's coordinates (or, where the set's empty frame is
//! given and fits, that frame times a polynomial of degree two) is fitted to what is surely
//! backdrop by iteratively reweighted least squares (Tukey's biweight; Huber and Ronchetti,
//! *Robust Statistics*). What the polynomial leaves is smoothed at two scales and added where
//! there is backdrop to measure it from. Each round drops pixels that do not follow the surface:
//! curls, flags, a stand.

use ndarray::Array2;

use super::plane::shrink;
use super::{BackdropModel, Matte};
use crate::picture::filter::{erode, gaussian};
use crate::picture::{Linear, Point, Size};

/// Cells along the long side of the surface's grid: a backdrop's falloff, mottle and creases of
/// more than about a hundredth of the frame. Common practice, no source.
const CELLS: usize = 450;

/// The surface on its grid, with what is known of it.
pub(super) struct Surface {
    /// Red, green, blue: scene-linear.
    pub(super) planes: [Array2<f32>; 3],
    /// Picture pixels per cell.
    pub(super) cell: usize,
    /// Standard deviation of what is surely backdrop from the surface, per cell, in [`unit`]s.
    pub(super) spread: Array2<f32>,
}

impl Surface {
    pub(super) fn model(&self, size: Size) -> BackdropModel {
        let step = 1.0 / self.cell as f32;
        let surface = self.planes.clone().map(|map| Matte {
            map: map.into_shared(),
            size,
            origin: Point { x: 0.0, y: 0.0 },
            step: Point { x: step, y: step },
        });
        BackdropModel { surface }
    }
}

/// Picture pixels per cell for a picture of this size.
pub(super) fn cell(size: Size) -> usize {
    (size.width.max(size.height) / CELLS).max(1)
}

/// Powers x^i y^j with i + j <= degree.
fn powers(x: f64, y: f64, degree: usize) -> impl Iterator<Item = f64> {
    (0..=degree).flat_map(move |sum| (0..=sum).map(move |j| power(x, sum - j) * power(y, j)))
}

/// x^n by repeated multiplication; `powi` leaves its rounding to the platform.
fn power(x: f64, n: usize) -> f64 {
    (0..n).fold(1.0, |product, _| product * x)
}

/// Solves the symmetric positive system `a x = b` by Cholesky; `None` when it is not positive.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let n = b.len();
    for i in 0..n {
        for j in 0..=i {
            let mut sum = a[i][j];
            for k in 0..j {
                sum -= a[i][k] * a[j][k];
            }
            if i == j {
                if sum <= 0.0 || !sum.is_finite() {
                    return None;
                }
                a[i][i] = sum.sqrt();
            } else {
                a[i][j] = sum / a[j][j];
            }
        }
    }
    for i in 0..n {
        for k in 0..i {
            b[i] -= a[i][k] * b[k];
        }
        b[i] /= a[i][i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            b[i] -= a[k][i] * b[k];
        }
        b[i] /= a[i][i];
    }
    Some(b)
}

/// Median of the values; 0 of none.
pub(super) fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// A polynomial times `shape`, fitted to `plane` with weights, evaluated everywhere. `None` when
/// too little is known.
fn polynomial(
    plane: &Array2<f32>,
    weight: &Array2<f32>,
    shape: Option<&Array2<f32>>,
    degree: usize,
) -> Option<Array2<f32>> {
    let (h, w) = plane.dim();
    let place = |y: usize, x: usize| {
        (
            2.0 * (x as f64 + 0.5) / w as f64 - 1.0,
            2.0 * (y as f64 + 0.5) / h as f64 - 1.0,
        )
    };
    let shape_at = |y: usize, x: usize| shape.map_or(1.0, |s| f64::from(s[[y, x]]));
    let terms = (degree + 1) * (degree + 2) / 2;
    let mut a = vec![vec![0.0; terms]; terms];
    let mut b = vec![0.0; terms];
    let mut total = 0.0;
    let mut row = vec![0.0; terms];
    for y in (0..h).step_by(2) {
        for x in (0..w).step_by(2) {
            let k = f64::from(weight[[y, x]]);
            if k <= 0.0 {
                continue;
            }
            let (u, v) = place(y, x);
            let s = shape_at(y, x);
            row.iter_mut()
                .zip(powers(u, v, degree))
                .for_each(|(r, p)| *r = p * s);
            for i in 0..terms {
                for j in 0..=i {
                    a[i][j] += k * row[i] * row[j];
                }
                b[i] += k * row[i] * f64::from(plane[[y, x]]);
            }
            total += k;
        }
    }
    if total < 50.0 {
        return None;
    }
    // A little ridge keeps high powers quiet where the sitter leaves them unmeasured.
    for (i, r) in a.iter_mut().enumerate().skip(1) {
        r[i] += 1e-4 * total;
    }
    a[0][0] += 1e-9 * total;
    let k = solve(a, b)?;
    Some(Array2::from_shape_fn((h, w), |(y, x)| {
        let (u, v) = place(y, x);
        let sum: f64 = powers(u, v, degree).zip(&k).map(|(p, k)| p * k).sum();
        ((sum * shape_at(y, x)) as f32).max(1e-5)
    }))
}

/// Fits the surface. `person` is the rough probability of the sitter per cell; `span` the eye
/// span in cells. `None` when no backdrop shows.
pub(super) fn fit(
    small: &Linear,
    set: Option<&Linear>,
    person: &Array2<f32>,
    span: f32,
) -> Option<Surface> {
    let cell = cell(small.size());
    let seen = small.planes.each_ref().map(|p| shrink(p.view(), cell));
    let shapes = set.filter(|s| s.size() == small.size()).map(|s| {
        s.planes
            .each_ref()
            .map(|p| gaussian(shrink(p.view(), cell).view(), 1.5).mapv(|v| v.max(1e-4)))
    });
    let plain = fit_shape(&seen, None, person, span, cell);
    let Some(shapes) = shapes else { return plain };
    // The set may have been turned round since: take whichever of the empty frame, its mirror
    // image and the plain polynomial follows this frame best.
    let mirrored = shapes.each_ref().map(|s| {
        let mut s = s.clone();
        s.invert_axis(ndarray::Axis(1));
        s.as_standard_layout().into_owned()
    });
    let mut best = plain;
    for shape in [shapes, mirrored] {
        let with = fit_shape(&seen, Some(&shape), person, span, cell);
        let score = |s: &Option<Surface>| s.as_ref().map_or(f32::MAX, |s| s.spread.sum());
        if score(&with) < score(&best) {
            best = with;
        }
    }
    best
}

fn fit_shape(
    seen: &[Array2<f32>; 3],
    shapes: Option<&[Array2<f32>; 3]>,
    person: &Array2<f32>,
    span: f32,
    cell: usize,
) -> Option<Surface> {
    let dim = seen[0].dim();
    // First only what is far from anybody, then nearer as the surface becomes known.
    let far = gaussian(person.view(), 0.15 * span);
    let mut weight = far.mapv(|p| if p < 0.03 { 1.0 } else { 0.0 });
    if weight.sum() < 0.01 * weight.len() as f32 {
        weight = person.mapv(|p| if p < 0.1 { 1.0 } else { 0.0 });
    }
    let most = if shapes.is_some() { 2 } else { 4 };
    let mut planes: [Array2<f32>; 3] = std::array::from_fn(|_| Array2::zeros(dim));
    let mut spread = 0.0;
    for round in 0..16 {
        // Low powers first: high ones run away where nothing was measured yet.
        let degree = (1 + round / 2).min(most);
        for c in 0..3 {
            planes[c] = polynomial(&seen[c], &weight, shapes.map(|s| &s[c]), degree)?;
        }
        let off = distance(seen, &planes);
        let mut sure: Vec<f32> = off
            .iter()
            .zip(person)
            .filter(|(_, p)| **p < 0.1)
            .map(|(o, _)| *o)
            .collect();
        spread = (1.5 * median(&mut sure)).max(0.004);
        let limit = if round < 2 { 0.3 } else { 0.8 };
        ndarray::Zip::from(&mut weight)
            .and(&off)
            .and(person)
            .for_each(|w, &o, &p| {
                // Tukey's biweight, cut at 4.7 deviations (95 % efficiency).
                let t = o / (4.7 * spread);
                *w = if t < 1.0 && p < limit {
                    (1.0 - t * t) * (1.0 - t * t)
                } else {
                    0.0
                };
            });
    }
    // Cells beside what does not follow the surface are half the sitter's own.
    weight = erode(weight.view(), 1);
    // What is left, smoothed at two scales where it can be measured.
    for sigma in [0.5 * span, 0.12 * span] {
        let near = gaussian(weight.view(), sigma);
        for c in 0..3 {
            let rest = &weight * &(&seen[c] - &planes[c]);
            let rest = gaussian(rest.view(), sigma);
            ndarray::Zip::from(&mut planes[c])
                .and(&rest)
                .and(&near)
                .for_each(|p, &r, &n| {
                    *p = (*p + r / (n + 0.02)).max(1e-5);
                });
        }
        let off = distance(seen, &planes);
        ndarray::Zip::from(&mut weight)
            .and(&off)
            .and(person)
            .for_each(|w, &o, &p| {
                let t = o / (4.7 * spread);
                *w = if t < 1.0 && p < 0.8 {
                    (1.0 - t * t) * (1.0 - t * t)
                } else {
                    0.0
                };
            });
    }
    // How far surely backdrop cells stray, about half an eye span around.
    let off = distance(seen, &planes);
    let outside = person.mapv(|p| if p < 0.05 { 1.0 } else { 0.0 });
    let square = gaussian(
        (&outside * &off.mapv(|o| (o * o).min(0.04))).view(),
        0.5 * span,
    );
    let count = gaussian(outside.view(), 0.5 * span);
    let spread = ndarray::Zip::from(&square)
        .and(&count)
        .map_collect(|&s, &n| ((s + 0.01 * spread * spread) / (n + 0.01)).sqrt());
    Some(Surface {
        planes,
        cell,
        spread,
    })
}

/// Root mean square difference of the channels from the surface `b`, per cell, in units of
/// [`unit`].
fn distance(a: &[Array2<f32>; 3], b: &[Array2<f32>; 3]) -> Array2<f32> {
    Array2::from_shape_fn(a[0].dim(), |at| {
        let one = |c: usize| {
            let d = a[c][at] - b[c][at];
            d * d / (b[c][at] + UNIT_FLOOR)
        };
        ((one(0) + one(1) + one(2)) / 3.0).sqrt()
    })
}

/// Light is compared on a scale on which photon noise is even: differences over the root of the
/// surface, with a floor about where read noise and flare take over (measured on the rendered
/// frames, 14 bits at ISO 100).
const UNIT_FLOOR: f32 = 0.01;

/// The scale of differences at surface value `b`.
#[inline(always)]
pub(super) fn unit(b: f32) -> f32 {
    (b + UNIT_FLOOR).sqrt()
}
