//! Every command explains itself with examples, answers a script in JSON, and uses colour on a
//! terminal alone, never as the only sign.
#![allow(
    clippy::print_stderr,
    reason = "a skipped check says so on the terminal"
)]

mod support;

use std::process::Command;

use serde_json::Value;
use support::{Office, lapel, root};

/// Names of all commands, as `--help` lists them.
fn commands() -> Vec<String> {
    let help = lapel(&["--help"]).ends_with(0).out;
    let list = help.split("Commands:").nth(1).expect("a list of commands");
    let names = list
        .lines()
        .skip(1)
        .take_while(|line| !line.starts_with("Options"));
    let names = names.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    let names = names.filter_map(|line| line.split_whitespace().next().map(str::to_owned));
    names.filter(|name| name != "help").collect()
}

#[test]
fn every_command_has_a_short_manual_with_examples() {
    let commands = commands();
    assert!(commands.len() >= 12, "{commands:?}");
    let manual = lapel(&["manual"]).ends_with(0).out.replace("\\-", "-");
    for command in &commands {
        let help = lapel(&[command, "--help"]).ends_with(0).out;
        let (told, examples) = help
            .split_once("Examples:")
            .unwrap_or_else(|| panic!("{command} has no examples:\n{help}"));
        let calls: Vec<&str> = examples
            .lines()
            .map(str::trim)
            .filter(|l| !l.is_empty())
            .collect();
        assert!(!calls.is_empty(), "{help}");
        for call in calls {
            assert!(call.starts_with(&format!("lapel {command}")), "{call}");
            // Whatever an example uses is explained.
            for word in call
                .split_whitespace()
                .filter(|word| word.starts_with("--"))
            {
                assert!(told.contains(word), "{command}: {word} of `{call}`");
            }
            let start = call.split("  ").next().unwrap_or(call);
            assert!(manual.contains(start), "the manual lacks `{start}`");
        }
        // What it does, and every option in a sentence.
        assert!(
            told.lines().next().is_some_and(|line| line.len() > 20),
            "{help}"
        );
    }
    // The short help fits a screen.
    let short = lapel(&["-h"]).ends_with(0).out;
    assert!(short.lines().count() <= 40, "{short}");
}

/// A call with `--json` ends so and answers with one JSON text and nothing else.
#[track_caller]
fn json(call: &[&str], code: i32) -> Value {
    let mut all = vec!["--json"];
    all.extend(call);
    let run = lapel(&all).ends_with(code);
    serde_json::from_str(&run.out).unwrap_or_else(|why| panic!("{call:?}: {why}\n{}", run.out))
}

#[test]
fn every_reporting_command_answers_a_script() {
    let office = Office::new();
    let path = |path: &str| office.at(path).to_str().expect("UTF-8").to_owned();
    let (job, house, frame) = (path("job.ron"), path("house.ron"), path("frames/s01.png"));
    let (to, other) = (path("shown.png"), path("frames/s02.png"));
    let folder = path("delivered");

    assert_eq!(json(&["check", &job, &house], 0), serde_json::json!([]));
    let done = json(&["finish", &job], 0);
    assert_eq!(
        done["frames"][0]["result"],
        serde_json::json!({ "Rendered": 2 })
    );
    let sidecar = path("delivered/ann-web.jpg.ron");
    assert_eq!(json(&["check", &sidecar], 0)["person"], "Ann Ash");
    let two = json(&["check", &sidecar, &path("delivered/bo-web.jpg.ron")], 0);
    assert_eq!(two["sidecars"].as_object().map(|all| all.len()), Some(2));
    assert_eq!(json(&["verify", &job], 0)["ann-web.jpg"], "Right");
    assert_eq!(json(&["verify", &folder], 0)["bo-web.jpg"], "Right");
    let report = lapel(&["report", "--json", &job]).out;
    let report: Value = serde_json::from_str(&report).expect("JSON and nothing else");
    assert_eq!(report["people"].as_array().map(Vec::len), Some(2));
    let preview = json(
        &["preview", &house, &frame, "--size", "400", "--to", &to],
        0,
    );
    assert_eq!(preview["written"], to);
    assert_eq!(
        json(&["compare", &house, &house], 0)["differences"],
        serde_json::json!([])
    );
    let changed = lapel(&["capture", "--json", &other, "--against", &frame]).out;
    let changed: Value = serde_json::from_str(&changed).expect("JSON and nothing else");
    assert!(changed["says"].is_array());
    let tidy = json(&["tidy", "--check", &house], 0);
    assert_eq!(tidy["changed"], serde_json::json!([]));
    let new = json(&["new", &path("client")], 0);
    assert_eq!(new["written"].as_array().map(Vec::len), Some(7));
    let chart = root("samples/office/frames/chart.dng");
    let chart = chart.to_str().expect("UTF-8");
    let profile = json(&["calibrate", chart, "--to", &path("chart.ron")], 0);
    assert_eq!(
        profile["chart"]["patches"].as_array().map(Vec::len),
        Some(24)
    );
}

