//! Convolutions with one fixed order of additions.
//!
//! y[o] = bias[o] + sum over input channels, then kernel rows, then kernel columns of w x,
//! added one after another, each product and sum with one rounding ([`crate::picture::fused`]; ONNX operators
//! `Conv` and `ConvTranspose`, version 11). Each output
//! value is one such chain, in whichever vector lane, on whichever thread; so the bits are the
//! same on all machines. Padding takes part as zeros.
//!
//! A dense convolution gathers, for sixteen output pixels at once, what every tap sees into a
//! small panel that stays in the cache, and then multiplies the panel with six or four output channels
//! at a time, whose sums stay in registers. Threads share out whole rows of the output. A transposed one of stride s is s x s ordinary ones,
//! each giving every s-th row and column of the output. Depthwise ones walk over a padded plane.

use rayon::prelude::*;

use super::NetError;
use super::multiply::{LANES, Multiply, Seen, filled, sizes};
use crate::picture::{bands, fused};

/// Output pixels of a depthwise sum held together.
const WIDE: usize = 32;
/// Multiply-adds worth handing to another thread (about 20 microseconds).
const WORTH: usize = 1 << 18;
/// Most multiply-adds in one layer; the nets here need 0.2 thousand million.
const LARGEST_LAYER: usize = 20_000_000_000;

/// Channels, rows, columns.
pub(super) type Cube = [usize; 3];

/// Places a kernel over its input, per axis (rows, columns).
#[derive(Debug, Clone, Copy)]
pub(super) struct Placing {
    pub(super) kernel: [usize; 2],
    pub(super) stride: [usize; 2],
    pub(super) dilation: [usize; 2],
    /// Zeros before the first row and column.
    pub(super) before: [usize; 2],
    /// Zeros after the last row and column.
    pub(super) after: [usize; 2],
}

/// What becomes of every sum before it is put down: an operation of its own that follows in the graph. Each value
/// is changed alone, so the bits are those of the operation done later.
#[derive(Debug, Default)]
pub(super) enum Then {
    #[default]
    Nothing,
    Relu,
    /// One slope per channel for negative values.
    Slopes(Vec<f32>),
}

impl Then {
    /// Changes values of one channel.
    #[inline(always)]
    fn change(&self, channel: usize, values: &mut [f32]) {
        match self {
            Self::Nothing => {}
            Self::Relu => {
                for value in values {
                    *value = if *value > 0.0 { *value } else { 0.0 };
                }
            }
            Self::Slopes(slopes) => {
                let slope = slopes[channel];
                for value in values {
                    *value = if *value < 0.0 { slope * *value } else { *value };
                }
            }
        }
    }
}

/// A convolution, ready to run.
#[derive(Debug)]
pub(super) enum Conv {
    Dense(Dense),
    Depthwise(Depthwise),
}

/// Every output channel looks at every input channel.
#[derive(Debug)]
pub(super) struct Dense {
    input: Cube,
    output: Cube,
    /// Filled up to whole groups.
    bias: Vec<f32>,
    passes: Vec<Pass>,
    then: Then,
}

/// Part of a dense convolution that gives each `every`-th output row and column from `first` on.
#[derive(Debug)]
struct Pass {
    /// Rows and columns it gives.
    grid: [usize; 2],
    /// Input row and column, relative to `step` x the grid position, per kernel position.
    taps: Vec<[isize; 2]>,
    step: [usize; 2],
    first: [usize; 2],
    every: [usize; 2],
    /// Per group of output channels, per input channel, per tap: one value for each of them.
    weights: Vec<f32>,
}

/// Every channel on its own.
#[derive(Debug)]
pub(super) struct Depthwise {
    input: Cube,
    output: Cube,
    placing: Placing,
    weights: Vec<f32>,
    bias: Vec<f32>,
    then: Then,
}

fn unsupported(what: &str) -> NetError {
    NetError::Unsupported { what: what.into() }
}

fn check_work(outputs: Cube, taps: usize) -> Result<(), NetError> {
    let work = outputs
        .iter()
        .try_fold(taps, |product, &n| product.checked_mul(n));
    match work {
        Some(work) if work <= LARGEST_LAYER => Ok(()),
        _ => Err(NetError::Limit {
            what: "layer of more than 20 thousand million multiply-adds",
        }),
    }
}

