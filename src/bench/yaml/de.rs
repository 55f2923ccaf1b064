//! Serde types from a tree of nodes.

use serde::de::value::{StrDeserializer, U32Deserializer};
use serde::de::{
    DeserializeSeed, Deserializer, EnumAccess, Error as _, IntoDeserializer, MapAccess, SeqAccess,
    Unexpected, VariantAccess, Visitor,
};

use super::fault::Fault;
use super::node::{Kind, Shared};
use super::source::Span;

/// Newtype name by which [`super::At`] asks for a value with its span.
pub(super) const AT: &str = "portproof value with its place";
/// Newtype name by which [`super::OneOrMany`] asks for a list.
pub(super) const MANY: &str = "portproof one value or a list";
/// Newtype name by which a visitor asks for a scalar as text, a list or a mapping.
pub(super) const RAW: &str = "portproof text, list or mapping";

/// Reads one node.
#[derive(Clone, Copy)]
pub(super) struct Reader<'a> {
    node: &'a Shared,
}

impl<'a> Reader<'a> {
    pub(super) fn new(node: &'a Shared) -> Reader<'a> {
        Reader { node }
    }

    fn list<'de, V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let Kind::List(items) = &self.node.kind else {
            return self.any(visitor);
        };
        let mut items = Items(items);
        let value = visitor.visit_seq(&mut items)?;
        match items.next() {
            None => Ok(value),
            Some(item) => Err(Fault::custom("one value too many").at(item)),
        }
    }

    fn map<'de, V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        match &self.node.kind {
            Kind::Map(entries) => visitor.visit_map(Pairs {
                entries,
                value: None,
            }),
            _ => self.any(visitor),
        }
    }

    /// The value by its looks.
    fn any<'de, V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        match &self.node.kind {
            Kind::List(_) => self.list(visitor),
            Kind::Map(_) => self.map(visitor),
            Kind::Scalar { text, plain: false } => visitor.visit_str(text),
            Kind::Scalar { text, .. } => match text.as_str() {
                _ if self.node.is_nothing() => visitor.visit_unit(),
                "true" => visitor.visit_bool(true),
                "false" => visitor.visit_bool(false),
                text => number(text, visitor).unwrap_or_else(|visitor| visitor.visit_str(text)),
            },
        }
    }

    /// Text as it is written, whatever else it could be.
    fn text<'de, V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        match self.node.text() {
            Some(text) if !self.node.is_nothing() => visitor.visit_str(text),
            _ => self.any(visitor),
        }
    }
}

/// Reads a node; what a type finds wrong with it by itself is the node's fault too.
fn read_with<'de, S: DeserializeSeed<'de>>(seed: S, node: &Shared) -> Result<S::Value, Fault> {
    seed.deserialize(Reader::new(node))
        .map_err(|fault| fault.at(node))
}

/// Hands a number to the visitor, or gives the visitor back.
fn number<'de, V: Visitor<'de>>(text: &str, visitor: V) -> Result<Result<V::Value, Fault>, V> {
    let looks_so = text
        .trim_start_matches(['-', '+'])
        .starts_with(|c: char| c.is_ascii_digit() || c == '.');
    if !looks_so {
        Err(visitor)
    } else if let Ok(value) = text.parse() {
        Ok(visitor.visit_u64(value))
    } else if let Ok(value) = text.parse() {
        Ok(visitor.visit_i64(value))
    } else if let Ok(value) = text.parse() {
        Ok(visitor.visit_f64(value))
    } else {
        Err(visitor)
    }
}

/// Each way in names the node if the visitor did not name a deeper one.
macro_rules! read {
    ($($name:ident => $how:ident),* $(,)?) => {$(
        fn $name<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
            self.$how(visitor).map_err(|fault| fault.at(self.node))
        }
    )*};
}

impl<'de> Deserializer<'de> for Reader<'_> {
    type Error = Fault;

    read! {
        deserialize_any => any,
        deserialize_bool => any,
        deserialize_i8 => any, deserialize_i16 => any, deserialize_i32 => any,
        deserialize_i64 => any, deserialize_i128 => any,
        deserialize_u8 => any, deserialize_u16 => any, deserialize_u32 => any,
        deserialize_u64 => any, deserialize_u128 => any,
        deserialize_f32 => any, deserialize_f64 => any,
        deserialize_char => text, deserialize_str => text, deserialize_string => text,
        deserialize_identifier => text,
        deserialize_bytes => text, deserialize_byte_buf => text,
        deserialize_unit => any,
        deserialize_seq => list,
        deserialize_map => map,
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let read = if self.node.is_nothing() {
            visitor.visit_none()
        } else {
            visitor.visit_some(self)
        };
        read.map_err(|fault| fault.at(self.node))
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        let read = match (name, &self.node.kind) {
            (AT, _) => visitor.visit_seq(WithSpan {
                node: self.node,
                part: 0,
            }),
            (RAW, Kind::Scalar { text, .. }) if !self.node.is_nothing() => visitor.visit_str(text),
            (RAW, _) => self.any(visitor),
            (MANY, Kind::List(_)) => self.list(visitor),
            _ => visitor.visit_newtype_struct(self),
        };
        read.map_err(|fault| fault.at(self.node))
    }

    fn deserialize_unit_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.deserialize_unit(visitor)
    }

    fn deserialize_tuple<V: Visitor<'de>>(self, _: usize, visitor: V) -> Result<V::Value, Fault> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_tuple_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: usize,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.deserialize_map(visitor)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        let read = match &self.node.kind {
            Kind::Map(entries) => {
                let mut pairs = Pairs {
                    entries,
                    value: None,
                };
                match (pairs.next(), pairs.next()) {
                    (Some((key, value)), None) => visitor.visit_enum(Variant { key, value }),
                    (Some(_), Some((key, _))) => {
                        Err(Fault::custom("one key too many\nthis mapping holds one key").at(key))
                    }
                    (None, _) => Err(Fault::invalid_length(0, &"one key")),
                }
            }
            Kind::Scalar { text, .. } if !self.node.is_nothing() => {
                visitor.visit_enum(text.as_str().into_deserializer())
            }
            _ => self.any(visitor),
        };
        read.map_err(|fault| fault.at(self.node))
    }

    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        visitor.visit_unit()
    }
}

