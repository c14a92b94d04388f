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
use super::shades::flat;
use super::{BackdropModel, Matte};
use crate::picture::filter::{erode, gaussian};
use crate::picture::{Linear, Point, Size, bands};

/// Cells along the long side of the surface's grid: a backdrop's falloff, mottle and creases of
/// more than about a hundredth of the frame. Common practice, no source.
const CELLS: usize = 450;

/// How much further than a plain polynomial the set's empty frame may stray and still be taken: its
/// mirror image, whose mottle is another, strays 1.2 times as far on the rendered frames.
const SET_WORTH: f32 = 1.5;

/// Bending (relative standard deviation) beyond which an empty frame is another set's: over what
/// shows of the rendered backdrops their own and mirrored ones differ by 1 to 5 %, the wrong way
/// round by 40 to 90 % (1st and 99th percentile).
const MOST_BENT: f32 = 0.15;

/// Rounds of fitting, and the one from which a fit goes on that is done again.
const ROUNDS: usize = 16;
const AGAIN: usize = 8;

/// How much further a surface may stray that was fitted again with more of the wall: up to 1.1 times on the
/// rendered frames, with their walls dimmed, tinted and cut in many ways.
const REFIT_WORTH: f32 = 1.25;

/// Tukey's cut, in deviations, for what the polynomial leaves. Strands that the nets miss darken or lighten
/// cells a little; at the usual 4.7 they drew the surface by up to a hundredth beside rendered hair, now
/// by a third of that.
const NARROW: f32 = 3.0;

/// The surface on its grid, with what is known of it.
#[derive(Clone)]
pub(super) struct Surface {
    /// Red, green, blue: scene-linear.
    pub(super) planes: [Array2<f32>; 3],
    /// Picture pixels per cell.
    pub(super) cell: usize,
    /// Standard deviation of what is surely backdrop from the surface, per cell, in [`unit`]s.
    pub(super) spread: Array2<f32>,
    /// Red and blue over green of what was followed, a linear plane each: all channels stray alike, so this
    /// holds where the light had to be guessed. `None` where the set's empty frame left nothing to guess.
    pub(super) tint: Option<[Array2<f32>; 2]>,
}

/// Alpha, blurred by a pixel, under which the matte shows the bare wall; how far what is measured there carries, in
/// eye spans, and the share of bare pixels around at which it counts by half.
const BARE: f32 = 0.01;
const CARRIED: f32 = 0.08;
const DOUBT: f32 = 0.01;

impl Surface {
    /// The surface once more from where `alpha` shows the wall of the picture `small`: a gap between arm and body
    /// is lit by up to a twentieth otherwise than the wall around, and wall that shows between strands was no
    /// sure backdrop before. `span` is the eye span in pixels.
    pub(super) fn closer(&self, small: &Linear, alpha: &Array2<f32>, span: f32) -> Self {
        let bare = gaussian(alpha.view(), 1.0).mapv(|a| f32::from(u8::from(a < BARE)));
        let share = shrink(bare.view(), self.cell);
        let sigma = CARRIED * span / self.cell as f32;
        let near = gaussian(share.view(), sigma);
        let mut out = self.clone();
        for (plane, seen) in out.planes.iter_mut().zip(&small.planes) {
            let off = shrink((&bare * seen).view(), self.cell) / &*plane - &share;
            let off = gaussian(off.view(), sigma);
            ndarray::Zip::from(plane)
                .and(&off)
                .and(&near)
                .for_each(|p, &off, &near| *p = (*p * (1.0 + off / (near + DOUBT))).max(1e-5));
        }
        out
    }

    pub(super) fn model(&self, size: Size) -> BackdropModel {
        let step = 1.0 / self.cell as f32;
        let surface = self.planes.clone().map(|map| Matte {
            map: map.into_shared(),
            size,
            origin: Point { x: 0.0, y: 0.0 },
            step: Point { x: step, y: step },
            detail: None,
        });
        BackdropModel { surface }
    }
}

/// Picture pixels per cell for a picture of this size.
pub(super) fn cell(size: Size) -> usize {
    (size.width.max(size.height) / CELLS).max(1)
}

