//! From the codes of a finished picture to light in the working space.
//!
//! ICC.1:2010, 9.2.17 and Annex F.3: linear = curve(code), XYZ(D50) = matrix x linear. From
//! there to BT.2020 (ITU-R BT.2020-2) with its white D65 brought to D50 by the Bradford
//! transform, as ICC asks of display profiles. The profile is parsed by `moxcms`; curves become
//! tables here and the matrix is applied in plain `f32`, since a transform that picks its code
//! by vector unit would not give the same bits on all machines. Profiles made of look-up tables
//! alone are refused with a remedy.

use moxcms::{ColorProfile, DataColorSpace, ProfileText, ToneReprCurve};
use ndarray::Array2;

use super::notes;
use crate::picture::{Linear, Size, bands};

/// Three rows of three.
type Matrix = [[f64; 3]; 3];

/// What a picture without a profile is taken for: said in the frame, since it is a guess.
pub(super) const ASSUMED: &str = "sRGB (assumed)";

/// CIE xy of D65 as BT.2020-2 and IEC 61966-2-1 print it.
const D65: [f64; 2] = [0.3127, 0.3290];
/// The profile connection space's white D50, ICC.1:2010, 7.2.16.
const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// Primaries of BT.2020-2, table 3.
const BT2020: [[f64; 2]; 3] = [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]];
/// Primaries of IEC 61966-2-1 (those of BT.709).
const SRGB: [[f64; 2]; 3] = [[0.640, 0.330], [0.300, 0.600], [0.150, 0.060]];
/// Bradford cone responses; Lam 1985, as given in ICC.1:2010, Annex E.
const BRADFORD: Matrix = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// A table a channel and a matrix.
pub(super) struct ToWorking {
    /// Linear light of each code.
    curves: [Vec<f32>; 3],
    /// Linear light of the file to the working space.
    matrix: [[f32; 3]; 3],
    /// The profile's name.
    pub(super) name: String,
}

impl ToWorking {
    /// For a picture without a profile: IEC 61966-2-1. `levels` is 256 or 65536.
    pub(super) fn assumed(levels: usize) -> Self {
        let decode = |x: f64| {
            if x <= 0.04045 {
                x / 12.92
            } else {
                libm::pow((x + 0.055) / 1.055, 2.4)
            }
        };
        let curve = table(levels, decode);
        let to_d50 = product(&adaptation(), &primaries(&SRGB));
        let matrix = to_working(&to_d50);
        Self {
            curves: [curve.clone(), curve.clone(), curve],
            matrix,
            name: ASSUMED.to_owned(),
        }
    }

    /// For a picture with an embedded profile; `grey` tells whether it has one plane.
    ///
    /// # Errors
    /// What stands against using the profile, as half a sentence.
    pub(super) fn embedded(icc: &[u8], levels: usize, grey: bool) -> Result<Self, String> {
        let profile = ColorProfile::new_from_slice(icc).map_err(|_| "is damaged".to_owned())?;
        let name = name(&profile);
        if profile.color_space == DataColorSpace::Gray && grey {
            let curve = profile.gray_trc.as_ref().ok_or("has no grey curve")?;
            if profile.pcs != DataColorSpace::Xyz {
                return Err("gives grey as lightness, not as light".to_owned());
            }
            let curve = table(levels, evaluator(curve)?);
            let matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
            return Ok(Self {
                curves: [curve.clone(), curve.clone(), curve],
                matrix,
                name,
            });
        }
        if profile.color_space != DataColorSpace::Rgb {
            return Err("is not for RGB or grey pictures".to_owned());
        }
        let (Some(red), Some(green), Some(blue)) =
            (&profile.red_trc, &profile.green_trc, &profile.blue_trc)
        else {
            return Err("is made of look-up tables alone".to_owned());
        };
        let columns = [
            profile.red_colorant,
            profile.green_colorant,
            profile.blue_colorant,
        ];
        let to_d50 = [
            columns.map(|c| c.x),
            columns.map(|c| c.y),
            columns.map(|c| c.z),
        ];
        if inverse(&to_d50).is_none() {
            return Err("has primaries that span no colours".to_owned());
        }
        Ok(Self {
            curves: [
                table(levels, evaluator(red)?),
                table(levels, evaluator(green)?),
                table(levels, evaluator(blue)?),
            ],
            matrix: to_working(&to_d50),
            name,
        })
    }

