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
//! no source). Where the frame's regions know eyes, teeth and lips, they are held further, whatever
//! is asked for, and beside the sitter's own other parts:
//! - **whites of the eyes** gain at most [`BRIGHTER`], less where they already stand out from the skin
//!   around ([`STANDS_OUT`]), keep [`WARMTH_KEPT`] of their yellow, [`RED_KEPT`] of their red and
//!   [`SHADING_KEPT`] of their fine shading (veins are softened, not erased);
//! - **teeth** keep as much of their yellow and never go past neutral, gain at most [`BRIGHTER`] and
//!   no more than would make them as light as the whites of the eyes; gums between them stay;
//! - **lips** keep their hue, and their chroma within [`LIP_CHROMA`] of itself; painted lips
//!   ([`PAINTED`]) get no richer;
//! - what glints in an eye (a catch-light, a wet rim) never gets darker;
//! - detail never takes more than half of what is left to white, so that no reflection is clipped that
//!   was not.

use crate::operations::contrast::spread;
use crate::operations::local_contrast::deepen;
use crate::operations::pixels::{relit, smooth_step};
use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::Blurred;
use crate::picture::{Degrees, EyeSpans, Oklab, Ratio, Stops, bands, math};
use crate::regions::{Matte, Region};

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
/// Share of its own red that the white of an eye keeps. Common practice, no source.
const RED_KEPT: f32 = 0.5;
/// Share of its fine shading that the white of an eye keeps. Common practice, no source.
const SHADING_KEPT: f32 = 0.4;
/// Oklab lightness that teeth and whites of the eyes gain at most: about 4 L*. Common practice.
const BRIGHTER: f32 = 0.035;
/// Lightness of the whites of the eyes above the skin around them from which they gain less, and from
/// which they gain nothing. Measured on the rendered office: 0.05 to 0.2 on light and medium skin, 0.25
/// to 0.35 on the darkest, where any more looks lit from within.
const STANDS_OUT: [f32; 2] = [0.15, 0.30];
/// Redness (a / L) from which what lies among teeth is gum, and is surely so. Rendered and real
/// teeth have 0.00 to 0.04, gums 0.10 and more.
const GUM: [f32; 2] = [0.055, 0.085];
/// Least and largest chroma of lips, over their own. Common practice, no source.
const LIP_CHROMA: [f32; 2] = [0.6, 1.35];
/// Chroma from which lips are rich already, and surely painted: bare lips of rendered and real sitters
/// have 0.04 to 0.12, bright lipsticks 0.12 to 0.17, which looked lit from within with any more of it.
const PAINTED: [f32; 2] = [0.11, 0.15];
/// Lightness from which something in an eye is a glint, and is surely so.
const GLINT: [f32; 2] = [0.86, 0.94];
/// How far the eyes are from the teeth, at most.
const EYES_TO_TEETH: EyeSpans = EyeSpans(1.7);
/// Regions without teeth or whites of the eyes.
const UNHELD: [Region; 10] = [
    Region::Backdrop,
    Region::Skin,
    Region::FaceSkin,
    Region::BodySkin,
    Region::Hair,
    Region::Brows,
    Region::Iris,
    Region::Lips,
    Region::Clothing,
    Region::Worn,
];
/// Matte above which a pixel is surely of its region.
const SURELY: f32 = 0.6;

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

/// The parts that are held further, in the order in which [`Held`] reads them.
const HELD: [Region; 4] = [Region::Teeth, Region::Sclera, Region::Iris, Region::Lips];

/// What the sitter's own parts allow.
#[derive(Clone, Copy)]
struct Held {
    /// Lightness that teeth may gain.
    teeth: f32,
    /// Lightness that whites of the eyes may gain.
    sclera: f32,
    /// Share of what detail took from fine shading that the whites of the eyes take.
    softening: f32,
}

impl Held {
    fn new(settings: &Adjust, picture: &Oklab, scene: &Scene) -> Self {
        let mean = |on| mean_lightness(picture, &scene.regions.matte(&[on], &[]), on);
        let mut held = Self {
            teeth: BRIGHTER,
            sclera: BRIGHTER,
            softening: ((1.0 - SHADING_KEPT) / -settings.detail.0.min(-1e-6)).min(1.0),
        };
        let Some(eyes) = mean(Region::Sclera) else {
            return held;
        };
        if let Some(teeth) = mean(Region::Teeth) {
            held.teeth = (eyes - teeth).clamp(0.0, BRIGHTER);
        }
        if let Some(skin) = mean(Region::FaceSkin) {
            held.sclera = BRIGHTER * (1.0 - smooth_step(STANDS_OUT[0], STANDS_OUT[1], eyes - skin));
        }
        held
    }

    /// What a tooth may become.
    #[inline(always)]
    fn tooth(&self, before: [f32; 3], after: [f32; 3]) -> [f32; 3] {
        let l = after[0].min(before[0] + self.teeth);
        let kept = [l, after[1], after[2].max(least(before[2], WARMTH_KEPT))];
        let gum = smooth_step(GUM[0], GUM[1], before[1] / before[0].max(0.05));
        mixed(kept, before, gum)
    }

    /// What the white of an eye may become; `shaded` is its lightness with all detail that was asked
    /// for, `before` without.
    #[inline(always)]
    fn sclera(&self, before: [f32; 3], after: [f32; 3]) -> [f32; 3] {
        [
            after[0].min(before[0] + self.sclera),
            after[1].max(least(before[1], RED_KEPT)),
            after[2].max(least(before[2], WARMTH_KEPT)),
        ]
    }
}

