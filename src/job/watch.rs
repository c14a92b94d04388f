//! Watches a job's folder of frames while somebody photographs into it: each new frame is checked and
//! a quick render of it shown on a page.
//!
//! The folder is read again and again, which works on every system and on disks of a network, where
//! notices of changes do not. A file is taken once its size and time of change stand still; one that
//! cannot be read then is tried again for a while, since a copy may only be slow. Frames are worked on
//! one at a time, newest first, so memory stays that of one frame. Figures and pictures are kept under
//! a digest of all that they depend on: a run that goes on, or a file that is renamed, renders nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::ops::ControlFlow;
use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};

use serde::{Deserialize, Serialize};

use crate::checks::{Capture, Finding, Practice, Verdict};
use crate::deliver::atomic::{self, Originals};
use crate::deliver::pages::watch::{self as page, Card, Light, State};
use crate::deliver::pages::{PICTURES, Picture};
use crate::engine::{self, SMALL, Set, Wall};
use crate::raw;
use crate::recipe::{Diagnostics, Recipe};

use super::finish::{self, OUR_MISTAKE, PROGRAM};
use super::plan::Plan;
use super::proof::{self, FIGURES};
use super::seen::Seen;
use super::{Frames, Job, MOST_FILES, candidates, file_name, is_frame, open_recipe};

/// Names of page and state in their folder.
const PAGE: &str = "index.html";
const STATE: &str = "state.js";

/// How often the folder is read.
const POLL: Duration = Duration::from_millis(300);
/// How long size and time of change of a file must stand still. Disks that count time in steps of
/// two seconds still show a growing size.
const STILL: Duration = Duration::from_millis(900);
/// How long a still file that cannot be read is tried again before it is called broken: a card reader
/// or a network may pause so long. Common practice, no source.
const PATIENCE: Duration = Duration::from_secs(15);
/// The page takes the program for ended after five times as long.
const BEAT: Duration = Duration::from_secs(4);
/// Frames that each other one is judged beside: the newest, since light is moved during a day.
const WINDOW: usize = 40;
/// Frames on the page.
const SHOWN: usize = 60;
/// Longest file of figures that is read, in bytes; one has about 70 thousand.
const LONGEST: u64 = 4 << 20;

/// A job whose frames are watched.
#[derive(Debug)]
pub struct Watched {
    plan: Plan,
    folder: PathBuf,
    practice: Practice,
    /// For frames that no row of the roster names.
    house: Arc<Recipe>,
    /// Name of a frame's file to person and look.
    known: BTreeMap<String, (String, Arc<Recipe>)>,
    /// Frames and person of rows whose frames are not all there yet.
    coming: Vec<(String, String)>,
    /// Names of the set's frames that show nobody.
    nobody: Vec<String>,
}

impl Watched {
    /// Reads the job. Frames that are not there yet are noted as errors too, as by every command; `None`
    /// says that it cannot be watched.
    pub fn load(path: &Path, notes: &mut Diagnostics) -> Option<Self> {
        let job = Job::load(path, notes)?;
        let folder = match &job.file.frames {
            Frames::Folder(folder) => PathBuf::from(job.at(&folder.value)),
            Frames::List(list) => {
                let place = &list.first()?.place;
                notes
                    .error(
                        &place.file,
                        place.span.clone(),
                        "a list of frames cannot be watched",
                    )
                    .help("let `frames` name the folder that the camera writes into");
                return None;
            }
        };
        let plan = Plan::of(&job, notes)?;
        // It was read without a mistake just now.
        let house = job.at(&job.file.recipe.value);
        let house = open_recipe(Path::new(&house), &mut Diagnostics::default())?;
        let house = plan
            .past
            .as_ref()
            .map_or(house.clone(), |past| past.onto(&house));
        let known = plan.tasks.iter().map(|task| {
            let person = task.sitter.person.clone();
            (task.frame_name.clone(), (person, Arc::clone(&task.recipe)))
        });
        let nobody = [&job.file.set.empty, &job.file.set.chart];
        let nobody = nobody.into_iter().flatten();
        Some(Self {
            known: known.collect(),
            coming: plan.missing.clone(),
            nobody: nobody
                .map(|frame| file_name(&frame.value).to_owned())
                .collect(),
            practice: job.file.practice,
            folder: if folder.as_os_str().is_empty() {
                PathBuf::from(".")
            } else {
                folder
            },
            house: Arc::new(house),
            plan,
        })
    }

