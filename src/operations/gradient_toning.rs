//! Gradient toning: a colour for each tone, laid over the picture.
//!
//! Each pixel's encoded luminance finds its colour Cs on the gradient; a blend mode lays that over
//! the pixel's own encoded values Cb, channel by channel:
//! - Normal: B = Cs. Multiply: B = Cb Cs. Screen: B = Cb + Cs - Cb Cs.
//! - Overlay: B = HardLight(Cs, Cb), that is 2 Cb Cs for Cb <= 1/2, else
//!   Screen(2 Cb - 1, Cs).
//! - SoftLight: for Cs <= 1/2, B = Cb - (1 - 2 Cs) Cb (1 - Cb), else
//!   B = Cb + (2 Cs - 1) (D(Cb) - Cb), D(x) = ((16 x - 12) x + 4) x for x <= 1/4, else sqrt(x).
//!
//! Source: W3C Compositing and Blending Level 1 (Candidate Recommendation, 2015), section 9.1.
//!
//! Space: display-encoded values, as that document blends them: the sRGB curve (IEC 61966-2-1) on
//! the working space's primaries, so colours outside sRGB need no clip. Only 0 to 1 is blended; what
//! lies outside is put back afterwards. How strongly it shows is the step's opacity.

use serde::{Deserialize, Serialize};

use crate::operations::colours::{Colour, GradientStops, decode, encode};
use crate::operations::pixels::each_pixel;
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::{Linear, luminance};

/// How the gradient's colour is laid over the picture's: W3C Compositing and Blending, 9.1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Blend {
    /// In its place.
    Normal,
    /// Light through both.
    Multiply,
    /// Light from both.
    Screen,
    /// Multiplies the dark and screens the light tones of the picture.
    Overlay,
    /// Darkens or lightens softly, as with diffuse light.
    SoftLight,
}

impl SettingValue for Blend {
    const UNIT: &'static str = "Normal, Multiply, Screen, Overlay or SoftLight";
}

settings! {
    /// Lays a gradient of colours, from black to white, over the picture's tones.
    pub struct GradientToning {
        /// Colours and their places from black (0) to white (1).
        stops: GradientStops, default black_to_white();
        /// How the colours are laid over the picture.
        blend: Blend, default Blend::SoftLight;
    }
}

fn black_to_white() -> GradientStops {
    GradientStops::new(vec![(0.0, Colour([16; 3])), (1.0, Colour([244; 3]))])
        .expect("two stops that rise")
}

/// Pieces of the gradient's table; with linear reading between them its error is far below a
/// 16-bit step except at a stop, where it is under 1 / 1024 of the stops' difference.
const PIECES: usize = 1024;

/// B(Cb, Cs) of one channel.
#[inline(always)]
fn blended(blend: Blend, cb: f32, cs: f32) -> f32 {
    match blend {
        Blend::Normal => cs,
        Blend::Multiply => cb * cs,
        Blend::Screen => cb + cs - cb * cs,
        Blend::Overlay => {
            let screened = 2.0 * cb - 1.0 + cs - (2.0 * cb - 1.0) * cs;
            if cb <= 0.5 { 2.0 * cb * cs } else { screened }
        }
        Blend::SoftLight => {
            let low = ((16.0 * cb - 12.0) * cb + 4.0) * cb;
            let d = if cb <= 0.25 { low } else { cb.sqrt() };
            let darker = cb - (1.0 - 2.0 * cs) * cb * (1.0 - cb);
            let lighter = cb + (2.0 * cs - 1.0) * (d - cb);
            if cs <= 0.5 { darker } else { lighter }
        }
    }
}

impl GradientToning {
    /// Tones every pixel in full.
    pub fn apply(&self, picture: &mut Linear, _scene: &Scene) -> Findings {
        let table = self.stops.table(PIECES);
        // One loop per mode, so that none chooses per pixel.
        match self.blend {
            Blend::Normal => tone(picture, &table, |cb, cs| blended(Blend::Normal, cb, cs)),
            Blend::Multiply => tone(picture, &table, |cb, cs| blended(Blend::Multiply, cb, cs)),
            Blend::Screen => tone(picture, &table, |cb, cs| blended(Blend::Screen, cb, cs)),
            Blend::Overlay => tone(picture, &table, |cb, cs| blended(Blend::Overlay, cb, cs)),
            Blend::SoftLight => tone(picture, &table, |cb, cs| blended(Blend::SoftLight, cb, cs)),
        }
        Findings::default()
    }
}

