use std::collections::BTreeMap;
use std::net::Ipv4Addr;
use std::time::Duration;

use jiff::Timestamp;
use proptest::prelude::*;

use super::*;
use crate::bench::{
    AttributeName, CertificateField, ChangeKind, Condition, DhcpField, Dialect, Grant, MethodName,
    RoleSpelling, Switch, Test, VlanSpelling,
};
use crate::roster::{CertificateFacts, Device, Login, MachineLogin, Pin, Sightings};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Builder, Code, Mac, Packet, Secret};

const MAC: Mac = Mac([0x02, 0x1a, 0x70, 0x0b, 0xc4, 0xd5]);

fn mac(text: &str) -> Mac {
    text.parse().unwrap()
}

fn text(test: &str) -> Test {
    Test::Exact(test.into())
}

fn glob(pattern: &str) -> Test {
    Test::Glob(globset::Glob::new(pattern).unwrap().compile_matcher())
}

fn under(value: &str, mask: &str) -> Condition {
    Condition::MacMask {
        value: mac(value),
        mask: mac(mask),
    }
}

fn now() -> Timestamp {
    "2026-03-01T12:00:00Z".parse().unwrap()
}

fn switch() -> Switch {
    let dialect = Dialect {
        name: "standard".into(),
        enterprise: None,
        role: RoleSpelling::None,
        vlan: VlanSpelling::Tunnel,
        tagged_vlans: false,
        priority: false,
        filter_rules: false,
        identify: Vec::new(),
        event_timestamp: true,
        message_authenticator: true,
        changes: BTreeMap::new(),
        fallback: Vec::new(),
    };
    Switch {
        name: "quay-1".into(),
        address: "192.0.2.1/32".parse().unwrap(),
        secret: Secret::new("s"),
        change_secret: Secret::new("s"),
        dialect: Arc::new(dialect),
        change_port: 3799,
        variables: BTreeMap::new(),
        require_message_authenticator: true,
    }
}

fn device() -> Device {
    Device {
        mac: MAC,
        sightings: Sightings {
            dhcp: BTreeMap::from([
                ("host-name".into(), "ticket-3".into()),
                ("vendor-class".into(), "lq-print/4".into()),
            ]),
        },
        class: None,
        why: None,
        first_seen: now(),
        last_seen: now(),
        pin: None,
        machine: Some(MachineLogin {
            at: now() - jiff::SignedDuration::from_secs(600),
            name: "office-1".into(),
            groups: vec!["desks".into()],
        }),
    }
}

fn login() -> Login {
    Login {
        identity: "ada@lantern-quay.example".into(),
        account: Some("ada".into()),
        machine: false,
        groups: vec!["office".into(), "pursers".into()],
        certificate: Some(CertificateFacts {
            subject: "CN=ada,O=Lantern Quay".into(),
            common_name: Some("ada".into()),
            alternative_names: vec!["UPN:ada@lantern-quay.example".into()],
            issuer: "CN=bench".into(),
            key_usages: vec!["client-auth".into()],
            serial: "01".into(),
        }),
    }
}

fn request() -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
    builder.integer(a::NAS_PORT_TYPE, 15).unwrap();
    builder.text(a::NAS_PORT_ID, "ge-0/7").unwrap();
    builder
        .push(a::NAS_IP_ADDRESS, &Ipv4Addr::new(192, 0, 2, 1).octets())
        .unwrap();
    builder.push(a::TUNNEL_PRIVATE_GROUP_ID, b"\x0120").unwrap();
    builder.push(a::CLASS, &[0, 1, 0xff]).unwrap();
    builder
        .attribute(&AttributeBuf::vendor(32473, 1, b"model=lq-4"))
        .unwrap();
    builder
        .attribute(&AttributeBuf::vendor(32473, 2, &[0, 0, 1, 0]))
        .unwrap();
    builder.finish_request(&[7; 16], &Secret::new("s"))
}

