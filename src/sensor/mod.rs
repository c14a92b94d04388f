//! From a sensor's samples to linear light in the working space.
//!
//! Black is taken off and white set to 1 per site, what lens and sensor did is mended where asked
//! ([`lens`]), gains make the light neutral; the mosaic's
//! square roots are filled in to three planes ([`learned`], [`general`]), noise is taken off on
//! the way or there ([`denoise`]),
//! clipped channels are rebuilt from the others ([`highlights`]), and the camera's matrix takes the
//! colours to the working space ([`camera`]). A diffuse white that just fills the green sites is
//! 1.0 before exposure.
//!
//! Square roots have two reasons: noise is about the same in dark and bright parts (M. S.
//! Bartlett, "The square root transformation in analysis of variance", 1936; F. J. Anscombe 1948),
//! and errors count about as eyes see them.
//!
//! Every output pixel depends on its own neighbourhood and on figures of the whole frame only, so
//! a window gives the pixels of the whole to the bit, at any thread count.

mod camera;
pub mod chart;
mod denoise;
mod general;
mod highlights;
mod learned;
pub mod lens;
mod noise;
mod quick;
mod sites;

use ndarray::{Array2, Axis, Slice};
use serde::{Deserialize, Serialize};

use crate::picture::{Linear, Ratio, Rect, Size, Stops, bands};
use crate::raw::{Pattern, Samples, SensorFrame};

use camera::Camera;
use lens::Lens;
use sites::Sites;

pub use quick::develop_small;

/// How a frame is developed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Development {
    /// What counts as neutral.
    pub balance: Balance,
    /// Added to the camera's baseline exposure.
    pub exposure: Stops,
    /// How much of the estimated noise is taken off: 0 none, to the bit, 1 all.
    pub denoise: Ratio,
    /// The frame's own noise, if somebody looked for it before ([`noise_of`]); else it is looked for
    /// where noise is taken off.
    #[serde(default)]
    pub noise: Option<[[f32; 2]; 3]>,
    /// What becomes of clipped channels.
    pub highlights: Highlights,
    /// What is mended on the mosaic.
    #[serde(default)]
    pub lens: Lens,
}

impl Default for Development {
    fn default() -> Self {
        Self {
            balance: Balance::AsShot,
            exposure: Stops(0.0),
            denoise: Ratio(0.0),
            noise: None,
            highlights: Highlights::Rebuilt,
            lens: Lens::default(),
        }
    }
}

/// What counts as neutral.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Balance {
    /// What the camera noted; without that, the camera's daylight (D65), or no gains at all.
    AsShot,
    /// Gains of red, green and blue, green 1; from a grey patch, say ([`balance_of_patch`]).
    Gains([f32; 3]),
    /// What a colour chart says ([`chart`]): its gains, and its matrix instead of the camera's.
    Chart {
        /// Gains of red, green and blue, green 1.
        gains: [f32; 3],
        /// White-balanced camera colours to the working space, by rows that add up to 1.
        matrix: [[f32; 3]; 3],
    },
    /// A light's correlated colour temperature, and its tint (positive: the light is greenish;
    /// 3000 steps per unit of CIE 1960 uv away from the Planckian locus).
    Temperature {
        /// Kelvin, 1700 to 50000.
        kelvin: f32,
        /// About -150 to 150.
        tint: f32,
    },
}

/// What becomes of clipped channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Highlights {
    /// Rebuilt from the channels that are not clipped; neutral where none is left.
    Rebuilt,
    /// Cut off where the first channel clips.
    Clipped,
}

/// A developed frame.
#[derive(Debug, Clone)]
pub struct Developed {
    /// Working space, as the sensor lies ([`crate::raw::Orientation::turn_picture`] turns it).
    pub picture: Linear,
    /// What was found out on the way.
    pub notes: Notes,
}

