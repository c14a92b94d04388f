//! Recipes: text to checked steps, without touching a disk or a pixel.
//!
//! What was typed becomes a small tree with places (`tree`), then checked values (`reader`,
//! `steps`), and with the recipe it builds on (`edits`) the plain list of steps that the engine
//! runs. All mistakes are found at once, each with its place, what was expected, the nearest
//! known name and what to do ([`Diagnostics`]).
//!
//! ```ron
//! Recipe(
//!     format: 1,
//!     name: "Harbour Lane, white wall",
//!     builds_on: "house.ron",                        // beside this file
//!     change: [BackgroundLift(level: 92.0), Adjust(nth: 2, detail: 0.1)],
//!     drop: [GradientToning],
//!     insert: [After(Crop, ShadowLift(amount: 0.2)), Chroma(amount: 0.05)],
//! )
//! ```
//!
//! A recipe has either `steps`, or `builds_on` with any of:
//! - `change`: steps whose settings replace those of the base's step, one by one; what is not
//!   named stays;
//! - `drop`: steps of the base that are left out;
//! - `insert`: `Before(step, new, …)` or `After(step, new, …)`, or a new step alone, which goes to
//!   the end of its stage.
//!
//! A step of the base is called by its operation; where the base has several of it, `nth` (the
//! first is 1) says which: `Adjust(nth: 2)`. All of them are counted in the base as it stands in its
//! file, before anything was dropped or inserted.

pub mod advice;
pub mod compare;
pub mod diagnostic;
mod edits;
pub mod layout;
mod migration;
mod nearest;
pub mod page;
pub mod reader;
mod steps;
pub mod tree;

use std::sync::Arc;

pub use diagnostic::{Diagnostic, Diagnostics, Place, Severity, Source, Span};
pub use edits::Edits;
pub use nearest::{nearest, one_of};
pub use steps::Step;

use reader::{Fields, Reader};

use crate::operations::Operation;

/// The version of the format of recipes, jobs and touch-ups that is read and written; older ones
/// are brought to it.
pub const FORMAT: u32 = 1;

/// How many recipes may build on one another. Common practice, no source.
const MOST_BASES: usize = 8;

/// A look: checked steps in a lawful order.
#[derive(Debug, Clone)]
pub struct Recipe {
    /// Version of the format it was written in.
    pub format: u32,
    /// What people call it.
    pub name: String,
    /// Sensor steps, then picture steps, then output steps.
    pub steps: Vec<Step>,
}

/// Gives the text of a recipe that another one builds on, by its path; the error says why not.
pub type Load<'l> = &'l dyn Fn(&str) -> Result<String, String>;

impl Recipe {
    /// Reads a recipe with all it builds on. `file` is its path as a person would write it;
    /// `load` is asked for `builds_on` paths, taken from the folder of the file that names them.
    /// `None` when there was any error; `notes` has them all.
    pub fn read(file: &str, text: &str, load: Load, notes: &mut Diagnostics) -> Option<Self> {
        let errors = notes.errors();
        let source = Source::new(file, text);
        let recipe = read_chain(&source, load, notes, &mut vec![tidy_path(file)]);
        let recipe = recipe.filter(|_| notes.errors() == errors)?;
        steps::warn_of_excess(recipe.steps.iter(), notes);
        Some(recipe)
    }

    /// The recipe with each setting of each step spelled out: the same text for the same look,
    /// however it was written. It reads back as the same recipe.
    pub fn canonical(&self) -> String {
        let name = crate::operations::declare::write(&self.name);
        let mut text = format!("Recipe(\n    format: {FORMAT},\n    name: {name},\n    steps: [\n");
        for step in &self.steps {
            text.push_str(&format!("        {},\n", step.canonical()));
        }
        text.push_str("    ],\n)\n");
        text
    }

    /// The recipe with changes for one frame.
    /// `None` when a change does not fit; `notes` says which.
    pub fn with(&self, edits: &Edits, notes: &mut Diagnostics) -> Option<Self> {
        let errors = notes.errors();
        let steps = edits.apply(&self.steps, &format!("the recipe \"{}\"", self.name), notes);
        steps::check_number(&steps, notes);
        steps::check_order(&steps, notes);
        // What the recipe has beyond was told when it was read.
        let known: Vec<String> = self.steps.iter().map(Step::canonical).collect();
        let new = |step: &&Step| !known.contains(&step.canonical());
        steps::warn_of_excess(steps.iter().filter(new), notes);
        (notes.errors() == errors).then(|| Self {
            steps,
            ..self.clone()
        })
    }
}

fn read_chain(
    source: &Arc<Source>,
    load: Load,
    notes: &mut Diagnostics,
    chain: &mut Vec<String>,
) -> Option<Recipe> {
    reader::whole(source, "Recipe", notes, |reader, group| {
        read_recipe(reader, group, load, chain)
    })
}

