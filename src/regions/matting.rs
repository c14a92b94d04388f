//! The sitter's matte and what it is made of, from the known backdrop.
//!
//! The compositing equation I = a F + (1 - a) B (Porter and Duff 1984) has one unknown colour
//! less when the backdrop B is known. F is taken as normal with the mean and covariance of sure
//! foreground nearby, one such model each for skin, hair, clothing and things worn, as in
//! Bayesian matting (Chuang, Curless, Salesin and Szeliski, CVPR 2001, equations 4 to 9), but
//! instead of alternating for the likeliest pair we sum over a grid of alphas and the classes:
//! p(I | a, k) = N(I; a F_k + (1 - a) B, a^2 C_k + noise). The nets' rough map is the prior.
//! The mean of the posterior is the matte; its split by class gives the parts, soft edges
//! included. All in scene-linear light, where light adds.

use ndarray::{Array2, Array3, ArrayView2, Axis};

use super::backdrop::{Surface, unit};
use super::crop::sample;
use super::nets::COARSE;
use super::plane::{dilate, erode, mean, shrink, smooth};
use crate::picture::{Linear, bands};

/// Groups of parts that have a colour model of their own.
pub(super) const GROUPS: usize = 4;

/// Skin (with all that lies in a face), hair, clothing, worn.
const GROUP_OF_CLASS: [Option<usize>; 11] = [
    None,
    Some(0),
    Some(0),
    Some(1),
    Some(2),
    Some(0),
    Some(0),
    Some(0),
    Some(0),
    Some(0),
    Some(3),
];

/// Alphas tried: 0, 1/12, ..., 1. Finer grids changed the mean square error by under 1 %.
const ALPHAS: usize = 13;

/// What the nets say, at half size.
pub(super) struct Rough {
    /// Probability of the sitter.
    pub(super) person: Array2<f32>,
    /// The eleven classes.
    pub(super) classes: Array3<f32>,
}

/// The matte and its shares at the picture's size.
pub(super) struct Layers {
    /// 0 backdrop to 1 sitter.
    pub(super) alpha: Array2<f32>,
    /// Skin, hair, clothing, worn: 0 to 1 each, summing to `alpha`.
    pub(super) shares: [Array2<f32>; GROUPS],
    /// Share of the band in which sitter and backdrop could not be told apart by colour.
    pub(super) alike: f32,
}

/// Mean (3) and covariance (xx, xy, xz, yy, yz, zz) of one group's colour around a cell.
type Colour = [f32; 9];

/// Local colour of one group on the surface's grid; zero presence where there is none at all.
struct Model {
    colour: Array2<Colour>,
    present: bool,
}

/// Products of channel pairs in the order of [`Colour`]'s second part.
const PAIRS: [(usize, usize); 6] = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];

/// First and second moments of the picture per cell.
struct Moments {
    first: [Array2<f32>; 3],
    second: [Array2<f32>; 6],
}

impl Moments {
    fn new(small: &Linear, cell: usize) -> Self {
        let first = small.planes.each_ref().map(|p| shrink(p.view(), cell));
        let second = PAIRS.map(|(a, b)| shrink((&small.planes[a] * &small.planes[b]).view(), cell));
        Self { first, second }
    }

    /// Weighted local statistics: near ones (a tenth of an eye span) where there are any, wide
    /// ones and at last those of the whole frame elsewhere.
    fn model(&self, weight: &Array2<f32>, span: f32) -> Model {
        let total: f32 = weight.sum();
        if total < 4.0 {
            return Model {
                colour: Array2::from_elem(weight.dim(), [0.0; 9]),
                present: false,
            };
        }
        let scales = [(0.10 * span, 1.0f32), (0.5 * span, 0.02)];
        let blurred = |plane: &Array2<f32>| {
            let product = plane * weight;
            let whole = product.sum() / total * 1e-4;
            let mut out = Array2::from_elem(weight.dim(), whole);
            for (sigma, trust) in scales {
                out.scaled_add(trust, &smooth(product.view(), sigma));
            }
            out
        };
        let norm = blurred(&Array2::ones(weight.dim()));
        let first = self.first.each_ref().map(|p| blurred(p) / &norm);
        let second = self.second.each_ref().map(|p| blurred(p) / &norm);
        let colour = Array2::from_shape_fn(weight.dim(), |at| {
            let mut c = [0.0; 9];
            for (to, from) in c.iter_mut().zip(&first) {
                *to = from[at];
            }
            for (i, (a, b)) in PAIRS.into_iter().enumerate() {
                c[3 + i] = second[i][at] - first[a][at] * first[b][at];
                if a == b {
                    c[3 + i] = c[3 + i].max(0.0);
                }
            }
            c
        });
        Model {
            colour,
            present: true,
        }
    }
}

