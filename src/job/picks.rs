//! Picks: who chose which frames. A CSV table that the proof gallery saves, or that somebody writes.
//!
//! Columns `file_name`, `frame` and `choice` (`yes`, `maybe` or `no`) are needed. `person` is for
//! whoever reads it. `picture` is a mark of the frame's content: where it is there, a frame that is
//! no longer the one that was chosen is not delivered. Several sitters may each send a file: a job
//! names one file or a folder of them. Reading a table touches no disk.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::recipe::{Diagnostics, Place, Source, nearest, one_of};

use super::roster::{Known, Sitter};
use super::table::{self, Row, Table};

const TABLE: Table = Table {
    what: "picks file",
    needed: &["file_name", "frame", "choice"],
    known: &["person", "file_name", "frame", "choice", "picture"],
    long: &[],
};

/// How a mark begins, so that no spreadsheet takes it for a number.
const MARK: &str = "b3-";
/// Hexadecimal digits of BLAKE3 in a mark: no two frames of any office share 64 bits by chance.
const DIGITS: usize = 16;

/// What somebody said of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choice {
    /// This one shall be finished.
    Yes,
    /// Still to be decided.
    Maybe,
    /// Not this one.
    No,
}

const CHOICES: [(&str, Choice); 3] = [
    ("yes", Choice::Yes),
    ("maybe", Choice::Maybe),
    ("no", Choice::No),
];

/// The mark of a frame by its BLAKE3 in hexadecimal.
pub fn mark(blake3: &str) -> String {
    format!("{MARK}{}", &blake3[..DIGITS.min(blake3.len())])
}

/// A row's frame with the choice on it.
#[derive(Debug, Clone)]
pub struct Pick {
    /// What was said.
    pub choice: Choice,
    /// The mark of the frame that it was said of, if it was kept.
    pub picture: Option<String>,
    place: Place,
}

/// What picks are read against.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a> {
    /// Rows whose frames are there, with the indices of their candidates among `frames`.
    pub found: &'a [(Sitter, Vec<usize>)],
    /// All rows.
    pub all: &'a [Sitter],
    /// Paths.
    pub frames: &'a [String],
}

/// All picks of a job: by the roster's file name, then by the index of the frame.
#[derive(Debug, Default)]
pub struct Picks {
    of: BTreeMap<(String, usize), Pick>,
}

impl Picks {
    /// The choice on a sitter's frame.
    pub fn on(&self, sitter: &Sitter, frame: usize) -> Option<&Pick> {
        self.of.get(&(sitter.file_name.clone(), frame))
    }

    /// Reads a table and adds it; notes what fits no row.
    pub fn add(&mut self, name: &str, bytes: &[u8], rows: Rows<'_>, notes: &mut Diagnostics) {
        let Some((source, picks)) = table::read(name, bytes, &TABLE, notes) else {
            return;
        };
        for row in picks {
            self.add_row(&source, &row, rows, notes);
        }
    }

