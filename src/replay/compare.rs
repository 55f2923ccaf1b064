//! Whether two packets say the same.
//!
//! Authenticators, State, the value of Message-Authenticator, the session's number in Class, the
//! time in Event-Timestamp and the salt of hidden keys differ from run to run and are not compared.

use crate::wire::hide::MPPE_VENDOR;
use crate::wire::registry::attributes as a;
use crate::wire::value::{describe, describe_packet};
use crate::wire::{Attribute, Packet};

/// What differs between an answer as recorded and of now, one line each; nothing when they say
/// the same.
#[must_use]
pub fn differences(then: Option<&[u8]>, now: Option<&[u8]>) -> Vec<String> {
    match (then, now) {
        (None, None) => Vec::new(),
        (Some(then), None) => vec![format!("recorded {}, now nothing", title(then))],
        (None, Some(now)) => vec![format!("recorded nothing, now {}", title(now))],
        (Some(then), Some(now)) => of_packets(then, now),
    }
}

fn of_packets(then: &[u8], now: &[u8]) -> Vec<String> {
    let (Ok(old), Ok(new)) = (Packet::parse(then), Packet::parse(now)) else {
        let same = then == now;
        let told = || "octets that are no RADIUS packet differ".to_owned();
        return if same { Vec::new() } else { vec![told()] };
    };
    let mut found = Vec::new();
    if old.code() != new.code() {
        found.push(format!("recorded {}, now {}", old.code(), new.code()));
    }
    let (old, new) = (statements(&old), statements(&new));
    found.extend(without(&old, &new).map(|one| format!("recorded and not now: {one}")));
    found.extend(without(&new, &old).map(|one| format!("now and not recorded: {one}")));
    found
}

/// Name of a packet for people.
#[must_use]
pub fn title(octets: &[u8]) -> String {
    Packet::parse(octets).map_or_else(
        |_| format!("{} octets that are no RADIUS packet", octets.len()),
        |packet| packet.code().to_string(),
    )
}

/// What of the first is not in the second, each as often as it is too much.
fn without<'a>(first: &'a [String], second: &[String]) -> impl Iterator<Item = &'a String> {
    let mut left: Vec<&String> = second.iter().collect();
    first.iter().filter(
        move |one| match left.iter().position(|other| other == one) {
            Some(at) => {
                left.swap_remove(at);
                false
            }
            None => true,
        },
    )
}

/// What a packet says, apart from what differs from run to run.
fn statements(packet: &Packet<'_>) -> Vec<String> {
    let by_run = packet.attributes().filter_map(|found| placeholder(&found));
    let kept: Vec<Attribute<'_>> = packet
        .attributes()
        .filter(|found| placeholder(found).is_none())
        .collect();
    let said = if kept.len() == packet.attributes().count() {
        describe_packet(packet)
    } else {
        kept.iter()
            .flat_map(|found| describe(found, packet.code()))
            .collect()
    };
    said.into_iter()
        .map(|one| format!("{} ({}) {}", one.name, one.path, one.value))
        .chain(by_run.map(str::to_owned))
        .collect()
}

/// Mark and length of the Class that `respond` gives.
const OWN_CLASS: (&[u8], usize) = (b"port", 20);
/// MPPE keys of RFC 2548 sections 2.4.2 and 2.4.3.
const MPPE_KEYS: [u8; 2] = [16, 17];

fn placeholder(found: &Attribute<'_>) -> Option<&'static str> {
    let (mark, length) = OWN_CLASS;
    match found.kind {
        a::MESSAGE_AUTHENTICATOR => Some("a Message-Authenticator"),
        a::STATE => Some("a State"),
        a::EVENT_TIMESTAMP => Some("an Event-Timestamp"),
        a::CLASS if found.value.len() == length && found.value.starts_with(mark) => {
            Some("a Class that names the session")
        }
        a::VENDOR_SPECIFIC
            if found
                .vendor_attributes()
                .iter()
                .any(|part| part.vendor == MPPE_VENDOR && MPPE_KEYS.contains(&part.kind)) =>
        {
            Some("an MPPE key")
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{AttributeBuf, Builder, Code, Secret};

    fn accept(attributes: &[AttributeBuf], run: u8) -> Vec<u8> {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, run);
        builder.message_authenticator().unwrap();
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        builder.finish_response(&[run; 16], &Secret::new("lantern quay bench"))
    }

    fn class(number: u8) -> AttributeBuf {
        let mut value = [number; 20];
        value[..4].copy_from_slice(b"port");
        AttributeBuf::new(a::CLASS, value)
    }

    #[test]
    fn what_differs_from_run_to_run_is_not_compared() {
        let one = |run: u8| {
            let own = [
                class(run),
                AttributeBuf::new(a::STATE, [run; 8]),
                AttributeBuf::vendor(311, 16, &[0x80 | run; 34]),
                AttributeBuf::text(a::FILTER_ID, "tills"),
            ];
            accept(&own, run)
        };
        assert!(differences(Some(&one(1)), Some(&one(2))).is_empty());
    }

    #[test]
    fn what_is_said_is_compared() {
        let filter = |name: &str| AttributeBuf::text(a::FILTER_ID, name);
        let then = accept(&[class(1), filter("tills"), filter("tills")], 1);
        let now = accept(&[filter("tills"), filter("phones")], 1);
        let found = differences(Some(&then), Some(&now));
        assert_eq!(found.len(), 3, "{found:?}");
        assert!(found[0].starts_with("recorded and not now: Filter-Id (11)"));
        assert_eq!(
            found[1],
            "recorded and not now: a Class that names the session"
        );
        assert!(found[2].contains("phones"), "{found:?}");
        assert_eq!(
            differences(Some(&then), None),
            ["recorded Access-Accept, now nothing"]
        );
        assert_eq!(
            differences(None, Some(&now)),
            ["recorded nothing, now Access-Accept"]
        );
    }
}
