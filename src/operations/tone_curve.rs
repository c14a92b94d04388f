//! Tone curve: from the scene's light to light that a screen or paper can show.
//!
//! What: an S about 18 % grey, which stays where it is. Contrast is highest at mid grey and fades
//! towards the shadows, so dark skin and dark cloth deepen by a bounded amount; highlights roll
//! off softly into white; a slight toe settles the blacks.
//!
//! Formula, with x the light, m = 0.18, e = log2(x / m):
//! - contrast: y = x * 2^(c w), w = e / sqrt(1 + (e / 2)^2). Slope 1 + c at mid grey in log-log
//!   axes; w never leaves -2 to 2, so no tone moves by more than 2 c stops.
//! - toe: z = y * y / (y + b) * (m + b) / m, b = 0.02 toe.
//! - shoulder: above the knee k the distance t = (z - k) / (1 - k) becomes
//!   h = t (1 + t / T^2) / (1 + t), which starts with slope 1 and reaches 1 at t = T, where the
//!   scene is `white` above diffuse white. Source: Reinhard, Stark, Shirley and Ferwerda,
//!   *Photographic Tone Reproduction for Digital Images*, SIGGRAPH 2002, equation 4.
//!
//! Colour: a curve on each channel alone turns skin yellow in the light and orange in the mid
//! tones, since the middle channel is bent on its own; scaling all channels alike (by that of
//! luminance) keeps bright colours harsh up to the clip. Here the largest and smallest channel
//! follow the curve and the middle one keeps its place between them: `k * rgb + grey`, which lies on
//! the line of constant dominant wavelength through white (CIE 015:2018, section 9) and fades into
//! white as the shoulder closes. As that adds saturation where the curve is steep and takes it
//! where it is flat, it is mixed with the scaled colour (on the same line) as long as that has room
//! below white.
//!
//! Space: scene-linear in (diffuse white 1, 18 % grey 0.18), display-linear 0 to 1 out. Light
//! outside the primaries (below 0) passes at the slope of the deepest black.

use crate::operations::pixels::{each_pixel, smooth_step};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{Linear, Ratio, Stops, luminance, math};

settings! {
    /// Brings the scene's light to what a screen or paper shows, with mid grey in its place.
    pub struct ToneCurve {
        /// Slope added at mid grey; 0.3 is a natural studio portrait.
        contrast: Ratio in 0.0..=1.0, default Ratio(0.3), neutral Ratio(0.0);
        /// How much of the highlights' soft roll-off is used.
        shoulder: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// How firmly the blacks are settled.
        toe: Ratio in 0.0..=1.0, default Ratio(0.1), neutral Ratio(0.0);
        /// How far above diffuse white the scene reaches the output's white.
        white: Stops in 0.0..=4.0, default Stops(0.5);
    } neutral when all
}

/// Reflectance of mid grey, which a correct exposure brings to 0.18 (ISO 12232, 18 % grey card).
const MID: f32 = 0.18;
/// Stops over which contrast fades: the darkest skin of the rendered office, 2.8 stops under mid
/// grey, falls by half a stop at the default. Common practice, no source.
const FADE: f32 = 2.0;
/// Light at a full toe that is halved: 2 % is the black of a matt print.
const TOE: f32 = 0.02;
/// Where the shoulder begins: above the mid tones of light skin, so their contrast stays.
/// Common practice, no source.
const KNEE: f32 = 0.4;
/// Share of the scaled colour, which has the scene's saturation. By eye on the rendered office: at
/// 0.6 the lit forehead of the lightest skin lost some of its pink, at 0.8 it keeps more.
const CALM: f32 = 0.8;
/// Where the largest channel of a scaled colour is so near white that it gives way, to be gone
/// before it would clip.
const CLOSING: f32 = 0.75;
/// Light below which the curve is a straight line, so that logarithms stay finite.
const FLOOR: f32 = 1e-6;

/// The curve with its constants worked out.
#[derive(Debug, Clone, Copy)]
struct Curve {
    contrast: f32,
    shoulder: f32,
    toe: f32,
    /// T squared, at least 1.
    reach_squared: f32,
}

impl Curve {
    fn new(settings: &ToneCurve) -> Self {
        let mut curve = Self {
            contrast: settings.contrast.0,
            shoulder: settings.shoulder.0,
            toe: TOE * settings.toe.0,
            reach_squared: 1.0,
        };
        let white = curve.before_shoulder(math::exp2(settings.white.0));
        let reach = ((white - KNEE) / (1.0 - KNEE)).max(1.0);
        curve.reach_squared = reach * reach;
        curve
    }

