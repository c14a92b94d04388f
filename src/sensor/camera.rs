//! From a camera's own red, green and blue to the working space, and what light it was.
//!
//! As the DNG specification (Adobe, 1.7.1, chapter 6, "Mapping camera color space to CIE XYZ
//! space") describes: the two calibrations are interpolated by the inverse of the correlated
//! colour temperature of the white; forward matrices are used where there are any, else the inverse
//! of the colour matrix and a Bradford adaptation. Correlated colour temperature by A. R.
//! Robertson, "Computation of correlated color temperature and distribution temperature", JOSA 58
//! (1968), table as in Wyszecki and Stiles, *Color Science*, 2nd edition, table 1(3.11).
//!
//! All in `f64`: nine numbers a frame.

use crate::raw::CameraMatrix;

pub(super) type Matrix = [[f64; 3]; 3];

/// CIE xy of D65 and D50 (ITU-R BT.2020-2 table 3; ICC.1:2022, 6.3.4.3, as XYZ).
const D65: [f64; 2] = [0.3127, 0.3290];
const D50: [f64; 3] = [0.9642, 1.0, 0.8249];

/// BT.2020 primaries (ITU-R BT.2020-2, table 3): red, green, blue.
const PRIMARIES: [[f64; 2]; 3] = [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]];

/// Bradford's cone responses (Lam 1985; ICC.1:2022, annex E.3).
const BRADFORD: Matrix = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// Robertson's isotemperature lines: reciprocal megakelvin, u, v (CIE 1960), slope.
const LINES: [[f64; 4]; 31] = [
    [0.0, 0.18006, 0.26352, -0.24341],
    [10.0, 0.18066, 0.26589, -0.25479],
    [20.0, 0.18133, 0.26846, -0.26876],
    [30.0, 0.18208, 0.27119, -0.28539],
    [40.0, 0.18293, 0.27407, -0.3047],
    [50.0, 0.18388, 0.27709, -0.32675],
    [60.0, 0.18494, 0.28021, -0.35156],
    [70.0, 0.18611, 0.28342, -0.37915],
    [80.0, 0.1874, 0.28668, -0.40955],
    [90.0, 0.1888, 0.28997, -0.44278],
    [100.0, 0.19032, 0.29326, -0.47888],
    [125.0, 0.19462, 0.30141, -0.58204],
    [150.0, 0.19962, 0.30921, -0.70471],
    [175.0, 0.20525, 0.31647, -0.84901],
    [200.0, 0.21142, 0.32312, -1.0182],
    [225.0, 0.21807, 0.32909, -1.2168],
    [250.0, 0.22511, 0.33439, -1.4512],
    [275.0, 0.23247, 0.33904, -1.7298],
    [300.0, 0.2401, 0.34308, -2.0637],
    [325.0, 0.24792, 0.34655, -2.4681],
    [350.0, 0.25591, 0.34951, -2.9641],
    [375.0, 0.264, 0.352, -3.5814],
    [400.0, 0.27218, 0.35407, -4.3633],
    [425.0, 0.28039, 0.35577, -5.3762],
    [450.0, 0.28863, 0.35714, -6.7262],
    [475.0, 0.29685, 0.35823, -8.5955],
    [500.0, 0.30505, 0.35907, -11.324],
    [525.0, 0.3132, 0.35968, -15.628],
    [550.0, 0.32129, 0.36011, -23.325],
    [575.0, 0.32931, 0.36038, -40.77],
    [600.0, 0.33724, 0.36051, -116.45],
];

/// Tint steps per unit of distance from the Planckian locus in CIE 1960 uv; positive is above the
/// locus, greenish light, so that the picture turns to magenta. Scale and sign as in the DNG
/// software development kit's `dng_temperature`, measured along Robertson's lines (downwards).
const TINT: f64 = -3000.0;

/// CIE xy of a light of `kelvin` (about 1667 to 100000) whose tint is `tint`: Robertson's lines
/// read backwards.
pub(super) fn white_of(kelvin: f64, tint: f64) -> [f64; 2] {
    let reciprocal = 1.0e6 / kelvin;
    let index = (1..LINES.len() - 1)
        .find(|&i| reciprocal < LINES[i][0])
        .unwrap_or(LINES.len() - 1);
    let ([m0, u0, v0, t0], [m1, u1, v1, t1]) = (LINES[index - 1], LINES[index]);
    let share = (m1 - reciprocal) / (m1 - m0);
    let mix = |a: f64, b: f64| share * a + (1.0 - share) * b;
    let direction = |slope: f64| {
        let length = (1.0 + slope * slope).sqrt();
        [1.0 / length, slope / length]
    };
    let (d0, d1) = (direction(t0), direction(t1));
    let (du, dv) = (mix(d0[0], d1[0]), mix(d0[1], d1[1]));
    let length = (du * du + dv * dv).sqrt();
    let off = tint / TINT;
    let (u, v) = (
        mix(u0, u1) + off * du / length,
        mix(v0, v1) + off * dv / length,
    );
    let scale = u - 4.0 * v + 2.0;
    [1.5 * u / scale, v / scale]
}

