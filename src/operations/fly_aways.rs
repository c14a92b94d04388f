//! Fly-aways: single hairs that cross the wall outside of the hair's outline, thinned or taken away.
//!
//! The outline is where the sitter's matte, blurred by [`DENSE`], is more than a little: many hairs
//! together (curls, a loose edge) fill the blur and belong to the outline, one hair does not. Outside
//! of it what is narrower than [`WIDEST`] and stands above the wall's noise by [`ABOVE`] (see
//! [`super::small_marks`]) is a hair, if it is long enough. Its light F + (1 - a) B becomes
//!
//! I' = I + s (B - I)
//!
//! with the wall B as it is right beside the hair, grain included: alpha and colour of the hair scaled
//! by 1 - s, which is what a thinner hair would have given (Porter and Duff, *Compositing digital
//! images*, SIGGRAPH 1984). Nearing the outline s fades, so that no hair is cut off.
//!
//! It reads the wall from the picture and no model, so it does as well behind `BackgroundLift` or
//! `BackgroundReplace`, and should stand there: those still see the hair in the matte.
//!
//! Space: linear light, where a hair's cover of the wall is a share.

use ndarray::{Array2, Zip};

use crate::operations::pixels::smooth_step;
use crate::operations::small_marks::{
    cover, darker, length, lighter, local_mean, marks, take_away,
};
use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::gaussian;
use crate::picture::{EyeSpans, Linear, Ratio, Rect, luminance};
use crate::regions::{Matte, Region};

settings! {
    /// Thins or takes away single hairs that cross the wall outside of the hair's outline. Put it
    /// behind the step that makes the wall.
    pub struct FlyAways {
        /// How far a hair is taken back: at 0.3 it is thinner, at 1 it is gone.
        strength: Ratio in 0.0..=1.0, default Ratio(0.3), neutral Ratio(0.0), sane Ratio(0.6);
    }
}

/// Blur of the matte that tells one hair from many: two hairs and their gap, about 3 mm.
const DENSE: EyeSpans = EyeSpans(0.05);
/// Blurred matte up to which a place is outside, and from which it belongs to the outline. One hair
/// of 0.013 eye spans has 0.10 in the middle; the straight edge of a solid head has these at 0.064
/// and 0.047 eye spans from it.
const OUTSIDE: [f32; 2] = [0.10, 0.17];
/// Farther from the sitter than this nothing is looked for: no hair reaches there.
const NEAR: EyeSpans = EyeSpans(0.45);
/// Share of the sitter within that blur that still is near.
const NEAR_SHARE: f32 = 0.004;
/// Half the width of the widest hair with its blur (about 3 mm in all).
const WIDEST: EyeSpans = EyeSpans(0.022);
/// Blur before looking, against noise.
const FINE: EyeSpans = EyeSpans(0.004);
/// How far above the noise a hair stands somewhere, and all along. The hat of noise alone has a
/// mean of about 1.5 standard deviations and 3.5 now and then.
const ABOVE: [f32; 2] = [7.0, 3.6];
/// Least height as a share of the wall's light: less is not seen.
const LEAST: f32 = 0.02;
/// A hair is at least this long.
const LONG: EyeSpans = EyeSpans(0.07);
/// Blur of the wall beside a hair.
const BESIDE: EyeSpans = EyeSpans(0.06);

