//! A checked job as a list of files to make: names resolved, paths settled, nothing rendered yet.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::deliver::atomic::Originals;
use crate::deliver::metadata::Metadata;
use crate::deliver::names;
use crate::deliver::output::Order;
use crate::engine::{Matching, Shape};
use crate::operations::Operation;
use crate::picture::Ratio;
use crate::recipe::{Diagnostics, Place, Recipe};

use super::close::SHEET;
use super::consistency;
use super::manifest;
use super::past::Past;
use super::{Frames, Job, Output, Sitter};

/// All that a run does.
#[derive(Debug)]
pub struct Plan {
    /// Whose job it is.
    pub client: String,
    /// The folder that nothing leaves.
    pub deliver_to: PathBuf,
    /// BLAKE3 of the job's text.
    pub job_digest: String,
    /// The set's reference frames.
    pub set: SetPaths,
    /// What of its frames is brought together, if anything.
    pub matching: Option<Matching>,
    /// The past delivery that this one shall look like.
    pub past: Option<Past>,
    /// One per row of the roster whose frame is there.
    pub tasks: Vec<Task>,
    /// Rows whose frame is missing: frame and person.
    pub missing: Vec<(String, String)>,
    /// Every file that the job reads and that nothing may overwrite.
    pub inputs: Vec<PathBuf>,
}

/// One of several parts into which a job is cut, for several machines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// From 1.
    pub number: u32,
    /// How many there are.
    pub of: u32,
}

impl std::str::FromStr for Part {
    type Err = String;

    /// Reads `2/5`.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let parts = text.split_once('/');
        let numbers = parts.and_then(|(number, of)| Some((number.parse().ok()?, of.parse().ok()?)));
        match numbers {
            Some((number, of)) if (1..=of).contains(&number) => Ok(Self { number, of }),
            _ => Err("expected a part and the number of parts, such as 2/5".to_owned()),
        }
    }
}

/// Where the set's reference frames are.
#[derive(Debug, Clone, Default)]
pub struct SetPaths {
    /// The empty backdrop.
    pub empty: Option<PathBuf>,
    /// The colour chart's frame, or a profile (`.ron`) made from one.
    pub chart: Option<PathBuf>,
    /// The first approved frame, whose white balance the set follows when it has no chart.
    pub reference: Option<PathBuf>,
}

impl SetPaths {
    /// The frame whose wall the others are matched to: the first approved one, else the empty
    /// backdrop.
    pub fn wall(&self) -> Option<&Path> {
        self.reference.as_deref().or(self.empty.as_deref())
    }
}

/// One person's frame with the files to make of it.
#[derive(Debug)]
pub struct Task {
    /// The row.
    pub sitter: Sitter,
    /// The row's name for files; the sitter's own may have a number behind it.
    pub row_name: String,
    /// The frame.
    pub frame: PathBuf,
    /// Its file name.
    pub frame_name: String,
    /// The look, touch-ups included.
    pub recipe: Arc<Recipe>,
    /// The look's text with every setting spelled out.
    pub canonical_recipe: String,
    /// The files to make.
    pub outputs: Vec<Order>,
    /// How the BLAKE3 of the frame that was picked begins, where the picks say so.
    pub picked: Option<String>,
    /// Whether this run shall make them.
    pub wanted: bool,
}

