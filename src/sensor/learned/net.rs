//! A small net over cells of a mosaic: convolutions with one fixed order of additions, fast without
//! fused multiply-adds.
//!
//! A 3 x 3 convolution makes four rows at once, of six sums in place of twelve (A. Lavin, S. Gray,
//! "Fast algorithms for convolutional neural networks", CVPR 2016: F(4, 3), here down the columns
//! only): rows are combined to six terms, each term is convolved along the row, four output channels by
//! two registers at a time, and the six sums are combined to four rows. That halves the work.
//!
//! Each value is one chain of operations, in whichever vector lane; but a row's last bits
//! depend on where its group of four begins and on what stands beyond the rows that
//! are computed, which is the nearest row that is. Both depend on the height alone that
//! [`Net::ready`] is given, never on what was computed before. Columns do not see that.

use std::ops::Range;

use pulp::Simd;

use crate::picture::bands;

/// Output channels whose sums are held together.
const ROWS: usize = 4;

/// Output rows of a 3 x 3 convolution that are made together, and the terms they are made of.
pub(super) const TALL: usize = 4;
const TERMS: usize = 6;

/// Columns kept free before and after each row of a plane: kernels reach one beyond.
pub(super) const EDGE: usize = 16;

/// Rows of planes are filled up to multiples of it: twice the widest vector register.
const WIDE: usize = 32;

/// Columns of a row that are made for some output channels before the next ones'.
const PIECE: usize = 256;

/// Channels of each density, blocks before going to the next coarser one, and blocks after.
pub(super) struct Layout {
    pub(super) outputs: usize,
    /// Planes of even noise that the first convolution sees besides the four of the mosaic.
    pub(super) noises: usize,
    pub(super) channels: &'static [usize],
    pub(super) before: &'static [usize],
    pub(super) after: &'static [usize],
}

/// Channels of one size, with [`EDGE`] columns more at both sides: the first row of each channel, the
/// second of each, and so on, so that what a group of rows needs stands together.
pub(super) struct Planes {
    pub(super) channels: usize,
    pub(super) height: usize,
    pub(super) width: usize,
    stride: usize,
    values: Vec<f32>,
}

impl Planes {
    pub(super) fn new(channels: usize, height: usize, width: usize) -> Self {
        let stride = EDGE + width.next_multiple_of(WIDE) + EDGE;
        Self {
            channels,
            height,
            width,
            stride,
            values: vec![0.0; channels * height * stride],
        }
    }

    #[inline(always)]
    pub(super) fn row(&self, channel: usize, y: usize) -> &[f32] {
        &self.values[(y * self.channels + channel) * self.stride..][..self.stride]
    }

    #[inline(always)]
    pub(super) fn row_mut(&mut self, channel: usize, y: usize) -> &mut [f32] {
        &mut self.values[(y * self.channels + channel) * self.stride..][..self.stride]
    }
}

#[inline(always)]
fn positive(v: f32) -> f32 {
    if v > 0.0 { v } else { 0.0 }
}

/// A convolution of 3 x 3.
struct Square {
    inputs: usize,
    outputs: usize,
    /// Per group of [`ROWS`] outputs, per term, per input, per column: one value for each output.
    weights: Vec<[[f32; ROWS]; 3]>,
}

/// A convolution of 1 x 1.
struct Mixing {
    inputs: usize,
    outputs: usize,
    /// Per group of [`ROWS`] outputs, per input: one value for each output.
    weights: Vec<[f32; ROWS]>,
}

/// What a layer does, and at which density; [`Layer::Down`] and [`Layer::Up`] name the finer one.
enum Layer {
    /// From the mosaic.
    First(Square),
    /// What it gives is added to what it sees.
    Block(usize, Square),
    Down(usize, Mixing),
    Up(usize, Mixing),
    Last(Square),
}

/// A net: a first convolution, blocks at several densities, a last convolution.
pub(super) struct Net {
    layers: Vec<Layer>,
    channels: &'static [usize],
    outputs: usize,
    /// What a deviation of red, green and blue adds to each output of the first convolution.
    noises: Vec<[f32; 3]>,
    /// How far it looks, in cells.
    pub(super) reach: usize,
}

