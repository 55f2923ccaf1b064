//! The notation of RFC 6929 section 9: `241.26.1.5 {3 "test"}`.

use portproof::wire::extended;
use serde_json::Value;

use crate::record::unhex;

#[derive(Debug)]
pub struct Notation {
    pub kind: u8,
    pub extended: u8,
    pub vendor: Option<(u32, u8)>,
    pub content: Content,
}

#[derive(Debug, PartialEq, Clone)]
pub enum Content {
    Octets(Vec<u8>),
    Tlvs(Vec<(u8, Content)>),
}

impl Notation {
    pub fn read(text: &str, long: Option<&Value>) -> Notation {
        let (path, rest) = text.split_once(' ').expect("a path and a value");
        let numbers: Vec<u32> = path
            .split('.')
            .map(|n| n.parse().expect("number"))
            .collect();
        let (kind, extended, vendor) = match *numbers.as_slice() {
            [kind, extended] => (kind, extended, None),
            [kind, extended, vendor, inner] => (kind, extended, Some((vendor, inner as u8))),
            _ => panic!("path {path}"),
        };
        let content = match long {
            Some(hex) => Content::Octets(unhex(hex.as_str().expect("hex"))),
            None => Content::read(&mut rest.trim_start()),
        };
        Notation {
            kind: kind as u8,
            extended: extended as u8,
            vendor,
            content,
        }
    }

    pub fn value(&self) -> Vec<u8> {
        let inner = self.content.octets();
        match self.vendor {
            None => inner,
            Some((vendor, kind)) => extended::Evs {
                vendor,
                kind,
                value: &inner,
            }
            .to_value(),
        }
    }
}

impl Content {
    /// `"text"`, hex octets, or TLVs in braces; stops at a closing brace.
    pub fn read(text: &mut &str) -> Content {
        if let Some(rest) = text.strip_prefix('"') {
            let (inside, rest) = rest.split_once('"').expect("a closing quote");
            *text = rest;
            return Content::Octets(inside.as_bytes().to_vec());
        }
        if !text.starts_with('{') {
            let (inside, rest) = text.split_at(text.find('}').unwrap_or(text.len()));
            *text = rest;
            return Content::Octets(unhex(&inside.replace(' ', "")));
        }
        let mut tlvs = Vec::new();
        while let Some(rest) = text.strip_prefix('{') {
            let (kind, rest) = rest.split_at(rest.find([' ', '{']).expect("a type"));
            *text = rest.trim_start();
            tlvs.push((kind.parse().expect("type"), Content::read(text)));
            *text = text
                .strip_prefix('}')
                .expect("a closing brace")
                .trim_start();
        }
        Content::Tlvs(tlvs)
    }

    pub fn octets(&self) -> Vec<u8> {
        match self {
            Content::Octets(octets) => octets.clone(),
            Content::Tlvs(tlvs) => tlvs.iter().fold(Vec::new(), |mut to, (kind, content)| {
                assert!(extended::push_tlv(&mut to, *kind, &content.octets()));
                to
            }),
        }
    }

    /// Octets taken apart as deeply as `like` is.
    pub fn of(octets: &[u8], like: &Content) -> Content {
        match like {
            Content::Octets(_) => Content::Octets(octets.to_vec()),
            Content::Tlvs(inner) => Content::Tlvs(
                extended::tlvs(octets)
                    .expect("TLVs")
                    .iter()
                    .zip(inner)
                    .map(|(tlv, (_, like))| (tlv.kind, Content::of(tlv.value, like)))
                    .collect(),
            ),
        }
    }
}
