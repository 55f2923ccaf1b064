//! Secrets out of every text that a diagnostic could quote.
//!
//! Octets are replaced one by one, so that places stay where they are.

use std::collections::HashSet;
use std::ops::Range;

use super::node::{Kind, Node, Shared};

/// Words that begin a secret, each part of a key with `-` between.
const SECRET_WORDS: [&str; 4] = ["secret", "password", "passphrase", "hash"];

/// Whether the values under this key are secrets: it has one of the words in it, or what a slip of
/// the finger makes of one.
pub(super) fn is_secret_key(key: &str) -> bool {
    const SLIPS: usize = 2;
    let key = key.to_ascii_lowercase();
    key.split(['-', '_', ' ', '.']).any(|part| {
        SECRET_WORDS.iter().any(|word| match word.len() {
            // A short word is like too many others.
            ..5 => part == *word,
            _ => strsim::damerau_levenshtein(part, word) <= SLIPS,
        })
    })
}

/// Whether a text looks like a secret's key and value that the YAML does not part:
/// `secret:hunter2`, `password = hunter2`.
fn holds_secret(text: &str) -> bool {
    let end = text.find([' ', ':', '=']);
    end.and_then(|end| text.get(..end))
        .is_some_and(is_secret_key)
}

/// Whether a value only says where the secret is.
fn is_pointer(value: &str) -> bool {
    value.starts_with("env:") || value.starts_with("file:")
}

/// Masks the values under secret keys.
pub(super) fn by_tree(text: &str, root: &Node) -> String {
    let mut ranges = Vec::new();
    collect(root, false, &mut ranges);
    ranges.sort_by_key(|range| range.start);
    let mut masked = String::with_capacity(text.len());
    let mut done = 0;
    for range in ranges {
        let (Some(before), Some(secret)) = (text.get(done..range.start), text.get(range.clone()))
        else {
            continue;
        };
        masked.push_str(before);
        push_masked(&mut masked, secret);
        done = range.end;
    }
    masked.push_str(text.get(done..).unwrap_or_default());
    masked
}

fn collect(node: &Node, secret: bool, ranges: &mut Vec<Range<usize>>) {
    match &node.kind {
        Kind::Scalar { text, .. } => {
            if (secret && !is_pointer(text)) || holds_secret(text) {
                ranges.push(node.span.start as usize..node.span.end as usize);
            }
        }
        Kind::List(items) => items.iter().for_each(|item| collect(item, secret, ranges)),
        Kind::Map(entries) => {
            let secret = secret || entries.iter().any(names_a_secret);
            for (key, value) in entries {
                let secret = secret || has_secret_key(key);
                collect(key, false, ranges);
                collect(value, secret, ranges);
            }
        }
    }
}

fn has_secret_key(key: &Node) -> bool {
    let mut texts = HashSet::new();
    key.texts(&mut texts);
    texts.iter().any(|text| is_secret_key(text))
}

/// `attribute: Tunnel-Password`: a value that tells what the entries beside it hold.
fn names_a_secret((key, value): &(Shared, Shared)) -> bool {
    key.text() == Some("attribute") && value.text().is_some_and(is_secret_key)
}

/// Masks what follows a secret key, for a text that is no YAML: the rest of the line, and the
/// deeper lines below it.
pub(super) fn by_line(text: &str) -> String {
    let mut masked = String::with_capacity(text.len());
    let mut secret_indent = None;
    for line in text.split_inclusive('\n') {
        let indent = line.len() - line.trim_start_matches([' ', '\t', '-']).len();
        let deeper = secret_indent.is_some_and(|at| line.trim().is_empty() || indent > at);
        if deeper {
            push_masked(&mut masked, line);
            continue;
        }
        let after = after_secret_key(line);
        secret_indent = after.map(|_| indent);
        let (open, secret) = line
            .split_at_checked(after.unwrap_or(line.len()))
            .unwrap_or((line, ""));
        masked.push_str(open);
        push_masked(&mut masked, secret);
    }
    masked
}

/// Where the value of the first secret key on the line begins.
fn after_secret_key(line: &str) -> Option<usize> {
    line.match_indices(':').map(|(at, _)| at).find_map(|at| {
        let before = line.get(..at)?.trim_end_matches(['"', '\'', ' ']);
        let start = before.rfind(|c: char| !c.is_alphanumeric() && !matches!(c, '-' | '_'));
        let key = before.get(start.map_or(0, |start| start + 1)..)?;
        is_secret_key(key).then_some(at + 1)
    })
}

fn push_masked(into: &mut String, secret: &str) {
    for c in secret.chars() {
        match c {
            '\n' | '\r' | ' ' => into.push(c),
            _ => into.extend(std::iter::repeat_n('*', c.len_utf8())),
        }
    }
}