/// What the condition says of the facts above, and of the reason.
fn ask(condition: &Condition) -> (bool, String) {
    let (switch, device, login, octets) = (switch(), device(), login(), request());
    let facts = Facts {
        now: now(),
        switch: &switch,
        port: Some("ge-0/7"),
        mac: Some(MAC),
        method: MethodName::EapTls,
        login: Some(&login),
        request: Some(Packet::parse(&octets).unwrap()),
        device: Some(&device),
    };
    let mut line = Line::default();
    let held = fits(condition, &facts, &mut line);
    (held, line.into_text())
}

/// The same of a MAC authentication by a device that nobody has seen.
fn ask_of_a_stranger(condition: &Condition) -> (bool, String) {
    let switch = switch();
    let mut line = Line::default();
    let held = fits(condition, &stranger(&switch), &mut line);
    (held, line.into_text())
}

fn stranger(switch: &Switch) -> Facts<'_> {
    Facts {
        now: now(),
        switch,
        port: None,
        mac: None,
        method: MethodName::Mac,
        login: None,
        request: None,
        device: None,
    }
}

#[test]
fn each_condition_says_what_it_met() {
    let table = [
        (
            under("02:1a:70:00:00:00", "ff:ff:ff:00:00:00"),
            true,
            "mac 02-1A-70-0B-C4-D5 is under 02:1a:70/24",
        ),
        (
            under("02:1a:70:10:00:00", "ff:ff:ff:f0:00:00"),
            false,
            "mac 02-1A-70-0B-C4-D5 is not under 02:1a:70:10/28",
        ),
        (
            under("00:00:00:00:00:05", "00:00:00:00:00:0f"),
            true,
            "mac 02-1A-70-0B-C4-D5 is under 00-00-00-00-00-05 with mask 00-00-00-00-00-0F",
        ),
        (
            Condition::MacList(vec![MAC]),
            true,
            "mac 02-1A-70-0B-C4-D5 is on the list of 1",
        ),
        (
            Condition::Dhcp(DhcpField::VendorClass, glob("lq-print*")),
            true,
            "dhcp vendor-class 'lq-print/4' matches glob 'lq-print*'",
        ),
        (
            Condition::Dhcp(DhcpField::HostName, text("till-1")),
            false,
            "dhcp host-name 'ticket-3' is not 'till-1'",
        ),
        (
            Condition::Dhcp(DhcpField::ClientId, Test::Present),
            false,
            "no sighting of dhcp client-id yet",
        ),
        (
            Condition::Attribute(
                AttributeName::Standard(a::NAS_PORT_TYPE),
                Test::Range(10, 19),
            ),
            true,
            "NAS-Port-Type '15' is within 10..19",
        ),
        (
            Condition::Attribute(
                AttributeName::Standard(a::NAS_IP_ADDRESS),
                text("192.0.2.1"),
            ),
            true,
            "NAS-IP-Address '192.0.2.1' is as wanted",
        ),
        (
            Condition::Attribute(
                AttributeName::Standard(a::TUNNEL_PRIVATE_GROUP_ID),
                Test::OneOf(vec!["20".into(), "30".into()]),
            ),
            true,
            "Tunnel-Private-Group-ID '20' is one of '20', '30'",
        ),
        (
            Condition::Attribute(AttributeName::Standard(a::CLASS), text("0x0001ff")),
            true,
            "Class '0x0001ff' is as wanted",
        ),
        (
            Condition::Attribute(AttributeName::Standard(a::FRAMED_MTU), Test::Present),
            false,
            "no Framed-MTU",
        ),
        (
            Condition::Attribute(
                AttributeName::Vendor {
                    vendor: 32473,
                    kind: 1,
                },
                Test::Regex(regex::Regex::new("^model=lq-[0-9]$").unwrap()),
            ),
            true,
            "attribute 32473/1 'model=lq-4' matches regex '^model=lq-[0-9]$'",
        ),
        (
            Condition::Attribute(
                AttributeName::Vendor {
                    vendor: 32473,
                    kind: 2,
                },
                Test::Range(0, 255),
            ),
            false,
            "attribute 32473/2 '256' is not within 0..255",
        ),
        (
            Condition::Switch(glob("quay-*")),
            true,
            "switch 'quay-1' matches glob 'quay-*'",
        ),
        (
            Condition::Port(text("ge-0/7")),
            true,
            "port 'ge-0/7' is as wanted",
        ),
        (
            Condition::Method(vec![MethodName::Mac, MethodName::Peap]),
            false,
            "method eap-tls is not mac or peap",
        ),
        (
            Condition::Group(text("pursers")),
            true,
            "group 'pursers' is as wanted",
        ),
        (
            Condition::Group(text("crew")),
            false,
            "group 'office' is not 'crew', group 'pursers' is not 'crew'",
        ),
        (
            Condition::Identity(glob("*@lantern-quay.example")),
            true,
            "identity 'ada@lantern-quay.example' matches glob '*@lantern-quay.example'",
        ),
        (
            Condition::Certificate(CertificateField::CommonName, text("ada")),
            true,
            "certificate common-name 'ada' is as wanted",
        ),
        (
            Condition::Certificate(CertificateField::AlternativeName, glob("DNS:*")),
            false,
            "certificate alternative-name 'UPN:ada@lantern-quay.example' does not match glob 'DNS:*'",
        ),
        (
            Condition::AfterMachine {
                within: Duration::from_secs(3600),
                group: Some(text("desks")),
            },
            true,
            "machine 'office-1' logged on 600 s ago, within 3600 s, group of the machine 'desks' is as wanted",
        ),
        (
            Condition::AfterMachine {
                within: Duration::from_secs(599),
                group: None,
            },
            false,
            "machine 'office-1' logged on 600 s ago, not within 599 s",
        ),
    ];
    for (condition, held, because) in table {
        let shown = format!("{condition:?}");
        assert_eq!(ask(&condition), (held, because.to_owned()), "{shown}");
    }
}

