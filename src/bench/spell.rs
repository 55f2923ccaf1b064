//! Grants as attributes, by the dialect of a switch.

use std::borrow::Cow;
use std::net::{Ipv4Addr, Ipv6Addr};

use super::model::{
    AttributeName, Grant, GrantedAttribute, RoleSpelling, Switch, Template, ValueForm, VlanSpelling,
};
use super::template::TemplateError;
use crate::wire::registry::attributes as a;
use crate::wire::value::{ValueError, parse_hex, parse_value};
use crate::wire::vlan::{VlanRef, egress_vlan, egress_vlan_name, tunnel_vlan, user_priority_table};
use crate::wire::{AttributeBuf, attribute::MAX_VALUE, filter};

/// The longest value of a vendor sub-attribute in octets (RFC 2865 section 5.26).
const MAX_VENDOR_VALUE: usize = MAX_VALUE - 6;
/// Termination-Action RADIUS-Request (RFC 2865 section 5.29).
const RADIUS_REQUEST: u32 = 1;

/// A part of a grant that a switch can't be told.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {reason}")]
pub struct CannotSpell {
    /// Key of the grant.
    pub field: &'static str,
    /// Which of the list under that key, from 0.
    pub index: usize,
    /// Why.
    pub reason: Unspellable,
}

/// Why a part of a grant can't be told.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Unspellable {
    /// The dialect has no words for it.
    #[error("dialect `{0}` has no spelling for it")]
    NoSpelling(String),
    /// A variable is missing.
    #[error(transparent)]
    Template(#[from] TemplateError),
    /// No VLAN that a port can be given (RFC 3580 section 3.31).
    #[error("`{0}` is no VLAN: a number from 1 to 4094, or a name")]
    NotAVlan(String),
    /// No value of the attribute.
    #[error(transparent)]
    Value(#[from] ValueError),
    /// More octets than fit.
    #[error("{length} octets, at most {most} fit")]
    TooLong {
        /// Octets that there are.
        length: usize,
        /// Octets that fit.
        most: usize,
    },
    /// Nothing where something must be (RFC 8044 sections 3.4 and 3.5).
    #[error("an empty value can't be sent")]
    Empty,
    /// A null character in a filter rule would end it (RFC 4849 section 2).
    #[error("a filter rule holds no null character")]
    NullInRule,
    /// A text that is not of the form asked for.
    #[error("`{text}` is not {wanted}")]
    NotA {
        /// The text.
        text: String,
        /// The form, with its article.
        wanted: &'static str,
    },
}

/// The attributes of an accept that carry the grant, in the words of the switch's dialect.
///
/// # Errors
/// The first part that can't be spelt.
pub fn grant(grant: &Grant, switch: &Switch) -> Result<Vec<AttributeBuf>, CannotSpell> {
    let mut attributes = Vec::with_capacity(8);
    for part in parts(grant) {
        part.spell(switch, &mut attributes)?;
    }
    Ok(attributes)
}

/// Every part of the grant that the switch can't be told.
#[must_use]
pub fn problems(grant: &Grant, switch: &Switch) -> Vec<CannotSpell> {
    parts(grant)
        .filter_map(|part| part.spell(switch, &mut Vec::new()).err())
        .collect()
}

/// Octets for a text in a given form; a vendor attribute has no registered type, it is text then.
///
/// # Errors
/// When the text is not of that form, or is too long.
pub fn octets(name: AttributeName, form: ValueForm, text: &str) -> Result<Vec<u8>, Unspellable> {
    let not_a = |wanted| Unspellable::NotA {
        text: text.to_owned(),
        wanted,
    };
    let value = match (form, name) {
        (ValueForm::Registered, AttributeName::Standard(kind)) => parse_value(kind, text)?,
        (ValueForm::Registered | ValueForm::Text, _) => text.as_bytes().to_vec(),
        (ValueForm::Integer, _) => text
            .parse::<u32>()
            .map_err(|_| not_a("a whole number from 0 to 4294967295"))?
            .to_be_bytes()
            .to_vec(),
        (ValueForm::Hex, _) => {
            parse_hex(text).ok_or_else(|| not_a("an even number of hex digits"))?
        }
        (ValueForm::Ipv4, _) => text
            .parse::<Ipv4Addr>()
            .map_err(|_| not_a("an IPv4 address"))?
            .octets()
            .to_vec(),
        (ValueForm::Ipv6, _) => text
            .parse::<Ipv6Addr>()
            .map_err(|_| not_a("an IPv6 address"))?
            .octets()
            .to_vec(),
    };
    let most = match name {
        AttributeName::Standard(_) => MAX_VALUE,
        AttributeName::Vendor { .. } => MAX_VENDOR_VALUE,
    };
    fitting(value, most)
}

/// An attribute of either kind.
#[must_use]
pub fn attribute(name: AttributeName, value: &[u8]) -> AttributeBuf {
    match name {
        AttributeName::Standard(kind) => AttributeBuf::new(kind, value),
        AttributeName::Vendor { vendor, kind } => AttributeBuf::vendor(vendor, kind, value),
    }
}

/// One thing that a grant says.
struct Part<'g> {
    field: &'static str,
    index: usize,
    what: What<'g>,
}