/// Buffers of a net for mosaics of one size, and which rows and columns each layer makes.
pub(super) struct Work {
    made: Vec<[Range<usize>; 2]>,
    /// Per density, what layers see and what they make.
    levels: Vec<[Planes; 2]>,
    /// Terms of a group of rows, or the rows that a [`Mixing`] sees or makes.
    terms: Vec<f32>,
    parts: Vec<f32>,
    pub(super) out: Planes,
}

impl Net {
    /// Weights are 16-bit floats, lowest byte first: the first convolution, per density the blocks
    /// before and after and the ways down and up, the last convolution.
    pub(super) fn new(layout: &Layout, weights: &[u8]) -> Self {
        let mut values = weights
            .chunks_exact(2)
            .map(|pair| wide(u16::from_le_bytes([pair[0], pair[1]])));
        let mut take = |count: usize| -> Vec<f32> { values.by_ref().take(count).collect() };
        let channels = layout.channels;
        let inputs = 4 + layout.noises;
        let first = take(inputs * channels[0] * 9);
        let sum = |taps: &[f32]| taps.iter().sum::<f32>();
        let noises = first
            .chunks_exact(inputs * 9)
            .map(|taps| std::array::from_fn(|c| taps[36..].chunks_exact(9).nth(c).map_or(0.0, sum)))
            .collect();
        let first: Vec<f32> = first
            .chunks_exact(inputs * 9)
            .flat_map(|taps| &taps[..36])
            .copied()
            .collect();
        let mut layers = vec![Layer::First(Square::new(4, &first))];
        let mut ways = Vec::new();
        for (level, &here) in channels.iter().enumerate() {
            let mut blocks = |count: usize| -> Vec<Layer> {
                (0..count)
                    .map(|_| Layer::Block(level, Square::new(here, &take(here * here * 9))))
                    .collect()
            };
            let (before, after) = (blocks(layout.before[level]), blocks(layout.after[level]));
            layers.extend(before);
            if let Some(&next) = channels.get(level + 1) {
                let size = 4 * here * next;
                layers.push(Layer::Down(level, Mixing::new(4 * here, &take(size))));
                ways.push((after, Layer::Up(level, Mixing::new(next, &take(size)))));
            } else {
                layers.extend(after);
            }
        }
        for (after, up) in ways.into_iter().rev() {
            layers.push(up);
            layers.extend(after);
        }
        let last = take(channels[0] * layout.outputs * 9);
        layers.push(Layer::Last(Square::new(channels[0], &last)));
        debug_assert!(values.next().is_none(), "no weight is left over");
        let mut net = Self {
            layers,
            channels,
            outputs: layout.outputs,
            noises,
            reach: 0,
        };
        // In the middle of a mosaic so high that nothing is cut off.
        let reaches = (512..512 + net.aligned()).map(|y| y - net.seen(1024, y..y + 1).1.start);
        net.reach = reaches.max().unwrap_or(0);
        net
    }

    /// Sites of a mosaic from its first row on are in whole groups of rows at every density if they
    /// begin at multiples of it.
    pub(super) fn aligned(&self) -> usize {
        (2 * TALL) << (self.channels.len() - 1)
    }

    /// Which rows each layer makes so that the rows `wanted` come out of a mosaic of `height` rows of
    /// cells, and which rows of the mosaic that takes. The same for columns.
    fn seen(&self, height: usize, wanted: Range<usize>) -> (Vec<Range<usize>>, Range<usize>) {
        let mut need: Vec<Range<usize>> = vec![0..0; self.channels.len()];
        need[0] = wanted;
        let wider = |rows: &Range<usize>, level: usize| {
            rows.start.saturating_sub(1)..(rows.end + 1).min(height >> level)
        };
        let mut made: Vec<Range<usize>> = self
            .layers
            .iter()
            .rev()
            .map(|layer| match *layer {
                Layer::First(_) | Layer::Last(_) => {
                    let made = need[0].clone();
                    need[0] = wider(&made, 0);
                    made
                }
                Layer::Block(level, _) => {
                    let made = need[level].clone();
                    need[level] = wider(&made, level);
                    made
                }
                Layer::Up(level, _) => {
                    let made = need[level].start / 2..need[level].end.div_ceil(2);
                    need[level] = 2 * made.start..2 * made.end;
                    need[level + 1] = made.clone();
                    made
                }
                Layer::Down(level, _) => {
                    let made = need[level + 1].clone();
                    let fine = &mut need[level];
                    *fine = fine.start.min(2 * made.start)..fine.end.max(2 * made.end);
                    made
                }
            })
            .collect();
        made.reverse();
        (made, need[0].clone())
    }

