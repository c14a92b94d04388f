//! Studs and small drops at the ears, which are too small for the nets.
//!
//! Below each ear's root a disc is looked for whose outline differs in colour from what lies around it in
//! nearly all directions: a lobe against the wall is open above, a curl's lines run through, an ear's
//! hole or a mole does not shine. The measure is the third smallest of sixteen differences across the
//! outline (as the fast radial symmetry of Loy and Zelinsky, IEEE PAMI 25(8), 2003, counts gradients that
//! point to a middle, but with a rank, so that one strong side does not make up for an open one). A metal
//! or a pearl also mirrors the lamp: its brightest tenth is near white. Studs come in pairs, so what one
//! ear wears helps the other, at the mirrored place.
//!
//! Measured on nine rendered sitters (two with studs) and sixteen portraits (seven with something at an ear).

use ndarray::{Array3, Axis};

use super::crop::{Crop, Pyramid, sample};
use super::matting::Layers;
use super::nets::{Axes, Mesh};
use crate::picture::math::{cos, sin};
use crate::picture::{Point, Size};

/// Where the face's oval meets the ears: points of the mesh, picture-left and picture-right.
const EARS: [usize; 2] = [234, 454];

/// The window's middle, below and outside of that point, and its side, in eye spans.
const BELOW: f32 = 0.6;
const OUTSIDE: f32 = 0.08;
const SIDE: f32 = 0.9;

/// Pixels of the window along a side: a hundred per eye span.
const N: usize = 90;

/// Columns and rows of the window in which a disc's middle may lie. Above are ears, with holes and rims.
const COLUMNS: std::ops::Range<usize> = 28..62;
const ROWS: std::ops::Range<usize> = 26..78;

/// Radii that are tried, in the window's pixels: 2 to 7 mm.
const RADII: [f32; 7] = [3.6, 4.3, 5.2, 6.2, 7.5, 9.0, 10.8];

/// Directions in which an outline is looked at, and how many may fail.
const DIRECTIONS: usize = 16;
const OPEN: usize = 2;

/// Difference (Euclidean, sRGB-encoded) asked for across the outline: by itself, where the other ear has
/// the like at the mirrored place, and where the other ear's stands for sure. Studs have 0.26 and more,
/// dark stones 0.2, a grey pearl before a grey wall 0.1; ears, hair and walls 0.24 at most within the rows.
const CLEAR: f32 = 0.25;
const BOTH: f32 = 0.18;
const OTHER: f32 = 0.07;

/// Directions of the fit, the difference that counts as a whole one, the share of all that is asked for
/// (by itself, in pairs), and the share of the best from which a larger disc is preferred: highlights
/// have outlines too.
const FINE: usize = 32;
const WHOLE: f32 = 0.15;
const WHOLE_PAIRED: f32 = 0.1;
const FITS: f32 = 0.9;
const FITS_PAIRED: f32 = 0.93;
const LARGER: f32 = 0.95;

/// Radii of the fit in halves of a pixel, and how far its middle may move.
const HALVES: std::ops::RangeInclusive<usize> = 6..=24;
const MOVES: isize = 6;

/// The brightest tenth: mean of its channels at least, and difference of its channels over the largest at
/// most. Studs have 0.8 to 0.99 and 0.02 to 0.22, lit skin 0.56, fair hair 0.36.
const BRIGHT: f32 = 0.65;
const BRIGHT_PAIRED: f32 = 0.4;
const TINTED: f32 = 0.33;

/// How far from the mirrored place the other ear's may lie, in the window's pixels, and how much larger
/// one of a pair may be; beyond, the larger is right.
const MIRRORED: f32 = 8.0;
const ALIKE: f32 = 1.4;

/// A stud: middle and radius in picture pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stud {
    pub(super) centre: Point,
    pub(super) radius: f32,
}

/// A disc in a window.
#[derive(Debug, Clone, Copy)]
struct Disc {
    x: f32,
    y: f32,
    radius: f32,
    /// Difference across its outline.
    clear: f32,
    /// Share of whole differences along the fitted outline.
    fits: f32,
}