#[test]
fn a_call_that_comes_to_nothing_tells_a_script_too() {
    let office = Office::bare();
    let path = |path: &str| office.at(path).to_str().expect("UTF-8").to_owned();
    let (gone, house, job) = (path("gone"), path("house.ron"), path("job.ron"));
    for call in [
        vec!["finish", &gone],
        vec!["report", &gone],
        vec!["capture", "gone.ron"],
        vec!["check", &gone],
        vec!["compare", &gone, &house],
        vec!["preview", &gone, &house],
    ] {
        let told = json(&call, 2);
        let message = told[0]["message"].as_str().unwrap_or_default();
        assert!(message.contains("cannot be read"), "{call:?}: {told}");
    }
    // What is wrong with the call itself.
    for (call, why) in [
        (vec!["finnish", &job], "unrecognized subcommand"),
        (vec!["finish"], "required arguments were not provided"),
        (vec!["finish", &job, "--only"], "a value is required"),
    ] {
        let told = json(&call, 2);
        let message = told["error"].as_str().unwrap_or_default();
        assert!(message.contains(why), "{call:?}: {told}");
    }
    // A table or a picture in the place of a text is called what it is.
    let roster = path("roster.csv");
    for call in [vec!["finish", &roster], vec!["tidy", "--check", &roster]] {
        let told = json(&call, 2).to_string();
        assert!(told.contains("this is a table"), "{call:?}: {told}");
    }
    office.write("frames/s01.png", &support::nobody(0.2));
    let picture = path("frames/s01.png");
    lapel(&["check", &picture])
        .ends_with(2)
        .says(&["this is a picture, where a text is needed"]);
    // A folder stands for the frames in it; what there is no frame for is told by `verify` too.
    let run = lapel(&["capture", &path("frames")]).ends_with(1);
    run.says(&["s01.png:", "no face was found", "The set: 1 frame"]);
    office.finish(&[]).ends_with(1);
    lapel(&["verify", &job])
        .ends_with(1)
        .says(&["the frame `s02` is not there", "3 files, all right"]);

    for (call, says) in [
        (
            vec!["preview", &house, &gone],
            "check that the card or folder is there",
        ),
        (
            vec!["calibrate", &gone],
            "check that the card or folder is there",
        ),
        (vec!["new", &path("")], "choose a new or an empty folder"),
        (
            vec!["verify", &path("frames"), "--render"],
            "need the job file",
        ),
        (
            vec!["capture", &gone, &gone, "--against", &gone],
            "name the new test shot alone",
        ),
        (vec!["capture", &job, &gone], "name one job, or frames"),
    ] {
        let told = json(&call, 2);
        let error = told["error"].as_str().unwrap_or_default();
        assert!(error.contains(says), "{call:?}: {told}");
    }
}

#[test]
fn colours_are_for_a_terminal_alone_and_never_the_only_sign() {
    let office = Office::bare();
    office.write(
        "own.ron",
        b"Recipe(format: 1, name: \"Own\", steps: [Crop(aspekt: (4, 5))])",
    );
    let call = format!(
        "{} check {}",
        env!("CARGO_BIN_EXE_lapel"),
        office.at("own.ron").display()
    );
    // `script` of util-linux gives it a terminal.
    let on_terminal = |no_color: Option<&str>| {
        let mut run = Command::new("script");
        run.args(["-qec", &call, "/dev/null"])
            .env_remove("NO_COLOR")
            .env("TERM", "xterm");
        if let Some(value) = no_color {
            run.env("NO_COLOR", value);
        }
        run.output()
            .map(|output| String::from_utf8_lossy(&output.stdout).replace('\r', ""))
    };
    let Ok(coloured) = on_terminal(None) else {
        eprintln!("skipped: no `script` here");
        return;
    };
    let plain = on_terminal(Some("1")).expect("it was there before");
    assert!(
        coloured.contains('\u{1b}') && !plain.contains('\u{1b}'),
        "{coloured}\n{plain}"
    );
    let piped = lapel(&["check", office.at("own.ron").to_str().expect("UTF-8")]).err;
    assert_eq!(piped.trim(), plain.trim());
    // Without its colours the coloured one says the same.
    let mut bare = String::new();
    let mut rest = coloured.as_str();
    while let Some((before, after)) = rest.split_once("\u{1b}[") {
        bare += before;
        rest = after.split_once('m').expect("only colours").1;
    }
    bare += rest;
    assert_eq!(bare.trim(), plain.trim());
    assert!(plain.contains('×'), "a sign beside the words: {plain}");
}
