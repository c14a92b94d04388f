//! `finish`: runs a job, shows how far it is, and tells what came of each frame.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressState, ProgressStyle};
use std::io::IsTerminal;

use super::arguments::Finish;
use super::{End, report, say, tell};
use crate::job::close::close;
use crate::job::finish::{self as runner, Done, Event, Manner, Outcome};
use crate::job::plan::Plan;
use crate::job::{Job, Undecided};
use crate::recipe::Diagnostics;

/// Bytes in a MiB.
pub(super) const MIB: u64 = 1 << 20;

pub(super) fn run(call: &Finish, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let job = Job::load(&call.job, &mut notes);
    // A missing frame is an error at its place in the roster, but no reason to leave the others.
    let plan = job.as_ref().and_then(|job| Plan::of(job, &mut notes));
    if let Some(job) = job.as_ref().filter(|_| call.only.is_empty()) {
        job.note_undecided(&mut notes);
    }
    if !json || plan.is_none() {
        report(&notes, json);
    }
    let (Some(job), Some(mut plan)) = (job, plan) else {
        return End::NotUnderstood;
    };
    if !call.only.is_empty() {
        if let Some(unknown) = call.only.iter().find(|name| !plan.has_frame(name)) {
            say(&format!(
                "--only {unknown}: no row of the roster has that frame, or another one was chosen"
            ));
            return End::NotUnderstood;
        }
        plan.keep_only(&call.only);
    }
    if let Some(part) = call.part {
        plan.keep_part(part);
    }
    let memory = job.file.memory.map_or(call.memory * MIB, |megabytes| {
        u64::from(megabytes) * 1_000_000
    });
    let stop = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&stop);
    // Without a handler Ctrl-C still leaves no half file: they appear whole or not at all.
    let _ = ctrlc::set_handler(move || {
        if asked.swap(true, Ordering::Relaxed) {
            std::process::exit(1);
        }
        say("stopping after the step at work; Ctrl-C again stops at once");
    });
    if !json {
        let count = |number: usize, word: &str| {
            format!("{number} {word}{}", if number == 1 { "" } else { "s" })
        };
        say(&format!(
            "{}: {}, {}, at most {} MiB",
            plan.client,
            count(plan.wanted().count(), "frame"),
            count(rayon::current_num_threads(), "thread"),
            memory / MIB
        ));
    }
    let progress = Progress::new(plan.wanted().count() as u64, json);
    let manner = Manner {
        again: call.again,
        memory,
        stop: &stop,
    };
    let outcomes = runner::finish(&plan, manner, &|event| progress.see(&event));
    progress.end();
    // A part of a job cannot speak for the whole; the run without `--part` does, once all are done.
    let sheet = if stop.load(Ordering::Relaxed) || call.part.is_some() {
        None
    } else {
        Some(close(&plan))
    };
    let open: &[Undecided] = if call.only.is_empty() {
        &job.undecided
    } else {
        &[]
    };
    if json {
        let undecided: Vec<_> = open.iter().map(|row| (&row.person, row.reason())).collect();
        let result = serde_json::json!({
            "client": plan.client,
            "missing": plan.missing,
            "undecided": undecided,
            "frames": outcomes,
            "contact_sheet": sheet.as_ref().and_then(|sheet| sheet.as_ref().ok()),
        });
        tell(&result.to_string());
    } else {
        tell(&table(&plan, &outcomes, open));
        match &sheet {
            Some(Ok(Some(path))) => tell(&format!("Contact sheet: {}", path.display())),
            Some(Ok(None)) | None => {}
            Some(Err(why)) => say(&format!("no contact sheet: {why}")),
        }
    }
    let troubled = outcomes.iter().any(|outcome| {
        !outcome.attention.is_empty() || matches!(outcome.result, Done::Failed(_) | Done::Stopped)
    });
    if troubled || !plan.missing.is_empty() || !open.is_empty() || matches!(sheet, Some(Err(_))) {
        End::Attention
    } else {
        End::Well
    }
}

