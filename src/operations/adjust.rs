//! Adjust: light and colour of one region, each bounded so that a person stays a person.
//!
//! In this order, on Oklab L, a, b (since eyes judge how a part looks beside its neighbours):
//! - detail: L drawn away from its surroundings as in [`super::local_contrast`], with a fine blur
//!   of 0.03 eye spans (iris structure, strands; negative softens);
//! - exposure: g = 2^(stops / 3) (Oklab is a cube root of light), L' = g L / (1 + (g - 1) L^3) for
//!   g > 1: dark tones gain the full g, white stays white, so a catch-light is never clipped
//!   further; plain g L below. a and b go with L;
//! - contrast: the cubic of [`super::contrast`] about mid grey;
//! - warmth: a and b move by warmth x L along the step from D65 to D50 in Oklab
//!   (0.0103, 0.0457: CIE 015:2018 table 11.1 chromaticities through Ottosson's matrices);
//! - hue and chroma: (a, b) turned by `hue` and scaled by 1 + chroma.
//!
//! Bounds: the ranges end where skin, eyes or teeth stop looking like somebody's (common practice,
//! no source). Teeth and whites of the eyes, where the frame's regions know them, are held
//! further: their yellow is taken down to [`WARMTH_KEPT`] of its own at most and never past
//! neutral, and they gain no more than [`BRIGHTER`] of lightness.

use crate::operations::contrast::spread;
use crate::operations::local_contrast::deepen;
use crate::operations::pixels::{each_pixel, relit};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Degrees, EyeSpans, Oklab, Ratio, Stops, bands, math};
use crate::regions::Region;

settings! {
    /// Adjusts light and colour, most often of one region.
    pub struct Adjust {
        /// More or less light.
        exposure: Stops in -1.5..=1.5, default Stops(0.0), neutral Stops(0.0);
        /// Slope added at mid grey.
        contrast: Ratio in -0.4..=0.4, default Ratio(0.0), neutral Ratio(0.0);
        /// Share of chroma that is added.
        chroma: Ratio in -0.8..=0.8, default Ratio(0.0), neutral Ratio(0.0);
        /// Turn of the hue; positive takes red towards yellow.
        hue: Degrees in -30.0..=30.0, default Degrees(0.0), neutral Degrees(0.0);
        /// Warmer above 0, cooler below; 1 is the step from daylight D65 to D50.
        warmth: Ratio in -1.0..=1.0, default Ratio(0.0), neutral Ratio(0.0);
        /// Share of fine local difference that is added.
        detail: Ratio in -1.0..=1.0, default Ratio(0.0), neutral Ratio(0.0);
    } neutral when all
}

/// Standard deviation of the blur that separates detail: finer than an iris, whose radius is
/// about 0.09 eye spans (an iris of 11.7 mm at an eye span of 63 mm).
const FINE: EyeSpans = EyeSpans(0.03);
/// Oklab a and b of white D50 against D65, as derived above.
const WARMER: [f32; 2] = [0.010_3, 0.045_7];
/// Share of their own yellow that teeth and whites of the eyes keep. Common practice, no source.
const WARMTH_KEPT: f32 = 0.35;
/// Oklab lightness that teeth and whites of the eyes gain at most: about 4 L*. Common practice.
const BRIGHTER: f32 = 0.035;

/// The settings as the pixel loop wants them.
#[derive(Clone, Copy)]
struct Plan {
    gain: f32,
    contrast: f32,
    warm: [f32; 2],
    /// Chroma times cosine and sine of the hue's turn.
    turn: [f32; 2],
}

impl Plan {
    fn new(settings: &Adjust) -> Self {
        let angle = settings.hue.0.to_radians();
        let scaling = 1.0 + settings.chroma.0;
        Self {
            gain: math::exp2(settings.exposure.0 / 3.0),
            contrast: settings.contrast.0,
            warm: WARMER.map(|v| v * settings.warmth.0),
            turn: [scaling * math::cos(angle), scaling * math::sin(angle)],
        }
    }

