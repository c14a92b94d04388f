//! Heal: takes away small blemishes that will be gone in two weeks, and places listed by hand.
//!
//! **Finding.** Red and brown are told apart by what the skin's two pigments absorb: with light as
//! the logarithms of sRGB's red and green, haemoglobin darkens green and hardly red, melanin darkens
//! both, shade all alike (Tsumura, Haneishi and Miyake, *Independent-component analysis of skin color
//! image*, JOSA A 16(9), 1999; the indices of erythema, ln R - ln G, and of melanin, -ln R, as
//! Takiwaki et al., *Skin Res. Technol.* 3(1), 1997). Logarithms are shares, so dark skin is judged
//! as light skin is. Both are blurred over skin alone at eight widths an octave's half apart;
//! differences of two widths an octave apart, D, are largest at the middle of a round spot of
//! their own size (Lindeberg, *Feature detection with automatic scale selection*, IJCV 30(2),
//! 1998). A blemish is a maximum of D_e (erythema) over place and width that
//! - is red enough and stands above the unevenness around it (`sensitivity`),
//! - is darker in green, but hardly in red: a mole's or freckle's pigment darkens both (planted moles
//!   have 2.8 times as much in red as in erythema and more), so these stay: they are the person,
//! - is no yellower than the skin around, as brown pigment is,
//! - has no light side: what is raised (a mole, a wing of the nose) has one,
//! - is round: the ratio of principal curvatures of D_e is bounded (Lowe, *Distinctive image
//!   features from scale-invariant keypoints*, IJCV 60(2), 2004, section 4.1),
//! - lies clear of hair, brows, eyes and lashes, lips, nostrils and what is worn, and
//! - has skin nearby that fits it without a seam.
//!
//! **Mending.** A disc of real skin from nearby is cloned over the spot (Perez, Gangnet and Blake,
//! *Poisson image editing*, SIGGRAPH 2003): p = source + h, h harmonic inside and equal to the
//! difference of the surroundings on the rim. On a disc h is Poisson's integral,
//! h(x) = sum_k d_k (1 - |x|^2) / |x - e_k|^2, normalised, so nothing has to be iterated. The rim
//! is read with a small blur, so that its noise is not drawn inwards as streaks.
//! Of 48 places around, the one is taken whose rim differs most evenly from the spot's, whose
//! texture is as strong, and which is flat itself; no place lends its texture twice. A listed spot is
//! cloned from its own material (skin, cloth, backdrop, hair), and off skin the source is moved by a
//! few pixels until threads and stripes meet at the rim.
//!
//! Works in Oklab: redness is one axis there, and the clone's seam vanishes for the eye.

mod peaks;

use ndarray::{Array2, Zip};
use serde::{Deserialize, Serialize};

use crate::operations::skin_bands::{Skin, SkinGrid, skin_matte};
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::math::{cos, ln, sin};
use crate::picture::oklab::linear_from_oklab;
use crate::picture::{EyeSpans, Oklab, Point, Ratio, Size, bands};
use crate::regions::{Matte, Region};

use peaks::{clear_share, extent, is_peak, is_round, lit_side};

