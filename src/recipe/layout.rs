//! The one layout of our RON texts, so that a change of look is a change of lines and nothing else.
//!
//! A group or list stands on one line when it fits into [`WIDTH`] columns and holds no comment,
//! else one item a line, indented by [`INDENT`] blanks, with a comma behind each. Comments stay
//! with the item that they stand before or behind; between items at most one empty line stays.
//! Names, numbers and texts are never rewritten. Steps and other named groups in a list
//! always stand one a line, since people read, move and compare them so.

use std::sync::Arc;

use super::diagnostic::{Diagnostics, Source};
use super::migration::current;
use super::tree::{self, Field, Group, Node, Value};

/// Columns that a line may fill.
const WIDTH: usize = 100;
/// Blanks by which an inner line moves right.
const INDENT: usize = 4;

/// The text in the one layout and the newest format. `None` when it cannot be read without an
/// error; `notes` has them.
pub fn laid_out(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<String> {
    let errors = notes.errors();
    let source = &current(source, notes)?;
    if notes.errors() > errors {
        return None;
    }
    let before = tree::parse(source, notes)?;
    let mut tokens = tokens(&source.text);
    tokens.reverse();
    let mut items = items(&mut tokens);
    let mut text = String::new();
    // The root has no comma behind it, and is broken even where it would fit.
    for (index, item) in items.iter_mut().enumerate() {
        item.write(&mut text, 0, index == 0, true);
        trim_end(&mut text);
        text.push('\n');
    }
    if text.len() > tree::LONGEST {
        let longest = tree::LONGEST;
        notes
            .error(
                source,
                None,
                "laid out anew, this file would be too long to be read",
            )
            .help(format!("at most {longest} bytes are read"));
        return None;
    }
    let after = Source::new(source.name.as_str(), text);
    let same = tree::parse(&after, &mut Diagnostics::default())
        .is_some_and(|after| same_value(&before, &after));
    // Never hand out a text that says something else; this would be a mistake of ours.
    if !same {
        notes.error(
            source,
            None,
            "this file cannot be laid out anew without changing what it says",
        );
        return None;
    }
    Arc::into_inner(after).map(|after| after.text)
}

/// Whether two values are the same but for their places.
fn same_value(one: &Node, other: &Node) -> bool {
    let all = |one: &[Node], other: &[Node]| {
        one.len() == other.len() && one.iter().zip(other).all(|(a, b)| same_value(a, b))
    };
    let fields = |one: &[Field], other: &[Field]| {
        let mut pairs = one.iter().zip(other);
        one.len() == other.len()
            && pairs.all(|(a, b)| a.name == b.name && same_value(&a.value, &b.value))
    };
    match (&one.value, &other.value) {
        (Value::Group(a), Value::Group(b)) => same_group(a, b, all, fields),
        (Value::List(a), Value::List(b)) => all(a, b),
        (Value::Map(a), Value::Map(b)) => {
            let mut pairs = a.iter().zip(b);
            a.len() == b.len() && pairs.all(|((k, v), (l, w))| same_value(k, l) && same_value(v, w))
        }
        (Value::Word(a), Value::Word(b)) | (Value::Number(a), Value::Number(b)) => a == b,
        (Value::Text(a), Value::Text(b)) => a == b,
        _ => false,
    }
}

fn same_group(
    one: &Group,
    other: &Group,
    all: impl Fn(&[Node], &[Node]) -> bool,
    fields: impl Fn(&[Field], &[Field]) -> bool,
) -> bool {
    one.name == other.name && all(&one.items, &other.items) && fields(&one.fields, &other.fields)
}

/// The smallest pieces of a text that holds no mistake.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Token<'t> {
    Open(&'t str),
    Close(&'t str),
    Comma,
    Colon,
    /// A name, a number or a text, as written.
    Plain(&'t str),
    Comment {
        text: &'t str,
        /// Nothing but blanks stands before it on its line.
        own_line: bool,
    },
    /// An empty line.
    Gap,
}

/// Takes a text apart. Relies on [`tree::parse`] having found no mistake in it.
fn tokens(text: &str) -> Vec<Token<'_>> {
    let mut tokens = Vec::new();
    let mut at = 0;
    let mut own_line = true;
    while at < text.len() {
        let rest = &text[at..];
        let blank = rest
            .find(|c: char| !c.is_whitespace() && c != '\u{feff}')
            .unwrap_or(rest.len());
        if blank > 0 {
            let lines = rest[..blank].matches('\n').count();
            own_line |= lines > 0;
            if lines > 1 {
                tokens.push(Token::Gap);
            }
            at += blank;
            continue;
        }
        let length = length(rest);
        let piece = &rest[..length];
        tokens.push(match piece {
            "(" | "[" | "{" => Token::Open(piece),
            ")" | "]" | "}" => Token::Close(piece),
            "," => Token::Comma,
            ":" => Token::Colon,
            _ if piece.starts_with("//") || piece.starts_with("/*") => Token::Comment {
                text: piece.trim_end(),
                own_line,
            },
            _ => Token::Plain(piece),
        });
        own_line = false;
        at += length;
    }
    tokens
}

/// Bytes of the token that a text begins with.
fn length(text: &str) -> usize {
    let upto = |end: Option<usize>| end.unwrap_or(text.len());
    if text.starts_with("//") {
        return upto(text.find('\n'));
    }
    if text.starts_with("/*") {
        return block_comment(text);
    }
    if text.starts_with('"') {
        return quoted(text);
    }
    if text.starts_with("r\"") || text.starts_with("r#") {
        let hashes = text[1..].bytes().take_while(|&b| b == b'#').count();
        let end = format!("\"{}", "#".repeat(hashes));
        let start = 2 + hashes;
        return text
            .get(start..)
            .and_then(|inner| inner.find(&end))
            .map_or(text.len(), |at| start + at + end.len());
    }
    if text.starts_with(['(', ')', '[', ']', '{', '}', ',', ':']) {
        return 1;
    }
    let ends = |c: char| c.is_whitespace() || "()[]{},:\"".contains(c);
    let end = upto(text.find(ends));
    // Looked for in this piece alone: a whole file of words would be read once for each of them.
    let piece = &text[..end];
    let comment = ["//", "/*"].into_iter().filter_map(|sign| piece.find(sign));
    comment.min().unwrap_or(end)
}

fn quoted(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

fn block_comment(text: &str) -> usize {
    let (mut at, mut open) = (0, 0_usize);
    while at < text.len() {
        let rest = &text[at..];
        if rest.starts_with("/*") {
            open += 1;
            at += 2;
        } else if rest.starts_with("*/") {
            open -= 1;
            at += 2;
            if open == 0 {
                return at;
            }
        } else {
            at += rest.chars().next().map_or(1, char::len_utf8);
        }
    }
    at
}

/// What stands between two commas, with the comments around it.
#[derive(Debug, Default)]
struct Item<'t> {
    /// Comments on lines of their own before it; `None` is an empty line.
    before: Vec<Option<&'t str>>,
    /// Names, colons, values and inner groups, in order. Empty when only comments are left.
    parts: Vec<Part<'t>>,
    /// Comments behind it on its line.
    behind: Vec<&'t str>,
}

#[derive(Debug)]
enum Part<'t> {
    Plain(&'t str),
    Colon,
    Inner {
        open: &'t str,
        close: &'t str,
        items: Vec<Item<'t>>,
    },
}

/// Reads items up to a closing bracket, which stays, or the end. `tokens` come last first.
fn items<'t>(tokens: &mut Vec<Token<'t>>) -> Vec<Item<'t>> {
    let mut items: Vec<Item<'t>> = Vec::new();
    let mut item = Item::default();
    let mut gap = false;
    while let Some(&token) = tokens.last() {
        tokens.pop();
        match token {
            Token::Close(_) => {
                tokens.push(token);
                break;
            }
            Token::Plain(text) => item.parts.push(Part::Plain(text)),
            Token::Colon => item.parts.push(Part::Colon),
            Token::Open(open) => {
                let items = self::items(tokens);
                let close = match tokens.pop() {
                    Some(Token::Close(close)) => close,
                    _ => "",
                };
                item.parts.push(Part::Inner { open, close, items });
            }
            Token::Comma => {
                // A comment behind the comma still speaks of what stands before it.
                while let Some(&Token::Comment {
                    text,
                    own_line: false,
                }) = tokens.last()
                {
                    tokens.pop();
                    item.behind.push(text);
                }
                items.push(std::mem::take(&mut item));
                gap = false;
            }
            Token::Gap if item.parts.is_empty() => item.before.push(None),
            Token::Gap => gap = true,
            // The last item needs no comma: a comment below it is the group's, not the item's.
            Token::Comment {
                text,
                own_line: true,
            } if !item.parts.is_empty() && only_comments_left(tokens) => {
                items.push(std::mem::take(&mut item));
                item.before.extend(gap.then_some(None));
                item.before.push(Some(text));
            }
            Token::Comment { text, own_line } => match (own_line, items.last_mut()) {
                (true, _) if item.parts.is_empty() => item.before.push(Some(text)),
                (false, Some(last)) if item.parts.is_empty() && item.before.is_empty() => {
                    last.behind.push(text);
                }
                _ if item.parts.is_empty() => item.before.push(Some(text)),
                _ => {
                    item.behind.push(text);
                    // Those that follow stand in the same place: to look ahead from each of them
                    // would take time with the square of their number.
                    while let Some(&(Token::Comment { .. } | Token::Gap)) = tokens.last() {
                        match tokens.pop() {
                            Some(Token::Comment { text, .. }) => item.behind.push(text),
                            _ => gap = true,
                        }
                    }
                }
            },
        }
    }
    while item.parts.is_empty() && item.before.last() == Some(&None) {
        item.before.pop();
    }
    if !item.parts.is_empty() || !item.before.is_empty() {
        items.push(item);
    }
    items
}

