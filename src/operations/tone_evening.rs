//! Tone evening: takes back redness, sallow or tanned patches and shadows under the eyes.
//!
//! With S the skin blurred by `radius` and W blurred three times as wide (normalised by the
//! matte), and u = a / L, v = b / L the colour of the skin apart from how much light falls on it:
//!
//! a' = a - s L p_u t,   b' = b - s L p_v t,   L' = L - s q (L_S - L_W)
//!
//! (p_u, p_v) is what is pulled of (u_S - u0, v_S - v0), and (u0, v0) the sitter's own usual colour *at
//! that light* (a parabola of L fitted over the skin), so
//! nobody's skin moves towards another's, and lights stay paler and shades richer than the mean: with
//! one mean for all, strongly lit dark skin lost its glow, by eye. The difference is split in two, for
//! two things make it: *blood*, which turns skin red and hardly yellower on every tone of skin, and
//! light off the *surface*, which makes it paler in red and yellow alike, or richer where there is less
//! of it (Shafer, *Using color to separate reflection components*, Color Res. Appl. 10(4), 1985). Blood
//! is pulled, and what is too pale; what is too rich loses of its red as much as blood would, and keeps
//! its yellow. That is the glow of dark and medium skin under contrasty light: pulled back in full it
//! read as grey, left alone it kept more redness than light skin was left with.
//! t = 1 / (1 + d^2)
//! lets go of what is too far away to be skin (make-up, a tattoo, a strand of hair). Dividing by
//! L keeps light and shade as they are, for a pigment changes the ratio of channels and light does
//! not (Tsumura et al., *Image-based skin color and texture analysis/synthesis by extracting
//! hemoglobin and melanin information in the skin*, ACM TOG 22(3), 2003, section 3).
//! Lightness is evened only between the two blurs, that is, for patches and not for the form of
//! the face, and by q: least in general, more where a dark patch is also redder (then it is
//! pigment), most under the eyes. Then the mean change over the skin is taken away again.
//! A radius of a tenth of an eye span is common practice, no source. Works in Oklab, where equal
//! steps of a and b look about equal.

use ndarray::{Array2, Zip};

use crate::operations::skin_bands::{Skin, SkinGrid};
use crate::operations::{Findings, Scene, settings};
use crate::picture::math::exp;
use crate::picture::{EyeSpans, Oklab, Point, Ratio};

/// How much wider the blur is against which lightness is compared.
const WIDER: f32 = 3.0;
/// Distance in a / L and b / L at which half of the pull is let go. Measured on nine rendered
/// sitters: noses and cheeks are 0.01 to 0.03 from the mean, on the darkest skin up to 0.05, which at 0.07
/// kept more of its redness than light skin did; lips, at 0.08 and more, are no part of the matte.
const SKIN_LIKE: f32 = 0.12;
/// How much yellow goes with red, in b / L over a / L, when there is more blood: green light falls by 0.1
/// and blue by 0.09 in ln, red by 0.02 (as `heal` reads haemoglobin), on five colours of skin from pale to
/// very dark. Computed: 0.15 to 0.19, by the same distance on each.
const BLOOD: f32 = 0.18;
/// The same where white light is added to those five: 1.1 to 2.5. Skin's own hue is 0.9 to 1.5.
const SURFACE: f32 = 1.28;
/// Share of redness that is pulled, so that noses and cheeks of the lightest rendered sitters come out as
/// even as when all of the difference was pulled alike (0.745 of the spread of a / L; 0.742 then).
const REDNESS: f32 = 0.9;
/// Share of a lightness patch that is taken: in general, when redder, under the eyes. Chosen by
/// eye and so that the ratio of key to shadow stays within 5 %.
const LIGHT: [f32; 3] = [0.15, 0.45, 1.0];
/// Redness in a / L above its surroundings that makes a dark patch surely pigment. By eye.
const REDDER: f32 = 0.008;
/// Height of a lightness patch above which it is form. By eye: shadows under eyes are 0.02 to
/// 0.05, the side of a nose is 0.1 and more. That is on skin of this lightness and above; light multiplies, so
/// on darker skin the same form is lower in proportion.
const FORM: f32 = 0.06;
const FORM_AT: f32 = 0.6;
/// Height of a light and pale patch that makes it surely a reflection of the lamp, whose colour
/// is not the skin's: coloured like skin it would look painted. By eye, on dark skin.
const SHINE: f32 = 0.03;
/// Variance of lightness below which colour is not fitted to it: a hundredth of full scale.
const RIDGE: f64 = 1e-4;
/// Where the shadow under an eye lies: below its centre, and half its width and height, in eye
/// spans. Measured on mesh landmarks of the lower lid and the cheek bone.
const UNDER_EYE: [f32; 3] = [0.21, 0.24, 0.11];

