//! What a conversation asks about the bench's people and machines.

use std::cell::RefCell;

use zeroize::Zeroizing;

use super::outcome;
use crate::bench::{self, AccountState, Bench};
use crate::decide;
use crate::eap::{self, Credentials};
use crate::respond::access::facts;
use crate::respond::arrival::Request;
use crate::respond::credentials::Proof;
use crate::roster::Roster;

/// The bench's accounts and class table, asked in the course of one request.
pub(super) struct Accounts<'a> {
    bench: &'a Bench,
    roster: &'a Roster,
    request: &'a Request<'a>,
    /// What was proven by someone whom the class table denies.
    denied: RefCell<Option<Proof>>,
}

impl<'a> Accounts<'a> {
    pub(super) fn new(
        bench: &'a Bench,
        roster: &'a Roster,
        request: &'a Request<'a>,
    ) -> Accounts<'a> {
        Accounts {
            bench,
            roster,
            request,
            denied: RefCell::new(None),
        }
    }

    pub(super) fn into_denied(self) -> Option<Proof> {
        self.denied.into_inner()
    }
}

impl Credentials for Accounts<'_> {
    fn account(&self, identity: &str) -> Option<eap::Account> {
        let account = self.bench.find(identity)?;
        Some(eap::Account {
            password: account.password.as_ref().map(password),
            state: match account.state {
                AccountState::Active => eap::AccountState::Active,
                AccountState::Disabled => eap::AccountState::Disabled,
                AccountState::MustChangePassword => eap::AccountState::MustChangePassword,
                AccountState::Expired => eap::AccountState::Expired,
            },
        })
    }

    /// The supplicant must not be told of a success that the class table then denies: TLS 1.3
    /// tells it inside the method (RFC 9190 section 2.1.1). Nor does a certificate open a disabled
    /// account; that a password is expired or due for a change does not concern it.
    fn admit(&self, proof: &eap::Proof) -> Result<(), String> {
        let account = self.bench.find(&proof.identity);
        if account.is_some_and(|account| account.state == AccountState::Disabled) {
            return Err(format!("the account '{}' is disabled", proof.identity));
        }
        let proof = outcome::proven(self.bench, self.request, proof);
        let facts = facts(self.request, &proof, self.roster);
        let table = &self.bench.table;
        let class = decide::pick(&facts, table).map_or(table.holding.as_str(), |class| &class.name);
        match decide::verdict(class, table) {
            decide::Verdict::Accept => Ok(()),
            decide::Verdict::Reject => {
                let reason = format!("class {class} is denied");
                self.denied.replace(Some(proof));
                Err(reason)
            }
        }
    }
}

fn password(password: &bench::Password) -> eap::Password {
    match password {
        bench::Password::Text(text) => {
            eap::Password::text(String::from_utf8_lossy(text.bytes()).into_owned())
        }
        bench::Password::NtHash(hash) => eap::Password::NtHash(Zeroizing::new(**hash)),
    }
}
