//! `grant`: what a device of the class is given.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::context::Context;
use super::words;
use crate::bench::yaml::{At, OneOrMany, Period, Span};
use crate::bench::{AttributeName, Grant, GrantedAttribute, Template, ValueForm};
use crate::wire::registry::attributes as a;

/// The keys of a grant, as written.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub(super) struct GrantFile {
    role: Option<At<String>>,
    vlan: Option<At<String>>,
    tagged_vlans: OneOrMany<At<String>>,
    filter: Option<At<String>>,
    filter_rules: OneOrMany<At<String>>,
    priority: Option<At<Vec<u8>>>,
    session_timeout: Option<At<Period>>,
    when_over: Option<At<WhenOver>>,
    idle_timeout: Option<At<Period>>,
    interim_interval: Option<At<Period>>,
    reply_message: Option<At<String>>,
    attributes: Vec<At<GrantedFile>>,
}

/// What the end of the session timeout means (RFC 3580 sections 3.17 and 3.19).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum WhenOver {
    Reauthenticate,
    End,
}

/// One attribute, with its value in one of the forms.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct GrantedFile {
    attribute: At<String>,
    value: Option<At<String>>,
    text: Option<At<String>>,
    integer: Option<At<String>>,
    hex: Option<At<String>>,
    ipv4: Option<At<String>>,
    ipv6: Option<At<String>>,
}

