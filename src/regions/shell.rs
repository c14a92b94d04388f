//! Where a sitter as dark as the backdrop ends: the outermost trace of not being the backdrop.
//!
//! Black hair before black paper differs from it by a few thousandths of a white, less than one pixel's
//! noise tells but plain over a small window. Going inwards, a head's colour may well cross the
//! backdrop's (a dark outline, then rim light), so what counts is not how a pixel looks but whether it
//! can be reached from the bare backdrop without crossing that trace: what it encloses is the
//! sitter. Thin things (strands, their loops, grain) are left out by an opening; the matte finds those
//! by colour. Opening and closing: Serra, *Image Analysis and Mathematical Morphology*, 1982.

use ndarray::Array2;

use super::shades::flat;
use crate::picture::bands;
use crate::picture::filter::{dilate, erode, gaussian};

/// Mean square of the windowed differences, in units of the backdrop's deviation, from which a place is
/// not bare: on the rendered frames bare paper stays below 1.2 but for one pixel in a thousand.
const TRACE: f32 = 2.0;

/// An edge runs where this share of the difference beside it shows (the window smears what is bright
/// outwards; on the rendered sitter before black a half came out a pixel too far);
/// beside is this many half-size pixels away.
const HALF: f32 = 0.6;
const BESIDE: usize = 2;

/// Standard deviation of the window, in half-size pixels: an outline may be three pixels thin.
const WINDOW: f32 = 1.0;

/// Gaps in the outline up to twice this are closed, things up to twice this thick are left out;
/// half-size pixels.
const CLOSED: usize = 1;
const THIN: usize = 3;

/// Alpha from which a place counts as covered, and under which as bare, when asking what a half-covered
/// one touches. Common practice, no source.
const SOLID: f32 = 0.95;
const BARE: f32 = 0.1;

/// Skin, cloth and what is worn end within some pixels. Where all around a place (so many half-size
/// pixels, more on black, where the outline is the outermost trace) alpha is more than this, its share of
/// hair nearby less, and the nets' word more, it is covered: else light on a bald head before white and
/// cloth of the backdrop's colour show through.
const HARD: [usize; 2] = [1, 2];
const MIXED: f32 = 0.4;
const HAIRY: f32 = 0.15;
const HAIRY_AROUND: usize = 2;
const LIKELY: f32 = 0.5;

/// 1 inside the outermost trace, 0 outside. `unlike` are differences from the backdrop in units of
/// its deviation, `person` the nets' word; both at half size.
pub(super) fn enclosed(unlike: &[Array2<f32>; 3], person: &Array2<f32>) -> Array2<f32> {
    let dim = person.dim();
    let means = unlike
        .each_ref()
        .map(|plane| gaussian(plane.mapv(|v| v.max(-9.0).min(9.0)).view(), WINDOW));
    let square = |planes: &[Array2<f32>; 3], at: (usize, usize)| -> f32 {
        planes.iter().map(|p| p[at] * p[at]).sum::<f32>() / 3.0
    };
    let seen = bands::plane(dim, |y, x| square(&means, (y, x)));
    let most = dilate(seen.view(), BESIDE);
    let wall = bands::plane(dim, |y, x| {
        let at = [y, x];
        let told = seen[at] > TRACE && seen[at] > HALF * HALF * most[at];
        // Far from anybody marks of the backdrop are no outline.
        if told && person[at] > 0.001 || person[at] > 0.97 {
            1.0
        } else {
            0.0
        }
    });
    let outside = person.mapv(|p| p < 0.001);
    let reached = flooded(&dilate(wall.view(), CLOSED), &outside);
    let inside = dilate(reached.view(), CLOSED).mapv(|v| 1.0 - v);
    dilate(erode(inside.view(), THIN).view(), THIN)
}

/// Where a matte shows through a little, but nothing bare lies beside that: a highlight in hair, a hairline,
/// which pass for hair mixed with backdrop. 1 there, at the size of `alpha`, 0 elsewhere.
pub(super) fn unreached(alpha: &Array2<f32>) -> Array2<f32> {
    let solid = alpha.mapv(|a| if a > SOLID { 1.0 } else { 0.0 });
    flooded(&solid, &alpha.mapv(|a| a < BARE)).mapv(|r| 1.0 - r)
}

/// Where what ends hard is covered, see [`HARD`]: 1 there, a ramp around. All at half size.
pub(super) fn hard(
    alpha: &Array2<f32>,
    hair: &Array2<f32>,
    person: &Array2<f32>,
    black: bool,
) -> Array2<f32> {
    let flags = |of: &dyn Fn(f32) -> bool, plane: &Array2<f32>, around: usize| {
        dilate(plane.mapv(|v| f32::from(u8::from(of(v)))).view(), around)
    };
    let thin = flags(&|a| a < MIXED, alpha, HARD[usize::from(black)]);
    let hairy = flags(&|h| h > HAIRY && !black, hair, HAIRY_AROUND);
    let inside = ndarray::Zip::from(&thin)
        .and(&hairy)
        .and(person)
        .map_collect(|&thin, &hairy, &person| {
            f32::from(u8::from(thin < 0.5 && hairy < 0.5 && person > LIKELY))
        });
    // Soft, or the outline would show the half size's steps.
    gaussian(inside.view(), 1.0).mapv(|h| ((h - 0.3) / 0.6).max(0.0).min(1.0))
}

/// 1 where `outside` or what joins it is, over places without a wall.
pub(super) fn flooded(wall: &Array2<f32>, outside: &Array2<bool>) -> Array2<f32> {
    let (high, wide) = wall.dim();
    let mut reached = ndarray::Zip::from(wall)
        .and(outside)
        .map_collect(|&wall, &outside| f32::from(u8::from(outside && wall < 0.5)));
    let walls = flat(wall);
    let values = reached.as_slice_mut().expect("just made");
    let mut open: Vec<usize> = Vec::new();
    // Neighbours that may still be reached, from a place in row-major order.
    let enter = |values: &mut [f32], open: &mut Vec<usize>, at: usize| {
        let x = at % wide;
        let near = [
            (x > 0).then(|| at - 1),
            (x + 1 < wide).then(|| at + 1),
            at.checked_sub(wide),
            (at + wide < high * wide).then(|| at + wide),
        ];
        for at in near.into_iter().flatten() {
            if values[at] < 0.5 && walls[at] < 0.5 {
                values[at] = 1.0;
                open.push(at);
            }
        }
    };
    for (at, &outside) in flat(outside).iter().enumerate() {
        if outside && walls[at] < 0.5 {
            enter(values, &mut open, at);
            while let Some(at) = open.pop() {
                enter(values, &mut open, at);
            }
        }
    }
    reached
}