    /// Turns interleaved codes (`planes` a pixel, of which the first three, or the one, are
    /// colours) into a picture.
    pub(super) fn apply<T>(&self, codes: &[T], size: Size, planes: usize) -> Linear
    where
        T: Copy + Into<u32> + Sync,
    {
        let (height, width) = (size.height, size.width);
        let mut picture = Linear {
            planes: [(); 3].map(|()| Array2::<f32>::zeros((height, width))),
        };
        let [second, third] = if planes >= 3 { [1, 2] } else { [0, 0] };
        let [from_red, from_green, from_blue] = &self.matrix;
        bands::each_row(&mut picture.planes, |y, [red, green, blue]| {
            let row = &codes[y * width * planes..(y + 1) * width * planes];
            for (x, code) in row.chunks_exact(planes).enumerate() {
                let light = |channel: usize, place: usize| {
                    let code: u32 = code[place].into();
                    self.curves[channel][code as usize]
                };
                let (r, g, b) = (light(0, 0), light(1, second), light(2, third));
                let mix = |row: &[f32; 3]| row[0] * r + row[1] * g + row[2] * b;
                red[x] = mix(from_red);
                green[x] = mix(from_green);
                blue[x] = mix(from_blue);
            }
        });
        picture
    }
}

/// The profile's own description.
fn name(profile: &ColorProfile) -> String {
    let text = match &profile.description {
        Some(ProfileText::PlainString(text)) => notes::words(text),
        Some(ProfileText::Localizable(texts)) => {
            texts.first().and_then(|text| notes::words(&text.value))
        }
        Some(ProfileText::Description(text)) => notes::words(&text.ascii_string),
        None => None,
    };
    text.unwrap_or_else(|| "embedded profile without a name".to_owned())
}

/// A curve at each of `levels` codes.
fn table(levels: usize, curve: impl Fn(f64) -> f64) -> Vec<f32> {
    let last = (levels - 1) as f64;
    (0..levels)
        .map(|code| curve(code as f64 / last) as f32)
        .collect()
}

/// A profile's curve as a function from 0..1. Sampled curves: ICC.1:2010, 10.5; formulas: 10.15,
/// table 65.
fn evaluator(curve: &ToneReprCurve) -> Result<Box<dyn Fn(f64) -> f64 + '_>, String> {
    match curve {
        ToneReprCurve::Lut(samples) => Ok(match samples[..] {
            [] => Box::new(|x| x),
            // One value is a gamma as u8Fixed8Number.
            [gamma] => Box::new(move |x| libm::pow(x, f64::from(gamma) / 256.0)),
            _ => Box::new(move |x| {
                let place = x * (samples.len() - 1) as f64;
                let before = (place.floor() as usize).min(samples.len() - 2);
                let (a, b) = (f64::from(samples[before]), f64::from(samples[before + 1]));
                (a + (b - a) * (place - before as f64)) / 65535.0
            }),
        }),
        ToneReprCurve::Parametric(parameters) => {
            if !parameters.iter().all(|p| p.is_finite()) {
                return Err("has a damaged curve".to_owned());
            }
            let p: Vec<f64> = parameters.iter().map(|p| f64::from(*p)).collect();
            let curve = move |x: f64| {
                let power = |a: f64, b: f64| libm::pow((a * x + b).max(0.0), p[0]);
                match p[1..] {
                    [] => power(1.0, 0.0),
                    [a, b] => power(a, b),
                    [a, b, c] => power(a, b) + c,
                    [a, b, c, d] => {
                        if x >= d {
                            power(a, b)
                        } else {
                            c * x
                        }
                    }
                    [a, b, c, d, e, f] => {
                        if x >= d {
                            power(a, b) + e
                        } else {
                            c * x + f
                        }
                    }
                    _ => f64::NAN,
                }
            };
            let sound = (0..=64).all(|step| curve(f64::from(step) / 64.0).is_finite());
            if parameters.is_empty() || !sound {
                return Err("has a damaged curve".to_owned());
            }
            Ok(Box::new(curve))
        }
    }
}

/// Linear RGB with these primaries and white D65 to XYZ (SMPTE RP 177).
fn primaries(xy: &[[f64; 2]; 3]) -> Matrix {
    let columns = xy.map(|[x, y]| [x / y, 1.0, (1.0 - x - y) / y]);
    let plain = transposed(&columns);
    let inverse = inverse(&plain).expect("printed primaries span a triangle");
    let scale = times(&inverse, white(D65));
    plain.map(|row| [row[0] * scale[0], row[1] * scale[1], row[2] * scale[2]])
}

