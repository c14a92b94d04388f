//! One frame's figures, before anybody judges them.
//!
//! Places and the backdrop come from the small copy and its regions; the width of edges is read at
//! full size, in windows around the eyes and the face. The face's two sides are compared at pairs of
//! cheek and forehead places that mirror each other, so a skin's own tone cancels.

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use crate::engine::{self, Error, Found, SMALL, Set, Side, Wall};
use crate::operations::Operation;
use crate::operations::crop::{Crop, Missing};
use crate::picture::{Linear, Point, Rect, Size, lightness, luminance, math, resample};
use crate::raw::{Exif, Frame};
use crate::recipe::Recipe;
use crate::regions::{Attention, Marks, Region};
use crate::sensor::{self, Balance, Development};

use super::sharpness;

/// Mirrored places of the face mesh, picture-left and picture-right: cheek bones, cheeks, below the
/// eyes, forehead.
const PAIRS: [[usize; 2]; 4] = [[50, 280], [205, 425], [101, 330], [104, 333]];
/// Radius around such a place, in eye spans.
const PLACE: f32 = 0.1;
/// Widths of edges, in pixels, below which all are sharp: what a mosaic and its demosaicing leave.
/// Measured on the rendered office, where the sharpest quarter has 0.3 to 0.8.
pub(super) const SHARP: f32 = 0.6;
/// Half width and height of the window around an eye, in eye spans.
const EYE: [f32; 2] = [0.36, 0.24];
/// How a reflection differs from skin: this many times as light as the cheeks and half as light as
/// white, or nearly white, and with hardly any colour. Tried on the rendered sitters; common practice,
/// no source.
const SHINE: f32 = 2.0;
const HALF_WHITE: f32 = 0.5;
const NEARLY_WHITE: f32 = 0.85;
const COLOURLESS: f32 = 0.2;

/// What was measured in one frame.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Capture {
    /// The frame's file name.
    pub frame: String,
    /// What the camera noted.
    pub exif: Exif,
    /// The sitter's face; `None` when none was found.
    pub face: Option<Face>,
    /// The backdrop; `None` when none shows.
    pub backdrop: Option<Backdrop>,
    /// Share of each side (left, top, right, bottom) by which the wanted crop reaches over the
    /// frame, of the crop's own width or height.
    pub missing: [f32; 4],
    /// Reasons to look that were found with the regions.
    pub attention: Vec<Attention>,
    /// The backdrop place by place, for comparing frames.
    #[serde(skip)]
    pub wall: Option<Wall>,
}

/// A face's figures. Left and right are the viewer's.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Face {
    /// Eye span in pixels of the full frame.
    pub eye_span: f32,
    /// Mean of the face's height and width in pixels of the full frame: steadier than the eye span.
    pub size: f32,
    /// Middle of the eyes, as shares of the frame's width and height.
    pub centre: [f32; 2],
    /// Degrees.
    pub turn: f32,
    /// Width of the sharpest quarter of edges around either eye, in pixels of the full frame.
    pub eye_blur: [Option<f32>; 2],
    /// Widest over narrowest blur of two directions across one another, and the widest one's
    /// direction in degrees.
    pub motion: Option<[f32; 2]>,
    /// Opening of either eye, as [`Marks::openness`].
    pub openness: [f32; 2],
    /// Share of the skin with clipped sites.
    pub clipped_skin: f32,
    /// Share of either eye's surroundings that a reflection covers.
    pub glare: [f32; 2],
    /// Whether glasses or the like are worn around the eyes.
    pub glasses: bool,
    /// Stops by which the face's left side is lighter than its right one.
    pub left_over_right: Option<f32>,
}

impl Face {
    /// Light on the key's side over that on the other: 2 is 2:1.
    pub fn key_to_fill(&self) -> Option<f32> {
        self.left_over_right.map(|stops| math::exp2(stops.abs()))
    }
}

/// A backdrop's figures.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Backdrop {
    /// L* of its mean, as developed without any recipe's exposure.
    pub lightness: f32,
    /// Stops between its darkest and brightest twentieth.
    pub fall: f32,
    /// Kelvin and tint of the light that would make it neutral, where the camera's matrices tell.
    pub temperature: Option<[f32; 2]>,
}

