//! Local contrast: deepens form of a chosen size and leaves flat areas alone.
//!
//! L' = L + k (L - G * L), G a Gaussian with standard deviation `radius`.
//! Source: Gonzalez and Woods, *Digital Image Processing*, unsharp masking and
//! highboost filtering. Works on Oklab L, since eyes judge the result.
//!
//! Two bounds keep it from drawing a halo where sitter and backdrop meet: a local difference
//! counts up to [`LARGEST`] and ever less beyond, and nothing between black and white is pushed
//! past them.

use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::Blurred;
use crate::picture::{EyeSpans, Oklab, Ratio, bands};
use crate::regions::Region;

settings! {
    /// Deepens form around features of a chosen size.
    pub struct LocalContrast {
        /// Share of the local difference that is added.
        amount: Ratio in 0.0..=1.0, default Ratio(0.10), neutral Ratio(0.0);
        /// Standard deviation of the blur.
        radius: EyeSpans in 0.05..=2.0, default EyeSpans(0.35);
    }
}

/// Local difference of Oklab L above which it is an outline, not form: about the step between
/// lit and shaded cheek (on the rendered office's faces the difference is 0.04 to 0.09 in the median,
/// 0.12 to 0.25 at its 95th percentile, near hair), well below that between black cloth
/// and a grey wall.
const LARGEST: f32 = 0.15;

impl LocalContrast {
    /// Deepens L; a and b stay.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        let base = Blurred::new(picture.planes[0].view(), scene.scale.pixels(self.radius));
        bands::each_band(picture.planes[0].view_mut(), |first, mut rows| {
            let base = base.rows(first..first + rows.nrows());
            let rows = rows.as_slice_mut().expect("planes are contiguous");
            deepen(rows, base.as_slice().expect("just made"), self.amount.0);
        });
        Findings::default()
    }

    /// How far around a pixel it looks, wherever it acts: the blur ends at 3.5 standard deviations.
    pub fn reach(&self, _on: &[Region]) -> EyeSpans {
        EyeSpans(3.5 * self.radius.0)
    }
}

/// Draws lightness away from its surroundings, value by value.
pub(super) fn deepen(light: &mut [f32], around: &[f32], amount: f32) {
    bands::vectorised(
        #[inline(always)]
        move || {
            for (l, &b) in light.iter_mut().zip(around) {
                *l = deepened(*l, b, amount);
            }
        },
    );
}

/// Lightness `l` drawn away from its surroundings `base`.
#[inline(always)]
fn deepened(l: f32, base: f32, amount: f32) -> f32 {
    let form = l - base;
    // 1 for small differences, fading as the reciprocal square beyond: the added step is largest
    // at the limit and gone at outlines.
    let share = 1.0 / (1.0 + form * form * (1.0 / (LARGEST * LARGEST)));
    let deep = l + amount * form * share;
    deep.clamp(l.min(0.0), l.max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::Size;

    const SIZE: Size = Size {
        width: 64,
        height: 48,
    };

    fn applied(settings: &LocalContrast, mut picture: Oklab) -> Oklab {
        test_scene::with(picture.size(), |scene| settings.apply(&mut picture, scene));
        picture
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::lab();
        assert_eq!(applied(&LocalContrast::neutral(), before.clone()), before);
    }

    #[test]
    fn flat_light_stays_flat() {
        let flat = Oklab::filled(SIZE, [0.5, 0.05, 0.03]);
        for radius in [0.05, 2.0] {
            let settings = LocalContrast {
                amount: Ratio(1.0),
                radius: EyeSpans(radius),
            };
            for (a, b) in applied(&settings, flat.clone())
                .planes
                .iter()
                .zip(&flat.planes)
            {
                assert!(
                    a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-6),
                    "{radius}"
                );
            }
        }
    }

    /// A sine of wavelength w loses exp(-2 (pi s / w)^2) in a Gaussian of deviation s (its Fourier
    /// transform): with w = 16 pixels and s = 4 a tenth of 1 - 0.29121 is added.
    #[test]
    fn a_wave_gains_what_the_blur_takes() {
        let mut picture = Oklab::filled(
            Size {
                width: 256,
                height: 8,
            },
            [0.5, 0.0, 0.0],
        );
        let wave = |x: usize| (x as f32 * std::f32::consts::TAU / 16.0).sin();
        for ((_, x), l) in picture.planes[0].indexed_iter_mut() {
            *l += 0.002 * wave(x);
        }
        let settings = LocalContrast {
            amount: Ratio(0.1),
            radius: EyeSpans(4.0 / test_scene::SPAN),
        };
        let after = applied(&settings, picture);
        for x in 64..192 {
            let wanted = 0.5 + 0.002 * (1.0 + 0.1 * (1.0 - 0.291_21)) * wave(x);
            assert!((after.at(4, x)[0] - wanted).abs() < 1e-6, "{x}");
        }
    }

    #[test]
    fn the_ends_of_the_ranges_are_bounded_and_outlines_get_no_halo() {
        let mut picture = Oklab::filled(SIZE, [0.9, 0.0, 0.0]);
        for ((_, x), l) in picture.planes[0].indexed_iter_mut() {
            *l = if x < 32 { 0.1 } else { *l };
        }
        let strong = LocalContrast {
            amount: Ratio(1.0),
            radius: EyeSpans(2.0),
        };
        let after = applied(&strong, picture.clone());
        assert!(after.planes[0].iter().all(|l| (0.0..=1.0).contains(l)));
        let usual = applied(&LocalContrast::default(), picture.clone());
        for (a, b) in usual.planes[0].iter().zip(&picture.planes[0]) {
            assert!(
                (a - b).abs() <= 0.1 * 0.5 * LARGEST + 1e-6,
                "{b} became {a}"
            );
        }
    }
}
