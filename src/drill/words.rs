//! The words that clauses may use. A word that nothing ever says would make a `never` hold for
//! ever, and the drill would prove nothing.

use super::expect::glob;

/// What the stand-in and its devices do (`event`).
pub const EVENTS: &[&str] = &[
    "accounting-lost",
    "address-given",
    "admitted",
    "asked",
    "asked-for-grant",
    "booted",
    "bounced",
    "change-answered",
    "change-dropped",
    "change-repeated",
    "dhcp-sent",
    "disabled",
    "dot1x-began",
    "dot1x-timed-out",
    "eapol-logoff",
    "eapol-start",
    "grant-refused",
    "held",
    "keys-differ",
    "limit-exceeded",
    "link-down",
    "link-up",
    "logged-off",
    "logged-on",
    "login-failed",
    "login-succeeded",
    "moved",
    "plugged",
    "power-back",
    "power-lost",
    "reauthenticating",
    "refused",
    "regranted",
    "repeated",
    "reply-dropped",
    "server-silent",
    "server-tried-again",
    "session-started",
    "session-stopped",
    "started",
    "stopped",
    "supplicant-silent",
    "unplugged",
];

/// Verdicts of journal entries (`verdict`), besides the families below.
pub const VERDICTS: &[&str] = &[
    // Access and Status-Server.
    "answered-accept",
    "answered-challenge",
    "answered-reject",
    "answered-reject-cannot-spell",
    "answered-reject-certificate",
    "answered-reject-disabled",
    "answered-reject-eap-failure",
    "answered-reject-expired",
    "answered-reject-mac-mismatch",
    "answered-reject-mac-password",
    "answered-reject-method-refused",
    "answered-reject-must-change-password",
    "answered-reject-needs-text",
    "answered-reject-no-conversation",
    "answered-reject-no-eap",
    "answered-reject-no-mac",
    "answered-reject-no-name",
    "answered-reject-no-password",
    "answered-reject-no-session",
    "answered-reject-password-form",
    "answered-reject-tls",
    "answered-reject-tls-alert",
    "answered-reject-unknown-account",
    "answered-reject-wrong-password",
    "answered-status",
    "stalled",
    // Silences.
    "dropped-bad-accounting-authenticator",
    "dropped-bad-message-authenticator",
    "dropped-bad-response-authenticator",
    "dropped-eap-discarded",
    "dropped-eap-overload",
    "dropped-late-answer",
    "dropped-malformed",
    "dropped-missing-message-authenticator",
    "dropped-mixed-credentials",
    "dropped-no-credentials",
    "dropped-no-device-address",
    "dropped-no-room",
    "dropped-no-sighting",
    "dropped-no-status-type",
    "dropped-not-a-request",
    "dropped-not-dhcp",
    "dropped-not-from-a-client",
    "dropped-oversized",
    "dropped-session-ended",
    "dropped-settled",
    "dropped-superseded",
    "dropped-unexpected-answer",
    "dropped-unknown-code",
    "dropped-unknown-switch",
    "dropped-wrong-code",
    "dropped-wrong-port",
    "repeated",
    // Accounting and sessions.
    "recorded-interim",
    "recorded-off",
    "recorded-on",
    "recorded-other",
    "recorded-start",
    "recorded-stop",
    "ended",
    "moved",
    // Sightings and recognition.
    "learnt",
    "nothing-new",
    "recognised",
    // Changes.
    "acked",
    "begun",
    "fell-back",
    "gave-up",
    "held-no-identifier",
    "nak",
    "ordered",
    "refused-flapping",
    "refused-in-flight",
    "refused-no-session",
    "refused-not-declared",
    "refused-session-ended",
    "refused-settling",
    "refused-unspellable",
    "sent",
    // By hand and faults.
    "forgotten",
    "imported",
    "not-known",
    "not-pinned",
    "off",
    "on",
    "pinned",
    "reloaded",
    "started",
    "unpinned",
];

/// Families with a number or a fault's word behind them: `nak-503`, `acted-drop`.
const FAMILIES: [&str; 2] = ["nak-", "acted-"];

/// Whether a verdict pattern can match anything.
#[must_use]
pub fn is_verdict(pattern: &str) -> bool {
    FAMILIES.iter().any(|family| pattern.starts_with(family))
        || VERDICTS.iter().any(|known| glob(pattern, known))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// The stand-in's events are the variants of its enum, in kebab-case.
    #[test]
    fn the_events_are_those_of_the_stand_in() {
        let source = include_str!("../stand_in/event.rs");
        let body = source.split("pub enum What {").nth(1).unwrap();
        let body = body.split("\n}").next().unwrap();
        let variant = regex::Regex::new(r"(?m)^    ([A-Z]\w*)").unwrap();
        let hump = regex::Regex::new(r"(\w)([A-Z])").unwrap();
        let found: BTreeSet<String> = variant
            .captures_iter(body)
            .map(|found| hump.replace_all(&found[1], "$1-$2").to_lowercase())
            .collect();
        let listed: BTreeSet<String> = EVENTS.iter().map(|word| (*word).to_owned()).collect();
        assert_eq!(listed, found);
    }

    #[test]
    fn the_reference_has_every_word() {
        let page = include_str!("../../docs/reference-drill.md");
        for word in EVENTS.iter().chain(VERDICTS) {
            assert!(page.contains(&format!("`{word}`")), "{word}");
        }
    }

    #[test]
    fn a_pattern_that_matches_no_verdict_is_none() {
        for good in [
            "acked",
            "answered-reject*",
            "nak-503",
            "acted-*",
            "*",
            "dropped-bad-*",
        ] {
            assert!(is_verdict(good), "{good}");
        }
        for bad in ["answred-reject", "ack", "dropped", "answered-refuse*"] {
            assert!(!is_verdict(bad), "{bad}");
        }
    }
}
