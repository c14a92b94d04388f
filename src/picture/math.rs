//! Elementary functions with the same bits on every machine.
//!
//! The platform's libm differs between systems and versions; these use only `+ - * /`, `sqrt`,
//! comparisons and the bit pattern of `f32` (IEC 60559 binary32), which round alike everywhere.
//! None of them branches, so a loop over them inside [`super::bands::vectorised`] becomes vector
//! code. Ranges are reduced as in Muller, *Elementary Functions*, 3rd ed., ch. 11 (Cody and
//! Waite); the polynomials are minimax fits (Lawson's reweighted least squares in f64 on 4,000
//! Chebyshev nodes, then rounded to f32; the fit error, relative, is noted at each).
//!
//! Largest errors against f64 `std`, as the tests below hold them: `exp2`, `exp`, `cbrt`
//! 2.4e-7 relative; `ln`, `log2` 2.4e-7 relative or 1e-7 absolute, whichever is larger; `sin`,
//! `cos` 1.5e-7 absolute up to |x| = 1000; `atan2` 4e-7 radians; `powf` 2.4e-7 (1 + |y log2 x|)
//! relative. NaN in gives an unspecified number, never a trap.

use std::f32::consts::{FRAC_2_PI, FRAC_PI_2, FRAC_PI_4, LN_2, LOG2_E, PI};

/// 1.5 x 2^23: adding it leaves a number below 2^22 rounded to whole in the low mantissa bits.
const ROUND: f32 = 12_582_912.0;
/// Bits of sqrt(1/2): splits off the exponent so that the mantissa lies around 1.
const SQRT_HALF: i32 = 0x3f35_04f3;
/// ln 2 in two parts; the first has 12 trailing zero bits, so its products with exponents are
/// exact (Cody and Waite).
const LN_2_HIGH: f32 = 0.693_359_375;
const LN_2_LOW: f32 = -2.121_944_4e-4;

/// Nearest whole number as f32 and as integer; |x| < 2^22.
#[inline(always)]
fn rounded(x: f32) -> (f32, i32) {
    let shifted = x + ROUND;
    (
        shifted - ROUND,
        (shifted.to_bits() as i32).wrapping_sub(ROUND.to_bits() as i32),
    )
}

/// 2^n for -126 <= n <= 127.
#[inline(always)]
fn power_of_two(n: i32) -> f32 {
    // Wrapping: a check for overflow, in builds that have one, would keep this from the vector unit.
    f32::from_bits((n.wrapping_add(127) << 23) as u32)
}

/// 2 to the power `x`; below -126 it stays at 2^-126, above 127 it stays near 2^127.5.
#[inline(always)]
pub fn exp2(x: f32) -> f32 {
    let x = x.clamp(-126.0, 127.499);
    let (whole, n) = rounded(x);
    let f = x - whole;
    // (2^f - 1) / f on [-1/2, 1/2]; fit 2.0e-9.
    let q = LN_2
        + f * (0.240_226_48
            + f * (0.055_503_324
                + f * (0.009_618_437 + f * (0.001_339_887_5 + f * 0.000_153_533_6))));
    (1.0 + f * q) * power_of_two(n)
}

/// e to the power `x`, between 2^-126 and about 2^127.5.
#[inline(always)]
pub fn exp(x: f32) -> f32 {
    let x = x.clamp(-87.336, 88.37);
    let (whole, n) = rounded(x * LOG2_E);
    let r = (x - whole * LN_2_HIGH) - whole * LN_2_LOW;
    // (e^r - 1 - r) / r^2 on |r| <= ln(2)/2; fit 3.1e-9.
    let q =
        0.5 + r * (0.166_665_18 + r * (0.041_666_206 + r * (0.008_368_888 + r * 0.001_395_048_6)));
    (1.0 + (r + r * r * q)) * power_of_two(n)
}

