//! Filters over one plane. Edges are mirrored (the edge pixel is repeated: `c b a | a b c`).
//!
//! Each output is a sum in a fixed order of its own neighbourhood, so threads do not matter and
//! a strip with enough margin gives the bits of the whole; the one exception is the wide
//! Gaussian, which says what it needs. Loops run over rows or columns of independent outputs and
//! are compiled for the vector units by [`bands::vectorised`].

use std::ops::Range;

use ndarray::{Array2, ArrayView2, Axis, Slice};
use rayon::prelude::*;

use super::{Rect, Size, bands, resample};

/// Outputs that are summed side by side: eight AVX registers.
const LANES: usize = 64;
/// Rows of a band that passes through a filter as one piece, at least.
const BAND: usize = 64;
/// Columns whose windows are reduced together downwards.
const TILE: usize = 32;
/// The Gaussian ends at this many standard deviations; 0.05 % of it lies outside.
const GAUSSIAN_ENDS: f32 = 3.5;
/// Up to this standard deviation the kernel is summed tap by tap; above it, on a plane shrunk
/// so that at least half of this is left, where linear enlarging errs by under 0.2 % of a step.
const DIRECT_SIGMA: f32 = 8.0;

/// Index `i` mirrored into `0..n`.
fn mirrored(i: isize, n: usize) -> usize {
    let period = 2 * n as isize;
    let i = i.rem_euclid(period) as usize;
    if i < n { i } else { 2 * n - 1 - i }
}

/// Copies `row` into `padded` with `margin` mirrored values on both sides.
fn pad(row: &[f32], margin: usize, padded: &mut [f32]) {
    let n = row.len();
    padded[margin..margin + n].copy_from_slice(row);
    for i in 1..=margin {
        padded[margin - i] = row[mirrored(-(i as isize), n)];
        padded[margin + n + i - 1] = row[mirrored((n + i - 1) as isize, n)];
    }
}

/// Adds up `centre * weights[0] + sum weights[k] * (before[k] + after[k])` over a run of outputs,
/// `pair(k)` giving the two slices (for k = 0 both are the centre).
#[inline(always)]
fn symmetric_sum<'a>(
    weights: &[f32],
    out: &mut [f32],
    pair: impl Fn(usize) -> (&'a [f32], &'a [f32]),
) {
    let width = out.len();
    let mut x = 0;
    while x < width {
        let run = (width - x).min(LANES);
        let mut sum = [0.0_f32; LANES];
        if run == LANES {
            for (k, &weight) in weights.iter().enumerate() {
                let (a, b) = pair(k);
                let (a, b) = (&a[x..x + LANES], &b[x..x + LANES]);
                if k == 0 {
                    for (sum, &a) in sum.iter_mut().zip(a) {
                        *sum = weight * a;
                    }
                } else {
                    for (sum, (&a, &b)) in sum.iter_mut().zip(a.iter().zip(b)) {
                        *sum += weight * (a + b);
                    }
                }
            }
        } else {
            for (k, &weight) in weights.iter().enumerate() {
                let (a, b) = pair(k);
                for (i, sum) in sum[..run].iter_mut().enumerate() {
                    *sum = if k == 0 {
                        weight * a[x + i]
                    } else {
                        *sum + weight * (a[x + i] + b[x + i])
                    };
                }
            }
        }
        bands::copy::<LANES>(&sum[..run], &mut out[x..x + run]);
        x += run;
    }
}

/// Half of a sampled Gaussian, centre first; the whole sums to 1.
fn gaussian_weights(sigma: f64) -> Vec<f32> {
    let radius = (f64::from(GAUSSIAN_ENDS) * sigma).ceil() as usize;
    let raw: Vec<f64> = (0..=radius)
        .map(|k| libm::exp(-0.5 * (k as f64 / sigma) * (k as f64 / sigma)))
        .collect();
    let total = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    let mut weights: Vec<f32> = raw.into_iter().map(|w| (w / total) as f32).collect();
    // The centre takes up what rounding the others left, so that flat areas stay.
    weights[0] = (1.0 - 2.0 * weights[1..].iter().map(|&w| f64::from(w)).sum::<f64>()) as f32;
    weights
}

