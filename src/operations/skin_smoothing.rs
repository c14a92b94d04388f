//! Skin smoothing: takes blotches back and leaves both pores and the shape of the face.
//!
//! Skin is split by normalised Gaussians S0..S3 of 0.03, 0.06, 0.12 and 0.24 eye spans into fine
//! texture (p - S0), three blotch bands B_i = S_i - S_{i+1} and form (S3). Only the blotch bands
//! shrink:
//!
//! p' = p - m s sum_i g_i B_i,   g_i = 1 / (1 + E_i + |B_i|^2)
//!
//! with m the skin's matte, s the share taken at `strength`, |B|^2 the band's squared height over
//! L, a and b in units of a blotch's usual height on skin so light, and E_i its mean within the next wider blur.
//! g is the Wiener gain of local statistics (Lee, *Digital image enhancement and noise filtering
//! by use of local statistics*, IEEE PAMI 2(2), 1980) turned round: what is low and everywhere is
//! blotch and goes, what is high and stands alone (a fold, a nostril's rim, the edge of a shadow)
//! is the face and stays, so that no halo forms beside it.
//! Splitting by frequency is the trade's way; the widths in eye spans follow the size of things:
//! pores and fine lines are under 0.03 (2 mm), blotches 0.03 to 0.15 (2 to 9 mm).
//! Works in Oklab, since eyes judge what even skin is.

use ndarray::{Array2, Zip};

use crate::operations::skin_bands::{SkinGrid, skin_matte};
use crate::operations::{Findings, Scene, settings};
use crate::picture::{EyeSpans, Oklab, Ratio, Rect};
use crate::regions::Matte;

/// Standard deviation that parts fine texture from blotches. With 0.02 the default kept 0.88 of
/// the energy finer than 0.025 on rendered skin, with 0.03 it keeps 0.92.
const FINE: EyeSpans = EyeSpans(0.03);
/// Blotch bands, each an octave.
const BANDS: usize = 3;
/// Share of a low blotch that full strength takes. Below 1, since wholly even skin looks made up.
const MOST: f32 = 0.95;
/// Height of a blotch at which half is let go, in L, and in a and b, as shares of the skin's
/// lightness, so that the form of dark skin is kept as that of light skin is. Measured on nine
/// rendered sitters: the standard deviation between 0.03 and 0.15 eye spans is 0.013 to 0.015 in L
/// on plain skin; folds, nostrils and the sides of the nose reach 0.05 to 0.2.
const HEIGHT: [f32; 3] = [0.08, 0.03, 0.03];

settings! {
    /// Takes back blotches of skin; pores and the shape of the face stay.
    pub struct SkinSmoothing {
        /// How much: at 0.4 about half of the blotches' energy goes, at 1 nearly all.
        strength: Ratio in 0.0..=1.0, default Ratio(0.4), neutral Ratio(0.0);
    }
}

impl SkinSmoothing {
    /// Evens skin; reports `texture kept` and `blotches kept`, the energy of the fine and of the
    /// blotch bands after over before (L, on skin).
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        let sigma = scene.scale.pixels(FINE);
        let Some((matte, bounds)) = skin_matte(scene) else {
            return Findings::default();
        };
        if self.is_neutral() || sigma.is_nan() || sigma <= 0.0 {
            return Findings::default();
        }
        let grid = SkinGrid::new(picture, &matte, bounds, sigma);
        let sigma = grid.cells(sigma);
        let smooth = grid.means(sigma);
        let mut change = blotches(&grid, smooth.clone(), sigma);
        let share = -self.strength.0 * MOST;
        for plane in &mut change {
            plane.mapv_inplace(|v| v * share);
        }
        let [l, a, b] = &change;
        grid.change(picture, &matte, [l, a, b], |old, add| {
            [old[0] + add[0], old[1] + add[1], old[2] + add[2]]
        });

        let kept = blotches_kept(&grid, l, &smooth[0], sigma);
        let texture = texture_kept(picture, &matte, &grid, l, &smooth[0], sigma);
        Findings {
            figures: vec![
                ("texture kept".to_owned(), texture),
                ("blotches kept".to_owned(), kept),
            ],
            ..Findings::default()
        }
    }
}

/// What is blotch in L, a and b: the bands that start at `fine` (blurred by `sigma` cells), each
/// with its gain.
fn blotches(grid: &SkinGrid, fine: [Array2<f32>; 3], sigma: f32) -> [Array2<f32>; 3] {
    let mut sum = fine.each_ref().map(|plane| Array2::zeros(plane.dim()));
    let (mut narrow, mut sigma) = (fine, sigma);
    for _ in 0..BANDS {
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
        let mut height = Array2::zeros(reach.dim());
        for (band, usual) in band.iter().zip(HEIGHT) {
            Zip::from(&mut height)
                .and(band)
                .and(&wide[0])
                .for_each(|sum: &mut f32, &v, &light| {
                    let height = v / (usual * light.max(0.05));
                    *sum += height * height;
                });
        }
        let around = grid.blurred(&height, sigma, &reach);
        for (sum, band) in sum.iter_mut().zip(&band) {
            Zip::from(sum)
                .and(band)
                .and(&height)
                .and(&around)
                .for_each(|sum, &b, &h, &e| {
                    *sum += b / (1.0 + h + e);
                });
        }
        narrow = wide;
    }
    sum
}

/// Energy of the blotch bands together, after over before: on plain skin, that is, where it was
/// below its mean over the skin (the rest is folds, nose and jaw).
fn blotches_kept(grid: &SkinGrid, change: &Array2<f32>, fine: &Array2<f32>, sigma: f32) -> f32 {
    let wide = sigma * (1 << BANDS) as f32;
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

/// Energy of L finer than `sigma` cells, after over before: read from every `step`-th row, the
/// change taken away again for what was before.
fn texture_kept(
    picture: &Oklab,
    matte: &Matte,
    grid: &SkinGrid,
    change: &Array2<f32>,
    smooth: &Array2<f32>,
    sigma: f32,
) -> f32 {
    let Rect {
        left,
        top,
        width,
        height,
    } = grid.bounds;
    let smooth_after = smooth + &grid.blurred(change, sigma, &grid.reach(sigma));
    let (mut before, mut after) = (0.0_f64, 0.0_f64);
    let (mut rows, mut skin) = (matte.rows(), vec![0.0; left + width]);
    for y in (top..top + height).step_by(grid.step) {
        rows.fill(y, &mut skin);
        let [change, smooth, smooth_after] =
            [change, smooth, &smooth_after].map(|plane| grid.row(plane, y));
        let light = picture.planes[0].row(y);
        for (x, &m) in skin[left..].iter().enumerate() {
            let now = light[left + x] - smooth_after[x];
            let was = light[left + x] - m * change[x] - smooth[x];
            before += f64::from(m * was * was);
            after += f64::from(m * now * now);
        }
    }
    if before > 0.0 {
        (after / before) as f32
    } else {
        1.0
    }
}