/// What was found out and used while a frame was developed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notes {
    /// Gains of red, green and blue that were used.
    pub gains: [f32; 3],
    /// Where the gains come from.
    pub balance_source: BalanceSource,
    /// Where the colours come from.
    pub colour_source: ColourSource,
    /// Correlated colour temperature in kelvin and tint that the gains stand for, if the camera's
    /// matrices tell.
    pub temperature: Option<[f32; 2]>,
    /// White-balanced camera colours to the working space, by rows.
    pub matrix: [[f32; 3]; 3],
    /// Share of the window's sites that are clipped.
    pub clipped: Ratio,
    /// Variance per colour on the balanced scale is `a x + b`; `None` when it was not needed.
    pub noise: Option<[[f32; 2]; 3]>,
}

/// Where gains come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum BalanceSource {
    /// The camera noted them.
    AsShot,
    /// Asked for.
    Asked,
    /// The camera noted none: its matrix under D65.
    Daylight,
    /// The camera noted none and has no matrix: 1.
    None,
}

/// Where colours come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ColourSource {
    /// The frame's matrices.
    Matrices,
    /// The set's colour chart.
    Chart,
    /// No usable matrix: the camera's colours are taken for those of the working space.
    Neutral,
}

/// Why a frame cannot be developed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Error {
    /// The frame breaks a rule.
    #[error("{place}: expected {rule}")]
    Malformed {
        /// What is wrong.
        place: &'static str,
        /// What should hold.
        rule: &'static str,
    },
    /// A sensor that no method here develops.
    #[error("filters in blocks of {rows} x {columns} are not developed: only 2 x 2 and 6 x 6")]
    Unsupported {
        /// Rows of the block.
        rows: usize,
        /// Columns of the block.
        columns: usize,
    },
    /// The request breaks a rule.
    #[error("{place}: expected {rule}")]
    Limit {
        /// What is asked for.
        place: &'static str,
        /// What is possible.
        rule: &'static str,
    },
}

fn malformed(place: &'static str, rule: &'static str) -> Error {
    Error::Malformed { place, rule }
}

fn limit(place: &'static str, rule: &'static str) -> Error {
    Error::Limit { place, rule }
}

/// Develops `window` (in sites of the active area) of a frame.
///
/// # Errors
/// When the window leaves the active area or the frame's levels make no sense.
pub fn develop(frame: &SensorFrame, window: Rect, how: &Development) -> Result<Developed, Error> {
    let plan = Plan::new(frame, how)?;
    let sites = Sites::new(frame, plan.gains)?.mended(&how.lens);
    check_window(window, &sites)?;
    let noise = match how.noise {
        _ if how.denoise.0 <= 0.0 => None,
        None => noise_of(frame, true)?,
        known => known,
    };
    let working = plan.working();
    let planes = light_of(
        frame,
        &sites,
        window,
        plan.gains,
        how.denoise,
        noise,
        #[inline(always)]
        move |rows| working.row(rows),
    );
    let clipped = sites.clipped(window);
    let noise = noise.map(|noise| balanced(noise, plan.gains));
    Ok(Developed {
        picture: Linear { planes },
        notes: plan.notes(clipped, noise),
    })
}

/// Fills in the mosaic of `window` without any colour matrix: balanced camera colours, linear.
/// Noise is taken off if its size is given (as by [`noise_of`]).
///
/// For measuring; [`develop`] is what pictures are made with.
///
/// # Errors
/// As [`develop`].
pub fn demosaic(
    frame: &SensorFrame,
    window: Rect,
    gains: [f32; 3],
    denoise: Ratio,
    noise: Option<[[f32; 2]; 3]>,
) -> Result<Linear, Error> {
    let sites = Sites::new(frame, gains)?;
    check_window(window, &sites)?;
    Ok(Linear {
        planes: light_of(frame, &sites, window, gains, denoise, noise, |_| {}),
    })
}

