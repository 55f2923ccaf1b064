//! Configurations as YAML, and what is wrong with some.

use super::*;
use crate::stand_in::ConfigError;
use crate::stand_in::config::{MethodOrder, RoleSpelling};
use crate::stand_in::device::PowerSource;
use crate::wire::vlan::VlanRef;

const WHOLE: &str = r#"
name: quay-3
address: 127.0.0.3
nas-address: 192.0.2.3
nas-identifier: quay-3-north
bridge-mac: 02:00:5e:10:00:00
servers:
  - { authentication: "127.0.0.1:1812", accounting: "127.0.0.1:1813", secret: lantern-quay-bench }
ports:
  count: 48
  prefix: 1/0/
  limit: 2
  order: dot1x-then-mac
  next-after-refusal: true
  poe: true
  each:
    7: { limit: 1, order: both, name: uplink, poe: false, next-after-refusal: false }
dot1x: { tx-period: 7s, tries: 3, supplicant-timeout: 10s, supplicant-tries: 4 }
quiet-period: 30s
reauthentication: { every: 1h, from-server: false }
retransmission: { first: 5s, tries: 3, longest: 5s, total: 0s }
dead-time: 2m
critical: { vlan: 999, role: emergency, filter: none }
accounting: { enabled: true, interim: 10m, delay-time: true, retransmission: { first: 1s } }
mac-authentication:
  user-name: XX-XX-XX-XX-XX-XX
  password: { fixed: berth }
  protocol: chap
  service-type: framed
requests: { message-authenticator: true, require-message-authenticator: false, acct-session-id: true, framed-mtu: 1400 }
dialect:
  role: { vendor: { vendor: 32473, type: 5, prefix: "role=" } }
  family: enterprise-9
changes: { enabled: true, port: 0, secret: other, from: [127.0.0.9], window: 2m, require-event-timestamp: true, require-message-authenticator: true, several-sessions: true, authorize-only: false }
dhcp: { to: "127.0.0.1:6767", relay-address: 198.51.100.1, option-82: false, answered: false }
bounce: { link-down: 8s, cut-power: false }
vlans: { tills: 120, emergency: 999 }
devices:
  - name: till
    mac: 02-00-00-00-0A-01
    power: poe
    boot-time: 40s
    speaks-after: 250ms
    talks: false
    octets-per-second: 5
    dhcp: { after: 1s, host-name: till-4, parameter-list: [1, 3], vendor-class: v, client-id: "01020000000a01", user-class: u, remembers: false }
    supplicant:
      machine: { identity: host/till-4.quay.example, methods: [eap-tls, peap], certificate: { file: till.pem }, key: { text: not a key } }
      people:
        ada: { identity: anonymous, account: ada, ms-chap-name: "QUAY\\ada", password: moor, methods: [eap-ttls], ttls: eap-md5, peap: eap-tls }
      start-after: 2s
      start-period: 20s
      starts: 2
      roots: { file: ca.pem }
      server-name: radius.quay.example
      tls-1-2: false
      tls-1-3: true
      resumption: true
      fragment: 900
misbehaviours: [class-not-echoed]
"#;

#[test]
fn every_key_is_read() {
    let config: StandInConfig = serde_saphyr::from_str(WHOLE).unwrap();
    config.check().unwrap();
    let ports = config.port_settings();
    assert_eq!(ports.len(), 48);
    assert_eq!(ports[0].name, "1/0/1");
    assert_eq!(
        (ports[0].limit, ports[0].order),
        (2, MethodOrder::Dot1xThenMac)
    );
    assert_eq!(ports[6].name, "uplink");
    assert_eq!((ports[6].limit, ports[6].order), (1, MethodOrder::Both));
    assert!(!ports[6].poe && !ports[6].next_after_refusal);
    assert_eq!(ports[6].mac, Mac([2, 0, 0x5e, 0x10, 0, 7]));
    assert_eq!(config.nas_identifier(), "quay-3-north");
    assert_eq!(config.dot1x.tx_period, seconds(7));
    assert_eq!(config.reauthentication.every, Some(seconds(3600)));
    assert_eq!(config.critical.unwrap().vlan, Some(VlanRef::Id(999)));
    assert_eq!(config.accounting.interim, Some(seconds(600)));
    assert_eq!(
        config.dialect.role(),
        RoleSpelling::Vendor {
            vendor: 32473,
            kind: 5,
            prefix: "role=".to_owned()
        }
    );
    let device = &config.devices[0];
    assert_eq!(device.power, PowerSource::Poe);
    assert_eq!(device.speaks_after, millis(250));
    let dhcp = device.dhcp.as_ref().unwrap();
    assert_eq!(dhcp.client_id.as_deref(), Some(&[1, 2, 0, 0, 0, 10, 1][..]));
    let config: StandInConfig = serde_saphyr::from_str(WHOLE).unwrap();
    let shown = format!("{config:?}");
    for secret in ["lantern-quay-bench", "moor", "not a key", "berth"] {
        assert!(!shown.contains(secret), "{secret}");
    }
}