settings! {
    /// Evens the skin's hue and drift of lightness; the sitter's mean colour and the light stay.
    pub struct ToneEvening {
        /// Share of a patch's difference that is taken back.
        strength: Ratio in 0.0..=1.0, default Ratio(0.35), neutral Ratio(0.0), sane Ratio(0.7);
        /// Standard deviation of the blur: smaller patches are left.
        radius: EyeSpans in 0.03..=0.5, default EyeSpans(0.10);
    }
}

impl ToneEvening {
    /// Evens skin; reports `key to shadow kept`, the ratio of light on the brighter to that on the
    /// darker half of the skin, after over before, and `redness spread kept`, likewise of the
    /// variance of a / L.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let Some(Skin { matte, grid, sigma }) = Skin::of(picture, scene, self.radius) else {
            return Findings::default();
        };
        let near = grid.means(sigma);
        let far = grid.means(WIDER * sigma);
        let eyes = under_eyes(&grid, scene);
        let strength = self.strength.0;

        let ratio = |colour: &Array2<f32>, light: &Array2<f32>| {
            Zip::from(colour)
                .and(light)
                .map_collect(|&c, &l| if l > 0.01 { c / l } else { 0.0 })
        };
        let [red, red_far] = [ratio(&near[1], &near[0]), ratio(&far[1], &far[0])];
        let yellow = ratio(&near[2], &near[0]);
        let usual = [&red, &yellow].map(|plane| usual_at(&grid, &near[0], plane));

        let mut light = &near[0] - &far[0];
        let shine = light.mapv(|d: f32| (d / SHINE).clamp(0.0, 1.0));
        Zip::from(&mut light)
            .and(&near[0])
            .and(&red)
            .and(&red_far)
            .and(&eyes)
            .for_each(|d, &l, &r, &f, &eye| {
                let redder = if *d < 0.0 {
                    ((r - f) / REDDER).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let mut share = LIGHT[0] + (LIGHT[1] - LIGHT[0]) * redder;
                if *d < 0.0 {
                    share += (LIGHT[2] - share) * eye;
                }
                let height = *d / (FORM * (l / FORM_AT).clamp(0.1, 1.0));
                let form = 1.0 + height * height;
                *d *= -strength * share / form;
            });
        let mut colour = [red, yellow];
        let [red, yellow] = &mut colour;
        let [red_usual, yellow_usual] = &usual;
        Zip::from(red)
            .and(yellow)
            .and(red_usual)
            .and(yellow_usual)
            .and(&shine)
            .for_each(|r, y, red_usual, yellow_usual, &shine| {
                let off = [*r - red_usual, *y - yellow_usual];
                let let_go = 1.0 + (off[0] * off[0] + off[1] * off[1]) / (SKIN_LIKE * SKIN_LIKE);
                [*r, *y] = pulled(off, shine).map(|part| -strength * part / let_go);
            });
        let [red, yellow] = &colour;

        // What the change does to the mean, to be taken away again.
        let drift = grid.drift(&light);
        light.mapv_inplace(|d| d - drift);
        let moved = [red, yellow].map(|plane| grid.drift(&(plane * &near[0])));
        grid.change(
            picture,
            &matte,
            [&light, red, yellow],
            |[l, a, b], [dl, du, dv]| [l + dl, a + l * du - moved[0], b + l * dv - moved[1]],
        );

        let before = key_to_shadow(&grid, &near[0], &near[0]);
        let after = key_to_shadow(&grid, &near[0], &(&near[0] + &light));
        Findings {
            figures: vec![
                (
                    "key to shadow kept".to_owned(),
                    after / before.max(f32::MIN_POSITIVE),
                ),
                (
                    "redness spread kept".to_owned(),
                    spread_kept(&grid, &near, red),
                ),
            ],
            ..Findings::default()
        }
    }
}