/// The working space in sRGB's primaries: ITU-R BT.2407-0, section 2.2.
const TO_SRGB: [[f32; 3]; 3] = [
    [1.6605, -0.5876, -0.0728],
    [-0.1246, 1.1329, -0.0083],
    [-0.0182, -0.1006, 1.1187],
];
/// Light below which a logarithm means nothing: a ten-thousandth of white.
const DARKEST: f32 = 1e-4;
/// Narrowest blur. The smallest blemish that is found has a radius of about 0.012 eye spans
/// (0.8 mm).
const FINEST: EyeSpans = EyeSpans(0.009);
/// Widths, each sqrt(2) wider than the one before; the widest is 0.102 eye spans.
const WIDTHS: usize = 8;
/// Differences are taken between a width and the one this many further: an octave.
const OCTAVE: usize = 2;
/// Erythema asked for at a sensitivity of 0, 0.5 and 1. At 0.5 it is just under the weakest planted
/// blemish that stands above the noise (0.032); tests print what is found.
const REDNESS: [f32; 3] = [0.12, 0.03, 0.02];
/// How far above the mean unevenness around it (of the same width): at the narrowest width and at
/// the others. Noise and pores alone reach 6.2 on the rendered office and sixteen portraits, the
/// smallest planted blemish on the darkest skin has 6.3.
const ABOVE_NOISE: [f32; 2] = [6.25, 7.0];
/// Melanin (darkening of red) as a share of erythema, and by itself, at most. Planted blemishes have
/// up to 2.1 (small, on the darkest skin; 1.9 edge-on) and 0.097; planted moles 2.5 and 0.12 at least,
/// and a raised mole of a real sitter 1.0 and 0.11.
const BROWN_FOR_RED: f32 = 2.15;
const BROWN: f32 = 0.10;
/// Melanin once more, with how much more blue falls than green (haemoglobin takes about as much of both,
/// melanin more of blue): both together, at most. Planted blemishes have up to 0.122; moles and brown
/// spots of real sitters 0.144 and more.
const BROWN_AND_YELLOW: f32 = 0.132;
/// Rise of red as a share of erythema, at most: a red place that is not darker is a reflection.
const GLOW: f32 = 0.4;
/// Deepest darkening of green: beyond it a lash, a fold or a nostril. Planted blemishes have 0.34.
const DEEPEST: f32 = 0.36;
/// Light beside a spot, in ln R, over its own darkening (counted from [`FLAT`]): more is a raised
/// thing's lit side. Planted blemishes have 1.5 at most.
const LIT_SIDE: f32 = 2.0;
const FLAT: f32 = 0.05;
/// Bound of tr^2 / det of the Hessian; 4 is round, 6.5 about twice as long as wide.
const ROUND: f32 = 6.5;
/// A spot ends where its redness has fallen to this share of what it is in the middle.
const ENDS_AT: f32 = 0.12;
/// Radius of what is mended over that end, so that the fade begins outside of the spot.
const RADIUS_OVER_END: f32 = 1.4;
/// Bounds of the mended radius in widths at which the spot was found.
const RADIUS_OVER_WIDTH: [f32; 2] = [2.2, 6.0];
/// Margin of skin that a spot needs around it.
const CLEAR: EyeSpans = EyeSpans(0.02);
/// Share of that margin that must be skin.
const CLEAR_SHARE: f32 = 0.8;
/// At most this many blemishes are mended on one sitter; more is not for a machine to decide.
const MOST_PLACES: usize = 120;
/// Directions and distances (in radii) in which a source is looked for.
const DIRECTIONS: usize = 16;
const DISTANCES: [f32; 3] = [2.3, 3.1, 4.2];
/// Largest root mean square unevenness of the seam, as a share of the lightness there, with which
/// a place is mended without being listed: beyond it lies a nostril, a fold or a lash, and nothing
/// nearby would fit. Measured: planted spots stay under 0.035, the rim of a nostril has 0.06.
const WORST_SEAM: f32 = 0.045;
/// Discs that are tried, in parts of the whole: 0.75 still covers all of a planted spot's red.
const SIZES: [f32; 2] = [1.0, 0.75];
/// Where nostrils lie: below the tip of the nose, half their width and height, in eye spans.
/// Measured on rendered sitters.
const NOSTRILS: [f32; 3] = [0.08, 0.26, 0.11];
/// Where lashes and the lids' creases are: around the middle of an eye, half their width and height, in
/// distances of its corners. Measured on rendered sitters and portraits; the nearest planted blemishes lie
/// at (1.0, 0.5) and (0.8, 0.7).
const LASHES: [f32; 2] = [0.7, 0.55];
/// How far a source off skin is moved to meet threads and stripes, in shares of the radius and in
/// pixels at most.
const MEET: (f32, isize) = (0.8, 9);
/// Part of the disc's radius from which the mend fades out.
const FADE_FROM: f32 = 0.75;

/// Erythema above the surroundings for one whole step of lightness in [`redness_shown`]: the faintest
/// that is found (0.03) is then darker by 0.1, about 10 L*.
const SHOWN: f32 = 0.3;

/// A place to be healed by hand.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spot {
    /// From the left edge, as a share of the picture's width.
    pub x: f32,
    /// From the top edge, as a share of the picture's height.
    pub y: f32,
    /// Radius of all that shall go.
    pub radius: EyeSpans,
}

