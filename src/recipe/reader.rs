//! From the tree to checked values: fields by name, numbers in a range, words of a list.
//!
//! Every method notes what it does not accept, at its place, and gives `None`; the caller goes on
//! with the next field, so that all mistakes of a file come out at once. Recipes, jobs and
//! touch-ups are read with it.

use std::fmt::Display;
use std::ops::RangeInclusive;
use std::str::FromStr;
use std::sync::Arc;

use super::FORMAT;
use super::diagnostic::{Diagnostic, Diagnostics, Source, Span};
use super::nearest::{nearest, one_of};
use super::tree::{self, Field, Group, Node, Value, short};

/// Reads values of one file.
pub struct Reader<'n> {
    /// The file.
    pub source: Arc<Source>,
    /// Where mistakes go.
    pub notes: &'n mut Diagnostics,
}

/// Reads a whole text that is one group of that name, brought to the newest format. `None` when there
/// was any error; `notes` has them all.
pub fn whole<T>(
    source: &Arc<Source>,
    name: &str,
    notes: &mut Diagnostics,
    read: impl FnOnce(&mut Reader, &Group) -> Option<T>,
) -> Option<T> {
    let errors = notes.errors();
    let source = super::migration::current(source, notes)?;
    // What is wrong with its brackets was noted just now.
    let tree = tree::parse(&source, &mut Diagnostics::default())?;
    let mut reader = Reader {
        source: Arc::clone(&source),
        notes,
    };
    let group = reader.group(&tree, name, false)?;
    let value = read(&mut reader, group);
    value.filter(|_| notes.errors() == errors)
}

/// The named fields of a group, each known and at most once.
#[derive(Debug)]
pub struct Fields<'r, 't> {
    /// What has these fields, for sentences.
    pub what: String,
    /// The name before the bracket, or the bracket.
    pub head: Span,
    fields: &'r [Field<'t>],
}

impl<'r, 't> Fields<'r, 't> {
    /// The value of a field, if it was written.
    pub fn get(&self, name: &str) -> Option<&'r Node<'t>> {
        self.fields
            .iter()
            .find(|field| field.name == name)
            .map(|field| &field.value)
    }

    /// Bytes of a field's name, if it was written.
    pub fn name_of(&self, name: &str) -> Option<Span> {
        self.fields
            .iter()
            .find(|field| field.name == name)
            .map(|field| field.span.clone())
    }
}

