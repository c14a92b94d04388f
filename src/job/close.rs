//! What a delivery gets as a whole once its frames are done: the contact sheet and the manifest.
//!
//! Both show the whole job, by this run or an earlier one, and are written only when they would
//! change: a run with nothing to do opens no picture.

use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use crate::colour::output::Profile;
use crate::deliver::atomic::{self, Originals, sidecar_path};
use crate::deliver::contact_sheet::{ContactSheet, Tile};
use crate::deliver::encode::{self, Format, Pixels};
use crate::deliver::metadata::Metadata;
use crate::deliver::output;
use crate::picture::Size;
use crate::raw::Frame;

use super::finish::{PROGRAM, open, read_sidecar};
use super::input;
use super::manifest::{self, Manifest};
use super::plan::{Plan, Task};
use super::seen::Seen;

/// The contact sheet's name in the delivery folder.
pub(super) const SHEET: &str = "contact-sheet.jpg";
/// Long side of a contact sheet's tile in pixels.
const TILE: usize = 360;
/// People whose tiles have that size; of more, tiles get smaller, so that the sheet has about 20
/// megapixels at most and its memory does not grow with the office.
const PEOPLE: usize = 150;
/// Most tiles in a row.
const COLUMNS: usize = 24;

/// Writes contact sheet and manifest, and gives the sheet's path; `None` when nobody's picture is
/// delivered.
///
/// # Errors
/// When one cannot be written, or somebody else's file stands there.
pub fn close(plan: &Plan) -> Result<Option<PathBuf>, String> {
    let seen = Seen::of(&plan.deliver_to);
    let originals = plan.originals();
    let delivered: Vec<Delivered<'_>> = plan
        .tasks
        .iter()
        .filter_map(|task| {
            let path = plan.deliver_to.join(&task.outputs.first()?.file);
            let sidecar = read_sidecar(&sidecar_path(&path))?;
            // What was edited since may show anything, or be no picture.
            let now = seen.digest(&path).ok()?;
            (now.blake3 == sidecar.output.blake3_file).then_some(Delivered {
                task,
                path,
                size: sidecar.output.size,
                blake3: now.blake3,
            })
        })
        .collect();
    let sheet = sheet(plan, &delivered, &originals);
    let manifest = manifest_of(plan, &seen, &originals);
    seen.keep(&plan.deliver_to);
    let sheet = sheet?;
    manifest.map(|()| sheet)
}

/// A sitter's first file as it was delivered.
struct Delivered<'a> {
    task: &'a Task,
    path: PathBuf,
    size: Size,
    blake3: String,
}

