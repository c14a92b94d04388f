//! Recipes as code: the layout, comparing, advice, and the folder that a client begins with.

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use support::{Office, lapel, root};

/// Every RON text that the project ships.
fn shipped() -> Vec<PathBuf> {
    fn collect(folder: &Path, into: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).expect("shipped").flatten() {
            let path = entry.path();
            if path.is_dir() && entry.file_name() != "delivered" {
                collect(&path, into);
            } else if path.extension().is_some_and(|ending| ending == "ron") {
                into.push(path);
            }
        }
    }
    let mut files = Vec::new();
    collect(&root("recipes"), &mut files);
    collect(&root("samples"), &mut files);
    files
}

#[test]
fn shipped_texts_are_in_the_one_layout() {
    let files = shipped();
    assert!(files.len() >= 6, "{files:?}");
    let mut call = vec!["tidy", "--check"];
    call.extend(files.iter().map(|file| file.to_str().expect("UTF-8")));
    lapel(&call).ends_with(0);
}

#[test]
fn tidy_rewrites_what_differs_and_says_so() {
    let office = Office::bare();
    let path = office.at("own.ron");
    let path = path.to_str().expect("UTF-8");
    office.write(
        "own.ron",
        b"// Ours.\nRecipe(format:1,name:\"Own\",steps:[Crop(), // all alike\nHeal()])",
    );
    lapel(&["tidy", "--check", path])
        .ends_with(1)
        .says(&["own.ron: would change"]);
    lapel(&["tidy", path]).ends_with(0);
    let expected = "// Ours.\nRecipe(\n    format: 1,\n    name: \"Own\",\n    steps: [\n        \
                    Crop(), // all alike\n        Heal(),\n    ],\n)\n";
    assert_eq!(office.read("own.ron"), expected.as_bytes());
    lapel(&["tidy", "--check", path]).ends_with(0);

    // A text with a mistake stays as it is.
    office.write("own.ron", b"Recipe(format 1)");
    lapel(&["tidy", path]).ends_with(2);
    assert_eq!(office.read("own.ron"), b"Recipe(format 1)");
}

#[test]
fn a_new_client_checks_once_frames_are_there() {
    let office = Office::bare();
    let folder = office.at("client");
    let text = folder.to_str().expect("UTF-8");
    lapel(&["new", text]).ends_with(0).says(&["roster.csv"]);
    lapel(&["new", text])
        .ends_with(2)
        .says(&["something is in there already"]);
    for frame in ["first_frame.png", "second_frame.png"] {
        office.write(
            &format!("client/frames/{frame}"),
            &support::small_sitter("s01"),
        );
    }
    let job = folder.join("job.ron");
    lapel(&["check", job.to_str().expect("UTF-8")])
        .ends_with(0)
        .says(&["no mistakes"]);
}

#[test]
fn recipes_are_compared_in_words_and_on_frames() {
    let office = Office::new();
    let own = office.at("own.ron");
    office.write(
        "own.ron",
        b"Recipe(format: 1, name: \"Own\", builds_on: \"house.ron\", change: [BackgroundLift(level: 80.0)], \
          drop: [Heal])",
    );
    let (house, frame) = (office.at("house.ron"), office.at("frames/s01.png"));
    let path = |path: &Path| path.to_str().expect("UTF-8").to_owned();
    let (house, own, frame, to) = (path(&house), path(&own), path(&frame), path(&office.at("")));
    lapel(&["compare", &house, &house])
        .ends_with(0)
        .says(&["the same look"]);
    let run = lapel(&[
        "compare", "--json", "--size", "400", "--to", &to, &house, &own, &frame,
    ])
    .ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    assert_eq!(
        json["differences"][0],
        "BackgroundLift: level 62.0 becomes 80.0"
    );
    assert!(
        json["differences"][1]
            .as_str()
            .is_some_and(|gone| gone.starts_with("gone: Heal("))
    );
    // A wall 18 L* lighter: CIEDE2000 between greys of L* 62 and 80 is 13.6 (Sharma, Wu and Dalal
    // 2005, equations 1 to 22: the lightness term alone, 18 / S_L with S_L = 1.32 at L* 71).
    let regions = json["frames"][0]["difference"].as_array().expect("a list");
    let backdrop = regions.iter().find(|region| region[0] == "Backdrop");
    let mean = backdrop.and_then(|region| region[1]["mean"].as_f64());
    assert!(
        mean.is_some_and(|mean| (12.6..=14.6).contains(&mean)),
        "{regions:?}"
    );
    let picture = image::open(office.at("s01-compare.png")).expect("a picture");
    assert!(picture.width() > 3 * 150, "three tiles");
}

#[test]
fn completions_and_manual_name_every_command() {
    for call in [vec!["completions", "bash"], vec!["manual"]] {
        let text = lapel(&call).ends_with(0).out;
        for command in ["finish", "preview", "check", "compare", "tidy", "new"] {
            let found = text.contains(command) || text.contains(&command.to_uppercase());
            assert!(found, "{call:?} lacks {command}");
        }
    }
}
