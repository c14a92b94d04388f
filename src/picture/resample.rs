//! Changing a picture's size.
//!
//! Every output pixel is a weighted sum of a run of input pixels, first downwards, then across.
//! Pixel centres lie at half-integers, so the corners of both pictures coincide. Weights are
//! worked out in f64 (with `libm`, the same on every machine), sum to 1, and are summed in a
//! fixed order; each output row stands alone, so threads do not matter.
//!
//! [`resize`] is for pictures that people look at; it must get linear light, since averaging
//! encoded values darkens fine bright detail such as hair against a light.

use std::ops::Range;

use ndarray::{Array2, ArrayView1, ArrayView2, Axis};
use rayon::prelude::*;

use super::{Linear, Size, bands};

/// Output rows worked on together: the loop across is vectorised over them.
const TOGETHER: usize = 16;

/// For each output position, where its run of inputs begins and the weights of the run.
struct Taps {
    runs: Vec<(usize, Vec<f32>)>,
}

impl Taps {
    /// From `weigh(i)`, the unnormalised weights of a run of inputs of output `i` that lie
    /// inside of `0..inputs`.
    fn new(inputs: usize, outputs: usize, weigh: impl Fn(usize) -> (usize, Vec<f64>)) -> Self {
        let run = |i| {
            let (start, weights) = weigh(i);
            assert!(
                !weights.is_empty() && start + weights.len() <= inputs,
                "a run lies inside"
            );
            let total: f64 = weights.iter().sum();
            (
                start,
                weights.into_iter().map(|w| (w / total) as f32).collect(),
            )
        };
        Self {
            runs: (0..outputs).map(run).collect(),
        }
    }

    /// The share of each input that an output's `inputs / outputs` long interval covers.
    fn area(inputs: usize, outputs: usize) -> Self {
        let scale = inputs as f64 / outputs as f64;
        Self::new(inputs, outputs, |i| {
            let (from, to) = (i as f64 * scale, (i + 1) as f64 * scale);
            let start = (from.floor() as usize).min(inputs - 1);
            // A sliver under a millionth of a pixel is rounding, not coverage.
            let end = ((to - 1e-6).ceil() as usize).clamp(start + 1, inputs);
            let cover = |j: usize| (to.min((j + 1) as f64) - from.max(j as f64)).max(0.0);
            (start, (start..end).map(cover).collect())
        })
    }

    /// Linear interpolation, `step` inputs per output, held at the edges.
    fn linear(inputs: usize, outputs: usize, step: f64) -> Self {
        Self::new(inputs, outputs, |i| {
            let at = ((i as f64 + 0.5) * step - 0.5).clamp(0.0, (inputs - 1) as f64);
            let start = (at.floor() as usize).min(inputs.saturating_sub(2));
            let share = at - start as f64;
            if inputs == 1 {
                (0, vec![1.0])
            } else {
                (start, vec![1.0 - share, share])
            }
        })
    }

    /// Lanczos's window of three lobes, widened by the scale when shrinking (K. Turkowski,
    /// *Filters for Common Resampling Tasks*, in Graphics Gems I, 1990); at the edges the rest of
    /// the window is normalised.
    fn lanczos(inputs: usize, outputs: usize) -> Self {
        let scale = inputs as f64 / outputs as f64;
        let wide = scale.max(1.0);
        Self::new(inputs, outputs, |i| {
            let centre = (i as f64 + 0.5) * scale;
            let start = (centre - 3.0 * wide).floor().max(0.0) as usize;
            let end = ((centre + 3.0 * wide).ceil() as usize).min(inputs);
            let weigh = |j: usize| lanczos((j as f64 + 0.5 - centre) / wide);
            (start, (start..end).map(weigh).collect())
        })
    }
}

/// sinc(x) sinc(x / 3) within three lobes.
fn lanczos(x: f64) -> f64 {
    use std::f64::consts::PI;
    if x.abs() < 1e-9 {
        1.0
    } else if x.abs() >= 3.0 {
        0.0
    } else {
        3.0 * libm::sin(PI * x) * libm::sin(PI * x / 3.0) / (PI * PI * x * x)
    }
}