/// Places to be healed by hand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<Spot>", into = "Vec<Spot>")]
pub struct Spots(Vec<Spot>);

impl TryFrom<Vec<Spot>> for Spots {
    type Error = String;

    fn try_from(spots: Vec<Spot>) -> Result<Self, String> {
        for spot in &spots {
            let inside = |v: f32| (0.0..=1.0).contains(&v);
            if !inside(spot.x) || !inside(spot.y) {
                return Err("x and y of a spot are shares of the picture, 0 to 1".to_owned());
            }
            if !(0.002..=0.5).contains(&spot.radius.0) {
                return Err("the radius of a spot is 0.002 to 0.5 eye spans".to_owned());
            }
        }
        Ok(Self(spots))
    }
}

impl From<Spots> for Vec<Spot> {
    fn from(spots: Spots) -> Self {
        spots.0
    }
}

impl SettingValue for Spots {
    const UNIT: &'static str =
        "a list of (x: share of width, y: share of height, radius: eye spans)";
}

settings! {
    /// Takes away small red blemishes of the skin, and places listed by hand, with real texture
    /// from nearby. Moles, freckles and scars stay unless listed.
    pub struct Heal {
        /// How far a place is taken back to its surroundings.
        strength: Ratio in 0.0..=1.0, default Ratio(1.0), neutral Ratio(0.0);
        /// How faint a blemish is found by itself; at 0 only listed places are healed.
        sensitivity: Ratio in 0.0..=1.0, default Ratio(0.5);
        /// Places to heal, on skin, cloth or backdrop.
        spots: Spots, default Spots::default();
        /// Places to leave alone: nothing is found within them.
        leave: Spots, default Spots::default();
    }
}

/// A disc to mend, in pixels of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    centre: Point,
    radius: f32,
}

impl Heal {
    /// Mends; lists the places, and reports how many were found and listed and the share of the
    /// skin that was mended.
    pub fn apply(&self, picture: &mut Oklab, scene: &Scene) -> Findings {
        if self.is_neutral() || scene.scale.0.is_nan() || scene.scale.0 <= 0.0 {
            return Findings::default();
        }
        let Size { width, height } = picture.size();
        let placed = |spots: &Spots| -> Vec<Place> {
            let place = |spot: &Spot| Place {
                centre: Point {
                    x: spot.x * width as f32,
                    y: spot.y * height as f32,
                },
                radius: scene.scale.pixels(spot.radius).max(1.5),
            };
            spots.0.iter().map(place).collect()
        };
        let (listed, left) = (placed(&self.spots), placed(&self.leave));
        let skin = skin_matte(scene);
        let mut found = Vec::new();
        let mut skin_area = 0.0;
        if let Some((matte, bounds)) = &skin
            && self.sensitivity.0 > 0.0
        {
            let grid = SkinGrid::new(picture, matte, *bounds, scene.scale.pixels(FINEST));
            skin_area = grid.weight.iter().map(|&w| f64::from(w)).sum::<f64>()
                * (grid.step * grid.step) as f64;
            found = blemishes(&grid, scene, self.sensitivity.0);
            found.retain(|f| !by_nostril(f.centre, scene) && !by_lashes(f.centre, scene));
            found.retain(|f| listed.iter().all(|l| apart(f, l, 0.0)));
            found.retain(|f| left.iter().all(|l| f.centre.distance(l.centre) > l.radius));
        }

        let mut places: Vec<Place> = listed.iter().chain(&found).copied().collect();
        let all = places.len();
        let mut mended = Vec::new();
        for i in 0..all {
            let (place, by_itself) = (places[i], i >= listed.len());
            let ground = match &skin {
                Some((matte, _)) if by_itself => Ground::skin(matte),
                _ => Ground::under(&place, scene),
            };
            // Beside a fold or a hair a smaller disc may fit where the whole one leaves a seam.
            let sizes = if by_itself { &SIZES[..] } else { &SIZES[..1] };
            let mend_at = |picture: &mut Oklab, size: f32| {
                let place = Place {
                    radius: place.radius * size,
                    ..place
                };
                let source = mend(picture, &place, &places, &ground, self.strength.0)?;
                Some((place, source))
            };
            let done = sizes.iter().find_map(|&size| mend_at(picture, size));
            if let Some((place, source)) = done {
                mended.push((place, by_itself));
                // The next one takes its texture elsewhere.
                places.push(source);
            }
        }
        let disc = |p: &Place| std::f32::consts::PI * p.radius * p.radius;
        let count = |by_itself| mended.iter().filter(|(_, own)| *own == by_itself).count() as f32;
        // Not sum(): an empty sum is -0.
        let area = mended
            .iter()
            .filter(|(_, own)| *own)
            .fold(0.0, |sum, (p, _)| sum + disc(p));
        let share = if skin_area > 0.0 {
            area / skin_area as f32
        } else {
            0.0
        };
        Findings {
            figures: vec![
                ("found".to_owned(), count(true)),
                ("listed".to_owned(), count(false)),
                (
                    "listed, nothing fits".to_owned(),
                    listed.len() as f32 - count(false),
                ),
                ("skin mended".to_owned(), share),
            ],
            places: mended.iter().map(|(p, _)| (p.centre, p.radius)).collect(),
        }
    }
}

