//! Skin smoothing: takes blotches back and leaves both pores and the shape of the face.
//!
//! Skin is split by normalised Gaussians S0..S3 of 0.03, 0.06, 0.12 and 0.24 eye spans into fine
//! texture (p - S0), three blotch bands B_i = S_i - S_{i+1} and form (S3). Only the blotch bands
//! shrink:
//!
//! p' = p - m s sum_i (w_i g_i B_i - mean),   g_i = 1 / (1 + (E_i + |B_i|^2)^2)
//!
//! with m the skin's matte, s the share taken at `strength`, mean the sum's own over all skin (the
//! sitter's colour stays), |B|^2 the square of the band's height
//! in L, a or b (whichever stands out most), each in units of a few of the *sitter's own* usual
//! heights, and E_i its mean within the next wider blur. g is the Wiener gain of local statistics
//! (Lee, *Digital image enhancement and noise filtering by use of local statistics*, IEEE PAMI
//! 2(2), 1980) turned round: what is low and everywhere is blotch and goes, what is high and
//! stands alone (a fold, a nostril's rim, the edge of a shadow) is the face and stays. Brows,
//! lashes and lips never enter the blurs, since the matte is their certainty. An edge in skin
//! keeps its place and gets no ridge beside it: at most 0.005 of full scale, whatever its height
//! (`tests/retouch_laws.rs`). A bilateral split (Tomasi and Manduchi, ICCV 1998) was tried and left
//! a ridge of 0.02 beside steps of 0.4, as its narrow blur mixes both sides.
//! Heights are the sitter's own, not shares of the lightness: with shares, the darkest skin of the
//! rendered office kept 0.77 of its blotches where light skin kept 0.67.
//! Splitting by frequency is the trade's way; the widths in eye spans follow the size of things:
//! pores and fine lines are under 0.03 (2 mm), blotches 0.03 to 0.15 (2 to 9 mm).
//! Works in Oklab, since eyes judge what even skin is.

use ndarray::{Array2, Zip};

use crate::operations::skin_bands::{Skin, SkinGrid};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{EyeSpans, Oklab, Ratio};

/// Standard deviation that parts fine texture from blotches. With 0.02 the default kept 0.88 of
/// the energy finer than 0.025 on rendered skin, with 0.03 it keeps 0.92.
const FINE: EyeSpans = EyeSpans(0.03);
/// Blotch bands, each an octave, and the share of each that counts as blotch. The widest reaches
/// into what models a face (the ridge of a nose, a lit cheek): with all of it faces came out flat,
/// by eye, on strongly lit dark skin first.
const BANDS: [f32; 3] = [1.0, 1.0, 0.35];
/// Height at which a blotch is let go by half, in the sitter's own usual heights. Chosen with the
/// shares of the bands so that at the default half of the energy between 0.03 and 0.15 eye spans
/// goes and form between 0.1 and 0.4 stays (`tests/retouch_office.rs` prints both), and by eye on
/// strongly lit faces.
const LET_GO: f32 = 4.0;
/// How much higher each wider band may be than the narrowest, whose height is the sitter's
/// measure: the wide ones hold form too, so their own height says little. Blotches of one height
/// at all sizes would give 1.
const WIDER_HIGHER: f32 = 1.1;
/// Bounds of the usual height in L, a and b. Rendered and real faces had 0.006 to 0.017 in L and
/// 0.0005 to 0.003 in a and b. More than the upper bound in L is no blotch but lines, and form under
/// contrasty light: with 0.015 strongly lit faces came out flat, by eye, and kept less texture.
const USUAL: [[f32; 2]; 3] = [[0.003, 0.009], [0.0004, 0.003], [0.0004, 0.003]];

settings! {
    /// Takes back blotches of skin; pores and the shape of the face stay.
    pub struct SkinSmoothing {
        /// How much: at 0.4 about half of the blotches' energy goes, at 1 nearly all.
        strength: Ratio in 0.0..=1.0, default Ratio(0.4), neutral Ratio(0.0), sane Ratio(0.7);
    }
}

/// Share of blotches that full strength takes: skin quite without them looks painted, and the last of
/// them cost the most texture. Chosen on the rendered sitters.
const MOST: f32 = 0.97;

