//! Records of framing and of attributes.

use portproof::wire::registry::attributes as a;
use portproof::wire::vlan::{self, VlanRef, Vlans};
use portproof::wire::{AttributeBuf, Code, Malformed, Packet, Secret, extended, sign};
use serde_json::Value;

use crate::material::{on_wire, packet_of, parse};
use crate::notation::{Content, Notation};
use crate::record::{Checks, Record, unhex};

pub fn malformed_packet(record: &Record, checks: &mut Checks) {
    let packet = record.octets("packet");
    let expected = Malformed::AttributeLength {
        at: 57,
        kind: 24,
        length: 16,
        left: 10,
    };
    checks.equal("refused", &Packet::parse(&packet).err(), &Some(expected));
    checks.refuse("accepted", Packet::parse(&packet).is_ok());
    // The twin of a malformed packet is the one with the right octet in place.
    let mut mended = packet.clone();
    mended[58] = 10;
    checks.with_packet("mended", &mended, |packet, checks| {
        checks.equal("State", &packet.text(a::STATE), &Some("32769430"));
    });
}

pub fn disconnect_layout(record: &Record, checks: &mut Checks) {
    let bytes = record.octets("packet");
    checks.with_packet("packet", &bytes, |packet, checks| {
        let number = |name: &str| record.expected[name].as_u64();
        checks.equal("code", &Some(u64::from(packet.code().0)), &number("code"));
        checks.equal("name", &packet.code(), &Code::DISCONNECT_REQUEST);
        let identifier = Some(u64::from(packet.identifier()));
        checks.equal("identifier", &identifier, &number("identifier"));
        checks.equal(
            "length",
            &Some(packet.bytes().len() as u64),
            &number("length"),
        );
        let expected: Vec<AttributeBuf> = record.expected["attributes"]
            .as_array()
            .expect("attributes")
            .iter()
            .map(|attribute| {
                let kind = attribute["type"].as_u64().expect("type") as u8;
                AttributeBuf::new(kind, unhex(attribute["value"].as_str().expect("value")))
            })
            .collect();
        let found: Vec<AttributeBuf> = packet.attributes().map(|found| found.to_buf()).collect();
        checks.equal("attributes", &found, &expected);
    });
    for length in 0..bytes.len() {
        checks.refuse("truncated", Packet::parse(&bytes[..length]).is_ok());
    }
    for wrong in [0, 1, bytes[21] + 1, 255] {
        let mut twin = bytes.clone();
        twin[21] = wrong;
        checks.refuse("attribute length", Packet::parse(&twin).is_ok());
    }
    // No secret is printed, so that no secret that we know may fit.
    let authentic = sign::digested_request_is_authentic(&parse(&bytes), &Secret::new("xyzzy5461"));
    checks.refuse("authentic by a secret that it was not made with", authentic);
}

pub fn extended_attribute(record: &Record, checks: &mut Checks) {
    let wanted = Notation::read(record.text("value"), record.inputs.get("value_hex"));
    let expected = record
        .expected
        .get("attribute")
        .or_else(|| record.expected.get("attributes"));
    let expected = unhex(expected.and_then(Value::as_str).expect("hex"));

    let built = extended::build(wanted.kind, wanted.extended, &wanted.value()).expect("built");
    let octets: Vec<u8> = built.iter().flat_map(on_wire).collect();
    checks.equal("built", &octets, &expected);

    let packet = packet_of(&built);
    let found = extended::read(&parse(&packet));
    let [Ok(found)] = found.as_slice() else {
        checks.failed.push(format!("read: {found:?}"));
        return;
    };
    checks.equal(
        "type",
        &(found.kind, found.extended),
        &(wanted.kind, wanted.extended),
    );
    checks.equal("fragments", &found.fragments, &built.len());
    let inner = match wanted.vendor {
        None => found.value.clone(),
        Some((vendor, kind)) => {
            let evs = found.evs().expect("a vendor attribute");
            checks.equal("vendor", &(evs.vendor, evs.kind), &(vendor, kind));
            evs.value.to_vec()
        }
    };
    checks.equal(
        "value",
        &Content::of(&inner, &wanted.content),
        &wanted.content,
    );

    check_extended_twins(&built, &wanted, checks);
}

/// Headers without a value, broken fragment chains, TLVs of the wrong length.
fn check_extended_twins(built: &[AttributeBuf], wanted: &Notation, checks: &mut Checks) {
    let reads = |attributes: &[AttributeBuf]| {
        let packet = packet_of(attributes);
        extended::read(&parse(&packet)).iter().all(Result::is_ok)
    };
    let [first, ..] = built else {
        panic!("nothing was built")
    };
    let is_long = wanted.kind >= 245;
    let header = if is_long { 2 } else { 1 };
    let bare = AttributeBuf::new(wanted.kind, first.value[..header].to_vec());
    checks.refuse("a header alone", reads(&[bare]));
    checks.refuse(
        "no header",
        reads(&[AttributeBuf::new(wanted.kind, Vec::new())]),
    );
    if is_long {
        let last = built.last().expect("one at least");
        let mut unfinished = last.clone();
        unfinished.value[1] |= 0x80;
        checks.refuse("More on a short fragment", reads(&[unfinished]));
    }
    if built.len() > 1 {
        checks.refuse("the last fragment missing", reads(&built[..1]));
        let mut other = built.to_vec();
        other[1].value[0] = 5;
        checks.refuse("a fragment of another type", reads(&other));
        let between = AttributeBuf::text(a::REPLY_MESSAGE, "in between");
        checks.refuse(
            "fragments that are not consecutive",
            reads(&[built[0].clone(), between, built[1].clone()]),
        );
    }
    if let Content::Tlvs(tlvs) = &wanted.content {
        let value = Content::octets(&wanted.content);
        checks.hold(
            "TLVs",
            extended::tlvs(&value).is_some_and(|found| found.len() == tlvs.len()),
        );
        let mut longer = value.clone();
        longer[1] += 1;
        checks.refuse("a TLV that is too long", extended::tlvs(&longer).is_some());
        checks.refuse(
            "one octet less",
            extended::tlvs(&value[..value.len() - 1]).is_some(),
        );
    }
}

