//! Convolutions of 3 x 3 on pieces of planes.
//!
//! One makes four rows by two columns at once (A. Lavin, S. Gray, "Fast algorithms
//! for convolutional neural networks", CVPR 2016: F(4, 3) down the columns, F(2, 3) along the
//! rows): six rows by four columns of an input are combined to 24 terms, each term is one product for each
//! output and input, and the 24 sums of products are combined to the eight values. That is 24
//! products in place of 72. Even columns stand apart from odd ones, so that all this runs over
//! neighbouring columns in vector registers.
//!
//! Columns are combined down before anything else, and last; along the rows terms are made where they are
//! multiplied and put together in registers, so that only half as much goes through the cache.
//!
//! A value's last bits depend on where its
//! group of four rows begins and on the six rows that the group sees, on even and odd
//! columns, and on nothing else.

use std::ops::Range;

use pulp::Simd;

use super::kernels::{MOST, Terms, above, inside, read, write};
use super::planes::{EVEN, ODD, PIECE, Piece, Planes};
use crate::picture::fused::fused;

/// Output rows that are made together.
pub(super) const TALL: usize = 4;

/// Terms down a column and along a row.
pub(super) const DOWN: usize = 6;
const ALONG: usize = 4;
const TERMS: usize = DOWN * ALONG;

/// Outputs of a group, at most: as many as there are registers for their sums.
pub(super) const MANY: usize = 6;

/// Of an output, per term down a column: even columns and odd ones.
pub(super) type Made = [[[f32; PIECE]; 2]; DOWN];

/// Groups of six outputs and then of four, which hold so many outputs and at most three more.
fn sixes_and_fours(outputs: usize) -> [usize; 2] {
    let outputs = outputs.next_multiple_of(2).max(4);
    let fours = outputs % 6 / 2 * 2 % 3;
    [(outputs - 4 * fours) / 6, fours]
}

/// A convolution of 3 x 3.
pub(super) struct Square {
    inputs: usize,
    outputs: usize,
    /// Of six, and of four.
    groups: [usize; 2],
    /// Per group of outputs, per term down, per term along, per input: one value for each output.
    weights: Vec<f32>,
}

impl Square {
    /// `taps` per output, per input: three rows of three.
    pub(super) fn new(inputs: usize, taps: &[f32]) -> Self {
        let outputs = taps.len() / (9 * inputs);
        assert!(
            inputs.max(outputs) <= MOST,
            "a net as wide as there is room"
        );
        let groups = sixes_and_fours(outputs);
        let [sixes, fours] = groups;
        let all = 6 * sixes + 4 * fours;
        let mut weights = vec![0.0; all * TERMS * inputs];
        for (output, taps) in taps.chunks_exact(9 * inputs).enumerate() {
            let [first, group] = if output < 6 * sixes {
                [output / 6 * 6, 6]
            } else {
                [output - (output - 6 * sixes) % 4, 4]
            };
            for (input, taps) in taps.chunks_exact(9).enumerate() {
                let tap = |k: usize| f64::from(taps[k]);
                let rows = [0, 3, 6].map(|k| {
                    let [a, b, c] = [tap(k), tap(k + 1), tap(k + 2)];
                    [a, (a + c + b) / 2.0, (a + c - b) / 2.0, c]
                });
                for along in 0..ALONG {
                    let [a, b, c] = rows.map(|row| row[along]);
                    let ends = a / 24.0 + c / 6.0;
                    let terms: [f64; DOWN] = [
                        a / 4.0,
                        -(a + c + b) / 6.0,
                        -(a + c - b) / 6.0,
                        ends + b / 12.0,
                        ends - b / 12.0,
                        c,
                    ];
                    for (down, value) in terms.into_iter().enumerate() {
                        let at = (first * DOWN + down * group) * ALONG * inputs
                            + (along * inputs + input) * group;
                        weights[at + output - first] = value as f32;
                    }
                }
            }
        }
        Self {
            inputs,
            outputs,
            groups,
            weights,
        }
    }

    pub(super) fn outputs(&self) -> usize {
        self.outputs
    }
}

