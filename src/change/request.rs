//! One request: which session it names and what it asks for.

use jiff::Timestamp;

use crate::bench::spell::{self, CannotSpell};
use crate::bench::{Bench, ChangeKind, ChangeSpelling, Dialect, Switch};
use crate::roster::Session;
use crate::wire::registry::attributes;
use crate::wire::{AttributeBuf, BuildError, Builder, Code, Packet};

/// Service-Type Authorize-Only (RFC 5176 section 3.2).
const AUTHORIZE_ONLY: u32 = 17;

/// Attributes by which a switch knows itself (RFC 5176 section 3): a change repeats what the
/// switch's own request said, because another value is refused with Error-Cause 403.
const NAS_IDENTIFICATION: [u8; 3] = [
    attributes::NAS_IP_ADDRESS,
    attributes::NAS_IDENTIFIER,
    attributes::NAS_IPV6_ADDRESS,
];

/// Why a change cannot be put into attributes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Unspellable {
    /// The dialect has no spelling for it.
    #[error("dialect '{dialect}' has no spelling for {kind}; it knows {known}")]
    Kind {
        /// Dialect.
        dialect: String,
        /// Change.
        kind: ChangeKind,
        /// The changes that it does know.
        known: String,
    },
    /// The class to grant is not in the table, or no longer.
    #[error("the class table has no class '{0}' to grant")]
    Class(String),
    /// The dialect cannot spell the grant.
    #[error("the grant of class '{class}' cannot be spelt: {reason}")]
    Grant {
        /// Class.
        class: String,
        /// Why.
        reason: CannotSpell,
    },
    /// Nothing names the session.
    #[error(
        "the switch's request carried none of the attributes by which dialect '{dialect}' names a \
         session: {wanted}"
    )]
    Nameless {
        /// Dialect.
        dialect: String,
        /// What it names sessions by.
        wanted: String,
    },
    /// The request would not be a valid packet.
    #[error("the request does not fit: {0}")]
    TooLong(#[from] BuildError),
}

/// A change, put into attributes.
#[derive(Debug, Clone)]
pub(super) struct Request {
    pub(super) code: Code,
    /// Error-Cause by which a NAK says that the change was begun.
    pub(super) begun_by: Option<u32>,
    /// State that the switch must give back unmodified (RFC 5176 section 3.3).
    pub(super) state: Option<Vec<u8>>,
    /// Names of the attributes that name the session.
    pub(super) named_by: String,
    attributes: Vec<AttributeBuf>,
}

impl Request {
    /// Spells `kind` for a session on `switch`. The grant of `to_class`, or else of the session's
    /// own class, goes along where the dialect says so.
    pub(super) fn spell(
        bench: &Bench,
        switch: &Switch,
        session: &Session,
        kind: ChangeKind,
        to_class: Option<&str>,
    ) -> Result<Request, Unspellable> {
        let dialect = &switch.dialect;
        let spelling = dialect
            .changes
            .get(&kind)
            .ok_or_else(|| unknown_kind(dialect, kind))?;
        let mut attributes = Vec::new();
        let named_by = identify(&mut attributes, dialect, session)?;
        attributes.extend(spelling.attributes.iter().cloned());
        if spelling.with_grant {
            let class = to_class.unwrap_or(&session.class);
            attributes.extend(grant(bench, switch, class)?);
        }
        let state = authorizes_only(spelling).then(|| state(session.id));
        if let Some(state) = &state {
            attributes.push(AttributeBuf::new(attributes::STATE, state.clone()));
        }
        let request = Request {
            code: code(spelling),
            begun_by: spelling.begun_by,
            state,
            named_by,
            attributes,
        };
        // Too long a packet is to be known now, not when it is due.
        request.octets(Timestamp::UNIX_EPOCH, 0, switch)?;
        Ok(request)
    }