/// What is to be pulled of a difference from the usual a / L and b / L; `shine` is 1 on a reflection of
/// the lamp.
fn pulled([red, yellow]: [f32; 2], shine: f32) -> [f32; 2] {
    let surface = (yellow - BLOOD * red) / (SURFACE - BLOOD);
    let pale = surface.min(0.0);
    let redness = REDNESS * (red - pale);
    let pale = pale / (1.0 + 3.0 * shine);
    [redness + pale, BLOOD * redness + SURFACE * pale]
}

/// The sitter's own colour as it goes with light: `plane` fitted by a parabola of `light` over the
/// skin (least squares), and read at each cell's light.
fn usual_at(grid: &SkinGrid, light: &Array2<f32>, plane: &Array2<f32>) -> Array2<f32> {
    let middle = grid.average(light);
    let mut sums = [[0.0_f64; 4]; 3];
    Zip::from(light)
        .and(plane)
        .and(&grid.weight)
        .for_each(|&l, &v, &w| {
            let t = f64::from(l - middle);
            let powers = [1.0, t, t * t];
            for (row, p) in sums.iter_mut().zip(powers) {
                for (sum, q) in row.iter_mut().zip([1.0, t, t * t, f64::from(v)]) {
                    *sum += f64::from(w) * p * q;
                }
            }
        });
    // Skin of one single light has no slope: a trace of ridge leaves its mean.
    let all = sums[0][0];
    sums[1][1] += RIDGE * all;
    sums[2][2] += RIDGE * RIDGE * all;
    let [c0, c1, c2] = solved(sums);
    light.mapv(|l| {
        let t = f64::from(l - middle);
        (c0 + t * (c1 + t * c2)) as f32
    })
}

/// Three equations in three unknowns, the last column on the right-hand side, by Gauss's
/// elimination; symmetric and positive, so the diagonal needs no search.
fn solved(mut rows: [[f64; 4]; 3]) -> [f64; 3] {
    for at in 0..3 {
        let pivot = rows[at];
        for row in rows.iter_mut().skip(at + 1) {
            let times = row[at] / pivot[at].max(f64::MIN_POSITIVE);
            for (v, p) in row.iter_mut().zip(pivot) {
                *v -= times * p;
            }
        }
    }
    let mut found = [0.0; 3];
    for at in (0..3).rev() {
        let known: f64 = (at + 1..3).map(|c| rows[at][c] * found[c]).sum();
        found[at] = (rows[at][3] - known) / rows[at][at].max(f64::MIN_POSITIVE);
    }
    found
}