#[test]
fn nothing_known_fits_nothing_and_says_so() {
    let any_text = Test::Present;
    let table = [
        (
            under("02:00:00:00:00:00", "02:00:00:00:00:00"),
            "the request names no mac",
        ),
        (Condition::MacList(vec![MAC]), "the request names no mac"),
        (
            Condition::Dhcp(DhcpField::VendorClass, any_text.clone()),
            "no sighting of dhcp vendor-class: the device is new",
        ),
        (
            Condition::Attribute(AttributeName::Standard(a::CLASS), any_text.clone()),
            "no request to look for Class in",
        ),
        (Condition::Port(any_text.clone()), "no port"),
        (
            Condition::Group(any_text.clone()),
            "no group: nobody logged on, the mac alone is known",
        ),
        (Condition::Identity(any_text.clone()), "no identity"),
        (
            Condition::Certificate(CertificateField::Subject, any_text),
            "no certificate: nobody logged on, the mac alone is known",
        ),
        (
            Condition::AfterMachine {
                within: Duration::MAX,
                group: None,
            },
            "no machine logged on with this mac before",
        ),
    ];
    for (condition, because) in table {
        assert_eq!(ask_of_a_stranger(&condition), (false, because.to_owned()));
    }
}

#[test]
fn only_what_settled_it_is_said() {
    let yes = |name: &str| Condition::Switch(glob(name));
    let all = Condition::All(vec![
        yes("quay-*"),
        Condition::Port(text("ge-0/8")),
        yes("never-asked"),
    ]);
    assert_eq!(ask(&all), (false, "port 'ge-0/7' is not 'ge-0/8'".into()));
    let all = Condition::All(vec![yes("quay-*"), Condition::Port(text("ge-0/7"))]);
    assert_eq!(
        ask(&all),
        (
            true,
            "switch 'quay-1' matches glob 'quay-*', port 'ge-0/7' is as wanted".into()
        )
    );
    let any = Condition::Any(vec![
        Condition::Port(text("ge-0/8")),
        Condition::Not(Box::new(Condition::Method(vec![MethodName::Mac]))),
    ]);
    assert_eq!(ask(&any), (true, "method eap-tls is not mac".into()));
    let any = Condition::Any(vec![Condition::Port(text("1")), Condition::Port(text("2"))]);
    assert_eq!(
        ask(&any),
        (
            false,
            "port 'ge-0/7' is not '1', port 'ge-0/7' is not '2'".into()
        )
    );
    assert!(ask(&Condition::All(Vec::new())).0);
    assert!(!ask(&Condition::Any(Vec::new())).0);
}

