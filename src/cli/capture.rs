//! `capture`: what no retoucher can repair, per frame and for the set, or from one shot to the next.

use std::path::Path;

use super::arguments::Capture as Call;
use super::finish::{MIB, Progress, memory};
use super::{End, fail, open_job, say, tell};
use crate::checks::compare::compare;
use crate::checks::{Capture, Practice, Verdict};
use crate::job::capture::{self, Event};

pub(super) fn run(call: &Call, json: bool) -> End {
    if let Some(reference) = &call.against {
        return against(reference, call, json);
    }
    let is_job = |path: &Path| path.extension().is_some_and(|ending| ending == "ron");
    let jobs = call.files.iter().filter(|path| is_job(path)).count();
    if jobs > 0 && call.files.len() > 1 {
        return fail("name one job, or frames: a job is judged as one set", json);
    }
    let (shots, set, practice, memory) = if jobs == 1 {
        let Some((job, plan)) = open_job(&call.files[0], json) else {
            return End::NotUnderstood;
        };
        let memory = memory(&job, call.memory);
        match capture::of_job(plan) {
            Ok((shots, set)) => (shots, set, job.file.practice, memory),
            Err(why) => return fail(&why, json),
        }
    } else {
        let (shots, set) = capture::of_frames(&call.files);
        (shots, set, Practice::default(), call.memory * MIB)
    };
    let progress = Progress::new(shots.len(), json);
    let measured = capture::measure_all(&shots, &set, memory, &|event| match event {
        Event::Began(shot) => progress.began(&shot.name()),
        Event::Ended(shot, well) => {
            progress.ended(&shot.name(), if well { "looked at" } else { "failed" });
        }
    });
    progress.end();
    let mut people = Vec::new();
    let mut captures: Vec<Capture> = Vec::new();
    let mut failed = Vec::new();
    for (shot, measured) in shots.iter().zip(measured) {
        match measured {
            Ok(capture) => {
                people.push(shot.person.clone());
                captures.push(capture);
            }
            Err(why) => {
                say(&why);
                failed.push(why);
            }
        }
    }
    let verdict = Verdict::of(&captures, &practice);
    if json {
        let frames = captures.iter().zip(&people).zip(&verdict.frames);
        let frames: Vec<_> = frames
            .map(|((capture, person), findings)| {
                serde_json::json!({
                    "frame": capture.frame,
                    "person": person,
                    "findings": findings,
                    "figures": capture,
                })
            })
            .collect();
        let result = serde_json::json!({
            "practice": practice,
            "set": verdict.set,
            "frames": frames,
            "failed": failed,
        });
        tell(&result.to_string());
    } else {
        tell(&table(&captures, &people, &verdict));
    }
    let all_well = failed.is_empty() && verdict.frames.iter().all(Vec::is_empty);
    if all_well { End::Well } else { End::Attention }
}

/// A frame a paragraph, a finding a line.
fn table(captures: &[Capture], people: &[String], verdict: &Verdict) -> String {
    let mut text = String::new();
    for ((capture, person), findings) in captures.iter().zip(people).zip(&verdict.frames) {
        let name = [capture.frame.as_str(), person.as_str()];
        let name: Vec<&str> = name.into_iter().filter(|part| !part.is_empty()).collect();
        let name = name.join("  ");
        if findings.is_empty() {
            text += &format!("{name}: nothing amiss\n");
        } else {
            text += &format!("{name}:\n");
        }
        for finding in findings {
            text += &format!("  - {}\n", finding.says);
        }
    }
    let amiss = verdict
        .frames
        .iter()
        .filter(|list| !list.is_empty())
        .count();
    text += &format!("The set: {}; {amiss} to look at", verdict.set.join(", "));
    text
}

fn against(reference: &Path, call: &Call, json: bool) -> End {
    let why = "--against compares one FRAME with the reference; name the new test shot alone";
    let [test] = call.files.as_slice() else {
        return fail(why, json);
    };
    let (shots, set) = capture::of_frames(&[reference.to_path_buf(), test.clone()]);
    if shots.len() != 2 {
        return fail(why, json);
    }
    let measured = capture::measure_all(&shots, &set, call.memory * MIB, &|_| {});
    let measured: Result<Vec<Capture>, String> = measured.into_iter().collect();
    let captures = match measured {
        Ok(captures) => captures,
        Err(why) => return fail(&why, json),
    };
    let change = compare(&captures[0], &captures[1]);
    if json {
        tell(&serde_json::json!(change).to_string());
    } else if change.says.is_empty() {
        tell(&format!("{} is as {}", test.display(), reference.display()));
    } else {
        change.says.iter().for_each(|sentence| tell(sentence));
    }
    if change.says.is_empty() {
        End::Well
    } else {
        End::Attention
    }
}
