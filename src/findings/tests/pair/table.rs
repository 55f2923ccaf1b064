//! What each misbehaviour breaks, and that nothing else does.

use std::collections::BTreeSet;

use super::scenes::{self as s, Scene};
use crate::findings::rules;
use crate::stand_in::Misbehaviour as M;

/// A misbehaviour, where it shows, and the rules that find it.
type Row = (M, Scene, &'static [&'static str]);

fn access() -> Vec<Row> {
    vec![
        (
            M::NoMessageAuthenticator,
            s::life,
            &["rfc5080-no-message-authenticator"],
        ),
        (
            M::NoMessageAuthenticator,
            s::login,
            &["rfc3579-no-message-authenticator"],
        ),
        (
            M::LateMessageAuthenticator,
            s::life,
            &["trade-late-message-authenticator"],
        ),
        (
            M::WrongMessageAuthenticator,
            s::life,
            &["rfc3579-wrong-message-authenticator"],
        ),
        (M::NoNasIdentity, s::life, &["rfc2865-no-nas-identity"]),
        (M::NoNasPort, s::life, &["trade-no-port-number"]),
        (M::NoNasPortId, s::life, &["trade-no-port-name"]),
        (M::NoNasPortType, s::life, &["rfc3580-no-nas-port-type"]),
        (M::WirelessPortType, s::life, &["rfc3580-nas-port-type"]),
        (M::NoServiceType, s::life, &["rfc3580-service-type-mac"]),
        (M::NoServiceType, s::login, &["rfc3580-service-type-eap"]),
        (
            M::NoCallingStationId,
            s::life,
            &["rfc3580-no-calling-station-id"],
        ),
        (
            M::BareCallingStationId,
            s::life,
            &["rfc3580-calling-station-id-form"],
        ),
        (
            M::PortAsCallingStationId,
            s::life,
            &["rfc3580-calling-station-id-no-address"],
        ),
        (
            M::NoCalledStationId,
            s::life,
            &["rfc3580-no-called-station-id"],
        ),
        (
            M::BareCalledStationId,
            s::life,
            &["rfc3580-called-station-id-form"],
        ),
        (M::NoAcctSessionId, s::life, &["rfc5176-no-acct-session-id"]),
        (M::BothPasswords, s::life, &["rfc2865-both-passwords"]),
        (M::NoPassword, s::life, &["rfc2865-no-credentials"]),
        (M::StateNotEchoed, s::login, &["rfc2865-state-not-echoed"]),
        (
            M::StateNotEchoed,
            s::authorize_only,
            &["rfc5176-authorize-only-state"],
        ),
        (M::StateAltered, s::login, &["rfc2865-state-not-echoed"]),
        (M::TinyFramedMtu, s::life, &["rfc2865-framed-mtu-range"]),
        (M::EapUserNameDiffers, s::login, &["rfc3579-user-name"]),
        (
            M::RepeatsAuthenticator,
            s::life,
            &["rfc2865-authenticator-reused"],
        ),
        (
            M::CountsAuthenticator,
            s::life,
            &["rfc2865-authenticator-predictable"],
        ),
        (M::NoUserName, s::life, &["rfc2865-no-user-name"]),
        (M::OtherUserName, s::life, &["rfc3580-address-mismatch"]),
        (M::InventsState, s::denied, &["rfc2865-state-unasked"]),
        (
            M::InventsProxyState,
            s::life,
            &["rfc2865-proxy-state-invented"],
        ),
        (M::OtherNasAddress, s::life, &["trade-other-source-address"]),
        (M::EmptyAttribute, s::life, &["rfc2865-empty-attribute"]),
        (
            M::RepeatsAttribute,
            s::life,
            &["rfc2865-repeated-attribute"],
        ),
        (M::ShortAttribute, s::life, &["rfc8044-length"]),
        (M::BrokenText, s::life, &["rfc8044-text"]),
        (M::AsksForFilter, s::life, &["rfc2865-misplaced-attribute"]),
        (
            M::AsksForFilterRule,
            s::life,
            &["rfc4849-filter-rule-in-request"],
        ),
        (
            M::AsksForPriority,
            s::life,
            &["rfc4675-priority-in-request"],
        ),
        (
            M::AsksForReservedVlan,
            s::life,
            &["rfc4675-layout-in-request"],
        ),
        (M::NoFramedMtu, s::login, &["rfc3579-no-framed-mtu"]),
        (
            M::PasswordBesideEap,
            s::login,
            &["rfc3579-password-beside-eap"],
        ),
        (M::ChopsEap, s::login, &["rfc3579-eap-split"]),
        (M::PadsEap, s::login, &["rfc3579-eap-length"]),
    ]
}

