//! A mistake in a text file, with its place: what was expected, what was found, what to do.
//!
//! Readers collect every mistake in a [`Diagnostics`] and go on; only `cli` turns them into what
//! is printed. A [`Diagnostic`] carries its file's text, so that a report can quote the line
//! without opening anything.

use std::fmt;
use std::ops::Range;
use std::sync::{Arc, OnceLock};

/// Bytes of a text: start inside, end not.
pub type Span = Range<usize>;

/// More mistakes than this are counted, not kept: nobody reads them, and a hostile file has
/// no end of them. Common practice, no source.
const KEPT: usize = 100;

/// A text file as it was read.
#[derive(Debug)]
pub struct Source {
    /// As a person would name it: the path as given.
    pub name: String,
    /// The whole text.
    pub text: String,
    /// First byte of each line but the first, looked for once: a file of a million short lines may
    /// hold a mistake in each.
    lines: OnceLock<Vec<usize>>,
}

impl Source {
    /// A named text, to be shared by all that points into it.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Arc<Self> {
        Arc::new(Self {
            name: name.into(),
            text: text.into(),
            lines: OnceLock::new(),
        })
    }

    /// The line of a byte, from 1.
    pub fn line(&self, byte: usize) -> usize {
        1 + self.lines().partition_point(|&start| start <= byte)
    }

    fn lines(&self) -> &[usize] {
        self.lines.get_or_init(|| {
            let ends = self.text.bytes().enumerate().filter(|(_, b)| *b == b'\n');
            ends.map(|(at, _)| at + 1).collect()
        })
    }

    /// Line and column of a byte, both from 1; columns count characters.
    pub fn line_and_column(&self, byte: usize) -> (usize, usize) {
        let byte = byte.min(self.text.len());
        let line = self.line(byte);
        let start = match line {
            1 => 0,
            _ => self.lines()[line - 2],
        };
        let before = &self.text.as_bytes()[start..byte];
        let column = String::from_utf8_lossy(before).chars().count();
        (line, column + 1)
    }
}

/// A place in a file.
#[derive(Debug, Clone)]
pub struct Place {
    /// Where it stands.
    pub file: Arc<Source>,
    /// Which bytes.
    pub span: Span,
}

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// The file cannot be used.
    Error,
    /// The file can be used; somebody may have meant something else.
    Warning,
}

/// One mistake.
#[derive(Debug, Clone)]
pub struct Diagnostic {
    /// The file it is in.
    pub file: Arc<Source>,
    /// Where in the file; `None` when it concerns the whole file.
    pub span: Option<Span>,
    /// One sentence: what is wrong.
    pub message: String,
    /// A few words to stand at the marked place.
    pub label: String,
    /// What to do, or what would have been accepted.
    pub help: Option<String>,
    /// Error or warning.
    pub severity: Severity,
}

impl Diagnostic {
    /// Adds a few words for the marked place.
    pub fn label(&mut self, label: impl Into<String>) -> &mut Self {
        self.label = label.into();
        self
    }

    /// Adds what to do; a second piece stands on a line of its own.
    pub fn help(&mut self, help: impl Into<String>) -> &mut Self {
        let help = help.into();
        self.help = Some(match self.help.take() {
            Some(before) => format!("{before}\n{help}"),
            None => help,
        });
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", self.file.name)?;
        if let Some(span) = &self.span {
            let (line, column) = self.file.line_and_column(span.start);
            write!(f, "{line}:{column}:")?;
        }
        let severity = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        write!(f, " {severity}: {}", self.message)?;
        if let Some(help) = &self.help {
            write!(f, " ({})", help.replace('\n', "; "))?;
        }
        Ok(())
    }
}

/// All mistakes that were found, in the order of finding.
#[derive(Debug, Clone, Default)]
pub struct Diagnostics {
    /// The first hundred.
    kept: Vec<Diagnostic>,
    /// How many errors there were in all.
    errors: usize,
    /// How many warnings there were in all.
    warnings: usize,
    /// How many of both were not kept.
    pub left_out: usize,
}

