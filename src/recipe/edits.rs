//! Changes to a list of steps: what a recipe says about the one it builds on, and what a frame's
//! touch-ups say about the recipe.
//!
//! All steps are called as they stand in the base, before anything was dropped or inserted, so
//! the order in which changes are written does not matter.

use super::diagnostic::{Diagnostics, Place};
use super::reader::{Fields, Reader};
use super::steps::{self, Step, Written, position};
use super::tree::{Group, Node, Value};

/// Changes, drops and insertions as written; [`apply`](Self::apply) finds the steps they mean.
#[derive(Debug, Clone, Default)]
pub struct Edits {
    change: Vec<Written>,
    drop: Vec<Written>,
    insert: Vec<Insert>,
}

/// New steps and where they go.
#[derive(Debug, Clone)]
struct Insert {
    at: At,
    steps: Vec<Written>,
}

#[derive(Debug, Clone)]
enum At {
    Before(Box<Written>),
    After(Box<Written>),
    EndOfStage,
}

/// What happens to one step of the base.
#[derive(Default)]
struct Fate<'e> {
    before: Vec<&'e Written>,
    change: Option<&'e Written>,
    drop: Option<&'e Written>,
    after: Vec<&'e Written>,
}

impl Edits {
    /// Reads the fields `change`, `drop` and `insert`, all of which may be missing.
    pub fn read(reader: &mut Reader, fields: &Fields) -> Self {
        let mut edits = Self::default();
        for node in items(reader, fields, "change", "steps") {
            edits.change.extend(steps::read(reader, node));
        }
        for node in items(reader, fields, "drop", "names of steps") {
            edits.drop.extend(read_call(reader, node));
        }
        for node in items(reader, fields, "insert", "steps") {
            edits.insert.extend(read_insert(reader, node));
        }
        edits
    }

    /// Whether nothing is changed.
    pub fn is_empty(&self) -> bool {
        self.change.is_empty() && self.drop.is_empty() && self.insert.is_empty()
    }

    /// The changed list. Changes that do not fit are noted and left out; the order of the result
    /// is for the caller to check. `base` names the base in sentences.
    pub fn apply(&self, steps: &[Step], base: &str, notes: &mut Diagnostics) -> Vec<Step> {
        let mut fates: Vec<Fate> = steps.iter().map(|_| Fate::default()).collect();
        let mut ends: Vec<&Written> = Vec::new();
        for change in &self.change {
            let Some(index) = find(change, steps, base, notes) else {
                continue;
            };
            match fates[index].change {
                None => fates[index].change = Some(change),
                Some(first) => clash(change, "changed", first, "changed", notes),
            }
        }
        for drop in &self.drop {
            let Some(index) = find(drop, steps, base, notes) else {
                continue;
            };
            let fate = &mut fates[index];
            match (fate.drop, fate.change) {
                (Some(first), _) => clash(drop, "dropped", first, "dropped", notes),
                (None, Some(first)) => clash(drop, "dropped", first, "changed", notes),
                (None, None) => fate.drop = Some(drop),
            }
        }
        for insert in &self.insert {
            match &insert.at {
                At::EndOfStage => ends.extend(&insert.steps),
                At::Before(step) => {
                    let Some(index) = find(step, steps, base, notes) else {
                        continue;
                    };
                    fates[index].before.extend(&insert.steps);
                }
                At::After(step) => {
                    let Some(index) = find(step, steps, base, notes) else {
                        continue;
                    };
                    fates[index].after.extend(&insert.steps);
                }
            }
        }
        let mut changed = Vec::with_capacity(steps.len());
        for (step, fate) in steps.iter().zip(fates) {
            changed.extend(fate.before.into_iter().map(Written::step));
            match (fate.drop, fate.change) {
                (Some(_), _) => {}
                (None, Some(change)) => {
                    let new = change.onto(step);
                    // Of a change with a mistake in it nothing may be left.
                    if notes.errors() == 0 && new.canonical() == step.canonical() {
                        let Place { file, span } = &change.place;
                        let name = new.operation.name();
                        let says =
                            format!("the change of {name} changes nothing: {base} has it so");
                        notes
                            .warning(file, span.clone(), says)
                            .help("leave it out, or say what shall be different");
                    }
                    changed.push(new);
                }
                (None, None) => changed.push(step.clone()),
            }
            changed.extend(fate.after.into_iter().map(Written::step));
        }
        for end in ends {
            let own = position(&end.operation);
            let at = changed
                .iter()
                .rposition(|step| position(&step.operation) <= own);
            changed.insert(at.map_or(0, |at| at + 1), end.step());
        }
        changed
    }
}

