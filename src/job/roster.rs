//! The roster: a CSV table of who is on which frame and under which name the files are delivered.
//!
//! First row: names of columns, in any order. `frame`, `person` and `file_name` are needed; `title`,
//! `team`, `caption`, `recipe` and `touch_ups` may be there; others are left alone with a warning.
//! CSV as in RFC 4180 by the `csv` crate, UTF-8 with or without byte order mark; where the first
//! row has more semicolons or tabs than commas, as spreadsheets of many countries write it, those part
//! the columns. Letters with accents come out composed (Unicode NFC), whichever way a system wrote
//! them. Reading it touches no disk.

use std::borrow::Cow;
use std::sync::Arc;

use unicode_normalization::UnicodeNormalization;

use crate::recipe::{Diagnostics, Place, Source, Span, nearest, one_of};

/// Longest roster, bytes: a hundred times the largest office we know.
const LONGEST: usize = 4 << 20;
/// Most people. Common practice, no source.
const MOST: usize = 10_000;

const NEEDED: [&str; 3] = ["frame", "person", "file_name"];
const KNOWN: [&str; 8] = [
    "frame",
    "person",
    "file_name",
    "title",
    "team",
    "caption",
    "recipe",
    "touch_ups",
];

/// Everybody in a roster.
#[derive(Debug, Clone)]
pub struct Roster {
    /// In the order of the file.
    pub sitters: Vec<Sitter>,
}

/// One row: a person on a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sitter {
    /// The frame's file, with or without its ending.
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
    /// Bytes of the values, in the order of [`Sitter::place`]'s columns; empty where there is none.
    spans: Vec<(usize, Span)>,
}

impl Sitter {
    /// The place of a column's value; of the row's first value when the column is not there.
    pub fn place(&self, file: &Arc<Source>, column: &str) -> Place {
        let wanted = KNOWN.iter().position(|known| *known == column);
        let span = self.spans.iter().find(|(known, _)| Some(*known) == wanted);
        let span = span
            .or(self.spans.first())
            .map_or(0..0, |(_, span)| span.clone());
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
        if bytes.len() > LONGEST {
            notes
                .error(
                    &Source::new(name, ""),
                    None,
                    format!("the roster is {} bytes long", bytes.len()),
                )
                .help(format!("at most {LONGEST} bytes are read"));
            return None;
        }
        let Ok(text) = std::str::from_utf8(bytes) else {
            not_utf8(name, bytes, notes);
            return None;
        };
        let source = Source::new(name, text);
        let sitters = read_table(&source, notes)?;
        doubled(&source, &sitters, notes);
        (notes.errors() == errors).then_some((source, Self { sitters }))
    }
}

/// Notes each line that is no UTF-8.
fn not_utf8(name: &str, bytes: &[u8], notes: &mut Diagnostics) {
    let mut text = String::new();
    let mut spans = Vec::new();
    for line in bytes.split_inclusive(|&b| b == b'\n') {
        let start = text.len();
        text.push_str(&String::from_utf8_lossy(line));
        if std::str::from_utf8(line).is_err() {
            spans.push(start..text.trim_end().len().max(start));
        }
    }
    let source = Source::new(name, text);
    for span in spans {
        notes
            .error(&source, span, "this line is not UTF-8 text")
            .help("save the roster as \"CSV UTF-8\"");
    }
}

fn read_table(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<Vec<Sitter>> {
    let skip = if source.text.starts_with('\u{feff}') {
        '\u{feff}'.len_utf8()
    } else {
        0
    };
    let text = &source.text[skip..];
    let first = text.lines().next().unwrap_or("");
    // Most of them in the first row; the comma where there is none.
    let count = |delimiter: &u8| first.bytes().filter(|b| b == delimiter).count();
    let delimiter = *b"\t;,".iter().max_by_key(|d| count(d)).unwrap_or(&b',');
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(text.as_bytes());
    let mut columns: Option<Vec<Option<usize>>> = None;
    let mut sitters = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                notes.error(source, None, format!("the roster cannot be read: {error}"));
                return None;
            }
        }
        let start = record
            .position()
            .map_or(0, |at| at.byte() as usize)
            .min(text.len());
        let spans = field_spans(source, skip + start, delimiter);
        let Some(columns) = &columns else {
            columns = Some(read_header(source, &record, &spans, notes)?);
            continue;
        };
        if record.iter().all(|value| value.trim().is_empty()) {
            continue;
        }
        if sitters.len() == MOST {
            notes.error(
                source,
                spans.first().cloned(),
                format!("more than {MOST} rows"),
            );
            return None;
        }
        sitters.extend(read_row(source, &record, &spans, columns, notes));
    }
    if columns.is_none() {
        notes
            .error(source, None, "the roster is empty")
            .help(format!(
                "its first row names the columns: {}",
                NEEDED.join(",")
            ));
        return None;
    }
    Some(sitters)
}

