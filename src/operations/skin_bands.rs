//! The sitter's skin on a smaller grid, for operations that look far around.
//!
//! A wide blur needs no full resolution: skin is averaged into cells so that the narrowest blur
//! asked for is still more than a cell wide, all work is done there, and only the *change* is
//! carried back, bilinearly, to the picture's own pixels. Whatever is finer than a cell is never
//! touched by this path.
//!
//! Blurs are normalised convolutions (Knutsson and Westin, *Normalized and differential
//! convolution*, CVPR 1993): G * (w p) / G * w with the skin matte as the certainty w, so that
//! hair, lips, brows or backdrop never bleed into skin and no halo stands at their edge.

use ndarray::{Array2, Zip};

use crate::operations::Scene;
use crate::picture::filter::gaussian;
use crate::picture::stretch::Stretch;
use crate::picture::{EyeSpans, Oklab, Rect, Size, bands};
use crate::regions::{Matte, Region};

/// Cells per standard deviation of the narrowest blur. With 1.5 a bilinear reading of the blurred
/// plane is off by less than 1 % of a wave at the blur's half-power point.
const CELLS_PER_SIGMA: f32 = 1.5;

/// Below this much skin in reach a blurred value means nothing.
const LEAST_WEIGHT: f32 = 1e-4;

/// What the retouching operations never act on, whatever the skin matte says.
pub(crate) const NOT_SKIN: [Region; 6] = [
    Region::Hair,
    Region::Brows,
    Region::Eyes,
    Region::Lips,
    Region::Teeth,
    Region::Worn,
];

/// Skin, without [`NOT_SKIN`]; `None` when none is in the picture.
pub(crate) fn skin_matte(scene: &Scene) -> Option<(Matte, Rect)> {
    let matte = scene.regions.matte(&[Region::Skin], &NOT_SKIN);
    let bounds = bounds(&matte)?;
    Some((matte, bounds))
}

/// The sitter's skin, ready for blurs of a chosen width.
pub(crate) struct Skin {
    /// Where it is.
    pub matte: Matte,
    /// Averaged into cells.
    pub grid: SkinGrid,
    /// The chosen width in cells.
    pub sigma: f32,
}

impl Skin {
    /// Skin for blurs of at least `narrowest`; `None` where there is none, or where the picture
    /// has no pixel for that length.
    pub fn of(picture: &Oklab, scene: &Scene, narrowest: EyeSpans) -> Option<Self> {
        let pixels = scene.scale.pixels(narrowest);
        if pixels.is_nan() || pixels <= 0.0 {
            return None;
        }
        let (matte, bounds) = skin_matte(scene)?;
        let grid = SkinGrid::new(picture, &matte, bounds, pixels);
        let sigma = grid.cells(pixels);
        Some(Self { matte, grid, sigma })
    }
}

/// The smallest rectangle of picture pixels outside of which the matte is 0.
pub(crate) fn bounds(matte: &Matte) -> Option<Rect> {
    let Size { width, height } = matte.size;
    if width == 0 || height == 0 {
        return None;
    }
    let (mut top, mut bottom, mut left, mut right) = (usize::MAX, 0, usize::MAX, 0);
    for ((y, x), &value) in matte.map.indexed_iter() {
        if value > 0.0 {
            (top, bottom) = (top.min(y), bottom.max(y));
            (left, right) = (left.min(x), right.max(x));
        }
    }
    if top == usize::MAX {
        return None;
    }
    // A map pixel reaches one map pixel to either side of its centre.
    let first = |i: usize, origin: f32, step: f32| {
        ((i as f32 - 0.5 - origin) / step).floor().max(0.0) as usize
    };
    let last = |i: usize, origin: f32, step: f32, end: usize, of: usize| {
        // The map's own edge is clamped: it goes on to the picture's edge.
        if i + 1 == of {
            end
        } else {
            (((i as f32 + 1.5 - origin) / step).ceil().max(0.0) as usize).min(end)
        }
    };
    let (rows, columns) = matte.map.dim();
    let from_x = if left == 0 {
        0
    } else {
        first(left, matte.origin.x, matte.step.x)
    };
    let from_y = if top == 0 {
        0
    } else {
        first(top, matte.origin.y, matte.step.y)
    };
    let to_x = last(right, matte.origin.x, matte.step.x, width, columns);
    let to_y = last(bottom, matte.origin.y, matte.step.y, height, rows);
    (from_x < to_x && from_y < to_y).then(|| Rect {
        left: from_x,
        top: from_y,
        width: to_x - from_x,
        height: to_y - from_y,
    })
}

