//! A second opinion on what is hair.
//!
//! The parts net is shown the hair net's map, and believes it: where that takes the lit or shaded side
//! of a bald head for hair, so does the parts net. Shown the face once more, in a mirror and
//! without that map, it tells such places from hair. Alone the second answer is worse (it
//! misses half of many heads of hair), so hair stays what the first answer says, but for whole
//! patches that the second hardly confirms and that no head of hair explains: hair grows on both sides of a
//! head, or it is more than a small patch. All other classes get the mean of both answers,
//! which is what a mirror is shown to a net for. Where the first answer has no such patch there is nothing to
//! ask, and a look is saved: so in 11 of those 25 frames.
//!
//! On the rendered sitters and sixteen portraits the second answer confirms 0.07 to 0.16 of the false
//! patches, whose mirror images are hair by 0.29 at most (or that are small), and 0.16 to 0.97 of true
//! heads of hair, whose mirror images are by 0.48 at least.

use ndarray::{Array2, ArrayViewMut2, Axis};

use super::crop::{Crop, sample};
use super::nets::{Axes, CLASSES};
use crate::picture::Point;
use crate::picture::math::{exp, ln};

/// Hair's place among the classes.
const HAIR: usize = 3;

/// Probability from which a place belongs to a patch of hair.
const PATCH: f32 = 0.3;

/// Share of the first answer's hair that the second must confirm for a patch to need no more.
const CONFIRMED: f32 = 0.25;

/// Hair at a patch's mirror image, on average, from which it grows on both sides.
const BOTH_SIDES: f32 = 0.4;

/// Size of a patch, in squares of the distance from the eyes to the chin, that counts as small: a quarter
/// of a squared eye span.
const SMALL: f32 = 0.09;

/// Size in the same squares below which a patch is not worth a second look: a tenth of that.
const CRUMB: f32 = 0.009;

/// Patches below this, in those distances, under the eyes have no mirror image to speak of: they are
/// beards, or hair that falls to one shoulder.
const HEAD: f32 = 0.3;

/// The second answer's probability at which a single place of a refused patch is as likely hair: cropped
/// hair beside a bald crown lies in one patch with the lit scalp. From 0.2 to 0.3 what stays overlaps the
/// rendered truth of such a head by 0.33 to 0.37.
const EVEN: f32 = 0.27;

/// Log-probability of a class that is ruled out.
const NEVER: f32 = -12.0;

/// Two answers on one crop become one, in `first`: log-probabilities, one map of `crop.n` x
/// `crop.n` per class. Gives the places whose hair was taken for none, 1 there.
pub(super) fn merged(
    first: &mut [f32],
    second: &[f32],
    crop: &Crop,
    axes: &Axes,
) -> Option<Array2<f32>> {
    let n = crop.n;
    if first.len() != CLASSES * n * n || second.len() != first.len() {
        return None;
    }
    let hairs = (hair_of_maps(first, n), hair_of_maps(second, n));
    let mut refused = refused(&hairs.0, &hairs.1, crop, axes);
    let mut values = [0.0; CLASSES];
    for y in 0..n {
        for x in 0..n {
            let at = y * n + x;
            let place = |class: usize| class * n * n + at;
            let told = if refused[[y, x]] > 0.5 {
                second
            } else {
                &*first
            };
            let mut log = told[place(HAIR)].min(-1e-4);
            if refused[[y, x]] > 0.5 {
                let odds = exp(log) / (1.0 - exp(log)) * ((1.0 - EVEN) / EVEN);
                let hair = odds * odds / (1.0 + odds * odds);
                log = ln(hair.max(1e-6));
                if hair > 0.5 {
                    refused[[y, x]] = 0.0;
                }
            }
            let hair = exp(log);
            let mut sum = 0.0;
            for (class, value) in values.iter_mut().enumerate() {
                *value = 0.5 * (first[place(class)] + second[place(class)]);
                if class != HAIR {
                    sum += exp(*value);
                }
            }
            let shift = ln((1.0 - hair).max(1e-6)) - ln(sum.max(1e-12));
            for (class, value) in values.iter().enumerate() {
                first[place(class)] = if class == HAIR { log } else { value + shift };
            }
        }
    }
    Some(refused)
}

/// Rules hair out, in another crop's answer, where it was refused.
pub(super) fn without(maps: &mut [f32], crop: &Crop, refused: &Array2<f32>, by: &Crop) {
    let n = crop.n;
    if maps.len() != CLASSES * n * n {
        return;
    }
    for y in 0..n {
        for x in 0..n {
            let place = crop.to_picture(Point {
                x: x as f32 + 0.5,
                y: y as f32 + 0.5,
            });
            let there = by.to_crop(place);
            let end = by.n as f32;
            let inside = there.x > 0.0 && there.y > 0.0 && there.x < end && there.y < end;
            let at = y * n + x;
            let hair = exp(maps[HAIR * n * n + at]);
            if !inside || sample(refused.view(), there.x, there.y) < 0.5 || hair > 0.999 {
                continue;
            }
            let shift = ln(1.0 - hair);
            for class in 0..CLASSES {
                let value = &mut maps[class * n * n + at];
                *value = if class == HAIR { NEVER } else { *value - shift };
            }
        }
    }
}

/// 1 in patches of the first answer's hair that are none.
fn refused(first: &Array2<f32>, second: &Array2<f32>, crop: &Crop, axes: &Axes) -> Array2<f32> {
    let mut out = Array2::zeros(first.dim());
    for patch in patches(first, PATCH) {
        if !is_odd(&patch, first, crop, axes) {
            continue;
        }
        let (mut told, mut confirmed) = (0.0, 0.0);
        for &at in &patch {
            told += first[at];
            confirmed += second[at];
        }
        if confirmed < CONFIRMED * told {
            patch.iter().for_each(|&at| out[at] = 1.0);
        }
    }
    out
}

