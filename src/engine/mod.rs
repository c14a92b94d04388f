//! Runs a checked recipe on one frame: finds the sitter once on a small copy, chooses the crop,
//! develops only what the crop shows, and takes the picture through the steps.
//!
//! ```text
//! Frame ─ small copy ─ regions ─ placement ─┐
//!   └────────────── development of the crop ┴─ picture stage ─ Finished
//! ```
//!
//! An output whose shape reaches beyond the crop is rendered from the crop and that shape together
//! (`shape`), so that no other output changes by a bit when it comes or goes.
//!
//! The same code renders a preview, from the small copy instead of the full development.
//! Nothing here touches a disk, a clock or a screen.

mod development;
mod falloff;
mod lens;
mod matching;
mod shape;
mod skin_trace;
mod steps;

use std::borrow::Cow;
use std::ops::ControlFlow;

use serde::{Deserialize, Serialize};

use crate::operations::background_replace::{KEYED_CLOTH, KEYED_CLOTH_LIMIT};
use crate::operations::canvas::Canvas;
use crate::operations::{Findings, Operation, Stage};
use crate::picture::{Linear, Ratio, Rect, Size, resample};
use crate::raw::{Frame, SensorFrame};
use crate::recipe::{FORMAT, Recipe, Step};
use crate::regions::{self, Attention, Marks, Regions};
use crate::sensor::lens::Defect;
use crate::sensor::{self, Developed, Development, Notes};

use falloff::Falloff;

pub use development::{Reference, Unavailable};
pub use lens::Mended;
pub use matching::{Difference, Matched, Matching, Side, Target, Wall};
pub use shape::{Added, Beside, NoRoom, Shape, Shown};
pub use skin_trace::{SkinMove, SkinState};

/// Long side of the small copy on which regions are found: at a usual headshot's framing an eye
/// span is then about 150 pixels, more than the nets' own crops resolve (their face crop is 256
/// pixels wide for about 2.9 eye spans).
pub const SMALL: usize = 1800;

/// Sites a pixel, along a side, from which a small copy is made of means of sites.
const BINNED: usize = 2;

/// Why a frame could not be rendered.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The sensor data could not be developed.
    #[error(transparent)]
    Sensor(#[from] sensor::Error),
    /// The work was stopped between two steps.
    #[error("stopped before it was finished")]
    Stopped,
}

/// The set's reference frames, prepared once for all frames.
#[derive(Debug, Default)]
pub struct Set {
    /// Small upright copy of the empty backdrop ([`empty_copy`]), for the shape of its light.
    pub empty: Option<Linear>,
    /// Defective pixels of that frame ([`defects_of`]): where a frame has them too, they are sure.
    pub empty_defects: Vec<Defect>,
    /// What `WhiteBalance(from: SetReference)` goes by: the one place where the set's white comes
    /// in, be it the camera's word or the chart's neutral patches.
    pub reference: Option<Reference>,
    /// The job names a chart's frame, but no chart was found in it.
    pub chart_unread: bool,
    /// The wall that every frame's own is brought to, when the job says `match`.
    pub target: Option<Target>,
}

/// How fine a render shall be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fineness {
    /// Every pixel of the crop.
    Full,
    /// From a small copy, at most this many pixels on the long side of the whole frame.
    Small(usize),
}

/// The crop's place in the upright frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// Size of the whole upright frame.
    pub frame: Size,
    /// The crop, in pixels of the upright frame.
    pub rect: Rect,
    /// Degrees by which the frame was turned to stand straight; 0 as no step turns it yet.
    pub straightened: f32,
}

/// What one step did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepNote {
    /// The operation's name.
    pub step: String,
    /// Whether it was left out as its settings are neutral.
    pub neutral: bool,
    /// Named figures it measured.
    pub figures: Vec<(String, f32)>,
    /// Places it mended: centre and radius in pixels of the crop.
    pub places: Vec<(crate::picture::Point, f32)>,
    /// How the sitter's skin moved, for a retouching step.
    #[serde(default)]
    pub skin: Option<SkinMove>,
}

impl StepNote {
    fn of(step: &Step, findings: Option<Findings>, skin: Option<SkinMove>) -> Self {
        let neutral = findings.is_none();
        let Findings { figures, places } = findings.unwrap_or_default();
        Self {
            step: step.operation.name().to_owned(),
            neutral,
            figures,
            places,
            skin,
        }
    }
}

