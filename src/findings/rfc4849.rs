//! RFC 4849: NAS-Filter-Rule.

use super::rule::{Check, Remark, Rule, Severity, rfc, when};
use super::seen::Asked;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[Rule {
    id: "rfc4849-filter-rule-in-request",
    source: rfc(4849, "3"),
    severity: Severity::Breach,
    title: "NAS-Filter-Rule in an Access-Request",
    why: "Only the server grants rules; a server may drop the request.",
    remedy: "Take the attribute out of the list that the switch adds to its requests.",
    check: Check::Asked(filter_rule_in_request),
}];

fn filter_rule_in_request(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::NAS_FILTER_RULE).is_some(), || {
        "NAS-Filter-Rule in an Access-Request".to_owned()
    })
}
