//! `preview`: one frame as a PNG: before and after, each step, what was found, or where blemishes are.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use super::arguments::Preview;
use super::{End, fail, report, say, tell};
use crate::deliver::preview_sheet::{self, Sheet};
use crate::engine::{self, Fineness, Set};
use crate::job;
use crate::operations::heal::redness_shown;
use crate::operations::{Operation, Scene};
use crate::picture::{Linear, Oklab, Point, Rect, Size, resample};
use crate::raw::Frame;
use crate::recipe::compare::title;
use crate::recipe::{Diagnostics, Recipe};
use crate::regions::{Region, Regions};

/// Columns of tiles with `--each-step`.
const COLUMNS: usize = 4;

pub(super) fn run(call: &Preview, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let recipe = job::open_recipe(&call.recipe, &mut notes);
    report(&notes, json && recipe.is_none());
    let Some(recipe) = recipe else {
        return End::NotUnderstood;
    };
    match show(call, &recipe) {
        Ok(shown) => {
            let attention: Vec<String> = shown.attention.iter().map(ToString::to_string).collect();
            if json {
                let mut result = serde_json::json!({ "written": shown.to.display().to_string(), "attention": attention });
                if call.blemishes {
                    result["places"] = shown.places.iter().map(Healed::as_json).collect();
                }
                tell(&result.to_string());
            } else {
                tell(&format!("{}", shown.to.display()));
                for (number, place) in (1..).zip(&shown.places) {
                    tell(&format!("{number:3}  {place}"));
                }
                for reason in &attention {
                    say(&format!("look: {reason}"));
                }
            }
            if attention.is_empty() {
                End::Well
            } else {
                End::Attention
            }
        }
        Err(why) => fail(&why, json),
    }
}

struct Shown {
    to: PathBuf,
    attention: Vec<crate::regions::Attention>,
    /// With `--blemishes`.
    places: Vec<Healed>,
}

/// A place that Heal heals, as touch-ups write it.
struct Healed {
    x: f32,
    y: f32,
    radius: f32,
    listed: bool,
}

impl Healed {
    fn as_json(&self) -> serde_json::Value {
        let Self {
            x,
            y,
            radius,
            listed,
        } = self;
        serde_json::json!({ "x": x, "y": y, "radius": radius, "listed": listed })
    }
}

impl std::fmt::Display for Healed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let how = if self.listed { "listed" } else { "found" };
        write!(
            f,
            "{how:6}  (x: {:.4}, y: {:.4}, radius: {:.3})",
            self.x, self.y, self.radius
        )
    }
}