/// Output rows or columns of an ordinary convolution.
pub(super) fn reach(input: usize, placing: &Placing, axis: usize) -> Result<usize, NetError> {
    let span = placing.dilation[axis]
        .checked_mul(placing.kernel[axis].saturating_sub(1))
        .and_then(|n| n.checked_add(1));
    let padded = input
        .checked_add(placing.before[axis])
        .and_then(|n| n.checked_add(placing.after[axis]));
    match (span, padded) {
        (Some(span), Some(padded)) if span <= padded && placing.stride[axis] > 0 => {
            Ok((padded - span) / placing.stride[axis] + 1)
        }
        _ => Err(unsupported("kernel larger than its input")),
    }
}

impl Conv {
    /// An ordinary convolution; `weights` are `[output, input / groups, rows, columns]`.
    pub(super) fn new(
        input: Cube,
        weights: (&[usize], &[f32]),
        bias: Option<&[f32]>,
        groups: usize,
        placing: Placing,
    ) -> Result<Self, NetError> {
        let (&[channels, depth, rows, columns], weights) = weights else {
            return Err(unsupported("convolution over other than two axes"));
        };
        let output = [
            channels,
            reach(input[1], &placing, 0)?,
            reach(input[2], &placing, 1)?,
        ];
        super::onnx::count(&output)?;
        let bias = bias.map_or_else(|| vec![0.0; channels], <[f32]>::to_vec);
        if [rows, columns] != placing.kernel || bias.len() != channels {
            return Err(unsupported("convolution whose sizes disagree"));
        }
        check_work(output, depth * rows * columns)?;
        if groups == 1 && depth == input[0] {
            let taps = (0..rows * columns)
                .map(|k| {
                    let at = [k / columns, k % columns];
                    [0, 1].map(|axis| {
                        (at[axis] * placing.dilation[axis]).cast_signed()
                            - placing.before[axis].cast_signed()
                    })
                })
                .collect();
            let pass = Pass {
                grid: [output[1], output[2]],
                taps,
                step: placing.stride,
                first: [0, 0],
                every: [1, 1],
                weights: packed(channels, depth * rows * columns, |o, k| {
                    weights[o * depth * rows * columns + k]
                }),
            };
            Ok(Self::Dense(Dense::new(input, output, &bias, vec![pass])))
        } else if groups == input[0] && channels == input[0] && depth == 1 {
            Ok(Self::Depthwise(Depthwise {
                input,
                output,
                placing,
                weights: weights.to_vec(),
                bias,
                then: Then::Nothing,
            }))
        } else {
            Err(unsupported("convolution in groups of several channels"))
        }
    }

    /// A transposed convolution; `weights` are `[input, output, rows, columns]`.
    pub(super) fn transposed(
        input: Cube,
        weights: (&[usize], &[f32]),
        bias: Option<&[f32]>,
        placing: Placing,
    ) -> Result<Self, NetError> {
        let (&[depth, channels, rows, columns], weights) = weights else {
            return Err(unsupported("convolution over other than two axes"));
        };
        let bias = bias.map_or_else(|| vec![0.0; channels], <[f32]>::to_vec);
        let agree =
            depth == input[0] && [rows, columns] == placing.kernel && bias.len() == channels;
        if !agree || placing.dilation != [1, 1] || placing.stride.contains(&0) {
            return Err(unsupported("transposed convolution of this kind"));
        }
        let reach = |axis: usize| {
            let whole = (input[axis + 1].checked_sub(1)?)
                .checked_mul(placing.stride[axis])?
                .checked_add(placing.kernel[axis])?;
            whole
                .checked_sub(placing.before[axis])?
                .checked_sub(placing.after[axis])
        };
        let (Some(high), Some(wide)) = (reach(0), reach(1)) else {
            return Err(unsupported("transposed convolution of these sizes"));
        };
        let output = [channels, high, wide];
        super::onnx::count(&output)?;
        check_work(output, depth * rows * columns)?;
        let [down, across] = placing.stride;
        let mut passes = Vec::new();
        for first in (0..down.min(high)).flat_map(|y| (0..across.min(wide)).map(move |x| [y, x])) {
            // Output row Y takes kernel row k from input row (Y + before - k) / stride, where
            // that is whole.
            let along = |axis: usize| {
                let reached = first[axis] + placing.before[axis];
                (0..placing.kernel[axis])
                    .filter(|k| reached.abs_diff(*k).is_multiple_of(placing.stride[axis]))
                    .map(|k| {
                        let apart = reached.cast_signed() - k.cast_signed();
                        (k, apart / placing.stride[axis].cast_signed())
                    })
                    .collect::<Vec<_>>()
            };
            let (vertical, horizontal) = (along(0), along(1));
            let used: Vec<_> = vertical
                .iter()
                .flat_map(|&(y, dy)| horizontal.iter().map(move |&(x, dx)| ([y, x], [dy, dx])))
                .collect();
            let count = used.len().max(1);
            passes.push(Pass {
                grid: [
                    (high - first[0]).div_ceil(down),
                    (wide - first[1]).div_ceil(across),
                ],
                taps: used.iter().map(|&(_, tap)| tap).collect(),
                step: [1, 1],
                first,
                every: placing.stride,
                weights: packed(channels, depth * used.len(), |o, k| {
                    let [y, x] = used[k % count].0;
                    weights[(((k / count) * channels + o) * rows + y) * columns + x]
                }),
            });
        }
        Ok(Self::Dense(Dense::new(input, output, &bias, passes)))
    }

