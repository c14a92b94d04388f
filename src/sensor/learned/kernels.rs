//! What layers of a net do on pieces of planes, with one fixed order of additions: the ways between
//! densities here, convolutions of 3 x 3 in [`super::square`].
//!
//! Each value is one chain of operations, in whichever vector lane; products are added with one rounding
//! for both ([`fused`]), the same on every machine.

use std::ops::Range;

use pulp::Simd;

use super::planes::{EVEN, ODD, PIECE, Piece, Planes};
use super::square::{DOWN, MANY, Made};
use crate::picture::fused::fused;

/// Output channels whose sums are held together, in registers.
pub(super) const TOGETHER: usize = 4;

/// Channels that there is room for.
pub(super) const MOST: usize = 96;

/// Room for what is between seeing and making a piece.
pub(super) struct Terms {
    /// Per term down a column, per input.
    pub(super) seen: [[Piece; MOST]; DOWN],
    /// Of a group of outputs.
    pub(super) made: [Made; MANY],
    /// Per channel, columns of the coarser density in their natural order.
    parts: [[f32; PIECE]; MOST],
}

impl Terms {
    pub(super) fn new() -> Box<Self> {
        Box::new(Self {
            seen: [const { [const { Piece::EMPTY }; MOST] }; DOWN],
            made: [[[[0.0; PIECE]; 2]; DOWN]; MANY],
            parts: [[0.0; PIECE]; MOST],
        })
    }
}

/// A convolution of 1 x 1.
pub(super) struct Mixing {
    inputs: usize,
    /// Per group of outputs, per input: one value for each output.
    weights: Vec<[f32; TOGETHER]>,
}

impl Mixing {
    pub(super) fn new(inputs: usize, outputs: usize, tap: impl Fn(usize, usize) -> f32) -> Self {
        let mut weights = vec![[0.0; TOGETHER]; outputs.div_ceil(TOGETHER) * inputs];
        for output in 0..outputs {
            for input in 0..inputs {
                weights[output / TOGETHER * inputs + input][output % TOGETHER] = tap(output, input);
            }
        }
        Self { inputs, weights }
    }
}

#[inline(always)]
pub(super) fn read<S: Simd>(values: &[f32; PIECE], x: usize) -> S::f32s {
    S::as_simd_f32s(&values[x..x + S::F32_LANES]).0[0]
}

#[inline(always)]
pub(super) fn write<S: Simd>(values: &mut [f32; PIECE], x: usize, v: S::f32s) {
    S::as_mut_simd_f32s(&mut values[x..x + S::F32_LANES]).0[0] = v;
}

/// Nothing below 0.
#[inline(always)]
pub(super) fn above<S: Simd>(simd: S, v: S::f32s) -> S::f32s {
    let zero = simd.splat_f32s(0.0);
    simd.select_f32s(simd.less_than_f32s(zero, v), v, zero)
}

/// Sums of [`TOGETHER`] outputs in two registers each.
type Sums<S> = [[<S as Simd>::f32s; 2]; TOGETHER];

/// Adds the products of an input, two registers of it, from column `x` on.
#[inline(always)]
fn add<S: Simd>(
    simd: S,
    sums: &mut Sums<S>,
    values: &[f32; PIECE],
    x: usize,
    weights: &[f32; TOGETHER],
) {
    let v = S::as_simd_f32s(&values[x..x + 2 * S::F32_LANES]).0;
    let v = [v[0], v[1]];
    for (sums, &w) in sums.iter_mut().zip(weights) {
        let w = simd.splat_f32s(w);
        for (sum, v) in sums.iter_mut().zip(v) {
            *sum = fused(simd, w, v, *sum);
        }
    }
}

/// Which columns of a piece lie in a range, from a whole number of `step` on.
#[inline(always)]
pub(super) fn inside(range: &Range<usize>, piece: usize, step: usize) -> Range<usize> {
    let first = piece * PIECE;
    range.start.saturating_sub(first) / step * step..(range.end - first).min(PIECE)
}

/// One row of the coarser density from two rows of the finer one; nothing stays below 0.
pub(super) struct Coarsening<'a> {
    /// Inputs are the upper row's channels, then the lower row's, even columns before odd ones.
    pub(super) conv: &'a Mixing,
    pub(super) fine: &'a Planes,
    /// Row of the coarser density.
    pub(super) y: usize,
    /// Pairs of columns of the coarser density.
    pub(super) pairs: Range<usize>,
    pub(super) terms: &'a mut Terms,
    pub(super) coarse: &'a mut Planes,
}

