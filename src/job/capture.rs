//! Checks captures: a job's frames, or frames alone.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::checks::Capture;
use crate::engine::Set;
use crate::recipe::{FORMAT, Recipe};

use super::finish;
use super::plan::Plan;

/// A frame to look at.
#[derive(Debug, Clone)]
pub struct Shot {
    /// The file.
    pub frame: PathBuf,
    /// Whom it shows; empty for a frame without a job.
    pub person: String,
    /// Whose crop it must have room for.
    recipe: Arc<Recipe>,
}

/// The job's frames and its set, as its cameras saw them: nothing is matched.
///
/// # Errors
/// When a reference frame cannot be read.
pub fn of_job(mut plan: Plan) -> Result<(Vec<Shot>, Set), String> {
    plan.matching = None;
    let set = finish::prepare_set(&plan)?;
    let shots = plan.tasks.into_iter().map(|task| Shot {
        frame: task.frame,
        person: task.sitter.person,
        recipe: task.recipe,
    });
    Ok((shots.collect(), set))
}

/// Frames without a job: no set, the default crop.
pub fn of_frames(frames: &[PathBuf]) -> (Vec<Shot>, Set) {
    let recipe = Arc::new(Recipe {
        format: FORMAT,
        name: String::new(),
        steps: Vec::new(),
    });
    let shots = frames.iter().map(|frame| Shot {
        frame: frame.clone(),
        person: String::new(),
        recipe: Arc::clone(&recipe),
    });
    (shots.collect(), Set::default())
}

/// Opens and measures one frame.
///
/// # Errors
/// When it cannot be read or developed; says which and why.
pub fn measure(shot: &Shot, set: &Set) -> Result<Capture, String> {
    let (frame, _) = finish::open(&shot.frame)?;
    Capture::of(&name_of(&shot.frame), &frame, &shot.recipe, set)
        .map_err(|error| format!("{}: {error}", shot.frame.display()))
}

fn name_of(path: &Path) -> String {
    path.file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}