#[test]
fn a_reason_stays_one_short_line() {
    let many: Vec<Condition> = (0..500)
        .map(|at| Condition::Port(text(&at.to_string())))
        .collect();
    let (_, because) = ask(&Condition::Any(many));
    assert!(because.len() < 500 && because.ends_with(", …"), "{because}");
    let nasty = "\u{1b}[31m\n".repeat(100);
    let (_, because) = ask(&Condition::Identity(text(&nasty)));
    assert!(
        !because.contains(['\u{1b}', '\n']) && because.len() < 1000,
        "{because}"
    );
}

fn class(name: &str, recognise: Option<Condition>) -> Arc<Class> {
    Arc::new(Class {
        name: name.into(),
        about: None,
        recognise,
        grant: Grant::default(),
        change: ChangeKind::Bounce,
        place: format!("t.yaml:{}", name.len()),
    })
}

fn table() -> ClassTable {
    ClassTable {
        classes: vec![
            class("holding", None),
            class(
                "blocked",
                Some(Condition::MacList(vec![mac("02:00:00:00:00:66")])),
            ),
            class(
                "printer",
                Some(Condition::Dhcp(DhcpField::VendorClass, glob("lq-print*"))),
            ),
            class(
                "local",
                Some(under("02:00:00:00:00:00", "02:00:00:00:00:00")),
            ),
            class("by-hand", None),
        ],
        holding: "holding".into(),
        deny: Some("blocked".into()),
    }
}

fn decided(device: Option<&Device>, mac: Mac) -> Decision {
    let switch = switch();
    let facts = Facts {
        mac: Some(mac),
        device,
        ..stranger(&switch)
    };
    let decision = decide(&facts, &table());
    let table = table();
    assert_eq!(pick(&facts, &table).unwrap().name, decision.class);
    decision
}

#[test]
fn the_first_row_that_fits_wins() {
    let decision = decided(Some(&device()), MAC);
    assert_eq!(decision.verdict, Verdict::Accept);
    assert_eq!(
        decision.trace.summary,
        "class printer: dhcp vendor-class 'lq-print/4' matches glob 'lq-print*'"
    );
    let rows: Vec<(&str, bool)> = decision
        .trace
        .rows
        .iter()
        .map(|row| (row.class.as_str(), row.fits))
        .collect();
    assert_eq!(
        rows,
        [("blocked", false), ("printer", true)],
        "`local` fits too, but stands later"
    );
    assert_eq!(decision.trace.rows[1].place, "t.yaml:7");
}

#[test]
fn what_no_row_fits_is_held() {
    let decision = decided(None, mac("00:00:00:00:00:01"));
    assert_eq!(decision.class, "holding");
    assert_eq!(decision.trace.summary, "class holding: no row fits");
    assert_eq!(
        decision.trace.rows.len(),
        4,
        "three rows tried, then the holding row"
    );
    assert_eq!(
        decision.trace.rows[1].because,
        "no sighting of dhcp vendor-class: the device is new"
    );
}

#[test]
fn the_deny_class_rejects() {
    let decision = decided(None, mac("02:00:00:00:00:66"));
    assert_eq!(decision.verdict, Verdict::Reject);
    assert_eq!(
        decision.trace.summary,
        "class blocked, rejected: mac 02-00-00-00-00-66 is on the list of 1"
    );
}