/// The items of a field that may be missing.
fn items<'r, 't>(
    reader: &mut Reader,
    fields: &Fields<'r, 't>,
    name: &str,
    what: &str,
) -> &'r [Node<'t>] {
    let Some(node) = fields.get(name) else {
        return &[];
    };
    match reader.list(node, what) {
        Some(items) if !steps::too_many(reader, node, items.len()) => items,
        _ => &[],
    }
}

/// `Crop` or `Adjust(nth: 2)`: a step of the base, without settings.
fn read_call(reader: &mut Reader, node: &Node) -> Option<Written> {
    if let Value::Group(group) = &node.value
        && let Some(field) = group.fields.iter().find(|field| field.name != "nth")
    {
        reader
            .error(field.span.clone(), "a step is only called here, not set")
            .label("expected `nth` or nothing")
            .help("settings belong under `change` or into a new step");
        return None;
    }
    steps::read(reader, node)
}

fn read_insert(reader: &mut Reader, node: &Node) -> Option<Insert> {
    let at: fn(Box<Written>) -> At = match &node.value {
        Value::Group(Group {
            name: Some("Before"),
            ..
        }) => At::Before,
        Value::Group(Group {
            name: Some("After"),
            ..
        }) => At::After,
        _ => {
            let step = steps::read_new(reader, node)?;
            return Some(Insert {
                at: At::EndOfStage,
                steps: vec![step],
            });
        }
    };
    let Value::Group(group) = &node.value else {
        return None;
    };
    let sketch = "written `After(step of the base, new step, …)`";
    for field in &group.fields {
        reader
            .error(
                field.span.clone(),
                format!("`{}` is not known here", field.name),
            )
            .help(sketch);
    }
    let Some((first, new)) = group.items.split_first().filter(|(_, new)| !new.is_empty()) else {
        reader
            .error(
                group.head.clone(),
                "expected a step of the base and at least one new step",
            )
            .help(sketch);
        return None;
    };
    if steps::too_many(reader, node, new.len()) {
        return None;
    }
    let called = read_call(reader, first);
    let steps = new
        .iter()
        .filter_map(|item| steps::read_new(reader, item))
        .collect();
    Some(Insert {
        at: at(Box::new(called?)),
        steps,
    })
}

/// Which step of the base is meant.
fn find(call: &Written, steps: &[Step], base: &str, notes: &mut Diagnostics) -> Option<usize> {
    let name = call.operation.name();
    let all: Vec<usize> = (0..steps.len())
        .filter(|&index| steps[index].operation.name() == name)
        .collect();
    let Place { file, span } = &call.place;
    let times = |number: usize| match number {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        _ => format!("{number} times"),
    };
    let has = format!("{base} has {name} {}", times(all.len()));
    match (all.as_slice(), call.nth) {
        ([], _) => {
            let mut there: Vec<_> = steps.iter().map(|step| step.operation.name()).collect();
            there.dedup();
            notes
                .error(file, span.clone(), format!("{base} has no step {name}"))
                .label("not in the base")
                .help(format!("it has {}", there.join(", ")));
            None
        }
        ([only], None) => Some(*only),
        (_, Some(nth)) if nth <= all.len() => Some(all[nth - 1]),
        (_, Some(nth)) => {
            notes
                .error(file, span.clone(), format!("{has}, not {}", times(nth)))
                .label(format!("there is no {name} number {nth}"));
            None
        }
        (_, None) => {
            notes
                .error(file, span.clone(), has)
                .label("which one?")
                .help(format!(
                    "say which: `{name}(nth: 1)` to `{name}(nth: {})`",
                    all.len()
                ));
            None
        }
    }
}

/// Two changes want the same step.
fn clash(second: &Written, is: &str, first: &Written, was: &str, notes: &mut Diagnostics) {
    let name = second.operation.name();
    let line = first.place.file.line(first.place.span.start);
    let message = match is == was {
        true => format!("{name} is {is} twice"),
        false => format!("{name} is {is} and {was}"),
    };
    notes
        .error(&second.place.file, second.place.span.clone(), message)
        .help(format!("it is {was} in line {line}: keep one of the two"));
}
