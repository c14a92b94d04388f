//! Cutting net-sized squares out of a picture, and laying what the nets say back over it.
//!
//! A crop is a rectangle of the picture, maybe turned or mirrored, of `n` x `n` pixels whose
//! centres lie at half-integers. Linear interpolation after a box filter about as wide as one
//! crop pixel: a pyramid of 2 x 2 means comes first, then 2 x 2 samples in every crop pixel.
//! Values are what the nets were trained on: sRGB-encoded (IEC 61966-2-1), 0 to 1, and 0
//! outside of the picture.

use ndarray::{Array2, Array3, ArrayView2};

use super::plane::Between;
use crate::picture::{Linear, Point, Size, bands};

/// BT.2020 to BT.709 primaries, both D65 (ITU-R BT.2087-0, the inverse of its annex 1 matrix).
const TO_SRGB: [[f32; 3]; 3] = [
    [1.660_491, -0.587_641_1, -0.072_849_9],
    [-0.124_550_5, 1.132_899_9, -0.008_349_4],
    [-0.018_150_8, -0.100_578_9, 1.118_729_7],
];

/// Entries of the encoding table. It is read at the square root of light, where the curve is
/// nearly straight, so linear interpolation errs by less than 1e-5.
const STEPS: usize = 1024;

/// The sRGB curve as a table over the square root of linear light.
struct Curve(Vec<f32>);

impl Curve {
    fn new() -> Self {
        let encode = |root: f32| {
            let v = root * root;
            if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * libm::powf(v, 1.0 / 2.4) - 0.055
            }
        };
        Self(
            (0..=STEPS + 1)
                .map(|i| encode(i as f32 / STEPS as f32))
                .collect(),
        )
    }

    /// Where linear light stands in the table.
    #[inline(always)]
    fn place(linear: f32) -> f32 {
        // `max` first: a NaN becomes 0.
        linear.max(0.0).min(1.0).sqrt() * STEPS as f32
    }

    #[inline(always)]
    fn at(&self, place: f32) -> f32 {
        let low = place as usize;
        let (a, b) = (self.0[low], self.0[low + 1]);
        a + (b - a) * (place - low as f32)
    }
}

/// sRGB-encoded planes at full size, then each level half as large.
pub(super) struct Pyramid {
    levels: Vec<[Array2<f32>; 3]>,
}

impl Pyramid {
    /// Renders a scene-linear picture simply (clip, sRGB curve) and halves it down to 64 px.
    pub(super) fn new(small: &Linear) -> Self {
        let curve = Curve::new();
        let mut shown = small
            .planes
            .each_ref()
            .map(|p| p.as_standard_layout().into_owned());
        bands::each_row(&mut shown, |_, [r, g, b]| {
            bands::vectorised(
                #[inline(always)]
                || {
                    for ((r, g), b) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()) {
                        let (x, y, z) = (*r, *g, *b);
                        let [p, q, s] = TO_SRGB;
                        *r = Curve::place(p[0] * x + p[1] * y + p[2] * z);
                        *g = Curve::place(q[0] * x + q[1] * y + q[2] * z);
                        *b = Curve::place(s[0] * x + s[1] * y + s[2] * z);
                    }
                },
            );
            for plane in [r, g, b] {
                plane.iter_mut().for_each(|v| *v = curve.at(*v));
            }
        });
        let mut levels = vec![shown];
        while let Some(last) = levels.last()
            && last[0].nrows().min(last[0].ncols()) >= 128
        {
            let next = last.each_ref().map(|plane| halve(plane.view()));
            levels.push(next);
        }
        Self { levels }
    }

    /// The picture as the nets see it, at full size.
    pub(super) fn shown(&self) -> &[Array2<f32>; 3] {
        &self.levels[0]
    }

    /// The same at half size, if it is large enough for that.
    pub(super) fn halved(&self) -> Option<&[Array2<f32>; 3]> {
        self.levels.get(1)
    }

    /// Red, green and blue of a crop: `[3, n, n]`.
    pub(super) fn cut(&self, crop: &Crop) -> Array3<f32> {
        let mut step = crop.step_x.abs().max(crop.step_y.abs());
        let mut level = 0;
        while step >= 2.0 && level + 1 < self.levels.len() {
            step *= 0.5;
            level += 1;
        }
        let planes = self.levels[level].each_ref().map(|plane| plane.view());
        cut_planes(&planes, self.levels[0][0].dim(), crop)
    }
}