/// Bytes of each value of the record at `start`, without quotes around it.
fn field_spans(source: &Source, start: usize, delimiter: u8) -> Vec<Span> {
    let bytes = source.text.as_bytes();
    let blank = |b: &&u8| matches!(b, b'\n' | b'\r');
    let mut at = start + bytes[start..].iter().take_while(blank).count();
    let mut spans = Vec::new();
    loop {
        let first = at;
        if bytes.get(at) == Some(&b'"') {
            at += 1;
            while at < bytes.len() {
                match (bytes[at], bytes.get(at + 1)) {
                    (b'"', Some(b'"')) => at += 2,
                    (b'"', _) => break,
                    _ => at += 1,
                }
            }
            spans.push(first + 1..at);
        }
        let value_end = |b: &&u8| !matches!(**b, b'\n' | b'\r') && **b != delimiter;
        at += bytes[at..].iter().take_while(value_end).count();
        if bytes.get(first) != Some(&b'"') {
            spans.push(first..at);
        }
        if bytes.get(at) != Some(&delimiter) {
            return spans;
        }
        at += 1;
    }
}

/// Which known column each column is.
fn read_header(
    source: &Arc<Source>,
    record: &csv::StringRecord,
    spans: &[Span],
    notes: &mut Diagnostics,
) -> Option<Vec<Option<usize>>> {
    let errors = notes.errors();
    let mut columns: Vec<Option<usize>> = Vec::new();
    let mut unknown = Vec::new();
    for (written, span) in record.iter().zip(spans) {
        let name = written.trim().to_lowercase().replace([' ', '-'], "_");
        let known = KNOWN.iter().position(|known| *known == name);
        match known {
            Some(_) if columns.contains(&known) => {
                notes.error(
                    source,
                    span.clone(),
                    format!("the column `{name}` is there twice"),
                );
            }
            Some(_) => {}
            None => unknown.push((written.trim(), span)),
        }
        columns.push(known);
    }
    let missing: Vec<&str> = NEEDED
        .into_iter()
        .filter(|needed| {
            !columns
                .iter()
                .flatten()
                .any(|&column| KNOWN[column] == *needed)
        })
        .collect();
    for (written, span) in unknown {
        let nearest = nearest(written, KNOWN);
        // A needed column that is only misspelt is told once, as missing.
        if nearest.is_some_and(|name| missing.contains(&name)) {
            continue;
        }
        let note = notes.warning(
            source,
            span.clone(),
            format!("the column `{written}` is not read"),
        );
        match nearest {
            Some(name) => note.label(format!("did you mean `{name}`?")),
            None => note.label("not known"),
        };
        note.help(format!(
            "read are {}",
            one_of(KNOWN).replace(" or ", " and ")
        ));
    }
    for name in missing {
        let whole = spans
            .first()
            .zip(spans.last())
            .map(|(first, last)| first.start..last.end);
        let near = record
            .iter()
            .zip(spans)
            .find(|(written, _)| nearest(written.trim(), [name]).is_some());
        let span = near.map(|(_, span)| span.clone()).or(whole);
        let label = if near.is_some() {
            format!("did you mean `{name}`?")
        } else {
            String::new()
        };
        notes
            .error(source, span, format!("the column `{name}` is missing"))
            .label(label)
            .help(format!(
                "the first row names the columns; needed are {}",
                NEEDED.join(", ")
            ));
    }
    (notes.errors() == errors).then_some(columns)
}

