//! Reading mattes at a picture's size, combining them, and carrying regions to a crop.

use std::ops::Range;

use ndarray::{ArcArray2, Array2, ArrayView2};

use super::{BackdropModel, Marks, Matte, Region, Regions};
use crate::picture::stretch::Stretch;
use crate::picture::{Point, Rect, Size, bands};

impl Region {
    /// The regions that have a matte of their own; the others are made of these.
    pub(super) const KEPT: [Region; 11] = [
        Region::Person,
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Brows,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
        Region::Clothing,
        Region::Worn,
    ];
}

impl Matte {
    /// A map that is read for a picture of its own size.
    pub fn exact(map: Array2<f32>) -> Self {
        let (height, width) = map.dim();
        Self {
            map: map.into_shared(),
            size: Size { width, height },
            origin: Point { x: 0.0, y: 0.0 },
            step: Point { x: 1.0, y: 1.0 },
            detail: None,
        }
    }

    /// Another coarse map that lies as this one's does, as it is at the picture's size too.
    pub fn with_map(&self, map: Array2<f32>) -> Self {
        Self {
            map: map.into_shared(),
            detail: None,
            ..self.clone()
        }
    }

    /// One value everywhere, for a picture of `size`.
    pub fn constant(size: Size, value: f32) -> Self {
        Self {
            map: ArcArray2::from_elem((1, 1), value),
            size,
            origin: Point { x: 0.0, y: 0.0 },
            step: Point { x: 0.0, y: 0.0 },
            detail: None,
        }
    }

    /// A reader for many rows; it works out once where each column reads.
    pub fn rows(&self) -> Rows<'_> {
        Rows::new(self)
    }

    /// Values of row `y` of the picture, into `out` (at most `size.width` of them are written;
    /// shorter is fine). 0 where the map is empty. [`Matte::rows`] reads many rows faster.
    pub fn fill_row(&self, y: usize, out: &mut [f32]) {
        self.rows().fill(y, out);
    }

    /// The value at one pixel of the picture, as [`Matte::fill_row`] gives it; 0 outside.
    pub fn at(&self, y: usize, x: usize) -> f32 {
        let (height, width) = self.map.dim();
        if self.map.is_empty() || x >= self.size.width || y >= self.size.height {
            return 0.0;
        }
        let (top, low, down) = between(self.down(y), height);
        let (left, right, across) = between(self.across(x), width);
        let mixed = |x: usize| mix(self.map[[top, x]], self.map[[low, x]], down);
        let coarse = mix(mixed(left), mixed(right), across);
        match &self.detail {
            Some(detail) => detail.sharpened(y, x, coarse),
            None => coarse,
        }
    }

    /// Map coordinate of the middle of a column, ...
    #[inline(always)]
    fn across(&self, x: usize) -> f32 {
        self.origin.x + self.step.x * (x as f32 + 0.5)
    }

    /// ... and of a row.
    #[inline(always)]
    fn down(&self, y: usize) -> f32 {
        self.origin.y + self.step.y * (y as f32 + 0.5)
    }

    /// A rectangle of the picture outside of which the matte is at most `empty`; found on the map,
    /// so it may be up to a map pixel too wide. `None` when it is so everywhere.
    pub fn bounds(&self, empty: f32) -> Option<Rect> {
        let (height, width) = self.map.dim();
        let (mut columns, mut rows) = ([width, 0], [height, 0]);
        for (y, row) in self.map.outer_iter().enumerate() {
            let Some(first) = row.iter().position(|&value| value > empty) else {
                continue;
            };
            let last = row
                .iter()
                .rposition(|&value| value > empty)
                .unwrap_or(first);
            columns = [columns[0].min(first), columns[1].max(last + 1)];
            rows = [rows[0].min(y), y + 1];
        }
        let across = reach(columns, width, self.origin.x, self.step.x, self.size.width)?;
        let down = reach(rows, height, self.origin.y, self.step.y, self.size.height)?;
        Some(Rect {
            left: across[0],
            top: down[0],
            width: across[1] - across[0],
            height: down[1] - down[0],
        })
    }

    /// The whole matte at the picture's size.
    pub fn whole(&self) -> Array2<f32> {
        let mut out = Array2::zeros((self.size.height, self.size.width));
        bands::each_band(out.view_mut(), |first, mut band| {
            let mut rows = self.rows();
            for (i, mut row) in band.outer_iter_mut().enumerate() {
                if let Some(row) = row.as_slice_mut() {
                    rows.fill(first + i, row);
                }
            }
        });
        out
    }

    /// Its mean over the picture, 0 to 1; read at no more than 512 x 512 places.
    pub fn area_share(&self) -> f32 {
        let (h, w) = (self.size.height, self.size.width);
        if h == 0 || w == 0 {
            return 0.0;
        }
        let (dy, dx) = (h.div_ceil(512), w.div_ceil(512));
        let mut rows = self.rows();
        let (mut sum, mut count) = (0.0f64, 0usize);
        for y in (dy / 2..h).step_by(dy) {
            for v in rows.row(y).iter().skip(dx / 2).step_by(dx) {
                sum += f64::from(*v);
                count += 1;
            }
        }
        (sum / count.max(1) as f64) as f32
    }

    /// The same map for a crop of a larger or smaller picture; what is finer than the map stays when
    /// the picture's size does.
    fn placed(&self, crop: Rect, full: Size) -> Self {
        let ratio = |a: usize, b: usize| a as f32 / b.max(1) as f32;
        let step = Point {
            x: self.step.x * ratio(self.size.width, full.width),
            y: self.step.y * ratio(self.size.height, full.height),
        };
        let origin = Point {
            x: self.origin.x + step.x * crop.left as f32,
            y: self.origin.y + step.y * crop.top as f32,
        };
        Self {
            map: self.map.clone(),
            size: crop.size(),
            origin,
            step,
            detail: self
                .detail
                .as_ref()
                .filter(|_| full == self.size)
                .map(|detail| detail.moved(crop)),
        }
    }

    pub(super) fn shares_geometry(&self, other: &Self) -> bool {
        self.size == other.size
            && self.origin == other.origin
            && self.step == other.step
            && self.map.dim() == other.map.dim()
    }
}

