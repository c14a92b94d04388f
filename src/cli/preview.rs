//! `preview`: one frame as a PNG: before and after, each step, or what was found.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use super::arguments::Preview;
use super::{End, fail, report, say, tell};
use crate::deliver::preview_sheet::{self, Sheet};
use crate::engine::{self, Fineness, Set};
use crate::job;
use crate::recipe::compare::title;
use crate::recipe::{Diagnostics, Recipe};

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
                let result = serde_json::json!({ "written": shown.to.display().to_string(), "attention": attention });
                tell(&result.to_string());
            } else {
                tell(&format!("{}", shown.to.display()));
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
    let (sheet, attention) = if call.regions {
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
    Ok(Shown { to, attention })
}

/// `NAME-preview.png` in the folder where the program runs.
fn beside_us(frame: &Path) -> PathBuf {
    let stem = frame
        .file_stem()
        .map_or_else(|| "frame".into(), |stem| stem.to_string_lossy());
    PathBuf::from(format!("{stem}-preview.png"))
}
