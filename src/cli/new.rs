//! `new`: begins a client's folder from the texts in `samples/client`.

use std::fs;
use std::io::{self, ErrorKind};
use std::path::Path;

use super::arguments::New;
use super::{End, fail, tell};

/// Name in the folder and text of each file; the recipe that the house look builds on is a copy, so
/// that the look does not change when the program does.
const FILES: [(&str, &str); 7] = [
    ("job.ron", include_str!("../../samples/client/job.ron")),
    ("house.ron", include_str!("../../samples/client/house.ron")),
    ("grey_wall.ron", include_str!("../../recipes/grey_wall.ron")),
    (
        "roster.csv",
        include_str!("../../samples/client/roster.csv"),
    ),
    (
        "touch-ups/second_frame.ron",
        include_str!("../../samples/client/touch-ups/second_frame.ron"),
    ),
    ("README.md", include_str!("../../samples/client/README.md")),
    (
        ".gitignore",
        include_str!("../../samples/client/gitignore.txt"),
    ),
];

pub(super) fn run(call: &New, json: bool) -> End {
    match make(&call.folder) {
        Ok(()) if json => {
            let files: Vec<_> = FILES
                .iter()
                .map(|(name, _)| call.folder.join(name))
                .collect();
            tell(&serde_json::json!({ "written": files }).to_string());
            End::Well
        }
        Ok(()) => {
            let folder = call.folder.display();
            let job = quoted(&call.folder.join("job.ron"));
            tell(&format!(
                "{folder}: put raws into {folder}/frames, name people in {folder}/roster.csv, \
                 then run `lapel check {job}`"
            ));
            End::Well
        }
        Err(why) => fail(&why, json),
    }
}

/// A path as a shell takes it (POSIX "Shell Command Language", 2.2.2).
fn quoted(path: &Path) -> String {
    let path = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || "/._-+,:@%".contains(c);
    if path.chars().all(plain) {
        path
    } else {
        format!("'{}'", path.replace('\'', "'\\''"))
    }
}

fn make(folder: &Path) -> Result<(), String> {
    let told = |path: &Path| {
        let path = path.display().to_string();
        move |error: io::Error| format!("{path}: {error}; choose a folder that can be written")
    };
    match fs::read_dir(folder) {
        Ok(mut entries) => {
            if entries.next().is_some() {
                return Err(format!(
                    "{}: something is in there already; choose a new or an empty folder",
                    folder.display()
                ));
            }
        }
        Err(error) if error.kind() == ErrorKind::NotFound => {}
        Err(error) => return Err(told(folder)(error)),
    }
    fs::create_dir_all(folder.join("frames")).map_err(told(folder))?;
    for (name, text) in FILES {
        let path = folder.join(name);
        if let Some(inner) = path.parent() {
            fs::create_dir_all(inner).map_err(told(inner))?;
        }
        // Never over a file that came in between.
        let file = fs::File::options().write(true).create_new(true).open(&path);
        file.and_then(|mut file| io::Write::write_all(&mut file, text.as_bytes()))
            .map_err(told(&path))?;
    }
    Ok(())
}