/// Where the shadows under the eyes are, 0 to 1; 0 without landmarks.
fn under_eyes(grid: &SkinGrid, scene: &Scene) -> Array2<f32> {
    let mut out = Array2::zeros(grid.weight.dim());
    let Some(marks) = &scene.regions.marks else {
        return out;
    };
    let span = scene.scale.0;
    let [left, right] = marks.eyes;
    // Unit vectors along the line of the eyes and down the face.
    let length = left.distance(right).max(f32::MIN_POSITIVE);
    let along = Point {
        x: (right.x - left.x) / length,
        y: (right.y - left.y) / length,
    };
    let down = Point {
        x: -along.y,
        y: along.x,
    };
    let step = grid.step as f32;
    for ((row, column), out) in out.indexed_iter_mut() {
        let x = grid.bounds.left as f32 + (column as f32 + 0.5) * step;
        let y = grid.bounds.top as f32 + (row as f32 + 0.5) * step;
        for eye in marks.eyes {
            let (dx, dy) = ((x - eye.x) / span, (y - eye.y) / span);
            let across = (dx * along.x + dy * along.y) / UNDER_EYE[1];
            let below = (dx * down.x + dy * down.y - UNDER_EYE[0]) / UNDER_EYE[2];
            let here = exp(-(across * across + below * below));
            *out = f32::max(*out, here);
        }
    }
    out
}

/// Mean light of the skin that is brighter than its mean over that of the rest; which is which
/// is read from `form`. Light is taken as L cubed, as in Oklab's definition for greys.
fn key_to_shadow(grid: &SkinGrid, form: &Array2<f32>, light: &Array2<f32>) -> f32 {
    let middle = grid.average(form);
    let (mut key, mut shadow) = ([0.0_f64; 2], [0.0_f64; 2]);
    Zip::from(form)
        .and(light)
        .and(&grid.weight)
        .for_each(|&form, &l, &w| {
            let side = if form > middle { &mut key } else { &mut shadow };
            side[0] += f64::from(w * l * l * l);
            side[1] += f64::from(w);
        });
    let mean = |[sum, weight]: [f64; 2]| sum / weight.max(1e-9);
    (mean(key) / mean(shadow).max(1e-9)) as f32
}

/// Spread (variance over the skin) of a / L after over before.
fn spread_kept(grid: &SkinGrid, near: &[Array2<f32>; 3], change: &Array2<f32>) -> f32 {
    let spread = |plane: &Array2<f32>| {
        let mean = grid.average(plane);
        grid.average(&plane.mapv(|v| (v - mean) * (v - mean)))
    };
    let before = Zip::from(&near[1])
        .and(&near[0])
        .map_collect(|&a, &l| a / l.max(0.01));
    let was = spread(&before);
    if was > 0.0 {
        spread(&(&before + change)) / was
    } else {
        1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn redness_is_pulled_along_its_own_line() {
        for red in [-0.03, 0.03] {
            let [r, y] = pulled([red, BLOOD * red], 0.0);
            assert!((r - REDNESS * red).abs() < 1e-7, "{r}");
            assert!((y - BLOOD * r).abs() < 1e-7, "{y}");
        }
    }

    #[test]
    fn what_is_too_pale_is_pulled_in_full_and_shine_less() {
        let pale = [-0.02, -0.02 * SURFACE];
        let [r, y] = pulled(pale, 0.0);
        assert!(
            (r - pale[0]).abs() < 1e-7 && (y - pale[1]).abs() < 1e-7,
            "{r} {y}"
        );
        let [r, _] = pulled(pale, 1.0);
        assert!((r - 0.25 * pale[0]).abs() < 1e-7, "{r}");
    }

    /// Dark skin lit from the side: redder and yellower alike. Its red goes as elsewhere, its yellow stays.
    #[test]
    fn a_glow_keeps_its_yellow() {
        let glow = [0.02, 0.02 * SURFACE];
        let [r, y] = pulled(glow, 0.0);
        assert!((r - REDNESS * glow[0]).abs() < 1e-7, "{r}");
        assert!(y > 0.0 && y < 0.15 * glow[1], "{y}");
    }

    #[test]
    fn the_pull_has_no_step_between_pale_and_rich() {
        let at = |yellow| pulled([0.02, yellow], 0.5);
        let [below, above] = [BLOOD * 0.02 - 1e-6, BLOOD * 0.02 + 1e-6].map(at);
        for (below, above) in below.into_iter().zip(above) {
            assert!((below - above).abs() < 1e-5, "{below} {above}");
        }
    }
}
