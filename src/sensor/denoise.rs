//! Noise taken off square roots of light, in overlapping cosine transforms.
//!
//! Light and two opponent colours are each parted in 8 x 8 blocks (every second or fourth row and
//! column) and transformed (G. Yu and G. Sapiro, "DCT image denoising: a simple and effective image
//! denoising algorithm", IPOL 1, 2011). A first pass drops coefficients that are no larger than noise
//! would make them; a second one weighs each by what the first found there (the empirical Wiener
//! filter of K. Dabov, A. Foi, V. Katkovnik, K. Egiazarian, "Image denoising by sparse 3-D
//! transform-domain collaborative filtering", IEEE TIP 16, 2007, and its weights of blocks: the less
//! a block keeps, the more it counts). What is coarser than a block is denoised in copies of half and
//! a quarter of the size, which bring the low frequencies (N. Pierazzo, J.-M. Morel, G. Facciolo,
//! "Multi-scale DCT denoising", IPOL 7, 2017): without them, blotches of colour stay.
//!
//! Filling in a mosaic makes noise coarse and ties the colours together, so the size of noise is not
//! one number but one for each coefficient, colour and copy: the very demosaicing is run on a
//! small flat frame with the frame's noise, and its coefficients are measured.
//!
//! Blocks begin at fixed rows and columns of the active area and add up in ascending order: a
//! window gives the pixels of the whole. One plane after the other is worked on, in bands of rows,
//! so that two planes more than the picture's are all that it takes.

use ndarray::Array2;

use crate::picture::{Ratio, bands};

/// Side of a block.
const SIDE: usize = 8;

/// The picture and its smaller copies.
const LEVELS: usize = 3;

/// Windows begin at multiples of it: where blocks of the smallest copy may begin.
pub(super) const ALIGNED: usize = 16;

/// What a window needs around it. Each pass looks 7 pixels of its copy far, what a smaller
/// copy brings another 4 of the larger one: 16, then 2 * 16 + 4 + 8 = 44, then 2 * 44 + 4 + 8.
pub(super) const MARGIN: usize = 112;

/// Rows that one thread fills.
const BAND: usize = 64;

/// How a plane is treated: light, or an opponent colour.
#[derive(Clone, Copy)]
struct Treatment {
    /// How far blocks are apart in the first and in the second pass, at most 4.
    steps: [usize; 2],
    /// A coefficient is kept in the first pass from so many standard deviations of noise on (2.7
    /// to 3 in the sources).
    least: f32,
    /// Variances of noise that stand in the denominator of the second pass (1 in the source).
    doubt: f32,
}

/// Chosen on the test pictures of the demosaicing protocol, where they move the mean by less than
/// a tenth of a decibel. Blocks of light every second row and column in the first pass too would
/// bring 0.04 to 0.1 dB for half as much time again.
const LIGHT: Treatment = Treatment {
    steps: [4, 2],
    least: 2.8,
    doubt: 1.5,
};
const COLOUR: Treatment = Treatment {
    steps: [4, 4],
    least: 3.0,
    doubt: 1.0,
};

/// Light and two opponent colours, orthonormal: the inverse is the transpose.
const OPPONENT: [[f32; 3]; 3] = [
    [0.577_350_3, 0.577_350_3, 0.577_350_3],
    [0.707_106_77, 0.0, -0.707_106_77],
    [0.408_248_3, -0.816_496_6, 0.408_248_3],
];

/// Standard deviation of noise in each coefficient of light and of the two opponent colours, in
/// the picture and its smaller copies.
pub(super) struct Spectrum([[[f32; SIDE * SIDE]; LEVELS]; 3]);

/// Measures noise in a picture of flat light, whose light was taken off.
pub(super) fn spectrum(mut planes: [Array2<f32>; 3]) -> Spectrum {
    to_opponent(&mut planes);
    Spectrum(planes.map(|plane| {
        let half = halved(&plane);
        let quarter = halved(&half);
        [&plane, &half, &quarter].map(deviations)
    }))
}

