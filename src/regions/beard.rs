//! Beards, by what tells them from shade: they are dark and full of fine lines.
//!
//! The parts net sees a beard's outer edge and takes its middle for skin in doubt: short ones, greying ones,
//! hair that thins out towards the cheek. Below the nose a place is a beard's where the picture's fine
//! detail is several times that of this sitter's bare cheeks and brow (the same light, noise and sharpness)
//! and it is darker than they are. A shaded jaw is dark and smooth; the rim of lips, jaw and collar is a
//! thin line, which an opening takes away (Serra, *Image Analysis and Mathematical Morphology*, 1982).

use ndarray::{Array2, Array3};

use super::nets::{Axes, CLASSES, COARSE};
use super::opinion::patches;
use crate::picture::bands;
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::math::{exp, ln};

/// Classes: face skin, body skin, hair, lips, teeth.
const FACE: usize = 1;
const BODY: usize = 2;
const HAIR: usize = 3;
const LIPS: usize = 8;
const TEETH: usize = 9;

/// Where beards grow, in the face's own units below the eyes and beside the middle; the upper end is under
/// the nose.
const BELOW: [f32; 2] = [0.38, 1.3];
const BESIDE: f32 = 0.9;

/// Where a face is bare (same units), and how sure the net is there.
const BARE: [f32; 2] = [-0.3, 0.35];
const SURE: f32 = 0.95;

/// Standard deviations of the blurs between which detail lies, and of the mean around a place, in eye spans.
const DETAIL: [f32; 2] = [0.006, 0.025];
const AROUND: f32 = 0.03;

/// How far bare skin tells its brightness to places beside it, in eye spans (standard deviation).
const NEAR: f32 = 0.35;

/// Detail over that of bare skin, and darkness (ln), at which a place begins to be a beard's and at which it is
/// one. Measured on a rendered beard and on 16 portraits: three beards have 3 to 8 and 0.2 to 1, shaded
/// jaws and a rendered tint of stubble 1 to 2.
const ROUGH: [f32; 2] = [2.0, 3.5];
const DARK: [f32; 2] = [0.1, 0.3];

/// Half the side of the opening's square, in eye spans.
const LINE: f32 = 0.04;

/// How far the blurs carry a beard over its edge, in eye spans.
const SPILL: f32 = 0.025;

/// Size in squares of an eye span below which a patch is none: creases beside a smile, shade under a jaw.
const SMALL: f32 = 0.05;

/// Where a beard is seen: beside the middle at most, and down to, in the face's own units; what the net is surer of
/// than this is seen already and may be a head's hair; and area, in squares of an eye span, from which there is a
/// beard at all. Three beards have 0.43 to 1.02 there, shade, wrinkles and edges of the 22 other faces 0.18 at
/// most. Without one only a moustache is looked for, so far down and beside.
const SEEN: (f32, f32) = (0.5, 1.15);
const KNOWN: f32 = 0.7;
const AREA: f32 = 0.3;
const MOUSTACHE: (f32, f32) = (0.45, 0.7);

/// The front of the chin, same units, and the net's mean probability of hair there from which it sees a beard by
/// itself: shaven ones have 0.03 at most, half-seen beards 0.1.
const CHIN: (f32, [f32; 2]) = (0.25, [0.75, 0.92]);
const EVEN: f32 = 0.3;

/// Log odds for hair against skin where a place is a beard's. A pixel's colour has its say after.
const TOLD: f32 = 2.5;

/// Pixels per eye span (of the half-size picture) below which there is no detail to see.
const FEWEST: f32 = 25.0;

/// Keeps logarithms finite; common practice, no source.
const BLACK: f32 = 0.03;