/// The six terms of six values down a column.
#[inline(always)]
fn six<S: Simd>(simd: S, d: [S::f32s; DOWN]) -> [S::f32s; DOWN] {
    let [two, less_two] = [simd.splat_f32s(2.0), simd.splat_f32s(-2.0)];
    let [four, less_four] = [simd.splat_f32s(4.0), simd.splat_f32s(-4.0)];
    let (u, w) = (simd.sub_f32s(d[4], d[2]), simd.sub_f32s(d[3], d[1]));
    let even = fused(simd, less_four, d[2], d[4]);
    let odd = fused(simd, less_four, d[1], d[3]);
    [
        fused(simd, four, simd.sub_f32s(d[0], d[2]), u),
        simd.add_f32s(even, odd),
        simd.sub_f32s(even, odd),
        fused(simd, two, w, u),
        fused(simd, less_two, w, u),
        fused(simd, less_four, w, simd.sub_f32s(d[5], d[3])),
    ]
}

/// Four values down a column from the sums of its six terms.
#[inline(always)]
fn four<S: Simd>(simd: S, m: [S::f32s; DOWN]) -> [S::f32s; TALL] {
    let [two, four, eight] = [
        simd.splat_f32s(2.0),
        simd.splat_f32s(4.0),
        simd.splat_f32s(8.0),
    ];
    let (plus, minus) = (simd.add_f32s(m[1], m[2]), simd.sub_f32s(m[1], m[2]));
    let (more, less) = (simd.add_f32s(m[3], m[4]), simd.sub_f32s(m[3], m[4]));
    let last = simd.add_f32s(m[5], minus);
    [
        simd.add_f32s(m[0], simd.add_f32s(plus, more)),
        fused(simd, two, less, minus),
        fused(simd, four, more, plus),
        fused(simd, eight, less, last),
    ]
}

/// The terms along a row, of columns from `x` on.
#[inline(always)]
fn term<S: Simd, const T: usize>(simd: S, seen: &Piece, x: usize) -> S::f32s {
    let at = |first: usize| read::<S>(seen.columns(first), x);
    match T {
        0 => simd.sub_f32s(at(ODD - 1), at(ODD)),
        1 => simd.add_f32s(at(EVEN), at(ODD)),
        2 => simd.sub_f32s(at(ODD), at(EVEN)),
        _ => simd.sub_f32s(at(EVEN), at(EVEN + 1)),
    }
}

/// Even columns and odd ones from the sums of terms.
#[inline(always)]
fn two<S: Simd>(simd: S, m: [S::f32s; ALONG]) -> [S::f32s; 2] {
    [
        simd.add_f32s(simd.add_f32s(m[0], m[1]), m[2]),
        simd.sub_f32s(simd.sub_f32s(m[1], m[2]), m[3]),
    ]
}

/// The sums of products of a group of outputs, for a term down. With many registers, all terms along are held at
/// once, else one after another; the sums are the same.
#[inline(always)]
fn products<S: Simd, const G: usize>(
    simd: S,
    seen: &[Piece],
    weights: &[[f32; G]],
    columns: Range<usize>,
    made: &mut [Made; G],
    down: usize,
) {
    let inputs = seen.len();
    let (w0, rest) = weights.split_at(inputs);
    let (w1, rest) = rest.split_at(inputs);
    let (w2, w3) = rest.split_at(inputs);
    let zero = simd.splat_f32s(0.0);
    if S::REGISTER_COUNT >= 32 {
        for x in (columns.start..columns.end.min(PIECE)).step_by(S::F32_LANES) {
            let mut sums = [[zero; G]; ALONG];
            for ((((seen, w0), w1), w2), w3) in seen.iter().zip(w0).zip(w1).zip(w2).zip(w3) {
                let terms = [
                    term::<S, 0>(simd, seen, x),
                    term::<S, 1>(simd, seen, x),
                    term::<S, 2>(simd, seen, x),
                    term::<S, 3>(simd, seen, x),
                ];
                for ((sums, v), w) in sums.iter_mut().zip(terms).zip([w0, w1, w2, w3]) {
                    for (sum, &w) in sums.iter_mut().zip(w) {
                        *sum = fused(simd, simd.splat_f32s(w), v, *sum);
                    }
                }
            }
            for (k, made) in made.iter_mut().enumerate() {
                let both = two(simd, [sums[0][k], sums[1][k], sums[2][k], sums[3][k]]);
                for (made, v) in made[down].iter_mut().zip(both) {
                    write::<S>(made, x, v);
                }
            }
        }
    } else {
        let both = 2 * S::F32_LANES;
        for x in (columns.start / both * both..columns.end.min(PIECE)).step_by(both) {
            let sums = [
                sum_of::<S, 0, G>(simd, seen, w0, x),
                sum_of::<S, 1, G>(simd, seen, w1, x),
                sum_of::<S, 2, G>(simd, seen, w2, x),
                sum_of::<S, 3, G>(simd, seen, w3, x),
            ];
            for (k, made) in made.iter_mut().enumerate() {
                for (i, x) in [x, x + S::F32_LANES].into_iter().enumerate() {
                    let both = two(
                        simd,
                        [sums[0][k][i], sums[1][k][i], sums[2][k][i], sums[3][k][i]],
                    );
                    for (made, v) in made[down].iter_mut().zip(both) {
                        write::<S>(made, x, v);
                    }
                }
            }
        }
    }
}

