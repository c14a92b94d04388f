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
use std::sync::{Mutex, OnceLock, PoisonError};

use serde::Serialize;

use crate::colour::output::Profile;
use crate::deliver::atomic::{self, Originals, sidecar_path};
use crate::deliver::encode;
use crate::deliver::natural::Natural;
use crate::deliver::output::{self, Order};
use crate::deliver::preview_sheet::Sheet;
use crate::deliver::sidecar::{
    self, FrameNote, Looks, OutputNote, RecipeNote, RegionsNote, Sidecar,
};
use crate::engine::{self, Fineness, Finished, Matching, Set, Shown, Target};
use crate::measure;
use crate::operations::canvas::Canvas;
use crate::picture::Rect;
use crate::raw::{self, Frame, Limits, Private};
use crate::recipe::Step;
use crate::regions::Attention;
use crate::sensor::chart::{self, Chart, ChartProfile};

use super::Error;
use super::budget::Budget;
use super::input;
use super::plan::{Plan, Task};
use super::seen::Seen;
use super::verify::{Verdict, Verdicts};

/// The program as sidecars and keys name it.
pub const PROGRAM: &str = concat!("lapel ", env!("CARGO_PKG_VERSION"));

/// What is told of a frame on which this program stumbled.
pub(super) const OUR_MISTAKE: &str =
    "this program made a mistake on it, shown above; please report it";

/// Outputs of a frame that are made at a time: while one is encoded or brought to the disk, which
/// takes one thread, the other is resampled. More would need more memory than rendering did.
const OUTPUTS: usize = 2;

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
    /// A frame has this step behind it.
    Past(&'a Task, &'a str),
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
    /// How far retouching moved the sitter, where skin was retouched.
    pub natural: Option<Natural>,
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
    let seen = Seen::of(delivery);
    let set_digest = match digest_of_set(plan, &seen) {
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
        seen,
    };
    let tasks: Vec<&Task> = plan.wanted().collect();
    let outcomes = side_by_side(&tasks, workers(&run.budget), |&task| {
        let outcome = run.frame(task, watch);
        watch(Event::Ended(task, &outcome));
        outcome
    });
    run.seen.keep(delivery);
    outcomes
}

/// Files that stand there but were made before something changed that they depend on.
///
/// # Errors
/// When a frame that is there cannot be read.
pub fn outdated(plan: &Plan) -> Result<Verdicts, String> {
    let seen = Seen::of(&plan.deliver_to);
    let set = digest_of_set(plan, &seen)?;
    let mut verdicts = Verdicts::new();
    for task in plan.wanted() {
        let digest = seen
            .digest(&task.frame)
            .map_err(|error| unreadable(&task.frame, &error.into()))?;
        for order in &task.outputs {
            let path = plan.deliver_to.join(&order.file);
            let current = read_sidecar(&sidecar_path(&path))
                .is_none_or(|sidecar| sidecar.key == key(task, order, &digest, &set));
            let verdict = match (path.exists(), current) {
                (false, _) => Verdict::Missing,
                (true, false) => Verdict::Outdated,
                (true, true) => Verdict::Right,
            };
            verdicts.insert(order.file.clone(), verdict);
        }
    }
    Ok(verdicts)
}

/// Renders everything that is delivered again, without writing anything, and says of each file
/// whether it is the same to the byte.
///
/// # Errors
/// When the set's reference frames cannot be read.
pub fn render_again(
    plan: &Plan,
    manner: Manner<'_>,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<Verdicts, String> {
    // Proof reads everything, whatever was seen before.
    let seen = Seen::default();
    let originals = plan.originals();
    let run = Run {
        plan,
        manner,
        originals: &originals,
        set: OnceLock::new(),
        set_digest: digest_of_set(plan, &seen)?,
        budget: Budget::new(manner.memory),
        seen,
    };
    let tasks: Vec<&Task> = plan.wanted().collect();
    let verdicts = side_by_side(&tasks, workers(&run.budget), |&task| {
        watch(Event::Began(task));
        let verdicts = run.again(task, watch);
        watch(Event::Ended(task, &outcome(task, Done::Unchanged)));
        verdicts
    });
    Ok(verdicts.into_iter().flatten().collect())
}