fn accounting() -> Vec<Row> {
    vec![
        (M::ClassNotEchoed, s::life, &["rfc2865-class-not-echoed"]),
        (M::ClassAltered, s::life, &["rfc2865-class-changed"]),
        (
            M::OtherAcctSessionId,
            s::life,
            &["rfc2866-session-id-changed"],
        ),
        (
            M::NoEventTimestamp,
            s::life,
            &["rfc2869-no-event-timestamp"],
        ),
        (
            M::ClockBehind,
            s::life,
            &["rfc2869-clock-skew", "rfc5176-clock-skew"],
        ),
        (
            M::NoTerminateCause,
            s::life,
            &["rfc2866-no-terminate-cause"],
        ),
        (M::NoSessionTime, s::life, &["rfc2866-no-session-time"]),
        (
            M::OtherVlanInAccounting,
            s::life,
            &["rfc3580-vlan-contradicted"],
        ),
        (M::DeadCounters, s::life, &["trade-dead-counters"]),
        (
            M::BackwardCounters,
            s::life,
            &["rfc2866-counters-went-back"],
        ),
        (M::OtherPortInAccounting, s::life, &["rfc2866-other-port"]),
        (
            M::SameAcctSessionId,
            s::life,
            &["rfc2866-session-id-reused"],
        ),
        (M::NoAcctAuthentic, s::life, &["rfc2866-no-acct-authentic"]),
        (
            M::NoUserNameInAccounting,
            s::life,
            &["rfc2866-no-user-name"],
        ),
        (M::KeepsOwnUserName, s::life, &["rfc2865-user-name-ignored"]),
        (M::NoStatusType, s::life, &["rfc2866-no-status-type"]),
        (
            M::NoAccountingSessionId,
            s::life,
            &["rfc2866-no-session-id"],
        ),
        (
            M::ReplyMessageInAccounting,
            s::life,
            &["rfc2866-forbidden-attribute"],
        ),
        (
            M::NoNasIdentityInAccounting,
            s::life,
            &["rfc2866-no-nas-identity"],
        ),
        (M::NoPortInAccounting, s::life, &["rfc2866-no-port"]),
        (
            M::NoStationInAccounting,
            s::life,
            &["rfc3580-accounting-without-device"],
        ),
        (
            M::DoubleSessionTime,
            s::life,
            &["rfc2866-session-time-wrong"],
        ),
        (
            M::ReservedVlanInAccounting,
            s::life,
            &["rfc3580-vlan-reported-wrong"],
        ),
        (M::BrokenVlanInAccounting, s::life, &["rfc4675-layout"]),
        (
            M::OtherTaggedVlanInAccounting,
            s::radio,
            &["rfc4675-tagged-contradicted"],
        ),
        (
            M::OtherFilterInAccounting,
            s::life,
            &["rfc2865-filter-contradicted"],
        ),
        (M::BlamesCarrier, s::life, &["rfc5176-terminate-cause"]),
        (
            M::WrongAccountingAuthenticator,
            s::life,
            &["rfc2866-bad-authenticator"],
        ),
        (
            M::OldIdentifierForNewDelay,
            s::lossy_with_delay,
            &["rfc2866-delay-with-old-identifier"],
        ),
        (
            M::NoStart,
            s::life,
            &["rfc2866-no-start", "rfc2866-stop-without-start"],
        ),
        (
            M::DoubleStart,
            s::life,
            &["rfc2865-repeated-with-new-identifier"],
        ),
        (M::NoStop, s::life, &["rfc2866-no-stop"]),
        (M::NoAccountingOn, s::life, &["rfc2866-no-accounting-on"]),
    ]
}

