//! Strings of pearls and beads around the neck, which the nets take for skin or for cloth.
//!
//! A bead is a bright spot that is round: both principal curvatures of the blurred picture are negative
//! there, and not very unlike (the determinant-and-trace test of Lowe, *Distinctive image features from
//! scale-invariant keypoints*, IJCV 60(2), 2004, section 4.1, against edges and ridges), most so at the scale
//! of its own size (Lindeberg, *Feature detection with automatic scale selection*, IJCV 30(2), 1998). Collars,
//! wrinkles, seams, stripes and chains are ridges or edges and have no such spots but at corners.
//! What makes a string of beads of them is order: neighbours of about one size, about a diameter apart, along a line
//! that bends gently. Four such in a row prove a string; the others of its size beside it follow, also
//! where they hide half under a collar.
//!
//! Measured on nine rendered sitters (none wears any) and sixteen portraits (two strings of pearls, five
//! and six in a row by the first test; elsewhere never more than three).

use ndarray::{Array2, Axis};

use super::crop::{Crop, Pyramid, cut_planes};
use super::matting::Layers;
use super::studs::Stud;
use crate::picture::filter::gaussian;
use crate::picture::math::ln;
use crate::picture::{Point, Size};

/// Pixels of the window per eye span, and its side. It begins [`ABOVE`] eye spans above the chin.
const PER_SPAN: f32 = 100.0;
const N: usize = 320;
const ABOVE: f32 = 0.25;

/// Radii of beads that are tried, in the window's pixels: 2 to 5.6 mm.
const RADII: [f32; 7] = [3.2, 3.8, 4.5, 5.4, 6.4, 7.6, 9.0];

/// Scale-normalised curvatures (sRGB-encoded lightness) of a bead that proves something, and of one that follows:
/// the weaker one, and both together. Pearls have 0.05 to 0.08 and 0.16 to 0.24.
const PROOF: Round = Round {
    weaker: 0.012,
    both: 0.05,
    share: 0.3,
};
const FOLLOWS: Round = Round {
    weaker: 0.006,
    both: 0.03,
    share: 0.2,
};

/// Distance of neighbours in radii, ratio of their radii, ratio of a step's length to the next, and cosine of
/// the bend, at most or at least.
const APART: [f32; 2] = [1.5, 3.2];
const ALIKE: f32 = 1.5;
const EVEN: f32 = 1.4;
const BEND: f32 = 0.75;

/// Beads in a row that prove a string, and such a string's next piece, beyond a collar.
const STRING: usize = 4;
const PIECE: usize = 3;

/// Neighbours at less than this many radii touch: then half their distance is the radius, which a lamp's glint on
/// a pearl makes too small.
const TOUCH: f32 = 3.0;

/// How near to skin a string lies, in eye spans (deviation of a blur), and the share of skin asked for.
const NEAR: f32 = 0.12;
const SKIN: f32 = 0.1;

/// Share of hair up to which a spot is no glint of a curl or a braid.
const HAIR: f32 = 0.5;

/// Spots that are looked at, at most: the clearest. Pearls give some tens.
const MOST: usize = 300;

/// A disc's blurred spot is roundest at a scale of its radius over the root of two (Lindeberg 1998, section 5).
const SCALE: f32 = std::f32::consts::SQRT_2;

/// What is asked of a spot.
struct Round {
    weaker: f32,
    both: f32,
    /// The weaker curvature over the stronger.
    share: f32,
}

/// A bright spot in the window.
#[derive(Debug, Clone, Copy)]
struct Spot {
    x: f32,
    y: f32,
    radius: f32,
    weaker: f32,
    stronger: f32,
}

impl Spot {
    fn is(&self, asked: &Round) -> bool {
        self.weaker > asked.weaker
            && self.weaker + self.stronger > asked.both
            && self.weaker > asked.share * self.stronger
    }

    fn apart(&self, other: &Self) -> f32 {
        let (dx, dy) = (other.x - self.x, other.y - self.y);
        (dx * dx + dy * dy).sqrt()
    }

    /// Whether two may be neighbours on a string.
    fn joins(&self, other: &Self) -> bool {
        let radius = 0.5 * (self.radius + other.radius);
        let apart = self.apart(other);
        let ratio = self.radius / other.radius;
        apart > APART[0] * radius
            && apart < APART[1] * radius
            && ratio < ALIKE
            && ratio > 1.0 / ALIKE
    }
}