impl Capture {
    /// Measures a frame; the recipe's crop is what the room around the head is judged by.
    ///
    /// # Errors
    /// When the sensor data cannot be developed.
    pub fn of(name: &str, frame: &Frame, recipe: &Recipe, set: &Set) -> Result<Self, Error> {
        let found = engine::find(frame, recipe, set, SMALL)?;
        Self::of_found(name, frame, recipe, &found)
    }

    /// [`Capture::of`] a frame whose sitter [`engine::find`] has found, without matching.
    ///
    /// # Errors
    /// As [`Capture::of`].
    pub fn of_found(
        name: &str,
        frame: &Frame,
        recipe: &Recipe,
        found: &Found,
    ) -> Result<Self, Error> {
        let full = engine::upright_size(frame);
        let wall = Wall::seen(frame, found);
        let placed = found.regions.placed(Rect::whole(full), full).marks;
        Ok(Self {
            frame: name.to_owned(),
            exif: match frame {
                Frame::Sensor(sensor) => sensor.exif.clone(),
                Frame::Finished(finished) => finished.exif.clone(),
            },
            face: match &placed {
                Some(marks) => Some(face(frame, found, marks, full)?),
                None => None,
            },
            backdrop: backdrop(frame, found, wall.as_ref()),
            missing: missing(recipe, placed.as_ref(), full),
            attention: found.attention.clone(),
            wall,
        })
    }

    /// Stops by which the backdrop is brighter than another frame's, on one side or all over.
    pub fn wall_over(&self, other: &Self, side: Side) -> Option<f32> {
        let difference = self.wall.as_ref()?.over(other.wall.as_ref()?, side)?;
        Some(difference.stops[1])
    }
}

fn face(frame: &Frame, found: &Found, marks: &Marks, full: Size) -> Result<Face, Error> {
    let small = found.regions.marks.as_ref().unwrap_or(marks);
    let span = marks.scale().0;
    let plain = Development {
        balance: found.development.balance,
        ..Development::default()
    };
    let light = |low: Point, high: Point| -> Result<Option<Array2<f32>>, Error> {
        let Some(rect) = inside(low, high, full) else {
            return Ok(None);
        };
        let (part, _) = engine::develop_part(frame, &plain, rect)?;
        Ok(Some(light_of(&part)))
    };
    let around = |eye: Point| {
        let at = |x: f32, y: f32| Point {
            x: eye.x + x * EYE[0] * span,
            y: eye.y + y * EYE[1] * span,
        };
        (at(-1.0, -1.0), at(1.0, 1.0))
    };
    let mut eye_blur = [None; 2];
    for (blur, eye) in eye_blur.iter_mut().zip(marks.eyes) {
        let (low, high) = around(eye);
        *blur = light(low, high)?.and_then(|light| sharpness::blur(light.view()));
    }
    // Brows to mouth: edges of every direction.
    let (left, right) = (marks.eyes[0], marks.eyes[1]);
    let low = Point {
        x: left.x - 0.45 * span,
        y: left.y.min(right.y) - 0.45 * span,
    };
    let high = Point {
        x: right.x + 0.45 * span,
        y: marks.mouth[0].y.max(marks.mouth[1].y) + 0.25 * span,
    };
    let motion = light(low, high)?.and_then(motion);
    let middle = |a: f32, b: f32| 0.5 * (a + b);
    let worn = found.regions.region(Region::Worn).whole();
    Ok(Face {
        eye_span: span,
        size: size_of(&marks.mesh),
        centre: [
            middle(left.x, right.x) / full.width as f32,
            middle(left.y, right.y) / full.height as f32,
        ],
        turn: marks.turn,
        eye_blur,
        motion,
        openness: marks.openness,
        clipped_skin: clipped_skin(frame, found)?,
        glare: glare(found, small),
        glasses: small
            .eyes
            .iter()
            .any(|eye| mean(&worn, *eye, 0.5 * small.scale().0) > 0.01),
        left_over_right: left_over_right(found, small),
    })
}

/// Mean of a face's height (forehead to chin) and width (temple to temple) in the mesh's pixels.
fn size_of(mesh: &[Point]) -> f32 {
    let between = |a: usize, b: usize| match (mesh.get(a), mesh.get(b)) {
        (Some(a), Some(b)) => a.distance(*b),
        _ => 0.0,
    };
    0.5 * (between(10, 152) + between(234, 454))
}