    /// What its sums become; [`Then::Nothing`] when it is made.
    pub(super) fn then(&mut self) -> &mut Then {
        match self {
            Self::Dense(conv) => &mut conv.then,
            Self::Depthwise(conv) => &mut conv.then,
        }
    }

    /// Shape of what it gives.
    pub(super) fn output(&self) -> Cube {
        match self {
            Self::Dense(conv) => conv.output,
            Self::Depthwise(conv) => conv.output,
        }
    }

    /// Channels one after another, each row by row; every value of `out` is written.
    ///
    /// # Panics
    /// When either has not as many values as was agreed.
    pub(super) fn run(&self, input: &[f32], out: &mut [f32]) {
        assert_eq!(out.len(), self.output().iter().product::<usize>());
        match self {
            Self::Dense(conv) => conv.run(input, out),
            Self::Depthwise(conv) => conv.run(input, out),
        }
    }
}

/// Weights in the order in which [`Dense::run`] reads them; missing channels of the last group are 0.
fn packed(channels: usize, depth: usize, weight: impl Fn(usize, usize) -> f32) -> Vec<f32> {
    let mut packed = Vec::with_capacity(filled(channels) * depth);
    let mut first = 0;
    for size in sizes(channels) {
        for k in 0..depth {
            packed.extend((first..first + size).map(
                |o| {
                    if o < channels { weight(o, k) } else { 0.0 }
                },
            ));
        }
        first += size;
    }
    packed
}

impl Dense {
    fn new(input: Cube, output: Cube, bias: &[f32], passes: Vec<Pass>) -> Self {
        let mut bias = bias.to_vec();
        bias.resize(filled(output[0]), 0.0);
        Self {
            input,
            output,
            bias,
            passes,
            then: Then::Nothing,
        }
    }

