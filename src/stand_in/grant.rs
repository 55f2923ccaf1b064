//! What an accept or a change gives a device, read strictly: all of it, or an error and nothing.

use std::fmt;

use serde::Serialize;

use super::config::{RoleSpelling, StandInConfig};
use super::courier::Arrived;
use crate::wire::filter::{self, FilterError};
use crate::wire::hide::{self, MppeKey};
use crate::wire::registry::attributes as a;
use crate::wire::vlan::{VlanError, VlanRef, Vlans};
use crate::wire::{Attribute, Packet};

/// Enterprise number that MS-MPPE keys stand under (RFC 2548 section 2).
const VENDOR_OF_MPPE: u32 = 311;

/// The least interim interval (RFC 2869 section 5.16), seconds.
const LEAST_INTERIM: u32 = 60;

/// What a device has.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Grant {
    /// Role.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<String>,
    /// Untagged VLAN.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vlan: Option<VlanRef>,
    /// Tagged VLANs.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tagged: Vec<VlanRef>,
    /// Filters, by name.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub filters: Vec<String>,
    /// Filter rules (RFC 4849).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub rules: Vec<String>,
    /// Regenerated priorities (RFC 4675 section 2.4).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<[u8; 8]>,
    /// Session-Timeout, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session_timeout: Option<u32>,
    /// Termination-Action: true for RADIUS-Request, which makes the timeout a re-authentication.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reauthenticate: Option<bool>,
    /// Idle-Timeout, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub idle_timeout: Option<u32>,
    /// Acct-Interim-Interval, seconds, at least 60.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub interim_interval: Option<u32>,
    /// Reply-Message.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub message: Option<String>,
    /// Class, for accounting.
    #[serde(skip)]
    pub class: Vec<Vec<u8>>,
    /// State, for the request that Termination-Action makes (RFC 2865 section 5.24).
    #[serde(skip)]
    pub state: Option<Vec<u8>>,
    /// User-Name, for accounting (RFC 2865 section 5.1).
    #[serde(skip)]
    pub user_name: Option<Vec<u8>>,
    /// MS-MPPE-Recv-Key and MS-MPPE-Send-Key, joined: the Master Session Key's halves
    /// (RFC 2548 sections 2.4.2 and 2.4.3, RFC 5216 section 2.3).
    #[serde(skip)]
    pub keys: Option<Vec<u8>>,
}

