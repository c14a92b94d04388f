//! `tidy`: rewrites recipes, jobs and touch-ups in the one layout.

use std::path::Path;

use super::arguments::Tidy;
use super::{End, report, say, tell};
use crate::job::{self, TidyError};
use crate::recipe::Diagnostics;

pub(super) fn run(call: &Tidy, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let mut changed: Vec<&Path> = Vec::new();
    let mut failed = false;
    for path in &call.files {
        match job::tidy(path, !call.check, &mut notes) {
            Ok(true) => changed.push(path),
            // A mistake in the text is among the notes.
            Ok(false) | Err(TidyError::Text) => {}
            Err(error) => {
                say(&format!("{}: {error}", path.display()));
                failed = true;
            }
        }
    }
    if json {
        let mistakes: serde_json::Value =
            serde_json::from_str(&report::json(&notes)).unwrap_or_default();
        // A name that is not UTF-8 has no JSON of its own.
        let changed: Vec<String> = changed.iter().map(|p| p.display().to_string()).collect();
        let result = serde_json::json!({ "changed": changed, "mistakes": mistakes });
        tell(&result.to_string());
    } else {
        report(&notes, false);
        for path in &changed {
            let what = if call.check {
                "would change"
            } else {
                "laid out anew"
            };
            tell(&format!("{}: {what}", path.display()));
        }
        let kept = call.files.len() - changed.len();
        if changed.is_empty() && notes.errors() == 0 && !failed {
            tell(&format!("{kept} in the one layout already"));
        }
    }
    if failed || notes.errors() > 0 {
        End::NotUnderstood
    } else if call.check && !changed.is_empty() {
        End::Attention
    } else {
        End::Well
    }
}
