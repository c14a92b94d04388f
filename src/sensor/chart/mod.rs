//! A frame of a 24-patch colour chart to a profile: gains and matrix of the camera in its light.
//!
//! [`find`] looks for the patches, [`fit`] fits, [`reference`] is the table. The fall of the light
//! across the chart is fitted along, with the order that predicts left-out patches best, so a
//! chart that is partly in shade, or lit by two lights of different colour, does not bend the
//! colours; the white is that of the light in the chart's middle.

mod find;
mod fit;
mod reference;

use palette::color_difference::Ciede2000;
use palette::{Lab, white_point};
use serde::{Deserialize, Serialize};

use super::camera::{self, Camera};
use super::sites::Sites;
use super::{Balance, Error, gains, limit};
use crate::picture::matrix;
use crate::picture::oklab::WORKING_TO_XYZ;
use crate::raw::{Pattern, SensorFrame};

use fit::{D65, Fit, Patch};

pub use fit::Light;

/// The version of the profile's text.
pub const FORMAT: u32 = 1;

/// Longest side, in pixels, of the picture in which the chart is looked for.
const LONG_SIDE: usize = 1500;

/// Mean CIEDE2000 of a fit above which a lattice is no chart.
const NO_CHART: f64 = 8.0;

/// Light beside the sensor's full scale from which a patch counts as clipped (common practice, no
/// source).
const CLIPPED: f64 = 0.98;

/// The first of the six neutral patches.
const NEUTRALS: usize = 18;

/// Whose matrix a profile holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kept {
    /// The camera's own, since the fit would not predict better.
    Camera,
    /// The one fitted to the chart.
    Fit,
}

/// What a chart says of a camera in a set's light; as text, a profile file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChartProfile {
    /// [`FORMAT`].
    pub format: u32,
    /// The reference table.
    pub reference: String,
    /// Whose matrix it is.
    pub kept: Kept,
    /// Gains of red, green and blue that make the light neutral, green 1.
    pub gains: [f32; 3],
    /// White-balanced camera colours to the working space (BT.2020, D65), by rows that add up to 1.
    pub matrix: [[f32; 3]; 3],
}

impl ChartProfile {
    /// Its text.
    pub fn to_text(&self) -> String {
        let pretty = ron::ser::PrettyConfig::new()
            .depth_limit(2)
            .struct_names(true);
        let text = ron::ser::to_string_pretty(self, pretty)
            .expect("a profile holds nothing that RON cannot write");
        text + "\n"
    }

    /// Reads a profile's text.
    ///
    /// # Errors
    /// In words: where the text is wrong, or which rule its numbers break.
    pub fn from_text(text: &str) -> Result<Self, String> {
        let profile: Self = ron::from_str(text).map_err(|error| error.to_string())?;
        if profile.format != FORMAT {
            return Err(format!(
                "format {} is not known, only {FORMAT}",
                profile.format
            ));
        }
        let sound = profile.gains.iter().all(|g| (1.0e-3..=1.0e3).contains(g))
            && profile.matrix.iter().all(|row| {
                (row.iter().sum::<f32>() - 1.0).abs() < 1.0e-3 && row.iter().all(|v| v.abs() < 20.0)
            });
        if sound {
            Ok(profile)
        } else {
            Err("expected gains from 0.001 to 1000 and rows of the matrix that add up to 1".into())
        }
    }
}

/// One patch as measured. Colours are working-space light, the differences CIEDE2000.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PatchNote {
    /// As the trade calls it.
    pub name: &'static str,
    /// Corners in pixels of the visible frame as stored, clockwise from the chart's top left.
    pub corners: [[f64; 2]; 4],
    /// The reference.
    pub wanted: [f32; 3],
    /// With the camera's own matrices.
    pub colour_before: [f32; 3],
    /// With the profile.
    pub colour_after: [f32; 3],
    /// With the camera's own matrices and balance, the light evened.
    pub before: f64,
    /// With the profile.
    pub after: f64,
    /// With the fit to all other patches.
    pub left_out: f64,
}

/// A chart read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// What jobs use.
    pub profile: ChartProfile,
    /// How the light falls across it.
    pub light: Light,
    /// The 24 patches, row by row.
    pub patches: Vec<PatchNote>,
}

/// Reference colours in XYZ adapted from the table's white to D65 by Bradford.
fn wanted() -> Vec<[f64; 3]> {
    let white = camera::xyz_of(reference::WHITE);
    let adapted = camera::adaptation(white, D65);
    let xyz = |[x, y, light]: [f64; 3]| camera::xyz_of([x, y]).map(|v| v * light);
    reference::PATCHES
        .iter()
        .map(|(_, patch)| camera::apply(&adapted, xyz(*patch)))
        .collect()
}

