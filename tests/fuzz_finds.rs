//! What fuzzing found, and the corpus that it began with: each file keeps the laws that hold for any
//! bytes at all (`fuzz/laws.rs`). And texts made to be slow: none takes longer than a moment.
//!
//! A find is a file of `tests/fuzz/finds/TARGET`, named after what was wrong.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

#[path = "fuzz/laws.rs"]
mod laws;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use lapel::recipe::compare::differences;
use lapel::recipe::layout::laid_out;
use lapel::recipe::{Diagnostics, Recipe, Source};

/// Above what any of these takes on a busy machine (tenths of a second on a quiet one), far below what they
/// took while time grew with the square of the length (minutes to hours).
const LONGEST: Duration = Duration::from_secs(15);
/// All files of a corpus: a repository is no place for more.
const MOST_BYTES: u64 = 300_000;

/// Every file of a target, its corpus and its finds.
fn replay(target: &str, law: fn(&[u8])) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz");
    let mut files = Vec::new();
    for part in ["corpus", "finds"] {
        let folder = root.join(part).join(target);
        for entry in fs::read_dir(folder).into_iter().flatten() {
            files.push(entry.expect("a readable folder").path());
        }
    }
    files.sort();
    assert!(files.len() >= 3, "{target}: {files:?}");
    let mut length = 0;
    for path in &files {
        let bytes = fs::read(path).expect("part of the project");
        length += bytes.len() as u64;
        let start = Instant::now();
        law(&bytes);
        let took = start.elapsed();
        assert!(took < LONGEST, "{}: {took:?}", path.display());
    }
    assert!(length < MOST_BYTES, "{target}: {length} bytes");
    eprintln!("{target}: {} files, {length} bytes", files.len());
}

#[test]
fn raw_files_keep_the_laws() {
    replay("raw", laws::raw);
}

#[test]
fn recipes_keep_the_laws() {
    replay("recipe", laws::recipe);
}

#[test]
fn jobs_keep_the_laws() {
    replay("job", laws::job);
}

#[test]
fn rosters_keep_the_laws() {
    replay("roster", laws::roster);
}

#[test]
fn picks_keep_the_laws() {
    replay("picks", laws::picks);
}

#[test]
fn other_texts_keep_the_laws() {
    replay("texts", laws::texts);
}

/// Runs a law and fails when it takes long.
#[track_caller]
fn soon(what: &str, work: impl FnOnce()) {
    let start = Instant::now();
    work();
    let took = start.elapsed();
    eprintln!("{what}: {took:?}");
    assert!(took < LONGEST, "{what}: {took:?}");
}

fn counted(count: usize, text: impl Fn(usize) -> String) -> String {
    (0..count).map(text).collect()
}