/// A frame that went through sensor and picture stage.
#[derive(Debug, Clone)]
pub struct Finished {
    /// What [`Finished::cover`] says, display-linear, 1.0 is the output's white.
    pub picture: Linear,
    /// The sitter in it.
    pub regions: Regions,
    /// The part of the upright frame that the picture shows: the crop, or more.
    pub cover: Rect,
    /// Where the crop lies.
    pub placement: Placement,
    /// What each picture-stage step did.
    pub steps: Vec<StepNote>,
    /// What the development estimated; `None` for a finished picture taken in.
    pub development: Option<Notes>,
    /// How the frame was brought to the set's exposure and white; `None` when it was not.
    pub matched: Option<Matched>,
    /// What lens and sensor did to it, and was mended.
    pub mended: Mended,
    /// Steps of the recipe that this kind of frame cannot take, and why.
    pub unavailable: Vec<Unavailable>,
    /// Reasons for a person to look, from the regions and from the crop.
    pub attention: Vec<Attention>,
}

impl Finished {
    /// Only the crop of it, which is what is told of a frame whatever else it was rendered for. Of a
    /// picture at full size.
    pub fn of_crop(&self) -> Cow<'_, Self> {
        let crop = self.placement.rect;
        if self.cover == crop {
            return Cow::Borrowed(self);
        }
        let (left, top) = (crop.left - self.cover.left, crop.top - self.cover.top);
        let part = Rect { left, top, ..crop };
        let mut steps = self.steps.clone();
        for (centre, _) in steps.iter_mut().flat_map(|step| &mut step.places) {
            centre.x -= left as f32;
            centre.y -= top as f32;
        }
        Cow::Owned(Self {
            picture: cut_of(&self.picture, part),
            regions: self.regions.placed(part, self.cover.size()),
            cover: crop,
            placement: self.placement,
            steps,
            development: self.development.clone(),
            matched: self.matched,
            mended: self.mended,
            unavailable: self.unavailable.clone(),
            attention: self.attention.clone(),
        })
    }
}

/// A frame with its sitter found and its crop chosen, not yet rendered.
#[derive(Debug, Clone)]
pub struct Found {
    /// The upright small copy, scene-linear.
    pub small: Linear,
    /// Regions for the small copy.
    pub regions: Regions,
    /// The crop the recipe asks for.
    pub placement: Placement,
    /// What is rendered, in pixels of the upright frame: the crop, or more ([`Found::cover_for`]).
    pub cover: Rect,
    /// From regions and crop.
    pub attention: Vec<Attention>,
    /// How the frame was brought to the set's exposure and white; `None` when it was not.
    pub matched: Option<Matched>,
    /// How the frame is developed, matching included.
    pub development: Development,
    /// What lens and sensor did to it, and is mended.
    pub mended: Mended,
    /// What evens its light, where that is asked for.
    falloff: Option<Falloff>,
    /// What the recipe asks for and this frame cannot have.
    unavailable: Vec<Unavailable>,
}

impl Found {
    /// The crop in pixels of the small copy.
    pub fn crop_in_small(&self) -> Rect {
        scaled(self.placement.rect, self.placement.frame, self.small.size())
    }
}

