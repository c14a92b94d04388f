//! Watching a folder while frames come into it: slowly, broken, renamed, gone; and the page that shows it.
#![allow(
    clippy::print_stderr,
    reason = "a test that skips says so on the terminal"
)]

#[path = "support/browser.rs"]
mod browser;
mod support;

use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use browser::{BARRIERS, Browser, keys};
use serde_json::{Value, json};
use support::{Office, lapel, shipped, small_sitter};

/// Far more than is needed on a machine with other work.
const PATIENCE: Duration = Duration::from_secs(60);

/// The program at work; it is ended with the test.
struct Watch {
    child: Child,
    out: BufReader<ChildStdout>,
}

impl Watch {
    fn start(office: &Office) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_lapel"))
            .args(["--json", "watch"])
            .arg(office.at("job.ron"))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        Self { child, out }
    }

    /// Ctrl-C; gives the exit code and the last line of results.
    fn end(mut self) -> (Option<i32>, Value) {
        let id = self.child.id().to_string();
        let sent = Command::new("kill").args(["-INT", &id]).status();
        assert!(
            sent.expect("`kill` is there").success(),
            "it ended by itself"
        );
        let lines = self.out.by_ref().lines().map_while(Result::ok);
        let last = lines.last().expect("a sum");
        let code = self.child.wait().expect("it ends").code();
        (code, serde_json::from_str(&last).expect("JSON"))
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _ended = self.child.wait();
    }
}

/// What the page is told now.
fn state(office: &Office) -> Value {
    let script = fs::read_to_string(office.at("watch/state.js")).unwrap_or_default();
    let json = script
        .strip_prefix("show(")
        .and_then(|rest| rest.strip_suffix(");\n"));
    json.map_or(Value::Null, |json| {
        serde_json::from_str(json).expect("never half a file")
    })
}