/// A map read at another size by linear interpolation.
fn resized(plane: ArrayView2<'_, f32>, dim: (usize, usize), step: f32) -> Array2<f32> {
    let mut out = Array2::zeros(dim);
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = ((first + i) as f32 + 0.5) * step;
            for (x, v) in row.iter_mut().enumerate() {
                *v = sample(plane, (x as f32 + 0.5) * step, y);
            }
        }
    });
    out
}

/// Bilinear reading place in a plane.
struct Place {
    at: [(usize, usize); 4],
    weight: [f32; 4],
}

impl Place {
    #[inline]
    fn new(dim: (usize, usize), x: f32, y: f32) -> Self {
        let (h, w) = dim;
        let x = (x - 0.5).max(0.0).min((w - 1) as f32);
        let y = (y - 0.5).max(0.0).min((h - 1) as f32);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(w - 1), (y0 + 1).min(h - 1));
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        Self {
            at: [(y0, x0), (y0, x1), (y1, x0), (y1, x1)],
            weight: [
                (1.0 - fx) * (1.0 - fy),
                fx * (1.0 - fy),
                (1.0 - fx) * fy,
                fx * fy,
            ],
        }
    }

    #[inline]
    fn read(&self, plane: &Array2<f32>) -> f32 {
        (0..4).map(|i| self.weight[i] * plane[self.at[i]]).sum()
    }

    #[inline]
    fn colour(&self, plane: &Array2<Colour>) -> Colour {
        let mut out = [0.0; 9];
        for i in 0..4 {
            let c = &plane[self.at[i]];
            for (o, v) in out.iter_mut().zip(c) {
                *o += self.weight[i] * v;
            }
        }
        out
    }
}

/// Log density of a normal in three dimensions (without the constant) at offset `d`, covariance
/// as in [`Colour`].
#[inline(always)]
fn log_normal(d: [f32; 3], c: [f32; 6]) -> f32 {
    let [xx, xy, xz, yy, yz, zz] = c;
    let (a, b, e) = (yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy);
    let det = (xx * a + xy * b + xz * e).max(1e-24);
    let (f, g, h) = (xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy);
    let q = d[0] * d[0] * a
        + d[1] * d[1] * f
        + d[2] * d[2] * h
        + 2.0 * (d[0] * d[1] * b + d[0] * d[2] * e + d[1] * d[2] * g);
    -0.5 * ((q / det).max(0.0) + libm::logf(det))
}

