//! What makes finished pictures of a set alike or not: the wall's colour and evenness, the head's
//! size and place.
//!
//! Read on the finished crop before it is sized, from the regions that were found anyway. Figures
//! are rounded (L* and kin to a hundredth, shares to a ten-thousandth), so that they are the same
//! text everywhere.

use crate::operations::crop;
use crate::picture::{Linear, Size};
use crate::regions::{Region, Regions};

use super::lab;

/// Share of a pixel that the sitter may cover for it to count as wall.
const BARE: f32 = 0.01;
/// Rows and columns that are read, at most; more change the figures by less than they are rounded.
const READ: usize = 300;
/// Fewest wall pixels, among those read, that make a figure.
const FEWEST: usize = 50;

/// The wall of a finished picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wall {
    /// Mean CIELAB colour (D65).
    pub lab: [f64; 3],
    /// L* between the 5th and the 95th percentile.
    pub spread: f64,
}

/// The sitter's place in a finished picture, as shares of its height or width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Crown to chin, as the crop counts a head.
    pub head_height: f64,
    /// Middle of the eyes, from the top.
    pub eye_line: f64,
    /// Halfway between the eyes' middle and the chin's column, from the left.
    pub axis: f64,
}

/// Measures the bare wall; `None` where hardly any shows or no backdrop was found.
///
/// # Panics
/// When the regions are not for this picture.
pub fn wall(picture: &Linear, regions: &Regions) -> Option<Wall> {
    assert_eq!(picture.size(), regions.size, "regions of this picture");
    regions.backdrop.as_ref()?;
    let Size { width, height } = picture.size();
    let person = regions.region(Region::Person);
    let mut alpha = vec![0.0; width];
    let (mut sums, mut light) = ([0.0_f64; 3], Vec::new());
    for y in (0..height).step_by(height.div_ceil(READ).max(1)) {
        person.fill_row(y, &mut alpha);
        for x in (0..width).step_by(width.div_ceil(READ).max(1)) {
            if alpha[x] < BARE {
                let colour = lab(picture.at(y, x));
                let values = [colour.l, colour.a, colour.b];
                sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += v);
                light.push(colour.l);
            }
        }
    }
    if light.len() < FEWEST {
        return None;
    }
    light.sort_unstable_by(f64::total_cmp);
    let at = |percent: usize| light[(light.len() - 1) * percent / 100];
    Some(Wall {
        lab: sums.map(|sum| rounded(sum / light.len() as f64, 100.0)),
        spread: rounded(at(95) - at(5), 100.0),
    })
}

/// Where the sitter is; `None` without a face.
pub fn place(regions: &Regions) -> Option<Place> {
    let marks = regions.marks.as_ref()?;
    let (width, height) = (regions.size.width as f64, regions.size.height as f64);
    let middle = |one: f32, other: f32| 0.5 * (f64::from(one) + f64::from(other));
    let [one, other] = marks.eyes;
    let axis = 0.5 * (middle(one.x, other.x) + f64::from(marks.chin.x));
    Some(Place {
        head_height: rounded(crop::head(marks) / height, 1e4),
        eye_line: rounded(middle(one.y, other.y) / height, 1e4),
        axis: rounded(axis / width, 1e4),
    })
}

/// To a whole number of `1 / parts`, never -0.
fn rounded(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::luminance_of;
    use crate::regions::{BackdropModel, Matte};
    use ndarray::Array2;

    /// A wall of L* 62 with a slope to 64, half of it hidden: CIE 015:2018, equation 8.3.
    #[test]
    fn only_the_bare_wall_counts() {
        let size = Size {
            width: 200,
            height: 100,
        };
        let mut picture = Linear::zeros(size);
        for plane in &mut picture.planes {
            for ((_, x), v) in plane.indexed_iter_mut() {
                *v = if x < 100 {
                    luminance_of(62.0 + 0.02 * x as f32)
                } else {
                    0.9
                };
            }
        }
        let person = Array2::from_shape_fn((100, 200), |(_, x)| f32::from(x >= 100));
        let surface = [(); 3].map(|()| Matte::constant(size, 0.3));
        let regions = Regions {
            size,
            marks: None,
            mattes: vec![(Region::Person, Matte::exact(person))],
            backdrop: Some(BackdropModel { surface }),
            confidence: 1.0,
            attention: Vec::new(),
        };
        let found = wall(&picture, &regions).expect("half of it is wall");
        assert!((found.lab[0] - 62.99).abs() < 0.011, "{found:?}");
        assert!(found.lab[1].abs() < 0.01 && found.lab[2].abs() < 0.01);
        assert!((found.spread - 1.8).abs() < 0.03, "{found:?}");
        assert_eq!(place(&regions), None);
    }
}
