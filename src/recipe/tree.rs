//! Text to a small tree with places: the syntax of RON, nothing of its meaning.
//!
//! The `ron` crate stops at the first mistake; a person who mends a recipe wants all of them.
//! So the syntax is read here, with the place of every name and value, and goes on after a
//! mistake at the next comma or bracket; only brackets that do not match end the reading. What a
//! setting's value means is left to its type and to `ron`, which reads the same piece of text.
//!
//! Read: `Name(field: value)`, `(field: value)`, `Name(value, …)`, `[…]`, `{key: value}`, words,
//! numbers, text in double quotes (also `r#"…"#`), `//` and nested `/* */` comments. Source: the
//! grammar in the `ron` crate's `docs/grammar.md`; its `#![enable(…)]` line, byte strings and
//! characters are refused.
//!
//! Hostile input: at most [`LONGEST`] bytes, [`DEEPEST`] brackets deep, [`MOST`] values,
//! [`MOST_FIELDS`] settings between two brackets.

use std::sync::Arc;

use super::diagnostic::{Diagnostics, Source, Span};

/// Longest text, bytes. A recipe of every operation is about 4 kB; common practice, no source.
pub const LONGEST: usize = 1 << 20;
/// Deepest nesting. The deepest recipe of ours has 6.
pub const DEEPEST: usize = 32;
/// Most values. A roster's worth of touched-up spots is far below.
pub const MOST: usize = 100_000;
/// Most settings between two brackets, as each is looked for among those before it. The largest
/// group of ours has 20.
pub const MOST_FIELDS: usize = 1000;

/// A value with its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Node<'t> {
    /// From its first to its last byte.
    pub span: Span,
    /// What it is.
    pub value: Value<'t>,
}

/// What a value is.
#[derive(Debug, Clone, PartialEq)]
pub enum Value<'t> {
    /// `Name(…)` or `(…)`, with named fields, with plain items, or empty.
    Group(Group<'t>),
    /// `[…]`.
    List(Vec<Node<'t>>),
    /// `{key: value}`.
    Map(Vec<(Node<'t>, Node<'t>)>),
    /// A name alone: `Crop`, `true`, `SetReference`.
    Word(&'t str),
    /// A number as written, with whatever unit was stuck to it.
    Number(&'t str),
    /// Text, its escapes resolved.
    Text(String),
}

/// `Name(field: value, …)` and its like.
#[derive(Debug, Clone, PartialEq)]
pub struct Group<'t> {
    /// The name before the bracket.
    pub name: Option<&'t str>,
    /// Bytes of the name, or of the opening bracket.
    pub head: Span,
    /// Named fields in order.
    pub fields: Vec<Field<'t>>,
    /// Items without a name, in order.
    pub items: Vec<Node<'t>>,
}

/// `name: value`.
#[derive(Debug, Clone, PartialEq)]
pub struct Field<'t> {
    /// Before the colon.
    pub name: &'t str,
    /// Bytes of the name.
    pub span: Span,
    /// After the colon.
    pub value: Node<'t>,
}

impl Node<'_> {
    /// What was found, for a sentence: "the list `[1, 2]`".
    pub fn found(&self, text: &str) -> String {
        let written = short(&text[self.span.clone()]);
        match &self.value {
            Value::Group(Group {
                name: Some(name), ..
            }) => format!("`{name}(…)`"),
            Value::Group(_) => format!("the group `{written}`"),
            Value::List(_) => format!("the list `{written}`"),
            Value::Map(_) => format!("the map `{written}`"),
            Value::Word(_) => format!("the word `{written}`"),
            Value::Number(_) => format!("the number `{written}`"),
            Value::Text(_) => format!("the text `{written}`"),
        }
    }
}

/// One line of at most 40 characters.
pub(super) fn short(text: &str) -> String {
    let line: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(40) {
        Some((at, _)) => format!("{}…", &line[..at]),
        None => line,
    }
}

/// Reads a whole text. `None` when it is too large or its brackets do not match; mistakes that
/// could be skipped are noted and leave their value out.
pub fn parse<'t>(source: &'t Arc<Source>, notes: &mut Diagnostics) -> Option<Node<'t>> {
    let text = source.text.as_str();
    if text.len() > LONGEST {
        notes
            .error(
                source,
                None,
                format!("the file is {} bytes long", text.len()),
            )
            .help(format!("at most {LONGEST} bytes are read"));
        return None;
    }
    let mut parser = Parser {
        source,
        text,
        at: 0,
        depth: 0,
        values: 0,
        broken: false,
        notes,
    };
    parser.space();
    if parser.peek().is_none() {
        parser.notes.error(source, None, "the file is empty");
        return None;
    }
    let node = parser.value();
    parser.space();
    if node.is_some() && !parser.broken && parser.at < text.len() {
        let span = parser.here();
        let found = short(&text[parser.at..]);
        notes.error(
            source,
            span,
            format!("expected the end of the file, found `{found}`"),
        );
        return None;
    }
    if parser.broken { None } else { node }
}

