//! Matching: brings the frames of one set to the exposure and white of its reference frame, from
//! the backdrop alone, never from skin.
//!
//! The same backdrop under the same lights sends the camera the same light at the same place of
//! the frame. So where both frames show bare backdrop, reference over frame is one factor per
//! camera colour: that of green is the exposure, the others over green are the white. Taken in the
//! camera's own colours, before gains and matrix, where light through a filter is proportional to
//! exposure (the von Kries rule holds there exactly for a narrow filter; J. von Kries, 1902).
//! The median over the places makes it indifferent to hair the matte missed and to falloff seen a
//! little shifted.
//!
//! A backdrop that is too far off, or whose light falls off otherwise, is another one: then nothing
//! is changed and a person is told.

use ndarray::{Array2, ArrayViewMut2, Axis};
use serde::{Deserialize, Serialize};

use crate::picture::matrix::{self, Matrix};
use crate::picture::{Linear, Size, Stops, math, resample};
use crate::raw::{Frame, SensorFrame};
use crate::recipe::{FORMAT, Recipe};
use crate::regions::{Region, Regions};
use crate::sensor::{self, Balance, Development};

use super::{Error, Set, Unavailable};

/// Why a finished picture is not matched.
pub(super) const UNAVAILABLE: Unavailable = Unavailable {
    step: "match",
    reason: "a finished picture has no sensor data any more",
};

/// Places along the frame's long side at which walls are compared. Falloff is smooth: more say the
/// same again.
const PLACES: usize = 60;
/// Share of a place that the sitter may cover.
const BARE: f32 = 0.01;
/// Fewest places that show the backdrop in both frames.
const FEWEST: usize = 20;
/// Furthest that exposures of one set are apart, in stops: twice what a photographer would let
/// waver, and short of a grey paper taken for a white one. Common practice, no source.
const MOST_STOPS: f32 = 1.25;
/// Furthest that red or blue is off green, in stops: a light of 5500 K seen as one of 4500 K changes
/// blue by about 0.4. Common practice, no source.
const MOST_TINT: f32 = 0.5;
/// Largest median deviation of one place from all, in stops: the falloff is another beyond.
/// The rendered office, moved and scaled by a twentieth, stays below 0.06; its mirror image has 0.2.
const MOST_SPREAD: f32 = 0.12;

/// What a job wants to be matched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Matching {
    /// Bring exposures together.
    pub exposure: bool,
    /// Bring whites together.
    pub white: bool,
}

/// The wall of the set's reference frame, as its camera saw it.
#[derive(Debug, Clone)]
pub struct Target {
    /// What is matched.
    pub matching: Matching,
    /// What the reference's camera noted as neutral: gains, green 1.
    pub(super) as_shot: Option<[f32; 3]>,
    wall: Wall,
}

/// What was changed on one frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Matched {
    /// Stops that were added.
    pub exposure: Stops,
    /// Factors on the gains of red, green and blue; green 1.
    pub gains: [f32; 3],
    /// Kelvin of the frame's own light less that of the reference's, where the camera's matrices
    /// tell.
    pub kelvin: Option<f32>,
    /// Median deviation of one place's factor from that of all.
    pub spread: Stops,
}

/// A frame's backdrop on a coarse grid, in the camera's own colours before gains; 0 where the sitter
/// is. Two of them tell what became of the light between two frames.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Wall([Array2<f32>; 3]);

/// How two walls differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Stops of red, green and blue by which the one is brighter than the other.
    pub stops: [f32; 3],
    /// Median deviation of one place from that, in stops.
    pub spread: f32,
}

/// The part of a frame in which walls are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// All of it.
    Whole,
    /// Its left third.
    Left,
    /// Its right third.
    Right,
}

/// A frame's way to the target.
pub(super) struct Correction {
    /// How to develop it.
    pub development: Development,
    /// For the sidecar.
    pub matched: Matched,
    /// From the working space as developed before to that as developed now.
    change: [[f32; 3]; 3],
}

