//! Between linear light and Oklab, and between luminance and CIELAB's L*.
//!
//! RGB -> cone response (one matrix) -> cube root -> L, a, b (one matrix). Source: B. Ottosson,
//! *A perceptual color space for image processing*, 2020. The two matrices are the ones that
//! W3C CSS Color 4 (section 9.3 and its sample code) recomputed from Ottosson's to more digits,
//! with which a grey of white D65 has a = b = 0. Input is the working space, so the first matrix
//! is composed with BT.2020 -> XYZ (ITU-R BT.2020-2, table 3) in f64 while compiling.
//!
//! Negative light keeps its sign through the cube root, so every f32 comes back.

use super::matrix::{self, Matrix};
use super::{Linear, Oklab, bands, math};

/// Chromaticities of the working space's red, green and blue: ITU-R BT.2020-2, table 3.
pub const WORKING_PRIMARIES: [[f64; 2]; 3] = [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]];
/// Chromaticity of its white, D65, in the four digits of ITU-R BT.2020-2, table 3.
pub const WORKING_WHITE: [f64; 2] = [0.3127, 0.3290];
/// Working space to CIE XYZ (2 degrees, white D65, Y = 1).
pub const WORKING_TO_XYZ: Matrix = matrix::rgb_to_xyz(WORKING_PRIMARIES, WORKING_WHITE);

/// XYZ (D65) to cone responses: CSS Color 4, `XYZtoLMS`.
const XYZ_TO_LMS: Matrix = [
    [
        0.819_022_437_996_703,
        0.361_906_260_052_890_4,
        -0.128_873_781_520_987_9,
    ],
    [
        0.032_983_653_932_388_5,
        0.929_286_861_586_343_4,
        0.036_144_666_350_642_4,
    ],
    [
        0.048_177_189_359_624_2,
        0.264_239_531_752_730_8,
        0.633_547_828_469_430_9,
    ],
];
/// Cube roots of the cone responses to Oklab: CSS Color 4, `LMStoOKLab`.
const ROOTS_TO_LAB: Matrix = [
    [
        0.210_454_268_309_314,
        0.793_617_774_702_305_4,
        -0.004_072_043_011_619_3,
    ],
    [
        1.977_998_532_431_168_4,
        -2.428_592_242_048_579_9,
        0.450_593_709_617_411,
    ],
    [
        0.025_904_042_465_547_8,
        0.782_771_712_457_529_6,
        -0.808_675_754_923_077_4,
    ],
];

const RGB_TO_LMS_F64: Matrix = matrix::multiply(XYZ_TO_LMS, WORKING_TO_XYZ);
const RGB_TO_LMS: [[f32; 3]; 3] = matrix::to_f32(RGB_TO_LMS_F64);
const LMS_TO_RGB: [[f32; 3]; 3] = matrix::to_f32(matrix::invert(RGB_TO_LMS_F64));
const TO_LAB: [[f32; 3]; 3] = matrix::to_f32(ROOTS_TO_LAB);
const FROM_LAB: [[f32; 3]; 3] = matrix::to_f32(matrix::invert(ROOTS_TO_LAB));

/// What each linear primary adds to luminance Y (BT.2020's 0.2627, 0.6780, 0.0593, unrounded).
pub const LUMINANCE: [f32; 3] = matrix::to_f32(WORKING_TO_XYZ)[1];

/// Oklab of a working-space colour; white (1, 1, 1) is L = 1.
#[inline(always)]
pub fn oklab_from_linear(rgb: [f32; 3]) -> [f32; 3] {
    let [l, m, s] = matrix::apply_f32(&RGB_TO_LMS, rgb);
    matrix::apply_f32(&TO_LAB, [math::cbrt(l), math::cbrt(m), math::cbrt(s)])
}

/// Working-space colour of an Oklab colour.
#[inline(always)]
pub fn linear_from_oklab(lab: [f32; 3]) -> [f32; 3] {
    roots_to_working(roots_of_oklab(lab))
}

/// Oklab L of a working-space colour and the cube roots of its cone responses, from which L, a
/// and b are linear: for work along lines in Oklab.
#[inline(always)]
pub fn oklab_roots(rgb: [f32; 3]) -> (f32, [f32; 3]) {
    let [l, m, s] = matrix::apply_f32(&RGB_TO_LMS, rgb);
    let roots = [math::cbrt(l), math::cbrt(m), math::cbrt(s)];
    (
        TO_LAB[0][0] * roots[0] + TO_LAB[0][1] * roots[1] + TO_LAB[0][2] * roots[2],
        roots,
    )
}

/// The cube roots of an Oklab colour's cone responses.
#[inline(always)]
pub fn roots_of_oklab(lab: [f32; 3]) -> [f32; 3] {
    matrix::apply_f32(&FROM_LAB, lab)
}

/// Working-space colour of the cube roots of its cone responses.
#[inline(always)]
pub fn roots_to_working([l, m, s]: [f32; 3]) -> [f32; 3] {
    matrix::apply_f32(&LMS_TO_RGB, [l * l * l, m * m * m, s * s * s])
}

/// Luminance Y of a working-space colour; white is 1.
#[inline(always)]
pub fn luminance(rgb: [f32; 3]) -> f32 {
    LUMINANCE[0] * rgb[0] + LUMINANCE[1] * rgb[1] + LUMINANCE[2] * rgb[2]
}