/// Gaussian blur with standard deviation `sigma` in pixels, same shape as `plane`.
///
/// A `sigma` of 0 (or below, or NaN) copies. Up to 8 pixels the kernel is summed tap by tap and
/// reaches 3.5 `sigma` (rounded up); a strip with that margin equals the whole to the bit. Above,
/// the plane is shrunk by a power of two with area averages, blurred there with what variance is
/// left, and enlarged linearly: within 0.3 % of the range of the true blur; a strip must then
/// begin at a multiple of that power of two.
pub fn gaussian(plane: ArrayView2<'_, f32>, sigma: f32) -> Array2<f32> {
    let rows = 0..plane.nrows();
    let blurred = Blurred::new(plane, sigma);
    match blurred.enlarge {
        None => blurred.plane,
        Some(_) => blurred.rows(rows),
    }
}

/// A [`gaussian`] blur that is read some rows at a time: a wide one is kept shrunk, since enlarging
/// a strip where it is needed costs less than a plane of memory.
pub struct Blurred {
    plane: Array2<f32>,
    /// The way back to full size, if it was shrunk.
    enlarge: Option<resample::Enlarge>,
}

impl Blurred {
    /// Blurs `plane` as [`gaussian`] does.
    pub fn new(plane: ArrayView2<'_, f32>, sigma: f32) -> Self {
        let (height, width) = plane.dim();
        if sigma.is_nan() || sigma <= 0.0 || height == 0 || width == 0 {
            return Self {
                plane: plane.to_owned(),
                enlarge: None,
            };
        }
        // A blur wider than the plane many times over is its mean; the cap bounds the work.
        let sigma = f64::from(sigma).min(16.0 * height.max(width) as f64);
        let mut factor = 1;
        while sigma / factor as f64 > f64::from(DIRECT_SIGMA) {
            factor *= 2;
        }
        if factor == 1 {
            return Self {
                plane: direct_gaussian(plane, sigma),
                enlarge: None,
            };
        }
        let small = shrink_by(plane, factor);
        // Averaging over n pixels adds the variance (n^2 - 1)/12; linear interpolation between
        // points n apart adds n^2/6 on average over its phases, less 1/6 for sampled pixels.
        let n2 = (factor * factor) as f64;
        let left = sigma * sigma - (n2 - 1.0) / 12.0 - (n2 - 1.0) / 6.0;
        let step = 1.0 / factor as f64;
        let enlarge = resample::Enlarge::new(small.dim(), Size { width, height }, step);
        Self {
            plane: direct_gaussian(small.view(), (left / n2).sqrt()),
            enlarge: Some(enlarge),
        }
    }

    /// These rows of the blurred plane.
    ///
    /// # Panics
    /// When the plane has fewer rows.
    pub fn rows(&self, rows: Range<usize>) -> Array2<f32> {
        match &self.enlarge {
            Some(enlarge) => enlarge.rows(self.plane.view(), rows),
            None => self.plane.slice_axis(Axis(0), Slice::from(rows)).to_owned(),
        }
    }
}

fn direct_gaussian(plane: ArrayView2<'_, f32>, sigma: f64) -> Array2<f32> {
    let weights = gaussian_weights(sigma);
    let radius = weights.len() - 1;
    let plane = plane.as_standard_layout();
    let source = plane.as_slice().expect("standard layout");
    let (height, width) = plane.dim();
    let row = |y: usize| &source[y * width..(y + 1) * width];
    let mut out = Array2::zeros((height, width));
    bands::each_band(out.view_mut(), |first, mut rows| {
        let mut column = vec![0.0; width];
        let mut padded = vec![0.0; width + 2 * radius];
        for (i, mut out) in rows.rows_mut().into_iter().enumerate() {
            let y = (first + i) as isize;
            let out = out.as_slice_mut().expect("rows are contiguous");
            bands::vectorised(
                #[inline(always)]
                || {
                    symmetric_sum(&weights, &mut column, |k| {
                        let k = k as isize;
                        (row(mirrored(y - k, height)), row(mirrored(y + k, height)))
                    });
                },
            );
            pad(&column, radius, &mut padded);
            bands::vectorised(
                #[inline(always)]
                || {
                    symmetric_sum(&weights, out, |k| {
                        (&padded[radius - k..], &padded[radius + k..])
                    });
                },
            );
        }
    });
    out
}

