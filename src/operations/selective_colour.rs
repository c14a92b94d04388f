//! Selective colour: shifts whole families of colours and leaves the others alone.
//!
//! The six coloured families are centred on the Oklch hues of the sRGB primaries and secondaries
//! (red 29.2, yellow 109.8, green 142.5, cyan 194.8, blue 264.1, magenta 328.4 degrees: CSS Color 4
//! conversion of #f00, #ff0 and so on). Between two neighbouring centres the weights are cosines
//! that sum to 1, so nothing tears. What has little saturation belongs to dark, middle and
//! light greys instead: colour counts from C / L = 0.025 and fully from 0.06, and the three split by
//! lightness. All
//! nine weights sum to 1 everywhere.
//!
//! A coloured family's shift: L' = L + w lightness L (1 - L), C' = C (1 + w chroma),
//! h' = h + w hue. A grey family's: the same lightness, and a cast of the stated strength (a tenth
//! of it as Oklab chroma) towards a hue. Red and yellow carry the richness of skin; a little
//! cyan cools light greys.
//! Source: weights by own derivation; polar Oklab by Ottosson 2020.
//!
//! Space: Oklab in polar form (lightness, chroma, hue), as eyes sort colours.

use serde::{Deserialize, Serialize};

use crate::operations::pixels::{each_pixel, smooth_step};
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::{Oklab, math};

/// How a coloured family changes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, try_from = "WrittenShift", into = "WrittenShift")]
pub struct Shift {
    lightness: f32,
    chroma: f32,
    hue: f32,
}

#[derive(Clone, Copy, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename = "Shift")]
struct WrittenShift {
    lightness: f32,
    chroma: f32,
    hue: f32,
}

impl Shift {
    /// Lightness and chroma as shares, -0.5 to 0.5; hue in degrees, -30 to 30, positive from red
    /// towards yellow. Further a family would overtake its neighbour.
    ///
    /// # Errors
    /// Says which value is out of its range.
    pub fn new(lightness: f32, chroma: f32, hue: f32) -> Result<Self, String> {
        within("lightness", lightness, -0.5, 0.5)?;
        within("chroma", chroma, -0.5, 0.5)?;
        within("hue", hue, -30.0, 30.0)?;
        Ok(Self {
            lightness,
            chroma,
            hue,
        })
    }
}

impl TryFrom<WrittenShift> for Shift {
    type Error = String;
    fn try_from(written: WrittenShift) -> Result<Self, String> {
        Self::new(written.lightness, written.chroma, written.hue)
    }
}

impl From<Shift> for WrittenShift {
    fn from(
        Shift {
            lightness,
            chroma,
            hue,
        }: Shift,
    ) -> Self {
        Self {
            lightness,
            chroma,
            hue,
        }
    }
}

impl SettingValue for Shift {
    const UNIT: &'static str =
        "(lightness: -0.5 to 0.5, chroma: -0.5 to 0.5, hue: -30 to 30 degrees)";
}

/// How a grey family changes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "WrittenCast", into = "WrittenCast")]
pub struct Cast {
    lightness: f32,
    strength: f32,
    towards: f32,
}

#[derive(Clone, Copy, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename = "Cast")]
struct WrittenCast {
    lightness: f32,
    strength: f32,
    towards: f32,
}

impl Cast {
    /// Lightness as a share, -0.5 to 0.5; strength of the cast 0 to 1; the Oklch hue it goes
    /// towards in degrees, 0 to 360.
    ///
    /// # Errors
    /// Says which value is out of its range.
    pub fn new(lightness: f32, strength: f32, towards: f32) -> Result<Self, String> {
        within("lightness", lightness, -0.5, 0.5)?;
        within("strength", strength, 0.0, 1.0)?;
        within("towards", towards, 0.0, 360.0)?;
        Ok(Self {
            lightness,
            strength,
            towards,
        })
    }

