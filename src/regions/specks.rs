//! Takes what is no strand out of a matte: single pixels, specks that hang on nothing, fog beside skin.

use ndarray::Array2;

use super::crop::halve;
use super::nets::COARSE;
use super::opinion::patches;
use super::shell::flooded;
use crate::picture::filter::{dilate, erode, gaussian};
use crate::picture::{Point, bands};

/// No pixel more than the second largest of its eight neighbours and a little.
pub(super) fn without_specks(alpha: &Array2<f32>) -> Array2<f32> {
    let (h, w) = alpha.dim();
    let mut out = alpha.clone();
    let row_of = |y: usize| alpha.row(y).to_slice().expect("planes are contiguous");
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = first + i;
            if y == 0 || y + 1 >= h {
                continue;
            }
            let lines = [row_of(y - 1), row_of(y), row_of(y + 1)];
            let here = lines[1];
            for x in 1..w.saturating_sub(1) {
                // Two neighbours of 0.8 allow everything.
                if here[x] < 0.02 || here[x - 1].min(here[x + 1]) >= 0.8 {
                    continue;
                }
                let (mut most, mut second) = (0.0f32, 0.0f32);
                for (k, line) in lines.iter().enumerate() {
                    for (j, &v) in line[x - 1..=x + 1].iter().enumerate() {
                        if k != 1 || j != 1 {
                            second = second.max(v.min(most));
                            most = most.max(v);
                        }
                    }
                }
                row[x] = here[x].min(1.25 * second + 0.01);
            }
        }
    });
    out
}

/// Alpha under which a pixel connects nothing.
const LINKS: f32 = 0.02;

/// A stretch of a row in which all is connected.
struct Run {
    y: usize,
    first: usize,
    end: usize,
}

/// Takes away what is connected with nothing larger than `longest` pixels each way: grain and dust of
/// the backdrop that pass for strands. What hangs on the sitter stays, however thin.
///
/// Runs of each row are joined with those they touch in the row above, corners too (union-find:
/// Rosenfeld and Pfaltz, *Sequential Operations in Digital Picture Processing*, 1966).
pub(super) fn drop_islands(alpha: &mut Array2<f32>, longest: usize) {
    let rows: Vec<usize> = (0..alpha.nrows()).collect();
    let found: Vec<Vec<Run>> = bands::gathered(
        &rows,
        || (),
        |(), y| {
            let row = alpha.row(y);
            let (mut runs, mut open) = (Vec::new(), None);
            for (x, &a) in row.iter().enumerate() {
                match (a >= LINKS, open) {
                    (true, None) => open = Some(x),
                    (false, Some(first)) => {
                        runs.push(Run { y, first, end: x });
                        open = None;
                    }
                    _ => {}
                }
            }
            let end = row.len();
            runs.extend(open.map(|first| Run { y, first, end }));
            runs
        },
    );
    let runs: Vec<Run> = found.into_iter().flatten().collect();
    let mut parents: Vec<usize> = (0..runs.len()).collect();
    // Runs of the row above begin here.
    let mut above = 0;
    for (i, run) in runs.iter().enumerate() {
        while runs[above].y + 1 < run.y || runs[above].y < run.y && runs[above].end < run.first {
            above += 1;
        }
        let touching = runs[above..i]
            .iter()
            .take_while(|other| other.y < run.y && other.first <= run.end);
        for j in above..above + touching.count() {
            let (a, b) = (root(&mut parents, i), root(&mut parents, j));
            parents[a.max(b)] = a.min(b);
        }
    }
    // Rows and columns from the first to the last of each island.
    let mut boxes: Vec<[usize; 4]> = runs
        .iter()
        .map(|run| [run.y, run.y, run.first, run.end - 1])
        .collect();
    for i in 0..runs.len() {
        let of = root(&mut parents, i);
        let [top, low, left, right] = boxes[i];
        let all = &mut boxes[of];
        *all = [
            all[0].min(top),
            all[1].max(low),
            all[2].min(left),
            all[3].max(right),
        ];
    }
    for (i, run) in runs.iter().enumerate() {
        let [top, low, left, right] = boxes[root(&mut parents, i)];
        if (low - top).max(right - left) < longest {
            (run.first..run.end).for_each(|x| alpha[[run.y, x]] = 0.0);
        }
    }
}