    fn add_row(
        &mut self,
        source: &Arc<Source>,
        row: &Row,
        Rows { found, all, frames }: Rows<'_>,
        notes: &mut Diagnostics,
    ) {
        let choice = choice_of(source, row, notes);
        let picture = picture_of(source, row, notes);
        let named = |column| row.value(column).map(unguarded);
        let (Some(choice), Some(file_name), Some(frame)) =
            (choice, named("file_name"), named("frame"))
        else {
            return;
        };
        let Some((sitter, candidates)) = found
            .iter()
            .find(|(sitter, _)| sitter.file_name == file_name)
        else {
            // A row whose frames are missing is told of already.
            if all.iter().all(|other| other.file_name != file_name) {
                let names = all.iter().map(|other| other.file_name.as_str());
                let near = nearest(file_name, names);
                let message = format!("nobody in the roster has the file name `{file_name}`");
                let note = notes.error(source, row.place("file_name"), message);
                match near {
                    Some(near) => note.label(format!("did you mean `{near}`?")),
                    None => note.label("not in the roster"),
                };
                note.help("picks belong to the roster that their gallery was made from");
            }
            return;
        };
        let own: Vec<String> = candidates.iter().map(|&at| frames[at].clone()).collect();
        let Ok(index) = Known::new(&own).find(frame) else {
            let names = own.iter().map(|path| super::file_name(path));
            let near = nearest(frame, names.clone());
            let message = format!("{} has no frame `{frame}`", sitter.person);
            let note = notes.error(source, row.place("frame"), message);
            match near {
                Some(near) => note.label(format!("did you mean `{near}`?")),
                None => note.label("not among the row's frames"),
            };
            let count = own.len();
            note.help(match count {
                0..=6 => format!("there is {}", one_of(names)),
                _ => format!("line {} of the roster names {count} frames", sitter.line),
            });
            return;
        };
        let index = candidates[index];
        let place = Place {
            file: Arc::clone(source),
            span: row.place("frame"),
        };
        if let Some(first) = self.of.get(&(sitter.file_name.clone(), index)) {
            let (line, _) = first.place.file.line_and_column(first.place.span.start);
            let other = &first.place.file.name;
            let message = format!("the frame `{frame}` of {} is chosen twice", sitter.person);
            let label = format!("also in line {line} of {other}");
            if first.choice == choice {
                notes.warning(source, place.span, message).label(label);
            } else {
                notes
                    .error(source, place.span, message)
                    .label(format!("{label}, with another choice"))
                    .help("settle it with whoever chose, and take one row out");
            }
            return;
        }
        let pick = Pick {
            choice,
            picture: picture.map(str::to_owned),
            place,
        };
        self.of.insert((sitter.file_name.clone(), index), pick);
    }
}

/// What a row says of its frame; notes a word that is no choice.
fn choice_of(source: &Arc<Source>, row: &Row, notes: &mut Diagnostics) -> Option<Choice> {
    let written = row.value("choice")?;
    let small = written.to_lowercase();
    let known = CHOICES.iter().find(|(word, _)| *word == small);
    if known.is_none() {
        let words = CHOICES.map(|(word, _)| word);
        let message = format!("there is no choice `{}`", written.escape_debug());
        let note = notes.error(source, row.place("choice"), message);
        match nearest(written, words) {
            Some(word) => note.label(format!("did you mean `{word}`?")),
            None => note.label("not known"),
        };
        note.help(format!("a choice is {}", one_of(words)));
    }
    known.map(|(_, choice)| *choice)
}

/// The mark of the frame that a row speaks of; notes what is none.
fn picture_of<'r>(source: &Arc<Source>, row: &'r Row, notes: &mut Diagnostics) -> Option<&'r str> {
    let written = row.value("picture")?;
    let picture = marked(written);
    if picture.is_none() {
        let message = format!("`{}` is no mark of a picture", written.escape_debug());
        notes
            .error(source, row.place("picture"), message)
            .help("leave the column as the gallery saved it, or leave it out");
    }
    picture
}

/// Whether a table is a picks file and no roster: its first line names the column `choice`.
pub(super) fn is_picks(bytes: &[u8]) -> bool {
    let first = bytes.split(|b| *b == b'\n').next().unwrap_or(bytes);
    let first = String::from_utf8_lossy(first);
    first.split([',', ';', '\t']).any(|cell| {
        cell.trim_matches(['\u{feff}', '"', ' ', '\r'])
            .eq_ignore_ascii_case("choice")
    })
}

/// Notes what is wrong in a picks file by itself; whether it fits a roster, a job says that names it.
pub(super) fn check(name: &str, bytes: &[u8], notes: &mut Diagnostics) {
    let Some((source, rows)) = table::read(name, bytes, &TABLE, notes) else {
        return;
    };
    for row in rows {
        choice_of(&source, &row, notes);
        picture_of(&source, &row, notes);
    }
}

/// How the BLAKE3 begins that a mark stands for.
fn marked(text: &str) -> Option<&str> {
    let digits = |rest: &&str| rest.len() == DIGITS && rest.bytes().all(|b| b.is_ascii_hexdigit());
    text.strip_prefix(MARK).filter(digits)
}

/// A cell without the apostrophe that keeps spreadsheets from taking it for a formula.
fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@']) => rest,
        _ => cell,
    }
}