    /// Nothing changes, wherever a cast of no strength would have gone.
    fn is_none(self) -> bool {
        self.lightness == 0.0 && self.strength == 0.0
    }
}

impl TryFrom<WrittenCast> for Cast {
    type Error = String;
    fn try_from(written: WrittenCast) -> Result<Self, String> {
        Self::new(written.lightness, written.strength, written.towards)
    }
}

impl From<Cast> for WrittenCast {
    fn from(
        Cast {
            lightness,
            strength,
            towards,
        }: Cast,
    ) -> Self {
        Self {
            lightness,
            strength,
            towards,
        }
    }
}

impl SettingValue for Cast {
    const UNIT: &'static str =
        "(lightness: -0.5 to 0.5, strength: 0 to 1, towards: 0 to 360 degrees)";
}

fn within(name: &str, value: f32, low: f32, high: f32) -> Result<(), String> {
    // Written so that NaN is refused too.
    if (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(format!("{name} {value} is outside of {low} to {high}"))
    }
}

settings! {
    /// Shifts families of colours: lightness, chroma and hue of each.
    pub struct SelectiveColour {
        /// Reds, and most of skin and lips.
        red: Shift, default Shift::default(), neutral Shift::default();
        /// Yellows, and the warm part of skin and hair.
        yellow: Shift, default Shift::default(), neutral Shift::default();
        /// Greens.
        green: Shift, default Shift::default(), neutral Shift::default();
        /// Cyans.
        cyan: Shift, default Shift::default(), neutral Shift::default();
        /// Blues.
        blue: Shift, default Shift::default(), neutral Shift::default();
        /// Magentas.
        magenta: Shift, default Shift::default(), neutral Shift::default();
        /// Light greys, up to white.
        light_greys: Cast, default Cast::default(), neutral Cast::default();
        /// Greys between.
        mid_greys: Cast, default Cast::default(), neutral Cast::default();
        /// Dark greys, down to black.
        dark_greys: Cast, default Cast::default(), neutral Cast::default();
    } neutral when all
}

/// Hues of the families' centres, degrees, and the first once more.
const CENTRES: [f32; 7] = [29.2, 109.8, 142.5, 194.8, 264.1, 328.4, 389.2];
/// Saturation C / L at which colour begins to count, and counts fully. A share of lightness and not
/// chroma itself: the darkest skin of the rendered office has a chroma of 0.025 only, a third of
/// a medium one's, and must be as much a colour.
const COLOURED: [f32; 2] = [0.025, 0.06];
/// Lightness below which saturation loses its meaning.
const DARKEST: f32 = 0.05;
/// Lightness between dark and middle greys, and between middle and light ones: from L* 22 to 40, and
/// from 70 to 88. Common practice, no source.
const DARK: [f32; 2] = [0.34, 0.48];
const LIGHT: [f32; 2] = [0.74, 0.90];
/// Oklab chroma of a full cast: a tinted white, still called white.
const CAST: f32 = 0.1;

/// Weights of the six coloured families at an Oklch hue of -180 to 180 degrees.
#[inline(always)]
fn hue_weights(hue: f32) -> [f32; 6] {
    let hue = if hue < CENTRES[0] { hue + 360.0 } else { hue };
    let mut weights = [0.0; 6];
    for i in 0..6 {
        // 0 before this centre, 1 after the next: what the family has handed over.
        let t = ((hue - CENTRES[i]) / (CENTRES[i + 1] - CENTRES[i])).clamp(0.0, 1.0);
        let handed = 0.5 - 0.5 * math::cos(std::f32::consts::PI * t);
        weights[i] += if hue >= CENTRES[i] { 1.0 - handed } else { 0.0 };
        if hue < CENTRES[i + 1] {
            weights[(i + 1) % 6] += handed;
        }
    }
    weights
}

impl SelectiveColour {
    /// Shifts every pixel by its families' shares.
    pub fn apply(&self, picture: &mut Oklab, _scene: &Scene) -> Findings {
        let plan = Plan::new(self);
        if self.is_neutral() || plan.is_nothing() {
            return Findings::default();
        }
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |lab| plan.colour(lab),
        );
        Findings::default()
    }
}