/// Whether nothing but comments stands before the next closing bracket or the end.
fn only_comments_left(tokens: &[Token<'_>]) -> bool {
    let mut coming = tokens.iter().rev();
    let next = coming.find(|token| !matches!(token, Token::Comment { .. } | Token::Gap));
    matches!(next, None | Some(Token::Close(_)))
}

impl Item<'_> {
    fn has_comment(&self) -> bool {
        !self.behind.is_empty()
            || self.before.iter().any(Option::is_some)
            || self.parts.iter().any(Part::has_comment)
    }

    /// Whether it is a step, an output or another group with a name.
    fn is_named_group(&self) -> bool {
        matches!(self.parts.as_slice(), [Part::Plain(_), Part::Inner { .. }])
    }

    /// On one line, without comments.
    fn flat(&self) -> String {
        self.parts.iter().map(Part::flat).collect()
    }

    /// Writes it with its comments from a new line on; `first` of its group, or not.
    fn write(&self, text: &mut String, depth: usize, first: bool, root: bool) {
        let margin = " ".repeat(depth * INDENT);
        let mut first = first;
        let mut gap = false;
        for before in &self.before {
            match before {
                None => gap = true,
                Some(comment) => {
                    if gap && !first {
                        text.push('\n');
                    }
                    (gap, first) = (false, false);
                    text.push_str(&margin);
                    text.push_str(comment);
                    text.push('\n');
                }
            }
        }
        if self.parts.is_empty() {
            return;
        }
        if gap && !first {
            text.push('\n');
        }
        text.push_str(&margin);
        let flat = self.flat();
        let line = depth * INDENT + flat.chars().count() + 1;
        let broken = root || line > WIDTH || self.parts.iter().any(Part::must_break);
        for part in &self.parts {
            match part {
                Part::Inner { open, close, items } if broken && !items.is_empty() => {
                    text.push_str(open);
                    text.push('\n');
                    for (index, item) in items.iter().enumerate() {
                        item.write(text, depth + 1, index == 0, false);
                        text.push('\n');
                        trim_end(text);
                        text.push('\n');
                    }
                    text.push_str(&margin);
                    text.push_str(close);
                }
                part => text.push_str(&part.flat()),
            }
        }
        if !root {
            text.push(',');
        }
        for comment in &self.behind {
            text.push(' ');
            text.push_str(comment);
        }
    }
}