    #[inline(always)]
    fn colour(&self, lab: [f32; 3]) -> [f32; 3] {
        let inside = lab[0].clamp(0.0, 1.0);
        let held = 1.0 + (self.gain - 1.0).max(0.0) * inside * inside * inside;
        let exposed = lab[0] * self.gain / held;
        let [l, a, b] = relit(lab, exposed + self.contrast * spread(exposed));
        let (a, b) = (a + self.warm[0] * l, b + self.warm[1] * l);
        let [c, s] = self.turn;
        [l, a * c - b * s, a * s + b * c]
    }
}

impl Adjust {
    /// Adjusts every pixel; the engine keeps what lies on the region.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        if self.detail.0 != 0.0 {
            let sigma = scene.scale.pixels(FINE);
            deepen(&mut picture.planes[0], sigma, self.detail.0);
        }
        let plan = Plan::new(self);
        if !self.whitens() {
            each_pixel(
                &mut picture.planes,
                #[inline(always)]
                move |lab| plan.colour(lab),
            );
            return Findings::default();
        }
        let whites = scene.regions.matte(&[Region::Teeth, Region::Sclera], &[]);
        let new = || whites.rows();
        bands::each_row_with(
            &mut picture.planes,
            new,
            |whites, y, [light, red, yellow]| {
                let white = whites.row(y);
                bands::vectorised(
                    #[inline(always)]
                    || {
                        for (((l, a), b), &white) in
                            light.iter_mut().zip(red).zip(yellow).zip(white)
                        {
                            let before = [*l, *a, *b];
                            let after = plan.colour(before);
                            let held = kept_natural(before, after);
                            *l = after[0] + white * (held[0] - after[0]);
                            *a = after[1] + white * (held[1] - after[1]);
                            *b = after[2] + white * (held[2] - after[2]);
                        }
                    },
                );
            },
        );
        Findings::default()
    }

    /// Whether teeth or eyes could come out whiter than they may.
    fn whitens(&self) -> bool {
        self.exposure.0 > 0.0 || self.chroma.0 < 0.0 || self.warmth.0 < 0.0
    }

    /// How far around a pixel it looks.
    pub fn reach(&self) -> EyeSpans {
        EyeSpans(if self.detail.0 == 0.0 {
            0.0
        } else {
            3.5 * FINE.0
        })
    }
}

