//! What lies inside a face: eyes, lips, teeth and brows, drawn at the picture's size.
//!
//! Landmarks give the contours, the parts net says how sure to be of them, the picture's own
//! edges move them. Everything works on the sRGB-encoded picture, since these edges are judged
//! as eyes see them.

use std::ops::Range;

use ndarray::{Array2, Array3, Axis};

use super::crop::sample;
use super::nets::{COARSE, IRIS, Mesh, SCLERA};
use crate::picture::Point;
use crate::picture::filter::gaussian;
use crate::picture::math::{cos, sin};

pub(super) const LIPS_OUTER: [usize; 20] = [
    61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291, 409, 270, 269, 267, 0, 37, 39, 40, 185,
];
pub(super) const LIPS_INNER: [usize; 20] = [
    78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308, 415, 310, 311, 312, 13, 82, 81, 80, 191,
];
pub(super) const RIGHT_EYE: [usize; 16] = [
    33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246,
];
pub(super) const LEFT_EYE: [usize; 16] = [
    263, 249, 390, 373, 374, 380, 381, 382, 362, 398, 384, 385, 386, 387, 388, 466,
];

/// Adds to `plane` how much of each pixel a closed contour covers (even-odd), up to 1. Four
/// lines a row, exact along each.
pub(super) fn fill(plane: &mut Array2<f32>, contour: &[Point]) {
    let (h, w) = plane.dim();
    let finite = contour.iter().all(|p| p.x.is_finite() && p.y.is_finite());
    if contour.len() < 3 || !finite {
        return;
    }
    let low = contour.iter().fold(f32::MAX, |a, p| a.min(p.y)).max(0.0) as usize;
    let high = contour
        .iter()
        .fold(0.0f32, |a, p| a.max(p.y))
        .min(h as f32)
        .ceil() as usize;
    let mut crossings = Vec::new();
    for y in low..high {
        let mut row = plane.row_mut(y);
        for sub in 0..4 {
            let at = y as f32 + 0.125 + 0.25 * sub as f32;
            crossings.clear();
            for (i, a) in contour.iter().enumerate() {
                let b = contour[(i + 1) % contour.len()];
                if (a.y <= at) != (b.y <= at) {
                    crossings.push(a.x + (b.x - a.x) * (at - a.y) / (b.y - a.y));
                }
            }
            crossings.sort_by(f32::total_cmp);
            for pair in crossings.chunks_exact(2) {
                let (from, to) = (pair[0].max(0.0), pair[1].min(w as f32));
                let mut x = from as usize;
                while (x as f32) < to {
                    let covered = (to.min(x as f32 + 1.0) - from.max(x as f32)).max(0.0);
                    row[x] = (row[x] + 0.25 * covered).min(1.0);
                    x += 1;
                }
            }
        }
    }
}

/// The contour through these landmarks.
pub(super) fn contour(mesh: &Mesh, list: &[usize]) -> Vec<Point> {
    list.iter().map(|&i| mesh.points[i]).collect()
}

/// Sclera, iris, lips, teeth and brows as shares of a pixel.
pub(super) struct Features {
    /// Rows in which there may be any.
    pub(super) rows: Range<usize>,
    pub(super) sclera: Array2<f32>,
    pub(super) iris: Array2<f32>,
    pub(super) lips: Array2<f32>,
    pub(super) teeth: Array2<f32>,
    pub(super) brows: Array2<f32>,
}

/// A ramp: 0 at `low`, 1 at `high`.
fn ramp(v: f32, low: f32, high: f32) -> f32 {
    ((v - low) / (high - low)).max(0.0).min(1.0)
}

