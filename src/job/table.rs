//! Tables that people write or save: CSV with a first row of names, every mistake at its place.
//!
//! CSV as in RFC 4180 by the `csv` crate, UTF-8 with or without byte order mark; where the first
//! row has more semicolons or tabs than commas, as spreadsheets of many countries write it, those
//! part the columns. Columns stand in any order; those that are not known are left alone with a
//! warning. Letters with accents come out composed (Unicode NFC), whichever way a system wrote them.

use std::borrow::Cow;
use std::sync::Arc;

use unicode_normalization::UnicodeNormalization;

use crate::recipe::{Diagnostics, Source, Span, nearest, one_of};

/// Longest table, bytes: a hundred times the largest office we know.
pub(super) const LONGEST: usize = 4 << 20;
/// Most rows. Common practice, no source.
const MOST: usize = 10_000;
/// Most columns. Common practice, no source.
const MOST_COLUMNS: usize = 500;
/// Bytes of a value, and of one that may be long. Common practice, no source.
const VALUE: usize = 300;
const LONG_VALUE: usize = 4000;

/// What a table looks like.
#[derive(Debug)]
pub(super) struct Table {
    /// What it is called in messages.
    pub what: &'static str,
    /// Columns that must be there, with a value in each row.
    pub needed: &'static [&'static str],
    /// All columns that are read.
    pub known: &'static [&'static str],
    /// Those whose values may be long.
    pub long: &'static [&'static str],
}

/// One row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Row {
    /// Name, value (`None` where there is none) and its bytes, of each known column.
    cells: Vec<(&'static str, Option<String>, Span)>,
    /// Its line in the file.
    pub line: usize,
}

impl Row {
    /// A column's value, if there is one.
    pub(super) fn value(&self, column: &str) -> Option<&str> {
        let cell = self.cells.iter().find(|(name, _, _)| *name == column);
        cell.and_then(|(_, value, _)| value.as_deref())
    }

    /// Bytes of a column's value.
    pub(super) fn span(&self, column: &str) -> Option<Span> {
        let cell = self.cells.iter().find(|(name, _, _)| *name == column);
        cell.map(|(_, _, span)| span.clone())
    }

    /// Bytes of a column's value; of the row's first known value when the column is not there.
    pub(super) fn place(&self, column: &str) -> Span {
        let first = || self.cells.first().map(|(_, _, span)| span.clone());
        self.span(column).or_else(first).unwrap_or(0..0)
    }
}

/// Reads a table. `None` when it cannot be read as one; rows with mistakes come without the wrong
/// values, and `notes` has them all.
pub(super) fn read(
    name: &str,
    bytes: &[u8],
    table: &Table,
    notes: &mut Diagnostics,
) -> Option<(Arc<Source>, Vec<Row>)> {
    let what = table.what;
    if bytes.len() > LONGEST {
        let message = format!("the {what} is {} bytes long", bytes.len());
        notes
            .error(&Source::new(name, ""), None, message)
            .help(format!("at most {LONGEST} bytes are read"));
        return None;
    }
    let Ok(text) = std::str::from_utf8(bytes) else {
        not_utf8(name, bytes, what, notes);
        return None;
    };
    let source = Source::new(name, text);
    let rows = read_rows(&source, table, notes)?;
    Some((source, rows))
}

/// Notes each line that is no UTF-8.
fn not_utf8(name: &str, bytes: &[u8], what: &str, notes: &mut Diagnostics) {
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
            .help(format!("save the {what} as \"CSV UTF-8\""));
    }
}

fn read_rows(source: &Arc<Source>, table: &Table, notes: &mut Diagnostics) -> Option<Vec<Row>> {
    let what = table.what;
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
    let mut rows = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                notes.error(source, None, format!("the {what} cannot be read: {error}"));
                return None;
            }
        }
        let start = record
            .position()
            .map_or(0, |at| at.byte() as usize)
            .min(text.len());
        let spans = field_spans(source, skip + start, delimiter);
        let Some(columns) = &columns else {
            columns = Some(read_header(source, &record, &spans, table, notes)?);
            continue;
        };
        if record.iter().all(|value| value.trim().is_empty()) {
            continue;
        }
        if rows.len() == MOST {
            notes.error(
                source,
                spans.first().cloned(),
                format!("more than {MOST} rows"),
            );
            return None;
        }
        rows.extend(read_row(source, &record, &spans, columns, table, notes));
    }
    if columns.is_none() {
        notes
            .error(source, None, format!("the {what} is empty"))
            .help(format!(
                "its first row names the columns: {}",
                table.needed.join(",")
            ));
        return None;
    }
    Some(rows)
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
    table: &Table,
    notes: &mut Diagnostics,
) -> Option<Vec<Option<usize>>> {
    let (known_names, needed_names) = (table.known, table.needed);
    let errors = notes.errors();
    if record.len() > MOST_COLUMNS {
        let message = format!("the first row names {} columns", record.len());
        notes
            .error(source, spans.first().cloned(), message)
            .help(format!("at most {MOST_COLUMNS} are read"));
        return None;
    }
    let mut columns: Vec<Option<usize>> = Vec::new();
    let mut unknown = Vec::new();
    for (written, span) in record.iter().zip(spans) {
        let name = written.trim().to_lowercase().replace([' ', '-'], "_");
        let known = known_names.iter().position(|known| *known == name);
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
    let missing: Vec<&str> = needed_names
        .iter()
        .copied()
        .filter(|needed| {
            !columns
                .iter()
                .flatten()
                .any(|&column| known_names[column] == *needed)
        })
        .collect();
    for (written, span) in unknown {
        let nearest = nearest(written, known_names.iter().copied());
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
            one_of(known_names.iter().copied()).replace(" or ", " and ")
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
                needed_names.join(", ")
            ));
    }
    (notes.errors() == errors).then_some(columns)
}

fn read_row(
    source: &Arc<Source>,
    record: &csv::StringRecord,
    spans: &[Span],
    columns: &[Option<usize>],
    table: &Table,
    notes: &mut Diagnostics,
) -> Option<Row> {
    let row = spans.first()?.start..spans.last()?.end;
    let line = source.line(row.start);
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
    let mut cells = Vec::new();
    for ((column, value), span) in columns.iter().zip(record).zip(spans) {
        let Some(column) = *column else { continue };
        let (name, value) = (table.known[column], composed(value.trim()));
        let longest = if table.long.contains(&name) {
            LONG_VALUE
        } else {
            VALUE
        };
        let mut kept = None;
        if value.len() > longest || value.contains('\0') {
            let message = format!("`{name}` is too long or holds a zero byte");
            notes.error(source, span.clone(), message);
        } else if !value.is_empty() {
            kept = Some(value.into_owned());
        } else if table.needed.contains(&name) {
            let span = if span.is_empty() {
                row.clone()
            } else {
                span.clone()
            };
            notes
                .error(source, span, format!("`{name}` is empty"))
                .label("in this row");
        }
        cells.push((column, kept, span.clone()));
    }
    cells.sort_by_key(|(column, _, _)| *column);
    let named =
        |(column, value, span): (usize, Option<String>, Span)| (table.known[column], value, span);
    Some(Row {
        cells: cells.into_iter().map(named).collect(),
        line,
    })
}

/// Text with its accents composed: file names come in pieces from some systems.
pub(super) fn composed(text: &str) -> Cow<'_, str> {
    if text.is_ascii() {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.nfc().collect())
    }
}