    /// Whom a frame shows, as far as the roster says.
    fn person(&self, name: &str) -> &str {
        if let Some((person, _)) = self.known.get(name) {
            return person;
        }
        let mut rows = self.coming.iter();
        let row = rows.find(|(frames, _)| candidates::may_mean(frames, name));
        row.map_or("", |(_, person)| person)
    }

    /// The folder that is watched.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A folder for the page that lies beside the frames' one.
    pub fn beside(&self, name: &str) -> PathBuf {
        self.folder.parent().unwrap_or(Path::new("")).join(name)
    }
}

/// What happens, as it happens.
#[derive(Debug)]
pub enum News<'a> {
    /// The page is there.
    Page(&'a Path),
    /// A frame was checked: its name, whom it shows, and what is amiss.
    Checked(&'a str, &'a str, &'a [Finding]),
    /// A frame cannot be read, and why.
    Broken(&'a str, &'a str),
    /// So many frames still wait.
    Waiting(usize),
    /// Something that a person should know.
    Trouble(&'a str),
}

/// What there was at the end.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub struct Sum {
    /// Frames that were checked.
    pub checked: usize,
    /// Those of them with something to look at.
    pub look: usize,
    /// Those that cannot be read.
    pub broken: usize,
}

/// Size and time of change, by which a file is known to be still.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamp {
    bytes: u64,
    changed: Option<SystemTime>,
}

/// One file of the folder.
#[derive(Debug)]
struct File {
    stamp: Stamp,
    /// When it was first seen so.
    since: Duration,
    /// When to try next, and how often it was tried.
    next: Duration,
    tries: u32,
    what: What,
}

#[derive(Debug)]
enum What {
    Arriving,
    Checked(Box<Checked>),
    Broken(String),
}

#[derive(Debug)]
struct Checked {
    picture: Picture,
    findings: Vec<Finding>,
    /// As long as it is among those that others are judged beside.
    capture: Option<Capture>,
    /// Whether it was told.
    told: bool,
}

/// Figures as they are kept in a file.
#[derive(Debug, Serialize, Deserialize)]
struct Figures {
    capture: Capture,
    wall: Option<Wall>,
}

/// All files of the folder. Time is told from the start, so that tests need no clock.
#[derive(Debug, Default)]
struct Folder {
    files: BTreeMap<String, File>,
    /// Whether it was read before: what lay there at first need not prove that it stands still.
    met: bool,
}

impl Folder {
    /// Takes in what is there now; says whether anything is new, changed or gone.
    fn meet(&mut self, found: &[(String, Stamp)], now: Duration) -> bool {
        let mut news = false;
        let names: BTreeSet<&str> = found.iter().map(|(name, _)| name.as_str()).collect();
        self.files.retain(|name, _| {
            let there = names.contains(name.as_str());
            news |= !there;
            there
        });
        for (name, stamp) in found {
            let wait = if self.met { STILL } else { Duration::ZERO };
            let same = self
                .files
                .get(name)
                .is_some_and(|file| file.stamp == *stamp);
            if !same {
                news = true;
                let file = File {
                    stamp: *stamp,
                    since: now,
                    next: now + wait,
                    tries: 0,
                    what: What::Arriving,
                };
                self.files.insert(name.clone(), file);
            }
        }
        self.met = true;
        news
    }

    /// The newest file that shall be read now.
    fn due(&self, now: Duration) -> Option<String> {
        let due = self.newest_first().into_iter().find(|name| {
            let file = &self.files[*name];
            matches!(file.what, What::Arriving) && file.next <= now
        });
        due.map(str::to_owned)
    }

    /// Notes that a file could not be read; it is tried again at growing distances, until patience ends.
    fn failed(&mut self, name: &str, why: String, now: Duration) {
        if let Some(file) = self.files.get_mut(name) {
            file.tries += 1;
            file.next = now + STILL * 2_u32.pow(file.tries.min(4));
            if now.saturating_sub(file.since) >= PATIENCE {
                file.what = What::Broken(why);
            }
        }
    }

