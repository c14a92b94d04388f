//! Figures for sidecars, reports and tests: how far apart colours are, how light a region is,
//! how much fine texture it has.
//!
//! Sums run in f64 in row order on one thread, so they are the same at any thread count.
//! [`delta_e_2000`] goes through the platform's trigonometric functions (of the crate
//! `palette`): round its results before writing them where bytes must be the same everywhere.

use ndarray::{Array2, ArrayView2, Zip};
use palette::color_difference::Ciede2000;
use palette::white_point;
use serde::Serialize;

use crate::picture::filter::gaussian;
use crate::picture::oklab::WORKING_TO_XYZ;
use crate::picture::{Linear, bands, lightness, luminance, matrix};

/// A CIELAB colour relative to D65: L* 0 to 100, a* and b* about -128 to 128.
pub type Lab = palette::Lab<white_point::D65, f64>;

/// CIELAB (CIE 015:2018, section 8.2.1) of a working-space colour, relative to the working
/// space's own white: (1, 1, 1) is L* = 100, a* = b* = 0. No adaptation to D50 is made; figures
/// from D50 tables differ in a* and b* by what a Bradford adaptation of both colours would do.
pub fn lab(rgb: [f32; 3]) -> Lab {
    lab_from_xyz(matrix::apply(WORKING_TO_XYZ, rgb.map(f64::from)), white())
}

/// XYZ of the working space's white.
fn white() -> [f64; 3] {
    matrix::apply(WORKING_TO_XYZ, [1.0; 3])
}

/// CIELAB of XYZ under a white, both on one scale: CIE 015:2018, equations 8.3 to 8.11.
fn lab_from_xyz(xyz: [f64; 3], white: [f64; 3]) -> Lab {
    const KNEE: f64 = 216.0 / 24_389.0;
    let f = |t: f64| {
        if t > KNEE {
            libm::cbrt(t)
        } else {
            (24_389.0 / 27.0 * t + 16.0) / 116.0
        }
    };
    let [x, y, z] = [
        f(xyz[0] / white[0]),
        f(xyz[1] / white[1]),
        f(xyz[2] / white[2]),
    ];
    Lab::new(116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z))
}

/// Colour difference CIEDE2000 (ISO/CIE 11664-6) with parametric factors of 1.
pub fn delta_e_2000(one: Lab, other: Lab) -> f64 {
    one.difference(other)
}

/// CIEDE2000 between two pictures, pixel by pixel.
///
/// # Panics
/// When their sizes differ.
pub fn difference_map(one: &Linear, other: &Linear) -> Array2<f32> {
    assert_eq!(one.size(), other.size(), "pictures of one size");
    let mut map = Array2::zeros(one.planes[0].dim());
    bands::each_band(map.view_mut(), |first, mut rows| {
        for ((y, x), out) in rows.indexed_iter_mut() {
            let (a, b) = (one.at(first + y, x), other.at(first + y, x));
            *out = if a == b {
                0.0
            } else {
                delta_e_2000(lab(a), lab(b)) as f32
            };
        }
    });
    map
}

/// How a map's values lie inside of a matte.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spread {
    /// Weighted mean.
    pub mean: f64,
    /// Below it lie 95 % of the weight.
    pub most: f64,
}

/// Mean and 95th percentile of a map, weighted by a matte (0 to 1, same shape); `None` when the
/// matte is empty.
pub fn spread(map: ArrayView2<'_, f32>, matte: ArrayView2<'_, f32>) -> Option<Spread> {
    let mut values: Vec<(f32, f32)> = map
        .iter()
        .copied()
        .zip(matte.iter().copied())
        .filter(|&(_, weight)| weight > 0.0)
        .collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let weight: f64 = values.iter().map(|&(_, weight)| f64::from(weight)).sum();
    let sum: f64 = values
        .iter()
        .map(|&(value, w)| f64::from(value) * f64::from(w))
        .sum();
    let mut below = 0.0;
    let most = values.iter().find(|&&(_, w)| {
        below += f64::from(w);
        below >= 0.95 * weight
    })?;
    Some(Spread {
        mean: sum / weight,
        most: f64::from(most.0),
    })
}

/// Mean working-space colour, weighted by a matte (0 to 1, same shape); `None` when the matte is
/// empty.
pub fn mean_colour(picture: &Linear, matte: ArrayView2<'_, f32>) -> Option<[f32; 3]> {
    let weight = total(matte);
    (weight > 0.0).then(|| {
        picture.planes.each_ref().map(|plane| {
            let sum = Zip::from(plane)
                .and(matte)
                .fold(0.0_f64, |sum, &v, &w| sum + f64::from(v) * f64::from(w));
            (sum / weight) as f32
        })
    })
}

fn total(matte: ArrayView2<'_, f32>) -> f64 {
    matte.iter().fold(0.0, |sum, &w| sum + f64::from(w))
}

/// CIELAB L* below which a given share (0 to 1) of a matte's weight lies, for each of `shares`;
/// `None` when the matte is empty. Exact to 0.05 in L*; L* is cut to 0 to 120.
pub fn lightness_percentiles(
    picture: &Linear,
    matte: ArrayView2<'_, f32>,
    shares: &[f64],
) -> Option<Vec<f32>> {
    const PER_UNIT: f32 = 20.0;
    const BINS: usize = 120 * 20 + 1;
    let mut weights = vec![0.0_f64; BINS];
    let [r, g, b] = &picture.planes;
    Zip::from(r)
        .and(g)
        .and(b)
        .and(matte)
        .for_each(|&r, &g, &b, &w| {
            if w > 0.0 {
                // A float that is negative or NaN becomes 0.
                let bin = (lightness(luminance([r, g, b])) * PER_UNIT + 0.5) as usize;
                weights[bin.min(BINS - 1)] += f64::from(w);
            }
        });
    let all: f64 = weights.iter().sum();
    (all > 0.0).then(|| {
        let below = |share: f64| {
            let mut sum = 0.0;
            let bin = weights.iter().position(|w| {
                sum += w;
                sum >= share * all && sum > 0.0
            });
            bin.unwrap_or(BINS - 1) as f32 / PER_UNIT
        };
        shares.iter().map(|&share| below(share)).collect()
    })
}