/// Separates sitter and backdrop; `span` is the eye span in picture pixels.
pub(super) fn separate(small: &Linear, surface: &Surface, rough: &Rough, span: f32) -> Layers {
    let dim = small.planes[0].dim();
    let cell = surface.cell;
    let grid = surface.spread.dim();
    let to_grid = |plane: ArrayView2<'_, f32>| resized(plane, grid, cell as f32 / COARSE as f32);
    let half = span / COARSE as f32;
    let moments = Moments::new(small, cell);
    // Prior probabilities of the four groups, widened a little so that they reach over edges.
    let mut groups: [Array2<f32>; GROUPS] =
        std::array::from_fn(|_| Array2::zeros(rough.person.dim()));
    for (class, group) in GROUP_OF_CLASS.into_iter().enumerate() {
        if let Some(group) = group {
            groups[group] += &rough.classes.index_axis(Axis(0), class);
        }
    }
    let sure_groups = groups.each_ref().map(|g| to_grid(g.view()));
    let near_groups = groups.each_ref().map(|g| smooth(g.view(), 0.02 * half));
    let wide_groups = groups.each_ref().map(|g| smooth(g.view(), 0.12 * half));
    let tight = smooth(rough.person.view(), 0.05 * half);
    let wide = smooth(rough.person.view(), 0.3 * half);
    let noise = pixel_noise(small, surface, rough);
    let mut sure =
        erode(to_grid(rough.person.view()).view(), 1).mapv(|p| if p > 0.95 { 1.0 } else { 0.0 });
    let mut layers = None;
    for _ in 0..2 {
        let models: [Model; GROUPS] = std::array::from_fn(|k| {
            let weight = &sure * &sure_groups[k].mapv(|g| if g > 0.6 { g } else { 0.0 });
            moments.model(&weight, span / cell as f32)
        });
        // Alpha, then the four shares, side by side in one plane of rows.
        let mut packed = Array2::<f32>::zeros((dim.0, dim.1 * 6));
        bands::each_band(packed.view_mut(), |first, mut rows| {
            for (i, mut row) in rows.outer_iter_mut().enumerate() {
                let y = first + i;
                let row = row.as_slice_mut().expect("planes are contiguous");
                for (x, out) in row.chunks_exact_mut(6).enumerate() {
                    let (hx, hy) = (
                        (x as f32 + 0.5) / COARSE as f32,
                        (y as f32 + 0.5) / COARSE as f32,
                    );
                    let at = Place::new(tight.dim(), hx, hy);
                    let (p, far) = (at.read(&tight), at.read(&wide));
                    let mut prior = near_groups.each_ref().map(|g| at.read(g));
                    if far < 0.004 && p < 0.02 {
                        continue;
                    }
                    let colour = small.at(y, x);
                    let inside = p > 0.995 && far > 0.8;
                    if inside {
                        let sum: f32 = prior.iter().sum::<f32>().max(1e-6);
                        prior = prior.map(|g| g / sum);
                        let best = prior.iter().fold(0.0f32, |a, b| a.max(*b));
                        if best > 0.98 {
                            out[0] = 1.0;
                            out[1..5].copy_from_slice(&prior);
                            continue;
                        }
                    } else {
                        for (p, g) in prior.iter_mut().zip(&wide_groups) {
                            *p = 0.5 * *p + 0.5 * at.read(g) + 1e-5;
                        }
                        let sum: f32 = prior.iter().sum();
                        prior = prior.map(|g| g / sum);
                    }
                    let here = Place::new(
                        grid,
                        (x as f32 + 0.5) / cell as f32,
                        (y as f32 + 0.5) / cell as f32,
                    );
                    let b: [f32; 3] = std::array::from_fn(|c| here.read(&surface.planes[c]));
                    let spread = here.read(&surface.spread).max(noise);
                    // A rough map is never quite sure: strands it has not seen stay possible
                    // near the sitter, gaps in hair stay possible inside.
                    let p = if inside { 1.0 } else { p.max(0.02).min(0.98) };
                    out[..6]
                        .copy_from_slice(&posterior(colour, b, spread, p, prior, &models, &here));
                }
            }
        });
        let plane = |k: usize| Array2::from_shape_fn(dim, |(y, x)| packed[[y, x * 6 + k]]);
        let alpha = plane(0);
        sure =
            erode(shrink(alpha.view(), cell).view(), 1).mapv(|a| if a > 0.97 { 1.0 } else { 0.0 });
        let alike = plane(5).sum()
            / plane(0)
                .iter()
                .filter(|a| **a > 0.02 && **a < 0.98)
                .count()
                .max(1) as f32;
        layers = Some(Layers {
            alpha,
            shares: [plane(1), plane(2), plane(3), plane(4)],
            alike,
        });
    }
    let _ = (dilate, mean);
    layers.expect("two rounds were made")
}