fn show(call: &Preview, recipe: &Recipe) -> Result<Shown, String> {
    let to = call.to.clone().unwrap_or_else(|| beside_us(&call.frame));
    let (frame, _) = job::finish::open(&call.frame)?;
    let mut set = Set::default();
    if let Some(path) = &call.empty {
        let (empty, _) = job::finish::open(path)?;
        set.empty = Some(
            engine::empty_copy(&empty).map_err(|error| format!("{}: {error}", path.display()))?,
        );
        set.empty_defects =
            engine::defects_of(&empty).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let failed = |error: engine::Error| format!("{}: {error}", call.frame.display());
    let long_side = call.size as usize;
    let mut places = Vec::new();
    let (sheet, attention) = if call.blemishes {
        let (sheet, attention, healed) = blemishes(call, recipe, &frame, &set)?;
        places = healed;
        (sheet, attention)
    } else if call.regions {
        let found = engine::find(&frame, recipe, &set, long_side).map_err(failed)?;
        let crop = found.crop_in_small();
        (
            preview_sheet::regions_map(&found.small, &found.regions, crop),
            found.attention,
        )
    } else {
        let mut tiles: Vec<(Sheet, String)> = Vec::new();
        let finished = engine::render(
            &frame,
            recipe,
            &set,
            Fineness::Small(long_side),
            |step, canvas| {
                let wanted = call.each_step || step.is_none();
                if wanted {
                    let words = match step {
                        None => "as developed".to_owned(),
                        Some(step) => title(step),
                    };
                    tiles.push((Sheet::of(canvas.linear()), words));
                }
                ControlFlow::Continue(())
            },
        )
        .map_err(failed)?;
        if !call.each_step {
            tiles.push((Sheet::of(&finished.picture), "finished".to_owned()));
        }
        let columns = if call.each_step { COLUMNS } else { 2 };
        (
            preview_sheet::side_by_side(&tiles, columns),
            finished.attention,
        )
    };
    job::finish::write_png(&to, &sheet, &[&call.frame, &call.recipe])?;
    Ok(Shown {
        to,
        attention,
        places,
    })
}

/// The face just before the recipe's first Heal, and its redness, with what is healed. Rendered at full
/// size, so that places and numbers are those of the delivery's sidecar.
fn blemishes(
    call: &Preview,
    recipe: &Recipe,
    frame: &Frame,
    set: &Set,
) -> Result<(Sheet, Vec<crate::regions::Attention>, Vec<Healed>), String> {
    let heals = |step: &crate::recipe::Step| matches!(step.operation, Operation::Heal(_));
    let Some(heal) = recipe.steps.iter().find(|step| heals(step)) else {
        return Err(format!(
            "{}: there is no Heal step whose blemishes could be shown; add one",
            call.recipe.display()
        ));
    };
    let (mut before, mut latest): (Option<Oklab>, Option<Oklab>) = (None, None);
    let finished = engine::render(frame, recipe, set, Fineness::Full, |step, canvas| {
        if step.is_some_and(|step| std::ptr::eq(step, heal)) {
            before = latest.take();
        } else if before.is_none() {
            latest = Some(canvas.oklab().clone());
        }
        ControlFlow::Continue(())
    });
    let finished = finished.map_err(|error| format!("{}: {error}", call.frame.display()))?;
    let (Some(before), Some(marks)) = (before, &finished.regions.marks) else {
        return Err(format!("{}: no face was found", call.frame.display()));
    };
    let note = finished.steps.iter().find(|note| note.step == "Heal");
    let note = note.expect("a step that ran has its note");
    let scene = Scene {
        scale: marks.scale(),
        regions: &finished.regions,
    };
    let face = face(&finished.regions);
    let size = before.size();
    let redness = redness_shown(&before, &scene).unwrap_or_else(|| before.clone());
    let long = face.width.max(face.height) as f32;
    let shrunk = (call.size as f32 / long).min(1.0);
    let at = |centre: Point| Point {
        x: (centre.x - face.left as f32) * shrunk,
        y: (centre.y - face.top as f32) * shrunk,
    };
    let rings: Vec<(Point, f32)> = (note.places.iter())
        .map(|&(centre, radius)| (at(centre), radius * shrunk))
        .collect();
    let tile = |picture: Oklab, words: &str| {
        let light = picture.to_linear();
        let cut = Linear {
            planes: (light.planes.each_ref()).map(|plane| face.of(plane.view()).to_owned()),
        };
        let wanted = Size {
            width: ((face.width as f32 * shrunk) as usize).max(1),
            height: ((face.height as f32 * shrunk) as usize).max(1),
        };
        let mut sheet = Sheet::of(&resample::resize(&cut, wanted));
        preview_sheet::numbered(&mut sheet, &rings);
        (sheet, words.to_owned())
    };
    let tiles = [
        tile(before, "before healing"),
        tile(redness, "redness, contrast enlarged; ringed: healed"),
    ];
    let listed = note.figures.iter().find(|(name, _)| name == "listed");
    let listed = listed.map_or(0, |(_, count)| *count as usize);
    let places = note
        .places
        .iter()
        .enumerate()
        .map(|(i, (centre, radius))| Healed {
            x: centre.x / size.width as f32,
            y: centre.y / size.height as f32,
            radius: radius / scene.scale.0,
            listed: i < listed,
        });
    Ok((
        preview_sheet::side_by_side(&tiles, 2),
        finished.attention.clone(),
        places.collect(),
    ))
}

/// Where the face is, with some room; the whole picture where no skin was found.
fn face(regions: &Regions) -> Rect {
    let Size { width, height } = regions.size;
    let skin = regions.region(Region::FaceSkin).bounds(0.5);
    let Some(skin) = skin else {
        return Rect::whole(regions.size);
    };
    let room = skin.width / 8;
    let (left, top) = (
        skin.left.saturating_sub(room),
        skin.top.saturating_sub(room),
    );
    Rect {
        left,
        top,
        width: (skin.left + skin.width + room).min(width) - left,
        height: (skin.top + skin.height + room).min(height) - top,
    }
}

/// `NAME-preview.png` in the folder where the program runs.
fn beside_us(frame: &Path) -> PathBuf {
    let stem = frame
        .file_stem()
        .map_or_else(|| "frame".into(), |stem| stem.to_string_lossy());
    PathBuf::from(format!("{stem}-preview.png"))
}