/// Applies the runs of `down` to columns and `across` to rows; results below `floor` are lifted to it.
fn resample(
    plane: ArrayView2<'_, f32>,
    down: &[(usize, Vec<f32>)],
    across: &Taps,
    floor: f32,
) -> Array2<f32> {
    let plane = plane.as_standard_layout();
    let source = plane.as_slice().expect("standard layout");
    let width = plane.ncols();
    let columns = across.runs.len();
    let mut out = Array2::zeros((down.len(), columns));
    out.axis_chunks_iter_mut(Axis(0), TOGETHER)
        .into_par_iter()
        .enumerate()
        .for_each(|(group, mut rows)| {
            let mut row = vec![0.0_f32; width];
            // Pixel x of each of the rows, side by side.
            let mut tower = vec![[0.0_f32; TOGETHER]; width];
            for (i, (start, weights)) in down[group * TOGETHER..]
                .iter()
                .take(rows.nrows())
                .enumerate()
            {
                row.fill(0.0);
                for (k, &weight) in weights.iter().enumerate() {
                    let line = &source[(start + k) * width..(start + k + 1) * width];
                    bands::vectorised(
                        #[inline(always)]
                        || {
                            row.iter_mut()
                                .zip(line)
                                .for_each(|(sum, &v)| *sum += weight * v)
                        },
                    );
                }
                tower
                    .iter_mut()
                    .zip(&row)
                    .for_each(|(tower, &v)| tower[i] = v);
            }
            let mut sums = vec![[0.0_f32; TOGETHER]; columns];
            bands::vectorised(
                #[inline(always)]
                || {
                    for (out, (start, weights)) in sums.iter_mut().zip(&across.runs) {
                        let mut sum = [0.0_f32; TOGETHER];
                        for (&weight, values) in weights.iter().zip(&tower[*start..]) {
                            for (sum, &value) in sum.iter_mut().zip(values) {
                                *sum += weight * value;
                            }
                        }
                        for sum in &mut sum {
                            *sum = if *sum < floor { floor } else { *sum };
                        }
                        *out = sum;
                    }
                },
            );
            for (i, mut row) in rows.rows_mut().into_iter().enumerate() {
                row.iter_mut()
                    .zip(&sums)
                    .for_each(|(out, sum)| *out = sum[i]);
            }
        });
    out
}

/// Whether nothing can be read from or written to.
fn empty(plane: ArrayView2<'_, f32>, size: Size) -> bool {
    plane.is_empty() || size.width == 0 || size.height == 0
}

/// Exact area averages: each output pixel is the mean of the rectangle it covers. Meant for a
/// `size` not larger than the plane's; a larger one repeats pixels. An empty plane gives zeros.
pub fn shrink(plane: ArrayView2<'_, f32>, size: Size) -> Array2<f32> {
    if empty(plane, size) {
        return Array2::zeros((size.height, size.width));
    }
    let (height, width) = plane.dim();
    let down = Taps::area(height, size.height);
    resample(
        plane,
        &down.runs,
        &Taps::area(width, size.width),
        f32::NEG_INFINITY,
    )
}

/// Bilinear interpolation between pixel centres, held at the edges. Meant for a `size` not
/// smaller than the plane's; a smaller one leaves out pixels. An empty plane gives zeros.
pub fn enlarge(plane: ArrayView2<'_, f32>, size: Size) -> Array2<f32> {
    if empty(plane, size) {
        return Array2::zeros((size.height, size.width));
    }
    let (height, width) = plane.dim();
    let step = |inputs: usize, outputs: usize| inputs as f64 / outputs as f64;
    linear(
        plane,
        size,
        step(height, size.height),
        step(width, size.width),
    )
}

/// Bilinear interpolation with given input pixels per output pixel, downwards and across.
fn linear(plane: ArrayView2<'_, f32>, size: Size, step_down: f64, step_across: f64) -> Array2<f32> {
    let (height, width) = plane.dim();
    let down = Taps::linear(height, size.height, step_down);
    let across = Taps::linear(width, size.width, step_across);
    resample(plane, &down.runs, &across, f32::NEG_INFINITY)
}

/// Bilinear interpolation of planes of one shape to one size, some rows at a time.
pub(super) struct Enlarge {
    down: Taps,
    across: Taps,
}

impl Enlarge {
    /// From planes of `height` and `width` to `size`, with `step` input pixels per output pixel.
    pub(super) fn new((height, width): (usize, usize), size: Size, step: f64) -> Self {
        Self {
            down: Taps::linear(height, size.height, step),
            across: Taps::linear(width, size.width, step),
        }
    }

    /// These rows of the enlarged plane.
    pub(super) fn rows(&self, plane: ArrayView2<'_, f32>, rows: Range<usize>) -> Array2<f32> {
        resample(
            plane,
            &self.down.runs[rows],
            &self.across,
            f32::NEG_INFINITY,
        )
    }
}

/// The smallest value of a plane, NaN left out.
fn smallest(plane: &Array2<f32>) -> f32 {
    let of_row = |row: ArrayView1<'_, f32>| {
        let values = row.to_slice().expect("planes are contiguous");
        bands::vectorised(
            #[inline(always)]
            || {
                // Side by side, since which of two is smaller does not depend on the order.
                let mut lowest = [f32::INFINITY; TOGETHER];
                for values in values.chunks(TOGETHER) {
                    for (low, &v) in lowest.iter_mut().zip(values) {
                        *low = if v < *low { v } else { *low };
                    }
                }
                lowest.into_iter().fold(f32::INFINITY, f32::min)
            },
        )
    };
    let rows = plane.axis_iter(Axis(0)).into_par_iter().with_min_len(64);
    rows.map(of_row).reduce(|| f32::INFINITY, f32::min)
}

