//! Takes small marks (a hair, a speck) out of a plain surround and puts the surround's own
//! texture in their place.
//!
//! **Finding.** A structure narrower than a square of `2 r + 1` pixels is what an opening or a
//! closing by that square takes away (the top-hat: Meyer, *Iterative image transformations for an
//! automatic screening of cervical smears*, J. Histochem. Cytochem. 27(1), 1979). It counts where it
//! stands far above the local noise, and as far along as it still stands above half of that
//! (two thresholds: Canny, *A computational approach to edge detection*, IEEE PAMI 8(6), 1986).
//!
//! **Filling.** x' = B(x) + (I(x + d) - B(x + d)): the surround B, blurred over sound pixels alone
//! (normalised convolution: Knutsson and Westin, CVPR 1993), and real texture from a sound place
//! nearby, one shift d for the whole of a mark, so that a weave stays a weave. Of the shifts the one is
//! taken whose pixels fit the mark's own rim best.

use ndarray::{Array2, Zip};

use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::math::{cos, sin};
use crate::picture::{Rect, bands};

/// Directions and distances (in widths of a mark) in which texture is looked for.
const DIRECTIONS: usize = 12;
const DISTANCES: [f32; 3] = [1.3, 1.9, 2.8];
/// Least share of sound pixels within the blur for a fill to mean anything.
const LEAST_SOUND: f32 = 0.05;
/// Part of the share below which a pixel counts as the rim of its mark.
const RIM: f32 = 0.5;

/// Pixels of one mark, row and column.
pub(super) type Mark = Vec<(usize, usize)>;

/// What is narrower than `2 radius + 1` pixels and lighter than its surround.
pub(super) fn lighter(plane: &Array2<f32>, radius: usize) -> Array2<f32> {
    let opened = dilate(erode(plane.view(), radius).view(), radius);
    plane - &opened
}

/// The same for what is darker.
pub(super) fn darker(plane: &Array2<f32>, radius: usize) -> Array2<f32> {
    let closed = erode(dilate(plane.view(), radius).view(), radius);
    closed - plane
}

/// Mean of `plane` where `weight` is, within `sigma` pixels; 0 where there is none.
pub(super) fn local_mean(plane: &Array2<f32>, weight: &Array2<f32>, sigma: f32) -> Array2<f32> {
    let mut sum = gaussian((plane * weight).view(), sigma);
    let reach = gaussian(weight.view(), sigma);
    Zip::from(&mut sum)
        .and(&reach)
        .for_each(|s, &w| *s = if w > 1e-4 { *s / w } else { 0.0 });
    sum
}

/// Marks: pixels over `low` that hang together (by edge or corner) with one over `high`. In the order
/// of their first pixel, row by row.
pub(super) fn marks(strength: &Array2<f32>, low: f32, high: f32) -> Vec<Mark> {
    let (rows, columns) = strength.dim();
    let mut seen = Array2::from_elem((rows, columns), false);
    let mut found = Vec::new();
    for y in 0..rows {
        for x in 0..columns {
            if seen[[y, x]] || strength[[y, x]] <= low {
                continue;
            }
            seen[[y, x]] = true;
            let (mut mark, mut peak, mut next) = (vec![(y, x)], 0.0_f32, 0);
            while let Some(&(y, x)) = mark.get(next) {
                next += 1;
                peak = peak.max(strength[[y, x]]);
                for row in y.saturating_sub(1)..(y + 2).min(rows) {
                    for column in x.saturating_sub(1)..(x + 2).min(columns) {
                        if !seen[[row, column]] && strength[[row, column]] > low {
                            seen[[row, column]] = true;
                            mark.push((row, column));
                        }
                    }
                }
            }
            if peak > high {
                found.push(mark);
            }
        }
    }
    found
}

/// Longer side of the smallest upright rectangle around a mark, in pixels.
pub(super) fn length(mark: &Mark) -> usize {
    let (mut rows, mut columns) = ([usize::MAX, 0], [usize::MAX, 0]);
    for &(y, x) in mark {
        rows = [rows[0].min(y), rows[1].max(y)];
        columns = [columns[0].min(x), columns[1].max(x)];
    }
    (rows[1] - rows[0]).max(columns[1] - columns[0]) + 1
}

/// A plane of `size` that is 1 on the marks and fades out over a few pixels around them.
pub(super) fn cover(marks: &[Mark], (rows, columns): (usize, usize), grow: usize) -> Array2<f32> {
    let mut plane = Array2::zeros((rows, columns));
    for &at in marks.iter().flatten() {
        plane[at] = 1.0;
    }
    let wide = dilate(plane.view(), grow);
    // Soft by less than a pixel more than it was grown, so that the whole mark stays covered.
    gaussian(wide.view(), 0.3 * grow as f32 + 0.4)
}