    fn newest_first(&self) -> Vec<&str> {
        let mut names: Vec<(&File, &str)> = self
            .files
            .iter()
            .map(|(name, file)| (file, name.as_str()))
            .collect();
        names.sort_by(|a, b| (b.0.stamp.changed, b.1).cmp(&(a.0.stamp.changed, a.1)));
        names.into_iter().map(|(_, name)| name).collect()
    }

    /// Judges the newest frames beside one another and lets go of older ones' figures. Gives the set's
    /// usual figures in words.
    fn judge(&mut self, reference: Option<&Capture>, practice: &Practice) -> Vec<String> {
        let newest: Vec<String> = self.newest_first().into_iter().map(str::to_owned).collect();
        let mut names = Vec::new();
        let mut captures: Vec<Capture> = Vec::new();
        for name in newest {
            let Some(File {
                what: What::Checked(checked),
                ..
            }) = self.files.get_mut(&name)
            else {
                continue;
            };
            if names.len() >= WINDOW {
                checked.capture = None;
            } else if let Some(capture) = &checked.capture {
                captures.push(capture.clone());
                names.push(name);
            }
        }
        // The approved frame counts even after many others; it is judged last and not told.
        let own = reference.filter(|own| captures.iter().all(|other| other.frame != own.frame));
        captures.extend(own.cloned());
        let verdict = Verdict::of(&captures, practice);
        for (name, findings) in names.iter().zip(verdict.frames) {
            if let Some(File {
                what: What::Checked(checked),
                ..
            }) = self.files.get_mut(name)
            {
                checked.findings = findings;
            }
        }
        if names.is_empty() {
            Vec::new()
        } else {
            verdict.set
        }
    }

    fn sum(&self) -> Sum {
        let mut sum = Sum::default();
        for file in self.files.values() {
            match &file.what {
                What::Arriving => {}
                What::Broken(_) => sum.broken += 1,
                What::Checked(checked) => {
                    sum.checked += 1;
                    sum.look += usize::from(!checked.findings.is_empty());
                }
            }
        }
        sum
    }
}

/// Watches until `stop` is set; the page lies in `to`.
///
/// # Errors
/// When the page cannot be written at all, or the set's reference frames cannot be read.
pub fn run(
    job: &Path,
    mut watched: Watched,
    to: &Path,
    size: u32,
    stop: &AtomicBool,
    tell: &dyn Fn(News<'_>),
) -> Result<Sum, String> {
    let originals = watched.plan.originals();
    proof::guard(&watched.plan, to, PAGE, page::is_ours)?;
    let real = |path: &Path| fs::canonicalize(path).ok();
    if real(to).is_some() && real(to) == real(&watched.folder) {
        return Err(format!(
            "{}: this is the folder that is watched; choose another one with --to",
            to.display()
        ));
    }
    let pictures = to.join(PICTURES);
    let seen = Seen::of(&watched.plan.deliver_to);
    let set_digest = finish::digest_of_set(&watched.plan, &seen)?;
    seen.keep(&watched.plan.deliver_to);
    let set = finish::prepare_set(&watched.plan)?;
    // What the cameras saw: nothing is matched.
    let plain = match watched.plan.matching.take() {
        Some(_) => finish::prepare_set(&watched.plan)?,
        None => Set::default(),
    };
    let page_file = to.join(PAGE);
    atomic::prepare_folder(&pictures).map_err(|error| error.to_string())?;
    let html = page::html(&watched.plan.client, PROGRAM);
    let mut camera = Camera {
        work: Work {
            matched: set.target.is_some(),
            set,
            plain,
            set_digest,
            pictures,
            size,
            originals: &originals,
            stop,
        },
        folder: Folder::default(),
        reference: None,
        state: State::default(),
        to,
        silent_since: Duration::ZERO,
        tell,
    };
    camera.write_state()?;
    atomic::write(&page_file, html.as_bytes(), &originals).map_err(|error| error.to_string())?;
    tell(News::Page(&page_file));
    camera.reference = camera.work.reference(&watched);
    camera.watch(job, &mut watched);
    Ok(camera.folder.sum())
}

/// The one who looks.
struct Camera<'a> {
    work: Work<'a>,
    folder: Folder,
    /// The set's approved frame.
    reference: Option<Capture>,
    state: State,
    to: &'a Path,
    /// When the state was written last.
    silent_since: Duration,
    tell: &'a dyn Fn(News<'_>),
}

