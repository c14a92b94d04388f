//! `finish` as a person runs it: a first run, a run with nothing to do, runs after a change, runs
//! that were interrupted.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod support;

use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

use support::{Office, lapel, shipped};

/// A look that lightens skin is delivered, but nobody can say that it was not told.
#[test]
fn a_sitter_who_was_moved_too_far_is_to_be_looked_at() {
    let office = Office::new();
    office.edit(
        "house.ron",
        "SkinSmoothing(strength: 0.4)",
        "SkinSmoothing(strength: 0.9), Adjust(on: Skin, exposure: 0.5)",
    );
    let told = "retouched beyond natural: the skin's colour moved by Delta E";
    let run = office.finish(&[]).ends_with(1);
    run.says(&[
        told,
        "`strength` of SkinSmoothing: 0.9 is more than a light hand, 0.7",
    ]);
    // A second run has nothing to do and tells it again.
    office.finish(&[]).ends_with(1).says(&[told]);
    let sidecar = office.at("delivered/ann-web.jpg.ron");
    let run = lapel(&["check", "--json", sidecar.to_str().expect("UTF-8")]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(
        json["natural"]["strong"],
        serde_json::json!(["`strength` of SkinSmoothing: 0.9 is more than a light hand, 0.7"])
    );
    assert_eq!(json["natural"]["beyond"].as_array().map(Vec::len), Some(1));
}

/// The shipped frames as they are: two raws, all commands' results read by others.
#[test]
fn two_raw_frames_are_delivered() {
    let office = Office::bare();
    office.write("frames/s01.dng", &shipped("s01"));
    office.write("frames/s02.dng", &shipped("s02"));
    office.write("frames/empty.dng", &shipped("empty"));
    office.edit(
        "job.ron",
        "outputs:",
        "set: Set(empty: \"frames/empty.dng\"),\n    outputs:",
    );
    let run = office.finish(&[]).ends_with(0);
    run.says(&[
        "Harbour Lane: 2 frames",
        "2 rendered",
        "Contact sheet:",
        "Ann Ash 2 files",
        "; texture ",
    ]);
    let files: Vec<String> = office.delivered().into_keys().collect();
    let expected = [
        "ann-web.jpg",
        "ann-web.jpg.ron",
        "bo-web.jpg",
        "bo-web.jpg.ron",
        "contact-sheet.jpg",
        "manifest.sha256",
        "print/ann.tif",
        "print/ann.tif.ron",
        "print/bo.tif",
        "print/bo.tif.ron",
    ];
    assert_eq!(files, expected);

    let sidecar = office.at("delivered/ann-web.jpg.ron");
    let sidecar = sidecar.to_str().expect("UTF-8");
    let run = lapel(&["check", "--json", sidecar]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    assert_eq!(json["person"], "Ann Ash");
    assert_eq!(json["frame"]["name"], "s01.dng");
    assert_eq!(json["frame"]["exif"]["iso"], 100);
    assert_eq!(json["attention"], serde_json::json!([]));
    let natural = |key: &str| json["natural"][key].as_f64().expect("a number");
    assert!(
        (0.85..1.1).contains(&natural("texture_kept")),
        "{}",
        json["natural"]
    );
    assert!(natural("skin_delta_e") < 0.7, "{}", json["natural"]);
    assert!(natural("area_healed") < 0.01, "{}", json["natural"]);
    assert_eq!(
        json["output"]["size"],
        serde_json::json!({ "width": 240, "height": 300 })
    );
    assert_eq!(
        json["placement"]["frame"],
        serde_json::json!({ "width": 1200, "height": 1800 })
    );
    let rect = |key: &str| json["placement"]["rect"][key].as_u64().expect("pixels");
    // 4:5, to the nearest whole pixel.
    let off = (rect("width") * 5).abs_diff(rect("height") * 4);
    assert!(off <= 4, "{}", json["placement"]);
    let steps = json["steps"].as_array().expect("a list");
    assert!(
        steps.iter().any(|step| step["step"] == "BackgroundLift"),
        "{steps:?}"
    );
    let resolved = json["recipe"]["resolved"].as_str().expect("text");
    assert!(
        resolved.contains("SkinSmoothing(strength: 0.4"),
        "{resolved}"
    );
    lapel(&["check", sidecar])
        .ends_with(0)
        .says(&["a sidecar, no mistakes", "240 x 300 pixels"]);

    let again = office.delivered();
    office
        .finish(&[])
        .ends_with(0)
        .says(&["nothing to render: 2 unchanged", "Ann Ash nothing to do"]);
    assert_eq!(office.changed_since(&again), [""; 0]);

    read_by_pillow(&office);
}

/// Sizes, profiles and metadata as Pillow reads them. `PYTHON` names another interpreter.
fn read_by_pillow(office: &Office) {
    const SCRIPT: &str = "
import io, json, sys
try:
    from PIL import Image, ImageCms
except ImportError:
    print('null'); sys.exit()
found = []
for name in sys.argv[1:]:
    picture = Image.open(name)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(picture.info['icc_profile']))
    exif = picture.getexif()
    found.append([picture.size, ImageCms.getProfileDescription(profile).strip(), exif.get(0x013b)])
print(json.dumps(found))";
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let files = ["delivered/ann-web.jpg", "delivered/print/ann.tif"].map(|file| office.at(file));
    let Ok(output) = Command::new(&python)
        .arg("-c")
        .arg(SCRIPT)
        .args(files)
        .output()
    else {
        eprintln!("skipped: there is no {python}");
        return;
    };
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    if found.is_null() {
        eprintln!("skipped: {python} has no Pillow");
        return;
    }
    let creator = "A. Photographer";
    assert_eq!(
        found,
        serde_json::json!([
            [[240, 300], "sRGB IEC61966-2.1", creator],
            [[200, 250], "opRGB IEC61966-2-5", creator]
        ])
    );
}

#[test]
fn only_what_a_change_touches_is_rendered_again() {
    let office = Office::new();
    office
        .finish(&[])
        .ends_with(0)
        .says(&["2 rendered", "left out on all frames: ToneCurve"]);
    let first = office.delivered();
    let of_ann = [
        "ann-web.jpg",
        "ann-web.jpg.ron",
        "print/ann.tif",
        "print/ann.tif.ron",
    ];

    // Nothing changed; a comment changes nothing either.
    office.edit("house.ron", "Recipe(", "// A comment.\nRecipe(");
    office
        .finish(&[])
        .ends_with(0)
        .says(&["2 unchanged", "left out on all frames: ToneCurve"]);
    assert_eq!(office.changed_since(&first), [""; 0]);

    // One person's caption stands in her files.
    office.edit("roster.csv", "Land", "Harbour");
    office
        .finish(&[])
        .ends_with(0)
        .says(&["1 rendered, 1 unchanged"]);
    let second = office.delivered();
    let with_sheet = [
        &of_ann[..2],
        &["contact-sheet.jpg", "manifest.sha256"],
        &of_ann[2..],
    ]
    .concat();
    assert_eq!(office.changed_since(&first), with_sheet);

    // One output's size: the others of the same frames stay.
    office.edit("job.ron", "width: 200", "width: 160");
    office
        .finish(&[])
        .ends_with(0)
        .says(&["2 rendered", "Bo Birch 1 file"]);
    let changed = office.changed_since(&second);
    // The sheet shows the web files; the manifest lists all.
    assert!(
        (changed.iter()).all(|name| name.starts_with("print/") || name == "manifest.sha256"),
        "{changed:?}"
    );
    assert_eq!(changed.len(), 5);
    let third = office.delivered();

    // One frame.
    office.write("frames/s01.png", &support::small_sitter("s03"));
    office
        .finish(&[])
        .ends_with(0)
        .says(&["1 rendered, 1 unchanged"]);
    let changed = office.changed_since(&third);
    assert_eq!(changed, with_sheet);
    let fourth = office.delivered();

    // The look of all.
    office.edit("house.ron", "level: 62.0", "level: 70.0");
    office.finish(&[]).ends_with(0).says(&["2 rendered"]);
    assert_eq!(office.changed_since(&fourth).len(), 10);
}

#[test]
fn a_file_that_was_edited_is_left_alone_until_asked() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    let before = office.delivered();
    office.write("delivered/ann-web.jpg", b"edited by hand");
    office.finish(&[]).ends_with(1).says(&[
        "ann-web.jpg: a file stands there",
        "--again",
        "1 unchanged",
    ]);
    assert_eq!(office.read("delivered/ann-web.jpg"), b"edited by hand");
    // The contact sheet, which is among what is compared, shows Bo although only Ann is rendered.
    office.finish(&["--only", "s01", "--again"]).ends_with(0);
    assert_eq!(office.changed_since(&before), [""; 0]);

    // Somebody else's file where a new output would come.
    office.edit("job.ron", "print/{file_name}", "large/{file_name}");
    office.write("delivered/large/bo.tif", b"not ours");
    office
        .finish(&[])
        .ends_with(1)
        .says(&["bo.tif: a file stands there", "1 failed, 1 rendered"]);
    assert_eq!(office.read("delivered/large/bo.tif"), b"not ours");

    // It keeps back none of the frame's other files.
    office.edit("job.ron", "name: \"web\"", "name: \"small\"");
    office
        .finish(&[])
        .ends_with(1)
        .says(&["bo.tif: a file stands there"]);
    assert!(office.delivered().contains_key("bo-small.jpg"));
}

