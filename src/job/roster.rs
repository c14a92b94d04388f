//! The roster: a CSV table of who is on which frame and under which name the files are delivered.
//!
//! Columns in any order: `frame`, `person` and `file_name` are needed; `title`, `team`, `caption`,
//! `recipe` and `touch_ups` may be there; others are left alone with a warning (`table`). `frame` may
//! name several frames to choose from (`candidates`). Reading it touches no disk.

use std::collections::HashMap;
use std::sync::Arc;

use crate::recipe::{Diagnostics, Place, Source};

use super::table::{self, Row, Table, composed};

const TABLE: Table = Table {
    what: "roster",
    needed: &["frame", "person", "file_name"],
    known: &[
        "frame",
        "person",
        "file_name",
        "title",
        "team",
        "caption",
        "recipe",
        "touch_ups",
    ],
    long: &["frame", "caption"],
};

/// Everybody in a roster.
#[derive(Debug, Clone)]
pub struct Roster {
    /// In the order of the file.
    pub sitters: Vec<Sitter>,
}

/// One row: a person on a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sitter {
    /// The frame's file, with or without its ending; or several to choose from, as in `candidates`.
    pub frame: String,
    /// Name as people read it.
    pub person: String,
    /// Name for files: a single plain file name without ending.
    pub file_name: String,
    /// What they do.
    pub title: Option<String>,
    /// Where they belong.
    pub team: Option<String>,
    /// For the files' metadata.
    pub caption: Option<String>,
    /// A recipe of their own, from the job's folder.
    pub recipe: Option<String>,
    /// Touch-ups for this frame, from the job's folder.
    pub touch_ups: Option<String>,
    /// The row's line in the file.
    pub line: usize,
    /// As written.
    row: Row,
}

impl Sitter {
    /// The place of a column's value; of the row's first value when the column is not there.
    pub fn place(&self, file: &Arc<Source>, column: &str) -> Place {
        let span = self.row.place(column);
        Place {
            file: Arc::clone(file),
            span,
        }
    }
}

impl Roster {
    /// Reads a roster. `None` when there was any error; `notes` has them all, and warnings.
    /// The source is given back too, since bytes that are no UTF-8 cannot be quoted before.
    pub fn read(name: &str, bytes: &[u8], notes: &mut Diagnostics) -> Option<(Arc<Source>, Self)> {
        let errors = notes.errors();
        let (source, rows) = table::read(name, bytes, &TABLE, notes)?;
        let sitters: Vec<Sitter> = rows
            .into_iter()
            .filter_map(|row| sitter(&source, row, notes))
            .collect();
        doubled(&source, &sitters, notes);
        (notes.errors() == errors).then_some((source, Self { sitters }))
    }
}

fn sitter(source: &Arc<Source>, row: Row, notes: &mut Diagnostics) -> Option<Sitter> {
    let fit = match (row.value("file_name"), row.span("file_name")) {
        (Some(name), Some(span)) => unfit_for_files(name).is_none_or(|why| {
            notes
                .error(
                    source,
                    span,
                    format!("`{}` cannot name a file: {why}", name.escape_debug()),
                )
                .help("`file_name` is a single name without folder and ending, such as vale-iris");
            false
        }),
        _ => false,
    };
    let value = |name| row.value(name).map(str::to_owned);
    Some(Sitter {
        frame: value("frame")?,
        person: value("person")?,
        file_name: value("file_name").filter(|_| fit)?,
        title: value("title"),
        team: value("team"),
        caption: value("caption"),
        recipe: value("recipe"),
        touch_ups: value("touch_ups"),
        line: row.line,
        row,
    })
}