/// Reads a matte's rows, in any order, without working out anew where each column lies.
#[derive(Debug)]
pub struct Rows<'a> {
    matte: &'a Matte,
    stretch: Stretch,
    /// The map's two rows mixed.
    mixed: Vec<f32>,
    /// What [`Rows::row`] gives.
    row: Vec<f32>,
}

impl<'a> Rows<'a> {
    fn new(matte: &'a Matte) -> Self {
        let columns = matte.map.ncols();
        let place = |x| {
            let (left, _, share) = between(matte.across(x), columns);
            (left, share)
        };
        Self {
            matte,
            stretch: Stretch::new(columns, (0..matte.size.width).map(place)),
            mixed: vec![0.0; columns],
            row: Vec::new(),
        }
    }

    /// All values of row `y` of the picture.
    pub fn row(&mut self, y: usize) -> &[f32] {
        let mut row = std::mem::take(&mut self.row);
        row.resize(self.matte.size.width, 0.0);
        self.fill(y, &mut row);
        self.row = row;
        &self.row
    }

    /// The values of row `y` of the picture, as many as `out` holds and there are. 0 where the map
    /// is empty. Outside of the columns that are returned all are 0.
    pub fn fill(&mut self, y: usize, out: &mut [f32]) -> Range<usize> {
        let map = &self.matte.map;
        if map.is_empty() {
            out.fill(0.0);
            return 0..0;
        }
        // Down first, on the map's few columns, then across.
        let (top, low, share) = between(self.matte.down(y), map.nrows());
        let (top, low) = (map.row(top), map.row(low));
        let mixed = &mut self.mixed;
        if let (Some(top), Some(low)) = (top.to_slice(), low.to_slice()) {
            bands::vectorised(
                #[inline(always)]
                || {
                    for (mixed, (&a, &b)) in mixed.iter_mut().zip(top.iter().zip(low)) {
                        *mixed = mix(a, b, share);
                    }
                },
            );
        } else {
            for (mixed, (&a, &b)) in mixed.iter_mut().zip(top.iter().zip(low)) {
                *mixed = mix(a, b, share);
            }
        }
        let filled = self.stretch.fill(mixed, out);
        if let Some(detail) = &self.matte.detail {
            let count = out.len().min(self.matte.size.width);
            detail.sharpen(y, &mut out[..count]);
        }
        filled
    }
}

/// The value `share` of the way from `a` to `b`.
#[inline(always)]
fn mix(a: f32, b: f32, share: f32) -> f32 {
    a + (b - a) * share
}

/// The two map pixels around map coordinate `v`, and how far between them it lies.
#[inline(always)]
pub(super) fn between(v: f32, count: usize) -> (usize, usize, f32) {
    let v = (v - 0.5).max(0.0).min((count - 1) as f32);
    let low = v as usize;
    (low, (low + 1).min(count - 1), v - low as f32)
}