impl Target {
    /// Reads the set's reference frame: one with a sitter (the first approved one), or the empty
    /// backdrop. `None` when it shows no backdrop, or is no raw.
    ///
    /// # Errors
    /// When its sensor data cannot be developed.
    pub fn of(frame: &Frame, empty: bool, matching: Matching) -> Result<Option<Self>, Error> {
        let Frame::Sensor(sensor) = frame else {
            return Ok(None);
        };
        let bare = Recipe {
            format: FORMAT,
            name: String::new(),
            steps: Vec::new(),
        };
        let how = Development::default();
        let colours = sensor::colours(sensor, &how)?;
        let wall = if empty {
            let small = super::empty_copy(frame)?;
            let light = small.planes.each_ref().map(|plane| {
                let whole = resample::shrink(plane.view(), places(small.size()));
                whole.mapv(|v| v.max(0.0))
            });
            Some(Wall(in_camera(light, &colours)))
        } else {
            let found = super::find(frame, &bare, &Set::default(), super::SMALL)?;
            Wall::of(&found.regions, &colours)
        };
        Ok(wall.map(|wall| Self {
            matching,
            as_shot: Some(colours.gains),
            wall,
        }))
    }
}

/// Size of the grid of places for a picture.
fn places(size: Size) -> Size {
    super::fitted(size, PLACES)
}

/// Working-space light as the camera saw it, before gains.
fn in_camera(light: [Array2<f32>; 3], colours: &sensor::Colours) -> [Array2<f32>; 3] {
    let back = matrix::to_f32(matrix::invert(wide(&colours.matrix)));
    let mut out = light.clone();
    for ((y, x), &r) in light[0].indexed_iter() {
        let balanced = matrix::apply_f32(&back, [r, light[1][[y, x]], light[2][[y, x]]]);
        for c in 0..3 {
            out[c][[y, x]] = balanced[c] / colours.gains[c];
        }
    }
    out
}

fn wide(m: &[[f32; 3]; 3]) -> Matrix {
    m.map(|row| row.map(f64::from))
}

impl Wall {
    /// The backdrop of a frame whose regions are known; `None` where none shows.
    fn of(regions: &Regions, colours: &sensor::Colours) -> Option<Self> {
        let backdrop = regions.backdrop.as_ref()?;
        let grid = places(regions.size);
        let covered = resample::shrink(regions.region(Region::Person).whole().view(), grid);
        let surface = backdrop
            .surface
            .each_ref()
            .map(|surface| resample::shrink(surface.map.view(), grid));
        let mut light = in_camera(surface, colours);
        for plane in &mut light {
            plane.zip_mut_with(&covered, |v, &a| {
                *v = if a < BARE { v.max(0.0) } else { 0.0 }
            });
        }
        Some(Self(light))
    }

    fn mirrored(&self) -> Self {
        Self(self.0.each_ref().map(|plane| {
            let mut plane = plane.clone();
            plane.invert_axis(Axis(1));
            plane
        }))
    }

    /// The wall of a raw frame in which the sitter was found; `None` where none shows.
    pub fn seen(frame: &Frame, found: &super::Found) -> Option<Self> {
        let Frame::Sensor(sensor) = frame else {
            return None;
        };
        let colours = sensor::colours(sensor, &found.development).ok()?;
        Self::of(&found.regions, &colours)
    }

    /// Mean light of red, green and blue where the wall is bare, as the camera saw it.
    pub fn mean(&self) -> [f32; 3] {
        self.0.each_ref().map(|plane| {
            let bare = plane.iter().filter(|v| **v > 0.0);
            let (sum, count) = bare.fold((0.0_f64, 0), |(sum, n), v| (sum + f64::from(*v), n + 1));
            (sum / f64::from(count.max(1))) as f32
        })
    }

    /// By how much this wall is brighter than another one's, where both are bare. `None` when that
    /// is hardly anywhere.
    pub fn over(&self, other: &Self, side: Side) -> Option<Difference> {
        let (_, width) = self.0[0].dim();
        if self.0[0].dim() != other.0[0].dim() {
            return None;
        }
        let columns = match side {
            Side::Whole => 0..width,
            Side::Left => 0..width / 3,
            Side::Right => width - width / 3..width,
        };
        let mut ratios: [Vec<f32>; 3] = Default::default();
        for (at, _) in self.0[0].indexed_iter() {
            if !columns.contains(&at.1) {
                continue;
            }
            let pair = |c: usize| (self.0[c][at], other.0[c][at]);
            let shown = |c: usize| pair(c).0 > 1e-5 && pair(c).1 > 1e-5;
            if (0..3).all(shown) {
                for (c, list) in ratios.iter_mut().enumerate() {
                    list.push(math::log2(pair(c).0 / pair(c).1));
                }
            }
        }
        if ratios[1].len() < FEWEST {
            return None;
        }
        let stops = ratios.each_ref().map(|list| median(list.clone()));
        let off = ratios[1].iter().map(|v| (v - stops[1]).abs()).collect();
        Some(Difference {
            stops,
            spread: median(off),
        })
    }
}