/// The frame's noise, found in its visible crop: variance at a site is `a x + b` for each colour,
/// on the scale where black is 0 and white 1. What the file says (DNG NoiseProfile) serves where
/// the frame has too few calm places; `None` where neither tells.
///
/// `alike`: one line for all colours, as in any camera whose samples were not balanced.
///
/// # Errors
/// As [`develop`], for the crop.
pub fn noise_of(frame: &SensorFrame, alike: bool) -> Result<Option<[[f32; 2]; 3]>, Error> {
    let sites = Sites::new(frame, [1.0; 3])?;
    check_window(frame.crop, &sites)?;
    let found = match &frame.pattern {
        // Three samples a site were computed from others: no noise model holds.
        Pattern::Linear => None,
        pattern => {
            let alike = alike || *pattern == Pattern::Monochrome;
            let found = noise::estimate(&sites, frame.crop, alike);
            match pattern {
                Pattern::Bayer(_) => found.map(|noise| learned::lowered(&sites, frame.crop, noise)),
                _ => found,
            }
        }
    };
    let usable = |noise: &[[f32; 2]; 3]| {
        noise
            .iter()
            .all(|&[a, b]| (0.0..1.0).contains(&a) && (0.0..1.0).contains(&b))
    };
    Ok(found.or(frame.noise_profile).filter(usable))
}

/// A frame's noise after its colours were multiplied by gains.
fn balanced(noise: [[f32; 2]; 3], gains: [f32; 3]) -> [[f32; 2]; 3] {
    std::array::from_fn(|c| [noise[c][0] * gains[c], noise[c][1] * gains[c] * gains[c]])
}

/// Balanced light of `window`: filled in on square roots, noise taken off there, squared again, and
/// each row handed to `finish` while it is in the cache.
fn light_of(
    frame: &SensorFrame,
    sites: &Sites<'_>,
    window: Rect,
    gains: [f32; 3],
    strength: Ratio,
    noise: Option<[[f32; 2]; 3]>,
    finish: impl Fn([&mut [f32]; 3]) + Sync + Copy,
) -> [Array2<f32>; 3] {
    let origin = [window.top as isize, window.left as isize];
    let visible = |noise: &[[f32; 2]; 3]| {
        let noise = balanced(*noise, gains);
        let lift = lift_for(noise[1]);
        noise.iter().any(|&line| deviation(line, lift) > INVISIBLE)
    };
    let squared = |lift: f32, lost: [f32; 3]| {
        move |rows: [&mut [f32]; 3]| {
            bands::vectorised(
                #[inline(always)]
                || square(rows, lift, lost, finish),
            );
        }
    };
    let Some(noise) = noise.filter(|noise| strength.0 > 0.0 && visible(noise)) else {
        let mut planes = planes_of(window.size());
        let squared = squared(0.0, [0.0; 3]);
        if let Pattern::Bayer(_) = frame.pattern {
            learned::fill_in(sites, origin, 0.0, None, &mut planes, squared);
        } else {
            fill_in(sites, &frame.pattern, origin, 0.0, &mut planes);
            bands::each_row(&mut planes, |_, rows| squared(rows));
        }
        return planes;
    };
    let noise = balanced(noise, gains);
    let lift = lift_for(noise[1]);
    let deviation = noise.map(|noise| deviation(noise, lift));
    if let Pattern::Bayer(_) = frame.pattern {
        let [light, colour, _] = denoise::shares(strength);
        let noise = learned::Noise {
            deviation,
            shares: [light, colour],
        };
        // What the net gives, squared, is light without noise. Noise that is put back in part lacks
        // some of the variance that squares add to the mean of all of it.
        let lost = deviation.map(|deviation| light * (1.0 - light) * deviation * deviation);
        let (noise, squared) = (Some(noise), squared(lift, lost));
        let mut planes = planes_of(window.size());
        learned::fill_in(sites, origin, lift, noise, &mut planes, squared);
        return planes;
    }
    // Blocks have their own raster in the active area.
    let step = denoise::ALIGNED as isize;
    let margin = denoise::MARGIN as isize;
    let begin = origin.map(|at| (at - margin).div_euclid(step) * step);
    let size = window.size();
    let [height, width] = [(size.height, 0), (size.width, 1)].map(|(length, axis)| {
        let end = origin[axis] + length as isize + margin - begin[axis];
        (end as usize).next_multiple_of(denoise::ALIGNED)
    });
    let mut planes = planes_of(Size { width, height });
    fill_in(sites, &frame.pattern, begin, lift, &mut planes);
    let spectrum = denoise::spectrum(flat_noise(frame, deviation));
    denoise::denoise(&mut planes, &spectrum, strength);
    let [top, left] = [0, 1].map(|axis| (origin[axis] - begin[axis]) as usize);
    let rows = Slice::from(top..top + size.height);
    let columns = Slice::from(left..left + size.width);
    let mut planes = planes.map(|plane| {
        plane
            .slice_axis(Axis(0), rows)
            .slice_axis(Axis(1), columns)
            .as_standard_layout()
            .to_owned()
    });
    // The mean of squares is the square of the mean plus the variance that was taken off.
    let lost = deviation.map(|deviation| denoise::taken(strength) * deviation * deviation);
    let squared = squared(lift, lost);
    bands::each_row(&mut planes, |_, rows| squared(rows));
    planes
}