/// Means of blocks of `factor` x `factor` pixels; the plane goes on mirrored to whole blocks.
fn shrink_by(plane: ArrayView2<'_, f32>, factor: usize) -> Array2<f32> {
    let (height, width) = plane.dim();
    let (rows, columns) = (height.div_ceil(factor), width.div_ceil(factor));
    let plane = plane.as_standard_layout();
    let source = plane.as_slice().expect("standard layout");
    let over = 1.0 / (factor * factor) as f32;
    let mut out = Array2::zeros((rows, columns));
    out.axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(y, mut out)| {
            let mut sum = vec![0.0_f32; columns * factor];
            for k in 0..factor {
                let y = mirrored((y * factor + k) as isize, height);
                let row = &source[y * width..(y + 1) * width];
                bands::vectorised(
                    #[inline(always)]
                    || sum.iter_mut().zip(row).for_each(|(sum, &v)| *sum += v),
                );
            }
            for x in width..sum.len() {
                sum[x] = sum[mirrored(x as isize, width)];
            }
            for (out, block) in out.iter_mut().zip(sum.chunks_exact(factor)) {
                *out = block.iter().sum::<f32>() * over;
            }
        });
    out
}

/// What a window is reduced to: its sum, smallest or largest value.
trait Reduce: Copy + Sync {
    /// Whether a value may be counted twice.
    const IDEMPOTENT: bool;
    fn join(self, a: f32, b: f32) -> f32;
}

#[derive(Clone, Copy)]
struct Sum;
#[derive(Clone, Copy)]
struct Smallest;
#[derive(Clone, Copy)]
struct Largest;

impl Reduce for Sum {
    const IDEMPOTENT: bool = false;
    #[inline(always)]
    fn join(self, a: f32, b: f32) -> f32 {
        a + b
    }
}

impl Reduce for Smallest {
    const IDEMPOTENT: bool = true;
    #[inline(always)]
    fn join(self, a: f32, b: f32) -> f32 {
        if b < a { b } else { a }
    }
}

impl Reduce for Largest {
    const IDEMPOTENT: bool = true;
    #[inline(always)]
    fn join(self, a: f32, b: f32) -> f32 {
        if b > a { b } else { a }
    }
}

/// Buffers for [`windows`].
#[derive(Default)]
struct Buffers {
    current: Vec<f32>,
    next: Vec<f32>,
    total: Vec<f32>,
}

/// Reduces each window of `length` values, `stride` apart, of `buffers.current` to
/// `buffers.total[i]`, for i in `0..count`.
///
/// By doubling: windows of 1, 2, 4, ... values are joined from two of half their length, and
/// those whose sizes are the binary digits of `length` make up the window. So the order of
/// additions depends on nothing but `length` (strips equal the whole), rounding grows with the
/// logarithm of `length`, and every level is one vector loop. `current` holds
/// `count + (length - 1) * stride` values or more.
#[inline(always)]
fn windows<R: Reduce>(
    reduce: R,
    buffers: &mut Buffers,
    length: usize,
    stride: usize,
    count: usize,
) {
    let Buffers {
        current,
        next,
        total,
    } = buffers;
    total.resize(count.max(total.len()), 0.0);
    next.resize(current.len().max(next.len()), 0.0);
    let mut have = current.len();
    let mut size = 1;
    let mut covered = 0;
    loop {
        let last = size * 2 > length;
        // With a reduction that may count twice, the last level laid at the end of the window
        // does; otherwise each binary digit of the length is laid after those before it.
        if R::IDEMPOTENT && last {
            let from = (length - size) * stride;
            let (a, b) = (&current[..count], &current[from..from + count]);
            for (out, (&a, &b)) in total[..count].iter_mut().zip(a.iter().zip(b)) {
                *out = reduce.join(a, b);
            }
        } else if !R::IDEMPOTENT && length & size != 0 {
            let from = covered * stride;
            let piece = &current[from..from + count];
            if covered == 0 {
                total[..count].copy_from_slice(piece);
            } else {
                for (out, &v) in total[..count].iter_mut().zip(piece) {
                    *out = reduce.join(*out, v);
                }
            }
            covered += size;
        }
        if last {
            break;
        }
        have -= size * stride;
        let (a, b) = (
            &current[..have],
            &current[size * stride..size * stride + have],
        );
        for (out, (&a, &b)) in next[..have].iter_mut().zip(a.iter().zip(b)) {
            *out = reduce.join(a, b);
        }
        std::mem::swap(current, next);
        size *= 2;
    }
}

