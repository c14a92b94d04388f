//! Old formats of our RON texts: what changed from each to the next, in words and as changes to the
//! text.
//!
//! A text in an older format is read as if it had been brought to the newest, and a warning says so;
//! `tidy` writes it down. Changes are made in the text, at the places that the tree tells, so that
//! comments and layout stay; none adds or takes a line, so that a mistake is told in the line where
//! it stands on the disk. A newer format is an error, which `Reader::format` tells.
//!
//! A change of format is one more entry in [`MIGRATIONS`] and the next number in [`FORMAT`].

use std::sync::Arc;

use super::FORMAT;
use super::diagnostic::{Diagnostics, Source, Span};
use super::tree::{self, Group, Value};

/// Texts that have a format, and how a sentence calls them.
const KINDS: [(&str, &str); 3] = [
    ("Recipe", "this recipe is"),
    ("Job", "this job is"),
    ("TouchUps", "these touch-ups are"),
];

/// From format 0 up, one each.
const MIGRATIONS: [Migration; FORMAT as usize] = [Migration {
    says: "texts did not name their format; the field `format` is added",
    changes: |group| format_becomes(group, 1),
}];

/// How a format differs from the next one, and how a text gets there.
struct Migration {
    /// What is different and what is done, in words.
    says: &'static str,
    /// What comes in the place of which bytes; in any order, none over another, no line ends.
    changes: fn(&Group) -> Vec<(Span, String)>,
}

/// The text in the newest format, which most often is the text itself; a warning for each older
/// format. `None` when its brackets do not match or it is too large; `notes` says so.
pub fn current(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<Arc<Source>> {
    let errors = notes.errors();
    let tree = tree::parse(source, notes)?;
    let Value::Group(group) = &tree.value else {
        return Some(Arc::clone(source));
    };
    let kind = KINDS.iter().find(|(name, _)| group.name == Some(name));
    // What was left out of a text with mistakes may have been the format.
    let (Some((_, is)), Some(format), true) = (kind, format_of(group), notes.errors() == errors)
    else {
        return Some(Arc::clone(source));
    };
    let mut text = Arc::clone(source);
    for (from, migration) in MIGRATIONS.iter().enumerate().skip(format) {
        notes
            .warning(
                source,
                group.head.clone(),
                format!("{is} in format {from}: {}", migration.says),
            )
            .label(format!("read as format {}", from + 1))
            .help(format!("`lapel tidy {}` writes it down", source.name));
        text = changed(&text, migration)?;
    }
    Some(text)
}

/// The number of a text's format; `None` where something else than a whole number stands there.
fn format_of(group: &Group) -> Option<usize> {
    let Some(field) = group.fields.iter().find(|field| field.name == "format") else {
        return Some(0);
    };
    match field.value.value {
        Value::Number(number) => number.parse().ok(),
        _ => None,
    }
}

fn changed(source: &Arc<Source>, migration: &Migration) -> Option<Arc<Source>> {
    let tree = tree::parse(source, &mut Diagnostics::default())?;
    let Value::Group(group) = &tree.value else {
        return None;
    };
    let mut changes = (migration.changes)(group);
    changes.sort_by_key(|(span, _)| span.start);
    let mut text = source.text.clone();
    for (span, new) in changes.into_iter().rev() {
        text.replace_range(span, &new);
    }
    Some(Source::new(source.name.as_str(), text))
}

/// Writes the number of the format, before everything else where there was none.
fn format_becomes(group: &Group, number: u32) -> Vec<(Span, String)> {
    if let Some(field) = group.fields.iter().find(|field| field.name == "format") {
        return vec![(field.value.span.clone(), number.to_string())];
    }
    let fields = group.fields.iter().map(|field| field.span.start);
    let items = group.items.iter().map(|item| item.span.start);
    let first = fields.chain(items).min();
    first
        .map(|first| (first..first, format!("format: {number}, ")))
        .into_iter()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn migrated(text: &str) -> (String, String) {
        let mut notes = Diagnostics::default();
        let source = current(&Source::new("a.ron", text), &mut notes).expect("brackets match");
        (source.text.clone(), notes.to_string())
    }

    #[test]
    fn a_text_without_a_format_gets_one_and_is_told() {
        let old =
            "// Ours.\nRecipe( // the look\n    name: \"A\", // of last year\n    steps: [],\n)";
        let (new, told) = migrated(old);
        assert_eq!(
            new,
            "// Ours.\nRecipe( // the look\n    format: 1, name: \"A\", // of last year\n    steps: [],\n)"
        );
        assert_eq!(
            told,
            "a.ron:2:1: warning: this recipe is in format 0: texts did not name their format; the \
             field `format` is added (`lapel tidy a.ron` writes it down)"
        );
        assert_eq!(migrated("TouchUps(format: 0)").0, "TouchUps(format: 1)");
        assert!(
            migrated("Job(client: \"A\")")
                .1
                .contains("this job is in format 0")
        );
    }

    #[test]
    fn other_texts_stay_as_they_are() {
        for text in [
            "Recipe(format: 1, name: \"A\")",
            "Recipe(format: 9, name: \"A\")",
            "Recipe(format: \"old\")",
            "Recipe(format 1)",
            "Sidecar(key: 1)",
            "[1, 2]",
        ] {
            let mut notes = Diagnostics::default();
            let source = current(&Source::new("a", text), &mut notes).expect("brackets match");
            assert_eq!((source.text.as_str(), notes.warnings()), (text, 0));
        }
    }

    #[test]
    fn no_migration_moves_a_line_and_all_lead_to_the_newest_format() {
        for (name, _) in KINDS {
            let old = format!("{name}(\n    name: \"A\",\n    steps: [\n    ],\n)\n");
            let (new, _) = migrated(&old);
            assert_eq!(new.matches('\n').count(), old.matches('\n').count());
            let again = migrated(&new);
            assert_eq!(again, (new, String::new()));
        }
    }
}