fn patches_of(colours: &[[f64; 3]], wanted: &[[f64; 3]]) -> Vec<Patch> {
    let place = |k: usize| {
        let (column, row) = ((k % find::COLUMNS) as f64, (k / find::COLUMNS) as f64);
        [column / 2.5 - 1.0, row / 1.5 - 1.0]
    };
    let pairs = colours.iter().zip(wanted).enumerate();
    pairs
        .map(|(k, (&seen, &wanted))| Patch {
            seen,
            wanted,
            at: place(k),
            weight: if seen.iter().any(|&v| v > CLIPPED) {
                0.0
            } else {
                1.0
            },
        })
        .collect()
}

fn difference(one: [f64; 3], other: [f64; 3]) -> f64 {
    let lab = |xyz| {
        let [l, a, b] = fit::lab(xyz);
        Lab::<white_point::D65, f64>::new(l, a, b)
    };
    lab(one).difference(lab(other))
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let count = values.len().max(1) as f64;
    values.sum::<f64>() / count
}

/// Finds the chart in a frame and fits the camera's gains and matrix to it.
///
/// # Errors
/// When the frame has no colours or no chart is found in it.
pub fn read_chart(frame: &SensorFrame) -> Result<Chart, Error> {
    let no_chart = || {
        limit(
            "colour chart",
            "a frame in which all 24 patches can be seen",
        )
    };
    if frame.pattern == Pattern::Monochrome {
        return Err(limit("colour chart", "a sensor with colours"));
    }
    let sites = Sites::new(frame, [1.0; 3])?;
    super::check_window(frame.crop, &sites)?;
    let (width, height, step, pixels) = cells(frame, &sites);
    let small = find::Small {
        width,
        height,
        pixels: &pixels,
    };
    let wanted = wanted();
    let misfit = |colours: &[[f64; 3]]| {
        let patches = patches_of(colours, &wanted);
        fit::fit(&patches, Light::Sloping).map_or(f64::INFINITY, |fit| {
            mean(patches.iter().map(|p| difference(fit.colour(p), p.wanted)))
        })
    };
    let found = find::find(&small, &misfit, NO_CHART).ok_or_else(no_chart)?;
    let patches = patches_of(&found.colours, &wanted);
    let mut best: Option<(f64, Light, Vec<f64>)> = None;
    for light in Light::ALL {
        let Some(colours) = fit::left_out(&patches, light) else {
            continue;
        };
        let apart: Vec<f64> = colours
            .iter()
            .zip(&wanted)
            .map(|(&a, &b)| difference(a, b))
            .collect();
        let average = mean(apart.iter().copied());
        // A higher order is only taken when it predicts better.
        if best.as_ref().is_none_or(|(least, ..)| average < *least) {
            best = Some((average, light, apart));
        }
    }
    let (_, light, left_out) = best.ok_or_else(no_chart)?;
    let fit = fit::robust(&patches, light).ok_or_else(no_chart)?;
    let apart = |profile: &ChartProfile| {
        let colours = colours_of(profile.gains, profile.matrix, &fit, &patches);
        mean(colours.iter().zip(&wanted).map(|(&a, &b)| difference(a, b)))
    };
    let camera = own_profile(frame, &fit, &patches)
        .filter(|own| apart(own) <= mean(left_out.iter().copied()));
    let profile = match camera {
        Some(own) => own,
        None => profile_of(&fit, &patches).ok_or_else(no_chart)?,
    };
    let evened = colours_of(profile.gains, profile.matrix, &fit, &patches);
    let before = before(frame, &fit, &patches)?;
    let from_xyz = matrix::invert(WORKING_TO_XYZ);
    let working = |xyz| matrix::apply(from_xyz, xyz).map(|v| v as f32);
    let names = reference::PATCHES.iter().map(|(name, _)| *name);
    let notes = names.enumerate().map(|(k, name)| {
        let after = evened[k];
        PatchNote {
            name,
            corners: found.corners[k].map(|corner| corner.map(|v| v * step as f64)),
            wanted: working(wanted[k]),
            colour_before: working(before[k]),
            colour_after: working(after),
            before: difference(before[k], wanted[k]),
            after: difference(after, wanted[k]),
            left_out: left_out[k],
        }
    });
    Ok(Chart {
        patches: notes.collect(),
        profile,
        light,
    })
}

/// Means of whole filter cells of the visible crop.
fn cells(frame: &SensorFrame, sites: &Sites<'_>) -> (usize, usize, usize, Vec<[f32; 3]>) {
    let crop = frame.crop;
    let cell = sites.cell();
    let step = crop
        .width
        .max(crop.height)
        .div_ceil(LONG_SIDE)
        .next_multiple_of(cell);
    let (width, height) = (crop.width / step, crop.height / step);
    let channels = if frame.pattern == Pattern::Linear {
        3
    } else {
        1
    };
    let mut pixels = vec![[0.0_f32; 3]; width * height];
    let mut counts = vec![[0.0_f32; 3]; width * height];
    let mut line = vec![0.0; channels * width * step];
    for y in 0..height * step {
        sites.row((crop.top + y) as isize, crop.left as isize, &mut line);
        for (k, &light) in line.iter().enumerate() {
            let (x, colour) = match channels {
                3 => (k / 3, k % 3),
                _ => (k, sites.colour(crop.top + y, crop.left + k)),
            };
            let at = y / step * width + x / step;
            pixels[at][colour] += light;
            counts[at][colour] += 1.0;
        }
    }
    for (pixel, count) in pixels.iter_mut().zip(&counts) {
        for c in 0..3 {
            pixel[c] /= count[c].max(1.0);
        }
    }
    (width, height, step, pixels)
}

