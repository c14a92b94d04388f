//! What holds for any bytes at all: the fuzz targets ask it of new ones, `tests/fuzz_finds.rs` of
//! those that are kept.
#![allow(dead_code, reason = "each target asks its own")]

use std::sync::Arc;

use lapel::cli::report::{self, Style};
use lapel::deliver::sidecar::Sidecar;
use lapel::job::manifest::Manifest;
use lapel::job::picks::{Choice, Picks, Rows};
use lapel::job::roster::Known;
use lapel::job::{JobFile, Roster, TouchUps};
use lapel::picture::Rect;
use lapel::raw::{self, Decoder, Frame, Limits};
use lapel::recipe::advice::advise;
use lapel::recipe::compare::differences;
use lapel::recipe::layout::laid_out;
use lapel::recipe::{Diagnostics, Recipe, Source};
use lapel::sensor::chart::ChartProfile;
use lapel::sensor::{self, Development};

/// Small, so that a file asks for little and many are read in a second.
const LIMITS: Limits = Limits {
    max_pixels: 1 << 18,
    max_side: 2048,
};

/// Bytes of a camera raw or a finished picture: a frame that agrees with itself, or an error of one
/// line. A corner of what is a frame is developed.
pub fn raw(bytes: &[u8]) {
    // The name decides whether the second decoder may have its turn, and whether a finished
    // picture stands under a raw's name.
    for name in ["a", "a.dng"] {
        told(name, raw::read(bytes, name, &LIMITS));
    }
    told("b", raw::read_with(Decoder::Rawloader, bytes, "b", &LIMITS));
}

fn told(name: &str, read: Result<Frame, raw::Error>) {
    let frame = match read {
        Ok(Frame::Sensor(frame)) => frame,
        Ok(Frame::Finished(finished)) => {
            let size = finished.picture.size();
            assert!(size.width > 0 && size.height > 0);
            return;
        }
        Err(error) => {
            let text = error.to_string();
            assert!(text.starts_with(name), "{text}");
            assert!(!text.contains(char::is_control), "{text:?}");
            return;
        }
    };
    let (crop, size) = (frame.crop, frame.size());
    assert!(crop.width > 0 && crop.left + crop.width <= size.width);
    assert!(crop.height > 0 && crop.top + crop.height <= size.height);
    assert!((1..=8).contains(&frame.orientation.0));
    assert!(frame.black_at(0, 0) < frame.white_at(0, 0));
    let corner = Rect {
        width: crop.width.min(24),
        height: crop.height.min(24),
        ..crop
    };
    // Filters that no method here develops are an error, in words.
    if let Ok(developed) = sensor::develop(&frame, corner, &Development::default()) {
        assert_eq!(developed.picture.size(), corner.size());
    }
    let _ = sensor::clipped(&frame, 8);
}

/// Text of a recipe: mistakes at their places, or a recipe whose spelled-out text is the same one.
pub fn recipe(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let house = "Recipe(format: 1, name: \"House\", steps: [Crop(), Chroma(amount: 0.1), \
                 Adjust(on: Iris, detail: 0.1), Adjust(on: Sclera, exposure: 0.1)])";
    let load = |path: &str| match path {
        "house.ron" => Ok(house.to_owned()),
        "self.ron" => Ok(text.to_owned()),
        _ => Err("no such file".to_owned()),
    };
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("self.ron", text, &load, &mut notes);
    assert_eq!(recipe.is_none(), notes.errors() > 0, "{notes}");
    if let Some(recipe) = recipe {
        advise(&recipe, &mut notes);
        assert!(differences(&recipe, &recipe).is_empty());
        let canonical = recipe.canonical();
        let mut again = Diagnostics::default();
        let read = Recipe::read("again", &canonical, &load, &mut again);
        let read = read.unwrap_or_else(|| panic!("{again}\n{canonical}"));
        assert_eq!(read.canonical(), canonical);
    }
    shown(&notes);
}

/// Text of a job file.
pub fn job(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let mut notes = Diagnostics::default();
    let job = JobFile::read(&Source::new("job.ron", text), &mut notes);
    assert_eq!(job.is_none(), notes.errors() > 0, "{notes}");
    if let Some(job) = job {
        assert!(!job.outputs.is_empty());
        for output in &job.outputs {
            assert!(!output.pattern.split('/').any(|part| part == ".."));
        }
    }
    shown(&notes);
}