fn changes() -> Vec<Row> {
    vec![
        (
            M::UnsealedChangeAnswer,
            s::life,
            &["rfc5176-unsealed-answer"],
        ),
        (M::UndatedChangeAnswer, s::life, &["rfc5176-undated-answer"]),
        (
            M::ChangeStateNotEchoed,
            s::authorize_only,
            &["rfc5176-state-not-echoed"],
        ),
        (
            M::NoErrorCause,
            s::change_of_nothing,
            &["rfc5176-no-error-cause"],
        ),
        (
            M::SuccessCauseInNak,
            s::change_of_nothing,
            &["rfc5176-success-in-nak"],
        ),
        (
            M::VagueErrorCause,
            s::change_of_nothing,
            &["rfc5176-vague-cause"],
        ),
        (
            M::MisplacedErrorCause,
            s::change_of_nothing,
            &["rfc5176-cause-of-other-request"],
        ),
        (M::RefusalCauseInAck, s::life, &["rfc5176-refusal-in-ack"]),
        (
            M::WrongChangeAuthenticator,
            s::life,
            &["rfc5176-bad-response-authenticator"],
        ),
        (
            M::WrongChangeSeal,
            s::life,
            &["rfc5176-bad-message-authenticator"],
        ),
        (M::WrongChangeCode, s::life, &["rfc5176-wrong-code"]),
        (M::NoAnswerToChange, s::life, &["rfc5176-no-answer"]),
        (M::DeniesSessions, s::life, &["rfc5176-session-denied"]),
        (
            M::AcksAuthorizeOnly,
            s::authorize_only,
            &["rfc5176-authorize-only-acked"],
        ),
        (
            M::ProcessesDuplicates,
            s::crossed_answer,
            &["rfc5176-duplicate-carried-out"],
        ),
        (
            M::TakesStaleChanges,
            s::stale_change,
            &["rfc5176-took-stale-change"],
        ),
        (
            M::AckWithoutBounce,
            s::life,
            &["rfc5176-bounce-without-drop"],
        ),
        (
            M::AckWithoutDisconnect,
            s::life,
            &["rfc5176-disconnect-without-stop"],
        ),
        (
            M::AckWithoutReauth,
            s::life,
            &["rfc5176-reauth-without-request"],
        ),
        (
            M::AckWithoutRegrant,
            s::regrant,
            &["rfc5176-regrant-ignored"],
        ),
    ]
}

fn conduct() -> Vec<Row> {
    vec![
        (
            M::NewIdentifierOnRetransmit,
            s::lossy,
            &["rfc2865-repeated-with-new-identifier"],
        ),
        (
            M::NewAuthenticatorOnRetransmit,
            s::lossy,
            &["rfc2865-repeated-with-new-authenticator"],
        ),
        (
            M::ReusesIdentifier,
            s::life,
            &["rfc2865-identifier-unchanged"],
        ),
        (
            M::FewIdentifiers,
            s::crowded_start,
            &["rfc5080-identifier-reused"],
        ),
        (
            M::HastyRetransmit,
            s::lossy,
            &[
                "rfc5080-too-fast",
                "rfc5080-no-back-off",
                "rfc5080-never-gives-up",
            ],
        ),
        (
            M::TakesUnsealedReplies,
            s::unsealed_accepts,
            &["trade-took-unsealed-accept", "rfc3579-took-unsealed-accept"],
        ),
        (
            M::AdmitsRefused,
            s::denied,
            &["rfc2865-admitted-after-reject"],
        ),
        (
            M::HalvesSessionTimeout,
            s::life,
            &["rfc3580-reauthentication-early"],
        ),
        (
            M::HalvesSessionTimeout,
            s::guest,
            &["rfc3580-session-end-early"],
        ),
        (
            M::IgnoresSessionTimeout,
            s::life,
            &["rfc3580-session-timeout-no-reauthentication"],
        ),
        (
            M::IgnoresSessionTimeout,
            s::guest,
            &["rfc3580-session-timeout-no-end"],
        ),
        (
            M::IgnoresTerminationAction,
            s::life,
            &["rfc3580-termination-action-ignored"],
        ),
        (
            M::IgnoresInterimInterval,
            s::life,
            &["rfc2869-interim-ignored"],
        ),
        (M::HastyInterim, s::life, &["rfc2869-interim-too-often"]),
        (
            M::IgnoresIdleTimeout,
            s::sleeper,
            &["rfc2865-idle-timeout-ignored"],
        ),
        (
            M::MacBeforeDot1xTimeout,
            s::login,
            &["trade-mac-before-802.1x"],
        ),
        (
            M::ExceedsLimit,
            s::two_on_a_port,
            &["trade-port-limit-exceeded"],
        ),
        (M::NoQuietPeriod, s::denied, &["trade-no-quiet-period"]),
    ]
}

/// What is no misbehaviour but a setting, or the network's doing.
const SETTINGS: &[(Scene, &str)] = &[
    (s::no_accounting, "trade-no-accounting"),
    (s::long_stay, "trade-no-interim"),
    (s::without_jitter, "rfc5080-no-jitter"),
    (s::slow_answer, "rfc5176-late-answer"),
];

