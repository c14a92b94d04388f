//! Jobs: which frames of which people get which look, gathered from disk and checked.
//!
//! `job_file`, `roster` and `touch_ups` turn text into checked values without touching a disk;
//! the small functions here read the files they name and bring them together in a [`Job`].

mod budget;
mod candidates;
pub mod capture;
pub mod close;
pub mod consistency;
pub mod finish;
pub(crate) mod input;
pub mod job_file;
pub mod manifest;
pub mod output_file;
pub mod past;
pub mod picks;
mod pictures;
pub mod plan;
mod practice;
pub mod proof;
pub mod roster;
mod seen;
mod table;
pub mod touch_ups;
pub mod verify;
pub mod watch;

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use job_file::{Frames, JobFile, Rights, SetFrames, Written};
pub use output_file::Output;
pub use picks::Choice;
pub use roster::{Roster, Sitter};
pub use touch_ups::TouchUps;

use picks::{Picks, Rows};
use pictures::Pictures;
use plan::Plan;

use crate::deliver::atomic;
use crate::recipe::advice::advise;
use crate::recipe::layout::laid_out;
use crate::recipe::reader::Reader;
use crate::recipe::tree::{self, Group, Value};
use crate::recipe::{Diagnostics, Place, Recipe, Source, beside, nearest};

/// Endings of files that can hold a frame, for telling frames that no row names.
const FRAME_ENDINGS: [&str; 24] = [
    "3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "iiq", "jpeg", "jpg", "mef",
    "mrw", "nef", "nrw", "orf", "pef", "png", "raf", "rw2", "srw", "tif", "tiff",
];

/// Most files looked at in a folder of frames.
const MOST_FILES: usize = 100_000;
/// Missing frames for which the nearest name is looked for.
const GUESSED: usize = 100;

/// Why a text file could not be read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The disk refused.
    #[error("{0}")]
    Io(#[from] std::io::Error),
    /// Larger than any file of its kind.
    #[error("it has more than {0} bytes")]
    Limit(usize),
    /// Not text.
    #[error("it is not UTF-8 text (first wrong byte in line {line})")]
    Malformed {
        /// Counted from 1.
        line: usize,
    },
    /// A folder.
    #[error("it is a folder, where a file is needed")]
    Folder,
    /// Something that never ends, or waits for ever.
    #[error("it is a pipe or a device; save what it gives as a file, and name that")]
    NoFile,
}

/// A job with all that it names, ready to run.
#[derive(Debug, Clone)]
pub struct Job {
    /// What the job file says.
    pub file: JobFile,
    /// The job file as read, for its digest.
    pub source: Arc<Source>,
    /// The folder that its paths are told from.
    pub folder: PathBuf,
    /// One picture each, in the roster's order; of a row with several frames all of them.
    pub tasks: Vec<Task>,
    /// Rows of which no frame is chosen.
    pub undecided: Vec<Undecided>,
    /// Rows whose frame is not there; noted as errors, the others can still be finished.
    pub missing: Vec<Sitter>,
    /// Frames that no row names, by path.
    pub unlisted: Vec<String>,
    /// Recipes that the tasks' recipes build on, by path.
    pub bases: Vec<String>,
}

/// One person's picture.
#[derive(Debug, Clone)]
pub struct Task {
    /// The row; a second picture's `file_name` has a number behind it.
    pub sitter: Sitter,
    /// The row's `file_name` as written.
    pub row_name: String,
    /// Path of the frame.
    pub frame: String,
    /// Path of the recipe.
    pub recipe_path: String,
    /// The recipe with this frame's touch-ups.
    pub recipe: Recipe,
    /// Whether it shall be finished: the only frame of its row, or one that was picked.
    pub chosen: bool,
    /// How the BLAKE3 of the frame that was picked begins, where the picks file says so.
    pub picked: Option<String>,
}