enum What<'g> {
    Role(&'g Template),
    Vlan(&'g Template),
    TaggedVlan(&'g Template),
    Text(u8, &'g Template),
    FilterRules(&'g [Template]),
    Priority([u8; 8]),
    Seconds(u8, u32),
    TerminationAction,
    Attribute(&'g GrantedAttribute),
}

/// What a grant says, in the order of the attributes.
fn parts(grant: &Grant) -> impl Iterator<Item = Part<'_>> {
    let rules = grant.filter_rules.as_slice();
    let rules = (!rules.is_empty()).then_some(What::FilterRules(rules));
    let ends = grant.reauthenticate && grant.session_timeout.is_some();
    let seconds = |kind| move |seconds| What::Seconds(kind, seconds);
    let text = |kind| move |text| What::Text(kind, text);
    one("role", grant.role.as_ref().map(What::Role))
        .chain(one("vlan", grant.vlan.as_ref().map(What::Vlan)))
        .chain(many("tagged-vlans", &grant.tagged_vlans, What::TaggedVlan))
        .chain(one("filter", grant.filter.as_ref().map(text(a::FILTER_ID))))
        .chain(one("filter-rules", rules))
        .chain(one("priority", grant.priority.map(What::Priority)))
        .chain(one(
            "session-timeout",
            grant.session_timeout.map(seconds(a::SESSION_TIMEOUT)),
        ))
        .chain(one("when-over", ends.then_some(What::TerminationAction)))
        .chain(one(
            "idle-timeout",
            grant.idle_timeout.map(seconds(a::IDLE_TIMEOUT)),
        ))
        .chain(one(
            "interim-interval",
            grant
                .interim_interval
                .map(seconds(a::ACCT_INTERIM_INTERVAL)),
        ))
        .chain(one(
            "reply-message",
            grant.reply_message.as_ref().map(text(a::REPLY_MESSAGE)),
        ))
        .chain(many("attributes", &grant.attributes, What::Attribute))
}

fn one<'g>(field: &'static str, what: Option<What<'g>>) -> impl Iterator<Item = Part<'g>> {
    what.into_iter().map(move |what| Part {
        field,
        index: 0,
        what,
    })
}

fn many<'g, T>(
    field: &'static str,
    list: &'g [T],
    what: impl Fn(&'g T) -> What<'g>,
) -> impl Iterator<Item = Part<'g>> {
    list.iter().enumerate().map(move |(index, item)| Part {
        field,
        index,
        what: what(item),
    })
}

impl Part<'_> {
    fn spell(&self, switch: &Switch, into: &mut Vec<AttributeBuf>) -> Result<(), CannotSpell> {
        self.try_spell(switch, into).map_err(|reason| CannotSpell {
            field: self.field,
            index: self.index,
            reason,
        })
    }

    fn try_spell(&self, switch: &Switch, into: &mut Vec<AttributeBuf>) -> Result<(), Unspellable> {
        let dialect = &switch.dialect;
        let known = |known: bool| {
            known
                .then_some(())
                .ok_or_else(|| Unspellable::NoSpelling(dialect.name.clone()))
        };
        match self.what {
            What::Role(role) => {
                let role = expand(role, switch)?;
                into.push(spell_role(&dialect.role, &role, switch)?);
            }
            What::Vlan(vlan) => {
                let vlan = vlan_of(vlan, switch)?;
                match dialect.vlan {
                    VlanSpelling::Tunnel => into.extend(tunnel_vlan(0, &vlan.to_string())),
                    VlanSpelling::Egress => into.push(egress(&vlan, false)),
                }
            }
            What::TaggedVlan(vlan) => {
                known(dialect.tagged_vlans)?;
                into.push(egress(&vlan_of(vlan, switch)?, true));
            }
            What::Text(kind, text) => {
                let value = fitting(expand(text, switch)?.as_bytes().to_vec(), MAX_VALUE)?;
                into.push(AttributeBuf::new(kind, value));
            }
            What::FilterRules(rules) => {
                known(dialect.filter_rules)?;
                into.extend(filter::split_rules(&rules_of(rules, switch)?));
            }
            What::Priority(table) => {
                known(dialect.priority)?;
                into.push(user_priority_table(table));
            }
            What::Seconds(kind, seconds) => into.push(AttributeBuf::integer(kind, seconds)),
            What::TerminationAction => {
                into.push(AttributeBuf::integer(a::TERMINATION_ACTION, RADIUS_REQUEST));
            }
            What::Attribute(granted) => {
                let text = expand(&granted.value, switch)?;
                let value = octets(granted.name, granted.form, &text)?;
                into.push(attribute(granted.name, &value));
            }
        }
        Ok(())
    }
}

fn expand<'a>(text: &'a Template, switch: &'a Switch) -> Result<Cow<'a, str>, TemplateError> {
    text.expand(|name| switch.variables.get(name).map(String::as_str))
}

fn spell_role(
    spelling: &RoleSpelling,
    role: &str,
    switch: &Switch,
) -> Result<AttributeBuf, Unspellable> {
    let with_role = |text: &Template| -> Result<Vec<u8>, TemplateError> {
        let text = text.expand(|name| match name {
            "role" => Some(role),
            other => switch.variables.get(other).map(String::as_str),
        })?;
        Ok(text.as_bytes().to_vec())
    };
    let (name, text) = match spelling {
        RoleSpelling::None => {
            return Err(Unspellable::NoSpelling(switch.dialect.name.clone()));
        }
        RoleSpelling::FilterId(text) => (AttributeName::Standard(a::FILTER_ID), text),
        RoleSpelling::Vendor { vendor, kind, text } => {
            let (vendor, kind) = (*vendor, *kind);
            (AttributeName::Vendor { vendor, kind }, text)
        }
    };
    let most = match name {
        AttributeName::Standard(_) => MAX_VALUE,
        AttributeName::Vendor { .. } => MAX_VENDOR_VALUE,
    };
    if role.is_empty() {
        return Err(Unspellable::Empty);
    }
    Ok(attribute(name, &fitting(with_role(text)?, most)?))
}

fn vlan_of(vlan: &Template, switch: &Switch) -> Result<VlanRef, Unspellable> {
    const MOST: usize = MAX_VALUE - 1;
    let text = expand(vlan, switch)?;
    match VlanRef::parse(&text) {
        Some(_) if text.len() > MOST => Err(Unspellable::TooLong {
            length: text.len(),
            most: MOST,
        }),
        // A first octet up to 0x1F would be read as a tag (RFC 2868 section 3.6).
        Some(parsed) if !text.contains(char::is_control) => Ok(parsed),
        _ => Err(Unspellable::NotAVlan(text.into_owned())),
    }
}

fn egress(vlan: &VlanRef, tagged: bool) -> AttributeBuf {
    match vlan {
        VlanRef::Id(id) => egress_vlan(*id, tagged),
        VlanRef::Name(name) => egress_vlan_name(name, tagged),
    }
}

fn rules_of(rules: &[Template], switch: &Switch) -> Result<Vec<String>, Unspellable> {
    rules
        .iter()
        .map(|rule| match expand(rule, switch)? {
            rule if rule.is_empty() => Err(Unspellable::Empty),
            rule if rule.contains('\0') => Err(Unspellable::NullInRule),
            rule => Ok(rule.into_owned()),
        })
        .collect()
}

fn fitting(value: Vec<u8>, most: usize) -> Result<Vec<u8>, Unspellable> {
    match value.len() {
        0 => Err(Unspellable::Empty),
        length if length > most => Err(Unspellable::TooLong { length, most }),
        _ => Ok(value),
    }
}

#[cfg(test)]
mod tests;