/// Finds sitter and crop.
///
/// # Errors
/// When the sensor data cannot be developed.
pub fn find(frame: &Frame, recipe: &Recipe, set: &Set, long_side: usize) -> Result<Found, Error> {
    let mut how = development::development(recipe, set);
    let asked = lens::asked(recipe);
    if let Frame::Sensor(sensor) = frame
        && (how.denoise > Ratio(0.0) || asked.is_some_and(|lens| lens.defects))
    {
        how.noise = sensor::noise_of(sensor, true)?;
    }
    let (order, mut mended) = lens::measured(frame, asked, set, how.noise)?;
    how.lens = order;
    let mut small = small_developed(frame, &how, long_side)?;
    let empty = set
        .empty
        .as_ref()
        .filter(|empty| alike_in_shape(empty.size(), small.size()));
    let empty = empty.map(|empty| resample::resize(empty, small.size()));
    let mut regions = regions::find(&small, empty.as_ref());
    let full = upright_size(frame);
    let mut attention = regions.attention.clone();
    if development::is_guess(frame, &how) {
        attention.push(Attention::NoWhiteBalance);
    }
    if set.chart_unread {
        attention.push(Attention::NoChart);
    }
    let mut matched = None;
    if let (Some(target), Frame::Sensor(sensor)) = (&set.target, frame) {
        match matching::correct(sensor, &how, target, &small, &regions)? {
            Some(correction) => {
                // All that was found so far is in the old light.
                correction.apply(&mut small, &mut regions);
                how = correction.development;
                matched = Some(correction.matched);
            }
            None => attention.push(Attention::NotMatched),
        }
    }
    let mut unavailable = Vec::new();
    // After matching: the set's own wall is not evened.
    let falloff = lens::falloff(frame, asked, empty.as_ref(), &regions).unwrap_or_else(|reason| {
        unavailable.push(reason);
        None
    });
    if let Some(falloff) = &falloff {
        let size = small.size();
        lens::evened(falloff, &mut small, Rect::whole(size), size);
        lens::backdrop_evened(falloff, &mut regions);
        mended.falloff = Some(falloff.range());
    }
    let rect = crop_rect(
        recipe,
        regions.placed(Rect::whole(full), full).marks.as_ref(),
        full,
        &mut attention,
    );
    let placement = Placement {
        frame: full,
        rect,
        straightened: 0.0,
    };
    Ok(Found {
        small,
        regions,
        placement,
        cover: rect,
        attention,
        matched,
        development: how,
        mended,
        falloff,
        unavailable,
    })
}

/// Size of the upright visible frame.
pub fn upright_size(frame: &Frame) -> Size {
    match frame {
        Frame::Sensor(sensor) => sensor.upright_size(),
        Frame::Finished(finished) => finished.picture.size(),
    }
}

/// Renders one frame. `after_step` sees the picture after each picture-stage step (the first
/// call, without a step, sees it as developed) and may stop the work.
///
/// # Errors
/// When the sensor data cannot be developed, or `after_step` stopped it.
pub fn render(
    frame: &Frame,
    recipe: &Recipe,
    set: &Set,
    fineness: Fineness,
    after_step: impl FnMut(Option<&Step>, &mut Canvas) -> ControlFlow<()>,
) -> Result<Finished, Error> {
    // A preview finds on the same copy, so that its crop and its regions are those of the delivery.
    let found = find(frame, recipe, set, SMALL)?;
    render_found(frame, recipe, set, found, fineness, after_step)
}

/// [`render`] of a frame whose sitter [`find`] has found on a copy of [`SMALL`] pixels.
///
/// # Errors
/// As [`render`].
pub fn render_found(
    frame: &Frame,
    recipe: &Recipe,
    set: &Set,
    found: Found,
    fineness: Fineness,
    mut after_step: impl FnMut(Option<&Step>, &mut Canvas) -> ControlFlow<()>,
) -> Result<Finished, Error> {
    let Found {
        small,
        regions,
        placement,
        cover,
        mut attention,
        matched,
        development: how,
        mended,
        falloff,
        mut unavailable,
    } = found;
    let (picture, regions, development) = match fineness {
        Fineness::Full => {
            drop(small);
            let (mut picture, notes) = develop_part(frame, &how, cover)?;
            if let Some(falloff) = &falloff {
                lens::evened(falloff, &mut picture, cover, placement.frame);
            }
            let regions = regions.placed(cover, placement.frame).refined(&picture);
            (picture, regions, notes)
        }
        Fineness::Small(pixels) => {
            let whole = if pixels <= SMALL {
                small
            } else {
                let mut whole = small_developed(frame, &how, pixels)?;
                if let Some(falloff) = &falloff {
                    let size = whole.size();
                    lens::evened(falloff, &mut whole, Rect::whole(size), size);
                }
                whole
            };
            // Cut before it is made smaller: a crop that starts at a whole pixel of the preview would
            // lie up to half of one beside the crop that is delivered.
            let size = scaled(cover, placement.frame, fitted(whole.size(), pixels)).size();
            let rect = scaled(cover, placement.frame, whole.size());
            let regions = regions.placed(rect, whole.size());
            let picture = cut(whole, rect);
            if picture.size() == size {
                (picture, regions, None)
            } else {
                let regions = regions.placed(Rect::whole(size), size);
                (resample::resize(&picture, size), regions, None)
            }
        }
    };
    if set.target.is_some() && matches!(frame, Frame::Finished(_)) {
        unavailable.push(matching::UNAVAILABLE);
    }
    let mut steps: Vec<&Step> = Vec::new();
    for step in &recipe.steps {
        if let Some(reason) = development::unavailable(step, frame) {
            unavailable.push(reason);
        } else if step.operation.stage() == Stage::Picture
            && !matches!(step.operation, Operation::Crop(_))
        {
            steps.push(step);
        }
    }
    let mut canvas = Canvas::Linear(picture);
    if after_step(None, &mut canvas).is_break() {
        return Err(Error::Stopped);
    }
    let run = steps::run(canvas.into_linear(), &steps, &regions, |step, canvas| {
        after_step(Some(step), canvas)
    });
    let ControlFlow::Continue((picture, steps)) = run else {
        return Err(Error::Stopped);
    };
    let keyed = |(name, share): &(String, f32)| name == KEYED_CLOTH && *share > KEYED_CLOTH_LIMIT;
    if steps.iter().any(|note| note.figures.iter().any(keyed)) {
        attention.push(Attention::ClothInKeyColour);
    }
    Ok(Finished {
        picture,
        regions,
        cover,
        placement,
        steps,
        development,
        matched,
        mended,
        unavailable,
        attention,
    })
}

