//! Steps: an operation with settings, where it works and how strongly.

use std::sync::Arc;

use super::diagnostic::{Diagnostics, Place, Span};
use super::nearest::one_of;
use super::reader::Reader;
use super::tree::{Field, Group, Node, Value};
use crate::operations::declare::{Declaration, Problem, Setting};
use crate::operations::{Operation, Stage};
use crate::picture::Ratio;
use crate::regions::Region;

/// More steps than any look needs; common practice, no source.
const MOST_STEPS: usize = 200;

/// What every picture step but `Crop` has besides its own settings.
const FOR_ALL: [&str; 3] = ["on", "except", "opacity"];

/// One checked step of a recipe.
#[derive(Debug, Clone)]
pub struct Step {
    /// What is done, with every setting.
    pub operation: Operation,
    /// Where it shows: the union of these.
    pub on: Vec<Region>,
    /// Where it does not.
    pub except: Vec<Region>,
    /// How much of it shows, 0 to 1.
    pub opacity: Ratio,
    /// Where it was written.
    pub place: Place,
}

impl Step {
    /// Every setting with its RON text, those that all steps have behind the operation's own.
    pub fn spelled_out(&self) -> Vec<(String, String)> {
        let own = self.operation.spelled_out().into_iter();
        let mut settings: Vec<_> = own.map(|(name, text)| (name.to_owned(), text)).collect();
        if self.operation.takes_regions() {
            let names = |list: &[Region]| {
                let names: Vec<_> = list.iter().map(|region| region.name()).collect();
                format!("[{}]", names.join(", "))
            };
            settings.push(("on".to_owned(), names(&self.on)));
            settings.push(("except".to_owned(), names(&self.except)));
            let opacity = crate::operations::declare::write(&self.opacity);
            settings.push(("opacity".to_owned(), opacity));
        }
        settings
    }

    /// The step on one line with every setting spelled out.
    pub fn canonical(&self) -> String {
        let settings: Vec<String> = self
            .spelled_out()
            .into_iter()
            .map(|(name, text)| format!("{name}: {text}"))
            .collect();
        format!("{}({})", self.operation.name(), settings.join(", "))
    }

    /// Settings that, at the step's opacity, go beyond a light hand: a sentence each.
    pub fn excess(&self) -> Vec<String> {
        let (name, opacity) = (self.operation.name(), self.opacity.0);
        let declared = self.operation.declaration().settings;
        let spelled = self.operation.spelled_out();
        declared
            .iter()
            .zip(spelled)
            .filter_map(|(setting, (_, text))| {
                let (sane, value) = (setting.sane?, text.parse::<f32>().ok()?);
                // Rounding must not warn of the very limit.
                (value * opacity > sane + 1e-6).then(|| {
                    let at = match opacity {
                        1.0 => String::new(),
                        opacity => format!(" at an opacity of {opacity}"),
                    };
                    format!(
                        "`{}` of {name}: {text}{at} is more than a light hand, {sane}",
                        setting.name
                    )
                })
            })
            .collect()
    }

    /// Whether the engine may skip it: its settings do nothing, or nothing of it shows.
    pub fn is_neutral(&self) -> bool {
        self.operation.is_neutral() || self.opacity.0 == 0.0
    }
}

/// A step as written: what was named is set, what was not is not yet decided.
#[derive(Debug, Clone)]
pub(super) struct Written {
    /// With default settings.
    pub operation: Operation,
    /// Checked settings: name and RON text.
    settings: Vec<(String, String)>,
    on: Option<Vec<Region>>,
    except: Option<Vec<Region>>,
    opacity: Option<Ratio>,
    /// Which of several, from 1.
    pub nth: Option<usize>,
    /// Its name.
    pub place: Place,
}

impl Written {
    /// The step with defaults for all that was not written.
    pub fn step(&self) -> Step {
        self.onto(&Step {
            operation: self.operation.clone(),
            on: vec![Region::Everything],
            except: Vec::new(),
            opacity: Ratio(1.0),
            place: self.place.clone(),
        })
    }