/// Moves what is hair and what is skin below the nose in `classes` (probabilities, `[11, h, w]`, half size) by
/// the looks of `shown`, sRGB-encoded and of the same size. `span`: eye span in its pixels. Says whether there
/// is a beard, or may be one.
pub(super) fn settle(
    classes: &mut Array3<f32>,
    shown: &[Array2<f32>; 3],
    axes: &Axes,
    span: f32,
) -> bool {
    let (count, high, wide) = classes.dim();
    let sized = shown.iter().all(|plane| plane.dim() == (high, wide));
    if count != CLASSES || !sized || span < FEWEST {
        return true;
    }
    let of = |y: usize, x: usize| axes.of_half(y, x);
    // The square in which it may grow, and a little for the blurs.
    let reach = 1.05 * BELOW[1] * axes.unit / COARSE as f32;
    let range = |middle: f32, end: usize| {
        let (low, high) = (
            middle / COARSE as f32 - reach,
            middle / COARSE as f32 + reach,
        );
        low.max(0.0).min(end as f32) as usize..high.max(0.0).min(end as f32) as usize
    };
    let (rows, columns) = (range(axes.middle.y, high), range(axes.middle.x, wide));
    let dim = (rows.len(), columns.len());
    if dim.0 < 16 || dim.1 < 16 {
        return true;
    }
    let (top, left) = (rows.start, columns.start);
    let light = bands::plane(dim, |y, x| {
        let at = [top + y, left + x];
        let mean = (shown[0][at] + shown[1][at] + shown[2][at]) / 3.0;
        ln(mean.max(0.0) + BLACK)
    });
    let bare = bands::plane(dim, |y, x| {
        let down = of(top + y, left + x).1;
        let inside = down > BARE[0] && down < BARE[1];
        f32::from(u8::from(
            inside && classes[[FACE, top + y, left + x]] > SURE,
        ))
    });
    let blur = |plane: &Array2<f32>, spans: f32| gaussian(plane.view(), spans * span);
    let fine = blur(&light, DETAIL[0]) - blur(&light, DETAIL[1]);
    let rough = blur(&fine.mapv(|v| v * v), AROUND);
    let mut squares: Vec<f32> = rough
        .iter()
        .zip(&bare)
        .filter(|(_, bare)| **bare > 0.5)
        .map(|(v, _)| *v)
        .collect();
    if squares.len() < 50 {
        return true;
    }
    let middle = squares.len() / 2;
    let usual = *squares.select_nth_unstable_by(middle, f32::total_cmp).1;
    let norm = blur(&bare, NEAR);
    let mean = blur(&(&bare * &light), NEAR);
    let overall = (&bare * &light).sum() / bare.sum().max(1.0);
    let seen = blur(&light, 0.5 * AROUND);
    let ramp = |v: f32, [low, high]: [f32; 2]| ((v - low) / (high - low)).max(0.0).min(1.0);
    let likely = bands::plane(dim, |y, x| {
        let at = [top + y, left + x];
        let (beside, down) = of(at[0], at[1]);
        let class = |k: usize| classes[[k, at[0], at[1]]];
        let here = down > BELOW[0] && down < BELOW[1] && beside.abs() < BESIDE;
        if !here
            || class(FACE) + class(BODY) + class(HAIR) < 0.5
            || class(LIPS) + class(TEETH) > 0.2
        {
            return 0.0;
        }
        let skin = if norm[[y, x]] > 0.01 {
            mean[[y, x]] / norm[[y, x]]
        } else {
            overall
        };
        let more = (rough[[y, x]] / usual.max(1e-12)).sqrt();
        ramp(more, ROUGH) * ramp(skin - seen[[y, x]], DARK)
    });
    let line = (LINE * span + 0.5) as usize;
    // What the blurs carried over a beard's edge is taken back.
    let spill = (SPILL * span + 0.5) as usize;
    let mut beard = dilate(
        erode(likely.view(), line).view(),
        line.saturating_sub(spill),
    );
    drop_small(&mut beard, SMALL * span * span);
    beard.zip_mut_with(&likely, |beard, &likely| *beard = beard.min(likely));
    let seen = beard.indexed_iter().filter(|&((y, x), &beard)| {
        let (beside, down) = of(top + y, left + x);
        let known = classes[[HAIR, top + y, left + x]] > KNOWN;
        beard > 0.5 && beside.abs() < SEEN.0 && down < SEEN.1 && !known
    });
    let (mut sure, mut places) = (0.0, 1.0);
    for (y, x) in ndarray::indices(dim) {
        let (beside, down) = of(top + y, left + x);
        if beside.abs() < CHIN.0 && down > CHIN.1[0] && down < CHIN.1[1] {
            sure += classes[[HAIR, top + y, left + x]];
            places += 1.0;
        }
    }
    let bearded = seen.count() as f32 > AREA * span * span || sure > EVEN * places;
    for ((y, x), &beard) in beard.indexed_iter() {
        let (beside, down) = of(top + y, left + x);
        let moustache = beside.abs() < MOUSTACHE.0 && down < MOUSTACHE.1;
        if beard <= 0.0 || !(bearded || moustache) {
            continue;
        }
        let at = [top + y, left + x];
        let [face, body, hair] = [FACE, BODY, HAIR].map(|k| classes[[k, at[0], at[1]]]);
        let (skin, all) = (face + body, face + body + hair);
        let odds = (hair + 1e-3) / (skin + 1e-3) * exp(TOLD * beard);
        let new = all * odds / (1.0 + odds);
        let kept = (all - new) / skin.max(1e-6);
        classes[[HAIR, at[0], at[1]]] = new;
        classes[[FACE, at[0], at[1]]] = face * kept;
        classes[[BODY, at[0], at[1]]] = body * kept;
    }
    bearded
}

