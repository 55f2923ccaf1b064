//! Types to read YAML into: values that know their place, and forms that people like to write.

use std::fmt;
use std::marker::PhantomData;
use std::ops::Deref;
use std::str::FromStr;
use std::time::Duration;

use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};

use super::de::{AT, RAW};
use super::source::Span;

/// A value and where it stands.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Its place.
    pub span: Span,
}

impl<T> Deref for At<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T: fmt::Debug> fmt::Debug for At<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.value.fmt(f)
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for At<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<At<T>, D::Error> {
        struct AtVisitor<T>(PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for AtVisitor<T> {
            type Value = At<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value")
            }

            /// What the tree's reader gives: the span, then the value.
            fn visit_seq<A: SeqAccess<'de>>(self, mut parts: A) -> Result<At<T>, A::Error> {
                let ended = || de::Error::custom("a value with its place");
                Ok(At {
                    span: Span {
                        source: parts.next_element()?.ok_or_else(ended)?,
                        start: parts.next_element()?.ok_or_else(ended)?,
                        end: parts.next_element()?.ok_or_else(ended)?,
                    },
                    value: parts.next_element()?.ok_or_else(ended)?,
                })
            }

            /// What any other reader gives: the value alone.
            fn visit_newtype_struct<D: Deserializer<'de>>(
                self,
                deserializer: D,
            ) -> Result<At<T>, D::Error> {
                Ok(At {
                    value: T::deserialize(deserializer)?,
                    span: Span::default(),
                })
            }
        }

        deserializer.deserialize_newtype_struct(AT, AtVisitor(PhantomData))
    }
}

/// The pairs of a mapping in file order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entries<K, V>(pub Vec<(K, V)>);

impl<K, V> Default for Entries<K, V> {
    fn default() -> Entries<K, V> {
        Entries(Vec::new())
    }
}

impl<K, V> Deref for Entries<K, V> {
    type Target = [(K, V)];

    fn deref(&self) -> &[(K, V)] {
        &self.0
    }
}

impl<'de, K: Deserialize<'de>, V: Deserialize<'de>> Deserialize<'de> for Entries<K, V> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Entries<K, V>, D::Error> {
        struct EntriesVisitor<K, V>(PhantomData<(K, V)>);

        impl<'de, K: Deserialize<'de>, V: Deserialize<'de>> Visitor<'de> for EntriesVisitor<K, V> {
            type Value = Entries<K, V>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a map")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Entries<K, V>, A::Error> {
                let mut entries = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    entries.push(entry);
                }
                Ok(Entries(entries))
            }
        }

        deserializer.deserialize_map(EntriesVisitor(PhantomData))
    }
}

/// A list, or one value that stands for a list of one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OneOrMany<T>(pub Vec<T>);

impl<T> Default for OneOrMany<T> {
    fn default() -> OneOrMany<T> {
        OneOrMany(Vec::new())
    }
}

impl<T> Deref for OneOrMany<T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &self.0
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for OneOrMany<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<OneOrMany<T>, D::Error> {
        struct ManyVisitor<T>(PhantomData<T>);

        impl<'de, T: Deserialize<'de>> Visitor<'de> for ManyVisitor<T> {
            type Value = OneOrMany<T>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("one value or a list")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<OneOrMany<T>, A::Error> {
                let mut values = Vec::new();
                while let Some(value) = list.next_element()? {
                    values.push(value);
                }
                Ok(OneOrMany(values))
            }

            /// The reader says so for anything that is no list.
            fn visit_newtype_struct<D: Deserializer<'de>>(
                self,
                deserializer: D,
            ) -> Result<OneOrMany<T>, D::Error> {
                Ok(OneOrMany(vec![T::deserialize(deserializer)?]))
            }
        }

        deserializer.deserialize_newtype_struct(super::de::MANY, ManyVisitor(PhantomData))
    }
}

/// A text that a type's [`FromStr`] takes; its error is the message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Parsed<T>(pub T);

impl<T> Deref for Parsed<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<'de, T: FromStr<Err: fmt::Display>> Deserialize<'de> for Parsed<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Parsed<T>, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map(Parsed).map_err(de::Error::custom)
    }
}

/// A length of time with its unit: `500ms`, `5s`, `10min`, `1h 30min`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, PartialOrd, Ord)]
pub struct Period(pub Duration);

impl<'de> Deserialize<'de> for Period {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Period, D::Error> {
        let text = String::deserialize(deserializer)?;
        let wrong = || {
            de::Error::custom(
                "not a length of time\nwrite a number and a unit: 500ms, 5s, 10min, 1h 30min",
            )
        };
        // A bare number passes for a time nowhere: its unit would be a guess.
        if !text.contains(|c: char| c.is_ascii_alphabetic()) {
            return Err(wrong());
        }
        let parsed = jiff::SignedDuration::from_str(&text).map_err(|_| wrong())?;
        Duration::try_from(parsed).map(Period).map_err(|_| wrong())
    }
}

/// Text that arrives as it is written whatever it looks like, for visitors of their own that take
/// a scalar, a list or a mapping: the reader calls `visit_str`, `visit_seq` or `visit_map`.
///
/// # Errors
/// Those of the visitor.
pub fn raw<'de, D: Deserializer<'de>, V: Visitor<'de>>(
    deserializer: D,
    visitor: V,
) -> Result<V::Value, D::Error> {
    deserializer.deserialize_newtype_struct(RAW, visitor)
}
