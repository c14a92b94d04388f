//! What lies inside a face: eyes, lips, teeth and brows, drawn at the picture's size.
//!
//! Landmarks give the contours, the parts net says how sure to be of them, the picture's own
//! edges move them. Everything works on the sRGB-encoded picture, since these edges are judged
//! as eyes see them.

use std::ops::Range;

use ndarray::{Array2, Array3, Axis};

use super::crop::sample;
use super::nets::{COARSE, Mesh};
use super::tint;
use crate::picture::Point;
use crate::picture::filter::gaussian;
use crate::picture::math::{cos, exp, sin};

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
    let cut = |list: &[usize]| Cut::around(&contour(mesh, list), 0.15 * span, dim);
    for list in [&RIGHT_EYE[..], &LEFT_EYE] {
        let Some(cut) = cut(list) else { continue };
        let net = cut.plane(|y, x| class(6, y, x) + class(7, y, x));
        let skin = cut.plane(|y, x| class(1, y, x));
        let whites = cut.plane(|y, x| class(6, y, x) * (1.0 - iris[[y, x]]));
        // The contour runs out into the corners, where lids and not the eye are seen, and cuts
        // off what lies in the upper lid's shade; the net is soft.
        let prior = Array2::from_shape_fn(net.dim(), |(y, x)| {
            let net = net[[y, x]];
            0.4 * eyes[[cut.top + y, cut.left + x]] * ramp(net, 0.1, 0.5) + 0.6 * net
        });
        let cores = Cores::new(&whites, &net, &skin, span);
        let tints = cores.odds(&cut.shown(shown), 0.005 * span);
        let within = cut.widened(&eyes, BEYOND * span);
        for ((y, x), &prior) in prior.indexed_iter() {
            let at = [cut.top + y, cut.left + x];
            let told = tints.as_ref().map_or(0.0, |tints| tints[[y, x]]);
            let told = told.min(within[[y, x]] * told.abs());
            // An iris may have any tint.
            let eye = settled(prior, EYE, told * (1.0 - iris[at]));
            out.iris[at] = eye * iris[at];
            out.sclera[at] = eye * (1.0 - iris[at]);
        }
    }
    if let Some(cut) = cut(&LIPS_OUTER) {
        let net = cut.plane(|y, x| class(8, y, x));
        let skin = cut.plane(|y, x| class(1, y, x));
        let seen = cut.shown(shown);
        let tints = Cores::new(&net, &net, &skin, span).odds(&seen, 0.007 * span);
        let within = cut.widened(&lips, BEYOND * span);
        let white = cut.plane(|y, x| parted * class(9, y, x));
        let teeth = Cores::new(&white, &white, &net, span).odds(&seen, 0.005 * span);
        let bright = brightest(&white, &seen[1]);
        for ((y, x), &net) in net.indexed_iter() {
            let (at, here) = ([cut.top + y, cut.left + x], [y, x]);
            // The gap between the rows of teeth is no tooth.
            let lit = ramp(seen[1][here], GAP[0] * bright, GAP[1] * bright);
            let inner = parted * mouth[at];
            // Between the lips are teeth and gums, which count as lips; tints tell which.
            let tooth = match &teeth {
                Some(teeth) => {
                    let prior = 0.5 * inner + 0.5 * white[here];
                    settled(prior, 0.5, teeth[here]) * ramp(prior, 0.15, 0.4)
                }
                None => ramp(0.3 * inner + 0.7 * white[here], 0.4, 0.6),
            };
            out.teeth[at] = lit * parted * tooth;
            let gums = if teeth.is_some() { inner * lit } else { 0.0 };
            // Contour and net each mend the other's slips.
            let between = (mouth[at] * (1.0 - parted)).max(lips[at] - mouth[at]);
            let told = tints.as_ref().map_or(0.0, |tints| tints[here]);
            let told = told.min(within[here] * told.abs());
            let inside = 1.0 - inner * (1.0 - net);
            let lip = settled(0.3 * between + 0.7 * net, LIP, told) * inside;
            out.lips[at] = lip.max(gums).min(1.0 - out.teeth[at]);
        }
    }
    for y in rows {
        for x in columns.clone() {
            let at = [y, x];
            // Brow hairs are darker than the skin around them, fair ones hardly.
            let mean = around[[y - top, x]];
            let darker = ramp((mean - light[at]) / mean.max(0.02), -0.08, 0.08);
            let brow = ramp(class(5, y, x), 0.2, 0.6) * (0.3 + 0.7 * darker);
            let eye = eyes[at].max(out.iris[at] + out.sclera[at]);
            out.brows[at] = (brow * (1.0 - eye)).min(1.0);
        }
    }
    out
}

