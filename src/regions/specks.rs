//! Takes what is no strand out of a matte: single pixels, specks that hang on nothing, fog beside skin.

use ndarray::Array2;

use crate::picture::bands;
use crate::picture::filter::{dilate, gaussian};

/// No pixel more than the second largest of its eight neighbours and a little.
pub(super) fn without_specks(alpha: &Array2<f32>) -> Array2<f32> {
    let (h, w) = alpha.dim();
    let mut out = alpha.clone();
    bands::each_band(out.view_mut(), |first, mut rows| {
        for (i, mut row) in rows.outer_iter_mut().enumerate() {
            let y = first + i;
            if y == 0 || y + 1 >= h {
                continue;
            }
            for x in 1..w.saturating_sub(1) {
                if row[x] < 0.02 {
                    continue;
                }
                let (mut most, mut second) = (0.0f32, 0.0f32);
                for near in y - 1..=y + 1 {
                    for beside in x - 1..=x + 1 {
                        if near != y || beside != x {
                            let v = alpha[[near, beside]];
                            second = second.max(v.min(most));
                            most = most.max(v);
                        }
                    }
                }
                row[x] = row[x].min(1.25 * second + 0.01);
            }
        }
    });
    out
}

/// Takes away what is connected with nothing larger than `longest` pixels each way: grain and dust of
/// the backdrop that pass for strands. What hangs on the sitter stays, however thin.
pub(super) fn drop_islands(alpha: &mut Array2<f32>, longest: usize) {
    let (height, width) = alpha.dim();
    let mut seen = alpha.mapv(|a| a < 0.02);
    let (mut island, mut open) = (Vec::new(), Vec::new());
    for y in 0..height {
        for x in 0..width {
            if seen[[y, x]] {
                continue;
            }
            seen[[y, x]] = true;
            island.clear();
            open.push((y, x));
            let (mut low, mut high) = ((y, x), (y, x));
            while let Some((y, x)) = open.pop() {
                island.push((y, x));
                low = (low.0.min(y), low.1.min(x));
                high = (high.0.max(y), high.1.max(x));
                for near in y.saturating_sub(1)..(y + 2).min(height) {
                    for beside in x.saturating_sub(1)..(x + 2).min(width) {
                        if !seen[[near, beside]] {
                            seen[[near, beside]] = true;
                            open.push((near, beside));
                        }
                    }
                }
            }
            if (high.0 - low.0).max(high.1 - low.1) < longest {
                island.iter().for_each(|&at| alpha[at] = 0.0);
            }
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
    for (at, near) in near.indexed_iter() {
        let (all, skin) = (alpha[at], shares[0][at]);
        if all <= 0.0 || all >= SOLID {
            continue;
        }
        let bare_skin = ((skin / all - 0.8) * 10.0).max(0.0).min(1.0);
        let kept = 1.0 - bare_skin * (1.0 - near);
        alpha[at] = all * kept;
        for share in shares.iter_mut() {
            share[at] *= kept;
        }
    }
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