/// What of a red or a yellow must stay: a share of what there is; where there is none, all.
#[inline(always)]
fn least(own: f32, share: f32) -> f32 {
    if own > 0.0 { share * own } else { own }
}

/// What lips may become: lighter, darker, richer or paler, of the same hue.
#[inline(always)]
fn lip(before: [f32; 3], after: [f32; 3]) -> [f32; 3] {
    let chroma = |lab: [f32; 3]| (lab[1] * lab[1] + lab[2] * lab[2]).sqrt();
    let own = chroma(before);
    if own < 1e-4 {
        return after;
    }
    let [_, a, b] = relit(before, after[0]);
    let relit = chroma([0.0, a, b]).max(1e-6);
    let times = (chroma(after) / relit).clamp(LIP_CHROMA[0], LIP_CHROMA[1]);
    let times =
        times.min(1.0) + (times - 1.0).max(0.0) * (1.0 - smooth_step(PAINTED[0], PAINTED[1], own));
    [after[0], a * times, b * times]
}

#[inline(always)]
fn mixed(one: [f32; 3], other: [f32; 3], share: f32) -> [f32; 3] {
    let at = |c: usize| one[c] + share * (other[c] - one[c]);
    [at(0), at(1), at(2)]
}

/// Lightness with detail, short of white: half of what is left to it at most.
#[inline(always)]
fn short_of_white(before: f32, detailed: f32) -> f32 {
    detailed.min(before + 0.5 * (1.0 - before).max(0.0))
}

/// Mean Oklab L where the matte surely is, gums left out of teeth; `None` where it is nowhere.
fn mean_lightness(picture: &Oklab, matte: &Matte, of: Region) -> Option<f32> {
    let bounds = matte.bounds(SURELY)?;
    let (mut sum, mut count) = (0.0_f64, 0_u32);
    let mut rows = matte.rows();
    for y in bounds.top..bounds.top + bounds.height {
        let matte = rows.row(y);
        for x in bounds.left..bounds.left + bounds.width {
            let [l, a, _] = picture.at(y, x);
            let gum = of == Region::Teeth && a > GUM[0] * l;
            if matte[x] > SURELY && !gum {
                sum += f64::from(l);
                count += 1;
            }
        }
    }
    (count > 0).then(|| (sum / f64::from(count)) as f32)
}

impl Adjust {
    /// Adjusts every pixel; the engine keeps what lies on the region.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let held = Held::new(self, picture, scene);
        let mattes = HELD.map(|part| scene.regions.matte(&[part], &[]));
        // Rows in which one of the parts is.
        let (top, end) = mattes
            .iter()
            .filter_map(|matte| matte.bounds(0.0))
            .fold((usize::MAX, 0), |(top, end), b| {
                (top.min(b.top), end.max(b.top + b.height))
            });
        let around = (self.detail.0 != 0.0)
            .then(|| Blurred::new(picture.planes[0].view(), scene.scale.pixels(FINE)));
        let plan = Plan::new(self);
        let new = || (mattes.each_ref().map(Matte::rows), Vec::new());
        bands::each_row_with(
            &mut picture.planes,
            new,
            |(mattes, before), y, [light, red, yellow]| {
                before.clear();
                before.extend_from_slice(light);
                let before: &[f32] = before;
                if let Some(around) = &around {
                    let around = around.rows(y..y + 1);
                    deepen(light, around.as_slice().expect("just made"), self.detail.0);
                }
                if y < top || y >= end {
                    bands::vectorised(
                        #[inline(always)]
                        || {
                            #[allow(
                                clippy::redundant_locals,
                                reason = "a copy the rows can't alias"
                            )]
                            let plan = plan;
                            let pixels = light.iter_mut().zip(red).zip(yellow).zip(before);
                            for (((l, a), b), &before) in pixels {
                                [*l, *a, *b] = plan.colour([short_of_white(before, *l), *a, *b]);
                            }
                        },
                    );
                    return;
                }
                let [teeth, sclera, iris, lips] = mattes.each_mut().map(|matte| matte.row(y));
                let parts = teeth.iter().zip(sclera).zip(iris).zip(lips);
                bands::vectorised(
                    #[inline(always)]
                    || {
                        let pixels = light.iter_mut().zip(red).zip(yellow).zip(before).zip(parts);
                        for ((((l, a), b), &before), (((&tooth, &white), &iris), &lips)) in pixels {
                            let was = [before, *a, *b];
                            let detailed = short_of_white(before, *l);
                            let mut now = plan.colour([detailed, *a, *b]);
                            now = mixed(now, held.tooth(was, now), tooth);
                            if white > 0.0 {
                                let soft = before + held.softening * (detailed - before);
                                let soft = plan.colour([soft, *a, *b]);
                                now = mixed(now, held.sclera(was, soft), white);
                            }
                            now = mixed(now, lip(was, now), lips);
                            let glint = smooth_step(GLINT[0], GLINT[1], before);
                            let eye = (white + iris).min(1.0);
                            now[0] += eye * glint * (before - now[0]).max(0.0);
                            [*l, *a, *b] = now;
                        }
                    },
                );
            },
        );
        Findings::default()
    }

    /// How far around a pixel it looks when it acts on these regions: where it makes teeth or whites of
    /// the eyes lighter, from the ones to the others.
    pub fn reach(&self, on: &[Region]) -> EyeSpans {
        let fine = if self.detail.0 == 0.0 {
            0.0
        } else {
            3.5 * FINE.0
        };
        let lighter = self.exposure.0 > 0.0 || self.contrast.0 > 0.0;
        let held = on.iter().any(|region| !UNHELD.contains(region));
        EyeSpans(if lighter && held {
            EYES_TO_TEETH.0.max(fine)
        } else {
            fine
        })
    }
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