/// A row of the roster of which no frame is chosen.
#[derive(Debug, Clone)]
pub struct Undecided {
    /// Whom it shows.
    pub person: String,
    /// How many frames there are to choose from.
    pub frames: usize,
    /// How many are marked `maybe`, and `no`.
    pub marked: [usize; 2],
    /// The row's frames in the roster.
    place: Place,
}

impl Undecided {
    /// Why nothing is finished, in words.
    pub fn reason(&self) -> String {
        let [maybe, no] = self.marked;
        let (frames, open) = (self.frames, self.frames - maybe - no);
        let marked = [
            (maybe, "marked maybe"),
            (no, "marked no"),
            (open, "not marked"),
        ];
        let counts: Vec<String> = marked
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, words)| format!("{count} {words}"))
            .collect();
        let of = match frames {
            1 => "its frame".to_owned(),
            _ => format!("any of {frames} frames"),
        };
        format!("nobody chose {of} ({})", counts.join(", "))
    }
}

impl Job {
    /// Reads a job with its roster, recipes and touch-ups and looks for its frames. `None` when a
    /// text has an error; a missing frame is noted as an error and listed, no more.
    pub fn load(path: &Path, notes: &mut Diagnostics) -> Option<Self> {
        let source = open(path, notes)?;
        Self::gather(source, notes)
    }

