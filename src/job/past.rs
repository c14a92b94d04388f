//! A past delivery as the target: the same wall, size and crop for those who come later.
//!
//! Read from its sidecars alone. The crop and the wall's settings are those that most of its files
//! were made with; what came out (the wall's colour, the head's place) is the median of what its
//! sidecars measured, and what a report compares with.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::deliver::sidecar::{self, Looks, Sidecar};
use crate::operations::Operation;
use crate::picture::Lightness;
use crate::recipe::{Diagnostics, Recipe, Step};

use super::input;

/// Most sidecars that are read, and how deep below the folder they are looked for.
const MOST: usize = 20_000;
const DEPTH: usize = 8;

/// Why a past delivery cannot be a target.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The folder cannot be read.
    #[error("the past delivery {} cannot be read: {source}", folder.display())]
    Io {
        /// Where.
        folder: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// There is no sidecar.
    #[error("no sidecar in {}", folder.display())]
    NoSidecar {
        /// Where.
        folder: PathBuf,
    },
    /// No sidecar in it says how its picture looks.
    #[error("no sidecar in {} says how its picture looks", folder.display())]
    NoLooks {
        /// Where.
        folder: PathBuf,
    },
    /// A sidecar of a later version.
    #[error("{}: {source}", path.display())]
    Sidecar {
        /// The sidecar.
        path: PathBuf,
        /// What is the matter.
        source: Box<sidecar::Error>,
    },
}

/// What a past delivery looks like.
#[derive(Debug, Clone)]
pub struct Past {
    /// Medians of what its sidecars measured.
    pub looks: Looks,
    /// How many sidecars that is.
    pub files: usize,
    /// The crop that most of its files have.
    crop: Option<Step>,
    /// The wall's settings that most of its files have.
    wall: Option<Step>,
}

impl Past {
    /// Reads all sidecars of a delivery.
    ///
    /// # Errors
    /// When the folder cannot be read, no sidecar in it has figures, or one is of a later version.
    pub fn read(folder: &Path) -> Result<Self, Error> {
        let mut found = Vec::new();
        gather(folder, DEPTH, &mut found)?;
        let folder = folder.to_owned();
        if found.is_empty() {
            return Err(Error::NoSidecar { folder });
        }
        if found
            .iter()
            .all(|sidecar| sidecar.looks == Looks::default())
        {
            return Err(Error::NoLooks { folder });
        }
        let mut recipes: BTreeMap<&str, usize> = BTreeMap::new();
        for sidecar in &found {
            *recipes.entry(&sidecar.recipe.resolved).or_default() += 1;
        }
        let most = recipes.iter().max_by_key(|(_, count)| **count);
        let recipe = most.and_then(|(text, _)| {
            let none = |_: &str| Err("a sidecar's recipe builds on nothing".to_owned());
            Recipe::read("sidecar", text, &none, &mut Diagnostics::default())
        });
        let step = |wanted: fn(&Operation) -> bool| {
            let mut steps = recipe.iter().flat_map(|recipe| &recipe.steps);
            steps.find(|step| wanted(&step.operation)).cloned()
        };
        Ok(Self {
            looks: medians(found.iter().map(|sidecar| &sidecar.looks)),
            files: found.len(),
            crop: step(|operation| matches!(operation, Operation::Crop(_))),
            wall: step(|operation| matches!(operation, Operation::BackgroundLift(_))),
        })
    }

    /// A recipe with the past's crop and wall; all else stays.
    pub fn onto(&self, recipe: &Recipe) -> Recipe {
        let mut recipe = recipe.clone();
        let lifted = |step: &Step| matches!(step.operation, Operation::BackgroundLift(_));
        if let Some(crop) = &self.crop {
            let own = recipe
                .steps
                .iter_mut()
                .find(|step| matches!(step.operation, Operation::Crop(_)));
            match own {
                Some(own) => own.operation = crop.operation.clone(),
                None => insert(&mut recipe, crop),
            }
        }
        match (&self.wall, self.looks.wall) {
            (Some(wall), _) => match recipe.steps.iter_mut().find(|step| lifted(step)) {
                Some(own) => own.operation = wall.operation.clone(),
                None => insert(&mut recipe, wall),
            },
            // No step of the past's recipe made its wall: its measured lightness is all that is
            // known of it.
            (None, Some([level, _, _])) => {
                for step in &mut recipe.steps {
                    if let Operation::BackgroundLift(lift) = &mut step.operation {
                        lift.level = Lightness(level as f32);
                    }
                }
            }
            (None, None) => {}
        }
        recipe
    }
}

/// Puts a step where the picture stage begins, the crop before all others.
fn insert(recipe: &mut Recipe, step: &Step) {
    let before = |other: &Step| {
        other.operation.stage() < step.operation.stage()
            || matches!(other.operation, Operation::Crop(_))
    };
    let at = recipe
        .steps
        .iter()
        .take_while(|other| before(other))
        .count();
    recipe.steps.insert(at, step.clone());
}

/// Median of each figure, of those that have it.
pub fn medians<'l>(all: impl Iterator<Item = &'l Looks> + Clone) -> Looks {
    let middle = |figure: &dyn Fn(&Looks) -> Option<f64>| {
        let mut values: Vec<f64> = all.clone().filter_map(figure).collect();
        values.sort_unstable_by(f64::total_cmp);
        values.get(values.len().saturating_sub(1) / 2).copied()
    };
    let wall = [0, 1, 2].map(|c| middle(&move |looks| looks.wall.map(|wall| wall[c])));
    Looks {
        wall: match wall {
            [Some(l), Some(a), Some(b)] => Some([l, a, b]),
            _ => None,
        },
        wall_spread: middle(&|looks| looks.wall_spread),
        head_height: middle(&|looks| looks.head_height),
        eye_line: middle(&|looks| looks.eye_line),
        face_axis: middle(&|looks| looks.face_axis),
    }
}

/// Every sidecar below a folder, in the order of their paths; other RON files are none of ours.
fn gather(folder: &Path, depth: usize, found: &mut Vec<Sidecar>) -> Result<(), Error> {
    let failed = |source| Error::Io {
        folder: folder.to_owned(),
        source,
    };
    let mut paths = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        // A link to a folder is not followed: a few that lead back up make a million ways down.
        let is_folder = entry.file_type().map_err(failed)?.is_dir();
        paths.push((entry.path(), is_folder));
    }
    paths.sort();
    for (path, is_folder) in paths {
        if is_folder && depth > 0 {
            gather(&path, depth - 1, found)?;
        } else if found.len() < MOST && path.extension().is_some_and(|ending| ending == "ron") {
            let text = input::text(&path, input::LONGEST_SIDECAR).ok();
            match text.as_deref().map(Sidecar::from_text) {
                Some(Ok(sidecar)) => found.push(sidecar),
                Some(Err(source @ sidecar::Error::Newer(_))) => {
                    let source = Box::new(source);
                    return Err(Error::Sidecar { path, source });
                }
                Some(Err(sidecar::Error::Malformed(_))) | None => {}
            }
        }
    }
    Ok(())
}