#[test]
fn somebody_elses_contact_sheet_is_left_alone() {
    let office = Office::new();
    office.write("delivered/contact-sheet.jpg", b"not ours");
    office
        .finish(&[])
        .says(&["contact-sheet.jpg: a file stands there"]);
    assert_eq!(office.read("delivered/contact-sheet.jpg"), b"not ours");
}

#[test]
fn a_recipe_that_others_build_on_is_an_original() {
    let office = Office::new();
    office.write("delivered/base.jpg", &office.read("house.ron"));
    office.write(
        "house.ron",
        b"Recipe(format: 1, name: \"Ours\", builds_on: \"delivered/base.jpg\")",
    );
    office.edit(
        "job.ron",
        "profile: Srgb",
        "profile: Srgb, pattern: \"{file_name}\"",
    );
    office.write("roster.csv", b"frame,person,file_name\ns01,Ann,base\n");
    office
        .finish(&["--again"])
        .ends_with(2)
        .says(&["a file that the job reads; it is never overwritten"]);
}

#[test]
fn json_is_one_document() {
    let office = Office::new();
    office.write(
        "roster.csv",
        b"frame,person,file_name\ns01,Ann,ann\ns09,Bo,bo\n",
    );
    let run = office.finish(&["--json"]).ends_with(1);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    assert_eq!(json["missing"], serde_json::json!([["s09", "Bo"]]));
    assert_eq!(
        json["frames"][0]["files"],
        serde_json::json!(["ann-web.jpg", "print/ann.tif"])
    );
}

