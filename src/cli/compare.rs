//! `compare`: how two recipes differ, in words and on frames.

use std::ops::ControlFlow;
use std::path::Path;

use serde::Serialize;

use super::arguments::Compare;
use super::{End, report, say, tell};
use crate::deliver::preview_sheet::{self, Sheet};
use crate::engine::{self, Fineness, Finished, Set};
use crate::job;
use crate::measure::{self, Spread};
use crate::recipe::compare::differences;
use crate::recipe::{Diagnostics, Recipe};
use crate::regions::Region;

/// Regions whose difference is told.
const TOLD: [Region; 8] = [
    Region::FaceSkin,
    Region::BodySkin,
    Region::Hair,
    Region::Eyes,
    Region::Lips,
    Region::Teeth,
    Region::Clothing,
    Region::Backdrop,
];

pub(super) fn run(call: &Compare, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let before = job::open_recipe(&call.before, &mut notes);
    let after = job::open_recipe(&call.after, &mut notes);
    let (Some(before), Some(after)) = (before, after) else {
        report(&notes, json);
        return End::NotUnderstood;
    };
    let words: Vec<String> = differences(&before, &after)
        .iter()
        .map(ToString::to_string)
        .collect();
    if !json {
        report(&notes, false);
        if words.is_empty() {
            tell("the same look");
        }
        words.iter().for_each(|line| tell(line));
    }
    let mut shown = Vec::new();
    let mut end = End::Well;
    for frame in &call.frames {
        match on_frame(call, frame, [&before, &after]) {
            Ok(one) => {
                if !json {
                    tell(&one.to_string());
                }
                shown.push(one);
            }
            Err(why) => {
                say(&why);
                end = End::Attention;
            }
        }
    }
    if json {
        let result = serde_json::json!({ "differences": words, "frames": shown });
        tell(&result.to_string());
    }
    end
}

/// What a frame showed.
#[derive(Debug, Serialize)]
struct Shown {
    frame: String,
    picture: String,
    /// CIEDE2000 by region, for those that are in the picture; empty when the crops differ.
    difference: Vec<(String, Spread)>,
}

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.frame, self.picture)?;
        if self.difference.is_empty() {
            return write!(f, "\n  the crops differ, so pixels cannot be compared");
        }
        for (region, spread) in &self.difference {
            write!(
                f,
                "\n  {region:<10} Delta E 2000 mean {:5.2}, 95 % below {:5.2}",
                spread.mean, spread.most
            )?;
        }
        Ok(())
    }
}

fn on_frame(call: &Compare, path: &Path, recipes: [&Recipe; 2]) -> Result<Shown, String> {
    let (frame, _) = job::finish::open(path)?;
    let mut set = Set::default();
    if let Some(path) = &call.empty {
        let (empty, _) = job::finish::open(path)?;
        let empty = engine::empty_copy(&empty);
        set.empty = Some(empty.map_err(|error| format!("{}: {error}", path.display()))?);
    }
    let render = |recipe: &Recipe| -> Result<Finished, String> {
        let size = Fineness::Small(call.size as usize);
        engine::render(&frame, recipe, &set, size, |_, _| ControlFlow::Continue(()))
            .map_err(|error| format!("{}: {error}", path.display()))
    };
    let [one, other] = [render(recipes[0])?, render(recipes[1])?];
    let mut tiles = vec![(Sheet::of(&one.picture), "before".to_owned())];
    let mut difference = Vec::new();
    if one.placement == other.placement {
        let map = measure::difference_map(&one.picture, &other.picture);
        for region in TOLD {
            let matte = other.regions.matte(&[region], &[]).whole();
            let spread = measure::spread(map.view(), matte.view());
            difference.extend(spread.map(|spread| (region.name(), spread)));
        }
        tiles.push((Sheet::of(&other.picture), "after".to_owned()));
        let scale = format!(
            "Delta E 2000, black 0 to white {}",
            preview_sheet::WHITE_DIFFERENCE
        );
        tiles.push((preview_sheet::difference(map.view()), scale));
    } else {
        tiles.push((Sheet::of(&other.picture), "after".to_owned()));
    }
    let name = path.file_stem().unwrap_or_default().to_string_lossy();
    let to = call.to.clone().unwrap_or_default();
    let picture = to.join(format!("{name}-compare.png"));
    let sheet = preview_sheet::side_by_side(&tiles, tiles.len());
    job::finish::write_png(&picture, &sheet, &[path, &call.before, &call.after])?;
    Ok(Shown {
        frame: path.display().to_string(),
        picture: picture.display().to_string(),
        difference,
    })
}
