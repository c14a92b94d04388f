//! `verify`: reads a delivery again and says of each file whether it is the one that was delivered.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::atomic::AtomicBool;

use super::arguments::Verify;
use super::finish::{Progress, keep_only, memory};
use super::{End, fail, open_job, tell};
use crate::job::Job;
use crate::job::finish::{self as runner, Manner};
use crate::job::plan::Plan;
use crate::job::verify::{self, Verdict, Verdicts};

pub(super) fn run(call: &Verify, json: bool) -> End {
    let mut missing = false;
    let verdicts = if call.of.is_dir() {
        if call.render || !call.only.is_empty() {
            let why = "--render and --only need the job file: a folder does not say where the \
                       frames are";
            return fail(why, json);
        }
        of_folder(&call.of)
    } else {
        let Some((job, plan)) = open_job(&call.of, json) else {
            return End::NotUnderstood;
        };
        missing = call.only.is_empty() && !plan.missing.is_empty();
        of_job(call, &job, plan, json)
    };
    match verdicts {
        Ok(verdicts) => {
            show(&verdicts, json);
            let right = verdicts.values().all(|verdict| *verdict == Verdict::Right);
            if right && !missing {
                End::Well
            } else {
                End::Attention
            }
        }
        Err(why) => fail(&why, json),
    }
}

fn of_folder(folder: &Path) -> Result<Verdicts, String> {
    verify::delivery(folder).map_err(|error| format!("{}: {error}", folder.display()))
}

fn of_job(call: &Verify, job: &Job, mut plan: Plan, json: bool) -> Result<Verdicts, String> {
    let mut verdicts = of_folder(&plan.deliver_to)?;
    keep_only(&mut plan, &call.only)?;
    if !call.only.is_empty() {
        let files: BTreeSet<&String> = plan
            .wanted()
            .flat_map(|task| &task.outputs)
            .map(|order| &order.file)
            .collect();
        verdicts.retain(|file, _| files.contains(file));
    }
    let mut outdated = runner::outdated(&plan)?;
    outdated.extend(if call.render {
        let progress = Progress::new(plan.wanted().count(), json);
        let stop = AtomicBool::new(false);
        let manner = Manner {
            again: true,
            memory: memory(job, call.memory),
            stop: &stop,
        };
        let again = runner::render_again(&plan, manner, &|event| progress.see(&event));
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
