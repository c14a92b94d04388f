//! Where blemishes are: peaks of redness that stand out and are round, flat, and red more than brown.

use ndarray::{Array2, Zip};

use crate::operations::Scene;
use crate::operations::skin_bands::SkinGrid;
use crate::picture::math::ln;
use crate::picture::oklab::linear_from_oklab;
use crate::picture::{EyeSpans, Point, bands};

use super::peaks::{Beside, clear_share, extent, is_peak, is_round, lit_side};
use super::{FINEST, Place, apart};

/// The working space in sRGB's primaries: ITU-R BT.2407-0, section 2.2.
const TO_SRGB: [[f32; 3]; 3] = [
    [1.6605, -0.5876, -0.0728],
    [-0.1246, 1.1329, -0.0083],
    [-0.0182, -0.1006, 1.1187],
];
/// Light below which a logarithm means nothing: a ten-thousandth of white.
const DARKEST: f32 = 1e-4;
/// Widths, each sqrt(2) wider than the one before; the widest is 0.102 eye spans.
pub(super) const WIDTHS: usize = 8;
/// Differences are taken between a width and the one this many further: an octave.
const OCTAVE: usize = 2;
/// Erythema asked for at a sensitivity of 0, 0.5 and 1. At 0.5 it is just under the weakest planted
/// blemish that stands above the noise (0.032); tests print what is found.
const REDNESS: [f32; 3] = [0.12, 0.03, 0.02];
/// How far it stands out at a sensitivity of 0, 0.5 and 1: redness over the unevenness of the region
/// around, times redness over that right beside. Measured on 540 marks drawn into the rendered raw frames
/// (2 to 5.6 mm wide, as papules are: Zaenglein et al., *Guidelines of care for the management of acne
/// vulgaris*, J. Am. Acad. Dermatol. 74(5), 2016; ln G lower by 0.18 to 0.8): both together tell marks
/// from the sitters' own skin better than the first alone (area under the curve 0.94 for 0.92). Their skin
/// has 34 at most, and three places above 26; the faintest planted blemish that is found has 41. Between
/// the two lie small red spots of real sitters.
const STANDS_OUT: [f32; 3] = [150.0, 35.0, 26.0];
/// Redness counts as unevenness around up to so many times the mean there, so that a spot and others
/// near it do not hide each other. Common practice, no source.
const OWN_SHARE: f32 = 2.5;
/// How much more the widths above the narrowest must stand out: they are fewer, and their noise is
/// more like spots. Measured on the rendered office.
const COARSER: f32 = 1.1;
/// Melanin (darkening of red) as a share of erythema, and by itself, at most. Planted blemishes have
/// up to 2.3 (small, on the darkest skin; 1.9 edge-on) and 0.097; planted moles 2.5 and 0.12 at least,
/// and a raised mole of a real sitter 1.0 and 0.11.
const BROWN_FOR_RED: f32 = 2.35;
const BROWN: f32 = 0.10;
/// Melanin once more, with how much more blue falls than green (haemoglobin takes about as much of both,
/// melanin more of blue): both together, at most. Planted blemishes have up to 0.122; moles and brown
/// spots of real sitters 0.144 and more.
const BROWN_AND_YELLOW: f32 = 0.132;
/// Rise of red as a share of erythema, at most: a red place that is not darker is a reflection.
const GLOW: f32 = 0.4;
/// Deepest darkening of green: beyond it a lash, a fold or a nostril. Planted blemishes have 0.34.
const DEEPEST: f32 = 0.36;
/// Lightness of the skin around to which the bounds of depth and yellow hold as they stand. Below it they
/// widen in proportion: eyes see steps of Oklab L, whose third power is light, so the same step is a larger
/// share of little light. With one bound for all, a third of the marks drawn with equal visible contrast was
/// refused as too deep on the darkest three rendered sitters, and none on the lightest three.
const AS_SEEN_AT: f32 = 0.7;
/// How far they widen at most; the darkest rendered sitter's face has 0.23 to 0.45.
const WIDEST_SEEN: f32 = 3.0;
/// Light beside a spot, in ln R, over its own darkening (counted from [`FLAT`]): more is a raised
/// thing's lit side. Planted blemishes have 1.5 at most.
const LIT_SIDE: f32 = 2.0;
const FLAT: f32 = 0.05;
/// Beside hair all skin is light: this share of the darkening of the darkest thing beside a spot counts
/// as the spot's own there. The planted one on a hairline needs 0.19.
const DARK_BESIDE: f32 = 0.2;
/// Margin of skin that a spot needs around it.
const CLEAR: EyeSpans = EyeSpans(0.02);
/// Share of that margin that must be skin.
const CLEAR_SHARE: f32 = 0.8;
/// At most this many blemishes are mended on one sitter; more is not for a machine to decide.
const MOST_PLACES: usize = 120;
/// Where nostrils lie: below the tip of the nose, half their width and height, in eye spans.
/// Measured on rendered sitters.
const NOSTRILS: [f32; 3] = [0.08, 0.26, 0.11];
/// Where lashes and the lids' creases are: around the middle of an eye, half their width and height, in
/// distances of its corners. Measured on rendered sitters and portraits; the nearest planted blemishes lie
/// at (1.0, 0.5) and (0.8, 0.7).
const LASHES: [f32; 2] = [0.7, 0.55];

