use std::collections::BTreeMap;
use std::sync::Arc;

use super::*;
use crate::bench::Dialect;
use crate::wire::Secret;

fn dialect() -> Dialect {
    Dialect {
        name: "full".into(),
        enterprise: Some(32473),
        role: RoleSpelling::FilterId(Template("role=$role".into())),
        vlan: VlanSpelling::Tunnel,
        tagged_vlans: true,
        priority: true,
        filter_rules: true,
        identify: vec![a::ACCT_SESSION_ID],
        event_timestamp: true,
        message_authenticator: true,
        changes: BTreeMap::new(),
        fallback: Vec::new(),
    }
}

fn switch(dialect: Dialect) -> Switch {
    Switch {
        name: "quay-1".into(),
        address: "192.0.2.1/32".parse().unwrap(),
        secret: Secret::new("a secret of the bench"),
        change_secret: Secret::new("a secret of the bench"),
        dialect: Arc::new(dialect),
        change_port: 3799,
        variables: BTreeMap::from([
            ("data-vlan".into(), "0100".into()),
            ("voice-vlan".into(), "4094".into()),
            ("bad-vlan".into(), "4095".into()),
        ]),
        require_message_authenticator: true,
    }
}

fn template(text: &str) -> Template {
    Template(text.into())
}

fn hex(attributes: &[AttributeBuf]) -> Vec<String> {
    attributes
        .iter()
        .map(|attribute| {
            let value: String = attribute.value.iter().map(|o| format!("{o:02x}")).collect();
            format!("{} {value}", attribute.kind)
        })
        .collect()
}

fn vendor(kind: u8) -> AttributeName {
    AttributeName::Vendor {
        vendor: 32473,
        kind,
    }
}

fn everything() -> Grant {
    let granted = |name, form, value: &str| GrantedAttribute {
        name,
        form,
        value: template(value),
    };
    Grant {
        role: Some(template("printer")),
        vlan: Some(template("$data-vlan")),
        tagged_vlans: vec![template("$voice-vlan"), template("staff")],
        filter: Some(template("quiet")),
        filter_rules: vec![template("permit in ip from any to any")],
        priority: Some([0, 1, 2, 3, 4, 5, 6, 7]),
        session_timeout: Some(3600),
        reauthenticate: true,
        idle_timeout: Some(60),
        interim_interval: Some(600),
        reply_message: Some(template("welcome")),
        attributes: vec![
            granted(
                AttributeName::Standard(a::FRAMED_MTU),
                ValueForm::Registered,
                "1400",
            ),
            granted(vendor(1), ValueForm::Registered, "a=b"),
            granted(vendor(2), ValueForm::Integer, "10"),
            granted(vendor(3), ValueForm::Hex, "0a0B"),
            granted(vendor(4), ValueForm::Ipv4, "192.0.2.9"),
        ],
    }
}

/// RFC 3580 section 3.31 (VLAN 100 untagged), RFC 4675 sections 2.1, 2.3 and 2.4, RFC 2865
/// sections 5.11, 5.18, 5.26 to 5.29, RFC 2869 section 5.16, RFC 4849 section 2.
#[test]
fn everything_in_standard_words() {
    let spelt = grant(&everything(), &switch(dialect())).unwrap();
    assert_eq!(
        hex(&spelt),
        [
            "11 726f6c653d7072696e746572",
            "64 0000000d",
            "65 00000006",
            "81 313030",
            "56 31000ffe",
            "58 317374616666",
            "11 7175696574",
            "92 7065726d697420696e2069702066726f6d20616e7920746f20616e79",
            "59 0001020304050607",
            "27 00000e10",
            "29 00000001",
            "28 0000003c",
            "85 00000258",
            "18 77656c636f6d65",
            "12 00000578",
            "26 00007ed90105613d62",
            "26 00007ed902060000000a",
            "26 00007ed903040a0b",
            "26 00007ed90406c0000209",
        ]
    );
}

