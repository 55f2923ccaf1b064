//! Where a condition puts its reason.

use std::fmt::{self, Write as _};

/// Takes the facts that a condition met, one phrase each.
pub(super) trait Why {
    /// How far the line has come.
    fn mark(&self) -> usize;

    /// Forgets what was said from one mark to another.
    fn forget(&mut self, from: usize, to: usize);

    /// One phrase.
    fn say(&mut self, phrase: fmt::Arguments<'_>);
}

/// Nobody asks.
pub(super) struct Silent;

impl Why for Silent {
    fn mark(&self) -> usize {
        0
    }

    fn forget(&mut self, _: usize, _: usize) {}

    fn say(&mut self, _: fmt::Arguments<'_>) {}
}

/// Phrases in one line, with commas between.
#[derive(Default)]
pub(super) struct Line {
    text: String,
}

const COMMA: &str = ", ";

impl Line {
    pub(super) fn into_text(self) -> String {
        self.text
    }
}

impl Why for Line {
    fn mark(&self) -> usize {
        self.text.len()
    }

    fn forget(&mut self, from: usize, to: usize) {
        if from == to {
            return;
        }
        self.text.drain(from..to);
        if from == 0 && self.text.starts_with(COMMA) {
            self.text.drain(..COMMA.len());
        }
    }

    fn say(&mut self, phrase: fmt::Arguments<'_>) {
        if self.text.is_empty() {
            self.text.reserve(96);
        } else {
            self.text.push_str(COMMA);
        }
        // Writing to a String cannot fail.
        let _ = self.text.write_fmt(phrase);
    }
}

/// A value that somebody else chose, in quotes and safe to print.
pub(super) struct Quoted<'a>(pub(super) &'a str);

/// No more of a value is shown, in characters.
const MOST_SHOWN: usize = 120;

impl fmt::Display for Quoted<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let printable = |c: u8| (0x20..0x7f).contains(&c);
        f.write_char('\'')?;
        if self.0.len() <= MOST_SHOWN && self.0.bytes().all(printable) {
            f.write_str(self.0)?;
        } else {
            for c in self.0.chars().take(MOST_SHOWN) {
                write!(f, "{}", c.escape_debug())?;
            }
            if self.0.chars().nth(MOST_SHOWN).is_some() {
                f.write_char('…')?;
            }
        }
        f.write_char('\'')
    }
}

/// Several values, the first few of them.
pub(super) struct List<'a>(pub(super) &'a [String]);

impl fmt::Display for List<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const FEW: usize = 4;
        for (at, value) in self.0.iter().take(FEW).enumerate() {
            if at > 0 {
                f.write_str(COMMA)?;
            }
            Quoted(value).fmt(f)?;
        }
        match self.0.len().saturating_sub(FEW) {
            0 => Ok(()),
            more => write!(f, " and {more} more"),
        }
    }
}