    /// Buffers for mosaics of some rows and columns of cells, of which those `wanted` are to come out
    /// right.
    pub(super) fn ready(&self, [height, width]: [usize; 2], wanted: [Range<usize>; 2]) -> Work {
        let level = |(k, &channels): (usize, &usize)| {
            std::array::from_fn(|_| Planes::new(channels, height >> k, width >> k))
        };
        let levels: Vec<[Planes; 2]> = self.channels.iter().enumerate().map(level).collect();
        let most = |count: usize| {
            levels
                .iter()
                .map(|[p, _]| count * p.channels * p.stride)
                .max()
        };
        let groups = |rows: Range<usize>| rows.start / TALL * TALL..rows.end.next_multiple_of(TALL);
        let [rows, columns] = wanted;
        let (rows, columns) = (self.seen(height, rows).0, self.seen(width, columns).0);
        let made = rows.into_iter().zip(columns).zip(&self.layers);
        let made = made.map(|((rows, columns), layer)| match layer {
            Layer::Down(..) | Layer::Up(..) => [rows, columns],
            _ => [groups(rows), columns],
        });
        Work {
            made: made.collect(),
            terms: vec![0.0; most(TERMS).unwrap_or(0)],
            parts: vec![0.0; most(4).unwrap_or(0)],
            out: Planes::new(self.outputs, height, width),
            levels,
        }
    }

    /// What the first convolution's outputs begin with under an even noise.
    pub(super) fn starts(&self, deviation: [f32; 3]) -> Vec<f32> {
        let start = |noise: &[f32; 3]| {
            let [r, g, b] = [0, 1, 2].map(|c| noise[c] * deviation[c]);
            r + g + b
        };
        self.noises.iter().map(start).collect()
    }

    /// Fills the rows of `work.out` that are wanted, but for [`Self::reach`] columns at both sides.
    pub(super) fn run(&self, mosaic: &Planes, starts: &[f32], work: &mut Work) {
        let Work {
            made,
            levels,
            terms,
            parts,
            out,
        } = work;
        let arch = pulp::Arch::new();
        // Rows that were made last, at each density.
        let mut have: Vec<Range<usize>> = vec![0..0; levels.len()];
        for (layer, [rows, columns]) in self.layers.iter().zip(made.iter()) {
            match layer {
                Layer::First(conv) => {
                    arch.dispatch(Squaring {
                        conv,
                        from: mosaic,
                        have: 0..mosaic.height,
                        rows: rows.clone(),
                        columns: columns.clone(),
                        starts,
                        add: false,
                        positive: true,
                        terms,
                        to: &mut levels[0][0],
                    });
                    have[0] = rows.clone();
                }
                Layer::Block(level, conv) => {
                    let [from, to] = &mut levels[*level];
                    arch.dispatch(Squaring {
                        conv,
                        from,
                        have: have[*level].clone(),
                        rows: rows.clone(),
                        columns: columns.clone(),
                        starts: &[],
                        add: true,
                        positive: true,
                        terms,
                        to,
                    });
                    std::mem::swap(from, to);
                    have[*level] = rows.clone();
                }
                Layer::Down(level, conv) => {
                    let [fine, coarse] = pair(levels, *level);
                    for y in rows.clone() {
                        bands::vectorised(
                            #[inline(always)]
                            || part(fine, y, coarse.stride, parts),
                        );
                        arch.dispatch(Mix {
                            conv,
                            from: parts,
                            stride: coarse.stride,
                            columns: columns.clone(),
                            to: terms,
                        });
                        bands::vectorised(
                            #[inline(always)]
                            || {
                                for (channel, row) in terms
                                    .chunks_exact(coarse.stride)
                                    .take(coarse.channels)
                                    .enumerate()
                                {
                                    let to = &mut coarse.row_mut(channel, y)[EDGE..];
                                    for (to, v) in to.iter_mut().zip(&row[EDGE..]) {
                                        *to = positive(*v);
                                    }
                                }
                            },
                        );
                    }
                    have[level + 1] = rows.clone();
                }
                Layer::Up(level, conv) => {
                    let [fine, coarse] = pair(levels, *level);
                    for y in rows.clone() {
                        for channel in 0..coarse.channels {
                            parts[channel * coarse.stride..][..coarse.stride]
                                .copy_from_slice(coarse.row(channel, y));
                        }
                        arch.dispatch(Mix {
                            conv,
                            from: parts,
                            stride: coarse.stride,
                            columns: columns.clone(),
                            to: terms,
                        });
                        bands::vectorised(
                            #[inline(always)]
                            || join(terms, coarse.stride, y, fine),
                        );
                    }
                    have[*level] = 2 * rows.start..2 * rows.end;
                }
                Layer::Last(conv) => arch.dispatch(Squaring {
                    conv,
                    from: &levels[0][0],
                    have: have[0].clone(),
                    rows: rows.clone(),
                    columns: columns.clone(),
                    starts: &[],
                    add: false,
                    positive: false,
                    terms,
                    to: out,
                }),
            }
        }
    }
}

