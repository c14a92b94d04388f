//! The command line: the only place that prints.
//!
//! Results go to standard output; progress, mistakes and messages to standard error. Exit codes:
//! 0 all well, 1 some frame failed or needs a person, 2 the call or a file was not understood.

mod arguments;
mod calibrate;
mod capture;
mod check;
mod compare;
mod consistency;
mod finish;
mod new;
mod preview;
mod proof;
pub mod report;
mod tidy;
mod verify;
mod watch;

use std::borrow::Cow;
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use arguments::{Arguments, Command};
use report::Style;

use crate::job::Job;
use crate::job::plan::Plan;
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
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(answer) => return answered(&answer).into(),
    };
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
        Command::Calibrate(call) => calibrate::run(&call, json),
        Command::Compare(call) => compare::run(&call, json),
        Command::Capture(call) => capture::run(&call, json),
        Command::Proof(call) => proof::run(&call, json),
        Command::Watch(call) => watch::run(&call, json),
        Command::Report(call) => consistency::run(&call, json),
        Command::Tidy(call) => tidy::run(&call, json),
        Command::Verify(call) => verify::run(&call, json),
        Command::New(call) => new::run(&call, json),
        Command::Completions(call) => completions(call.shell),
        Command::Manual => manual(),
    }
    .into()
}

/// Prints what clap answers in place of arguments: help, the version, or a mistake in the call, which a
/// script that asked for JSON gets too.
fn answered(answer: &clap::Error) -> End {
    let _ = answer.print();
    if !answer.use_stderr() {
        return End::Well;
    }
    // The call was not understood, so `--json` is looked for as it was written.
    if std::env::args_os().any(|argument| argument == "--json") {
        let why = answer.render().to_string();
        tell(&serde_json::json!({ "error": why.trim_end() }).to_string());
    }
    End::NotUnderstood
}

/// Writes what a shell needs to complete our commands.
fn completions(shell: clap_complete::Shell) -> End {
    let mut command = Arguments::command();
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut command, "lapel", &mut text);
    let _ = std::io::stdout().write_all(&text);
    End::Well
}

/// Writes the manual page: the program's own, then one section a command, all from `--help`.
fn manual() -> End {
    let mut command = Arguments::command();
    command.build();
    let mut text = Vec::new();
    let mut written = clap_mangen::Man::new(command.clone()).render(&mut text);
    for inner in command
        .get_subcommands()
        .filter(|inner| inner.get_name() != "help")
    {
        let page = clap_mangen::Man::new(inner.clone());
        let heading = format!(".SH \"{}\"\n", inner.get_name().to_uppercase());
        text.extend(heading.as_bytes());
        written = written
            .and_then(|()| page.render_synopsis_section(&mut text))
            .and_then(|()| page.render_description_section(&mut text))
            .and_then(|()| page.render_options_section(&mut text))
            .and_then(|()| page.render_extra_section(&mut text));
    }
    match written {
        Ok(()) => {
            let _ = std::io::stdout().write_all(&text);
            End::Well
        }
        Err(error) => {
            say(&format!("the manual cannot be written: {error}"));
            End::Attention
        }
    }
}

/// One line of results. A closed pipe is no failure of ours: whoever closed it has read enough.
fn tell(text: &str) {
    let _ = writeln!(std::io::stdout(), "{}", printable(text));
}

/// One line about the work.
fn say(text: &str) {
    let _ = writeln!(std::io::stderr(), "{}", printable(text));
}

/// Text of ours with what files say in it: a name in a roster may hold commands to the terminal.
fn printable(text: &str) -> Cow<'_, str> {
    if text.contains(is_command) {
        Cow::Owned(text.replace(is_command, "\u{fffd}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// Whether a terminal would obey a character instead of showing it.
fn is_command(c: char) -> bool {
    c.is_control() && !matches!(c, '\n' | '\t')
}

/// Says why a call came to nothing; a script that asked for JSON gets it too.
fn fail(why: &str, json: bool) -> End {
    say(why);
    if json {
        tell(&serde_json::json!({ "error": why }).to_string());
    }
    End::NotUnderstood
}

/// A job and what is to be done for it; `None` when a mistake stands in the way. All mistakes and
/// warnings are reported. A missing frame is a mistake at its place in the roster, but no reason to
/// leave the others.
fn open_job(path: &Path, json: bool) -> Option<(Job, Plan)> {
    let mut notes = Diagnostics::default();
    let job = Job::load(path, &mut notes);
    let plan = job.as_ref().and_then(|job| Plan::of(job, &mut notes));
    let both = job.zip(plan);
    report(&notes, json && both.is_none());
    both
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