impl Camera<'_> {
    fn watch(&mut self, job: &Path, watched: &mut Watched) {
        let began = Instant::now();
        let mut news = true;
        let mut waiting = 0;
        while !self.work.stop.load(Ordering::Relaxed) {
            let now = began.elapsed();
            news |= self.look(watched, now);
            let count = |folder: &Folder| {
                let files = folder.files.values();
                files
                    .filter(|file| matches!(file.what, What::Arriving))
                    .count()
            };
            if let Some(name) = self.folder.due(now) {
                if waiting != count(&self.folder) {
                    waiting = count(&self.folder);
                    (self.tell)(News::Waiting(waiting));
                }
                // Names and looks may have come with the frame.
                let mut notes = Diagnostics::default();
                match Watched::load(job, &mut notes) {
                    Some(fresh) => {
                        watched.known = fresh.known;
                        watched.coming = fresh.coming;
                        watched.practice = fresh.practice;
                        watched.house = fresh.house;
                    }
                    None if fs::read_dir(&watched.folder).is_ok() => (self.tell)(News::Trouble(
                        "the job has mistakes now, its last good state is used; see `lapel check`",
                    )),
                    None => {}
                }
                self.take(&name, watched, || began.elapsed());
                news = true;
            }
            if news || now >= self.silent_since + BEAT {
                self.publish(watched, now);
                news = false;
            }
            if self.folder.due(began.elapsed()).is_none() {
                std::thread::sleep(POLL);
            }
        }
        self.state.ended = true;
        self.publish(watched, began.elapsed());
        if self.state.gone.is_none() {
            self.clear();
        }
    }

    /// Reads the folder; says whether anything is new.
    fn look(&mut self, watched: &Watched, now: Duration) -> bool {
        match list(&watched.folder, &watched.nobody) {
            Ok(found) => {
                if self.state.gone.take().is_some() {
                    (self.tell)(News::Trouble("the folder is back"));
                }
                self.folder.meet(&found, now)
            }
            Err(error) => {
                let why = format!("{}: {error}.", watched.folder.display());
                let news = self.state.gone.as_ref() != Some(&why);
                if news {
                    let told = format!("{why} Waiting for it to come back; Ctrl-C ends.");
                    (self.tell)(News::Trouble(&told));
                    self.state.gone = Some(why);
                }
                news
            }
        }
    }

    /// Works on one frame.
    fn take(&mut self, name: &str, watched: &Watched, now: impl Fn() -> Duration) {
        let path = watched.folder.join(name);
        let recipe = watched.known.get(name).map(|(_, recipe)| recipe);
        let recipe = recipe.unwrap_or(&watched.house);
        let worked = panic::catch_unwind(AssertUnwindSafe(|| self.work.frame(&path, name, recipe)));
        let stamped = fs::metadata(&path).ok().map(|file| stamp(&file));
        let Some(file) = self.folder.files.get_mut(name) else {
            return;
        };
        if self.work.stop.load(Ordering::Relaxed) || stamped != Some(file.stamp) {
            // It changed or vanished while it was read: the next look meets it anew.
            return;
        }
        match worked {
            Ok(Ok((picture, capture))) => {
                file.what = What::Checked(Box::new(Checked {
                    picture,
                    findings: Vec::new(),
                    capture: Some(capture),
                    told: false,
                }));
            }
            Ok(Err(why)) => self.folder.failed(name, why, now()),
            Err(_) => file.what = What::Broken(OUR_MISTAKE.to_owned()),
        }
        if let Some(File {
            what: What::Broken(why),
            ..
        }) = self.folder.files.get(name)
        {
            (self.tell)(News::Broken(name, why));
        }
    }

    /// Judges, tells what is new, and writes the page's state.
    fn publish(&mut self, watched: &Watched, now: Duration) {
        self.state.set = self
            .folder
            .judge(self.reference.as_ref(), &watched.practice);
        for (name, file) in &mut self.folder.files {
            if let What::Checked(checked) = &mut file.what
                && !checked.told
            {
                checked.told = true;
                (self.tell)(News::Checked(name, watched.person(name), &checked.findings));
            }
        }
        let newest = self.folder.newest_first();
        self.state.earlier = newest.len().saturating_sub(SHOWN);
        let cards = newest.iter().take(SHOWN).map(|name| {
            let (picture, light, says) = match &self.folder.files[*name].what {
                What::Arriving => (None, Light::Wait, Vec::new()),
                What::Broken(why) => (None, Light::Broken, vec![why.clone()]),
                What::Checked(checked) => {
                    let says: Vec<String> = checked
                        .findings
                        .iter()
                        .map(|one| one.says.clone())
                        .collect();
                    let light = if says.is_empty() {
                        Light::Well
                    } else {
                        Light::Look
                    };
                    (Some(&checked.picture), light, says)
                }
            };
            Card::new(name, watched.person(name), picture, light, says)
        });
        self.state.frames = cards.collect();
        self.silent_since = now;
        if let Err(why) = self.write_state() {
            (self.tell)(News::Trouble(&why));
        }
    }

    fn write_state(&mut self) -> Result<(), String> {
        self.state.beat += 1;
        let path = self.to.join(STATE);
        atomic::write(&path, self.state.script().as_bytes(), self.work.originals)
            .map_err(|error| error.to_string())
    }

    /// Takes away the pictures of frames that are no longer there.
    fn clear(&self) {
        let files = self.folder.files.values();
        let shown = files.filter_map(|file| match &file.what {
            What::Checked(checked) => Some(checked.picture.name.as_str()),
            _ => None,
        });
        let waits = |file: &File| matches!(file.what, What::Arriving);
        // Of a frame that waits the pictures may be there from an earlier run.
        if !self.folder.files.values().any(waits) {
            proof::clear_but(&self.work.pictures, &shown.collect());
        }
    }
}

