//! `check`: reads texts and reports every mistake at its place.

use std::path::Path;

use super::arguments::Check;
use super::{End, report, say, tell};
use crate::deliver::sidecar::Sidecar;
use crate::job::{self, Kind, input};
use crate::recipe::Diagnostics;

pub(super) fn run(call: &Check, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let mut sound = true;
    let mut read = Vec::new();
    for path in &call.files {
        match sidecar(path) {
            Some(Ok(sidecar)) if json => {
                let text = serde_json::to_string_pretty(&sidecar);
                tell(&text.expect("a sidecar holds nothing that JSON cannot write"));
            }
            Some(Ok(sidecar)) => tell(&described(path, &sidecar)),
            Some(Err(why)) => {
                say(&format!("{}: {why}", path.display()));
                sound = false;
            }
            None => {
                let errors = notes.errors();
                let kind = job::check(path, &mut notes);
                if notes.errors() == errors {
                    read.push((path, kind));
                }
            }
        }
    }
    let only_sidecars = read.is_empty() && notes.is_empty();
    if json && !only_sidecars {
        report(&notes, true);
    } else if !json {
        report(&notes, false);
        for (path, kind) in &read {
            let kind = match kind {
                Some(Kind::Recipe) => "a recipe",
                Some(Kind::Job) => "a job; all that it names is there",
                Some(Kind::TouchUps) => "touch-ups",
                Some(Kind::Roster) => "a roster",
                None => "nothing known",
            };
            tell(&format!("{}: {kind}, no mistakes", path.display()));
        }
    }
    if notes.errors() > 0 || !sound {
        End::NotUnderstood
    } else {
        End::Well
    }
}

/// The sidecar in a file; `None` when the file is something else.
fn sidecar(path: &Path) -> Option<Result<Sidecar, String>> {
    let text = input::text(path, input::LONGEST_SIDECAR).ok()?;
    if !text.trim_start().starts_with("Sidecar(") {
        return None;
    }
    Some(Sidecar::from_text(&text).map_err(|error| format!("not a sound sidecar: {error}")))
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