fn deviations(plane: &Array2<f32>) -> [f32; SIDE * SIDE] {
    let mut energy = [0.0_f64; SIDE * SIDE];
    let mut count = 0_u32;
    let (height, width) = plane.dim();
    for top in (0..(height + 1).saturating_sub(SIDE)).step_by(SIDE / 2) {
        for left in (0..(width + 1).saturating_sub(SIDE)).step_by(SIDE / 2) {
            let rows: [[f32; SIDE]; SIDE] = std::array::from_fn(|y| {
                forward(std::array::from_fn(|x| plane[[top + y, left + x]]))
            });
            for v in 0..SIDE {
                for (u, value) in forward(rows.map(|row| row[v])).into_iter().enumerate() {
                    energy[u * SIDE + v] += f64::from(value) * f64::from(value);
                }
            }
            count += 1;
        }
    }
    energy.map(|energy| (energy / f64::from(count.max(1))).sqrt() as f32)
}

fn to_opponent(planes: &mut [Array2<f32>; 3]) {
    bands::each_row(planes, |_, [first, second, third]| {
        for ((a, b), c) in first.iter_mut().zip(second).zip(third) {
            let v = [*a, *b, *c];
            [*a, *b, *c] = OPPONENT.map(|m| m[0] * v[0] + m[1] * v[1] + m[2] * v[2]);
        }
    });
}

fn from_opponent(planes: &mut [Array2<f32>; 3]) {
    bands::each_row(planes, |_, [first, second, third]| {
        for ((a, b), c) in first.iter_mut().zip(second).zip(third) {
            let v = [*a, *b, *c];
            let m = &OPPONENT;
            [*a, *b, *c] = [0, 1, 2].map(|k| m[0][k] * v[0] + m[1][k] * v[1] + m[2][k] * v[2]);
        }
    });
}

/// How much of the noise of light and of colours is taken off at a strength. Colour noise goes
/// first, it reads as dirt, the other as grain. Light's power of 1.5 is chosen so that half the strength
/// keeps 93 to 95 % of the fine-band energy (0.5 to 2 pixels) of the rendered sitters' skin at ISO 100.
pub(super) fn shares(strength: Ratio) -> [f32; 3] {
    let strength = strength.0.clamp(0.0, 1.0);
    let colour = (2.0 * strength).min(1.0);
    [strength * strength.sqrt(), colour, colour]
}

/// Which part of the variance of red, green and blue is gone at a strength, about: that of light.
pub(super) fn taken(strength: Ratio) -> f32 {
    let left = 1.0 - shares(strength)[0];
    1.0 - left * left
}

/// Takes noise off `planes`, whose first row and column are [`ALIGNED`] in the active area, and
/// whose outermost [`MARGIN`] only serves the rest.
pub(super) fn denoise(planes: &mut [Array2<f32>; 3], spectrum: &Spectrum, strength: Ratio) {
    to_opponent(planes);
    let treatments = [LIGHT, COLOUR, COLOUR];
    for (((plane, spectrum), share), treatment) in planes
        .iter_mut()
        .zip(&spectrum.0)
        .zip(shares(strength))
        .zip(treatments)
    {
        let clean = cleaned(plane, spectrum, treatment);
        ndarray::Zip::from(plane)
            .and(&clean)
            .for_each(|noisy, clean| *noisy += share * (clean - *noisy));
    }
    from_opponent(planes);
}

/// A plane without its noise; `levels` holds the noise of the plane and of its smaller copies.
fn cleaned(
    noisy: &Array2<f32>,
    levels: &[[f32; SIDE * SIDE]],
    treatment: Treatment,
) -> Array2<f32> {
    let Some((deviations, smaller)) = levels.split_first() else {
        return noisy.clone();
    };
    let coarse = (!smaller.is_empty()).then(|| cleaned(&halved(noisy), smaller, treatment));
    let mut pilot = pass(noisy, None, deviations, treatment);
    if let Some(coarse) = &coarse {
        take_over(&mut pilot, coarse);
    }
    let mut clean = pass(noisy, Some(&pilot), deviations, treatment);
    drop(pilot);
    if let Some(coarse) = &coarse {
        take_over(&mut clean, coarse);
    }
    clean
}

