//! TLS in EAP packets: puts fragments together, feeds the TLS library, cuts what it says into
//! fragments (RFC 5216 section 2.1.5; the same in RFC 5281 section 9.2 and PEAP).

use std::io::{Read as _, Write as _};
use std::sync::Arc;

use jiff::Timestamp;
use rustls::server::ServerConnection;
use rustls::{Error, HandshakeKind, PeerIncompatible};

use super::alert::Alert;
use super::codec::fragment::{FIRST_OVERHEAD, Fragment};
use super::codec::tls_record::hello_random;
use super::keys::{self, Randoms};
use super::link::Link;
use super::proof::{Keys, Method, Proven, TlsVersion};
use super::refusal::Refusal;
use super::tls_settings::Tls;

/// Most octets of one TLS message, fragments put together. A login with a chain of ten
/// certificates stays below 32 KiB.
const MOST: usize = 64 * 1024;

/// EAP header and Type in front of a fragment.
const EAP_OVERHEAD: usize = 5;

/// What a message from the supplicant turned out to be.
pub(super) enum Event {
    /// Answer with this: an acknowledgement of its fragment, or the next fragment of ours.
    Ask(Vec<u8>),
    /// It has all of ours, and nothing to say.
    Acknowledged,
    /// A whole TLS message.
    Message(Vec<u8>),
}

pub(super) struct Channel {
    method: Method,
    tls: Box<ServerConnection>,
    link: Arc<Link>,
    settings: Arc<Tls>,
    inbox: Vec<u8>,
    announced: Option<usize>,
    outbox: Vec<u8>,
    /// Octets of the outbox that were sent.
    sent: usize,
    randoms: Randoms,
}

impl Channel {
    pub(super) fn new(
        method: Method,
        settings: &Arc<Tls>,
        now: Timestamp,
    ) -> Result<Self, Refusal> {
        let (tls, link) = settings.accept(method, now)?;
        Ok(Channel {
            method,
            tls: Box::new(tls),
            link,
            settings: settings.clone(),
            inbox: Vec::new(),
            announced: None,
            outbox: Vec::new(),
            sent: 0,
            randoms: Randoms::default(),
        })
    }

    /// The server's first message.
    pub(super) fn start() -> Vec<u8> {
        Fragment {
            start: true,
            ..Fragment::default()
        }
        .encode()
    }

    /// Takes the data of one EAP response. `room` is the most octets of an EAP packet.
    pub(super) fn receive(&mut self, data: &[u8], room: usize) -> Result<Event, Refusal> {
        let fragment = Fragment::parse(data).ok_or(Refusal::Fragments("the length is cut off"))?;
        if fragment.version != 0 && self.method != Method::Tls {
            return Err(Refusal::MethodVersion {
                method: self.method,
                version: fragment.version,
            });
        }
        if fragment.is_acknowledgement() && self.inbox.is_empty() {
            return Ok(if self.has_output() {
                Event::Ask(self.next_fragment(room))
            } else {
                Event::Acknowledged
            });
        }
        // Data while ours is not all out: the supplicant does not want the rest of it.
        self.drop_output();
        self.gather(&fragment)?;
        if fragment.more {
            return Ok(Event::Ask(Fragment::default().encode()));
        }
        self.announced = None;
        Ok(Event::Message(std::mem::take(&mut self.inbox)))
    }

    fn gather(&mut self, fragment: &Fragment<'_>) -> Result<(), Refusal> {
        if let (Some(total), None) = (fragment.total, self.announced) {
            self.announced = Some(usize::try_from(total).unwrap_or(usize::MAX));
        }
        let length = self.inbox.len() + fragment.data.len();
        let said = length.max(self.announced.unwrap_or(0));
        if said > MOST {
            return Err(Refusal::TooLong { said, most: MOST });
        }
        if self.announced.is_some_and(|announced| length > announced) {
            return Err(Refusal::Fragments("there is more than was announced"));
        }
        if !fragment.more && self.announced.is_some_and(|announced| length < announced) {
            return Err(Refusal::Fragments("there is less than was announced"));
        }
        self.inbox.extend_from_slice(fragment.data);
        Ok(())
    }

    /// Gives a whole TLS message to the library, and returns what it carried for us. What the
    /// library answers, an alert too, waits in the outbox.
    pub(super) fn process(&mut self, now: Timestamp, message: &[u8]) -> Result<Vec<u8>, Refusal> {
        self.link.set_time(now);
        if self.randoms.client.is_none() {
            self.randoms.client = hello_random(message);
        }
        let outcome = self.feed(message);
        self.collect();
        if self.randoms.server.is_none() {
            self.randoms.server = hello_random(&self.outbox);
        }
        outcome.map_err(|error| self.refusal(error, now))
    }

    fn feed(&mut self, mut message: &[u8]) -> Result<Vec<u8>, Error> {
        let mut plaintext = Vec::new();
        while !message.is_empty() {
            let read = self.tls.read_tls(&mut message);
            let waiting = self.tls.process_new_packets()?.plaintext_bytes_to_read();
            let mut part = vec![0; waiting];
            let got = self.tls.reader().read(&mut part).unwrap_or(0);
            part.truncate(got);
            plaintext.append(&mut part);
            if !matches!(read, Ok(1..)) {
                // Octets after the supplicant closed: there is nothing more to say.
                break;
            }
        }
        Ok(plaintext)
    }

