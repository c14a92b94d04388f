//! Heal: takes away small blemishes that will be gone in two weeks, and places listed by hand.
//!
//! **Finding.** Skin is blurred (normalised by its matte) at eight widths an octave's half apart;
//! differences of two widths an octave apart, D, are largest at the middle of a round spot of
//! their own size (Lindeberg, *Feature detection with automatic scale selection*, IJCV 30(2),
//! 1998). They are taken relative to the skin's lightness, so that dark skin is judged as light
//! skin is. A blemish is a maximum of D_a (red) over place and width that
//! - is red enough and stands above the unevenness around it (`sensitivity`),
//! - is also darker, but more red than dark: D_a > 0.24 |D_L|. A mole's or freckle's pigment
//!   darkens without reddening (at most 0.16 on planted moles), so these stay: they are the person,
//! - is round: the ratio of principal curvatures of D_a is bounded (Lowe, *Distinctive image
//!   features from scale-invariant keypoints*, IJCV 60(2), 2004, section 4.1),
//! - lies clear of hair, brows, eyes, lips, nostrils and what is worn, and
//! - has skin nearby that fits it without a seam.
//!
//! **Mending.** A disc of real skin from nearby is cloned over the spot (Perez, Gangnet and Blake,
//! *Poisson image editing*, SIGGRAPH 2003): p = source + h, h harmonic inside and equal to the
//! difference of the surroundings on the rim. On a disc h is Poisson's integral,
//! h(x) = sum_k d_k (1 - |x|^2) / |x - e_k|^2, normalised, so nothing has to be iterated. The rim
//! is read with a small blur, so that its noise is not drawn inwards as streaks.
//! Of 48 places around, the one is taken whose rim differs most evenly from the spot's, whose
//! texture is as strong, and which is flat itself.
//!
//! Works in Oklab: redness is one axis there, and the clone's seam vanishes for the eye.

use ndarray::{Array2, Zip};
use serde::{Deserialize, Serialize};

use crate::operations::skin_bands::{SkinGrid, skin_matte};
use crate::operations::{Findings, Scene, SettingValue, settings};
use crate::picture::math::{cos, sin};
use crate::picture::{EyeSpans, Oklab, Point, Ratio, Size, bands};
use crate::regions::Matte;

