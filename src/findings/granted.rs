//! What an accept or a regrant put in force.

use super::read;
use crate::wire::Packet;
use crate::wire::registry::attributes as a;
use crate::wire::vlan::{VlanRef, Vlans};

/// Termination-Action RADIUS-Request (RFC 2865 section 5.29).
const RADIUS_REQUEST: u32 = 1;

/// What the findings look at of a grant.
#[derive(Debug, Clone, Default)]
pub(super) struct Granted {
    pub(super) class: Vec<Vec<u8>>,
    pub(super) state: Option<Vec<u8>>,
    pub(super) user_name: Option<Vec<u8>>,
    pub(super) filters: Vec<Vec<u8>>,
    pub(super) vlans: Vlans,
    /// Seconds; never 0.
    pub(super) session_timeout: Option<u32>,
    /// Whether the end of the time means re-authentication.
    pub(super) again: bool,
    /// Seconds.
    pub(super) idle_timeout: Option<u32>,
    /// Seconds.
    pub(super) interim: Option<u32>,
}

impl Granted {
    pub(super) fn read(packet: &Packet<'_>) -> Granted {
        let owned = |kind| packet.first(kind).map(|found| found.value.to_vec());
        Granted {
            class: read::values(packet, a::CLASS),
            state: owned(a::STATE),
            user_name: owned(a::USER_NAME),
            filters: read::values(packet, a::FILTER_ID),
            // A grant that the bench spelt wrong on purpose binds nobody.
            vlans: Vlans::read(packet).unwrap_or_default(),
            session_timeout: packet.integer(a::SESSION_TIMEOUT).filter(|time| *time > 0),
            again: packet.integer(a::TERMINATION_ACTION) == Some(RADIUS_REQUEST),
            idle_timeout: packet.integer(a::IDLE_TIMEOUT).filter(|time| *time > 0),
            interim: packet.integer(a::ACCT_INTERIM_INTERVAL),
        }
    }

    /// Puts a regrant on top: what it names is replaced, the rest stays.
    pub(super) fn amended(&self, newer: Granted) -> Granted {
        let timed = newer.session_timeout.is_some();
        Granted {
            class: or_else(newer.class, &self.class),
            state: newer.state.or_else(|| self.state.clone()),
            user_name: newer.user_name.or_else(|| self.user_name.clone()),
            filters: or_else(newer.filters, &self.filters),
            vlans: Vlans {
                untagged: newer.vlans.untagged.or_else(|| self.vlans.untagged.clone()),
                tagged: or_else(newer.vlans.tagged, &self.vlans.tagged),
                ..self.vlans.clone()
            },
            session_timeout: newer.session_timeout.or(self.session_timeout),
            again: if timed { newer.again } else { self.again },
            idle_timeout: newer.idle_timeout.or(self.idle_timeout),
            interim: newer.interim.or(self.interim),
        }
    }

    /// The untagged VLAN granted and the other one that a report names.
    pub(super) fn other_untagged(&self, reported: &Vlans) -> Option<(VlanRef, VlanRef)> {
        let granted = self.vlans.untagged.as_ref()?;
        let reported = reported.untagged.as_ref()?;
        (comparable(granted, reported) && granted != reported)
            .then(|| (granted.clone(), reported.clone()))
    }

    /// The tagged VLANs granted, when a report names others.
    pub(super) fn other_tagged(&self, reported: &Vlans) -> Option<(Vec<VlanRef>, Vec<VlanRef>)> {
        let (granted, reported) = (&self.vlans.tagged, &reported.tagged);
        let (first, second) = (granted.first()?, reported.first()?);
        let alike = granted
            .iter()
            .chain(reported)
            .all(|vlan| comparable(first, vlan));
        let same =
            granted.len() == reported.len() && granted.iter().all(|vlan| reported.contains(vlan));
        (alike && comparable(first, second) && !same).then(|| (granted.clone(), reported.clone()))
    }

    /// A filter that a report names and the grant does not.
    pub(super) fn other_filter<'r>(&self, reported: &'r [Vec<u8>]) -> Option<&'r Vec<u8>> {
        if self.filters.is_empty() {
            return None;
        }
        reported.iter().find(|name| !self.filters.contains(name))
    }
}

fn or_else<T: Clone>(newer: Vec<T>, older: &[T]) -> Vec<T> {
    if newer.is_empty() {
        older.to_vec()
    } else {
        newer
    }
}

/// A name and an id may be the same VLAN, only the switch knows.
fn comparable(one: &VlanRef, other: &VlanRef) -> bool {
    std::mem::discriminant(one) == std::mem::discriminant(other)
}