    fn gather(source: Arc<Source>, notes: &mut Diagnostics) -> Option<Self> {
        let errors = notes.errors();
        let file = JobFile::read(&source, notes)?;
        let at = |written: &str| located(&source.name, written);

        let roster_path = at(&file.roster.value);
        let roster = match input::bytes(Path::new(&roster_path), table::LONGEST) {
            Ok(bytes) => Roster::read(&roster_path, &bytes, notes),
            Err(error) => {
                cannot_read(&file.roster.place, "roster", &roster_path, &error, notes);
                None
            }
        };
        let frames = find_frames(&file.frames, &at, notes);
        let known = roster::Known::new(&frames);
        for frame in file.set.all() {
            if !Path::new(&at(&frame.value)).is_file() {
                let message = format!("there is no frame `{}`", frame.value);
                let Place { file, span } = &frame.place;
                notes.error(file, span.clone(), message).label("not found");
            }
        }
        let mut recipes = Recipes::default();
        let house = read_recipe(
            &at(&file.recipe.value),
            &file.recipe.place,
            &mut recipes,
            notes,
        );
        let (roster_source, roster) = roster?;

        let mut missing = Vec::new();
        let mut lost = Vec::new();
        let of_set: Vec<String> = file.set.all().map(|frame| at(&frame.value)).collect();
        let mut rows = Vec::new();
        for sitter in &roster.sitters {
            let found = candidates::find(&sitter.frame, &frames, &known, |path| {
                of_set.iter().any(|frame| frame == path)
            });
            match found {
                Ok(own) => rows.push((sitter.clone(), own)),
                Err((frame, reason)) => {
                    lost.push((sitter.place(&roster_source, "frame"), frame, reason));
                    missing.push(sitter.clone());
                }
            }
        }
        shared_frames(&rows, &frames, &roster_source, notes);
        let picks = match &file.picks {
            Some(written) => read_picks(
                &at(&written.value),
                &written.place,
                Rows {
                    found: &rows,
                    all: &roster.sitters,
                    frames: &frames,
                },
                notes,
            ),
            None => Picks::default(),
        };

        let (mut tasks, mut undecided, mut used) = (Vec::new(), Vec::new(), Vec::new());
        for (sitter, own) in rows {
            let place = |column| sitter.place(&roster_source, column);
            let (recipe_path, recipe) = match &sitter.recipe {
                None => (at(&file.recipe.value), house.clone()),
                Some(own) => {
                    let path = at(own);
                    let recipe = read_recipe(&path, &place("recipe"), &mut recipes, notes);
                    (path, recipe)
                }
            };
            let recipe = match (&sitter.touch_ups, recipe) {
                (Some(own), recipe) => {
                    let touch_ups = read_touch_ups(&at(own), &place("touch_ups"), notes);
                    let recipe = recipe
                        .zip(touch_ups)
                        .and_then(|(r, t)| r.with(&t.edits, notes));
                    let place = place("touch_ups");
                    recipe.and_then(|r| with_pictures(r, &at(own), &place, &mut recipes, notes))
                }
                (None, recipe) => recipe,
            };
            used.extend(&own);
            let choice = |index: usize| picks.on(&sitter, index).map(|pick| pick.choice);
            // The only frame of a row needs no word; one of several does.
            let alone = (own.len() == 1).then_some(Choice::Yes);
            let chosen = |&index: &usize| choice(index).or(alone) == Some(Choice::Yes);
            let marked = |wanted| own.iter().filter(|&&at| choice(at) == Some(wanted)).count();
            if !own.iter().any(chosen) {
                undecided.push(Undecided {
                    person: sitter.person.clone(),
                    frames: own.len(),
                    marked: [marked(Choice::Maybe), marked(Choice::No)],
                    place: place("frame"),
                });
            }
            let Some(recipe) = recipe else { continue };
            let row_name = sitter.file_name.clone();
            let mut number = 0;
            for index in &own {
                let chosen = chosen(index);
                let pick = picks.on(&sitter, *index);
                let picked = pick.and_then(|pick| pick.picture.clone());
                let mut sitter = sitter.clone();
                number += usize::from(chosen);
                if chosen && number > 1 {
                    // A second picture of one row needs a name of its own.
                    sitter.file_name += &format!("-{number}");
                }
                tasks.push(Task {
                    sitter,
                    row_name: row_name.clone(),
                    frame: frames[*index].clone(),
                    recipe_path: recipe_path.clone(),
                    recipe: recipe.clone(),
                    chosen,
                    picked,
                });
            }
        }
        // Missing frames do not stop a job; all other errors so far do.
        let sound = notes.errors() == errors;
        for (index, (place, frame, reason)) in lost.into_iter().enumerate() {
            let near = frames.iter().map(|path| file_name(path));
            let note = notes.error(
                &place.file,
                place.span,
                format!("the frame `{frame}` {reason}"),
            );
            // Every row against every file takes minutes in a large office, and of so many
            // mistakes most are not shown.
            match nearest(&frame, near).filter(|_| index < GUESSED) {
                Some(near) => note.label(format!("did you mean `{near}`?")),
                None => note.label("in this row"),
            };
            note.help(match &file.frames {
                Frames::Folder(folder) if frames.is_empty() => {
                    format!("no frame is in `{}` yet: put the raws there", folder.value)
                }
                Frames::Folder(folder) => format!(
                    "write the name of a file in `{}`, with or without its ending",
                    folder.value
                ),
                Frames::List(_) => "write one of the job's `frames`, or add it there".to_owned(),
            });
        }
        if !sound {
            return None;
        }
        let unlisted = frames
            .iter()
            .enumerate()
            .filter(|(index, path)| !used.contains(index) && !of_set.contains(path))
            .filter(|(_, path)| is_frame(path))
            .map(|(_, path)| path.clone())
            .collect();
        let folder = Path::new(&source.name)
            .parent()
            .unwrap_or(Path::new(""))
            .to_path_buf();
        Some(Self {
            file,
            source,
            folder,
            tasks,
            undecided,
            missing,
            unlisted,
            bases: recipes
                .bases
                .into_inner()
                .iter()
                .chain(recipes.pictures.paths())
                .cloned()
                .collect(),
        })
    }

    /// Notes each row of which no frame is chosen, with what to do about it.
    pub fn note_undecided(&self, notes: &mut Diagnostics) {
        for row in &self.undecided {
            let Place { file, span } = &row.place;
            let message = format!("{}: {}", row.person, row.reason());
            let help = match &self.file.picks {
                _ if row.marked[1] == row.frames => {
                    "every frame is refused: take another one, or the row out".to_owned()
                }
                None => {
                    "make a gallery with `lapel proof JOB`, and name the file with the choices \
                         in the job: `picks: \"picks.csv\"`"
                        .to_owned()
                }
                Some(picks) => format!(
                    "the choices are read from `{}`: mark one frame `yes` there",
                    self.at(&picks.value)
                ),
            };
            notes
                .error(file, span.clone(), message)
                .label("not finished")
                .help(help);
        }
    }