/// Narrowest blur. The smallest blemish that is found has a radius of about 0.012 eye spans
/// (0.8 mm).
const FINEST: EyeSpans = EyeSpans(0.009);
/// Widths, each sqrt(2) wider than the one before; the widest is 0.102 eye spans.
const WIDTHS: usize = 8;
/// Differences are taken between a width and the one this many further: an octave.
const OCTAVE: usize = 2;
/// Redness (D_a / L) asked for at a sensitivity of 0, 0.5 and 1. At 0.5 it is just under the
/// weakest of the planted blemishes that stand above the noise (0.009); tests print recall and
/// false finds.
const REDNESS: [f32; 3] = [0.022, 0.008, 0.005];
/// How far above the mean unevenness around it (of the same width): at the narrowest width,
/// where the frame's noise alone reaches 5 in the shadows of dark skin, and at the others.
const ABOVE_NOISE: [f32; 2] = [6.0, 4.6];
/// Least darkening, D_L / L: a red place that is not darker is a reflection.
const DARKER: f32 = 0.008;
/// Deepest darkening: beyond it a dark hair or a mole, whatever its colour.
const DARKEST: f32 = 0.12;
/// Least of D_a / |D_L|. Planted blemishes have 0.3 to 0.8, planted moles 0.16 at most.
const RED_FOR_DARK: f32 = 0.24;
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
/// Where nostrils lie: below the tip of the nose, half their width and height, in eye spans.
/// Measured on rendered sitters.
const NOSTRILS: [f32; 3] = [0.08, 0.26, 0.11];
/// Part of the disc's radius from which the mend fades out.
const FADE_FROM: f32 = 0.75;

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
        let listed: Vec<Place> = self
            .spots
            .0
            .iter()
            .map(|spot| Place {
                centre: Point {
                    x: spot.x * width as f32,
                    y: spot.y * height as f32,
                },
                radius: scene.scale.pixels(spot.radius).max(1.5),
            })
            .collect();
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
            found.retain(|f| !by_nostril(f.centre, scene));
            found.retain(|f| listed.iter().all(|l| apart(f, l, 0.0)));
        }

        let places: Vec<Place> = listed.iter().chain(&found).copied().collect();
        let mut mended = Vec::new();
        for (i, place) in places.iter().enumerate() {
            let by_itself = i >= listed.len();
            let within = skin.as_ref().map(|(matte, _)| matte).filter(|_| by_itself);
            if mend(picture, place, &places, within, self.strength.0) {
                mended.push((*place, by_itself));
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
                ("skin mended".to_owned(), share),
            ],
            places: mended.iter().map(|(p, _)| (p.centre, p.radius)).collect(),
        }
    }
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
    let blurs: Vec<[Array2<f32>; 3]> =
        bands::gathered(&each(WIDTHS), || (), |(), i| grid.means(widths[i]));
    let base = &blurs[WIDTHS - 1][0];
    let difference = |i: usize, c: usize| {
        Zip::from(&blurs[i][c])
            .and(&blurs[i + OCTAVE][c])
            .and(base)
            .map_collect(|&narrow, &wide, &l| if l > 0.01 { (narrow - wide) / l } else { 0.0 })
    };
    let count = WIDTHS - OCTAVE;
    let around = widths[WIDTHS - 1] * 1.5;
    let reach = grid.reach(around);
    let differences = bands::gathered(
        &each(count),
        || (),
        |(), i| {
            let red = difference(i, 1);
            let uneven = grid.blurred(&red.mapv(f32::abs), around, &reach);
            (red, difference(i, 0), uneven)
        },
    );
    let (mut red, mut dark, mut uneven) = (Vec::new(), Vec::new(), Vec::new());
    for (r, d, u) in differences {
        red.push(r);
        dark.push(d);
        uneven.push(u);
    }
    let asked = redness(sensitivity);

    let (rows, columns) = base.dim();
    let peaks = |i: usize| {
        let mut found = Vec::new();
        let plane = &red[i];
        for y in 2..rows.saturating_sub(2) {
            for x in 2..columns.saturating_sub(2) {
                let here = plane[[y, x]];
                let depth = dark[i][[y, x]];
                if here < asked
                    || grid.weight[[y, x]] < 0.8
                    || !(-DARKEST..=-DARKER).contains(&depth)
                    || here < -RED_FOR_DARK * depth
                    || here < ABOVE_NOISE[i.min(1)] * uneven[i][[y, x]]
                    || !is_peak(&red, i, y, x)
                    || !is_round(plane, y, x)
                {
                    continue;
                }
                let radius = extent(&blurs[0][1], (y, x), widths[i]);
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

/// Radius to mend, in cells: from the fall of redness around the middle, against how red the ring
/// at the outer bound is.
fn extent(red: &Array2<f32>, (y, x): (usize, usize), width: f32) -> f32 {
    let [least, most] = RADIUS_OVER_WIDTH.map(|bound| bound * width);
    let (rows, columns) = red.dim();
    let ring = |radius: f32| {
        let sum: f32 = (0..16)
            .map(|k| {
                let angle = std::f32::consts::TAU * k as f32 / 16.0;
                let row = (y as f32 + radius * sin(angle)).round();
                let column = (x as f32 + radius * cos(angle)).round();
                let row = row.clamp(0.0, rows as f32 - 1.0) as usize;
                red[[row, column.clamp(0.0, columns as f32 - 1.0) as usize]]
            })
            .sum();
        sum / 16.0
    };
    let around = ring(most / RADIUS_OVER_END);
    let excess = red[[y, x]] - around;
    let mut end = 1.0;
    while end * RADIUS_OVER_END < most && ring(end) - around > ENDS_AT * excess {
        end += 0.5;
    }
    (end * RADIUS_OVER_END).clamp(least, most)
}

/// Whether no neighbour, in place (5 x 5) or width, is higher.
fn is_peak(planes: &[Array2<f32>], i: usize, y: usize, x: usize) -> bool {
    let here = planes[i][[y, x]];
    let widths = i.saturating_sub(1)..(i + 2).min(planes.len());
    widths
        .into_iter()
        .all(|j| (y - 2..y + 3).all(|y| (x - 2..x + 3).all(|x| planes[j][[y, x]] <= here)))
}

/// Whether the principal curvatures at a peak are alike.
fn is_round(plane: &Array2<f32>, y: usize, x: usize) -> bool {
    let at = |dy: usize, dx: usize| plane[[y + dy - 1, x + dx - 1]];
    let dxx = at(1, 2) + at(1, 0) - 2.0 * at(1, 1);
    let dyy = at(2, 1) + at(0, 1) - 2.0 * at(1, 1);
    let dxy = 0.25 * (at(2, 2) + at(0, 0) - at(2, 0) - at(0, 2));
    let (trace, det) = (dxx + dyy, dxx * dyy - dxy * dxy);
    det > 0.0 && trace * trace < ROUND * det
}

/// Share of skin within `radius` cells.
fn clear_share(grid: &SkinGrid, y: usize, x: usize, radius: f32) -> f32 {
    let (rows, columns) = grid.weight.dim();
    let n = radius.ceil() as isize;
    let (mut sum, mut count) = (0.0, 0);
    for dy in -n..=n {
        for dx in -n..=n {
            if (dy * dy + dx * dx) as f32 > radius * radius {
                continue;
            }
            count += 1;
            let (row, column) = (y as isize + dy, x as isize + dx);
            if row >= 0 && column >= 0 && (row as usize) < rows && (column as usize) < columns {
                sum += grid.weight[[row as usize, column as usize]];
            }
        }
    }
    sum / count as f32
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

/// Clones skin (or whatever surrounds a listed place) over one place; false when nothing nearby
/// fits, and then nothing changes.
fn mend(
    picture: &mut Oklab,
    place: &Place,
    places: &[Place],
    skin: Option<&Matte>,
    strength: f32,
) -> bool {
    let Size { width, height } = picture.size();
    if width == 0 || height == 0 {
        return false;
    }
    let rim = Rim::new(place.radius);
    let centre = (
        place.centre.y.floor() as isize,
        place.centre.x.floor() as isize,
    );
    let Some(source) = source(picture, place, places, skin, &rim, centre) else {
        return false;
    };

    let (at_place, at_source) = (rim.read(picture, centre), rim.read(picture, source));
    let apart: Vec<[f32; 3]> = at_place
        .iter()
        .zip(&at_source)
        .map(|(here, there)| [0, 1, 2].map(|c| here[c] - there[c]))
        .collect();
    let light = at_place.iter().map(|v| v[0]).sum::<f32>() / at_place.len() as f32;
    if skin.is_some() && seam_cost(&at_place, &at_source).sqrt() > WORST_SEAM * light {
        return false;
    }
    let n = place.radius.ceil() as isize;
    let mut new = Vec::new();
    let mut rows = skin.map(Matte::rows);
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
    true
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

/// The centre of the best nearby disc; `None` when none is clear of other places and (for skin)
/// of everything that is not skin.
fn source(
    picture: &Oklab,
    place: &Place,
    places: &[Place],
    skin: Option<&Matte>,
    rim: &Rim,
    centre: (isize, isize),
) -> Option<(isize, isize)> {
    let Size { width, height } = picture.size();
    let here = rim.read(picture, centre);
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
            if skin.is_some_and(|skin| !all_skin(skin, at, margin)) {
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

/// Whether skin covers a disc, read at its middle and at 16 points.
fn all_skin(skin: &Matte, (y, x): (isize, isize), radius: f32) -> bool {
    [0.0, 0.5, 1.0].into_iter().all(|part| {
        (0..8).all(|k| {
            let angle = std::f32::consts::TAU * k as f32 / 8.0;
            let px = x as f32 + cos(angle) * radius * part;
            let py = y as f32 + sin(angle) * radius * part;
            skin.at(py.max(0.0) as usize, px.max(0.0) as usize) > 0.95
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