/// The visible values of a list that are still to come.
struct Items<'a>(&'a [Shared]);

impl<'a> Items<'a> {
    fn next(&mut self) -> Option<&'a Shared> {
        loop {
            let (first, rest) = self.0.split_first()?;
            self.0 = rest;
            if !first.is_hidden() {
                return Some(first);
            }
        }
    }
}

impl<'de> SeqAccess<'de> for &mut Items<'_> {
    type Error = Fault;

    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Fault> {
        match self.next() {
            Some(item) => read_with(seed, item).map(Some),
            None => Ok(None),
        }
    }
}

/// The visible entries of a mapping that are still to come.
struct Pairs<'a> {
    entries: &'a [(Shared, Shared)],
    value: Option<&'a Shared>,
}

impl<'a> Pairs<'a> {
    fn next(&mut self) -> Option<(&'a Shared, &'a Shared)> {
        loop {
            let ((key, value), rest) = self.entries.split_first()?;
            self.entries = rest;
            if !key.is_hidden() && !value.is_hidden() {
                return Some((key, value));
            }
        }
    }
}

impl<'de> MapAccess<'de> for Pairs<'_> {
    type Error = Fault;

    fn next_key_seed<K: DeserializeSeed<'de>>(
        &mut self,
        seed: K,
    ) -> Result<Option<K::Value>, Fault> {
        let Some((key, value)) = self.next() else {
            return Ok(None);
        };
        self.value = Some(value);
        read_with(seed, key)
            .map(Some)
            .map_err(|fault| fault.beside(value))
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(&mut self, seed: V) -> Result<V::Value, Fault> {
        match self.value.take() {
            Some(value) => read_with(seed, value),
            None => Err(Fault::custom("a value without a key")),
        }
    }
}

/// The four parts that [`super::At`] asks for.
struct WithSpan<'a> {
    node: &'a Shared,
    part: usize,
}

impl<'de> SeqAccess<'de> for WithSpan<'_> {
    type Error = Fault;

    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Fault> {
        let Span { source, start, end } = self.node.span;
        let number = |value| U32Deserializer::<Fault>::new(value);
        self.part += 1;
        match self.part {
            1 => seed.deserialize(number(source)).map(Some),
            2 => seed.deserialize(number(start)).map(Some),
            3 => seed.deserialize(number(end)).map(Some),
            4 => read_with(seed, self.node).map(Some),
            _ => Ok(None),
        }
    }
}

/// A mapping with one key: the key names the variant.
struct Variant<'a> {
    key: &'a Shared,
    value: &'a Shared,
}

impl<'de> EnumAccess<'de> for Variant<'_> {
    type Error = Fault;
    type Variant = Self;

    fn variant_seed<V: DeserializeSeed<'de>>(self, seed: V) -> Result<(V::Value, Self), Fault> {
        let name = self.key.text().unwrap_or_default();
        let variant = seed
            .deserialize(StrDeserializer::new(name))
            .map_err(|fault: Fault| fault.at(self.key).beside(self.value))?;
        Ok((variant, self))
    }
}

impl<'de> VariantAccess<'de> for Variant<'_> {
    type Error = Fault;

    fn unit_variant(self) -> Result<(), Fault> {
        if self.value.is_nothing() {
            return Ok(());
        }
        Err(Fault::invalid_type(Unexpected::Map, &"the word alone").at(self.value))
    }

    fn newtype_variant_seed<T: DeserializeSeed<'de>>(self, seed: T) -> Result<T::Value, Fault> {
        read_with(seed, self.value)
    }

    fn tuple_variant<V: Visitor<'de>>(self, _: usize, visitor: V) -> Result<V::Value, Fault> {
        Reader::new(self.value).deserialize_seq(visitor)
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        Reader::new(self.value).deserialize_map(visitor)
    }
}
