//! Nothing is lost: a batch killed at any moment, two runs at once, parts of a job, and a delivery
//! that is read again.

#![allow(
    clippy::print_stderr,
    reason = "a skipped check says so on the terminal"
)]

mod support;

use std::process::{Command, Stdio};
use std::time::Duration;

use support::{Office, Run, lapel};

fn verify(office: &Office, more: &[&str]) -> Run {
    let job = office.at("job.ron");
    let mut call = vec!["verify", job.to_str().expect("UTF-8")];
    call.extend(more);
    lapel(&call)
}

#[test]
fn a_delivery_is_checked_against_sidecars_and_manifest() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    verify(&office, &[])
        .ends_with(0)
        .says(&["5 files, all right"]);
    verify(&office, &["--render"])
        .ends_with(0)
        .says(&["5 files, all right"]);

    // A report about the delivery is no part of it.
    let job = office.at("job.ron");
    lapel(&["report", job.to_str().expect("UTF-8")]);
    assert!(office.delivered().contains_key("consistency.html"));
    verify(&office, &[])
        .ends_with(0)
        .says(&["5 files, all right"]);

    // An independent reader of the manifest: GNU coreutils.
    let sums = Command::new("sha256sum")
        .args(["--check", "--strict", "manifest.sha256"])
        .current_dir(office.at("delivered"))
        .output();
    match sums {
        Ok(sums) => {
            let said = String::from_utf8_lossy(&sums.stdout).into_owned();
            assert!(sums.status.success(), "{said}");
            // Four files, their sidecars, the contact sheet.
            assert_eq!(said.matches(": OK").count(), 9, "{said}");
        }
        Err(_) => eprintln!("skipped: there is no sha256sum here"),
    }

    // One byte in the middle, a file gone, a sidecar damaged, a stranger.
    let mut picture = office.read("delivered/print/ann.tif");
    let middle = picture.len() / 2;
    picture[middle] ^= 1;
    office.write("delivered/print/ann.tif", &picture);
    std::fs::remove_file(office.at("delivered/bo-web.jpg")).expect("it was delivered");
    office.write("delivered/ann-web.jpg.ron", b"Sidecar(");
    office.write("delivered/notes.txt", b"mine");
    let all = [
        "print/ann.tif: changed since it was delivered",
        "bo-web.jpg: missing",
        "ann-web.jpg: its sidecar cannot be read",
        "notes.txt: no sidecar speaks of it",
        "2 files right, 4 not",
    ];
    verify(&office, &[]).ends_with(1).says(&all);
    let folder = office.at("delivered");
    lapel(&["verify", folder.to_str().expect("UTF-8")])
        .ends_with(1)
        .says(&all);
}

/// One file of a delivery proven by rendering it again: `--render` sees what the bytes alone cannot
/// say, and `--only` renders that frame alone.
#[test]
fn a_single_file_is_proven_by_rendering_it_again() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    verify(&office, &["--render", "--only", "s01"])
        .ends_with(0)
        .says(&["1/1 s01", "2 files, all right"]);
    let run = verify(&office, &["--json", "--render", "--only", "s01.png"]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    let all = serde_json::json!({ "ann-web.jpg": "Right", "print/ann.tif": "Right" });
    assert_eq!(json, all);
    verify(&office, &["--render", "--only", "s77"])
        .ends_with(2)
        .says(&["--only s77: no row of the roster has that frame"]);

    // A forgery whose sidecar and manifest speak of the forged bytes: rendering alone finds it.
    let mut picture = office.read("delivered/print/ann.tif");
    let sound = blake3::hash(&picture).to_hex();
    let middle = picture.len() / 2;
    picture[middle] ^= 1;
    office.write("delivered/print/ann.tif", &picture);
    office.edit(
        "delivered/print/ann.tif.ron",
        sound.as_str(),
        blake3::hash(&picture).to_hex().as_str(),
    );
    std::fs::remove_file(office.at("delivered/manifest.sha256")).expect("it was delivered");
    verify(&office, &["--only", "s01"]).says(&["2 files, all right"]);
    verify(&office, &["--render", "--only", "s01"])
        .ends_with(1)
        .says(&[
            "print/ann.tif: renders to other bytes",
            "1 files right, 1 not",
        ]);
    // The other sitter's files are none of it.
    verify(&office, &["--render", "--only", "s02"])
        .ends_with(0)
        .says(&["2 files, all right"]);
}

