//! Values of Error-Cause (RFC 5176 section 3.5).

use std::fmt;

use crate::wire::code::Code;

/// An Error-Cause. Unknown values survive and are shown by number.
#[derive(
    Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct ErrorCause(pub u32);

impl ErrorCause {
    /// The session is gone, parts of it were left and are now removed too; Disconnect-ACK only.
    pub const RESIDUAL_SESSION_CONTEXT_REMOVED: ErrorCause = ErrorCause(201);
    /// An EAP packet was ignored; must not be sent by the server of a change.
    pub const INVALID_EAP_PACKET: ErrorCause = ErrorCause(202);
    /// An attribute is not supported.
    pub const UNSUPPORTED_ATTRIBUTE: ErrorCause = ErrorCause(401);
    /// A needed attribute is missing.
    pub const MISSING_ATTRIBUTE: ErrorCause = ErrorCause(402);
    /// The NAS identification attributes name another NAS.
    pub const NAS_IDENTIFICATION_MISMATCH: ErrorCause = ErrorCause(403);
    /// Some other part of the request is invalid.
    pub const INVALID_REQUEST: ErrorCause = ErrorCause(404);
    /// Service-Type in the request is not supported; CoA only.
    pub const UNSUPPORTED_SERVICE: ErrorCause = ErrorCause(405);
    /// The kind of request (CoA or Disconnect) is not supported.
    pub const UNSUPPORTED_EXTENSION: ErrorCause = ErrorCause(406);
    /// An attribute has a value that is not supported.
    pub const INVALID_ATTRIBUTE_VALUE: ErrorCause = ErrorCause(407);
    /// The NAS is set up not to honour such requests.
    pub const ADMINISTRATIVELY_PROHIBITED: ErrorCause = ErrorCause(501);
    /// A proxy does not know where to send the request.
    pub const REQUEST_NOT_ROUTABLE: ErrorCause = ErrorCause(502);
    /// No such session.
    pub const SESSION_CONTEXT_NOT_FOUND: ErrorCause = ErrorCause(503);
    /// The session was found and could not be removed; Disconnect-NAK only.
    pub const SESSION_CONTEXT_NOT_REMOVABLE: ErrorCause = ErrorCause(504);
    /// A proxy failed in another way.
    pub const OTHER_PROXY_PROCESSING_ERROR: ErrorCause = ErrorCause(505);
    /// The NAS lacks resources.
    pub const RESOURCES_UNAVAILABLE: ErrorCause = ErrorCause(506);
    /// The NAS asks for authorization with an Access-Request of its own; CoA only.
    pub const REQUEST_INITIATED: ErrorCause = ErrorCause(507);
    /// Several sessions match and the NAS handles one at a time.
    pub const MULTIPLE_SESSION_SELECTION_UNSUPPORTED: ErrorCause = ErrorCause(508);