fn read_recipe(
    reader: &mut Reader,
    group: &tree::Group,
    load: Load,
    chain: &mut Vec<String>,
) -> Option<Recipe> {
    let known = [
        "format",
        "name",
        "steps",
        "builds_on",
        "change",
        "drop",
        "insert",
    ];
    let fields = reader.fields(group, "Recipe", &known);
    let format = reader.format(&fields);
    let name = reader
        .need(&fields, "name")
        .and_then(|node| reader.text(node));

    let steps = if fields.get("builds_on").is_some() {
        let edits = Edits::read(reader, &fields);
        if let Some(span) = fields.name_of("steps") {
            reader.error(span, "a recipe has either `steps` or `builds_on`").help(
                "with `builds_on`, write new steps under `insert` and new settings under `change`",
            );
        }
        let base = read_base(reader, &fields, load, chain);
        // A base with mistakes has told them; what refers to it cannot be judged.
        base.map(|base| edits.apply(&base.steps, &format!("\"{}\"", base.name), reader.notes))
    } else {
        for name in ["change", "drop", "insert"] {
            if let Some(span) = fields.name_of(name) {
                reader
                    .error(span, format!("`{name}` needs `builds_on`"))
                    .help("name the recipe that this one changes: `builds_on: \"house.ron\"`");
            }
        }
        match fields.get("steps") {
            Some(node) => Some(steps::read_list(reader, node)),
            None => {
                reader
                    .error(fields.head.clone(), "Recipe needs `steps` or `builds_on`")
                    .label("`steps` is missing");
                None
            }
        }
    };
    let mut steps = steps?;
    for step in &mut steps {
        if let Operation::BackgroundReplace(replace) = &mut step.operation {
            replace.picture.is_named_in(&reader.source.name);
        }
    }
    // Of a file with mistakes some steps are missing here, but those that are can still stand in
    // a wrong order.
    steps::check_number(&steps, reader.notes);
    steps::check_order(&steps, reader.notes);
    Some(Recipe {
        format: format?,
        name: name?,
        steps,
    })
}

fn read_base(
    reader: &mut Reader,
    fields: &Fields,
    load: Load,
    chain: &mut Vec<String>,
) -> Option<Recipe> {
    let node = fields.get("builds_on")?;
    let written = reader.text(node)?;
    if written.starts_with(['/', '\\']) || written.contains('\0') {
        reader
            .error(
                node.span.clone(),
                "`builds_on` is told from the folder of this recipe",
            )
            .label("expected a path without a leading slash");
        return None;
    }
    let path = beside(&reader.source.name, &written);
    if let Some(start) = chain.iter().position(|before| *before == path) {
        let round = [&chain[start..], std::slice::from_ref(&path)]
            .concat()
            .join(" -> ");
        reader
            .error(
                node.span.clone(),
                "these recipes build on one another in a circle",
            )
            .help(round);
        return None;
    }
    if chain.len() > MOST_BASES {
        reader.error(
            node.span.clone(),
            format!("more than {MOST_BASES} recipes build on each other"),
        );
        return None;
    }
    let text = match load(&path) {
        Ok(text) => text,
        Err(reason) => {
            reader
                .error(
                    node.span.clone(),
                    format!("the recipe `{written}` cannot be read: {reason}"),
                )
                .label("not found from here")
                .help(format!("looked for `{path}`"));
            return None;
        }
    };
    chain.push(path.clone());
    let base = read_chain(&Source::new(path, text), load, reader.notes, chain);
    chain.pop();
    base
}

/// The path of a file that another file names, as text.
pub fn beside(file: &str, written: &str) -> String {
    match file.rfind('/') {
        Some(end) => tidy_path(&format!("{}/{written}", &file[..end])),
        None => tidy_path(written),
    }
}

/// Without `.` and with `..` taken back where that is sure, so that one file has one name.
fn tidy_path(path: &str) -> String {
    let mut parts: Vec<&str> = Vec::new();
    for part in path.split('/') {
        match part {
            "." => {}
            "" if !parts.is_empty() => {}
            ".." if parts
                .last()
                .is_some_and(|&last| !last.is_empty() && last != "..") =>
            {
                parts.pop();
            }
            _ => parts.push(part),
        }
    }
    parts.join("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_told_from_the_file_that_names_them() {
        assert_eq!(beside("recipes/a.ron", "house.ron"), "recipes/house.ron");
        assert_eq!(beside("a.ron", "./b.ron"), "b.ron");
        assert_eq!(beside("x/y/a.ron", "../b.ron"), "x/b.ron");
        assert_eq!(beside("a.ron", "../../b.ron"), "../../b.ron");
        assert_eq!(beside("/x/a.ron", "../../b.ron"), "/../b.ron");
    }
}