/// The first of those that `i` is joined with; the way there becomes shorter.
fn root(parents: &mut [usize], mut i: usize) -> usize {
    while parents[i] != i {
        parents[i] = parents[parents[i]];
        i = parents[i];
    }
    i
}

/// What is no strand is thicker than this, in eye spans, at this alpha: farther from the sitter than [`BESIDE`]
/// the rendered frames' true mattes have nothing as thick, down to an alpha of 0.15.
const THING: f32 = 0.04;
const FIRM: f32 = 0.25;

/// The nets' word on a thing under which it is none of the sitter's: on things in the portraits' busy backdrops
/// it is below 0.03, on free pieces of fringe mostly 0.3 and more.
const UNLIKELY: f32 = 0.05;

/// What lies nearer to the sitter than this for the most part, in eye spans, may be a piece of it that only looks
/// apart, as a lit rim beyond a shade of the wall's grey.
const BESIDE: f32 = 0.1;

/// How far a thing's own soft edge reaches beyond it, in eye spans.
const EDGE: f32 = 0.03;

/// Takes away what lies apart from the sitter, is no strand and by the nets' word (`person`, at half size) no
/// part of anybody: stars of a flag, a lamp, a crease of a busy backdrop, which colour alone tells from the
/// wall. `face` is a place inside the face in the picture's pixels, `span` the eye span at half size.
pub(super) fn drop_things(alpha: &mut Array2<f32>, person: &Array2<f32>, face: Point, span: f32) {
    let firm = halve(alpha.view()).mapv(|a| f32::from(u8::from(a >= FIRM)));
    let thin = ((0.5 * THING * span) as usize).max(1);
    let cores = erode(firm.view(), thin);
    let (high, wide) = cores.dim();
    let face = [face.y, face.x].map(|v| (v / COARSE as f32).max(0.0) as usize);
    let middle = Array2::from_shape_fn((high, wide), |(y, x)| [y, x] == face);
    let gaps = cores.mapv(|core| 1.0 - core);
    let sitter = flooded(&gaps, &middle);
    let beside = dilate(sitter.view(), thin + (BESIDE * span) as usize);
    let mut things = Array2::<f32>::zeros((high, wide));
    let mut any = false;
    for patch in patches(&(&cores - &sitter), 0.5) {
        let likely: f32 = patch.iter().map(|&at| person[at]).sum();
        let near: f32 = patch.iter().map(|&at| beside[at]).sum();
        let count = patch.len() as f32;
        if likely < UNLIKELY * count && near < 0.5 * count {
            any = true;
            patch.iter().for_each(|&at| things[at] = 1.0);
        }
    }
    if !any {
        return;
    }
    let reach = thin + (EDGE * span + 0.5) as usize;
    // The sitter's own edge stays where it comes near.
    let kept = dilate(sitter.view(), reach);
    let mut gone = dilate(things.view(), reach);
    gone.zip_mut_with(&kept, |gone, kept| *gone *= 1.0 - kept);
    for (y, mut row) in alpha.outer_iter_mut().enumerate() {
        for (x, alpha) in row.iter_mut().enumerate() {
            *alpha *= 1.0 - gone[[y / COARSE, x / COARSE]];
        }
    }
}

/// How far from what is solid skin still fades into the backdrop, in eye spans: an outline out of focus,
/// at the sharpness that a capture check lets pass. Common practice, no source.
const FADES: f32 = 0.02;

/// Alpha from which a place is solid.
const SOLID: f32 = 0.5;