/// The beads of a necklace, as discs.
pub(super) fn find(
    picture: &Pyramid,
    size: Size,
    layers: &Layers,
    chin: Point,
    span: f32,
) -> Vec<Stud> {
    let side = N as f32 / PER_SPAN * span;
    let centre = Point {
        x: chin.x,
        y: chin.y + 0.5 * side - ABOVE * span,
    };
    let crop = Crop::level(centre, side, N);
    let shown = picture.cut(&crop);
    let light = shown.mean_axis(Axis(0)).expect("three channels");
    let parts = [&layers.shares[0], &layers.shares[1]].map(|share| share.view());
    let parts = cut_planes(&parts, (size.height, size.width), &crop);
    let skin = parts
        .index_axis(Axis(0), 0)
        .mapv(|s| f32::from(u8::from(s > 0.5)));
    let near = gaussian(skin.view(), NEAR * PER_SPAN);
    let hair = parts.index_axis(Axis(0), 1);
    let mut spots = spots(&light);
    spots.retain(|spot| {
        let at = [spot.y as usize, spot.x as usize];
        near[at] > SKIN && hair[at] < HAIR
    });
    // The chin's own shine is no bead.
    let below = |spot: &Spot| spot.y > ABOVE * PER_SPAN;
    beads(&spots, below)
        .into_iter()
        .map(|spot| Stud {
            centre: crop.to_picture(Point {
                x: spot.x,
                y: spot.y,
            }),
            radius: spot.radius * crop.step_x,
        })
        .collect()
}

/// Round bright spots, the clearest first.
fn spots(light: &Array2<f32>) -> Vec<Spot> {
    let (high, wide) = light.dim();
    // Weaker and stronger curvature per radius.
    let curved: Vec<Array2<[f32; 2]>> = RADII
        .iter()
        .map(|radius| {
            let scale = radius / SCALE;
            let blurred = gaussian(light.view(), scale);
            Array2::from_shape_fn((high, wide), |(y, x)| {
                if y == 0 || x == 0 || y + 1 == high || x + 1 == wide {
                    return [0.0; 2];
                }
                let at = |dy: usize, dx: usize| blurred[[y + dy - 1, x + dx - 1]];
                let xx = at(1, 2) - 2.0 * at(1, 1) + at(1, 0);
                let yy = at(2, 1) - 2.0 * at(1, 1) + at(0, 1);
                let xy = 0.25 * (at(2, 2) - at(2, 0) - at(0, 2) + at(0, 0));
                let (mean, half) = (0.5 * (xx + yy), 0.5 * (xx - yy));
                let off = (half * half + xy * xy).sqrt();
                [-(mean + off), -(mean - off)].map(|v| v * scale * scale)
            })
        })
        .collect();
    let mut all = Vec::new();
    for (k, radius) in RADII.into_iter().enumerate() {
        for y in 2..high.saturating_sub(2) {
            for x in 2..wide.saturating_sub(2) {
                let [weaker, stronger] = curved[k][[y, x]];
                let spot = Spot {
                    x: x as f32 + 0.5,
                    y: y as f32 + 0.5,
                    radius,
                    weaker,
                    stronger,
                };
                let both = weaker + stronger;
                let is_most = || {
                    curved[k.saturating_sub(1)..(k + 2).min(RADII.len())]
                        .iter()
                        .all(|plane| {
                            (y - 2..=y + 2).all(|y| {
                                (x - 2..=x + 2).all(|x| plane[[y, x]][0] + plane[[y, x]][1] <= both)
                            })
                        })
                };
                if spot.is(&FOLLOWS) && is_most() {
                    all.push(spot);
                }
            }
        }
    }
    all.sort_by(|a, b| (b.weaker + b.stronger).total_cmp(&(a.weaker + a.stronger)));
    all.truncate(MOST);
    all
}

/// The spots that are beads of a proven string; `proves`: those that may prove one.
fn beads(spots: &[Spot], proves: impl Fn(&Spot) -> bool) -> Vec<Spot> {
    let clear: Vec<Spot> = spots
        .iter()
        .copied()
        .filter(|spot| spot.is(&PROOF) && proves(spot))
        .collect();
    let mut found = longest(&clear);
    if found.len() < STRING {
        return Vec::new();
    }
    let mean = |values: &mut dyn Iterator<Item = f32>, count: usize| {
        values.fold(0.0, |sum, v| sum + v) / count as f32
    };
    let usual = mean(&mut found.iter().map(|s| s.radius), found.len());
    let pairs = found.iter().zip(&found[1..]);
    let apart = mean(&mut pairs.map(|(a, b)| a.apart(b)), found.len() - 1);
    let mut rest: Vec<Spot> = spots
        .iter()
        .copied()
        .filter(|spot| {
            let ratio = spot.radius / usual;
            let known = found.iter().any(|bead| bead.apart(spot) < 0.5);
            !known && ratio < ALIKE && ratio > 1.0 / ALIKE
        })
        .collect();
    let mut next = 0;
    loop {
        while next < found.len() {
            let bead = found[next];
            next += 1;
            let (with, without) = rest.into_iter().partition(|spot| bead.joins(spot));
            rest = without;
            let with: Vec<Spot> = with;
            found.extend(with);
        }
        let piece = longest(&rest);
        if piece.len() < PIECE {
            break;
        }
        rest.retain(|spot| piece.iter().all(|bead| bead.apart(spot) > 0.5));
        found.extend(piece);
    }
    if apart < TOUCH * usual {
        found
            .iter_mut()
            .for_each(|bead| bead.radius = bead.radius.max(0.5 * apart));
    }
    found
}

