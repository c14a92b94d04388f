//! Wall that shows where a frame's own surface is only a guess: between arm and body, beside a sleeve at the
//! frame's edge.
//!
//! The backdrop's polynomial follows what shows above the shoulders. Farther down it strays, by a fifth of
//! the light in a gap of a rendered frame, so that nothing there looks like it to the letter, and the nets
//! take the gap for cloth. The wall's tint can be told all the same. So a patch below the chin is wall if it has
//! that tint, about the surface's light, nothing but noise upon a slow slope, and other colours all around,
//! close by and farther out; and if the nets are not quite sure of it. Cloth of the wall's colour has folds
//! and weave and fades into more cloth; a stripe of it has its like beyond the next line. The surface is
//! then fitted again with those patches. What of the sitter's map becomes bare is decided by that surface,
//! as anywhere else.

use ndarray::Array2;

use super::backdrop::{Surface, median, solve, unit};
use super::crop::halve;
use super::matting::BELOW;
use super::nets::{Axes, COARSE};
use super::plane::resized;
use crate::picture::filter::{dilate, gaussian};
use crate::picture::{Linear, bands};

/// Share of the surface's green light that a patch may have: 0.79 to 1.02 on the rendered frames, with their
/// walls dimmed, tinted and cut in many ways (as all figures here).
const LIGHT: [f32; 2] = [0.65, 1.5];

/// How far a patch's tint may be off from the wall's, as a share of red and blue over green (0.005 and less,
/// but for a green wall's 0.02, which its tinted light makes uneven), and a single softened place's, which
/// noise adds to.
const TINT: f32 = 0.010;
const TINT_OF_PLACE: f32 = 0.06;

/// Difference across two half-size pixels of a softened picture, in units of noise, from which an edge
/// runs. Noise alone makes a deviation of 0.4; cloth's folds make several.
const EDGE: f32 = 3.0;

/// What is left beside a patch's own quadratic, in units of noise, of half-size pixels and of a softened
/// picture: 1.2 and 0.7 in gaps; white cloth before a white wall had 1.5 and 0.8 at its plainest, other
/// cloth more than 2 and 1. Single strands before a strip of wall make 1.7 and 1.1: what the nets doubt
/// may be so much rougher.
const ROUGH: f32 = 1.4;
const SOFT_ROUGH: f32 = 0.9;
const ROUGHER: f32 = 0.6;

/// The steepest slope of light over the surface's, per eye span, as a share: up to 0.25 on wall.
const SLOPE: f32 = 0.35;

/// Rings around a patch in which other colours must be seen: the first in half-size pixels, since its edge is
/// as soft as the lens draws it, the second in eye spans, a little more than a pinstripe's distance. A place
/// is of another colour from this mean square in units of noise on.
const BESIDE: [usize; 2] = [4, 6];
const BEYOND: [f32; 2] = [0.08, 0.11];
const UNLIKE: f32 = 64.0;

/// Shares of those rings that may look like the patch: 0.1 and 0.28 around wall, since patches end where the
/// nets are sure of more wall; beyond pinstripes of the wall's colour 0.8 to 0.99.
const OPEN: f32 = 0.12;
const WIDE_OPEN: f32 = 0.4;

/// Least area in squared eye spans.
const AREA: f32 = 0.02;

/// How far beside the face's middle, in its own units (eyes to chin): collars, ties and shirts between lapels
/// lie nearer, gaps at 1.2 and more.
const ASIDE: f32 = 0.8;

/// The nets' word under which some place of a patch must be, and all of it on average; the mean under which
/// they doubt it; and that from which a patch is news.
const NOT_SURE: f32 = 0.99;
const MEAN_NOT_SURE: f32 = 0.998;
const DOUBT: f32 = 0.97;
const NEWS: f32 = 0.3;

/// The nets' word under which nobody is there.
const NOBODY: f32 = 0.02;