/// RFC 4675 section 2.1: untagged is 0x32.
#[test]
fn untagged_vlan_by_egress() {
    let mut dialect = dialect();
    dialect.vlan = VlanSpelling::Egress;
    let switch = switch(dialect);
    let with = |vlan: &str| Grant {
        vlan: Some(template(vlan)),
        ..Grant::default()
    };
    assert_eq!(
        hex(&grant(&with("4094"), &switch).unwrap()),
        ["56 32000ffe"]
    );
    assert_eq!(
        hex(&grant(&with("staff"), &switch).unwrap()),
        ["58 327374616666"]
    );
}

#[test]
fn a_role_in_a_vendor_attribute() {
    let mut dialect = dialect();
    dialect.role = RoleSpelling::Vendor {
        vendor: 32473,
        kind: 9,
        text: template("$role"),
    };
    let only = Grant {
        role: Some(template("till")),
        ..Grant::default()
    };
    assert_eq!(
        hex(&grant(&only, &switch(dialect)).unwrap()),
        ["26 00007ed9090674696c6c"]
    );
}

#[test]
fn termination_action_only_beside_a_timeout() {
    let grant_of = |session_timeout| Grant {
        session_timeout,
        reauthenticate: true,
        ..Grant::default()
    };
    assert!(
        grant(&grant_of(None), &switch(dialect()))
            .unwrap()
            .is_empty()
    );
    assert_eq!(
        grant(&grant_of(Some(0)), &switch(dialect())).unwrap().len(),
        2
    );
}

#[test]
fn what_a_dialect_has_no_words_for() {
    let poor = Dialect {
        role: RoleSpelling::None,
        tagged_vlans: false,
        priority: false,
        filter_rules: false,
        ..dialect()
    };
    let found: Vec<String> = problems(&everything(), &switch(poor))
        .iter()
        .map(ToString::to_string)
        .collect();
    assert_eq!(
        found,
        [
            "role: dialect `full` has no spelling for it",
            "tagged-vlans: dialect `full` has no spelling for it",
            "tagged-vlans: dialect `full` has no spelling for it",
            "filter-rules: dialect `full` has no spelling for it",
            "priority: dialect `full` has no spelling for it",
        ]
    );
}

#[test]
fn values_that_no_attribute_takes() {
    let bad = Grant {
        role: Some(template("")),
        vlan: Some(template("$bad-vlan")),
        tagged_vlans: vec![template("$guest-vlan"), template("0")],
        filter: Some(template(&"x".repeat(254))),
        filter_rules: vec![template("permit\0deny")],
        attributes: vec![
            GrantedAttribute {
                name: vendor(1),
                form: ValueForm::Text,
                value: template(&"x".repeat(248)),
            },
            GrantedAttribute {
                name: vendor(1),
                form: ValueForm::Hex,
                value: template("abc"),
            },
        ],
        ..Grant::default()
    };
    let found: Vec<(&str, usize, Unspellable)> = problems(&bad, &switch(dialect()))
        .into_iter()
        .map(|problem| (problem.field, problem.index, problem.reason))
        .collect();
    assert_eq!(
        found,
        [
            ("role", 0, Unspellable::Empty),
            ("vlan", 0, Unspellable::NotAVlan("4095".into())),
            (
                "tagged-vlans",
                0,
                TemplateError::Undefined("guest-vlan".into()).into()
            ),
            ("tagged-vlans", 1, Unspellable::NotAVlan("0".into())),
            (
                "filter",
                0,
                Unspellable::TooLong {
                    length: 254,
                    most: 253
                }
            ),
            ("filter-rules", 0, Unspellable::NullInRule),
            (
                "attributes",
                0,
                Unspellable::TooLong {
                    length: 248,
                    most: 247
                }
            ),
            (
                "attributes",
                1,
                Unspellable::NotA {
                    text: "abc".into(),
                    wanted: "an even number of hex digits"
                }
            ),
        ]
    );
}
