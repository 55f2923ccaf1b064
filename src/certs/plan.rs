//! What to make.

use super::CertsError;

/// The name in certificates that name somebody else; nobody may have it.
pub(super) const WRONG_NAME: &str = "nobody";

/// What to make certificates for.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Organisation in every subject; " (bench only)" is added to it.
    pub organisation: String,
    /// Domain of every name, such as `lantern-quay.example`.
    pub domain: String,
    /// Host name of the server in that domain.
    pub server: String,
    /// Host names of the machines in that domain.
    pub machines: Vec<String>,
    /// Names of the people in that domain.
    pub people: Vec<String>,
    /// How long good certificates are valid, in days.
    pub days: u16,
    /// Passphrase of the PKCS#12 files.
    pub passphrase: String,
}

/// Whose certificate it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The side that answers the logins.
    Server,
    /// A machine.
    Machine,
    /// A person.
    Person,
}

impl Role {
    /// Also the folder of its files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Role::Server => "server",
            Role::Machine => "machine",
            Role::Person => "person",
        }
    }
}

/// One holder of certificates.
#[derive(Debug, Clone, Copy)]
pub(super) struct Subject<'a> {
    pub role: Role,
    pub name: &'a str,
    pub domain: &'a str,
}

impl Subject<'_> {
    /// Folder of its files, below the set's.
    pub fn folder(&self) -> String {
        match self.role {
            Role::Server => self.role.word().into(),
            Role::Machine | Role::Person => format!("{}/{}", self.role.word(), self.name),
        }
    }

    /// The identity that its supplicant sends: machines by the `host/` form, people by the
    /// network access identifier (RFC 7542 section 2.2). A server sends none.
    pub fn identity(&self) -> Option<String> {
        match self.role {
            Role::Server => None,
            Role::Machine => Some(format!("host/{}.{}", self.name, self.domain)),
            Role::Person => Some(format!("{}@{}", self.name, self.domain)),
        }
    }
}

impl Plan {
    /// Everybody who gets certificates: the server first.
    pub(super) fn subjects(&self) -> Vec<Subject<'_>> {
        let subject = |role, name| Subject {
            role,
            name,
            domain: &self.domain,
        };
        std::iter::once(subject(Role::Server, &self.server))
            .chain(
                self.machines
                    .iter()
                    .map(|name| subject(Role::Machine, name)),
            )
            .chain(self.people.iter().map(|name| subject(Role::Person, name)))
            .collect()
    }

    /// Names become parts of file names, subjects and profiles, so they are kept plain.
    pub(super) fn check(&self) -> Result<(), CertsError> {
        if self.organisation.is_empty()
            || self.organisation.chars().count() > 40
            || self.organisation.chars().any(char::is_control)
        {
            return Err(refused(
                "organisation",
                &self.organisation,
                "give 1 to 40 printable characters",
            ));
        }
        if !is_domain(&self.domain) {
            return Err(refused(
                "domain",
                &self.domain,
                "give a domain such as lantern-quay.example",
            ));
        }
        if let Some(subject) = self
            .subjects()
            .iter()
            .find(|subject| subject.name.eq_ignore_ascii_case(WRONG_NAME))
        {
            return Err(refused(
                "name",
                subject.name,
                "give another; the wrong-name certificates have this one",
            ));
        }
        for host in self.machines.iter().chain([&self.server]) {
            if !is_label(host) {
                return Err(refused(
                    "host name",
                    host,
                    "give one label of 1 to 40 letters, digits and inner hyphens; the domain is added",
                ));
            }
        }
        for person in &self.people {
            if person.len() > 40 || !person.split('.').all(is_label) {
                return Err(refused(
                    "person",
                    person,
                    "give 1 to 40 letters, digits, hyphens and inner dots; the domain is added",
                ));
            }
        }
        no_twins("machine", &self.machines)?;
        no_twins("person", &self.people)
    }
}

fn refused(what: &'static str, name: &str, remedy: &'static str) -> CertsError {
    CertsError::Name {
        what,
        name: name.to_owned(),
        remedy,
    }
}

/// A label of a host name (RFC 1123 section 2.1), shortened so that common names stay below the
/// 64 characters of RFC 5280 appendix A.
fn is_label(text: &str) -> bool {
    (1..=40).contains(&text.len())
        && text.bytes().all(|c| c.is_ascii_alphanumeric() || c == b'-')
        && !text.starts_with('-')
        && !text.ends_with('-')
}

fn is_domain(text: &str) -> bool {
    text.len() <= 200 && text.split('.').all(is_label)
}

/// Some file systems take `Clerk` and `clerk` for one folder.
fn no_twins(what: &'static str, names: &[String]) -> Result<(), CertsError> {
    let mut seen = std::collections::BTreeSet::new();
    match names
        .iter()
        .find(|name| !seen.insert(name.to_ascii_lowercase()))
    {
        None => Ok(()),
        Some(twice) => Err(refused(what, twice, "give each name once")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        Plan {
            organisation: "Lantern Quay".into(),
            domain: "lantern-quay.example".into(),
            server: "radius".into(),
            machines: vec!["office-1".into()],
            people: vec!["clerk".into(), "night.clerk".into()],
            days: 30,
            passphrase: "bench-only".into(),
        }
    }

    #[test]
    fn plain_names_pass() {
        plan().check().unwrap();
    }

    #[test]
    fn names_that_would_leave_the_folder_or_break_a_profile_are_refused() {
        for bad in ["", "../x", "a/b", "a\"b", "a\nb", "-a", ".a", "a..b", "ä"] {
            let mut plan = plan();
            plan.people = vec![bad.into()];
            assert!(plan.check().is_err(), "person {bad:?}");
        }
        for bad in ["", "a.b", "a_b", "a/b", &"x".repeat(41)] {
            let mut plan = plan();
            plan.machines = vec![bad.into()];
            assert!(plan.check().is_err(), "machine {bad:?}");
        }
        for bad in ["", ".", "a b", "a..b"] {
            let mut plan = plan();
            plan.domain = bad.into();
            assert!(plan.check().is_err(), "domain {bad:?}");
        }
        let mut plan = plan();
        plan.organisation = "two\nlines".into();
        assert!(plan.check().is_err());
    }

    #[test]
    fn a_name_given_twice_is_refused_whatever_its_case() {
        let mut plan = plan();
        plan.people = vec!["clerk".into(), "Clerk".into()];
        let error = plan.check().unwrap_err().to_string();
        assert_eq!(error, "person \"Clerk\": give each name once");
    }
}