/// Picture pixels (first, one past the last) that read map pixels `from..to` of `count`; `None`
/// when that is none. Beyond the map's ends its outermost pixels are read.
fn reach(
    [from, to]: [usize; 2],
    count: usize,
    origin: f32,
    step: f32,
    length: usize,
) -> Option<[usize; 2]> {
    if to <= from || length == 0 {
        return None;
    }
    if step <= 0.0 {
        return Some([0, length]);
    }
    // A map pixel shows up to one pixel beside its centre.
    let at = |map: f32| ((map - origin) / step).max(0.0).min(length as f32);
    let first = if from == 0 {
        0
    } else {
        at(from as f32 - 0.5).floor() as usize
    };
    let end = if to == count {
        length
    } else {
        at(to as f32 + 0.5).ceil() as usize
    };
    (end > first).then_some([first, end])
}

impl BackdropModel {
    /// Readers of red, green and blue for many rows.
    pub fn rows(&self) -> [Rows<'_>; 3] {
        self.surface.each_ref().map(Matte::rows)
    }

    /// Red, green and blue of the backdrop along row `y` of the picture.
    pub fn fill_row(&self, y: usize, out: [&mut [f32]; 3]) {
        for (surface, row) in self.surface.iter().zip(out) {
            surface.fill_row(y, row);
        }
    }

    /// The same surface with every channel's map changed by `work`.
    pub fn mapped(&self, work: impl Fn(usize, ArrayView2<'_, f32>) -> Array2<f32>) -> Self {
        let mut out = self.clone();
        for (c, surface) in out.surface.iter_mut().enumerate() {
            surface.map = work(c, surface.map.view()).into_shared();
        }
        out
    }
}

impl Regions {
    /// The matte of one kept region.
    fn kept(&self, region: Region) -> Option<&Matte> {
        self.mattes
            .iter()
            .find(|(r, _)| *r == region)
            .map(|(_, m)| m)
    }

    /// One region's matte, whichever it is. `None` only for `Everything`.
    pub fn region(&self, region: Region) -> Matte {
        let sum = |a, b| self.union(&[a, b]);
        match region {
            Region::Everything => Matte::constant(self.size, 1.0),
            Region::Backdrop => {
                let mut person = self.region(Region::Person);
                person.map.mapv_inplace(|v| 1.0 - v);
                person.detail = person.detail.map(|detail| detail.inverted());
                person
            }
            Region::Skin => sum(Region::FaceSkin, Region::BodySkin),
            Region::Eyes => sum(Region::Sclera, Region::Iris),
            other => self
                .kept(other)
                .cloned()
                .unwrap_or_else(|| Matte::constant(self.size, 0.0)),
        }
    }

    /// Sum of several regions, at most 1: they are parts of one whole, so shares of a pixel add.
    /// `Person` and `Everything` hold others already, so there the larger counts.
    fn union(&self, on: &[Region]) -> Matte {
        if on.contains(&Region::Everything) {
            return Matte::constant(self.size, 1.0);
        }
        let mut parts: Vec<Region> = on.to_vec();
        parts.sort_unstable();
        parts.dedup();
        if parts.contains(&Region::Person) {
            if parts.contains(&Region::Backdrop) {
                return Matte::constant(self.size, 1.0);
            }
            return self.region(Region::Person);
        }
        // A named part beside the whole that holds it counts once.
        if parts.contains(&Region::Skin) {
            parts.retain(|r| !matches!(r, Region::FaceSkin | Region::BodySkin));
        }
        if parts.contains(&Region::Eyes) {
            parts.retain(|r| !matches!(r, Region::Sclera | Region::Iris));
        }
        let mut simple: Vec<Region> = parts
            .into_iter()
            .flat_map(|r| match r {
                Region::Skin => vec![Region::FaceSkin, Region::BodySkin],
                Region::Eyes => vec![Region::Sclera, Region::Iris],
                other => vec![other],
            })
            .collect();
        // A sum of parts has their detail, a sum that holds the backdrop the backdrop's.
        simple.sort_by_key(|&region| region != Region::Backdrop);
        let mattes = simple.into_iter().map(|r| self.region(r)).collect();
        combined(
            mattes,
            #[inline(always)]
            |a, b| (a + b).min(1.0),
        )
        .unwrap_or_else(|| Matte::constant(self.size, 0.0))
    }

