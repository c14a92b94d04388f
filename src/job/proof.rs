//! The proof gallery of a job: quick renders of all frames to choose from, and the page around them.
//!
//! Pictures are named after a digest of all that they depend on, so a gallery that is made again renders
//! only what is new, and their names say nothing of anybody. Pictures that the page no longer shows are
//! taken away: whoever left the roster shall not stay in the folder.

use std::collections::BTreeSet;
use std::fs;
use std::ops::ControlFlow;
use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::deliver::atomic::{self, Originals};
use crate::deliver::output;
use crate::deliver::pages::proof::{self as page, Gallery, Shot, Sitter};
use crate::deliver::pages::{ENDS, PICTURES, Picture, SMALL};
use crate::engine::{self, Fineness, Finished, Set};
use crate::operations::Operation;
use crate::operations::output_sharpening::OutputSharpening;
use crate::raw;
use crate::recipe::Recipe;

use super::budget::Budget;
use super::finish::{self, Done, Event, OUR_MISTAKE, Outcome, PROGRAM};
use super::picks;
use super::plan::{Plan, Task};
use super::seen::Seen;

/// The page's name in its folder.
const PAGE: &str = "index.html";
/// Digits of the digest in a picture's name.
const DIGITS: usize = 24;

/// How a gallery shall be made.
#[derive(Debug, Clone, Copy)]
pub struct Manner<'a> {
    /// Longer edge of the large pictures, in pixels.
    pub size: u32,
    /// Bytes to stay within.
    pub memory: u64,
    /// Set from outside when the run shall stop.
    pub stop: &'a AtomicBool,
}

/// What came of it.
#[derive(Debug)]
pub struct Made {
    /// The page; `None` when the run was stopped before it could be written.
    pub page: Option<PathBuf>,
    /// How many sitters have a section.
    pub sitters: usize,
    /// Each frame's, in the roster's order.
    pub outcomes: Vec<Outcome>,
}

/// Renders what is missing and writes the page into `folder`.
///
/// # Errors
/// When nothing can be written there, or the set's reference frames cannot be read.
pub fn make(
    plan: &Plan,
    folder: &Path,
    manner: Manner<'_>,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<Made, String> {
    let originals = plan.originals();
    guard(plan, folder, PAGE, page::is_ours)?;
    let pictures = folder.join(PICTURES);
    atomic::prepare_folder(&pictures).map_err(|error| error.to_string())?;
    // The list of digests is that of the delivery: `finish` will ask for the same frames.
    let seen = Seen::of(&plan.deliver_to);
    let set_digest = finish::digest_of_set(plan, &seen)?;
    let run = Run {
        plan,
        manner,
        pictures: &pictures,
        originals: &originals,
        set: OnceLock::new(),
        set_digest,
        budget: Budget::new(manner.memory),
        seen,
    };
    let made = finish::side_by_side(&plan.tasks, finish::workers(&run.budget), |task| {
        let (outcome, shot) = run.frame(task, watch);
        watch(Event::Ended(task, &outcome));
        (outcome, shot)
    });
    run.seen.keep(&plan.deliver_to);
    let (outcomes, shots): (Vec<_>, Vec<_>) = made.into_iter().unzip();
    if manner.stop.load(Ordering::Relaxed) {
        return Ok(Made {
            page: None,
            sitters: 0,
            outcomes,
        });
    }
    let sitters = sitters(plan, shots);
    let shown = sitters.iter().flat_map(|sitter| &sitter.shots);
    let shown: BTreeSet<&str> = shown.map(|shot| shot.picture.name.as_str()).collect();
    let gallery = Gallery {
        client: plan.client.clone(),
        sitters: sitters.clone(),
    };
    let path = folder.join(PAGE);
    atomic::write(&path, gallery.html(PROGRAM).as_bytes(), &originals)
        .map_err(|error| error.to_string())?;
    clear_but(&pictures, &shown);
    Ok(Made {
        page: Some(path),
        sitters: sitters.len(),
        outcomes,
    })
}

