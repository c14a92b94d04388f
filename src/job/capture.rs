//! Checks captures: a job's frames, or frames alone.

use std::fs;
use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::checks::Capture;
use crate::engine::{self, Set};
use crate::recipe::{FORMAT, Recipe};

use super::budget::Budget;
use super::finish::{self, OUR_MISTAKE};
use super::is_frame;
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

/// Frames without a job, a folder standing for those in it: no set, the default crop.
pub fn of_frames(frames: &[PathBuf]) -> (Vec<Shot>, Set) {
    let recipe = Arc::new(Recipe {
        format: FORMAT,
        name: String::new(),
        steps: Vec::new(),
    });
    let shots = frames
        .iter()
        .flat_map(|path| inside(path))
        .map(|frame| Shot {
            frame,
            person: String::new(),
            recipe: Arc::clone(&recipe),
        });
    (shots.collect(), Set::default())
}

/// The frames in a folder, by name; anything else, and a folder without any, as it is.
fn inside(path: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(path).into_iter().flatten().flatten();
    let mut frames: Vec<PathBuf> = entries
        .map(|entry| entry.path())
        .filter(|frame| is_frame(&frame.to_string_lossy()))
        .collect();
    frames.sort();
    if frames.is_empty() {
        frames.push(path.to_owned());
    }
    frames
}

/// Opens and measures all, side by side while `memory` bytes last; in the order of `shots`. An error
/// says which frame and why.
pub fn measure_all(
    shots: &[Shot],
    set: &Set,
    memory: u64,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Vec<Result<Capture, String>> {
    let budget = Budget::new(memory);
    finish::side_by_side(shots, finish::workers(&budget), |shot| {
        watch(Event::Began(shot));
        let measured = panic::catch_unwind(AssertUnwindSafe(|| one(shot, set, &budget)));
        let measured =
            measured.unwrap_or_else(|_| Err(format!("{}: {OUR_MISTAKE}", shot.frame.display())));
        watch(Event::Ended(shot, measured.is_ok()));
        measured
    })
}

/// What happens, as it happens.
#[derive(Debug)]
pub enum Event<'a> {
    /// A frame is begun.
    Began(&'a Shot),
    /// A frame is done, well or not.
    Ended(&'a Shot, bool),
}

/// Opens and measures one frame.
///
/// # Errors
/// When it cannot be read or developed; says which and why.
pub fn measure(shot: &Shot, set: &Set) -> Result<Capture, String> {
    one(shot, set, &Budget::new(u64::MAX))
}

fn one(shot: &Shot, set: &Set, budget: &Budget) -> Result<Capture, String> {
    let (frame, _) = finish::open(&shot.frame)?;
    // A render of it would need more, so this is on the safe side.
    let _share = budget.take(engine::memory_needed(&frame));
    Capture::of(&shot.name(), &frame, &shot.recipe, set)
        .map_err(|error| format!("{}: {error}", shot.frame.display()))
}

impl Shot {
    /// The frame's file name.
    pub fn name(&self) -> String {
        name_of(&self.frame)
    }
}

fn name_of(path: &Path) -> String {
    path.file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}