/// Computes a plane band by band over all threads. `work` gets a band with `reach` more rows on
/// both sides (as far as there are any) and gives its filtered plane, whose middle is kept. Few
/// rows at a time stay in the cache through all passes of a filter, and its buffers stay small.
fn in_bands(
    (height, width): (usize, usize),
    reach: usize,
    work: impl Fn(Rect) -> Array2<f32> + Sync,
) -> Array2<f32> {
    let rows_each = BAND.max(reach.saturating_mul(4));
    let mut out = Array2::zeros((height, width));
    out.axis_chunks_iter_mut(Axis(0), rows_each)
        .into_par_iter()
        .enumerate()
        .for_each(|(band, mut rows)| {
            let first = band * rows_each;
            let top = first.saturating_sub(reach);
            let bottom = (first + rows.nrows()).saturating_add(reach).min(height);
            let part = work(Rect {
                left: 0,
                top,
                width,
                height: bottom - top,
            });
            let inner = Rect {
                left: 0,
                top: first - top,
                width,
                height: rows.nrows(),
            };
            rows.assign(&inner.of(part.view()));
        });
    out
}

/// Reduces the square of `2 * radius + 1` pixels around each pixel; `scale` multiplies the
/// result of each of the two directions.
fn square_window<R: Reduce>(
    reduce: R,
    plane: ArrayView2<'_, f32>,
    radius: usize,
    scale: f32,
) -> Array2<f32> {
    in_bands(plane.dim(), radius, |band| {
        window_in_place(reduce, row_major_copy(band.of(plane)), radius, scale)
    })
}

fn row_major_copy(plane: ArrayView2<'_, f32>) -> Array2<f32> {
    plane.as_standard_layout().into_owned()
}

/// [`square_window`] of a plane that is no longer needed, on this thread.
fn window_in_place<R: Reduce>(
    reduce: R,
    mut out: Array2<f32>,
    radius: usize,
    scale: f32,
) -> Array2<f32> {
    let (height, width) = out.dim();
    if radius == 0 || height == 0 || width == 0 {
        return out;
    }
    // Beyond twice the plane a window only repeats it; the cap bounds the buffers. (A band is
    // never so small, see `in_bands`.)
    let radius = radius.min(2 * height.max(width));
    let length = 2 * radius + 1;
    let mut buffers = Buffers::default();
    for mut row in out.rows_mut() {
        let row = row.as_slice_mut().expect("rows are contiguous");
        buffers.current.resize(width + 2 * radius, 0.0);
        pad(row, radius, &mut buffers.current);
        bands::vectorised(
            #[inline(always)]
            || {
                windows(reduce, &mut buffers, length, 1, width);
                row.iter_mut()
                    .zip(&buffers.total)
                    .for_each(|(out, &v)| *out = v * scale);
            },
        );
    }
    for mut tile in out.axis_chunks_iter_mut(Axis(1), TILE) {
        let wide = tile.ncols();
        buffers.current.resize((height + 2 * radius) * wide, 0.0);
        for (i, into) in buffers.current.chunks_exact_mut(wide).enumerate() {
            let row = tile.row(mirrored(i as isize - radius as isize, height));
            bands::copy::<TILE>(row.as_slice().expect("rows are contiguous"), into);
        }
        bands::vectorised(
            #[inline(always)]
            || {
                windows(reduce, &mut buffers, length, wide, height * wide);
                buffers.total[..height * wide]
                    .iter_mut()
                    .for_each(|v| *v *= scale);
            },
        );
        for (mut row, total) in tile
            .rows_mut()
            .into_iter()
            .zip(buffers.total.chunks_exact(wide))
        {
            bands::copy::<TILE>(total, row.as_slice_mut().expect("rows are contiguous"));
        }
    }
    out
}