pub fn attribute_encoding(record: &Record, checks: &mut Checks) {
    let Some(name) = record.inputs.get("attribute").and_then(Value::as_str) else {
        return tunnel_triple(record, checks);
    };
    let tagged = record.inputs.get("tagged").and_then(Value::as_bool);
    let made = match name {
        "Egress-VLANID" => {
            let id = record.inputs["vlan"].as_u64().expect("vlan") as u16;
            vlan::egress_vlan(id, tagged.expect("tagged"))
        }
        "Egress-VLAN-Name" => vlan::egress_vlan_name(record.text("name"), tagged.expect("tagged")),
        "User-Priority-Table" => {
            let map = serde_json::from_value(record.inputs["map"].clone()).expect("8 numbers");
            vlan::user_priority_table(map)
        }
        other => panic!("attribute {other}"),
    };
    checks.equal("type", &a::by_name(name), &Some(made.kind));
    checks.equal(
        "built",
        &on_wire(&made),
        &record.expected_octets("attribute"),
    );
    let read = vlans(std::slice::from_ref(&made)).expect("read");
    let vlan = match record.inputs.get("vlan").and_then(Value::as_u64) {
        Some(id) => Some(VlanRef::Id(id as u16)),
        None => record
            .inputs
            .get("name")
            .map(|_| VlanRef::Name(record.text("name").to_owned())),
    };
    let (in_tagged, in_untagged) = match tagged {
        Some(true) => (vlan.into_iter().collect(), None),
        Some(false) => (Vec::new(), vlan),
        None => (Vec::new(), None),
    };
    checks.equal("tagged", &read.tagged, &in_tagged);
    checks.equal("untagged", &read.untagged, &in_untagged);
    let map = (made.kind == a::USER_PRIORITY_TABLE).then_some([0, 1, 2, 3, 4, 5, 6, 7]);
    checks.equal("priority", &read.priority, &map);

    let mut other_tag = made.clone();
    other_tag.value[0] = 0x33;
    checks.refuse("first octet", vlans(&[other_tag]).is_ok());
    let mut short = made.clone();
    short.value.truncate(1);
    checks.refuse("truncated", vlans(&[short]).is_ok());
    if made.kind == a::EGRESS_VLANID {
        for id in [0, 4095] {
            checks.refuse("VLAN id", vlans(&[vlan::egress_vlan(id, true)]).is_ok());
        }
        let mut padding = made.clone();
        padding.value[2] |= 0x10;
        checks.refuse("padding bits", vlans(&[padding]).is_ok());
    }
}

fn tunnel_triple(record: &Record, checks: &mut Checks) {
    let vlan = record.inputs["vlan"].as_u64().expect("vlan");
    let tag = record.inputs["tag"].as_u64().expect("tag") as u8;
    let made = vlan::tunnel_vlan(tag, &vlan.to_string());
    let [kind, medium, group] = &made;
    let expected = |name: &str| record.expected_octets(name);
    checks.equal("Tunnel-Type", &on_wire(kind), &expected("tunnel_type"));
    checks.equal("medium", &on_wire(medium), &expected("tunnel_medium_type"));
    let untagged = expected("tunnel_private_group_id_untagged");
    checks.equal("group", &on_wire(group), &untagged);

    let wanted = Some(VlanRef::Id(vlan as u16));
    let with = |group: AttributeBuf| vlans(&[kind.clone(), medium.clone(), group]);
    let read = |group| with(group).map(|found| found.untagged);
    checks.equal("read", &read(group.clone()), &Ok(wanted.clone()));
    let tagged = expected("tunnel_private_group_id_tagged");
    let tagged = AttributeBuf::new(tagged[0], &tagged[2..]);
    checks.equal("read with a tag of 0", &read(tagged), &Ok(wanted));

    for id in ["0", "4095", "70000", ""] {
        let other = AttributeBuf::text(a::TUNNEL_PRIVATE_GROUP_ID, id);
        checks.refuse("VLAN id", with(other).is_ok());
    }
    for missing in 0..made.len() {
        let mut two = made.to_vec();
        two.remove(missing);
        checks.refuse("a part missing", vlans(&two).is_ok());
    }
    let mut twice = made.to_vec();
    twice.push(group.clone());
    checks.refuse("a part twice", vlans(&twice).is_ok());
    let ipv4 = AttributeBuf::new(a::TUNNEL_MEDIUM_TYPE, [0, 0, 0, 1]);
    checks.refuse(
        "medium",
        vlans(&[kind.clone(), ipv4, group.clone()]).is_ok(),
    );
}

fn vlans(attributes: &[AttributeBuf]) -> Result<Vlans, vlan::VlanError> {
    let packet = packet_of(attributes);
    Vlans::read(&parse(&packet))
}