/// Exponent and the natural logarithm of the mantissa in [sqrt(1/2), sqrt(2)).
#[inline(always)]
fn split_logarithm(x: f32) -> (f32, f32) {
    // A maximum by comparison: also turns NaN into a number.
    let bits = (if x > f32::MIN_POSITIVE {
        x
    } else {
        f32::MIN_POSITIVE
    })
    .to_bits() as i32;
    let exponent = bits.wrapping_sub(SQRT_HALF) >> 23;
    let m = f32::from_bits(bits.wrapping_sub(exponent << 23) as u32) - 1.0;
    // ln(1 + m) = 2 atanh(t), t = m / (2 + m); atanh's series from t^3 on, fit 1.6e-9.
    let t = m / (2.0 + m);
    let s = t * t;
    let p = s * (0.666_667_76 + s * (0.399_775_42 + s * 0.298_717_32));
    // 2t = m - t m, which keeps the leading term exact.
    (exponent as f32, m - t * (m - p))
}

/// Natural logarithm; zero and negative numbers give that of the smallest normal number, -87.3.
#[inline(always)]
pub fn ln(x: f32) -> f32 {
    let (exponent, l) = split_logarithm(x);
    exponent * LN_2_HIGH + (l + exponent * LN_2_LOW)
}

/// Logarithm to base 2; zero and negative numbers give -126.
#[inline(always)]
pub fn log2(x: f32) -> f32 {
    // 1 / ln 2 in two parts, so that the small part of the product survives.
    const LOW: f32 = 1.925_963e-8;
    let (exponent, l) = split_logarithm(x);
    exponent + (l * LOG2_E + l * LOW)
}

/// `base` to the power `exponent`; a base of zero or below gives 0.
#[inline(always)]
pub fn powf(base: f32, exponent: f32) -> f32 {
    let power = exp2(exponent * log2(base));
    if base > 0.0 { power } else { 0.0 }
}

/// Cube root with the sign of `x`; magnitudes under 1e-30 give 0.
#[inline(always)]
pub fn cbrt(x: f32) -> f32 {
    const SMALLEST: f32 = 1e-30;
    let magnitude = x.abs();
    let a = if magnitude > SMALLEST {
        magnitude
    } else {
        SMALLEST
    };
    // A third of the bit pattern is a third of the exponent (Kahan); 1/3 as a sum of shifts,
    // which vector units do faster than a division. The constant makes the first guess 3.2 %
    // right; each step of Halley cubes that: 2e-5, then below rounding.
    let bits = a.to_bits();
    let third = (bits >> 2) + (bits >> 4);
    let third = third + (third >> 4);
    let third = third + (third >> 8);
    let mut y = f32::from_bits(third + 0x2a51_2000);
    let cube = y * y * y;
    y *= (cube + 2.0 * a) / (2.0 * cube + a);
    // The second step as a correction: its rounding is that of a small number.
    let cube = y * y * y;
    y += y * ((a - cube) / (2.0 * cube + a));
    let y = if magnitude > SMALLEST { y } else { 0.0 };
    y.copysign(x)
}

/// Sine and cosine of `x` radians, |x| up to about 1000.
#[inline(always)]
fn sin_cos(x: f32) -> (f32, f32) {
    // pi/2 in three parts (Cephes, sinf.c, doubled), the first two with trailing zeros.
    const HIGH: f32 = 1.570_312_5;
    const MIDDLE: f32 = 4.837_513e-4;
    const LOW: f32 = 7.549_79e-8;
    let (whole, quarter) = rounded(x * FRAC_2_PI);
    let r = ((x - whole * HIGH) - whole * MIDDLE) - whole * LOW;
    let s = r * r;
    // Fits 3.6e-9 and 9.5e-11 on |r| <= pi/4.
    let sine = r + r * s * (-0.166_666_55 + s * (0.008_332_178 - s * 0.000_195_172_98));
    let cosine =
        1.0 - 0.5 * s + s * s * (0.041_666_646 - s * (0.001_388_736_8 - s * 0.000_024_438_45));
    let odd = quarter & 1 != 0;
    let (a, b) = if odd { (cosine, sine) } else { (sine, cosine) };
    let flip_sine = ((quarter & 2) << 30) as u32;
    let flip_cosine = ((quarter.wrapping_add(1) & 2) << 30) as u32;
    (
        f32::from_bits(a.to_bits() ^ flip_sine),
        f32::from_bits(b.to_bits() ^ flip_cosine),
    )
}