/// The shifts as the pixel loop wants them.
#[derive(Clone, Copy)]
struct Plan {
    shifts: [Shift; 6],
    /// Lightness, a and b of dark, middle and light greys.
    casts: [[f32; 3]; 3],
}

impl Plan {
    fn new(s: &SelectiveColour) -> Self {
        let cast = |cast: Cast| {
            let angle = cast.towards.to_radians();
            let chroma = CAST * cast.strength;
            [
                cast.lightness,
                chroma * math::cos(angle),
                chroma * math::sin(angle),
            ]
        };
        Self {
            shifts: [s.red, s.yellow, s.green, s.cyan, s.blue, s.magenta],
            casts: [s.dark_greys, s.mid_greys, s.light_greys].map(|family| {
                if family.is_none() {
                    [0.0; 3]
                } else {
                    cast(family)
                }
            }),
        }
    }

    /// Only casts of no strength towards somewhere.
    fn is_nothing(&self) -> bool {
        self.shifts == [Shift::default(); 6] && self.casts == [[0.0; 3]; 3]
    }

    #[inline(always)]
    fn colour(&self, [l, a, b]: [f32; 3]) -> [f32; 3] {
        let chroma = (a * a + b * b).sqrt();
        let coloured = smooth_step(COLOURED[0], COLOURED[1], chroma / l.max(DARKEST));
        let hues = hue_weights(math::atan2(b, a).to_degrees());
        let (mut lightness, mut fuller, mut turn) = (0.0, 0.0, 0.0);
        for (weight, shift) in hues.into_iter().zip(&self.shifts) {
            lightness += weight * shift.lightness;
            fuller += weight * shift.chroma;
            turn += weight * shift.hue;
        }
        let above_dark = smooth_step(DARK[0], DARK[1], l);
        let light = smooth_step(LIGHT[0], LIGHT[1], l);
        let greys = [1.0 - above_dark, above_dark - light, light];
        let mut cast = [0.0; 3];
        for (weight, family) in greys.into_iter().zip(&self.casts) {
            for (sum, part) in cast.iter_mut().zip(family) {
                *sum += weight * part;
            }
        }
        let grey = 1.0 - coloured;
        // Black and white stay where they are.
        let inside = l.clamp(0.0, 1.0);
        let lift = (coloured * lightness + grey * cast[0]) * inside * (1.0 - inside);
        let angle = (coloured * turn).to_radians();
        let scaling = 1.0 + coloured * fuller;
        let (c, s) = (scaling * math::cos(angle), scaling * math::sin(angle));
        [
            l + lift,
            a * c - b * s + grey * cast[1],
            a * s + b * c + grey * cast[2],
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::colours::Colour;
    use crate::operations::test_scene;
    use crate::picture::oklab_from_linear;

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::lab();
        let nowhere = Cast::new(0.0, 0.0, 194.8).expect("inside of the ranges");
        for settings in [
            SelectiveColour::neutral(),
            SelectiveColour {
                light_greys: nowhere,
                ..SelectiveColour::default()
            },
        ] {
            let mut after = before.clone();
            test_scene::with(after.size(), |scene| settings.apply(&mut after, scene));
            assert_eq!(after, before);
        }
    }

    #[test]
    fn hue_weights_are_shares_of_one() {
        for tenth in -1800..=1800 {
            let weights = hue_weights(tenth as f32 / 10.0);
            let sum: f32 = weights.iter().sum();
            assert!((sum - 1.0).abs() < 1e-6, "{tenth}: {weights:?}");
            assert!(weights.iter().all(|w| (-1e-6..=1.0 + 1e-6).contains(w)));
        }
    }

    /// CSS Color 4: oklch of #f00 is (0.628, 0.2577, 29.23), of #ff0 (0.968, 0.211, 109.77), of
    /// #0f0 142.5, #0ff 194.77, #00f 264.05, #f0f 328.36.
    #[test]
    fn the_families_are_centred_on_the_primaries() {
        for (i, primary) in [
            [255, 0, 0],
            [255, 255, 0],
            [0, 255, 0],
            [0, 255, 255],
            [0, 0, 255],
            [255, 0, 255],
        ]
        .into_iter()
        .enumerate()
        {
            let [_, a, b] = oklab_from_linear(Colour(primary).light());
            let hue = math::atan2(b, a).to_degrees();
            assert!(
                (hue.rem_euclid(360.0) - CENTRES[i]).abs() < 0.3,
                "{primary:?}: {hue}"
            );
            assert!(hue_weights(hue)[i] > 0.999, "{primary:?}");
        }
    }

    #[test]
    fn a_family_moves_and_the_opposite_one_stays() {
        let plan = Plan::new(&SelectiveColour {
            red: Shift::new(0.0, 0.5, 0.0).expect("inside of the ranges"),
            ..SelectiveColour::default()
        });
        let red = oklab_from_linear(Colour([255, 0, 0]).light());
        let fuller = plan.colour(red);
        assert!(
            (fuller[1] / red[1] - 1.5).abs() < 0.002,
            "{}",
            fuller[1] / red[1]
        );
        let cyan = oklab_from_linear(Colour([0, 255, 255]).light());
        for (a, b) in plan.colour(cyan).into_iter().zip(cyan) {
            assert!((a - b).abs() < 1e-6);
        }
    }

    #[test]
    fn a_cast_cools_light_greys_and_spares_dark_ones() {
        let plan = Plan::new(&SelectiveColour {
            light_greys: Cast::new(0.0, 0.2, 194.8).expect("inside of the ranges"),
            ..SelectiveColour::default()
        });
        let [l, a, b] = plan.colour([0.95, 0.0, 0.0]);
        assert!((l - 0.95).abs() < 1e-6 && (a * a + b * b).sqrt() - 0.02 < 1e-6 && a < -0.019);
        assert_eq!(plan.colour([0.2, 0.0, 0.0]), [0.2, 0.0, 0.0]);
    }

    #[test]
    fn both_ends_stay_finite_and_hues_keep_their_order() {
        for sign in [-1.0, 1.0] {
            let shift = Shift::new(0.5 * sign, 0.5 * sign, 30.0 * sign).expect("the ends");
            let cast = Cast::new(0.5 * sign, 1.0, 180.0).expect("the ends");
            let plan = Plan::new(&SelectiveColour {
                red: shift,
                yellow: Shift::new(-0.5 * sign, 0.5, -30.0 * sign).expect("the ends"),
                light_greys: cast,
                dark_greys: cast,
                ..SelectiveColour::default()
            });
            for degree in 0..360 {
                let angle = (degree as f32).to_radians();
                for l in [-0.1, 0.0, 0.4, 0.8, 1.0, 1.5] {
                    let lab = plan.colour([l, 0.2 * angle.cos(), 0.2 * angle.sin()]);
                    assert!(lab.iter().all(|v| v.is_finite() && v.abs() < 2.0));
                }
            }
        }
    }

    #[test]
    fn recipes_may_leave_out_parts_and_not_leave_the_ranges() {
        let shift: Shift = ron::from_str("(chroma: 0.1)").expect("parts are optional");
        assert_eq!(shift, Shift::new(0.0, 0.1, 0.0).expect("inside"));
        for text in ["(chroma: 0.6)", "(hue: NaN)", "(saturation: 0.1)", "0.1"] {
            assert!(ron::from_str::<Shift>(text).is_err(), "{text} was taken");
        }
        assert!(ron::from_str::<Cast>("(strength: -0.1)").is_err());
        let text = crate::operations::declare::write(&shift);
        assert_eq!(
            ron::from_str::<Shift>(&text).expect("reads what it wrote"),
            shift
        );
    }
}