/// The larger ratio of blurs across one another, and the wider one's direction.
fn motion(light: Array2<f32>) -> Option<[f32; 2]> {
    let blurs = sharpness::directed_blur(light.view());
    let pairs = [(0, 2), (1, 3)].into_iter().filter_map(|(one, other)| {
        let (a, b) = (blurs[one]?, blurs[other]?);
        let ratio = a.max(b).max(SHARP) / a.min(b).max(SHARP);
        Some([ratio, 45.0 * if a > b { one } else { other } as f32])
    });
    pairs.max_by(|a, b| a[0].total_cmp(&b[0]))
}

fn light_of(picture: &Linear) -> Array2<f32> {
    let [red, green, blue] = &picture.planes;
    ndarray::Zip::from(red)
        .and(green)
        .and(blue)
        .map_collect(|&r, &g, &b| luminance([r, g, b]))
}

/// The whole pixels between two corners, inside of the picture; `None` when hardly any are.
fn inside(low: Point, high: Point, size: Size) -> Option<Rect> {
    let along = |from: f32, to: f32, end: usize| {
        let from = from.max(0.0).min(end as f32) as usize;
        let to = to.max(0.0).min(end as f32) as usize;
        (to >= from + 12).then_some((from, to - from))
    };
    let (left, width) = along(low.x, high.x, size.width)?;
    let (top, height) = along(low.y, high.y, size.height)?;
    Some(Rect {
        left,
        top,
        width,
        height,
    })
}

/// Calls `see` with each pixel of a disc that lies in the plane.
fn in_disc(
    dim: (usize, usize),
    centre: Point,
    radius: [f32; 2],
    mut see: impl FnMut(usize, usize),
) {
    let along = |centre: f32, radius: f32, end: usize| {
        let from = (centre - radius).max(0.0) as usize;
        from..((centre + radius + 1.0).max(0.0) as usize).min(end)
    };
    for y in along(centre.y, radius[1], dim.0) {
        for x in along(centre.x, radius[0], dim.1) {
            let dx = (x as f32 + 0.5 - centre.x) / radius[0];
            let dy = (y as f32 + 0.5 - centre.y) / radius[1];
            if dx * dx + dy * dy <= 1.0 {
                see(y, x);
            }
        }
    }
}

/// Mean of a plane in a disc; 0 where none of it lies inside.
fn mean(plane: &Array2<f32>, centre: Point, radius: f32) -> f32 {
    let (mut sum, mut count) = (0.0_f64, 0_usize);
    in_disc(plane.dim(), centre, [radius; 2], |y, x| {
        sum += f64::from(plane[[y, x]]);
        count += 1;
    });
    (sum / count.max(1) as f64) as f32
}

/// Median over pairs of places, in stops.
fn left_over_right(found: &Found, marks: &Marks) -> Option<f32> {
    let skin = found.regions.region(Region::FaceSkin).whole();
    let radius = PLACE * marks.scale().0;
    let at = |index: usize| {
        let centre = *marks.mesh.get(index)?;
        let (mut sum, mut weight, mut count) = (0.0_f64, 0.0_f64, 0_usize);
        in_disc(skin.dim(), centre, [radius; 2], |y, x| {
            let share = f64::from(skin[[y, x]]);
            sum += share * f64::from(luminance(found.small.at(y, x)));
            weight += share;
            count += 1;
        });
        // Beard, hair or glasses over half of it: the place says nothing of skin.
        (weight > 0.5 * count as f64 && sum > 1e-4 * weight).then(|| (sum / weight) as f32)
    };
    let mut stops: Vec<f32> = PAIRS
        .iter()
        .filter_map(|[left, right]| Some(math::log2(at(*left)? / at(*right)?)))
        .collect();
    stops.sort_unstable_by(f32::total_cmp);
    match stops.len() {
        0 => None,
        // Of an even number the mean of the middle two.
        n => Some(0.5 * (stops[(n - 1) / 2] + stops[n / 2])),
    }
}