/// Takes the fog away that lies beside skin: a lit head before paper as bright as it leaves open where it
/// ends, and the doubt stood as a glow before a darker wall. Skin has no strands, so thin alpha farther
/// from anything solid is no skin. `shares` are skin, hair, clothing and worn, adding up to `alpha`; only
/// where nearly all is skin anything changes.
pub(super) fn without_fog(alpha: &mut Array2<f32>, shares: &mut [Array2<f32>; 4], span: f32) {
    let reach = FADES * span;
    let solid = alpha.mapv(|a| f32::from(u8::from(a >= SOLID)));
    let near = dilate(solid.view(), reach as usize);
    let near = gaussian(near.view(), 0.5 * reach);
    let wide = alpha.ncols();
    let [skin, hair, clothing, worn] = shares;
    let planes = [alpha, skin, hair, clothing, worn];
    let planes = planes.map(|plane| plane.as_slice_mut().expect("planes are contiguous"));
    bands::each_piece_of_all(planes, wide, |y, rows| {
        let [alpha, shares @ ..] = rows else { return };
        for (x, (all, near)) in alpha.iter_mut().zip(near.row(y)).enumerate() {
            if *all <= 0.0 || *all >= SOLID {
                continue;
            }
            let bare_skin = ((shares[0][x] / *all - 0.8) * 10.0).max(0.0).min(1.0);
            let kept = 1.0 - bare_skin * (1.0 - near);
            *all *= kept;
            for share in shares.iter_mut() {
                share[x] *= kept;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::ops::Range;

    #[test]
    fn islands_go_and_strands_stay() {
        // One strand hangs on the sitter, one lies free; a speck comes to both.
        let inside = |rows: Range<usize>, columns: Range<usize>, (y, x): (usize, usize)| {
            rows.contains(&y) && columns.contains(&x)
        };
        let whole = Array2::from_shape_fn((40, 40), |at| {
            let sitter = inside(20..40, 10..30, at);
            let strand = inside(10..20, 15..16, at) || inside(2..3, 5..20, at);
            if sitter { 1.0 } else { 0.3 * f32::from(strand) }
        });
        let mut alpha = whole.clone();
        alpha.indexed_iter_mut().for_each(|(at, a)| {
            if inside(5..8, 34..37, at) {
                *a = 0.8;
            }
        });
        drop_islands(&mut alpha, 10);
        assert_eq!(alpha, whole);
    }

    /// A head, a strand that lies free, a thing that the nets do not know, one that they do, and a rim of light
    /// beside the head.
    #[test]
    fn things_that_nobody_wears_go() {
        let (span, dim) = (40.0, (200, 300));
        let inside = |rows: Range<usize>, columns: Range<usize>, (y, x): (usize, usize)| {
            rows.contains(&y) && columns.contains(&x)
        };
        let head = |at| inside(60..200, 100..200, at);
        let rim = |at| inside(100..150, 204..212, at);
        let strand = |at| inside(20..22, 20..90, at);
        let star = |at| inside(30..60, 240..270, at);
        let hand = |at| inside(140..180, 20..60, at);
        let all = Array2::from_shape_fn(dim, |at| {
            let there = head(at) || rim(at) || strand(at) || star(at) || hand(at);
            f32::from(u8::from(there))
        });
        let person = Array2::from_shape_fn((100, 150), |(y, x)| {
            let at = (2 * y, 2 * x);
            if head(at) || hand(at) { 0.9 } else { 0.01 }
        });
        let mut alpha = all.clone();
        let face = Point { x: 150.0, y: 120.0 };
        drop_things(&mut alpha, &person, face, span);
        for (at, &was) in all.indexed_iter() {
            let expected = if star(at) { 0.0 } else { was };
            assert_eq!(alpha[at], expected, "{at:?}");
        }
    }

    #[test]
    fn fog_beside_skin_goes_and_hair_stays() {
        let fading = |x: usize| match x {
            0..20 => 1.0,
            20 => 0.4,
            21..60 => 0.1,
            _ => 0.0,
        };
        let whole = Array2::from_shape_fn((60, 80), |(_, x)| fading(x));
        let none = || Array2::zeros(whole.dim());
        let mut alpha = whole.clone();
        let mut shares = [whole.clone(), none(), none(), none()];
        without_fog(&mut alpha, &mut shares, 150.0);
        assert_eq!(alpha, shares[0]);
        assert!(alpha[[30, 20]] > 0.38 && alpha[[30, 35]] < 1e-3);
        let mut alpha = whole.clone();
        let mut shares = [none(), whole.clone(), none(), none()];
        without_fog(&mut alpha, &mut shares, 150.0);
        assert_eq!(alpha, whole);
    }
}