/// Means of 2 x 2 pixels.
fn halved(plane: &Array2<f32>) -> Array2<f32> {
    let (height, width) = plane.dim();
    let mut half = Array2::zeros((height / 2, width / 2));
    bands::each_band(half.view_mut(), |first, mut rows| {
        for (y, mut row) in rows.rows_mut().into_iter().enumerate() {
            let [above, below] = [0, 1].map(|k| {
                let row = plane.row(2 * (first + y) + k);
                row.to_slice().expect("planes are contiguous")
            });
            let row = row.as_slice_mut().expect("planes are contiguous");
            bands::vectorised(
                #[inline(always)]
                || {
                    let pairs = above.chunks_exact(2).zip(below.chunks_exact(2));
                    for (out, (a, b)) in row.iter_mut().zip(pairs) {
                        *out = 0.25 * ((a[0] + a[1]) + (b[0] + b[1]));
                    }
                },
            );
        }
    });
    half
}

/// Replaces the low frequencies of `plane` by those of its smaller copy: the difference, smoothed
/// (1 2 1), is read bilinearly. Rows and columns at the edges, which nobody looks at, repeat.
fn take_over(plane: &mut Array2<f32>, coarse: &Array2<f32>) {
    let mut difference = halved(plane);
    ndarray::Zip::from(&mut difference)
        .and(coarse)
        .for_each(|d, c| *d = c - *d);
    let (height, width) = difference.dim();
    if height == 0 || width == 0 {
        return;
    }
    let values = difference.as_slice().expect("planes are contiguous");
    bands::each_band(plane.view_mut(), |first, mut rows| {
        // One value more at each side, repeated.
        let mut line = vec![0.0; width + 2];
        let mut smooth = vec![0.0; width + 2];
        for (k, mut row) in rows.rows_mut().into_iter().enumerate() {
            let y = first + k;
            let middle = (y / 2).min(height - 1);
            // Nearest row of the copy three quarters, the next one a quarter; each smoothed.
            let weights: [f32; 5] = if y % 2 == 0 {
                [0.0625, 0.3125, 0.4375, 0.1875, 0.0]
            } else {
                [0.0, 0.1875, 0.4375, 0.3125, 0.0625]
            };
            let near: [&[f32]; 5] = std::array::from_fn(|j| {
                let y = (middle + j).saturating_sub(2).min(height - 1);
                &values[y * width..][..width]
            });
            let row = row.as_slice_mut().expect("planes are contiguous");
            bands::vectorised(
                #[inline(always)]
                || {
                    for (x, out) in line[1..=width].iter_mut().enumerate() {
                        *out = (weights[0] * near[0][x] + weights[1] * near[1][x])
                            + weights[2] * near[2][x]
                            + (weights[3] * near[3][x] + weights[4] * near[4][x]);
                    }
                    (line[0], line[width + 1]) = (line[1], line[width]);
                    for (out, v) in smooth[1..=width].iter_mut().zip(line.windows(3)) {
                        *out = 0.25 * (v[0] + v[2]) + 0.5 * v[1];
                    }
                    (smooth[0], smooth[width + 1]) = (smooth[1], smooth[width]);
                    for (pair, v) in row.chunks_exact_mut(2).zip(smooth.windows(3)) {
                        pair[0] += 0.75 * v[1] + 0.25 * v[0];
                        pair[1] += 0.75 * v[1] + 0.25 * v[2];
                    }
                },
            );
        }
    });
}

