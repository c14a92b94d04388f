//! Contrast: spreads light and dark apart about mid grey, blacks and whites staying in place.
//!
//! L' = L + k L (1 - L) (L - m) / (m (1 - m)) for L within 0 and 1, L outside; m is the lightness
//! of 18 % grey, cbrt(0.18). The cubic is 0 at black, mid grey and white, so those three stay; its
//! slope at mid grey is 1 + k. It falls nowhere while k <= 1 - m at the dark end, which is the
//! range's end; a and b are scaled with L, which is what more or less light on the same surface
//! does (Oklab is homogeneous in the cube root of light), so saturation stays.
//! Source: the S-shaped cubic through three fixed points; own derivation.
//!
//! Space: Oklab, since eyes judge contrast.

use crate::operations::pixels::{each_pixel, relit};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Oklab, Ratio};

settings! {
    /// Spreads light and dark apart (or brings them together) about mid grey.
    pub struct Contrast {
        /// Slope added at mid grey.
        amount: Ratio in -0.4..=0.4, default Ratio(0.08), neutral Ratio(0.0);
    }
}

/// Oklab lightness of 18 % grey: the cube root of 0.18.
pub(crate) const MID: f32 = 0.564_621_6;

/// What the cubic adds to lightness `l` per unit of slope at mid grey.
#[inline(always)]
pub(crate) fn spread(l: f32) -> f32 {
    let inside = l.clamp(0.0, 1.0);
    inside * (1.0 - inside) * (inside - MID) * (1.0 / (MID * (1.0 - MID)))
}

impl Contrast {
    /// Bends L and scales a and b with it.
    pub fn apply(&self, picture: &mut Oklab, _scene: &Scene) -> Findings {
        let amount = self.amount.0;
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |lab| relit(lab, lab[0] + amount * spread(lab[0])),
        );
        Findings::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;

    fn of_grey(contrast: &Contrast, l: f32) -> f32 {
        test_scene::one([l, 0.0, 0.0], |picture, scene| {
            contrast.apply(picture, scene)
        })[0]
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::lab();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            Contrast::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    #[test]
    fn black_mid_grey_and_white_stay_and_order_is_kept_at_both_ends() {
        for amount in [-0.4, 0.4] {
            let contrast = Contrast {
                amount: Ratio(amount),
            };
            for fixed in [0.0, MID, 1.0] {
                assert!(
                    (of_grey(&contrast, fixed) - fixed).abs() < 1e-6,
                    "{amount}: {fixed}"
                );
            }
            let tones: Vec<f32> = (-10..=120)
                .map(|i| of_grey(&contrast, i as f32 / 100.0))
                .collect();
            assert!(tones.windows(2).all(|pair| pair[0] < pair[1]), "{amount}");
        }
    }

    /// By hand: k = 0.4, L = 0.8: 0.8 x 0.2 x (0.8 - 0.56462) / (0.56462 x 0.43538) = 0.153201,
    /// times 0.4 is 0.061280.
    #[test]
    fn one_tone_by_hand() {
        let got = of_grey(&Contrast { amount: Ratio(0.4) }, 0.8);
        assert!((got - 0.861_280).abs() < 2e-6, "{got}");
        assert!((MID * MID * MID - 0.18).abs() < 1e-6);
    }

    #[test]
    fn saturation_stays() {
        let [l, a, b] = test_scene::one([0.8, 0.04, 0.05], |picture, scene| {
            Contrast::default().apply(picture, scene)
        });
        assert!((a / l - 0.05).abs() < 1e-6 && (b / l - 0.0625).abs() < 1e-6);
    }
}
