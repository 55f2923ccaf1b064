//! A mistake in a file as a person reads it.

use std::fmt;
use std::io::IsTerminal as _;
use std::ops::Range;
use std::sync::Arc;

use miette::{GraphicalReportHandler, GraphicalTheme, LabeledSpan, SourceCode};
use serde::Serialize;

use super::source::{Source, Span};

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// It can be used, but probably not as meant.
    Warning,
    /// It can't be used.
    Error,
}

/// One mistake, with its place and what to do about it.
#[derive(Clone, Serialize)]
pub struct Diagnostic {
    /// How bad it is.
    pub severity: Severity,
    /// What is wrong: one line.
    pub message: String,
    /// Where.
    #[serde(flatten)]
    pub place: Place,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub help: Option<String>,
    /// Other places that have to do with it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub related: Vec<Related>,
}

/// Another place that has to do with a mistake.
#[derive(Clone, Serialize)]
pub struct Related {
    /// What stands there.
    pub label: String,
    /// Where.
    #[serde(flatten)]
    pub place: Place,
}

/// A place in a file. Line and column count from 1, the column in characters.
#[derive(Clone, Default, Serialize)]
pub struct Place {
    /// Name of the file.
    pub file: String,
    /// Line.
    pub line: usize,
    /// Column.
    pub column: usize,
    /// The text there, its first line; secrets masked.
    pub text: String,
    #[serde(skip)]
    source: Option<Arc<Source>>,
    #[serde(skip)]
    range: Range<usize>,
    #[serde(skip)]
    number: u32,
}

impl Diagnostic {
    pub(super) fn new(severity: Severity, message: impl Into<String>, place: Place) -> Diagnostic {
        Diagnostic {
            severity,
            message: message.into(),
            place,
            help: None,
            related: Vec::new(),
        }
    }

    /// A file that can't be read at all.
    #[must_use]
    pub fn unreadable(file: &str, error: &std::io::Error) -> Diagnostic {
        let place = Place {
            file: file.to_owned(),
            ..Place::default()
        };
        Diagnostic::new(Severity::Error, format!("can't be read: {error}"), place)
            .help("check the path and the permission to read it")
    }

    /// Adds what to do.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Diagnostic {
        self.help = Some(help.into());
        self
    }

    /// Adds another place.
    #[must_use]
    pub fn related(mut self, label: impl Into<String>, place: Place) -> Diagnostic {
        self.related.push(Related {
            label: label.into(),
            place,
        });
        self
    }

    /// True for an error.
    #[must_use]
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

impl Place {
    pub(super) fn new(source: &Arc<Source>, span: Span) -> Place {
        let text = source.inner();
        let end = (span.end as usize).min(text.len());
        let start = (span.start as usize).min(end);
        let before = text.get(..start).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        Place {
            file: source.name().to_owned(),
            line: before.matches('\n').count() + 1,
            column: before.get(line_start..).unwrap_or_default().chars().count() + 1,
            text: first_line(text.get(start..end).unwrap_or_default()),
            source: Some(Arc::clone(source)),
            range: start..end,
            number: span.source,
        }
    }

    /// Files in the order in which they were read, then places from top to bottom.
    #[must_use]
    pub fn order(&self) -> (u32, usize, usize) {
        (self.number, self.line, self.column)
    }
}

fn first_line(text: &str) -> String {
    const LONGEST: usize = 80;
    let line = text.lines().next().unwrap_or_default().trim_end();
    match line.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", line.get(..at).unwrap_or_default()),
        None => line.to_owned(),
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => f.write_str(&self.file),
            line => write!(f, "{}:{line}:{}", self.file, self.column),
        }
    }
}

impl fmt::Debug for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// One line, as a log wants it.
impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Warning => "warning",
            Severity::Error => "error",
        };
        write!(f, "{}: {word}: {}", self.place, self.message)?;
        if let Some(help) = &self.help {
            write!(f, " ({help})")?;
        }
        for related in &self.related {
            write!(f, "; {}: {}", related.label, related.place)?;
        }
        Ok(())
    }
}

impl fmt::Debug for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl std::error::Error for Diagnostic {}

/// Diagnostics with the lines they point at; `terminal` adds colour and line drawing.
#[must_use]
pub fn render(diagnostics: &[Diagnostic], terminal: bool) -> String {
    let handler = if terminal {
        GraphicalReportHandler::new()
    } else {
        GraphicalReportHandler::new_themed(GraphicalTheme::none()).with_width(100)
    };
    let handler = handler.with_context_lines(1);
    let mut text = String::new();
    for diagnostic in diagnostics {
        // Writing to a String cannot fail.
        let _ = handler.render_report(&mut text, &Drawn::from(diagnostic));
    }
    text
}

/// Whether standard error is a terminal, for [`render`].
#[must_use]
pub fn on_terminal() -> bool {
    std::io::stderr().is_terminal()
}

/// A diagnostic in the form that `miette` draws: labels in one file, other files beneath.
#[derive(Debug)]
struct Drawn {
    severity: miette::Severity,
    message: String,
    help: Option<String>,
    source: Option<Arc<Source>>,
    labels: Vec<LabeledSpan>,
    elsewhere: Vec<Drawn>,
}

impl From<&Diagnostic> for Drawn {
    fn from(diagnostic: &Diagnostic) -> Drawn {
        let place = &diagnostic.place;
        let (here, elsewhere): (Vec<&Related>, Vec<&Related>) = diagnostic
            .related
            .iter()
            .partition(|related| related.place.file == place.file);
        let mut labels = vec![label("here", place, true)];
        labels.extend(
            here.iter()
                .map(|related| label(&related.label, &related.place, false)),
        );
        Drawn {
            severity: match diagnostic.severity {
                Severity::Warning => miette::Severity::Warning,
                Severity::Error => miette::Severity::Error,
            },
            message: match place.line {
                0 => format!("{place}: {}", diagnostic.message),
                _ => diagnostic.message.clone(),
            },
            help: diagnostic.help.clone(),
            source: place.source.clone(),
            labels,
            elsewhere: elsewhere
                .into_iter()
                .map(|related| Drawn {
                    severity: miette::Severity::Advice,
                    message: related.label.clone(),
                    help: None,
                    source: related.place.source.clone(),
                    labels: vec![label("here", &related.place, true)],
                    elsewhere: Vec::new(),
                })
                .collect(),
        }
    }
}

fn label(text: &str, place: &Place, primary: bool) -> LabeledSpan {
    let span = (place.range.start, place.range.len());
    if primary {
        LabeledSpan::new_primary_with_span(Some(text.to_owned()), span)
    } else {
        LabeledSpan::new_with_span(Some(text.to_owned()), span)
    }
}

impl fmt::Display for Drawn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Drawn {}

impl miette::Diagnostic for Drawn {
    fn severity(&self) -> Option<miette::Severity> {
        Some(self.severity)
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        let help = self.help.as_ref()?;
        Some(Box::new(help))
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        let source = self.source.as_deref()?;
        Some(source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        self.source.as_ref()?;
        Some(Box::new(self.labels.iter().cloned()))
    }

    fn related<'a>(&'a self) -> Option<Box<dyn Iterator<Item = &'a dyn miette::Diagnostic> + 'a>> {
        if self.elsewhere.is_empty() {
            return None;
        }
        Some(Box::new(
            self.elsewhere
                .iter()
                .map(|drawn| drawn as &dyn miette::Diagnostic),
        ))
    }
}