/// Why a grant cannot be carried out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum GrantError {
    /// VLAN attributes.
    #[error(transparent)]
    Vlan(#[from] VlanError),
    /// Filter rules.
    #[error(transparent)]
    Filter(#[from] FilterError),
    /// A VLAN that the switch does not have.
    #[error("VLAN {0} is not on this switch")]
    UnknownVlan(VlanRef),
    /// A number that does not have four octets.
    #[error("attribute {0} does not have four octets (RFC 8044 section 3.1)")]
    Number(u8),
    /// A text that is not UTF-8, or empty.
    #[error("attribute {0} is not text (RFC 8044 section 3.4)")]
    Text(u8),
    /// A value that the attribute does not have.
    #[error("attribute {kind} has value {value}, which means nothing here")]
    Value {
        /// Attribute type.
        kind: u8,
        /// Its value.
        value: u32,
    },
    /// A service that a port does not have; the accept counts as a reject (RFC 2865 section 5.6).
    #[error("Service-Type {0} is not a service of this port (RFC 2865 section 5.6)")]
    Service(u32),
    /// Keys that cannot be read, or of which only one came.
    #[error("the MS-MPPE keys cannot be read (RFC 2548 sections 2.4.2 and 2.4.3)")]
    Keys,
}

impl Grant {
    /// Reads an Access-Accept.
    ///
    /// # Errors
    /// The first thing that cannot be carried out.
    pub(super) fn read_accept(
        accept: &Arrived<'_, '_>,
        config: &StandInConfig,
    ) -> Result<Grant, GrantError> {
        // Framed, Call-Check, Authorize-Only.
        match number(&accept.packet, a::SERVICE_TYPE)? {
            None | Some(2 | 10 | 17) => {}
            Some(other) => return Err(GrantError::Service(other)),
        }
        let mut grant = Grant::read(&accept.packet, config)?;
        grant.keys = keys(accept)?;
        Ok(grant)
    }

    /// Reads whatever grants a packet holds.
    ///
    /// # Errors
    /// The first thing that cannot be carried out.
    pub fn read(packet: &Packet<'_>, config: &StandInConfig) -> Result<Grant, GrantError> {
        let vlans = Vlans::read(packet)?;
        for vlan in vlans.untagged.iter().chain(&vlans.tagged) {
            if !config.has_vlan(vlan) {
                return Err(GrantError::UnknownVlan(vlan.clone()));
            }
        }
        let (role, filters) = role_and_filters(packet, &config.dialect.role())?;
        Ok(Grant {
            role,
            vlan: vlans.untagged,
            tagged: vlans.tagged,
            filters,
            rules: filter::rules(packet)?,
            priority: vlans.priority,
            session_timeout: number(packet, a::SESSION_TIMEOUT)?,
            reauthenticate: match number(packet, a::TERMINATION_ACTION)? {
                None => None,
                Some(0) => Some(false),
                Some(1) => Some(true),
                Some(value) => {
                    return Err(GrantError::Value {
                        kind: a::TERMINATION_ACTION,
                        value,
                    });
                }
            },
            idle_timeout: number(packet, a::IDLE_TIMEOUT)?,
            interim_interval: number(packet, a::ACCT_INTERIM_INTERVAL)?
                .map(|seconds| seconds.max(LEAST_INTERIM)),
            message: packet.text(a::REPLY_MESSAGE).map(str::to_owned),
            class: packet.all(a::CLASS).map(|c| c.value.to_vec()).collect(),
            state: packet.first(a::STATE).map(|s| s.value.to_vec()),
            user_name: packet.first(a::USER_NAME).map(|n| n.value.to_vec()),
            keys: None,
        })
    }

    /// Takes over what a change names; what it leaves out stays (RFC 5176 section 3.6, note 4).
    pub fn amend(&mut self, newer: Grant) {
        fn replace<T>(old: &mut Option<T>, new: Option<T>) {
            if new.is_some() {
                *old = new;
            }
        }
        fn replace_all<T>(old: &mut Vec<T>, new: Vec<T>) {
            if !new.is_empty() {
                *old = new;
            }
        }
        replace(&mut self.role, newer.role);
        replace(&mut self.vlan, newer.vlan);
        replace_all(&mut self.tagged, newer.tagged);
        replace_all(&mut self.filters, newer.filters);
        replace_all(&mut self.rules, newer.rules);
        replace(&mut self.priority, newer.priority);
        replace(&mut self.session_timeout, newer.session_timeout);
        replace(&mut self.reauthenticate, newer.reauthenticate);
        replace(&mut self.idle_timeout, newer.idle_timeout);
        replace(&mut self.interim_interval, newer.interim_interval);
        replace(&mut self.message, newer.message);
        replace_all(&mut self.class, newer.class);
        replace(&mut self.state, newer.state);
        replace(&mut self.user_name, newer.user_name);
    }
}

impl StandInConfig {
    /// Whether the switch has a VLAN; one that lists none has all.
    fn has_vlan(&self, vlan: &VlanRef) -> bool {
        self.vlans.is_empty()
            || match vlan {
                VlanRef::Id(id) => self.vlans.values().any(|known| known == id),
                VlanRef::Name(name) => self.vlans.contains_key(name),
            }
    }
}

fn keys(accept: &Arrived<'_, '_>) -> Result<Option<Vec<u8>>, GrantError> {
    let key = |which: MppeKey| {
        accept
            .packet
            .vendor(VENDOR_OF_MPPE)
            .find(|part| part.kind == which.vendor_type())
            .map(|part| {
                hide::reveal_mppe_key(part.value, accept.secret, &accept.request)
                    .ok_or(GrantError::Keys)
            })
            .transpose()
    };
    match (key(MppeKey::Receive)?, key(MppeKey::Send)?) {
        (None, None) => Ok(None),
        (Some(receive), Some(send)) => Ok(Some([receive, send].concat())),
        _ => Err(GrantError::Keys),
    }
}

fn number(packet: &Packet<'_>, kind: u8) -> Result<Option<u32>, GrantError> {
    packet
        .first(kind)
        .map(|attribute| attribute.integer().ok_or(GrantError::Number(kind)))
        .transpose()
}

fn text(attribute: &Attribute<'_>) -> Result<String, GrantError> {
    attribute
        .text()
        .filter(|text| !text.is_empty())
        .map(str::to_owned)
        .ok_or(GrantError::Text(attribute.kind))
}

fn role_and_filters(
    packet: &Packet<'_>,
    spelling: &RoleSpelling,
) -> Result<(Option<String>, Vec<String>), GrantError> {
    let mut filters = packet
        .all(a::FILTER_ID)
        .map(|attribute| text(&attribute))
        .collect::<Result<Vec<String>, GrantError>>()?;
    let role = match spelling {
        RoleSpelling::None => None,
        RoleSpelling::FilterId { prefix } => filters
            .iter()
            .position(|filter| filter.starts_with(prefix.as_str()))
            .map(|at| filters.remove(at).split_off(prefix.len())),
        RoleSpelling::Vendor {
            vendor,
            kind,
            prefix,
        } => packet
            .vendor(*vendor)
            .filter(|attribute| attribute.kind == *kind)
            .filter_map(|attribute| std::str::from_utf8(attribute.value).ok())
            .find_map(|text| text.strip_prefix(prefix.as_str()))
            .map(str::to_owned),
    };
    Ok((role, filters))
}

impl fmt::Display for Grant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut parts: Vec<String> = Vec::new();
        if let Some(role) = &self.role {
            parts.push(format!("role {role}"));
        }
        if let Some(vlan) = &self.vlan {
            parts.push(format!("VLAN {vlan}"));
        }
        if !self.tagged.is_empty() {
            let list: Vec<String> = self.tagged.iter().map(VlanRef::to_string).collect();
            parts.push(format!("tagged {}", list.join(" ")));
        }
        for filter in &self.filters {
            parts.push(format!("filter {filter}"));
        }
        if !self.rules.is_empty() {
            parts.push(format!("{} filter rules", self.rules.len()));
        }
        if let Some(map) = &self.priority {
            let digits: String = map.iter().map(u8::to_string).collect();
            parts.push(format!("priorities {digits}"));
        }
        if let Some(seconds) = self.session_timeout {
            let then = if self.reauthenticate == Some(true) {
                "again after"
            } else {
                "ends after"
            };
            parts.push(format!("{then} {seconds} s"));
        }
        if let Some(seconds) = self.idle_timeout {
            parts.push(format!("idle {seconds} s"));
        }
        if parts.is_empty() {
            f.write_str("nothing in particular")
        } else {
            f.write_str(&parts.join(", "))
        }
    }
}
