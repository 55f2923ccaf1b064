//! What serde or the parser found wrong, with the node at fault.

use std::fmt;

use serde::de::{self, Expected, Unexpected};

use super::diagnostic::Diagnostic;
use super::node::Shared;
use super::source::{Sources, Span};

/// One mistake.
#[derive(Debug)]
pub(super) struct Fault {
    /// Node that the next reading should do without.
    pub(super) node: Option<Shared>,
    /// For a key at fault, its value, which goes with it.
    pub(super) beside: Option<Shared>,
    span: Span,
    what: What,
    help: Option<String>,
    related: Option<(Span, &'static str)>,
}

#[derive(Debug)]
enum What {
    /// Said in full.
    Said(String),
    /// The key is none of those known.
    UnknownKey { known: &'static [&'static str] },
    /// The word is none of those known.
    UnknownWord { known: &'static [&'static str] },
    /// A key is missing.
    Missing(&'static str),
    /// A list or mapping has too few or too many values.
    Length(String),
}

impl Fault {
    fn new(what: What) -> Fault {
        Fault {
            node: None,
            beside: None,
            span: Span::default(),
            what,
            help: None,
            related: None,
        }
    }

    /// A mistake that is no serde type's. After a line break stands what to do.
    pub(super) fn at_span(span: Span, message: impl fmt::Display) -> Fault {
        Fault {
            span,
            ..de::Error::custom(message)
        }
    }

    pub(super) fn related(mut self, span: Span, label: &'static str) -> Fault {
        self.related = Some((span, label));
        self
    }

    /// Names the node at fault, unless a deeper one was named.
    pub(super) fn at(mut self, node: &Shared) -> Fault {
        if self.node.is_none() {
            self.span = node.span;
            self.node = Some(Shared::clone(node));
        }
        self
    }

    /// Adds the value of the key at fault.
    pub(super) fn beside(mut self, value: &Shared) -> Fault {
        self.beside = Some(Shared::clone(value));
        self
    }

    /// Whether this is only what follows from a node that was reported and hidden before.
    pub(super) fn follows_from_hidden(&self) -> bool {
        let Some(node) = &self.node else {
            return false;
        };
        match &self.what {
            What::Missing(name) => node.has_hidden_key(name),
            What::Length(_) => node.has_hidden(),
            _ => false,
        }
    }

    /// For an unknown key: the known one that was probably meant.
    pub(super) fn meant(&self) -> Option<String> {
        let text = self.node.as_ref()?.text()?;
        match &self.what {
            What::UnknownKey { known } => nearest(text, known.iter().copied()).map(str::to_owned),
            _ => None,
        }
    }

    pub(super) fn into_diagnostic(self, sources: &Sources) -> Diagnostic {
        let place = sources.place(self.span);
        let text = self.node.as_ref().and_then(|node| node.text());
        let text = text.unwrap_or(place.text.as_str());
        let (message, help) = match &self.what {
            What::Said(message) => (message.clone(), None),
            What::UnknownKey { known } => {
                (format!("unknown key `{text}`"), Some(choice(text, known)))
            }
            What::UnknownWord { known } => (
                format!("`{text}` is not a word that may stand here"),
                Some(choice(text, known)),
            ),
            What::Missing(name) => (
                format!("`{name}` is missing"),
                Some(format!("add `{name}: …` beside this")),
            ),
            What::Length(message) => (message.clone(), None),
        };
        let mut found = sources.error(self.span, message);
        found.help = self.help.or(help);
        if let Some((span, label)) = self.related {
            found = found.related(label, sources.place(span));
        }
        found
    }
}

/// "did you mean …", or all that may stand.
fn choice(text: &str, known: &'static [&'static str]) -> String {
    match nearest(text, known.iter().copied()) {
        Some(word) => format!("did you mean `{word}`?"),
        None if known.is_empty() => "nothing may stand here".to_owned(),
        None => format!("one of: {}", known.join(", ")),
    }
}

/// The known word that a person who wrote `text` probably meant.
#[must_use]
pub fn nearest<'a>(text: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let plain = |word: &str| word.to_lowercase().replace(['_', ' '], "-");
    let text = plain(text);
    known
        .into_iter()
        .map(|word| (strsim::damerau_levenshtein(&text, &plain(word)), word))
        .filter(|(distance, word)| *distance <= (word.len().max(text.len()) / 3).max(1))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.what)
    }
}

impl std::error::Error for Fault {}

impl de::Error for Fault {
    fn custom<T: fmt::Display>(message: T) -> Fault {
        let message = message.to_string();
        match message.split_once('\n') {
            Some((message, help)) => Fault {
                help: Some(help.to_owned()),
                ..Fault::new(What::Said(message.to_owned()))
            },
            None => Fault::new(What::Said(message)),
        }
    }

    fn invalid_type(found: Unexpected<'_>, expected: &dyn Expected) -> Fault {
        let found = match found {
            Unexpected::Unit | Unexpected::Option => "nothing",
            Unexpected::Bool(_) => "true or false",
            Unexpected::Unsigned(_) | Unexpected::Signed(_) | Unexpected::Float(_) => "a number",
            Unexpected::Str(_) | Unexpected::Char(_) | Unexpected::Bytes(_) => "text",
            Unexpected::Seq => "a list",
            Unexpected::Map => "a mapping",
            _ => "something else",
        };
        let expected = in_words(&expected.to_string());
        Fault::new(What::Said(format!("expected {expected}, found {found}")))
    }

    fn invalid_value(_: Unexpected<'_>, expected: &dyn Expected) -> Fault {
        let expected = in_words(&expected.to_string());
        Fault::new(What::Said(format!("expected {expected}")))
    }

    fn invalid_length(length: usize, expected: &dyn Expected) -> Fault {
        let expected = in_words(&expected.to_string());
        Fault::new(What::Length(format!(
            "expected {expected}, found {length} of them"
        )))
    }

    fn unknown_field(_: &str, known: &'static [&'static str]) -> Fault {
        Fault::new(What::UnknownKey { known })
    }

    fn unknown_variant(_: &str, known: &'static [&'static str]) -> Fault {
        Fault::new(What::UnknownWord { known })
    }

    fn missing_field(name: &'static str) -> Fault {
        Fault::new(What::Missing(name))
    }
}

/// Serde's names of Rust types as a person reads them.
fn in_words(expected: &str) -> String {
    let words = match expected {
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" => "a whole number from 0 to 4294967295",
        "u64" | "usize" => "a whole number, 0 or more",
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number",
        "f32" | "f64" => "a number",
        "a boolean" => "true or false",
        "a string" => "text",
        "a sequence" => "a list",
        "a map" => "a mapping",
        other if other.starts_with("struct ") => "a mapping",
        other if other.starts_with("enum ") => "a word, or a mapping with one key",
        other => return other.to_owned(),
    };
    words.to_owned()
}
