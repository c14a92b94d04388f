//! Lint: small light specks and fibres on dark cloth, taken back to the cloth beside them.
//!
//! On the sitter's clothes, where the cloth is dark, what is lighter than its surround, narrower than
//! [`WIDEST`] and far above the cloth's own unevenness (see [`super::small_marks`]) is a speck, unless
//! it is long (a stripe, a seam, an edge's glint) or one of many of its kind (a pattern): a person's
//! clothes stay as they are, only what fell on them goes. The cloth's own weave from right beside it
//! comes in its place.
//!
//! Space: Oklab L, since eyes judge whether a speck stands out.

use ndarray::{Array2, Zip};

use crate::operations::pixels::smooth_step;
use crate::operations::small_marks::{cover, length, lighter, local_mean, marks, take_away};
use crate::operations::{Findings, Scene, settings};
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::{EyeSpans, Oklab, Ratio};
use crate::regions::Region;

settings! {
    /// Takes small light specks and fibres off dark cloth; stripes and patterns stay.
    pub struct Lint {
        /// How far a speck is taken back to the cloth beside it.
        strength: Ratio in 0.0..=1.0, default Ratio(0.4), neutral Ratio(0.0), sane Ratio(0.8);
    }
}

/// Half the width of the widest speck with its blur (about 3 mm in all).
const WIDEST: EyeSpans = EyeSpans(0.022);
/// Blur before looking, against noise.
const FINE: EyeSpans = EyeSpans(0.003);
/// Lightness (Oklab L) up to which cloth is dark, and from which light specks on it are not seen.
const DARK: [f32; 2] = [0.45, 0.58];
/// How far above the cloth's mean unevenness around a speck stands at its peak, and all over.
const ABOVE: [f32; 2] = [9.0, 4.5];
/// Least height in Oklab L at the peak: about 3 L*, less is not seen on cloth.
const LEAST: f32 = 0.035;
/// The longest that is still a fibre and no stripe or seam (8 mm).
const LONGEST: EyeSpans = EyeSpans(0.13);
/// How far around the cloth is judged.
const AROUND: EyeSpans = EyeSpans(0.2);
/// Share of the cloth around that may be specks; more is its pattern.
const PATTERN: f32 = 0.05;
/// No lighter cloth or wall is this near: its edge is ragged where it meets dark cloth.
const ALL_DARK: EyeSpans = EyeSpans(0.07);
/// Distance from the edge of the cloth: what lies there may be its rim light.
const EDGE: EyeSpans = EyeSpans(0.03);
/// Blur of the cloth beside a speck.
const BESIDE: EyeSpans = EyeSpans(0.05);

impl Lint {
    /// Takes specks back; reports how many and the share of the clothes they covered.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        let span = scene.scale.0;
        if self.is_neutral() || span.is_nan() || span <= 0.0 {
            return Findings::default();
        }
        let clothes = scene
            .regions
            .matte(&[Region::Clothing], &[Region::Worn, Region::Hair]);
        let Some(rect) = clothes.bounds(0.5) else {
            return Findings::default();
        };
        let pixels = |length: EyeSpans| scene.scale.pixels(length);
        let radius = pixels(WIDEST).round().max(1.0) as usize;
        let mut cloth = Array2::zeros((rect.height, rect.width));
        let mut rows = clothes.rows();
        for (i, mut row) in cloth.outer_iter_mut().enumerate() {
            let matte = rows.row(rect.top + i);
            for (x, v) in row.iter_mut().enumerate() {
                *v = if matte[rect.left + x] > 0.9 { 1.0 } else { 0.0 };
            }
        }
        let cloth = erode(cloth.view(), pixels(EDGE).round().max(1.0) as usize);
        let light = rect.of(picture.planes[0].view()).to_owned();
        let light = gaussian(light.view(), pixels(FINE).max(0.6));
        let hat = lighter(&light, radius);
        let lightest = dilate(
            (&light - &hat).view(),
            pixels(ALL_DARK).round().max(1.0) as usize,
        );
        let uneven = local_mean(&hat, &cloth, pixels(AROUND));
        let mut strength = Array2::zeros(hat.dim());
        Zip::from(&mut strength)
            .and(&hat)
            .and(&uneven)
            .and(&cloth)
            .and(&lightest)
            .for_each(|s, &hat, &uneven, &cloth, &lightest| {
                // In units of what must be exceeded, so that one pair of bounds serves.
                let unit = uneven.max(LEAST / ABOVE[0]);
                let dark = 1.0 - smooth_step(DARK[0], DARK[1], lightest);
                *s = cloth * dark * hat / unit;
            });
        let mut found = marks(&strength, ABOVE[1], ABOVE[0]);
        // A pattern has its marks all over.
        let every = cover(&found, hat.dim(), 0);
        let crowd = local_mean(&every, &cloth, pixels(AROUND));
        let longest = pixels(LONGEST) as usize;
        found.retain(|mark| length(mark) <= longest && crowd[mark[0]] < PATTERN);
        if found.is_empty() {
            return Findings {
                figures: figures(0, 0.0),
                places: Vec::new(),
            };
        }

        let grow = (0.4 * radius as f32).round().max(1.0) as usize;
        let cover = cover(&found, hat.dim(), grow);
        let sound = Zip::from(&cloth)
            .and(&cover)
            .and(&strength)
            .map_collect(|&on, &c, &s| if c < 0.01 && s < ABOVE[1] { on } else { 0.0 });
        let share = Zip::from(&cover)
            .and(&cloth)
            .map_collect(|&c, &on| self.strength.0 * c.min(1.0) * on);
        take_away(
            &mut picture.planes,
            rect,
            &share,
            &sound,
            pixels(BESIDE),
            2.0 * (radius + grow) as f32,
        );
        let covered: usize = found.iter().map(Vec::len).sum();
        let all: f64 = cloth.iter().map(|&on| f64::from(on)).sum();
        let area = covered as f32 / all.max(1.0) as f32;
        Findings {
            figures: figures(found.len(), area),
            places: Vec::new(),
        }
    }
}

fn figures(count: usize, area: f32) -> Vec<(String, f32)> {
    vec![
        ("specks".to_owned(), count as f32),
        ("specks, share of cloth".to_owned(), area),
    ]
}