fn read_row(
    source: &Arc<Source>,
    record: &csv::StringRecord,
    spans: &[Span],
    columns: &[Option<usize>],
    notes: &mut Diagnostics,
) -> Option<Sitter> {
    let errors = notes.errors();
    let row = spans.first()?.start..spans.last()?.end;
    let (line, _) = source.line_and_column(row.start);
    if record.len() != columns.len() {
        notes
            .error(
                source,
                row,
                format!(
                    "this row has {} values, the first row {}",
                    record.len(),
                    columns.len()
                ),
            )
            .help("a value that holds the separator stands between double quotes");
        return None;
    }
    let mut known_spans = Vec::new();
    let mut values: [Option<String>; KNOWN.len()] = Default::default();
    for ((column, value), span) in columns.iter().zip(record).zip(spans) {
        let Some(column) = *column else { continue };
        let value = composed(value.trim());
        known_spans.push((column, span.clone()));
        let long = KNOWN[column] != "caption" && value.len() > 300 || value.len() > 4000;
        if long || value.contains('\0') {
            let message = format!("`{}` is too long or holds a zero byte", KNOWN[column]);
            notes.error(source, span.clone(), message);
        } else if !value.is_empty() {
            values[column] = Some(value.into_owned());
        } else if NEEDED.contains(&KNOWN[column]) {
            let span = if span.is_empty() {
                row.clone()
            } else {
                span.clone()
            };
            notes
                .error(source, span, format!("`{}` is empty", KNOWN[column]))
                .label("in this row");
        }
    }
    known_spans.sort_by_key(|(column, _)| *column);
    if let (Some(name), Some((_, span))) = (&values[2], known_spans.iter().find(|(c, _)| *c == 2))
        && let Some(why) = unfit_for_files(name)
    {
        notes
            .error(
                source,
                span.clone(),
                format!("`{}` cannot name a file: {why}", name.escape_debug()),
            )
            .help("`file_name` is a single name without folder and ending, such as vale-iris");
    }
    if notes.errors() > errors {
        return None;
    }
    let [
        frame,
        person,
        file_name,
        title,
        team,
        caption,
        recipe,
        touch_ups,
    ] = values;
    Some(Sitter {
        frame: frame?,
        person: person?,
        file_name: file_name?,
        title,
        team,
        caption,
        recipe,
        touch_ups,
        line,
        spans: known_spans,
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
    use std::collections::HashMap;
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

/// Text with its accents composed: file names come in pieces from some systems.
fn composed(text: &str) -> Cow<'_, str> {
    if text.is_ascii() {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.nfc().collect())
    }
}

/// Which of the frames a row means: by path or file name, with or without its ending; capital and
/// small letters are told apart only where both are there.
///
/// # Errors
/// Completes "the frame `x` …" when there is none, or more than one.
pub fn find_frame(wanted: &str, frames: &[String]) -> Result<usize, &'static str> {
    let all = |same: &dyn Fn(&str) -> bool| -> Vec<usize> {
        let indices = 0..frames.len();
        indices.filter(|&i| same(&composed(&frames[i]))).collect()
    };
    let exactly: &dyn Fn(&str, &str) -> bool = &|one, other| one == other;
    let loosely: &dyn Fn(&str, &str) -> bool =
        &|one, other| one.eq_ignore_ascii_case(other) || one.to_lowercase() == other.to_lowercase();
    let mut found = Vec::new();
    for same in [exactly, loosely] {
        let ends_so = |path: &str| {
            let start = path.len().checked_sub(wanted.len());
            let (before, end) =
                start.map_or(("", ""), |at| path.split_at_checked(at).unwrap_or(("", "")));
            same(end, wanted) && (before.is_empty() || before.ends_with('/'))
        };
        let is_stem = |path: &str| {
            let name = path.rsplit('/').next().unwrap_or(path);
            same(name.rsplit_once('.').map_or(name, |(stem, _)| stem), wanted)
        };
        found = all(&ends_so);
        if found.is_empty() {
            found = all(&is_stem);
        }
        if !found.is_empty() {
            break;
        }
    }
    match found.as_slice() {
        [only] => Ok(*only),
        [] => Err("is not there"),
        _ => Err("is there more than once; write its ending or its folder"),
    }
}