impl Diagnostics {
    /// Notes an error at a place.
    pub fn error(
        &mut self,
        file: &Arc<Source>,
        span: impl Into<Option<Span>>,
        message: impl Into<String>,
    ) -> &mut Diagnostic {
        self.errors += 1;
        self.note(file, span.into(), message.into(), Severity::Error)
    }

    /// Notes a warning at a place.
    pub fn warning(
        &mut self,
        file: &Arc<Source>,
        span: impl Into<Option<Span>>,
        message: impl Into<String>,
    ) -> &mut Diagnostic {
        self.warnings += 1;
        self.note(file, span.into(), message.into(), Severity::Warning)
    }

    /// Notes what was noted elsewhere.
    pub fn repeat(&mut self, one: &Diagnostic) {
        let Diagnostic { file, message, .. } = one;
        let note = match one.severity {
            Severity::Error => self.error(file, one.span.clone(), message.as_str()),
            Severity::Warning => self.warning(file, one.span.clone(), message.as_str()),
        };
        *note = one.clone();
    }

    fn note(
        &mut self,
        file: &Arc<Source>,
        span: Option<Span>,
        message: String,
        severity: Severity,
    ) -> &mut Diagnostic {
        let file = Arc::clone(file);
        let label = String::new();
        let diagnostic = Diagnostic {
            file,
            span,
            message,
            label,
            help: None,
            severity,
        };
        if self.kept.len() > KEPT {
            // The place after the last kept one is a scratch that the next note overwrites.
            self.left_out += 1;
            self.kept[KEPT] = diagnostic;
        } else {
            self.kept.push(diagnostic);
        }
        self.kept.last_mut().expect("one was just put there")
    }

    /// How many errors were found so far: a reader compares before and after.
    pub fn errors(&self) -> usize {
        self.errors
    }

    /// How many warnings were found so far.
    pub fn warnings(&self) -> usize {
        self.warnings
    }

    /// Whether nothing at all was noted.
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// Those that were kept, file by file in the order of first mention, each file from top to
    /// bottom.
    pub fn sorted(&self) -> Vec<&Diagnostic> {
        let mut files: Vec<&str> = Vec::new();
        for one in &self.kept {
            if !files.contains(&one.file.name.as_str()) {
                files.push(&one.file.name);
            }
        }
        let file = |one: &Diagnostic| files.iter().position(|&name| name == one.file.name);
        let mut sorted: Vec<_> = self.kept.iter().collect();
        sorted.sort_by_key(|one| {
            (
                file(one),
                one.span.as_ref().map(|span| (span.start, span.end)),
            )
        });
        sorted
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, one) in self.sorted().into_iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{one}")?;
        }
        if self.left_out > 0 {
            write!(f, "\n… and {} more", self.left_out)?;
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_columns_count_from_one_and_by_character() {
        let source = Source::new("a", "é\nxy");
        assert_eq!(source.line_and_column(0), (1, 1));
        assert_eq!(source.line_and_column(2), (1, 2));
        assert_eq!(source.line_and_column(4), (2, 2));
        assert_eq!(source.line_and_column(99), (2, 3));
        let source = Source::new("a", "\n\nx\n");
        let lines = [0, 1, 2, 3, 4].map(|byte| source.line(byte));
        assert_eq!(lines, [1, 2, 3, 3, 4]);
    }

    #[test]
    fn a_flood_of_mistakes_is_counted_not_kept() {
        let source = Source::new("a", "");
        let mut notes = Diagnostics::default();
        for number in 0..5000 {
            notes
                .error(&source, 0..0, format!("mistake {number}"))
                .help("x");
        }
        assert_eq!(notes.errors(), 5000);
        assert_eq!(notes.sorted().len() + notes.left_out, 5000);
        assert!(notes.sorted().len() <= KEPT + 1);
    }
}