/// Takes the `share` (0 to 1) of the marks away. `sound` says which pixels may be filled from, 0 or
/// 1; all are planes of the size of `rect`, where they lie in the picture. `sigma` is the surround's
/// blur and `width` a mark's own, in pixels.
pub(super) fn take_away(
    planes: &mut [Array2<f32>; 3],
    rect: Rect,
    share: &Array2<f32>,
    sound: &Array2<f32>,
    sigma: f32,
    width: f32,
) {
    let reach = gaussian(sound.view(), sigma);
    let places = marks(share, 0.01, 0.01);
    let part = |plane: &Array2<f32>| rect.of(plane.view()).to_owned();
    let shifts = {
        let guide = part(&planes[0]);
        let all: Vec<usize> = (0..places.len()).collect();
        bands::gathered(
            &all,
            || (),
            |(), i| best_shift(&guide, &places[i], share, sound, width),
        )
    };
    for plane in planes {
        let old = part(plane);
        let mut around = gaussian((&old * sound).view(), sigma);
        Zip::from(&mut around)
            .and(&reach)
            .for_each(|v, &w| *v = if w > LEAST_SOUND { *v / w } else { 0.0 });
        for (mark, shift) in places.iter().zip(&shifts) {
            for &(y, x) in mark {
                if reach[[y, x]] <= LEAST_SOUND {
                    continue;
                }
                let texture = shift
                    .and_then(|shift| moved((y, x), shift, sound.dim()))
                    .filter(|&from| sound[from] > 0.5 && reach[from] > LEAST_SOUND)
                    .map_or(0.0, |from| old[from] - around[from]);
                let new = around[[y, x]] + texture;
                let here = old[[y, x]];
                plane[[rect.top + y, rect.left + x]] = here + share[[y, x]] * (new - here);
            }
        }
    }
}

/// A pixel moved by whole pixels; `None` outside of `size`.
fn moved(
    (y, x): (usize, usize),
    (dy, dx): (isize, isize),
    (rows, columns): (usize, usize),
) -> Option<(usize, usize)> {
    let (y, x) = (y.checked_add_signed(dy)?, x.checked_add_signed(dx)?);
    (y < rows && x < columns).then_some((y, x))
}

/// The shift whose pixels are sound and fit the mark's rim best; `None` when none is mostly sound.
fn best_shift(
    guide: &Array2<f32>,
    mark: &Mark,
    share: &Array2<f32>,
    sound: &Array2<f32>,
    width: f32,
) -> Option<(isize, isize)> {
    let mut best: Option<(f32, (isize, isize))> = None;
    for distance in DISTANCES {
        for k in 0..DIRECTIONS {
            let angle = std::f32::consts::TAU * k as f32 / DIRECTIONS as f32;
            let along = |part: f32| (part * distance * width).round() as isize;
            let shift = (along(sin(angle)), along(cos(angle)));
            let (mut unsound, mut unlike, mut rim) = (0_usize, 0.0_f32, 0_usize);
            for &at in mark {
                let Some(from) = moved(at, shift, sound.dim()).filter(|&from| sound[from] > 0.5)
                else {
                    unsound += 1;
                    continue;
                };
                if share[at] < RIM {
                    unlike += (guide[from] - guide[at]).abs();
                    rim += 1;
                }
            }
            if unsound * 5 > mark.len() {
                continue;
            }
            // A pixel without texture is as bad as one that differs by a tenth of full scale.
            let cost = unlike / rim.max(1) as f32 + 0.1 * unsound as f32 / mark.len() as f32;
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, shift));
            }
        }
    }
    best.map(|(_, shift)| shift)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hats_see_what_is_narrow_and_not_an_edge() {
        let mut plane = Array2::from_elem((40, 40), 0.5_f32);
        plane.column_mut(10).fill(0.9);
        plane.column_mut(20).fill(0.2);
        for x in 30..40 {
            plane.column_mut(x).fill(0.8);
        }
        let (light, dark) = (lighter(&plane, 3), darker(&plane, 3));
        assert!((light[[20, 10]] - 0.4).abs() < 1e-6 && dark[[20, 10]] == 0.0);
        assert!((dark[[20, 20]] - 0.3).abs() < 1e-6 && light[[20, 20]] == 0.0);
        assert!(light[[20, 33]] == 0.0 && dark[[20, 28]] == 0.0);
    }

    #[test]
    fn marks_hang_together_and_need_a_peak() {
        let mut plane = Array2::zeros((8, 8));
        for (at, value) in [((1, 1), 3.0), ((2, 2), 1.0), ((3, 3), 1.0), ((6, 6), 1.0)] {
            plane[at] = value;
        }
        let found = marks(&plane, 0.5, 2.0);
        assert_eq!(found, [vec![(1, 1), (2, 2), (3, 3)]]);
        assert_eq!(length(&found[0]), 3);
    }

    #[test]
    fn a_mark_is_filled_with_the_texture_beside_it() {
        // A weave of period 4 on a slope; the mark covers some threads.
        let cloth =
            |y: usize, x: usize| 0.2 + 0.001 * y as f32 + if (x + y) % 4 < 2 { 0.02 } else { 0.0 };
        let clean = Array2::from_shape_fn((60, 60), |(y, x)| cloth(y, x));
        let mut marked = clean.clone();
        let mut share = Array2::zeros((60, 60));
        let mut sound = Array2::from_elem((60, 60), 1.0);
        for y in 27..33 {
            for x in 28..34 {
                share[[y, x]] = if (28..32).contains(&y) && (29..33).contains(&x) {
                    marked[[y, x]] += 0.3;
                    1.0
                } else {
                    0.2
                };
                sound[[y, x]] = 0.0;
            }
        }
        let mut planes = [marked.clone(), marked.clone(), marked];
        let rect = Rect {
            left: 0,
            top: 0,
            width: 60,
            height: 60,
        };
        take_away(&mut planes, rect, &share, &sound, 5.0, 6.0);
        for ((at, now), was) in planes[1].indexed_iter().zip(&clean) {
            assert!((now - was).abs() < 0.012, "{at:?}: {now}, was {was}");
        }
    }
}