    /// Another step of the same operation with what was written here.
    pub fn onto(&self, base: &Step) -> Step {
        let mut operation = base.operation.clone();
        for (name, text) in &self.settings {
            operation
                .set(name, text)
                .expect("the setting was checked when it was read");
        }
        Step {
            operation,
            on: self.on.clone().unwrap_or_else(|| base.on.clone()),
            except: self.except.clone().unwrap_or_else(|| base.except.clone()),
            opacity: self.opacity.unwrap_or(base.opacity),
            place: self.place.clone(),
        }
    }
}

/// Reads the list of a whole recipe.
pub(super) fn read_list(reader: &mut Reader, node: &Node) -> Vec<Step> {
    let Some(items) = reader.list(node, "steps") else {
        return Vec::new();
    };
    if items.is_empty() {
        reader.error(node.span.clone(), "a recipe needs at least one step");
    }
    if too_many(reader, node, items.len()) {
        return Vec::new();
    }
    items
        .iter()
        .filter_map(|item| read_new(reader, item))
        .map(|written| written.step())
        .collect()
}

/// Notes a list that is longer than any look needs.
pub(super) fn too_many(reader: &mut Reader, node: &Node, count: usize) -> bool {
    let too_many = count > MOST_STEPS;
    if too_many {
        let start = node.span.start;
        reader.error(start..start + 1, number_of_steps(count));
    }
    too_many
}

fn number_of_steps(count: usize) -> String {
    format!("{count} steps; at most {MOST_STEPS} are read")
}

/// Notes that a list grew by insertions beyond what any look needs.
pub(super) fn check_number(steps: &[Step], notes: &mut Diagnostics) {
    if let Some(Step { place, .. }) = steps.get(MOST_STEPS) {
        let message = number_of_steps(steps.len());
        notes.error(&place.file, place.span.clone(), message);
    }
}

/// Reads a step that is not there yet: it cannot say which of several it is.
pub(super) fn read_new(reader: &mut Reader, node: &Node) -> Option<Written> {
    let written = read(reader, node)?;
    if written.nth.is_some() {
        reader
            .error(
                written.place.span.clone(),
                "`nth` calls a step of the recipe this builds on",
            )
            .help("a new step has its place by where it is written; leave `nth` out");
    }
    Some(written)
}

/// Reads one step. `None` when its operation is not known; other mistakes are noted and leave the
/// setting out.
pub(super) fn read(reader: &mut Reader, node: &Node) -> Option<Written> {
    let (name, head) = name_of(reader, node)?;
    let operation = operation(reader, name, head.clone())?;
    let place = Place {
        file: Arc::clone(&reader.source),
        span: head,
    };
    let mut written = Written {
        operation,
        settings: Vec::new(),
        on: None,
        except: None,
        opacity: None,
        nth: None,
        place,
    };
    let Value::Group(group) = &node.value else {
        return Some(written);
    };
    for item in &group.items {
        let found = item.found(&reader.source.text);
        reader
            .error(
                item.span.clone(),
                format!("{name} has no value without a name: {found}"),
            )
            .help(accepted(&written.operation));
    }
    for (index, field) in group.fields.iter().enumerate() {
        if reader.set_before(&group.fields[..index], field, name) {
            continue;
        }
        match field.name {
            "on" | "except" | "opacity" if !written.operation.takes_regions() => {
                let message = match written.operation.stage() {
                    Stage::Picture => format!("{name} concerns the whole picture"),
                    stage => format!("{name} works in the {} stage", stage.name()),
                };
                reader
                    .error(field.span.clone(), format!("{message}: it takes no `{}`", field.name))
                    .help("`on`, `except` and `opacity` belong to steps of the picture stage other than Crop");
            }
            "on" => written.on = regions(reader, &field.value, false),
            "except" => written.except = regions(reader, &field.value, true),
            "opacity" => {
                written.opacity = reader.number(&field.value, 0.0..=1.0, "a ratio").map(Ratio);
            }
            "nth" => written.nth = reader.number(&field.value, 1..=MOST_STEPS, "a count"),
            _ => setting(reader, &mut written, field),
        }
    }
    Some(written)
}