/// One pass over all blocks: by thresholds, or with a pilot by weights.
fn pass(
    noisy: &Array2<f32>,
    pilot: Option<&Array2<f32>>,
    deviations: &[f32; SIDE * SIDE],
    treatment: Treatment,
) -> Array2<f32> {
    let (height, width) = noisy.dim();
    let mut out = Array2::zeros((height, width));
    if height < SIDE || width < SIDE {
        out.assign(noisy);
        return out;
    }
    let step = treatment.steps[usize::from(pilot.is_some())];
    let source = noisy.as_slice().expect("planes are contiguous");
    let pilot = pilot.map(|pilot| pilot.as_slice().expect("planes are contiguous"));
    let values = out.as_slice_mut().expect("planes are contiguous");
    bands::each_piece(values, BAND * width, |band, sums| {
        let first = band * BAND;
        let count = sums.len() / width;
        let mut strip = Strip::new(width, step, treatment, deviations);
        let mut weights = vec![0.0; sums.len()];
        // Blocks that reach into these rows begin up to seven rows above.
        let start = first.saturating_sub(SIDE - 1).next_multiple_of(step);
        for top in (start..first + count).step_by(step) {
            if top + SIDE <= height {
                bands::vectorised(
                    #[inline(always)]
                    || strip.run(source, pilot, top, first, sums, &mut weights),
                );
            }
        }
        for (sum, weight) in sums.iter_mut().zip(&weights) {
            *sum /= weight.max(1.0e-20);
        }
    });
    out
}

/// Blocks that are transformed together, so that vector units work on neighbouring blocks.
const TOGETHER: usize = 64;
type Lanes = [f32; TOGETHER];

/// One row of blocks.
struct Strip {
    width: usize,
    step: usize,
    /// Thresholds, and what the second pass adds to squares.
    thresholds: [f32; SIDE * SIDE],
    doubts: [f32; SIDE * SIDE],
    blocks: usize,
    row: Vec<f32>,
    /// Rows of vertical coefficients by column modulo the step, of the noisy plane and the pilot.
    lines: [[Vec<f32>; 4]; SIDE],
    guides: [[Vec<f32>; 4]; SIDE],
    coefficients: Box<[Lanes; SIDE * SIDE]>,
    guide: Box<[Lanes; SIDE * SIDE]>,
    back: [[Vec<f32>; 4]; SIDE],
    weight: [Vec<f32>; 4],
    whole: [Vec<f32>; SIDE],
}

impl Strip {
    fn new(
        width: usize,
        step: usize,
        treatment: Treatment,
        deviations: &[f32; SIDE * SIDE],
    ) -> Self {
        let blocks = (width - SIDE) / step + 1;
        let length = blocks.next_multiple_of(TOGETHER) + SIDE;
        let line = || vec![0.0; length];
        let lines = || std::array::from_fn(|_| std::array::from_fn(|_| line()));
        Self {
            width,
            step,
            thresholds: deviations.map(|v| treatment.least * v),
            doubts: deviations.map(|v| treatment.doubt * v * v + f32::MIN_POSITIVE),
            blocks,
            row: vec![0.0; length * step],
            lines: lines(),
            guides: lines(),
            coefficients: Box::new([[0.0; TOGETHER]; SIDE * SIDE]),
            guide: Box::new([[0.0; TOGETHER]; SIDE * SIDE]),
            back: lines(),
            weight: std::array::from_fn(|_| line()),
            whole: std::array::from_fn(|_| vec![0.0; length * step]),
        }
    }

    /// Adds what the blocks that begin at row `top` say to the rows from `first` on.
    #[inline(always)]
    fn run(
        &mut self,
        noisy: &[f32],
        pilot: Option<&[f32]>,
        top: usize,
        first: usize,
        sums: &mut [f32],
        weights: &mut [f32],
    ) {
        let (width, step) = (self.width, self.step);
        vertical(noisy, width, top, step, &mut self.lines);
        if let Some(pilot) = pilot {
            vertical(pilot, width, top, step, &mut self.guides);
        }
        for line in self.back.iter_mut().flatten().chain(&mut self.weight) {
            line.fill(0.0);
        }
        for from in (0..self.blocks).step_by(TOGETHER) {
            horizontal(&self.lines, from, step, &mut self.coefficients);
            let mut kept = [0.0; TOGETHER];
            if pilot.is_some() {
                horizontal(&self.guides, from, step, &mut self.guide);
                for k in 1..SIDE * SIDE {
                    let doubt = self.doubts[k];
                    let (values, guide) = (&mut self.coefficients[k], &self.guide[k]);
                    for i in 0..TOGETHER {
                        let square = guide[i] * guide[i];
                        let share = square / (square + doubt);
                        values[i] *= share;
                        kept[i] += share * share;
                    }
                }
            } else {
                for k in 1..SIDE * SIDE {
                    let threshold = self.thresholds[k];
                    for (value, kept) in self.coefficients[k].iter_mut().zip(&mut kept) {
                        let keep = if value.abs() > threshold { 1.0 } else { 0.0 };
                        *value *= keep;
                        *kept += keep;
                    }
                }
            }
            // The mean of a block always stays.
            let mut weight = [0.0; TOGETHER];
            for (i, (weight, kept)) in weight.iter_mut().zip(&kept).enumerate() {
                if from + i < self.blocks {
                    *weight = 1.0 / (1.0 + kept);
                }
            }
            self.put_back(from, &weight);
        }
        self.add_up(top, first, sums, weights);
    }