/// Deviation of roots of light that nobody sees: an eighth of a step of 8 bits. Common practice, no
/// source.
const INVISIBLE: f32 = 0.125 / 255.0;

/// What is added to light before its root is taken, so that noise is even down to black:
/// 3/8 a + b / a (generalised Anscombe transform: F. Murtagh, J.-L. Starck, A. Bijaoui, "Image
/// restoration with noise suppression using a multiresolution support", 1995). At most 0.05: that
/// is a read noise of a fifth of full scale beside the shot noise of 20 electrons.
fn lift_for([a, b]: [f32; 2]) -> f32 {
    (0.375 * a + b / a.max(1.0e-9)).min(0.05)
}

/// Standard deviation of the root of light: at a tenth of full scale, which is like anywhere else.
fn deviation([a, b]: [f32; 2], lift: f32) -> f32 {
    ((0.1 * a + b) / (4.0 * (0.1 + lift))).sqrt()
}

/// What demosaicing makes of flat light with this noise, without the light.
fn flat_noise(frame: &SensorFrame, deviation: [f32; 3]) -> [Array2<f32>; 3] {
    const SIDE: usize = 384;
    const ROOT: f32 = 0.5;
    let pattern = match &frame.pattern {
        Pattern::Linear => Pattern::Monochrome,
        pattern => pattern.clone(),
    };
    let mut flat = SensorFrame::from_light(Array2::zeros((SIDE, SIDE)), pattern);
    let mut noise = Array2::zeros((SIDE, SIDE));
    let Ok(sites) = Sites::new(&flat, [1.0; 3]) else {
        return planes_of(flat.crop.size());
    };
    let mut state = 0_u64;
    for ((y, x), value) in noise.indexed_iter_mut() {
        let root = ROOT + deviation[sites.colour(y, x)] * gaussian(&mut state);
        *value = root * root;
    }
    flat.samples = Samples::Float(noise);
    let mut planes = planes_of(flat.crop.size());
    if let Ok(sites) = Sites::new(&flat, [1.0; 3]) {
        fill_in(&sites, &flat.pattern, [0, 0], 0.0, &mut planes);
    }
    planes.map(|plane| plane - ROOT)
}

/// Nearly Gaussian numbers of mean 0 and deviation 1, always the same: twelve uniform ones from
/// SplitMix64 (S. Vigna's, public domain), added up.
fn gaussian(state: &mut u64) -> f32 {
    let mut sum = -6.0;
    for _ in 0..12 {
        *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = *state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        sum += (z >> 40) as f32 / (1_u64 << 24) as f32;
    }
    sum
}

