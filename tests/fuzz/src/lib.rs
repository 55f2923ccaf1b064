//! What the fuzz targets share: a bench, a way to cut one input into datagrams, and signatures, so
//! that an input gets past the checks that no fuzzer would ever guess its way through.

pub mod eap;
pub mod words;

use std::io;
use std::path::Path;
use std::sync::{Arc, OnceLock};

use jiff::Timestamp;
use portproof::bench::world::World;
use portproof::bench::{self, Bench};
use portproof::wire::registry::attributes;
use portproof::wire::{Builder, Code, Packet, Secret};

/// The bench's switch.
pub const SWITCH: &str = "192.0.2.10:40000";
/// Its shared secret.
pub const SECRET: &[u8] = b"lantern-quay-fuzz-only";

/// The bench file that the targets run on; the class table is `classes.yaml` beside it.
pub const BENCH: &str = "\
bench: fuzz
switches:
  - name: quay-1
    address: 192.0.2.10/32
    secret: lantern-quay-fuzz-only
    dialect: enterprise-9
    variables:
      office-vlan: 20
      voice-vlan: 30
      till-vlan: 40
      device-vlan: 50
      radio-vlan: 60
      guest-vlan: 70
      holding-vlan: 99
classes: classes.yaml
";

/// Files by path and text; there are no others.
#[derive(Debug, Clone, Copy)]
pub struct Texts<'a>(pub &'a [(&'a str, &'a str)]);

impl World for Texts<'_> {
    fn read(&self, path: &Path) -> io::Result<String> {
        let file = self.0.iter().find(|(name, _)| path == Path::new(name));
        file.map(|(_, text)| (*text).to_owned())
            .ok_or(io::ErrorKind::NotFound.into())
    }

    fn has(&self, path: &Path) -> bool {
        self.read(path).is_ok()
    }

    fn variable(&self, _: &str) -> Option<String> {
        None
    }
}

/// The bench with the class table that ships and the accounts of the lab.
#[must_use]
pub fn bench() -> Arc<Bench> {
    static PARSED: OnceLock<Arc<Bench>> = OnceLock::new();
    let parsed = PARSED.get_or_init(|| {
        let files = Texts(&[
            (
                "classes.yaml",
                include_str!("../../../profiles/lantern-quay.classes.yaml"),
            ),
            (
                "accounts.yaml",
                include_str!("../../../lab/lantern-quay.accounts.yaml"),
            ),
        ]);
        let text = format!("{BENCH}accounts: accounts.yaml\n");
        let loaded = bench::parse(&files, "fuzz.yaml", &text, Path::new(""));
        Arc::new(loaded.expect("the bench of the fuzzer is right").bench)
    });
    Arc::clone(parsed)
}

/// The secret of [`SWITCH`].
#[must_use]
pub fn secret() -> Secret {
    Secret::new(SECRET)
}

/// Some time.
#[must_use]
pub fn start() -> Timestamp {
    Timestamp::from_second(1_700_000_000).expect("a time")
}

/// Cuts an input into pieces: an octet of choices, a length of two octets, and so many octets,
/// fewer in the last one.
pub fn pieces(input: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    let mut rest = input;
    std::iter::from_fn(move || {
        let (&[choices, high, low], tail) = rest.split_first_chunk::<3>()?;
        let length = usize::from(u16::from_be_bytes([high, low]));
        let (piece, tail) = tail.split_at(length.min(tail.len()));
        rest = tail;
        Some((choices, piece))
    })
    .take(16)
}

/// The datagram, signed as its code wants it where it is a packet at all: a Message-Authenticator
/// in place of any that it has, and the authenticators of accounting, changes and, to `request`,
/// answers.
#[must_use]
pub fn signed(datagram: &[u8], request: &[u8; 16]) -> Vec<u8> {
    let resigned = Packet::parse(datagram).ok().and_then(|packet| {
        let mut builder = Builder::new(packet.code(), packet.identifier());
        builder.message_authenticator().ok()?;
        for attribute in packet.attributes() {
            if attribute.kind != attributes::MESSAGE_AUTHENTICATOR {
                builder.push(attribute.kind, attribute.value).ok()?;
            }
        }
        Some(match packet.code() {
            code if code.request_is_digested() => builder.finish_digested_request(&secret()),
            code if code.is_response() => builder.finish_response(request, &secret()),
            Code(_) => builder.finish_request(packet.authenticator(), &secret()),
        })
    });
    resigned.unwrap_or_else(|| datagram.to_vec())
}

/// The Access-Request as the next one of the login that `challenge` goes on with: State, and the
/// Identifier of the EAP packet. Anything else stays as it is.
#[must_use]
pub fn continued(datagram: &[u8], challenge: &[u8]) -> Vec<u8> {
    let next = || {
        let packet = Packet::parse(datagram).ok()?;
        let challenge = Packet::parse(challenge).ok()?;
        let identifier = *challenge.first(attributes::EAP_MESSAGE)?.value.get(1)?;
        let state = challenge.first(attributes::STATE)?;
        packet.first(attributes::EAP_MESSAGE)?;
        let mut builder = Builder::new(packet.code(), packet.identifier());
        let mut first = true;
        for attribute in packet.attributes() {
            let mut value = attribute.value.to_vec();
            if attribute.kind == attributes::EAP_MESSAGE && std::mem::take(&mut first) {
                *value.get_mut(1)? = identifier;
            }
            builder.push(attribute.kind, &value).ok()?;
        }
        builder.push(state.kind, state.value).ok()?;
        Some(builder.finish_request(packet.authenticator(), &secret()))
    };
    next().unwrap_or_else(|| datagram.to_vec())
}