/// Share of each eye's surroundings that shines: much lighter than the cheeks and without colour.
/// Catch-lights and whites lie inside of the eye and do not count.
fn glare(found: &Found, marks: &Marks) -> [f32; 2] {
    let span = marks.scale().0;
    let light = light_of(&found.small);
    let cheek = |index: usize| {
        marks
            .mesh
            .get(index)
            .map(|place| mean(&light, *place, PLACE * span))
    };
    let skin = [cheek(50), cheek(280)]
        .into_iter()
        .flatten()
        .fold(0.0, f32::max);
    let least = (SHINE * skin)
        .max(HALF_WHITE)
        .min(NEARLY_WHITE.max(1.25 * skin));
    let eyes = found.regions.region(Region::Eyes).whole();
    marks.eyes.map(|eye| {
        let (mut shining, mut count) = (0_usize, 0_usize);
        in_disc(light.dim(), eye, [EYE[0] * span, EYE[1] * span], |y, x| {
            let [r, g, b] = found.small.at(y, x);
            let (most, least_channel) = (r.max(g).max(b), r.min(g).min(b));
            let white = most - least_channel < COLOURLESS * most;
            shining += usize::from(white && light[[y, x]] > least && eyes[[y, x]] < 0.5);
            count += 1;
        });
        shining as f32 / count.max(1) as f32
    })
}

/// Share of the skin where any site is clipped.
fn clipped_skin(frame: &Frame, found: &Found) -> Result<f32, Error> {
    let skin = found.regions.region(Region::Skin).whole();
    let clipped = match frame {
        Frame::Sensor(sensor) => {
            // Squares of a few sites, about as many as the small copy has pixels.
            let long = sensor.crop.width.max(sensor.crop.height);
            let shares = sensor::clipped(sensor, long.div_ceil(SMALL).max(2))?;
            let planes = [shares.clone(), shares.clone(), shares];
            sensor.orientation.turn_picture(Linear { planes })
        }
        Frame::Finished(_) => {
            let full = found.small.planes.each_ref();
            Linear {
                planes: full.map(|plane| plane.mapv(|v| f32::from(v >= 0.995))),
            }
        }
    };
    let clipped = resample::resize(&clipped, found.small.size());
    let (mut sum, mut weight) = (0.0_f64, 0.0_f64);
    for ((y, x), share) in skin.indexed_iter() {
        let [r, g, b] = clipped.at(y, x);
        sum += f64::from(*share) * f64::from(r.max(g).max(b) > 0.1);
        weight += f64::from(*share);
    }
    Ok((sum / weight.max(1.0)) as f32)
}

fn backdrop(frame: &Frame, found: &Found, wall: Option<&Wall>) -> Option<Backdrop> {
    let model = found.regions.backdrop.as_ref()?;
    let [red, green, blue] = &model.surface;
    let person = found.regions.region(Region::Person);
    let size = Size {
        width: red.map.ncols(),
        height: red.map.nrows(),
    };
    let covered = resample::shrink(person.whole().view(), size);
    let mut light: Vec<f32> = Vec::new();
    for (at, alpha) in covered.indexed_iter() {
        if *alpha < 0.01 {
            light.push(luminance([red.map[at], green.map[at], blue.map[at]]).max(1e-5));
        }
    }
    if light.len() < 50 {
        return None;
    }
    light.sort_unstable_by(f32::total_cmp);
    let at = |percent: usize| light[(light.len() - 1) * percent / 100];
    let mean = light.iter().map(|v| f64::from(*v)).sum::<f64>() / light.len() as f64;
    let temperature = match (frame, wall) {
        (Frame::Sensor(sensor), Some(wall)) => {
            let seen = wall.mean();
            let how = Development {
                balance: Balance::Gains(seen.map(|v| seen[1] / v.max(1e-6))),
                ..Development::default()
            };
            sensor::colours(sensor, &how)
                .ok()
                .and_then(|colours| colours.temperature)
        }
        _ => None,
    };
    Some(Backdrop {
        lightness: lightness(mean as f32),
        fall: math::log2(at(95) / at(5)),
        temperature,
    })
}

/// What the recipe's crop (or the default one) lacks on each side.
fn missing(recipe: &Recipe, marks: Option<&Marks>, full: Size) -> [f32; 4] {
    let own = recipe.steps.iter().find_map(|step| match &step.operation {
        Operation::Crop(crop) => Some(crop.clone()),
        _ => None,
    });
    let placed = own.unwrap_or_else(Crop::default).placement(marks, full);
    let Missing {
        left,
        top,
        right,
        bottom,
    } = placed.missing;
    let [width, height] = [placed.rect.width, placed.rect.height].map(|v| v.max(1) as f32);
    [left / width, top / height, right / width, bottom / height]
}