/// The longest row of spots in which each follows from the two before it.
fn longest(spots: &[Spot]) -> Vec<Spot> {
    let beside: Vec<Vec<usize>> = spots
        .iter()
        .map(|a| {
            let joined = spots.iter().enumerate().filter(|(_, b)| a.joins(b));
            joined.map(|(j, _)| j).collect()
        })
        .collect();
    let mut best: Vec<usize> = Vec::new();
    for (first, others) in beside.iter().enumerate() {
        for &second in others {
            let mut row = vec![first, second];
            while let [.., a, b] = row[..] {
                let step = |i: usize, j: usize| (spots[j].x - spots[i].x, spots[j].y - spots[i].y);
                let (from, length) = (step(a, b), spots[a].apart(&spots[b]));
                let fit = |&c: &usize| {
                    let (to, next) = (step(b, c), spots[b].apart(&spots[c]));
                    let bend = (from.0 * to.0 + from.1 * to.1) / (length * next);
                    let uneven = ln(next / length).abs();
                    let fits = bend > BEND && uneven < ln(EVEN) && !row.contains(&c);
                    fits.then_some((bend - uneven, c))
                };
                let next = beside[b]
                    .iter()
                    .filter_map(fit)
                    .max_by(|a, b| a.0.total_cmp(&b.0));
                match next {
                    Some((_, c)) => row.push(c),
                    None => break,
                }
            }
            if row.len() > best.len() {
                best = row;
            }
        }
    }
    best.into_iter().map(|i| spots[i]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Skin-like lightness with `drawn` over it.
    fn light(drawn: impl Fn(f32, f32) -> Option<f32>) -> Array2<f32> {
        Array2::from_shape_fn((160, 200), |(y, x)| {
            drawn(x as f32 + 0.5, y as f32 + 0.5).unwrap_or(0.35)
        })
    }

    /// Middles of pearls of radius 4.5 on a hanging curve.
    fn pearls(count: usize) -> Vec<(f32, f32)> {
        (0..count)
            .map(|i| {
                let t = i as f32 - 0.5 * (count as f32 - 1.0);
                (100.0 + 9.4 * t, 90.0 - 0.35 * t * t)
            })
            .collect()
    }

    fn covered(beads: &[(f32, f32)], x: f32, y: f32, radius: f32) -> bool {
        beads
            .iter()
            .any(|b| (x - b.0) * (x - b.0) + (y - b.1) * (y - b.1) < radius * radius)
    }

    #[test]
    fn a_string_of_pearls_is_found_bead_by_bead() {
        let drawn = pearls(9);
        let seen = light(|x, y| covered(&drawn, x, y, 4.3).then_some(0.8));
        let found = beads(&spots(&seen), |_| true);
        assert_eq!(found.len(), drawn.len());
        for bead in &found {
            let near = |p: &(f32, f32)| (p.0 - bead.x).abs() < 1.5 && (p.1 - bead.y).abs() < 1.5;
            assert!(drawn.iter().any(near), "{bead:?}");
            assert!((bead.radius - 4.3).abs() < 1.2, "{bead:?}");
        }
    }

    /// A collar's edge, a band, a row of buttons, three freckles of light, and a weave of dots far apart.
    #[test]
    fn other_bright_things_are_no_beads() {
        let collar = light(|x, y| (y > 60.0 + 0.3 * x).then_some(0.9));
        let band = light(|x, y| ((y - 80.0 - 0.2 * x).abs() < 4.0).then_some(0.85));
        let buttons = light(|x, y| {
            let row: Vec<(f32, f32)> = (0..5).map(|i| (100.0, 20.0 + 28.0 * i as f32)).collect();
            covered(&row, x, y, 4.0).then_some(0.8)
        });
        let three = light(|x, y| covered(&pearls(3), x, y, 4.3).then_some(0.8));
        let dots = light(|x, y| {
            let (dx, dy) = ((x % 20.0) - 10.0, (y % 20.0) - 10.0);
            (dx * dx + dy * dy < 16.0).then_some(0.8)
        });
        for (i, seen) in [collar, band, buttons, three, dots].iter().enumerate() {
            assert!(beads(&spots(seen), |_| true).is_empty(), "{i}");
        }
    }
}