/// 1 in patches of wall among what the nets may take for the sitter, at half size; `None` where that is
/// nothing new, or where the set's empty frame tells the wall.
pub(super) fn find(
    small: &Linear,
    surface: &Surface,
    person: &Array2<f32>,
    axes: &Axes,
    span: f32,
) -> Option<Array2<f32>> {
    let tint = surface.tint.as_ref()?;
    let picture = small.planes.each_ref().map(|p| halve(p.view()));
    let dim = person.dim();
    let step = COARSE as f32 / surface.cell as f32;
    let on_half = |plane: &Array2<f32>| resized(plane.view(), dim, step);
    let back = surface.planes.each_ref().map(on_half);
    let look = Look {
        noise: noise(&picture, &back, person),
        soft: picture.each_ref().map(|p| gaussian(p.view(), 1.0)),
        tint: tint.each_ref().map(on_half),
        picture,
        back,
        person,
        half: span / COARSE as f32,
    };
    let calm = bands::plane(dim, |y, x| {
        if person[[y, x]] < NOBODY {
            return false;
        }
        let (across, down) = axes.of_half(y, x);
        down > BELOW && across.abs() > ASIDE && look.is_calm([y, x])
    });
    let least = AREA * look.half * look.half;
    let mut seen = Array2::from_elem(dim, false);
    let mut found = Array2::zeros(dim);
    let mut news = false;
    for (y, x) in ndarray::indices(dim) {
        if !calm[[y, x]] || seen[[y, x]] {
            continue;
        }
        let places = joined(&calm, &mut seen, [y, x]);
        if places.len() as f32 >= least && look.is_wall(&places) {
            news |= mean(&places, |at| person[at]) > NEWS;
            places.iter().for_each(|&at| found[at] = 1.0);
        }
    }
    news.then_some(found)
}

/// Noise of half-size pixels of the wall, in [`unit`]s: robust deviation of neighbours from each other.
fn noise(picture: &[Array2<f32>; 3], back: &[Array2<f32>; 3], person: &Array2<f32>) -> f32 {
    let (h, w) = person.dim();
    let mut off = Vec::new();
    for y in (0..h).step_by(3) {
        for x in (0..w - 1).step_by(3) {
            if person[[y, x]] < NOBODY {
                for (p, b) in picture.iter().zip(back) {
                    off.push((p[[y, x]] - p[[y, x + 1]]).abs() / unit(b[[y, x]]));
                }
            }
        }
    }
    // Median absolute deviation to standard deviation of a normal; a difference has the noise of two.
    (1.4826 / std::f32::consts::SQRT_2 * median(&mut off)).max(0.001)
}

/// All calm places that join the first one; they become seen.
fn joined(calm: &Array2<bool>, seen: &mut Array2<bool>, first: [usize; 2]) -> Vec<[usize; 2]> {
    let (h, w) = calm.dim();
    let mut places = vec![first];
    seen[first] = true;
    let mut next = 0;
    while let Some(&[y, x]) = places.get(next) {
        next += 1;
        let near = [
            [y.wrapping_sub(1), x],
            [y + 1, x],
            [y, x.wrapping_sub(1)],
            [y, x + 1],
        ];
        for at in near {
            // A wrapped index is beyond the picture too.
            if at[0] < h && at[1] < w && calm[at] && !seen[at] {
                seen[at] = true;
                places.push(at);
            }
        }
    }
    places
}

/// Mean of a value over places.
fn mean(places: &[[usize; 2]], value: impl Fn([usize; 2]) -> f32) -> f32 {
    places.iter().map(|&at| value(at)).sum::<f32>() / places.len().max(1) as f32
}

/// What places and patches are judged by, all at half size.
struct Look<'a> {
    picture: [Array2<f32>; 3],
    /// Softened by a pixel.
    soft: [Array2<f32>; 3],
    back: [Array2<f32>; 3],
    /// The wall's red and blue over green.
    tint: [Array2<f32>; 2],
    person: &'a Array2<f32>,
    noise: f32,
    /// Eye span in half-size pixels.
    half: f32,
}

/// What a patch's own quadratic leaves, in units of noise, of half-size pixels and of a softened picture, and
/// its slope of green light over the surface's, per eye span, as a share.
struct Roughness {
    single: f32,
    softened: f32,
    slope: f32,
}

