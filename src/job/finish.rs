//! Walks a whole job: renders what is missing or changed, delivers it, keeps going past bad
//! frames, and tells what came of each.
//!
//! What a file depends on is summed up in one key (BLAKE3 over program version, frame, resolved
//! recipe, output, rights and roster row, reference frames). The key stands in the sidecar; a file
//! whose sidecar has the right key, and which is still the file the sidecar speaks of, is left alone.

use std::ops::ControlFlow;
use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock};

use serde::Serialize;

use crate::colour::output::Profile;
use crate::deliver::atomic::{self, Originals, sidecar_path};
use crate::deliver::contact_sheet::{Tile, contact_sheet};
use crate::deliver::encode::{self, Format, Pixels};
use crate::deliver::metadata::Metadata;
use crate::deliver::output::{self, Order};
use crate::deliver::preview_sheet::Sheet;
use crate::deliver::sidecar::{self, FrameNote, OutputNote, RecipeNote, RegionsNote, Sidecar};
use crate::engine::{self, Fineness, Finished, Set};
use crate::raw::{self, Frame, Limits};
use crate::regions::Attention;

use super::budget::Budget;
use super::plan::{Plan, Task};

/// The program as sidecars and keys name it.
pub const PROGRAM: &str = concat!("lapel ", env!("CARGO_PKG_VERSION"));

/// The contact sheet's name in the delivery folder.
pub(super) const SHEET: &str = "contact-sheet.jpg";

/// What is told of a frame on which this program stumbled.
const OUR_MISTAKE: &str = "this program made a mistake on it, shown above; please report it";

/// Long side of a contact sheet's tile in pixels.
const TILE: usize = 360;

/// How a run shall go.
#[derive(Debug, Clone, Copy)]
pub struct Manner<'a> {
    /// Render even what is there, and replace files that were edited since.
    pub again: bool,
    /// Bytes to stay within.
    pub memory: u64,
    /// Set from outside when the run shall stop at the next step.
    pub stop: &'a AtomicBool,
}

/// What happens, as it happens.
#[derive(Debug)]
pub enum Event<'a> {
    /// A frame is begun.
    Began(&'a Task),
    /// A frame is at this step.
    At(&'a Task, &'a str),
    /// A frame is done.
    Ended(&'a Task, &'a Outcome),
}

/// What came of one sitter's frame.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// The frame's file name.
    pub frame: String,
    /// Whom it shows.
    pub person: String,
    /// What was done.
    pub result: Done,
    /// Files written or found right, inside of the delivery folder.
    pub files: Vec<String>,
    /// Steps that this kind of frame could not take.
    pub unavailable: Vec<String>,
    /// Reasons for a person to look.
    pub attention: Vec<Attention>,
}

/// What was done for a frame.
#[derive(Debug, Clone, Serialize)]
pub enum Done {
    /// Everything was there already.
    Unchanged,
    /// So many files were written.
    Rendered(usize),
    /// Nothing, or not all, could be delivered; says why and what to do.
    Failed(String),
    /// The run was stopped before this frame was finished.
    Stopped,
}

/// Runs the plan. Outcomes come in the plan's order; a stopped run tells of every frame too.
pub fn finish(plan: &Plan, manner: Manner<'_>, watch: &(dyn Fn(Event<'_>) + Sync)) -> Vec<Outcome> {
    let delivery = &plan.deliver_to;
    let originals = plan.originals();
    if let Err(error) = atomic::prepare_folder(delivery) {
        return plan
            .wanted()
            .map(|task| failed(task, error.to_string()))
            .collect();
    }
    let set_digest = match digest_of_set(plan) {
        Ok(digest) => digest,
        Err(why) => {
            return plan
                .wanted()
                .map(|task| failed(task, why.clone()))
                .collect();
        }
    };
    let run = Run {
        plan,
        manner,
        originals: &originals,
        set: OnceLock::new(),
        set_digest,
        budget: Budget::new(manner.memory),
    };
    let tasks: Vec<&Task> = plan.wanted().collect();
    let next = AtomicUsize::new(0);
    let outcomes: Mutex<Vec<Option<Outcome>>> = Mutex::new(vec![None; tasks.len()]);
    std::thread::scope(|scope| {
        for _ in 0..rayon::current_num_threads().min(tasks.len()) {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(&task) = tasks.get(index) else { break };
                    let outcome = run.frame(task, watch);
                    watch(Event::Ended(task, &outcome));
                    outcomes
                        .lock()
                        .unwrap_or_else(|poisoned| poisoned.into_inner())[index] = Some(outcome);
                }
            });
        }
    });
    let outcomes = outcomes
        .into_inner()
        .unwrap_or_else(|poisoned| poisoned.into_inner());
    outcomes.into_iter().flatten().collect()
}

