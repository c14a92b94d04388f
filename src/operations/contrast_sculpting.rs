//! Contrast sculpting: paints light and shade along the face's own form.
//!
//! With N and F the skin's lightness blurred by 0.14 and by 1.0 eye spans (normalised by the
//! matte), the form is f = (N - F) / F and every pixel of skin is painted by one factor:
//!
//! (L, a, b)' = (L, a, b) (1 + depth * P (t - G * t - mean)),   t = tanh(f / w)
//!
//! so that what already catches light gets more of it and what turns away gets less: dodging and
//! burning, which changes how much light falls on skin and not its colour. In Oklab one factor on
//! all three is more or less light of the same colour (L, a, b are of degree one in the cube root
//! of light; Ottosson 2020): hue and saturation stay. The band keeps pores and blotches out (no
//! dirty patches) and the whole of the lighting pattern too; tanh keeps the deepest fold from
//! turning black; the paint's own mean, in reach of the wider blur G and over all skin, is taken
//! away, so that nobody's face gets lighter or darker (halfway between the mean lightness and the mean
//! light, which contrast drives apart; the paint is thinned where it would drive them far).
//! A band-passed light painted back is detail manipulation on a base layer (Durand and Dorsey,
//! SIGGRAPH 2002) turned to form. Meant to be shown at an opacity of 0.10 to 0.15: common
//! practice, no source.

use ndarray::{Array2, Zip};

use crate::operations::skin_bands::{NOT_SKIN, Skin, SkinGrid};
use crate::operations::{Findings, Scene, settings};
use crate::picture::math::exp;
use crate::picture::{EyeSpans, Oklab, Ratio};
use crate::regions::Region;

/// Blur that keeps pores, blotches and lines out of the form.
const NEAR: EyeSpans = EyeSpans(0.14);
/// Blur that holds the lighting pattern as a whole.
const FAR: EyeSpans = EyeSpans(1.0);
/// Paint at full depth, as a share of the lightness. By eye: at an opacity of 0.12 the strongest
/// paint is then 5 % of the lightness, about 4 L* on light skin.
const PAINT: f32 = 0.40;
/// Form at which three quarters of the paint is on. Measured on nine rendered sitters: the
/// standard deviation of f on faces is 0.05 to 0.12.
const KNEE: f32 = 0.08;

/// How far the mean lightness and the mean light may move, each its way, in Oklab L at full paint: at an
/// opacity of 0.12 this is 0.45 L*, less than is seen side by side. One of the real portraits (deep
/// shade beside reflections) had 0.044, the others up to 0.035.
const APART: f32 = 0.032;

settings! {
    /// Paints light and shade along the face's own form; the mean skin tone stays.
    pub struct ContrastSculpting {
        /// How much paint; to be shown at an opacity of 0.10 to 0.15.
        depth: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0), sane Ratio(0.2);
    }
}

impl ContrastSculpting {
    /// Paints; reports `strongest paint`, the largest share of the lightness added or taken.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let Some(Skin { grid, sigma, .. }) = Skin::of(picture, scene, NEAR) else {
            return Findings::default();
        };
        let wide = grid.cells(scene.scale.pixels(FAR));
        let [near, far] =
            [sigma, wide].map(|sigma| grid.blurred(&grid.planes[0], sigma, &grid.reach(sigma)));
        let paint = Zip::from(&near).and(&far).map_collect(|&near, &far| {
            if far > 0.01 {
                PAINT * tanh((near - far) / (far * KNEE))
            } else {
                0.0
            }
        });
        // Face and neck each keep their own mean: a lit face beside a shaded neck would else get
        // all of the light. Then the mean over all skin goes, weighted by lightness, so that the
        // mean L stays and not the mean factor.
        let paint = &paint - &grid.blurred(&paint, wide, &grid.reach(wide));
        // A deeper face has more light at the same mean lightness, so not both means can stay: the
        // one halfway does, and where they lie far apart there is less paint.
        let [as_lightness, as_light] = [1, 3].map(|power| weighted(&grid, &paint, power));
        let (mean, apart) = (
            0.5 * (as_lightness + as_light),
            0.5 * (as_light - as_lightness).abs(),
        );
        // As lightness, not as a share of it: dark skin would get less form for no visible gain.
        let seen = apart * grid.average(&grid.planes[0]);
        let depth = self.depth.0 * (APART / seen.max(f32::MIN_POSITIVE)).min(1.0);
        let paint = paint.mapv(|p| depth * (p - mean));
        // Lips and brows lie on the same form: leaving them out would cut them from the face.
        let on = scene.regions.matte(
            &[Region::Skin, Region::Lips, Region::Brows],
            &NOT_SKIN
                .into_iter()
                .filter(|r| !matches!(r, Region::Lips | Region::Brows))
                .collect::<Vec<_>>(),
        );
        grid.change(
            picture,
            &on,
            [&paint, &paint, &paint],
            |old, [factor, ..]| old.map(|v| v + v * factor),
        );
        let strongest = paint
            .iter()
            .zip(&grid.weight)
            .filter(|&(_, &weight)| weight > 0.5)
            .fold(0.0_f32, |most, (p, _)| most.max(p.abs()));
        Findings {
            figures: vec![("strongest paint".to_owned(), strongest)],
            ..Findings::default()
        }
    }
}

/// Mean of `plane` over the skin, weighted by a power of its lightness.
fn weighted(grid: &SkinGrid, plane: &Array2<f32>, power: i32) -> f32 {
    let weight = grid.planes[0].mapv(|l| (1..power).fold(l.max(0.0), |product, _| product * l));
    grid.average(&(plane * &weight)) / grid.average(&weight).max(1e-6)
}

/// Hyperbolic tangent by the project's own exponential.
fn tanh(x: f32) -> f32 {
    let e = exp(-2.0 * x.abs().min(20.0));
    let t = (1.0 - e) / (1.0 + e);
    if x < 0.0 { -t } else { t }
}