/// What the work on each frame needs.
struct Work<'a> {
    /// Whether `set` matches, and so sees other light than the camera.
    matched: bool,
    set: Set,
    /// Without matching; empty where `set` is without it too.
    plain: Set,
    set_digest: String,
    pictures: PathBuf,
    size: u32,
    originals: &'a Originals,
    stop: &'a AtomicBool,
}

impl Work<'_> {
    fn plain(&self) -> &Set {
        if self.matched { &self.plain } else { &self.set }
    }

    /// Figures of the approved frame, if there is one that can be measured.
    fn reference(&self, watched: &Watched) -> Option<Capture> {
        let path = watched.plan.set.reference.as_ref()?;
        let (frame, _) = finish::open(path).ok()?;
        let name = path.file_name()?.to_string_lossy();
        Capture::of(&name, &frame, &watched.house, self.plain()).ok()
    }

    /// Checks and renders a frame, or finds what an earlier run made of it.
    fn frame(
        &self,
        path: &Path,
        name: &str,
        recipe: &Recipe,
    ) -> Result<(Picture, Capture), String> {
        let bytes = fs::read(path).map_err(|error| error.to_string())?;
        let digest = finish::hex(blake3::hash(&bytes));
        let key = proof::picture_name(&digest, &recipe.canonical(), &self.set_digest, self.size);
        let figures = self.pictures.join(format!("{key}{FIGURES}"));
        if let (Some(picture), Some(mut kept)) = (
            proof::standing(&self.pictures, &key),
            read_figures(&figures),
        ) {
            kept.capture.frame = name.to_owned();
            kept.capture.wall = kept.wall;
            return Ok((picture, kept.capture));
        }
        let frame =
            raw::read(&bytes, name, &raw::Limits::default()).map_err(|why| why.to_string())?;
        drop(bytes);
        let failed = |error: engine::Error| error.to_string();
        let found = engine::find(&frame, recipe, self.plain(), SMALL).map_err(failed)?;
        let capture = Capture::of_found(name, &frame, recipe, &found).map_err(failed)?;
        let go_on = |_: Option<&_>, _: &mut _| {
            if self.stop.load(Ordering::Relaxed) {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        };
        let fine = proof::fineness(self.size);
        let finished = if self.matched {
            engine::render(&frame, recipe, &self.set, fine, go_on)
        } else {
            engine::render_found(&frame, recipe, &self.set, found, fine, go_on)
        }
        .map_err(failed)?;
        let place = (self.pictures.as_path(), key.as_str());
        let picture = proof::write_pictures(&finished, recipe, self.size, place, self.originals)?;
        let kept = Figures {
            wall: capture.wall.clone(),
            capture,
        };
        let text = serde_json::to_vec(&kept).map_err(|error| error.to_string())?;
        atomic::write(&figures, &text, self.originals).map_err(|error| error.to_string())?;
        Ok((picture, kept.capture))
    }
}