/// Each about as long as is read at all (1 MiB).
#[test]
fn no_recipe_takes_long() {
    let steps = |inside: &str| format!("Recipe(format: 1, name: \"A\", steps: [{inside}])");
    let blank = " ".repeat(400_000);
    let texts = [
        ("nested", "(".repeat(1 << 20)),
        (
            "nested lists",
            format!("{}{}", "[".repeat(500_000), "]".repeat(500_000)),
        ),
        ("nested comments", "/*".repeat(1 << 19)),
        (
            "settings",
            steps(&format!(
                "Crop({})",
                counted(70_000, |n| format!("a{n}: 1,"))
            )),
        ),
        (
            "one setting again",
            steps(&format!("Crop({blank}{})", "aspect: 1,".repeat(50_000))),
        ),
        (
            "fields",
            format!("Recipe({})", counted(70_000, |n| format!("a{n}: 1,"))),
        ),
        (
            "one field again",
            format!("Recipe({blank}{})", "name: 1,".repeat(60_000)),
        ),
        ("steps", steps(&"Crop,".repeat(99_000))),
        ("lines with a mistake", steps(&"?\n".repeat(500_000))),
        ("commas", steps(&",".repeat(1_000_000))),
        ("texts", steps(&"\"\",".repeat(300_000))),
        ("open texts", steps(&"\"\\q\",".repeat(150_000))),
        (
            "escapes",
            format!("Recipe(name: \"{}\")", "\\q".repeat(500_000)),
        ),
        ("raw texts", steps(&"r\"\",".repeat(250_000))),
        ("open raw texts", steps(&"r#,".repeat(300_000))),
        (
            "a number",
            steps(&format!("Chroma(amount: {})", "9".repeat(1_000_000))),
        ),
        ("an exponent", steps("Chroma(amount: 1e99999999999)")),
        ("a name", steps(&"C".repeat(1_000_000))),
        ("names", steps(&counted(90_000, |n| format!("Crpo{n},")))),
        (
            "spots",
            steps(&format!(
                "Heal(spots: [{}])",
                "(x: 0.5, y: 0.5, radius: 0.1),".repeat(24_000)
            )),
        ),
        ("zero bytes", "\0".repeat(1 << 20)),
        ("byte order marks", "\u{feff}".repeat(300_000)),
        ("returns", steps(&"Crop(),\r\n".repeat(100_000))),
        (
            "insertions",
            format!(
                "Recipe(format: 1, name: \"A\", builds_on: \"house.ron\", insert: [{}])",
                format!("After(Crop, {}),", "Heal(),".repeat(199)).repeat(100)
            ),
        ),
    ];
    for (what, text) in &texts {
        soon(what, || laws::recipe(text.as_bytes()));
    }
    // What these have of their own beside the recipe's reader.
    for (what, text) in &texts[5..7] {
        let touch_ups = text.replacen("Recipe(", "tTouchUps(", 1);
        soon(what, || laws::texts(touch_ups.as_bytes()));
        let job = text.replacen("Recipe(", "Job(", 1);
        soon(what, || laws::job(job.as_bytes()));
    }
    let job = |inside: &str| format!("Job(format: 1, client: \"A\", {inside})");
    let jobs = [
        (
            "frames",
            job(&format!("frames: [{}]", "\"a\",".repeat(99_000))),
        ),
        (
            "outputs",
            job(&format!("outputs: [{}]", "Output(),".repeat(49_000))),
        ),
        (
            "a pattern",
            job(&format!(
                "outputs: [Output(pattern: \"{}\")]",
                "{".repeat(1_000_000)
            )),
        ),
        (
            "a client",
            job(&format!("recipe: \"{}\"", "../".repeat(300_000))),
        ),
    ];
    for (what, text) in jobs {
        soon(what, || laws::job(text.as_bytes()));
    }
}

#[test]
fn a_layout_that_would_be_too_long_says_so() {
    let mut notes = Diagnostics::default();
    let text = format!("A([{}])", "a,".repeat(99_000));
    assert_eq!(laid_out(&Source::new("a", text), &mut notes), None);
    assert!(notes.to_string().contains("too long to be read"), "{notes}");
}

#[test]
fn no_layout_takes_long() {
    let texts = [
        ("words", format!("A([{}])", "a,".repeat(60_000))),
        ("spaced words", format!("A([{}])", "a,    ".repeat(60_000))),
        (
            "comments in an item",
            format!("A(a: {}\n 1)", "\n// c".repeat(200_000)),
        ),
        (
            "comments in a list",
            format!("A([1, {}\n 1])", "\n// c\n/* d */".repeat(30_000)),
        ),
        (
            "empty lines",
            format!("A(a: 1,{} b: 1)", "\n".repeat(900_000)),
        ),
        ("deep", format!("{}{}", "[[1],".repeat(31), "]".repeat(31))),
        ("steps", format!("A([{}])", "B(c: 1),".repeat(49_000))),
        ("a text", format!("A(\"{}\")", "//".repeat(500_000))),
    ];
    for (what, text) in texts {
        soon(what, || {
            let mut notes = Diagnostics::default();
            let once = laid_out(&Source::new("a", text.as_str()), &mut notes);
            let once = once.unwrap_or_else(|| panic!("{what}: {notes}"));
            let twice = laid_out(&Source::new("a", once.as_str()), &mut notes);
            // What grew beyond what is read cannot be laid out again.
            assert!(twice.is_none_or(|twice| twice == once), "{what}");
        });
    }
}