    fn run(&self, input: &[f32], out: &mut [f32]) {
        let [_, height, width] = self.output;
        let Some(first) = self.passes.first() else {
            return;
        };
        // Pieces of whole grid rows, in each all channels: so that threads write apart.
        let (across, down) = (first.grid[1].max(1), first.every[0]);
        let depth = self.passes.iter().map(|pass| pass.taps.len()).max();
        let depth = self.input[0] * depth.unwrap_or(0);
        let even = (1..=LANES).find(|rows| (rows * across).is_multiple_of(LANES));
        let rows = (WORTH / (depth * self.bias.len()).max(1)).max(4 * LANES) / across + 1;
        let rows = rows.next_multiple_of(even.unwrap_or(1));
        let piece = rows * down * width;
        let mut pieces: Vec<Vec<&mut [f32]>> = Vec::new();
        pieces.resize_with(height.div_ceil(rows * down), Vec::new);
        for plane in out.chunks_exact_mut((height * width).max(1)) {
            for (piece, values) in pieces.iter_mut().zip(plane.chunks_mut(piece)) {
                piece.push(values);
            }
        }
        pieces.into_par_iter().enumerate().for_each_init(
            || Scratch {
                panel: vec![Seen([0.0; LANES]); depth],
                sums: vec![[0.0; LANES]; self.bias.len()],
                looks: Vec::new(),
            },
            |scratch, (index, mut planes)| {
                for pass in &self.passes {
                    let end = pass.grid[0].min((index + 1) * rows);
                    let range = index * rows * pass.grid[1]..end * pass.grid[1];
                    for start in range.clone().step_by(LANES) {
                        let count = LANES.min(range.end - start);
                        self.gather(pass, input, start, scratch);
                        pulp::Arch::new().dispatch(Multiply {
                            bias: &self.bias,
                            weights: &pass.weights,
                            panel: &scratch.panel[..self.input[0] * pass.taps.len()],
                            out: &mut scratch.sums,
                        });
                        let from = start - range.start;
                        let channels = planes.iter_mut().zip(&mut scratch.sums);
                        for (channel, (plane, sums)) in channels.enumerate() {
                            self.then.change(channel, sums);
                            scatter(pass, from, (sums, count), plane, width);
                        }
                    }
                }
            },
        );
    }

    /// What each tap of each input channel sees from [`LANES`] grid positions, from `start` on.
    fn gather(&self, pass: &Pass, input: &[f32], start: usize, scratch: &mut Scratch) {
        let [_, height, width] = self.input;
        let plane = height * width;
        let (y, x) = (start / pass.grid[1], start % pass.grid[1]);
        let in_one_row = x + LANES <= pass.grid[1] && y < pass.grid[0];
        scratch.looks.clear();
        scratch.looks.extend(pass.taps.iter().map(|tap| {
            if in_one_row && pass.step[1] <= 2 {
                let row = inside(y, pass.step[0], tap[0], height);
                let column = (x * pass.step[1]).checked_add_signed(tap[1]);
                let last = (LANES - 1) * pass.step[1];
                match (row, column) {
                    (None, _) => return Look::Nowhere,
                    (Some(row), Some(column)) if column + last < width => {
                        let at = row * width + column;
                        return if pass.step[1] == 1 {
                            Look::Run(at)
                        } else {
                            Look::EverySecond(at)
                        };
                    }
                    _ => {}
                }
            }
            let (mut y, mut x) = (y, x);
            let mut places = [usize::MAX; LANES];
            for place in &mut places {
                if y < pass.grid[0]
                    && let Some(row) = inside(y, pass.step[0], tap[0], height)
                    && let Some(column) = inside(x, pass.step[1], tap[1], width)
                {
                    *place = row * width + column;
                }
                x += 1;
                if x == pass.grid[1] {
                    (y, x) = (y + 1, 0);
                }
            }
            let first = places[0];
            let together = (places.iter().enumerate())
                .all(|(lane, &place)| place == first.wrapping_add(lane))
                && first < plane;
            if together {
                Look::Run(first)
            } else {
                Look::Places(places)
            }
        }));
        let panel = scratch.panel.chunks_exact_mut(pass.taps.len().max(1));
        for (seen, plane) in panel.zip(input.chunks_exact(plane.max(1))) {
            for (Seen(seen), look) in seen.iter_mut().zip(&scratch.looks) {
                match look {
                    Look::Nowhere => *seen = [0.0; LANES],
                    Look::Run(at) => seen.copy_from_slice(&plane[*at..*at + LANES]),
                    Look::EverySecond(at) => {
                        let from = &plane[*at..*at + 2 * LANES - 1];
                        for (lane, to) in seen.iter_mut().enumerate() {
                            *to = from[2 * lane];
                        }
                    }
                    Look::Places(places) => {
                        *seen = places.map(|place| plane.get(place).copied().unwrap_or(0.0));
                    }
                }
            }
        }
    }
}

/// What one thread needs for a block of [`LANES`] grid positions.
struct Scratch {
    /// Per input channel and tap, what is seen.
    panel: Vec<Seen>,
    /// Per output channel, what comes out.
    sums: Vec<[f32; LANES]>,
    looks: Vec<Look>,
}

/// Where one tap looks in every input plane.
enum Look {
    /// Beyond the first or last row.
    Nowhere,
    /// At neighbours, from here on.
    Run(usize),
    /// At every second value from here on.
    EverySecond(usize),
    /// At these; outside of the plane, nowhere.
    Places([usize; LANES]),
}

