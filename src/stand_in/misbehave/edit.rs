//! Faults in packets: edits of a draft before it is signed.

use std::collections::BTreeSet;

use super::Misbehaviour;
use crate::stand_in::draft::{Credential, Draft, Seal};
use crate::wire::attribute::MAX_VALUE;
use crate::wire::registry::attributes as a;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::vlan;
use crate::wire::{AttributeBuf, Code, Mac};

/// Spoils a packet before it is signed.
pub(in crate::stand_in) fn edit(misbehaviours: &BTreeSet<Misbehaviour>, draft: &mut Draft) {
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
            M::NoUserName => draft.without(a::USER_NAME),
            M::OtherUserName => draft.rewrite(a::USER_NAME, |_| b"02000000ffff".to_vec()),
            M::InventsState if !draft.holds(a::STATE) => draft.text(a::STATE, "mine"),
            M::InventsProxyState => draft.text(a::PROXY_STATE, "hop"),
            M::OtherNasAddress => draft.rewrite(a::NAS_IP_ADDRESS, |_| vec![198, 51, 100, 99]),
            M::NoFramedMtu => draft.without(a::FRAMED_MTU),
            _ => self.edit_access_forms(draft),
        }
    }

    /// Attributes that are out of place or out of form.
    fn edit_access_forms(self, draft: &mut Draft) {
        use Misbehaviour as M;
        let eap = draft.holds(a::EAP_MESSAGE);
        match self {
            M::EmptyAttribute => draft.octets(a::CONNECT_INFO, []),
            M::RepeatsAttribute => draft.integer(a::NAS_PORT_TYPE, 15),
            M::ShortAttribute => draft.rewrite(a::NAS_PORT_TYPE, |_| vec![0, 15]),
            M::BrokenText => draft.octets(a::CONNECT_INFO, [0x31, 0xff]),
            M::AsksForFilter => draft.text(a::FILTER_ID, "open"),
            M::AsksForFilterRule => draft.text(a::NAS_FILTER_RULE, "permit in ip from any to any"),
            M::AsksForPriority => draft.octets(a::USER_PRIORITY_TABLE, [0; 8]),
            M::AsksForReservedVlan => draft.octets(a::EGRESS_VLANID, [0x31, 0, 0x0f, 0xff]),
            M::PasswordBesideEap if eap => {
                draft.credentials.push(Credential::Pap("quay".to_owned()));
            }
            M::ChopsEap if eap => chop(draft, a::EAP_MESSAGE),
            M::PadsEap if eap => draft.octets(a::EAP_MESSAGE, [0; 4]),
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
            M::KeepsOwnUserName => draft.rewrite(a::USER_NAME, |_| b"own".to_vec()),
            M::NoStatusType => draft.without(a::ACCT_STATUS_TYPE),
            M::NoAccountingSessionId => draft.without(a::ACCT_SESSION_ID),
            M::ReplyMessageInAccounting => draft.text(a::REPLY_MESSAGE, "welcome"),
            M::NoNasIdentityInAccounting => {
                draft.without(a::NAS_IP_ADDRESS);
                draft.without(a::NAS_IPV6_ADDRESS);
                draft.without(a::NAS_IDENTIFIER);
            }
            M::NoPortInAccounting => {
                draft.without(a::NAS_PORT);
                draft.without(a::NAS_PORT_ID);
            }
            M::NoStationInAccounting => draft.without(a::CALLING_STATION_ID),
            M::DoubleSessionTime => draft.rewrite(a::ACCT_SESSION_TIME, |value| {
                number(value.try_into().map_or(0, u32::from_be_bytes) * 2)
            }),
            M::BlamesCarrier => draft.rewrite(a::ACCT_TERMINATE_CAUSE, |_| number(2)),
            _ => self.edit_accounting_of_grant(draft),
        }
    }

    /// What accounting says of the grant.
    fn edit_accounting_of_grant(self, draft: &mut Draft) {
        use Misbehaviour as M;
        match self {
            M::ReservedVlanInAccounting => {
                draft.rewrite(a::TUNNEL_PRIVATE_GROUP_ID, |_| b"4095".to_vec());
            }
            M::BrokenVlanInAccounting => draft.octets(a::EGRESS_VLANID, [0x33, 0, 0, 20]),
            M::OtherTaggedVlanInAccounting => {
                draft.rewrite(a::EGRESS_VLANID, |_| vec![0x31, 0, 0x0f, 0xfe]);
            }
            M::OtherFilterInAccounting => draft.rewrite(a::FILTER_ID, |_| b"open".to_vec()),
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
            M::MisplacedErrorCause => {
                let cause = match draft.code {
                    Code::COA_NAK => ErrorCause::SESSION_CONTEXT_NOT_REMOVABLE,
                    _ => ErrorCause::UNSUPPORTED_SERVICE,
                };
                draft.rewrite(a::ERROR_CAUSE, |_| number(cause.0));
            }
            M::RefusalCauseInAck if !draft.holds(a::ERROR_CAUSE) => {
                draft.integer(a::ERROR_CAUSE, ErrorCause::SESSION_CONTEXT_NOT_FOUND.0);
            }
            M::ClockBehind => draft.rewrite(a::EVENT_TIMESTAMP, hour_behind),
            M::WrongChangeSeal => draft.seal = Seal::Broken,
            M::WrongChangeCode => draft.code = other_change(draft.code),
            _ => {}
        }
    }
}

/// The answer to the other kind of change.
fn other_change(code: Code) -> Code {
    match code {
        Code::COA_ACK => Code::DISCONNECT_ACK,
        Code::COA_NAK => Code::DISCONNECT_NAK,
        Code::DISCONNECT_ACK => Code::COA_ACK,
        _ => Code::COA_NAK,
    }
}

/// Cuts the attributes of a type into pieces of four octets.
fn chop(draft: &mut Draft, kind: u8) {
    draft.attributes = std::mem::take(&mut draft.attributes)
        .into_iter()
        .flat_map(|attribute| {
            let most = if attribute.kind == kind { 4 } else { MAX_VALUE };
            attribute
                .value
                .chunks(most)
                .map(|piece| AttributeBuf::new(attribute.kind, piece))
                .collect::<Vec<_>>()
        })
        .collect();
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