/// Sine of `x` radians, |x| up to about 1000.
#[inline(always)]
pub fn sin(x: f32) -> f32 {
    sin_cos(x).0
}

/// Cosine of `x` radians, |x| up to about 1000.
#[inline(always)]
pub fn cos(x: f32) -> f32 {
    sin_cos(x).1
}

/// Angle of the point (`x`, `y`) in radians, -pi to pi; 0 for the origin.
#[inline(always)]
pub fn atan2(y: f32, x: f32) -> f32 {
    const TAN_PI_8: f32 = 0.414_213_57;
    let (ax, ay) = (x.abs(), y.abs());
    let (small, large) = if ay > ax { (ax, ay) } else { (ay, ax) };
    // atan q = pi/4 + atan((q - 1) / (q + 1)) brings q under tan(pi/8).
    let upper = small > TAN_PI_8 * large;
    let (top, bottom) = if upper {
        (small - large, small + large)
    } else {
        (small, large)
    };
    let q = top
        / if bottom > f32::MIN_POSITIVE {
            bottom
        } else {
            f32::MIN_POSITIVE
        };
    let s = q * q;
    // Fit 2.0e-8.
    let series =
        q + q * s * (-0.333_329_56 + s * (0.199_779_26 - s * (0.138_798_46 - s * 0.080_602_98)));
    let first = if upper { FRAC_PI_4 + series } else { series };
    let half = if ay > ax { FRAC_PI_2 - first } else { first };
    let whole = if x < 0.0 { PI - half } else { half };
    whole.copysign(y)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Evenly spread bit patterns of `count` normal numbers between `low` and `high`, both > 0.
    fn spread(low: f32, high: f32, count: u32) -> impl Iterator<Item = f32> {
        let (low, high) = (low.to_bits(), high.to_bits());
        let step = ((high - low) / count).max(1);
        (0..count).map(move |i| f32::from_bits(low + i * step))
    }

    fn line(low: f32, high: f32, count: u32) -> impl Iterator<Item = f32> {
        (0..=count).map(move |i| low + (high - low) * (i as f32 / count as f32))
    }

    fn worst(errors: impl Iterator<Item = f64>) -> f64 {
        errors.fold(0.0, f64::max)
    }

    fn relative(got: f32, wanted: f64) -> f64 {
        ((f64::from(got) - wanted) / wanted).abs()
    }

    const MANY: u32 = 200_000;

    #[test]
    fn exponentials_agree_with_std_in_f64() {
        let two = worst(line(-125.0, 127.0, MANY).map(|x| relative(exp2(x), f64::from(x).exp2())));
        let e = worst(line(-87.0, 88.0, MANY).map(|x| relative(exp(x), f64::from(x).exp())));
        assert!(two < 2.4e-7 && e < 2.4e-7, "exp2 {two:e}, exp {e:e}");
        assert_eq!(exp2(-1000.0), f32::MIN_POSITIVE);
        assert!(exp2(1000.0).is_finite() && exp(1000.0).is_finite());
        assert_eq!((exp2(0.0), exp(0.0), exp2(3.0)), (1.0, 1.0, 8.0));
    }

    #[test]
    fn logarithms_agree_with_std_in_f64() {
        let off = |got: f32, wanted: f64| {
            (f64::from(got) - wanted).abs() / (2.4e-7 * wanted.abs()).max(1e-7)
        };
        let numbers = || spread(1e-37, 1e37, MANY).chain(line(0.5, 2.0, MANY));
        let two = worst(numbers().map(|x| off(log2(x), f64::from(x).log2())));
        let e = worst(numbers().map(|x| off(ln(x), f64::from(x).ln())));
        assert!(two < 1.0 && e < 1.0, "log2 {two}, ln {e} of the bound");
        assert_eq!((log2(1.0), ln(1.0), log2(8.0)), (0.0, 0.0, 3.0));
        assert_eq!((log2(0.0), log2(-1.0)), (-126.0, -126.0));
    }

    #[test]
    fn powers_agree_with_std_in_f64() {
        for exponent in [1.0 / 2.4, 2.4, 0.454_545_45, 563.0 / 256.0, 3.0, -0.5, 0.1] {
            let off = worst(spread(1e-6, 16.0, 50_000).map(|x| {
                let wanted = f64::from(x).powf(f64::from(exponent));
                relative(powf(x, exponent), wanted)
                    / (2.4e-7 * (1.0 + f64::from((exponent * log2(x)).abs())))
            }));
            assert!(off < 1.0, "exponent {exponent}: {off} of the bound");
        }
        assert_eq!(
            (powf(0.0, 0.4), powf(1.0, 2.4), powf(-1.0, 2.0)),
            (0.0, 1.0, 0.0)
        );
    }

    #[test]
    fn cube_roots_agree_with_std_in_f64() {
        let off = worst(
            spread(1e-29, 1e30, MANY)
                .chain(line(1.0, 8.0, MANY))
                .map(|x| {
                    assert_eq!(cbrt(-x), -cbrt(x));
                    relative(cbrt(x), f64::from(x).cbrt())
                }),
        );
        assert!(off < 2.4e-7, "{off:e}");
        assert_eq!((cbrt(0.0), cbrt(1.0), cbrt(-1.0)), (0.0, 1.0, -1.0));
    }

    #[test]
    fn circular_functions_agree_with_std_in_f64() {
        let angles = || line(-1000.0, 1000.0, MANY).chain(line(-4.0, 4.0, MANY));
        let sine = worst(angles().map(|x| (f64::from(sin(x)) - f64::from(x).sin()).abs()));
        let cosine = worst(angles().map(|x| (f64::from(cos(x)) - f64::from(x).cos()).abs()));
        assert!(
            sine < 1.5e-7 && cosine < 1.5e-7,
            "sin {sine:e}, cos {cosine:e}"
        );
        let turn = worst(line(1e-4 - PI, PI - 1e-4, MANY).map(|t| {
            let (y, x) = (
                (f64::from(t).sin() * 0.3) as f32,
                (f64::from(t).cos() * 0.3) as f32,
            );
            (f64::from(atan2(y, x)) - f64::from(y).atan2(f64::from(x))).abs()
        }));
        assert!(turn < 4e-7, "atan2 {turn:e}");
        assert_eq!(atan2(0.0, 0.0), 0.0);
        assert_eq!(atan2(1.0, 0.0), FRAC_PI_2);
        assert_eq!(atan2(0.0, -1.0), PI);
    }

    #[test]
    fn vector_code_gives_the_bits_of_scalar_code() {
        let numbers: Vec<f32> = spread(1e-6, 100.0, 1000).collect();
        let work = |x: f32| cbrt(x) + powf(x, 0.4) + sin(x) + atan2(x, 0.7) + ln(x) + exp(-x);
        let mut vector = vec![0.0; numbers.len()];
        crate::picture::bands::vectorised(
            #[inline(always)]
            || {
                vector
                    .iter_mut()
                    .zip(&numbers)
                    .for_each(|(out, &x)| *out = work(x))
            },
        );
        for (&x, got) in numbers.iter().zip(vector) {
            assert_eq!(
                std::hint::black_box(work)(x).to_bits(),
                got.to_bits(),
                "at {x}"
            );
        }
    }
}