#[test]
fn what_the_job_would_render_anew_is_told() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    office.edit("house.ron", "level: 62.0", "level: 70.0");
    verify(&office, &[])
        .ends_with(1)
        .says(&["ann-web.jpg: made before something changed", "4 not"]);
    // The manifest follows.
    office.finish(&[]).ends_with(0);
    verify(&office, &[]).ends_with(0);
}

#[test]
fn a_run_with_nothing_to_do_writes_nothing() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    let stamps = || {
        let files = ["contact-sheet.jpg", "manifest.sha256", "ann-web.jpg"];
        files.map(|file| {
            let file = std::fs::metadata(office.at(&format!("delivered/{file}")));
            file.and_then(|file| file.modified()).expect("delivered")
        })
    };
    let before = stamps();
    office.finish(&[]).ends_with(0).says(&["2 unchanged"]);
    assert_eq!(stamps(), before);
}

#[test]
fn parts_of_a_job_make_the_whole() {
    let whole = Office::new();
    whole.finish(&[]).ends_with(0);
    let office = Office::new();
    office
        .finish(&["--part", "1/2"])
        .ends_with(0)
        .says(&["1 rendered"]);
    office
        .finish(&["--part", "2/2"])
        .ends_with(0)
        .says(&["1 rendered"]);
    assert!(!office.delivered().contains_key("manifest.sha256"));
    office.finish(&[]).ends_with(0).says(&["2 unchanged"]);
    assert_eq!(office.changed_since(&whole.delivered()), [""; 0]);
    office
        .finish(&["--part", "3/2"])
        .ends_with(2)
        .says(&["such as 2/5"]);
}

/// An array job of a real batch scheduler, by the script that the sample client has.
#[test]
fn slurm_runs_the_parts() {
    let idle = Command::new("sinfo")
        .args(["--noheader", "--states=idle"])
        .output();
    if !idle.is_ok_and(|nodes| nodes.status.success() && !nodes.stdout.is_empty()) {
        eprintln!("skipped: no idle node of Slurm here");
        return;
    }
    let whole = Office::new();
    whole.finish(&[]).ends_with(0);
    let office = Office::new();
    let batch = |more: &[&str]| {
        let run = Command::new("sbatch")
            .args(["--wait", "--cpus-per-task=1", "--output=slurm-%A-%a.log"])
            .args(more)
            .arg(support::root("samples/client/finish.slurm"))
            .arg("job.ron")
            .env("LAPEL", env!("CARGO_BIN_EXE_lapel"))
            .current_dir(office.at(""))
            .output()
            .expect("sinfo was there");
        assert!(run.status.success(), "{run:?}");
    };
    batch(&["--array=1-2"]);
    assert!(!office.delivered().contains_key("manifest.sha256"));
    assert_eq!(
        office.delivered().len(),
        8,
        "four files, each with its sidecar"
    );
    batch(&[]);
    assert_eq!(office.changed_since(&whole.delivered()), [""; 0]);
    verify(&office, &[]).ends_with(0);
}

