//! How unlike the backdrop a picture is, and what of it is bare: to the letter, or going on from there.

use ndarray::Array2;

use super::backdrop::{Surface, unit};
use super::crop::halve;
use super::matting::BELOW;
use super::nets::{Axes, COARSE};
use super::plane::resized;
use crate::picture::filter::gaussian;
use crate::picture::{Linear, Point, bands};

/// How far a gap grows into what looks like it, in half-size pixels (a fifth of a rendered sitter's eye
/// span), up to which mean square, in a window of which standard deviation; how firmly what it grew into
/// is bare, where the gap itself counts 1; and how far beside it the nets' word is no longer firm. The
/// window that finds gaps is wider than a wedge between arm and body at its top.
const GROWTH: usize = 20;
const GROWN: f32 = 4.0;
pub(super) const CLOSE: f32 = 0.7;
pub(super) const GROWN_FIRM: f32 = 0.3;
pub(super) const FREED: usize = 3;

/// Above this deviation (in [`unit`]s) a backdrop is a weave or a painting and proves nothing by
/// looking alike: twice what paper shows on the rendered frames.
pub(super) const CALM: f32 = 0.012;

/// How unlike the backdrop the picture is, at half size.
pub(super) struct Unlike {
    /// Differences from the surface in units of noise, per channel.
    pub(super) scaled: [Array2<f32>; 3],
    /// Deviation counted as one, per pixel, in [`unit`]s.
    pub(super) spread: Array2<f32>,
    /// 1 where a whole patch below the chin is the backdrop to the letter, whatever the nets say:
    /// between arm and body, beside a sleeve at the frame's edge.
    pub(super) bare: Array2<f32>,
    /// Mean square of `scaled` around each pixel.
    pub(super) square: Array2<f32>,
}

impl Unlike {
    pub(super) fn new(
        small: &Linear,
        surface: &Surface,
        axes: &Axes,
        span: f32,
        noise: f32,
    ) -> Self {
        let picture = small.planes.each_ref().map(|p| halve(p.view()));
        let dim = picture[0].dim();
        let step = COARSE as f32 / surface.cell as f32;
        // Half-size pixels are means of four.
        let noise = (0.5 * noise).max(0.004);
        let mut spread = resized(surface.spread.view(), dim, step);
        spread.mapv_inplace(|s| s.max(noise));
        let mut scaled = picture;
        bands::each_piece(&mut scaled, 1, |c, planes| {
            let b = resized(surface.planes[c].view(), dim, step);
            for plane in planes {
                ndarray::Zip::from(plane)
                    .and(&b)
                    .and(&spread)
                    .for_each(|v, &b, &s| *v = (*v - b) / (s * unit(b)));
            }
        });
        // A gradient in cloth crosses the backdrop's colour along a line, never over a patch. A
        // patch must fit between arm and body: on the rendered frames this width takes no pixel of
        // a sitter but black hair before black, which lies above the chin.
        let reach = 0.02 * span / COARSE as f32;
        let means = scaled
            .each_ref()
            .map(|p| gaussian(p.mapv(|v| v.max(-9.0).min(9.0)).view(), reach));
        let square = bands::plane(dim, |y, x| {
            let squares = scaled
                .iter()
                .map(|p| (p[[y, x]] * p[[y, x]]).min(81.0) / 3.0);
            squares.fold(0.0, |sum, square| sum + square)
        });
        let close = gaussian(square.view(), CLOSE);
        let square = gaussian(square.view(), reach);
        let bare = bands::plane(dim, |y, x| {
            let k = COARSE as f32;
            let place = Point {
                x: (x as f32 + 0.5) * k,
                y: (y as f32 + 0.5) * k,
            };
            let calm = spread[[y, x]] < CALM
                && means.iter().all(|m| m[[y, x]].abs() < 1.5)
                && square[[y, x]] < 4.0;
            if calm && axes.of(place).1 > BELOW {
                1.0
            } else {
                0.0
            }
        });
        Self {
            scaled,
            spread,
            bare,
            square: close,
        }
    }
}

/// Places that go on from a gap without an edge: 1 there and in the gap, 0 elsewhere.
pub(super) fn grown(gap: &Array2<bool>, square: &Array2<f32>) -> Array2<f32> {
    let (h, w) = gap.dim();
    let mut out = gap.mapv(|g| if g { 1.0 } else { 0.0 });
    let mut edge: Vec<(usize, usize)> = gap
        .indexed_iter()
        .filter(|(_, g)| **g)
        .map(|(at, _)| at)
        .collect();
    for _ in 0..GROWTH {
        let mut next = Vec::new();
        for (y, x) in edge {
            let near = [
                (y.wrapping_sub(1), x),
                (y + 1, x),
                (y, x.wrapping_sub(1)),
                (y, x + 1),
            ];
            for (y, x) in near {
                if y < h && x < w && out[[y, x]] < 0.5 && square[[y, x]] < GROWN {
                    out[[y, x]] = 1.0;
                    next.push((y, x));
                }
            }
        }
        edge = next;
    }
    out
}
