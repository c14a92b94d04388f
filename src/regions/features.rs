//! What lies inside a face: eyes, lips, teeth and brows, drawn at the picture's size.
//!
//! Landmarks give the contours, the parts net says how sure to be of them, the picture's own
//! edges move them. Everything works on the sRGB-encoded picture, since these edges are judged
//! as eyes see them.

use ndarray::{Array2, Array3, Axis, Zip};

use super::crop::sample;
use super::nets::{COARSE, Mesh};
use crate::picture::Point;

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
    pub(super) sclera: Array2<f32>,
    pub(super) iris: Array2<f32>,
    pub(super) lips: Array2<f32>,
    pub(super) teeth: Array2<f32>,
    pub(super) brows: Array2<f32>,
}

/// Draws them. `irises`: centre and radius of both.
pub(super) fn draw(
    shown: &[Array2<f32>; 3],
    mesh: &Mesh,
    irises: &[(Point, f32); 2],
    classes: &Array3<f32>,
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
        for y in (centre.y - r - 2.0).max(0.0) as usize
            ..((centre.y + r + 2.0).max(0.0) as usize).min(dim.0)
        {
            for x in (centre.x - r - 2.0).max(0.0) as usize
                ..((centre.x + r + 2.0).max(0.0) as usize).min(dim.1)
            {
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
    let class = |k: usize, y: usize, x: usize| {
        let k = classes.index_axis(Axis(0), k);
        sample(
            k,
            (x as f32 + 0.5) / COARSE as f32,
            (y as f32 + 0.5) / COARSE as f32,
        )
    };
    let mut out = Features {
        sclera: zeros(),
        iris: zeros(),
        lips: zeros(),
        teeth: zeros(),
        brows: zeros(),
    };
    // Only where a face can be: the mesh's box and a little around it.
    let (mut low, mut high) = ((f32::MAX, f32::MAX), (0.0f32, 0.0f32));
    for p in &mesh.points {
        low = (low.0.min(p.x), low.1.min(p.y));
        high = (high.0.max(p.x), high.1.max(p.y));
    }
    let margin = 0.15 * (high.1 - low.1).max(1.0);
    let rows = (low.1 - margin).max(0.0) as usize..((high.1 + margin).max(0.0) as usize).min(dim.0);
    let columns =
        (low.0 - margin).max(0.0) as usize..((high.0 + margin).max(0.0) as usize).min(dim.1);
    for y in rows {
        for x in columns.clone() {
            let at = [y, x];
            let eye = eyes[at];
            out.iris[at] = eye * iris[at];
            out.sclera[at] = eye * (1.0 - iris[at]);
            let net_teeth = class(9, y, x);
            let net_lips = class(8, y, x);
            out.teeth[at] = mouth[at] * net_teeth;
            // The net and the contour agree on lips mostly; each mends the other's slips.
            out.lips[at] = (lips[at] * (1.0 - mouth[at]))
                .max(mouth[at] * net_lips)
                .min(1.0 - out.teeth[at]);
            out.brows[at] = class(5, y, x);
        }
    }
    Zip::from(&mut out.brows)
        .and(&eyes)
        .for_each(|b, &e| *b = (*b * (1.0 - e)).min(1.0));
    out
}