/// Planes of a density and of the next coarser one.
fn pair(levels: &mut [[Planes; 2]], level: usize) -> [&mut Planes; 2] {
    let (finer, coarser) = levels.split_at_mut(level + 1);
    [&mut finer[level][0], &mut coarser[0][0]]
}

/// Four rows for each channel of the coarser row `y`: upper left, upper right, lower left and lower
/// right values.
#[inline(always)]
fn part(fine: &Planes, y: usize, stride: usize, parts: &mut [f32]) {
    for channel in 0..fine.channels {
        for down in 0..2 {
            let row = &fine.row(channel, 2 * y + down)[EDGE..][..fine.width];
            let at = (4 * channel + 2 * down) * stride;
            let (left, right) = parts[at..at + 2 * stride].split_at_mut(stride);
            for (k, half) in [left, right].into_iter().enumerate() {
                for (half, pair) in half[EDGE..].iter_mut().zip(row.chunks_exact(2)) {
                    *half = pair[k];
                }
            }
        }
    }
}

/// Adds what [`part`] would make `parts` of; nothing stays below 0.
#[inline(always)]
fn join(parts: &[f32], stride: usize, y: usize, fine: &mut Planes) {
    let width = fine.width;
    for channel in 0..fine.channels {
        for down in 0..2 {
            let at = (4 * channel + 2 * down) * stride;
            let (left, right) = parts[at..at + 2 * stride].split_at(stride);
            let both = left[EDGE..].iter().zip(&right[EDGE..]);
            let row = &mut fine.row_mut(channel, 2 * y + down)[EDGE..][..width];
            for (pair, (left, right)) in row.chunks_exact_mut(2).zip(both) {
                pair[0] = positive(pair[0] + left);
                pair[1] = positive(pair[1] + right);
            }
        }
    }
}

impl Square {
    /// `taps` per output, per input: three rows of three.
    fn new(inputs: usize, taps: &[f32]) -> Self {
        let outputs = taps.len() / (9 * inputs);
        let groups = outputs.div_ceil(ROWS);
        let mut weights = vec![[[0.0; ROWS]; 3]; groups * TERMS * inputs];
        for (output, taps) in taps.chunks_exact(9 * inputs).enumerate() {
            for (input, taps) in taps.chunks_exact(9).enumerate() {
                for column in 0..3 {
                    let [a, b, c] = [taps[column], taps[3 + column], taps[6 + column]];
                    let ends = a / 24.0 + c / 6.0;
                    let terms: [f32; TERMS] = [
                        a / 4.0,
                        -(a + c + b) / 6.0,
                        -(a + c - b) / 6.0,
                        ends + b / 12.0,
                        ends - b / 12.0,
                        c,
                    ];
                    for (term, value) in terms.into_iter().enumerate() {
                        let at = (output / ROWS * TERMS + term) * inputs + input;
                        weights[at][column][output % ROWS] = value;
                    }
                }
            }
        }
        Self {
            inputs,
            outputs,
            weights,
        }
    }
}

