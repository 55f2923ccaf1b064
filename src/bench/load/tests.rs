use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;

use super::*;
use crate::bench::ChangeKind;
use crate::bench::yaml::render;
use crate::wire::AttributeBuf;

/// Files and variables of the test, then those that ship.
#[derive(Default)]
struct Given {
    files: BTreeMap<&'static str, &'static str>,
    variables: BTreeMap<&'static str, &'static str>,
}

impl World for Given {
    fn read(&self, path: &Path) -> io::Result<String> {
        match self.files.get(path.to_str().unwrap()) {
            Some(text) => Ok((*text).to_owned()),
            None => ThisComputer.read(path),
        }
    }

    fn has(&self, path: &Path) -> bool {
        self.files.contains_key(path.to_str().unwrap())
    }

    fn variable(&self, name: &str) -> Option<String> {
        self.variables.get(name).map(|text| (*text).to_owned())
    }
}

fn given(files: &[(&'static str, &'static str)]) -> Given {
    Given {
        files: files.iter().copied().collect(),
        variables: BTreeMap::from([("SWITCH_SECRET", "a secret of the environment")]),
    }
}

fn shipped(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

#[test]
fn every_bench_file_that_ships_is_clean() {
    for name in ["lab/lantern-quay.yaml", "lab/one-switch.yaml"] {
        match load_in(&given(&[]), &shipped(name)) {
            Ok(loaded) => assert!(
                loaded.warnings.is_empty(),
                "{}",
                render(&loaded.warnings, false)
            ),
            Err(found) => panic!("{}", render(&found, false)),
        }
    }
}

/// RFC 5080 section 2.2.2: 5 to 30 s.
#[test]
fn answers_are_kept_within_the_bounds_of_rfc_5080() {
    let bench = |keep: &str| {
        let text = format!(
            "bench: b\nclasses: {{ holding: h, classes: [{{ name: h }}] }}\n\
             switches: [{{ name: s, address: 192.0.2.1, secret: at-least-sixteen, dialect: standard }}]\n\
             answers: {{ keep: {keep}, reasons: true }}\n"
        );
        parse_str("b.yaml", &text)
    };
    for (keep, right) in [("5s", true), ("30s", true), ("4s", false), ("31s", false)] {
        match bench(keep) {
            Ok(loaded) => {
                assert!(right, "{keep}");
                assert!(loaded.bench.answers.reasons);
            }
            Err(found) => {
                let text = render(&found, false);
                assert!(!right && text.contains("5s to 30s"), "{text}");
            }
        }
    }
}

/// One run over a bench file, a dialect and a class table that hold every kind of mistake.
fn bad() -> Vec<Diagnostic> {
    let world = given(&[
        ("bad/bench.yaml", include_str!("bad/bench.yaml")),
        ("bad/poor.yaml", include_str!("bad/poor.yaml")),
        ("bad/classes.yaml", include_str!("bad/classes.yaml")),
    ]);
    load_in(&world, Path::new("bad/bench.yaml")).unwrap_err()
}

#[test]
fn every_mistake_of_a_bad_bench_in_one_run() {
    let lines: Vec<String> = bad().iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(lines.join("\n"));
}

#[test]
fn the_same_drawn_for_people() {
    insta::assert_snapshot!(render(&bad(), false));
}

/// Whatever is wrong around them, secrets are neither in a diagnostic nor in a Debug print.
#[test]
fn secrets_show_nowhere() {
    let found = bad();
    let json = serde_json::to_string(&found).unwrap();
    let everything = format!(
        "{}{}{json}{found:?}{found:#?}",
        render(&found, false),
        render(&found, true)
    );
    for secret in ["hunter", "hides-well"] {
        assert!(!everything.contains(secret), "{everything}");
    }

    let text = SOUND
        .replace("a secret of sixteen", "hunter2-hunter2-hunter2")
        .replace("pw-ada", "hunter3");
    let bench = parse_str("t.yaml", &text).unwrap().bench;
    assert_eq!(bench.switches[0].secret.bytes(), b"hunter2-hunter2-hunter2");
    let shown = format!("{bench:?}{bench:#?}");
    assert!(!shown.contains("hunter"), "{shown}");
}

#[test]
fn secrets_under_misspelt_keys_and_in_broken_yaml_show_nowhere() {
    for broken in [
        "bench: t\nsecrt: hunter2\n",
        "bench: t\nswitches:\n  - {name: a, chnage-secret: hunter2, x: 1}\n",
        "bench: t\npeople:\n  - name: ada\n    Pasword: [hunter2, {x: hunter2}]\n",
        "bench: t\npeople:\n  - password:hunter2\n",
        "bench: t\npeople:\n  - password = hunter2\n",
        "bench: t\npassword: hunter2\npassword: hunter2\n",
        "bench: t\n? [secret]\n: hunter2\n",
        "bench: t\nclasses: {holding: a, classes: [{name: a, grant: {attributes: [{attribute: Tunnel-Password, value: hunter2, x: 1}]}}]}\n",
        "bench: t\npassword: 'hunter2\n",
        "bench: t\nsecret: |\n  hunter2\n hunter2: [\n",
        "bench: [\nsecret: hunter2\n",
    ] {
        let found = parse_str("t.yaml", broken).unwrap_err();
        let shown = format!("{}{found:?}", render(&found, false));
        assert!(!shown.contains("hunter"), "{broken}\n{shown}");
    }
}

const SOUND: &str = r#"
bench: sound
listen: {authentication: "127.0.0.1:1812", accounting: "127.0.0.1:1813", dhcp: "127.0.0.1:6767", board: none}
switches:
  - name: quay-1
    address: 192.0.2.1
    secret: a secret of sixteen
    change-secret: another one of sixteen
    dialect: enterprise-9
    change-port: 1700
    variables: {office-vlan: 020, voice-vlan: voice}
    require-message-authenticator: false
  - name: site
    address: 2001:db8::/64
    secret: a secret of sixteen
    dialect: standard
    variables: {office-vlan: 21, voice-vlan: 31}
domains: [lq.example, LQ]
people:
  - {name: Ada, aliases: Countess, password: pw-ada, groups: [office, crew], state: expired}
machines:
  - {name: office-1, nt-hash: 44EBBA8D5312B8D611474411F56989AE, groups: desks}
mac-authentication: {password: everyone}
changes: {automatic: false, delay: 1500ms, flap-limit: 5, flap-window: 1h}
classes:
  holding: holding
  deny: blocked
  classes:
    - {name: blocked, recognise: {mac: "02-1A-7F-00-00-66"}}
    - name: desk
      about: Everything that a row can say
      recognise:
        mac-prefix: [02:1a:70, 02:1a:71:10/28]
        not: {mac-mask: "01:00:00:00:00:00/01:00:00:00:00:00"}
        any:
          - dhcp: {host-name: {glob: "desk-*"}, parameter-list: "1,3,6"}
          - attribute: {NAS-Port-Type: Ethernet, 9/1: {regex: "^a"}, "5": {range: 1..24}}
        method: [eap-tls, peap]
        group: [office, crew]
        after-machine: {within: 8h, group: desks}
        certificate: {issuer: {present: true}}
      grant:
        role: desk
        vlan: $office-vlan
        tagged-vlans: $voice-vlan
        session-timeout: 8h
        when-over: reauthenticate
        idle-timeout: 5min
        interim-interval: 60s
        reply-message: "hello from $office-vlan"
        attributes:
          - {attribute: Framed-MTU, value: 1400}
          - {attribute: 9/1, text: "a=${office-vlan}"}
      change: bounce
    - name: holding
"#;

#[test]
fn a_sound_bench_is_resolved() {
    let loaded =
        parse_str("t.yaml", SOUND).unwrap_or_else(|found| panic!("{}", render(&found, false)));
    assert!(
        loaded.warnings.is_empty(),
        "{}",
        render(&loaded.warnings, false)
    );
    let bench = loaded.bench;
    let quay = &bench.switches[0];
    assert_eq!(
        (quay.change_port, quay.require_message_authenticator),
        (1700, false)
    );
    assert_eq!(
        quay.variables["office-vlan"], "020",
        "values stay as they are written"
    );
    assert_eq!(quay.change_secret.bytes(), b"another one of sixteen");
    assert_eq!(
        bench.mac_authentication.password.as_ref().unwrap().bytes(),
        b"everyone"
    );
    insta::assert_debug_snapshot!((
        &bench.listen,
        &bench.table,
        &bench.people,
        &bench.machines,
        &bench.changes,
    ));
}

#[test]
fn accounts_are_found_under_every_spelling() {
    let bench = parse_str("t.yaml", SOUND).unwrap().bench;
    for identity in [
        "ada",
        "ADA",
        "countess",
        "ada@lq.example",
        "Ada@LQ.Example",
        r"LQ\ada",
        r"lq\Ada",
    ] {
        assert_eq!(bench.find(identity).unwrap().name, "Ada", "{identity}");
    }
    for identity in [
        "office-1",
        "office-1$",
        "host/office-1",
        "host/OFFICE-1.lq.example",
        r"LQ\OFFICE-1$",
    ] {
        assert_eq!(bench.find(identity).unwrap().name, "office-1", "{identity}");
    }
    for identity in ["", "ada@elsewhere.example", r"OTHER\ada", "host/ada"] {
        assert!(bench.find(identity).is_none(), "{identity}");
    }
}

#[test]
fn the_longest_prefix_is_the_switch() {
    let text = SOUND.replace("address: 2001:db8::/64", "address: 192.0.2.0/24");
    let loaded = parse_str("t.yaml", &text).unwrap();
    assert_eq!(loaded.warnings.len(), 1, "an overlap is worth a warning");
    let of = |address: &str| {
        loaded
            .bench
            .switch_of(address.parse().unwrap())
            .map(|s| s.name.as_str())
    };
    assert_eq!(of("192.0.2.1"), Some("quay-1"));
    assert_eq!(of("192.0.2.2"), Some("site"));
    assert_eq!(of("198.51.100.1"), None);
}

#[test]
fn one_mistake_for_many_switches_is_one_diagnostic() {
    let switch = |at: usize| {
        format!(
            "  - {{name: s{at}, address: 192.0.2.{at}, secret: a secret of sixteen, dialect: standard}}\n"
        )
    };
    let switches: String = (1..=20).map(switch).collect();
    let text = format!(
        "bench: t\nswitches:\n{switches}classes:\n  holding: h\n  classes:\n    - {{name: h, grant: {{vlan: $x}}}}\n"
    );
    let found = parse_str("t.yaml", &text).unwrap_err();
    assert_eq!(found.len(), 1);
    assert!(
        found[0]
            .message
            .starts_with("switches s1, s2, s3, s4 and 16 more: "),
        "{}",
        found[0]
    );
}

#[test]
fn a_change_without_words_needs_a_fallback() {
    let dialect =
        "dialect: d\nidentify: [Acct-Session-Id]\nchanges: {disconnect: {request: disconnect}}\n";
    let bench = "bench: t\nswitches: [{name: s, address: 192.0.2.1, secret: a secret of sixteen, dialect: d.yaml}]\n\
                 classes: {holding: h, classes: [{name: h, change: bounce}]}\n";
    let read = |dialect: &'static str| {
        let world = given(&[("d.yaml", dialect)]);
        parse(&world, "t.yaml", bench, Path::new(""))
    };
    let found = read(dialect).unwrap_err();
    assert!(
        found[0]
            .message
            .contains("change `bounce` of class `h` can't be told"),
        "{}",
        found[0]
    );
    assert!(read("dialect: d\nidentify: [Acct-Session-Id]\nchanges: {disconnect: {request: disconnect}}\nfallback: [disconnect]\n").is_ok());
}

