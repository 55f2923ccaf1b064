//! RFC 5997: Status-Server.

use super::rule::{Check, Remark, Rule, Severity, rfc, when};
use super::seen::Stray;
use crate::wire::Code;

pub(super) const RULES: &[Rule] = &[Rule {
    id: "rfc5997-unsealed-status",
    source: rfc(5997, "3"),
    severity: Severity::Breach,
    title: "a Status-Server without Message-Authenticator",
    why: "Servers drop it, so the switch takes a server for dead that is not, and ports fall back to their critical VLAN.",
    remedy: "Update the switch, or probe servers with a test user in place of Status-Server.",
    check: Check::Stray(unsealed_status),
}];

fn unsealed_status(stray: &Stray<'_>) -> Option<Remark> {
    let status = stray
        .packet
        .is_some_and(|packet| packet.code() == Code::STATUS_SERVER);
    when(
        status && stray.verdict == "dropped-missing-message-authenticator",
        || "Status-Server without Message-Authenticator".to_owned(),
    )
}