/// Correlated colour temperature in kelvin and tint of CIE xy (Robertson 1968).
pub(super) fn temperature_of([x, y]: [f64; 2]) -> (f64, f64) {
    let scale = 1.5 - x + 6.0 * y;
    let (u, v) = (2.0 * x / scale, 3.0 * y / scale);
    let mut previous = (0.0, [1.0, 0.0]);
    for (index, &[_, line_u, line_v, slope]) in LINES.iter().enumerate().skip(1) {
        let length = (1.0 + slope * slope).sqrt();
        let direction = [1.0 / length, slope / length];
        let (du, dv) = (u - line_u, v - line_v);
        // Distance below the line, measured across it.
        let distance = -(dv * direction[0] - du * direction[1]);
        if distance >= 0.0 || index == LINES.len() - 1 {
            let below = distance.max(0.0);
            let share = if index == 1 {
                0.0
            } else {
                below / (previous.0 + below)
            };
            let mix = |a: f64, b: f64| share * a + (1.0 - share) * b;
            let [m0, u0, v0, _] = LINES[index - 1];
            let kelvin = 1.0e6 / mix(m0, LINES[index][0]).max(1.0e-3);
            let (du, dv) = (u - mix(u0, line_u), v - mix(v0, line_v));
            let across = [
                mix(previous.1[0], direction[0]),
                mix(previous.1[1], direction[1]),
            ];
            let length = (across[0] * across[0] + across[1] * across[1]).sqrt();
            return (kelvin, TINT * (du * across[0] + dv * across[1]) / length);
        }
        previous = (-distance, direction);
    }
    unreachable!("the last line always answers")
}

/// Correlated colour temperature of an Exif LightSource code (CIPA DC-008, tag 37384; values as
/// in the DNG specification, CalibrationIlluminant1).
fn calibration_temperature(code: u16) -> Option<f64> {
    Some(match code {
        1 | 4 | 9 | 18 | 20 => 5500.0,
        2 | 14 => 4230.0,
        3 | 17 => 2856.0,
        24 => 3200.0,
        10 | 19 | 21 => 6504.0,
        11 | 22 => 7504.0,
        12 => 6430.0,
        13 | 23 => 5003.0,
        15 => 3450.0,
        _ => return None,
    })
}

/// What a camera makes of colours, for one frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Camera {
    /// Colder light last; one, or two with temperatures.
    calibrations: Vec<(f64, Calibration)>,
    analog_balance: Option<Matrix>,
}

#[derive(Debug, Clone, Copy)]
struct Calibration {
    /// XYZ to the camera, per-unit calibration included.
    colour: Matrix,
    forward: Option<Matrix>,
    calibration: Matrix,
}

impl Camera {
    /// Takes the matrices that can be used: finite and invertible.
    pub fn new(matrices: &[CameraMatrix], analog_balance: [f32; 3]) -> Self {
        let balance = analog_balance.map(f64::from);
        let balance = if balance.iter().all(|&v| v.is_finite() && v > 0.0) {
            diagonal(balance)
        } else {
            IDENTITY
        };
        let mut calibrations: Vec<(f64, Calibration)> = matrices
            .iter()
            .filter_map(|matrix| {
                let colour = wide(&matrix.xyz_to_camera);
                let calibration = matrix.calibration.as_ref().map_or(IDENTITY, wide);
                inverse(&colour)?;
                inverse(&calibration)?;
                let forward = matrix
                    .forward
                    .as_ref()
                    .map(wide)
                    .filter(|m| inverse(m).is_some());
                let kelvin = calibration_temperature(matrix.illuminant);
                Some((
                    kelvin.unwrap_or(f64::NAN),
                    Calibration {
                        colour,
                        forward,
                        calibration,
                    },
                ))
            })
            .collect();
        // Interpolation needs two known lights; else the one nearest to daylight serves alone.
        let known = calibrations
            .iter()
            .filter(|(kelvin, _)| kelvin.is_finite())
            .count();
        if known >= 2 {
            calibrations.retain(|(kelvin, _)| kelvin.is_finite());
            calibrations.sort_by(|a, b| a.0.total_cmp(&b.0));
            let last = calibrations.len() - 1;
            calibrations = vec![calibrations[0], calibrations[last]];
            if calibrations[0].0 == calibrations[1].0 {
                calibrations.pop();
            }
        } else if let Some(best) = calibrations
            .iter()
            .copied()
            .min_by(|a, b| (a.0 - 6504.0).abs().total_cmp(&(b.0 - 6504.0).abs()))
        {
            calibrations = vec![best];
        }
        Self {
            calibrations,
            analog_balance: Some(balance),
        }
    }