/// Why a name is not a plain file name on every common system.
fn unfit_for_files(name: &str) -> Option<&'static str> {
    let stem = name.split('.').next().unwrap_or("").to_ascii_lowercase();
    let device = matches!(stem.as_str(), "con" | "prn" | "aux" | "nul")
        || stem.len() == 4
            && (stem.starts_with("com") || stem.starts_with("lpt"))
            && stem.ends_with(|c: char| c.is_ascii_digit());
    if name.contains(['/', '\\']) {
        Some("it holds a folder")
    } else if name.contains(|c: char| c.is_control() || "<>:\"|?*".contains(c)) {
        Some("it holds a character that some systems refuse")
    } else if name.starts_with('.') || name.ends_with('.') {
        Some("it begins or ends with a full stop")
    } else if device {
        Some("some systems keep this name for a device")
    } else if name.len() > 120 {
        Some("it is longer than 120 bytes")
    } else {
        None
    }
}

/// Notes what two rows cannot share. File names are compared without regard to case, as some
/// disks do.
fn doubled(source: &Arc<Source>, sitters: &[Sitter], notes: &mut Diagnostics) {
    let mut names: HashMap<String, &Sitter> = HashMap::new();
    let mut people: HashMap<&str, &Sitter> = HashMap::new();
    let mut frames: HashMap<&str, &Sitter> = HashMap::new();
    for sitter in sitters {
        if let Some(first) = names.get(&sitter.file_name.to_lowercase()) {
            let (name, line) = (&sitter.file_name, first.line);
            let message = format!("two rows have the file name `{name}`");
            notes
                .error(source, sitter.place(source, "file_name").span, message)
                .label(format!("also in line {line}, for {}", first.person))
                .help("one file would overwrite the other: give each a name of its own");
        }
        if let Some(first) = people.get(sitter.person.as_str()) {
            let message = format!("{} is there twice", sitter.person);
            notes
                .warning(source, sitter.place(source, "person").span, message)
                .label(format!("also in line {}", first.line))
                .help("fine for two people of one name or a second picture; else take a row out");
        }
        if let Some(first) = frames.get(sitter.frame.as_str())
            && first.person != sitter.person
        {
            let message = format!("the frame `{}` is given to two people", sitter.frame);
            notes
                .error(source, sitter.place(source, "frame").span, message)
                .label(format!("line {} gives it to {}", first.line, first.person));
        }
        names
            .entry(sitter.file_name.to_lowercase())
            .or_insert(sitter);
        people.entry(&sitter.person).or_insert(sitter);
        frames.entry(&sitter.frame).or_insert(sitter);
    }
}

/// Frames by all that a row may call them: an office of thousands asks thousands of times.
pub struct Known {
    /// As written, then in small letters.
    ways: [Names; 2],
}

/// Indices of frames by their names.
#[derive(Default)]
struct Names {
    /// By path, from any folder on.
    paths: HashMap<String, Vec<usize>>,
    /// By file name without its ending.
    stems: HashMap<String, Vec<usize>>,
}

impl Known {
    /// Of these paths.
    pub fn new(frames: &[String]) -> Self {
        let mut ways = [Names::default(), Names::default()];
        for (index, path) in frames.iter().enumerate() {
            let path = composed(path);
            for (names, path) in ways.iter_mut().zip([path.to_string(), path.to_lowercase()]) {
                let name = path.rsplit('/').next().unwrap_or(&path);
                let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
                names.stems.entry(stem.to_owned()).or_default().push(index);
                for (slash, _) in path.match_indices('/') {
                    let from_here = path[slash + 1..].to_owned();
                    names.paths.entry(from_here).or_default().push(index);
                }
                names.paths.entry(path).or_default().push(index);
            }
        }
        Self { ways }
    }

    /// Which of the frames a row means: by path or file name, with or without its ending; capital
    /// and small letters are told apart only where both are there.
    ///
    /// # Errors
    /// Completes "the frame `x` …" when there is none, or more than one.
    pub fn find(&self, wanted: &str) -> Result<usize, &'static str> {
        let wanted = composed(wanted);
        for (names, wanted) in self.ways.iter().zip([&*wanted, &wanted.to_lowercase()]) {
            let found = names.paths.get(wanted).or_else(|| names.stems.get(wanted));
            match found.map(Vec::as_slice) {
                Some([only]) => return Ok(*only),
                Some(_) => {
                    return Err("is there more than once; write its ending or its folder");
                }
                None => {}
            }
        }
        Err("is not there")
    }
}