/// Whether a place lies where the nostrils are; never without landmarks.
fn by_nostril(place: Point, scene: &Scene) -> bool {
    let Some(marks) = &scene.regions.marks else {
        return false;
    };
    let [left, right] = marks.eyes;
    let span = left.distance(right).max(f32::MIN_POSITIVE);
    let (ux, uy) = ((right.x - left.x) / span, (right.y - left.y) / span);
    let (dx, dy) = (
        (place.x - marks.nose.x) / span,
        (place.y - marks.nose.y) / span,
    );
    let across = (dx * ux + dy * uy) / NOSTRILS[1];
    let below = (dy * ux - dx * uy - NOSTRILS[0]) / NOSTRILS[2];
    across * across + below * below < 1.0
}

/// Whether a place lies among the lashes of an eye; never without landmarks.
fn by_lashes(place: Point, scene: &Scene) -> bool {
    let Some(marks) = &scene.regions.marks else {
        return false;
    };
    let [a, b, c, d] = marks.eye_corners;
    [(a, b), (c, d)].into_iter().any(|(left, right)| {
        let wide = left.distance(right).max(f32::MIN_POSITIVE);
        let (ux, uy) = ((right.x - left.x) / wide, (right.y - left.y) / wide);
        let dx = (place.x - 0.5 * (left.x + right.x)) / wide;
        let dy = (place.y - 0.5 * (left.y + right.y)) / wide;
        let across = (dx * ux + dy * uy) / LASHES[0];
        let below = (dy * ux - dx * uy) / LASHES[1];
        across * across + below * below < 1.0
    })
}

/// What is asked for: falls from 0 over 0.5 to 1, straight between.
fn asked([least, usual, most]: [f32; 3], sensitivity: f32) -> f32 {
    if sensitivity < 0.5 {
        least + (usual - least) * sensitivity * 2.0
    } else {
        usual + (most - usual) * (sensitivity * 2.0 - 1.0)
    }
}

/// Differences of blurs a width and an octave more apart, and how large those of redness are around.
struct Differences {
    red: Vec<Array2<f32>>,
    light: Vec<Array2<f32>>,
    yellow: Vec<Array2<f32>>,
    uneven: Vec<Array2<f32>>,
}

impl Differences {
    fn new(blurs: &[[Array2<f32>; 3]], widths: &[f32], grid: &SkinGrid) -> Self {
        let around = widths[WIDTHS - 1] * 1.5;
        let reach = grid.reach(around);
        let each: Vec<usize> = (0..WIDTHS - OCTAVE).collect();
        let all = bands::gathered(
            &each,
            || (),
            |(), i| {
                let [red, light, yellow] = [0, 1, 2].map(|c| &blurs[i][c] - &blurs[i + OCTAVE][c]);
                let mut size = red.mapv(f32::abs);
                let mean = grid.blurred(&size, around, &reach);
                Zip::from(&mut size)
                    .and(&mean)
                    .for_each(|size, mean| *size = size.min(OWN_SHARE * mean));
                let uneven = grid.blurred(&size, around, &reach);
                ([red, light, yellow], uneven)
            },
        );
        let (mut red, mut light, mut yellow, mut uneven) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for ([r, l, y], u) in all {
            red.push(r);
            light.push(l);
            yellow.push(y);
            uneven.push(u);
        }
        Self {
            red,
            light,
            yellow,
            uneven,
        }
    }

    /// Redness over the unevenness around it, the most at this width and the two beside it: a spot is
    /// largest at its own width, but stands out more at a narrower one, where skin is more even.
    fn above_uneven(&self, i: usize, at: (usize, usize)) -> f32 {
        (i.saturating_sub(1)..(i + 2).min(self.red.len()))
            .map(|j| {
                let asked = if j == 0 { 1.0 } else { COARSER };
                self.red[j][at] / (asked * self.uneven[j][at]).max(f32::MIN_POSITIVE)
            })
            .fold(0.0, f32::max)
    }
}