/// Fits a circle to one iris: the place and radius at which lightness rises most across the rim,
/// seen on its sides and below, between the lids (the integro-differential operator of Daugman,
/// IEEE PAMI 15(11), 1993, equation 3), held near the nets' circle.
pub(super) fn refit(
    light: &Array2<f32>,
    lids: &[Point],
    circle: (Point, f32),
    span: f32,
) -> (Point, f32) {
    let (h, w) = light.dim();
    let reach = 0.16 * span;
    let (left, top) = (
        (circle.0.x - 2.0 * reach).max(0.0),
        (circle.0.y - 2.0 * reach).max(0.0),
    );
    let (left, top) = (left as usize, top as usize);
    let side = (4.0 * reach) as usize + 2;
    if span < 40.0 || left + side >= w || top + side >= h {
        return circle;
    }
    let mut open = Array2::zeros((side, side));
    let moved: Vec<Point> = lids
        .iter()
        .map(|p| Point {
            x: p.x - left as f32,
            y: p.y - top as f32,
        })
        .collect();
    fill(&mut open, &moved);
    // From 50 degrees above the horizontal round the bottom: lids cover the rest.
    let rays: Vec<Point> = (0..29)
        .map(|i| {
            let angle = (-50.0 + 280.0 * i as f32 / 28.0) * (std::f32::consts::PI / 180.0);
            Point {
                x: cos(angle),
                y: sin(angle),
            }
        })
        .collect();
    let seen = |p: Point| -> Option<f32> {
        let (x, y) = (p.x - left as f32, p.y - top as f32);
        let inside = x >= 1.0 && y >= 1.0 && x < side as f32 - 1.0 && y < side as f32 - 1.0;
        (inside && open[[y as usize, x as usize]] > 0.5).then(|| sample(light.view(), p.x, p.y))
    };
    let rim = 0.012 * span;
    let score = |centre: Point, radius: f32| {
        let (mut sum, mut count) = (0.0, 0.0);
        for ray in &rays {
            let at = |r: f32| Point {
                x: centre.x + r * ray.x,
                y: centre.y + r * ray.y,
            };
            if let (Some(a), Some(b)) = (seen(at(radius - rim)), seen(at(radius + rim))) {
                // Catch-lights and lashes must not outvote the rim.
                sum += (b - a).max(-0.05).min(0.2);
                count += 1.0;
            }
        }
        if count < 6.0 { None } else { Some(sum / count) }
    };
    let scale = |p: f32, q: f32| ((p - q) / span) * ((p - q) / span);
    let (mut best, mut most) = (circle, f32::MIN);
    let step = (0.006 * span).max(0.5);
    for dy in -9_i32..=6 {
        for dx in -7_i32..=7 {
            let centre = Point {
                x: circle.0.x + dx as f32 * step,
                y: circle.0.y + dy as f32 * step,
            };
            for k in 0..16 {
                let radius = (0.066 + 0.005 * k as f32) * span;
                let Some(rise) = score(centre, radius) else {
                    continue;
                };
                let held = 12.0 * (scale(centre.x, circle.0.x) + scale(centre.y, circle.0.y))
                    + 4.0 * scale(radius, circle.1);
                let value = rise - held;
                if value > most {
                    (best, most) = ((centre, radius), value);
                }
            }
        }
    }
    // A rim that hardly shows (dark eyes in shade) is no better than the nets' word.
    if most < 0.02 { circle } else { best }
}

