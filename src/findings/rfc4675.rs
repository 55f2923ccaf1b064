//! RFC 4675: VLANs and priorities.

use super::rule::{Check, Remark, Rule, Severity, rfc, when};
use super::seen::{Asked, Reported};
use crate::wire::registry::attributes as a;
use crate::wire::vlan::{VlanError, VlanRef, Vlans};

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc4675-layout",
        source: rfc(4675, "2.1"),
        severity: Severity::Breach,
        title: "a VLAN attribute of RFC 4675 has a wrong layout or a reserved VLAN",
        why: "Trunk ports cannot be read back: what the switch put on the port stays unknown.",
        remedy: "Report it to the switch's maker; check the VLANs that it uses for its own purposes.",
        check: Check::Reported(layout),
    },
    Rule {
        id: "rfc4675-layout-in-request",
        source: rfc(4675, "2.1"),
        severity: Severity::Breach,
        title: "an Access-Request offers a VLAN in a wrong layout or a reserved one",
        why: "A server that takes the hint grants a VLAN that does not exist.",
        remedy: "Report it to the switch's maker, or switch off VLAN hints in requests.",
        check: Check::Asked(layout_in_request),
    },
    Rule {
        id: "rfc4675-priority-in-request",
        source: rfc(4675, "2.4"),
        severity: Severity::Breach,
        title: "User-Priority-Table in an Access-Request",
        why: "Only accepts and changes carry it; a server may drop the request.",
        remedy: "Take the attribute out of the list that the switch adds to its requests.",
        check: Check::Asked(priority_in_request),
    },
    Rule {
        id: "rfc4675-tagged-contradicted",
        source: rfc(4675, "2.1"),
        severity: Severity::Breach,
        title: "accounting names other tagged VLANs than were granted",
        why: "An access point or phone lacks a VLAN, or has one that it must not reach.",
        remedy: "Check that all granted VLANs exist on the switch and are allowed on the port.",
        check: Check::Reported(tagged_contradicted),
    },
];

fn layout(reported: &Reported<'_>) -> Option<Remark> {
    // The tunnel triple is RFC 3580's.
    let error = reported.vlans.as_ref().err()?;
    let ours = [
        a::EGRESS_VLANID,
        a::EGRESS_VLAN_NAME,
        a::INGRESS_FILTERS,
        a::USER_PRIORITY_TABLE,
    ]
    .into_iter()
    .any(|kind| reported.packet.first(kind).is_some());
    when(ours && is_of_4675(error), || error.to_string())
}

fn layout_in_request(asked: &Asked<'_>) -> Option<Remark> {
    let ours = asked.packet.first(a::EGRESS_VLANID).is_some()
        || asked.packet.first(a::EGRESS_VLAN_NAME).is_some();
    let error = Vlans::read(&asked.packet).err()?;
    when(ours && is_of_4675(&error), || error.to_string())
}

/// Whether an error is one that RFC 4675 attributes can be at fault for.
fn is_of_4675(error: &VlanError) -> bool {
    matches!(
        error,
        VlanError::Layout(_)
            | VlanError::Id(_)
            | VlanError::Name(a::EGRESS_VLAN_NAME)
            | VlanError::MoreThanOnce(_)
    )
}

fn priority_in_request(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::USER_PRIORITY_TABLE).is_some(), || {
        "User-Priority-Table in an Access-Request".to_owned()
    })
}

fn tagged_contradicted(reported: &Reported<'_>) -> Option<Remark> {
    let vlans = reported.vlans.as_ref().ok()?;
    let (what, accept) = reported.contradiction(|granted| {
        let (granted, found) = granted.other_tagged(vlans)?;
        Some(format!("{} and not {}", list(&found), list(&granted)))
    })?;
    Some(Remark::new(what).beside(accept))
}

fn list(vlans: &[VlanRef]) -> String {
    let names: Vec<String> = vlans.iter().map(VlanRef::to_string).collect();
    names.join(", ")
}