/// A good switch in these finds the bench silent.
const GOOD: &[(&str, Scene)] = &[
    ("life", s::life),
    ("login", s::login),
    ("lossy", s::lossy),
    ("lossy with delay", s::lossy_with_delay),
    ("with jitter", s::with_jitter),
    ("crowded start", s::crowded_start),
    ("denied", s::denied),
    ("guest", s::guest),
    ("sleeper", s::sleeper),
    ("two on a port", s::two_on_a_port),
    ("radio", s::radio),
    ("unsealed accepts", s::unsealed_accepts),
    ("change of nothing", s::change_of_nothing),
    ("stale change", s::stale_change),
    ("crossed answer", s::crossed_answer),
    ("regrant", s::regrant),
    ("authorize only", s::authorize_only),
];

/// Rules that the pair cannot break, with the reason; a journal by hand does.
const BY_HAND: &[(&str, &str)] = &[
    (
        "rfc2865-malformed",
        "the stand-in builds packets that parse",
    ),
    ("rfc2865-wrong-port", "its sockets are fixed"),
    (
        "rfc2865-took-forged-accept",
        "it always checks the Response Authenticator",
    ),
    ("rfc2865-short-secret", "of the bench file"),
    ("trade-one-secret-for-changes", "of the bench file"),
    ("trade-one-secret-for-switches", "of the bench file"),
    ("rfc2866-second-start", "its second Start is a repetition"),
    ("rfc2869-no-port", "two misbehaviours at once"),
    (
        "rfc5176-wrong-cause",
        "the bench sends no change to a session that is over",
    ),
    ("rfc5997-unsealed-status", "it sends no Status-Server"),
];

fn rows() -> Vec<Row> {
    [access(), accounting(), changes(), conduct()].concat()
}

/// The misbehaviours that a rule finds, as a stand-in file spells them.
pub(in crate::findings::tests) fn found_by(rule: &str) -> BTreeSet<String> {
    rows()
        .into_iter()
        .filter(|(_, _, rules)| rules.contains(&rule))
        .filter_map(|(one, ..)| Some(serde_json::to_value(one).ok()?.as_str()?.to_owned()))
        .collect()
}

#[test]
fn on_a_good_switch_every_rule_is_silent() {
    let mut wrong = Vec::new();
    for (name, scene) in GOOD {
        let found = scene(BTreeSet::new()).found();
        if !found.is_empty() {
            wrong.push(format!("{name}: {found:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_misbehaviour_is_found_by_its_rules() {
    let mut wrong = Vec::new();
    for (misbehaviour, scene, expected) in rows() {
        let found = scene([misbehaviour].into()).found();
        let ids: BTreeSet<&str> = found.iter().map(|(id, _)| *id).collect();
        for rule in expected {
            if !ids.contains(rule) {
                wrong.push(format!("{misbehaviour:?}: no {rule}, but {found:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn settings_that_are_weak_are_found() {
    for (scene, rule) in SETTINGS {
        let found = scene(BTreeSet::new()).found();
        let ids: Vec<&str> = found.iter().map(|(id, _)| *id).collect();
        assert_eq!(ids, [*rule], "{found:?}");
    }
}

#[test]
fn every_rule_is_broken_by_somebody_and_every_misbehaviour_breaks_one() {
    let expected = rows().into_iter().flat_map(|(_, _, rules)| rules);
    let broken: BTreeSet<&str> = expected
        .copied()
        .chain(SETTINGS.iter().map(|(_, rule)| *rule))
        .collect();
    let by_hand: BTreeSet<&str> = BY_HAND.iter().map(|(rule, _)| *rule).collect();
    assert!(broken.is_disjoint(&by_hand));
    let all: BTreeSet<&str> = rules().map(|rule| rule.id).collect();
    let known: BTreeSet<&str> = broken.union(&by_hand).copied().collect();
    let off: Vec<_> = all.symmetric_difference(&known).collect();
    assert!(off.is_empty(), "{off:?}");
    let shown: BTreeSet<M> = rows()
        .iter()
        .map(|(misbehaviour, ..)| *misbehaviour)
        .collect();
    let missing: Vec<&M> = M::ALL.iter().filter(|one| !shown.contains(one)).collect();
    assert!(missing.is_empty(), "{missing:?}");
}
