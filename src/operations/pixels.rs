//! Runs one colour function over a whole picture (rows over threads, pixels over vector units), and
//! the pieces that several such functions are made of.
//!
//! The function gets and gives one pixel's three values; what it calls must be
//! `#[inline(always)]` and free of the platform's libm, then every machine gives the same bits.

use ndarray::Array2;

use crate::picture::bands;

/// Replaces each pixel's three values by `colour` of them.
#[inline(always)]
pub(crate) fn each_pixel(
    planes: &mut [Array2<f32>; 3],
    colour: impl Fn([f32; 3]) -> [f32; 3] + Sync + Copy,
) {
    bands::each_row(planes, |_, [first, second, third]| {
        bands::vectorised(
            #[inline(always)]
            || {
                // A copy of its own: what lies behind a reference could be one of the rows, so the
                // compiler would read it again for every pixel and give up on vectors.
                #[allow(clippy::redundant_locals, reason = "a copy, see above")]
                let colour = colour;
                for ((a, b), c) in first.iter_mut().zip(second).zip(third) {
                    [*a, *b, *c] = colour([*a, *b, *c]);
                }
            },
        );
    });
}

/// The colour with the light on it changed so that its lightness is `lightness`.
#[inline(always)]
pub(crate) fn relit([l, a, b]: [f32; 3], lightness: f32) -> [f32; 3] {
    // Near black the quotient loses its meaning; there chroma stays as it is.
    let scaling = if l > 1e-3 {
        (lightness / l).clamp(0.0, 4.0)
    } else {
        1.0
    };
    [lightness, a * scaling, b * scaling]
}

/// 0 up to `low`, 1 from `high`, a cubic with flat ends between (Hermite; the "smooth step").
#[inline(always)]
pub(crate) fn smooth_step(low: f32, high: f32, x: f32) -> f32 {
    let t = ((x - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{Linear, Size};

    #[test]
    fn the_step_is_flat_outside_and_half_in_the_middle() {
        assert_eq!(smooth_step(0.2, 0.4, 0.1), 0.0);
        assert_eq!(smooth_step(0.2, 0.4, 0.5), 1.0);
        assert!((smooth_step(0.2, 0.4, 0.3) - 0.5).abs() < 1e-6);
    }

    #[test]
    fn every_pixel_is_visited_once() {
        let size = Size {
            width: 37,
            height: 71,
        };
        let mut picture = Linear::filled(size, [1.0, 2.0, 3.0]);
        each_pixel(&mut picture.planes, |[a, b, c]| [a + b, b + c, c + a]);
        assert_eq!(picture, Linear::filled(size, [3.0, 5.0, 4.0]));
    }
}