    #[inline(always)]
    fn before_shoulder(&self, x: f32) -> f32 {
        let e = math::log2(x.max(FLOOR) * (1.0 / MID));
        let w = e / (1.0 + e * e * (1.0 / (FADE * FADE))).sqrt();
        let y = x * math::exp2(self.contrast * w);
        let settled = y.max(0.0) + FLOOR;
        y * (settled / (settled + self.toe)) * ((MID + FLOOR + self.toe) / (MID + FLOOR))
    }

    #[inline(always)]
    fn at(&self, x: f32) -> f32 {
        let y = self.before_shoulder(x);
        let t = ((y - KNEE) / (1.0 - KNEE)).max(0.0);
        let h = (t * (1.0 + t / self.reach_squared) / (1.0 + t)).min(1.0);
        let rolled = KNEE + (1.0 - KNEE) * h;
        if y > KNEE {
            y + self.shoulder * (rolled - y)
        } else {
            y
        }
    }

    #[inline(always)]
    fn colour(&self, rgb: [f32; 3]) -> [f32; 3] {
        let [r, g, b] = rgb;
        let (low, high) = (r.min(g).min(b), r.max(g).max(b));
        let (low_out, high_out) = (self.at(low), self.at(high));
        let light = luminance(rgb).max(FLOOR);
        let scaling = self.at(light) / light;
        let spread = high - low;
        // Greys have no spread: then both ways agree and the quotient does not matter.
        let slope = if spread > FLOOR {
            (high_out - low_out) / spread
        } else {
            scaling
        };
        let calm = CALM * (1.0 - smooth_step(CLOSING, 1.0, high * scaling));
        let one = |v: f32| {
            let kept_hue = low_out + slope * (v - low);
            kept_hue + calm * (v * scaling - kept_hue)
        };
        [one(r), one(g), one(b)]
    }
}

impl ToneCurve {
    /// Bends the light of every pixel.
    pub fn apply(&self, picture: &mut Linear, _scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let curve = Curve::new(self);
        each_pixel(
            &mut picture.planes,
            #[inline(always)]
            move |rgb| curve.colour(rgb),
        );
        Findings::default()
    }

    /// Display light of a grey of scene light `y` (both 1 at white).
    pub fn of_grey(&self, y: f32) -> f32 {
        if self.is_neutral() {
            y
        } else {
            Curve::new(self).at(y)
        }
    }