/// Each about as long as is read at all (4 MiB).
#[test]
fn no_roster_takes_long() {
    let head = "frame,person,file_name\n";
    let texts = [
        ("columns", counted(100_000, |n| format!("c{n},"))),
        ("a column again", "frame,".repeat(600_000)),
        (
            "a column again, with rows",
            format!("{}\na\n", "frame,person,".repeat(200_000)),
        ),
        (
            "rows",
            format!(
                "{head}{}",
                counted(100_000, |n| format!("f{n},p{n},n{n}\n"))
            ),
        ),
        (
            "long rows",
            format!(
                "frame,person,file_name,caption\n{}",
                counted(9_999, |n| format!("f{n},p{n},n{n},{:0>350}\n", n))
            ),
        ),
        ("short rows", format!("{head}{}", "a\n".repeat(1_000_000))),
        ("empty rows", format!("{head}{}", "\n".repeat(4_000_000))),
        (
            "rows of nothing",
            format!("{head}{}", ",,\n".repeat(1_300_000)),
        ),
        ("one person", format!("{head}{}", "f,p,n\n".repeat(9_999))),
        (
            "an open quote",
            format!("{head}\"{}", "a,b\n".repeat(1_000_000)),
        ),
        ("quotes", format!("{head}{}", "\"\",".repeat(1_300_000))),
        (
            "quotes in quotes",
            format!("{head}\"{}", "\"\"".repeat(2_000_000)),
        ),
        ("zero bytes", "\0".repeat(4 << 20)),
        ("returns", format!("{head}{}", "\r".repeat(4_000_000))),
        ("a value", format!("{head}{},b,c\n", "x".repeat(4_000_000))),
    ];
    for (what, text) in texts {
        soon(what, || laws::roster(text.as_bytes()));
    }
    let latin = [
        b"frame,person,file_name\n".to_vec(),
        b"\xe9\n".repeat(500_000),
    ]
    .concat();
    soon("lines that are not UTF-8", || laws::roster(&latin));
    soon("bytes that are not UTF-8", || {
        laws::roster(&[0xFF; 4 << 20])
    });
}

/// Names that nobody has, each of which is looked for among all others.
#[test]
fn no_picks_file_takes_long() {
    let head = "file_name,frame,choice\n";
    let texts = [
        (
            "strangers",
            format!("{head}{}", counted(9_999, |n| format!("an{n},a1,yes\n"))),
        ),
        (
            "strange frames",
            format!("{head}{}", counted(9_999, |n| format!("anna,a{n},yes\n"))),
        ),
        (
            "strange choices",
            format!("{head}{}", counted(9_999, |n| format!("anna,a1,y{n}\n"))),
        ),
        (
            "one frame",
            format!("{head}{}", "anna,a1,yes\n".repeat(9_999)),
        ),
        (
            "a name",
            format!("{head}{},a1,yes\n", "a".repeat(4_000_000)),
        ),
        ("columns", counted(100_000, |n| format!("c{n},"))),
    ];
    for (what, text) in texts {
        soon(what, || laws::picks(text.as_bytes()));
    }
}

/// Comparing takes memory with the square of the number of steps, so no recipe may have many.
#[test]
fn insertions_do_not_grow_a_recipe_beyond_bounds() {
    let base = |path: &str| {
        let number: usize = path[..1].parse().map_err(|_| "no such file".to_owned())?;
        Ok(match number {
            0 => "Recipe(format: 1, name: \"A\", steps: [Crop()])".to_owned(),
            _ => format!(
                "Recipe(format: 1, name: \"A\", builds_on: \"{}.ron\", insert: [{}])",
                number - 1,
                "After(Crop, Heal(), Heal(), Heal(), Heal(), Heal()),".repeat(9)
            ),
        })
    };
    let read = |number: usize| {
        let mut notes = Diagnostics::default();
        let text = base(&format!("{number}.ron")).expect("made here");
        (Recipe::read("top.ron", &text, &base, &mut notes), notes)
    };
    let (recipe, notes) = read(4);
    let recipe = recipe.unwrap_or_else(|| panic!("{notes}"));
    assert_eq!(recipe.steps.len(), 181);
    assert!(differences(&recipe, &recipe).is_empty());
    let (recipe, notes) = read(5);
    assert!(recipe.is_none());
    assert!(
        notes
            .to_string()
            .contains("226 steps; at most 200 are read"),
        "{notes}"
    );
}