/// Files are read by whoever may read files; what is wrong with them names device and login.
#[test]
fn logins_are_prepared_or_named() {
    let mut config: StandInConfig = serde_saphyr::from_str(WHOLE).unwrap();
    let said = |error: ConfigError| error.to_string();
    assert_eq!(
        said(StandIn::new(config.clone(), 0).err().unwrap()),
        "login 'machine' of device 'till': till.pem was not read"
    );
    let missing = config.read_files(|_| Err(std::io::ErrorKind::NotFound.into()));
    assert_eq!(
        said(missing.unwrap_err()),
        "login of device 'till': till.pem: entity not found"
    );
    config.read_files(|_| Ok(String::new())).unwrap();
    assert_eq!(
        said(StandIn::new(config.clone(), 0).err().unwrap()),
        "login 'machine' of device 'till': the certificate is not in PEM form: \
         it holds no certificate"
    );
    let machine = |config: &mut StandInConfig| {
        let supplicant = config.devices[0].supplicant.as_mut().unwrap();
        supplicant.roots = None;
        supplicant.machine.clone().unwrap()
    };
    let mut login = machine(&mut config);
    login.certificate = None;
    config.devices[0].supplicant.as_mut().unwrap().machine = Some(login.clone());
    assert!(said(StandIn::new(config.clone(), 0).err().unwrap()).contains("go together"));
    login.key = None;
    login.methods.clear();
    config.devices[0].supplicant.as_mut().unwrap().machine = Some(login.clone());
    assert!(said(StandIn::new(config.clone(), 0).err().unwrap()).contains("no method"));
    login.methods = vec![crate::stand_in::login::EapMethod::EapMd5];
    config.devices[0].supplicant.as_mut().unwrap().machine = Some(login);
    assert!(StandIn::new(config.clone(), 0).is_ok());
    config.devices[0].supplicant.as_mut().unwrap().fragment = 63;
    assert!(said(StandIn::new(config, 0).err().unwrap()).contains("fragment"));
}

#[test]
fn three_lines_are_enough() {
    let config: StandInConfig = serde_saphyr::from_str(
        "name: quay-3\nservers:\n  - {authentication: '127.0.0.1:1812', accounting: '127.0.0.1:1813', secret: s}\n",
    )
    .unwrap();
    config.check().unwrap();
    let switch = StandIn::new(config, 0).unwrap();
    let needs: Vec<(Socket, u16)> = switch
        .sockets()
        .iter()
        .map(|need| (need.socket, need.bind.port()))
        .collect();
    assert_eq!(
        needs,
        [
            (Socket::Authentication, 0),
            (Socket::Accounting, 0),
            (Socket::Change, 3799)
        ]
    );
}

#[test]
fn unknown_keys_and_values_are_errors() {
    for (from, to) in [
        ("quiet-period: 30s", "quiet-periods: 30s"),
        ("quiet-period: 30s", "quiet-period: 30"),
        ("quiet-period: 30s", "quiet-period: -3s"),
        ("order: both", "order: sideways"),
        ("limit: 1,", "limits: 1,"),
        ("XX-XX-XX-XX-XX-XX", "XX-XX-XX"),
        ("vlan: 999", "vlan: 4095"),
        ("02-00-00-00-0A-01", "02-00-00-00-0A"),
        ("class-not-echoed", "class-echoed"),
        ("client-id: \"01020000000a01\"", "client-id: \"0x01\""),
        ("host-name: till-4", "hostname: till-4"),
    ] {
        assert!(WHOLE.contains(from), "{from}");
        let text = WHOLE.replace(from, to);
        assert!(
            serde_saphyr::from_str::<StandInConfig>(&text).is_err(),
            "{to}"
        );
    }
}

#[test]
fn what_types_cannot_say_is_checked() {
    type Spoil = fn(&mut StandInConfig);
    let cases: Vec<(&str, Spoil)> = vec![
        ("no server", |c| c.servers.clear()),
        ("secret", |c| c.servers[0].secret = Secret::new("")),
        ("secret", |c| c.changes.secret = Some(Secret::new(""))),
        ("ports.count", |c| c.ports.count = 0),
        ("ports.count", |c| c.ports.count = 1025),
        ("limit of port", |c| c.ports.limit = 0),
        ("limit of port", |c| c.ports.limit = 65),
        ("ports.each", |c| {
            c.ports.each = one_port(9, PortChange::default());
        }),
        ("ports.each", |c| {
            c.ports.each = one_port(0, PortChange::default());
        }),
        ("port '2' stands twice", |c| {
            c.ports.each = one_port(
                1,
                PortChange {
                    name: Some("2".to_owned()),
                    ..PortChange::default()
                },
            );
        }),
        ("dot1x.tries", |c| c.dot1x.tries = 0),
        ("dot1x.tx-period", |c| c.dot1x.tx_period = Duration::ZERO),
        ("retransmission.first", |c| {
            c.retransmission.first = Duration::ZERO;
        }),
        ("dead-time", |c| c.dead_time = Duration::ZERO),
        ("quiet-period", |c| c.quiet_period = Duration::ZERO),
        ("reauthentication.every", |c| {
            c.reauthentication.every = Some(Duration::ZERO);
        }),
        ("vlans.tills", |c| {
            c.vlans = [("tills".to_owned(), 4095)].into();
        }),
        ("framed-mtu", |c| c.requests.framed_mtu = 63),
        ("device 'till' stands twice", |c| {
            c.devices[1].name = "till".to_owned();
        }),
        ("stands twice", |c| c.devices[1].mac = TILL),
        ("group address", |c| c.devices[0].mac = Mac([1; 6])),
    ];
    config().check().unwrap();
    for (words, spoil) in cases {
        let mut config = config();
        spoil(&mut config);
        let error: ConfigError = config.check().unwrap_err();
        assert!(error.to_string().contains(words), "{words}: {error}");
        assert_eq!(StandIn::new(config, 0).err(), Some(error));
    }
}