    /// Scene light of a grey that comes out as display light `y`, 0 to 1: what a step before the
    /// curve must aim at for a tone after it.
    pub fn scene_grey(&self, y: f32) -> f32 {
        // The curve rises everywhere up to its white: halving the interval finds the one answer.
        let (mut low, mut high) = (0.0_f32, math::exp2(self.white.0));
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.of_grey(middle) < y {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::test_scene;
    use crate::picture::{Size, oklab_from_linear};

    fn extremes() -> impl Iterator<Item = ToneCurve> {
        (0..16).map(|bits| {
            let end = |bit: u32, low, high| if bits & (1 << bit) == 0 { low } else { high };
            ToneCurve {
                contrast: Ratio(end(0, 0.0, 1.0)),
                shoulder: Ratio(end(1, 0.0, 1.0)),
                toe: Ratio(end(2, 0.0, 1.0)),
                white: Stops(end(3, 0.0, 4.0)),
            }
        })
    }

    #[test]
    fn neutral_settings_change_nothing() {
        let before = test_scene::light();
        let mut after = before.clone();
        test_scene::with(after.size(), |scene| {
            ToneCurve::neutral().apply(&mut after, scene)
        });
        assert_eq!(after, before);
        // Nor is there a cliff beside the neutral.
        let nearly = Curve::new(&ToneCurve {
            white: Stops(0.0),
            ..ToneCurve::neutral()
        });
        for rgb in [
            [0.02, 0.01, 0.005],
            [0.6, 0.4, 0.3],
            [1.8, 1.2, 0.9],
            [-0.01, 0.2, 0.1],
        ] {
            for (a, b) in nearly.colour(rgb).into_iter().zip(rgb) {
                assert!((a - b).abs() < 1e-5, "{rgb:?}: {a}");
            }
        }
    }

    #[test]
    fn every_curve_rises_stays_finite_and_pins_mid_grey() {
        for settings in extremes().chain([ToneCurve::default()]) {
            let curve = Curve::new(&settings);
            assert!(
                (curve.at(MID) - MID).abs() < 1e-6,
                "{settings:?}: {}",
                curve.at(MID)
            );
            let mut last = curve.at(-0.1);
            for step in 0..4000 {
                let y = curve.at(step as f32 * 0.005);
                assert!(y.is_finite() && y >= last - 1e-6, "{settings:?} at {step}");
                last = y;
            }
            if settings.shoulder.0 == 1.0 {
                assert!(last <= 1.0 + 1e-6, "{settings:?}: {last}");
                let white = curve.at(math::exp2(settings.white.0));
                assert!(
                    settings.white.0 == 0.0 || (white - 1.0).abs() < 1e-5,
                    "{white}"
                );
            }
        }
    }

    /// Reinhard et al. 2002, equation 4 with L_white = 2: L = 1 gives 1 (1 + 1/4) / 2 = 0.625.
    #[test]
    fn the_shoulder_is_the_published_one() {
        let curve = Curve {
            contrast: 0.0,
            shoulder: 1.0,
            toe: 0.0,
            reach_squared: 4.0,
        };
        let got = (curve.at(KNEE + (1.0 - KNEE)) - KNEE) / (1.0 - KNEE);
        assert!((got - 0.625).abs() < 1e-6, "{got}");
    }

    #[test]
    fn contrast_is_the_slope_at_mid_grey_and_bounded_in_the_dark() {
        let curve = Curve::new(&ToneCurve {
            toe: Ratio(0.0),
            ..ToneCurve::default()
        });
        let slope = (math::log2(curve.at(MID * 1.01)) - math::log2(curve.at(MID / 1.01)))
            / (2.0 * math::log2(1.01));
        assert!((slope - 1.3).abs() < 0.005, "{slope}");
        // Six stops under mid grey: less than 2 c = 0.6 stops darker.
        let deep = MID / 64.0;
        assert!(math::log2(deep / curve.at(deep)) < 0.6);
    }

    /// Skins of the rendered office have Oklab hues of 35 to 61 degrees (5th to 95th percentiles,
    /// all sitters); these are of
    /// that kind. Hue is kept along the line through white, which bends a little in Oklab.
    #[test]
    fn skin_keeps_its_hue_and_is_not_inflamed() {
        let hue = |lab: [f32; 3]| lab[2].atan2(lab[1]).to_degrees();
        let saturation = |lab: [f32; 3]| (lab[1] * lab[1] + lab[2] * lab[2]).sqrt() / lab[0];
        let curve = Curve::new(&ToneCurve::default());
        for skin in [
            [0.75, 0.6, 0.5],
            [0.42, 0.3, 0.22],
            [0.16, 0.1, 0.065],
            [0.035, 0.022, 0.015],
        ] {
            let (before, after) = (
                oklab_from_linear(skin),
                oklab_from_linear(curve.colour(skin)),
            );
            assert!((hue(before) - hue(after)).abs() < 2.0, "{skin:?}");
            let change = saturation(after) / saturation(before);
            assert!(
                (0.75..1.2).contains(&change),
                "{skin:?}: saturation x {change}"
            );
        }
    }

    #[test]
    fn bright_colours_fade_into_white_inside_the_range() {
        let curve = Curve::new(&ToneCurve::default());
        for rgb in [
            [4.0, 0.2, 0.1],
            [2.0, 2.0, 0.1],
            [0.1, 0.3, 3.0],
            [1.4, 1.0, 0.8],
        ] {
            for v in curve.colour(rgb) {
                assert!((-1e-6..=1.0 + 1e-6).contains(&v), "{rgb:?}: {v}");
            }
        }
        for v in curve.colour([9.0, 7.0, 5.0]) {
            assert!((v - 1.0).abs() < 1e-6, "{v}");
        }
    }

    #[test]
    fn a_tone_after_the_curve_leads_back_to_the_scene() {
        let curve = ToneCurve::default();
        for y in [0.02, 0.18, 0.3, 0.7, 0.95] {
            assert!((curve.of_grey(curve.scene_grey(y)) - y).abs() < 1e-5);
        }
    }

    #[test]
    fn a_strip_gives_the_bits_of_the_whole() {
        let whole = test_scene::light();
        let size = whole.size();
        let mut curved = whole.clone();
        test_scene::with(size, |scene| ToneCurve::default().apply(&mut curved, scene));
        let curve = Curve::new(&ToneCurve::default());
        for y in [0, size.height - 1] {
            assert_eq!(curved.at(y, 3), curve.colour(whole.at(y, 3)));
        }
        assert_eq!(
            Size {
                width: 40,
                height: 33
            },
            size
        );
    }
}