    /// Horizontal way back of the blocks from `from` on. Columns get blocks in ascending order,
    /// also across pieces of [`TOGETHER`].
    #[inline(always)]
    fn put_back(&mut self, from: usize, weight: &Lanes) {
        let step = self.step;
        let mut columns = [[0.0; TOGETHER]; SIDE];
        for u in 0..SIDE {
            let k: &[Lanes; SIDE] = self.coefficients[u * SIDE..][..SIDE]
                .try_into()
                .expect("eight of a row");
            for i in 0..TOGETHER {
                let w = weight[i];
                let values = backward([
                    k[0][i], k[1][i], k[2][i], k[3][i], k[4][i], k[5][i], k[6][i], k[7][i],
                ]);
                for j in 0..SIDE {
                    columns[j][i] = w * values[j];
                }
            }
            for j in (0..SIDE).rev() {
                let out = &mut self.back[u][j % step][from + j / step..][..TOGETHER];
                for (out, value) in out.iter_mut().zip(&columns[j]) {
                    *out += value;
                }
            }
        }
        for j in (0..SIDE).rev() {
            let out = &mut self.weight[j % step][from + j / step..][..TOGETHER];
            for (out, value) in out.iter_mut().zip(weight) {
                *out += value;
            }
        }
    }

    /// Vertical way back, all columns at once.
    #[inline(always)]
    fn add_up(&mut self, top: usize, first: usize, sums: &mut [f32], weights: &mut [f32]) {
        let (width, step) = (self.width, self.step);
        for phase in 0..step {
            let k: [&[f32]; SIDE] = std::array::from_fn(|u| &self.back[u][phase][..]);
            let length = width.div_ceil(step).min(k[0].len());
            let k = k.map(|line| &line[..length]);
            let [a, b, c, d, e, f, g, h] = &mut self.whole;
            for i in 0..length {
                let v = backward([
                    k[0][i], k[1][i], k[2][i], k[3][i], k[4][i], k[5][i], k[6][i], k[7][i],
                ]);
                let at = i * step + phase;
                (a[at], b[at], c[at], d[at]) = (v[0], v[1], v[2], v[3]);
                (e[at], f[at], g[at], h[at]) = (v[4], v[5], v[6], v[7]);
            }
            for (i, weight) in self.weight[phase][..length].iter().enumerate() {
                self.row[i * step + phase] = *weight;
            }
        }
        for (j, line) in self.whole.iter().enumerate() {
            let y = top + j;
            if y < first || (y - first) * width >= sums.len() {
                continue;
            }
            let at = (y - first) * width;
            for (out, value) in sums[at..at + width].iter_mut().zip(line) {
                *out += value;
            }
            for (out, value) in weights[at..at + width].iter_mut().zip(&self.row) {
                *out += value;
            }
        }
    }
}