#[test]
fn a_pin_goes_before_every_row() {
    let pinned = |class: &str| Device {
        pin: Some(Pin {
            class: class.into(),
            note: Some("loan".into()),
        }),
        ..device()
    };
    let decision = decided(Some(&pinned("by-hand")), MAC);
    assert_eq!(
        decision.trace.summary,
        "class by-hand: pinned by hand (loan)"
    );
    assert_eq!(
        decided(Some(&pinned("blocked")), MAC).verdict,
        Verdict::Reject
    );
    let gone = decided(Some(&pinned("gone")), MAC);
    assert_eq!(gone.class, "printer");
    assert!(!gone.trace.rows[0].fits && gone.trace.rows[0].because.contains("no such class"));
}

fn any_test() -> impl Strategy<Value = Test> {
    prop_oneof![
        "[a-c]{0,2}".prop_map(Test::Exact),
        proptest::collection::vec("[a-c]{0,2}", 0..3).prop_map(Test::OneOf),
        "[a-c*?]{1,3}".prop_map(|pattern| glob(&pattern)),
        (0u64..20, 0u64..20).prop_map(|(from, to)| Test::Range(from, to)),
        Just(Test::Present),
    ]
}

fn any_condition() -> impl Strategy<Value = Condition> {
    let any_mac = || any::<[u8; 6]>().prop_map(Mac);
    let leaf = prop_oneof![
        (any_mac(), any_mac()).prop_map(|(value, mask)| Condition::MacMask { value, mask }),
        proptest::collection::vec(any_mac(), 0..3).prop_map(Condition::MacList),
        any_test().prop_map(|test| Condition::Dhcp(DhcpField::HostName, test)),
        any_test().prop_map(Condition::Port),
        any_test().prop_map(Condition::Switch),
        Just(Condition::Method(vec![MethodName::Mac])),
    ];
    leaf.prop_recursive(3, 12, 3, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..3).prop_map(Condition::All),
            proptest::collection::vec(inner.clone(), 0..3).prop_map(Condition::Any),
            inner.prop_map(|part| Condition::Not(Box::new(part))),
        ]
    })
}

proptest! {
    /// A mask compares exactly the bits that it sets, whatever their places.
    #[test]
    fn a_mask_compares_its_bits(bits: [u8; 6], value: [u8; 6], mask: [u8; 6]) {
        let switch = switch();
        let facts = Facts { mac: Some(Mac(bits)), ..stranger(&switch) };
        let condition = Condition::MacMask { value: Mac(value), mask: Mac(mask) };
        let by_bit = (0..48).all(|at| {
            let bit = |octets: [u8; 6]| octets[at / 8] >> (7 - at % 8) & 1;
            bit(mask) == 0 || bit(bits) == bit(value)
        });
        prop_assert_eq!(fits(&condition, &facts, &mut Silent), by_bit);
    }

    /// With and without reasons the outcome is the same, and a reason is never empty unless an
    /// empty list settled it.
    #[test]
    fn reasons_change_nothing(conditions in proptest::collection::vec(any_condition(), 0..6), octets: [u8; 6]) {
        let switch = switch();
        let device = device();
        let facts = Facts {
            mac: Some(Mac(octets)),
            port: Some("a"),
            device: Some(&device),
            ..stranger(&switch)
        };
        let mut table = table();
        table.classes = conditions
            .into_iter()
            .enumerate()
            .map(|(at, condition)| class(&format!("row-{at}"), Some(condition)))
            .chain([class("holding", None)])
            .collect();
        let decision = decide(&facts, &table);
        prop_assert_eq!(&pick(&facts, &table).unwrap().name, &decision.class);
        prop_assert!(decision.trace.rows.iter().filter(|row| row.fits).count() == 1);
        prop_assert!(!decision.trace.summary.contains(", ,"));
    }
}