/// x^n by repeated multiplication; `powi` leaves its rounding to the platform.
fn power(x: f64, n: usize) -> f64 {
    (0..n).fold(1.0, |product, _| product * x)
}

/// Solves the symmetric positive system `a x = b` by Cholesky; `None` when it is not positive.
pub(super) fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
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

/// Most terms of a polynomial: degree four.
const TERMS: usize = 15;

/// Exponents (i, j) of the terms x^i y^j with i + j <= degree.
fn exponents(degree: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..=degree).flat_map(|sum| (0..=sum).map(move |j| (sum - j, j)))
}

/// Powers 0 to 4 of places along an axis of `n` cells, -1 at one edge and 1 at the other.
fn powers(n: usize) -> Vec<[f64; 5]> {
    let place = |i: usize| 2.0 * (i as f64 + 0.5) / n as f64 - 1.0;
    (0..n)
        .map(|i| std::array::from_fn(|k| power(place(i), k)))
        .collect()
}

/// Rows of cells whose products one thread adds up; the pieces' sums are added in one order.
const PIECE: usize = 32;

/// Normal equations of polynomials for `N` planes that are weighted alike: products of terms, then of terms and
/// planes.
struct Normal<const N: usize> {
    terms: [[f64; TERMS]; TERMS],
    planes: [[f64; TERMS]; N],
    weight: f64,
}

impl<const N: usize> Normal<N> {
    fn none() -> Self {
        Self {
            terms: [[0.0; TERMS]; TERMS],
            planes: [[0.0; TERMS]; N],
            weight: 0.0,
        }
    }

    fn add(&mut self, other: &Self) {
        let rows = self.terms.iter_mut().chain(&mut self.planes);
        let others = other.terms.iter().chain(&other.planes);
        let pairs = rows.zip(others).flat_map(|(a, b)| a.iter_mut().zip(b));
        pairs.for_each(|(a, b)| *a += b);
        self.weight += other.weight;
    }
}

/// Polynomials times `shape`, fitted to `planes` with weights, evaluated everywhere. `None` when
/// too little is known.
fn polynomials<const N: usize>(
    planes: [&Array2<f32>; N],
    weight: &Array2<f32>,
    shape: Option<&Array2<f32>>,
    degree: usize,
) -> Option<[Array2<f32>; N]> {
    let (h, w) = weight.dim();
    let (down, across) = (powers(h), powers(w));
    let terms = (degree + 1) * (degree + 2) / 2;
    let shape = shape.map(flat);
    let planes = planes.map(flat);
    let weight = flat(weight);
    let firsts: Vec<usize> = (0..h).step_by(PIECE).collect();
    let pieces = bands::gathered(
        &firsts,
        || (),
        |(), first| {
            let mut sums = Normal::<N>::none();
            bands::vectorised(
                #[inline(always)]
                || {
                    for y in (first..(first + PIECE).min(h)).step_by(2) {
                        for x in (0..w).step_by(2) {
                            let at = y * w + x;
                            let k = f64::from(weight[at]);
                            if k <= 0.0 {
                                continue;
                            }
                            let s = shape.map_or(1.0, |shape| f64::from(shape[at]));
                            let mut row = [0.0; TERMS];
                            for (r, (i, j)) in row.iter_mut().zip(exponents(degree)) {
                                *r = across[x][i] * down[y][j] * s;
                            }
                            for (sums, &term) in sums.terms[..terms].iter_mut().zip(&row) {
                                let term = k * term;
                                for (sum, &other) in sums.iter_mut().zip(&row) {
                                    *sum += term * other;
                                }
                            }
                            for (sums, plane) in sums.planes.iter_mut().zip(planes) {
                                let light = k * f64::from(plane[at]);
                                for (sum, &term) in sums.iter_mut().zip(&row) {
                                    *sum += light * term;
                                }
                            }
                            sums.weight += k;
                        }
                    }
                },
            );
            sums
        },
    );
    let mut sums = Normal::<N>::none();
    pieces.iter().for_each(|piece| sums.add(piece));
    if sums.weight < 50.0 {
        return None;
    }
    let mut a: Vec<Vec<f64>> = (0..terms).map(|i| sums.terms[i][..=i].to_vec()).collect();
    // A little ridge keeps high powers quiet where the sitter leaves them unmeasured.
    for (i, r) in a.iter_mut().enumerate().skip(1) {
        r[i] += 1e-4 * sums.weight;
    }
    a[0][0] += 1e-9 * sums.weight;
    let columns: [Vec<f64>; 5] =
        std::array::from_fn(|i| across.iter().map(|powers| powers[i]).collect());
    let mut out = [(); N].map(|()| Array2::zeros((h, w)));
    for (out, sums) in out.iter_mut().zip(&sums.planes) {
        let k = solve(a.clone(), sums[..terms].to_vec())?;
        let values = out.as_slice_mut().expect("just made");
        bands::each_piece(values, w, |y, row| {
            let shape = shape.map(|shape| &shape[y * w..][..w]);
            evaluate(row, &k, degree, (&columns, &down[y]), shape);
        });
    }
    Some(out)
}