impl Plan {
    /// Settles names and paths. `None` when two files would have one name, or a name cannot be
    /// one; `notes` says which.
    pub fn of(job: &Job, notes: &mut Diagnostics) -> Option<Self> {
        let errors = notes.errors();
        let deliver_to = PathBuf::from(job.at(&job.file.deliver_to.value));
        let mut taken: BTreeMap<String, String> = BTreeMap::new();
        taken.insert(SHEET.to_owned(), "the contact sheet".to_owned());
        for page in [consistency::PAGE, consistency::TABLE] {
            taken.insert(page.to_owned(), "the consistency report".to_owned());
        }
        taken.insert(manifest::NAME.to_owned(), "the manifest".to_owned());
        let past = job.file.match_to.as_ref().and_then(|written| {
            let folder = PathBuf::from(job.at(&written.value));
            match Past::read(&folder) {
                Ok(past) => Some(past),
                Err(error) => {
                    let Place { file, span } = &written.place;
                    notes.error(file, span.clone(), error.to_string()).help(
                        "name the folder of a delivery that this program made, with its sidecars",
                    );
                    None
                }
            }
        });
        let mut tasks = Vec::new();
        let mut walls = BTreeSet::new();
        for task in &job.tasks {
            let recipe = match &past {
                Some(past) => past.onto(&task.recipe),
                None => task.recipe.clone(),
            };
            let frame = PathBuf::from(&task.frame);
            let frame_name = file_name(&frame);
            let mut outputs = Vec::new();
            // A frame that was not chosen gets no files; it is there to be looked at.
            let wanted = job.file.outputs.iter().filter(|_| task.chosen);
            for output in wanted {
                let file = match file_of(output, &task.sitter, &frame_name) {
                    Ok(file) => file,
                    Err(why) => {
                        note(
                            output,
                            notes,
                            format!("no file name for {}: {why}", task.sitter.person),
                        );
                        continue;
                    }
                };
                // Some disks take two names for one that differ in case alone.
                if let Some(other) = taken.insert(file.to_lowercase(), task.sitter.person.clone()) {
                    note(
                        output,
                        notes,
                        format!(
                            "{} and {} would both get the file `{file}`",
                            other, task.sitter.person
                        ),
                    );
                }
                if needs_even_wall(output)
                    && !makes_even_wall(&recipe)
                    && walls.insert(&output.name)
                {
                    let Place { file, span } = &output.place;
                    let message = format!(
                        "`{}` extends the wall, but the recipe of {} makes no even one",
                        output.name, task.sitter.person
                    );
                    notes.error(file, span.clone(), message).help(
                        "add BackgroundLift or BackgroundReplace to the recipe, or leave `extend_wall` out",
                    );
                }
                outputs.push(order(job, output, task, file));
            }
            tasks.push(Task {
                sitter: task.sitter.clone(),
                row_name: task.row_name.clone(),
                frame,
                frame_name,
                canonical_recipe: recipe.canonical(),
                recipe: Arc::new(recipe),
                outputs,
                picked: task.picked.clone(),
                wanted: task.chosen,
            });
        }
        let set = &job.file.set;
        let path = |written: &super::Written<String>| PathBuf::from(job.at(&written.value));
        let set_paths = SetPaths {
            empty: set.empty.as_ref().map(path),
            chart: set.chart.as_ref().map(path),
            reference: set.reference.as_ref().map(path),
        };
        let mut inputs: Vec<PathBuf> = job
            .tasks
            .iter()
            .map(|task| PathBuf::from(&task.frame))
            .collect();
        inputs.extend(set.all().map(path));
        inputs.extend(job.unlisted.iter().map(PathBuf::from));
        inputs.extend(
            job.tasks
                .iter()
                .map(|task| PathBuf::from(&task.recipe_path)),
        );
        inputs.extend(job.bases.iter().map(PathBuf::from));
        let touch_ups = job
            .tasks
            .iter()
            .filter_map(|task| task.sitter.touch_ups.as_ref());
        inputs.extend(touch_ups.map(|own| PathBuf::from(job.at(own))));
        inputs.push(PathBuf::from(&job.source.name));
        inputs.push(PathBuf::from(job.at(&job.file.roster.value)));
        inputs.extend(job.file.picks.as_ref().map(path));
        inputs.sort();
        inputs.dedup();
        guard_originals(job, &deliver_to, &tasks, &inputs, notes);
        (notes.errors() == errors).then(|| Self {
            client: job.file.client.clone(),
            deliver_to,
            job_digest: blake3::hash(job.source.text.as_bytes())
                .to_hex()
                .to_string(),
            set: set_paths,
            matching: job.file.matching,
            past,
            tasks,
            missing: job
                .missing
                .iter()
                .map(|sitter| (sitter.frame.clone(), sitter.person.clone()))
                .collect(),
            inputs,
        })
    }

    /// Whether some task to finish has this frame, by its name with or without ending.
    pub fn has_frame(&self, name: &str) -> bool {
        self.wanted().any(|task| task.is_called(name))
    }

    /// Wants only the tasks with these frames.
    pub fn keep_only(&mut self, names: &[String]) {
        for task in &mut self.tasks {
            task.wanted &= names.iter().any(|name| task.is_called(name));
        }
        self.missing.clear();
    }

    /// Wants only every so-many-th task. Tasks keep their part when rows are added behind them, and
    /// parts need to know nothing of each other.
    pub fn keep_part(&mut self, part: Part) {
        for (index, task) in self.tasks.iter_mut().enumerate() {
            task.wanted &= index as u32 % part.of == part.number - 1;
        }
        if part.number != 1 {
            // Told by one part, not by each.
            self.missing.clear();
        }
    }

