//! Where the hair, or the scalp, ends above the face.
//!
//! The topmost place of loose hair jumps sideways with every strand, and on a flat top it is one of many.
//! So the top is looked for in a matte whose means over small squares hold no strand, and its place is the mean
//! of all that reaches as high.

use ndarray::{Array2, Axis};

use super::crop::sample;
use super::nets::Axes;
use crate::picture::Point;
use crate::picture::filter::box_mean;

/// How far beside the face's middle line the top is looked for, in eye spans.
const BESIDE: f32 = 0.4;

/// Lines upwards across that.
const LINES: i32 = 24;

/// Half the side of the squares, in eye spans, and their mean alpha that is covered. Of 24 ways (squares that
/// hold no less or that hold so much on average, before and after a blur, alpha 0.3 to 0.8) this has the
/// smallest worst error but one on the nine rendered sitters, without a blur.
const STRAND: f32 = 0.022;
const COVERED: f32 = 0.5;

/// How far below the highest place a top still counts as one of the highest, in eye spans.
const LEVEL: f32 = 0.02;

/// How far up a head may reach, in eye spans.
const HIGHEST: f32 = 6.0;

/// The middle of the topmost places of the head near the face's middle line.
pub(super) fn crown(alpha: &Array2<f32>, axes: &Axes, span: f32) -> Point {
    let (h, w) = alpha.dim();
    let place = |up: f32, side: f32| Point {
        x: axes.middle.x - axes.down.x * up + axes.right.x * side,
        y: axes.middle.y - axes.down.y * up + axes.right.y * side,
    };
    // Only the part of the matte that may matter.
    let (beside, highest) = (BESIDE * span, HIGHEST * span);
    let corners = [
        (0.0, -beside),
        (0.0, beside),
        (highest, -beside),
        (highest, beside),
    ];
    let corners = corners.map(|(up, side)| place(up, side));
    let margin = 0.1 * span + 4.0;
    let range = |of: fn(&Point) -> f32, end: usize| {
        let low = corners.iter().map(of).fold(f32::MAX, f32::min) - margin;
        let high = corners.iter().map(of).fold(f32::MIN, f32::max) + margin;
        let end = end as f32;
        low.max(0.0).min(end) as usize..high.max(0.0).min(end) as usize
    };
    let (rows, columns) = (range(|p| p.y, h), range(|p| p.x, w));
    let (top, left) = (rows.start as f32, columns.start as f32);
    let part = alpha.slice_axis(Axis(0), rows.into());
    let part = part.slice_axis(Axis(1), columns.into());
    let none = place(0.0, 0.0);
    if part.is_empty() {
        return none;
    }
    let radius = (STRAND * span + 0.5) as usize;
    let solid = box_mean(part, radius);
    let read = |p: Point| {
        let (x, y) = (p.x - left, p.y - top);
        let inside = x >= 0.0 && y >= 0.0 && x < solid.ncols() as f32 && y < solid.nrows() as f32;
        if inside {
            sample(solid.view(), x, y)
        } else {
            0.0
        }
    };
    let mut tops = Vec::new();
    for line in -LINES..=LINES {
        let side = line as f32 / LINES as f32 * beside;
        let (mut up, mut found) = (0.0, 0.0);
        while up < highest && read(place(up, side)) >= COVERED {
            found = up;
            up += 0.5;
        }
        tops.push((found, side));
    }
    let most = tops.iter().fold(0.0_f32, |a, t| a.max(t.0));
    if most <= 0.0 {
        return none;
    }
    // Each line counts by how far it rises into the topmost layer.
    let (mut sum, mut all) = (0.0, 0.0);
    for &(up, side) in &tops {
        let weight = (up - most + LEVEL * span).max(0.0);
        sum += weight * side;
        all += weight;
    }
    place(most, sum / all.max(1e-6))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axes() -> Axes {
        let eyes = [Point { x: 80.0, y: 150.0 }, Point { x: 120.0, y: 150.0 }];
        Axes::new(eyes, Point { x: 100.0, y: 190.0 })
    }

    /// A head whose top is level from column 90 to 110, and one strand that stands up beside.
    #[test]
    fn a_flat_top_has_its_middle_and_strands_do_not_count() {
        let alpha = Array2::from_shape_fn((220, 200), |(y, x)| {
            let head = y >= 60 && (90..110).contains(&x) || y >= 64 && (60..140).contains(&x);
            let strand = y >= 40 && x == 88;
            f32::from(u8::from(head || strand))
        });
        let crown = crown(&alpha, &axes(), 40.0);
        assert!(
            (crown.x - 100.0).abs() < 2.0 && (crown.y - 60.0).abs() < 1.6,
            "{crown:?}"
        );
    }
}