/// A row of a polynomial of `degree` with factors `k`, times `shape`; given are powers of its columns' places and
/// of its own.
fn evaluate(
    row: &mut [f32],
    k: &[f64],
    degree: usize,
    (columns, line): (&[Vec<f64>; 5], &[f64; 5]),
    shape: Option<&[f32]>,
) {
    let mut sums = vec![0.0_f64; row.len()];
    bands::vectorised(
        #[inline(always)]
        || {
            for ((i, j), &k) in exponents(degree).zip(k) {
                for (sum, &x) in sums.iter_mut().zip(&columns[i]) {
                    *sum += x * line[j] * k;
                }
            }
            match shape {
                Some(shape) => {
                    for ((v, &sum), &s) in row.iter_mut().zip(&sums).zip(shape) {
                        *v = ((sum * f64::from(s)) as f32).max(1e-5);
                    }
                }
                None => {
                    for (v, &sum) in row.iter_mut().zip(&sums) {
                        *v = (sum as f32).max(1e-5);
                    }
                }
            }
        },
    );
}

/// Fits the surface. `seen` is the picture's mean red, green and blue per cell, `size` the picture's own;
/// `person` the rough probability of the sitter per cell; `span` the eye span in pixels. `None` when no
/// backdrop shows.
pub(super) fn fit(
    seen: &[Array2<f32>; 3],
    (size, set): (Size, Option<&Linear>),
    person: &Array2<f32>,
    span: f32,
) -> Option<Surface> {
    let cell = cell(size);
    let span = span / cell as f32;
    let shapes = set.filter(|s| s.size() == size).map(|s| {
        s.planes
            .each_ref()
            .map(|p| gaussian(shrink(p.view(), cell).view(), 1.5).mapv(|v| v.max(1e-4)))
    });
    let plain = fit_shape(seen, None, person, None, (span, cell));
    let Some(shapes) = shapes else { return plain };
    // The set may have been turned round since: take whichever of the empty frame and its mirror
    // image need be bent least to follow this frame. It also says what nothing here shows (between
    // arm and body, beside a sleeve at the frame's edge), where a plain polynomial of degree four
    // strays by a sixth; so it is taken even if the polynomial follows what shows a little better.
    let mirrored = shapes.each_ref().map(|s| {
        let mut s = s.clone();
        s.invert_axis(ndarray::Axis(1));
        s.as_standard_layout().into_owned()
    });
    let mut best: Option<(f32, Surface)> = None;
    for shape in [shapes, mirrored] {
        let Some(with) = fit_shape(seen, Some(&shape), person, None, (span, cell)) else {
            continue;
        };
        let bend = bend(&with.planes[1], &shape[1]);
        let follows = plain
            .as_ref()
            .is_none_or(|p| with.spread.sum() < SET_WORTH * p.spread.sum());
        if follows && bend < MOST_BENT && best.as_ref().is_none_or(|b| bend < b.0) {
            best = Some((bend, with));
        }
    }
    best.map(|b| b.1).or(plain)
}

