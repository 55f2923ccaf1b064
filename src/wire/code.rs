//! RADIUS packet codes (IANA registry "RADIUS Packet Type Codes").

use std::fmt;

/// A packet code. Unknown codes survive decoding and are shown by number.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Code(pub u8);

impl Code {
    /// RFC 2865 section 4.1
    pub const ACCESS_REQUEST: Code = Code(1);
    /// RFC 2865 section 4.2
    pub const ACCESS_ACCEPT: Code = Code(2);
    /// RFC 2865 section 4.3
    pub const ACCESS_REJECT: Code = Code(3);
    /// RFC 2866 section 4.1
    pub const ACCOUNTING_REQUEST: Code = Code(4);
    /// RFC 2866 section 4.2
    pub const ACCOUNTING_RESPONSE: Code = Code(5);
    /// RFC 2865 section 4.4
    pub const ACCESS_CHALLENGE: Code = Code(11);
    /// RFC 5997 section 3
    pub const STATUS_SERVER: Code = Code(12);
    /// RFC 5176 section 2.1
    pub const DISCONNECT_REQUEST: Code = Code(40);
    /// RFC 5176 section 2.1
    pub const DISCONNECT_ACK: Code = Code(41);
    /// RFC 5176 section 2.1
    pub const DISCONNECT_NAK: Code = Code(42);
    /// RFC 5176 section 2.2
    pub const COA_REQUEST: Code = Code(43);
    /// RFC 5176 section 2.2
    pub const COA_ACK: Code = Code(44);
    /// RFC 5176 section 2.2
    pub const COA_NAK: Code = Code(45);

    /// The registered name, where there is one.
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        Some(match self {
            Code::ACCESS_REQUEST => "Access-Request",
            Code::ACCESS_ACCEPT => "Access-Accept",
            Code::ACCESS_REJECT => "Access-Reject",
            Code::ACCOUNTING_REQUEST => "Accounting-Request",
            Code::ACCOUNTING_RESPONSE => "Accounting-Response",
            Code::ACCESS_CHALLENGE => "Access-Challenge",
            Code::STATUS_SERVER => "Status-Server",
            Code::DISCONNECT_REQUEST => "Disconnect-Request",
            Code::DISCONNECT_ACK => "Disconnect-ACK",
            Code::DISCONNECT_NAK => "Disconnect-NAK",
            Code::COA_REQUEST => "CoA-Request",
            Code::COA_ACK => "CoA-ACK",
            Code::COA_NAK => "CoA-NAK",
            _ => return None,
        })
    }

    /// True for the codes whose Request Authenticator is a digest over the packet itself
    /// (RFC 2866 section 3, RFC 5176 section 2.3) and not a random number.
    #[must_use]
    pub fn request_is_digested(self) -> bool {
        matches!(
            self,
            Code::ACCOUNTING_REQUEST | Code::DISCONNECT_REQUEST | Code::COA_REQUEST
        )
    }

    /// True for the codes that answer a request.
    #[must_use]
    pub fn is_response(self) -> bool {
        matches!(
            self,
            Code::ACCESS_ACCEPT
                | Code::ACCESS_REJECT
                | Code::ACCESS_CHALLENGE
                | Code::ACCOUNTING_RESPONSE
                | Code::DISCONNECT_ACK
                | Code::DISCONNECT_NAK
                | Code::COA_ACK
                | Code::COA_NAK
        )
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => f.write_str(name),
            None => write!(f, "code {}", self.0),
        }
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
