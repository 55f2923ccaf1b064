//! YAML text to a tree of nodes with spans.

use std::cell::{Cell, RefCell};
use std::collections::{HashMap, HashSet};
use std::rc::Rc;

use serde_saphyr::granit_parser::{Event, Marker, Parser, ScalarStyle, ScanError, Span as Range};

use super::fault::Fault;
use super::source::Span;

/// A node, shared where an alias repeats it.
pub(super) type Shared = Rc<Node>;

/// No tree has more nodes, aliases counted as often as they stand.
const MOST_NODES: usize = 200_000;
/// No tree is deeper, so that what walks it needs no more stack than there is.
const MOST_LEVELS: usize = 60;

/// One value of the file.
pub(super) struct Node {
    pub(super) span: Span,
    pub(super) kind: Kind,
    /// Set once the node was reported: the next reading does without it.
    hidden: Cell<bool>,
    /// For a hidden key that is no known one: what was probably meant.
    meant: RefCell<Option<String>>,
    /// Nodes from here on, this one included.
    weight: usize,
    /// Levels from here on, this one included.
    depth: usize,
}

/// What a node is.
pub(super) enum Kind {
    /// Text; `plain` when it stands without quotes, so that it may be a number, true or nothing.
    Scalar { text: String, plain: bool },
    /// Values in order.
    List(Vec<Shared>),
    /// Key and value in order.
    Map(Vec<(Shared, Shared)>),
}

/// A file as a tree, and what was wrong with it that does not hinder reading on.
pub(super) struct Tree {
    pub(super) root: Shared,
    pub(super) faults: Vec<Fault>,
}

/// Parses one document. An empty text is an empty mapping's worth of nothing.
pub(super) fn parse(source: u32, text: &str) -> Result<Tree, Fault> {
    let mut builder = Builder {
        source,
        open: Vec::new(),
        anchors: HashMap::new(),
        root: None,
        faults: Vec::new(),
    };
    let mut options = serde_saphyr::granit_parser::Options::default();
    options.set_emit_comments(false);
    options.disallow_directives = true;
    for next in Parser::new_from_str_with_options(text, options) {
        let (event, range) = next.map_err(|error| builder.syntax(&error))?;
        builder.take(event, range)?;
    }
    let root = builder.root.unwrap_or_else(|| {
        Rc::new(Node::new(
            Span {
                source,
                start: 0,
                end: 0,
            },
            Kind::Scalar {
                text: String::new(),
                plain: true,
            },
        ))
    });
    Ok(Tree {
        root,
        faults: builder.faults,
    })
}

impl Node {
    fn new(span: Span, kind: Kind) -> Node {
        let children: Vec<&Shared> = match &kind {
            Kind::Scalar { .. } => Vec::new(),
            Kind::List(items) => items.iter().collect(),
            Kind::Map(entries) => entries
                .iter()
                .flat_map(|(key, value)| [key, value])
                .collect(),
        };
        let weight = children
            .iter()
            .fold(1usize, |sum, child| sum.saturating_add(child.weight));
        let depth = 1 + children.iter().map(|child| child.depth).max().unwrap_or(0);
        Node {
            span,
            kind,
            hidden: Cell::new(false),
            meant: RefCell::new(None),
            weight,
            depth,
        }
    }

    /// The text of a scalar.
    pub(super) fn text(&self) -> Option<&str> {
        match &self.kind {
            Kind::Scalar { text, .. } => Some(text),
            _ => None,
        }
    }

    /// True for a scalar that says nothing: empty, `~` or `null` without quotes.
    pub(super) fn is_nothing(&self) -> bool {
        matches!(&self.kind, Kind::Scalar { text, plain: true }
            if matches!(text.as_str(), "" | "~" | "null"))
    }

    /// Takes the node out of the next reading.
    pub(super) fn hide(&self, meant: Option<String>) {
        self.hidden.set(true);
        self.meant.replace(meant);
    }

    pub(super) fn is_hidden(&self) -> bool {
        self.hidden.get()
    }

    /// Whether a child was taken out.
    pub(super) fn has_hidden(&self) -> bool {
        match &self.kind {
            Kind::Scalar { .. } => false,
            Kind::List(items) => items.iter().any(|item| item.is_hidden()),
            Kind::Map(entries) => entries
                .iter()
                .any(|(key, value)| key.is_hidden() || value.is_hidden()),
        }
    }

    /// Whether the entry of this key was taken out, or one that probably meant it.
    pub(super) fn has_hidden_key(&self, name: &str) -> bool {
        let Kind::Map(entries) = &self.kind else {
            return false;
        };
        entries
            .iter()
            .filter(|(key, value)| key.is_hidden() || value.is_hidden())
            .any(|(key, _)| key.text() == Some(name) || key.meant.borrow().as_deref() == Some(name))
    }

    /// Collects every scalar text from here on.
    pub(super) fn texts(&self, into: &mut HashSet<String>) {
        match &self.kind {
            Kind::Scalar { text, .. } => {
                into.insert(text.clone());
            }
            Kind::List(items) => items.iter().for_each(|item| item.texts(into)),
            Kind::Map(entries) => entries.iter().for_each(|(key, value)| {
                key.texts(into);
                value.texts(into);
            }),
        }
    }
}