/// Vertical transform of the eight rows from `top` on, each row of coefficients parted by column
/// modulo `step`.
#[inline(always)]
fn vertical(
    plane: &[f32],
    width: usize,
    top: usize,
    step: usize,
    lines: &mut [[Vec<f32>; 4]; SIDE],
) {
    let r: [&[f32]; SIDE] = std::array::from_fn(|j| &plane[(top + j) * width..][..width]);
    for phase in 0..step {
        let mut out = lines.each_mut().map(|line| &mut line[phase][..]);
        for (i, x) in (phase..width).step_by(step).enumerate() {
            let v = forward([
                r[0][x], r[1][x], r[2][x], r[3][x], r[4][x], r[5][x], r[6][x], r[7][x],
            ]);
            for (out, v) in out.iter_mut().zip(v) {
                out[i] = v;
            }
        }
    }
}

/// Horizontal transform of the blocks from `from` on.
#[inline(always)]
fn horizontal(
    lines: &[[Vec<f32>; 4]; SIDE],
    from: usize,
    step: usize,
    out: &mut [Lanes; SIDE * SIDE],
) {
    for (line, out) in lines.iter().zip(out.chunks_exact_mut(SIDE)) {
        let p: [&Lanes; SIDE] = std::array::from_fn(|j| {
            line[j % step][from + j / step..][..TOGETHER]
                .try_into()
                .expect("as many as are taken together")
        });
        let out: &mut [Lanes; SIDE] = out.try_into().expect("eight of a row");
        for i in 0..TOGETHER {
            let v = forward([
                p[0][i], p[1][i], p[2][i], p[3][i], p[4][i], p[5][i], p[6][i], p[7][i],
            ]);
            for k in 0..SIDE {
                out[k][i] = v[k];
            }
        }
    }
}

/// Half of the cosines of k / 16 of a half turn, k from 1 to 7, and the root of an eighth.
const C: [f32; 8] = [
    0.353_553_39,
    0.490_392_64,
    0.461_939_77,
    0.415_734_81,
    0.353_553_39,
    0.277_785_12,
    0.191_341_72,
    0.097_545_16,
];

/// Orthonormal cosine transform of type II, even and odd halves apart.
#[inline(always)]
fn forward(v: [f32; SIDE]) -> [f32; SIDE] {
    let s = [v[0] + v[7], v[1] + v[6], v[2] + v[5], v[3] + v[4]];
    let d = [v[0] - v[7], v[1] - v[6], v[2] - v[5], v[3] - v[4]];
    let (outer, inner) = (s[0] + s[3], s[1] + s[2]);
    let (x, y) = (s[0] - s[3], s[1] - s[2]);
    [
        C[4] * (outer + inner),
        (C[1] * d[0] + C[3] * d[1]) + (C[5] * d[2] + C[7] * d[3]),
        C[2] * x + C[6] * y,
        (C[3] * d[0] - C[7] * d[1]) - (C[1] * d[2] + C[5] * d[3]),
        C[4] * (outer - inner),
        (C[5] * d[0] - C[1] * d[1]) + (C[7] * d[2] + C[3] * d[3]),
        C[6] * x - C[2] * y,
        (C[7] * d[0] - C[5] * d[1]) + (C[3] * d[2] - C[1] * d[3]),
    ]
}

/// Undoes [`forward`].
#[inline(always)]
fn backward(k: [f32; SIDE]) -> [f32; SIDE] {
    let (outer, inner) = (C[4] * (k[0] + k[4]), C[4] * (k[0] - k[4]));
    let (x, y) = (C[2] * k[2] + C[6] * k[6], C[6] * k[2] - C[2] * k[6]);
    let s = [outer + x, inner + y, inner - y, outer - x];
    let d = [
        (C[1] * k[1] + C[3] * k[3]) + (C[5] * k[5] + C[7] * k[7]),
        (C[3] * k[1] - C[7] * k[3]) - (C[1] * k[5] + C[5] * k[7]),
        (C[5] * k[1] - C[1] * k[3]) + (C[7] * k[5] + C[3] * k[7]),
        (C[7] * k[1] - C[5] * k[3]) + (C[3] * k[5] - C[1] * k[7]),
    ];
    [
        s[0] + d[0],
        s[1] + d[1],
        s[2] + d[2],
        s[3] + d[3],
        s[3] - d[3],
        s[2] - d[2],
        s[1] - d[1],
        s[0] - d[0],
    ]
}