    /// Where an operation works: all of `on` together, without what belongs to `except`.
    /// Nothing in `on` is nowhere.
    pub fn matte(&self, on: &[Region], except: &[Region]) -> Matte {
        if except.is_empty() {
            return self.union(on);
        }
        let (on, mut except) = (self.union(on), self.union(except));
        if on.detail.is_none() {
            // Only what is left of everything has an outline of its own.
            let all = on.map.iter().all(|&v| v == 1.0);
            let detail = except.detail.take().filter(|_| all);
            except.detail = detail.map(|detail| detail.inverted());
        }
        combined(
            vec![on, except],
            #[inline(always)]
            |a, b| a * (1.0 - b),
        )
        .unwrap_or_else(|| Matte::constant(self.size, 0.0))
    }

    /// The same regions for `crop` (in pixels of the upright picture at its size `full`): maps
    /// are kept as they are and read elsewhere, marks move to the crop's own pixels.
    pub fn placed(&self, crop: Rect, full: Size) -> Self {
        let scale = Point {
            x: full.width as f32 / self.size.width.max(1) as f32,
            y: full.height as f32 / self.size.height.max(1) as f32,
        };
        Self {
            size: crop.size(),
            marks: self.marks.as_ref().map(|m| m.placed(scale, crop)),
            mattes: self
                .mattes
                .iter()
                .map(|(r, m)| (*r, m.placed(crop, full)))
                .collect(),
            backdrop: self.backdrop.as_ref().map(|b| BackdropModel {
                surface: b.surface.each_ref().map(|m| m.placed(crop, full)),
            }),
            confidence: self.confidence,
            attention: self.attention.clone(),
        }
    }
}

impl Marks {
    fn placed(&self, scale: Point, crop: Rect) -> Self {
        let at = |p: &Point| Point {
            x: p.x * scale.x - crop.left as f32,
            y: p.y * scale.y - crop.top as f32,
        };
        let length = (scale.x * scale.y).sqrt();
        Self {
            eyes: self.eyes.each_ref().map(at),
            iris_radius: self.iris_radius.map(|r| r * length),
            eye_corners: self.eye_corners.each_ref().map(at),
            mouth: self.mouth.each_ref().map(at),
            nose: at(&self.nose),
            chin: at(&self.chin),
            crown: at(&self.crown),
            mesh: self.mesh.iter().map(at).collect(),
            turn: self.turn,
            tilt: self.tilt,
            openness: self.openness,
        }
    }
}

/// Mattes of one picture, value by value, each joined to what those before it gave, with the first
/// one's detail that has any. `None` of none.
fn combined(mattes: Vec<Matte>, with: impl Fn(f32, f32) -> f32 + Copy + Sync) -> Option<Matte> {
    let (first, others) = mattes.split_first()?;
    if !others.iter().all(|other| first.shares_geometry(other)) {
        let mut mattes = mattes.into_iter();
        let first = mattes.next()?;
        return Some(mattes.fold(first, |a, b| pair(a, b, with)));
    }
    // One pass over all maps, since each is larger than a cache.
    let mut map = Array2::zeros(first.map.dim());
    bands::each_band(map.view_mut(), |top, mut rows| {
        for (y, mut row) in rows.outer_iter_mut().enumerate() {
            row.assign(&first.map.row(top + y));
            for other in others {
                row.zip_mut_with(&other.map.row(top + y), |a, &b| *a = with(*a, b));
            }
        }
    });
    Some(Matte {
        map: map.into_shared(),
        detail: mattes.iter().find_map(|matte| matte.detail.clone()),
        ..*first
    })
}

/// Two mattes whose maps need not lie alike: where one is the same everywhere on the other's map,
/// else at the picture's size.
fn pair(a: Matte, b: Matte, with: impl Fn(f32, f32) -> f32) -> Matte {
    if a.shares_geometry(&b) {
        let mut out = a;
        out.detail = out.detail.or(b.detail);
        out.map.zip_mut_with(&b.map, |x, y| *x = with(*x, *y));
        return out;
    }
    if b.map.dim() == (1, 1) {
        let mut out = a;
        let value = b.map[[0, 0]];
        out.map.mapv_inplace(|v| with(v, value));
        return out;
    }
    if a.map.dim() == (1, 1) {
        let value = a.map[[0, 0]];
        let mut out = b;
        out.map.mapv_inplace(|v| with(value, v));
        return out;
    }
    let (left, right) = (a.whole(), b.whole());
    let mut out = left;
    out.zip_mut_with(&right, |x, y| *x = with(*x, *y));
    Matte::exact(out)
}