/// What a tooth or the white of an eye may become, when `after` is asked for.
#[inline(always)]
fn kept_natural(before: [f32; 3], after: [f32; 3]) -> [f32; 3] {
    let l = after[0].min(before[0] + BRIGHTER);
    // Yellow that is there stays in part; where there is none, none is taken away.
    let least = if before[2] > 0.0 {
        WARMTH_KEPT * before[2]
    } else {
        before[2]
    };
    [l, after[1], after[2].max(least)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::{Scale, Size};
    use ndarray::Array2;

    const ONE: Size = Size {
        width: 1,
        height: 1,
    };

    fn of(adjust: &Adjust, lab: [f32; 3]) -> [f32; 3] {
        test_scene::one(lab, |picture, scene| adjust.apply(picture, scene))
    }

    #[test]
    fn neutral_settings_change_nothing() {
        assert!(Adjust::default().is_neutral());
        assert!(
            !Adjust {
                hue: Degrees(1.0),
                ..Adjust::default()
            }
            .is_neutral()
        );
        let before = test_scene::lab();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            Adjust::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
        // The formula agrees: its only trace is rounding.
        let plan = Plan::new(&Adjust::neutral());
        for lab in [[0.5, 0.1, -0.1], [1.2, 0.0, 0.02], [-0.01, 0.0, 0.0]] {
            assert_eq!(plan.colour(lab), lab);
        }
    }

    #[test]
    fn both_ends_of_every_range_are_finite_and_keep_order() {
        for bits in 0..32 {
            let sign = |bit: u32| if bits & (1 << bit) == 0 { -1.0 } else { 1.0 };
            let plan = Plan::new(&Adjust {
                exposure: Stops(1.5 * sign(0)),
                contrast: Ratio(0.4 * sign(1)),
                chroma: Ratio(0.8 * sign(2)),
                hue: Degrees(30.0 * sign(3)),
                warmth: Ratio(sign(4)),
                detail: Ratio(0.0),
            });
            let mut last = f32::MIN;
            for step in -20..=150 {
                let lab = plan.colour([step as f32 / 100.0, 0.05, 0.1]);
                assert!(lab.iter().all(|v| v.is_finite() && v.abs() < 3.0));
                assert!(lab[0] >= last - 1e-6, "{bits} at {step}");
                last = lab[0];
            }
        }
    }

    /// A stop more is twice the light, whose cube root is 1.259921 (dark tones get nearly all of
    /// it: held back by 1 + 0.26 x 0.001 at L = 0.1); white stays.
    #[test]
    fn a_stop_doubles_the_shadows_and_spares_the_catch_light() {
        let stop = Adjust {
            exposure: Stops(1.0),
            ..Adjust::default()
        };
        let dark = of(&stop, [0.1, 0.01, 0.02]);
        assert!((dark[0] - 0.125_959).abs() < 1e-6, "{}", dark[0]);
        assert!((dark[1] / dark[0] - 0.1).abs() < 1e-6);
        assert!((of(&stop, [1.0, 0.0, 0.0])[0] - 1.0).abs() < 1e-6);
        let less = of(
            &Adjust {
                exposure: Stops(-1.0),
                ..Adjust::default()
            },
            [0.8, 0.0, 0.0],
        );
        assert!((less[0] - 0.8 / 1.259_921).abs() < 1e-6);
    }

    #[test]
    fn hue_turns_by_the_stated_angle() {
        let turned = of(
            &Adjust {
                hue: Degrees(30.0),
                ..Adjust::default()
            },
            [0.6, 0.1, 0.0],
        );
        assert!((turned[1] - 0.086_602_54).abs() < 1e-6 && (turned[2] - 0.05).abs() < 1e-6);
    }

    #[test]
    fn teeth_and_eyes_stay_natural() {
        let whiten = Adjust {
            exposure: Stops(1.5),
            chroma: Ratio(-0.8),
            warmth: Ratio(-1.0),
            ..Adjust::default()
        };
        let mut regions = test_scene::nothing_found(ONE);
        regions
            .mattes
            .push((Region::Teeth, test_scene::matte(Array2::ones((1, 1)))));
        let scene = Scene {
            scale: Scale(20.0),
            regions: &regions,
        };
        let tooth = [0.8, 0.005, 0.04];
        let mut picture = Oklab::filled(ONE, tooth);
        whiten.apply(&mut picture, &scene);
        let [l, _, b] = picture.at(0, 0);
        assert!(l <= tooth[0] + BRIGHTER + 1e-6, "{l}");
        assert!(b >= WARMTH_KEPT * tooth[2] - 1e-6, "{b}");
        // Elsewhere the same settings act in full.
        assert!(of(&whiten, tooth)[0] > 0.85);
    }

    #[test]
    fn detail_acts_on_fine_structure_only() {
        let mut picture = Oklab::filled(
            Size {
                width: 64,
                height: 32,
            },
            [0.5, 0.0, 0.0],
        );
        picture.planes[0].column_mut(32).fill(0.55);
        let mut more = picture.clone();
        let adjust = Adjust {
            detail: Ratio(0.5),
            ..Adjust::default()
        };
        test_scene::with(picture.size(), |scene| adjust.apply(&mut more, scene));
        assert!(more.at(16, 32)[0] > 0.555 && more.at(16, 32)[0] < 0.575);
        assert!((more.at(16, 4)[0] - 0.5).abs() < 1e-6);
    }
}