/// Squares a row of roots, takes off what was added before, adds what the noise had held, and hands
/// the row on.
#[inline(always)]
fn square(rows: [&mut [f32]; 3], lift: f32, lost: [f32; 3], finish: impl Fn([&mut [f32]; 3])) {
    let [first, second, third] = rows;
    for (row, lost) in [
        (&mut *first, lost[0]),
        (&mut *second, lost[1]),
        (&mut *third, lost[2]),
    ] {
        row.iter_mut().for_each(|v| *v = *v * *v - lift + lost);
    }
    finish([first, second, third]);
}

/// Where a frame's visible sites are clipped: the share of them in each square of `step` sites, in the
/// sensor's orientation.
///
/// # Errors
/// As [`develop`], and when `step` is 0.
pub fn clipped(frame: &SensorFrame, step: usize) -> Result<Array2<f32>, Error> {
    let sites = Sites::new(frame, [1.0; 3])?;
    check_window(frame.crop, &sites)?;
    if step == 0 {
        return Err(limit("squares", "at least one site wide"));
    }
    let size = frame.crop.size();
    let channels = frame.planes();
    let mut shares = Array2::zeros((size.height.div_ceil(step), size.width.div_ceil(step)));
    bands::each_band(shares.view_mut(), |first, mut rows| {
        let mut line = vec![0.0; size.width * channels];
        for (i, mut row) in rows.rows_mut().into_iter().enumerate() {
            let top = (first + i) * step;
            let bottom = (top + step).min(size.height);
            for y in top..bottom {
                let at = frame.crop.top + y;
                sites.row(at as isize, frame.crop.left as isize, &mut line);
                for (share, square) in row.iter_mut().zip(line.chunks(channels * step)) {
                    let full = |(k, light): (usize, &f32)| {
                        let colour = if channels == 3 { k % 3 } else { 0 };
                        *light >= sites.clip(colour)
                    };
                    let clipped = square.iter().enumerate().filter(|site| full(*site)).count();
                    *share += clipped as f32 / (square.len() * (bottom - top)) as f32;
                }
            }
        }
    });
    Ok(shares)
}

/// How a development takes a camera's light to the working space, without touching a pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Colours {
    /// Gains of red, green and blue, green 1.
    pub gains: [f32; 3],
    /// Balanced camera light to the working space, exposure included, by rows. Light that clipped
    /// went another way.
    pub matrix: [[f32; 3]; 3],
    /// Correlated colour temperature in kelvin and tint of the light that the gains make neutral,
    /// if the camera's matrices tell.
    pub temperature: Option<[f32; 2]>,
}

/// The colours that [`develop`] would work with.
///
/// # Errors
/// When the gains that are asked for make no sense.
pub fn colours(frame: &SensorFrame, how: &Development) -> Result<Colours, Error> {
    let plan = Plan::new(frame, how)?;
    Ok(Colours {
        gains: plan.gains,
        matrix: plan.matrix.map(|row| row.map(|v| v * plan.exposure)),
        temperature: plan.temperature,
    })
}

/// Gains that make the mean of a patch neutral: a grey card in a reference frame.
///
/// # Errors
/// When the patch leaves the active area, has no site of some colour, or is black or clipped.
pub fn balance_of_patch(frame: &SensorFrame, patch: Rect) -> Result<[f32; 3], Error> {
    let sites = Sites::new(frame, [1.0; 3])?;
    check_window(patch, &sites)?;
    let (sums, counts, clipped) = sites.sums(patch);
    if clipped > 0.01 {
        return Err(limit(
            "grey patch",
            "fewer than one site in a hundred clipped",
        ));
    }
    let mean: [f64; 3] = std::array::from_fn(|c| sums[c] / counts[c] as f64);
    // A thousandth of full scale: below that, black level errors would set the colour.
    if counts.contains(&0) || mean.iter().any(|&v| v < 1.0e-3) {
        return Err(limit(
            "grey patch",
            "light above a thousandth of white in every colour",
        ));
    }
    Ok(mean.map(|v| (mean[1] / v) as f32))
}