/// Where each part of a grant stands: key, and position in the list under it.
pub(super) type GrantPlaces = BTreeMap<(&'static str, usize), Span>;

/// RFC 2869 section 5.16
const SHORTEST_INTERIM: u32 = 60;

impl Context<'_> {
    /// The grant, as far as it is sound, and where its parts stand.
    pub(super) fn grant(&mut self, given: &GrantFile) -> (Grant, GrantPlaces) {
        let mut places = GrantPlaces::new();
        let interim = self.seconds(
            "interim-interval",
            given.interim_interval.as_ref(),
            &mut places,
        );
        if let (Some(seconds), Some(given)) = (interim, &given.interim_interval)
            && seconds < SHORTEST_INTERIM
        {
            self.error(
                given.span,
                format!("shorter than {SHORTEST_INTERIM} s (RFC 2869 section 5.16)"),
            );
        }
        if let (Some(given), None) = (&given.when_over, &given.session_timeout) {
            self.error(
                given.span,
                "`when-over` without a timeout\nadd `session-timeout`",
            );
        }
        let over = given.when_over.as_ref();
        let grant = Grant {
            role: self.template("role", 0, given.role.as_ref(), &mut places),
            vlan: self.template("vlan", 0, given.vlan.as_ref(), &mut places),
            tagged_vlans: self.templates("tagged-vlans", &given.tagged_vlans, &mut places),
            filter: self.template("filter", 0, given.filter.as_ref(), &mut places),
            filter_rules: self.templates("filter-rules", &given.filter_rules, &mut places),
            priority: self.priority(given.priority.as_ref(), &mut places),
            session_timeout: self.seconds(
                "session-timeout",
                given.session_timeout.as_ref(),
                &mut places,
            ),
            reauthenticate: over.is_some_and(|over| over.value == WhenOver::Reauthenticate),
            idle_timeout: self.seconds("idle-timeout", given.idle_timeout.as_ref(), &mut places),
            interim_interval: interim,
            reply_message: self.template(
                "reply-message",
                0,
                given.reply_message.as_ref(),
                &mut places,
            ),
            attributes: self.granted_list(&given.attributes, &mut places),
        };
        (grant, places)
    }

    /// One attribute with its form and text.
    pub(super) fn granted(&mut self, given: &At<GrantedFile>) -> Option<GrantedAttribute> {
        let name = match words::attribute_name(&given.attribute) {
            Ok(name) => Some(name),
            Err(message) => {
                self.error(given.attribute.span, message);
                None
            }
        };
        if let Some(AttributeName::Standard(kind)) = name
            && let Some(reason) = not_to_be_granted(kind)
        {
            self.error(given.attribute.span, reason);
            return None;
        }
        let file = &given.value;
        let forms = [
            (ValueForm::Registered, &file.value),
            (ValueForm::Text, &file.text),
            (ValueForm::Integer, &file.integer),
            (ValueForm::Hex, &file.hex),
            (ValueForm::Ipv4, &file.ipv4),
            (ValueForm::Ipv6, &file.ipv6),
        ];
        let mut values = forms
            .into_iter()
            .filter_map(|(form, value)| Some((form, value.as_ref()?)));
        match (values.next(), values.next()) {
            (Some((form, value)), None) => Some(GrantedAttribute {
                name: name?,
                form,
                value: Template(value.value.clone()),
            }),
            (first, _) => {
                let what = match first {
                    None => "no value",
                    Some(_) => "more than one value",
                };
                self.error(
                    given.span,
                    format!("{what} for this attribute\ngive one of: value, text, integer, hex, ipv4, ipv6"),
                );
                None
            }
        }
    }

    fn granted_list(
        &mut self,
        given: &[At<GrantedFile>],
        places: &mut GrantPlaces,
    ) -> Vec<GrantedAttribute> {
        let mut list = Vec::new();
        for given in given {
            let Some(granted) = self.granted(given) else {
                continue;
            };
            if let Err(error) = granted.value.check() {
                self.error(given.span, error.to_string());
                continue;
            }
            places.insert(("attributes", list.len()), given.span);
            list.push(granted);
        }
        list
    }

    fn template(
        &mut self,
        field: &'static str,
        index: usize,
        given: Option<&At<String>>,
        places: &mut GrantPlaces,
    ) -> Option<Template> {
        let given = given?;
        let template = Template(given.value.clone());
        if let Err(error) = template.check() {
            self.error(given.span, error.to_string());
            return None;
        }
        places.insert((field, index), given.span);
        Some(template)
    }

    fn templates(
        &mut self,
        field: &'static str,
        given: &[At<String>],
        places: &mut GrantPlaces,
    ) -> Vec<Template> {
        let mut list = Vec::new();
        for given in given {
            list.extend(self.template(field, list.len(), Some(given), places));
        }
        list
    }

    fn priority(
        &mut self,
        given: Option<&At<Vec<u8>>>,
        places: &mut GrantPlaces,
    ) -> Option<[u8; 8]> {
        let given = given?;
        places.insert(("priority", 0), given.span);
        let table = <[u8; 8]>::try_from(given.value.as_slice()).ok();
        let table = table.filter(|table| table.iter().all(|priority| *priority <= 7));
        if table.is_none() {
            self.error(
                given.span,
                "a priority table is eight numbers from 0 to 7 (RFC 4675 section 2.4)\n\
                 the first is what priority 0 becomes, and so on: [0, 1, 2, 3, 4, 5, 6, 7] changes nothing",
            );
        }
        table
    }

    /// Whole seconds in 32 bits.
    fn seconds(
        &mut self,
        field: &'static str,
        given: Option<&At<Period>>,
        places: &mut GrantPlaces,
    ) -> Option<u32> {
        let given = given?;
        places.insert((field, 0), given.span);
        let time = given.value.0;
        let seconds = u32::try_from(time.as_secs()).ok();
        let seconds = seconds.filter(|_| time.subsec_nanos() == 0);
        if seconds.is_none() {
            self.error(given.span, "whole seconds from 0 to 4294967295 are wanted");
        }
        seconds
    }
}

/// Why a grant can't hold this attribute, with what to do.
fn not_to_be_granted(kind: u8) -> Option<String> {
    let name = AttributeName::Standard(kind);
    match kind {
        a::VENDOR_SPECIFIC => Some(format!(
            "{name} needs its vendor and type\nwrite them as in 9/1"
        )),
        a::CLASS | a::STATE | a::PROXY_STATE | a::EAP_MESSAGE | a::MESSAGE_AUTHENTICATOR => {
            Some(format!("{name} is set by portproof itself\nremove it"))
        }
        a::CHAP_CHALLENGE => Some(format!(
            "{name} stands in requests only (RFC 2865 section 5.44)\nremove it"
        )),
        kind if a::is_secret(kind) => Some(format!(
            "{name} carries a secret, which a grant can't hide\nremove it"
        )),
        _ => None,
    }
}