/// The name of a step, written alone or before a bracket, and its bytes.
pub(super) fn name_of<'t>(reader: &mut Reader, node: &Node<'t>) -> Option<(&'t str, Span)> {
    match &node.value {
        Value::Group(Group {
            name: Some(name),
            head,
            ..
        }) => Some((name, head.clone())),
        Value::Word(name) => Some((name, node.span.clone())),
        _ => {
            reader.expected(node, "a step such as `Crop(…)`");
            None
        }
    }
}

/// The operation of that name with its defaults.
pub(super) fn operation(reader: &mut Reader, name: &str, span: Span) -> Option<Operation> {
    let found = Operation::by_name(name);
    if found.is_none() {
        reader.unknown(span, "operation", name, &Operation::names());
    }
    found
}

/// What a step of this operation may have.
fn accepted(operation: &Operation) -> String {
    format!(
        "write `name: value`; names: {}",
        one_of(setting_names(operation))
    )
}

fn setting_names(operation: &Operation) -> Vec<&'static str> {
    let mut names: Vec<_> = operation
        .declaration()
        .settings
        .iter()
        .map(|s| s.name)
        .collect();
    if operation.takes_regions() {
        names.extend(FOR_ALL);
    }
    names
}

/// Checks one setting by giving it to the operation.
fn setting(reader: &mut Reader, written: &mut Written, field: &Field) {
    let text = reader.source.text[field.value.span.clone()].to_owned();
    // A trial: the defaults must stay for `onto`.
    let Err(problem) = written.operation.clone().set(field.name, &text) else {
        written.settings.push((field.name.to_owned(), text));
        return;
    };
    let name = written.operation.name();
    let declaration = written.operation.declaration();
    let declared = declaration
        .settings
        .iter()
        .find(|setting| setting.name == field.name);
    let (Some(declared), span) = (declared, field.value.span.clone()) else {
        let names = setting_names(&written.operation);
        reader.unknown_setting(field, name, &names);
        return;
    };
    let expected = expected(declared);
    match problem {
        Problem::OutOfRange { found, low, high } => {
            let message = format!(
                "`{}` of {name}: {found} is outside of {low} to {high}",
                declared.name
            );
            reader
                .error(span, message)
                .label(format!("expected {expected}"))
        }
        Problem::NotUnderstood { reason, .. } => {
            let found = field.value.found(&reader.source.text);
            let message = format!(
                "`{}` of {name}: expected {expected}, found {found}",
                declared.name
            );
            let note = reader.error(span, message);
            match (&field.value.value, &declared.range) {
                (Value::Number(_), Some(_)) => {
                    let unit = plain_unit(declared.unit);
                    note.label("not a number").help(format!(
                        "write the number alone: it is always told in {unit}"
                    ))
                }
                (_, Some(_)) => note.label("not a number"),
                (_, None) => note.label(lower_first(&reason)),
            }
        }
        Problem::UnknownSetting(_) => unreachable!("it is declared"),
    }
    .help(format!(
        "{}: {} (default {})",
        declared.name,
        one_line(declared.help),
        declared.default
    ));
}

/// "eye spans, 0.05 to 2".
fn expected(setting: &Setting) -> String {
    match &setting.range {
        Some(range) => format!("{}, {} to {}", setting.unit, range.start(), range.end()),
        None => setting.unit.to_owned(),
    }
}

/// A unit as "told in …" wants it.
fn plain_unit(unit: &str) -> &str {
    match unit {
        "a ratio" => "shares of one (0.4 for 40 %)",
        other => other,
    }
}

