//! The command line: the only place that prints.
//!
//! Results go to standard output; progress, mistakes and messages to standard error. Exit codes:
//! 0 all well, 1 some frame failed or needs a person, 2 the call or a file was not understood.

mod arguments;
mod check;
mod finish;
mod preview;
pub mod report;

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use clap::Parser;

use arguments::{Arguments, Command};
use report::Style;

use crate::recipe::Diagnostics;

/// How a command ended.
enum End {
    /// All well.
    Well,
    /// Some frame failed or needs a person's attention.
    Attention,
    /// The call or a file could not be understood.
    NotUnderstood,
}

impl From<End> for ExitCode {
    fn from(end: End) -> Self {
        ExitCode::from(match end {
            End::Well => 0,
            End::Attention => 1,
            End::NotUnderstood => 2,
        })
    }
}

/// Runs the program on the process's own arguments.
pub fn run() -> ExitCode {
    std::panic::set_hook(Box::new(|mistake| {
        let place = mistake
            .location()
            .map_or_else(String::new, ToString::to_string);
        let message = mistake.payload_as_str().unwrap_or("no message");
        say(&format!(
            "a mistake in this program, please report it: {message} ({place})"
        ));
    }));
    // clap prints its own help and errors and ends with 0 or 2.
    let arguments = Arguments::parse();
    if let Some(threads) = arguments.threads {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(usize::from(threads));
        if let Err(error) = pool.build_global() {
            say(&format!("cannot start {threads} threads: {error}"));
            return End::NotUnderstood.into();
        }
    }
    let json = arguments.json;
    match arguments.command {
        Command::Finish(call) => finish::run(&call, json),
        Command::Preview(call) => preview::run(&call, json),
        Command::Check(call) => check::run(&call, json),
    }
    .into()
}

/// One line of results. A closed pipe is no failure of ours: whoever closed it has read enough.
fn tell(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// One line about the work.
fn say(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// Reports mistakes: as JSON on standard output, or as text on standard error.
fn report(notes: &Diagnostics, json: bool) {
    if json {
        tell(&report::json(notes));
    } else if !notes.is_empty() {
        let _ = write!(std::io::stderr(), "{}", report::text(notes, style()));
    }
}

fn style() -> Style {
    let colours = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    if colours {
        Style::Coloured
    } else {
        Style::Plain
    }
}
