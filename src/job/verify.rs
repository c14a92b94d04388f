//! Reads a delivery again: whether each file is still the one its sidecar and the manifest speak of,
//! and, with the job at hand, whether rendering it again gives the same bytes.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::Path;

use serde::Serialize;

use crate::deliver::atomic::{self, sidecar_path};

use super::close::SHEET;
use super::consistency;
use super::finish::read_sidecar;
use super::manifest::{self, Manifest};

/// How deep below the delivery folder files are looked for; as deep as patterns can put them.
const DEPTH: usize = 8;
/// Most files of a delivery that are looked at.
const MOST: usize = 200_000;

/// What is the matter with a delivered file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub enum Verdict {
    /// The file is the very one.
    Right,
    /// A sidecar or the manifest speaks of it, and it is not there.
    Missing,
    /// Its bytes are others than the sidecar or the manifest says.
    Changed,
    /// There is a sidecar that cannot be read.
    SidecarDamaged,
    /// No sidecar speaks of it.
    NoSidecar,
    /// The manifest does not list it.
    NotInManifest,
    /// It was made from another frame, recipe, roster row or output than the job has now.
    Outdated,
    /// Rendering it again gave other bytes.
    RendersOtherwise,
    /// Rendering it again failed.
    CannotRender,
}

impl Verdict {
    /// What it says, and what to do.
    pub fn words(self) -> &'static str {
        match self {
            Self::Right => "right",
            Self::Missing => "missing; run `finish` to make it again",
            Self::Changed => "changed since it was delivered; `finish --again` makes it anew",
            Self::SidecarDamaged => "its sidecar cannot be read; `finish --again` makes both anew",
            Self::NoSidecar => "no sidecar speaks of it; not delivered by this program",
            Self::NotInManifest => "not in the manifest; run `finish` to complete it",
            Self::Outdated => "made before something changed; run `finish`",
            Self::RendersOtherwise => {
                "renders to other bytes; was it made by another version of this program?"
            }
            Self::CannotRender => "cannot be rendered again; is its frame still there?",
        }
    }
}

/// One verdict on each file, by path told from the delivery folder.
pub type Verdicts = BTreeMap<String, Verdict>;

/// Reads every file of a delivery folder once.
///
/// # Errors
/// When the folder cannot be read.
pub fn delivery(folder: &Path) -> io::Result<Verdicts> {
    let mut files = BTreeSet::new();
    collect(folder, "", DEPTH, &mut files)?;
    let text = match fs::read_to_string(folder.join(manifest::NAME)) {
        Ok(text) => Some(text),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(error),
    };
    let manifest = Manifest::from_text(text.as_deref().unwrap_or_default());
    let mut verdicts = Verdicts::new();
    for file in &files {
        // The manifest lists no manifest, and a report about a delivery is no part of it.
        if [manifest::NAME, consistency::PAGE, consistency::TABLE].contains(&file.as_str()) {
            continue;
        }
        let path = folder.join(file);
        let mut verdict = match file.strip_suffix(".ron") {
            // Of a file's own sidecar its file is judged below; one alone tells of a missing file.
            Some(of) if files.contains(of) => continue,
            Some(of) => match read_sidecar(&path) {
                Some(sidecar) if sidecar.output.file == of => {
                    verdicts.insert(of.to_owned(), Verdict::Missing);
                    continue;
                }
                _ => Verdict::SidecarDamaged,
            },
            None if file == SHEET => Verdict::Right,
            None => against_sidecar(&path, file)?,
        };
        if verdict == Verdict::Right && text.is_some() {
            verdict = against_manifest(&path, file, &manifest)?;
            let beside = format!("{file}.ron");
            if verdict == Verdict::Right && files.contains(&beside) {
                verdict = match against_manifest(&sidecar_path(&path), &beside, &manifest)? {
                    Verdict::Changed => Verdict::SidecarDamaged,
                    other => other,
                };
            }
        }
        verdicts.insert(file.clone(), verdict);
    }
    for listed in manifest.0.keys().filter(|listed| !files.contains(*listed)) {
        let of = listed.strip_suffix(".ron").unwrap_or(listed);
        verdicts.insert(of.to_owned(), Verdict::Missing);
    }
    Ok(verdicts)
}

fn against_sidecar(path: &Path, file: &str) -> io::Result<Verdict> {
    let beside = sidecar_path(path);
    if !beside.exists() {
        return Ok(Verdict::NoSidecar);
    }
    let Some(sidecar) = read_sidecar(&beside) else {
        return Ok(Verdict::SidecarDamaged);
    };
    let (_, digest) = atomic::digest(path)?;
    let same = sidecar.output.file == file && sidecar.output.blake3_file == digest;
    Ok(if same {
        Verdict::Right
    } else {
        Verdict::Changed
    })
}

fn against_manifest(path: &Path, file: &str, manifest: &Manifest) -> io::Result<Verdict> {
    Ok(match manifest.0.get(file) {
        None => Verdict::NotInManifest,
        Some(sum) if *sum == manifest::checksum(path)? => Verdict::Right,
        Some(_) => Verdict::Changed,
    })
}

/// Paths of all files below a folder, told with `/`; hidden ones are no delivery.
fn collect(
    folder: &Path,
    below: &str,
    depth: usize,
    into: &mut BTreeSet<String>,
) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') || into.len() >= MOST {
            continue;
        }
        let kind = entry.file_type()?;
        if kind.is_dir() && depth > 0 {
            collect(&entry.path(), &format!("{below}{name}/"), depth - 1, into)?;
        } else if kind.is_file() {
            into.insert(format!("{below}{name}"));
        }
    }
    Ok(())
}