impl Mixing {
    /// `taps` per output, per input.
    fn new(inputs: usize, taps: &[f32]) -> Self {
        let outputs = taps.len() / inputs;
        let mut weights = vec![[0.0; ROWS]; outputs.div_ceil(ROWS) * inputs];
        for (output, taps) in taps.chunks_exact(inputs).enumerate() {
            for (input, tap) in taps.iter().enumerate() {
                weights[output / ROWS * inputs + input][output % ROWS] = *tap;
            }
        }
        Self {
            inputs,
            outputs,
            weights,
        }
    }
}

/// A [`Square`] at work.
struct Squaring<'a> {
    conv: &'a Square,
    from: &'a Planes,
    /// Rows of `from` that are there; the first and last stand for those beyond.
    have: Range<usize>,
    /// Rows to be made, in whole groups.
    rows: Range<usize>,
    columns: Range<usize>,
    /// What sums begin with; zero where it ends.
    starts: &'a [f32],
    /// Whether what is seen is added.
    add: bool,
    /// Nothing stays below 0.
    positive: bool,
    terms: &'a mut [f32],
    to: &'a mut Planes,
}

impl Squaring<'_> {
    /// The six terms of four rows, for each input.
    #[inline(always)]
    fn combine<S: Simd>(&mut self, simd: S, y: usize) {
        let Self {
            conv, from, have, ..
        } = self;
        let stride = from.stride;
        let [two, four, five] = [2.0, 4.0, 5.0].map(|v| simd.splat_f32s(v));
        for (input, terms) in self.terms.chunks_exact_mut(TERMS * stride).enumerate() {
            if input == conv.inputs {
                break;
            }
            let mut d: [&[S::f32s]; TERMS] = [&[]; TERMS];
            for (k, row) in d.iter_mut().enumerate() {
                let at = (y + k).saturating_sub(1).clamp(have.start, have.end - 1);
                *row = S::as_simd_f32s(from.row(input, at)).0;
            }
            let mut rows = terms.chunks_exact_mut(stride);
            let mut next = || S::as_mut_simd_f32s(rows.next().expect("six rows")).0;
            let [t0, t1, t2, t3, t4, t5] = [next(), next(), next(), next(), next(), next()];
            let [d0, d1, d2, d3, d4, d5] = d.map(|row| &row[..t0.len()]);
            for x in 0..t0.len() {
                let (d1, d2, d3, d4) = (d1[x], d2[x], d3[x], d4[x]);
                let outer = simd.add_f32s(simd.mul_f32s(four, d0[x]), d4);
                t0[x] = simd.sub_f32s(outer, simd.mul_f32s(five, d2));
                let even = simd.sub_f32s(d4, simd.mul_f32s(four, d2));
                let odd = simd.sub_f32s(d3, simd.mul_f32s(four, d1));
                t1[x] = simd.add_f32s(even, odd);
                t2[x] = simd.sub_f32s(even, odd);
                let even = simd.sub_f32s(d4, d2);
                let odd = simd.mul_f32s(two, simd.sub_f32s(d3, d1));
                t3[x] = simd.add_f32s(even, odd);
                t4[x] = simd.sub_f32s(even, odd);
                let outer = simd.add_f32s(simd.mul_f32s(four, d1), d5[x]);
                t5[x] = simd.sub_f32s(outer, simd.mul_f32s(five, d3));
            }
        }
    }

    /// The six sums of [`ROWS`] output channels from column `x` on.
    #[inline(always)]
    fn sums<S: Simd>(&self, simd: S, group: usize, x: usize) -> [[[S::f32s; 2]; ROWS]; TERMS] {
        let together = 2 * S::F32_LANES;
        let (inputs, stride) = (self.conv.inputs, self.from.stride);
        let zero = simd.splat_f32s(0.0);
        let mut all = [[[zero; 2]; ROWS]; TERMS];
        let weights = &self.conv.weights[group * TERMS * inputs..][..TERMS * inputs];
        for (term, (all, weights)) in all.iter_mut().zip(weights.chunks_exact(inputs)).enumerate() {
            let mut sums = [[zero; 2]; ROWS];
            let rows = self.terms.chunks_exact(TERMS * stride);
            for (weights, row) in weights.iter().zip(rows) {
                let values = &row[term * stride + x - 1..][..together + 2];
                for (column, weights) in weights.iter().enumerate() {
                    let v = S::as_simd_f32s(&values[column..column + together]).0;
                    let v = [v[0], v[1]];
                    for (sums, &w) in sums.iter_mut().zip(weights) {
                        let w = simd.splat_f32s(w);
                        for (sum, v) in sums.iter_mut().zip(v) {
                            *sum = simd.add_f32s(*sum, simd.mul_f32s(w, v));
                        }
                    }
                }
            }
            *all = sums;
        }
        all
    }

    /// Makes four rows of the sums of [`ROWS`] output channels.
    #[inline(always)]
    fn put<S: Simd>(
        &mut self,
        simd: S,
        sums: &[[[S::f32s; 2]; ROWS]; TERMS],
        group: usize,
        [y, x]: [usize; 2],
    ) {
        let [two, four, eight] = [
            simd.splat_f32s(2.0),
            simd.splat_f32s(4.0),
            simd.splat_f32s(8.0),
        ];
        let lanes = S::F32_LANES;
        for k in 0..ROWS {
            let channel = group * ROWS + k;
            if channel >= self.conv.outputs {
                break;
            }
            let start = simd.splat_f32s(self.starts.get(channel).copied().unwrap_or(0.0));
            for half in 0..2 {
                let [m1, m2] = [sums[1][k][half], sums[2][k][half]];
                let [m3, m4] = [sums[3][k][half], sums[4][k][half]];
                let (plus, minus) = (simd.add_f32s(m1, m2), simd.sub_f32s(m1, m2));
                let (more, less) = (simd.add_f32s(m3, m4), simd.sub_f32s(m3, m4));
                let last = simd.add_f32s(minus, simd.mul_f32s(eight, less));
                let rows = [
                    simd.add_f32s(sums[0][k][half], simd.add_f32s(plus, more)),
                    simd.add_f32s(minus, simd.mul_f32s(two, less)),
                    simd.add_f32s(plus, simd.mul_f32s(four, more)),
                    simd.add_f32s(sums[5][k][half], last),
                ];
                let at = x + half * lanes;
                for (i, row) in rows.into_iter().enumerate() {
                    let mut v = simd.add_f32s(row, start);
                    if self.add {
                        let seen = &self.from.row(channel, y + i)[at..at + lanes];
                        v = simd.add_f32s(v, S::as_simd_f32s(seen).0[0]);
                    }
                    if self.positive {
                        v = above(simd, v);
                    }
                    let out = &mut self.to.row_mut(channel, y + i)[at..at + lanes];
                    S::as_mut_simd_f32s(out).0[0] = v;
                }
            }
        }
    }
}

