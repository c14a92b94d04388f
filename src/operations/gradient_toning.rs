//! Gradient toning: a colour for each tone, laid over the picture.
//!
//! Each pixel's encoded luminance finds its colour Cs on the gradient; a blend mode lays that over
//! the pixel's own encoded values Cb, channel by channel:
//! - Normal: B = Cs. Multiply: B = Cb Cs. Screen: B = Cb + Cs - Cb Cs.
//! - Overlay: B = HardLight(Cs, Cb), that is 2 Cb Cs for Cb <= 1/2, else
//!   Screen(Cs, 2 Cb - 1).
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
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::{Linear, bands, luminance};

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

impl GradientToning {
    /// Tones every pixel in full.
    pub fn apply(&self, picture: &mut Linear, _scene: &Scene) -> Findings {
        let table = self.stops.table(PIECES);
        let blend = self.blend;
        bands::each_row(&mut picture.planes, |_, rows| tone_row(rows, &table, blend));
        Findings::default()
    }
}

/// Tones one row: places on the gradient, then colours there, then the blend. Apart, as reading a
/// table is the one thing here that vector units cannot do.
#[allow(clippy::redundant_closure, reason = "see below")]
fn tone_row([red, green, blue]: [&mut [f32]; 3], table: &[[f32; 3]], blend: Blend) {
    let mut colours = [(); 3].map(|()| vec![0.0_f32; red.len()]);
    let [places, second, third] = &mut colours;
    bands::vectorised(
        #[inline(always)]
        || {
            let rgb = red.iter().zip(&*green).zip(&*blue);
            for (place, ((&r, &g), &b)) in places.iter_mut().zip(rgb) {
                *place = encode(luminance([r, g, b])).clamp(0.0, 1.0) * PIECES as f32;
            }
        },
    );
    for ((place, second), third) in places.iter_mut().zip(second).zip(third) {
        let piece = (*place as usize).min(PIECES - 1);
        let share = *place - piece as f32;
        let (before, after) = (table[piece], table[piece + 1]);
        let at = |c: usize| before[c] + share * (after[c] - before[c]);
        (*place, *second, *third) = (at(0), at(1), at(2));
    }
    for (row, colours) in [red, green, blue].into_iter().zip(&colours) {
        // The mode is chosen once per row, so that none chooses per pixel. Closures, since a
        // function by its name is called and not inlined.
        match blend {
            Blend::Normal => lay(row, colours, |_, cs| cs),
            Blend::Multiply => lay(row, colours, |cb, cs| cb * cs),
            Blend::Screen => lay(row, colours, |cb, cs| screen(cb, cs)),
            Blend::Overlay => lay(row, colours, |cb, cs| hard_light(cs, cb)),
            Blend::SoftLight => lay(row, colours, |cb, cs| soft_light(cb, cs)),
        }
    }
}

/// Blends one channel of a row with encoded colours.
#[inline(always)]
fn lay(row: &mut [f32], colours: &[f32], blend: impl Fn(f32, f32) -> f32) {
    bands::vectorised(
        #[inline(always)]
        || {
            for (v, &cs) in row.iter_mut().zip(colours) {
                let inside = v.clamp(0.0, 1.0);
                *v = decode(blend(encode(inside), cs)) + (*v - inside);
            }
        },
    );
}

#[inline(always)]
fn screen(cb: f32, cs: f32) -> f32 {
    cb + cs - cb * cs
}

#[inline(always)]
fn hard_light(cb: f32, cs: f32) -> f32 {
    let screened = screen(cb, 2.0 * cs - 1.0);
    if cs <= 0.5 { 2.0 * cb * cs } else { screened }
}

#[inline(always)]
fn soft_light(cb: f32, cs: f32) -> f32 {
    let low = ((16.0 * cb - 12.0) * cb + 4.0) * cb;
    let d = if cb <= 0.25 { low } else { cb.sqrt() };
    let darker = cb - (1.0 - 2.0 * cs) * cb * (1.0 - cb);
    let lighter = cb + (2.0 * cs - 1.0) * (d - cb);
    if cs <= 0.5 { darker } else { lighter }
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
            (soft_light as fn(f32, f32) -> f32, 0.2, 0.25, 0.12),
            // D(1/5) = ((16/5 - 12)/5 + 4)/5 = 56/125, so 1/5 + (1/2)(56/125 - 1/5) = 81/250
            (soft_light, 0.2, 0.75, 0.324),
            // D(16/25) = 4/5: 16/25 + (1/2)(4/25) = 18/25
            (soft_light, 0.64, 0.75, 0.72),
            (soft_light, 0.37, 0.5, 0.37),
            (screen, 0.2, 0.75, 0.8),
            (hard_light, 0.75, 0.2, 0.3),
            (hard_light, 0.2, 0.75, 0.6),
        ] {
            let got = blend(cb, cs);
            assert!((got - wanted).abs() < 1e-6, "{cb} {cs}: {got} for {wanted}");
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
