//! Secrets out of every text that a diagnostic could quote.
//!
//! Octets are replaced one by one, so that places stay where they are.

use std::ops::Range;

use super::node::{Kind, Node};

/// Whether the values under this key are secrets.
pub(super) fn is_secret_key(key: &str) -> bool {
    let key = key.to_ascii_lowercase().replace('_', "-");
    ["secret", "password", "passphrase", "nt-hash"]
        .iter()
        .any(|end| key.ends_with(end))
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
            if secret && !is_pointer(text) {
                ranges.push(node.span.start as usize..node.span.end as usize);
            }
        }
        Kind::List(items) => items.iter().for_each(|item| collect(item, secret, ranges)),
        Kind::Map(entries) => entries.iter().for_each(|(key, value)| {
            let secret = secret || key.text().is_some_and(is_secret_key);
            collect(value, secret, ranges);
        }),
    }
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