/// Bytes that the smallest frame needs, most of them for the nets, with what glibc's allocator keeps of
/// the frames before.
///
/// Measured (`LAPEL_RAWS=1 cargo bench --bench many_frames`, two threads): 28 frames of 2.2 megapixels
/// one by one peak at 600 MB, 14 of them at 597, two side by side at 942; the first alone takes 428.
pub const LEAST_MEMORY: u64 = 560_000_000;

/// Bytes that finding, rendering and delivering this frame at full size need at their peak, besides
/// the file itself: what the memory budget counts with. The crop is not known before, so it counts
/// as the whole frame.
///
/// The slope of a line through two measurements (`/usr/bin/time -v lapel finish JOB`, two threads): a frame of 2.2
/// megapixels took 428 MB, most of it for the nets; one of 44.8 without a crop, delivered as two full-size 16-bit
/// TIFFs, 1576 MB. With one such TIFF it took 1374 MB, and 819 MB with the crop of a headshot (20.8
/// megapixels). Per pixel: the mosaic (2), then twice three planes while it is developed (24) or,
/// when the mosaic is gone, the picture (12) and two outputs' samples and files (24).
pub fn memory_needed(frame: &Frame) -> u64 {
    let full = upright_size(frame);
    let pixels = (full.width * full.height) as u64;
    pixels * 27 + LEAST_MEMORY
}

/// Bytes that finding and a quick render of this frame need at their peak, besides the file itself:
/// the mosaic stays (2 a pixel), and a frame too small to be made of means of sites is developed as a
/// whole (24 more, as in [`memory_needed`]). Measured (`/usr/bin/time -v lapel proof JOB`): 522 MB at
/// 44.8 megapixels, the file's 71 MB among them.
pub fn quick_memory_needed(frame: &Frame) -> u64 {
    let full = upright_size(frame);
    let pixels = (full.width * full.height) as u64;
    let whole = full.width.max(full.height) < BINNED * SMALL || matches!(frame, Frame::Finished(_));
    let a_pixel = if whole { 26 } else { 2 };
    pixels * a_pixel + LEAST_MEMORY
}

/// The frame upright, scene-linear, with at most `long_side` pixels on its long side.
///
/// # Errors
/// When the sensor data cannot be developed.
pub fn small_copy(
    frame: &Frame,
    recipe: &Recipe,
    set: &Set,
    long_side: usize,
) -> Result<Linear, Error> {
    small_developed(frame, &development::development(recipe, set), long_side)
}

fn small_developed(frame: &Frame, how: &Development, long_side: usize) -> Result<Linear, Error> {
    match frame {
        Frame::Sensor(sensor) => {
            let long = sensor.crop.width.max(sensor.crop.height);
            // Means of sites would leave less than `long_side` pixels, softer than demosaicing does.
            if long < BINNED * long_side {
                let developed = sensor::develop(sensor, sensor.crop, how)?.picture;
                let upright = sensor.orientation.turn_picture(developed);
                return Ok(resample::resize(
                    &upright,
                    fitted(upright.size(), long_side),
                ));
            }
            let small = sensor::develop_small(sensor, long_side, how)?;
            Ok(sensor.orientation.turn_picture(small))
        }
        Frame::Finished(finished) => {
            let size = finished.picture.size();
            Ok(resample::resize(&finished.picture, fitted(size, long_side)))
        }
    }
}