impl pulp::WithSimd for Coarsening<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let both = 2 * S::F32_LANES;
        let Self {
            conv,
            fine,
            y,
            pairs,
            terms,
            coarse,
        } = self;
        let rows = fine.group::<2>(2 * y);
        let outputs = coarse.channels;
        let [to] = coarse.group_mut::<1>(y);
        // Pairs of the finer density are columns here, so a piece of it is half of one.
        let columns = 2 * pairs.start..2 * pairs.end;
        for piece in columns.start / PIECE..columns.end.div_ceil(PIECE) {
            let [upper, lower] = rows.map(|row| &row[piece * fine.channels..][..fine.channels]);
            let groups = conv.weights.chunks_exact(conv.inputs);
            for (group, weights) in terms.parts.chunks_exact_mut(TOGETHER).zip(groups) {
                let halves = weights.as_chunks::<2>().0;
                for x in inside(&columns, piece, both).step_by(both) {
                    let mut sums = [[simd.splat_f32s(0.0); 2]; TOGETHER];
                    let (above_them, below_them) = halves.split_at(upper.len());
                    for (row, halves) in [(upper, above_them), (lower, below_them)] {
                        for (channel, [even, odd]) in row.iter().zip(halves) {
                            add(simd, &mut sums, channel.columns(EVEN), x, even);
                            add(simd, &mut sums, channel.columns(ODD), x, odd);
                        }
                    }
                    for (part, sums) in group.iter_mut().zip(sums) {
                        write::<S>(part, x, above(simd, sums[0]));
                        write::<S>(part, x + S::F32_LANES, above(simd, sums[1]));
                    }
                }
            }
            let half = piece % 2 * (PIECE / 2);
            let to = &mut to[piece / 2 * outputs..][..outputs];
            for (to, part) in to.iter_mut().zip(&terms.parts) {
                let (even, odd) = to.0.split_at_mut(ODD);
                let halves = even[EVEN + half..].iter_mut().zip(&mut odd[half..]);
                for ((even, odd), pair) in halves.zip(part.as_chunks::<2>().0) {
                    [*even, *odd] = *pair;
                }
            }
        }
        coarse.link(y, 1);
    }
}

/// Adds what one row of the coarser density tells to two rows of the finer one; nothing stays
/// below 0.
pub(super) struct Refining<'a> {
    /// Outputs are the upper row's channels, then the lower row's, even columns before odd ones.
    pub(super) conv: &'a Mixing,
    pub(super) coarse: &'a Planes,
    /// Row of the coarser density.
    pub(super) y: usize,
    /// Pairs of columns of the coarser density.
    pub(super) pairs: Range<usize>,
    pub(super) terms: &'a mut Terms,
    pub(super) fine: &'a mut Planes,
}

impl pulp::WithSimd for Refining<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let both = 2 * S::F32_LANES;
        let Self {
            conv,
            coarse,
            y,
            pairs,
            terms,
            fine,
        } = self;
        let inputs = coarse.channels;
        let [from] = coarse.group::<1>(y);
        let channels = fine.channels;
        let [upper, lower] = fine.group_mut::<2>(2 * y);
        let columns = 2 * pairs.start..2 * pairs.end;
        for piece in columns.start / PIECE..columns.end.div_ceil(PIECE) {
            let half = piece % 2 * (PIECE / 2);
            let from = &from[piece / 2 * inputs..][..inputs];
            for (from, part) in from.iter().zip(&mut terms.parts) {
                let (even, odd) = from.0.split_at(ODD);
                let halves = even[EVEN + half..].iter().zip(&odd[half..]);
                for ((even, odd), pair) in halves.zip(part.as_chunks_mut::<2>().0) {
                    *pair = [*even, *odd];
                }
            }
            let mut weights = conv.weights.chunks_exact(conv.inputs);
            for row in [&mut *upper, &mut *lower] {
                // Two channels, even and odd columns of each.
                let row = &mut row[piece * channels..][..channels];
                for two in row.as_chunks_mut::<2>().0 {
                    let weights = weights.next().expect("four outputs for two channels");
                    for x in inside(&columns, piece, both).step_by(both) {
                        let mut sums = [[simd.splat_f32s(0.0); 2]; TOGETHER];
                        for (part, weights) in terms.parts.iter().zip(weights) {
                            add(simd, &mut sums, part, x, weights);
                        }
                        for (channel, sums) in two.iter_mut().zip(sums.as_chunks::<2>().0) {
                            for (first, sums) in [EVEN, ODD].into_iter().zip(sums) {
                                let values = channel.columns_mut(first);
                                for (x, &sum) in [x, x + S::F32_LANES].into_iter().zip(sums) {
                                    let v = simd.add_f32s(read::<S>(values, x), sum);
                                    write::<S>(values, x, above(simd, v));
                                }
                            }
                        }
                    }
                }
            }
        }
        fine.link(2 * y, 2);
    }
}