#[inline(always)]
fn tone(picture: &mut Linear, table: &[[f32; 3]], blend: impl Fn(f32, f32) -> f32 + Sync) {
    each_pixel(
        &mut picture.planes,
        #[inline(always)]
        |rgb| {
            let place = encode(luminance(rgb)).clamp(0.0, 1.0) * PIECES as f32;
            let piece = (place as usize).min(PIECES - 1);
            let share = place - piece as f32;
            let (before, after) = (table[piece], table[piece + 1]);
            std::array::from_fn(|c| {
                let cs = before[c] + share * (after[c] - before[c]);
                let inside = rgb[c].clamp(0.0, 1.0);
                decode(blend(encode(inside), cs)) + (rgb[c] - inside)
            })
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;

    /// Values of the formulas in W3C Compositing and Blending Level 1, section 9.1, worked out
    /// with rational arithmetic: (mode, Cb, Cs, B).
    #[test]
    fn the_published_formulas() {
        for (blend, cb, cs, wanted) in [
            // 1/5 - (1 - 1/2)(1/5)(4/5) = 3/25
            (Blend::SoftLight, 0.2, 0.25, 0.12),
            // D(1/5) = ((16/5 - 12)/5 + 4)/5 = 56/125 - so 1/5 + (1/2)(56/125 - 1/5) = 81/250
            (Blend::SoftLight, 0.2, 0.75, 0.324),
            // D(16/25) = 4/5: 16/25 + (1/2)(4/25) = 18/25
            (Blend::SoftLight, 0.64, 0.75, 0.72),
            (Blend::SoftLight, 0.37, 0.5, 0.37),
            (Blend::Normal, 0.2, 0.75, 0.75),
            (Blend::Multiply, 0.2, 0.75, 0.15),
            (Blend::Screen, 0.2, 0.75, 0.8),
            (Blend::Overlay, 0.2, 0.75, 0.3),
            (Blend::Overlay, 0.75, 0.2, 0.6),
        ] {
            let got = blended(blend, cb, cs);
            assert!(
                (got - wanted).abs() < 1e-6,
                "{blend:?} {cb} {cs}: {got} for {wanted}"
            );
        }
    }

    #[test]
    fn every_mode_stays_in_range_and_keeps_what_lies_outside() {
        let before = test_scene::light();
        for blend in [
            Blend::Normal,
            Blend::Multiply,
            Blend::Screen,
            Blend::Overlay,
            Blend::SoftLight,
        ] {
            let mut after = before.clone();
            let settings = GradientToning {
                blend,
                ..GradientToning::default()
            };
            test_scene::with(after.size(), |scene| settings.apply(&mut after, scene));
            for (a, b) in after
                .planes
                .iter()
                .flatten()
                .zip(before.planes.iter().flatten())
            {
                let outside = b - b.clamp(0.0, 1.0);
                assert!(
                    ((-1e-5 + outside)..=(1.0 + 1e-5 + outside)).contains(a),
                    "{blend:?}: {a}"
                );
            }
        }
    }

    /// Soft light with a middle grey is the identity (D(Cb) does not enter): the mode's neutral.
    #[test]
    fn middle_grey_in_soft_light_changes_nothing() {
        let grey = Colour([128; 3]);
        let stops = GradientStops::new(vec![(0.0, grey), (1.0, grey)]).expect("two stops");
        let settings = GradientToning {
            stops,
            blend: Blend::SoftLight,
        };
        let before = test_scene::light();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| settings.apply(&mut after, scene));
        for (a, b) in after
            .planes
            .iter()
            .flatten()
            .zip(before.planes.iter().flatten())
        {
            // 128 / 255 is 0.502, half a step of eight bits beside the middle.
            assert!((a - b).abs() < 2e-3, "{b} became {a}");
        }
    }

    #[test]
    fn a_normal_gradient_replaces_each_tone_by_its_colour() {
        let settings = GradientToning {
            blend: Blend::Normal,
            ..GradientToning::default()
        };
        let size = crate::picture::Size {
            width: 2,
            height: 1,
        };
        let mut picture = Linear::filled(size, [1.0; 3]);
        test_scene::with(size, |scene| settings.apply(&mut picture, scene));
        let wanted = Colour([244; 3]).light();
        for (got, wanted) in picture.at(0, 1).into_iter().zip(wanted) {
            assert!((got - wanted).abs() < 1e-5);
        }
    }
}
