//! Edits of a YAML text by words and lines. A mutation by octets seldom leaves a text that is still
//! YAML, and what reads the keys and values would hardly be reached.

use rand::rngs::StdRng;
use rand::seq::IndexedRandom as _;
use rand::{Rng as _, SeedableRng};

/// Keys, values and awkward texts, one a line.
const WORDS: &str = include_str!("../yaml.words");

/// The body of a `fuzz_mutator!`: an edit by octets, or by words, of the input or of one of the
/// texts in `good`. Those are without a mistake, and the corpus soon consists of texts that are not
/// even YAML.
pub fn mutate(data: &mut [u8], size: usize, most: usize, seed: u32, good: &[&str]) -> usize {
    let mut rng = StdRng::seed_from_u64(u64::from(seed));
    let input = data.get(..size).map(std::str::from_utf8);
    let edited = match (rng.random_range(0..4), input, good.choose(&mut rng)) {
        (0 | 1, _, Some(text)) => edit(text, &mut rng),
        (2, Some(Ok(text)), _) => edit(text, &mut rng),
        _ => return libfuzzer_sys::fuzzer_mutate(data, size, most),
    };
    let length = edited.len().min(most).min(data.len());
    data[..length].copy_from_slice(&edited.as_bytes()[..length]);
    length
}

/// One to four edits.
fn edit(text: &str, rng: &mut StdRng) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for _ in 0..rng.random_range(1..=4) {
        if lines.is_empty() {
            break;
        }
        let at = rng.random_range(0..lines.len());
        match rng.random_range(0..10) {
            0 => drop(lines.remove(at)),
            1 => lines.insert(at, lines[at].clone()),
            2 => {
                let to = rng.random_range(0..lines.len());
                lines.swap(at, to);
            }
            3 => lines[at].insert_str(0, "  "),
            4 => lines[at] = lines[at].strip_prefix("  ").unwrap_or_default().to_owned(),
            _ => lines[at] = replace_word(&lines[at], rng),
        }
    }
    let mut text = lines.join("\n");
    text.push('\n');
    text
}

/// The line with one of its words replaced by a known one, or by a word a little different.
fn replace_word(line: &str, rng: &mut StdRng) -> String {
    let is_word = |c: char| !matches!(c, ' ' | ',' | '{' | '}' | '[' | ']');
    let spans: Vec<(usize, &str)> = line
        .split(|c| !is_word(c))
        .filter(|word| !word.is_empty())
        .map(|word| (word.as_ptr() as usize - line.as_ptr() as usize, word))
        .collect();
    let Some((at, word)) = spans.choose(rng) else {
        return line.to_owned();
    };
    let (bare, colon) = match word.strip_suffix(':') {
        Some(bare) => (bare, ":"),
        None => (*word, ""),
    };
    let new = if rng.random() {
        let known: Vec<&str> = WORDS.lines().collect();
        known.choose(rng).copied().unwrap_or_default().to_owned()
    } else {
        other_character(bare, rng)
    };
    format!("{}{new}{colon}{}", &line[..*at], &line[at + word.len()..])
}

fn other_character(word: &str, rng: &mut StdRng) -> String {
    let mut characters: Vec<char> = word.chars().collect();
    let others: Vec<char> = "0123456789abcdefxyz:/.-*$".chars().collect();
    let other = others.choose(rng).copied().unwrap_or('x');
    if characters.is_empty() || rng.random_ratio(1, 3) {
        characters.push(other);
    } else {
        let at = rng.random_range(0..characters.len());
        characters[at] = other;
    }
    characters.into_iter().collect()
}
