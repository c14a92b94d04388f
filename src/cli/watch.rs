//! `watch`: tells and shows each frame as it comes from the camera.

use std::cell::Cell;
use std::path::PathBuf;
use std::time::Instant;

use super::arguments::Watch;
use super::proof::stop_on_interrupt;
use super::{End, report, say, tell};
use crate::job::watch::{self as runner, News, Watched};
use crate::recipe::Diagnostics;

/// The page's folder, beside that of the frames.
const FOLDER: &str = "watch";

pub(super) fn run(call: &Watch, json: bool) -> End {
    let mut notes = Diagnostics::default();
    // Frames that are not there yet are what is waited for: only what stops the watch is told.
    let Some(watched) = Watched::load(&call.job, &mut notes) else {
        report(&notes, json);
        return End::NotUnderstood;
    };
    let to: PathBuf = call.to.clone().unwrap_or_else(|| watched.beside(FOLDER));
    let stop = stop_on_interrupt("ending after the step at work; Ctrl-C again ends at once");
    let began = Instant::now();
    let (done, waiting) = (Cell::new(0_usize), Cell::new(0_usize));
    say(&format!(
        "watching {}; Ctrl-C ends",
        watched.folder().display()
    ));
    let news = |news: News<'_>| match news {
        News::Page(page) if !json => say(&format!("page: {}", page.display())),
        News::Page(_) => {}
        News::Checked(name, person, findings) => {
            done.set(done.get() + 1);
            if json {
                let line = serde_json::json!({
                    "frame": name, "person": person, "findings": findings,
                });
                tell(&line.to_string());
                return;
            }
            let says: Vec<&str> = findings.iter().map(|one| one.says.as_str()).collect();
            let says = if says.is_empty() {
                "nothing amiss".to_owned()
            } else {
                format!("look: {}", says.join("; "))
            };
            let parts: Vec<&str> = [name, person]
                .into_iter()
                .filter(|p| !p.is_empty())
                .collect();
            tell(&format!("{}: {says}", parts.join("  ")));
        }
        News::Broken(name, why) if json => {
            tell(&serde_json::json!({ "frame": name, "broken": why }).to_string());
        }
        News::Broken(name, why) => tell(&format!("{name}: cannot be read: {why}")),
        News::Waiting(count) => {
            // One frame at a time comes and goes; more of them are a queue that is worth a line.
            if count > 1 && !json && waiting.get() != count {
                let minutes = began.elapsed().as_secs_f64() / 60.0;
                let rate = done.get() as f64 / minutes.max(1.0 / 60.0);
                let left = match done.get() {
                    0 => String::new(),
                    _ => format!(
                        ", {rate:.1} a minute, about {} left",
                        spoken(60.0 * count as f64 / rate)
                    ),
                };
                say(&format!("{count} frames wait{left}"));
            }
            waiting.set(count);
        }
        News::Trouble(why) => say(why),
    };
    match runner::run(&call.job, watched, &to, call.size, &stop, &news) {
        Ok(sum) => {
            if json {
                tell(&serde_json::json!({ "sum": sum }).to_string());
            } else {
                tell(&format!(
                    "{} checked, {} to look at, {} that cannot be read",
                    sum.checked, sum.look, sum.broken
                ));
            }
            if sum.look + sum.broken == 0 {
                End::Well
            } else {
                End::Attention
            }
        }
        Err(why) => {
            say(&why);
            End::NotUnderstood
        }
    }
}

/// Minutes and seconds as a clock shows them.
fn spoken(seconds: f64) -> String {
    let seconds = seconds.round() as u64;
    format!("{}:{:02}", seconds / 60, seconds % 60)
}