/// What is worn at the ears.
pub(super) fn find(
    picture: &Pyramid,
    size: Size,
    mesh: &Mesh,
    axes: &Axes,
    span: f32,
) -> Vec<Stud> {
    let windows = [0, 1].map(|ear| {
        let root = mesh.points[EARS[ear]];
        let out = if ear == 0 { -OUTSIDE } else { OUTSIDE } * span;
        let down = BELOW * span;
        let centre = Point {
            x: root.x + down * axes.down.x + out * axes.right.x,
            y: root.y + down * axes.down.y + out * axes.right.y,
        };
        let inside = centre.x > 0.0
            && centre.y > 0.0
            && centre.x < size.width as f32
            && centre.y < size.height as f32;
        let crop = Crop::level(centre, SIDE * span, N);
        inside.then(|| Window {
            crop,
            shown: picture.cut(&crop),
        })
    });
    let likely = windows
        .each_ref()
        .map(|w| w.as_ref().and_then(Window::likeliest));
    let mut found: [Option<Disc>; 2] = std::array::from_fn(|ear| {
        let (window, disc) = (windows[ear].as_ref()?, likely[ear]?);
        let sure = disc.clear >= CLEAR && disc.fits >= FITS && window.shines(&disc, BRIGHT);
        let paired = || {
            let other = likely[1 - ear]?;
            let both = [disc, other];
            let alike = mirrored(&disc, &other)
                && disc.radius.max(other.radius) < ALIKE * disc.radius.min(other.radius);
            let told = both
                .iter()
                .all(|d| d.clear >= BOTH && d.fits >= FITS_PAIRED);
            (alike && told && window.shines(&disc, BRIGHT_PAIRED)).then_some(())
        };
        (sure || paired().is_some()).then_some(disc)
    });
    // Of two that are no pair the weaker is a curl or a rim.
    if let [Some(a), Some(b)] = found
        && !mirrored(&a, &b)
    {
        found[usize::from(a.clear >= b.clear)] = None;
    }
    for ear in [0, 1] {
        let (Some(window), Some(other)) = (&windows[ear], found[1 - ear]) else {
            continue;
        };
        found[ear] = match found[ear] {
            Some(disc) if mirrored(&disc, &other) && other.radius > ALIKE * disc.radius => {
                let radius = (2.0 * other.radius + 0.5) as usize;
                window.fitted((disc.x, disc.y), radius..=radius, WHOLE)
            }
            None => window.like(&other),
            known => known,
        };
    }
    let stud = |(window, disc): (Option<Window>, Option<Disc>)| {
        let (window, disc) = (window?, disc?);
        Some(Stud {
            centre: window.crop.to_picture(Point {
                x: disc.x,
                y: disc.y,
            }),
            radius: disc.radius * window.crop.step_x,
        })
    };
    windows.into_iter().zip(found).filter_map(stud).collect()
}

/// Whether two discs of the two ears are each other's mirror image.
fn mirrored(a: &Disc, b: &Disc) -> bool {
    let (dx, dy) = (N as f32 - b.x - a.x, b.y - a.y);
    (dx * dx + dy * dy).sqrt() < MIRRORED
}

/// Takes what is worn at the ears into the sitter's matte and out of the other shares.
pub(super) fn put(layers: &mut Layers, studs: &[Stud]) {
    let (h, w) = layers.alpha.dim();
    for stud in studs {
        let reach = stud.radius + 1.0;
        let range = |middle: f32, end: usize| {
            let low = (middle - reach).max(0.0) as usize;
            low..((middle + reach + 1.0).max(0.0) as usize).min(end)
        };
        for y in range(stud.centre.y, h) {
            for x in range(stud.centre.x, w) {
                let middle = Point {
                    x: x as f32 + 0.5,
                    y: y as f32 + 0.5,
                };
                let cover = stud.radius + 0.5 - middle.distance(stud.centre);
                let cover = cover.max(0.0).min(1.0);
                let at = [y, x];
                layers.alpha[at] += cover * (1.0 - layers.alpha[at]);
                for share in &mut layers.shares {
                    share[at] *= 1.0 - cover;
                }
                layers.shares[3][at] += cover;
            }
        }
    }
}