/// The contact sheet of everybody whose picture is delivered.
fn sheet(
    plan: &Plan,
    delivered: &[Delivered<'_>],
    originals: &Originals,
) -> Result<Option<PathBuf>, String> {
    if delivered.is_empty() {
        return Ok(None);
    }
    let path = plan.deliver_to.join(SHEET);
    let mark = mark(plan, delivered);
    match input::bytes(&path, input::LONGEST_FRAME)
        .ok()
        .map(|file| program(&file))
    {
        Some(Some(known)) if known == mark => return Ok(Some(path)),
        // A contact sheet has no sidecar that could say whose it is: it says so itself.
        Some(known)
            if !known
                .as_ref()
                .is_some_and(|known| known.starts_with("lapel ")) =>
        {
            return Err(format!(
                "{}: a file stands there that this program did not write; move it away",
                path.display()
            ));
        }
        _ => {}
    }
    let (tile, columns) = layout(delivered.len());
    let one = Size {
        width: 1,
        height: 1,
    };
    let sizes = delivered
        .iter()
        .map(|one| output::thumbnail_size(one.size, tile));
    let cell = sizes.fold(one, |cell, size| Size {
        width: cell.width.max(size.width),
        height: cell.height.max(size.height),
    });
    let mut sheet = ContactSheet::new(delivered.len(), columns, cell);
    for one in delivered {
        let (frame, _) = open(&one.path)?;
        let Frame::Finished(finished) = frame else {
            continue;
        };
        let (pixels, size) = output::thumbnail(&finished.picture, tile);
        sheet.lay(&Tile {
            pixels,
            size,
            name: one.task.sitter.person.clone(),
        });
    }
    let (pixels, size) = sheet.finish();
    let metadata = Metadata {
        client: plan.client.clone(),
        program: mark,
        ..Metadata::default()
    };
    let format = Format::jpeg(88);
    let icc = Profile::Srgb.icc();
    let (file, _) = encode::encode(&Pixels::Eight(pixels), size, format, &icc, &metadata)
        .map_err(|error| error.to_string())?;
    atomic::write(&path, &file, originals).map_err(|error| error.to_string())?;
    Ok(Some(path))
}

/// Long side of a tile and tiles in a row, for so many people.
fn layout(people: usize) -> (usize, usize) {
    let shrunk = (PEOPLE as f64 / people.max(1) as f64).sqrt().min(1.0);
    // About as wide as high, as tiles are higher than wide.
    let columns = (people as f64 * 1.4).sqrt().ceil() as usize;
    ((TILE as f64 * shrunk) as usize, columns.clamp(1, COLUMNS))
}

/// The program with a digest of all that the sheet shows.
fn mark(plan: &Plan, delivered: &[Delivered<'_>]) -> String {
    let mut hasher = blake3::Hasher::new();
    let mut add = |text: &str| {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    };
    add(&plan.client);
    for one in delivered {
        add(&one.task.sitter.person);
        add(&one.blake3);
    }
    format!("{PROGRAM} {}", hasher.finalize().to_hex())
}

/// The program that a JPEG says it was written by.
fn program(file: &[u8]) -> Option<String> {
    let exif = exif::Reader::new()
        .read_from_container(&mut Cursor::new(file))
        .ok()?;
    match &exif
        .get_field(exif::Tag::Software, exif::In::PRIMARY)?
        .value
    {
        exif::Value::Ascii(texts) => String::from_utf8(texts.first()?.clone()).ok(),
        _ => None,
    }
}

/// Writes the manifest of all that the job delivers.
fn manifest_of(plan: &Plan, seen: &Seen, originals: &Originals) -> Result<(), String> {
    let told = |path: &Path| {
        let path = path.display().to_string();
        move |error: std::io::Error| format!("{path}: {error}")
    };
    let mut manifest = Manifest::default();
    let files = plan.tasks.iter().flat_map(|task| &task.outputs);
    let files = files.map(|order| order.file.as_str()).chain([SHEET]);
    for file in files {
        let path = plan.deliver_to.join(file);
        let beside = (sidecar_path(&path), format!("{file}.ron"));
        for (path, name) in [(path, file.to_owned()), beside] {
            if path.exists() {
                let sum = seen.checksum(&path).map_err(told(&path))?;
                manifest.0.insert(name, sum);
            }
        }
    }
    let path = plan.deliver_to.join(manifest::NAME);
    let text = manifest.to_text();
    if manifest.0.is_empty() || fs::read_to_string(&path).is_ok_and(|before| before == text) {
        return Ok(());
    }
    atomic::write(&path, text.as_bytes(), originals).map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pixels of a sheet of so many portraits of 4:5.
    fn pixels(people: usize) -> usize {
        let (tile, columns) = layout(people);
        let cell = output::thumbnail_size(
            Size {
                width: 1200,
                height: 1500,
            },
            tile,
        );
        let (_, size) = ContactSheet::new(people, columns, cell).finish();
        size.width * size.height
    }

    #[test]
    fn a_sheet_stays_bounded_however_many_there_are() {
        assert_eq!(layout(7), (TILE, 4));
        assert_eq!(layout(PEOPLE).0, TILE);
        for people in [PEOPLE, 500, 1000] {
            let pixels = pixels(people);
            assert!(pixels < 30_000_000, "{people}: {pixels}");
        }
    }
}