/// The sitter's redness made easy to see, for a person who checks what is healed: Oklab lightnesses, 0.6
/// for skin as red as its surroundings and darker the redder, with the contrast of [`SHOWN`];
/// what is no skin is dim. `None` where no skin was found.
pub fn redness_shown(picture: &Oklab, scene: &Scene) -> Option<Oklab> {
    let skin = Skin::of(picture, scene, FINEST)?;
    let grid = &skin.grid;
    let [erythema, ..] = pigments(grid);
    let wide = skin.sigma * (1 << (WIDTHS / 2)) as f32;
    let [near, far] =
        [skin.sigma, wide].map(|sigma| grid.blurred(&erythema, sigma, &grid.reach(sigma)));
    let shown = (near - far).mapv(|v| (0.6 - v / SHOWN).clamp(0.05, 1.0));
    let mut out = picture.clone();
    for plane in &mut out.planes[1..] {
        plane.fill(0.0);
    }
    out.planes[0].mapv_inplace(|l| 0.18 + 0.3 * l.clamp(0.0, 1.0));
    let black = Array2::zeros(shown.dim());
    grid.change(
        &mut out,
        &skin.matte,
        [&shown, &black, &black],
        |_, [shown, ..]| [shown, 0.0, 0.0],
    );
    Some(out)
}

/// Whether two discs stay `gap` pixels apart.
fn apart(a: &Place, b: &Place, gap: f32) -> bool {
    a.centre.distance(b.centre) > a.radius + b.radius + gap
}

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

/// Redness asked for: falls from 0 over 0.5 to 1, straight between.
fn redness(sensitivity: f32) -> f32 {
    let [least, usual, most] = REDNESS;
    if sensitivity < 0.5 {
        least + (usual - least) * sensitivity * 2.0
    } else {
        usual + (most - usual) * (sensitivity * 2.0 - 1.0)
    }
}

