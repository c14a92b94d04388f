//! `verify`: reads a delivery again and says of each file whether it is the one that was delivered.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use super::arguments::Verify;
use super::finish::{MIB, Progress};
use super::{End, report, say, tell};
use crate::job::Job;
use crate::job::finish::{self as runner, Manner};
use crate::job::plan::Plan;
use crate::job::verify::{self, Verdict, Verdicts};
use crate::recipe::Diagnostics;

pub(super) fn run(call: &Verify, json: bool) -> End {
    let verdicts = if call.of.is_dir() {
        if call.render {
            say("--render needs the job file: a folder does not say where the frames are");
            return End::NotUnderstood;
        }
        of_folder(&call.of)
    } else {
        let mut notes = Diagnostics::default();
        let job = Job::load(&call.of, &mut notes);
        let plan = job.as_ref().and_then(|job| Plan::of(job, &mut notes));
        let Some((job, plan)) = job.as_ref().zip(plan) else {
            report(&notes, json);
            return End::NotUnderstood;
        };
        of_job(call, job, &plan, json)
    };
    match verdicts {
        Ok(verdicts) => {
            show(&verdicts, json);
            let right = verdicts.values().all(|verdict| *verdict == Verdict::Right);
            if right { End::Well } else { End::Attention }
        }
        Err(why) => {
            say(&why);
            End::NotUnderstood
        }
    }
}

fn of_folder(folder: &Path) -> Result<Verdicts, String> {
    verify::delivery(folder).map_err(|error| format!("{}: {error}", folder.display()))
}

fn of_job(call: &Verify, job: &Job, plan: &Plan, json: bool) -> Result<Verdicts, String> {
    let mut verdicts = of_folder(&plan.deliver_to)?;
    let mut outdated = runner::outdated(plan)?;
    outdated.extend(if call.render {
        let progress = Progress::new(plan.wanted().count() as u64, json);
        let stop = AtomicBool::new(false);
        let memory = job.file.memory.map_or(call.memory * MIB, |megabytes| {
            u64::from(megabytes) * 1_000_000
        });
        let manner = Manner {
            again: true,
            memory,
            stop: &stop,
        };
        let again = runner::render_again(plan, manner, &|event| progress.see(&event));
        progress.end();
        again?
    } else {
        Verdicts::new()
    });
    for (file, verdict) in outdated {
        let known = verdicts.entry(file).or_insert(Verdict::Missing);
        // What the bytes say of themselves is told before what rendering says.
        if *known == Verdict::Right {
            *known = verdict;
        }
    }
    Ok(verdicts)
}

fn show(verdicts: &Verdicts, json: bool) {
    if json {
        tell(&serde_json::json!(verdicts).to_string());
        return;
    }
    let mut counts: BTreeMap<Verdict, usize> = BTreeMap::new();
    for (file, verdict) in verdicts {
        *counts.entry(*verdict).or_default() += 1;
        if *verdict != Verdict::Right {
            tell(&format!("{file}: {}", verdict.words()));
        }
    }
    let right = counts.remove(&Verdict::Right).unwrap_or(0);
    let others: usize = counts.values().sum();
    tell(&match others {
        0 => format!("{right} files, all right"),
        _ => format!("{right} files right, {others} not"),
    });
}
