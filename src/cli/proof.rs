//! `proof`: makes the gallery in which sitters choose.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::arguments::Proof;
use super::finish::{Progress, memory};
use super::{End, report, say, tell};
use crate::job::Job;
use crate::job::finish::Done;
use crate::job::plan::Plan;
use crate::job::proof::{self as runner, Made, Manner};
use crate::recipe::Diagnostics;

/// The gallery's folder, beside the job.
const FOLDER: &str = "proof";

pub(super) fn run(call: &Proof, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let job = Job::load(&call.job, &mut notes);
    let plan = job.as_ref().and_then(|job| Plan::of(job, &mut notes));
    if !json || plan.is_none() {
        report(&notes, json);
    }
    let (Some(job), Some(plan)) = (job, plan) else {
        return End::NotUnderstood;
    };
    let folder = call.to.clone();
    let folder = folder.unwrap_or_else(|| PathBuf::from(job.at(FOLDER)));
    let memory = memory(&job, call.memory);
    let stop = stop_on_interrupt("stopping after the step at work; Ctrl-C again stops at once");
    let progress = Progress::new(plan.tasks.len(), json);
    let manner = Manner {
        size: call.size,
        memory,
        stop: &stop,
    };
    let made = runner::make(&plan, &folder, manner, &|event| progress.see(&event));
    progress.end();
    let made = match made {
        Ok(made) => made,
        Err(why) => {
            say(&why);
            return End::NotUnderstood;
        }
    };
    if json {
        let result = serde_json::json!({
            "page": made.page,
            "sitters": made.sitters,
            "missing": plan.missing,
            "frames": made.outcomes,
        });
        tell(&result.to_string());
    } else {
        show(&made, &folder);
    }
    let failed = |done: &Done| matches!(done, Done::Failed(_) | Done::Stopped);
    let troubled = made.outcomes.iter().any(|outcome| failed(&outcome.result));
    if troubled || made.page.is_none() || !plan.missing.is_empty() {
        End::Attention
    } else {
        End::Well
    }
}

fn show(made: &Made, folder: &Path) {
    let mut sums = [0_usize; 4];
    for outcome in &made.outcomes {
        let sum = match &outcome.result {
            Done::Rendered(_) => 0,
            Done::Unchanged => 1,
            Done::Failed(why) => {
                say(&format!("{}: not shown: {why}", outcome.frame));
                2
            }
            Done::Stopped => 3,
        };
        sums[sum] += 1;
        for reason in &outcome.attention {
            say(&format!("{}: look: {reason}", outcome.frame));
        }
    }
    let words = ["rendered", "unchanged", "failed", "stopped"];
    let parts: Vec<String> = sums
        .iter()
        .zip(words)
        .filter(|(count, _)| **count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    let people = match made.sitters {
        1 => "1 person".to_owned(),
        count => format!("{count} people"),
    };
    tell(&format!("{people}: {}", parts.join(", ")));
    match &made.page {
        Some(page) => {
            tell(&format!("Gallery: {}", page.display()));
            say(&format!(
                "Give the whole folder {} to those who choose, and to nobody else. Put the file that \
                 they save beside the job and name it there: picks: \"picks.csv\"",
                folder.display()
            ));
        }
        None => say("stopped before the page was written; run again to go on"),
    }
}

/// A flag that Ctrl-C sets, saying `words`; the second Ctrl-C ends the program.
pub(super) fn stop_on_interrupt(words: &'static str) -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&stop);
    // Without a handler Ctrl-C still leaves no half file: they appear whole or not at all.
    let _ = ctrlc::set_handler(move || {
        if asked.swap(true, Ordering::Relaxed) {
            std::process::exit(1);
        }
        say(words);
    });
    stop
}