fn white([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// XYZ under D65 to XYZ under D50 by the Bradford transform.
fn adaptation() -> Matrix {
    let (from, to) = (times(&BRADFORD, white(D65)), times(&BRADFORD, D50));
    let gains = [to[0] / from[0], to[1] / from[1], to[2] / from[2]];
    let mut scaled = BRADFORD;
    for (row, gain) in scaled.iter_mut().zip(gains) {
        *row = row.map(|v| v * gain);
    }
    let back = inverse(&BRADFORD).expect("the Bradford matrix has an inverse");
    product(&back, &scaled)
}

/// A file's linear light, given its matrix to XYZ (D50), to the working space.
fn to_working(to_d50: &Matrix) -> [[f32; 3]; 3] {
    let working = product(&adaptation(), &primaries(&BT2020));
    let back = inverse(&working).expect("the working space spans a volume");
    product(&back, to_d50).map(|row| row.map(|v| v as f32))
}

fn times(m: &Matrix, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

fn transposed(m: &Matrix) -> Matrix {
    [0, 1, 2].map(|column| [m[0][column], m[1][column], m[2][column]])
}

fn product(a: &Matrix, b: &Matrix) -> Matrix {
    let columns = transposed(b);
    a.map(|row| columns.map(|c| row[0] * c[0] + row[1] * c[1] + row[2] * c[2]))
}

/// By cofactors; `None` for a matrix that is nearly singular or not finite.
fn inverse(m: &Matrix) -> Option<Matrix> {
    let minor = |r: usize, c: usize| {
        let [(a, b), (d, e)] = [((r + 1) % 3, (r + 2) % 3), ((c + 1) % 3, (c + 2) % 3)];
        m[a][d] * m[b][e] - m[a][e] * m[b][d]
    };
    let determinant = m[0][0] * minor(0, 0) + m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2);
    let sound = determinant.is_finite() && determinant.abs() > 1e-6;
    let inverted = [0, 1, 2].map(|r| [0, 1, 2].map(|c| minor(c, r) / determinant));
    sound.then_some(inverted)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-R BT.2087-0, the matrix from linear BT.709 to linear BT.2020, printed to 4 digits.
    #[test]
    fn srgb_reaches_the_working_space_as_bt_2087_prints() {
        let printed = [
            [0.6274, 0.3293, 0.0433],
            [0.0691, 0.9195, 0.0114],
            [0.0164, 0.0880, 0.8956],
        ];
        let matrix = ToWorking::assumed(256).matrix;
        for (row, expected) in matrix.iter().flatten().zip(printed.iter().flatten()) {
            assert!((row - expected).abs() < 6e-5, "{matrix:?}");
        }
    }

    /// IEC 61966-2-1: code 0.5 is 0.21404 of white; the ends are exact.
    #[test]
    fn the_assumed_curve_is_srgb() {
        let curve = &ToWorking::assumed(65536).curves[0];
        assert_eq!((curve[0], curve[65535]), (0.0, 1.0));
        assert!((curve[32768] - 0.214_06).abs() < 2e-5, "{}", curve[32768]);
        let white = ToWorking::assumed(256).apply(
            &[255_u8; 3],
            Size {
                width: 1,
                height: 1,
            },
            3,
        );
        for value in white.at(0, 0) {
            assert!((value - 1.0).abs() < 1e-6);
        }
    }

    /// A profile written by another library agrees with the printed primaries as far as its
    /// white does: `moxcms` derives D65 from 6504 K instead of taking 0.3127, 0.3290, which moves
    /// entries of the matrix by up to 0.0003.
    #[test]
    fn an_embedded_srgb_profile_agrees_with_the_assumed_one() {
        let icc = ColorProfile::new_srgb().encode().unwrap();
        let (embedded, assumed) = (
            ToWorking::embedded(&icc, 256, false).unwrap(),
            ToWorking::assumed(256),
        );
        let near = |a: f32, b: f32| (a - b).abs() < 5e-4;
        let (a, b) = (
            embedded.matrix.iter().flatten(),
            assumed.matrix.iter().flatten(),
        );
        assert!(a.zip(b).all(|(a, b)| near(*a, *b)), "{:?}", embedded.matrix);
        for code in 0..256 {
            assert!(
                near(embedded.curves[1][code], assumed.curves[1][code]),
                "code {code}"
            );
        }
    }

    #[test]
    fn rubbish_is_no_profile() {
        assert!(ToWorking::embedded(b"rubbish", 256, false).is_err());
        assert!(ToWorking::embedded(&[0; 4096], 256, false).is_err());
    }
}