/// 2 x 2 means; a last odd row or column stands alone.
pub(super) fn halve(plane: ArrayView2<'_, f32>) -> Array2<f32> {
    let plane = plane.as_standard_layout();
    let (h, w) = plane.dim();
    let line = |y: usize| plane.row(y).to_slice().expect("standard layout");
    let mut out = Array2::zeros((h.div_ceil(2), w.div_ceil(2)));
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = 2 * (first + i);
            let (a, b) = (line(y), line((y + 1).min(h - 1)));
            let row = row.as_slice_mut().expect("rows are contiguous");
            bands::vectorised(
                #[inline(always)]
                || {
                    let pairs = a.as_chunks::<2>().0.iter().zip(b.as_chunks::<2>().0);
                    for (v, (a, b)) in row.iter_mut().zip(pairs) {
                        *v = 0.25 * (a[0] + a[1] + b[0] + b[1]);
                    }
                },
            );
            if w % 2 == 1 {
                let x = w - 1;
                row[x / 2] = 0.25 * (a[x] + a[x] + b[x] + b[x]);
            }
        }
    });
    out
}

/// Places of the four samples in a crop pixel, along an axis.
const SAMPLES: [f32; 2] = [0.25, 0.75];
/// Rows of a crop that one thread cuts in one go.
const BAND: usize = 16;

/// Planes of a crop: `[planes, n, n]`. `whole` is the (height, width) of the picture that crop
/// coordinates are for; the planes, all of one size, may be smaller copies of it.
pub(super) fn cut_planes(
    planes: &[ArrayView2<'_, f32>],
    whole: (usize, usize),
    crop: &Crop,
) -> Array3<f32> {
    let n = crop.n;
    let mut out = Array3::zeros((planes.len(), n, n));
    let sources: Vec<_> = planes.iter().map(|p| p.as_standard_layout()).collect();
    let sources: Vec<Source<'_>> = sources
        .iter()
        .map(|plane| Source {
            values: plane.as_slice().expect("standard layout"),
            width: plane.ncols(),
        })
        .collect();
    let Some(dim) = planes.first().map(|plane| plane.dim()) else {
        return out;
    };
    let values = out.as_slice_mut().expect("just made");
    let pieces = values.chunks_exact_mut((n * n).max(1));
    if crop.is_level() {
        let level = Level::new(dim, whole, crop);
        bands::each_piece_of_all(pieces, BAND * n, |band, rows| {
            for (rows, source) in rows.iter_mut().zip(&sources) {
                level.cut(source, band * BAND, rows);
            }
        });
    } else {
        bands::each_piece_of_all(pieces, BAND * n, |band, rows| {
            turned(&sources, dim, whole, crop, band * BAND, rows);
        });
    }
    out
}

/// A plane, row by row.
struct Source<'a> {
    values: &'a [f32],
    width: usize,
}

impl Source<'_> {
    fn row(&self, y: usize) -> &[f32] {
        &self.values[y * self.width..][..self.width]
    }
}

