//! Shadow lift: opens the dark tones and leaves black, mid tones and highlights alone.
//!
//! L' = L (1 + k (1 - L / t)^2) for L below t, L above; t is the lightness at which `below` L*
//! ends. Slope 1 + k at black, 1 at t, and everywhere positive for k < 3. It looks at one pixel
//! alone: a gain that follows a blur would brighten the backdrop around dark hair, which shows as
//! a halo before a smooth wall. a and b are scaled with L, as more fill light would do.
//! Source: own derivation; a quadratic ease is the simplest curve with a smooth end at t.
//!
//! Space: Oklab, since eyes judge how open a shadow looks.

use crate::operations::pixels::{each_pixel, relit};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Lightness, Oklab, Ratio, luminance_of, math};

settings! {
    /// Opens the shadows, as a little more fill light would.
    pub struct ShadowLift {
        /// Share of lightness added to the darkest tones.
        amount: Ratio in 0.0..=1.0, default Ratio(0.10), neutral Ratio(0.0);
        /// Tones from this lightness up stay as they are.
        below: Lightness in 10.0..=60.0, default Lightness(40.0);
    }
}

impl ShadowLift {
    /// Lifts L and scales a and b with it.
    pub fn apply(&self, picture: &mut Oklab, _scene: &Scene) -> Findings {
        let amount = self.amount.0;
        // Oklab's L of a grey is the cube root of its luminance.
        let per_end = 1.0 / math::cbrt(luminance_of(self.below.0));
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |lab| {
                let room = (1.0 - lab[0].max(0.0) * per_end).max(0.0);
                relit(lab, lab[0] * (1.0 + amount * room * room))
            },
        );
        Findings::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;

    fn of_grey(lift: &ShadowLift, l: f32) -> f32 {
        test_scene::one([l, 0.0, 0.0], |picture, scene| lift.apply(picture, scene))[0]
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::lab();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            ShadowLift::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    #[test]
    fn black_and_the_lights_stay_and_order_is_kept_at_both_ends() {
        for below in [10.0, 60.0] {
            let lift = ShadowLift {
                amount: Ratio(1.0),
                below: Lightness(below),
            };
            assert_eq!(of_grey(&lift, 0.0), 0.0);
            for light in [0.7, 0.9, 1.0, 1.5] {
                assert_eq!(of_grey(&lift, light), light);
            }
            let tones: Vec<f32> = (-10..=120)
                .map(|i| of_grey(&lift, i as f32 / 100.0))
                .collect();
            assert!(tones.windows(2).all(|pair| pair[0] < pair[1]), "{below}");
            assert!(tones.iter().all(|tone| tone.is_finite()));
        }
    }

    /// By hand: L* 40 is a luminance of 0.112506 (CIE 015:2018, 8.3), whose cube root is 0.482759;
    /// halfway there a full lift adds a quarter: 0.241379 x 1.25 = 0.301724.
    #[test]
    fn one_tone_by_hand() {
        let lift = ShadowLift {
            amount: Ratio(1.0),
            below: Lightness(40.0),
        };
        let got = of_grey(&lift, 0.241_379);
        assert!((got - 0.301_724).abs() < 2e-6, "{got}");
    }
}