/// Starts `finish` and sends it a signal once it is at work.
fn interrupted(office: &Office, signal: &str) -> Option<i32> {
    let mut child = Command::new(env!("CARGO_BIN_EXE_lapel"))
        .args(["--threads", "1", "finish"])
        .arg(office.at("job.ron"))
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let said = BufReader::new(child.stderr.take().expect("piped"));
    let mut lines = said.lines().map_while(Result::ok);
    assert!(
        lines.any(|line| line.contains("2 frames, 1 thread,")),
        "it never began"
    );
    std::thread::sleep(std::time::Duration::from_millis(400));
    let sent = Command::new("kill")
        .args([signal, &child.id().to_string()])
        .status();
    assert!(
        sent.expect("`kill` is there").success(),
        "it ended before it was interrupted"
    );
    lines.for_each(drop);
    child.wait().expect("it ends").code()
}

fn parts(office: &Office) -> Vec<String> {
    office
        .delivered()
        .into_keys()
        .filter(|name| name.contains(".lapel-"))
        .collect()
}

#[test]
fn an_interrupted_run_leaves_whole_files_and_is_completed_by_the_next() {
    let whole = Office::new();
    whole.finish(&[]).ends_with(0);
    for (signal, code) in [("-INT", Some(1)), ("-KILL", None)] {
        let office = Office::new();
        assert_eq!(interrupted(&office, signal), code, "{signal}");
        for (name, bytes) in office.delivered() {
            if !name.contains(".lapel-") {
                assert_eq!(
                    whole.delivered().get(&name),
                    Some(&bytes),
                    "{signal}: half of {name}"
                );
            }
        }
        office.write("delivered/print/.lapel-x1y2z3.part", b"half a file");
        office.finish(&[]).ends_with(0);
        assert_eq!(parts(&office), [""; 0]);
        assert_eq!(office.delivered(), whole.delivered(), "{signal}");
    }
}

/// Killed after a file took its place and before its sidecar did.
#[test]
fn a_run_killed_between_file_and_sidecar_is_put_right() {
    let office = Office::new();
    office.finish(&[]).ends_with(0);
    let old = office.read("delivered/print/ann.tif.ron");
    office.edit("house.ron", "level: 62.0", "level: 70.0");
    office.finish(&[]).ends_with(0);
    let whole = office.delivered();
    let part = "delivered/print/.lapel-x1y2z3.part";
    fs::rename(office.at("delivered/print/ann.tif.ron"), office.at(part)).expect("writable");
    office.write("delivered/print/ann.tif.ron", &old);
    office.finish(&[]).ends_with(0).says(&["2 unchanged"]);
    assert_eq!(office.delivered(), whole);

    // Edited since: the part speaks of another file, and a person decides.
    fs::rename(office.at("delivered/print/ann.tif.ron"), office.at(part)).expect("writable");
    office.write("delivered/print/ann.tif", b"edited by hand");
    office
        .finish(&[])
        .ends_with(1)
        .says(&["ann.tif: a file stands there"]);
    assert_eq!(parts(&office), [""; 0]);
    assert_eq!(office.read("delivered/print/ann.tif"), b"edited by hand");
}

#[test]
fn help_tells_what_there_is() {
    let help = lapel(&["--help"]).ends_with(0).out;
    for word in [
        "finish",
        "preview",
        "check",
        "--json",
        "--threads",
        "Exit codes: 0",
        "consent",
    ] {
        assert!(help.contains(word), "`{word}` is not in\n{help}");
    }
    let help = lapel(&["finish", "--help"]).ends_with(0).out;
    for word in ["JOB", "--only", "--again", "--memory", "2048"] {
        assert!(help.contains(word), "`{word}` is not in\n{help}");
    }
    lapel(&["finsh"]).ends_with(2).says(&["finish"]);
    lapel(&["finish", "nowhere.ron"])
        .ends_with(2)
        .says(&["nowhere.ron", "cannot be read"]);
}