fn read_figures(path: &Path) -> Option<Figures> {
    if fs::metadata(path).ok()?.len() > LONGEST {
        return None;
    }
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

fn stamp(file: &fs::Metadata) -> Stamp {
    Stamp {
        bytes: file.len(),
        changed: file.modified().ok(),
    }
}

/// Frames of a folder with their stamps.
fn list(folder: &Path, nobody: &[String]) -> io::Result<Vec<(String, Stamp)>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder)?.take(MOST_FILES) {
        // One that vanished meanwhile is not there.
        let Ok(entry) = entry else { continue };
        let Ok(file) = fs::metadata(entry.path()) else {
            continue;
        };
        let Ok(name) = entry.file_name().into_string() else {
            continue;
        };
        let ours = file.is_file() && is_frame(&name) && !name.starts_with('.');
        if ours && !nobody.contains(&name) {
            found.push((name, stamp(&file)));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(bytes: u64, seconds: u64) -> Stamp {
        Stamp {
            bytes,
            changed: Some(SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)),
        }
    }

    fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn a_file_is_read_once_it_stands_still_and_the_newest_first() {
        let mut folder = Folder::default();
        let (a, b) = ("a.dng".to_owned(), "b.dng".to_owned());
        // What lay there at first is due at once.
        assert!(folder.meet(&[(a.clone(), at(9, 1))], ms(0)));
        assert_eq!(folder.due(ms(0)).as_deref(), Some("a.dng"));
        assert!(!folder.meet(&[(a.clone(), at(9, 1))], ms(300)));
        // A new one grows for a while.
        for (time, bytes) in [(600, 1), (900, 2), (1200, 3)] {
            assert!(folder.meet(
                &[(a.clone(), at(9, 1)), (b.clone(), at(bytes, 2))],
                ms(time)
            ));
        }
        assert_eq!(folder.due(ms(2000)).as_deref(), Some("a.dng"));
        assert_eq!(folder.due(ms(2100)).as_deref(), Some("b.dng"));
        // Gone and back under another name.
        assert!(folder.meet(&[("c.dng".to_owned(), at(9, 1))], ms(2400)));
        assert_eq!(folder.files.len(), 1);
    }

    #[test]
    fn what_cannot_be_read_is_tried_again_and_broken_only_in_the_end() {
        let mut folder = Folder::default();
        folder.meet(&[], ms(0));
        let found = [("a.dng".to_owned(), at(9, 1))];
        folder.meet(&found, ms(100));
        let (mut tries, mut now) = (0, ms(100));
        while !matches!(folder.files["a.dng"].what, What::Broken(_)) {
            assert!(now < ms(60_000), "it never gave up");
            if folder.due(now).is_some() {
                folder.failed("a.dng", "half of it".to_owned(), now);
                tries += 1;
                let early = now < ms(100) + PATIENCE;
                let broken = matches!(folder.files["a.dng"].what, What::Broken(_));
                assert_ne!(early, broken, "at {now:?}");
            }
            now += POLL;
        }
        assert!((3..10).contains(&tries), "{tries}");
        // Once it changes it has another chance.
        folder.meet(&[("a.dng".to_owned(), at(10, 2))], now);
        assert!(matches!(folder.files["a.dng"].what, What::Arriving));
    }
}