/// Prior at which eye and skin, lips and skin are as likely before their tints are seen. The net is soft, so
/// that the rims of small things stay below a half.
const EYE: f32 = 0.4;
const LIP: f32 = 0.5;

/// How far beyond the landmarks' contour a tint may still speak for eye or lips, in eye spans: make-up around
/// eyes and hair around lips have such tints too.
const BEYOND: f32 = 0.02;

/// Brightness (sRGB-encoded, of the brightest teeth) up to which a place between teeth is none, and from which
/// it is one: the gap of the rendered smile has 0.13, teeth in the upper lip's shade 0.3 and more.
const GAP: [f32; 2] = [0.15, 0.25];

/// The rise from not to fully part of it, in probabilities: about a pixel, as a lens has it.
const RISE: [f32; 2] = [0.3, 0.7];

/// A prior with what tints say, log odds; `even` is the prior that stands for even odds.
fn settled(prior: f32, even: f32, told: f32) -> f32 {
    let odds = |p: f32| (p + 1e-3) / (1.0 - p + 1e-3);
    let odds = odds(prior) / odds(even) * exp(told);
    ramp(odds / (1.0 + odds), RISE[0], RISE[1])
}

/// How bright the brighter teeth are: the mean over them, weighted by the square of brightness.
fn brightest(teeth: &Array2<f32>, light: &Array2<f32>) -> f32 {
    let (mut sum, mut count) = (0.0, 1e-6);
    for (&tooth, &v) in teeth.iter().zip(light) {
        let weight = tooth * v * v;
        sum += weight * v;
        count += weight;
    }
    sum / count
}

/// A rectangle of the picture around one feature.
struct Cut {
    left: usize,
    top: usize,
    dim: (usize, usize),
}

impl Cut {
    /// Around a contour with a margin in pixels; `None` when that lies outside.
    fn around(contour: &[Point], margin: f32, (h, w): (usize, usize)) -> Option<Self> {
        let range = |of: fn(&Point) -> f32, end: usize| {
            let low = contour.iter().map(of).fold(f32::MAX, f32::min) - margin;
            let high = contour.iter().map(of).fold(f32::MIN, f32::max) + margin;
            (low.max(0.0) as usize, (high.max(0.0) as usize).min(end))
        };
        let ((left, right), (top, bottom)) = (range(|p| p.x, w), range(|p| p.y, h));
        (left + 8 <= right && top + 8 <= bottom).then_some(Self {
            left,
            top,
            dim: (bottom - top, right - left),
        })
    }

    /// Values read at the picture's row and column.
    fn plane(&self, at: impl Fn(usize, usize) -> f32) -> Array2<f32> {
        Array2::from_shape_fn(self.dim, |(y, x)| at(self.top + y, self.left + x))
    }

    /// A contour's coverage, widened softly by `by` pixels.
    fn widened(&self, cover: &Array2<f32>, by: f32) -> Array2<f32> {
        let here = self.plane(|y, x| cover[[y, x]]);
        gaussian(here.view(), by).mapv(|v| ramp(v, 0.05, 0.25))
    }

    fn shown(&self, shown: &[Array2<f32>; 3]) -> [Array2<f32>; 3] {
        shown
            .each_ref()
            .map(|plane| self.plane(|y, x| plane[[y, x]]))
    }
}

/// Where a feature surely is, and sure skin beside it.
struct Cores {
    feature: Array2<f32>,
    skin: Array2<f32>,
    near: f32,
}

impl Cores {
    /// `feature` and `skin` by the net; `whole` is the feature with all that belongs to it.
    fn new(feature: &Array2<f32>, whole: &Array2<f32>, skin: &Array2<f32>, span: f32) -> Self {
        let sure = |least: f32| feature.mapv(|p| f32::from(u8::from(p > least)));
        let mut core = sure(0.7);
        if core.iter().fold(0.0, |a, b| a + b) < 30.0 {
            core = sure(0.4);
        }
        let beside = whole.mapv(|p| f32::from(u8::from(p > 0.2)));
        let beside = gaussian(beside.view(), 0.035 * span);
        let mut ring = skin.clone();
        for ((at, ring), whole) in ring.indexed_iter_mut().zip(whole) {
            let here = *ring > 0.6 && *whole < 0.08 && beside[at] > 0.02;
            *ring = f32::from(u8::from(here));
        }
        Self {
            feature: core,
            skin: ring,
            near: 0.2 * span,
        }
    }

    fn odds(&self, shown: &[Array2<f32>; 3], fine: f32) -> Option<Array2<f32>> {
        tint::odds(shown, &self.feature, &self.skin, self.near, fine)
    }
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
