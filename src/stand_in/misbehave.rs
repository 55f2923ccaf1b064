//! What a stand-in can be told to do wrong, so that findings have something to find.
//!
//! Faults in a packet are edits of its draft: one arm in [`Misbehaviour::edit`] each. Faults of
//! conduct are asked for with [`StandInConfig::does`] where the conduct is.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::config::StandInConfig;
use super::draft::{Credential, Draft, Seal};
use crate::wire::registry::attributes as a;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::vlan;
use crate::wire::{Code, Mac};

/// One thing done wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Misbehaviour {
    // Access-Requests.
    /// No Message-Authenticator.
    NoMessageAuthenticator,
    /// Message-Authenticator last and not first.
    LateMessageAuthenticator,
    /// A wrong Message-Authenticator.
    WrongMessageAuthenticator,
    /// No NAS-IP-Address, NAS-IPv6-Address or NAS-Identifier.
    NoNasIdentity,
    /// No NAS-Port.
    NoNasPort,
    /// No NAS-Port-Id.
    NoNasPortId,
    /// No NAS-Port-Type.
    NoNasPortType,
    /// NAS-Port-Type 19, wireless.
    WirelessPortType,
    /// No Service-Type.
    NoServiceType,
    /// No Calling-Station-Id.
    NoCallingStationId,
    /// Calling-Station-Id in bare lower-case digits.
    BareCallingStationId,
    /// Calling-Station-Id that says a port instead.
    PortAsCallingStationId,
    /// No Called-Station-Id.
    NoCalledStationId,
    /// Called-Station-Id in bare lower-case digits.
    BareCalledStationId,
    /// No Acct-Session-Id.
    NoAcctSessionId,
    /// User-Password and CHAP-Password together.
    BothPasswords,
    /// No password at all.
    NoPassword,
    /// State left out where it should come back.
    StateNotEchoed,
    /// State changed where it should come back.
    StateAltered,
    /// Framed-MTU below what any frame needs.
    TinyFramedMtu,
    /// User-Name that is not the identity given over EAP.
    EapUserNameDiffers,
    /// The same Request Authenticator in every Access-Request.
    RepeatsAuthenticator,
    // Accounting.
    /// Class left out.
    ClassNotEchoed,
    /// Class changed.
    ClassAltered,
    /// Another Acct-Session-Id than in the Access-Request.
    OtherAcctSessionId,
    /// No Event-Timestamp.
    NoEventTimestamp,
    /// Event-Timestamp an hour behind.
    ClockBehind,
    /// No Acct-Terminate-Cause in Stop.
    NoTerminateCause,
    /// No Acct-Session-Time in Stop and interim.
    NoSessionTime,
    /// A VLAN in accounting that was not granted.
    OtherVlanInAccounting,
    /// Counters that stand at zero.
    DeadCounters,
    /// Counters that run backwards.
    BackwardCounters,
    /// Another port in accounting than in the Access-Request.
    OtherPortInAccounting,
    /// The same Acct-Session-Id for every session.
    SameAcctSessionId,
    /// No Acct-Authentic.
    NoAcctAuthentic,
    /// User-Name left out of accounting.
    NoUserNameInAccounting,
    // Answers to changes.
    /// No Message-Authenticator in answers to changes.
    UnsealedChangeAnswer,
    /// No Event-Timestamp in answers to changes.
    UndatedChangeAnswer,
    /// Proxy-State and State left out of answers to changes.
    ChangeStateNotEchoed,
    /// No Error-Cause in a NAK.
    NoErrorCause,
    /// A 2xx Error-Cause in a NAK.
    SuccessCauseInNak,
    /// Error-Cause 404 whatever was wrong.
    VagueErrorCause,
    // Conduct.
    /// A retransmission has a new Identifier.
    NewIdentifierOnRetransmit,
    /// A retransmission has the same Identifier and a new Request Authenticator.
    NewAuthenticatorOnRetransmit,
    /// Every request has Identifier 1.
    ReusesIdentifier,
    /// Retransmits every second and never waits longer.
    HastyRetransmit,
    /// Takes answers without a right Message-Authenticator.
    TakesUnsealedReplies,
    /// Lets in whom the server refuses.
    AdmitsRefused,
    /// Takes half of a Session-Timeout for the whole.
    HalvesSessionTimeout,
    /// Does not follow Session-Timeout.
    IgnoresSessionTimeout,
    /// Ends a session that should authenticate again.
    IgnoresTerminationAction,
    /// Does not follow Acct-Interim-Interval.
    IgnoresInterimInterval,
    /// Interim records every ten seconds.
    HastyInterim,
    /// Does not follow Idle-Timeout.
    IgnoresIdleTimeout,
    /// MAC authentication at once, beside 802.1X.
    MacBeforeDot1xTimeout,
    /// Admits more devices than the limit.
    ExceedsLimit,
    /// No Start record.
    NoStart,
    /// Two Start records, in packets of their own.
    DoubleStart,
    /// No Stop record.
    NoStop,
    /// No Accounting-On.
    NoAccountingOn,
    /// Starts over at once after a refusal.
    NoQuietPeriod,
    /// Does not answer changes.
    NoAnswerToChange,
    /// Carries out a repeated change a second time.
    ProcessesDuplicates,
    /// Takes changes with a stale Event-Timestamp.
    TakesStaleChanges,
    /// Acknowledges a bounce and leaves the link up.
    AckWithoutBounce,
    /// Acknowledges a Disconnect and leaves the session be.
    AckWithoutDisconnect,
    /// Acknowledges a re-authentication and does nothing.
    AckWithoutReauth,
    /// Acknowledges new grants and leaves the old ones.
    AckWithoutRegrant,
}