    /// A path that the job file or roster names, as a path from where the program runs.
    pub fn at(&self, written: &str) -> String {
        located(&self.source.name, written)
    }
}

/// What a text file turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A look.
    Recipe,
    /// A job; what it names was checked too.
    Job,
    /// Changes for one frame.
    TouchUps,
    /// Who is on which frame.
    Roster,
    /// Who chose which frames.
    Picks,
}

/// Reads a recipe, job, roster, picks or touch-ups and notes every mistake. `None` when it is none of
/// them.
pub fn check(path: &Path, notes: &mut Diagnostics) -> Option<Kind> {
    if is_table(path) {
        let name = path.to_string_lossy();
        match input::bytes(path, table::LONGEST) {
            Ok(bytes) if picks::is_picks(&bytes) => {
                picks::check(&name, &bytes, notes);
                return Some(Kind::Picks);
            }
            Ok(bytes) => drop(Roster::read(&name, &bytes, notes)),
            Err(error) => {
                let source = Source::new(name, "");
                notes.error(&source, None, format!("the table cannot be read: {error}"));
            }
        }
        return Some(Kind::Roster);
    }
    let source = open(path, notes)?;
    // Only to see what it is: mistakes are noted by who reads it.
    let Some(tree) = tree::parse(&source, &mut Diagnostics::default()) else {
        tree::parse(&source, notes);
        return None;
    };
    match &tree.value {
        Value::Group(Group {
            name: Some("Recipe"),
            ..
        }) => {
            if let Some(recipe) = whole_recipe(&source, notes) {
                advise(&recipe, notes);
            }
            Some(Kind::Recipe)
        }
        Value::Group(Group {
            name: Some("Job"), ..
        }) => {
            if let Some(job) = Job::gather(Arc::clone(&source), notes) {
                // Names of files and the past delivery are the plan's to judge.
                Plan::of(&job, notes);
                advise_all(&job, notes);
            }
            Some(Kind::Job)
        }
        Value::Group(Group {
            name: Some("TouchUps"),
            ..
        }) => {
            TouchUps::read(&source, notes);
            Some(Kind::TouchUps)
        }
        _ => {
            let mut reader = Reader {
                source: Arc::clone(&source),
                notes,
            };
            let start = tree.span.start;
            let found = tree.found(&source.text);
            reader
                .error(start..start + 1, format!("expected a recipe, a job or touch-ups, found {found}"))
                .help("they begin with `Recipe(`, `Job(` or `TouchUps(`; a roster's name ends with .csv");
            None
        }
    }
}

/// Advice on every recipe of a job; what two people's recipes share is told once.
fn advise_all(job: &Job, notes: &mut Diagnostics) {
    let mut told = BTreeSet::new();
    for task in &job.tasks {
        let mut own = Diagnostics::default();
        advise(&task.recipe, &mut own);
        for one in own.sorted() {
            if told.insert(one.to_string()) {
                notes.repeat(one);
            }
        }
    }
}