impl Look<'_> {
    /// Whether a place has about the wall's light and tint, and no edge.
    fn is_calm(&self, [y, x]: [usize; 2]) -> bool {
        let (h, w) = self.person.dim();
        if y == 0 || x == 0 || y + 1 >= h || x + 1 >= w {
            return false;
        }
        let at = [y, x];
        let [red, green, blue] = self.soft.each_ref().map(|p| p[at]);
        let light = green / self.back[1][at].max(1e-4);
        if !(light > LIGHT[0] && light < LIGHT[1]) {
            return false;
        }
        let tint = [red, blue].into_iter().zip(&self.tint);
        let tinted = tint.map(|(v, tint)| (v / (green * tint[at]).max(1e-6) - 1.0).abs());
        if tinted.fold(0.0, f32::max) > TINT_OF_PLACE {
            return false;
        }
        let steep = self.soft.iter().zip(&self.back).map(|(p, b)| {
            let (right, below) = (p[[y, x + 1]] - p[[y, x - 1]], p[[y + 1, x]] - p[[y - 1, x]]);
            let unit = unit(b[at]) * self.noise;
            (right * right + below * below) / (unit * unit)
        });
        steep.sum::<f32>() < 3.0 * EDGE * EDGE
    }

    /// Whether a patch of calm places is wall: see the head of the file.
    fn is_wall(&self, places: &[[usize; 2]]) -> bool {
        let sure = mean(places, |at| self.person[at]);
        let doubted = places.iter().any(|&at| self.person[at] < NOT_SURE);
        if !doubted || sure > MEAN_NOT_SURE {
            return false;
        }
        let seen = self.picture.each_ref().map(|p| mean(places, |at| p[at]));
        let tinted = [0, 2].iter().zip(&self.tint).map(|(&c, tint)| {
            let wall = mean(places, |at| tint[at]);
            (seen[c] / (seen[1] * wall).max(1e-6) - 1.0).abs()
        });
        if tinted.fold(0.0, f32::max) > TINT {
            return false;
        }
        let more = if sure < DOUBT { ROUGHER } else { 0.0 };
        let plain = self.roughness(places).is_some_and(|rough| {
            rough.single < ROUGH + more && rough.softened < SOFT_ROUGH + more && rough.slope < SLOPE
        });
        let beyond = BEYOND.map(|by| (by * self.half + 0.5) as usize);
        plain && self.open(places, BESIDE) < OPEN && self.open(places, beyond) < WIDE_OPEN
    }

    fn roughness(&self, places: &[[usize; 2]]) -> Option<Roughness> {
        let middle = [0, 1].map(|i| mean(places, |at| at[i] as f32));
        let terms = |at: [usize; 2]| -> [f64; 6] {
            let [v, u] = [0, 1].map(|i| f64::from((at[i] as f32 - middle[i]) / self.half));
            [1.0, u, v, u * u, u * v, v * v]
        };
        let (mut single, mut softened, mut slope) = (0.0_f32, 0.0_f32, 0.0);
        for c in 0..3 {
            let (picture, back) = (&self.picture[c], &self.back[c]);
            let mut normal = vec![vec![0.0_f64; 6]; 6];
            let mut right = vec![0.0_f64; 6];
            for &at in places {
                let terms = terms(at);
                let light = f64::from(picture[at] / back[at]);
                for (i, &term) in terms.iter().enumerate() {
                    right[i] += term * light;
                    for (sum, other) in normal[i].iter_mut().zip(terms) {
                        *sum += term * other;
                    }
                }
            }
            // A thin patch does not tell all terms.
            for (i, row) in normal.iter_mut().enumerate() {
                row[i] += 1e-6 * places.len() as f64;
            }
            let fitted = solve(normal, right)?;
            if c == 1 {
                let steep = (fitted[1] * fitted[1] + fitted[2] * fitted[2]).sqrt();
                slope = (steep / fitted[0].abs().max(1e-6)) as f32;
            }
            for &at in places {
                let light: f64 = terms(at).iter().zip(&fitted).map(|(t, k)| t * k).sum();
                let (own, scale) = (light as f32 * back[at], unit(back[at]) * self.noise);
                let off = |plane: &Array2<f32>| (plane[at] - own) / scale;
                let (one, soft) = (off(picture), off(&self.soft[c]));
                single += one * one;
                softened += soft * soft;
            }
        }
        let count = 3.0 * places.len() as f32;
        Some(Roughness {
            single: (single / count).sqrt(),
            softened: (softened / count).sqrt(),
            slope,
        })
    }

    /// The share of a ring around a patch, from so many pixels away to so many, that looks like the patch and
    /// is not known to be wall.
    fn open(&self, places: &[[usize; 2]], [from, to]: [usize; 2]) -> f32 {
        let (h, w) = self.person.dim();
        let light = [0, 1, 2].map(|c| {
            let back = mean(places, |at| self.back[c][at]);
            mean(places, |at| self.picture[c][at]) / back
        });
        let ends = |i: usize, end: usize| {
            let of = || places.iter().map(|at| at[i]);
            let first = of().min().unwrap_or(0).saturating_sub(to);
            first..(of().max().unwrap_or(0) + to + 1).min(end)
        };
        let (rows, columns) = (ends(0, h), ends(1, w));
        let mut patch = Array2::zeros((rows.len(), columns.len()));
        for &[y, x] in places {
            patch[[y - rows.start, x - columns.start]] = 1.0;
        }
        let [near, around] = [from, to].map(|by| dilate(patch.view(), by));
        let (mut all, mut open) = (0.0_f32, 0.0_f32);
        for (at, &around) in around.indexed_iter() {
            if around < 0.5 || near[at] > 0.5 {
                continue;
            }
            all += 1.0;
            let at = [at.0 + rows.start, at.1 + columns.start];
            let unlike = |c: usize| {
                let back = self.back[c][at];
                let off = (self.picture[c][at] - light[c] * back) / (unit(back) * self.noise);
                off * off
            };
            let unlike: f32 = (0..3).map(unlike).sum();
            if unlike < 3.0 * UNLIKE && self.person[at] >= NOBODY {
                open += 1.0;
            }
        }
        open / all.max(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{Point, Size};

    const SIZE: Size = Size {
        width: 600,
        height: 900,
    };
    const SPAN: f32 = 160.0;
    const WALL: [f32; 3] = [0.24, 0.25, 0.26];

    /// Noise of deviation one, about: the sum of four even draws (central limit), by a linear
    /// congruential generator (Knuth, *The Art of Computer Programming*, volume 2, 3.3.4, table 1).
    struct Noise(u64);

    impl Noise {
        fn next(&mut self) -> f32 {
            let mut sum = 0.0;
            for _ in 0..4 {
                self.0 = self
                    .0
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                sum += (self.0 >> 40) as f32 / (1_u64 << 24) as f32 - 0.5;
            }
            sum * 3.0_f32.sqrt()
        }
    }

    /// What is found in a wedge at the frame's lower edge, between arm and body of a sitter of whom the nets
    /// are as sure as `word` there; `wedge` is the light in it and `cloth` that of the sitter, at a place.
    fn found(
        word: f32,
        wedge: impl Fn(usize, usize) -> [f32; 3],
        cloth: impl Fn(usize, usize) -> [f32; 3],
    ) -> Option<Array2<f32>> {
        let mut noise = Noise(1);
        let mut small = Linear::zeros(SIZE);
        let inside = |y: usize, x: usize| y > 700 && x.abs_diff(460) < (y - 700) / 5;
        let sitter = |y: usize, x: usize| y > 400 && x > 40;
        for y in 0..SIZE.height {
            for x in 0..SIZE.width {
                let light = match (sitter(y, x), inside(y, x)) {
                    (true, true) => wedge(y, x),
                    (true, false) => cloth(y, x),
                    _ => WALL,
                };
                for (plane, v) in small.planes.iter_mut().zip(light) {
                    plane[[y, x]] = v + 0.006 * unit(v) * noise.next();
                }
            }
        }
        let cell = 2;
        let grid = (SIZE.height / cell, SIZE.width / cell);
        let surface = Surface {
            planes: WALL.map(|v| Array2::from_elem(grid, v)),
            cell,
            spread: Array2::from_elem(grid, 0.005),
            tint: Some([0, 2].map(|c| Array2::from_elem(grid, WALL[c] / WALL[1]))),
        };
        let person = Array2::from_shape_fn((SIZE.height / 2, SIZE.width / 2), |(y, x)| {
            match (sitter(2 * y, 2 * x), inside(2 * y, 2 * x)) {
                (true, true) => word,
                (true, false) => 0.9999,
                _ => 0.001,
            }
        });
        let eyes = [260.0, 340.0].map(|x| Point { x, y: 250.0 });
        let axes = Axes::new(eyes, Point { x: 300.0, y: 360.0 });
        find(&small, &surface, &person, &axes, SPAN)
    }

    const CLOTH: [f32; 3] = [0.10, 0.06, 0.05];

    fn dimmed(by: f32) -> [f32; 3] {
        WALL.map(|v| v * by)
    }

    /// Off by a fifth, as far as a polynomial strays, and with a slope of its own.
    #[test]
    fn a_gap_is_wall_though_the_surface_strays() {
        let wedge = |y: usize, _: usize| dimmed(0.86 - 0.0004 * (y - 700) as f32);
        let gap = found(0.98, wedge, |_, _| CLOTH).expect("a gap");
        let shown = gap.iter().sum::<f32>();
        // The triangle has 1980 pixels of half size, without its soft border about 1500.
        assert!((1200.0..2000.0).contains(&shown), "{shown}");
        assert!(gap[[440, 230]] > 0.5 && gap[[440, 150]] < 0.5);
    }

    #[test]
    fn cloth_of_the_walls_colour_is_no_gap() {
        let like = dimmed(0.9);
        // Folds, another tint, no edge to more cloth, pinstripes, and a patch that the nets are sure of.
        let fold = |_: usize, x: usize| dimmed(0.9 + 0.04 * ((x % 24) as f32 / 24.0));
        assert!(found(0.98, fold, |_, _| CLOTH).is_none());
        let tinted = |_: usize, _: usize| [like[0] * 1.02, like[1], like[2]];
        assert!(found(0.98, tinted, |_, _| CLOTH).is_none());
        assert!(found(0.98, |_, _| like, |_, _| like).is_none());
        let stripes = |_: usize, x: usize| if x % 32 < 6 { CLOTH } else { like };
        assert!(found(0.98, |_, _| like, stripes).is_none());
        assert!(found(0.9999, |_, _| like, |_, _| CLOTH).is_none());
        assert!(found(0.98, |_, _| like, |_, _| CLOTH).is_some());
    }
}
