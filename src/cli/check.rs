//! `check`: reads texts and reports every mistake at its place.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::arguments::Check;
use super::{End, report, say, tell};
use crate::deliver::sidecar::Sidecar;
use crate::job::{self, Kind, input};
use crate::recipe::Diagnostics;

pub(super) fn run(call: &Check, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let mut sidecars = Vec::new();
    let mut damaged = Vec::new();
    let mut read = Vec::new();
    for path in &call.files {
        match sidecar(path) {
            Some(Ok(sidecar)) => sidecars.push((path, sidecar)),
            Some(Err(why)) => damaged.push(format!("{}: {why}", path.display())),
            None => {
                let errors = notes.errors();
                let kind = job::check(path, &mut notes);
                if notes.errors() == errors {
                    read.push((path, kind));
                }
            }
        }
    }
    damaged.iter().for_each(|why| say(why));
    if json {
        tell(&as_json(&sidecars, &damaged, &notes));
    } else {
        report(&notes, false);
        for (path, sidecar) in &sidecars {
            tell(&described(path, sidecar));
        }
        for (path, kind) in &read {
            let kind = match kind {
                Some(Kind::Recipe) => "a recipe",
                Some(Kind::Job) => "a job; all that it names is there",
                Some(Kind::TouchUps) => "touch-ups",
                Some(Kind::Roster) => "a roster",
                Some(Kind::Picks) => "picks; the job that names them says whether they fit",
                None => "nothing known",
            };
            tell(&format!("{}: {kind}, no mistakes", path.display()));
        }
    }
    if notes.errors() > 0 || !damaged.is_empty() {
        End::NotUnderstood
    } else {
        End::Well
    }
}

/// A sidecar alone as it is; mistakes alone as a list; else an object that holds both.
fn as_json(sidecars: &[(&PathBuf, Sidecar)], damaged: &[String], notes: &Diagnostics) -> String {
    match (sidecars, damaged, notes.is_empty()) {
        ([], [], _) => report::json(notes),
        ([(_, only)], [], true) => serde_json::to_string_pretty(only)
            .expect("a sidecar holds nothing that JSON cannot write"),
        _ => {
            let mistakes: serde_json::Value =
                serde_json::from_str(&report::json(notes)).unwrap_or_default();
            let by_path: BTreeMap<String, &Sidecar> = sidecars
                .iter()
                .map(|(path, sidecar)| (path.display().to_string(), sidecar))
                .collect();
            serde_json::json!({
                "sidecars": by_path, "damaged": damaged, "mistakes": mistakes,
            })
            .to_string()
        }
    }
}

/// The sidecar in a file; `None` when the file is something else.
fn sidecar(path: &Path) -> Option<Result<Sidecar, String>> {
    let text = input::text(path, input::LONGEST_SIDECAR).ok()?;
    if !text.trim_start().starts_with("Sidecar(") {
        return None;
    }
    Some(Sidecar::from_text(&text).map_err(|error| error.to_string()))
}

fn described(path: &Path, sidecar: &Sidecar) -> String {
    let output = &sidecar.output;
    let looks = match sidecar.attention.as_slice() {
        [] => String::new(),
        reasons => {
            let reasons: Vec<String> = reasons.iter().map(ToString::to_string).collect();
            format!("; to look at: {}", reasons.join(", "))
        }
    };
    format!(
        "{}: a sidecar, no mistakes: {} of {} from {}, {} x {} pixels, {}{looks}",
        path.display(),
        output.file,
        sidecar.person,
        sidecar.frame.name,
        output.size.width,
        output.size.height,
        output.profile,
    )
}