/// The middle value of a list that is not empty.
fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// What brings a frame, found in as `how` develops it, to the target; `None` when its backdrop is
/// another one.
///
/// # Errors
/// When the gains make no sense for the camera.
pub(super) fn correct(
    sensor: &SensorFrame,
    how: &Development,
    target: &Target,
    small: &Linear,
    regions: &Regions,
) -> Result<Option<Correction>, Error> {
    let before = sensor::colours(sensor, how)?;
    debug_assert_eq!(small.size(), regions.size);
    let Some(wall) = Wall::of(regions, &before) else {
        return Ok(None);
    };
    // A set may be turned round for somebody: then the backdrop is the reference's mirror image.
    let turned = target.wall.mirrored();
    let both = [&target.wall, &turned].map(|target| target.over(&wall, Side::Whole));
    let Some(Difference { stops, spread }) = both
        .into_iter()
        .flatten()
        .min_by(|one, other| one.spread.total_cmp(&other.spread))
    else {
        return Ok(None);
    };
    let tint = stops.map(|v| v - stops[1]);
    let far = stops[1].abs() > MOST_STOPS
        || tint.iter().any(|v| v.abs() > MOST_TINT)
        || spread > MOST_SPREAD;
    if far {
        return Ok(None);
    }
    let stops = if target.matching.exposure {
        stops[1]
    } else {
        0.0
    };
    let tint = if target.matching.white {
        tint
    } else {
        [0.0; 3]
    };
    let gains = tint.map(math::exp2);
    let development = Development {
        balance: match how.balance {
            // The chart's matrix stays.
            Balance::Chart { matrix, .. } => Balance::Chart {
                gains: [0, 1, 2].map(|c| before.gains[c] * gains[c]),
                matrix,
            },
            _ => Balance::Gains([0, 1, 2].map(|c| before.gains[c] * gains[c])),
        },
        exposure: Stops(how.exposure.0 + stops),
        ..how.clone()
    };
    let after = sensor::colours(sensor, &development)?;
    let kelvin = after.temperature.zip(before.temperature);
    let ratio = [0, 1, 2].map(|c| f64::from(after.gains[c] / before.gains[c]));
    let change = matrix::multiply(
        matrix::multiply(wide(&after.matrix), matrix::diagonal(ratio)),
        matrix::invert(wide(&before.matrix)),
    );
    Ok(Some(Correction {
        development,
        matched: Matched {
            exposure: Stops(stops),
            gains,
            kelvin: kelvin.map(|(after, before)| after[0] - before[0]),
            spread: Stops(spread),
        },
        change: matrix::to_f32(change),
    }))
}

impl Correction {
    /// Brings the small copy and the backdrop's model, found before, to the new light.
    pub(super) fn apply(&self, small: &mut Linear, regions: &mut Regions) {
        change(&mut small.planes, &self.change);
        if let Some(backdrop) = &mut regions.backdrop {
            let [red, green, blue] = &mut backdrop.surface;
            let planes = [&mut red.map, &mut green.map, &mut blue.map].map(|map| map.view_mut());
            change_planes(planes, &self.change);
        }
    }
}

fn change(planes: &mut [Array2<f32>; 3], by: &[[f32; 3]; 3]) {
    change_planes(planes.each_mut().map(|plane| plane.view_mut()), by);
}

fn change_planes([red, green, blue]: [ArrayViewMut2<'_, f32>; 3], by: &[[f32; 3]; 3]) {
    ndarray::Zip::from(red)
        .and(green)
        .and(blue)
        .for_each(|r, g, b| [*r, *g, *b] = matrix::apply_f32(by, [*r, *g, *b]));
}