/// Why a file was not laid out.
#[derive(Debug, thiserror::Error)]
pub enum TidyError {
    /// Its text has mistakes, which were noted.
    #[error("the text has mistakes")]
    Text,
    /// It cannot be written.
    #[error("{0}")]
    Write(#[from] atomic::Error),
}

/// Brings a recipe, job or touch-ups file into the one layout, or only says whether it would
/// change. The file appears whole or not at all.
///
/// # Errors
/// When its text has mistakes, or it cannot be written.
pub fn tidy(path: &Path, write: bool, notes: &mut Diagnostics) -> Result<bool, TidyError> {
    let text = open(path, notes).and_then(|source| Some((laid_out(&source, notes)?, source)));
    let (text, source) = text.ok_or(TidyError::Text)?;
    let changed = text != source.text;
    if changed && write {
        atomic::write(path, text.as_bytes(), &atomic::Originals::default())?;
    }
    Ok(changed)
}

/// Reads a recipe file with all it builds on.
pub fn open_recipe(path: &Path, notes: &mut Diagnostics) -> Option<Recipe> {
    let source = open(path, notes)?;
    whole_recipe(&source, notes)
}

/// A recipe with the pictures that it names.
fn whole_recipe(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<Recipe> {
    let mut recipe = Recipe::read(&source.name, &source.text, &load, notes)?;
    match Pictures::default().read_into(&mut recipe, &source.name) {
        Ok(()) => Some(recipe),
        Err(reasons) => {
            for reason in reasons {
                notes.error(source, None, reason);
            }
            None
        }
    }
}

/// A path told from the folder of a file, as a path from where the program runs.
fn located(file: &str, written: &str) -> String {
    if Path::new(written).is_absolute() {
        written.to_owned()
    } else {
        beside(file, written)
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

fn is_frame(path: &str) -> bool {
    let ending = path.rsplit('.').next().unwrap_or("").to_ascii_lowercase();
    FRAME_ENDINGS.contains(&ending.as_str())
}

/// The text of a file for `builds_on`.
fn load(path: &str) -> Result<String, String> {
    read_text(Path::new(path)).map_err(|error| error.to_string())
}

/// A text file with its name; notes when it cannot be read.
fn open(path: &Path, notes: &mut Diagnostics) -> Option<Arc<Source>> {
    let name = path.to_string_lossy();
    let nameless = Source::new(name.clone(), "");
    if is_table(path) {
        notes
            .error(
                &nameless,
                None,
                "this is a table, where a recipe or a job is needed",
            )
            .help("name the job that names this table, or read the table alone with `lapel check`");
        return None;
    }
    match read_text(path) {
        Ok(text) => Some(Source::new(name, text)),
        Err(error) => {
            let note = notes.error(&nameless, None, format!("the file cannot be read: {error}"));
            if path.is_file() && is_frame(&name) {
                note.help(
                    "this is a picture, where a text is needed; `lapel preview RECIPE FRAME` shows one",
                );
            }
            None
        }
    }
}

/// Whether a file is named as a table: a roster or picks.
fn is_table(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("csv"))
}

fn read_text(path: &Path) -> Result<String, Error> {
    input::text(path, tree::LONGEST)
}

fn cannot_read(place: &Place, what: &str, path: &str, error: &Error, notes: &mut Diagnostics) {
    notes
        .error(
            &place.file,
            place.span.clone(),
            format!("the {what} cannot be read: {error}"),
        )
        .label("named here")
        .help(format!("looked for `{path}`"));
}

/// Recipes of a job, each read once.
#[derive(Default)]
struct Recipes {
    /// By path; `None` for one with mistakes, which were noted when it was read.
    known: BTreeMap<String, Option<Recipe>>,
    /// What they build on.
    bases: RefCell<BTreeSet<String>>,
    /// The pictures that they name.
    pictures: Pictures,
}

fn read_recipe(
    path: &str,
    place: &Place,
    recipes: &mut Recipes,
    notes: &mut Diagnostics,
) -> Option<Recipe> {
    if let Some(recipe) = recipes.known.get(path) {
        return recipe.clone();
    }
    let load = |base: &str| {
        recipes.bases.borrow_mut().insert(base.to_owned());
        load(base)
    };
    let recipe = match read_text(Path::new(path)) {
        Ok(text) => Recipe::read(path, &text, &load, notes),
        Err(error) => {
            cannot_read(place, "recipe", path, &error, notes);
            None
        }
    };
    let recipe = recipe.and_then(|recipe| with_pictures(recipe, path, place, recipes, notes));
    recipes.known.insert(path.to_owned(), recipe.clone());
    recipe
}

/// A recipe with the pictures that it names read; `None` when one cannot be, which is noted at `place`.
fn with_pictures(
    mut recipe: Recipe,
    path: &str,
    place: &Place,
    recipes: &mut Recipes,
    notes: &mut Diagnostics,
) -> Option<Recipe> {
    match recipes.pictures.read_into(&mut recipe, path) {
        Ok(()) => Some(recipe),
        Err(reasons) => {
            for reason in reasons {
                notes.error(&place.file, place.span.clone(), reason);
            }
            None
        }
    }
}

/// Notes a frame that rows name for two people, where the roster's own check cannot see it since it
/// is written in two ways.
fn shared_frames(
    rows: &[(Sitter, Vec<usize>)],
    frames: &[String],
    roster: &Arc<Source>,
    notes: &mut Diagnostics,
) {
    let mut owners: BTreeMap<usize, &Sitter> = BTreeMap::new();
    for (sitter, own) in rows {
        for index in own {
            let owner = owners.entry(*index).or_insert(sitter);
            if owner.person != sitter.person && owner.frame != sitter.frame {
                let frame = file_name(&frames[*index]);
                let Place { file, span } = sitter.place(roster, "frame");
                let message = format!("the frame `{frame}` is given to two people");
                notes
                    .error(&file, span, message)
                    .label(format!("line {} gives it to {}", owner.line, owner.person));
                // One of a range is enough.
                break;
            }
        }
    }
}

/// The picks in a file, or in all tables of a folder. One that is not there yet has no picks:
/// before anybody chose, galleries are made and frames are checked.
fn read_picks(path: &str, place: &Place, rows: Rows<'_>, notes: &mut Diagnostics) -> Picks {
    let mut picks = Picks::default();
    let mut files = vec![path.to_owned()];
    if let Ok(entries) = fs::read_dir(path) {
        let paths = entries.take(MOST_FILES).flatten().map(|entry| entry.path());
        files = paths
            .filter(|path| {
                path.extension()
                    .is_some_and(|ending| ending.eq_ignore_ascii_case("csv"))
            })
            .map(|path| path.to_string_lossy().into_owned())
            .collect();
        files.sort();
    }
    for file in files {
        match input::bytes(Path::new(&file), table::LONGEST) {
            Ok(bytes) => picks.add(&file, &bytes, rows, notes),
            Err(Error::Io(error)) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => cannot_read(place, "picks file", &file, &error, notes),
        }
    }
    picks
}

fn read_touch_ups(path: &str, place: &Place, notes: &mut Diagnostics) -> Option<TouchUps> {
    match read_text(Path::new(path)) {
        Ok(text) => TouchUps::read(&Source::new(path, text), notes),
        Err(error) => {
            cannot_read(place, "touch-ups file", path, &error, notes);
            None
        }
    }
}

/// Paths of all frames, sorted when they come from a folder.
fn find_frames(
    frames: &Frames,
    at: &dyn Fn(&str) -> String,
    notes: &mut Diagnostics,
) -> Vec<String> {
    let mut found = Vec::new();
    match frames {
        Frames::List(list) => {
            for frame in list {
                let path = at(&frame.value);
                if Path::new(&path).is_file() {
                    found.push(path);
                } else {
                    let message = format!("there is no frame `{}`", frame.value);
                    let Place { file, span } = &frame.place;
                    notes.error(file, span.clone(), message).label("not found");
                }
            }
        }
        Frames::Folder(folder) => {
            let path = at(&folder.value);
            let open = if path.is_empty() { "." } else { path.as_str() };
            let entries = match fs::read_dir(open) {
                Ok(entries) => entries,
                Err(error) => {
                    cannot_read(
                        &folder.place,
                        "folder of frames",
                        &path,
                        &error.into(),
                        notes,
                    );
                    return found;
                }
            };
            for entry in entries.take(MOST_FILES).flatten() {
                let name = entry.file_name().to_string_lossy().into_owned();
                if !name.starts_with('.') && entry.path().is_file() {
                    found.push(if path.is_empty() {
                        name
                    } else {
                        format!("{path}/{name}")
                    });
                }
            }
            found.sort();
        }
    }
    found
}