/// The set's empty backdrop, for [`Set::empty`]. No recipe has a say: only the shape of its light
/// matters, and no frame's bytes may depend on whose recipe came first.
///
/// # Errors
/// When the sensor data cannot be developed.
pub fn empty_copy(frame: &Frame) -> Result<Linear, Error> {
    let bare = Recipe {
        format: FORMAT,
        name: String::new(),
        steps: Vec::new(),
    };
    small_copy(frame, &bare, &Set::default(), SMALL)
}

/// The defective pixels of the set's empty backdrop, for [`Set::empty_defects`].
///
/// # Errors
/// When the sensor data make no sense.
pub fn defects_of(frame: &Frame) -> Result<Vec<Defect>, Error> {
    match frame {
        Frame::Sensor(sensor) => Ok(sensor::lens::defects(sensor, &[])?),
        Frame::Finished(_) => Ok(Vec::new()),
    }
}

/// A part of the upright frame, developed at full size: scene-linear for a raw, as it is for a
/// finished picture.
///
/// # Errors
/// When the sensor data cannot be developed.
pub fn develop_part(
    frame: &Frame,
    how: &Development,
    rect: Rect,
) -> Result<(Linear, Option<Notes>), Error> {
    match frame {
        Frame::Sensor(sensor) => {
            let window = window_of(rect, sensor);
            let Developed { picture, notes } = sensor::develop(sensor, window, how)?;
            Ok((sensor.orientation.turn_picture(picture), Some(notes)))
        }
        Frame::Finished(finished) => Ok((cut_of(&finished.picture, rect), None)),
    }
}

/// The sites of the active area that show `rect` of the upright frame.
fn window_of(rect: Rect, sensor: &SensorFrame) -> Rect {
    let inside = sensor.orientation.stored_rect(rect, sensor.crop.size());
    Rect {
        left: sensor.crop.left + inside.left,
        top: sensor.crop.top + inside.top,
        ..inside
    }
}

fn crop_rect(
    recipe: &Recipe,
    marks: Option<&Marks>,
    full: Size,
    attention: &mut Vec<Attention>,
) -> Rect {
    let crop = recipe.steps.iter().find_map(|step| match &step.operation {
        Operation::Crop(crop) => Some(crop),
        _ => None,
    });
    let Some(crop) = crop else {
        return Rect::whole(full);
    };
    let placed = crop.placement(marks, full);
    attention.extend(placed.attention);
    placed.rect
}

/// A size with this long side and the same shape; never larger than it was.
fn fitted(size: Size, long_side: usize) -> Size {
    let long = size.width.max(size.height);
    if long <= long_side {
        return size;
    }
    let scaled = |side: usize| ((side * long_side + long / 2) / long).max(1);
    Size {
        width: scaled(size.width),
        height: scaled(size.height),
    }
}

/// Whether two pictures have one aspect, within a pixel.
fn alike_in_shape(a: Size, b: Size) -> bool {
    (a.width * b.height).abs_diff(b.width * a.height) <= a.width.max(a.height).max(b.height)
}

/// A rectangle of a picture of size `from` in pixels of the same picture at size `to`.
fn scaled(rect: Rect, from: Size, to: Size) -> Rect {
    let along = |start: usize, length: usize, from: usize, to: usize| {
        let first = (start * to + from / 2) / from;
        let last = ((start + length) * to + from / 2) / from;
        (
            first.min(to - 1),
            (last - first).clamp(1, to - first.min(to - 1)),
        )
    };
    let (left, width) = along(rect.left, rect.width, from.width, to.width);
    let (top, height) = along(rect.top, rect.height, from.height, to.height);
    Rect {
        left,
        top,
        width,
        height,
    }
}

fn cut(picture: Linear, rect: Rect) -> Linear {
    if rect == Rect::whole(picture.size()) {
        picture
    } else {
        cut_of(&picture, rect)
    }
}

fn cut_of(picture: &Linear, rect: Rect) -> Linear {
    Linear {
        planes: picture
            .planes
            .each_ref()
            .map(|plane| rect.of(plane.view()).to_owned()),
    }
}
