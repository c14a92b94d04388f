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

use ndarray::{Array2, ArrayView2};

use crate::operations::pixels::smooth_step;
use crate::operations::values::OutputPixels;
use crate::operations::{Findings, settings};
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
/// Lightness under which the quotient of lights loses its meaning: L* of about 0.1.
const DARKEST: f32 = 0.05;

impl OutputSharpening {
    /// Sharpens a picture of its delivered size. Findings: the share of pixels that count as
    /// edges by more than half.
    pub fn apply(&self, picture: &mut Linear) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let light = lightness_plane(picture);
        let edges = edge_strength(light.view(), self.radius);
        let sharp = self.sharpened(&light, &edges);
        bands::each_row(&mut picture.planes, |y, rows| {
            let (before, after) = (light.row(y), sharp.row(y));
            for row in rows {
                for ((v, &before), &after) in row.iter_mut().zip(before).zip(after) {
                    let ratio = if before > DARKEST {
                        after / before
                    } else {
                        1.0
                    };
                    *v *= ratio * ratio * ratio;
                }
            }
        });
        let edge_pixels = edges.iter().filter(|&&e| e > 0.5).count();
        let share = edge_pixels as f32 / edges.len().max(1) as f32;
        Findings {
            figures: vec![("edges".to_owned(), share)],
            places: Vec::new(),
        }
    }

    /// Lightness after sharpening, of the shape of `light`.
    fn sharpened(&self, light: &Array2<f32>, edges: &Array2<f32>) -> Array2<f32> {
        let mut out = gaussian(light.view(), self.radius.0);
        let (low, high) = (erode(light.view(), 1), dilate(light.view(), 1));
        let (amount, edges_only, halo) = (self.amount.0, self.edges_only.0, self.halo.0);
        bands::each_band(out.view_mut(), |first, mut rows| {
            for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
                let y = first + y;
                let bounds = low.row(y).into_iter().zip(high.row(y));
                let given = light.row(y).into_iter().zip(edges.row(y));
                for ((value, (&l, &edge)), (&low, &high)) in row.iter_mut().zip(given).zip(bounds) {
                    let weight = 1.0 - edges_only * (1.0 - edge);
                    let sharp = l + amount * weight * (l - *value);
                    let over = halo * (high - low);
                    *value = sharp.max(low - over).min(high + over);
                }
            }
        });
        out
    }
}

/// Cube root of luminance.
fn lightness_plane(picture: &Linear) -> Array2<f32> {
    let mut light = Array2::zeros(picture.planes[0].dim());
    let [red, green, blue] = picture.views();
    bands::each_band(light.view_mut(), |first, mut rows| {
        bands::vectorised(
            #[inline(always)]
            || {
                for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
                    let y = first + y;
                    let colours = red.row(y).into_iter().zip(green.row(y)).zip(blue.row(y));
                    for (l, ((&r, &g), &b)) in row.iter_mut().zip(colours) {
                        *l = math::cbrt(luminance([r, g, b]));
                    }
                }
            },
        );
    });
    light
}

/// How much each pixel is an edge, 0 to 1.
fn edge_strength(light: ArrayView2<'_, f32>, radius: OutputPixels) -> Array2<f32> {
    let smooth = gaussian(light, 1.5 * radius.0);
    let (height, width) = smooth.dim();
    let mut edges = Array2::zeros((height, width));
    bands::each_band(edges.view_mut(), |first, mut rows| {
        for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
            let y = first + y;
            let above = smooth.row(y.saturating_sub(1));
            let below = smooth.row((y + 1).min(height - 1));
            let here = smooth.row(y);
            for (x, edge) in row.iter_mut().enumerate() {
                let across = here[(x + 1).min(width - 1)] - here[x.saturating_sub(1)];
                let down = below[x] - above[x];
                let gradient = 0.5 * (across * across + down * down).sqrt();
                *edge = smooth_step(PLAIN, EDGE, gradient);
            }
        }
    });
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

    #[test]
    fn neutral_settings_change_nothing() {
        let before = step();
        let mut after = before.clone();
        OutputSharpening::neutral().apply(&mut after);
        assert_eq!(after, before);
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
        let mut picture = step();
        settings.apply(&mut picture);
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
                let mut picture = step();
                settings.apply(&mut picture);
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
        let before = picture.clone();
        let settings = OutputSharpening {
            edges_only: Ratio(1.0),
            ..OutputSharpening::default()
        };
        let findings = settings.apply(&mut picture);
        assert_eq!(picture, before);
        assert_eq!(findings.figures, vec![("edges".to_owned(), 0.0)]);
    }

    #[test]
    fn colours_keep_their_ratios() {
        let mut picture = step();
        picture.planes[0].mapv_inplace(|v| v * 1.3);
        OutputSharpening::default().apply(&mut picture);
        for x in 28..36 {
            let [r, g, b] = picture.at(20, x);
            assert!((r / g - 1.3).abs() < 1e-5 && (b / g - 1.0).abs() < 1e-5);
        }
    }
}