/// Camera colours of the neutral patches, evened, each beside what `from_working` makes of their
/// reference: the factors, colour by colour, from the one to the other.
fn neutral_factors(from_working: matrix::Matrix, fit: &Fit, patches: &[Patch]) -> Option<[f64; 3]> {
    let to_camera = matrix::multiply(from_working, matrix::invert(WORKING_TO_XYZ));
    let (mut seen, mut wanted) = ([0.0; 3], [0.0; 3]);
    for patch in patches[NEUTRALS..].iter().filter(|p| p.weight > 0.0) {
        let answer = matrix::apply(to_camera, patch.wanted);
        let evened = fit.evened(patch);
        for c in 0..3 {
            seen[c] += evened[c];
            wanted[c] += answer[c];
        }
    }
    let factors = [0, 1, 2].map(|c| seen[c] / wanted[c]);
    let sound = factors.iter().all(|v| v.is_finite() && *v > 0.0);
    sound.then_some(factors)
}

fn profile(kept: Kept, neutral: [f64; 3], balanced: matrix::Matrix) -> ChartProfile {
    // Rows that add up to 1 keep white.
    let rows = balanced.map(|row| row.map(|v| v / row.iter().sum::<f64>()));
    ChartProfile {
        format: FORMAT,
        reference: "ColorChecker24 - After November 2014 (colour-science 0.4.7)".to_owned(),
        kept,
        gains: neutral.map(|v| (neutral[1] / v) as f32),
        matrix: matrix::to_f32(rows),
    }
}

/// Gains and matrix of a fit; the gains from the neutral patches.
fn profile_of(fit: &Fit, patches: &[Patch]) -> Option<ChartProfile> {
    let to_working = matrix::multiply(matrix::invert(WORKING_TO_XYZ), fit.matrix);
    let from_working = matrix::invert(to_working);
    let factors = neutral_factors(from_working, fit, patches)?;
    let white = matrix::apply(from_working, [1.0; 3]);
    let neutral = [0, 1, 2].map(|c| white[c] * factors[c]);
    let sound = neutral.iter().all(|v| v.is_finite() && *v > 0.0);
    sound.then(|| {
        let balanced = matrix::multiply(to_working, matrix::diagonal(neutral));
        profile(Kept::Fit, neutral, balanced)
    })
}

/// The camera's own matrix under the light that the neutral patches tell.
fn own_profile(frame: &SensorFrame, fit: &Fit, patches: &[Patch]) -> Option<ChartProfile> {
    let camera = Camera::new(&frame.matrices, frame.analog_balance);
    let mut neutral = neutral_factors(camera::IDENTITY, fit, patches)?;
    let mut own = camera::IDENTITY;
    // The matrix hangs on the light, and a little the light on the matrix: the reference's greys
    // are not wholly neutral.
    for _ in 0..2 {
        own = camera.to_working(neutral.map(|v| (neutral[1] / v) as f32))?;
        neutral = neutral_factors(matrix::invert(own), fit, patches)?;
    }
    Some(profile(Kept::Camera, neutral, own))
}

/// XYZ of the patches as the frame's own balance and matrices have them.
fn before(frame: &SensorFrame, fit: &Fit, patches: &[Patch]) -> Result<Vec<[f64; 3]>, Error> {
    let camera = Camera::new(&frame.matrices, frame.analog_balance);
    let (gains, _) = gains(frame, &camera, Balance::AsShot)?;
    let own = camera.to_working(gains).unwrap_or(camera::IDENTITY);
    Ok(colours_of(gains, matrix::to_f32(own), fit, patches))
}

/// XYZ of the patches by gains and matrix, the light evened as the fit found it and one factor
/// for all.
fn colours_of(gains: [f32; 3], own: [[f32; 3]; 3], fit: &Fit, patches: &[Patch]) -> Vec<[f64; 3]> {
    let own = own.map(|row| row.map(f64::from));
    let to_xyz = matrix::multiply(WORKING_TO_XYZ, own);
    let to_xyz = matrix::multiply(to_xyz, matrix::diagonal(gains.map(f64::from)));
    let raw: Vec<[f64; 3]> = patches
        .iter()
        .map(|p| matrix::apply(to_xyz, fit.evened(p)))
        .collect();
    let wanted: f64 = patches.iter().map(|p| p.weight * p.wanted[1]).sum();
    let seen: f64 = patches
        .iter()
        .zip(&raw)
        .map(|(p, xyz)| p.weight * xyz[1])
        .sum();
    let factor = wanted / seen.max(1.0e-9);
    raw.into_iter().map(|xyz| xyz.map(|v| v * factor)).collect()
}

#[cfg(test)]
mod tests;