/// What is decided for a frame before any pixel is touched.
struct Plan {
    gains: [f32; 3],
    balance_source: BalanceSource,
    colour_source: ColourSource,
    temperature: Option<[f32; 2]>,
    matrix: [[f32; 3]; 3],
    exposure: f32,
    highlights: Highlights,
}

impl Plan {
    fn new(frame: &SensorFrame, how: &Development) -> Result<Self, Error> {
        let camera = Camera::new(&frame.matrices, frame.analog_balance);
        let (mut gains, balance_source) = gains(frame, &camera, how.balance)?;
        if matches!(frame.pattern, Pattern::Monochrome) {
            gains = [1.0; 3];
        }
        let matrix = match frame.pattern {
            Pattern::Monochrome => None,
            _ => match how.balance {
                Balance::Chart { matrix, .. } => Some(matrix.map(|row| row.map(f64::from))),
                _ => camera.to_working(gains),
            },
        };
        let temperature = camera
            .white_of_neutral(gains.map(|gain| 1.0 / f64::from(gain)))
            .map(camera::temperature_of)
            .map(|(kelvin, tint)| [kelvin as f32, tint as f32]);
        let baseline = if frame.baseline_exposure.is_finite() {
            frame.baseline_exposure
        } else {
            0.0
        };
        // Ten stops either way is more than any sensor holds.
        let stops = (how.exposure.0 + baseline).clamp(-10.0, 10.0);
        Ok(Self {
            gains,
            balance_source,
            colour_source: match (how.balance, &matrix) {
                (_, None) => ColourSource::Neutral,
                (Balance::Chart { .. }, _) => ColourSource::Chart,
                _ => ColourSource::Matrices,
            },
            temperature,
            matrix: matrix
                .unwrap_or(camera::IDENTITY)
                .map(|row| row.map(|v| v as f32)),
            exposure: libm::exp2f(stops),
            highlights: how.highlights,
        })
    }

    /// The way from balanced camera colours to the working space.
    fn working(&self) -> Working {
        Working {
            matrix: self.matrix.map(|row| row.map(|v| v * self.exposure)),
            clip: self.gains,
            highlights: self.highlights,
        }
    }

    /// Takes balanced camera colours to the working space.
    fn to_working(&self, picture: &mut Linear) {
        let working = self.working();
        bands::each_row(&mut picture.planes, |_, rows| {
            bands::vectorised(
                #[inline(always)]
                || working.row(rows),
            );
        });
    }

    fn notes(&self, clipped: f32, noise: Option<[[f32; 2]; 3]>) -> Notes {
        Notes {
            gains: self.gains,
            balance_source: self.balance_source,
            colour_source: self.colour_source,
            temperature: self.temperature,
            matrix: self.matrix,
            clipped: Ratio(clipped),
            noise,
        }
    }
}

/// What takes balanced camera colours to the working space.
#[derive(Clone, Copy)]
struct Working {
    matrix: [[f32; 3]; 3],
    clip: [f32; 3],
    highlights: Highlights,
}

impl Working {
    #[inline(always)]
    fn row(self, [first, second, third]: [&mut [f32]; 3]) {
        let Self {
            matrix,
            clip,
            highlights,
        } = self;
        for ((r, g), b) in first.iter_mut().zip(second).zip(third) {
            let v = [*r, *g, *b];
            let v = match highlights {
                Highlights::Rebuilt => highlights::rebuild(v, clip),
                Highlights::Clipped => highlights::cut(v, clip),
            };
            let [to_r, to_g, to_b] =
                matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2]);
            (*r, *g, *b) = (to_r, to_g, to_b);
        }
    }
}

/// Whether gains can be worked with.
fn are_usable(gains: &[f32; 3]) -> bool {
    gains.iter().all(|gain| (1.0e-3..=1.0e3).contains(gain))
}