fn failed(task: &Task, why: String) -> Outcome {
    outcome(task, Done::Failed(why))
}

fn outcome(task: &Task, result: Done) -> Outcome {
    Outcome {
        frame: task.frame_name.clone(),
        person: task.sitter.person.clone(),
        result,
        files: Vec::new(),
        unavailable: Vec::new(),
        attention: Vec::new(),
    }
}

/// Reads and develops the set's reference frames, once.
fn prepare_set(plan: &Plan) -> Result<Set, String> {
    let mut set = Set::default();
    if let Some(path) = &plan.set.balance {
        let (frame, _) = open(path)?;
        set.reference = engine::Reference::of(&frame);
    }
    if let Some(path) = &plan.set.empty {
        let (frame, _) = open(path)?;
        let small = engine::empty_copy(&frame);
        set.empty = Some(small.map_err(|error| format!("{}: {error}", path.display()))?);
    }
    Ok(set)
}

/// What the reference frames add to every key.
fn digest_of_set(plan: &Plan) -> Result<String, String> {
    let mut text = String::new();
    for (part, path) in [("empty", &plan.set.empty), ("balance", &plan.set.balance)] {
        let Some(path) = path else { continue };
        let digest = digest_file(path).map_err(|error| format!("{}: {error}", path.display()))?;
        text += &format!("{part} {} ", digest.blake3);
    }
    Ok(text)
}

/// A frame and its digest.
pub fn open(path: &Path) -> Result<(Frame, FileDigest), String> {
    let bytes = std::fs::read(path).map_err(|error| {
        format!(
            "{}: {error}; check that the card or folder is there",
            path.display()
        )
    })?;
    let digest = FileDigest {
        bytes: bytes.len() as u64,
        blake3: hex(blake3::hash(&bytes)),
    };
    let name = path
        .file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let frame = raw::read(&bytes, &name, &Limits::default()).map_err(|error| error.to_string())?;
    Ok((frame, digest))
}

/// Length and BLAKE3 of a file.
#[derive(Debug, Clone)]
pub struct FileDigest {
    /// Length.
    pub bytes: u64,
    /// In hexadecimal.
    pub blake3: String,
}

fn hex(hash: blake3::Hash) -> String {
    hash.to_hex().to_string()
}

fn digest_file(path: &Path) -> std::io::Result<FileDigest> {
    let (bytes, blake3) = atomic::digest(path)?;
    Ok(FileDigest { bytes, blake3 })
}

struct Run<'a> {
    plan: &'a Plan,
    manner: Manner<'a>,
    originals: &'a Originals,
    /// Read when the first frame needs it: a run with nothing to do reads no picture.
    set: OnceLock<Result<Set, String>>,
    set_digest: String,
    budget: Budget,
}

/// What stands where an output shall come.
enum Standing {
    /// Nothing.
    Missing,
    /// The very file.
    Right,
    /// Ours, but from other inputs.
    Outdated,
    /// Not ours, or edited since.
    Foreign,
}