/// How many frames are worked on side by side: no more than `budget` can hold. A worker that waits
/// would hold an opened frame, and what each of them frees its allocator keeps apart from the others.
pub(super) fn workers(budget: &Budget) -> usize {
    budget
        .holds(engine::LEAST_MEMORY)
        .min(rayon::current_num_threads())
}

/// Does `work` for each of `items` on up to `threads` threads of their own, which share the pool's for
/// what is shared inside; results come in the items' order.
pub(super) fn side_by_side<T: Sync, R: Send>(
    items: &[T],
    threads: usize,
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<Option<R>>> = Mutex::new(items.iter().map(|_| None).collect());
    std::thread::scope(|scope| {
        for _ in 0..threads.min(items.len()) {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = items.get(index) else { break };
                    let result = work(item);
                    results.lock().unwrap_or_else(PoisonError::into_inner)[index] = Some(result);
                }
            });
        }
    });
    let results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    results.into_iter().flatten().collect()
}

/// How far retouching moved the sitter.
fn natural(finished: &Finished, task: &Task) -> Option<Natural> {
    Natural::of(finished, &task.recipe.steps, |one, other| {
        measure::delta_e_2000(measure::lab(one), measure::lab(other))
    })
}

pub(super) fn failed(task: &Task, why: String) -> Outcome {
    outcome(task, Done::Failed(why))
}

pub(super) fn outcome(task: &Task, result: Done) -> Outcome {
    Outcome {
        frame: task.frame_name.clone(),
        person: task.sitter.person.clone(),
        result,
        files: Vec::new(),
        unavailable: Vec::new(),
        natural: None,
        attention: Vec::new(),
    }
}

/// Reads and develops the set's reference frames, once.
pub(super) fn prepare_set(plan: &Plan) -> Result<Set, String> {
    let mut set = Set::default();
    if let Some(path) = &plan.set.chart {
        chart_reference(path, &mut set)?;
    } else if let Some(path) = &plan.set.reference {
        let (frame, _) = open(path)?;
        set.reference = engine::Reference::of(&frame);
    }
    if let Some(path) = &plan.set.empty {
        let (frame, _) = open(path)?;
        let small = engine::empty_copy(&frame);
        set.empty = Some(small.map_err(|error| format!("{}: {error}", path.display()))?);
        let defects = engine::defects_of(&frame);
        set.empty_defects = defects.map_err(|error| format!("{}: {error}", path.display()))?;
    }
    if let Some((path, matching)) = plan.set.wall().zip(plan.matching) {
        let (frame, _) = open(path)?;
        let empty = plan.set.reference.is_none();
        let target = Target::of(&frame, empty, matching);
        let target = target.map_err(|error| format!("{}: {error}", path.display()))?;
        set.target = Some(target.ok_or_else(|| {
            format!(
                "{}: frames cannot be matched to it: it is no camera raw, or shows no backdrop; \
                 name another `reference` in the job's `set`, or leave `match` out",
                path.display()
            )
        })?);
    }
    Ok(set)
}

