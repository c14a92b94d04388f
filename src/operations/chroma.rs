//! Chroma: colours fuller or calmer, hues in place, skin and full colours treated with care.
//!
//! C' = C (1 + k (1 - p w)), a and b scaled alike; w is 1 where nothing more is wanted: for k > 0
//! the larger of C^2 / (C^2 + 0.15^2) (colours that are full already, which would clip first) and
//! a bump over the hues of skin; for k < 0 the bump alone, so that a calmer picture does not turn
//! faces grey. The bump is 1 within 15 degrees of hue 50 and 0 beyond 40: Oklch hues of the skins in
//! the rendered office's faces lie between 35 and 61 (5th and 95th percentiles), medians 44 to 57.
//! Source: scaling of chroma in a perceptual space, CIE 015:2018 section 8.2.3 for chroma; the
//! protection is common practice.
//!
//! Space: Oklab, since its hue lines are straight where CIELAB's blues bend.

use crate::operations::pixels::{each_pixel, smooth_step};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Oklab, Ratio};

settings! {
    /// Makes colours fuller or calmer.
    pub struct Chroma {
        /// Share of chroma that is added; -1 leaves greys.
        amount: Ratio in -1.0..=1.0, default Ratio(0.05), neutral Ratio(0.0);
        /// How far skin and colours that are full already are left alone.
        protect: Ratio in 0.0..=1.0, default Ratio(0.5);
    }
}

/// Chroma at which protection is half: that of strongly dyed cloth.
const FULL: f32 = 0.15;
/// Cosine and sine of hue 50 degrees.
const SKIN: [f32; 2] = [0.642_787_6, 0.766_044_4];
/// Cosines of 40 and 15 degrees.
const SKIN_ENDS: [f32; 2] = [0.766_044_4, 0.965_925_8];

/// How much a colour's hue is one that skin can have, 0 to 1; 0 for grey.
#[inline(always)]
pub(crate) fn skin_hue(a: f32, b: f32) -> f32 {
    let chroma = (a * a + b * b).sqrt();
    let along = a * SKIN[0] + b * SKIN[1];
    smooth_step(SKIN_ENDS[0], SKIN_ENDS[1], along / chroma.max(1e-6))
}

impl Chroma {
    /// Scales a and b; L stays.
    pub fn apply(&self, picture: &mut Oklab, _scene: &Scene) -> Findings {
        let (amount, protect) = (self.amount.0, self.protect.0);
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |[l, a, b]| {
                let squared = a * a + b * b;
                let full = if amount > 0.0 {
                    squared / (squared + FULL * FULL)
                } else {
                    0.0
                };
                let care = protect * full.max(skin_hue(a, b));
                let scaling = 1.0 + amount * (1.0 - care);
                [l, a * scaling, b * scaling]
            },
        );
        Findings::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::{Linear, Size};

    fn of(chroma: &Chroma, lab: [f32; 3]) -> [f32; 3] {
        let size = Size {
            width: 1,
            height: 1,
        };
        let mut picture = Oklab::filled(size, lab);
        test_scene::with(size, |scene| chroma.apply(&mut picture, scene));
        picture.at(0, 0)
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::lab();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            Chroma::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    #[test]
    fn the_ends_are_grey_and_double() {
        let grey = Chroma {
            amount: Ratio(-1.0),
            protect: Ratio(0.0),
        };
        let double = Chroma {
            amount: Ratio(1.0),
            protect: Ratio(0.0),
        };
        assert_eq!(of(&grey, [0.6, 0.1, -0.05]), [0.6, 0.0, 0.0]);
        assert_eq!(of(&double, [0.6, 0.1, -0.05]), [0.6, 0.2, -0.1]);
        let careful = Chroma {
            amount: Ratio(1.0),
            protect: Ratio(1.0),
        };
        assert_eq!(of(&careful, [0.5, 0.0, 0.0]), [0.5, 0.0, 0.0]);
        // Chroma 0.15 away from skin's hues: half of the doubling is held back.
        let [_, a, _] = of(&careful, [0.6, -FULL, 0.0]);
        assert!((a + 1.5 * FULL).abs() < 1e-6, "{a}");
    }

    /// Patches 1 and 2 of the 24-patch chart are dark and light skin: about sRGB
    /// (117, 82, 68) and (199, 148, 130): colour-science 0.4.7, `BabelColor Average`.
    #[test]
    fn the_charts_skins_are_protected() {
        let careful = Chroma {
            amount: Ratio(0.5),
            protect: Ratio(1.0),
        };
        for patch in [[117, 82, 68], [199, 148, 130]] {
            let light = crate::operations::colours::Colour(patch).light();
            let size = Size {
                width: 1,
                height: 1,
            };
            let before = Linear::filled(size, light).to_oklab().at(0, 0);
            let after = of(&careful, before);
            assert!((after[1] - before[1]).abs() < 0.05 * before[1], "{patch:?}");
        }
    }
}
