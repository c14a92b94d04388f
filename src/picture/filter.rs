//! Filters over one plane. Edges are mirrored (the edge pixel is repeated: `c b a | a b c`).
//!
//! Each output is a sum in a fixed order of its own neighbourhood, so threads do not matter and
//! a strip with enough margin gives the bits of the whole; the one exception is the wide
//! Gaussian, which says what it needs. Loops run over rows or columns of independent outputs and
//! are compiled for the vector units by [`bands::vectorised`].

use ndarray::{Array2, ArrayView2, ArrayViewMut2, Axis};
use rayon::prelude::*;

use super::{Size, bands, resample};

/// Outputs that are summed side by side: eight AVX registers.
const LANES: usize = 64;
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
                    for i in 0..LANES {
                        sum[i] = weight * a[i];
                    }
                } else {
                    for i in 0..LANES {
                        sum[i] += weight * (a[i] + b[i]);
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
        out[x..x + run].copy_from_slice(&sum[..run]);
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
    let (height, width) = plane.dim();
    if sigma.is_nan() || sigma <= 0.0 || height == 0 || width == 0 {
        return plane.to_owned();
    }
    // A blur wider than the plane many times over is its mean; the cap bounds the work.
    let sigma = f64::from(sigma).min(16.0 * height.max(width) as f64);
    let mut factor = 1;
    while sigma / factor as f64 > f64::from(DIRECT_SIGMA) {
        factor *= 2;
    }
    if factor == 1 {
        return direct_gaussian(plane, sigma);
    }
    let small = shrink_by(plane, factor);
    // Averaging over n pixels adds the variance (n^2 - 1)/12; linear interpolation between
    // points n apart adds n^2/6 on average over its phases, less 1/6 for sampled pixels.
    let n2 = (factor * factor) as f64;
    let left = sigma * sigma - (n2 - 1.0) / 12.0 - (n2 - 1.0) / 6.0;
    let blurred = direct_gaussian(small.view(), (left / n2).sqrt());
    enlarge_by(blurred.view(), factor, Size { width, height })
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

/// Linear interpolation between block centres `factor` apart, cut to `size`.
fn enlarge_by(plane: ArrayView2<'_, f32>, factor: usize, size: Size) -> Array2<f32> {
    resample::linear(plane, size, 1.0 / factor as f64, 1.0 / factor as f64)
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

/// Reduces the square of `2 * radius + 1` pixels around each pixel; `scale` multiplies the
/// result of each of the two directions.
fn square_window<R: Reduce>(
    reduce: R,
    plane: ArrayView2<'_, f32>,
    radius: usize,
    scale: f32,
) -> Array2<f32> {
    window_in_place(
        reduce,
        plane.as_standard_layout().into_owned(),
        radius,
        scale,
    )
}

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
    // Beyond twice the plane a window only repeats it; the cap bounds the buffers.
    let radius = radius.min(2 * height.max(width));
    let length = 2 * radius + 1;
    bands::each_band(out.view_mut(), |_, mut rows| {
        let mut buffers = Buffers::default();
        for mut row in rows.rows_mut() {
            let row = row.as_slice_mut().expect("rows are contiguous");
            buffers.current.resize(width + 2 * radius, 0.0);
            pad(row, radius, &mut buffers.current[..width + 2 * radius]);
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
    });
    let columns = |mut tile: ArrayViewMut2<'_, f32>| {
        let wide = tile.ncols();
        let mut buffers = Buffers::default();
        buffers.current.resize((height + 2 * radius) * wide, 0.0);
        for (i, into) in buffers.current.chunks_exact_mut(wide).enumerate() {
            let y = mirrored(i as isize - radius as isize, height);
            let row = tile.row(y);
            into.copy_from_slice(row.as_slice().expect("rows are contiguous"));
        }
        bands::vectorised(
            #[inline(always)]
            || windows(reduce, &mut buffers, length, wide, height * wide),
        );
        for (mut row, total) in tile
            .rows_mut()
            .into_iter()
            .zip(buffers.total.chunks_exact(wide))
        {
            row.iter_mut()
                .zip(total)
                .for_each(|(out, &v)| *out = v * scale);
        }
    };
    out.axis_chunks_iter_mut(Axis(1), LANES)
        .into_par_iter()
        .for_each(columns);
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

/// Pixel by pixel, `N` planes computed from `M` others of one shape, all row-major, over threads
/// and vector units. `pixel` should be `#[inline(always)]`.
fn pixelwise<const M: usize, const N: usize>(
    inputs: [&Array2<f32>; M],
    pixel: impl Fn([f32; M]) -> [f32; N] + Sync,
) -> [Array2<f32>; N] {
    const PIECE: usize = 4096;
    let shape = inputs[0].dim();
    let inputs = inputs.map(|plane| plane.as_slice().expect("row-major"));
    let mut outputs = [(); N].map(|()| Array2::zeros(shape));
    let mut pieces: Vec<Vec<&mut [f32]>> = Vec::new();
    for plane in &mut outputs {
        let plane = plane.as_slice_mut().expect("row-major");
        for (i, piece) in plane.chunks_mut(PIECE).enumerate() {
            match pieces.get_mut(i) {
                Some(group) => group.push(piece),
                None => pieces.push(vec![piece]),
            }
        }
    }
    pieces.into_par_iter().enumerate().for_each(|(i, group)| {
        let Ok(mut group) = <[&mut [f32]; N]>::try_from(group) else {
            return;
        };
        let count = group.first().map_or(0, |piece| piece.len());
        let inputs = inputs.map(|plane| &plane[i * PIECE..i * PIECE + count]);
        bands::vectorised(
            #[inline(always)]
            || {
                for x in 0..count {
                    let values = pixel(inputs.map(
                        #[inline(always)]
                        |plane| plane[x],
                    ));
                    for (piece, value) in group.iter_mut().zip(values) {
                        piece[x] = value;
                    }
                }
            },
        );
    });
    outputs
}

/// [`box_mean`] of a plane that is no longer needed.
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
/// reaches `2 * radius` pixels; strips with that margin equal the whole.
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
    let guide = guide.as_standard_layout().into_owned();
    let input = input.as_standard_layout().into_owned();
    let [squares, products] = pixelwise(
        [&guide, &input],
        #[inline(always)]
        |[i, p]| [i * i, i * p],
    );
    let squares = mean_of(squares, radius);
    let products = mean_of(products, radius);
    let means = mean_of(input, radius);
    let guides = box_mean(guide.view(), radius);
    let [slope, offset] = pixelwise(
        [&guides, &means, &squares, &products],
        #[inline(always)]
        |[i, p, ii, ip]| {
            let variance = ii - i * i;
            let variance = if variance > 0.0 { variance } else { 0.0 };
            let a = (ip - i * p) / (variance + eps);
            [a, p - a * i]
        },
    );
    let (slope, offset) = (mean_of(slope, radius), mean_of(offset, radius));
    let [out] = pixelwise(
        [&slope, &guide, &offset],
        #[inline(always)]
        |[a, i, b]| [a * i + b],
    );
    out
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
    let guide = guide.map(|plane| plane.as_standard_layout().into_owned());
    let input = input.as_standard_layout().into_owned();
    let [r, g, b] = &guide;
    let squares = pixelwise(
        [r, g, b],
        #[inline(always)]
        |[r, g, b]| [r * r, r * g, r * b, g * g, g * b, b * b],
    );
    let [rr, rg, rb, gg, gb, bb] = squares.map(|plane| mean_of(plane, radius));
    let products = pixelwise(
        [r, g, b, &input],
        #[inline(always)]
        |[r, g, b, p]| [r * p, g * p, b * p],
    );
    let [rp, gp, bp] = products.map(|plane| mean_of(plane, radius));
    let [mr, mg, mb] = guide.each_ref().map(|plane| box_mean(plane.view(), radius));
    let mp = mean_of(input, radius);
    let model = pixelwise(
        [
            &mr, &mg, &mb, &mp, &rr, &rg, &rb, &gg, &gb, &bb, &rp, &gp, &bp,
        ],
        #[inline(always)]
        |[r, g, b, p, rr, rg, rb, gg, gb, bb, rp, gp, bp]| {
            let (rr, rg, rb) = (rr - r * r + eps, rg - r * g, rb - r * b);
            let (gg, gb, bb) = (gg - g * g + eps, gb - g * b, bb - b * b + eps);
            // The inverse of a symmetric matrix by cofactors.
            let (c0, c1, c2) = (gg * bb - gb * gb, rb * gb - rg * bb, rg * gb - rb * gg);
            let (c3, c4, c5) = (rr * bb - rb * rb, rg * rb - rr * gb, rr * gg - rg * rg);
            let determinant = rr * c0 + rg * c1 + rb * c2;
            // Never 0 with exact sums, since eps > 0; rounding must not make it so.
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
    let [ar, ag, ab, offset] = model.map(|plane| mean_of(plane, radius));
    let [out] = pixelwise(
        [&ar, r, &ag, g, &ab, b, &offset],
        #[inline(always)]
        |[ar, r, ag, g, ab, b, offset]| [ar * r + ag * g + ab * b + offset],
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Rect;
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