/// The row or column that a tap sees from a grid position, if there is one.
fn inside(at: usize, step: usize, tap: isize, size: usize) -> Option<usize> {
    (at * step)
        .checked_add_signed(tap)
        .filter(|&place| place < size)
}

/// Puts the first `count` values, of consecutive grid positions from `start` on, into one channel's piece.
fn scatter(
    pass: &Pass,
    start: usize,
    (values, count): (&[f32; LANES], usize),
    plane: &mut [f32],
    width: usize,
) {
    if pass.every == [1, 1] {
        bands::copy::<LANES>(&values[..count], &mut plane[start..start + count]);
        return;
    }
    let (mut y, mut x) = (start / pass.grid[1], start % pass.grid[1]);
    for &value in &values[..count] {
        let row = (pass.first[0] + y * pass.every[0]) * width;
        plane[row + pass.first[1] + x * pass.every[1]] = value;
        x += 1;
        if x == pass.grid[1] {
            (y, x) = (y + 1, 0);
        }
    }
}

impl Depthwise {
    /// Columns of one phase of a padded row: enough for whole vectors at every tap.
    fn phase(&self) -> usize {
        let last = (self.placing.kernel[1] - 1) * self.placing.dilation[1];
        self.output[2].next_multiple_of(WIDE) + last / self.placing.stride[1] + 1
    }

    fn run(&self, input: &[f32], out: &mut [f32]) {
        let [_, height, width] = self.output;
        let [_, rows, columns] = self.input;
        let placing = &self.placing;
        let taps = placing.kernel[0] * placing.kernel[1];
        let high =
            (height - 1) * placing.stride[0] + (placing.kernel[0] - 1) * placing.dilation[0] + 1;
        let long = self.phase() * placing.stride[1];
        out.par_chunks_mut(height * width)
            .enumerate()
            .with_min_len(WORTH / (taps * height * width) + 1)
            .for_each_init(
                || vec![0.0; high * long],
                |padded, (channel, out)| {
                    let plane = &input[channel * rows * columns..][..rows * columns];
                    self.pad(plane, padded, long);
                    let weights = &self.weights[channel * taps..][..taps];
                    pulp::Arch::new().dispatch(Filter {
                        conv: self,
                        padded,
                        long,
                        weights,
                        bias: self.bias[channel],
                        out: &mut *out,
                    });
                    self.then.change(channel, out);
                },
            );
    }

    /// Copies a plane into the middle of `padded`, zeros or a former plane of this convolution among them,
    /// columns sorted by their remainder by the stride, so that what neighbouring outputs see stands side
    /// by side.
    fn pad(&self, plane: &[f32], padded: &mut [f32], long: usize) {
        let [_, rows, columns] = self.input;
        let placing = &self.placing;
        let phase = self.phase();
        for (y, line) in padded.chunks_exact_mut(long).enumerate() {
            let Some(y) = y.checked_sub(placing.before[0]).filter(|&y| y < rows) else {
                continue;
            };
            let row = &plane[y * columns..][..columns];
            if placing.stride[1] == 1 {
                let left = placing.before[1].min(phase);
                let count = columns.min(phase - left);
                line[left..left + count].copy_from_slice(&row[..count]);
                continue;
            }
            for (remainder, line) in line.chunks_exact_mut(phase).enumerate() {
                for (j, to) in line.iter_mut().enumerate() {
                    let x = (j * placing.stride[1] + remainder).checked_sub(placing.before[1]);
                    *to = x.and_then(|x| row.get(x)).copied().unwrap_or(0.0);
                }
            }
        }
    }
}

/// Filters one padded plane.
struct Filter<'a> {
    conv: &'a Depthwise,
    padded: &'a [f32],
    /// Values from one padded row to the next.
    long: usize,
    weights: &'a [f32],
    bias: f32,
    out: &'a mut [f32],
}