/// A reason of `ron` in the middle of a report.
fn lower_first(reason: &str) -> String {
    let mut letters = reason.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

/// Help is written over several lines of source; sentences want one, without the full stop.
fn one_line(help: &str) -> String {
    help.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .trim_end_matches('.')
        .to_owned()
}

/// One region or a list of them, each once.
fn regions(reader: &mut Reader, node: &Node, may_be_empty: bool) -> Option<Vec<Region>> {
    let single = std::slice::from_ref(node);
    let items = match &node.value {
        Value::Word(_) => single,
        _ => reader.list(node, "regions")?,
    };
    if items.is_empty() && !may_be_empty {
        reader
            .error(node.span.clone(), "`on` names no region")
            .help("leave `on` out for the whole picture");
    }
    let names: Vec<(String, Region)> = Region::ALL.iter().map(|r| (r.name(), *r)).collect();
    let names: Vec<(&str, Region)> = names.iter().map(|(name, r)| (name.as_str(), *r)).collect();
    let mut found = Vec::new();
    for item in items {
        let Some(region) = reader.word(item, "region", &names) else {
            continue;
        };
        if found.contains(&region) {
            reader.error(
                item.span.clone(),
                format!("`{}` is named twice", region.name()),
            );
        } else {
            found.push(region);
        }
    }
    Some(found)
}

/// Warns of what goes beyond a light hand.
pub(super) fn warn_of_excess<'s>(steps: impl Iterator<Item = &'s Step>, notes: &mut Diagnostics) {
    for step in steps {
        for told in step.excess() {
            notes
                .warning(&step.place.file, step.place.span.clone(), told)
                .label("a strong hand")
                .help(
                    "people may not look like the ones whom colleagues meet: lower the setting or \
                     the step's `opacity`",
                );
        }
    }
}

/// Notes steps that stand where they cannot work: sensor before picture before output, `Crop`
/// before every other picture step, sensor and output steps in the table's order, and only
/// picture steps other than `Crop` more than once.
pub(super) fn check_order(steps: &[Step], notes: &mut Diagnostics) {
    let mut before: Option<&Step> = None;
    for (index, step) in steps.iter().enumerate() {
        let operation = &step.operation;
        let name = operation.name();
        let span = step.place.span.clone();
        let first = steps[..index]
            .iter()
            .find(|other| other.operation.name() == name);
        if let Some(first) = first
            && !operation.may_repeat()
        {
            let line = first.place.file.line(first.place.span.start);
            notes
                .error(
                    &step.place.file,
                    span,
                    format!("{name} stands twice in one recipe"),
                )
                .label("a second time")
                .help(format!(
                    "it stands first in line {line} of {}",
                    first.place.file.name
                ));
            continue;
        }
        if let Some(highest) = before
            && position(operation) < position(&highest.operation)
        {
            let later = highest.operation.name();
            let rule = match (operation.stage(), highest.operation.stage()) {
                (Stage::Picture, Stage::Picture) => {
                    "Crop comes before every other step of the picture stage".to_owned()
                }
                (stage, other) if stage == other => format!(
                    "steps of the {} stage stand in this order: {}",
                    stage.name(),
                    of_stage(stage).join(", ")
                ),
                (stage, other) => format!(
                    "{name} works in the {} stage, {later} in the {} stage; the order is sensor, picture, output",
                    stage.name(),
                    other.name()
                ),
            };
            notes
                .error(&step.place.file, span, format!("{name} stands too late"))
                .label(format!("must come before {later}"))
                .help(rule);
            continue;
        }
        before = Some(step);
    }
}

/// Where an operation may stand: steps go from low to high.
pub(super) fn position(operation: &Operation) -> (Stage, usize) {
    let within = match operation.stage() {
        Stage::Picture => usize::from(!operation.is_crop()),
        Stage::Sensor | Stage::Output => operation.rank(),
    };
    (operation.stage(), within)
}

fn of_stage(stage: Stage) -> Vec<&'static str> {
    let of_stage =
        |(s, declaration): (Stage, Declaration)| (s == stage).then_some(declaration.name);
    Operation::declarations()
        .into_iter()
        .filter_map(of_stage)
        .collect()
}