impl StandInConfig {
    /// Whether the switch does this wrong.
    #[must_use]
    pub fn does(&self, misbehaviour: Misbehaviour) -> bool {
        self.misbehaviours.contains(&misbehaviour)
    }
}

/// Spoils a packet before it is signed.
pub(super) fn edit(misbehaviours: &BTreeSet<Misbehaviour>, draft: &mut Draft) {
    for misbehaviour in misbehaviours {
        misbehaviour.edit(draft);
    }
}

impl Misbehaviour {
    fn edit(self, draft: &mut Draft) {
        match draft.code {
            Code::ACCESS_REQUEST => self.edit_access(draft),
            Code::ACCOUNTING_REQUEST => self.edit_accounting(draft),
            _ => self.edit_change_answer(draft),
        }
    }

    fn edit_access(self, draft: &mut Draft) {
        use Misbehaviour as M;
        match self {
            M::NoMessageAuthenticator => draft.seal = Seal::None,
            M::LateMessageAuthenticator => draft.seal = Seal::Last,
            M::WrongMessageAuthenticator => draft.seal = Seal::Broken,
            M::NoNasIdentity => {
                draft.without(a::NAS_IP_ADDRESS);
                draft.without(a::NAS_IPV6_ADDRESS);
                draft.without(a::NAS_IDENTIFIER);
            }
            M::NoNasPort => draft.without(a::NAS_PORT),
            M::NoNasPortId => draft.without(a::NAS_PORT_ID),
            M::NoNasPortType => draft.without(a::NAS_PORT_TYPE),
            M::WirelessPortType => draft.rewrite(a::NAS_PORT_TYPE, |_| number(19)),
            M::NoServiceType => draft.without(a::SERVICE_TYPE),
            M::NoCallingStationId => draft.without(a::CALLING_STATION_ID),
            M::BareCallingStationId => draft.rewrite(a::CALLING_STATION_ID, bare),
            M::PortAsCallingStationId => draft.rewrite(a::CALLING_STATION_ID, |_| b"port".to_vec()),
            M::NoCalledStationId => draft.without(a::CALLED_STATION_ID),
            M::BareCalledStationId => draft.rewrite(a::CALLED_STATION_ID, bare),
            M::NoAcctSessionId => draft.without(a::ACCT_SESSION_ID),
            M::BothPasswords if !draft.credentials.is_empty() => draft.credentials = both(),
            M::NoPassword => draft.credentials.clear(),
            M::StateNotEchoed => draft.without(a::STATE),
            M::StateAltered => draft.rewrite(a::STATE, altered),
            M::TinyFramedMtu => draft.rewrite(a::FRAMED_MTU, |_| number(32)),
            M::EapUserNameDiffers if draft.holds(a::EAP_MESSAGE) => {
                draft.rewrite(a::USER_NAME, |_| b"somebody".to_vec());
            }
            _ => {}
        }
    }

