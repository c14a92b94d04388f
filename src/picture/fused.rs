//! Fused multiply-add: a product and a sum with one rounding (IEEE 754-2008, 5.4.1), the same bits on every
//! machine.
//!
//! Processors with FMA (x86-64 since 2013, all of 64-bit ARM) have an instruction for it. On others it is
//! made here: in `f64` the product of two `f32` is exact, and where the sum is not, its last bit is made
//! odd, after which rounding to `f32` is as if there had been one (S. Boldo, G. Melquiond, "Emulation of a
//! FMA and correctly rounded sums: proved algorithms using rounding to odd", IEEE Trans. Computers 57, 2008;
//! what the sum lost: D. Knuth, "The Art of Computer Programming" 2, 4.2.2, theorem B).

use pulp::Simd;

/// a b + c, rounded once.
#[inline(always)]
pub fn fused<S: Simd>(simd: S, a: S::f32s, b: S::f32s, c: S::f32s) -> S::f32s {
    // One lane: the machine has none of the vector units that `pulp` knows, and they all fuse.
    if S::F32_LANES == 1 {
        let [a, b, c] = [a, b, c].map(pulp::bytemuck::cast::<S::f32s, f32>);
        return pulp::bytemuck::cast(plain(a, b, c));
    }
    simd.mul_add_f32s(a, b, c)
}

/// [`fused`] of single values, without the instruction.
#[inline(always)]
pub fn plain(a: f32, b: f32, c: f32) -> f32 {
    let (product, c) = (f64::from(a) * f64::from(b), f64::from(c));
    let sum = product + c;
    let added = sum - product;
    let lost = (product - (sum - added)) + (c - added);
    // Towards zero where the sum was rounded away from it, then odd.
    let bits = sum.to_bits().cast_signed();
    let away = (bits ^ lost.to_bits().cast_signed()) >> 63;
    let odd = bits.wrapping_add(away) | 1;
    // Neither what is exact nor what is not a number.
    let inexact = lost.abs() > 0.0;
    f64::from_bits(if inexact { odd } else { bits }.cast_unsigned()) as f32
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// [`fused`] over slices of as many values as lanes, at least.
    struct Many<'a>(&'a [[f32; 3]; 16], &'a mut [f32; 16]);

    impl pulp::WithSimd for Many<'_> {
        type Output = ();

        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) {
            let [a, b, c] = [0, 1, 2].map(|k| self.0.map(|v| v[k]));
            let [a, b, c] = [&a, &b, &c].map(|v| S::as_simd_f32s(v).0);
            for (k, to) in S::as_mut_simd_f32s(self.1).0.iter_mut().enumerate() {
                *to = fused(simd, a[k], b[k], c[k]);
            }
        }
    }

    #[track_caller]
    fn check(values: &[[f32; 3]; 16]) {
        let mut found = [[0.0; 16]; 2];
        let [one, many] = &mut found;
        pulp::WithSimd::with_simd(Many(values, one), pulp::Scalar);
        pulp::Arch::new().dispatch(Many(values, many));
        for (k, &[a, b, c]) in values.iter().enumerate() {
            // The C library's.
            let expected = a.mul_add(b, c);
            for found in found {
                assert!(
                    found[k].to_bits() == expected.to_bits()
                        || found[k].is_nan() && expected.is_nan(),
                    "{a:e} x {b:e} + {c:e}: {:e} instead of {expected:e}",
                    found[k]
                );
            }
        }
    }

    proptest! {
        #[test]
        fn any_bits_give_those_of_the_c_library(bits in any::<[[u32; 3]; 16]>()) {
            check(&bits.map(|three| three.map(f32::from_bits)));
        }

        /// Sums that lose bits, nearly cancel, or are subnormal.
        #[test]
        fn so_do_numbers_of_like_size(
            bits in any::<[[u32; 3]; 16]>(),
            exponents in any::<[[u8; 3]; 16]>(),
            least in prop::sample::select(vec![30_u32, 50, 90, 110]),
        ) {
            let mut values = [[0.0; 3]; 16];
            for (k, value) in values.iter_mut().enumerate() {
                // A product's exponent, from 127, is the sum of both.
                let around = [least, least, (2 * least).saturating_sub(127)];
                *value = std::array::from_fn(|i| {
                    let exponent = around[i] + u32::from(exponents[k][i] % 32);
                    f32::from_bits(bits[k][i] & 0x807f_ffff | exponent << 23)
                });
            }
            check(&values);
        }
    }

    /// Above 2^24 every second whole number is an `f32`: 97 x 257 x 673 = 2^24 + 1 lies half way. Rounded twice, a
    /// little more would be lost.
    #[test]
    fn what_lies_half_way_is_decided_by_what_is_added() {
        let little = 1.0e-30;
        for (added, expected) in [
            (-little, 16_777_216.0),
            (0.0, 16_777_216.0),
            (little, 16_777_218.0),
        ] {
            assert_eq!(plain(24_929.0, 673.0, added), expected);
            assert_eq!(plain(-24_929.0, 673.0, -added), -expected);
        }
    }
}