/// Takes away patches of less than `least` pixels.
fn drop_small(map: &mut Array2<f32>, least: f32) {
    for patch in patches(map, 0.1) {
        if (patch.len() as f32) < least {
            patch.iter().for_each(|&at| map[at] = 0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Axis;

    use super::*;
    use crate::picture::Point;

    const SPAN: f32 = 60.0;

    /// A face of one colour, and below the mouth `chin` of it.
    fn sitter(chin: impl Fn(usize, usize) -> f32) -> (Array3<f32>, [Array2<f32>; 3], Axes) {
        let (high, wide) = (260, 200);
        let mut classes = Array3::zeros((CLASSES, high, wide));
        // As the net has a beard's middle: in doubt.
        for ((y, _), face) in classes.index_axis_mut(Axis(0), FACE).indexed_iter_mut() {
            *face = if y < 150 { 0.98 } else { 0.85 };
        }
        let hair = classes.index_axis(Axis(0), FACE).mapv(|face| 1.0 - face);
        classes.index_axis_mut(Axis(0), HAIR).assign(&hair);
        // Pores: the same everywhere.
        let pore = |y: usize, x: usize| 1.0 + 0.01 * ((7 * x + 3 * y) % 5) as f32;
        let plane = Array2::from_shape_fn((high, wide), |(y, x)| {
            let below = if (170..200).contains(&y) {
                chin(y, x)
            } else {
                1.0
            };
            0.6 * pore(y, x) * below
        });
        let eyes = [Point { x: 140.0, y: 200.0 }, Point { x: 260.0, y: 200.0 }];
        let axes = Axes::new(eyes, Point { x: 200.0, y: 400.0 });
        (classes, [plane.clone(), plane.clone(), plane], axes)
    }

    #[test]
    fn dark_lines_on_the_chin_are_a_beard_and_shade_is_none() {
        let (mut classes, shown, axes) = sitter(|_, x| if x % 3 == 0 { 0.3 } else { 0.8 });
        settle(&mut classes, &shown, &axes, SPAN);
        assert!(
            classes[[HAIR, 185, 100]] > 0.5,
            "{}",
            classes[[HAIR, 185, 100]]
        );
        assert!(classes[[HAIR, 100, 100]] < 0.05);
        let (mut classes, shown, axes) = sitter(|_, _| 0.6);
        settle(&mut classes, &shown, &axes, SPAN);
        assert!(classes[[HAIR, 185, 100]] < 0.2);
    }

    #[test]
    fn shares_are_kept() {
        let (mut classes, shown, axes) = sitter(|y, x| if (x + y) % 4 == 0 { 0.2 } else { 0.7 });
        settle(&mut classes, &shown, &axes, SPAN);
        let sums = classes.sum_axis(Axis(0));
        assert!(sums.iter().all(|s| (s - 1.0).abs() < 1e-4));
    }
}
