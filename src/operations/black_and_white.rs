//! Black and white: how light each colour becomes as grey.
//!
//! Y' = (wr R + wg G + wb B) / (wr + wg + wb); the picture goes towards that grey by `strength`.
//! The weights act like a coloured filter before the lens: more red lightens skin and lips and
//! hides blotches, more blue brings them out. The default weights are those of luminance
//! (ITU-R BT.2020-2, table 4), so every colour keeps its lightness; greys keep theirs at any weights,
//! as they are divided by their sum.
//!
//! Space: linear light in the working space, where a filter's light adds.

use crate::operations::pixels::each_pixel;
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Linear, Ratio};

settings! {
    /// Turns colours into greys, each colour as light as its channels' weights say.
    pub struct BlackAndWhite {
        /// How far the picture goes towards black and white.
        strength: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// Weight of red light.
        red: Ratio in 0.0..=1.0, default Ratio(0.2627);
        /// Weight of green light.
        green: Ratio in 0.0..=1.0, default Ratio(0.6780);
        /// Weight of blue light.
        blue: Ratio in 0.0..=1.0, default Ratio(0.0593);
    }
}

impl BlackAndWhite {
    /// Mixes every pixel's channels.
    pub fn apply(&self, picture: &mut Linear, _scene: &Scene) -> Findings {
        self.mix(picture);
        Findings::default()
    }

    /// The same without a scene, which it has no need of.
    pub fn mix(&self, picture: &mut Linear) {
        if self.is_neutral() {
            return;
        }
        let strength = self.strength.0;
        let [red, green, blue] = self.shares();
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |rgb| {
                let grey = red * rgb[0] + green * rgb[1] + blue * rgb[2];
                rgb.map(|v| v + strength * (grey - v))
            },
        );
    }

    /// The weights as shares of one; luminance's own when all are 0.
    fn shares(&self) -> [f32; 3] {
        let weights = [self.red.0, self.green.0, self.blue.0];
        let sum: f32 = weights.iter().sum();
        if sum > 0.0 {
            weights.map(|w| w / sum)
        } else {
            crate::picture::oklab::LUMINANCE
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::{Size, luminance};

    fn of(settings: &BlackAndWhite, rgb: [f32; 3]) -> [f32; 3] {
        let size = Size {
            width: 1,
            height: 1,
        };
        let mut picture = Linear::filled(size, rgb);
        test_scene::with(size, |scene| settings.apply(&mut picture, scene));
        picture.at(0, 0)
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::light();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            BlackAndWhite::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
    }

    /// BT.2020-2, table 4: 0.2627, 0.6780, 0.0593.
    #[test]
    fn by_default_every_colour_keeps_its_luminance() {
        for rgb in [
            [0.8, 0.1, 0.05],
            [0.0, 1.0, 0.0],
            [0.3, 0.2, 0.9],
            [2.0, 1.5, 1.0],
        ] {
            let [r, g, b] = of(&BlackAndWhite::default(), rgb);
            assert!((r - g).abs() < 1e-6 && (g - b).abs() < 1e-6);
            assert!((r - luminance(rgb)).abs() < 1e-4, "{rgb:?}");
        }
        let green = of(&BlackAndWhite::default(), [0.0, 1.0, 0.0]);
        assert!((green[0] - 0.6780).abs() < 1e-4);
    }

    #[test]
    fn greys_stay_at_both_ends_of_the_weights() {
        for bits in 0..8 {
            let end = |bit: u32| Ratio(if bits & (1 << bit) == 0 { 0.0 } else { 1.0 });
            let settings = BlackAndWhite {
                strength: Ratio(1.0),
                red: end(0),
                green: end(1),
                blue: end(2),
            };
            for v in of(&settings, [0.4; 3]) {
                assert!((v - 0.4).abs() < 1e-6, "{settings:?}");
            }
            for v in of(&settings, [4.0, -0.1, 0.0]) {
                assert!((-0.1..=4.0).contains(&v));
            }
        }
    }
}