/// What the reference frames add to every key.
pub(super) fn digest_of_set(plan: &Plan, seen: &Seen) -> Result<String, String> {
    let mut text = String::new();
    let set = &plan.set;
    let parts = [
        ("empty", &set.empty),
        ("chart", &set.chart),
        ("reference", &set.reference),
    ];
    for (part, path) in parts {
        let Some(path) = path else { continue };
        let digest = seen
            .digest(path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        text += &format!("{part} {} ", digest.blake3);
    }
    if let Some((path, matching)) = plan.set.wall().zip(plan.matching) {
        let digest = seen
            .digest(path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        let Matching { exposure, white } = matching;
        text += &format!("match {} exposure {exposure} white {white} ", digest.blake3);
    }
    Ok(text)
}

/// Longest profile file that is read, in bytes.
const LONGEST_PROFILE: usize = 100_000;

/// What the profile in a file says, or the one that a frame of a colour chart gives; where no chart
/// is found in the frame, what its camera noted, which every frame then tells.
fn chart_reference(path: &Path, set: &mut Set) -> Result<(), String> {
    let told = |why: String| format!("{}: {why}", path.display());
    if path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("ron"))
    {
        let text = input::text(path, LONGEST_PROFILE).map_err(|error| told(error.to_string()))?;
        let profile = ChartProfile::from_text(&text).map_err(told)?;
        set.reference = Some(engine::Reference::from(&profile));
        return Ok(());
    }
    let (frame, _) = open(path)?;
    let chart = match &frame {
        Frame::Sensor(sensor) => chart::read_chart(sensor).ok(),
        Frame::Finished(_) => None,
    };
    set.chart_unread = chart.is_none();
    set.reference = match chart {
        Some(chart) => Some(engine::Reference::from(&chart.profile)),
        None => engine::Reference::of(&frame),
    };
    Ok(())
}

/// Reads a frame of a colour chart.
pub fn read_chart(path: &Path) -> Result<Chart, String> {
    let told = |why: String| format!("{}: {why}", path.display());
    match open(path)?.0 {
        Frame::Sensor(sensor) => {
            chart::read_chart(&sensor).map_err(|error| told(error.to_string()))
        }
        Frame::Finished(_) => Err(told(
            "a colour chart is read from a raw file, not from a finished picture".to_owned(),
        )),
    }
}

/// A frame and its digest.
pub fn open(path: &Path) -> Result<(Frame, FileDigest), String> {
    let bytes =
        input::bytes(path, input::LONGEST_FRAME).map_err(|error| unreadable(path, &error))?;
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

/// What is told of a frame that the disk does not give.
fn unreadable(path: &Path, error: &Error) -> String {
    let remedy = match error {
        Error::Io(_) => "; check that the card or folder is there, then run again",
        _ => "",
    };
    format!("{}: {error}{remedy}", path.display())
}

/// Length and BLAKE3 of a file.
#[derive(Debug, Clone)]
pub struct FileDigest {
    /// Length.
    pub bytes: u64,
    /// In hexadecimal.
    pub blake3: String,
}

pub(super) fn hex(hash: blake3::Hash) -> String {
    hash.to_hex().to_string()
}

/// What a file depends on, as one digest.
fn key(task: &Task, order: &Order, frame: &FileDigest, set_digest: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    let parts: [&str; 6] = [
        PROGRAM,
        &frame.blake3,
        &task.canonical_recipe,
        &order.canonical(),
        set_digest,
        &task.frame_name,
    ];
    for part in parts {
        // Lengths keep two neighbours from passing for another pair.
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hex(hasher.finalize())
}

struct Run<'a> {
    plan: &'a Plan,
    manner: Manner<'a>,
    originals: &'a Originals,
    /// Read when the first frame needs it: a run with nothing to do reads no picture.
    set: OnceLock<Result<Set, String>>,
    set_digest: String,
    budget: Budget,
    seen: Seen,
}

/// A file that shall be made: what is ordered, its key, its place.
type Wanted<'t> = (&'t Order, String, PathBuf);

/// Parts of a frame that are rendered, each with the files that are made of it.
type Covers<'w, 't> = Vec<(Rect, Vec<(&'w Wanted<'t>, Shown)>)>;

/// Adds the reasons that are not there yet.
fn add_new(to: &mut Vec<Attention>, from: impl IntoIterator<Item = Attention>) {
    for reason in from {
        if !to.contains(&reason) {
            to.push(reason);
        }
    }
}

/// What is told of a rendered frame, and what became of each wanted file.
struct Rendered<R> {
    unavailable: Vec<String>,
    natural: Option<Natural>,
    attention: Vec<Attention>,
    files: Vec<Result<R, String>>,
}

/// What stands where an output shall come.
enum Standing {
    /// Nothing.
    Missing,
    /// The very file, with what its sidecar says.
    Right(Box<Sidecar>),
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
        let told = |error: std::io::Error| unreadable(&task.frame, &error.into());
        let digest = self.seen.digest(&task.frame).map_err(told)?;
        if let Some(picked) = &task.picked
            && !digest.blake3.starts_with(picked)
        {
            return Err(format!(
                "{}: this is not the picture that was chosen: the frame changed since its gallery was \
                 made; make the gallery again with `lapel proof` and ask anew",
                task.frame.display()
            ));
        }
        let mut wanted: Vec<Wanted<'_>> = Vec::new();
        let mut foreign = Vec::new();
        let mut done = outcome(task, Done::Unchanged);
        for order in &task.outputs {
            let key = key(task, order, &digest, &self.set_digest);
            let path = self.plan.deliver_to.join(&order.file);
            match self.standing(&path, &key)? {
                // What an earlier run wrote down is as true now.
                Standing::Right(sidecar) if !self.manner.again => {
                    done.files.push(order.file.clone());
                    done.unavailable = sidecar.unavailable;
                    done.natural = sidecar.natural;
                    add_new(&mut done.attention, sidecar.attention);
                }
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
            if let Some(why) = foreign {
                done.result = Done::Failed(why);
            }
            return Ok(done);
        }
        let written = wanted.len();
        let rendered = self.render(task, &digest, &wanted, watch, &|wanted, made, sidecar| {
            let (order, _, path) = wanted;
            atomic::write_with_sidecar(path, &made.file, &sidecar, self.originals)
                .map_err(|error| error.to_string())?;
            watch(Event::Past(task, &order.name));
            Ok(order.file.clone())
        })?;
        let Some(rendered) = rendered else {
            return Ok(outcome(task, Done::Stopped));
        };
        // One output that cannot be made keeps none of the others back.
        let mut failures: Vec<String> = foreign.into_iter().collect();
        for file in rendered.files {
            match file {
                Ok(file) => done.files.push(file),
                Err(why) => failures.push(why),
            }
        }
        done.natural = rendered.natural;
        done.result = if failures.is_empty() {
            Done::Rendered(written)
        } else {
            Done::Failed(failures.join("; "))
        };
        done.unavailable = rendered.unavailable;
        add_new(&mut done.attention, rendered.attention);
        Ok(done)
    }

    /// Renders a frame's files again and compares them with what stands there.
    fn again(&self, task: &Task, watch: &(dyn Fn(Event<'_>) + Sync)) -> Verdicts {
        let all = |verdict: Verdict| -> Verdicts {
            let files = task.outputs.iter().map(|order| order.file.clone());
            files.map(|file| (file, verdict)).collect()
        };
        let Ok(digest) = self.seen.digest(&task.frame) else {
            return all(Verdict::CannotRender);
        };
        let wanted: Vec<Wanted<'_>> = task
            .outputs
            .iter()
            .map(|order| {
                let path = self.plan.deliver_to.join(&order.file);
                (order, key(task, order, &digest, &self.set_digest), path)
            })
            .collect();
        let rendered = self.render(
            task,
            &digest,
            &wanted,
            watch,
            &|(order, _, path), made, _| {
                let same = std::fs::read(path).is_ok_and(|bytes| bytes == made.file);
                let verdict = if same {
                    Verdict::Right
                } else {
                    Verdict::RendersOtherwise
                };
                Ok((order.file.clone(), verdict))
            },
        );
        match rendered {
            Ok(Some(rendered)) => {
                let mut verdicts = all(Verdict::CannotRender);
                verdicts.extend(rendered.files.into_iter().flatten());
                verdicts
            }
            _ => all(Verdict::CannotRender),
        }
    }

    /// Renders a frame and hands each file of `wanted` to `take`, several at a time; `None` when the
    /// run was stopped.
    fn render<R: Send>(
        &self,
        task: &Task,
        digest: &FileDigest,
        wanted: &[Wanted<'_>],
        watch: &(dyn Fn(Event<'_>) + Sync),
        take: &(dyn Fn(&Wanted<'_>, output::Made, Sidecar) -> Result<R, String> + Sync),
    ) -> Result<Option<Rendered<R>>, String> {
        let bytes = input::bytes(&task.frame, input::LONGEST_FRAME)
            .map_err(|error| unreadable(&task.frame, &error))?;
        if hex(blake3::hash(&bytes)) != digest.blake3 {
            self.seen.forget(&task.frame);
            return Err(format!(
                "{}: it changed while it was read; run again once nothing writes to it any more",
                task.frame.display()
            ));
        }
        let frame = raw::read(&bytes, &task.frame_name, &Limits::default())
            .map_err(|error| error.to_string())?;
        let keeps = wanted
            .iter()
            .any(|(order, ..)| order.metadata.keep.anything());
        let private = if keeps {
            raw::private(&bytes)
        } else {
            Private::default()
        };
        drop(bytes);
        watch(Event::Past(task, "read"));
        // The need is known only from the opened frame; its samples are part of it.
        let share = self.budget.take(engine::memory_needed(&frame));
        let set = self
            .set
            .get_or_init(|| prepare_set(self.plan))
            .as_ref()
            .map_err(String::clone)?;
        let failed = |error: engine::Error| format!("{}: {error}", task.frame.display());
        let past = |step: &str| {
            watch(Event::Past(task, step));
            if self.stopped() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        };
        let found = engine::find(&frame, &task.recipe, set, engine::SMALL).map_err(failed)?;
        if past("regions").is_break() {
            return Ok(None);
        }
        let note = FrameNote::new(
            &task.frame_name,
            digest.bytes,
            digest.blake3.clone(),
            &frame,
        );
        let crop = found.placement.rect;
        let mut rendered = Rendered {
            unavailable: Vec::new(),
            natural: None,
            attention: found.attention.clone(),
            files: Vec::new(),
        };
        let mut covers: Covers<'_, '_> = Vec::new();
        for wanted in wanted {
            let (order, ..) = wanted;
            match found.shown(&order.shape, &order.name) {
                Ok(shown) => {
                    let cover = found.cover_for(&shown);
                    match covers.iter_mut().find(|(there, _)| *there == cover) {
                        Some((_, orders)) => orders.push((wanted, shown)),
                        None => covers.push((cover, vec![(wanted, shown)])),
                    }
                }
                Err(why) => rendered.files.push(Err(format!("`{}`: {why}", order.name))),
            }
        }
        // The crop last: most outputs show no more, and need memory that frame and copy then free.
        covers.sort_by_key(|(cover, _)| *cover == crop);
        let (mut frame, mut found) = (Some(frame), Some(found));
        let count = covers.len();
        for (index, (cover, orders)) in covers.into_iter().enumerate() {
            let last = index + 1 == count;
            let mut found_here = if last { found.take() } else { found.clone() }
                .expect("it is taken for the last cover only");
            found_here.cover = cover;
            let after = |step: Option<&Step>, _: &mut Canvas| {
                past(step.map_or("development", |step| step.operation.name()))
            };
            let opened = frame
                .as_ref()
                .expect("it is dropped for the last cover only");
            let finished =
                engine::render_found(opened, &task.recipe, set, found_here, Fineness::Full, after);
            if last {
                frame = None;
            }
            let finished = match finished {
                Err(engine::Error::Stopped) => return Ok(None),
                other => other.map_err(failed)?,
            };
            self.deliver(
                task,
                (&note, &private),
                (finished, &orders),
                take,
                &mut rendered,
            );
        }
        drop(share);
        Ok(Some(rendered))
    }

    /// Makes the files of what was rendered once and hands each to `take`, several at a time.
    fn deliver<R: Send>(
        &self,
        task: &Task,
        (note, private): (&FrameNote, &Private),
        (finished, orders): (Finished, &[(&Wanted<'_>, Shown)]),
        take: &(dyn Fn(&Wanted<'_>, output::Made, Sidecar) -> Result<R, String> + Sync),
        rendered: &mut Rendered<R>,
    ) {
        let of_crop = finished.of_crop();
        let natural = natural(&of_crop, task);
        let looks = looks_of(&of_crop);
        let mut attention = finished.attention.clone();
        attention.extend(natural.iter().flat_map(Natural::attention));
        let files = side_by_side(orders, OUTPUTS, |(wanted, shown)| {
            let (order, key, _) = wanted;
            let made = output::make(&finished, order, shown, &note.exif, private)
                .map_err(|error| format!("`{}`: {error}", order.name))?;
            let mut sidecar = self.sidecar(
                task,
                (order, shown),
                key.clone(),
                note,
                (&of_crop, &natural, looks),
                &made,
            );
            sidecar.attention = attention.iter().chain(&shown.attention).cloned().collect();
            take(wanted, made, sidecar)
        });
        rendered.files.extend(files);
        add_new(&mut rendered.attention, attention);
        for (_, shown) in orders {
            add_new(&mut rendered.attention, shown.attention.clone());
        }
        if rendered.natural.is_none() {
            rendered.natural = natural;
        }
        rendered.unavailable = finished
            .unavailable
            .iter()
            .map(ToString::to_string)
            .collect();
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
        let now = self
            .seen
            .digest(path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        let same = now.blake3 == sidecar.output.blake3_file;
        Ok(match (sidecar.key == key, same) {
            (true, true) => Standing::Right(Box::new(sidecar)),
            (false, true) => Standing::Outdated,
            // What a killed run left half in place was put right before (`atomic`).
            (_, false) => Standing::Foreign,
        })
    }

    fn sidecar(
        &self,
        task: &Task,
        (order, shown): (&Order, &Shown),
        key: String,
        note: &FrameNote,
        (finished, natural, looks): (&Finished, &Option<Natural>, Looks),
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
            matched: finished.matched,
            mended: finished.mended,
            regions: RegionsNote::new(finished),
            steps: finished.steps.clone(),
            natural: natural.clone(),
            unavailable: finished
                .unavailable
                .iter()
                .map(ToString::to_string)
                .collect(),
            placement: finished.placement,
            looks,
            output: OutputNote {
                output: order.name.clone(),
                file: order.file.clone(),
                shown: Some(shown.rect),
                wall_added: shown.added.map(|added| added.columns),
                black_and_white: order.black_and_white,
                size: made.size,
                profile: order.profile.description().to_owned(),
                encoding: made.format.to_string(),
                blake3_pixels: made.blake3_pixels.clone(),
                blake3_file: hex(blake3::hash(&made.file)),
            },
            attention: finished.attention.clone(),
        }
    }
}

/// What a sidecar keeps of how a finished picture looks.
fn looks_of(finished: &Finished) -> Looks {
    let wall = measure::finished::wall(&finished.picture, &finished.regions);
    let place = measure::finished::place(&finished.regions);
    Looks {
        wall: wall.map(|wall| wall.lab),
        wall_spread: wall.map(|wall| wall.spread),
        head_height: place.map(|place| place.head_height),
        eye_line: place.map(|place| place.eye_line),
        face_axis: place.map(|place| place.axis),
    }
}

pub(super) fn read_sidecar(path: &Path) -> Option<Sidecar> {
    let text = input::text(path, input::LONGEST_SIDECAR).ok()?;
    Sidecar::from_text(&text).ok()
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
    let png = encode::quick_png(&sheet.pixels, sheet.size, &Profile::Srgb.icc());
    let png = png.map_err(|error| error.to_string())?;
    atomic::write(to, &png, &originals).map_err(|error| error.to_string())
}
