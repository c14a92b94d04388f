//! Colour spaces as their standards print them: chromaticities and curves. Matrices are derived
//! from these in f64 while compiling ([`matrix::rgb_to_xyz`]), never copied.
//!
//! White is D65 for all of them; [`adaptation`] carries XYZ to another white with the Bradford
//! transform, which ICC profiles (white D50) and DNG cameras need.

use crate::picture::matrix::{self, Matrix};
use crate::picture::oklab::{WORKING_PRIMARIES, WORKING_WHITE};
use crate::picture::{bands, math};

/// Chromaticities (CIE 1931 x, y) of three primaries and the white, and the curve between light
/// and encoded value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Space {
    /// Red, green, blue.
    pub primaries: [[f64; 2]; 3],
    /// White.
    pub white: [f64; 2],
    /// Between light and encoded value.
    pub curve: Curve,
}

/// sRGB: IEC 61966-2-1:1999, table 1 (primaries of ITU-R BT.709) and section 5.2 (curve).
pub const SRGB: Space = Space {
    primaries: [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]],
    white: [0.3127, 0.3290],
    curve: Curve::Srgb,
};

/// Display P3: primaries of SMPTE RP 431-2, white D65 and curve of sRGB (SMPTE EG 432-1; the ICC
/// registry's entry "Display P3").
pub const DISPLAY_P3: Space = Space {
    primaries: [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]],
    white: [0.3127, 0.3290],
    curve: Curve::Srgb,
};

/// opRGB: IEC 61966-2-5:2007; the exponent is 563/256.
pub const OP_RGB: Space = Space {
    primaries: [[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]],
    white: [0.3127, 0.3290],
    curve: Curve::Power(2.199_218_75),
};

/// The working space: ITU-R BT.2020-2 primaries, linear.
pub const WORKING: Space = Space {
    primaries: WORKING_PRIMARIES,
    white: WORKING_WHITE,
    curve: Curve::Linear,
};

impl Space {
    /// Linear RGB to CIE XYZ under the space's own white (Y of white is 1).
    pub const fn to_xyz(self) -> Matrix {
        matrix::rgb_to_xyz(self.primaries, self.white)
    }

    /// Linear RGB to XYZ under D50 as ICC profiles store it (Bradford).
    pub const fn to_xyz_d50(self) -> Matrix {
        let white = matrix::xyz_of_chromaticity(self.white);
        matrix::multiply(adaptation(white, D50), self.to_xyz())
    }

    /// Linear RGB of the working space to linear RGB of this space. Both whites are the same
    /// numbers, so nothing is adapted.
    pub const fn from_working(self) -> Matrix {
        matrix::multiply(matrix::invert(self.to_xyz()), WORKING.to_xyz())
    }
}

/// XYZ of D50 as the profile connection space has it: ICC.1:2022, section 7.2.16.
pub const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// XYZ of D65 from the four-digit chromaticity that the RGB standards print.
pub const D65: [f64; 3] = matrix::xyz_of_chromaticity(WORKING_WHITE);

/// The Bradford cone matrix: Lam 1985, as printed in ICC.1:2022, annex E.
const BRADFORD: Matrix = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// XYZ seen under the white `from` to XYZ that looks alike under the white `to` (XYZ with Y = 1
/// of both): linear Bradford, ICC.1:2022, annex E.
pub const fn adaptation(from: [f64; 3], to: [f64; 3]) -> Matrix {
    let (from, to) = (matrix::apply(BRADFORD, from), matrix::apply(BRADFORD, to));
    let gains = matrix::diagonal([to[0] / from[0], to[1] / from[1], to[2] / from[2]]);
    matrix::multiply(matrix::invert(BRADFORD), matrix::multiply(gains, BRADFORD))
}

/// A curve between linear light and encoded value, both 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Curve {
    /// None.
    Linear,
    /// IEC 61966-2-1, section 5.2: a power of 2.4 with a straight piece near black.
    Srgb,
    /// A plain power: light = value ^ exponent.
    Power(f64),
}

/// Where the sRGB curve turns straight, in light and in value, and the slope there:
/// IEC 61966-2-1:1999 with amendment 1.
const SRGB_KNEE_LIGHT: f32 = 0.003_130_8;
const SRGB_KNEE_VALUE: f32 = 0.040_45;
const SRGB_SLOPE: f32 = 12.92;
const SRGB_OFFSET: f32 = 0.055;

/// Encoded value of a light by the sRGB curve.
#[inline(always)]
fn srgb_encode(light: f32) -> f32 {
    let power = math::powf(light, 1.0 / 2.4);
    // (1 + offset) power - offset, in a form that is exactly 1 at 1.
    let curved = power + SRGB_OFFSET * (power - 1.0);
    if light > SRGB_KNEE_LIGHT {
        curved
    } else {
        SRGB_SLOPE * light
    }
}

/// Light of an encoded value by the sRGB curve.
#[inline(always)]
fn srgb_decode(value: f32) -> f32 {
    let curved = math::powf((value + SRGB_OFFSET) / (1.0 + SRGB_OFFSET), 2.4);
    if value > SRGB_KNEE_VALUE {
        curved
    } else {
        value / SRGB_SLOPE
    }
}

/// Replaces each value, cut to 0 to 1 (NaN is 0), by `f` of it.
fn each_value(values: &mut [f32], f: impl Fn(f32) -> f32) {
    // Moved in, so that the compiler sees that the loop does not change what `f` has captured.
    bands::vectorised(
        #[inline(always)]
        move || {
            for v in values.iter_mut() {
                let inside = if *v > 0.0 { *v } else { 0.0 };
                *v = f(if inside < 1.0 { inside } else { 1.0 });
            }
        },
    );
}

#[allow(
    clippy::redundant_closure,
    reason = "a function's name would be called, not inlined"
)]
impl Curve {
    /// Encodes lights in place. They are cut to 0 to 1; NaN counts as 0.
    pub fn encode_all(self, lights: &mut [f32]) {
        match self {
            Curve::Linear => each_value(lights, |light| light),
            Curve::Srgb => each_value(
                lights,
                #[inline(always)]
                |v| srgb_encode(v),
            ),
            Curve::Power(exponent) => {
                let exponent = (1.0 / exponent) as f32;
                each_value(
                    lights,
                    #[inline(always)]
                    move |light| math::powf(light, exponent),
                );
            }
        }
    }

    /// Decodes encoded values in place. They are cut to 0 to 1; NaN counts as 0.
    pub fn decode_all(self, values: &mut [f32]) {
        match self {
            Curve::Linear => each_value(values, |value| value),
            Curve::Srgb => each_value(
                values,
                #[inline(always)]
                |v| srgb_decode(v),
            ),
            Curve::Power(exponent) => {
                let exponent = exponent as f32;
                each_value(
                    values,
                    #[inline(always)]
                    move |value| math::powf(value, exponent),
                );
            }
        }
    }
}