    /// Moves what the library has to say into the outbox.
    fn collect(&mut self) {
        while self.tls.wants_write() {
            // Writing to a Vec cannot fail, and the library writes at least an octet.
            if !matches!(self.tls.write_tls(&mut self.outbox), Ok(1..)) {
                break;
            }
        }
    }

    /// Encrypts application data behind what is in the outbox.
    pub(super) fn write(&mut self, plaintext: &[u8]) {
        if plaintext.is_empty() {
            return;
        }
        // The library buffers 64 KiB; what goes into a tunnel is an EAP packet at most.
        let _ = self.tls.writer().write_all(plaintext);
        self.collect();
    }

    /// The next fragment, or an empty message when all is out.
    pub(super) fn next_fragment(&mut self, room: usize) -> Vec<u8> {
        let room = room.saturating_sub(EAP_OVERHEAD + FIRST_OVERHEAD).max(1);
        let left = self.outbox.get(self.sent..).unwrap_or_default();
        // The length goes into the first of several fragments (RFC 5216 section 2.1.5). The later
        // ones could be longer by its four octets; equal cuts are easier to read in a capture.
        let first_of_many = self.sent == 0 && left.len() > room;
        let data = left.get(..room).unwrap_or(left);
        let fragment = Fragment {
            total: first_of_many
                .then(|| u32::try_from(left.len()).ok())
                .flatten(),
            more: data.len() < left.len(),
            data,
            ..Fragment::default()
        };
        let bytes = fragment.encode();
        self.sent += data.len();
        if !self.has_output() {
            self.drop_output();
        }
        bytes
    }

    pub(super) fn has_output(&self) -> bool {
        self.sent < self.outbox.len()
    }

    /// Octets sent and octets in all, of a message that is not all out.
    pub(super) fn progress(&self) -> Option<(usize, usize)> {
        self.has_output().then_some((self.sent, self.outbox.len()))
    }

    fn drop_output(&mut self) {
        self.outbox = Vec::new();
        self.sent = 0;
    }

    pub(super) fn is_established(&self) -> bool {
        !self.tls.is_handshaking()
    }

    /// A ClientHello has been answered.
    pub(super) fn has_answered(&self) -> bool {
        self.randoms.server.is_some()
    }

    pub(super) fn version(&self) -> TlsVersion {
        keys::version(&self.tls)
    }

    pub(super) fn link(&self) -> &Link {
        &self.link
    }

    /// What the resumed session proved; `None` after a full handshake.
    pub(super) fn resumed(&self) -> Option<Arc<Proven>> {
        (self.tls.handshake_kind() == Some(HandshakeKind::Resumed))
            .then(|| self.link.resumed())
            .flatten()
    }

    pub(super) fn keys(&self) -> Result<(Keys, Option<Vec<u8>>), Refusal> {
        Ok(keys::derive(&self.tls, self.method, self.randoms)?)
    }

    pub(super) fn ttls_challenge(&self) -> Result<[u8; 17], Refusal> {
        Ok(keys::ttls_challenge(&self.tls)?)
    }

    fn refusal(&self, error: Error, now: Timestamp) -> Refusal {
        match error {
            Error::AlertReceived(alert) => Refusal::Alert(Alert {
                code: alert.into(),
                server: self.settings.server().clone(),
                at: now,
            }),
            Error::NoCertificatesPresented => Refusal::NoCertificate,
            Error::PeerIncompatible(why) => match not_shared(&why) {
                Some(what) => Refusal::NoCommonTls { what },
                None => Error::PeerIncompatible(why).into(),
            },
            other => match self.link.take_fault() {
                Some(fault) => Refusal::Certificate(fault),
                None => other.into(),
            },
        }
    }
}

fn not_shared(why: &PeerIncompatible) -> Option<&'static str> {
    Some(match why {
        PeerIncompatible::Tls12NotOffered
        | PeerIncompatible::Tls12NotOfferedOrEnabled
        | PeerIncompatible::SupportedVersionsExtensionRequired
        | PeerIncompatible::ServerTlsVersionIsDisabledByOurConfig => "TLS version",
        PeerIncompatible::NoCipherSuitesInCommon => "cipher suite",
        PeerIncompatible::NoKxGroupsInCommon
        | PeerIncompatible::NamedGroupsExtensionRequired
        | PeerIncompatible::KeyShareExtensionRequired => "key exchange group",
        PeerIncompatible::NoSignatureSchemesInCommon => "signature scheme",
        // TLS 1.2 made the extension (RFC 5246 section 7.4.1.4.1): a hello without it is mostly
        // one of TLS 1.1 or older.
        PeerIncompatible::SignatureAlgorithmsExtensionRequired => "TLS version or signature scheme",
        _ => return None,
    })
}

impl From<Error> for Refusal {
    fn from(error: Error) -> Refusal {
        Refusal::Tls(error.to_string())
    }
}