impl Reader<'_> {
    /// Notes an error.
    pub fn error(&mut self, span: Span, message: impl Into<String>) -> &mut Diagnostic {
        self.notes.error(&self.source, span, message)
    }

    /// Notes that something else was expected.
    pub fn expected(&mut self, node: &Node, expected: impl Display) -> &mut Diagnostic {
        let found = node.found(&self.source.text);
        self.error(
            node.span.clone(),
            format!("expected {expected}, found {found}"),
        )
        .label(format!("expected {expected}"))
    }

    /// Notes an unknown name, the nearest known one and all that are accepted.
    pub fn unknown(&mut self, span: Span, kind: &str, written: &str, known: &[&str]) {
        let message = format!("there is no {kind} `{}`", short(written));
        self.not_among(span, message, written, known);
    }

    /// Notes a setting that `what` does not have.
    pub fn unknown_setting(&mut self, field: &Field, what: &str, known: &[&str]) {
        let message = format!("{what} has no setting `{}`", short(field.name));
        self.not_among(field.span.clone(), message, field.name, known);
    }

    fn not_among(&mut self, span: Span, message: String, written: &str, known: &[&str]) {
        let nearest = nearest(written, known.iter().copied());
        let note = self.error(span, message);
        match nearest {
            Some(name) => note.label(format!("did you mean `{name}`?")),
            None => note.label("not known"),
        };
        note.help(format!("accepted: {}", one_of(known.iter().copied())));
    }

    /// The group `name(…)`. With `bare`, `(…)` will do as well.
    pub fn group<'r, 't>(
        &mut self,
        node: &'r Node<'t>,
        name: &str,
        bare: bool,
    ) -> Option<&'r Group<'t>> {
        match &node.value {
            Value::Group(group) if group.name == Some(name) => Some(group),
            Value::Group(group) if bare && group.name.is_none() => Some(group),
            Value::Group(Group {
                name: Some(other),
                head,
                ..
            }) => {
                let message = format!("expected `{name}(…)`, found `{other}(…)`");
                self.error(head.clone(), message)
                    .label(format!("expected `{name}`"));
                None
            }
            _ => {
                self.expected(node, format!("`{name}(…)`"));
                None
            }
        }
    }

    /// The fields of a group: unknown and doubled ones are noted, and items without a name.
    pub fn fields<'r, 't>(
        &mut self,
        group: &'r Group<'t>,
        what: &str,
        known: &[&str],
    ) -> Fields<'r, 't> {
        for item in &group.items {
            let found = item.found(&self.source.text);
            self.error(
                item.span.clone(),
                format!("{what} has no value without a name: {found}"),
            )
            .help(format!(
                "write `name: value`; names: {}",
                one_of(known.iter().copied())
            ));
        }
        for (index, field) in group.fields.iter().enumerate() {
            if !known.contains(&field.name) {
                self.unknown_setting(field, what, known);
            } else {
                self.set_before(&group.fields[..index], field, what);
            }
        }
        Fields {
            what: what.to_owned(),
            head: group.head.clone(),
            fields: &group.fields,
        }
    }

    /// Whether a field of that name was there before; notes it.
    pub fn set_before(&mut self, before: &[Field], field: &Field, what: &str) -> bool {
        let Some(first) = before.iter().find(|before| before.name == field.name) else {
            return false;
        };
        let line = self.source.line(first.span.start);
        self.error(
            field.span.clone(),
            format!("`{}` of {what} is set twice", field.name),
        )
        .label("set again")
        .help(format!(
            "it was set first in line {line}: keep one of the two"
        ));
        true
    }

    /// A field that must be there.
    pub fn need<'r, 't>(&mut self, fields: &Fields<'r, 't>, name: &str) -> Option<&'r Node<'t>> {
        let found = fields.get(name);
        if found.is_none() {
            let message = format!("{} needs `{name}`", fields.what);
            self.error(fields.head.clone(), message)
                .label(format!("`{name}` is missing"));
        }
        found
    }

    /// Text in quotes, not empty.
    pub fn text(&mut self, node: &Node) -> Option<String> {
        match &node.value {
            Value::Text(text) if text.trim().is_empty() => {
                self.error(node.span.clone(), "this text is empty");
                None
            }
            Value::Text(text) => Some(text.clone()),
            _ => {
                self.expected(node, "text between double quotes");
                None
            }
        }
    }

    /// A number in a range; `unit` completes "a number of …".
    pub fn number<T>(&mut self, node: &Node, range: RangeInclusive<T>, unit: &str) -> Option<T>
    where
        T: FromStr + PartialOrd + Display,
    {
        let (low, high) = (range.start(), range.end());
        let expected = format!("{unit}, {low} to {high}");
        let Value::Number(written) = node.value else {
            self.expected(node, expected);
            return None;
        };
        let plain = written.replace('_', "");
        if let Some(number) = plain
            .parse::<T>()
            .ok()
            .filter(|number| range.contains(number))
        {
            return Some(number);
        }
        match plain.parse::<f64>() {
            // A whole number of many digits, or one with a point, is still a number.
            Ok(number) if number.fract() == 0.0 || plain.parse::<T>().is_ok() => {
                self.error(
                    node.span.clone(),
                    format!("{} is outside of {low} to {high}", short(written)),
                )
                .label(format!("expected {expected}"));
            }
            Ok(_) => {
                self.expected(node, expected).help("write a whole number");
            }
            Err(_) => {
                self.expected(node, expected)
                    .help("write the number alone, without its unit");
            }
        }
        None
    }

    /// One of a list of words.
    pub fn word<T: Clone>(&mut self, node: &Node, kind: &str, accepted: &[(&str, T)]) -> Option<T> {
        let names: Vec<&str> = accepted.iter().map(|(name, _)| *name).collect();
        match &node.value {
            Value::Word(word) => {
                let found = accepted.iter().find(|(name, _)| name == word);
                if found.is_none() {
                    self.unknown(node.span.clone(), kind, word, &names);
                }
                found.map(|(_, value)| value.clone())
            }
            Value::Text(text) if names.contains(&text.as_str()) => {
                self.error(
                    node.span.clone(),
                    format!("the {kind} `{text}` stands without quotes"),
                );
                None
            }
            _ => {
                self.expected(node, format!("a {kind}: {}", one_of(names.iter().copied())));
                None
            }
        }
    }

    /// A list; `what` says of what.
    pub fn list<'r, 't>(&mut self, node: &'r Node<'t>, what: &str) -> Option<&'r [Node<'t>]> {
        match &node.value {
            Value::List(items) => Some(items),
            _ => {
                self.expected(node, format!("a list of {what}: […]"));
                None
            }
        }
    }

    /// Two values as `(one, other)`; `what` says of what.
    pub fn pair<'r, 't>(&mut self, node: &'r Node<'t>, what: &str) -> Option<[&'r Node<'t>; 2]> {
        if let Value::Group(Group {
            name: None,
            items,
            fields,
            ..
        }) = &node.value
            && let ([one, other], true) = (items.as_slice(), fields.is_empty())
        {
            return Some([one, other]);
        }
        self.expected(node, what);
        None
    }

    /// The version of the format; older ones were brought to it before ([`whole`]).
    pub fn format(&mut self, fields: &Fields) -> Option<u32> {
        let node = self.need(fields, "format")?;
        let format = self.number(node, 1..=u32::MAX, "a format version")?;
        if format != FORMAT {
            self.error(
                node.span.clone(),
                format!("format {format} is newer than this program, which reads format {FORMAT}"),
            )
            .label(format!("expected {FORMAT}"))
            .help("read it with the version of lapel that wrote it, or a later one");
            return None;
        }
        Some(format)
    }
}
