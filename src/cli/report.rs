//! Mistakes as text for a person and as JSON for a script.
//!
//! The only place where [`Diagnostics`] become what is printed. A person sees the line with the
//! place marked, drawn by `miette`; colours only on a terminal.

use std::fmt;
use std::sync::Arc;

use miette::{
    GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteError, NamedSource, SourceCode,
    SourceSpan, SpanContents,
};
use serde::Serialize;

use super::{is_command, printable};
use crate::recipe::{Diagnostic, Diagnostics, Severity, Source};

/// Lines longer than this are not quoted: a hostile file may hold a megabyte in one.
const LONGEST_LINE: usize = 400;

/// How a report is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// For a terminal.
    Coloured,
    /// For a file or a pipe.
    Plain,
}

/// All mistakes as text, with a last line that counts them. Empty when there are none.
pub fn text(notes: &Diagnostics, style: Style) -> String {
    if notes.is_empty() {
        return String::new();
    }
    let theme = match style {
        Style::Coloured => GraphicalTheme::unicode(),
        Style::Plain => GraphicalTheme::unicode_nocolor(),
    };
    let handler = GraphicalReportHandler::new_themed(theme)
        .with_links(false)
        .with_width(100);
    let mut text = String::new();
    for diagnostic in notes.sorted() {
        let shown = Shown::new(harmless(diagnostic));
        // Writing into a string does not fail; should drawing fail, the plain line still tells all.
        if handler.render_report(&mut text, &shown).is_err() {
            text.push_str(&diagnostic.to_string());
        }
        text.push('\n');
    }
    let errors = notes.errors();
    let warnings = notes.warnings();
    let count = |number: usize, word: &str| match number {
        1 => format!("1 {word}"),
        _ => format!("{number} {word}s"),
    };
    let mut parts = Vec::new();
    if errors > 0 {
        parts.push(count(errors, "error"));
    }
    if warnings > 0 {
        parts.push(count(warnings, "warning"));
    }
    text.push_str(&parts.join(", "));
    if notes.left_out > 0 {
        text.push_str(&format!("; {} of them not shown", notes.left_out));
    }
    text.push('\n');
    text
}

/// Without the commands to a terminal that a file may hold; all places stay.
fn harmless(diagnostic: &Diagnostic) -> Diagnostic {
    let text = |text: &str| printable(text).into_owned();
    let mut shown = diagnostic.clone();
    shown.message = text(&shown.message);
    shown.label = text(&shown.label);
    shown.help = shown.help.as_deref().map(text);
    let source = &diagnostic.file;
    if source.name.contains(is_command) || source.text.contains(is_command) {
        let masked = source
            .text
            .chars()
            .flat_map(|c| match is_command(c) && c != '\r' {
                true => std::iter::repeat_n('?', c.len_utf8()),
                false => std::iter::repeat_n(c, 1),
            });
        shown.file = Source::new(text(&source.name), masked.collect::<String>());
    }
    shown
}

/// All mistakes as a JSON array: file, line, column (from 1), their ends, severity, message, label
/// and help.
pub fn json(notes: &Diagnostics) -> String {
    let items: Vec<Item> = notes.sorted().into_iter().map(Item::new).collect();
    serde_json::to_string_pretty(&items).expect("plain text and numbers can be written")
}

/// One mistake for a script.
#[derive(Serialize)]
struct Item<'d> {
    file: &'d str,
    line: Option<usize>,
    column: Option<usize>,
    end_line: Option<usize>,
    end_column: Option<usize>,
    severity: &'static str,
    message: &'d str,
    label: &'d str,
    help: Option<&'d str>,
}

impl<'d> Item<'d> {
    fn new(one: &'d Diagnostic) -> Self {
        let at = one
            .span
            .as_ref()
            .map(|span| one.file.line_and_column(span.start));
        let end = one
            .span
            .as_ref()
            .map(|span| one.file.line_and_column(span.end));
        Self {
            file: &one.file.name,
            line: at.map(|(line, _)| line),
            column: at.map(|(_, column)| column),
            end_line: end.map(|(line, _)| line),
            end_column: end.map(|(_, column)| column),
            severity: match one.severity {
                Severity::Error => "error",
                Severity::Warning => "warning",
            },
            message: &one.message,
            label: &one.label,
            help: one.help.as_deref(),
        }
    }
}

/// A mistake as `miette` wants it.
struct Shown {
    diagnostic: Diagnostic,
    source: NamedSource<Text>,
    quoted: bool,
}

/// A file's text, shared rather than copied for each mistake.
#[derive(Debug)]
struct Text(Arc<Source>);

impl SourceCode for Text {
    fn read_span<'a>(
        &'a self,
        span: &SourceSpan,
        before: usize,
        after: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        self.0.text.read_span(span, before, after)
    }
}

impl Shown {
    fn new(diagnostic: Diagnostic) -> Self {
        let file = &diagnostic.file;
        let quoted = diagnostic.span.as_ref().is_some_and(|span| {
            // One line of context is shown above and below.
            let bytes = file.text.as_bytes();
            let line = |b: &&u8| **b != b'\n';
            let before = bytes[..span.start].iter().rev();
            let after = bytes[span.end..].iter();
            let length = before.clone().take_while(line).count()
                + span.len()
                + after.clone().take_while(line).count();
            let above = before.skip_while(line).skip(1).take_while(line).count();
            let below = after.skip_while(line).skip(1).take_while(line).count();
            length.max(above).max(below) <= LONGEST_LINE
        });
        let source = NamedSource::new(&file.name, Text(Arc::clone(file)));
        Self {
            diagnostic,
            source,
            quoted,
        }
    }
}

impl fmt::Debug for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.diagnostic.fmt(f)
    }
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Diagnostic {
            file,
            span,
            message,
            ..
        } = &self.diagnostic;
        match span {
            _ if self.quoted => f.write_str(message),
            Some(span) => {
                let (line, column) = file.line_and_column(span.start);
                write!(f, "{}:{line}:{column}: {message}", file.name)
            }
            None => write!(f, "{}: {message}", file.name),
        }
    }
}

impl std::error::Error for Shown {}

impl miette::Diagnostic for Shown {
    fn severity(&self) -> Option<miette::Severity> {
        Some(match self.diagnostic.severity {
            Severity::Error => miette::Severity::Error,
            Severity::Warning => miette::Severity::Warning,
        })
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.diagnostic
            .help
            .as_ref()
            .map(|help| Box::new(help) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.quoted.then_some(&self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let span = self.diagnostic.span.clone().filter(|_| self.quoted)?;
        let label = Some(&self.diagnostic.label)
            .filter(|label| !label.is_empty())
            .cloned();
        Some(Box::new(std::iter::once(LabeledSpan::new(
            label,
            span.start,
            span.len(),
        ))))
    }
}