    /// The calibration for a white, linear in reciprocal temperature between the two.
    fn at(&self, white: [f64; 2]) -> Option<Calibration> {
        let (low, high) = match self.calibrations[..] {
            [] => return None,
            [(_, only)] => return Some(only),
            [low, high, ..] => (low, high),
        };
        let kelvin = temperature_of(white).0.clamp(low.0, high.0);
        let share = (1.0 / kelvin - 1.0 / high.0) / (1.0 / low.0 - 1.0 / high.0);
        let mix = |a: &Matrix, b: &Matrix| -> Matrix {
            std::array::from_fn(|i| {
                std::array::from_fn(|j| share * a[i][j] + (1.0 - share) * b[i][j])
            })
        };
        Some(Calibration {
            colour: mix(&low.1.colour, &high.1.colour),
            forward: match (&low.1.forward, &high.1.forward) {
                (Some(low), Some(high)) => Some(mix(low, high)),
                (one, other) => one.or(*other),
            },
            calibration: mix(&low.1.calibration, &high.1.calibration),
        })
    }

    /// XYZ to camera under a white.
    fn xyz_to_camera(&self, white: [f64; 2]) -> Option<(Calibration, Matrix)> {
        let calibration = self.at(white)?;
        let own = product(
            &self.analog_balance.unwrap_or(IDENTITY),
            &calibration.calibration,
        );
        Some((calibration, product(&own, &calibration.colour)))
    }

    /// Gains (green 1) that make a light of CIE xy `white` neutral.
    pub fn gains_for(&self, white: [f64; 2]) -> Option<[f32; 3]> {
        let (_, from_xyz) = self.xyz_to_camera(white)?;
        let neutral = apply(&from_xyz, xyz_of(white));
        let usable = neutral.iter().all(|&v| v.is_finite() && v > 1.0e-6);
        usable.then(|| neutral.map(|v| (neutral[1] / v) as f32))
    }

    /// CIE xy of the light whose camera neutral is `neutral`: found by iteration, since the matrix
    /// depends on it (DNG 1.7.1, "Translating camera neutral coordinates to white balance xy
    /// coordinates").
    pub fn white_of_neutral(&self, neutral: [f64; 3]) -> Option<[f64; 2]> {
        let mut white = [0.3457, 0.3585];
        // Thirty passes, and the mean of the last two, as the specification's sample code: the
        // iteration may swing between two whites.
        for pass in 0..30 {
            let (_, from_xyz) = self.xyz_to_camera(white)?;
            let xyz = apply(&inverse(&from_xyz)?, neutral);
            let sum = xyz[0] + xyz[1] + xyz[2];
            if !(sum.is_finite() && sum > 1.0e-9 && xyz.iter().all(|&v| v > 0.0)) {
                return None;
            }
            let next = [xyz[0] / sum, xyz[1] / sum];
            if (next[0] - white[0]).abs() + (next[1] - white[1]).abs() < 1.0e-7 {
                return Some(next);
            }
            white = if pass == 28 {
                [0.5 * (next[0] + white[0]), 0.5 * (next[1] + white[1])]
            } else {
                next
            };
        }
        Some(white)
    }