/// Mean of the square of `2 * radius + 1` pixels around each pixel.
///
/// Summed in f32 by doubling (pairwise), in an order that depends on `radius` only: strips with
/// a margin of `radius` equal the whole to the bit, the relative error stays under about
/// 2 log2(2 `radius`) roundings, and the cost grows with the logarithm of `radius`.
pub fn box_mean(plane: ArrayView2<'_, f32>, radius: usize) -> Array2<f32> {
    square_window(Sum, plane, radius, 1.0 / (2 * radius + 1) as f32)
}

/// Smallest value in the square of `2 * radius + 1` pixels around each pixel.
pub fn erode(plane: ArrayView2<'_, f32>, radius: usize) -> Array2<f32> {
    square_window(Smallest, plane, radius, 1.0)
}

/// Largest value in the square of `2 * radius + 1` pixels around each pixel.
pub fn dilate(plane: ArrayView2<'_, f32>, radius: usize) -> Array2<f32> {
    square_window(Largest, plane, radius, 1.0)
}

/// Pixel by pixel, gives `N` planes new values from `M` others and their own, all of one shape
/// and row-major, on the vector unit. `pixel` should be `#[inline(always)]`.
fn pixelwise<const M: usize, const N: usize>(
    inputs: [&[f32]; M],
    planes: [&mut Array2<f32>; N],
    pixel: impl Fn([f32; M], [f32; N]) -> [f32; N],
) {
    // Through small blocks of their own: the compiler need not wonder whether some of up to
    // thirteen planes overlap.
    const BLOCK: usize = 64;
    let mut planes = planes.map(|plane| plane.as_slice_mut().expect("row-major"));
    let count = planes[0].len();
    bands::vectorised(
        #[inline(always)]
        move || {
            let mut values = [[0.0; BLOCK]; M];
            let mut own = [[0.0; BLOCK]; N];
            for first in (0..count).step_by(BLOCK) {
                let run = (count - first).min(BLOCK);
                for (block, plane) in values.iter_mut().zip(&inputs) {
                    block[..run].copy_from_slice(&plane[first..first + run]);
                }
                for (block, plane) in own.iter_mut().zip(&planes) {
                    block[..run].copy_from_slice(&plane[first..first + run]);
                }
                for i in 0..BLOCK {
                    let mut pixel_values = [0.0; M];
                    for (value, block) in pixel_values.iter_mut().zip(&values) {
                        *value = block[i];
                    }
                    let mut pixel_own = [0.0; N];
                    for (value, block) in pixel_own.iter_mut().zip(&own) {
                        *value = block[i];
                    }
                    for (block, new) in own.iter_mut().zip(pixel(pixel_values, pixel_own)) {
                        block[i] = new;
                    }
                }
                for (block, plane) in own.iter().zip(&mut planes) {
                    plane[first..first + run].copy_from_slice(&block[..run]);
                }
            }
        },
    );
}

/// [`box_mean`] of a plane that is no longer needed, on this thread.
fn mean_of(plane: Array2<f32>, radius: usize) -> Array2<f32> {
    window_in_place(Sum, plane, radius, 1.0 / (2 * radius + 1) as f32)
}

/// Guided filter with a grey guide: `input` smoothed over windows of `2 * radius + 1` pixels,
/// with the edges of `guide` (of the same shape).
///
/// q = mean(a) I + mean(b), a = cov(I, p) / (var(I) + eps), b = mean(p) - a mean(I).
/// Source: K. He, J. Sun, X. Tang, *Guided Image Filtering*, IEEE TPAMI 35(6), 2013, algorithm 1.
/// `eps` is a variance on the guide's scale: contrasts well under its root are smoothed, well
/// above it kept; 1e-6 is about the smallest that f32 sums resolve for a guide up to 1. It
/// reaches `2 * radius` pixels; strips with that margin equal the whole. A guide of one plane
/// costs about six box means, of three planes ([`guided_colour`]) about nineteen: for windows of
/// many pixels on a large picture, work on a smaller one.
///
/// # Panics
/// When the shapes differ.
pub fn guided(
    guide: ArrayView2<'_, f32>,
    input: ArrayView2<'_, f32>,
    radius: usize,
    eps: f32,
) -> Array2<f32> {
    assert_eq!(guide.dim(), input.dim(), "guide and input have one shape");
    in_bands(input.dim(), radius.saturating_mul(2), |band| {
        guided_band(band.of(guide), band.of(input), radius, eps)
    })
}