/// Fits a frame's own surface once more, now that `known` cells (1, others 0) are backdrop, whatever `person`
/// says; what it followed before stays followed. `None` when it strays by that.
pub(super) fn refit(
    seen: &[Array2<f32>; 3],
    before: &Surface,
    person: &Array2<f32>,
    known: &Array2<f32>,
    span: f32,
) -> Option<Surface> {
    let cell = before.cell;
    let span = span / cell as f32;
    let mut person = person.clone();
    person.zip_mut_with(known, |p, &k| *p *= 1.0 - k);
    let found = fit_shape(seen, None, &person, Some((before, known)), (span, cell))?;
    (found.spread.sum() < REFIT_WORTH * before.spread.sum()).then_some(found)
}

/// How far the empty frame had to be bent to follow: relative deviation of surface over shape.
fn bend(plane: &Array2<f32>, shape: &Array2<f32>) -> f32 {
    let count = plane.len().max(1) as f32;
    let ratios = || plane.iter().zip(shape).map(|(p, s)| p / s);
    let mean = ratios().sum::<f32>() / count;
    let square = ratios().map(|r| (r - mean) * (r - mean)).sum::<f32>() / count;
    square.sqrt() / mean.max(1e-6)
}

fn fit_shape(
    seen: &[Array2<f32>; 3],
    shapes: Option<&[Array2<f32>; 3]>,
    person: &Array2<f32>,
    before: Option<(&Surface, &Array2<f32>)>,
    (span, cell): (f32, usize),
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
    let follow = |planes: &[Array2<f32>; 3], limit: f32, weight: &mut Array2<f32>| -> f32 {
        let off = distance(seen, planes);
        let mut sure: Vec<f32> = off
            .iter()
            .zip(person)
            .filter(|(_, p)| **p < 0.1)
            .map(|(o, _)| *o)
            .collect();
        let spread = (1.5 * median(&mut sure)).max(0.004);
        ndarray::Zip::from(weight)
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
        spread
    };
    let larger = |weight: &mut Array2<f32>, least: &Array2<f32>| {
        weight.zip_mut_with(least, |w, &l| *w = w.max(l));
    };
    // A surface that takes in a gap on one side must not let go of a strip on the other.
    let least = before.map(|(before, known)| {
        follow(&before.planes, 0.8, &mut weight);
        larger(&mut weight, known);
        weight.clone()
    });
    let start = if least.is_some() { AGAIN } else { 0 };
    for round in start..ROUNDS {
        // Low powers first: high ones run away where nothing was measured yet.
        let degree = (1 + round / 2).min(most);
        planes = match shapes {
            None => polynomials(seen.each_ref(), &weight, None, degree)?,
            Some(shapes) => {
                let one = |c: usize| polynomials([&seen[c]], &weight, Some(&shapes[c]), degree);
                let [[red], [green], [blue]] = [one(0)?, one(1)?, one(2)?];
                [red, green, blue]
            }
        };
        spread = follow(&planes, if round < 2 { 0.3 } else { 0.8 }, &mut weight);
        if let Some(least) = &least {
            larger(&mut weight, least);
        }
    }
    // Cells beside what does not follow the surface are half the sitter's own.
    weight = erode(weight.view(), 1);
    let tint = if shapes.is_none() {
        let green = seen[1].mapv(|v| v.max(1e-4));
        let [red, blue] = [0, 2].map(|c| &seen[c] / &green);
        Some(polynomials([&red, &blue], &weight, None, 1)?)
    } else {
        None
    };
    // What is left, smoothed at two scales where it can be measured. Known cells may be few, and their
    // polynomial is still a compromise.
    let doubt = if before.is_some() { 0.002 } else { 0.02 };
    for sigma in [0.5 * span, 0.12 * span] {
        let near = gaussian(weight.view(), sigma);
        for (plane, seen) in planes.iter_mut().zip(seen) {
            let rest = &weight * &(seen - &*plane);
            let rest = gaussian(rest.view(), sigma);
            ndarray::Zip::from(plane)
                .and(&rest)
                .and(&near)
                .for_each(|p, &r, &n| {
                    *p = (*p + r / (n + doubt)).max(1e-5);
                });
        }
        let off = distance(seen, &planes);
        ndarray::Zip::from(&mut weight)
            .and(&off)
            .and(person)
            .for_each(|w, &o, &p| {
                let t = o / (NARROW * spread);
                *w = if t < 1.0 && p < 0.8 {
                    (1.0 - t * t) * (1.0 - t * t)
                } else {
                    0.0
                };
            });
        weight = erode(weight.view(), 1);
    }
    // How far surely backdrop cells stray, about half an eye span around.
    let off = distance(seen, &planes);
    let outside = person.mapv(|p| if p < 0.05 { 1.0 } else { 0.0 });
    let square = gaussian(
        // Strands that the nets miss are no unevenness of the backdrop.
        (&outside * &off.mapv(|o| o.min(4.7 * spread) * o.min(4.7 * spread))).view(),
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
        tint,
    })
}