/// Rows of a crop that may be turned: every sample looks up its place, once for all planes.
fn turned(
    sources: &[Source<'_>],
    dim: (usize, usize),
    whole: (usize, usize),
    crop: &Crop,
    first: usize,
    rows: &mut [&mut [f32]],
) {
    let (sy, sx) = scales(dim, whole);
    let count = rows.first().map_or(0, |row| row.len());
    for at in 0..count {
        let (y, x) = ((first + at / crop.n) as f32, (at % crop.n) as f32);
        for dy in SAMPLES {
            for dx in SAMPLES {
                let p = crop.to_picture(Point {
                    x: x + dx,
                    y: y + dy,
                });
                if p.x >= 0.0 && p.y >= 0.0 && p.x <= whole.1 as f32 && p.y <= whole.0 as f32 {
                    let line = Between::new(p.y * sy, dim.0);
                    let column = Between::new(p.x * sx, dim.1);
                    for (row, source) in rows.iter_mut().zip(sources) {
                        let top = column.read(source.row(line.first));
                        let low = column.read(source.row(line.second));
                        row[at] += top + (low - top) * line.share;
                    }
                }
            }
        }
    }
    rows.iter_mut()
        .for_each(|row| row.iter_mut().for_each(|v| *v *= 0.25));
}

/// Plane pixels per picture pixel, downwards and rightwards.
fn scales(dim: (usize, usize), whole: (usize, usize)) -> (f32, f32) {
    (dim.0 as f32 / whole.0 as f32, dim.1 as f32 / whole.1 as f32)
}

/// Where the samples of a crop with level sides lie: each row of samples in one row of the plane,
/// each column in one column.
struct Level {
    /// Two a crop row.
    lines: Vec<Option<Between>>,
    /// First samples of all crop columns, then the second ones.
    columns: [Vec<Between>; 2],
    /// Those of them that lie inside the picture.
    inside: [std::ops::Range<usize>; 2],
}

impl Level {
    fn new(dim: (usize, usize), whole: (usize, usize), crop: &Crop) -> Self {
        let (sy, sx) = scales(dim, whole);
        let place = |x: f32, y: f32| crop.to_picture(Point { x, y });
        let lines = (0..2 * crop.n)
            .map(|i| place(0.0, (i / 2) as f32 + SAMPLES[i % 2]).y)
            .map(|y| {
                (0.0..=whole.0 as f32)
                    .contains(&y)
                    .then(|| Between::new(y * sy, dim.0))
            })
            .collect();
        let places = SAMPLES.map(|dx| {
            let places = (0..crop.n).map(|x| place(x as f32 + dx, 0.0).x);
            places.collect::<Vec<_>>()
        });
        let inside = places.each_ref().map(|places| {
            let seen = |x: &f32| (0.0..=whole.1 as f32).contains(x);
            let first = places.iter().position(seen).unwrap_or(0);
            first..places.iter().rposition(seen).map_or(first, |last| last + 1)
        });
        let columns = places.map(|places| {
            let places = places.into_iter();
            places.map(|x| Between::new(x * sx, dim.1)).collect()
        });
        Self {
            lines,
            columns,
            inside,
        }
    }

    /// Rows of one plane of the crop from row `first` on.
    fn cut(&self, source: &Source<'_>, first: usize, rows: &mut [f32]) {
        let n = self.columns[0].len();
        // Both rows of samples together, before they are read at the columns.
        let mut mixed = vec![0.0; source.width];
        for (i, row) in rows.chunks_exact_mut(n).enumerate() {
            mixed.fill(0.0);
            for line in self.lines[2 * (first + i)..][..2].iter().flatten() {
                let [top, low] = [line.first, line.second].map(|y| source.row(y));
                let (mixed, share) = (&mut mixed[..], line.share);
                bands::vectorised(
                    #[inline(always)]
                    move || {
                        for (sum, (&top, &low)) in mixed.iter_mut().zip(top.iter().zip(low)) {
                            *sum += top + (low - top) * share;
                        }
                    },
                );
            }
            for (columns, inside) in self.columns.iter().zip(&self.inside) {
                let columns = &columns[inside.clone()];
                for (sum, column) in row[inside.clone()].iter_mut().zip(columns) {
                    *sum += column.read(&mixed);
                }
            }
            row.iter_mut().for_each(|v| *v *= 0.25);
        }
    }
}

/// Linear interpolation at plane coordinates (pixel edges at whole numbers), edges repeated.
#[inline(always)]
pub(super) fn sample(plane: ArrayView2<'_, f32>, x: f32, y: f32) -> f32 {
    let (h, w) = plane.dim();
    let (x, y) = (
        (x - 0.5).max(0.0).min((w - 1) as f32),
        (y - 0.5).max(0.0).min((h - 1) as f32),
    );
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(w - 1), (y0 + 1).min(h - 1));
    let (fx, fy) = (x - x0 as f32, y - y0 as f32);
    let top = plane[[y0, x0]] + (plane[[y0, x1]] - plane[[y0, x0]]) * fx;
    let low = plane[[y1, x0]] + (plane[[y1, x1]] - plane[[y1, x0]]) * fx;
    top + (low - top) * fy
}

