//! Rules over the journal that audit the switch under test.
//!
//! [`Auditor`] is shown the entries of a journal one by one and says at any time what the switch
//! did against a standard or weakly. It keeps what it must remember in bounded caches, and knows
//! neither clock nor socket: time is the time of the entries.
//!
//! A rule is one row of a table, in the file of its standard: what it is about, why that matters
//! for a port configuration, what to do, and one function over what was seen (`seen`). The
//! memory that a rule needs is kept beside the rules and shared by all: transmissions
//! (`sendings`), devices and sessions (`tracks`), changes (`exchanges`), and what a switch
//! still owes (`agenda`).
//!
//! `docs/reference-findings.md` lists the rules.

mod agenda;
mod auditor;
mod exchanges;
mod facts;
mod finding;
mod granted;
mod ledger;
mod read;
mod rule;
pub mod sarif;
mod seen;
mod sendings;
mod tracks;

mod rfc2865;
mod rfc2866;
mod rfc2869;
mod rfc3579;
mod rfc3580;
mod rfc4675;
mod rfc4849;
mod rfc5080;
mod rfc5176;
mod rfc5997;
mod rfc8044;
mod trade;

#[cfg(test)]
mod tests;

pub use auditor::{Auditor, audit};
pub use facts::{BenchFacts, SwitchFacts};
pub use finding::{Example, Finding, PacketRef};
pub use rule::{NoSeverity, Rule, Severity, Source};

/// Every rule, by standard.
pub fn rules() -> impl Iterator<Item = &'static Rule> {
    [
        rfc2865::REQUESTS,
        rfc2865::GRANTS,
        rfc2866::RULES,
        rfc2869::RULES,
        rfc3579::RULES,
        rfc3580::RULES,
        rfc4675::RULES,
        rfc4849::RULES,
        rfc5080::RULES,
        rfc5176::ANSWERS,
        rfc5176::DEEDS,
        rfc5997::RULES,
        rfc8044::RULES,
        trade::RULES,
    ]
    .into_iter()
    .flatten()
}