struct Parser<'t, 'n> {
    source: &'t Arc<Source>,
    text: &'t str,
    at: usize,
    depth: usize,
    values: usize,
    /// Nothing after this place can be trusted.
    broken: bool,
    notes: &'n mut Diagnostics,
}

impl<'t> Parser<'t, '_> {
    fn rest(&self) -> &'t str {
        &self.text[self.at..]
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn eat(&mut self, wanted: char) -> bool {
        let found = self.peek() == Some(wanted);
        if found {
            self.at += wanted.len_utf8();
        }
        found
    }

    fn eat_while(&mut self, wanted: impl Fn(char) -> bool) -> &'t str {
        let rest = self.rest();
        let length = rest.find(|c| !wanted(c)).unwrap_or(rest.len());
        self.at += length;
        &rest[..length]
    }

    /// Bytes of the character that comes next.
    fn here(&self) -> Span {
        self.at..self.at + self.peek().map_or(0, char::len_utf8)
    }

    fn error(&mut self, span: Span, message: impl Into<String>) -> &mut super::Diagnostic {
        self.notes.error(self.source, span, message)
    }

    /// An error after which nothing can be read.
    fn stop(&mut self, span: Span, message: impl Into<String>) -> &mut super::Diagnostic {
        self.broken = true;
        self.notes.error(self.source, span, message)
    }

    /// Passes white space and comments.
    fn space(&mut self) {
        loop {
            self.eat_while(|c| c.is_whitespace() || c == '\u{feff}');
            if self.rest().starts_with("//") {
                self.eat_while(|c| c != '\n');
            } else if self.rest().starts_with("/*") {
                self.comment();
            } else {
                return;
            }
        }
    }

    fn comment(&mut self) {
        let start = self.at;
        let mut open = 0usize;
        loop {
            if self.rest().starts_with("/*") {
                open += 1;
                self.at += 2;
            } else if self.rest().starts_with("*/") {
                open -= 1;
                self.at += 2;
                if open == 0 {
                    return;
                }
            } else if let Some(c) = self.peek() {
                self.at += c.len_utf8();
            } else {
                self.stop(start..start + 2, "this comment is never closed")
                    .help("add `*/`");
                return;
            }
        }
    }

    fn value(&mut self) -> Option<Node<'t>> {
        self.values += 1;
        if self.values > MOST {
            if !self.broken {
                self.stop(self.here(), format!("more than {MOST} values"));
            }
            return None;
        }
        let start = self.at;
        let value = match self.peek() {
            Some('(') => Value::Group(self.group(None, start..start + 1)?),
            Some('[') => Value::List(self.list()?),
            Some('{') => Value::Map(self.map()?),
            Some('"') => Value::Text(self.quoted()?),
            Some('r') if self.rest().starts_with("r\"") || self.rest().starts_with("r#") => {
                Value::Text(self.raw_text()?)
            }
            Some(c) if c.is_ascii_digit() || matches!(c, '+' | '-' | '.') => {
                Value::Number(self.number())
            }
            Some(c) if is_name_start(c) => {
                let name = self.eat_while(is_name);
                let head = start..self.at;
                let after_name = self.at;
                self.space();
                if self.peek() == Some('(') {
                    Value::Group(self.group(Some(name), head)?)
                } else {
                    self.at = after_name;
                    let comment = ["//", "/*"]
                        .iter()
                        .any(|sign| self.rest().starts_with(sign));
                    if !comment && self.rest().starts_with(['.', '/', '\\', '-']) {
                        self.without_quotes(start);
                        return None;
                    }
                    Value::Word(name)
                }
            }
            Some(found) => {
                let span = self.here();
                let note = self.error(span, format!("expected a value, found `{found}`"));
                match found {
                    '\'' => note.help("text stands between double quotes: \"…\""),
                    '#' => note.help("colours stand between double quotes: \"#f4f4f4\""),
                    _ => note,
                };
                return None;
            }
            None => {
                self.stop(self.here(), "the file ends where a value was expected");
                return None;
            }
        };
        Some(Node {
            span: start..self.at,
            value,
        })
    }

    /// A path or name that somebody wrote as a word.
    fn without_quotes(&mut self, start: usize) {
        self.eat_while(|c| !c.is_whitespace() && !",()[]{}\"".contains(c));
        let span = start..self.at;
        let found = short(&self.text[span.clone()]);
        self.error(span, format!("expected a value, found `{found}`"))
            .label("text stands between double quotes")
            .help(format!("write \"{found}\""));
    }

    /// A number with all that sticks to it, so that `12px`, `5500 K` and `40 %` are told as one
    /// value with a unit too many.
    fn number(&mut self) -> &'t str {
        let start = self.at;
        let mut before = ' ';
        while let Some(c) = self.peek() {
            let exponent = matches!(before, 'e' | 'E') && matches!(c, '+' | '-');
            let first = self.at == start;
            if c.is_alphanumeric() || matches!(c, '.' | '_' | '%' | '°') || exponent || first {
                before = c;
                self.at += c.len_utf8();
            } else {
                break;
            }
        }
        let end = self.at;
        self.eat_while(|c| c == ' ');
        let unit = self.eat_while(|c| c.is_alphabetic() || matches!(c, '%' | '°'));
        if unit.is_empty() || matches!(self.peek(), Some(':' | '(')) {
            self.at = end;
        }
        &self.text[start..self.at]
    }

    fn quoted(&mut self) -> Option<String> {
        let start = self.at;
        self.at += 1;
        let mut text = String::new();
        loop {
            text.push_str(self.eat_while(|c| c != '"' && c != '\\'));
            let escape = self.at;
            if self.eat('"') {
                return Some(text);
            }
            if !self.eat('\\') {
                self.stop(start..start + 1, "this text is never closed")
                    .help("add `\"`");
                return None;
            }
            let letter = self.peek();
            self.at += letter.map_or(0, char::len_utf8);
            let resolved = match letter {
                Some('n') => Some('\n'),
                Some('r') => Some('\r'),
                Some('t') => Some('\t'),
                Some('0') => Some('\0'),
                Some(plain @ ('"' | '\\' | '\'')) => Some(plain),
                Some('x') => self.code_point(2),
                Some('u') if self.eat('{') => {
                    let digits = self.eat_while(|c| c.is_ascii_hexdigit());
                    let closed = self.eat('}');
                    u32::from_str_radix(digits, 16)
                        .ok()
                        .and_then(char::from_u32)
                        .filter(|_| closed)
                }
                _ => None,
            };
            match resolved {
                Some(c) => text.push(c),
                None => {
                    let span = escape..self.at;
                    let found = short(&self.text[span.clone()]);
                    self.error(span, format!("`{found}` is no escape in a text"))
                        .help("a backslash itself is written `\\\\`");
                }
            }
        }
    }

    fn code_point(&mut self, digits: usize) -> Option<char> {
        let hex = self.rest().get(..digits)?;
        let code = u32::from_str_radix(hex, 16).ok()?;
        self.at += digits;
        char::from_u32(code)
    }

    fn raw_text(&mut self) -> Option<String> {
        let start = self.at;
        self.at += 1;
        let hashes = self.eat_while(|c| c == '#');
        if !self.eat('"') {
            self.error(start..self.at, "expected `\"` after `r#`");
            return None;
        }
        let end = format!("\"{hashes}");
        let Some(length) = self.rest().find(&end) else {
            self.stop(start..self.at, "this text is never closed")
                .help(format!("add `{end}`"));
            return None;
        };
        let text = self.rest()[..length].to_owned();
        self.at += length + end.len();
        Some(text)
    }

    fn group(&mut self, name: Option<&'t str>, head: Span) -> Option<Group<'t>> {
        let (mut fields, mut items) = (Vec::new(), Vec::new());
        self.sequence(')', |parser| {
            let start = parser.at;
            if parser.peek().is_some_and(is_name_start) {
                let name = parser.eat_while(is_name);
                let span = start..parser.at;
                parser.space();
                let after = parser.here();
                if parser.eat('=') {
                    parser
                        .error(after, format!("expected `:` after `{name}`, found `=`"))
                        .help(format!("a setting is written `{name}: value`"));
                } else if !parser.eat(':') {
                    parser.at = start;
                    items.extend(parser.value());
                    return;
                }
                if fields.len() == MOST_FIELDS {
                    let message = format!("more than {MOST_FIELDS} settings between two brackets");
                    parser.stop(span, message);
                    return;
                }
                parser.space();
                if let Some(value) = parser.value() {
                    fields.push(Field { name, span, value });
                }
            } else {
                items.extend(parser.value());
            }
        })?;
        Some(Group {
            name,
            head,
            fields,
            items,
        })
    }

    fn list(&mut self) -> Option<Vec<Node<'t>>> {
        let mut items = Vec::new();
        self.sequence(']', |parser| items.extend(parser.value()))?;
        Some(items)
    }

    fn map(&mut self) -> Option<Vec<(Node<'t>, Node<'t>)>> {
        let mut pairs = Vec::new();
        self.sequence('}', |parser| {
            let Some(key) = parser.value() else { return };
            parser.space();
            if parser.eat(':') {
                parser.space();
                if let Some(value) = parser.value() {
                    pairs.push((key, value));
                }
            } else {
                let here = parser.here();
                parser.error(here, "expected `:` between a key and its value");
            }
        })?;
        Some(pairs)
    }

    /// Reads what stands between brackets, separated by commas, up to `close`.
    fn sequence(&mut self, close: char, mut element: impl FnMut(&mut Self)) -> Option<()> {
        let open = self.here();
        if self.depth == DEEPEST {
            self.stop(open, format!("brackets are nested deeper than {DEEPEST}"));
            return None;
        }
        self.depth += 1;
        self.at += 1;
        loop {
            self.space();
            if self.broken {
                return None;
            }
            if self.eat(close) {
                self.depth -= 1;
                return Some(());
            }
            let noted = self.notes.errors();
            match self.peek() {
                None => {
                    let opened = &self.text[open.clone()];
                    self.stop(open, format!("this `{opened}` is never closed"))
                        .help(format!("add `{close}`"));
                    return None;
                }
                Some(found @ (')' | ']' | '}')) => {
                    self.wrong_bracket(open, close, found);
                    return None;
                }
                Some(',') => {
                    let here = self.here();
                    self.error(here, "a comma with nothing before it");
                    self.at += 1;
                    continue;
                }
                Some(_) => element(self),
            }
            let end = self.at;
            self.space();
            if self.broken {
                return None;
            }
            if self.eat(',') {
                continue;
            }
            match self.peek() {
                Some(')' | ']' | '}') | None => {}
                // The element was not understood, and said so: go on after the next comma.
                Some(_) if self.notes.errors() > noted && !self.at_name() => self.skip(),
                Some(found) => {
                    let here = self.here();
                    if self.notes.errors() == noted {
                        let note = self.error(
                            if found == ':' { here } else { end..end },
                            format!("expected `,` or `{close}`, found `{found}`"),
                        );
                        if found == ':' {
                            note.help("the name of a setting stands without quotes");
                        }
                    }
                    if !self.at_name() {
                        self.skip();
                    }
                }
            }
        }
    }

    /// Whether a new element may begin here, a comma having been forgotten.
    fn at_name(&self) -> bool {
        self.peek().is_some_and(is_name_start)
    }

    fn wrong_bracket(&mut self, open: Span, close: char, found: char) {
        let line = self.source.line(open.start);
        let opened = &self.text[open];
        let here = self.here();
        self.stop(here, format!("expected `{close}`, found `{found}`"))
            .help(format!("`{opened}` was opened in line {line}"));
    }

    /// Passes everything up to the next comma or closing bracket at this depth.
    fn skip(&mut self) {
        let mut open = 0usize;
        loop {
            self.space();
            match self.peek() {
                None => return,
                Some('"') => {
                    if self.quoted().is_none() {
                        return;
                    }
                    continue;
                }
                Some('(' | '[' | '{') => open += 1,
                Some(')' | ']' | '}') if open == 0 => return,
                Some(')' | ']' | '}') => open -= 1,
                Some(',') if open == 0 => {
                    self.at += 1;
                    return;
                }
                Some(_) => {}
            }
            self.at += self.here().len();
        }
    }
}

