//! Output sharpening: gives back the crispness that resampling and the medium take, on edges.
//!
//! On lightness l = cbrt(Y) (Oklab's L of a grey):
//! - unsharp mask: d = l - G * l, G a Gaussian of `radius` output pixels (Gonzalez and Woods,
//!   *Digital Image Processing*, unsharp masking);
//! - edge strength e: the gradient of l smoothed over 1.5 radii, by central differences, from 0 at
//!   [`PLAIN`] per pixel to 1 at [`EDGE`]; weight w = 1 - edges_only (1 - e), so pores, noise and
//!   backdrops are left alone;
//! - l' = l + amount w d, kept inside the smallest and largest l of the 3 x 3 pixels around, plus
//!   `halo` of their difference, so that no outline gets a bright or dark seam.
//!
//! Then each channel is scaled by (l' / l)^3: light changes, hue and saturation stay.
//!
//! Space: display-linear light in and out, in pixels of the delivered size (after the tone curve
//! and after resampling), as this is about the medium and not about the sitter.

use std::ops::Range;

use ndarray::{Array2, ArrayView2};

use crate::operations::pixels::smooth_step;
use crate::operations::settings;
use crate::operations::values::OutputPixels;
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::{Linear, Ratio, bands, luminance, math};

settings! {
    /// Sharpens the delivered picture at its own size, mostly on edges.
    pub struct OutputSharpening {
        /// Share of the local difference that is added.
        amount: Ratio in 0.0..=3.0, default Ratio(0.6), neutral Ratio(0.0);
        /// Standard deviation of the blur.
        radius: OutputPixels in 0.3..=3.0, default OutputPixels(0.7);
        /// How far everything that is no edge is left alone.
        edges_only: Ratio in 0.0..=1.0, default Ratio(0.75);
        /// How far an edge may overshoot, as a share of its own step.
        halo: Ratio in 0.0..=1.0, default Ratio(0.15);
    }
}

/// Gradients of lightness per pixel: below the first is skin texture and noise at delivered sizes
/// (rendered office at 1600 pixels: faces have a median of 0.003 to 0.0045, 95th
/// percentile 0.012 to 0.017 beside eyes, nose and mouth), above the second are
/// lashes, lips, outlines.
const PLAIN: f32 = 0.008;
const EDGE: f32 = 0.030;
/// The blur before edges are told, in radii.
const EDGE_BLUR: f32 = 1.5;
/// Lightness under which the quotient of lights loses its meaning: L* of about 0.1.
const DARKEST: f32 = 0.05;

impl OutputSharpening {
    /// These rows of a picture of its delivered size, sharpened. Strips equal the whole to the bit.
    ///
    /// # Panics
    /// When the picture has fewer rows.
    #[must_use]
    pub fn sharpen(&self, picture: &Linear, rows: Range<usize>) -> Linear {
        if self.is_neutral() {
            return picture.strip(rows);
        }
        // Edges are told by the widest blur and one row around it.
        let around = (3.5 * EDGE_BLUR * self.radius.0).ceil() as usize + 2;
        let top = rows.start.saturating_sub(around);
        let bottom = (rows.end + around).min(picture.size().height);
        let light = lightness_plane(picture, top..bottom);
        let edges = edge_strength(light.view(), self.radius);
        let sharp = self.sharpened(&light, &edges);
        let mut strip = picture.strip(rows.clone());
        for y in 0..rows.len() {
            let (before, after) = (
                light.row(rows.start - top + y),
                sharp.row(rows.start - top + y),
            );
            let before = before.to_slice().expect("planes are contiguous");
            let after = after.to_slice().expect("planes are contiguous");
            for plane in &mut strip.planes {
                let mut row = plane.row_mut(y);
                let row = row.as_slice_mut().expect("planes are contiguous");
                bands::vectorised(
                    #[inline(always)]
                    || {
                        for ((v, &before), &after) in row.iter_mut().zip(before).zip(after) {
                            let ratio = after / before;
                            let ratio = if before > DARKEST { ratio } else { 1.0 };
                            *v *= ratio * ratio * ratio;
                        }
                    },
                );
            }
        }
        strip
    }

