//! What every part of the reading shares: the texts, the mistakes so far, the way to other files.

use std::collections::HashMap;
use std::path::{Component, Path, PathBuf};

use serde::de::DeserializeOwned;

use crate::bench::shipped::Shipped;
use crate::bench::world::World;
use crate::bench::yaml::{At, Diagnostic, Lost, Sources, Span, nearest};

/// The state of one reading.
pub(super) struct Context<'w> {
    pub(super) world: &'w dyn World,
    pub(super) sources: Sources,
    found: Vec<Diagnostic>,
    lost: Vec<Lost>,
}

impl<'w> Context<'w> {
    pub(super) fn new(world: &'w dyn World) -> Context<'w> {
        Context {
            world,
            sources: Sources::default(),
            found: Vec::new(),
            lost: Vec::new(),
        }
    }

    /// Reads a text; its mistakes are noted.
    pub(super) fn read<T: DeserializeOwned>(&mut self, name: &str, text: &str) -> Option<T> {
        let reading = self.sources.read(name, text);
        self.found.extend(reading.diagnostics);
        self.lost.push(reading.lost);
        reading.value
    }

    /// Reads the file that `named` asks for: a path, seen from the folder `base`, or one that
    /// ships. The second part is the folder of that file.
    pub(super) fn open<T: DeserializeOwned>(
        &mut self,
        named: &At<String>,
        base: &Path,
        shipped: &[Shipped],
    ) -> Option<(T, PathBuf)> {
        if !shipped.is_empty() && !is_path(named) {
            let Some(file) = shipped.iter().find(|file| file.name == named.as_str()) else {
                self.unknown_name(named, "ships", shipped.iter().map(|file| file.name));
                return None;
            };
            return self
                .read(file.path, file.text)
                .map(|value| (value, PathBuf::new()));
        }
        let path = beside(base, named);
        match self.world.read(&path) {
            Ok(text) => {
                let folder = path.parent().unwrap_or(Path::new("")).to_owned();
                self.read(&path.display().to_string(), &text)
                    .map(|value| (value, folder))
            }
            Err(error) => {
                let path = path.display();
                self.error(
                    named.span,
                    format!("`{path}` can't be read: {error}\npaths are seen from the folder of this file"),
                );
                None
            }
        }
    }

    /// Notes an error; after a line break stands what to do.
    pub(super) fn error(&mut self, span: Span, message: impl Into<String>) {
        let diagnostic = with_help(&message.into(), |message| self.sources.error(span, message));
        self.found.push(diagnostic);
    }

    /// Notes a warning; after a line break stands what to do.
    pub(super) fn warning(&mut self, span: Span, message: impl Into<String>) {
        let diagnostic = with_help(&message.into(), |message| {
            self.sources.warning(span, message)
        });
        self.found.push(diagnostic);
    }

    pub(super) fn add(&mut self, diagnostic: Diagnostic) {
        self.found.push(diagnostic);
    }

    /// Notes that nothing has this name, unless it may stand in a part that could not be read.
    pub(super) fn unknown_name<'a>(
        &mut self,
        name: &At<String>,
        verb: &str,
        known: impl Iterator<Item = &'a str>,
    ) {
        if self.lost.iter().any(|lost| lost.contains(name)) {
            return;
        }
        let known: Vec<&str> = known.collect();
        let help = suggestion(name, &known);
        self.error(
            name.span,
            format!("nothing named `{}` {verb}\n{help}", name.value),
        );
    }

    /// Whether a name may stand in a part that could not be read.
    pub(super) fn is_lost(&self, name: &str) -> bool {
        self.lost.iter().any(|lost| lost.contains(name))
    }

    /// Notes names that stand twice, and names that no command line or address could carry.
    pub(super) fn check_names<'a>(
        &mut self,
        what: &str,
        names: impl Iterator<Item = &'a At<String>>,
    ) {
        let mut first: HashMap<&str, Span> = HashMap::new();
        for name in names {
            if !is_name(name) {
                self.error(
                    name.span,
                    format!("not a name for a {what}\nuse letters, digits, `-`, `_` and `.`, up to 64 of them"),
                );
            }
            if let Some(other) = first.insert(name, name.span) {
                let diagnostic = self
                    .sources
                    .error(name.span, format!("{what} `{}` stands twice", name.value))
                    .help("give one of them another name")
                    .related("the first stands here", self.sources.place(other));
                self.found.push(diagnostic);
            }
        }
    }

    /// "file:line" of a place.
    pub(super) fn line_of(&self, span: Span) -> String {
        let place = self.sources.place(span);
        format!("{}:{}", place.file, place.line)
    }

    /// Everything that was noted, in the order of files and lines.
    pub(super) fn into_diagnostics(mut self) -> Vec<Diagnostic> {
        self.found
            .sort_by_key(|diagnostic| diagnostic.place.order());
        self.found
    }

    /// How much was noted so far.
    pub(super) fn count(&self) -> usize {
        self.found.len()
    }

    pub(super) fn has_errors(&self) -> bool {
        self.found.iter().any(Diagnostic::is_error)
    }
}

/// "did you mean", or all that there is.
pub(super) fn suggestion(name: &str, known: &[&str]) -> String {
    match nearest(name, known.iter().copied()) {
        Some(word) => format!("did you mean `{word}`?"),
        None if known.is_empty() => "there is none".to_owned(),
        None => format!("there are: {}", known.join(", ")),
    }
}

/// A path as a file names it, seen from the folder of that file.
pub(super) fn beside(base: &Path, path: &str) -> PathBuf {
    let mut plain = PathBuf::new();
    for part in base.join(path).components() {
        let up = part == Component::ParentDir
            && matches!(plain.components().next_back(), Some(Component::Normal(_)));
        if up {
            plain.pop();
        } else if part != Component::CurDir {
            plain.push(part);
        }
    }
    plain
}

fn is_path(name: &str) -> bool {
    name.contains(['/', '\\']) || name.ends_with(".yaml") || name.ends_with(".yml")
}

fn is_name(name: &str) -> bool {
    let in_name = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    (1..=64).contains(&name.len()) && name.chars().all(in_name)
}

fn with_help(message: &str, make: impl Fn(&str) -> Diagnostic) -> Diagnostic {
    match message.split_once('\n') {
        Some((message, help)) => make(message).help(help),
        None => make(message),
    }
}