/// CIE 015:2018, equation 8.3: (6/29)^3 and the slope below it, exact fractions.
const KNEE: f32 = 216.0 / 24_389.0;
const SLOPE: f32 = 24_389.0 / 27.0;

/// CIELAB L* (0 black, 100 white, more allowed) of the luminance `y` (white 1). Below black it
/// goes on in a straight line.
#[inline(always)]
pub fn lightness(y: f32) -> f32 {
    let curve = 116.0 * math::cbrt(y) - 16.0;
    if y > KNEE { curve } else { SLOPE * y }
}

/// Luminance (white 1) of CIELAB L*.
#[inline(always)]
pub fn luminance_of(lightness: f32) -> f32 {
    let root = (lightness + 16.0) / 116.0;
    if lightness > 8.0 {
        root * root * root
    } else {
        lightness / SLOPE
    }
}

/// Runs `colour` over all pixels of three planes. It must be a closure that is inlined always:
/// a function's name here is called, not inlined, and nothing is vectorised (about five times
/// slower).
#[inline(always)]
fn each_colour(
    planes: &mut [ndarray::Array2<f32>; 3],
    colour: impl Fn([f32; 3]) -> [f32; 3] + Sync,
) {
    bands::each_row(planes, |_, [first, second, third]| {
        bands::vectorised(
            #[inline(always)]
            || {
                for ((a, b), c) in first.iter_mut().zip(second).zip(third) {
                    [*a, *b, *c] = colour([*a, *b, *c]);
                }
            },
        );
    });
}

impl Linear {
    /// The same picture in Oklab; the planes are reused.
    pub fn to_oklab(self) -> Oklab {
        let mut planes = self.planes;
        each_colour(
            &mut planes,
            #[inline(always)]
            |[a, b, c]| oklab_from_linear([a, b, c]),
        );
        Oklab { planes }
    }
}

impl Oklab {
    /// The same picture in linear light; the planes are reused.
    pub fn to_linear(self) -> Linear {
        let mut planes = self.planes;
        each_colour(
            &mut planes,
            #[inline(always)]
            |[a, b, c]| linear_from_oklab([a, b, c]),
        );
        Linear { planes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Size;

    /// Ottosson 2020, "Table of example XYZ and Oklab pairs" (three decimals as printed).
    #[test]
    fn ottossons_table() {
        let xyz_to_rgb = matrix::invert(WORKING_TO_XYZ);
        for (xyz, lab) in [
            ([0.950, 1.000, 1.089], [1.000, 0.000, 0.000]),
            ([1.000, 0.000, 0.000], [0.450, 1.236, -0.019]),
            ([0.000, 1.000, 0.000], [0.922, -0.671, 0.263]),
            ([0.000, 0.000, 1.000], [0.153, -1.415, -0.449]),
        ] {
            let rgb = matrix::apply(xyz_to_rgb, xyz).map(|v| v as f32);
            for (got, wanted) in oklab_from_linear(rgb).into_iter().zip(lab) {
                assert!((got - wanted).abs() < 1.0e-3, "{xyz:?}: {got} for {wanted}");
            }
        }
    }

    #[test]
    fn grey_has_no_chroma_and_colours_come_back() {
        for grey in [0.001_f32, 0.18, 0.5, 1.0, 4.0] {
            let [l, a, b] = oklab_from_linear([grey; 3]);
            assert!((f64::from(l) - f64::from(grey).cbrt()).abs() < 3e-7 * f64::from(l.max(1.0)));
            assert!(
                a.abs() < 1e-6 * l.max(1.0) && b.abs() < 1e-6 * l.max(1.0),
                "{a} {b}"
            );
        }
        let size = Size {
            width: 61,
            height: 67,
        };
        let mut picture = Linear::zeros(size);
        for (p, plane) in picture.planes.iter_mut().enumerate() {
            for ((y, x), v) in plane.indexed_iter_mut() {
                *v = ((x * 7 + y * 13 + p * 29) % 101) as f32 / 60.0 - 0.2;
            }
        }
        let back = picture.clone().to_oklab().to_linear();
        for (a, b) in picture
            .planes
            .iter()
            .flatten()
            .zip(back.planes.iter().flatten())
        {
            assert!((a - b).abs() < 3e-6, "{a} came back as {b}");
        }
        // Vector code gives the scalar function's bits.
        let lab = picture.clone().to_oklab();
        for y in 0..size.height {
            assert_eq!(lab.at(y, 5), oklab_from_linear(picture.at(y, 5)));
        }
    }

    /// BT.2020-2, table 4 prints the luminance weights; CIE 015 the L* of 18.418 % as 50.
    #[test]
    fn luminance_and_lightness() {
        for (got, wanted) in LUMINANCE.into_iter().zip([0.2627, 0.6780, 0.0593]) {
            assert!((got - wanted).abs() < 5e-5);
        }
        assert!((lightness(0.184_186_5) - 50.0).abs() < 1e-4);
        assert_eq!(lightness(0.0), 0.0);
        for tenth in -20..=1200 {
            let l = tenth as f32 / 10.0;
            assert!((lightness(luminance_of(l)) - l).abs() < 5e-5);
        }
    }
}