/// Skin averaged into square cells.
pub(crate) struct SkinGrid {
    /// Pixels of the picture that the cells cover.
    pub bounds: Rect,
    /// Pixels per cell, each way.
    pub step: usize,
    /// Certainty of each cell: the mean square of the matte, so that pixels half hair count a
    /// quarter.
    pub weight: Array2<f32>,
    /// Mean L, a, b of the skin in each cell; 0 where there is none.
    pub planes: [Array2<f32>; 3],
    /// Where the picture's columns lie between cells.
    stretch: Stretch,
}

impl SkinGrid {
    /// Averages the skin of `picture` for blurs of at least `sigma` pixels.
    pub fn new(picture: &Oklab, matte: &Matte, bounds: Rect, sigma: f32) -> Self {
        let longest = bounds.width.max(bounds.height) as f32;
        let step = (sigma / CELLS_PER_SIGMA).floor().clamp(1.0, longest) as usize;
        let (rows, columns) = (bounds.height.div_ceil(step), bounds.width.div_ceil(step));
        let end = bounds.left + bounds.width;
        let pixel_rows = |row: usize| {
            let from = bounds.top + row * step;
            from..(from + step).min(bounds.top + bounds.height)
        };
        let mut weight = Array2::zeros((rows, columns));
        bands::each_band(weight.view_mut(), |first, mut band| {
            let (mut rows, mut skin) = (matte.rows(), vec![0.0; end]);
            for (i, mut cells) in band.rows_mut().into_iter().enumerate() {
                for y in pixel_rows(first + i) {
                    rows.fill(y, &mut skin);
                    for (cell, pixels) in cells.iter_mut().zip(skin[bounds.left..].chunks(step)) {
                        *cell += pixels.iter().map(|m| m * m).sum::<f32>();
                    }
                }
            }
        });
        let mut planes = [(); 3].map(|()| Array2::zeros((rows, columns)));
        let new = || (matte.rows(), vec![0.0; end]);
        bands::each_row_with(&mut planes, new, |(rows, skin), row, cells| {
            for y in pixel_rows(row) {
                rows.fill(y, skin);
                let skin = &mut skin[bounds.left..];
                skin.iter_mut().for_each(|m| *m *= *m);
                for c in 0..3 {
                    let pixels = picture.planes[c].row(y);
                    let pixels = pixels.to_slice().expect("planes are contiguous");
                    let pixels = pixels[bounds.left..end].chunks(step).zip(skin.chunks(step));
                    for (cell, (values, skin)) in cells[c].iter_mut().zip(pixels) {
                        *cell += values.iter().zip(skin).map(|(v, m)| v * m).sum::<f32>();
                    }
                }
            }
        });
        let to_mean =
            |cell: &mut f32, &sum: &f32| *cell = if sum > 0.0 { *cell / sum } else { 0.0 };
        for plane in &mut planes {
            plane.zip_mut_with(&weight, to_mean);
        }
        let pixels = (step * step) as f32;
        weight.mapv_inplace(|sum| sum / pixels);
        let place = |x| {
            let (before, _, share) = between(x, step, columns);
            (before, share)
        };
        Self {
            bounds,
            step,
            weight,
            planes,
            stretch: Stretch::new(columns, (0..bounds.width).map(place)),
        }
    }

    /// A length in pixels of the picture, in cells.
    pub fn cells(&self, pixels: f32) -> f32 {
        pixels / self.step as f32
    }

    /// The certainty within a Gaussian of `sigma` cells.
    pub fn reach(&self, sigma: f32) -> Array2<f32> {
        gaussian(self.weight.view(), sigma)
    }

    /// Blur of `plane` over skin alone; `reach` is [`SkinGrid::reach`] of the same `sigma`.
    pub fn blurred(&self, plane: &Array2<f32>, sigma: f32, reach: &Array2<f32>) -> Array2<f32> {
        let mut out = gaussian((plane * &self.weight).view(), sigma);
        out.zip_mut_with(reach, |sum, &w| {
            *sum = if w > LEAST_WEIGHT { *sum / w } else { 0.0 }
        });
        out
    }