fn is_name_start(c: char) -> bool {
    c.is_alphabetic() || c == '_'
}

fn is_name(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (String, String) {
        let source = Source::new("t", text);
        let mut notes = Diagnostics::default();
        let tree = parse(&source, &mut notes);
        (
            tree.map(|node| outline(&node)).unwrap_or_default(),
            notes.to_string(),
        )
    }

    fn outline(node: &Node) -> String {
        let list = |items: &[Node]| items.iter().map(outline).collect::<Vec<_>>().join(" ");
        match &node.value {
            Value::Group(group) => {
                let fields: Vec<_> = group
                    .fields
                    .iter()
                    .map(|field| format!("{}={}", field.name, outline(&field.value)))
                    .chain(group.items.iter().map(outline))
                    .collect();
                format!("{}({})", group.name.unwrap_or(""), fields.join(" "))
            }
            Value::List(items) => format!("[{}]", list(items)),
            Value::Map(pairs) => {
                let pairs: Vec<_> = pairs
                    .iter()
                    .map(|(k, v)| format!("{}={}", outline(k), outline(v)))
                    .collect();
                format!("{{{}}}", pairs.join(" "))
            }
            Value::Word(word) => (*word).to_owned(),
            Value::Number(number) => (*number).to_owned(),
            Value::Text(text) => format!("{text:?}"),
        }
    }

    #[test]
    fn everything_a_recipe_is_made_of_is_read() {
        let text = r##"// first
            Recipe( /* a /* nested */ one */
                name: "a \"b\" \u{e9}\x41", raw: r#"c"d"#,
                steps: [Crop, Heal(spots: [(1.5, -2e-3)]), Some(0.5),],
                map: {"k": 1, "l": true},
            )"##;
        let expected = r#"Recipe(name="a \"b\" éA" raw="c\"d" steps=[Crop Heal(spots=[(1.5 -2e-3)]) Some(0.5)] map={"k"=1 "l"=true})"#;
        assert_eq!(read(text), (expected.to_owned(), String::new()));
    }

    #[test]
    fn reading_goes_on_after_a_mistake() {
        let (tree, notes) = read("A(b: 1 c: 2, 'x', d = 3, \"e\": 4, f: ;, g: 5)");
        assert_eq!(tree, "A(b=1 c=2 d=3 g=5 \"e\")");
        insta::assert_snapshot!(notes, @r#"
        t:1:7: error: expected `,` or `)`, found `c`
        t:1:14: error: expected a value, found `'` (text stands between double quotes: "…")
        t:1:21: error: expected `:` after `d`, found `=` (a setting is written `d: value`)
        t:1:29: error: expected `,` or `)`, found `:` (the name of a setting stands without quotes)
        t:1:37: error: expected a value, found `;`
        "#);
    }

    #[test]
    fn a_unit_stays_with_its_number() {
        assert_eq!(
            read("(a: 12px, b: 5500 K, c: 40 %)").0,
            "(a=12px b=5500 K c=40 %)"
        );
        assert_eq!(read("(1 a: 2)").0, "(a=2 1)");
    }

    #[test]
    fn brackets_that_do_not_match_end_the_reading() {
        for (text, expected) in [
            (
                "A(b: [1, 2)",
                "t:1:11: error: expected `]`, found `)` (`[` was opened in line 1)",
            ),
            ("A(b: 1", "t:1:2: error: this `(` is never closed (add `)`)"),
            (
                "A(b: \"x)",
                "t:1:6: error: this text is never closed (add `\"`)",
            ),
            (
                "A() )",
                "t:1:5: error: expected the end of the file, found `)`",
            ),
            (
                "A(/* b",
                "t:1:3: error: this comment is never closed (add `*/`)",
            ),
            ("", "t: error: the file is empty"),
        ] {
            assert_eq!(read(text), (String::new(), expected.to_owned()), "{text}");
        }
    }

    #[test]
    fn hostile_text_meets_a_limit() {
        let (tree, notes) = read(&"(".repeat(500_000));
        assert_eq!(tree, "");
        assert!(notes.contains("nested deeper than 32"), "{notes}");
        let (tree, notes) = read(&format!("[{}]", "1,".repeat(MOST + 1)));
        assert_eq!(tree, "");
        assert!(notes.contains("more than 100000 values"), "{notes}");
        let (tree, notes) = read(&" ".repeat(LONGEST + 1));
        assert_eq!(tree, "");
        assert!(notes.contains("1048577 bytes long"), "{notes}");
        let settings: String = (0..2 * MOST_FIELDS).map(|n| format!("a{n}: 1, ")).collect();
        let (tree, notes) = read(&format!("A({settings})"));
        assert_eq!(tree, "");
        assert!(notes.contains("more than 1000 settings"), "{notes}");
        let commas = read(&format!("[{}]", ",".repeat(200_000)));
        assert!(commas.1.contains("… and 199899 more"), "{}", commas.1);
    }
}