/// [`guided`] on this thread.
fn guided_band(
    guide: ArrayView2<'_, f32>,
    input: ArrayView2<'_, f32>,
    radius: usize,
    eps: f32,
) -> Array2<f32> {
    let guide = guide.as_standard_layout();
    let guide = guide.as_slice().expect("standard layout");
    let input = input.as_standard_layout();
    let values = input.as_slice().expect("standard layout");
    let mut slope = Array2::zeros(input.dim());
    let mut offset = Array2::zeros(input.dim());
    pixelwise(
        [guide, values],
        [&mut slope, &mut offset],
        #[inline(always)]
        |[i, p], _| [i * p, i * i],
    );
    let (mut slope, mut offset) = (mean_of(slope, radius), mean_of(offset, radius));
    let view = ArrayView2::from_shape(input.dim(), guide).expect("the input's shape");
    let guides = mean_of(view.to_owned(), radius);
    let means = mean_of(input.to_owned(), radius);
    pixelwise(
        [&guides, &means].map(row_major),
        [&mut slope, &mut offset],
        #[inline(always)]
        |[i, p], [ip, ii]| {
            let variance = ii - i * i;
            let variance = if variance > 0.0 { variance } else { 0.0 };
            let a = (ip - i * p) / (variance + eps);
            [a, p - a * i]
        },
    );
    let (mut slope, offset) = (mean_of(slope, radius), mean_of(offset, radius));
    pixelwise(
        [guide, row_major(&offset)],
        [&mut slope],
        #[inline(always)]
        |[i, b], [a]| [a * i + b],
    );
    slope
}

fn row_major(plane: &Array2<f32>) -> &[f32] {
    plane.as_slice().expect("row-major")
}