/// The table at the end: one line a frame, then the sum.
fn table(plan: &Plan, outcomes: &[Outcome], undecided: &[Undecided]) -> String {
    let mut text = String::new();
    let width = |of: fn(&Outcome) -> &str| {
        outcomes
            .iter()
            .map(|o| of(o).chars().count())
            .max()
            .unwrap_or(0)
    };
    let (frames, people) = (width(|o| &o.frame), width(|o| &o.person));
    for outcome in outcomes {
        let result = match &outcome.result {
            Done::Unchanged => "nothing to do".to_owned(),
            Done::Rendered(1) => "1 file".to_owned(),
            Done::Rendered(files) => format!("{files} files"),
            Done::Failed(why) => format!("failed: {why}"),
            Done::Stopped => "stopped".to_owned(),
        };
        text += &format!(
            "{:frames$}  {:people$}  {result}",
            outcome.frame, outcome.person
        );
        if let Some(natural) = &outcome.natural {
            text += &format!("; {}", natural.in_short());
        }
        for reason in outcome.attention.iter().filter(|r| !r.is_of_the_set()) {
            text += &format!("; look: {reason}");
        }
        for step in &outcome.unavailable {
            text += &format!("; left out {step}");
        }
        text.push('\n');
    }
    // What is wrong with the set is told once, not once a frame.
    let reasons = outcomes.iter().flat_map(|outcome| &outcome.attention);
    let mut of_the_set: Vec<String> = reasons
        .filter(|reason| reason.is_of_the_set())
        .map(|reason| format!("look: {reason}\n"))
        .collect();
    of_the_set.dedup();
    text += &of_the_set.concat();
    for (frame, person) in &plan.missing {
        text += &format!("{frame:frames$}  {person:people$}  failed: the frame is missing\n");
    }
    for row in undecided {
        let (frame, person) = ("?", &row.person);
        text += &format!(
            "{frame:frames$}  {person:people$}  not finished: {}\n",
            row.reason()
        );
    }
    let mut sums: BTreeMap<&str, usize> = BTreeMap::new();
    for outcome in outcomes {
        let sum = match outcome.result {
            Done::Unchanged => "unchanged",
            Done::Rendered(_) => "rendered",
            Done::Failed(_) => "failed",
            Done::Stopped => "stopped; run again to finish them",
        };
        *sums.entry(sum).or_default() += 1;
    }
    let look = outcomes
        .iter()
        .filter(|outcome| !outcome.attention.is_empty())
        .count();
    let mut parts: Vec<String> = sums
        .iter()
        .map(|(name, count)| format!("{count} {name}"))
        .collect();
    if !plan.missing.is_empty() {
        parts.push(format!("{} missing", plan.missing.len()));
    }
    if !undecided.is_empty() {
        parts.push(format!("{} not chosen", undecided.len()));
    }
    if look > 0 {
        parts.push(format!("{look} to look at"));
    }
    if outcomes
        .iter()
        .all(|outcome| matches!(outcome.result, Done::Unchanged))
    {
        text += "nothing to render: ";
    }
    text += &format!("{}, in {}", parts.join(", "), plan.deliver_to.display());
    text
}

/// Bars on a terminal, a line a frame elsewhere, nothing when a script listens.
pub(super) struct Progress {
    bars: MultiProgress,
    all: ProgressBar,
    frames: Mutex<BTreeMap<String, ProgressBar>>,
    lines: bool,
}

impl Progress {
    pub(super) fn new(frames: u64, silent: bool) -> Self {
        let bars = MultiProgress::new();
        let all = bars.add(ProgressBar::new(frames));
        let terminal = std::io::stderr().is_terminal();
        let style =
            ProgressStyle::with_template("{bar:32} {pos}/{len} frames, {per_minute}, {eta} left");
        if let Ok(style) = style {
            // A frame takes seconds: frames a second would read as 0.1.
            let per_minute = |state: &ProgressState, text: &mut dyn std::fmt::Write| {
                let _ = write!(text, "{:.1} a minute", state.per_sec() * 60.0);
            };
            all.set_style(
                style
                    .with_key("per_minute", per_minute)
                    .progress_chars("=> "),
            );
        }
        if silent || !terminal {
            bars.set_draw_target(indicatif::ProgressDrawTarget::hidden());
        } else {
            all.enable_steady_tick(Duration::from_millis(200));
        }
        Self {
            bars,
            all,
            frames: Mutex::default(),
            lines: !silent && !terminal,
        }
    }

    pub(super) fn see(&self, event: &Event<'_>) {
        let mut frames = self.frames.lock().unwrap_or_else(PoisonError::into_inner);
        match event {
            Event::Began(task) => {
                let bar = self.bars.add(ProgressBar::new_spinner());
                bar.set_message(format!("{}: reading", task.frame_name));
                frames.insert(task.frame_name.clone(), bar);
            }
            Event::Past(task, step) => {
                if let Some(bar) = frames.get(&task.frame_name) {
                    bar.set_message(format!("{}: {step} done", task.frame_name));
                    bar.tick();
                }
            }
            Event::Ended(task, outcome) => {
                if let Some(bar) = frames.remove(&task.frame_name) {
                    bar.finish_and_clear();
                }
                self.all.inc(1);
                if self.lines {
                    let result = match &outcome.result {
                        Done::Unchanged => "nothing to do",
                        Done::Rendered(_) => "done",
                        Done::Failed(_) => "failed",
                        Done::Stopped => "stopped",
                    };
                    let (now, of) = (self.all.position(), self.all.length().unwrap_or(0));
                    say(&format!("{now}/{of} {}: {result}", task.frame_name));
                }
            }
        }
    }

    pub(super) fn end(&self) {
        self.all.finish_and_clear();
    }
}