impl SkinSmoothing {
    /// Evens skin; reports `blotches kept`, the energy of the blotch bands of L after over before,
    /// on plain skin.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() {
            return Findings::default();
        }
        let Some(skin) = Skin::of(picture, scene, FINE) else {
            return Findings::default();
        };
        let (grid, sigma) = (&skin.grid, skin.sigma);
        let smooth = grid.means(sigma);
        let mut change = blotches(grid, smooth.clone(), sigma);
        // Quick at first: half of the blotches are wanted at less than half of the strength.
        let left = 1.0 - self.strength.0;
        let share = MOST * (left * left * left - 1.0);
        for plane in &mut change {
            let drift = grid.drift(plane);
            plane.mapv_inplace(|v| share * (v - drift));
        }
        let [l, a, b] = &change;
        grid.change(picture, &skin.matte, [l, a, b], |old, add| {
            [old[0] + add[0], old[1] + add[1], old[2] + add[2]]
        });
        let kept = blotches_kept(grid, l, &smooth[0], sigma);
        Findings {
            figures: vec![("blotches kept".to_owned(), kept)],
            ..Findings::default()
        }
    }
}

/// What is blotch in L, a and b: the bands that start at `fine` (blurred by `sigma` cells), each
/// with its gain.
fn blotches(grid: &SkinGrid, fine: [Array2<f32>; 3], sigma: f32) -> [Array2<f32>; 3] {
    let mut sum = fine.each_ref().map(|plane| Array2::zeros(plane.dim()));
    let (mut narrow, mut sigma) = (fine, sigma);
    let mut let_go = [0.0; 3];
    for (number, share) in BANDS.into_iter().enumerate() {
        sigma *= 2.0;
        let reach = grid.reach(sigma);
        let wide = grid
            .planes
            .each_ref()
            .map(|plane| grid.blurred(plane, sigma, &reach));
        let mut band = narrow;
        for (band, wide) in band.iter_mut().zip(&wide) {
            *band -= wide;
        }
        for ((let_go, band), [least, most]) in let_go.iter_mut().zip(&band).zip(USUAL) {
            *let_go = if number == 0 {
                LET_GO * usual_height(grid, band).max(least).min(most)
            } else {
                *let_go * WIDER_HIGHER
            };
        }
        let mut height = Array2::zeros(reach.dim());
        for (band, let_go) in band.iter().zip(let_go) {
            height.zip_mut_with(band, |most: &mut f32, &v| {
                let height = v / let_go;
                *most = most.max(height * height);
            });
        }
        let around = grid.blurred(&height, sigma, &reach);
        for (sum, band) in sum.iter_mut().zip(&band) {
            Zip::from(sum)
                .and(band)
                .and(&height)
                .and(&around)
                .for_each(|sum, &b, &h, &e| {
                    let high = h + e;
                    *sum += share * b / (1.0 + high * high);
                });
        }
        narrow = wide;
    }
    sum
}

/// Standard deviation of a band on plain skin, from its mean height with everything above twice
/// that mean cut down to it, so that folds and rims hardly count. A normal distribution's mean
/// height is sqrt(2 / pi) of its standard deviation; the cut takes another 6 %.
fn usual_height(grid: &SkinGrid, band: &Array2<f32>) -> f32 {
    let height = band.mapv(f32::abs);
    let twice = 2.0 * grid.average(&height);
    1.25 * grid.average(&height.mapv(|v| v.min(twice)))
}

/// Energy of the blotch bands together, after over before: on plain skin, that is, where it was
/// below its mean over the skin (the rest is folds, nose and jaw).
fn blotches_kept(grid: &SkinGrid, change: &Array2<f32>, fine: &Array2<f32>, sigma: f32) -> f32 {
    let wide = sigma * (1 << BANDS.len()) as f32;
    let (reach, reach_wide) = (grid.reach(sigma), grid.reach(wide));
    let before = fine - &grid.blurred(&grid.planes[0], wide, &reach_wide);
    let moved = grid.blurred(change, sigma, &reach) - grid.blurred(change, wide, &reach_wide);
    let energy = before.mapv(|v| v * v);
    let limit = grid.average(&energy);
    let around = grid.blurred(&energy, wide, &reach_wide);
    let (mut was, mut is) = (0.0_f64, 0.0_f64);
    Zip::from(&before)
        .and(&moved)
        .and(&around)
        .and(&grid.weight)
        .for_each(|&b, &m, &e, &w| {
            if e < limit {
                was += f64::from(w * b * b);
                is += f64::from(w * (b + m) * (b + m));
            }
        });
    if was > 0.0 { (is / was) as f32 } else { 1.0 }
}
