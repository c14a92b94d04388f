//! Noise taken off square roots of light, by thresholds on overlapping cosine transforms.
//!
//! Each 8 x 8 block (every fourth row and column) of light and two opponent colours is
//! transformed; coefficients that are no larger than noise would make them are dropped; what all
//! blocks say of a pixel is averaged. Source: G. Yu and G. Sapiro, "DCT image denoising: a simple and
//! effective image denoising algorithm", IPOL 1 (2011). Filling in a mosaic makes noise coarse and
//! ties the colours together, so the size of noise is not one number but one for each coefficient:
//! the very demosaicing is run on a small flat frame with the frame's noise, and its coefficients
//! are measured.
//!
//! Blocks begin at rows and columns of the active area that are multiples of four, and add up in
//! a fixed order: a window gives the pixels of the whole.

use ndarray::Array2;

use crate::picture::{Ratio, bands};

/// Side of a block, and how far blocks are apart.
const SIDE: usize = 8;
pub(super) const STEP: usize = 4;

/// What a window needs around it: all blocks over its pixels.
pub(super) const MARGIN: usize = SIDE;

/// Rows that one thread fills.
const BAND: usize = 64;

/// A coefficient is kept from so many standard deviations of noise on, at full strength (2.7 to 3
/// in the paper; lower keeps more texture). Light a little less than colours.
const LIGHT: f32 = 2.5;
const COLOUR: f32 = 3.0;

/// Orthonormal cosine transform of type II: rows are frequencies.
#[allow(clippy::excessive_precision)]
const COSINES: [[f32; SIDE]; SIDE] = [
    [0.353_553_39; 8],
    [
        0.490_392_64,
        0.415_734_81,
        0.277_785_12,
        0.097_545_16,
        -0.097_545_16,
        -0.277_785_12,
        -0.415_734_81,
        -0.490_392_64,
    ],
    [
        0.461_939_77,
        0.191_341_72,
        -0.191_341_72,
        -0.461_939_77,
        -0.461_939_77,
        -0.191_341_72,
        0.191_341_72,
        0.461_939_77,
    ],
    [
        0.415_734_81,
        -0.097_545_16,
        -0.490_392_64,
        -0.277_785_12,
        0.277_785_12,
        0.490_392_64,
        0.097_545_16,
        -0.415_734_81,
    ],
    [
        0.353_553_39,
        -0.353_553_39,
        -0.353_553_39,
        0.353_553_39,
        0.353_553_39,
        -0.353_553_39,
        -0.353_553_39,
        0.353_553_39,
    ],
    [
        0.277_785_12,
        -0.490_392_64,
        0.097_545_16,
        0.415_734_81,
        -0.415_734_81,
        -0.097_545_16,
        0.490_392_64,
        -0.277_785_12,
    ],
    [
        0.191_341_72,
        -0.461_939_77,
        0.461_939_77,
        -0.191_341_72,
        -0.191_341_72,
        0.461_939_77,
        -0.461_939_77,
        0.191_341_72,
    ],
    [
        0.097_545_16,
        -0.277_785_12,
        0.415_734_81,
        -0.490_392_64,
        0.490_392_64,
        -0.415_734_81,
        0.277_785_12,
        -0.097_545_16,
    ],
];

/// Light and two opponent colours, orthonormal: the inverse is the transpose.
const OPPONENT: [[f32; 3]; 3] = [
    [0.577_350_3, 0.577_350_3, 0.577_350_3],
    [0.707_106_77, 0.0, -0.707_106_77],
    [0.408_248_3, -0.816_496_6, 0.408_248_3],
];

/// Standard deviation of noise in each coefficient of light and of the two opponent colours.
pub(super) type Spectrum = [[f32; SIDE * SIDE]; 3];

/// Measures noise in a picture of flat light.
pub(super) fn spectrum(planes: &[Array2<f32>; 3]) -> Spectrum {
    let mut planes = planes.clone();
    to_opponents(&mut planes);
    planes.map(|plane| {
        let mut energy = [0.0_f64; SIDE * SIDE];
        let mut count = 0_u32;
        let (height, width) = plane.dim();
        for top in (0..height - SIDE + 1).step_by(SIDE) {
            for left in (0..width - SIDE + 1).step_by(SIDE) {
                for (k, energy) in energy.iter_mut().enumerate() {
                    let (u, v) = (k / SIDE, k % SIDE);
                    let mut sum = 0.0;
                    for y in 0..SIDE {
                        let mut row = 0.0;
                        for x in 0..SIDE {
                            row += COSINES[v][x] * plane[[top + y, left + x]];
                        }
                        sum += COSINES[u][y] * row;
                    }
                    *energy += f64::from(sum) * f64::from(sum);
                }
                count += 1;
            }
        }
        energy.map(|energy| (energy / f64::from(count.max(1))).sqrt() as f32)
    })
}

