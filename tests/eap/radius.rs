//! Whole logins over RADIUS: the supplicant, a switch that packs its EAP into Access-Requests
//! (RFC 3579), and the responder with its class table.

use std::sync::Arc;

use jiff::Timestamp;
use portproof::bench::parse_str;
use portproof::eap::{Inner, Method, Plan, Settings, Versions};
use portproof::journal::{Entry, Link};
use portproof::respond::Responder;
use portproof::roster::{Effects, Roster};
use portproof::stand_in::supplicant::{Config, Status, Supplicant};
use portproof::wire::hide::{MPPE_VENDOR, MppeKey, reveal_mppe_key};
use portproof::wire::registry::attributes as a;
use portproof::wire::{Builder, Code, Packet, Secret};
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::logins::{config, plan};
use super::pki::{NOW, Pki};

const SECRET: &str = "gangway-and-bollard";

const BENCH: &str = r#"
bench: quay
switches:
  - { name: quay, address: 192.0.2.10, secret: gangway-and-bollard, dialect: standard }
people:
  - { name: mo, password: gangway, groups: [crew] }
classes:
  holding: holding
  deny: blocked
  classes:
    - name: blocked
      recognise: { port: "66" }
    - name: carded
      recognise: { certificate: { alternative-name: "UPN:mo@quay.example" } }
    - name: staff
      recognise: { group: crew }
    - name: holding
"#;

struct Outcome {
    last: Effects,
    peer: Supplicant,
    /// EAP-Message attributes in the longest answer.
    most_parts: usize,
}

impl Outcome {
    fn entry(&self) -> &Entry {
        &self.last.entries[0]
    }
}

/// Runs a login to its end. `framed_mtu` is what the switch says of its link.
fn login(settings: Settings, config: Config, port: &str, framed_mtu: Option<u32>) -> Outcome {
    let bench = parse_str("quay.yaml", BENCH).unwrap().bench;
    let mut responder = Responder::new(Arc::new(bench));
    responder.offer_eap(Some(Arc::new(settings)));
    let mut roster = Roster::default();
    let mut rng = StdRng::seed_from_u64(7);
    let mut peer = Supplicant::new(Arc::new(config));
    let now: Timestamp = NOW.parse().unwrap();
    let (mut message, mut state, mut most_parts) = (Vec::new(), None::<Vec<u8>>, 0);
    for round in 0..=u8::MAX {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, round);
        builder
            .text(a::CALLING_STATION_ID, "02-00-5E-00-20-01")
            .unwrap();
        builder.text(a::NAS_PORT_ID, port).unwrap();
        if let Some(mtu) = framed_mtu {
            builder.integer(a::FRAMED_MTU, mtu).unwrap();
        }
        builder.push(a::EAP_KEY_NAME, &[0]).unwrap();
        match message.is_empty() {
            true => builder.push(a::EAP_MESSAGE, &[]).unwrap(),
            false => builder.long(a::EAP_MESSAGE, &message).unwrap(),
        };
        if let Some(state) = &state {
            builder.push(a::STATE, state).unwrap();
        }
        builder.message_authenticator().unwrap();
        let request = builder.finish_request(&[round; 16], &Secret::new(SECRET));
        let last = responder.handle(
            now,
            &mut roster,
            Link::Authentication,
            "192.0.2.1:1812".parse().unwrap(),
            "192.0.2.10:50000".parse().unwrap(),
            &request,
            &mut rng,
        );
        let answer = Packet::parse(&last.transmits[0].octets).unwrap();
        most_parts = most_parts.max(answer.count(a::EAP_MESSAGE));
        let eap = answer.joined(a::EAP_MESSAGE).unwrap();
        state = answer.first(a::STATE).map(|state| state.value.to_vec());
        message = peer.handle(now, &eap, &mut rng).unwrap_or_default();
        if answer.code() != Code::ACCESS_CHALLENGE {
            return Outcome {
                last,
                peer,
                most_parts,
            };
        }
    }
    panic!("no end");
}

fn settings(pki: &Pki, case: super::logins::Case) -> Settings {
    Settings::new(plan(pki, case, Versions::Both)).unwrap()
}

