//! What colours a group of the sitter's parts has around a place: means and covariances, and how likely
//! they are.
//!
//! Normal distributions of sure foreground nearby, as in Bayesian matting (Chuang, Curless, Salesin and
//! Szeliski, CVPR 2001), measured once on a grid and read bilinearly.

use ndarray::Array2;

use super::plane::shrink;
use crate::picture::filter::gaussian;
use crate::picture::math::ln;
use crate::picture::{Linear, bands};

/// Mean (3) and covariance (xx, xy, xz, yy, yz, zz) of one group's colour around a cell.
pub(super) type Colour = [f32; 9];

/// Cells of the surface's grid along a side of one of the models': a tenth of an eye span is several.
const COARSER: usize = 2;

/// Size of the models' grid.
fn coarse((rows, columns): (usize, usize)) -> (usize, usize) {
    (rows.div_ceil(COARSER), columns.div_ceil(COARSER))
}

/// Local colour of one group on a grid of its own; zero presence where there is none at all.
pub(super) struct Model {
    pub(super) colour: Array2<Colour>,
    /// Over the whole frame.
    pub(super) whole: Colour,
    pub(super) present: bool,
}

/// Products of channel pairs in the order of [`Colour`]'s second part.
const PAIRS: [(usize, usize); 6] = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];

/// First and second moments of the picture per cell.
pub(super) struct Moments {
    /// Red, green and blue.
    pub(super) first: [Array2<f32>; 3],
    second: [Array2<f32>; 6],
}

impl Moments {
    pub(super) fn new(small: &Linear, cell: usize) -> Self {
        let (h, w) = small.planes[0].dim();
        let dim = (h.div_ceil(cell), w.div_ceil(cell));
        let zeros = |_| Array2::<f32>::zeros(dim);
        let mut first: [Array2<f32>; 3] = std::array::from_fn(zeros);
        let mut second: [Array2<f32>; 6] = std::array::from_fn(zeros);
        let planes = first.iter_mut().chain(&mut second);
        let planes = planes.map(|plane| plane.as_slice_mut().expect("just made"));
        bands::each_piece_of_all(planes, dim.1, |j, sums| {
            let lines = j * cell..((j + 1) * cell).min(h);
            for y in lines.clone() {
                let light = small.planes.each_ref().map(|plane| plane.row(y));
                for i in 0..dim.1 {
                    let columns = i * cell..((i + 1) * cell).min(w);
                    let share = 1.0 / (lines.len() * columns.len()) as f32;
                    let mut here = [0.0_f32; 9];
                    for x in columns {
                        let rgb = [light[0][x], light[1][x], light[2][x]];
                        for (sum, v) in here.iter_mut().zip(rgb) {
                            *sum += v;
                        }
                        for (sum, (a, b)) in here[3..].iter_mut().zip(PAIRS) {
                            *sum += rgb[a] * rgb[b];
                        }
                    }
                    for (sums, here) in sums.iter_mut().zip(here) {
                        sums[i] += here * share;
                    }
                }
            }
        });
        Self { first, second }
    }

    /// Weighted local statistics: near ones (a tenth of an eye span) where there are any, wide
    /// ones and at last those of the whole frame elsewhere.
    pub(super) fn model(&self, weight: &Array2<f32>, span: f32) -> Model {
        let total: f32 = weight.sum();
        if total < 4.0 {
            return Model {
                colour: Array2::from_elem(coarse(weight.dim()), [0.0; 9]),
                whole: [0.0; 9],
                present: false,
            };
        }
        let span = span / COARSER as f32;
        let scales = [(0.10 * span, 1.0f32), (0.5 * span, 0.02)];
        let blurred = |plane: &Array2<f32>| {
            let product = plane * weight;
            let whole = product.sum() / total * 1e-4;
            let product = shrink(product.view(), COARSER);
            let mut out = Array2::from_elem(product.dim(), whole);
            for (sigma, trust) in scales {
                out.scaled_add(trust, &gaussian(product.view(), sigma));
            }
            out
        };
        let norm = blurred(&Array2::ones(weight.dim()));
        let first = self.first.each_ref().map(|p| blurred(p) / &norm);
        let second = self.second.each_ref().map(|p| blurred(p) / &norm);
        let colour = Array2::from_shape_fn(coarse(weight.dim()), |at| {
            normal(
                first.each_ref().map(|p| p[at]),
                second.each_ref().map(|p| p[at]),
            )
        });
        let mean = |plane: &Array2<f32>| (plane * weight).sum() / total;
        let whole = normal(
            self.first.each_ref().map(mean),
            self.second.each_ref().map(mean),
        );
        Model {
            colour,
            whole,
            present: true,
        }
    }
}

