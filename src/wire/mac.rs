//! MAC addresses, in every spelling that switches send.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A 48-bit MAC address. Shown upper case with hyphens (RFC 3580 section 3.21).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct Mac(pub [u8; 6]);

/// What was wrong with a text that should have been a MAC address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MacParseError {
    /// A character that is neither a hex digit nor `-`, `:` or `.`
    #[error("'{0}' is neither a hex digit nor one of '-', ':', '.'")]
    Character(char),
    /// Not twelve hex digits.
    #[error("a MAC address has 12 hex digits, this has {0}")]
    Digits(usize),
    /// Separators that do not cut the address into equal groups of 2, 4 or 6 digits, or are mixed.
    #[error("separators must be all alike and stand every 2, 4 or 6 digits")]
    Grouping,
}

impl Mac {
    /// The first `len` octets, for prefix comparison (`len` up to 6; more is taken as 6).
    #[must_use]
    pub fn prefix(&self, len: usize) -> &[u8] {
        self.0.get(..len).unwrap_or(&self.0)
    }

    /// True when the address is locally administered (IEEE 802, bit 1 of the first octet), as
    /// operating systems use for addresses that change.
    #[must_use]
    pub fn is_local(&self) -> bool {
        let [first, ..] = self.0;
        first & 0x02 != 0
    }

    /// True for group addresses, which no device may have as its own.
    #[must_use]
    pub fn is_group(&self) -> bool {
        let [first, ..] = self.0;
        first & 0x01 != 0
    }

    /// Twelve hex digits with `separator` every `group` digits; `None` for no separator.
    #[must_use]
    pub fn spell(&self, separator: Option<char>, group: usize, upper: bool) -> String {
        let mut text = String::with_capacity(17);
        for (at, octet) in self.0.iter().enumerate() {
            let digits = at * 2;
            if let Some(separator) = separator
                && digits > 0
                && group > 0
                && digits.is_multiple_of(group)
            {
                text.push(separator);
            }
            for digit in [octet >> 4, octet & 0xf] {
                let digit = char::from_digit(digit.into(), 16).unwrap_or_default();
                text.push(if upper {
                    digit.to_ascii_uppercase()
                } else {
                    digit
                });
            }
        }
        text
    }

    /// The address as a number, for masks and ranges.
    #[must_use]
    pub fn to_u64(self) -> u64 {
        self.0
            .iter()
            .fold(0, |value, octet| (value << 8) | u64::from(*octet))
    }
}

impl FromStr for Mac {
    type Err = MacParseError;

    /// Twelve hex digits bare, or split by `-`, `:` or `.` into groups of 2, 4 or 6, either case.
    fn from_str(text: &str) -> Result<Mac, MacParseError> {
        let mut octets = [0u8; 6];
        let mut digits = 0usize;
        let mut separator = None;
        let mut group = None;
        let mut since = 0usize;
        for c in text.chars() {
            if let Some(value) = c.to_digit(16) {
                if let Some(octet) = octets.get_mut(digits / 2) {
                    *octet = (*octet << 4) | (value as u8);
                }
                digits += 1;
                since += 1;
                continue;
            }
            if !matches!(c, '-' | ':' | '.') {
                return Err(MacParseError::Character(c));
            }
            if *separator.get_or_insert(c) != c || *group.get_or_insert(since) != since {
                return Err(MacParseError::Grouping);
            }
            since = 0;
        }
        if digits != 12 {
            return Err(MacParseError::Digits(digits));
        }
        match group {
            None => Ok(Mac(octets)),
            Some(size) if matches!(size, 2 | 4 | 6) && since == size => Ok(Mac(octets)),
            Some(_) => Err(MacParseError::Grouping),
        }
    }
}

impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.spell(Some('-'), 2, true))
    }
}

impl fmt::Debug for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Mac {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Mac {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Mac, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OCTETS: Mac = Mac([0x02, 0x1a, 0x70, 0x0b, 0xc4, 0xd5]);

    #[test]
    fn every_spelling_of_the_trade_parses() {
        for text in [
            "021a700bc4d5",
            "021A700BC4D5",
            "02-1A-70-0B-C4-D5",
            "02:1a:70:0b:c4:d5",
            "021a.700b.c4d5",
            "021a-700b-c4d5",
            "021a70-0bc4d5",
            "02.1a.70.0b.c4.d5",
        ] {
            assert_eq!(text.parse::<Mac>(), Ok(OCTETS), "{text}");
        }
    }

    #[test]
    fn other_texts_do_not() {
        for text in [
            "",
            "021a700bc4d",
            "021a700bc4d5e",
            "02-1A-70-0B-C4-D5-",
            "-021a700bc4d5",
            "02-1A:70-0B-C4-D5",
            "021-a70-0bc-4d5",
            "02-1A-70-0B-C4-D5:lobby",
            "021a700bc4dg",
            "02--1A70-0BC4-D5",
        ] {
            assert!(text.parse::<Mac>().is_err(), "{text}");
        }
    }

    /// RFC 3580 section 3.21 prints this form.
    #[test]
    fn shown_as_rfc_3580_section_3_21() {
        let mac: Mac = "0010a42319c0".parse().unwrap();
        assert_eq!(mac.to_string(), "00-10-A4-23-19-C0");
        assert_eq!(mac.spell(Some('.'), 4, false), "0010.a423.19c0");
        assert_eq!(mac.spell(None, 0, false), "0010a42319c0");
    }

    #[test]
    fn local_and_group_bits() {
        assert!(OCTETS.is_local() && !OCTETS.is_group());
        assert!(Mac([1, 0, 0x5e, 0, 0, 1]).is_group());
    }
}
