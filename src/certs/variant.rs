//! The kinds of certificate that every holder gets, and what each of them should lead to.

use super::Role;

/// What is special about a certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Variant {
    /// Nothing: it should be taken.
    #[default]
    Good,
    /// Its time is over.
    Expired,
    /// Its time has not come.
    NotYetValid,
    /// A server's usage on a client's certificate, and the other way round.
    WrongUsage,
    /// It names somebody else: for a server another host, for a client somebody of whom the bench
    /// has no account.
    WrongName,
    /// It is on the revocation list.
    Revoked,
    /// An authority issued it that nobody trusts.
    UnknownIssuer,
    /// Good, below four intermediate authorities: its chain needs several fragments.
    LongChain,
}

impl Variant {
    /// All of them; the good one first.
    pub const ALL: [Variant; 8] = [
        Variant::Good,
        Variant::Expired,
        Variant::NotYetValid,
        Variant::WrongUsage,
        Variant::WrongName,
        Variant::Revoked,
        Variant::UnknownIssuer,
        Variant::LongChain,
    ];

    /// Also the stem of its file names.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Variant::Good => "good",
            Variant::Expired => "expired",
            Variant::NotYetValid => "not-yet-valid",
            Variant::WrongUsage => "wrong-usage",
            Variant::WrongName => "wrong-name",
            Variant::Revoked => "revoked",
            Variant::UnknownIssuer => "unknown-issuer",
            Variant::LongChain => "long-chain",
        }
    }

    /// Whether a peer that checks everything takes it. A name is checked on servers; a client's
    /// says who logs on.
    #[must_use]
    pub fn is_taken(self, role: Role) -> bool {
        match self {
            Variant::Good | Variant::LongChain => true,
            Variant::WrongName => role != Role::Server,
            _ => false,
        }
    }

    /// What should come of it, in a line for people.
    #[must_use]
    pub fn expected(self, role: Role) -> &'static str {
        match (role, self) {
            (Role::Server, Variant::Good) => "supplicants that trust the bench CA take it",
            (Role::Server, Variant::Expired) => "supplicants refuse it: expired",
            (Role::Server, Variant::NotYetValid) => "supplicants refuse it: not valid yet",
            (Role::Server, Variant::WrongUsage) => {
                "supplicants refuse it: not meant for servers (clientAuth only)"
            }
            (Role::Server, Variant::WrongName) => {
                "supplicants told which server name to expect refuse it; others take it, which is the finding"
            }
            (Role::Server, Variant::Revoked) => {
                "supplicants that were given the revocation list refuse it; others take it"
            }
            (Role::Server, Variant::UnknownIssuer) => {
                "supplicants refuse it: unknown authority; one that takes it checks nothing"
            }
            (Role::Server, Variant::LongChain) => {
                "supplicants take it; the server's flight needs several EAP fragments"
            }
            (_, Variant::Good) => "login accepted, if the bench file has the account",
            (_, Variant::Expired) => "login rejected: certificate expired",
            (_, Variant::NotYetValid) => "login rejected: certificate not valid yet",
            (_, Variant::WrongUsage) => {
                "login rejected: certificate not meant for clients (serverAuth only)"
            }
            (_, Variant::WrongName) => {
                "login accepted without an account: no class that asks for a group fits"
            }
            (_, Variant::Revoked) => {
                "login rejected: certificate revoked, if the bench file has the revocation list"
            }
            (_, Variant::UnknownIssuer) => "login rejected: unknown authority",
            (_, Variant::LongChain) => {
                "login accepted; the client's flight needs several EAP fragments"
            }
        }
    }
}
