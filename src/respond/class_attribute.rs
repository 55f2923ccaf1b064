//! The Class attribute of an accept, which accounting brings back (RFC 2865 section 5.25).

use jiff::Timestamp;

use crate::roster::Session;

const MARK: [u8; 4] = *b"port";

/// Octets of the value.
pub(super) const LENGTH: usize = 20;

/// The value that names a session: a mark, its number, and when it began in milliseconds, so that
/// the value of an earlier life of the bench does not name a session of this one.
pub(super) fn encode(id: u64, accepted: Timestamp) -> [u8; LENGTH] {
    let mut value = [0; LENGTH];
    let parts = MARK
        .into_iter()
        .chain(id.to_be_bytes())
        .chain(accepted.as_millisecond().to_be_bytes());
    for (place, octet) in value.iter_mut().zip(parts) {
        *place = octet;
    }
    value
}

/// The number of the session that a Class value might name.
pub(super) fn session_id(value: &[u8]) -> Option<u64> {
    let rest = value.strip_prefix(&MARK)?;
    let (id, began) = rest.split_first_chunk::<8>()?;
    (began.len() == 8).then(|| u64::from_be_bytes(*id))
}

/// Whether a Class value names this very session.
pub(super) fn names(value: &[u8], session: &Session) -> bool {
    value == encode(session.id, session.accepted)
}
