//! Cutting net-sized squares out of a picture, and laying what the nets say back over it.
//!
//! A crop is a rectangle of the picture, maybe turned or mirrored, of `n` x `n` pixels whose
//! centres lie at half-integers. Linear interpolation after a box filter about as wide as one
//! crop pixel: a pyramid of 2 x 2 means comes first, then 2 x 2 samples in every crop pixel.
//! Values are what the nets were trained on: sRGB-encoded (IEC 61966-2-1), 0 to 1, and 0
//! outside of the picture.

use ndarray::{Array2, Array3, ArrayView2, Axis};

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

    #[inline(always)]
    fn at(&self, linear: f32) -> f32 {
        // `max` first: a NaN becomes 0.
        let place = linear.max(0.0).min(1.0).sqrt() * STEPS as f32;
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
            for ((r, g), b) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()) {
                let v = [*r, *g, *b];
                let to = |m: [f32; 3]| curve.at(m[0] * v[0] + m[1] * v[1] + m[2] * v[2]);
                [*r, *g, *b] = TO_SRGB.map(to);
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

    /// Red, green and blue of a crop: `[3, n, n]`.
    pub(super) fn cut(&self, crop: &Crop) -> Array3<f32> {
        let mut step = crop.step_x.abs().max(crop.step_y.abs());
        let mut level = 0;
        while step >= 2.0 && level + 1 < self.levels.len() {
            step *= 0.5;
            level += 1;
        }
        let mut out = Array3::zeros((3, crop.n, crop.n));
        for (channel, plane) in self.levels[level].iter().enumerate() {
            let whole = self.levels[0][0].dim();
            out.index_axis_mut(Axis(0), channel)
                .assign(&cut_plane(plane.view(), whole, crop));
        }
        out
    }
}

/// 2 x 2 means; a last odd row or column stands alone.
pub(super) fn halve(plane: ArrayView2<'_, f32>) -> Array2<f32> {
    let (h, w) = plane.dim();
    let mut out = Array2::zeros((h.div_ceil(2), w.div_ceil(2)));
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = 2 * (first + i);
            let (a, b) = (plane.row(y), plane.row((y + 1).min(h - 1)));
            for (x, v) in row.iter_mut().enumerate() {
                let (l, r) = (2 * x, (2 * x + 1).min(w - 1));
                *v = 0.25 * (a[l] + a[r] + b[l] + b[r]);
            }
        }
    });
    out
}

/// One plane of a crop. `whole` is the (height, width) of the picture that crop coordinates are
/// for; the plane may be a smaller copy of it.
pub(super) fn cut_plane(
    plane: ArrayView2<'_, f32>,
    whole: (usize, usize),
    crop: &Crop,
) -> Array2<f32> {
    let (sy, sx) = (
        plane.nrows() as f32 / whole.0 as f32,
        plane.ncols() as f32 / whole.1 as f32,
    );
    let mut out = Array2::zeros((crop.n, crop.n));
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = (first + i) as f32;
            for (x, v) in row.iter_mut().enumerate() {
                let mut sum = 0.0;
                for (dx, dy) in [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)] {
                    let p = crop.to_picture(Point {
                        x: x as f32 + dx,
                        y: y + dy,
                    });
                    if p.x >= 0.0 && p.y >= 0.0 && p.x <= whole.1 as f32 && p.y <= whole.0 as f32 {
                        sum += sample(plane, p.x * sx, p.y * sy);
                    }
                }
                *v = 0.25 * sum;
            }
        }
    });
    out
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

/// A crop's trust: 1 in the middle, fading smoothly to 0 over the outer `edge` of each half side.
#[inline]
pub(super) fn fade(p: Point, n: usize, edge: f32) -> f32 {
    let half = n as f32 / 2.0;
    let side = |v: f32| {
        let t = ((1.0 - ((v - half) / half).abs()) / edge).max(0.0).min(1.0);
        t * t * (3.0 - 2.0 * t)
    };
    side(p.x).min(side(p.y))
}