/// Draws them. `irises`: centre and radius of both; `span`: the eye span in pixels.
pub(super) fn draw(
    shown: &[Array2<f32>; 3],
    mesh: &Mesh,
    irises: &[(Point, f32); 2],
    classes: &Array3<f32>,
    span: f32,
) -> Features {
    let dim = shown[0].dim();
    let zeros = || Array2::<f32>::zeros(dim);
    let mut eyes = zeros();
    for list in [RIGHT_EYE, LEFT_EYE] {
        fill(&mut eyes, &contour(mesh, &list));
    }
    let mut iris = zeros();
    for &(centre, radius) in irises {
        let r = radius.max(1.0);
        let range = |c: f32, end: usize| {
            (c - r - 2.0).max(0.0) as usize..((c + r + 2.0).max(0.0) as usize).min(end)
        };
        for y in range(centre.y, dim.0) {
            for x in range(centre.x, dim.1) {
                let d = centre.distance(Point {
                    x: x as f32 + 0.5,
                    y: y as f32 + 0.5,
                });
                iris[[y, x]] = iris[[y, x]].max((r - d + 0.5).max(0.0).min(1.0));
            }
        }
    }
    let mut lips = zeros();
    fill(&mut lips, &contour(mesh, &LIPS_OUTER));
    let mut mouth = zeros();
    fill(&mut mouth, &contour(mesh, &LIPS_INNER));
    // Below a gap of 4 % of an eye span no teeth show: what lies between is the lips' line.
    let parted = ramp(mesh.points[13].distance(mesh.points[14]) / span, 0.03, 0.06);
    let class = |k: usize, y: usize, x: usize| {
        let k = classes.index_axis(Axis(0), k);
        sample(
            k,
            (x as f32 + 0.5) / COARSE as f32,
            (y as f32 + 0.5) / COARSE as f32,
        )
    };
    // Only where a face can be: the mesh's box and a little around it.
    let (mut low, mut high) = ((f32::MAX, f32::MAX), (0.0f32, 0.0f32));
    for p in &mesh.points {
        low = (low.0.min(p.x), low.1.min(p.y));
        high = (high.0.max(p.x), high.1.max(p.y));
    }
    let margin = 0.15 * (high.1 - low.1).max(1.0);
    let range = |low: f32, high: f32, end: usize| {
        (low - margin).max(0.0) as usize..((high + margin).max(0.0) as usize).min(end)
    };
    let rows = range(low.1, high.1, dim.0);
    let columns = range(low.0, high.0, dim.1);
    let mut out = Features {
        rows: rows.clone(),
        sclera: zeros(),
        iris: zeros(),
        lips: zeros(),
        teeth: zeros(),
        brows: zeros(),
    };
    let light = &shown[1];
    let (around, top) = blurred(light, &rows, 0.12 * span);
    for y in rows {
        for x in columns.clone() {
            let at = [y, x];
            // The contour runs out into the corners, where lids and not the eye are seen, and cuts
            // off what lies in the upper lid's shade; the net is soft. Together they overlap the
            // rendered whites by 0.73 (contour where the net agrees: 0.68).
            let net_eye = class(SCLERA, y, x) + class(IRIS, y, x);
            let agreed = eyes[at] * ramp(net_eye, 0.1, 0.5);
            let eye = ramp(0.4 * agreed + 0.6 * net_eye, 0.3, 0.5);
            out.iris[at] = eye * iris[at];
            out.sclera[at] = eye * (1.0 - iris[at]);
            out.teeth[at] = parted * mouth[at] * ramp(class(9, y, x), 0.25, 0.75);
            // Contour and net each mend the other's slips: half of the sum decides.
            let net_lips = class(8, y, x);
            let between = (mouth[at] * (1.0 - parted)).max(lips[at] - mouth[at]);
            let both = 0.4 * between + 0.6 * net_lips;
            let inside = 1.0 - parted * mouth[at] * (1.0 - net_lips);
            out.lips[at] = (ramp(both, 0.38, 0.62) * inside).min(1.0 - out.teeth[at]);
            // Brow hairs are darker than the skin around them, fair ones hardly.
            let mean = around[[y - top, x]];
            let darker = ramp((mean - light[at]) / mean.max(0.02), -0.08, 0.08);
            let brow = ramp(class(5, y, x), 0.2, 0.6) * (0.3 + 0.7 * darker);
            out.brows[at] = (brow * (1.0 - eyes[at].max(eye))).min(1.0);
        }
    }
    out
}

/// A plane's Gaussian over some of its rows, to the bits of the whole, and the first row it has.
fn blurred(plane: &Array2<f32>, rows: &Range<usize>, sigma: f32) -> (Array2<f32>, usize) {
    // What the filter needs: a start at a multiple of its power of two, and its reach as margin.
    let step = (2.0 * sigma).max(1.0) as usize;
    let step = step.next_power_of_two();
    let margin = 4 * sigma as usize + 4 * step;
    let top = rows.start.saturating_sub(margin) / step * step;
    let bottom = (rows.end + margin).min(plane.nrows()).max(top);
    let strip = plane.slice_axis(Axis(0), (top..bottom).into());
    (gaussian(strip, sigma), top)
}