/// The picture below an ear.
struct Window {
    crop: Crop,
    /// sRGB-encoded: `[3, N, N]`.
    shown: Array3<f32>,
}

impl Window {
    fn at(&self, x: f32, y: f32) -> [f32; 3] {
        std::array::from_fn(|c| sample(self.shown.index_axis(Axis(0), c), x, y))
    }

    /// Difference across an outline in one direction.
    fn across(&self, (x, y): (f32, f32), (dx, dy): (f32, f32), radius: f32, half: f32) -> f32 {
        let read = |r: f32| self.at(x + r * dx, y + r * dy);
        let (a, b) = (read(radius - half), read(radius + half));
        let d: [f32; 3] = std::array::from_fn(|c| a[c] - b[c]);
        (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt()
    }

    /// The difference that all but [`OPEN`] directions have; `None` when it is no more than `least`.
    fn clear(
        &self,
        at: (f32, f32),
        radius: f32,
        directions: &[(f32, f32)],
        least: f32,
    ) -> Option<f32> {
        let (mut all, mut open) = (Vec::with_capacity(directions.len()), 0);
        for &direction in directions {
            let across = self.across(at, direction, radius, (0.25 * radius).max(1.0));
            open += usize::from(across <= least);
            if open > OPEN {
                return None;
            }
            all.push(across);
        }
        all.sort_by(f32::total_cmp);
        all.get(OPEN).copied()
    }

    /// The disc whose outline is clearest, fitted.
    fn likeliest(&self) -> Option<Disc> {
        let directions = around(DIRECTIONS);
        let mut best = (OTHER, None);
        for radius in RADII {
            for y in ROWS {
                for x in COLUMNS {
                    let at = (x as f32 + 0.5, y as f32 + 0.5);
                    if let Some(clear) = self.clear(at, radius, &directions, best.0) {
                        best = (clear, Some(at));
                    }
                }
            }
        }
        let (clear, at) = best;
        let disc = self.fitted(at?, HALVES, WHOLE)?;
        Some(Disc { clear, ..disc })
    }

    /// The largest disc around a place that fits about as well as the best one.
    fn fitted(
        &self,
        (x, y): (f32, f32),
        halves: std::ops::RangeInclusive<usize>,
        whole: f32,
    ) -> Option<Disc> {
        let directions = around(FINE);
        let mut fits: Vec<Disc> = Vec::new();
        for half in halves {
            let radius = 0.5 * half as f32;
            let mut best: Option<Disc> = None;
            for dy in -MOVES..=MOVES {
                for dx in -MOVES..=MOVES {
                    let at = (x + dx as f32, y + dy as f32);
                    let sum = directions.iter().fold(0.0, |sum, &d| {
                        sum + (self.across(at, d, radius, 1.0) / whole).min(1.0)
                    });
                    let share = sum / FINE as f32;
                    if best.is_none_or(|b| share > b.fits) {
                        best = Some(Disc {
                            x: at.0,
                            y: at.1,
                            radius,
                            clear: 0.0,
                            fits: share,
                        });
                    }
                }
            }
            fits.extend(best);
        }
        let most = fits.iter().fold(0.0_f32, |a, d| a.max(d.fits));
        fits.into_iter().rfind(|d| d.fits > LARGER * most)
    }

    /// A disc like the other ear's at the mirrored place.
    fn like(&self, other: &Disc) -> Option<Disc> {
        let place = (N as f32 - other.x, other.y);
        let bounds = [0.8, 1.2].map(|share| (2.0 * share * other.radius + 0.5) as usize);
        let disc = self.fitted(place, bounds[0]..=bounds[1], WHOLE_PAIRED)?;
        self.clear((disc.x, disc.y), disc.radius, &around(DIRECTIONS), OTHER)?;
        let told = disc.fits >= FITS_PAIRED && self.shines(&disc, BRIGHT_PAIRED);
        told.then_some(disc)
    }

    /// Whether a disc's brightest tenth is bright and hardly tinted.
    fn shines(&self, disc: &Disc, bright: f32) -> bool {
        let mut seen: Vec<(f32, [f32; 3])> = Vec::new();
        for y in 0..N {
            for x in 0..N {
                let (dx, dy) = (x as f32 + 0.5 - disc.x, y as f32 + 0.5 - disc.y);
                if dx * dx + dy * dy <= disc.radius * disc.radius {
                    let v: [f32; 3] = std::array::from_fn(|c| self.shown[[c, y, x]]);
                    seen.push(((v[0] + v[1] + v[2]) / 3.0, v));
                }
            }
        }
        seen.sort_by(|a, b| b.0.total_cmp(&a.0));
        let count = (seen.len() / 10).max(3).min(seen.len());
        let mean: [f32; 3] = std::array::from_fn(|c| {
            seen[..count].iter().fold(0.0, |sum, s| sum + s.1[c]) / count.max(1) as f32
        });
        let top = mean.iter().fold(0.0_f32, |a, v| a.max(*v));
        let low = mean.iter().fold(f32::MAX, |a, v| a.min(*v));
        let light = (mean[0] + mean[1] + mean[2]) / 3.0;
        light >= bright && top - low <= TINTED * top
    }
}

/// So many directions all around.
fn around(count: usize) -> Vec<(f32, f32)> {
    (0..count)
        .map(|k| {
            let angle = std::f32::consts::TAU * k as f32 / count as f32;
            (cos(angle), sin(angle))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// A window of skin to the left and wall to the right, with `disc` laid over it.
    fn window(disc: impl Fn(f32, f32) -> Option<[f32; 3]>) -> Window {
        let shown = Array3::from_shape_fn((3, N, N), |(c, y, x)| {
            let ground = if x < 45 {
                [0.55, 0.36, 0.28]
            } else {
                [0.45, 0.45, 0.46]
            };
            disc(x as f32 + 0.5, y as f32 + 0.5).unwrap_or(ground)[c]
        });
        Window {
            crop: Crop::level(Point { x: 45.0, y: 45.0 }, N as f32, N),
            shown,
        }
    }

    fn within(x: f32, y: f32, radius: f32) -> bool {
        (x - 44.0) * (x - 44.0) + (y - 40.0) * (y - 40.0) < radius * radius
    }

    #[test]
    fn a_pearl_is_found_with_its_size() {
        let seen = window(|x, y| {
            let lamp = within(x + 2.0, y + 2.0, 2.0);
            within(x, y, 7.0).then_some(if lamp { [0.98; 3] } else { [0.8, 0.79, 0.76] })
        });
        let disc = seen.likeliest().expect("a disc");
        assert!(disc.clear > CLEAR && disc.fits > FITS && seen.shines(&disc, BRIGHT));
        let off = ((disc.x - 44.0).powi(2) + (disc.y - 40.0).powi(2)).sqrt();
        assert!(off < 1.5 && (disc.radius - 7.0).abs() < 1.1, "{disc:?}");
    }

    /// A dark hole is clear all around but does not shine; a lobe's edge is open.
    #[test]
    fn holes_and_edges_are_no_studs() {
        let hole = window(|x, y| within(x, y, 6.0).then_some([0.1, 0.06, 0.05]));
        let disc = hole.likeliest().expect("a disc");
        assert!(!hole.shines(&disc, BRIGHT));
        let edge = window(|_, _| None);
        assert!(edge.likeliest().is_none());
    }

    #[test]
    fn a_stud_takes_its_place_from_skin_and_wall() {
        let plane = |v: f32| Array2::from_elem((40, 40), v);
        let mut layers = Layers {
            alpha: plane(0.5),
            shares: [plane(0.5), plane(0.0), plane(0.0), plane(0.0)],
            alike: 0.0,
        };
        let stud = Stud {
            centre: Point { x: 20.0, y: 20.0 },
            radius: 6.0,
        };
        put(&mut layers, &[stud]);
        assert_eq!(layers.alpha[[20, 20]], 1.0);
        assert_eq!(layers.shares[3][[20, 20]], 1.0);
        assert_eq!(layers.shares[0][[20, 20]], 0.0);
        assert_eq!(layers.shares[0][[5, 5]], 0.5);
        let sum = layers.shares.iter().fold(plane(0.0), |sum, s| sum + s);
        let off = (&sum - &layers.alpha).mapv(f32::abs);
        assert!(off.iter().all(|v| *v < 1e-6));
    }
}