/// Bytes of a roster.
pub fn roster(bytes: &[u8]) {
    let mut notes = Diagnostics::default();
    let read = Roster::read("roster.csv", bytes, &mut notes);
    assert_eq!(read.is_none(), notes.errors() > 0, "{notes}");
    if let Some((source, roster)) = read {
        let frames: Vec<String> = roster.sitters.iter().map(|s| s.frame.clone()).collect();
        let known = Known::new(&frames);
        for sitter in &roster.sitters {
            for column in ["frame", "person", "file_name", "caption", "nothing"] {
                let span = sitter.place(&source, column).span;
                assert!(source.text.get(span).is_some());
            }
            assert!(!sitter.file_name.contains(['/', '\\', '\0']));
            let line = source.line(sitter.place(&source, "frame").span.start);
            assert!(sitter.line <= line, "{} after {line}", sitter.line);
            let frame = &sitter.frame;
            match known.find(frame) {
                Ok(found) => assert!(frames[found].ends_with(frame)),
                Err(_) => assert!(frames.iter().filter(|other| other.ends_with(frame)).count() > 1),
            }
        }
    }
    shown(&notes);
}

/// Bytes of a picks file, read against a roster of three, of whom one has no frames.
pub fn picks(bytes: &[u8]) {
    let mut notes = Diagnostics::default();
    let roster = b"frame,person,file_name\na*,Anna,anna\nb1,=Bo,bo-1\nc1,Cy,cy\n";
    let (_, roster) = Roster::read("roster.csv", roster, &mut notes).expect("it is right");
    let frames = ["a1.dng", "a2.dng", "deep/a2.dng", "b1.dng"].map(str::to_owned);
    let [anna, bo, _] = roster.sitters.as_slice() else {
        panic!("three rows");
    };
    let found = [(anna.clone(), vec![0, 1, 2]), (bo.clone(), vec![3])];
    let rows = Rows {
        found: &found,
        all: &roster.sitters,
        frames: &frames,
    };
    let mut picks = Picks::default();
    let chosen = |picks: &Picks| -> Vec<Option<(Choice, Option<String>)>> {
        let of = |sitter| (0..4).map(move |at| (sitter, at));
        let all = roster.sitters.iter().flat_map(of);
        all.map(|(sitter, at)| picks.on(sitter, at).map(|p| (p.choice, p.picture.clone())))
            .collect()
    };
    picks.add("picks.csv", bytes, rows, &mut notes);
    let once = chosen(&picks);
    for (at, pick) in once.iter().enumerate() {
        let own = matches!(at, 0..=2 | 7);
        assert!(own || pick.is_none(), "a pick of nobody's frame");
        if let Some((_, Some(mark))) = pick {
            assert!(mark.len() == 16 && mark.bytes().all(|b| b.is_ascii_hexdigit()));
        }
    }
    // Whoever sends a file twice chooses what was chosen before.
    picks.add("again.csv", bytes, rows, &mut notes);
    assert_eq!(chosen(&picks), once);
    shown(&notes);
}

/// The other texts that are read, by the first byte: what is read and written reads back the same.
pub fn texts(bytes: &[u8]) {
    let Some((kind, bytes)) = bytes.split_first() else {
        return;
    };
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let mut notes = Diagnostics::default();
    let source = Source::new("text", text);
    match kind {
        b't' => {
            let read = TouchUps::read(&source, &mut notes);
            assert_eq!(read.is_none(), notes.errors() > 0, "{notes}");
            if let Some(touch_ups) = read {
                let house = "Recipe(format: 1, name: \"House\", steps: [Crop(), Heal()])";
                let nothing = |_: &str| Err("no such file".to_owned());
                let house = Recipe::read("house", house, &nothing, &mut notes);
                let house = house.expect("it is right");
                let _ = house.with(&touch_ups.edits, &mut notes);
            }
        }
        b's' => {
            if let Ok(sidecar) = Sidecar::from_text(text) {
                let written = sidecar.to_text();
                let read = Sidecar::from_text(&written).expect("it was just written");
                assert_eq!(read.to_text(), written);
            }
        }
        b'c' => {
            if let Ok(profile) = ChartProfile::from_text(text) {
                let written = profile.to_text();
                let read = ChartProfile::from_text(&written);
                assert_eq!(read, Ok(profile), "{written}");
            }
        }
        b'm' => {
            let manifest = Manifest::from_text(text);
            assert_eq!(Manifest::from_text(&manifest.to_text()), manifest);
        }
        _ => laid_out_anew(&source, &mut notes),
    }
    shown(&notes);
}

/// A text in the one layout stays as it is.
fn laid_out_anew(source: &Arc<Source>, notes: &mut Diagnostics) {
    let Some(once) = laid_out(source, notes) else {
        assert!(notes.errors() > 0, "neither a layout nor a mistake");
        return;
    };
    let twice = laid_out(&Source::new("again", once.as_str()), notes);
    assert_eq!(twice, Some(once), "{notes}");
}

/// Every place is inside of its text, and no report sends a command to the terminal.
fn shown(notes: &Diagnostics) {
    for note in notes.sorted() {
        if let Some(span) = &note.span {
            assert!(note.file.text.get(span.clone()).is_some(), "{note}");
        }
    }
    let text = report::text(notes, Style::Plain);
    let command = |c: char| c.is_control() && !matches!(c, '\n' | '\r' | '\t');
    assert!(!text.contains(command), "{text:?}");
    assert!(!report::json(notes).is_empty());
}
