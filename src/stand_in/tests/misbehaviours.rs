//! Every misbehaviour shows, and does not show where it is not asked for.

use std::collections::BTreeSet;

use super::*;
use crate::stand_in::Misbehaviour as M;
use crate::stand_in::config::{Family, MethodOrder};
use crate::wire::vlan;

const NOW: u32 = 1_700_000_010;

/// What a run shows.
struct Run {
    rig: Rig,
    change_answers: Vec<Option<Vec<u8>>>,
}

impl Run {
    fn access(&self) -> Vec<Packet<'_>> {
        self.rig.access_requests()
    }

    fn record(&self, status: u32) -> Packet<'_> {
        self.rig.records(status)[0].1
    }

    fn answer(&self, at: usize) -> Packet<'_> {
        Packet::parse(self.change_answers[at].as_ref().unwrap()).unwrap()
    }
}

fn bench() -> StandInConfig {
    let mut config = config();
    config.ports.limit = 2;
    config.dialect.role = Some(config.dialect.role());
    config.dialect.family = Family::Enterprise9;
    config
}

fn run(config: StandInConfig, script: impl FnMut(&Packet<'_>) -> Reply + 'static) -> Run {
    let mut rig = Rig::new(config, script);
    rig.plug("1", "till");
    rig.run(seconds(10));
    Run {
        rig,
        change_answers: Vec::new(),
    }
}

/// A till with a full grant that talks for a while, is re-authenticated, changed and unplugged.
fn full(config: StandInConfig) -> Run {
    let mut grant = vlan::tunnel_vlan(0, "120").to_vec();
    grant.extend([
        AttributeBuf::new(a::CLASS, *b"session 1"),
        AttributeBuf::new(a::STATE, *b"state 1"),
        AttributeBuf::integer(a::SESSION_TIMEOUT, 100),
        AttributeBuf::integer(a::TERMINATION_ACTION, 1),
        AttributeBuf::integer(a::ACCT_INTERIM_INTERVAL, 60),
    ]);
    let mut run = run(config, move |_| Reply::Accept(grant.clone()));
    let till = AttributeBuf::text(a::CALLING_STATION_ID, "02-00-00-00-0A-01");
    let proxy = AttributeBuf::new(a::PROXY_STATE, *b"hop");
    for (code, attributes) in [
        (
            Code::COA_REQUEST,
            vec![
                till.clone(),
                proxy.clone(),
                AttributeBuf::text(a::FILTER_ID, "new"),
            ],
        ),
        (
            Code::COA_REQUEST,
            vec![
                proxy,
                AttributeBuf::text(a::USER_NAME, "nobody"),
                AttributeBuf::text(a::FILTER_ID, "new"),
            ],
        ),
    ] {
        let octets = change(code, 5, &attributes);
        let answer = run.rig.change(&octets);
        run.change_answers.push(answer);
    }
    run.rig.run(seconds(120));
    run.rig
        .act(|switch, now| switch.unplug(now, "till").unwrap());
    run
}

fn change(code: Code, identifier: u8, attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(code, identifier);
    for attribute in attributes {
        builder.attribute(attribute).unwrap();
    }
    builder.finish_digested_request(&secret())
}

fn with(misbehaviour: Option<M>) -> StandInConfig {
    let mut config = bench();
    config.misbehaviours = misbehaviour.into_iter().collect();
    config
}

/// Faults that packets of the full run show.
#[test]
fn faults_in_packets() {
    type Shows = fn(&Run) -> bool;
    let table: Vec<(M, Shows)> = vec![
        (M::NoMessageAuthenticator, |run| {
            run.access()[0].first(a::MESSAGE_AUTHENTICATOR).is_none()
        }),
        (M::LateMessageAuthenticator, |run| {
            run.access()[0].attributes().last().unwrap().kind == a::MESSAGE_AUTHENTICATOR
        }),
        (M::WrongMessageAuthenticator, |run| {
            sign::check_message_authenticator(&run.access()[0], None, &secret())
                == MessageAuthenticator::Wrong
        }),
        (M::NoNasIdentity, |run| {
            run.access()[0].first(a::NAS_IP_ADDRESS).is_none()
                && run.access()[0].first(a::NAS_IDENTIFIER).is_none()
        }),
        (M::NoNasPort, |run| {
            run.access()[0].first(a::NAS_PORT).is_none()
        }),
        (M::NoNasPortId, |run| {
            run.access()[0].first(a::NAS_PORT_ID).is_none()
        }),
        (M::NoNasPortType, |run| {
            run.access()[0].first(a::NAS_PORT_TYPE).is_none()
        }),
        (M::WirelessPortType, |run| {
            run.access()[0].integer(a::NAS_PORT_TYPE) == Some(19)
        }),
        (M::NoServiceType, |run| {
            run.access()[0].first(a::SERVICE_TYPE).is_none()
        }),
        (M::NoCallingStationId, |run| {
            run.access()[0].first(a::CALLING_STATION_ID).is_none()
        }),
        (M::BareCallingStationId, |run| {
            run.access()[0].text(a::CALLING_STATION_ID) == Some("020000000a01")
        }),
        (M::PortAsCallingStationId, |run| {
            run.access()[0].text(a::CALLING_STATION_ID) == Some("port")
        }),
        (M::NoCalledStationId, |run| {
            run.access()[0].first(a::CALLED_STATION_ID).is_none()
        }),
        (M::BareCalledStationId, |run| {
            run.access()[0].text(a::CALLED_STATION_ID) == Some("02005e000001")
        }),
        (M::NoAcctSessionId, |run| {
            run.access()[0].first(a::ACCT_SESSION_ID).is_none()
        }),
        (M::BothPasswords, |run| {
            let packet = run.access()[0];
            packet.first(a::USER_PASSWORD).is_some() && packet.first(a::CHAP_PASSWORD).is_some()
        }),
        (M::NoPassword, |run| {
            let packet = run.access()[0];
            packet.first(a::USER_PASSWORD).is_none() && packet.first(a::CHAP_PASSWORD).is_none()
        }),
        (M::StateNotEchoed, |run| {
            run.access()[1].first(a::STATE).is_none()
        }),
        (M::StateAltered, |run| {
            run.access()[1]
                .first(a::STATE)
                .is_some_and(|state| state.value != b"state 1")
        }),
        (M::TinyFramedMtu, |run| {
            run.access()[0].integer(a::FRAMED_MTU) == Some(32)
        }),
        (M::ClassNotEchoed, |run| {
            run.record(1).first(a::CLASS).is_none()
        }),
        (M::ClassAltered, |run| {
            run.record(1)
                .first(a::CLASS)
                .is_some_and(|class| class.value != b"session 1")
        }),
        (M::OtherAcctSessionId, |run| {
            run.record(1).text(a::ACCT_SESSION_ID) != run.access()[0].text(a::ACCT_SESSION_ID)
        }),
        (M::NoEventTimestamp, |run| {
            run.record(1).first(a::EVENT_TIMESTAMP).is_none()
        }),
        (M::ClockBehind, |run| {
            run.record(1).integer(a::EVENT_TIMESTAMP) == Some(1_699_996_400)
        }),
        (M::NoTerminateCause, |run| {
            run.record(2).first(a::ACCT_TERMINATE_CAUSE).is_none()
        }),
        (M::NoSessionTime, |run| {
            run.record(2).first(a::ACCT_SESSION_TIME).is_none()
        }),
        (M::OtherVlanInAccounting, |run| {
            run.record(1).text(a::TUNNEL_PRIVATE_GROUP_ID) == Some("4094")
        }),
        (M::DeadCounters, |run| {
            run.record(2).integer(a::ACCT_INPUT_OCTETS) == Some(0)
        }),
        (M::BackwardCounters, |run| {
            run.record(3).integer(a::ACCT_INPUT_OCTETS)
                > run.record(2).integer(a::ACCT_INPUT_OCTETS)
        }),
        (M::OtherPortInAccounting, |run| {
            run.record(1).integer(a::NAS_PORT) != run.access()[0].integer(a::NAS_PORT)
        }),
        (M::RepeatsAuthenticator, |run| {
            run.access()[0].authenticator() == run.access()[1].authenticator()
        }),
        (M::HalvesSessionTimeout, |run| {
            let (at, _) = run.rig.requests(Socket::Authentication)[1];
            at.as_secs() == 50
        }),
        (M::HastyInterim, |run| run.rig.records(3).len() > 10),
        (M::DoubleStart, |run| {
            let starts = run.rig.records(1);
            starts.len() == 2 && starts[0].1.identifier() != starts[1].1.identifier()
        }),
        (M::NoAcctAuthentic, |run| {
            run.record(1).first(a::ACCT_AUTHENTIC).is_none()
        }),
        (M::NoUserNameInAccounting, |run| {
            run.record(1).first(a::USER_NAME).is_none()
        }),
        (M::UnsealedChangeAnswer, |run| {
            run.answer(0).first(a::MESSAGE_AUTHENTICATOR).is_none()
        }),
        (M::UndatedChangeAnswer, |run| {
            run.answer(0).first(a::EVENT_TIMESTAMP).is_none()
        }),
        (M::ChangeStateNotEchoed, |run| {
            run.answer(0).first(a::PROXY_STATE).is_none()
        }),
        (M::NoErrorCause, |run| {
            run.answer(1).code() == Code::COA_NAK && run.answer(1).first(a::ERROR_CAUSE).is_none()
        }),
        (M::SuccessCauseInNak, |run| {
            run.answer(1).integer(a::ERROR_CAUSE) == Some(201)
        }),
        (M::VagueErrorCause, |run| {
            run.answer(1).integer(a::ERROR_CAUSE) == Some(404)
        }),
        (M::IgnoresSessionTimeout, |run| run.access().len() == 1),
        (M::IgnoresTerminationAction, |run| {
            run.record(2).integer(a::ACCT_TERMINATE_CAUSE) == Some(5)
        }),
        (M::IgnoresInterimInterval, |run| {
            run.rig.records(3).is_empty()
        }),
        (M::NoStart, |run| run.rig.records(1).is_empty()),
        (M::NoStop, |run| run.rig.records(2).is_empty()),
        (M::NoAccountingOn, |run| run.rig.records(7).is_empty()),
        (M::NoAnswerToChange, |run| {
            run.change_answers.iter().all(Option::is_none)
        }),
        (M::AckWithoutRegrant, |run| {
            run.answer(0).code() == Code::COA_ACK
                && run.rig.count(|w| matches!(w, What::Regranted { .. })) == 0
        }),
    ];
    let good = full(with(None));
    for (misbehaviour, shows) in table {
        assert!(!shows(&good), "{misbehaviour:?} without being asked");
        let run = full(with(Some(misbehaviour)));
        assert!(shows(&run), "{misbehaviour:?}");
        for packet in run.access() {
            assert_eq!(packet.code(), Code::ACCESS_REQUEST);
        }
    }
}

#[test]
fn faults_in_retransmission() {
    let silent = |misbehaviour| {
        let mut run = run(with(misbehaviour), |_| Reply::Nothing);
        run.rig.run(seconds(10));
        run
    };
    let good = silent(None);
    let distinct = |run: &Run| -> (usize, usize, usize) {
        let requests = run.access();
        let identifiers: BTreeSet<u8> = requests.iter().map(Packet::identifier).collect();
        let authenticators: BTreeSet<_> = requests.iter().map(|p| *p.authenticator()).collect();
        (requests.len(), identifiers.len(), authenticators.len())
    };
    assert_eq!(distinct(&good), (4, 1, 1));
    let run = silent(Some(M::NewIdentifierOnRetransmit));
    assert_eq!(distinct(&run), (4, 4, 4));
    let run = silent(Some(M::NewAuthenticatorOnRetransmit));
    assert_eq!(distinct(&run), (4, 1, 4));
    let run = silent(Some(M::HastyRetransmit));
    assert!(distinct(&run).0 > 15);
}

#[test]
fn reused_identifiers() {
    for (misbehaviour, expected) in [(None, 2), (Some(M::ReusesIdentifier), 1)] {
        let mut rig = Rig::new(with(misbehaviour), |_| Reply::Nothing);
        rig.plug("1", "till");
        rig.plug("2", "pc");
        rig.run(seconds(1));
        let identifiers: BTreeSet<u8> = rig
            .access_requests()
            .iter()
            .map(Packet::identifier)
            .collect();
        assert_eq!(identifiers.len(), expected);
    }
}

#[test]
fn unsealed_answers_are_taken() {
    for (misbehaviour, expected) in [(None, false), (Some(M::TakesUnsealedReplies), true)] {
        let mut run = run(with(misbehaviour), |_| Reply::Nothing);
        let request = run.access()[0].bytes().to_vec();
        let request = Packet::parse(&request).unwrap();
        let answer = Builder::new(Code::ACCESS_ACCEPT, request.identifier())
            .finish_response(request.authenticator(), &secret());
        let peer = AUTHENTICATION.parse().unwrap();
        run.rig
            .act(|switch, now| switch.handle(now, Socket::Authentication, peer, &answer));
        let admitted = run.rig.switch.sessions()[0].admitted.is_some();
        assert_eq!(admitted, expected);
    }
}

#[test]
fn idle_timeout_is_ignored() {
    for (misbehaviour, expected) in [(None, 1), (Some(M::IgnoresIdleTimeout), 0)] {
        let grant = vec![AttributeBuf::integer(a::IDLE_TIMEOUT, 30)];
        let mut run = run(with(misbehaviour), move |_| Reply::Accept(grant.clone()));
        run.rig
            .act(|switch, now| switch.traffic(now, "till", false).unwrap());
        run.rig.run(seconds(100));
        assert_eq!(run.rig.records(2).len(), expected);
    }
}

#[test]
fn mac_authentication_before_its_turn() {
    for (misbehaviour, expected) in [(None, 4500), (Some(M::MacBeforeDot1xTimeout), 500)] {
        let mut config = with(misbehaviour);
        config.ports.order = MethodOrder::Dot1xThenMac;
        let run = run(config, |_| Reply::Accept(Vec::new()));
        let (at, _) = run.rig.requests(Socket::Authentication)[0];
        assert_eq!(at.as_millis(), expected);
    }
}

#[test]
fn the_limit_is_exceeded() {
    for (misbehaviour, expected) in [(None, 1), (Some(M::ExceedsLimit), 2)] {
        let mut config = with(misbehaviour);
        config.ports.limit = 1;
        let mut rig = Rig::granting(config, Vec::new());
        rig.plug("1", "phone");
        rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
        rig.run(seconds(10));
        assert_eq!(rig.switch.sessions().len(), expected);
    }
}

#[test]
fn no_quiet_period() {
    for (misbehaviour, expected) in [(None, 1), (Some(M::NoQuietPeriod), 10)] {
        let run = run(with(misbehaviour), |_| Reply::Reject);
        assert_eq!(run.access().len(), expected);
    }
}

#[test]
fn the_refused_are_let_in() {
    for (misbehaviour, expected) in [(None, false), (Some(M::AdmitsRefused), true)] {
        let run = run(with(misbehaviour), |_| Reply::Reject);
        let admitted = run.rig.switch.sessions()[0].admitted.is_some();
        assert_eq!(admitted, expected);
    }
}

#[test]
fn one_session_number_for_all() {
    for (misbehaviour, expected) in [(None, 2), (Some(M::SameAcctSessionId), 1)] {
        let mut run = run(with(misbehaviour), |_| Reply::Accept(Vec::new()));
        run.rig.plug("2", "pc");
        run.rig.run(seconds(2));
        let sessions: BTreeSet<&str> = run
            .access()
            .iter()
            .map(|packet| packet.text(a::ACCT_SESSION_ID).unwrap())
            .collect();
        assert_eq!(sessions.len(), expected);
    }
}

/// RFC 3579 section 2.1.
#[test]
fn another_name_than_the_identity() {
    for (misbehaviour, expected) in [(None, "ada"), (Some(M::EapUserNameDiffers), "somebody")] {
        let mut config = super::dot1x::with_supplicant();
        config.misbehaviours = misbehaviour.into_iter().collect();
        let mut rig = Rig::new(config, super::dot1x::server);
        let now = rig.now;
        rig.switch.log_on(now, "pc", "ada").unwrap();
        rig.plug("1", "pc");
        rig.run(seconds(2));
        assert_eq!(rig.access_requests()[0].text(a::USER_NAME), Some(expected));
    }
}

/// An acknowledged change after which nothing happens.
#[test]
fn empty_acknowledgements() {
    let till = || AttributeBuf::text(a::CALLING_STATION_ID, "02-00-00-00-0A-01");
    let command = |text: &str| AttributeBuf::vendor(9, 1, text.as_bytes());
    type Happened = fn(&Rig) -> bool;
    let cases: Vec<(M, Vec<u8>, Happened)> = vec![
        (
            M::AckWithoutBounce,
            change(
                Code::COA_REQUEST,
                1,
                &[till(), command("subscriber:command=bounce-host-port")],
            ),
            |rig| rig.count(|w| *w == What::LinkDown) == 1,
        ),
        (
            M::AckWithoutReauth,
            change(
                Code::COA_REQUEST,
                1,
                &[till(), command("subscriber:command=reauthenticate")],
            ),
            |rig| rig.access_requests().len() == 2,
        ),
        (
            M::AckWithoutDisconnect,
            change(Code::DISCONNECT_REQUEST, 1, &[till()]),
            |rig| rig.records(2).len() == 1,
        ),
    ];
    for (misbehaviour, octets, happened) in cases {
        for asked in [false, true] {
            let config = with(asked.then_some(misbehaviour));
            let mut run = run(config, |_| Reply::Accept(Vec::new()));
            let answer = run.rig.change(&octets).unwrap();
            let code = Packet::parse(&answer).unwrap().code();
            assert!(matches!(code, Code::COA_ACK | Code::DISCONNECT_ACK));
            assert_eq!(happened(&run.rig), !asked, "{misbehaviour:?}");
        }
    }
}

#[test]
fn duplicates_and_stale_changes_are_carried_out() {
    let till = AttributeBuf::text(a::CALLING_STATION_ID, "02-00-00-00-0A-01");
    let command = AttributeBuf::vendor(9, 1, b"subscriber:command=reauthenticate");
    for (misbehaviour, expected) in [(None, 2), (Some(M::ProcessesDuplicates), 3)] {
        let mut run = run(with(misbehaviour), |_| Reply::Accept(Vec::new()));
        let octets = change(Code::COA_REQUEST, 1, &[till.clone(), command.clone()]);
        run.rig.change(&octets).unwrap();
        run.rig.change(&octets).unwrap();
        assert_eq!(run.access().len(), expected);
    }
    for (misbehaviour, expected) in [(None, 1), (Some(M::TakesStaleChanges), 2)] {
        let mut run = run(with(misbehaviour), |_| Reply::Accept(Vec::new()));
        let stale = AttributeBuf::integer(a::EVENT_TIMESTAMP, NOW - 1000);
        let octets = change(
            Code::COA_REQUEST,
            1,
            &[till.clone(), command.clone(), stale],
        );
        run.rig.change(&octets);
        assert_eq!(run.access().len(), expected);
    }
}