#[cfg(test)]
mod tests {
    use super::super::square::{Square, Squaring};
    use super::*;

    /// Repeatable numbers, -1 to 1 (a linear congruence, Numerical Recipes' constants).
    struct Random(u32);

    impl Random {
        fn next(&mut self) -> f32 {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (self.0 >> 8) as f32 / 8_388_608.0 - 1.0
        }

        fn many(&mut self, count: usize) -> Vec<f32> {
            (0..count).map(|_| self.next()).collect()
        }

        fn planes(&mut self, channels: usize, rows: usize, width: usize) -> Planes {
            let mut planes = Planes::new(channels, rows, width);
            for y in 0..rows {
                let [row] = planes.group_mut::<1>(y);
                row.iter_mut()
                    .flat_map(|piece| &mut piece.0)
                    .for_each(|v| *v = self.next());
            }
            planes.link(0, rows);
            planes
        }
    }

    /// The value of a channel at a row and column.
    fn value(planes: &Planes, channel: usize, y: usize, x: usize) -> f64 {
        let piece = &planes.row(y)[x / (2 * PIECE) * planes.channels + channel];
        let first = if x.is_multiple_of(2) { EVEN } else { ODD };
        f64::from(piece.columns(first)[x / 2 % PIECE])
    }

    fn assert_near(found: f64, expected: f64) {
        assert!(
            (found - expected).abs() < 1e-5,
            "{found} instead of {expected}"
        );
    }

    /// The sum over rows, columns and inputs, written out.
    #[test]
    fn terms_are_a_plain_convolution() {
        let (inputs, outputs, height, width) = (3, 6, 16, 200);
        let mut random = Random(7);
        let taps = random.many(inputs * outputs * 9);
        let from = random.planes(inputs, height, width);
        let mut to = Planes::new(outputs, height, width);
        let conv = Square::new(inputs, &taps);
        pulp::Arch::new().dispatch(Squaring {
            conv: &conv,
            from: &from,
            have: 0..height,
            y: 8,
            pairs: 3..97,
            starts: &[0.5],
            add: false,
            positive: false,
            terms: &mut Terms::new(),
            to: &mut to,
        });
        for (output, taps) in taps.chunks_exact(inputs * 9).enumerate() {
            for (y, x) in (8..12).flat_map(|y| (6..194).map(move |x| (y, x))) {
                let start = if output == 0 { 0.5 } else { 0.0 };
                let product = |(k, tap): (usize, &f32)| {
                    let (row, column) = (y + k % 9 / 3 - 1, x + k % 3 - 1);
                    f64::from(*tap) * value(&from, k / 9, row, column)
                };
                let sum: f64 = taps.iter().enumerate().map(product).sum();
                assert_near(value(&to, output, y, x), start + sum);
            }
        }
    }

    /// Above the first and below the last row these stand in for what is not there; what is seen is
    /// added; nothing stays below 0.
    #[test]
    fn edges_and_blocks_are_as_they_say() {
        let (channels, height, width) = (4, 4, 70);
        let mut random = Random(3);
        let taps = random.many(channels * channels * 9);
        let from = random.planes(channels, height, width);
        let mut to = Planes::new(channels, height, width);
        pulp::Arch::new().dispatch(Squaring {
            conv: &Square::new(channels, &taps),
            from: &from,
            have: 1..3,
            y: 0,
            pairs: 1..34,
            starts: &[],
            add: true,
            positive: true,
            terms: &mut Terms::new(),
            to: &mut to,
        });
        for (output, taps) in taps.chunks_exact(channels * 9).enumerate() {
            for (y, x) in (0..4).flat_map(|y| (2..68).map(move |x| (y, x))) {
                let product = |(k, tap): (usize, &f32)| {
                    let row = (y + k % 9 / 3).saturating_sub(1).clamp(1, 2);
                    f64::from(*tap) * value(&from, k / 9, row, x + k % 3 - 1)
                };
                let sum: f64 = taps.iter().enumerate().map(product).sum();
                let expected = (value(&from, output, y, x) + sum).max(0.0);
                assert_near(value(&to, output, y, x), expected);
            }
        }
    }