impl pulp::WithSimd for Squaring<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(mut self, simd: S) {
        let together = 2 * S::F32_LANES;
        let [begin, end] = blocks(&self.columns);
        for y in self.rows.clone().step_by(TALL) {
            self.combine(simd, y);
            // Long enough pieces that memory is read and written in one go, short enough that
            // their terms stay in the cache.
            for piece in (begin..end).step_by(PIECE) {
                for group in 0..self.conv.outputs.div_ceil(ROWS) {
                    for x in (piece..end.min(piece + PIECE)).step_by(together) {
                        let sums = self.sums(simd, group, x);
                        self.put(simd, &sums, group, [y, x]);
                    }
                }
            }
        }
    }
}

/// Columns of a row with its edge, from where whole blocks begin.
fn blocks(columns: &Range<usize>) -> [usize; 2] {
    [columns.start / WIDE * WIDE + EDGE, columns.end + EDGE]
}

/// [`positive`], in a register.
#[inline(always)]
fn above<S: Simd>(simd: S, v: S::f32s) -> S::f32s {
    let zero = simd.splat_f32s(0.0);
    simd.select_f32s(simd.less_than_f32s(zero, v), v, zero)
}

/// A [`Mixing`] at work on one row of each input.
struct Mix<'a> {
    conv: &'a Mixing,
    from: &'a [f32],
    stride: usize,
    columns: Range<usize>,
    to: &'a mut [f32],
}