/// The sums of products of a term, in two registers for each output.
#[inline(always)]
fn sum_of<S: Simd, const T: usize, const G: usize>(
    simd: S,
    seen: &[Piece],
    weights: &[[f32; G]],
    x: usize,
) -> [[S::f32s; 2]; G] {
    let mut sums = [[simd.splat_f32s(0.0); 2]; G];
    for (seen, weights) in seen.iter().zip(weights) {
        let v = [
            term::<S, T>(simd, seen, x),
            term::<S, T>(simd, seen, x + S::F32_LANES),
        ];
        for (sums, &w) in sums.iter_mut().zip(weights) {
            let w = simd.splat_f32s(w);
            for (sum, v) in sums.iter_mut().zip(v) {
                *sum = fused(simd, w, v, *sum);
            }
        }
    }
    sums
}

/// A [`Square`] at work on a group of rows.
pub(super) struct Squaring<'a> {
    pub(super) conv: &'a Square,
    pub(super) from: &'a Planes,
    /// Rows of `from` that there are; the first and last stand for those beyond.
    pub(super) have: Range<usize>,
    /// First row.
    pub(super) y: usize,
    /// Pairs of columns.
    pub(super) pairs: Range<usize>,
    /// What sums begin with; zero where it ends.
    pub(super) starts: &'a [f32],
    /// Whether what is seen is added.
    pub(super) add: bool,
    /// Nothing stays below 0.
    pub(super) positive: bool,
    pub(super) terms: &'a mut Terms,
    pub(super) to: &'a mut Planes,
}