    fn edit_accounting(self, draft: &mut Draft) {
        use Misbehaviour as M;
        match self {
            M::ClassNotEchoed => draft.without(a::CLASS),
            M::ClassAltered => draft.rewrite(a::CLASS, altered),
            M::OtherAcctSessionId => draft.rewrite(a::ACCT_SESSION_ID, altered),
            M::NoEventTimestamp => draft.without(a::EVENT_TIMESTAMP),
            M::ClockBehind => draft.rewrite(a::EVENT_TIMESTAMP, hour_behind),
            M::NoTerminateCause => draft.without(a::ACCT_TERMINATE_CAUSE),
            M::NoSessionTime => draft.without(a::ACCT_SESSION_TIME),
            M::OtherVlanInAccounting => {
                let [_, _, group] = vlan::tunnel_vlan(0, "4094");
                draft.rewrite(a::TUNNEL_PRIVATE_GROUP_ID, |_| group.value.clone());
            }
            M::DeadCounters => rewrite_counters(draft, |_| number(0)),
            M::BackwardCounters => rewrite_counters(draft, |value| {
                let count = value.try_into().map_or(0, u32::from_be_bytes);
                number(u32::MAX - count)
            }),
            M::OtherPortInAccounting => {
                draft.rewrite(a::NAS_PORT, |_| number(4095));
                draft.rewrite(a::NAS_PORT_ID, |_| b"4095".to_vec());
            }
            M::NoAcctAuthentic => draft.without(a::ACCT_AUTHENTIC),
            M::NoUserNameInAccounting => draft.without(a::USER_NAME),
            _ => {}
        }
    }

    fn edit_change_answer(self, draft: &mut Draft) {
        use Misbehaviour as M;
        match self {
            M::UnsealedChangeAnswer => draft.seal = Seal::None,
            M::UndatedChangeAnswer => draft.without(a::EVENT_TIMESTAMP),
            M::ChangeStateNotEchoed => {
                draft.without(a::PROXY_STATE);
                draft.without(a::STATE);
            }
            M::NoErrorCause => draft.without(a::ERROR_CAUSE),
            M::SuccessCauseInNak => draft.rewrite(a::ERROR_CAUSE, |_| {
                number(ErrorCause::RESIDUAL_SESSION_CONTEXT_REMOVED.0)
            }),
            M::VagueErrorCause => {
                draft.rewrite(a::ERROR_CAUSE, |_| number(ErrorCause::INVALID_REQUEST.0));
            }
            _ => {}
        }
    }
}

fn rewrite_counters(draft: &mut Draft, rewrite: impl Fn(&[u8]) -> Vec<u8>) {
    for kind in [
        a::ACCT_INPUT_OCTETS,
        a::ACCT_OUTPUT_OCTETS,
        a::ACCT_INPUT_PACKETS,
        a::ACCT_OUTPUT_PACKETS,
    ] {
        draft.rewrite(kind, &rewrite);
    }
}

fn number(value: u32) -> Vec<u8> {
    value.to_be_bytes().to_vec()
}

fn altered(value: &[u8]) -> Vec<u8> {
    let mut value = value.to_vec();
    if let Some(last) = value.last_mut() {
        *last ^= 0x01;
    }
    value
}

fn hour_behind(value: &[u8]) -> Vec<u8> {
    let stamp = value.try_into().map_or(0, u32::from_be_bytes);
    number(stamp.saturating_sub(3600))
}

/// A MAC address without separators, in lower case.
fn bare(value: &[u8]) -> Vec<u8> {
    let mac: Option<Mac> = std::str::from_utf8(value)
        .ok()
        .and_then(|text| text.parse().ok());
    mac.map_or_else(
        || value.to_vec(),
        |mac| mac.spell(None, 0, false).into_bytes(),
    )
}

fn both() -> Vec<Credential> {
    vec![
        Credential::Pap("quay".to_owned()),
        Credential::Chap {
            identifier: 1,
            password: "quay".to_owned(),
        },
    ]
}