impl FlyAways {
    /// Thins hairs; reports how many pieces of hair and the share of the picture they covered.
    pub fn apply(&self, picture: &mut Linear, scene: &Scene) -> Findings {
        let span = scene.scale.0;
        if self.is_neutral() || span.is_nan() || span <= 0.0 {
            return Findings::default();
        }
        let person = scene.regions.matte(&[Region::Person], &[]);
        let Some((outside, rect)) = outside(&person, scene) else {
            return Findings::default();
        };
        let pixels = |length: EyeSpans| scene.scale.pixels(length);
        let radius = pixels(WIDEST).round().max(1.0) as usize;

        // Light of the wall as a share of itself, so that noise and hairs count alike everywhere.
        let mut light = Array2::zeros(outside.dim());
        Zip::indexed(&mut light).for_each(|(y, x), v| {
            *v = luminance(picture.at(rect.top + y, rect.left + x));
        });
        let light = gaussian(light.view(), pixels(FINE).max(0.7));
        let bare = outside.mapv(|v| if v > 0.5 { 1.0 } else { 0.0 });
        let wall = local_mean(&light, &bare, pixels(BESIDE));
        let hat = {
            let mut hat = darker(&light, radius);
            Zip::from(&mut hat)
                .and(&lighter(&light, radius))
                .for_each(|d, &l| *d = d.max(l));
            hat
        };
        // Noise from the small differences alone: twice over, without what stands out.
        let rest = Zip::from(&light)
            .and(&wall)
            .map_collect(|l, w| (l - w).abs());
        let mut calm = bare.clone();
        let mut noise = local_mean(&rest, &calm, pixels(NEAR));
        for _ in 0..3 {
            Zip::from(&mut calm)
                .and(&bare)
                .and(&rest)
                .and(&noise)
                .for_each(|c, &b, &r, &n| *c = if r <= 2.5 * n { b } else { 0.0 });
            noise = local_mean(&rest, &calm, pixels(NEAR));
        }
        let mut strength = Array2::zeros(hat.dim());
        Zip::from(&mut strength)
            .and(&hat)
            .and(&noise)
            .and(&wall)
            .and(&outside)
            .for_each(|s, &hat, &noise, &wall, &out| {
                // Mean to standard deviation of a normal distribution.
                let sigma = (1.25 * noise).max(LEAST / ABOVE[1] * wall).max(1e-7);
                *s = if out > 0.0 { hat / sigma } else { 0.0 };
            });
        let mut found = marks(&strength, ABOVE[1], ABOVE[0]);
        let long = pixels(LONG).max(3.0) as usize;
        found.retain(|mark| length(mark) >= long);
        if found.is_empty() {
            return Findings {
                figures: figures(0, 0.0),
                places: Vec::new(),
            };
        }

        let grow = (0.5 * radius as f32).round().max(1.0) as usize;
        let cover = cover(&found, hat.dim(), grow);
        let mut sound = Array2::zeros(hat.dim());
        Zip::from(&mut sound)
            .and(&outside)
            .and(&cover)
            .and(&strength)
            .for_each(|s, &out, &c, &h| {
                *s = if out > 0.95 && c < 0.01 && h < ABOVE[0] {
                    1.0
                } else {
                    0.0
                };
            });
        let share = Zip::from(&cover)
            .and(&outside)
            .map_collect(|&c, &out| self.strength.0 * c.min(1.0) * out);
        let covered: usize = found.iter().map(Vec::len).sum();
        let all = picture.size();
        take_away(
            &mut picture.planes,
            rect,
            &share,
            &sound,
            pixels(BESIDE),
            2.0 * (radius + grow) as f32,
        );
        let area = covered as f32 / (all.width * all.height).max(1) as f32;
        Findings {
            figures: figures(found.len(), area),
            places: Vec::new(),
        }
    }
}

fn figures(count: usize, area: f32) -> Vec<(String, f32)> {
    vec![
        ("hairs".to_owned(), count as f32),
        ("hairs, share of picture".to_owned(), area),
    ]
}

/// How far each pixel near the sitter lies outside of the outline, 0 to 1, and where; `None` when
/// there is no such place.
fn outside(person: &Matte, scene: &Scene) -> Option<(Array2<f32>, Rect)> {
    let per_pixel = 0.5 * (person.step.x + person.step.y);
    let blurred = |length: EyeSpans| {
        let sigma = scene.scale.pixels(length) * per_pixel;
        person.with_map(gaussian(person.map.view(), sigma))
    };
    let (dense, near) = (blurred(DENSE), blurred(NEAR));
    let mut place = dense;
    place.map.zip_mut_with(&near.map, |d, &n| {
        let outside = 1.0 - smooth_step(OUTSIDE[0], OUTSIDE[1], *d);
        *d = if n > NEAR_SHARE { outside } else { 0.0 };
    });
    let rect = place.bounds(0.0)?;
    let mut out = Array2::zeros((rect.height, rect.width));
    let worn = scene.regions.matte(&[Region::Worn, Region::Clothing], &[]);
    let (mut rows, mut kept) = (place.rows(), worn.rows());
    for (i, mut row) in out.outer_iter_mut().enumerate() {
        let y = rect.top + i;
        let (place, kept) = (rows.row(y), kept.row(y));
        for (x, v) in row.iter_mut().enumerate() {
            *v = place[rect.left + x] * (1.0 - (4.0 * kept[rect.left + x]).min(1.0));
        }
    }
    Some((out, rect))
}
