//! Strands followed outwards to their tips, before a green or blue screen.
//!
//! The matte's models lose a strand where it grows faint. Before a screen a strand is a thin line that takes
//! some of the screen's light away, hair of any colour having less of it; so it is followed from where it was
//! found, over whatever is darker than both its sides by more than noise. What is wide is a crease or a
//! shadow of the screen and stays out; so does what hangs on nothing.

use ndarray::Array2;

use crate::picture::filter::gaussian;

/// Standard deviation of the blur that quiets noise, in pixels; how much darker a line must be than both its
/// sides, and where these lie, down and to the right of it and opposite. Noise of the rendered frame leaves
/// a quarter of that (standard deviation); at this figure 7 of 4,300 pixels followed are bare.
const THIN: f32 = 0.8;
const LINE: f32 = 0.01;
const SIDES: [[isize; 2]; 4] = [[0, 4], [4, 0], [3, 3], [3, -3]];
/// Alpha from which a strand was found.
const FOUND: f32 = 0.02;

/// The pixels that strands go on to, over and above those of `alpha`; `shade` is how much of the screen's
/// light is missing, as a share.
pub(super) fn followed(shade: &Array2<f32>, alpha: &Array2<f32>) -> Vec<Vec<bool>> {
    let (h, w) = alpha.dim();
    let shade = gaussian(shade.view(), THIN);
    let read = |y: isize, x: isize| {
        let inside = |at: isize, end: usize| at.max(0).min(end as isize - 1) as usize;
        shade[[inside(y, h), inside(x, w)]]
    };
    let is_line = |y: usize, x: usize| {
        let (here, y, x) = (shade[[y, x]], y as isize, x as isize);
        let darker = |[down, right]: [isize; 2]| {
            here - read(y + down, x + right).max(read(y - down, x - right)) > LINE
        };
        SIDES.into_iter().any(darker)
    };
    let mut out = vec![vec![false; w]; h];
    let mut ends: Vec<(usize, usize)> = alpha
        .indexed_iter()
        .filter(|(_, a)| **a > FOUND)
        .map(|(at, _)| at)
        .collect();
    while let Some((y, x)) = ends.pop() {
        for y in y.saturating_sub(1)..(y + 2).min(h) {
            for x in x.saturating_sub(1)..(x + 2).min(w) {
                if !out[y][x] && alpha[[y, x]] <= FOUND && is_line(y, x) {
                    out[y][x] = true;
                    ends.push((y, x));
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strand_is_followed_and_creases_and_dust_are_not() {
        let size = (80, 80);
        // A strand of a pixel and a half along row 20, half of it found; a crease 20 pixels wide below
        // that touches what was found; a speck apart.
        let shade = Array2::from_shape_fn(size, |(y, x)| match (y, x) {
            (20, 10..70) => 0.10,
            (21, 10..70) => 0.05,
            (45..65, 10..70) => 0.08,
            (5, 60) => 0.3,
            _ => 0.0,
        });
        let alpha = Array2::from_shape_fn(size, |(y, x)| {
            let strand = y == 20 && (10..40).contains(&x);
            let beside = (45..65).contains(&y) && x < 10;
            if strand || beside { 0.1 } else { 0.0 }
        });
        let out = followed(&shade, &alpha);
        assert!((40..69).all(|x| out[20][x]));
        assert!(!out[20][75] && !out[5][60]);
        let crease = (50..60).flat_map(|y| out[y][20..60].iter());
        assert_eq!(crease.filter(|out| **out).count(), 0);
    }
}