/// Mean and covariance from first and second moments.
fn normal(first: [f32; 3], second: [f32; 6]) -> Colour {
    let mut c = [0.0; 9];
    c[..3].copy_from_slice(&first);
    for (i, (a, b)) in PAIRS.into_iter().enumerate() {
        c[3 + i] = second[i] - first[a] * first[b];
        if a == b {
            c[3 + i] = c[3 + i].max(0.0);
        }
    }
    c
}

/// A plane's values, row by row.
pub(super) fn flat<T>(plane: &Array2<T>) -> &[T] {
    plane.as_slice().expect("planes here are made contiguous")
}

/// Bilinear reading place in a plane.
pub(super) struct Place {
    /// Places of the four values around, row by row.
    at: [usize; 4],
    weight: [f32; 4],
}

impl Place {
    #[inline(always)]
    pub(super) fn new(dim: (usize, usize), x: f32, y: f32) -> Self {
        let (h, w) = dim;
        let x = (x - 0.5).max(0.0).min((w - 1) as f32);
        let y = (y - 0.5).max(0.0).min((h - 1) as f32);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(w - 1), (y0 + 1).min(h - 1));
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        Self {
            at: [y0 * w + x0, y0 * w + x1, y1 * w + x0, y1 * w + x1],
            weight: [
                (1.0 - fx) * (1.0 - fy),
                fx * (1.0 - fy),
                (1.0 - fx) * fy,
                fx * fy,
            ],
        }
    }

    /// In the models' planes, from a place on the surface's grid.
    #[inline(always)]
    pub(super) fn of_models(grid: (usize, usize), x: f32, y: f32) -> Self {
        let k = COARSER as f32;
        Self::new(coarse(grid), x / k, y / k)
    }

    #[inline(always)]
    pub(super) fn read(&self, plane: &[f32]) -> f32 {
        (0..4).map(|i| self.weight[i] * plane[self.at[i]]).sum()
    }

    #[inline(always)]
    pub(super) fn colour(&self, plane: &[Colour]) -> Colour {
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
pub(super) fn log_normal(d: [f32; 3], c: [f32; 6]) -> f32 {
    let [xx, xy, xz, yy, yz, zz] = c;
    let (a, b, e) = (yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy);
    let det = (xx * a + xy * b + xz * e).max(1e-24);
    let (f, g, h) = (xx * zz - xz * xz, xy * xz - xx * yz, xx * yy - xy * xy);
    let q = d[0] * d[0] * a
        + d[1] * d[1] * f
        + d[2] * d[2] * h
        + 2.0 * (d[0] * d[1] * b + d[0] * d[2] * e + d[1] * d[2] * g);
    -0.5 * ((q / det).max(0.0) + ln(det))
}

/// How unlike two normals are: squared distance of the means over the wider one's variance.
#[inline(always)]
pub(super) fn gap(m: &Colour, b: [f32; 3], noise: [f32; 3]) -> f32 {
    let own = own_variance(m);
    let d: [f32; 3] = std::array::from_fn(|c| m[c] - b[c]);
    let n = [
        m[3] + own[0] + noise[0],
        m[4],
        m[5],
        m[6] + own[1] + noise[1],
        m[7],
        m[8] + own[2] + noise[2],
    ];
    -2.0 * (log_normal(d, n) - log_normal([0.0; 3], n))
}

/// How much wider than a single pixel's own a group's colours are around here: log of the ratio of
/// volumes, squared. A patch all of one colour is no accident among cloth of many shades.
pub(super) fn width(m: &Colour, noise: [f32; 3]) -> f32 {
    let own = own_variance(m);
    let n: [f32; 3] = std::array::from_fn(|c| own[c] + noise[c]);
    let wide = [m[3] + n[0], m[4], m[5], m[6] + n[1], m[7], m[8] + n[2]];
    let tight = [n[0], 0.0, 0.0, n[1], 0.0, n[2]];
    2.0 * (log_normal([0.0; 3], tight) - log_normal([0.0; 3], wide))
}

/// A pixel's own colour strays from its neighbourhood's: a tenth of it and a little.
#[inline(always)]
pub(super) fn own_variance(m: &Colour) -> [f32; 3] {
    std::array::from_fn(|c| {
        let s = 0.004 + 0.1 * m[c].max(0.0);
        s * s
    })
}