#[test]
fn two_runs_at_once_do_not_harm_each_other() {
    let office = Office::new();
    let start = || {
        Command::new(env!("CARGO_BIN_EXE_lapel"))
            .arg("finish")
            .arg(office.at("job.ron"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the binary starts")
    };
    let (mut one, mut other) = (start(), start());
    let ends = [one.wait(), other.wait()].map(|end| end.expect("it ended").code());
    assert_eq!(ends, [Some(0), Some(0)]);
    verify(&office, &["--render"]).ends_with(0);
}

/// Two frames on which there is nobody: a run writes as much as ever, in a tenth of the time, and
/// ends with 1, since somebody has to look at them.
fn quick() -> Office {
    let office = Office::bare();
    office.write("frames/s01.png", &support::nobody(0.2));
    office.write("frames/s02.png", &support::nobody(0.3));
    office
}

/// Kills a batch fifty times, at moments spread over its whole length, and lets it go on after each:
/// what stands under a final name is always whole, originals never change, and the last
/// run completes the rest.
#[test]
fn fifty_kills_lose_nothing() {
    const KILLS: u64 = 50;
    let office = quick();
    let originals = [
        "frames/s01.png",
        "frames/s02.png",
        "house.ron",
        "roster.csv",
    ];
    let before = originals.map(|file| office.read(file));
    let whole = quick();
    let begun = std::time::Instant::now();
    whole.finish(&[]).ends_with(1).says(&["no face was found"]);
    let length = begun.elapsed();
    let reference = whole.delivered();
    for kill in 0..KILLS {
        let mut run = Command::new(env!("CARGO_BIN_EXE_lapel"))
            .arg("finish")
            .arg(office.at("job.ron"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the binary starts");
        // Not evenly, so that the same step is not hit again and again (golden ratio, Weyl 1916).
        let share = (kill as f64 * 0.618_033_988_75).fract();
        std::thread::sleep(length.mul_f64(share).max(Duration::from_millis(1)));
        run.kill().expect("it is ours");
        run.wait().expect("it ended");
        for (name, bytes) in office.delivered() {
            if !name.contains(".lapel-") {
                assert_eq!(
                    Some(&bytes),
                    reference.get(&name),
                    "{name} after kill {kill}"
                );
            }
        }
        // From the start again after some, so that every step is met with nothing there yet.
        if kill % 5 == 4 {
            std::fs::remove_dir_all(office.at("delivered")).expect("ours");
        }
    }
    assert_eq!(originals.map(|file| office.read(file)), before);
    office.finish(&[]).ends_with(1);
    assert_eq!(office.delivered(), reference, "and no part is left");
    verify(&office, &[]).ends_with(0);
}

#[test]
fn a_frame_that_vanishes_is_told_and_the_others_are_done() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    let delivered = office.delivered();
    std::fs::remove_file(office.at("frames/s02.png")).expect("it was there");
    office
        .finish(&[])
        .ends_with(1)
        .says(&["the frame is missing"]);
    // What was delivered of it stays.
    for name in ["bo-web.jpg", "print/bo.tif"] {
        assert_eq!(office.delivered().get(name), delivered.get(name), "{name}");
    }
}

/// The card is pulled out while a frame is being read: cut short, or gone.
#[test]
fn a_card_pulled_out_in_mid_read_loses_one_frame_and_says_so() {
    if !std::path::Path::new("/proc/self/fdinfo").exists() {
        eprintln!("skipped: no /proc here that tells what is being read");
        return;
    }
    let office = Office::new();
    let sound = office.read("frames/s01.png");
    let path = office.at("frames/s01.png");
    for cut in [true, false] {
        // A long empty tail, so that reading takes a while; it takes no room on the disk.
        let file = std::fs::File::options()
            .write(true)
            .open(&path)
            .expect("ours");
        file.set_len(1 << 30).expect("a sparse file");
        let mut run = Command::new(env!("CARGO_BIN_EXE_lapel"))
            .arg("finish")
            .arg(office.at("job.ron"))
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the binary starts");
        wait_until_read(run.id(), &path, || {
            run.try_wait().is_ok_and(|end| end.is_none())
        });
        if cut {
            file.set_len(1000).expect("ours");
        } else {
            std::fs::remove_file(&path).expect("ours");
        }
        let end = run.wait_with_output().expect("it ended");
        let said = String::from_utf8_lossy(&end.stdout).into_owned();
        assert_eq!(end.status.code(), Some(1), "{said}");
        assert!(
            said.contains("s01.png") && said.contains("1 failed"),
            "{said}"
        );
        let told = [
            "changed while it was read",
            "check that the card",
            "Copy it again",
        ];
        assert!(told.iter().any(|told| said.contains(told)), "{said}");
        let delivered = office.delivered();
        assert!(
            !delivered.keys().any(|name| name.contains("ann")),
            "{delivered:?}"
        );
        assert!(delivered.contains_key("print/bo.tif.ron"), "{delivered:?}");
        std::fs::write(&path, &sound).expect("writable");
    }
    // The card is back: the rest is done.
    office
        .finish(&[])
        .ends_with(0)
        .says(&["1 rendered, 1 unchanged"]);
    verify(&office, &[]).ends_with(0);
}

/// Waits until a process has a file open and has read some of it.
fn wait_until_read(process: u32, path: &std::path::Path, mut runs: impl FnMut() -> bool) {
    while runs() {
        let open = std::fs::read_dir(format!("/proc/{process}/fd"));
        for file in open.into_iter().flatten().flatten() {
            if std::fs::read_link(file.path()).is_ok_and(|to| to == path) {
                let number = file.file_name().into_string().expect("a number");
                let about = std::fs::read_to_string(format!("/proc/{process}/fdinfo/{number}"));
                let at = about.ok().and_then(|text| {
                    text.lines()
                        .next()?
                        .strip_prefix("pos:")?
                        .trim()
                        .parse::<u64>()
                        .ok()
                });
                if at.is_some_and(|at| at > 1 << 20) {
                    return;
                }
            }
        }
    }
    panic!("the run ended before it read {}", path.display());
}