/// The gains that the camera noted, green 1, where they can be worked with.
fn usable_balance(frame: &SensorFrame) -> Option<[f32; 3]> {
    let gains = frame.balance.filter(are_usable)?;
    Some(gains.map(|gain| gain / gains[1]))
}

fn gains(
    frame: &SensorFrame,
    camera: &Camera,
    balance: Balance,
) -> Result<([f32; 3], BalanceSource), Error> {
    match balance {
        Balance::AsShot => match usable_balance(frame) {
            Some(gains) => Ok((gains, BalanceSource::AsShot)),
            // CIE xy of D65.
            None => Ok(match camera.gains_for([0.3127, 0.3290]) {
                Some(gains) => (gains, BalanceSource::Daylight),
                None => ([1.0; 3], BalanceSource::None),
            }),
        },
        Balance::Gains(gains) | Balance::Chart { gains, .. } if are_usable(&gains) => {
            Ok((gains.map(|gain| gain / gains[1]), BalanceSource::Asked))
        }
        Balance::Gains(_) | Balance::Chart { .. } => {
            Err(limit("white balance", "gains from 0.001 to 1000"))
        }
        Balance::Temperature { kelvin, tint } => {
            if !(1700.0..=50_000.0).contains(&kelvin) || !(-150.0..=150.0).contains(&tint) {
                return Err(limit(
                    "white balance",
                    "1700 to 50000 kelvin and a tint from -150 to 150",
                ));
            }
            camera
                .gains_for(camera::white_of(f64::from(kelvin), f64::from(tint)))
                .map(|gains| (gains, BalanceSource::Asked))
                .ok_or(limit(
                    "white balance by temperature",
                    "a camera whose colour matrix is known",
                ))
        }
    }
}

fn check_window(window: Rect, sites: &Sites<'_>) -> Result<(), Error> {
    let within = |first: usize, count: usize, whole: usize| {
        count > 0 && first.checked_add(count).is_some_and(|end| end <= whole)
    };
    if within(window.left, window.width, sites.width)
        && within(window.top, window.height, sites.height)
    {
        Ok(())
    } else {
        Err(limit(
            "window",
            "at least one site, inside of the active area",
        ))
    }
}

fn planes_of(size: Size) -> [Array2<f32>; 3] {
    std::array::from_fn(|_| Array2::zeros((size.height, size.width)))
}

/// Square roots of the balanced colours of the sites from `origin` (row, column) on, `lift` added
/// to light before.
fn fill_in(
    sites: &Sites<'_>,
    pattern: &Pattern,
    origin: [isize; 2],
    lift: f32,
    planes: &mut [Array2<f32>; 3],
) {
    let [top, left] = origin;
    match pattern {
        Pattern::Bayer(_) => learned::fill_in(sites, origin, lift, None, planes, |_| {}),
        Pattern::SixBySix(_) => general::fill_in(sites, origin, lift, planes),
        // [`Sites::new`] refused these.
        Pattern::Other { .. } => {}
        Pattern::Monochrome => bands::each_row(planes, |y, [r, g, b]| {
            sites.row(top + y as isize, left, g);
            g.iter_mut().for_each(|v| *v = root(*v + lift));
            r.copy_from_slice(g);
            b.copy_from_slice(g);
        }),
        Pattern::Linear => bands::each_row(planes, |y, rows| {
            let mut colours = vec![0.0; 3 * rows[0].len()];
            sites.row(top + y as isize, left, &mut colours);
            for (c, row) in rows.into_iter().enumerate() {
                for (out, colour) in row.iter_mut().zip(colours.chunks_exact(3)) {
                    *out = root(colour[c] + lift);
                }
            }
        }),
    }
}

/// Root of light; what noise puts below black is black.
#[inline(always)]
fn root(light: f32) -> f32 {
    light.max(0.0).sqrt()
}