#[track_caller]
fn wait_for(office: &Office, what: &str, is: impl Fn(&Value) -> bool) -> Value {
    let began = Instant::now();
    loop {
        let now = state(office);
        if is(&now) {
            return now;
        }
        assert!(began.elapsed() < PATIENCE, "never: {what}\n{now:#}");
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Names and lights of the frames, newest first.
fn lights(state: &Value) -> Vec<(String, String)> {
    let frames = state["frames"].as_array().cloned().unwrap_or_default();
    let text = |frame: &Value, key: &str| frame[key].as_str().unwrap_or_default().to_owned();
    frames
        .iter()
        .map(|frame| (text(frame, "name"), text(frame, "light")))
        .collect()
}

fn is_done(state: &Value, name: &str) -> bool {
    lights(state)
        .iter()
        .any(|(own, light)| own == name && ["well", "look"].contains(&light.as_str()))
}

#[test]
fn frames_appear_while_they_are_copied_and_a_page_shows_them() {
    let office = Office::bare();
    office.write("frames/s01.dng", &shipped("s01"));
    let watch = Watch::start(&office);
    wait_for(&office, "the frame that was there", |now| {
        is_done(now, "s01.dng")
    });
    let browser = Browser::start();
    if let Some(browser) = &browser {
        browser.open_file(&office.at("watch/index.html"));
        browser.wait_for("document.querySelectorAll('#frames .open img').length === 1");
    }

    // A slow copy: half of it stands still for longer than a file must, and is not called broken.
    let bytes = shipped("s02");
    let mut file = File::create(office.at("frames/s02.dng")).expect("writable");
    file.write_all(&bytes[..bytes.len() / 2]).expect("writable");
    file.sync_all().expect("writable");
    wait_for(&office, "half of a frame arrives", |now| {
        lights(now).len() == 2
    });
    std::thread::sleep(Duration::from_millis(2500));
    assert_eq!(
        lights(&state(&office))[0],
        ("s02.dng".to_owned(), "wait".to_owned())
    );
    file.write_all(&bytes[bytes.len() / 2..]).expect("writable");
    drop(file);
    let now = wait_for(&office, "the whole of it", |now| is_done(now, "s02.dng"));
    assert_eq!(now["frames"][0]["person"], "Bo Birch");
    assert_eq!(now["frames"][1]["person"], "Ann Ash");

    // What `capture` says of the two, the page says too.
    let job = office.at("job.ron");
    let run = lapel(&["--json", "capture", job.to_str().expect("UTF-8")]);
    let capture: Value = serde_json::from_str(&run.out).expect("JSON");
    for (at, id) in [(1, 0), (0, 1)] {
        let findings = capture["frames"][id]["findings"]
            .as_array()
            .expect("a list");
        let says: Vec<&Value> = findings.iter().map(|one| &one["says"]).collect();
        assert_eq!(now["frames"][at]["says"], json!(says));
    }

    if let Some(browser) = &browser {
        // By itself, the newest first.
        browser.wait_for("document.querySelectorAll('#frames .open img').length === 2");
        browser.wait_for("[...document.images].every((i) => i.id || i.naturalWidth > 300)");
        let first = "document.querySelector('#frames h2').textContent";
        assert_eq!(browser.get(first), "Bo Birch, s02.dng");
        assert_eq!(
            browser.get("document.getElementById('alarm').textContent"),
            ""
        );
        let told = browser.get("document.getElementById('told').textContent");
        assert!(
            told.as_str().is_some_and(|told| told.contains("s02.dng: ")),
            "{told}"
        );
        for (width, height) in [(390, 844), (1280, 900)] {
            browser.size(width, height, 1.0);
            for scheme in ["light", "dark"] {
                browser.scheme(scheme);
                assert_eq!(browser.run(BARRIERS), json!([]), "{width} {scheme}");
                browser.picture(&format!("watch-{width}-{scheme}"));
            }
        }
        browser.run("document.querySelector('#frames .open').focus()");
        browser.press(&[keys::ENTER, keys::RIGHT]);
        let name = "document.getElementById('large-name').textContent";
        assert_eq!(browser.get(name), "Ann Ash, s01.dng");
        browser.picture("watch-large");
        browser.press(&[keys::ESCAPE]);
        browser.wait_for("document.activeElement.dataset.name === 'Ann Ash, s01.dng'");
    }

    // A name in the roster comes later; a frame goes, another is renamed; the folder goes and comes.
    office.edit("roster.csv", "s01,Ann Ash", "s03 .. s09,Ann Ash");
    office.write("frames/notes.txt", b"no frame");
    fs::rename(office.at("frames/s01.dng"), office.at("frames/s03.dng")).expect("ours");
    fs::remove_file(office.at("frames/s02.dng")).expect("ours");
    let now = wait_for(&office, "another name", |now| {
        is_done(now, "s03.dng") && lights(now).len() == 1
    });
    assert_eq!(now["frames"][0]["person"], "Ann Ash");
    fs::rename(office.at("frames"), office.at("away")).expect("ours");
    let now = wait_for(&office, "the folder is gone", |now| now["gone"].is_string());
    assert_eq!(lights(&now).len(), 1);
    if let Some(browser) = &browser {
        browser
            .wait_for("document.getElementById('alarm').textContent.includes('once it is back')");
        browser.size(390, 844, 1.0);
        browser.picture("watch-gone");
    }
    fs::rename(office.at("away"), office.at("frames")).expect("ours");
    wait_for(&office, "the folder is back", |now| now["gone"].is_null());

    let (code, last) = watch.end();
    let look = last["sum"]["look"].as_i64().expect("a number");
    assert_eq!(last["sum"]["checked"], 1);
    assert_eq!(code, Some(i32::from(look > 0)));
    assert_eq!(state(&office)["ended"], true);
    if let Some(browser) = &browser {
        browser.wait_for("document.getElementById('alarm').textContent.includes('has ended')");
        let folder = format!("file://{}/", office.at("watch").display());
        for address in browser.requests() {
            assert!(address.starts_with(&folder), "{address}");
        }
        assert_eq!(browser.complaints(), [""; 0]);
    }
}

#[test]
fn a_watch_goes_on_where_it_was_and_tells_what_is_broken() {
    let office = Office::bare();
    office.write("frames/s01.png", &small_sitter("s01"));
    office.write("frames/half.dng", &shipped("s02")[..5000]);
    let watch = Watch::start(&office);
    wait_for(&office, "one is broken", |now| {
        is_done(now, "s01.png")
            && lights(now).contains(&("half.dng".to_owned(), "broken".to_owned()))
    });
    let (code, last) = watch.end();
    assert_eq!((code, &last["sum"]["broken"]), (Some(1), &json!(1)));

    let made = |office: &Office| {
        let entries = fs::read_dir(office.at("watch/pictures")).expect("made");
        let mut files: Vec<_> = entries
            .map(|entry| {
                let entry = entry.expect("readable");
                let time = entry.metadata().and_then(|file| file.modified());
                (entry.file_name(), time.expect("a time"))
            })
            .collect();
        files.sort();
        files
    };
    let before = made(&office);
    assert_eq!(before.len(), 3);
    fs::remove_file(office.at("frames/half.dng")).expect("ours");
    let watch = Watch::start(&office);
    wait_for(&office, "it goes on", |now| {
        now["ended"] == false && is_done(now, "s01.png") && lights(now).len() == 1
    });
    let (code, last) = watch.end();
    let look = last["sum"]["look"].as_i64().expect("a number");
    assert_eq!(code, Some(i32::from(look > 0)));
    assert_eq!(made(&office), before);
}

#[test]
fn what_cannot_be_watched_is_told() {
    let office = Office::bare();
    office.edit(
        "job.ron",
        "frames: \"frames\"",
        "frames: [\"frames/s01.png\"]",
    );
    office.write("frames/s01.png", &small_sitter("s01"));
    let job = office.at("job.ron");
    let job = job.to_str().expect("UTF-8");
    lapel(&["watch", job])
        .ends_with(2)
        .says(&["a list of frames cannot be watched", "name the folder"]);
    office.edit(
        "job.ron",
        "frames: [\"frames/s01.png\"]",
        "frames: \"frames\"",
    );
    let frames = office.at("frames");
    lapel(&["watch", job, "--to", frames.to_str().expect("UTF-8")])
        .ends_with(2)
        .says(&["choose a"]);
}