/// Light and two opponent colours of red, green and blue.
#[inline(always)]
fn opponent([r, g, b]: [f32; 3]) -> [f32; 3] {
    let one = |m: [f32; 3]| m[0] * r + m[1] * g + m[2] * b;
    [one(OPPONENT[0]), one(OPPONENT[1]), one(OPPONENT[2])]
}

fn to_opponents(planes: &mut [Array2<f32>; 3]) {
    bands::each_row(planes, |_, [first, second, third]| {
        bands::vectorised(
            #[inline(always)]
            || {
                for ((a, b), c) in first.iter_mut().zip(second).zip(third) {
                    [*a, *b, *c] = opponent([*a, *b, *c]);
                }
            },
        );
    });
}

/// Takes noise off `noisy`, whose first row and column are `STEP`-aligned in the active area, and
/// whose outermost [`MARGIN`] only serves the rest. What begins at row and column `place` comes
/// into `out`, each row through `finish`.
pub(super) fn denoise(
    noisy: [Array2<f32>; 3],
    spectrum: &Spectrum,
    strength: Ratio,
    [top, left]: [usize; 2],
    out: &mut [Array2<f32>; 3],
    finish: impl Fn([&mut [f32]; 3]) + Sync,
) {
    let strength = strength.0.clamp(0.0, 1.0);
    let mut opponents = noisy;
    to_opponents(&mut opponents);
    let thresholds: [[f32; SIDE * SIDE]; 3] = std::array::from_fn(|c| {
        let factor = if c == 0 {
            LIGHT * strength
        } else {
            COLOUR * (2.0 * strength).min(1.0)
        };
        // The mean of a block always stays.
        std::array::from_fn(|k| {
            if k == 0 {
                -1.0
            } else {
                factor * spectrum[c][k]
            }
        })
    });
    let (height, width) = opponents[0].dim();
    let shown = out[0].ncols();
    bands::each_band_of_three(out, BAND, |first, [red, green, blue]| {
        let first = first + top;
        let mut work = Strip::new(width);
        let count = red.len() / shown;
        let mut sums: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; count * width]);
        for (plane, (sums, thresholds)) in opponents.iter().zip(sums.iter_mut().zip(&thresholds)) {
            // Blocks that reach into these rows begin up to seven rows above.
            let start = first.saturating_sub(SIDE - 1).next_multiple_of(STEP);
            for top in (start..first + count).step_by(STEP) {
                if top + SIDE <= height {
                    bands::vectorised(|| work.run(plane, top, thresholds, first, sums));
                }
            }
        }
        let rows = red
            .chunks_exact_mut(shown)
            .zip(green.chunks_exact_mut(shown))
            .zip(blue.chunks_exact_mut(shown));
        for (y, ((red, green), blue)) in rows.enumerate() {
            let [l, p, q] = sums
                .each_ref()
                .map(|sums| &sums[y * width + left..][..shown]);
            bands::vectorised(
                #[inline(always)]
                || {
                    let colours = red.iter_mut().zip(&mut *green).zip(&mut *blue);
                    for (((r, g), b), ((&l, &p), &q)) in colours.zip(l.iter().zip(p).zip(q)) {
                        // Four blocks lie over each pixel.
                        let v = [0.25 * l, 0.25 * p, 0.25 * q];
                        let one = |c: usize| {
                            OPPONENT[0][c] * v[0] + OPPONENT[1][c] * v[1] + OPPONENT[2][c] * v[2]
                        };
                        (*r, *g, *b) = (one(0), one(1), one(2));
                    }
                    finish([red, green, blue]);
                },
            );
        }
    });
}

/// One row of blocks, all columns at once, so that vector units work on neighbouring blocks.
struct Strip {
    blocks: usize,
    row: Vec<f32>,
    /// A row of vertical coefficients by column modulo [`STEP`].
    phases: [Vec<f32>; STEP],
    coefficients: [Vec<f32>; SIDE],
    back: [[Vec<f32>; STEP]; SIDE],
}