/// Both ends of every method come to the same keys (RFC 2548 section 2.4, RFC 5216 section 2.3),
/// and the switch that asks gets the name of the keys.
#[test]
fn every_method_ends_in_an_accept_with_the_keys() {
    let pki = Pki::new();
    for case in super::logins::TUNNELS {
        let outcome = login(settings(&pki, case), config(&pki, case), "7", None);
        let entry = outcome.entry();
        assert_eq!(
            entry.verdict, "answered-accept",
            "{case:?}: {}",
            entry.reason
        );
        assert_eq!(*outcome.peer.status(), Status::Success);
        assert!(outcome.most_parts > 1, "a certificate passes 253 octets");

        let request: [u8; 16] = entry.packets[0].octets[4..20].try_into().unwrap();
        let answer = Packet::parse(&outcome.last.transmits[0].octets).unwrap();
        let key = |which: MppeKey| {
            let mut found = answer.vendor(MPPE_VENDOR);
            let found = found.find(|v| v.kind == which.vendor_type()).unwrap();
            reveal_mppe_key(found.value, &Secret::new(SECRET), &request).unwrap()
        };
        let msk = outcome.peer.msk().unwrap();
        assert_eq!(key(MppeKey::Receive), msk[..32]);
        assert_eq!(key(MppeKey::Send), msk[32..]);
        let name = answer.first(a::EAP_KEY_NAME).map(|name| name.value);
        assert_eq!(name, outcome.peer.session_id(), "{case:?}");

        let by_certificate =
            case.method == Method::Tls || case.inner == Some(Inner::Eap(Method::Tls));
        let class = if by_certificate { "carded" } else { "staff" };
        assert_eq!(entry.place.class.as_deref(), Some(class), "{case:?}");
        if case.inner.is_some() {
            // The proven name goes to the switch, for its accounting; the journal has both.
            assert_eq!(answer.text(a::USER_NAME), entry.place.identity.as_deref());
            assert!(
                entry.reason.contains("outside ('@quay.example')"),
                "{}",
                entry.reason
            );
        }
    }
}

/// RFC 3580 section 3.10: EAP packets follow the Framed-MTU of the request.
#[test]
fn framed_mtu_bounds_the_eap_packets() {
    let pki = Pki::new();
    let case = super::logins::TUNNELS[0];
    let outcome = login(settings(&pki, case), config(&pki, case), "7", Some(204));
    assert_eq!(outcome.entry().verdict, "answered-accept");
    assert_eq!(outcome.most_parts, 1);
}

/// RFC 9190 section 2.1.1: success is told inside TLS 1.3, so the class table is asked before.
#[test]
fn a_denied_login_is_never_told_of_success() {
    let pki = Pki::new();
    for case in super::logins::TUNNELS {
        let outcome = login(settings(&pki, case), config(&pki, case), "66", None);
        assert_eq!(outcome.entry().verdict, "answered-reject", "{case:?}");
        assert_eq!(outcome.entry().place.class.as_deref(), Some("blocked"));
        assert!(matches!(outcome.peer.status(), Status::Failed(_)));
    }
}

#[test]
fn refusals_over_tls_are_named() {
    let pki = Pki::new();
    let tls = super::logins::TUNNELS[0];
    let peap = super::logins::TUNNELS[6];

    let mut wrong = config(&pki, peap);
    wrong.password = "gangwaY".to_owned().into();
    let outcome = login(settings(&pki, peap), wrong, "7", None);
    assert_eq!(outcome.entry().verdict, "answered-reject-wrong-password");

    let mut bare = config(&pki, tls);
    let plan = portproof::stand_in::supplicant::ClientTlsPlan {
        certificate: None,
        ..pki.client_plan()
    };
    bare.tls = Some(super::pki::client(plan));
    let outcome = login(settings(&pki, tls), bare, "7", None);
    assert_eq!(outcome.entry().verdict, "answered-reject-certificate");

    let mut careful = config(&pki, tls);
    let plan = portproof::stand_in::supplicant::ClientTlsPlan {
        server_name: Some("other.quay.example".to_owned()),
        ..pki.client_plan()
    };
    careful.tls = Some(super::pki::client(plan));
    let outcome = login(settings(&pki, tls), careful, "7", None);
    assert_eq!(outcome.entry().verdict, "answered-reject-tls-alert");

    let only_md5 = Plan {
        preference: vec![Method::Md5],
        ..Plan::default()
    };
    let outcome = login(
        Settings::new(only_md5).unwrap(),
        config(&pki, tls),
        "7",
        None,
    );
    assert_eq!(outcome.entry().verdict, "answered-reject-method-refused");
}