/// The picture at another size, by Lanczos's three-lobed window, widened when shrinking.
///
/// A hard edge overshoots by up to 8 % of its height when shrinking, 12 % when enlarging (as the
/// test measures); below, nothing falls under 0 or the plane's own smallest value if that is lower, so no black pixel turns negative
/// beside a light one. The same size returns the input to the bit. An empty picture gives zeros.
pub fn resize(picture: &Linear, size: Size) -> Linear {
    let from = picture.size();
    if from == size {
        return picture.clone();
    }
    if empty(picture.planes[0].view(), size) {
        return Linear::zeros(size);
    }
    let down = Taps::lanczos(from.height, size.height);
    let across = Taps::lanczos(from.width, size.width);
    let planes = picture
        .planes
        .each_ref()
        .map(|plane| resample(plane.view(), &down.runs, &across, smallest(plane).min(0.0)));
    Linear { planes }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Rect;

    fn ramp(height: usize, width: usize) -> Array2<f32> {
        Array2::from_shape_fn((height, width), |(y, x)| (y * 3 + x * 5) as f32 / 100.0)
    }

    #[test]
    fn area_averages_are_means_and_keep_the_sum() {
        let plane = Array2::from_shape_fn((12, 20), |(y, x)| ((x * 7 + y * 3) % 11) as f32);
        let small = shrink(
            plane.view(),
            Size {
                width: 5,
                height: 3,
            },
        );
        for ((y, x), &got) in small.indexed_iter() {
            let block = Rect {
                left: x * 4,
                top: y * 4,
                width: 4,
                height: 4,
            }
            .of(plane.view());
            assert!((got - block.mean().expect("not empty")).abs() < 1e-5);
        }
        let odd = shrink(
            plane.view(),
            Size {
                width: 7,
                height: 5,
            },
        );
        let (a, b) = (
            odd.mean().expect("not empty"),
            plane.mean().expect("not empty"),
        );
        assert!((a - b).abs() < 1e-5, "{a} {b}");
    }

    #[test]
    fn a_slope_stays_a_slope() {
        let plane = ramp(30, 40);
        let size = Size {
            width: 100,
            height: 90,
        };
        let big = enlarge(plane.view(), size);
        let lanczos = resize(
            &Linear {
                planes: [0; 3].map(|_| plane.clone()),
            },
            size,
        );
        for (y, x) in [(45, 50), (30, 31), (60, 70)] {
            let at_y = (y as f32 + 0.5) / 3.0 - 0.5;
            let at_x = (x as f32 + 0.5) * 0.4 - 0.5;
            let wanted = (at_y * 3.0 + at_x * 5.0) / 100.0;
            assert!((big[[y, x]] - wanted).abs() < 1e-5);
            assert!((lanczos.planes[1][[y, x]] - wanted).abs() < 5e-3);
        }
    }

    #[test]
    fn the_same_size_is_the_same_picture() {
        let picture = Linear {
            planes: [0; 3].map(|_| ramp(9, 7)),
        };
        assert_eq!(resize(&picture, picture.size()), picture);
        assert_eq!(
            shrink(
                ramp(9, 7).view(),
                Size {
                    width: 7,
                    height: 9
                }
            ),
            ramp(9, 7)
        );
        assert_eq!(
            enlarge(
                ramp(9, 7).view(),
                Size {
                    width: 7,
                    height: 9
                }
            ),
            ramp(9, 7)
        );
    }

    #[test]
    fn an_edge_does_not_ring_below_black() {
        let step = Array2::from_shape_fn((16, 300), |(_, x)| if x < 151 { 0.0 } else { 1.0 });
        let picture = Linear {
            planes: [0; 3].map(|_| step.clone()),
        };
        for (width, overshoot) in [(100, 0.08), (217, 0.08), (900, 0.12)] {
            let out = resize(&picture, Size { width, height: 8 });
            let (low, high) = out.planes[0]
                .iter()
                .fold((1.0_f32, 0.0_f32), |(low, high), &v| {
                    (low.min(v), high.max(v))
                });
            assert!(
                low >= 0.0 && high < 1.0 + overshoot,
                "width {width}: {low} to {high}"
            );
        }
    }

    #[test]
    fn extreme_sizes_do_not_fail() {
        let picture = Linear {
            planes: [0; 3].map(|_| ramp(1, 1)),
        };
        assert_eq!(
            resize(
                &picture,
                Size {
                    width: 3,
                    height: 2
                }
            )
            .size()
            .width,
            3
        );
        assert!(
            resize(
                &picture,
                Size {
                    width: 0,
                    height: 2
                }
            )
            .planes[0]
                .is_empty()
        );
        assert_eq!(
            shrink(
                Array2::zeros((0, 4)).view(),
                Size {
                    width: 2,
                    height: 2
                }
            )
            .len(),
            4
        );
        assert_eq!(
            enlarge(
                ramp(2, 1).view(),
                Size {
                    width: 1,
                    height: 1
                }
            )
            .len(),
            1
        );
        let one = resize(
            &Linear {
                planes: [0; 3].map(|_| ramp(50, 70)),
            },
            Size {
                width: 1,
                height: 1,
            },
        );
        assert!((one.planes[0][[0, 0]] - ramp(50, 70).mean().expect("not empty")).abs() < 0.1);
    }
}
