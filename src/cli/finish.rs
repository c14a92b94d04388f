//! `finish`: runs a job, shows how far it is, and tells what came of each frame.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressState, ProgressStyle};
use std::io::IsTerminal;

use super::arguments::Finish;
use super::{End, fail, open_job, report, say, tell};
use crate::job::close::close;
use crate::job::finish::{self as runner, Done, Event, Manner, Outcome};
use crate::job::plan::Plan;
use crate::job::{Job, Undecided};
use crate::recipe::Diagnostics;

/// Bytes in a MiB.
pub(super) const MIB: u64 = 1 << 20;

pub(super) fn run(call: &Finish, json: bool) -> End {
    let Some((job, mut plan)) = open_job(&call.job, json) else {
        return End::NotUnderstood;
    };
    if call.only.is_empty() && !json {
        let mut notes = Diagnostics::default();
        job.note_undecided(&mut notes);
        report(&notes, json);
    }
    if let Err(why) = keep_only(&mut plan, &call.only) {
        return fail(&why, json);
    }
    if let Some(part) = call.part {
        plan.keep_part(part);
    }
    let memory = memory(&job, call.memory);
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
    let progress = Progress::new(plan.wanted().count(), json);
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
            "no_contact_sheet": sheet.as_ref().and_then(|sheet| sheet.as_ref().err()),
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

/// Wants only frames of these names; all when there are none.
pub(super) fn keep_only(plan: &mut Plan, names: &[String]) -> Result<(), String> {
    if names.is_empty() {
        return Ok(());
    }
    if let Some(unknown) = names.iter().find(|name| !plan.has_frame(name)) {
        return Err(format!(
            "--only {unknown}: no row of the roster has that frame, or another one was chosen; write it as in the roster"
        ));
    }
    plan.keep_only(names);
    Ok(())
}

/// Bytes to stay within: the job's word goes before the call's.
pub(super) fn memory(job: &Job, mebibytes: u64) -> u64 {
    job.file.memory.map_or(mebibytes * MIB, |megabytes| {
        u64::from(megabytes) * 1_000_000
    })
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
    let mut left_out: BTreeMap<&str, usize> = BTreeMap::new();
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
            *left_out.entry(step).or_default() += 1;
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
    // The same for all frames of a kind, so told once.
    for (step, frames) in left_out {
        let frames = if frames == outcomes.len() {
            "all frames".to_owned()
        } else {
            format!("{frames} of {} frames", outcomes.len())
        };
        text += &format!("left out on {frames}: {step}\n");
    }
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
    begun: Instant,
    lines: bool,
}

impl Progress {
    pub(super) fn new(frames: usize, silent: bool) -> Self {
        let bars = MultiProgress::new();
        let all = bars.add(ProgressBar::new(frames as u64));
        let terminal = std::io::stderr().is_terminal();
        let style = ProgressStyle::with_template("{bar:32} {pos}/{len} frames, {pace}");
        if let Ok(style) = style {
            let pace = |state: &ProgressState, text: &mut dyn std::fmt::Write| {
                let left = state.len().unwrap_or(0).saturating_sub(state.pos());
                let _ = write!(text, "{}", pace(state.pos(), left, state.elapsed()));
            };
            all.set_style(style.with_key("pace", pace).progress_chars("=> "));
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
            begun: Instant::now(),
            lines: !silent && !terminal,
        }
    }

    pub(super) fn see(&self, event: &Event<'_>) {
        match event {
            Event::Began(task) => self.began(&task.frame_name),
            Event::Past(task, step) => self.past(&task.frame_name, step),
            Event::Ended(task, outcome) => {
                let result = match &outcome.result {
                    Done::Unchanged => "nothing to do",
                    Done::Rendered(_) => "done",
                    Done::Failed(_) => "failed",
                    Done::Stopped => "stopped",
                };
                self.ended(&task.frame_name, result);
            }
        }
    }

    pub(super) fn began(&self, frame: &str) {
        let bar = self.bars.add(ProgressBar::new_spinner());
        bar.set_message(format!("{frame}: reading"));
        self.frames().insert(frame.to_owned(), bar);
    }

    fn past(&self, frame: &str, step: &str) {
        if let Some(bar) = self.frames().get(frame) {
            bar.set_message(format!("{frame}: {step} done"));
            bar.tick();
        }
    }

    pub(super) fn ended(&self, frame: &str, result: &str) {
        // One at a time, so that the count and what is said of it belong together.
        let mut frames = self.frames();
        if let Some(bar) = frames.remove(frame) {
            bar.finish_and_clear();
        }
        self.all.inc(1);
        if self.lines {
            let (now, of) = (self.all.position(), self.all.length().unwrap_or(0));
            let pace = pace(now, of.saturating_sub(now), self.begun.elapsed());
            say(&format!("{now}/{of} {frame}: {result} ({pace})"));
        }
    }

    fn frames(&self) -> MutexGuard<'_, BTreeMap<String, ProgressBar>> {
        self.frames.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn end(&self) {
        self.all.finish_and_clear();
    }
}

/// How fast it goes and how long it will take; a frame takes seconds, so frames a minute.
fn pace(done: u64, left: u64, since: Duration) -> String {
    let seconds = since.as_secs_f64();
    // Frames that need nothing are done at once and say nothing of those that need rendering.
    if done == 0 || seconds < 1.0 {
        return "time left not known yet".to_owned();
    }
    let each = seconds / done as f64;
    let left = (each * left as f64).round() as u64;
    let left = match (left / 3600, left / 60 % 60, left % 60) {
        (0, 0, seconds) => format!("{seconds} s"),
        (0, minutes, seconds) => format!("{minutes} min {seconds} s"),
        (hours, minutes, _) => format!("{hours} h {minutes} min"),
    };
    format!("{:.1} frames a minute, {left} left", 60.0 / each)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pace_is_frames_a_minute_and_time_left() {
        let after = |seconds| Duration::from_secs(seconds);
        assert_eq!(pace(0, 9, after(3)), "time left not known yet");
        assert_eq!(pace(4, 9, after(0)), "time left not known yet");
        assert_eq!(pace(3, 5, after(30)), "6.0 frames a minute, 50 s left");
        assert_eq!(
            pace(10, 12, after(60)),
            "10.0 frames a minute, 1 min 12 s left"
        );
        assert_eq!(
            pace(1, 500, after(20)),
            "3.0 frames a minute, 2 h 46 min left"
        );
    }
}