impl Run<'_> {
    fn stopped(&self) -> bool {
        self.manner.stop.load(Ordering::Relaxed)
    }

    fn frame(&self, task: &Task, watch: &(dyn Fn(Event<'_>) + Sync)) -> Outcome {
        if self.stopped() {
            return outcome(task, Done::Stopped);
        }
        watch(Event::Began(task));
        // A mistake of ours on one frame shall not cost the others their night.
        match panic::catch_unwind(AssertUnwindSafe(|| self.try_frame(task, watch))) {
            Ok(Ok(outcome)) => outcome,
            Ok(Err(_)) if self.stopped() => outcome(task, Done::Stopped),
            Ok(Err(why)) => failed(task, why),
            Err(_) => failed(task, format!("{}: {OUR_MISTAKE}", task.frame.display())),
        }
    }

    fn try_frame(
        &self,
        task: &Task,
        watch: &(dyn Fn(Event<'_>) + Sync),
    ) -> Result<Outcome, String> {
        let told = |error: std::io::Error| format!("{}: {error}", task.frame.display());
        let digest = digest_file(&task.frame).map_err(told)?;
        let mut wanted = Vec::new();
        let mut foreign = Vec::new();
        let mut done = outcome(task, Done::Unchanged);
        for order in &task.outputs {
            let key = self.key(task, order, &digest);
            let path = self.plan.deliver_to.join(&order.file);
            match self.standing(&path, &key)? {
                Standing::Right if !self.manner.again => done.files.push(order.file.clone()),
                Standing::Foreign if !self.manner.again => {
                    foreign.push(path.display().to_string());
                }
                _ => wanted.push((order, key, path)),
            }
        }
        // One file that somebody works on shall not keep back the frame's others.
        let foreign = (!foreign.is_empty()).then(|| {
            format!(
                "{}: a file stands there that this program did not write, or that was edited since; \
                 move it away, or let it be replaced with --again",
                foreign.join(", ")
            )
        });
        if wanted.is_empty() {
            // What an earlier run wrote down is as true now.
            if let Some(sidecar) = done.files.first().and_then(|file| self.sidecar_of(file)) {
                done.unavailable = sidecar.unavailable;
                done.attention = sidecar.attention;
            }
            if let Some(why) = foreign {
                done.result = Done::Failed(why);
            }
            return Ok(done);
        }
        let bytes = std::fs::read(&task.frame).map_err(told)?;
        let frame = raw::read(&bytes, &task.frame_name, &Limits::default())
            .map_err(|error| error.to_string())?;
        drop(bytes);
        // The need is known only from the opened frame; its samples are part of it.
        let share = self.budget.take(engine::memory_needed(&frame));
        let set = self
            .set
            .get_or_init(|| prepare_set(self.plan))
            .as_ref()
            .map_err(String::clone)?;
        let finished = engine::render(&frame, &task.recipe, set, Fineness::Full, |step, _| {
            watch(Event::At(
                task,
                step.map_or("developed", |step| step.operation.name()),
            ));
            if self.stopped() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
        .map_err(|error| format!("{}: {error}", task.frame.display()))?;
        let note = FrameNote::new(&task.frame_name, digest.bytes, digest.blake3, &frame);
        let exif = note.exif.clone();
        drop(frame);
        let written = wanted.len();
        for (order, key, path) in wanted {
            watch(Event::At(task, &order.name));
            let made = output::make(&finished, order, &exif).map_err(|error| error.to_string())?;
            let sidecar = self.sidecar(task, order, key, &note, &finished, &made);
            atomic::write_with_sidecar(&path, &made.file, &sidecar, self.originals)
                .map_err(|error| error.to_string())?;
            done.files.push(order.file.clone());
        }
        drop(share);
        done.result = foreign.map_or(Done::Rendered(written), Done::Failed);
        done.unavailable = finished
            .unavailable
            .iter()
            .map(ToString::to_string)
            .collect();
        done.attention = finished.attention;
        Ok(done)
    }

    fn key(&self, task: &Task, order: &Order, frame: &FileDigest) -> String {
        let mut hasher = blake3::Hasher::new();
        let parts: [&str; 6] = [
            PROGRAM,
            &frame.blake3,
            &task.canonical_recipe,
            &order.canonical(),
            &self.set_digest,
            &task.frame_name,
        ];
        for part in parts {
            // Lengths keep two neighbours from passing for another pair.
            hasher.update(&(part.len() as u64).to_le_bytes());
            hasher.update(part.as_bytes());
        }
        hex(hasher.finalize())
    }

    fn standing(&self, path: &Path, key: &str) -> Result<Standing, String> {
        let beside = sidecar_path(path);
        let sidecar = read_sidecar(&beside);
        if !path.exists() {
            // Nothing of ours is named so and reads otherwise.
            let foreign = beside.exists() && sidecar.is_none();
            return Ok(if foreign {
                Standing::Foreign
            } else {
                Standing::Missing
            });
        }
        let Some(sidecar) = sidecar else {
            return Ok(Standing::Foreign);
        };
        let now = digest_file(path).map_err(|error| format!("{}: {error}", path.display()))?;
        let same = now.blake3 == sidecar.output.blake3_file;
        Ok(match (sidecar.key == key, same) {
            (true, true) => Standing::Right,
            (false, true) => Standing::Outdated,
            // What a killed run left half in place was put right before (`atomic`).
            (_, false) => Standing::Foreign,
        })
    }

    fn sidecar_of(&self, file: &str) -> Option<Sidecar> {
        read_sidecar(&sidecar_path(&self.plan.deliver_to.join(file)))
    }

    fn sidecar(
        &self,
        task: &Task,
        order: &Order,
        key: String,
        note: &FrameNote,
        finished: &Finished,
        made: &output::Made,
    ) -> Sidecar {
        Sidecar {
            format: sidecar::FORMAT,
            program: PROGRAM.to_owned(),
            key,
            frame: note.clone(),
            person: task.sitter.person.clone(),
            job: self.plan.job_digest.clone(),
            recipe: RecipeNote {
                name: task.recipe.name.clone(),
                blake3: hex(blake3::hash(task.canonical_recipe.as_bytes())),
                resolved: task.canonical_recipe.clone(),
            },
            development: finished.development.clone(),
            regions: RegionsNote::new(finished),
            steps: finished.steps.clone(),
            unavailable: finished
                .unavailable
                .iter()
                .map(ToString::to_string)
                .collect(),
            placement: finished.placement,
            output: OutputNote {
                output: order.name.clone(),
                file: order.file.clone(),
                size: made.size,
                profile: order.profile.description().to_owned(),
                encoding: order.format.to_string(),
                blake3_pixels: made.blake3_pixels.clone(),
                blake3_file: hex(blake3::hash(&made.file)),
            },
            attention: finished.attention.clone(),
        }
    }
}

fn read_sidecar(path: &Path) -> Option<Sidecar> {
    let text = std::fs::read_to_string(path).ok()?;
    Sidecar::from_text(&text).ok()
}

/// Makes the contact sheet of everybody whose picture is delivered, by this run or an earlier one;
/// `None` when nobody's is.
///
/// # Errors
/// When it cannot be written.
pub fn sheet(plan: &Plan) -> Result<Option<PathBuf>, String> {
    let mut tiles = Vec::new();
    for task in &plan.tasks {
        let Some(order) = task.outputs.first() else {
            continue;
        };
        let path = plan.deliver_to.join(&order.file);
        let Some(sidecar) = read_sidecar(&sidecar_path(&path)) else {
            continue;
        };
        // What was edited since may show anything, or be no picture.
        if !digest_file(&path).is_ok_and(|now| now.blake3 == sidecar.output.blake3_file) {
            continue;
        }
        let (frame, _) = open(&path)?;
        let Frame::Finished(finished) = frame else {
            continue;
        };
        let (pixels, size) = output::thumbnail(&finished.picture, TILE);
        tiles.push(Tile {
            pixels,
            size,
            name: task.sitter.person.clone(),
        });
    }
    if tiles.is_empty() {
        return Ok(None);
    }
    // About as wide as high, as tiles are higher than wide.
    let columns = ((tiles.len() as f64 * 1.4).sqrt().ceil() as usize).clamp(1, 12);
    let (pixels, size) = contact_sheet(&tiles, columns);
    let metadata = Metadata {
        client: plan.client.clone(),
        program: PROGRAM.to_owned(),
        ..Metadata::default()
    };
    let format = Format::Jpeg { quality: 88 };
    let icc = Profile::Srgb.icc();
    let file = encode::encode(Pixels::Eight(pixels), size, format, &icc, &metadata)
        .map_err(|error| error.to_string())?;
    let path = plan.deliver_to.join(SHEET);
    match std::fs::read(&path) {
        Ok(before) if before == file => return Ok(Some(path)),
        Ok(before) if !is_our_sheet(&before) => {
            return Err(format!(
                "{}: a file stands there that this program did not write; move it away",
                path.display()
            ));
        }
        _ => {}
    }
    atomic::write(&path, &file, &plan.originals()).map_err(|error| error.to_string())?;
    Ok(Some(path))
}

/// Whether a file says of itself that this program wrote it. A contact sheet has no sidecar that
/// could say so.
fn is_our_sheet(file: &[u8]) -> bool {
    let exif = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(file));
    let program = exif.ok().and_then(|exif| {
        let field = exif.get_field(exif::Tag::Software, exif::In::PRIMARY)?;
        match &field.value {
            exif::Value::Ascii(texts) => texts.first().cloned(),
            _ => None,
        }
    });
    program.is_some_and(|program| program.starts_with(b"lapel "))
}

/// Writes a sheet as PNG, never over one of the files it was made from.
///
/// # Errors
/// When it cannot be written; says why and what to do.
pub fn write_png(to: &Path, sheet: &Sheet, inputs: &[&Path]) -> Result<(), String> {
    let originals = Originals::new(
        &inputs
            .iter()
            .map(|path| path.to_path_buf())
            .collect::<Vec<_>>(),
    );
    let pixels = Pixels::Eight(sheet.pixels.clone());
    let icc = Profile::Srgb.icc();
    let png = encode::encode(
        pixels,
        sheet.size,
        Format::Png { bits: 8 },
        &icc,
        &Metadata::default(),
    );
    let png = png.map_err(|error| error.to_string())?;
    atomic::write(to, &png, &originals).map_err(|error| error.to_string())
}