/// Guided filter with a guide of three planes: [`guided`], with a = (Sigma + eps E)^-1 cov(I, p)
/// for the 3 x 3 covariance Sigma of the guide (He et al. 2013, section 3.5, equation 19).
///
/// # Panics
/// When the shapes differ.
pub fn guided_colour(
    guide: [ArrayView2<'_, f32>; 3],
    input: ArrayView2<'_, f32>,
    radius: usize,
    eps: f32,
) -> Array2<f32> {
    assert!(
        guide.iter().all(|g| g.dim() == input.dim()),
        "guide and input have one shape"
    );
    in_bands(input.dim(), radius.saturating_mul(2), |band| {
        guided_colour_band(
            guide.map(|plane| band.of(plane)),
            band.of(input),
            radius,
            eps,
        )
    })
}

/// [`guided_colour`] on this thread.
fn guided_colour_band(
    guide: [ArrayView2<'_, f32>; 3],
    input: ArrayView2<'_, f32>,
    radius: usize,
    eps: f32,
) -> Array2<f32> {
    let shape = input.dim();
    let guide = guide.each_ref().map(|plane| plane.as_standard_layout());
    let [r, g, b] = guide
        .each_ref()
        .map(|plane| plane.as_slice().expect("standard layout"));
    let input = input.as_standard_layout();
    let p = input.as_slice().expect("standard layout");
    let zeros = || Array2::zeros(shape);
    let mut squares = [(); 6].map(|()| zeros());
    pixelwise(
        [r, g, b],
        squares.each_mut(),
        #[inline(always)]
        |[r, g, b], _| [r * r, r * g, r * b, g * g, g * b, b * b],
    );
    let squares = squares.map(|plane| mean_of(plane, radius));
    let [rr, rg, rb, gg, gb, bb] = squares.each_ref().map(row_major);
    let mut products = [(); 3].map(|()| zeros());
    pixelwise(
        [r, g, b, p],
        products.each_mut(),
        #[inline(always)]
        |[r, g, b, p], _| [r * p, g * p, b * p],
    );
    let mut model = products.map(|plane| mean_of(plane, radius));
    let means = guide
        .each_ref()
        .map(|plane| mean_of(plane.to_owned(), radius));
    let [mr, mg, mb] = means.each_ref().map(row_major);
    let mut offset = mean_of(input.to_owned(), radius);
    let [m0, m1, m2] = &mut model;
    pixelwise(
        [mr, mg, mb, rr, rg, rb, gg, gb, bb],
        [m0, m1, m2, &mut offset],
        #[inline(always)]
        |[r, g, b, rr, rg, rb, gg, gb, bb], [rp, gp, bp, p]| {
            let (rr, rg, rb) = (rr - r * r + eps, rg - r * g, rb - r * b);
            let (gg, gb, bb) = (gg - g * g + eps, gb - g * b, bb - b * b + eps);
            // The inverse of a symmetric matrix by cofactors.
            let (c0, c1, c2) = (gg * bb - gb * gb, rb * gb - rg * bb, rg * gb - rb * gg);
            let (c3, c4, c5) = (rr * bb - rb * rb, rg * rb - rr * gb, rr * gg - rg * rg);
            let determinant = rr * c0 + rg * c1 + rb * c2;
            // Never under eps^3 with exact sums; rounding must not make it so.
            let smallest = eps * eps * eps;
            let over = 1.0
                / if determinant > smallest {
                    determinant
                } else {
                    smallest
                };
            let (rp, gp, bp) = (rp - r * p, gp - g * p, bp - b * p);
            let ar = (c0 * rp + c1 * gp + c2 * bp) * over;
            let ag = (c1 * rp + c3 * gp + c4 * bp) * over;
            let ab = (c2 * rp + c4 * gp + c5 * bp) * over;
            [ar, ag, ab, p - ar * r - ag * g - ab * b]
        },
    );
    let model = model.map(|plane| mean_of(plane, radius));
    let [ar, ag, ab] = model.each_ref().map(row_major);
    let mut out = mean_of(offset, radius);
    pixelwise(
        [ar, r, ag, g, ab, b],
        [&mut out],
        #[inline(always)]
        |[ar, r, ag, g, ab, b], [offset]| [ar * r + ag * g + ab * b + offset],
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Zip;

    /// Numbers without a pattern, 0 to 1 (a hash of the place).
    fn noise(height: usize, width: usize) -> Array2<f32> {
        Array2::from_shape_fn((height, width), |(y, x)| {
            let h = (x as u32).wrapping_mul(0x9e37_79b1) ^ (y as u32).wrapping_mul(0x85eb_ca77);
            let h = (h ^ (h >> 15)).wrapping_mul(0x2c1b_3c6d);
            ((h ^ (h >> 12)) >> 8) as f32 / 16_777_216.0
        })
    }

    fn worst(a: &Array2<f32>, b: &Array2<f32>) -> f32 {
        Zip::from(a)
            .and(b)
            .fold(0.0, |worst: f32, a, b| worst.max((a - b).abs()))
    }

    /// The definition: all pixels of the window, mirrored, one by one.
    fn plainly(plane: &Array2<f32>, radius: usize, f: impl Fn(&[f32]) -> f32) -> Array2<f32> {
        let (height, width) = plane.dim();
        let reach = -(radius as isize)..=radius as isize;
        Array2::from_shape_fn((height, width), |(y, x)| {
            let mut window = Vec::new();
            for dy in reach.clone() {
                for dx in reach.clone() {
                    let (y, x) = (
                        mirrored(y as isize + dy, height),
                        mirrored(x as isize + dx, width),
                    );
                    window.push(plane[[y, x]]);
                }
            }
            f(&window)
        })
    }

    #[test]
    fn windows_agree_with_their_definition() {
        let plane = noise(37, 71);
        for radius in [0, 1, 2, 3, 5, 8, 20, 50] {
            let mean =
                |w: &[f32]| (w.iter().map(|&v| f64::from(v)).sum::<f64>() / w.len() as f64) as f32;
            let (view, r) = (plane.view(), radius);
            assert!(
                worst(&box_mean(view, r), &plainly(&plane, r, mean)) < 5e-7,
                "{radius}"
            );
            let min = |w: &[f32]| w.iter().copied().fold(f32::MAX, f32::min);
            let max = |w: &[f32]| w.iter().copied().fold(f32::MIN, f32::max);
            assert_eq!(erode(view, r), plainly(&plane, r, min));
            assert_eq!(dilate(view, r), plainly(&plane, r, max));
        }
    }

    #[test]
    fn strips_equal_the_whole() {
        let plane = noise(200, 130);
        let rows = |top, height| Rect {
            left: 0,
            top,
            width: 130,
            height,
        };
        let (strip, inner, of_whole) = (rows(60, 80), rows(40, 10), rows(100, 10));
        let check = |name: &str, f: &dyn Fn(ArrayView2<'_, f32>) -> Array2<f32>| {
            let (whole, part) = (f(plane.view()), f(strip.of(plane.view())));
            assert_eq!(of_whole.of(whole.view()), inner.of(part.view()), "{name}");
        };
        check("gaussian", &|p| gaussian(p, 7.3));
        check("box", &|p| box_mean(p, 13));
        check("erode", &|p| erode(p, 9));
        check("guided", &|p| guided(p, p, 10, 0.01));
        check("colour", &|p| guided_colour([p, p, p], p, 10, 0.01));
    }

    #[test]
    fn one_thread_equals_many() {
        let plane = noise(301, 203);
        let all = || {
            let p = plane.view();
            let shallow = gaussian(p, 3.1);
            let (deep, means) = (gaussian(p, 40.0), box_mean(p, 31));
            let colour = [shallow.view(), deep.view(), means.view()];
            let last = guided_colour(colour, p, 7, 1e-3);
            (guided(p, deep.view(), 5, 1e-3), last, erode(p, 3))
        };
        let pool = |n| {
            rayon::ThreadPoolBuilder::new()
                .num_threads(n)
                .build()
                .expect("threads")
        };
        assert_eq!(pool(1).install(all), pool(4).install(all));
    }

    #[test]
    fn nothing_changes_without_a_radius() {
        let plane = noise(20, 30);
        assert_eq!(gaussian(plane.view(), 0.0), plane);
        assert_eq!(gaussian(plane.view(), f32::NAN), plane);
        assert_eq!(box_mean(plane.view(), 0), plane);
        assert_eq!(gaussian(Array2::zeros((0, 5)).view(), 3.0).dim(), (0, 5));
        assert_eq!(box_mean(Array2::zeros((3, 0)).view(), 3).dim(), (3, 0));
        let flat = gaussian(Array2::from_elem((1, 1), 0.5).view(), 100.0)[[0, 0]];
        assert!((flat - 0.5).abs() < 1e-6, "{flat}");
    }

    /// A plane tilted at `x` keeps its tilt (away from the edges), at any width.
    #[test]
    fn a_slope_is_kept_by_every_blur() {
        let plane = Array2::from_shape_fn((64, 400), |(_, x)| x as f32 / 400.0);
        for sigma in [0.5, 2.0, 7.9, 8.1, 15.9, 16.1, 30.0] {
            let out = gaussian(plane.view(), sigma);
            let middle = Rect {
                left: 190,
                top: 0,
                width: 20,
                height: 64,
            };
            let off = worst(
                &middle.of(out.view()).to_owned(),
                &middle.of(plane.view()).to_owned(),
            );
            assert!(off < 2e-6, "sigma {sigma}: {off}");
        }
    }

    #[test]
    fn odd_layouts_are_read_right() {
        let plane = noise(40, 50);
        let turned = plane.t();
        let plain = turned.as_standard_layout().into_owned();
        assert_eq!(gaussian(turned, 2.0), gaussian(plain.view(), 2.0));
        assert_eq!(box_mean(turned, 2), box_mean(plain.view(), 2));
    }
}
