//! What a stand-in can be told to do wrong, so that findings have something to find.
//!
//! Faults in a packet are edits of its draft, in `edit`. Faults of conduct are asked for with
//! [`StandInConfig::does`] where the conduct is.

mod edit;

use serde::{Deserialize, Serialize};

use super::config::StandInConfig;

pub(super) use edit::edit;

/// Makes the list of all with the enum, so that none is forgotten.
macro_rules! misbehaviours {
    ($($(#[doc = $doc:literal])+ $name:ident,)*) => {
        /// One thing done wrong.
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize,
        )]
        #[serde(rename_all = "kebab-case")]
        #[non_exhaustive]
        pub enum Misbehaviour {
            $($(#[doc = $doc])+ $name,)*
        }

        impl Misbehaviour {
            /// Every one.
            pub const ALL: &'static [Misbehaviour] = &[$(Misbehaviour::$name,)*];
        }
    };
}

misbehaviours! {
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
    /// Request Authenticators that only count.
    CountsAuthenticator,
    /// No User-Name.
    NoUserName,
    /// User-Name of another device in MAC authentication.
    OtherUserName,
    /// A State that nobody gave.
    InventsState,
    /// Proxy-State, as if there were a proxy.
    InventsProxyState,
    /// NAS-IP-Address of somebody else.
    OtherNasAddress,
    /// Connect-Info without a value.
    EmptyAttribute,
    /// NAS-Port-Type twice.
    RepeatsAttribute,
    /// NAS-Port-Type with two octets.
    ShortAttribute,
    /// Connect-Info that is not UTF-8.
    BrokenText,
    /// Filter-Id in a request.
    AsksForFilter,
    /// NAS-Filter-Rule in a request.
    AsksForFilterRule,
    /// User-Priority-Table in a request.
    AsksForPriority,
    /// Egress-VLANID with a reserved VLAN in a request.
    AsksForReservedVlan,
    /// No Framed-MTU.
    NoFramedMtu,
    /// User-Password beside EAP-Message.
    PasswordBesideEap,
    /// EAP-Message in pieces of four octets.
    ChopsEap,
    /// Octets behind the EAP packet.
    PadsEap,
    // Accounting.
    /// Class left out.
    ClassNotEchoed,
    /// Class changed.
    ClassAltered,
    /// Another Acct-Session-Id than in the Access-Request.
    OtherAcctSessionId,
    /// No Event-Timestamp.
    NoEventTimestamp,
    /// Event-Timestamp an hour behind, in accounting and in answers to changes.
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
    /// The User-Name of the accept is not taken over into accounting.
    KeepsOwnUserName,
    /// No Acct-Status-Type.
    NoStatusType,
    /// No Acct-Session-Id in accounting.
    NoAccountingSessionId,
    /// Reply-Message in accounting.
    ReplyMessageInAccounting,
    /// No NAS-IP-Address, NAS-IPv6-Address or NAS-Identifier in accounting.
    NoNasIdentityInAccounting,
    /// No NAS-Port and no NAS-Port-Id in accounting.
    NoPortInAccounting,
    /// No Calling-Station-Id in accounting.
    NoStationInAccounting,
    /// Acct-Session-Time that is twice the time.
    DoubleSessionTime,
    /// A reserved VLAN in accounting.
    ReservedVlanInAccounting,
    /// An Egress-VLANID in accounting that is neither tagged nor untagged.
    BrokenVlanInAccounting,
    /// A tagged VLAN in accounting that was not granted.
    OtherTaggedVlanInAccounting,
    /// A filter in accounting that was not granted.
    OtherFilterInAccounting,
    /// Acct-Terminate-Cause Lost-Carrier whatever ended the session.
    BlamesCarrier,
    /// A wrong Request Authenticator in accounting.
    WrongAccountingAuthenticator,
    /// A repetition with another Acct-Delay-Time keeps its Identifier.
    OldIdentifierForNewDelay,
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
    /// An Error-Cause in a NAK that belongs to the other kind of change.
    MisplacedErrorCause,
    /// Error-Cause 503 in an ACK.
    RefusalCauseInAck,
    /// A wrong Response Authenticator in answers to changes.
    WrongChangeAuthenticator,
    /// A wrong Message-Authenticator in answers to changes.
    WrongChangeSeal,
    /// Answers CoA with the codes of Disconnect, and the other way about.
    WrongChangeCode,
    // Conduct.
    /// A retransmission has a new Identifier.
    NewIdentifierOnRetransmit,
    /// A retransmission has the same Identifier and a new Request Authenticator.
    NewAuthenticatorOnRetransmit,
    /// Every request has Identifier 1.
    ReusesIdentifier,
    /// Identifiers go from 0 to 3 only.
    FewIdentifiers,
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
    /// Refuses every change: it knows no such session.
    DeniesSessions,
    /// Acknowledges Authorize-Only, where the answer is a NAK with 507.
    AcksAuthorizeOnly,
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
