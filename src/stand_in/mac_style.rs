//! How a switch spells MAC authentication: the address, the password, and how that travels.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer};

use crate::wire::Mac;

/// Spelling of a MAC address, written as an example in x or X: "xx-xx-xx-xx-xx-xx".
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct MacSpelling {
    separator: Option<char>,
    group: usize,
    upper: bool,
}

/// What was wrong with the example.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "'{0}' is no spelling of a MAC address: write 12 letters x or X, with '-', ':' or '.' after \
     every 2, 4 or 6 of them, such as \"xx-xx-xx-xx-xx-xx\""
)]
pub struct NoSpelling(String);

impl MacSpelling {
    /// The address in this spelling.
    #[must_use]
    pub fn spell(&self, mac: Mac) -> String {
        mac.spell(self.separator, self.group, self.upper)
    }
}

impl FromStr for MacSpelling {
    type Err = NoSpelling;

    fn from_str(text: &str) -> Result<MacSpelling, NoSpelling> {
        const CANDIDATES: [(Option<char>, usize); 10] = [
            (None, 0),
            (Some('-'), 2),
            (Some('-'), 4),
            (Some('-'), 6),
            (Some(':'), 2),
            (Some(':'), 4),
            (Some(':'), 6),
            (Some('.'), 2),
            (Some('.'), 4),
            (Some('.'), 6),
        ];
        CANDIDATES
            .into_iter()
            .flat_map(|(separator, group)| {
                [false, true].map(|upper| MacSpelling {
                    separator,
                    group,
                    upper,
                })
            })
            .find(|spelling| spelling.to_string() == text)
            .ok_or_else(|| NoSpelling(text.to_owned()))
    }
}

impl fmt::Display for MacSpelling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let x = if self.upper { "X" } else { "x" };
        f.write_str(&self.spell(Mac::default()).replace('0', x))
    }
}

impl<'de> Deserialize<'de> for MacSpelling {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<MacSpelling, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

/// What stands in the password of a MAC authentication.
#[derive(Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PasswordStyle {
    /// The User-Name again.
    #[default]
    UserName,
    /// The address in another spelling.
    Spelt(MacSpelling),
    /// Nothing.
    Empty,
    /// A fixed text.
    Fixed(String),
}

impl PasswordStyle {
    /// The password for a device.
    #[must_use]
    pub fn password(&self, mac: Mac, user_name: &str) -> String {
        match self {
            PasswordStyle::UserName => user_name.to_owned(),
            PasswordStyle::Spelt(spelling) => spelling.spell(mac),
            PasswordStyle::Empty => String::new(),
            PasswordStyle::Fixed(text) => text.clone(),
        }
    }
}

impl fmt::Debug for PasswordStyle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PasswordStyle::UserName => "UserName",
            PasswordStyle::Spelt(_) => "Spelt",
            PasswordStyle::Empty => "Empty",
            PasswordStyle::Fixed(_) => "Fixed(<password>)",
        })
    }
}

/// How a password travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// User-Password (RFC 2865 section 5.2).
    #[default]
    Pap,
    /// CHAP-Password with the Request Authenticator as challenge (RFC 2865 section 5.3).
    Chap,
}

#[cfg(test)]
mod tests {
    use super::*;

    const MAC: Mac = Mac([0x02, 0x1a, 0x70, 0x0b, 0xc4, 0xd5]);

    /// Forms that switches are set to (common practice, no source).
    #[test]
    fn an_example_gives_the_spelling() {
        for (example, spelt) in [
            ("xxxxxxxxxxxx", "021a700bc4d5"),
            ("XXXXXXXXXXXX", "021A700BC4D5"),
            ("xx-xx-xx-xx-xx-xx", "02-1a-70-0b-c4-d5"),
            ("XX:XX:XX:XX:XX:XX", "02:1A:70:0B:C4:D5"),
            ("xxxx.xxxx.xxxx", "021a.700b.c4d5"),
            ("xxxxxx-xxxxxx", "021a70-0bc4d5"),
        ] {
            let spelling: MacSpelling = example.parse().unwrap();
            assert_eq!(spelling.spell(MAC), spelt);
            assert_eq!(spelling.to_string(), example);
        }
    }

    #[test]
    fn other_examples_are_refused() {
        for example in [
            "",
            "xxxxxxxxxxx",
            "xX-xx-xx-xx-xx-xx",
            "xx_xx_xx_xx_xx_xx",
            "xx-xx:xx-xx-xx-xx",
        ] {
            assert!(example.parse::<MacSpelling>().is_err(), "{example}");
        }
    }

    #[test]
    fn passwords_of_each_style() {
        let name = "021a700bc4d5";
        let password = |style: PasswordStyle| style.password(MAC, name);
        assert_eq!(password(PasswordStyle::UserName), name);
        assert_eq!(password(PasswordStyle::Empty), "");
        assert_eq!(password(PasswordStyle::Fixed("quay".to_owned())), "quay");
        assert_eq!(
            password(PasswordStyle::Spelt("XX-XX-XX-XX-XX-XX".parse().unwrap())),
            "02-1A-70-0B-C4-D5"
        );
        assert!(!format!("{:?}", PasswordStyle::Fixed("quay".to_owned())).contains("quay"));
    }
}