    /// White-balanced camera colours to the working space; (1, 1, 1) stays (1, 1, 1). `None` when
    /// the camera's colours are unknown or the gains make no sense for it.
    pub fn to_working(&self, gains: [f32; 3]) -> Option<Matrix> {
        let neutral = gains.map(|gain| 1.0 / f64::from(gain));
        let white = self.white_of_neutral(neutral)?;
        let (calibration, from_xyz) = self.xyz_to_camera(white)?;
        let to_xyz_d50 = match calibration.forward {
            // The forward matrix takes colours that are balanced before per-unit calibration:
            // FM D inverse(AB CC), D the balance there.
            Some(forward) => {
                let own = product(
                    &self.analog_balance.unwrap_or(IDENTITY),
                    &calibration.calibration,
                );
                let own = inverse(&own)?;
                let reference = apply(&own, neutral);
                if reference.iter().any(|v| v.abs() < 1.0e-9) {
                    return None;
                }
                product(
                    &product(&forward, &diagonal(reference.map(|v| 1.0 / v))),
                    &own,
                )
            }
            None => product(&adaptation(xyz_of(white), D50), &inverse(&from_xyz)?),
        };
        let to_d65 = product(&adaptation(D50, xyz_of(D65)), &to_xyz_d50);
        let to_working = product(&inverse(&working_to_xyz())?, &to_d65);
        let balanced = product(&to_working, &diagonal(neutral));
        // Neutral is kept exactly: what forward matrices lack to D50's last digit goes.
        let mut out = balanced;
        for row in &mut out {
            let sum: f64 = row.iter().sum();
            if !(sum.is_finite() && sum > 1.0e-6) {
                return None;
            }
            row.iter_mut().for_each(|v| *v /= sum);
        }
        Some(out)
    }
}

pub(super) const IDENTITY: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// Working space (BT.2020, D65) to CIE XYZ: SMPTE RP 177-1993, section 3.3.
pub(super) fn working_to_xyz() -> Matrix {
    let columns = PRIMARIES.map(xyz_of);
    let primaries: Matrix = std::array::from_fn(|i| std::array::from_fn(|j| columns[j][i]));
    let shares = inverse(&primaries)
        .map(|m| apply(&m, xyz_of(D65)))
        .expect("primaries span a plane");
    product(&primaries, &diagonal(shares))
}

/// Bradford adaptation between two whites, given as XYZ.
pub(super) fn adaptation(from: [f64; 3], to: [f64; 3]) -> Matrix {
    let (from, to) = (apply(&BRADFORD, from), apply(&BRADFORD, to));
    let back = inverse(&BRADFORD).expect("Bradford's matrix can be inverted");
    let scale = diagonal([to[0] / from[0], to[1] / from[1], to[2] / from[2]]);
    product(&back, &product(&scale, &BRADFORD))
}