impl Filter<'_> {
    /// Calls `block(first values that each tap reads, outputs)` for blocks of [`WIDE`] outputs.
    #[inline(always)]
    fn each_block(self, block: impl Fn(&[f32], &[usize], &[f32], f32) -> [f32; WIDE]) {
        let placing = &self.conv.placing;
        let phase = self.conv.phase();
        let taps: Vec<usize> = (0..placing.kernel[0])
            .flat_map(|y| (0..placing.kernel[1]).map(move |x| (y, x * placing.dilation[1])))
            .map(|(y, x)| {
                let [_, across] = placing.stride;
                y * placing.dilation[0] * self.long + (x % across) * phase + x / across
            })
            .collect();
        for (y, row) in self.out.chunks_exact_mut(self.conv.output[2]).enumerate() {
            let line = &self.padded[y * placing.stride[0] * self.long..];
            for (index, to) in row.chunks_mut(WIDE).enumerate() {
                let sums = block(&line[index * WIDE..], &taps, self.weights, self.bias);
                bands::copy::<WIDE>(&sums[..to.len()], to);
            }
        }
    }

    /// The plain version.
    fn plain(self) {
        self.each_block(|line, taps, weights, bias| {
            let mut sums = [bias; WIDE];
            for (&tap, w) in taps.iter().zip(weights) {
                for (sum, &x) in sums.iter_mut().zip(&line[tap..tap + WIDE]) {
                    *sum = fused::plain(*w, x, *sum);
                }
            }
            sums
        });
    }

    /// With sums in `V` registers.
    #[inline(always)]
    fn in_registers<S: pulp::Simd, const V: usize>(self, simd: S) {
        self.each_block(
            #[inline(always)]
            |line, taps, weights, bias| {
                let mut sums = [simd.splat_f32s(bias); V];
                for (&tap, &w) in taps.iter().zip(weights) {
                    let w = simd.splat_f32s(w);
                    let x = S::as_simd_f32s(&line[tap..tap + WIDE]).0;
                    for (sum, &x) in sums.iter_mut().zip(x) {
                        *sum = fused::fused(simd, w, x, *sum);
                    }
                }
                let mut out = [0.0; WIDE];
                S::as_mut_simd_f32s(&mut out).0.copy_from_slice(&sums);
                out
            },
        );
    }
}