#[test]
fn secrets_from_a_file_and_from_the_environment() {
    let text = "bench: t\nswitches: [{name: s, address: 192.0.2.1, secret: 'file:s.secret', change-secret: 'env:SWITCH_SECRET', dialect: standard}]\n\
                classes: {holding: h, classes: [{name: h}]}\n";
    let world = given(&[("lab/s.secret", "a secret of the file\n")]);
    let bench = parse(&world, "lab/t.yaml", text, Path::new("lab"))
        .unwrap()
        .bench;
    assert_eq!(bench.switches[0].secret.bytes(), b"a secret of the file");
    assert_eq!(
        bench.switches[0].change_secret.bytes(),
        b"a secret of the environment"
    );
    let found = parse(&given(&[]), "lab/t.yaml", text, Path::new("lab")).unwrap_err();
    assert!(
        found[0].message.starts_with("`lab/s.secret` can't be read"),
        "{}",
        found[0]
    );
}

proptest::proptest! {
    /// Whatever a bench file says, reading it ends, and every place that it points at is there.
    #[test]
    fn a_spoilt_bench_is_survived(at in 0usize..2500, with in "[a-z0-9:\\[\\]{}\"'#&*!|>$ \n-]{0,6}", drop in 0usize..8) {
        let mut text = SOUND.to_owned();
        let from = (0..=at.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap();
        let to = (from..=text.len()).find(|to| *to >= from + drop && text.is_char_boundary(*to)).unwrap_or(text.len());
        text.replace_range(from..to, &with);
        let found = match parse(&crate::bench::world::Nowhere, "t.yaml", &text, Path::new("")) {
            Ok(loaded) => loaded.warnings,
            Err(found) => {
                proptest::prop_assert!(found.iter().any(Diagnostic::is_error));
                found
            }
        };
        for diagnostic in &found {
            proptest::prop_assert!(diagnostic.place.line <= text.lines().count() + 1 || diagnostic.place.file != "t.yaml");
        }
        let _ = render(&found, false);
    }
}

#[test]
fn every_dialect_that_ships_spells_the_table_that_ships() {
    for dialect in crate::bench::shipped::DIALECTS {
        let lab = include_str!("../../../lab/lantern-quay.yaml");
        let text = lab.replace(
            "dialect: enterprise-9",
            &format!("dialect: {}", dialect.name),
        );
        let loaded = parse(&given(&[]), "t.yaml", &text, &shipped("lab"));
        match loaded {
            Ok(loaded) => {
                assert!(
                    loaded.warnings.is_empty(),
                    "{}",
                    render(&loaded.warnings, false)
                );
                assert_eq!(loaded.bench.switches[0].dialect.name, dialect.name);
            }
            Err(found) => panic!("{}", render(&found, false)),
        }
    }
}

/// What the fallback of a dialect says for a bounce, in octets of the first attribute.
#[test]
fn dialects_spell_changes() {
    let spelt = |dialect: &str, kind: ChangeKind| {
        let text = format!(
            "bench: t\nswitches: [{{name: s, address: 192.0.2.1, secret: a secret of sixteen, dialect: {dialect}}}]\n\
             classes: {{holding: h, classes: [{{name: h}}]}}\n"
        );
        let bench = parse_str("t.yaml", &text).unwrap().bench;
        let spelling = bench.switches[0].dialect.changes.get(&kind).cloned();
        spelling.map(|spelling| (spelling.disconnect, spelling.attributes))
    };
    // From memory: the form of the text belongs to the switch's maker.
    let text = b"subscriber:command=bounce-host-port";
    assert_eq!(
        spelt("enterprise-9", ChangeKind::Bounce),
        Some((false, vec![AttributeBuf::vendor(9, 1, text)]))
    );
    assert_eq!(
        spelt("enterprise-11", ChangeKind::Bounce),
        Some((false, vec![AttributeBuf::vendor(11, 23, &[0, 0, 0, 5])]))
    );
    assert_eq!(spelt("standard", ChangeKind::Bounce), None);
    // RFC 3580 sections 3.17 and 3.19: no time left, then RADIUS-Request.
    assert_eq!(
        spelt("standard", ChangeKind::Reauth),
        Some((
            false,
            vec![AttributeBuf::integer(27, 0), AttributeBuf::integer(29, 1)]
        ))
    );
    // RFC 5176 section 3: a Disconnect-Request holds nothing but identification.
    assert_eq!(
        spelt("standard", ChangeKind::Disconnect),
        Some((true, vec![]))
    );
}

/// What the reference shows is what the reader takes.
#[test]
fn the_examples_of_the_reference_are_right() {
    let reference = include_str!("../../../docs/reference-bench.md");
    let blocks: Vec<&'static str> = reference
        .split("```yaml\n")
        .skip(1)
        .filter_map(|rest| rest.split("```").next())
        .collect();
    let [bench, table, dialect] = blocks[..] else {
        panic!("three examples");
    };
    let mut world = given(&[
        ("lantern-quay.classes.yaml", table),
        ("mine.yaml", dialect),
        ("purser.password", "a password\n"),
        ("more-accounts.yaml", "machines: [{name: counter-1}]\n"),
        ("server.pem", ""),
        ("server.key", ""),
        ("ca.pem", ""),
        ("ca.crl", ""),
    ]);
    world
        .variables
        .insert("CHANGE_SECRET", "a secret for changes");
    for bench in [
        bench.to_owned(),
        bench.replace("dialect: standard", "dialect: mine.yaml"),
    ] {
        match parse(&world, "bench.yaml", &bench, Path::new("")) {
            Ok(loaded) => assert!(
                loaded.warnings.is_empty(),
                "{}",
                render(&loaded.warnings, false)
            ),
            Err(found) => panic!("{}", render(&found, false)),
        }
    }
}