/// Root mean square of the detail between two blurs, weighted by a matte: the texture of sizes
/// from `fine` to `coarse` (standard deviations in pixels, `fine` may be 0). On the plane's
/// scale; `None` when the matte is empty.
pub fn texture(
    plane: ArrayView2<'_, f32>,
    matte: ArrayView2<'_, f32>,
    fine: f32,
    coarse: f32,
) -> Option<f32> {
    let weight = total(matte);
    (weight > 0.0).then(|| {
        let (fine, coarse) = (gaussian(plane, fine), gaussian(plane, coarse));
        let squares = Zip::from(&fine)
            .and(&coarse)
            .and(matte)
            .fold(0.0_f64, |sum, &f, &c, &w| {
                let band = f64::from(f) - f64::from(c);
                sum + band * band * f64::from(w)
            });
        (squares / weight).sqrt() as f32
    })
}

/// Peak signal-to-noise ratio in dB of two planes of one shape, for a full scale of `peak`;
/// infinite when they are equal, NaN when they are empty.
///
/// # Panics
/// When their shapes differ.
pub fn psnr(one: ArrayView2<'_, f32>, other: ArrayView2<'_, f32>, peak: f64) -> f64 {
    let squares = Zip::from(one).and(other).fold(0.0_f64, |sum, &a, &b| {
        let difference = f64::from(a) - f64::from(b);
        sum + difference * difference
    });
    10.0 * libm::log10(peak * peak * one.len() as f64 / squares)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{Size, luminance_of};

    const SIZE: Size = Size {
        width: 40,
        height: 30,
    };

    #[test]
    fn white_and_grey_are_neutral() {
        for (grey, l) in [(1.0, 100.0), (luminance_of(50.0), 50.0), (0.0, 0.0)] {
            let lab = lab([grey; 3]);
            assert!((lab.l - l).abs() < 1e-4 && lab.a.abs() < 1e-9 && lab.b.abs() < 1e-9);
        }
    }

    #[test]
    fn percentiles_of_two_halves() {
        let mut picture = Linear::filled(SIZE, [luminance_of(30.0); 3]);
        for plane in &mut picture.planes {
            for ((_, x), v) in plane.indexed_iter_mut() {
                *v = if x < 10 { luminance_of(80.0) } else { *v };
            }
        }
        let matte = Array2::from_elem((30, 40), 0.5);
        let found = lightness_percentiles(&picture, matte.view(), &[0.0, 0.5, 0.74, 0.76, 1.0]);
        assert_eq!(found, Some(vec![30.0, 30.0, 30.0, 80.0, 80.0]));
        let nothing = Array2::zeros((30, 40));
        assert_eq!(
            lightness_percentiles(&picture, nothing.view(), &[0.5]),
            None
        );
        assert_eq!(mean_colour(&picture, nothing.view()), None);
        let mean = mean_colour(&picture, matte.view()).expect("not empty")[1];
        assert!((mean - (luminance_of(30.0) * 0.75 + luminance_of(80.0) * 0.25)).abs() < 1e-6);
    }

    /// A sine of wavelength p has the root mean square amplitude / sqrt 2, times the band's
    /// transfer exp(-2 (pi s / p)^2) of either Gaussian.
    #[test]
    fn texture_of_a_sine() {
        use std::f64::consts::PI;
        let (period, amplitude, fine, coarse) = (12.0, 0.1, 1.0, 6.0);
        let plane = Array2::from_shape_fn((60, 480), |(_, x)| {
            (0.5 + amplitude * (2.0 * PI * x as f64 / period).sin()) as f32
        });
        let matte = Array2::from_shape_fn((60, 480), |(_, x)| f32::from((60..420).contains(&x)));
        let passed = |s: f64| (-2.0 * (PI * s / period).powi(2)).exp();
        let wanted = amplitude / 2.0_f64.sqrt() * (passed(fine) - passed(coarse));
        let found = texture(plane.view(), matte.view(), fine as f32, coarse as f32);
        let found = f64::from(found.expect("not empty"));
        assert!((found / wanted - 1.0).abs() < 0.005, "{found} for {wanted}");
    }

    #[test]
    fn psnr_of_a_known_error() {
        let one = Array2::from_elem((4, 5), 0.5);
        let other = Array2::from_elem((4, 5), 0.6);
        assert!((psnr(one.view(), other.view(), 1.0) - 20.0).abs() < 1e-5);
        assert_eq!(psnr(one.view(), one.view(), 1.0), f64::INFINITY);
    }

    #[test]
    fn equal_pictures_do_not_differ() {
        let one = Linear::filled(SIZE, [0.2, 0.3, 0.4]);
        let mut other = one.clone();
        other.planes[0][[3, 4]] += 0.01;
        let map = difference_map(&one, &other);
        assert_eq!(map.iter().filter(|&&d| d > 0.0).count(), 1);
        assert!(map[[3, 4]] > 0.5 && map[[3, 4]] < 3.0, "{}", map[[3, 4]]);
    }
}