/// Blemishes on skin, the reddest first.
fn blemishes(grid: &SkinGrid, scene: &Scene, sensitivity: f32) -> Vec<Place> {
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
    let difference = |i: usize, c: usize| &blurs[i][c] - &blurs[i + OCTAVE][c];
    let count = WIDTHS - OCTAVE;
    let around = widths[WIDTHS - 1] * 1.5;
    let reach = grid.reach(around);
    let differences = bands::gathered(
        &each(count),
        || (),
        |(), i| {
            let red = difference(i, 0);
            let uneven = grid.blurred(&red.mapv(f32::abs), around, &reach);
            (red, [1, 2].map(|c| difference(i, c)), uneven)
        },
    );
    let (mut red, mut light, mut yellow, mut uneven) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (r, [l, y], u) in differences {
        red.push(r);
        light.push(l);
        yellow.push(y);
        uneven.push(u);
    }
    let asked = redness(sensitivity);

    let (rows, columns) = grid.weight.dim();
    let peaks = |i: usize| {
        let mut found = Vec::new();
        let plane = &red[i];
        for y in 2..rows.saturating_sub(2) {
            for x in 2..columns.saturating_sub(2) {
                let here = plane[[y, x]];
                // What red light loses, and green light with it.
                let brown = -light[i][[y, x]];
                if here < asked
                    || grid.weight[[y, x]] < 0.8
                    || !(-GLOW * here..=BROWN.min(BROWN_FOR_RED * here)).contains(&brown)
                    || here + brown > DEEPEST
                    || brown + yellow[i][[y, x]].max(0.0) > BROWN_AND_YELLOW
                    || here < ABOVE_NOISE[i.min(1)] * uneven[i][[y, x]]
                    || !is_peak(&red, i, y, x)
                    || !is_round(plane, y, x)
                    || lit_side(&light[i], grid, (y, x), widths[i]) > LIT_SIDE * brown.max(FLAT)
                {
                    continue;
                }
                let radius = extent(&blurs[0][0], (y, x), widths[i]);
                let clear = 1.5 * widths[i] + grid.cells(scene.scale.pixels(CLEAR));
                if clear_share(grid, y, x, clear) < CLEAR_SHARE {
                    continue;
                }
                let step = grid.step as f32;
                let place = Place {
                    centre: Point {
                        x: grid.bounds.left as f32 + (x as f32 + 0.5) * step,
                        y: grid.bounds.top as f32 + (y as f32 + 0.5) * step,
                    },
                    radius: (radius * step).max(2.0),
                };
                found.push((here / uneven[i][[y, x]], place));
            }
        }
        found
    };
    let found = bands::gathered(&each(count), || (), |(), i| peaks(i));
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

/// Erythema, ln R - ln G, then ln R, then yellow, ln G - ln B, of each cell's colour, in sRGB's primaries: their red lies where
/// haemoglobin absorbs least; the working space's holds a third of green.
fn pigments(grid: &SkinGrid) -> [Array2<f32>; 3] {
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

/// Points on a rim, relative to a centre, and how widely they are read.
struct Rim {
    at: Vec<(f32, f32)>,
    radius: f32,
    blur: isize,
}

impl Rim {
    fn new(radius: f32) -> Self {
        // One point for about two pixels of the rim.
        let count = ((std::f32::consts::PI * radius) as usize).clamp(16, 96);
        let at = (0..count)
            .map(|k| {
                let angle = std::f32::consts::TAU * k as f32 / count as f32;
                (cos(angle), sin(angle))
            })
            .collect();
        Self {
            at,
            radius,
            blur: (radius * 0.2).round().clamp(1.0, 12.0) as isize,
        }
    }

    /// Means of small squares on the rim around (`cy`, `cx`); edges are repeated.
    fn read(&self, picture: &Oklab, centre: (isize, isize)) -> Vec<[f32; 3]> {
        self.at
            .iter()
            .map(|(dx, dy)| {
                let x = centre.1 + (dx * self.radius).round() as isize;
                let y = centre.0 + (dy * self.radius).round() as isize;
                square_mean(picture, (y, x), self.blur)
            })
            .collect()
    }
}

fn pixel(picture: &Oklab, (y, x): (isize, isize)) -> [f32; 3] {
    let Size { width, height } = picture.size();
    picture.at(
        y.clamp(0, height as isize - 1) as usize,
        x.clamp(0, width as isize - 1) as usize,
    )
}

fn square_mean(picture: &Oklab, (y, x): (isize, isize), radius: isize) -> [f32; 3] {
    let mut sum = [0.0; 3];
    for dy in -radius..=radius {
        for dx in -radius..=radius {
            let value = pixel(picture, (y + dy, x + dx));
            for c in 0..3 {
                sum[c] += value[c];
            }
        }
    }
    let count = ((2 * radius + 1) * (2 * radius + 1)) as f32;
    sum.map(|v| v / count)
}

/// What a place lies on, and how far each of its pixels may change.
struct Ground {
    /// Where texture may come from; `None` when it may come from anywhere.
    of: Option<Matte>,
    /// Whether the mend stops at the edge of that.
    bound: bool,
    skin: bool,
    /// Whether it was found and not listed: then nothing is mended that leaves a seam.
    by_itself: bool,
}

impl Ground {
    fn skin(matte: &Matte) -> Self {
        Self {
            of: Some(matte.clone()),
            bound: true,
            skin: true,
            by_itself: true,
        }
    }

    /// The material that covers most of a listed place, or lies around it.
    fn under(place: &Place, scene: &Scene) -> Self {
        let around = |matte: &Matte, radius: f32| {
            let shares = (0..16).map(|k| {
                let angle = std::f32::consts::TAU * k as f32 / 16.0;
                let y = place.centre.y + radius * sin(angle);
                let x = place.centre.x + radius * cos(angle);
                matte.at(y.max(0.0) as usize, x.max(0.0) as usize)
            });
            shares.fold(0.0, |sum, share| sum + share) / 16.0
        };
        let materials = [
            Region::Skin,
            Region::Clothing,
            Region::Backdrop,
            Region::Hair,
            Region::Lips,
            Region::Worn,
        ];
        let mut best: Option<(f32, Region, Matte)> = None;
        for material in materials {
            // Whoever is not known to stand there does not make it a backdrop.
            if material == Region::Backdrop && scene.regions.mattes.is_empty() {
                continue;
            }
            let matte = scene.regions.matte(&[material], &[]);
            let share = around(&matte, place.radius) + around(&matte, 0.5 * place.radius);
            if share > best.as_ref().map_or(1.0, |(most, ..)| *most) {
                best = Some((share, material, matte));
            }
        }
        match best {
            // All of the rim is of it: whatever is inside goes, whichever part it was taken for.
            Some((_, material, matte)) => Self {
                bound: around(&matte, place.radius) < 0.995,
                of: Some(matte),
                skin: material == Region::Skin,
                by_itself: false,
            },
            None => Self {
                of: None,
                bound: false,
                skin: false,
                by_itself: false,
            },
        }
    }
}

impl Ground {
    /// Values along a rim where it leaves the material, taken from the nearest point that does not: what
    /// is beyond an edge must not be drawn inwards.
    fn within(
        &self,
        rim: &Rim,
        centre: (isize, isize),
        mut values: Vec<[f32; 3]>,
    ) -> Vec<[f32; 3]> {
        let Some(of) = &self.of else {
            return values;
        };
        let sound: Vec<bool> = rim
            .at
            .iter()
            .map(|(dx, dy)| {
                let x = centre.1 + (dx * rim.radius).round() as isize;
                let y = centre.0 + (dy * rim.radius).round() as isize;
                let b = rim.blur + 1;
                [(0, 0), (b, 0), (-b, 0), (0, b), (0, -b)]
                    .into_iter()
                    .all(|(v, u)| of.at((y + v).max(0) as usize, (x + u).max(0) as usize) > 0.9)
            })
            .collect();
        let count = sound.len();
        let old = values.clone();
        for (i, value) in values.iter_mut().enumerate() {
            let nearest = (0..count / 2 + 1)
                .flat_map(|by| [(i + by) % count, (i + count - by) % count])
                .find(|&j| sound[j]);
            if let Some(j) = nearest {
                *value = old[j];
            }
        }
        values
    }
}

/// Clones what surrounds a place over it, and tells from where; `None` when nothing nearby fits, and
/// then nothing changes.
fn mend(
    picture: &mut Oklab,
    place: &Place,
    places: &[Place],
    ground: &Ground,
    strength: f32,
) -> Option<Place> {
    let Size { width, height } = picture.size();
    if width == 0 || height == 0 {
        return None;
    }
    let rim = Rim::new(place.radius);
    let centre = (
        place.centre.y.floor() as isize,
        place.centre.x.floor() as isize,
    );
    let mut source = source(picture, place, places, ground, &rim, centre)?;
    if !ground.skin {
        source = met(picture, ground, &rim, centre, source);
    }

    let at_place = ground.within(&rim, centre, rim.read(picture, centre));
    let at_source = rim.read(picture, source);
    let apart: Vec<[f32; 3]> = at_place
        .iter()
        .zip(&at_source)
        .map(|(here, there)| [0, 1, 2].map(|c| here[c] - there[c]))
        .collect();
    let light = at_place.iter().map(|v| v[0]).sum::<f32>() / at_place.len() as f32;
    if ground.by_itself && seam_cost(&at_place, &at_source).sqrt() > WORST_SEAM * light {
        return None;
    }
    let n = place.radius.ceil() as isize;
    let mut new = Vec::new();
    let mut rows = ground.of.as_ref().filter(|_| ground.bound).map(Matte::rows);
    let everywhere = vec![1.0; width];
    for dy in -n..=n {
        let y = centre.0 + dy;
        if y < 0 || y >= height as isize {
            continue;
        }
        let matte = match &mut rows {
            Some(rows) => rows.row(y as usize),
            None => &everywhere,
        };
        for dx in -n..=n {
            let x = centre.1 + dx;
            let (u, v) = (dx as f32 / place.radius, dy as f32 / place.radius);
            let distance = (u * u + v * v).sqrt();
            if x < 0 || x >= width as isize || distance >= 1.0 {
                continue;
            }
            let lift = harmonic(&rim, &apart, (u, v));
            let fade = ((1.0 - distance) / (1.0 - FADE_FROM)).min(1.0);
            // Smoothstep: no edge where the mend begins.
            let share = strength * fade * fade * (3.0 - 2.0 * fade) * matte[x as usize];
            let there = pixel(picture, (source.0 + dy, source.1 + dx));
            let here = pixel(picture, (y, x));
            new.push((
                (y as usize, x as usize),
                [0, 1, 2].map(|c| here[c] + share * (there[c] + lift[c] - here[c])),
            ));
        }
    }
    for (at, value) in new {
        for c in 0..3 {
            picture.planes[c][at] = value[c];
        }
    }
    Some(Place {
        centre: Point {
            x: source.1 as f32,
            y: source.0 as f32,
        },
        radius: place.radius,
    })
}

/// A source moved by a few pixels to where the pixels along its rim are most like those of the place:
/// there threads and stripes go on. Stays inside of the picture.
fn met(
    picture: &Oklab,
    ground: &Ground,
    rim: &Rim,
    centre: (isize, isize),
    source: (isize, isize),
) -> (isize, isize) {
    let most = ((MEET.0 * rim.radius) as isize).clamp(1, MEET.1);
    let unlike = |by: (isize, isize)| {
        let mut sum = 0.0;
        for part in [0.9, 1.0, 1.1] {
            for (dx, dy) in &rim.at {
                let x = (dx * rim.radius * part).round() as isize;
                let y = (dy * rim.radius * part).round() as isize;
                let here = pixel(picture, (centre.0 + y, centre.1 + x));
                let there = pixel(picture, (source.0 + by.0 + y, source.1 + by.1 + x));
                for c in 0..3 {
                    sum += (here[c] - there[c]) * (here[c] - there[c]);
                }
            }
        }
        sum
    };
    let mut best = (unlike((0, 0)), (0, 0));
    for dy in -most..=most {
        for dx in -most..=most {
            // Neither the place itself nor another material.
            let at = (source.0 + dy, source.1 + dx);
            let (away_y, away_x) = ((at.0 - centre.0) as f32, (at.1 - centre.1) as f32);
            let own = away_y * away_y + away_x * away_x < 4.2 * rim.radius * rim.radius;
            let of = ground.of.as_ref();
            if own || of.is_some_and(|of| !all_of(of, at, rim.radius)) {
                continue;
            }
            let cost = unlike((dy, dx));
            if cost < best.0 {
                best = (cost, (dy, dx));
            }
        }
    }
    (source.0 + best.1.0, source.1 + best.1.1)
}

/// Poisson's integral over the rim at (`u`, `v`) inside of the unit disc.
fn harmonic(rim: &Rim, values: &[[f32; 3]], (u, v): (f32, f32)) -> [f32; 3] {
    let mut sum = [0.0; 3];
    let mut total = 0.0;
    for ((x, y), value) in rim.at.iter().zip(values) {
        let squared = (u - x) * (u - x) + (v - y) * (v - y);
        // (1 - |x|^2) is the same for all and falls out when the weights are made to sum to 1.
        let weight = 1.0 / squared.max(1e-4);
        total += weight;
        for c in 0..3 {
            sum[c] += weight * value[c];
        }
    }
    sum.map(|s| s / total)
}

/// The centre of the best nearby disc; `None` when none is clear of other places (and of what has lent
/// its texture already) and of everything that is not the same ground.
fn source(
    picture: &Oklab,
    place: &Place,
    places: &[Place],
    ground: &Ground,
    rim: &Rim,
    centre: (isize, isize),
) -> Option<(isize, isize)> {
    let Size { width, height } = picture.size();
    let here = ground.within(rim, centre, rim.read(picture, centre));
    let here_texture = texture(picture, rim, centre, 1.3);
    let margin = place.radius + rim.blur as f32 + 1.0;
    let mut best: Option<(f32, (isize, isize))> = None;
    for distance in DISTANCES {
        for k in 0..DIRECTIONS {
            let angle = std::f32::consts::TAU * k as f32 / DIRECTIONS as f32;
            let x = centre.1 as f32 + cos(angle) * place.radius * distance;
            let y = centre.0 as f32 + sin(angle) * place.radius * distance;
            let inside = x >= margin
                && y >= margin
                && x + margin < width as f32
                && y + margin < height as f32;
            let candidate = Place {
                centre: Point { x, y },
                radius: place.radius,
            };
            if !inside || !places.iter().all(|other| apart(&candidate, other, 1.0)) {
                continue;
            }
            let at = (y as isize, x as isize);
            if ground.of.as_ref().is_some_and(|of| !all_of(of, at, margin)) {
                continue;
            }
            let there = rim.read(picture, at);
            let cost = seam_cost(&here, &there)
                + flatness_cost(picture, &there, at, rim)
                + texture_cost(here_texture, texture(picture, rim, at, 0.7))
                // Of two that are as good the nearer: light and pores are most alike there.
                + 1e-6 * distance;
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, at));
            }
        }
    }
    best.map(|(_, at)| at)
}