impl pulp::WithSimd for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        match S::F32_LANES {
            16 => self.in_registers::<S, 2>(simd),
            8 => self.in_registers::<S, 4>(simd),
            4 => self.in_registers::<S, 8>(simd),
            _ => self.plain(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::multiply::tests::{bits, noise};
    use super::*;

    /// The sum as it stands at the top of this file, one value at a time.
    fn by_definition(
        input: (Cube, &[f32]),
        output: Cube,
        weights: &[f32],
        bias: &[f32],
        depthwise: bool,
        p: Placing,
    ) -> Vec<f32> {
        let ([channels, rows, columns], input) = input;
        let depth = if depthwise { 1 } else { channels };
        let mut out = Vec::new();
        for o in 0..output[0] {
            for y in 0..output[1] {
                for x in 0..output[2] {
                    let mut sum = bias[o];
                    for c in 0..depth {
                        for ky in 0..p.kernel[0] {
                            for kx in 0..p.kernel[1] {
                                let row = y * p.stride[0] + ky * p.dilation[0];
                                let column = x * p.stride[1] + kx * p.dilation[1];
                                let plane = if depthwise { o } else { c };
                                let seen = match (
                                    row.checked_sub(p.before[0]).filter(|&r| r < rows),
                                    column.checked_sub(p.before[1]).filter(|&c| c < columns),
                                ) {
                                    (Some(r), Some(c)) => input[(plane * rows + r) * columns + c],
                                    _ => 0.0,
                                };
                                let k = (ky * p.kernel[1]) + kx;
                                let taps = p.kernel[0] * p.kernel[1];
                                sum = weights[(o * depth + c) * taps + k].mul_add(seen, sum);
                            }
                        }
                    }
                    out.push(sum);
                }
            }
        }
        out
    }

    #[track_caller]
    fn check(cube: Cube, channels: usize, depthwise: bool, p: Placing) {
        let depth = if depthwise { 1 } else { cube[0] };
        let shape = [channels, depth, p.kernel[0], p.kernel[1]];
        let (input, weights) = (noise(cube.iter().product()), noise(shape.iter().product()));
        let bias = noise(channels);
        let groups = if depthwise { cube[0] } else { 1 };
        let conv = Conv::new(cube, (&shape, &weights), Some(&bias), groups, p)
            .expect("an ordinary convolution");
        let plain = by_definition((cube, &input), conv.output(), &weights, &bias, depthwise, p);
        // What stood there before must not show.
        let mut out = vec![f32::NAN; plain.len()];
        conv.run(&input, &mut out);
        assert_eq!(bits(&out), bits(&plain));
    }

    #[test]
    fn the_fast_way_gives_the_bits_of_the_definition() {
        let placing = |kernel: usize, stride: usize, dilation: usize, before, after| Placing {
            kernel: [kernel; 2],
            stride: [stride; 2],
            dilation: [dilation; 2],
            before: [before; 2],
            after: [after; 2],
        };
        for (cube, channels, p) in [
            ([3, 7, 9], 5, placing(3, 1, 1, 1, 1)),
            ([6, 16, 16], 4, placing(1, 1, 1, 0, 0)),
            ([2, 33, 17], 1, placing(5, 2, 1, 1, 2)),
            ([4, 20, 24], 9, placing(3, 1, 8, 8, 8)),
            ([8, 2, 2], 11, placing(2, 1, 1, 0, 0)),
            ([5, 18, 40], 6, placing(2, 2, 1, 0, 0)),
        ] {
            check(cube, channels, false, p);
        }
        for (cube, p) in [
            ([3, 9, 35], placing(3, 1, 1, 1, 1)),
            ([2, 12, 64], placing(5, 2, 1, 1, 2)),
            ([4, 6, 6], placing(3, 2, 1, 0, 1)),
            ([1, 20, 20], placing(3, 1, 2, 2, 2)),
        ] {
            check(cube, cube[0], true, p);
        }
    }

    /// Each input value, spread over the output by the kernel: the operator's own definition.
    #[test]
    fn a_transposed_convolution_spreads_every_input() {
        for (kernel, before, after) in [(2, 0, 0), (3, 0, 1), (4, 1, 1)] {
            let (cube, channels) = ([3, 5, 6], 2);
            let p = Placing {
                kernel: [kernel; 2],
                stride: [2; 2],
                dilation: [1; 2],
                before: [before; 2],
                after: [after; 2],
            };
            let shape = [cube[0], channels, kernel, kernel];
            let (input, weights) = (noise(cube.iter().product()), noise(shape.iter().product()));
            let conv = Conv::transposed(cube, (&shape, &weights), None, p).expect("of this kind");
            let [_, high, wide] = conv.output();
            assert_eq!(
                [high, wide],
                [5, 6].map(|n| (n - 1) * 2 + kernel - before - after)
            );
            let mut spread = vec![0.0_f64; channels * high * wide];
            for (i, v) in input.iter().enumerate() {
                let (c, y, x) = (i / 30, i / 6 % 5, i % 6);
                for o in 0..channels {
                    for k in 0..kernel * kernel {
                        let row = (2 * y + k / kernel).checked_sub(before);
                        let column = (2 * x + k % kernel).checked_sub(before);
                        if let (Some(row), Some(column)) = (row, column)
                            && row < high
                            && column < wide
                        {
                            let w = weights[(c * channels + o) * kernel * kernel + k];
                            spread[(o * high + row) * wide + column] += f64::from(w * v);
                        }
                    }
                }
            }
            let mut found = vec![f32::NAN; spread.len()];
            conv.run(&input, &mut found);
            let apart = found
                .iter()
                .zip(&spread)
                .map(|(a, b)| (f64::from(*a) - b).abs());
            assert!(apart.fold(0.0, f64::max) < 1e-6);
        }
    }

    #[test]
    fn kernels_beyond_the_input_and_wrong_weights_are_refused() {
        let p = |kernel| Placing {
            kernel: [kernel; 2],
            stride: [1; 2],
            dilation: [1; 2],
            before: [0; 2],
            after: [0; 2],
        };
        let weights = noise(2 * 25);
        let wide = Conv::new([1, 4, 4], (&[2, 1, 5, 5], &weights), None, 1, p(5));
        assert!(wide.is_err());
        let wrong = Conv::new([1, 8, 8], (&[2, 1, 5, 5], &weights), None, 1, p(3));
        assert!(wrong.is_err());
    }
}
