//! Dialects.

use std::path::Path;
use std::sync::Arc;

use serde::Deserialize;

use super::context::Context;
use super::grant::GrantedFile;
use super::words;
use crate::bench::shipped::DIALECTS;
use crate::bench::yaml::{At, Entries};
use crate::bench::{
    AttributeName, ChangeKind, ChangeSpelling, Dialect, RoleSpelling, Template, VlanSpelling, spell,
};
use crate::wire::AttributeBuf;
use crate::wire::registry::ErrorCause;

/// A dialect as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct DialectFile {
    dialect: At<String>,
    #[serde(rename = "about")]
    _about: Option<String>,
    enterprise: Option<u32>,
    role: Option<At<RoleFile>>,
    #[serde(default)]
    vlan: VlanFile,
    #[serde(default)]
    tagged_vlans: bool,
    #[serde(default)]
    priority: bool,
    #[serde(default)]
    filter_rules: bool,
    identify: At<Vec<At<String>>>,
    #[serde(default = "yes")]
    event_timestamp: bool,
    #[serde(default = "yes")]
    message_authenticator: bool,
    #[serde(default)]
    changes: Entries<At<ChangeKind>, At<ChangeFile>>,
    #[serde(default)]
    fallback: Vec<At<ChangeKind>>,
}

fn yes() -> bool {
    true
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RoleFile {
    attribute: At<String>,
    text: At<String>,
}

#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum VlanFile {
    #[default]
    Tunnel,
    Egress,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct ChangeFile {
    #[serde(default)]
    request: RequestFile,
    #[serde(default)]
    attributes: At<Vec<At<GrantedFile>>>,
    #[serde(default)]
    with_grant: bool,
    begun_by: Option<At<u32>>,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RequestFile {
    #[default]
    Coa,
    Disconnect,
}

impl Context<'_> {
    /// The dialect that a switch names.
    pub(super) fn dialect(&mut self, named: &At<String>, base: &Path) -> Option<Arc<Dialect>> {
        let (file, _) = self.open::<DialectFile>(named, base, DIALECTS)?;
        self.check_names("dialect", [&file.dialect].into_iter());
        if file.identify.is_empty() {
            self.error(
                file.identify.span,
                "a change must name its session (RFC 5176 section 3)\n\
                 list attributes such as Acct-Session-Id and Calling-Station-Id",
            );
        }
        let mut dialect = Dialect {
            name: file.dialect.value.clone(),
            enterprise: file.enterprise,
            role: self.role(file.role.as_ref()),
            vlan: match file.vlan {
                VlanFile::Tunnel => VlanSpelling::Tunnel,
                VlanFile::Egress => VlanSpelling::Egress,
            },
            tagged_vlans: file.tagged_vlans,
            priority: file.priority,
            filter_rules: file.filter_rules,
            identify: self.identify(&file.identify),
            event_timestamp: file.event_timestamp,
            message_authenticator: file.message_authenticator,
            changes: std::collections::BTreeMap::new(),
            fallback: Vec::new(),
        };
        for (kind, change) in file.changes.iter() {
            let spelling = self.change_spelling(change);
            dialect.changes.insert(kind.value, spelling);
        }
        for kind in &file.fallback {
            if dialect.changes.contains_key(&kind.value) {
                dialect.fallback.push(kind.value);
            } else {
                self.error(
                    kind.span,
                    format!(
                        "`{}` is not spelt under `changes`\nspell it, or remove it here",
                        kind.value
                    ),
                );
            }
        }
        Some(Arc::new(dialect))
    }

    fn role(&mut self, given: Option<&At<RoleFile>>) -> RoleSpelling {
        let Some(given) = given else {
            return RoleSpelling::None;
        };
        let text = Template(given.text.value.clone());
        if let Err(error) = text.check() {
            self.error(given.text.span, error.to_string());
        } else if text.expand(|name| (name != "role").then_some("")).is_ok() {
            self.error(
                given.text.span,
                "`$role` stands nowhere in it\nwrite it where the name of the role goes",
            );
        }
        match words::attribute_name(&given.attribute) {
            Ok(AttributeName::Vendor { vendor, kind }) => {
                RoleSpelling::Vendor { vendor, kind, text }
            }
            Ok(AttributeName::Standard(crate::wire::registry::attributes::FILTER_ID)) => {
                RoleSpelling::FilterId(text)
            }
            Ok(name) => {
                self.error(
                    given.attribute.span,
                    format!("{name} carries no role\nuse Filter-Id or a vendor attribute"),
                );
                RoleSpelling::None
            }
            Err(message) => {
                self.error(given.attribute.span, message);
                RoleSpelling::None
            }
        }
    }

    fn identify(&mut self, given: &[At<String>]) -> Vec<u8> {
        let mut kinds = Vec::new();
        for name in given {
            match words::attribute_name(name) {
                Ok(AttributeName::Standard(kind)) => kinds.push(kind),
                Ok(AttributeName::Vendor { .. }) => {
                    self.error(name.span, "a session is named by standard attributes here");
                }
                Err(message) => self.error(name.span, message),
            }
        }
        kinds
    }

    fn change_spelling(&mut self, given: &At<ChangeFile>) -> ChangeSpelling {
        let disconnect = given.request == RequestFile::Disconnect;
        if disconnect && (given.with_grant || !given.attributes.is_empty()) {
            self.error(
                given.span,
                "a Disconnect-Request only names its session (RFC 5176 section 3)\n\
                 remove `attributes` and `with-grant`, or write `request: coa`",
            );
        }
        if let Some(cause) = &given.begun_by
            && ErrorCause(cause.value).name().is_none()
        {
            self.error(
                cause.span,
                "no Error-Cause that RFC 5176 section 3.5 knows\n507 is Request Initiated",
            );
        }
        ChangeSpelling {
            disconnect,
            attributes: given
                .attributes
                .iter()
                .filter_map(|attribute| self.change_attribute(attribute))
                .collect(),
            with_grant: given.with_grant,
            begun_by: given.begun_by.map(|cause| cause.value),
        }
    }

    /// A change is the same for every switch, so its texts hold no variables.
    fn change_attribute(&mut self, given: &At<GrantedFile>) -> Option<AttributeBuf> {
        let granted = self.granted(given)?;
        let text = &granted.value.0;
        if text.contains('$') {
            self.error(given.span, "a change holds no variables\nremove the `$`");
            return None;
        }
        match spell::octets(granted.name, granted.form, text) {
            Ok(value) => Some(spell::attribute(granted.name, &value)),
            Err(error) => {
                self.error(given.span, error.to_string());
                None
            }
        }
    }
}
