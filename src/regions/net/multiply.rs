//! The inner product of a dense convolution: what some output pixels see, times the weights of all output
//! channels.

use std::iter::repeat_n;

use crate::picture::fused;

/// Output pixels whose sums are held together: two AVX2 or one AVX-512 register.
pub(super) const LANES: usize = 16;

/// What [`LANES`] pixels see: a line of the cache.
#[derive(Debug, Clone, Copy)]
#[repr(align(64))]
pub(super) struct Seen(pub(super) [f32; LANES]);

/// Groups of six output channels and then of four, whose sums are held together; they hold all channels
/// and at most three more.
fn groups(channels: usize) -> [usize; 2] {
    let channels = channels.next_multiple_of(2).max(4);
    let fours = channels % 6 / 2 * 2 % 3;
    [(channels - 4 * fours) / 6, fours]
}

/// How many each group holds.
pub(super) fn sizes(channels: usize) -> impl Iterator<Item = usize> {
    let [sixes, fours] = groups(channels);
    repeat_n(6, sixes).chain(repeat_n(4, fours))
}

/// Output channels in whole groups.
pub(super) fn filled(channels: usize) -> usize {
    sizes(channels).sum()
}

/// Multiplies one panel with the weights of all output channels of a pass.
pub(super) struct Multiply<'a> {
    pub(super) bias: &'a [f32],
    pub(super) weights: &'a [f32],
    pub(super) panel: &'a [Seen],
    /// Per output channel, its sums.
    pub(super) out: &'a mut [[f32; LANES]],
}

impl Multiply<'_> {
    /// The plain version: what [`pulp::WithSimd`] below gives, to the bit.
    fn plain(self) {
        let mut weights = self.weights;
        let mut channels = self.bias.iter().zip(self.out);
        for size in sizes(self.bias.len()) {
            let (here, rest) = weights.split_at(size * self.panel.len());
            weights = rest;
            for (row, (&bias, out)) in channels.by_ref().take(size).enumerate() {
                *out = [bias; LANES];
                for (w, x) in here.chunks_exact(size).zip(self.panel) {
                    for (sum, x) in out.iter_mut().zip(x.0) {
                        *sum = fused::plain(w[row], x, *sum);
                    }
                }
            }
        }
    }

    /// With sums in `V` registers per channel.
    #[inline(always)]
    fn in_registers<S: pulp::Simd, const V: usize>(self, simd: S) {
        let [sixes, _] = groups(self.bias.len());
        let (bias, last_bias) = self.bias.split_at(6 * sixes);
        let (out, last_out) = self.out.split_at_mut(6 * sixes);
        let (weights, last) = self.weights.split_at(6 * sixes * self.panel.len());
        multiplied::<S, 6, V>(simd, bias, weights, self.panel, out);
        multiplied::<S, 4, V>(simd, last_bias, last, self.panel, last_out);
    }
}

/// [`Multiply`] for groups of `G` channels.
#[inline(always)]
fn multiplied<S: pulp::Simd, const G: usize, const V: usize>(
    simd: S,
    bias: &[f32],
    weights: &[f32],
    panel: &[Seen],
    out: &mut [[f32; LANES]],
) {
    let (bias, weights) = (bias.as_chunks::<G>().0, weights.as_chunks::<G>().0);
    let groups = bias.iter().zip(out.as_chunks_mut::<G>().0);
    for (group, (bias, out)) in groups.enumerate() {
        let weights = &weights[group * panel.len()..][..panel.len()];
        let mut sums = [[simd.splat_f32s(0.0); V]; G];
        for (sums, &bias) in sums.iter_mut().zip(bias) {
            *sums = [simd.splat_f32s(bias); V];
        }
        for (w, x) in weights.iter().zip(panel) {
            let x = S::as_simd_f32s(&x.0)
                .0
                .first_chunk::<V>()
                .expect("V registers hold a row");
            for (sums, &w) in sums.iter_mut().zip(w) {
                let w = simd.splat_f32s(w);
                for (sum, &x) in sums.iter_mut().zip(x) {
                    *sum = fused::fused(simd, w, x, *sum);
                }
            }
        }
        for (out, sums) in out.iter_mut().zip(sums) {
            S::as_mut_simd_f32s(out).0.copy_from_slice(&sums);
        }
    }
}

impl pulp::WithSimd for Multiply<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        match S::F32_LANES {
            16 => self.in_registers::<S, 1>(simd),
            8 => self.in_registers::<S, 2>(simd),
            4 => self.in_registers::<S, 4>(simd),
            _ => self.plain(),
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Numbers between -1 and 1 (Knuth's MMIX generator), the same in every run.
    pub fn noise(count: usize) -> Vec<f32> {
        let mut state = 1_u64;
        let next = |_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1 << 23) as f32 - 1.0
        };
        (0..count).map(next).collect()
    }

    pub fn bits(values: &[f32]) -> Vec<u32> {
        // Padding can turn -0 into 0 in one order of zeros; they are the same number.
        values.iter().map(|v| (v + 0.0).to_bits()).collect()
    }

    /// What a machine without AVX2 computes.
    #[test]
    fn plain_code_gives_the_bits_of_vector_code() {
        for (channels, depth) in [(1, 5), (6, 37), (10, 0), (16, 9)] {
            let channels = filled(channels);
            let (weights, panel) = (noise(channels * depth), noise(depth * LANES));
            let panel: Vec<_> = panel.as_chunks().0.iter().map(|&seen| Seen(seen)).collect();
            let bias = noise(channels);
            let run = |plain: bool| {
                let mut out = vec![0.0; channels * LANES];
                let work = Multiply {
                    bias: &bias,
                    weights: &weights,
                    panel: &panel,
                    out: out.as_chunks_mut().0,
                };
                if plain {
                    work.plain();
                } else {
                    pulp::Arch::new().dispatch(work);
                }
                out
            };
            assert_eq!(bits(&run(true)), bits(&run(false)));
        }
    }
}