    /// Without vector units, with AVX2 alone, with all that this machine has.
    fn on<W: pulp::WithSimd<Output = ()>>(unit: usize, work: W) {
        match unit {
            0 => work.with_simd(pulp::Scalar),
            #[cfg(target_arch = "x86_64")]
            1 => match pulp::x86::V3::try_new() {
                Some(simd) => Simd::vectorize(simd, work),
                None => work.with_simd(pulp::Scalar),
            },
            _ => pulp::Arch::new().dispatch(work),
        }
    }

    #[test]
    fn all_machines_give_the_same_bits() {
        let (few, many, width) = (8, 12, 200);
        let mut random = Random(11);
        let square = Square::new(few, &random.many(few * few * 9));
        let taps = random.many(4 * few * many);
        let down = Mixing::new(4 * few, many, |output, input| {
            taps[output * 4 * few + input]
        });
        let up = Mixing::new(many, 4 * few, |output, input| {
            taps[input * 4 * few + output]
        });
        let from = random.planes(few, 4, width);
        let [one, some, all] = [0, 1, 2].map(|unit| {
            let mut terms = Terms::new();
            let mut fine = Planes::new(few, 4, width);
            let mut coarse = Planes::new(many, 4, width / 2);
            on(
                unit,
                Squaring {
                    conv: &square,
                    from: &from,
                    have: 0..4,
                    y: 0,
                    pairs: 2..98,
                    starts: &[0.5],
                    add: true,
                    positive: true,
                    terms: &mut terms,
                    to: &mut fine,
                },
            );
            on(
                unit,
                Coarsening {
                    conv: &down,
                    fine: &fine,
                    y: 1,
                    pairs: 2..48,
                    terms: &mut terms,
                    coarse: &mut coarse,
                },
            );
            on(
                unit,
                Refining {
                    conv: &up,
                    coarse: &coarse,
                    y: 1,
                    pairs: 3..47,
                    terms: &mut terms,
                    fine: &mut fine,
                },
            );
            let places = (0..few).flat_map(|k| (12..188).map(move |x| (k, x)));
            let value = |(channel, x)| [2, 3].map(|y| value(&fine, channel, y, x).to_bits());
            places.map(value).collect::<Vec<_>>()
        });
        assert!(one.iter().flatten().any(|&bits| bits != 0));
        assert_eq!(one, some);
        assert_eq!(one, all);
    }

    /// Both ways between densities, written out.
    #[test]
    fn densities_change_by_plain_sums() {
        let (few, many, width) = (4, 8, 300);
        let mut random = Random(5);
        let taps = random.many(4 * few * many);
        let mut fine = random.planes(few, 4, width);
        let mut coarse = Planes::new(many, 4, width / 2);
        let tap = |fine: usize, coarse: usize| taps[coarse * 4 * few + fine];
        let mut terms = Terms::new();
        pulp::Arch::new().dispatch(Coarsening {
            conv: &Mixing::new(4 * few, many, |output, input| tap(input, output)),
            fine: &fine,
            y: 1,
            pairs: 2..73,
            terms: &mut terms,
            coarse: &mut coarse,
        });
        // Rows, then channels, then columns.
        let place = |k: usize| (k / 2 % few, 2 + k / 2 / few, k % 2);
        for (output, x) in (0..many).flat_map(|k| (4..146).map(move |x| (k, x))) {
            let product = |k: usize| {
                let (channel, y, column) = place(k);
                f64::from(tap(k, output)) * value(&fine, channel, y, 2 * x + column)
            };
            let sum: f64 = (0..4 * few).map(product).sum();
            assert_near(value(&coarse, output, 1, x), sum.max(0.0));
        }
        let before = (0..4 * few).flat_map(|k| (8..292).map(move |x| (k, x)));
        let before: Vec<f64> = before
            .map(|(k, x)| value(&fine, place(k).0, place(k).1, x))
            .collect();
        pulp::Arch::new().dispatch(Refining {
            conv: &Mixing::new(many, 4 * few, tap),
            coarse: &coarse,
            y: 1,
            pairs: 2..73,
            terms: &mut terms,
            fine: &mut fine,
        });
        let mut before = before.into_iter();
        for (k, x) in (0..4 * few).flat_map(|k| (8..292).map(move |x| (k, x))) {
            let (channel, y, column) = place(k);
            let before = before.next().expect("one for each");
            if x % 2 == column {
                let product =
                    |input: usize| f64::from(tap(k, input)) * value(&coarse, input, 1, x / 2);
                let sum: f64 = (0..many).map(product).sum();
                assert_near(value(&fine, channel, y, x), (before + sum).max(0.0));
            }
        }
    }
}