impl Part<'_> {
    fn has_comment(&self) -> bool {
        matches!(self, Self::Inner { items, .. } if items.iter().any(Item::has_comment))
    }

    /// Whether it cannot stand on one line, however short it is.
    fn must_break(&self) -> bool {
        let Self::Inner { open, items, .. } = self else {
            return false;
        };
        let steps = items.iter().filter(|item| item.is_named_group()).count();
        (*open == "[" && steps > 1)
            || items.iter().any(Item::has_comment)
            || items
                .iter()
                .any(|item| item.parts.iter().any(Self::must_break))
    }

    fn flat(&self) -> String {
        match self {
            Self::Plain(text) => (*text).to_owned(),
            Self::Colon => ": ".to_owned(),
            Self::Inner { open, close, items } => {
                let items: Vec<String> = items.iter().map(Item::flat).collect();
                format!("{open}{}{close}", items.join(", "))
            }
        }
    }
}

/// Takes away blanks and line ends at the end.
fn trim_end(text: &mut String) {
    text.truncate(text.trim_end().len());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lay(text: &str) -> String {
        let mut notes = Diagnostics::default();
        laid_out(&Source::new("t", text), &mut notes).unwrap_or_else(|| panic!("{notes}"))
    }

    #[test]
    fn comments_and_gaps_stay_where_they_belong() {
        let text = "// Whose look.\nRecipe(format:1, // the only one\n\n\n  name :\"A, (b)\", steps:[ \
                    // First light.\n Exposure(stops:0.1),Crop( aspect:(4,5) /* upright */ ) ,\n\n // End.\n])\n\n// Bye.";
        let expected = "// Whose look.\n\
            Recipe(\n    format: 1, // the only one\n\n    name: \"A, (b)\",\n    steps: [\n        \
            // First light.\n        Exposure(stops: 0.1),\n        Crop(\n            \
            aspect: (4, 5), /* upright */\n        ),\n\n        // End.\n    ],\n)\n\n// Bye.\n";
        assert_eq!(lay(text), expected);
        assert_eq!(lay(expected), expected);
    }

    #[test]
    fn what_fits_stands_on_one_line() {
        assert_eq!(
            lay("A(b:[1,\n2 , 3],c:[X(d:1)\n])"),
            "A(\n    b: [1, 2, 3],\n    c: [X(d: 1)],\n)\n"
        );
        let long = "x".repeat(90);
        assert_eq!(
            lay(&format!("A(b: [\"{long}\", 2])")),
            format!("A(\n    b: [\n        \"{long}\",\n        2,\n    ],\n)\n")
        );
    }

    #[test]
    fn nothing_is_written_over_a_mistake() {
        let mut notes = Diagnostics::default();
        assert_eq!(laid_out(&Source::new("t", "A(b 1)"), &mut notes), None);
        assert!(notes.errors() > 0);
    }

    proptest::proptest! {
        /// Any text that can be read keeps its meaning (`laid_out` checks that itself and would
        /// refuse), keeps each comment, and is not moved by a second pass.
        #[test]
        fn a_second_pass_changes_nothing(pieces in proptest::collection::vec(
            proptest::sample::select(vec![
                "a: 1", "b: [2, 3]", "c: C(d: \"e, // f\")", "[X(), Y(z: 1)]", "{\"k\": 1}", "W",
                "r#\"x\"y\"#", "-1.5e3", "\n\n", "// note\n", "/* in */", "\n// own\n",
            ]), 0..24)
        ) {
            let mut text = String::from("R(");
            let mut comments = 0;
            for piece in &pieces {
                text.push_str(piece);
                let comment = piece.trim().starts_with('/');
                comments += usize::from(comment);
                text.push_str(if comment || piece.trim().is_empty() { " " } else { ", " });
            }
            text.push(')');
            let once = lay(&text);
            proptest::prop_assert_eq!(lay(&once), once.clone());
            let kept = once.matches("// note").count()
                + once.matches("/* in */").count()
                + once.matches("// own").count();
            proptest::prop_assert_eq!(kept, comments);
        }
    }
}