    /// Every value of RFC 5176 section 3.5.
    pub const ALL: &'static [ErrorCause] = &[
        ErrorCause::RESIDUAL_SESSION_CONTEXT_REMOVED,
        ErrorCause::INVALID_EAP_PACKET,
        ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ErrorCause::MISSING_ATTRIBUTE,
        ErrorCause::NAS_IDENTIFICATION_MISMATCH,
        ErrorCause::INVALID_REQUEST,
        ErrorCause::UNSUPPORTED_SERVICE,
        ErrorCause::UNSUPPORTED_EXTENSION,
        ErrorCause::INVALID_ATTRIBUTE_VALUE,
        ErrorCause::ADMINISTRATIVELY_PROHIBITED,
        ErrorCause::REQUEST_NOT_ROUTABLE,
        ErrorCause::SESSION_CONTEXT_NOT_FOUND,
        ErrorCause::SESSION_CONTEXT_NOT_REMOVABLE,
        ErrorCause::OTHER_PROXY_PROCESSING_ERROR,
        ErrorCause::RESOURCES_UNAVAILABLE,
        ErrorCause::REQUEST_INITIATED,
        ErrorCause::MULTIPLE_SESSION_SELECTION_UNSUPPORTED,
    ];

    /// The registered name, where there is one.
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        Some(self.words()?.0)
    }

    /// One line that says what to do about it.
    #[must_use]
    pub fn remedy(self) -> &'static str {
        match self.words() {
            Some((_, remedy)) => remedy,
            None => "look this number up in the IANA registry or in the switch's documentation",
        }
    }

    /// Whether a switch may put this value into a packet of `code`. Unknown values are judged by
    /// their hundreds: 2xx in an ACK, 4xx and 5xx in a NAK.
    #[must_use]
    pub fn allowed_in(self, code: Code) -> bool {
        match self {
            ErrorCause::RESIDUAL_SESSION_CONTEXT_REMOVED => code == Code::DISCONNECT_ACK,
            ErrorCause::INVALID_EAP_PACKET => false,
            ErrorCause::UNSUPPORTED_SERVICE | ErrorCause::REQUEST_INITIATED => {
                code == Code::COA_NAK
            }
            ErrorCause::SESSION_CONTEXT_NOT_REMOVABLE => code == Code::DISCONNECT_NAK,
            ErrorCause(200..=299) => matches!(code, Code::COA_ACK | Code::DISCONNECT_ACK),
            ErrorCause(400..=599) => matches!(code, Code::COA_NAK | Code::DISCONNECT_NAK),
            _ => false,
        }
    }

    fn words(self) -> Option<(&'static str, &'static str)> {
        Some(match self {
            ErrorCause::RESIDUAL_SESSION_CONTEXT_REMOVED => (
                "Residual Session Context Removed",
                "nothing to do: the session was already gone, and what was left of it is cleared",
            ),
            ErrorCause::INVALID_EAP_PACKET => (
                "Invalid EAP Packet (Ignored)",
                "the switch must not send this in answer to a change: report it to its maker",
            ),
            ErrorCause::UNSUPPORTED_ATTRIBUTE => (
                "Unsupported Attribute",
                "take the attribute that this switch does not know out of the change, or mend its dialect",
            ),
            ErrorCause::MISSING_ATTRIBUTE => (
                "Missing Attribute",
                "add what the switch needs to find the session, often Acct-Session-Id or Calling-Station-Id",
            ),
            ErrorCause::NAS_IDENTIFICATION_MISMATCH => (
                "NAS Identification Mismatch",
                "make NAS-IP-Address or NAS-Identifier in the change the same as in the switch's own requests",
            ),
            ErrorCause::INVALID_REQUEST => (
                "Invalid Request",
                "compare the change with the attributes that this switch's documentation lists, one by one",
            ),
            ErrorCause::UNSUPPORTED_SERVICE => (
                "Unsupported Service",
                "the switch does not know this Service-Type in a change: leave it out, or use another change",
            ),
            ErrorCause::UNSUPPORTED_EXTENSION => (
                "Unsupported Extension",
                "the switch does not support this kind of request: use another change",
            ),
            ErrorCause::INVALID_ATTRIBUTE_VALUE => (
                "Invalid Attribute Value",
                "check that the VLAN, filter or role named in the change exists on the switch",
            ),
            ErrorCause::ADMINISTRATIVELY_PROHIBITED => (
                "Administratively Prohibited",
                "allow dynamic authorization from this address in the switch's configuration",
            ),
            ErrorCause::REQUEST_NOT_ROUTABLE => (
                "Request Not Routable",
                "a proxy does not know the switch: send the change to the switch itself",
            ),
            ErrorCause::SESSION_CONTEXT_NOT_FOUND => (
                "Session Context Not Found",
                "the session ended or is named otherwise: compare the change with the switch's last request for it",
            ),
            ErrorCause::SESSION_CONTEXT_NOT_REMOVABLE => (
                "Session Context Not Removable",
                "look on the switch at what keeps the session: a static entry, or a port that may not be reset",
            ),
            ErrorCause::OTHER_PROXY_PROCESSING_ERROR => (
                "Other Proxy Processing Error",
                "a proxy failed: send the change to the switch itself, or look in the proxy's log",
            ),
            ErrorCause::RESOURCES_UNAVAILABLE => (
                "Resources Unavailable",
                "the switch lacks memory, table entries or time: try again later, then look at its load",
            ),
            ErrorCause::REQUEST_INITIATED => (
                "Request Initiated",
                "nothing to do: the switch will ask again with an Access-Request of Service-Type Authorize-Only",
            ),
            ErrorCause::MULTIPLE_SESSION_SELECTION_UNSUPPORTED => (
                "Multiple Session Selection Unsupported",
                "name one session, best by Acct-Session-Id",
            ),
            _ => return None,
        })
    }
}

impl fmt::Display for ErrorCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{} {name}", self.0),
            None => write!(f, "{}", self.0),
        }
    }
}

impl fmt::Debug for ErrorCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 5176 section 3.5: 2xx in an ACK, 4xx and 5xx in a NAK, some in one kind only.
    #[test]
    fn each_cause_has_its_packets() {
        let allowed = |cause: ErrorCause| -> Vec<Code> {
            (0..=u8::MAX)
                .map(Code)
                .filter(|code| cause.allowed_in(*code))
                .collect()
        };
        let (disconnect, coa) = (Code::DISCONNECT_NAK, Code::COA_NAK);
        for cause in ErrorCause::ALL {
            let expected: &[Code] = match cause.0 {
                201 => &[Code::DISCONNECT_ACK],
                202 => &[],
                405 | 507 => &[coa],
                504 => &[disconnect],
                _ => &[disconnect, coa],
            };
            assert_eq!(allowed(*cause), expected, "{cause}");
        }
        assert_eq!(
            allowed(ErrorCause(299)),
            [Code::DISCONNECT_ACK, Code::COA_ACK]
        );
        assert_eq!(allowed(ErrorCause(599)), [disconnect, coa]);
        assert_eq!(allowed(ErrorCause(600)), []);
        assert_eq!(allowed(ErrorCause(0)), []);
    }

    #[test]
    fn every_cause_has_a_name_and_a_remedy_of_its_own() {
        let mut remedies: Vec<&str> = ErrorCause::ALL.iter().map(|c| c.remedy()).collect();
        remedies.sort_unstable();
        remedies.dedup();
        assert_eq!(remedies.len(), ErrorCause::ALL.len());
        assert!(ErrorCause::ALL.iter().all(|cause| cause.name().is_some()));
        let unknown = ErrorCause(999);
        assert_eq!(unknown.to_string(), "999");
        assert!(!remedies.contains(&unknown.remedy()));
        let known = ErrorCause::SESSION_CONTEXT_NOT_FOUND.to_string();
        assert_eq!(known, "503 Session Context Not Found");
    }
}