pub(super) fn xyz_of([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

fn wide(matrix: &[[f32; 3]; 3]) -> Matrix {
    matrix.map(|row| row.map(f64::from))
}

fn diagonal(values: [f64; 3]) -> Matrix {
    std::array::from_fn(|i| std::array::from_fn(|j| if i == j { values[i] } else { 0.0 }))
}

pub(super) fn product(a: &Matrix, b: &Matrix) -> Matrix {
    std::array::from_fn(|i| {
        std::array::from_fn(|j| a[i][0] * b[0][j] + a[i][1] * b[1][j] + a[i][2] * b[2][j])
    })
}

pub(super) fn apply(m: &Matrix, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// By cofactors; `None` when the determinant is too small for the matrix's size, or not finite.
fn inverse(m: &Matrix) -> Option<Matrix> {
    let cofactor = |i: usize, j: usize| {
        let (a, b) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant =
        m[0][0] * cofactor(0, 0) + m[0][1] * cofactor(0, 1) + m[0][2] * cofactor(0, 2);
    let size = m
        .iter()
        .flatten()
        .fold(0.0_f64, |size, v| size.max(v.abs()));
    let usable = determinant.is_finite() && determinant.abs() > 1.0e-9 * size * size * size;
    usable.then(|| std::array::from_fn(|i| std::array::from_fn(|j| cofactor(j, i) / determinant)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Expected: `colour.temperature.CCT_to_uv_Robertson1968` of colour-science 0.4.7, Duv times 3000
    /// being tint.
    #[test]
    fn temperature_and_tint_agree_with_colour_science() {
        for (kelvin, duv, [x, y]) in [
            (3200.0, 0.0, [0.423_261_06, 0.398_745_3]),
            (5000.0, 0.003, [0.345_684_23, 0.358_107_23]),
            (6504.0, 0.0032, [0.312_708_67, 0.328_898_29]),
            (12000.0, -0.005, [0.275_195_36, 0.272_454_84]),
        ] {
            let found = white_of(kelvin, 3000.0 * duv);
            assert!(
                (found[0] - x).abs() < 2e-5 && (found[1] - y).abs() < 2e-5,
                "{found:?}"
            );
            let (back, tint) = temperature_of(found);
            assert!((back / kelvin - 1.0).abs() < 1e-3, "{kelvin}: {back}");
            assert!((tint - 3000.0 * duv).abs() < 0.1, "{kelvin}: {tint}");
        }
        // `uv_to_CCT_Robertson1968`: D65 and standard light A.
        for (xy, kelvin, duv) in [
            (D65, 6503.707, 3.256_663e-3),
            ([0.44757, 0.40745], 2855.755, 2.67e-6),
        ] {
            let found = temperature_of(xy);
            assert!((found.0 - kelvin).abs() < 1.0, "{found:?}");
            assert!((found.1 - 3000.0 * duv).abs() < 0.05, "{found:?}");
        }
    }

    fn invented() -> [CameraMatrix; 2] {
        let matrix = |illuminant, xyz_to_camera| CameraMatrix {
            illuminant,
            xyz_to_camera,
            forward: None,
            calibration: None,
        };
        [
            matrix(
                17,
                [
                    [1.10, -0.45, -0.05],
                    [-0.40, 1.20, 0.22],
                    [-0.05, 0.15, 0.62],
                ],
            ),
            matrix(
                21,
                [
                    [0.80, -0.25, -0.10],
                    [-0.45, 1.25, 0.22],
                    [-0.08, 0.20, 0.60],
                ],
            ),
        ]
    }

    fn assert_near(found: &Matrix, expected: &Matrix, tolerance: f64) {
        for (found, expected) in found.iter().flatten().zip(expected.iter().flatten()) {
            assert!(
                (found - expected).abs() < tolerance,
                "{found} is not {expected}"
            );
        }
    }

    /// Expected: the specification's steps in numpy with colour-science 0.4.7
    /// (`uv_to_CCT_Robertson1968`, `matrix_chromatic_adaptation_VonKries` with Bradford,
    /// `normalised_primary_matrix` of ITU-R BT.2020).
    #[test]
    fn two_calibrations_are_interpolated_as_colour_science_does() {
        let camera = Camera::new(&invented(), [1.0; 3]);
        let neutral = [1.0 / 1.9, 1.0, 1.0 / 1.7];
        let white = camera
            .white_of_neutral(neutral)
            .expect("a plausible neutral");
        assert!((white[0] - 0.360_382).abs() < 2e-5 && (white[1] - 0.364_796).abs() < 2e-5);
        let expected = [
            [0.945_347, 0.158_050, -0.103_397],
            [-0.071_758, 1.361_616, -0.289_858],
            [0.014_790, -0.396_662, 1.381_872],
        ];
        assert_near(
            &camera.to_working([1.9, 1.0, 1.7]).expect("a matrix"),
            &expected,
            2e-4,
        );
    }

    /// As above, from forward matrices; then no light matters, only D50 and D65.
    #[test]
    fn forward_matrices_are_preferred() {
        let forward = Some([
            [0.70, 0.20, 0.0642],
            [0.28, 0.80, -0.08],
            [0.02, -0.10, 0.9049],
        ]);
        let matrices = invented().map(|matrix| CameraMatrix { forward, ..matrix });
        let camera = Camera::new(&matrices, [1.0; 3]);
        let expected = [
            [1.038_132, 0.038_153, -0.076_285],
            [-0.016_244, 1.180_285, -0.164_041],
            [0.028_229, -0.169_812, 1.141_583],
        ];
        assert_near(
            &camera.to_working([1.9, 1.0, 1.7]).expect("a matrix"),
            &expected,
            2e-5,
        );
    }

    /// What the camera amplifies per channel before recording must not change the colours.
    #[test]
    fn analog_balance_cancels_against_the_neutral() {
        let plain = Camera::new(&invented(), [1.0; 3]).to_working([1.9, 1.0, 1.7]);
        let amplified =
            Camera::new(&invented(), [1.25, 1.0, 0.8]).to_working([1.9 / 1.25, 1.0, 1.7 / 0.8]);
        assert_near(
            &plain.expect("a matrix"),
            &amplified.expect("a matrix"),
            1e-6,
        );
    }

    #[test]
    fn neutral_stays_neutral_and_nonsense_gives_nothing() {
        let matrix = Camera::new(&invented(), [1.0; 3]).to_working([1.9, 1.0, 1.7]);
        for row in matrix.expect("a matrix") {
            assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        }
        let singular = CameraMatrix {
            xyz_to_camera: [[1.0; 3]; 3],
            ..invented()[0]
        };
        assert!(
            Camera::new(&[singular], [1.0; 3])
                .to_working([1.0; 3])
                .is_none()
        );
        assert!(Camera::new(&[], [1.0; 3]).to_working([1.0; 3]).is_none());
    }
}