/// Blemishes on skin, what stands out most first.
pub(super) fn blemishes(grid: &SkinGrid, scene: &Scene, sensitivity: f32) -> Vec<Place> {
    let finest = grid.cells(scene.scale.pixels(FINEST));
    // Powers of sqrt(2), without powf.
    let widths: Vec<f32> = (0..WIDTHS)
        .map(|i| {
            let half = if i % 2 == 1 {
                std::f32::consts::SQRT_2
            } else {
                1.0
            };
            finest * (1 << (i / 2)) as f32 * half
        })
        .collect();
    let each = |count: usize| (0..count).collect::<Vec<_>>();
    let [erythema, red_light, yellow] = pigments(grid);
    let blurs: Vec<[Array2<f32>; 3]> = bands::gathered(
        &each(WIDTHS),
        || (),
        |(), i| {
            let reach = grid.reach(widths[i]);
            [&erythema, &red_light, &yellow].map(|plane| grid.blurred(plane, widths[i], &reach))
        },
    );
    let differences = Differences::new(&blurs, &widths, grid);
    let red_enough = asked(REDNESS, sensitivity);
    let clearly = asked(STANDS_OUT, sensitivity);

    let widest = widths[WIDTHS - 1];
    let skin_light = grid.blurred(&grid.planes[0], widest, &grid.reach(widest));
    let seen = |at: (usize, usize)| (AS_SEEN_AT / skin_light[at]).clamp(1.0, WIDEST_SEEN);
    let (rows, columns) = grid.weight.dim();
    let peaks = |i: usize| {
        let mut found = Vec::new();
        let (red, light) = (&differences.red[i], &differences.light[i]);
        for y in 2..rows.saturating_sub(2) {
            for x in 2..columns.saturating_sub(2) {
                let at = (y, x);
                let here = red[at];
                // What red light loses, and green light with it.
                let brown = -light[at];
                if here < red_enough
                    || grid.weight[at] < 0.8
                    || !(-GLOW * here..=BROWN.min(BROWN_FOR_RED * here)).contains(&brown)
                    || here + brown > DEEPEST * seen(at)
                    || brown + differences.yellow[i][at].max(0.0) / seen(at) > BROWN_AND_YELLOW
                    || !is_peak(&differences.red, i, y, x)
                    || !is_round(red, y, x)
                {
                    continue;
                }
                let beside = Beside::new(red, light, grid, at, widths[i]);
                let stands_out =
                    differences.above_uneven(i, at) * here / beside.uneven.max(f32::MIN_POSITIVE);
                let flat = brown.max(FLAT).max(DARK_BESIDE * beside.darkest);
                if stands_out < clearly || lit_side(light, grid, at, widths[i]) > LIT_SIDE * flat {
                    continue;
                }
                let radius = extent(&blurs[0][0], at, widths[i]);
                let clear = 1.5 * widths[i] + grid.cells(scene.scale.pixels(CLEAR));
                if clear_share(grid, y, x, clear) < CLEAR_SHARE {
                    continue;
                }
                let step = grid.step as f32;
                let centre = Point {
                    x: grid.bounds.left as f32 + (x as f32 + 0.5) * step,
                    y: grid.bounds.top as f32 + (y as f32 + 0.5) * step,
                };
                if by_nostril(centre, scene) || by_lashes(centre, scene) {
                    continue;
                }
                let place = Place {
                    centre,
                    radius: (radius * step).max(2.0),
                };
                found.push((stands_out, place));
            }
        }
        found
    };
    let found = bands::gathered(&each(WIDTHS - OCTAVE), || (), |(), i| peaks(i));
    let mut found: Vec<(f32, Place)> = found.into_iter().flatten().collect();
    // A stable sort on a total order: the same places in the same order everywhere.
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<Place> = Vec::new();
    for (_, place) in found {
        if kept.len() < MOST_PLACES && kept.iter().all(|other| apart(&place, other, 0.0)) {
            kept.push(place);
        }
    }
    kept
}

/// Erythema, ln R - ln G, then ln R, then yellow, ln G - ln B, of each cell's colour, in sRGB's primaries:
/// their red lies where haemoglobin absorbs least; the working space's holds a third of green.
pub(super) fn pigments(grid: &SkinGrid) -> [Array2<f32>; 3] {
    let [l, a, b] = &grid.planes;
    let mut erythema = Array2::zeros(l.dim());
    let mut red = Array2::zeros(l.dim());
    let mut yellow = Array2::zeros(l.dim());
    Zip::from(&mut erythema)
        .and(&mut red)
        .and(&mut yellow)
        .and(l)
        .and(a)
        .and(b)
        .for_each(|erythema, red, yellow, &l, &a, &b| {
            let light = linear_from_oklab([l, a, b]);
            let in_srgb = |row: [f32; 3]| {
                let v = row[0] * light[0] + row[1] * light[1] + row[2] * light[2];
                ln(v.max(DARKEST))
            };
            let green = in_srgb(TO_SRGB[1]);
            *red = in_srgb(TO_SRGB[0]);
            *erythema = *red - green;
            *yellow = green - in_srgb(TO_SRGB[2]);
        });
    [erythema, red, yellow]
}