/// Sections by row of the roster; a sitter without a picture has none.
fn sitters(plan: &Plan, shots: Vec<Option<Shot>>) -> Vec<Sitter> {
    let mut sitters: Vec<(usize, Sitter)> = Vec::new();
    for (task, shot) in plan.tasks.iter().zip(shots) {
        let Some(shot) = shot else { continue };
        let line = task.sitter.line;
        match sitters.last_mut() {
            Some((last, sitter)) if *last == line => sitter.shots.push(shot),
            _ => sitters.push((
                line,
                Sitter {
                    person: task.sitter.person.clone(),
                    title: task.sitter.title.clone().unwrap_or_default(),
                    file_name: task.row_name.clone(),
                    shots: vec![shot],
                },
            )),
        }
    }
    sitters.into_iter().map(|(_, sitter)| sitter).collect()
}

/// Refuses a folder in which a page would be mixed up with frames or a delivery, or would take the
/// place of somebody else's.
///
/// # Errors
/// Says what stands there and what to do.
pub(super) fn guard(
    plan: &Plan,
    folder: &Path,
    page: &str,
    is_ours: fn(&[u8]) -> bool,
) -> Result<(), String> {
    let shown = folder.display();
    let real = |path: &Path| fs::canonicalize(path).ok();
    let frames = plan.tasks.iter().filter_map(|task| task.frame.parent());
    let kept: Vec<&Path> = frames.chain([plan.deliver_to.as_path()]).collect();
    if real(folder).is_some_and(|own| kept.iter().any(|path| real(path).as_ref() == Some(&own))) {
        return Err(format!(
            "{shown}: frames or deliveries lie there; choose a folder of its own with --to"
        ));
    }
    let path = folder.join(page);
    if path.exists() && !fs::read(&path).is_ok_and(|file| is_ours(&file)) {
        return Err(format!(
            "{}: a file stands there that this program did not write; move it away, or choose another \
             folder with --to",
            path.display()
        ));
    }
    Ok(())
}

/// Takes away what lies among the pictures under a name of ours, or begins with one, and is not
/// among `shown`.
pub(super) fn clear_but(pictures: &Path, shown: &BTreeSet<&str>) {
    let Ok(entries) = fs::read_dir(pictures) else {
        return;
    };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let ours = name.get(..DIGITS).filter(|digest| {
            digest.bytes().all(|b| b.is_ascii_hexdigit())
                && [ENDS[0], ENDS[1], FIGURES].contains(&&name[DIGITS..])
        });
        if ours.is_some_and(|digest| !shown.contains(digest)) {
            // One that cannot be taken away now is tried again by the next run.
            let _later = fs::remove_file(entry.path());
        }
    }
}

/// End of the name of a file with a frame's figures, beside its pictures (`watch`).
pub(super) const FIGURES: &str = "-figures.json";

/// The name of a frame's pictures.
pub(super) fn picture_name(frame: &str, recipe: &str, set: &str, size: u32) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in [PROGRAM, frame, recipe, set, &size.to_string()] {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    finish::hex(hasher.finalize())[..DIGITS].to_owned()
}

/// A picture that is there already.
pub(super) fn standing(pictures: &Path, name: &str) -> Option<Picture> {
    let [small, large] = ENDS.map(|end| pictures.join(format!("{name}{end}")));
    let (width, height) = image::image_dimensions(&small).ok()?;
    large.is_file().then(|| Picture {
        name: name.to_owned(),
        size: [width as usize, height as usize],
    })
}

/// Writes both sizes of a finished frame.
///
/// # Errors
/// When one cannot be written.
pub(super) fn write_pictures(
    finished: &Finished,
    recipe: &Recipe,
    size: u32,
    (pictures, name): (&Path, &str),
    originals: &Originals,
) -> Result<Picture, String> {
    let sharpening = sharpening(recipe);
    let mut shown = [0, 0];
    // The small one last: it says that both are there.
    for (end, edge) in [(ENDS[1], size as usize), (ENDS[0], SMALL)] {
        let (file, size) =
            output::look(finished, sharpening, edge).map_err(|error| error.to_string())?;
        atomic::write(&pictures.join(format!("{name}{end}")), &file, originals)
            .map_err(|error| error.to_string())?;
        shown = [size.width, size.height];
    }
    Ok(Picture {
        name: name.to_owned(),
        size: shown,
    })
}