    /// Lightness after sharpening, of the shape of `light`.
    fn sharpened(&self, light: &Array2<f32>, edges: &Array2<f32>) -> Array2<f32> {
        let mut out = gaussian(light.view(), self.radius.0);
        let (low, high) = (erode(light.view(), 1), dilate(light.view(), 1));
        let (amount, edges_only, halo) = (self.amount.0, self.edges_only.0, self.halo.0);
        let given = values(light).iter().zip(values(edges));
        let bounds = values(&low).iter().zip(values(&high));
        let blurred = out.as_slice_mut().expect("planes are contiguous");
        bands::vectorised(
            #[inline(always)]
            || {
                for ((value, (&l, &edge)), (&low, &high)) in
                    blurred.iter_mut().zip(given).zip(bounds)
                {
                    let weight = 1.0 - edges_only * (1.0 - edge);
                    let sharp = l + amount * weight * (l - *value);
                    let over = halo * (high - low);
                    *value = sharp.max(low - over).min(high + over);
                }
            },
        );
        out
    }
}

fn values(plane: &Array2<f32>) -> &[f32] {
    plane.as_slice().expect("planes are contiguous")
}

/// Cube root of luminance of some rows.
fn lightness_plane(picture: &Linear, rows: Range<usize>) -> Array2<f32> {
    let width = picture.size().width;
    let mut light = Array2::zeros((rows.len(), width));
    let from = rows.start * width..rows.end * width;
    let [red, green, blue] = picture
        .planes
        .each_ref()
        .map(|plane| &values(plane)[from.clone()]);
    let colours = red.iter().zip(green).zip(blue);
    let light_values = light.as_slice_mut().expect("planes are contiguous");
    bands::vectorised(
        #[inline(always)]
        || {
            for (l, ((&r, &g), &b)) in light_values.iter_mut().zip(colours) {
                *l = math::cbrt(luminance([r, g, b]));
            }
        },
    );
    light
}