impl pulp::WithSimd for Mix<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self {
            conv,
            from,
            stride,
            columns,
            to,
        } = self;
        let together = 2 * S::F32_LANES;
        let [begin, end] = blocks(&columns);
        for x in (begin..end).step_by(together) {
            let groups = conv.weights.chunks_exact(conv.inputs);
            for (group, weights) in groups.enumerate() {
                let mut sums = [[simd.splat_f32s(0.0); 2]; ROWS];
                for (weights, row) in weights.iter().zip(from.chunks_exact(stride)) {
                    let v = S::as_simd_f32s(&row[x..x + together]).0;
                    let v = [v[0], v[1]];
                    for (sums, &w) in sums.iter_mut().zip(weights) {
                        let w = simd.splat_f32s(w);
                        for (sum, v) in sums.iter_mut().zip(v) {
                            *sum = simd.add_f32s(*sum, simd.mul_f32s(w, v));
                        }
                    }
                }
                for (k, sums) in sums.iter().enumerate() {
                    let output = group * ROWS + k;
                    if output < conv.outputs {
                        let out = &mut to[output * stride + x..][..together];
                        S::as_mut_simd_f32s(out).0.copy_from_slice(sums);
                    }
                }
            }
        }
    }
}

/// A 16-bit float (IEEE 754 binary16), finite.
fn wide(bits: u16) -> f32 {
    let (exponent, fraction) = (u32::from(bits >> 10 & 31), u32::from(bits & 1023));
    let size = match exponent {
        // 2^-24 for each.
        0 => fraction as f32 / 16_777_216.0,
        _ => f32::from_bits((exponent + 112) << 23 | fraction << 13),
    };
    if bits >> 15 == 1 { -size } else { size }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sixteen_bit_floats_are_read_as_the_standard_has_them() {
        for (bits, value) in [
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x3555, 0.333_251_95),
            (0x0001, 5.960_464_5e-8),
            (0x7bff, 65504.0),
        ] {
            assert_eq!(wide(bits), value);
        }
    }

    /// The sum over rows, columns and inputs, written out.
    #[test]
    fn four_rows_of_six_terms_are_a_plain_convolution() {
        let (inputs, outputs, height, width) = (3, 5, 14, 50);
        let mut state = 7_u32;
        let mut random = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / 8_388_608.0 - 1.0
        };
        let taps: Vec<f32> = (0..inputs * outputs * 9).map(|_| random()).collect();
        let mut from = Planes::new(inputs, height, width);
        from.values.iter_mut().for_each(|v| *v = random());
        let mut to = Planes::new(outputs, height, width);
        let conv = Square::new(inputs, &taps);
        pulp::Arch::new().dispatch(Squaring {
            conv: &conv,
            from: &from,
            have: 0..height,
            rows: 4..12,
            columns: 0..width,
            starts: &[0.5],
            add: false,
            positive: false,
            terms: &mut vec![0.0; TERMS * inputs * from.stride],
            to: &mut to,
        });
        for output in 0..outputs {
            for y in 4..12 {
                for x in 0..width {
                    let mut sum = if output == 0 { 0.5 } else { 0.0 };
                    for (k, tap) in taps[output * inputs * 9..][..inputs * 9].iter().enumerate() {
                        let row = from.row(k / 9, y + k % 9 / 3 - 1);
                        sum += f64::from(*tap) * f64::from(row[EDGE + x + k % 3 - 1]);
                    }
                    let found = f64::from(to.row(output, y)[EDGE + x]);
                    assert!((found - sum).abs() < 1e-5, "{found} instead of {sum}");
                }
            }
        }
    }
}