    /// The tasks of this run.
    pub fn wanted(&self) -> impl Iterator<Item = &Task> {
        self.tasks.iter().filter(|task| task.wanted)
    }

    /// The files that nothing may overwrite.
    pub fn originals(&self) -> Originals {
        Originals::new(&self.inputs)
    }
}

impl Task {
    fn is_called(&self, name: &str) -> bool {
        let stem = self
            .frame_name
            .rsplit_once('.')
            .map_or("", |(stem, _)| stem);
        self.frame_name == name || stem == name || self.sitter.frame == name
    }
}

/// Notes what would be delivered over a file that the job reads, or among its frames, where the
/// next run would take it for a frame.
fn guard_originals(
    job: &Job,
    deliver_to: &Path,
    tasks: &[Task],
    inputs: &[PathBuf],
    notes: &mut Diagnostics,
) {
    let originals = Originals::new(inputs);
    let frames = match &job.file.frames {
        Frames::Folder(folder) => std::fs::canonicalize(job.at(&folder.value)).ok(),
        Frames::List(_) => None,
    };
    for order in tasks.iter().flat_map(|task| &task.outputs) {
        let path = deliver_to.join(&order.file);
        let folder = path
            .parent()
            .and_then(|folder| std::fs::canonicalize(folder).ok());
        let message = if originals.hold(&path) {
            format!(
                "`{}` is a file that the job reads; it is never overwritten",
                path.display()
            )
        } else if folder.is_some() && folder == frames {
            format!("`{}` would be delivered among the frames", order.file)
        } else {
            continue;
        };
        let Place { file, span } = &job.file.deliver_to.place;
        notes
            .error(file, span.clone(), message)
            .help("choose another delivery folder or name pattern");
        // One is enough: the others are most often the same mistake.
        return;
    }
}

fn note(output: &Output, notes: &mut Diagnostics, message: String) {
    let place = &output.place;
    notes
        .error(&place.file, place.span.clone(), message)
        .help("give each person a `file_name` of their own in the roster, or change the pattern");
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

fn file_of(output: &Output, sitter: &Sitter, frame: &str) -> Result<String, names::Error> {
    let stem = frame.rsplit_once('.').map_or(frame, |(stem, _)| stem);
    let fields = [
        ("file_name", sitter.file_name.as_str()),
        ("person", sitter.person.as_str()),
        ("team", sitter.team.as_deref().unwrap_or("")),
        ("frame", stem),
        ("output", output.name.as_str()),
    ];
    names::fill(&output.pattern, &fields, output.format.ending())
}

/// Whether an output may add wall beside the frame.
fn needs_even_wall(output: &Output) -> bool {
    matches!(
        output.shape,
        Shape::Banner {
            extend_wall: true,
            ..
        }
    )
}

/// Whether a recipe makes the wall so even that its edge can go on.
fn makes_even_wall(recipe: &Recipe) -> bool {
    recipe.steps.iter().any(|step| {
        let wall = matches!(
            step.operation,
            Operation::BackgroundLift(_) | Operation::BackgroundReplace(_)
        );
        wall && !step.is_neutral()
    })
}

fn order(job: &Job, output: &Output, task: &super::Task, file: String) -> Order {
    let Ratio(factor) = output.sharpening;
    let sharpening = task
        .recipe
        .steps
        .iter()
        .find_map(|step| match &step.operation {
            Operation::OutputSharpening(sharpening) => {
                let mut scaled = sharpening.clone();
                scaled.amount = Ratio(scaled.amount.0 * factor);
                Some(scaled)
            }
            _ => None,
        });
    let rights = &job.file.rights;
    let sitter = &task.sitter;
    Order {
        name: output.name.clone(),
        file,
        shape: output.shape,
        extent: output.size,
        format: output.format,
        profile: output.profile,
        sharpening,
        black_and_white: output.black_and_white,
        metadata: Metadata {
            person: sitter.person.clone(),
            title: sitter.title.clone().unwrap_or_default(),
            caption: sitter.caption.clone().unwrap_or_default(),
            team: sitter.team.clone().unwrap_or_default(),
            client: job.file.client.clone(),
            creator: rights.creator.clone(),
            copyright: rights.copyright.clone(),
            credit: rights.credit.clone(),
            usage: rights.usage.clone(),
            contact: rights.contact.clone(),
            keywords: job.file.keywords.clone(),
            ppi: output.ppi,
            keep: output.keep,
            ..Metadata::default()
        },
    }
}
