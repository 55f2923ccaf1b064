//! People and machines.

use std::path::Path;
use std::sync::Arc;

use serde::Deserialize;
use zeroize::Zeroizing;

use super::context::Context;
use super::secret::SecretFile;
use crate::bench::yaml::{At, OneOrMany, Span};
use crate::bench::{Account, AccountState, Directory, Password};
use crate::wire::value::parse_hex;

/// What a bench file, or a file beside it, says of people and machines.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub(super) struct AccountsFile {
    pub(super) domains: OneOrMany<At<String>>,
    pub(super) people: Vec<At<AccountFile>>,
    pub(super) machines: Vec<At<AccountFile>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct AccountFile {
    name: At<String>,
    #[serde(default)]
    aliases: OneOrMany<At<String>>,
    password: Option<At<SecretFile>>,
    nt_hash: Option<At<SecretFile>>,
    #[serde(default)]
    groups: OneOrMany<At<String>>,
    #[serde(default)]
    state: StateFile,
}

#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum StateFile {
    #[default]
    Active,
    Disabled,
    MustChangePassword,
    Expired,
}

/// Every account of a bench.
#[derive(Default)]
pub(super) struct Accounts {
    pub(super) people: Vec<Arc<Account>>,
    pub(super) machines: Vec<Arc<Account>>,
    /// Where each account's name stands, people first.
    spans: Vec<(Arc<Account>, Span)>,
}

impl Accounts {
    /// Every group that an account is in.
    pub(super) fn groups(&self) -> impl Iterator<Item = &str> {
        let all = self.people.iter().chain(&self.machines);
        all.flat_map(|account| account.groups.iter().map(String::as_str))
    }
}

impl Context<'_> {
    /// Adds the accounts of one file.
    pub(super) fn accounts(&mut self, file: &AccountsFile, base: &Path, into: &mut Accounts) {
        let domains: Vec<&str> = file.domains.iter().map(|domain| domain.as_str()).collect();
        for given in &file.people {
            let account = self.account(given, false, &domains, base);
            into.spans.push((Arc::clone(&account), given.name.span));
            into.people.push(account);
        }
        for given in &file.machines {
            let account = self.account(given, true, &domains, base);
            into.spans.push((Arc::clone(&account), given.name.span));
            into.machines.push(account);
        }
    }

    /// Accounts by every spelling; a spelling that two of them claim is an error.
    pub(super) fn directory(&mut self, accounts: &Accounts) -> Directory {
        let all = accounts.people.iter().chain(&accounts.machines);
        let (directory, shared) = Directory::new(all);
        let place = |context: &Context<'_>, account: &Arc<Account>| {
            let mut spans = accounts.spans.iter();
            let found = spans.find(|(other, _)| Arc::ptr_eq(other, account));
            context
                .sources
                .place(found.map(|(_, span)| *span).unwrap_or_default())
        };
        let span = |account: &Arc<Account>| {
            let mut spans = accounts.spans.iter();
            let found = spans.find(|(other, _)| Arc::ptr_eq(other, account));
            found.map(|(_, span)| *span).unwrap_or_default()
        };
        for shared in shared {
            let diagnostic = self
                .sources
                .error(
                    span(&shared.second),
                    format!("`{}` is a name of two accounts", shared.name),
                )
                .help("names and aliases are compared without case: give each to one account")
                .related("the other stands here", place(self, &shared.first));
            self.add(diagnostic);
        }
        directory
    }

    fn account(
        &mut self,
        given: &At<AccountFile>,
        machine: bool,
        domains: &[&str],
        base: &Path,
    ) -> Arc<Account> {
        if given.name.trim().is_empty() {
            self.error(given.name.span, "an account needs a name");
        }
        let mut aliases: Vec<String> = given
            .aliases
            .iter()
            .map(|alias| alias.to_lowercase())
            .collect();
        aliases.extend(spellings(&given.name.to_lowercase(), machine, domains));
        Arc::new(Account {
            name: given.name.value.clone(),
            machine,
            aliases,
            password: self.password(given, base),
            groups: given
                .groups
                .iter()
                .map(|group| group.value.clone())
                .collect(),
            state: match given.state {
                StateFile::Active => AccountState::Active,
                StateFile::Disabled => AccountState::Disabled,
                StateFile::MustChangePassword => AccountState::MustChangePassword,
                StateFile::Expired => AccountState::Expired,
            },
        })
    }

    fn password(&mut self, given: &AccountFile, base: &Path) -> Option<Password> {
        match (&given.password, &given.nt_hash) {
            (None, None) => None,
            (Some(text), None) => self.secret(text, base).map(Password::Text),
            (None, Some(hash)) => {
                let secret = self.secret(hash, base)?;
                let octets = std::str::from_utf8(secret.bytes()).ok().and_then(parse_hex);
                let octets = octets.map(Zeroizing::new);
                let octets = octets.and_then(|octets| <[u8; 16]>::try_from(octets.as_slice()).ok());
                if octets.is_none() {
                    self.error(
                        hash.span,
                        "an NT hash is 32 hex digits: MD4 of the password in UTF-16LE (RFC 2759 section 8.3)",
                    );
                }
                octets.map(|octets| Password::NtHash(Zeroizing::new(octets)))
            }
            (Some(_), Some(hash)) => {
                self.error(
                    hash.span,
                    "`nt-hash` and `password` are two forms of one thing\nremove one",
                );
                None
            }
        }
    }
}

/// The spellings in which operating systems send a name of these domains, lower case (common
/// practice, no source): with a dot in it a domain is a DNS name, without one a short name.
fn spellings(name: &str, machine: bool, domains: &[&str]) -> Vec<String> {
    let of_domain = |domain: &&str| {
        let domain = domain.to_lowercase();
        let dns = domain.contains('.');
        match (machine, dns) {
            (false, true) => vec![format!("{name}@{domain}")],
            (false, false) => vec![format!("{domain}\\{name}")],
            (true, true) => vec![
                format!("host/{name}.{domain}"),
                format!("{name}.{domain}"),
                format!("{name}$@{domain}"),
            ],
            (true, false) => vec![format!("{domain}\\{name}$")],
        }
    };
    let bare = machine.then(|| [format!("host/{name}"), format!("{name}$")]);
    let bare = bare.into_iter().flatten();
    bare.chain(domains.iter().flat_map(of_domain)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_operating_systems() {
        let domains = ["Lantern-Quay.example", "LQ"];
        assert_eq!(
            spellings("ada", false, &domains),
            ["ada@lantern-quay.example", "lq\\ada"]
        );
        assert_eq!(
            spellings("office-1", true, &domains),
            [
                "host/office-1",
                "office-1$",
                "host/office-1.lantern-quay.example",
                "office-1.lantern-quay.example",
                "office-1$@lantern-quay.example",
                "lq\\office-1$",
            ]
        );
    }
}