    /// L, a and b blurred over skin alone, `sigma` in cells.
    pub fn means(&self, sigma: f32) -> [Array2<f32>; 3] {
        let reach = self.reach(sigma);
        self.planes
            .each_ref()
            .map(|plane| self.blurred(plane, sigma, &reach))
    }

    /// Mean of `plane` over the skin; 0 without skin.
    pub fn average(&self, plane: &Array2<f32>) -> f32 {
        let (mut sum, mut weight) = (0.0_f64, 0.0_f64);
        Zip::from(plane).and(&self.weight).for_each(|&v, &w| {
            sum += f64::from(v * w);
            weight += f64::from(w);
        });
        if weight > 0.0 {
            (sum / weight) as f32
        } else {
            0.0
        }
    }

    /// How far a change of L, a or b moves the sitter's mean skin, to be taken away again. Weighted
    /// by lightness: halfway between what keeps the mean of L, a, b and what keeps that of light
    /// (whose slope goes with L squared), so that neither moves visibly.
    pub fn drift(&self, change: &Array2<f32>) -> f32 {
        let light = &self.planes[0];
        let all = self.average(light);
        if all > 0.0 {
            self.average(&(change * light)) / all
        } else {
            0.0
        }
    }

    /// Changes the skin's pixels: `work(pixel, change)` gives the pixel as it is with all of the
    /// `change` (read from the cells, bilinearly) applied; the matte mixes it in.
    pub fn change(
        &self,
        picture: &mut Oklab,
        matte: &Matte,
        change: [&Array2<f32>; 3],
        work: impl Fn([f32; 3], [f32; 3]) -> [f32; 3] + Sync,
    ) {
        let Rect {
            left,
            top,
            width,
            height,
        } = self.bounds;
        let new = || (matte.rows(), vec![0.0; left + width]);
        bands::each_row_with(&mut picture.planes, new, |(rows, skin), y, [l, a, b]| {
            if y < top || y >= top + height {
                return;
            }
            let inside = rows.fill(y, skin);
            if inside.end <= inside.start.max(left) {
                return;
            }
            let change = change.map(|plane| self.row(plane, y));
            let columns = inside.start.max(left)..inside.end;
            let changes = change.each_ref().map(|row| &row[columns.start - left..]);
            let changes = changes[0].iter().zip(changes[1]).zip(changes[2]);
            let [l, a, b] = [l, a, b].map(|row| &mut row[columns.clone()]);
            let pixels = l.iter_mut().zip(a).zip(b).zip(&skin[columns]);
            bands::vectorised(
                #[inline(always)]
                || {
                    for ((((l, a), b), &m), ((&dl, &da), &db)) in pixels.zip(changes) {
                        let old = [*l, *a, *b];
                        let new = work(old, [dl, da, db]);
                        let mixed = |c: usize| old[c] + m * (new[c] - old[c]);
                        let on_skin = m > 0.0;
                        *l = if on_skin { mixed(0) } else { old[0] };
                        *a = if on_skin { mixed(1) } else { old[1] };
                        *b = if on_skin { mixed(2) } else { old[2] };
                    }
                },
            );
        });
    }

    /// `plane` along the picture's row `y`, at the pixels of [`SkinGrid::bounds`].
    pub fn row(&self, plane: &Array2<f32>, y: usize) -> Vec<f32> {
        let (above, below, share) = between(y - self.bounds.top, self.step, plane.nrows());
        let cells: Vec<f32> = plane
            .row(above)
            .iter()
            .zip(plane.row(below))
            .map(|(a, b)| a + (b - a) * share)
            .collect();
        let mut row = vec![0.0; self.bounds.width];
        self.stretch.fill(&cells, &mut row);
        row
    }
}

/// The two cells around a pixel's centre, and how far it lies from the first to the second.
#[inline(always)]
fn between(pixel: usize, step: usize, cells: usize) -> (usize, usize, f32) {
    let at = ((pixel as f32 + 0.5) / step as f32 - 0.5).max(0.0);
    let first = (at as usize).min(cells - 1);
    (first, (first + 1).min(cells - 1), at - first as f32)
}