/// Root mean square difference of the channels from the surface `b`, per cell, in units of
/// [`unit`].
fn distance(a: &[Array2<f32>; 3], b: &[Array2<f32>; 3]) -> Array2<f32> {
    let mut out = Array2::<f32>::zeros(a[0].dim());
    let values = out.as_slice_mut().expect("just made");
    let width = a[0].ncols();
    bands::each_piece(values, width, |y, row| {
        for (a, b) in a.iter().zip(b) {
            let (a, b) = (
                &flat(a)[y * width..][..width],
                &flat(b)[y * width..][..width],
            );
            bands::vectorised(
                #[inline(always)]
                || {
                    for ((sum, &a), &b) in row.iter_mut().zip(a).zip(b) {
                        let d = a - b;
                        *sum += d * d / (b + UNIT_FLOOR);
                    }
                },
            );
        }
        bands::vectorised(
            #[inline(always)]
            || {
                row.iter_mut()
                    .for_each(|v: &mut f32| *v = (*v / 3.0).sqrt())
            },
        );
    });
    out
}

/// Light is compared on a scale on which photon noise is even: differences over the root of the
/// surface, with a floor about where read noise and flare take over (measured on the rendered
/// frames, 14 bits at ISO 100).
pub(super) const UNIT_FLOOR: f32 = 0.01;

/// The scale of differences at surface value `b`.
#[inline(always)]
pub(super) fn unit(b: f32) -> f32 {
    (b + UNIT_FLOOR).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made here, so its light is known: a wall of 0.4 with a gap in it that is lit a twentieth less, and a sitter
    /// around the gap.
    #[test]
    fn a_gap_that_is_lit_otherwise_is_measured_again() {
        let (size, cell, span) = ((160, 160), 4, 100.0);
        let gap = |y: usize, x: usize| (40..120).contains(&y) && (70..90).contains(&x);
        let sitter =
            |y: usize, x: usize| (40..120).contains(&y) && (40..120).contains(&x) && !gap(y, x);
        let light = |y: usize, x: usize| match (sitter(y, x), gap(y, x)) {
            (true, _) => 0.02,
            (_, true) => 0.38,
            _ => 0.4,
        };
        let seen = Array2::from_shape_fn(size, |(y, x)| light(y, x));
        let small = Linear {
            planes: [seen.clone(), seen.clone(), seen],
        };
        let alpha = Array2::from_shape_fn(size, |(y, x)| f32::from(u8::from(sitter(y, x))));
        let grid = (size.0 / cell, size.1 / cell);
        let surface = Surface {
            planes: [0.4; 3].map(|v| Array2::from_elem(grid, v)),
            cell,
            spread: Array2::from_elem(grid, 0.004),
            tint: None,
        };
        let closer = surface.closer(&small, &alpha, span);
        for plane in &closer.planes {
            let (within, far) = (plane[[20, 20]], plane[[20, 4]]);
            assert!((within - 0.38).abs() < 0.003, "{within} in the gap");
            assert!((far - 0.4).abs() < 1e-4, "{far} on the wall");
        }
    }
}