/// The place only: the text may be a secret.
impl std::fmt::Debug for Node {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "node at {:?}", self.span)
    }
}

/// A collection that is not closed yet.
struct Open {
    span: Span,
    anchor: usize,
    /// Values so far; keys and values by turns in a mapping.
    items: Vec<Shared>,
    map: bool,
}

struct Builder {
    source: u32,
    open: Vec<Open>,
    anchors: HashMap<usize, Shared>,
    root: Option<Shared>,
    faults: Vec<Fault>,
}

impl Builder {
    fn take(&mut self, event: Event<'_>, range: Range) -> Result<(), Fault> {
        let span = self.span(range);
        match event {
            Event::Scalar(text, style, anchor, tag) => {
                self.refuse_tag(tag.is_some(), span);
                let kind = Kind::Scalar {
                    text: text.into_owned(),
                    plain: style == ScalarStyle::Plain,
                };
                self.put(Rc::new(Node::new(span, kind)), anchor)
            }
            Event::SequenceStart(_, anchor, tag) => {
                self.refuse_tag(tag.is_some(), span);
                self.begin(span, anchor, false);
                Ok(())
            }
            Event::MappingStart(_, anchor, tag) => {
                self.refuse_tag(tag.is_some(), span);
                self.begin(span, anchor, true);
                Ok(())
            }
            Event::SequenceEnd | Event::MappingEnd => self.end(),
            Event::Alias(anchor) => match self.anchors.get(&anchor).cloned() {
                Some(node) => self.put(node, 0),
                None => Err(Fault::at_span(
                    span,
                    "this alias stands inside what it repeats",
                )),
            },
            Event::DocumentStart(..) if self.root.is_some() => Err(Fault::at_span(
                span,
                "a second document begins here\none file holds one document: remove the `---`",
            )),
            _ => Ok(()),
        }
    }

    fn begin(&mut self, span: Span, anchor: usize, map: bool) {
        self.open.push(Open {
            span,
            anchor,
            items: Vec::new(),
            map,
        });
    }

    fn end(&mut self) -> Result<(), Fault> {
        let Some(open) = self.open.pop() else {
            return Ok(());
        };
        // A block collection has no mark of its own: its first child shows where it is.
        let span = open.items.first().map_or(open.span, |first| Span {
            start: open.span.start.min(first.span.start),
            ..first.span
        });
        let kind = if open.map {
            Kind::Map(self.pairs(open.items))
        } else {
            Kind::List(open.items)
        };
        self.put(Rc::new(Node::new(span, kind)), open.anchor)
    }

    /// Keys with their values; a key that is no text or stands twice is reported and hidden.
    fn pairs(&mut self, items: Vec<Shared>) -> Vec<(Shared, Shared)> {
        let mut pairs: Vec<(Shared, Shared)> = Vec::with_capacity(items.len() / 2);
        let mut places: HashMap<String, Span> = HashMap::new();
        let mut items = items.into_iter();
        while let (Some(key), Some(value)) = (items.next(), items.next()) {
            let fault = match key.text() {
                None => Some(Fault::at_span(
                    key.span,
                    "a key is one text, no list or mapping",
                )),
                Some(text) => places.get(text).map(|first| {
                    Fault::at_span(key.span, format!("key `{text}` stands twice"))
                        .related(*first, "the first stands here")
                }),
            };
            match fault {
                Some(fault) => {
                    // Hidden, not dropped: what masks secrets has to see it.
                    key.hide(None);
                    self.faults.push(fault);
                }
                None => {
                    places.insert(key.text().unwrap_or_default().to_owned(), key.span);
                }
            }
            pairs.push((key, value));
        }
        pairs
    }

    fn put(&mut self, node: Shared, anchor: usize) -> Result<(), Fault> {
        if node.weight > MOST_NODES {
            return Err(Fault::at_span(
                node.span,
                format!(
                    "too large: more than {MOST_NODES} values, aliases counted as often as they stand"
                ),
            ));
        }
        if node.depth > MOST_LEVELS {
            return Err(Fault::at_span(
                node.span,
                format!("nested too deeply: more than {MOST_LEVELS} levels"),
            ));
        }
        if anchor > 0 {
            self.anchors.insert(anchor, Rc::clone(&node));
        }
        match self.open.last_mut() {
            Some(open) => open.items.push(node),
            None => self.root = Some(node),
        }
        Ok(())
    }

    fn refuse_tag(&mut self, tagged: bool, span: Span) {
        if tagged {
            self.faults.push(Fault::at_span(
                span,
                "a YAML tag has no meaning here\nremove the word that begins with `!`",
            ));
        }
    }

    fn syntax(&self, error: &ScanError) -> Fault {
        let at = offset(error.marker());
        let span = Span {
            source: self.source,
            start: at,
            end: at,
        };
        Fault::at_span(span, format!("not YAML: {}", error.info()))
    }

    fn span(&self, range: Range) -> Span {
        Span {
            source: self.source,
            start: offset(&range.start),
            end: offset(&range.end),
        }
    }
}

fn offset(marker: &Marker) -> u32 {
    u32::try_from(marker.byte_offset().unwrap_or_default()).unwrap_or(u32::MAX)
}