impl Strip {
    fn new(width: usize) -> Self {
        let length = width / STEP + 2;
        let line = || vec![0.0; length];
        Self {
            blocks: (width / STEP).saturating_sub(1),
            row: vec![0.0; length * STEP],
            phases: std::array::from_fn(|_| line()),
            coefficients: std::array::from_fn(|_| line()),
            back: std::array::from_fn(|_| std::array::from_fn(|_| line())),
        }
    }

    /// Adds what the blocks that begin at row `top` say to the rows from `first` on.
    #[inline(always)]
    fn run(
        &mut self,
        plane: &Array2<f32>,
        top: usize,
        thresholds: &[f32; SIDE * SIDE],
        first: usize,
        sums: &mut [f32],
    ) {
        let width = plane.ncols();
        let blocks = self.blocks;
        let all = plane.as_slice().expect("planes are contiguous");
        let rows: [&[f32]; SIDE] = std::array::from_fn(|j| &all[(top + j) * width..][..width]);
        for (u, back) in self.back.iter_mut().enumerate() {
            let row = &mut self.row[..width];
            for (x, out) in row.iter_mut().enumerate() {
                let c = &COSINES[u];
                *out = ((c[0] * rows[0][x] + c[1] * rows[1][x])
                    + (c[2] * rows[2][x] + c[3] * rows[3][x]))
                    + ((c[4] * rows[4][x] + c[5] * rows[5][x])
                        + (c[6] * rows[6][x] + c[7] * rows[7][x]));
            }
            for (i, four) in row.chunks_exact(STEP).enumerate() {
                for (phase, &value) in self.phases.iter_mut().zip(four) {
                    phase[i] = value;
                }
            }
            let p: [&[f32]; SIDE] =
                std::array::from_fn(|j| &self.phases[j % STEP][j / STEP..][..blocks]);
            for (v, out) in self.coefficients.iter_mut().enumerate() {
                let c = &COSINES[v];
                let threshold = thresholds[u * SIDE + v];
                for (i, out) in out[..blocks].iter_mut().enumerate() {
                    let value = ((c[0] * p[0][i] + c[1] * p[1][i])
                        + (c[2] * p[2][i] + c[3] * p[3][i]))
                        + ((c[4] * p[4][i] + c[5] * p[5][i]) + (c[6] * p[6][i] + c[7] * p[7][i]));
                    *out = if value.abs() > threshold { value } else { 0.0 };
                }
            }
            for line in back.iter_mut() {
                line.fill(0.0);
            }
            let k: [&[f32]; SIDE] = std::array::from_fn(|v| &self.coefficients[v][..blocks]);
            for j in 0..SIDE {
                let out = &mut back[j % STEP][j / STEP..][..blocks];
                let c: [f32; SIDE] = std::array::from_fn(|v| COSINES[v][j]);
                for (i, out) in out.iter_mut().enumerate() {
                    *out += ((c[0] * k[0][i] + c[1] * k[1][i]) + (c[2] * k[2][i] + c[3] * k[3][i]))
                        + ((c[4] * k[4][i] + c[5] * k[5][i]) + (c[6] * k[6][i] + c[7] * k[7][i]));
                }
            }
        }
        let whole = width / STEP;
        for j in 0..SIDE {
            let y = top + j;
            if y < first || (y - first) * width >= sums.len() {
                continue;
            }
            let out = &mut sums[(y - first) * width..][..width];
            let c: [f32; SIDE] = std::array::from_fn(|u| COSINES[u][j]);
            for phase in 0..STEP {
                let k: [&[f32]; SIDE] = std::array::from_fn(|u| &self.back[u][phase][..whole]);
                let line = &mut self.phases[phase][..whole];
                for (i, out) in line.iter_mut().enumerate() {
                    *out = ((c[0] * k[0][i] + c[1] * k[1][i]) + (c[2] * k[2][i] + c[3] * k[3][i]))
                        + ((c[4] * k[4][i] + c[5] * k[5][i]) + (c[6] * k[6][i] + c[7] * k[7][i]));
                }
            }
            for (i, four) in out.chunks_exact_mut(STEP).enumerate() {
                for (out, phase) in four.iter_mut().zip(&self.phases) {
                    *out += phase[i];
                }
            }
        }
    }
}