    /// The finished packet. Event-Timestamp is `now`: a repetition sends these same octets.
    pub(super) fn octets(
        &self,
        now: Timestamp,
        identifier: u8,
        switch: &Switch,
    ) -> Result<Vec<u8>, BuildError> {
        let mut builder = Builder::new(self.code, identifier);
        if switch.dialect.message_authenticator {
            builder.message_authenticator()?;
        }
        for attribute in &self.attributes {
            builder.attribute(attribute)?;
        }
        if switch.dialect.event_timestamp {
            // Seconds since 1970 in 32 bits (RFC 2869 section 5.3), which end in 2106.
            let seconds = u32::try_from(now.as_second()).unwrap_or(u32::MAX);
            builder.integer(attributes::EVENT_TIMESTAMP, seconds)?;
        }
        Ok(builder.finish_digested_request(&switch.change_secret))
    }
}

/// Pushes what names the switch and the session; the names of the latter's attributes.
fn identify(
    attributes: &mut Vec<AttributeBuf>,
    dialect: &Dialect,
    session: &Session,
) -> Result<String, Unspellable> {
    let stored = Packet::parse(&session.request).ok();
    let of_request = |kind: u8| stored.iter().flat_map(move |packet| packet.all(kind));
    for kind in NAS_IDENTIFICATION {
        attributes.extend(of_request(kind).map(|attribute| attribute.to_buf()));
    }
    let mut names = Vec::new();
    for kind in dialect.identify.iter().copied() {
        if NAS_IDENTIFICATION.contains(&kind) {
            continue;
        }
        let before = attributes.len();
        match &session.acct_session_id {
            Some(id) if kind == attributes::ACCT_SESSION_ID => {
                attributes.push(AttributeBuf::text(kind, id));
            }
            _ => attributes.extend(of_request(kind).map(|attribute| attribute.to_buf())),
        }
        if attributes.len() > before {
            names.push(attribute_name(kind));
        }
    }
    if names.is_empty() {
        let wanted: Vec<String> = dialect
            .identify
            .iter()
            .copied()
            .map(attribute_name)
            .collect();
        return Err(Unspellable::Nameless {
            dialect: dialect.name.clone(),
            wanted: wanted.join(", "),
        });
    }
    Ok(names.join(", "))
}

fn grant(bench: &Bench, switch: &Switch, class: &str) -> Result<Vec<AttributeBuf>, Unspellable> {
    let row = bench
        .table
        .class(class)
        .ok_or_else(|| Unspellable::Class(class.to_owned()))?;
    spell::grant(&row.grant, switch).map_err(|reason| Unspellable::Grant {
        class: class.to_owned(),
        reason,
    })
}

fn unknown_kind(dialect: &Dialect, kind: ChangeKind) -> Unspellable {
    let known: Vec<&str> = dialect.changes.keys().map(|kind| kind.word()).collect();
    Unspellable::Kind {
        dialect: dialect.name.clone(),
        kind,
        known: if known.is_empty() {
            "no change at all".to_owned()
        } else {
            known.join(", ")
        },
    }
}

fn code(spelling: &ChangeSpelling) -> Code {
    if spelling.disconnect {
        Code::DISCONNECT_REQUEST
    } else {
        Code::COA_REQUEST
    }
}

fn authorizes_only(spelling: &ChangeSpelling) -> bool {
    let only = |attribute: &AttributeBuf| {
        attribute.kind == attributes::SERVICE_TYPE
            && attribute.view().integer() == Some(AUTHORIZE_ONLY)
    };
    spelling.attributes.iter().any(only)
        && !spelling
            .attributes
            .iter()
            .any(|attribute| attribute.kind == attributes::STATE)
}

fn attribute_name(kind: u8) -> String {
    attributes::name(kind).map_or_else(|| format!("attribute {kind}"), str::to_owned)
}

/// State of an Authorize-Only change (RFC 5176 section 3.3), readable in a capture.
fn state(session: u64) -> Vec<u8> {
    format!("session {session}").into_bytes()
}
