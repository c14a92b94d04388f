//! The frames that a row of the roster names: one, or several from which one is chosen.
//!
//! `s01` is one frame, with or without its ending. `s01 | s04` are two, `s01 .. s12` all from the
//! one to the other in the order of the folder, `vale*` all whose names begin so; and these may be
//! mixed. A file that is really called so comes first: names may hold all these marks.

use super::roster::Known;
use super::{file_name, is_frame};

/// Which of `frames` a row means, in the order in which it names them, none twice. Ranges and
/// patterns leave out what `taken` says is no sitter's.
///
/// # Errors
/// The part that means no frame, and words that complete "the frame `x` …".
pub(super) fn find(
    written: &str,
    frames: &[String],
    known: &Known,
    taken: impl Fn(&str) -> bool,
) -> Result<Vec<usize>, (String, String)> {
    let mut found = Vec::new();
    let parts: Vec<&str> = match known.find(written) {
        Ok(_) => vec![written],
        Err(_) => written.split('|').map(str::trim).collect(),
    };
    for part in parts {
        let wrong = |why: &str| (part.to_owned(), why.to_owned());
        let meant: Vec<usize> = match (known.find(part), part.split_once("..")) {
            (Ok(one), _) => vec![one],
            (Err(_), Some((first, last))) => {
                let end = |name: &str| {
                    let name = name.trim();
                    known
                        .find(name)
                        .map_err(|why| (name.to_owned(), why.to_owned()))
                };
                let (first, last) = (end(first)?, end(last)?);
                if first > last {
                    return Err(wrong("runs backwards: the first comes after the last"));
                }
                (first..=last).collect()
            }
            (Err(_), None) if part.contains('*') => {
                let all = 0..frames.len();
                all.filter(|&index| is_like(file_name(&frames[index]), part))
                    .collect()
            }
            (Err(why), None) => return Err(wrong(why)),
        };
        let several = meant.len() > 1 || part.contains('*');
        let before = found.len();
        for index in meant {
            let frame = &frames[index];
            let ours = !several || is_frame(frame) && !taken(frame);
            if ours && !found.contains(&index) {
                found.push(index);
            }
        }
        if several && found.len() == before {
            return Err(wrong("names no frame that is not named before"));
        }
    }
    Ok(found)
}

/// Whether a row may mean a frame of this name, while its other frames are not there yet: ranges go by
/// the order of names.
pub(super) fn may_mean(written: &str, name: &str) -> bool {
    let stem = |name: &str| match name.rsplit_once('.') {
        Some((stem, ending)) if is_frame(ending) => stem.to_owned(),
        _ => name.to_owned(),
    };
    let own = stem(name);
    let between = |part: &str| {
        let Some((first, last)) = part.split_once("..") else {
            return false;
        };
        let (first, last) = (stem(first.trim()), stem(last.trim()));
        first.len() == own.len() && (first..=last).contains(&own)
    };
    let mut parts = written.split('|').map(str::trim);
    name == written
        || parts.any(|part| name == part || own == part || is_like(name, part) || between(part))
}

/// Whether a name is like a pattern in which `*` stands for any letters, also none; the name's
/// ending may be left out.
fn is_like(name: &str, pattern: &str) -> bool {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    [name, stem].into_iter().any(|name| {
        let mut parts = pattern.split('*');
        let first = parts.next().unwrap_or("");
        let Some(mut rest) = name.strip_prefix(first) else {
            return false;
        };
        let parts: Vec<&str> = parts.collect();
        let Some((last, middle)) = parts.split_last() else {
            return rest.is_empty();
        };
        for part in middle {
            // The earliest place leaves the most for what follows.
            let Some(at) = rest.find(part) else {
                return false;
            };
            rest = &rest[at + part.len()..];
        }
        rest.ends_with(last)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames() -> Vec<String> {
        ["chart", "s01", "s02", "s03", "s04", "vale_1", "vale_2"]
            .map(|stem| format!("in/{stem}.dng"))
            .into_iter()
            .chain(["in/x | y.dng".to_owned(), "in/notes.txt".to_owned()])
            .collect()
    }

    fn found(written: &str) -> Result<String, String> {
        let frames = frames();
        find(written, &frames, &Known::new(&frames), |path| {
            path.ends_with("chart.dng")
        })
        .map(|all| {
            let names: Vec<&str> = all.iter().map(|&at| file_name(&frames[at])).collect();
            names.join(" ")
        })
        .map_err(|(part, why)| format!("{part} {why}"))
    }

    #[test]
    fn a_row_names_one_frame_or_several() {
        for (written, expected) in [
            ("s01", "s01.dng"),
            ("s01.dng", "s01.dng"),
            ("s03 | s01", "s03.dng s01.dng"),
            ("s01|s01.dng", "s01.dng"),
            ("s01 .. s03", "s01.dng s02.dng s03.dng"),
            ("s02..s03 | s04", "s02.dng s03.dng s04.dng"),
            ("vale*", "vale_1.dng vale_2.dng"),
            ("*_2 | s01", "vale_2.dng s01.dng"),
            ("s*1.dng", "s01.dng"),
            // The chart and notes are nobody's picture.
            ("chart .. s01", "s01.dng"),
            ("x | y", "x | y.dng"),
        ] {
            assert_eq!(found(written).as_deref(), Ok(expected), "{written}");
        }
        // All but the chart, which is taken, and the notes, which are no frame.
        assert_eq!(found("*").map(|all| all.split(".dng").count()), Ok(8));
    }

    #[test]
    fn a_row_may_mean_frames_that_come_later() {
        for (written, name, expected) in [
            ("s01", "s01.dng", true),
            ("s01.dng", "s01.dng", true),
            ("s01", "s011.dng", false),
            ("s02 | s04", "s04.dng", true),
            ("s02 .. s04", "s03.dng", true),
            ("s02.dng .. s04.dng", "s04.dng", true),
            ("s02 .. s04", "s05.dng", false),
            ("s02 .. s04", "s021.dng", false),
            ("vale*", "vale_7.dng", true),
        ] {
            assert_eq!(may_mean(written, name), expected, "{written} {name}");
        }
    }

    #[test]
    fn what_means_no_frame_is_told_by_its_part() {
        for (written, expected) in [
            ("s09", "s09 is not there"),
            ("s01 | s09", "s09 is not there"),
            ("s01 | ", " is not there"),
            ("s01 .. s09", "s09 is not there"),
            ("s03 .. s01", "s03 .. s01 runs backwards"),
            ("kell*", "kell* names no frame"),
            ("vale_1 | vale_2 | vale*", "vale* names no frame"),
        ] {
            let why = found(written).expect_err(written);
            assert!(why.starts_with(expected), "{written}: {why}");
        }
    }
}