/// A rectangle of the picture seen as `n` x `n` pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Crop {
    /// Its middle in the picture.
    pub(super) centre: Point,
    /// Picture pixels per crop pixel; negative mirrors.
    pub(super) step_x: f32,
    /// Picture pixels per crop pixel downwards.
    pub(super) step_y: f32,
    cos: f32,
    sin: f32,
    /// Pixels per side.
    pub(super) n: usize,
}

impl Crop {
    /// A square of the given side, its x axis along (`along.x`, `along.y`), which need not be of
    /// length 1.
    pub(super) fn square(centre: Point, side: f32, along: Point, n: usize) -> Self {
        let length = (along.x * along.x + along.y * along.y).sqrt();
        let (cos, sin) = if length > 1e-6 {
            (along.x / length, along.y / length)
        } else {
            (1.0, 0.0)
        };
        let step = (side / n as f32).max(1e-3);
        Self {
            centre,
            step_x: step,
            step_y: step,
            cos,
            sin,
            n,
        }
    }

    /// A square with level sides.
    pub(super) fn level(centre: Point, side: f32, n: usize) -> Self {
        Self::square(centre, side, Point { x: 1.0, y: 0.0 }, n)
    }

    /// The whole picture, stretched.
    pub(super) fn stretched(size: Size, n: usize) -> Self {
        let (w, h) = (size.width as f32, size.height as f32);
        let centre = Point {
            x: w / 2.0,
            y: h / 2.0,
        };
        Self {
            centre,
            step_x: w / n as f32,
            step_y: h / n as f32,
            cos: 1.0,
            sin: 0.0,
            n,
        }
    }

    /// Whether its sides run along the picture's.
    pub(super) fn is_level(&self) -> bool {
        (self.cos, self.sin) == (1.0, 0.0)
    }

    /// The same square seen in a mirror.
    pub(super) fn mirrored(self) -> Self {
        Self {
            step_x: -self.step_x,
            ..self
        }
    }

    /// Where a place of the crop lies in the picture.
    #[inline]
    pub(super) fn to_picture(self, p: Point) -> Point {
        let half = self.n as f32 / 2.0;
        let (x, y) = ((p.x - half) * self.step_x, (p.y - half) * self.step_y);
        Point {
            x: self.centre.x + self.cos * x - self.sin * y,
            y: self.centre.y + self.sin * x + self.cos * y,
        }
    }

    /// Where a place of the picture lies in the crop.
    #[inline]
    pub(super) fn to_crop(self, p: Point) -> Point {
        let half = self.n as f32 / 2.0;
        let (x, y) = (p.x - self.centre.x, p.y - self.centre.y);
        Point {
            x: (self.cos * x + self.sin * y) / self.step_x + half,
            y: (self.cos * y - self.sin * x) / self.step_y + half,
        }
    }
}

/// A crop's trust along one of its axes: 1 in the middle, fading smoothly to 0 over the outer
/// `edge` of each half side. The lesser of both axes' holds.
#[inline]
pub(super) fn fade(place: f32, n: usize, edge: f32) -> f32 {
    let half = n as f32 / 2.0;
    let t = ((1.0 - ((place - half) / half).abs()) / edge)
        .max(0.0)
        .min(1.0);
    t * t * (3.0 - 2.0 * t)
}