/// Whether the first answer has a patch of hair that needs a second one.
pub(super) fn is_needed(first: &[f32], crop: &Crop, axes: &Axes) -> bool {
    let n = crop.n;
    if first.len() != CLASSES * n * n {
        return false;
    }
    let hair = hair_of_maps(first, n);
    let step = crop.step_x.abs() / axes.unit;
    let mut found = patches(&hair, PATCH).into_iter();
    found.any(|patch| patch.len() as f32 * step * step > CRUMB && is_odd(&patch, &hair, crop, axes))
}

/// Hair of one answer.
fn hair_of_maps(maps: &[f32], n: usize) -> Array2<f32> {
    let values = maps[HAIR * n * n..][..n * n].iter().map(|&l| exp(l));
    Array2::from_shape_vec((n, n), values.collect()).expect("one map")
}

/// Places of `map` above `least` that hang together, corners too.
pub(super) fn patches(map: &Array2<f32>, least: f32) -> Vec<Vec<(usize, usize)>> {
    let (h, w) = map.dim();
    let mut open = map.mapv(|p| p > least);
    let mut all = Vec::new();
    for start in (0..h * w).map(|i| (i / w, i % w)) {
        if !std::mem::take(&mut open[start]) {
            continue;
        }
        let mut patch = vec![start];
        let mut done = 0;
        while done < patch.len() {
            let (y, x) = patch[done];
            done += 1;
            for near in y.saturating_sub(1)..(y + 2).min(h) {
                for beside in x.saturating_sub(1)..(x + 2).min(w) {
                    if std::mem::take(&mut open[[near, beside]]) {
                        patch.push((near, beside));
                    }
                }
            }
        }
        all.push(patch);
    }
    all
}

/// Whether a patch is no head of hair by itself: small, or on one side of the head alone.
fn is_odd(patch: &[(usize, usize)], first: &Array2<f32>, crop: &Crop, axes: &Axes) -> bool {
    let step = crop.step_x.abs() / axes.unit;
    let (mut beside, mut on_head) = (0.0, 0.0);
    for &(y, x) in patch {
        let place = crop.to_picture(Point {
            x: x as f32 + 0.5,
            y: y as f32 + 0.5,
        });
        let (right, down) = axes.of(place);
        if down < HEAD {
            let over = 2.0 * right * axes.unit;
            let image = crop.to_crop(Point {
                x: place.x - over * axes.right.x,
                y: place.y - over * axes.right.y,
            });
            beside += sample(first.view(), image.x, image.y);
            on_head += 1.0;
        }
    }
    let small = patch.len() as f32 * step * step < SMALL;
    small || on_head > 0.0 && beside < BOTH_SIDES * on_head
}

/// Turns a map over, left to right.
pub(super) fn turn_over(map: &mut [f32], n: usize) {
    if let Ok(mut map) = ArrayViewMut2::from_shape((map.len() / n.max(1), n), map) {
        for mut row in map.axis_iter_mut(Axis(0)) {
            if let Some(row) = row.as_slice_mut() {
                row.reverse();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const N: usize = 32;

    fn axes() -> Axes {
        let eyes = [Point { x: 12.0, y: 16.0 }, Point { x: 20.0, y: 16.0 }];
        Axes::new(eyes, Point { x: 16.0, y: 26.0 })
    }

    fn crop() -> Crop {
        Crop::level(Point { x: 16.0, y: 16.0 }, N as f32, N)
    }

    /// Log-probabilities of hair where `hair` says so and of face skin elsewhere.
    fn answer(hair: impl Fn(usize, usize) -> bool) -> Vec<f32> {
        let mut maps = vec![-12.0; CLASSES * N * N];
        for y in 0..N {
            for x in 0..N {
                let class = if hair(y, x) { HAIR } else { 1 };
                maps[(class * N + y) * N + x] = -0.01;
            }
        }
        maps
    }

    fn hair_of(maps: &[f32], y: usize, x: usize) -> f32 {
        exp(maps[(HAIR * N + y) * N + x])
    }

    #[test]
    fn one_side_alone_needs_the_second_answer() {
        let right = |y: usize, x: usize| y < 16 && x > 22;
        let mut first = answer(right);
        let refused = merged(&mut first, &answer(|_, _| false), &crop(), &axes());
        assert!(hair_of(&first, 8, 28) < 0.01);
        let refused = refused.expect("maps of one size");
        let mut wide = answer(right);
        without(&mut wide, &crop(), &refused, &crop());
        assert!(hair_of(&wide, 8, 28) < 0.01);
        let mut first = answer(right);
        merged(&mut first, &answer(right), &crop(), &axes());
        assert!(hair_of(&first, 8, 28) > 0.9);
    }

    #[test]
    fn a_head_of_hair_stays() {
        let top = |y: usize, _: usize| y < 10;
        let mut first = answer(top);
        merged(&mut first, &answer(|_, _| false), &crop(), &axes());
        assert!(hair_of(&first, 4, 5) > 0.9 && hair_of(&first, 4, 27) > 0.9);
    }

    /// Exactly what the first said of hair, and of the rest the mean.
    #[test]
    fn probabilities_still_add_up() {
        let mut first = answer(|y, x| (y + x) % 3 == 0);
        merged(
            &mut first,
            &answer(|y, x| (y * x) % 5 == 0),
            &crop(),
            &axes(),
        );
        for at in 0..N * N {
            let sum: f32 = (0..CLASSES).map(|c| exp(first[c * N * N + at])).sum();
            assert!((sum - 1.0).abs() < 0.01, "{sum}");
        }
    }
}