/// Whether a material covers a disc, read at its middle and at 16 points.
fn all_of(of: &Matte, (y, x): (isize, isize), radius: f32) -> bool {
    [0.0, 0.5, 1.0].into_iter().all(|part| {
        (0..8).all(|k| {
            let angle = std::f32::consts::TAU * k as f32 / 8.0;
            let px = x as f32 + cos(angle) * radius * part;
            let py = y as f32 + sin(angle) * radius * part;
            of.at(py.max(0.0) as usize, px.max(0.0) as usize) > 0.95
        })
    })
}

/// Squared unevenness of the difference along the rim, and a little of the difference itself.
fn seam_cost(here: &[[f32; 3]], there: &[[f32; 3]]) -> f32 {
    let count = here.len() as f32;
    (0..3)
        .map(|c| {
            let differences = || here.iter().zip(there).map(|(h, t)| h[c] - t[c]);
            let mean = differences().sum::<f32>() / count;
            let uneven = differences().map(|d| (d - mean) * (d - mean)).sum::<f32>() / count;
            uneven + 0.1 * mean * mean
        })
        .sum()
}

/// Squared difference between a disc's middle and its rim: a spot of its own. Colour counts more,
/// since it is colour that blemishes differ in.
fn flatness_cost(picture: &Oklab, rim_values: &[[f32; 3]], at: (isize, isize), rim: &Rim) -> f32 {
    let middle = square_mean(picture, at, (rim.radius * 0.5) as isize);
    let count = rim_values.len() as f32;
    (0..3)
        .map(|c| {
            let edge = rim_values.iter().map(|v| v[c]).sum::<f32>() / count;
            let weight = if c == 0 { 1.0 } else { 4.0 };
            weight * (middle[c] - edge) * (middle[c] - edge)
        })
        .sum()
}

/// Mean height of L between neighbouring pixels on a circle of `part` of the rim's radius.
fn texture(picture: &Oklab, rim: &Rim, centre: (isize, isize), part: f32) -> f32 {
    let sum: f32 = rim
        .at
        .iter()
        .map(|(dx, dy)| {
            let x = centre.1 + (dx * rim.radius * part).round() as isize;
            let y = centre.0 + (dy * rim.radius * part).round() as isize;
            let middle = pixel(picture, (y, x))[0];
            let beside = pixel(picture, (y, x + 2))[0] + pixel(picture, (y + 2, x))[0];
            (middle - 0.5 * beside).abs()
        })
        .sum();
    sum / rim.at.len() as f32
}

fn texture_cost(here: f32, there: f32) -> f32 {
    0.5 * (here - there) * (here - there)
}
