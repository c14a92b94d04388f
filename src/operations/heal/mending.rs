//! Real skin, cloth or backdrop from nearby, cloned over a place without a seam.

use crate::operations::Scene;
use crate::picture::math::{cos, sin};
use crate::picture::{Oklab, Point, Size};
use crate::regions::{Matte, Region};

use super::{Place, apart};

/// Directions and distances (in radii) in which a source is looked for.
const DIRECTIONS: usize = 16;
const DISTANCES: [f32; 3] = [2.3, 3.1, 4.2];
/// Pixels that a source stays away from places and other sources, and a little more for rounding.
const GAP: f32 = 1.0;
const BESIDE: f32 = 1.05;
/// Largest root mean square unevenness of the seam, as a share of the lightness there, with which
/// a place is mended without being listed: beyond it lies a nostril, a fold or a lash, and nothing
/// nearby would fit. Measured: planted spots stay under 0.035, one beside a highlight
/// on the side of the darkest nose has 0.048, the rim of a nostril 0.06.
const WORST_SEAM: f32 = 0.05;
/// How far a source off skin is moved to meet threads and stripes, in shares of the radius and in
/// pixels at most.
const MEET: (f32, isize) = (0.8, 9);
/// Part of the disc's radius from which the mend fades out.
const FADE_FROM: f32 = 0.75;

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
pub(super) struct Ground {
    /// Where texture may come from; `None` when it may come from anywhere.
    of: Option<Matte>,
    /// Whether the mend stops at the edge of that.
    bound: bool,
    skin: bool,
    /// Whether it was found and not listed: then nothing is mended that leaves a seam.
    by_itself: bool,
}

impl Ground {
    pub(super) fn skin(matte: &Matte) -> Self {
        Self {
            of: Some(matte.clone()),
            bound: true,
            skin: true,
            by_itself: true,
        }
    }

    /// The material that covers most of a listed place, or lies around it.
    pub(super) fn under(place: &Place, scene: &Scene) -> Self {
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
pub(super) fn mend(
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
    // A disc smaller than the whole spot looks no nearer than just beyond the whole.
    let whole = places
        .iter()
        .filter(|other| other.centre == place.centre)
        .fold(place.radius, |most, other| most.max(other.radius));
    let nearest = (whole + place.radius + BESIDE) / place.radius;
    for distance in DISTANCES.map(|distance| distance.max(nearest)) {
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
            if !inside || !places.iter().all(|other| apart(&candidate, other, GAP)) {
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