fn sharpening(recipe: &Recipe) -> Option<&OutputSharpening> {
    recipe.steps.iter().find_map(|step| match &step.operation {
        Operation::OutputSharpening(sharpening) => Some(sharpening),
        _ => None,
    })
}

struct Run<'a> {
    plan: &'a Plan,
    manner: Manner<'a>,
    pictures: &'a Path,
    originals: &'a Originals,
    set: OnceLock<Result<Set, String>>,
    set_digest: String,
    budget: Budget,
    seen: Seen,
}

impl Run<'_> {
    fn frame(&self, task: &Task, watch: &(dyn Fn(Event<'_>) + Sync)) -> (Outcome, Option<Shot>) {
        let stopped = || self.manner.stop.load(Ordering::Relaxed);
        if stopped() {
            return (finish::outcome(task, Done::Stopped), None);
        }
        watch(Event::Began(task));
        // A mistake of ours on one frame shall not cost the others their gallery.
        match panic::catch_unwind(AssertUnwindSafe(|| self.try_frame(task, watch))) {
            Ok(Ok((outcome, shot))) => (outcome, Some(shot)),
            Ok(Err(_)) if stopped() => (finish::outcome(task, Done::Stopped), None),
            Ok(Err(why)) => (finish::failed(task, why), None),
            Err(_) => {
                let why = format!("{}: {OUR_MISTAKE}", task.frame.display());
                (finish::failed(task, why), None)
            }
        }
    }

    fn try_frame(
        &self,
        task: &Task,
        watch: &(dyn Fn(Event<'_>) + Sync),
    ) -> Result<(Outcome, Shot), String> {
        let told = |error: std::io::Error| format!("{}: {error}", task.frame.display());
        let digest = self.seen.digest(&task.frame).map_err(told)?;
        let size = self.manner.size;
        let name = picture_name(
            &digest.blake3,
            &task.canonical_recipe,
            &self.set_digest,
            size,
        );
        let shot = |picture| Shot {
            frame: task.frame_name.clone(),
            mark: picks::mark(&digest.blake3),
            picture,
        };
        if let Some(picture) = standing(self.pictures, &name) {
            return Ok((finish::outcome(task, Done::Unchanged), shot(picture)));
        }
        let bytes = fs::read(&task.frame).map_err(told)?;
        if finish::hex(blake3::hash(&bytes)) != digest.blake3 {
            self.seen.forget(&task.frame);
            return Err(format!(
                "{}: it changed while it was read; run again once nothing writes to it any more",
                task.frame.display()
            ));
        }
        let frame = raw::read(&bytes, &task.frame_name, &raw::Limits::default())
            .map_err(|error| error.to_string())?;
        drop(bytes);
        watch(Event::Past(task, "read"));
        let share = self.budget.take(engine::quick_memory_needed(&frame));
        let set = self
            .set
            .get_or_init(|| finish::prepare_set(self.plan))
            .as_ref()
            .map_err(String::clone)?;
        let fine = fineness(size);
        let finished = engine::render(&frame, &task.recipe, set, fine, |step, _| {
            watch(Event::Past(
                task,
                step.map_or("development", |step| step.operation.name()),
            ));
            if self.manner.stop.load(Ordering::Relaxed) {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
        .map_err(|error| format!("{}: {error}", task.frame.display()))?;
        drop(frame);
        let place = (self.pictures, name.as_str());
        let picture = write_pictures(&finished, &task.recipe, size, place, self.originals)?;
        drop(share);
        let mut outcome = finish::outcome(task, Done::Rendered(ENDS.len()));
        outcome.attention = finished.attention;
        Ok((outcome, shot(picture)))
    }
}

/// How fine a frame is rendered for a picture whose longer edge has `size` pixels: a headshot's
/// crop takes about two thirds of the frame's height.
pub(super) fn fineness(size: u32) -> Fineness {
    Fineness::Small(size as usize * 3 / 2)
}
