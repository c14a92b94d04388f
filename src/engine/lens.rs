//! What the recipe's `Lens` does to one frame: measures what the sensor stage shall mend, and evens
//! the light where that is asked for.

use serde::{Deserialize, Serialize};

use super::falloff::Falloff;
use super::{Set, Unavailable};
use crate::operations::Operation;
use crate::operations::lens::Lens;
use crate::picture::{Linear, Point, Ratio, Rect, Size};
use crate::raw::Frame;
use crate::recipe::Recipe;
use crate::regions::Regions;
use crate::sensor::lens::Measured;
use crate::sensor::{self, lens};

/// Why light that is asked to be evened is not.
const NO_LIGHT: Unavailable = Unavailable {
    step: "Lens",
    reason: "`falloff` needs a frame of the empty backdrop, of the same shape, in the job's `set`",
};

/// What was mended in a frame; `None` is what the recipe did not ask for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Mended {
    /// Defective pixels of the whole frame.
    pub defects: Option<usize>,
    /// Coloured fringes.
    pub fringes: Option<Measured>,
    /// Fewest and most stops that were added to even the light.
    pub falloff: Option<[f32; 2]>,
}

/// The recipe's settings; `None` when it asks for nothing.
pub(super) fn asked(recipe: &Recipe) -> Option<&Lens> {
    let mut steps = recipe.steps.iter();
    steps.find_map(|step| match &step.operation {
        Operation::Lens(lens) if !lens.is_neutral() => Some(lens),
        _ => None,
    })
}

/// Looks for what the sensor stage shall mend. `noise` is the frame's own, if it can be told.
///
/// # Errors
/// When the frame's levels make no sense.
pub(super) fn measured(
    frame: &Frame,
    asked: Option<&Lens>,
    set: &Set,
    noise: Option<[[f32; 2]; 3]>,
) -> Result<(lens::Lens, Mended), sensor::Error> {
    let mut found = (lens::Lens::default(), Mended::default());
    let (Frame::Sensor(sensor), Some(asked)) = (frame, asked) else {
        return Ok(found);
    };
    let (order, told) = (&mut found.0, &mut found.1);
    if asked.defects {
        if let Some(noise) = noise {
            order.defects = lens::defects_above(sensor, noise, &set.empty_defects)?;
        }
        told.defects = Some(order.defects.len());
    }
    if asked.fringes {
        let fringes = lens::fringes(sensor)?;
        if let Measured::Found(fringes) = fringes {
            order.fringes = Some(fringes);
        }
        told.fringes = Some(fringes);
    }
    Ok(found)
}

/// The light that shall be divided out of a frame, if any; its own fault if it cannot.
pub(super) fn falloff(
    frame: &Frame,
    asked: Option<&Lens>,
    empty: Option<&Linear>,
    regions: &Regions,
) -> Result<Option<Falloff>, Unavailable> {
    let asked = asked.filter(|lens| lens.falloff > Ratio(0.0));
    let (Frame::Sensor(_), Some(asked)) = (frame, asked) else {
        return Ok(None);
    };
    let face = regions.marks.as_ref().map(|marks| {
        let middle = |one: f32, other: f32, whole: usize| {
            0.5 * (f64::from(one) + f64::from(other)) / whole as f64
        };
        let [left, right] = marks.eyes;
        [
            middle(left.x, right.x, regions.size.width),
            middle(left.y, right.y, regions.size.height),
        ]
    });
    let found = empty.and_then(|empty| Falloff::of(empty, asked.falloff, face));
    found.map(Some).ok_or(NO_LIGHT)
}

/// Evens a part of the upright frame; `rect` is in pixels of `frame`.
pub(super) fn evened(falloff: &Falloff, picture: &mut Linear, rect: Rect, frame: Size) {
    let first = Point {
        x: rect.left as f32 + 0.5,
        y: rect.top as f32 + 0.5,
    };
    let [r, g, b] = picture.planes.each_mut();
    let planes = [r.view_mut(), g.view_mut(), b.view_mut()];
    falloff.apply(planes, first, Point { x: 1.0, y: 1.0 }, frame);
}

/// Evens the backdrop's model along with the small copy that it was found on.
pub(super) fn backdrop_evened(falloff: &Falloff, regions: &mut Regions) {
    let size = regions.size;
    let Some(backdrop) = &mut regions.backdrop else {
        return;
    };
    let [r, g, b] = &mut backdrop.surface;
    let (origin, step) = (g.origin, g.step);
    let first = Point {
        x: (0.5 - origin.x) / step.x,
        y: (0.5 - origin.y) / step.y,
    };
    let step = Point {
        x: 1.0 / step.x,
        y: 1.0 / step.y,
    };
    let planes = [r.map.view_mut(), g.map.view_mut(), b.map.view_mut()];
    falloff.apply(planes, first, step, size);
}