/// Noise of single pixels about the surface, in [`unit`]s: a robust deviation over sure backdrop.
fn pixel_noise(small: &Linear, surface: &Surface, rough: &Rough) -> f32 {
    let mut off = Vec::new();
    let (h, w) = small.planes[0].dim();
    for y in (0..h).step_by(7) {
        for x in (0..w).step_by(7) {
            if rough.person[[y / COARSE, x / COARSE]] < 0.02 {
                let cell = [y / surface.cell, x / surface.cell];
                for c in 0..3 {
                    let b = surface.planes[c][cell];
                    off.push((small.planes[c][[y, x]] - b).abs() / unit(b));
                }
            }
        }
    }
    // Median absolute deviation to standard deviation of a normal.
    (1.4826 * super::backdrop::median(&mut off)).max(0.003)
}

/// Alpha, the four shares, and 1 where colour could not tell: see the head of the file.
#[inline]
fn posterior(
    colour: [f32; 3],
    b: [f32; 3],
    spread: f32,
    p: f32,
    prior: [f32; GROUPS],
    models: &[Model; GROUPS],
    here: &Place,
) -> [f32; 6] {
    let noise: [f32; 3] = std::array::from_fn(|c| {
        let s = spread * unit(b[c]);
        s * s
    });
    let mut log = [[f32::MIN; ALPHAS]; GROUPS];
    let mut top = f32::MIN;
    let mut apart = 0.0f32;
    let empty = {
        let d: [f32; 3] = std::array::from_fn(|c| colour[c] - b[c]);
        log_normal(d, [noise[0], 0.0, 0.0, noise[1], 0.0, noise[2]])
    };
    for (k, model) in models.iter().enumerate() {
        if !model.present || prior[k] < 0.01 {
            continue;
        }
        let m = here.colour(&model.colour);
        // A pixel's own colour strays from its neighbourhood's: a tenth of it and a little.
        let own: [f32; 3] = std::array::from_fn(|c| {
            let s = 0.008 + 0.1 * m[c].max(0.0);
            s * s
        });
        let first = if p >= 1.0 { ALPHAS - 1 } else { 0 };
        for (j, slot) in log[k].iter_mut().enumerate().skip(first) {
            let a = j as f32 / (ALPHAS - 1) as f32;
            let weight = match j {
                0 => (1.0 - p) * 0.85,
                j if j == ALPHAS - 1 => p * 0.85,
                _ => 0.15 / (ALPHAS - 2) as f32,
            };
            let density = if j == 0 {
                empty
            } else {
                let d: [f32; 3] = std::array::from_fn(|c| colour[c] - a * m[c] - (1.0 - a) * b[c]);
                let q = a * a;
                log_normal(
                    d,
                    [
                        q * (m[3] + own[0]) + noise[0],
                        q * m[4],
                        q * m[5],
                        q * (m[6] + own[1]) + noise[1],
                        q * m[7],
                        q * (m[8] + own[2]) + noise[2],
                    ],
                )
            };
            *slot = density + libm::logf(weight * prior[k] + 1e-12);
            top = top.max(*slot);
        }
        let gap: f32 = (0..3)
            .map(|c| (m[c] - b[c]) * (m[c] - b[c]) / (noise[c] + m[[3, 6, 8][c]] + own[c]))
            .sum();
        apart = apart.max(prior[k] * gap);
    }
    if top == f32::MIN {
        let mut out = [0.0; 6];
        out[0] = p;
        for k in 0..GROUPS {
            out[1 + k] = p * prior[k];
        }
        return out;
    }
    let mut out = [0.0f32; 6];
    let mut total = 0.0;
    for (k, logs) in log.iter().enumerate() {
        for (j, l) in logs.iter().enumerate() {
            if *l > top - 30.0 {
                let w = libm::expf(*l - top);
                let a = j as f32 / (ALPHAS - 1) as f32;
                total += w;
                out[0] += w * a;
                out[1 + k] += w * a;
            }
        }
    }
    for v in &mut out[..5] {
        *v /= total;
    }
    out[5] = if apart < 1.0 && p < 1.0 { 1.0 } else { 0.0 };
    out
}