/// How much each pixel is an edge, 0 to 1.
fn edge_strength(light: ArrayView2<'_, f32>, radius: OutputPixels) -> Array2<f32> {
    let smooth = gaussian(light, EDGE_BLUR * radius.0);
    let (height, width) = smooth.dim();
    let mut edges = Array2::zeros((height, width));
    for (y, mut row) in edges.outer_iter_mut().enumerate() {
        let row = row.as_slice_mut().expect("planes are contiguous");
        let at = |y: usize| &values(&smooth)[y * width..(y + 1) * width];
        let (above, here, below) = (at(y.saturating_sub(1)), at(y), at((y + 1).min(height - 1)));
        let edge = |left: f32, right: f32, above: f32, below: f32| {
            let (across, down) = (right - left, below - above);
            let gradient = 0.5 * (across * across + down * down).sqrt();
            smooth_step(PLAIN, EDGE, gradient)
        };
        bands::vectorised(
            #[inline(always)]
            || {
                let last = width - 1;
                row[0] = edge(here[0], here[last.min(1)], above[0], below[0]);
                row[last] = edge(
                    here[last.saturating_sub(1)],
                    here[last],
                    above[last],
                    below[last],
                );
                let sides = here.iter().zip(here.iter().skip(2));
                let others = above.iter().zip(below).skip(1);
                let inner = row.iter_mut().skip(1);
                for ((row, (&left, &right)), (&above, &below)) in inner.zip(sides).zip(others) {
                    *row = edge(left, right, above, below);
                }
            },
        );
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Size;

    /// Light left, dark right; lightness 0.8 and 0.4.
    fn step() -> Linear {
        let mut picture = Linear::filled(
            Size {
                width: 64,
                height: 40,
            },
            [0.512; 3],
        );
        for plane in &mut picture.planes {
            for ((_, x), v) in plane.indexed_iter_mut() {
                *v = if x < 32 { *v } else { 0.064 };
            }
        }
        picture
    }

    fn whole(settings: &OutputSharpening, picture: &Linear) -> Linear {
        settings.sharpen(picture, 0..picture.size().height)
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = step();
        assert_eq!(whole(&OutputSharpening::neutral(), &before), before);
    }

    #[test]
    fn strips_equal_the_whole() {
        let mut picture = step();
        for (y, mut row) in picture.planes[0].outer_iter_mut().enumerate() {
            row.mapv_inplace(|v| v * (1.0 + 0.02 * (y % 7) as f32));
        }
        for radius in [0.3, 0.7, 3.0] {
            let settings = OutputSharpening {
                radius: OutputPixels(radius),
                ..OutputSharpening::default()
            };
            let all = whole(&settings, &picture);
            for rows in [0..1, 0..13, 13..30, 39..40] {
                assert_eq!(settings.sharpen(&picture, rows.clone()), all.strip(rows));
            }
        }
    }

    /// An ideal step of height h, blurred by a Gaussian of deviation s and sampled half a pixel
    /// from the edge, is off by h erfc(0.5 / (s sqrt 2)) / 2: the overshoot of an unsharp mask. With
    /// s = 1.5 and h = 0.4 the sampled kernel gives 0.1478; the amount here is 0.2.
    #[test]
    fn an_edge_overshoots_by_what_the_blur_took() {
        let settings = OutputSharpening {
            amount: Ratio(0.2),
            radius: OutputPixels(1.5),
            edges_only: Ratio(0.0),
            halo: Ratio(1.0),
        };
        let picture = whole(&settings, &step());
        let l = f64::from(picture.at(20, 31)[0]).cbrt();
        // Sum of the normalised kernel beyond half a pixel, from its samples at whole pixels.
        let weight = |k: f64| (-0.5 * (k / 1.5) * (k / 1.5)).exp();
        let all: f64 = (-6..=6).map(|k| weight(f64::from(k))).sum();
        let beyond: f64 = (1..=6).map(|k| weight(f64::from(k))).sum::<f64>() / all;
        let wanted = 0.8 + 0.2 * 0.4 * beyond;
        assert!((l - wanted).abs() < 1e-4, "{l} for {wanted}");
    }

    #[test]
    fn the_halo_is_bounded_at_the_ends_of_every_range() {
        for radius in [0.3, 3.0] {
            for halo in [0.0, 1.0] {
                let settings = OutputSharpening {
                    amount: Ratio(3.0),
                    radius: OutputPixels(radius),
                    edges_only: Ratio(1.0),
                    halo: Ratio(halo),
                };
                let picture = whole(&settings, &step());
                for &v in picture.planes.iter().flatten() {
                    let l = v.cbrt();
                    let (low, high) = (0.4 - 0.4 * halo - 1e-5, 0.8 + 0.4 * halo + 1e-5);
                    assert!(
                        v.is_finite() && (low..=high).contains(&l),
                        "{radius} {halo}: {l}"
                    );
                }
            }
        }
    }

    #[test]
    fn texture_is_left_alone_when_only_edges_count() {
        let mut picture = Linear::filled(
            Size {
                width: 64,
                height: 40,
            },
            [0.3; 3],
        );
        for plane in &mut picture.planes {
            for ((y, x), v) in plane.indexed_iter_mut() {
                *v += if (x + y) % 2 == 0 { 0.004 } else { -0.004 };
            }
        }
        let settings = OutputSharpening {
            edges_only: Ratio(1.0),
            ..OutputSharpening::default()
        };
        assert_eq!(whole(&settings, &picture), picture);
    }

    #[test]
    fn colours_keep_their_ratios() {
        let mut picture = step();
        picture.planes[0].mapv_inplace(|v| v * 1.3);
        let picture = whole(&OutputSharpening::default(), &picture);
        for x in 28..36 {
            let [r, g, b] = picture.at(20, x);
            assert!((r / g - 1.3).abs() < 1e-5 && (b / g - 1.0).abs() < 1e-5);
        }
    }
}
