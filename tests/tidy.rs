//! House rules that no compiler knows: who imports whom, how files begin, what is left behind.
#![allow(
    clippy::print_stderr,
    clippy::print_stdout,
    reason = "tests and examples report on the terminal"
)]

use std::fs;
use std::path::{Path, PathBuf};

/// From what is typed down to what a pixel is; each imports only from those after it.
const ORDER: [&str; 13] = [
    "cli",
    "job",
    "deliver",
    "checks",
    "measure",
    "engine",
    "recipe",
    "operations",
    "regions",
    "sensor",
    "raw",
    "colour",
    "picture",
];
/// These two stand side by side: neither imports the other.
const BESIDE: [&str; 2] = ["deliver", "measure"];
/// A file that is longer wants to be two.
const LONGEST: usize = 900;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust files below a folder, in order of name.
fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).expect("the folder is part of the project") {
        let path = entry.expect("a readable entry").path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// Path from the root, and text.
fn sources() -> Vec<(String, String)> {
    let read = |path: PathBuf| {
        let name = path
            .strip_prefix(root())
            .expect("below the root")
            .display()
            .to_string();
        (
            name.replace('\\', "/"),
            fs::read_to_string(&path).expect("a readable source file"),
        )
    };
    rust_files(&root().join("src"))
        .into_iter()
        .map(read)
        .collect()
}

/// Code without comments and without what only tests see: a test may look anywhere.
fn code(text: &str) -> String {
    let lines = text
        .lines()
        .take_while(|line| !line.starts_with("#[cfg(test)]"));
    lines
        .map(|line| line.split("//").next().unwrap_or(""))
        .collect::<Vec<_>>()
        .join("\n")
}

/// The modules of this crate that a piece of code names: `crate::x`, also in `use crate::{x, …}`.
fn imported(code: &str) -> Vec<String> {
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    let mut found = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        if code[..at].ends_with(is_name) || code[..at].ends_with('$') {
            continue;
        }
        let rest = &code[at + "crate::".len()..];
        if let Some(group) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut start = true;
            for (at, c) in group.char_indices() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => start = true,
                    c if start && is_name(c) => {
                        found.push(group[at..].chars().take_while(|&c| is_name(c)).collect());
                        start = false;
                    }
                    _ => {}
                }
            }
        } else {
            found.push(rest.chars().take_while(|&c| is_name(c)).collect());
        }
    }
    found
}

#[test]
fn imports_are_found() {
    let code =
        "use crate::{raw::{self, Frame}, colour}; use crate::picture::Size; x(crate::job::Y);";
    assert_eq!(imported(code), ["raw", "colour", "picture", "job"]);
}

#[test]
fn modules_import_only_from_those_below_them() {
    let rank = |name: &str| ORDER.iter().position(|&module| module == name);
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let Some(module) = path
            .strip_prefix("src/")
            .and_then(|path| path.split('/').next())
        else {
            continue;
        };
        let Some(own) = rank(module) else { continue };
        for other in imported(&code(&text)) {
            let Some(used) = rank(&other) else { continue };
            let beside = BESIDE.contains(&module) && BESIDE.contains(&other.as_str());
            if used < own || (beside && module != other) {
                wrong.push(format!("{path} imports crate::{other}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_folder_has_its_place_in_the_order() {
    for entry in fs::read_dir(root().join("src")).expect("src") {
        let path = entry.expect("a readable entry").path();
        if path.is_dir() {
            let name = path
                .file_name()
                .and_then(|name| name.to_str())
                .expect("a plain name");
            assert!(
                ORDER.contains(&name),
                "src/{name} has no place in the order of imports"
            );
        }
    }
}

#[test]
fn only_some_touch_the_disk_or_print() {
    let mut wrong = Vec::new();
    // A module's tests in a file of their own are not part of the program.
    let program = sources()
        .into_iter()
        .filter(|(path, _)| !path.ends_with("/tests.rs"));
    for (path, text) in program {
        let code = code(&text);
        let module = path.split('/').nth(1).unwrap_or("");
        if !["job", "deliver", "cli"].contains(&module) && code.contains("std::fs") {
            wrong.push(format!("{path} touches the disk"));
        }
        let prints = ["println!", "print!", "stdout()", "stderr()"];
        if module != "cli" && prints.iter().any(|word| code.contains(word)) {
            wrong.push(format!("{path} prints"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_file_begins_with_its_story() {
    for (path, text) in sources() {
        assert!(
            text.starts_with("//! "),
            "{path} does not begin with `//! `"
        );
    }
}

#[test]
fn no_file_is_too_long() {
    for (path, text) in sources() {
        let lines = text.lines().count();
        assert!(
            lines <= LONGEST,
            "{path} has {lines} lines, more than {LONGEST}"
        );
    }
}

#[test]
fn nothing_is_left_behind() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        for (number, line) in text.lines().enumerate() {
            let left = ["todo!(", "dbg!(", "unimplemented!(", "#[ignore"];
            if left.iter().any(|word| line.contains(word)) {
                wrong.push(format!("{path}:{}: {}", number + 1, line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_path_in_the_developers_page_exists() {
    let Ok(page) = fs::read_to_string(root().join("DEVELOPERS.md")) else {
        eprintln!("skipped: there is no DEVELOPERS.md");
        return;
    };
    let tops = [
        "src/",
        "tests/",
        "recipes/",
        "samples/",
        "benches/",
        "examples/",
        "models/",
    ];
    let named = page
        .split(|c: char| c.is_whitespace() || "`()[]<>,;\"'".contains(c))
        .filter(|word| tops.iter().any(|top| word.starts_with(top)))
        .map(|word| word.trim_end_matches(['.', ':']));
    let mut missing: Vec<&str> = Vec::new();
    for path in named {
        // A pattern names many files; its folder must be there.
        let fixed = path.split(['*', '{', '…']).next().unwrap_or(path);
        let fixed = if fixed == path {
            path
        } else {
            fixed.rsplit_once('/').map_or("", |(f, _)| f)
        };
        if !root().join(fixed).exists() {
            missing.push(path);
        }
    }
    assert!(
        missing.is_empty(),
        "DEVELOPERS.md names what is not there: {missing:?}"
    );
}