impl Squaring<'_> {
    /// The terms down of each input.
    #[inline(always)]
    fn look<S: Simd>(&mut self, simd: S, piece: usize) {
        let inputs = self.conv.inputs.min(MOST);
        let mut rows: [&[Piece]; DOWN] = [&[]; DOWN];
        for (k, row) in rows.iter_mut().enumerate() {
            let y = (self.y + k)
                .saturating_sub(1)
                .clamp(self.have.start, self.have.end - 1);
            *row = &self.from.row(y)[piece * self.from.channels..][..inputs];
        }
        let [a, b, c, d, e, f] = self.terms.seen.each_mut();
        for input in 0..inputs {
            let mut seen = [
                &mut a[input],
                &mut b[input],
                &mut c[input],
                &mut d[input],
                &mut e[input],
                &mut f[input],
            ];
            for x in (0..ODD + PIECE).step_by(S::F32_LANES) {
                let mut d = [simd.splat_f32s(0.0); DOWN];
                for (d, row) in d.iter_mut().zip(rows) {
                    *d = S::as_simd_f32s(&row[input].0[x..x + S::F32_LANES]).0[0];
                }
                for (seen, v) in seen.iter_mut().zip(six(simd, d)) {
                    S::as_mut_simd_f32s(&mut seen.0[x..x + S::F32_LANES]).0[0] = v;
                }
            }
        }
    }

    /// Outputs, group by group, in the pairs `columns`.
    #[inline(always)]
    fn make<S: Simd, const ADD: bool, const POSITIVE: bool>(
        &mut self,
        simd: S,
        piece: usize,
        columns: Range<usize>,
    ) {
        let [sixes, fours] = self.conv.groups;
        let mut weights = &self.conv.weights[..];
        for group in 0..sixes {
            let here = weights
                .split_off(..6 * TERMS * self.conv.inputs)
                .expect("weights for all groups");
            self.group::<S, 6, ADD, POSITIVE>(simd, piece, columns.clone(), here, 6 * group);
        }
        for group in 0..fours {
            let here = weights
                .split_off(..4 * TERMS * self.conv.inputs)
                .expect("weights for all groups");
            self.group::<S, 4, ADD, POSITIVE>(
                simd,
                piece,
                columns.clone(),
                here,
                6 * sixes + 4 * group,
            );
        }
    }

    /// A group of outputs.
    #[inline(always)]
    fn group<S: Simd, const G: usize, const ADD: bool, const POSITIVE: bool>(
        &mut self,
        simd: S,
        piece: usize,
        columns: Range<usize>,
        weights: &[f32],
        first: usize,
    ) {
        let inputs = self.conv.inputs;
        let Terms { seen, made, .. } = &mut *self.terms;
        let made = made.first_chunk_mut::<G>().expect("no group is larger");
        let weights = weights.as_chunks::<G>().0.chunks_exact(ALONG * inputs);
        for (down, (seen, weights)) in seen.iter().zip(weights).enumerate() {
            products::<S, G>(simd, &seen[..inputs], weights, columns.clone(), made, down);
        }
        let end = self.conv.outputs.min(first + G);
        self.put::<S, ADD, POSITIVE>(simd, piece, columns, first..end);
    }

    /// Four rows of each output.
    #[inline(always)]
    fn put<S: Simd, const ADD: bool, const POSITIVE: bool>(
        &mut self,
        simd: S,
        piece: usize,
        columns: Range<usize>,
        group: Range<usize>,
    ) {
        let outputs = group.len();
        let at = piece * self.conv.outputs + group.start;
        let mut seen: [&[Piece]; TALL] = [&[]; TALL];
        if ADD {
            seen = self.from.group(self.y);
            for row in &mut seen {
                *row = &row[at..][..outputs];
            }
        }
        let mut to = self.to.group_mut::<TALL>(self.y);
        for row in &mut to {
            *row = &mut std::mem::take(row)[at..][..outputs];
        }
        let [a, b, c, d] = to;
        for channel in 0..outputs {
            let made = &self.terms.made[channel];
            let start = self.starts.get(group.start + channel);
            let start = simd.splat_f32s(start.copied().unwrap_or(0.0));
            let mut out = [
                &mut a[channel],
                &mut b[channel],
                &mut c[channel],
                &mut d[channel],
            ];
            for x in (columns.start..columns.end.min(PIECE)).step_by(S::F32_LANES) {
                for (phase, first) in [EVEN, ODD].into_iter().enumerate() {
                    let mut m = [simd.splat_f32s(0.0); DOWN];
                    for (down, m) in m.iter_mut().enumerate() {
                        *m = read::<S>(&made[down][phase], x);
                    }
                    for (i, (v, out)) in four(simd, m).into_iter().zip(&mut out).enumerate() {
                        let mut v = simd.add_f32s(v, start);
                        if ADD {
                            let seen = read::<S>(seen[i][channel].columns(first), x);
                            v = simd.add_f32s(v, seen);
                        }
                        if POSITIVE {
                            v = above(simd, v);
                        }
                        write::<S>(out.columns_mut(first), x, v);
                    }
                }
            }
        }
    }
}

impl pulp::WithSimd for Squaring<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(mut self, simd: S) {
        let pieces = self.pairs.start / PIECE..self.pairs.end.div_ceil(PIECE);
        for piece in pieces.clone() {
            let columns = inside(&self.pairs, piece, S::F32_LANES);
            self.look(simd, piece);
            match (self.add, self.positive) {
                (true, true) => self.make::<S, true, true>(simd, piece, columns),
                (true, false) => self.make::<S, true, false>(simd, piece, columns),
                (false, true) => self.make::<S, false, true>(simd, piece, columns),
                (false, false) => self.make::<S, false, false>(simd, piece, columns),
            }
            // While it is in the cache.
            if piece > pieces.start {
                self.to.join(self.y, TALL, piece);
            }
        }
    }
}
