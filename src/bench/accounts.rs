//! People and machines by every name that operating systems send for them.

use std::collections::HashMap;
use std::sync::Arc;

use super::model::{Account, Bench};

/// Accounts by the lower-case form of each of their names.
#[derive(Debug, Clone, Default)]
pub struct Directory {
    by_name: HashMap<String, Arc<Account>>,
}

impl Directory {
    /// Enters each account under its name and its aliases. Hands back, for each name that another
    /// account already has, both accounts and the name: the first keeps it.
    pub fn new<'a>(
        accounts: impl IntoIterator<Item = &'a Arc<Account>>,
    ) -> (Directory, Vec<SharedName>) {
        let mut directory = Directory::default();
        let mut shared = Vec::new();
        for account in accounts {
            let names = std::iter::once(account.name.to_lowercase()).chain(account.aliases.clone());
            for name in names {
                let holder = directory
                    .by_name
                    .entry(name.clone())
                    .or_insert_with(|| Arc::clone(account));
                if !Arc::ptr_eq(holder, account) {
                    shared.push(SharedName {
                        name,
                        first: Arc::clone(holder),
                        second: Arc::clone(account),
                    });
                }
            }
        }
        (directory, shared)
    }

    /// The account that an identity belongs to; case does not count.
    #[must_use]
    pub fn find(&self, identity: &str) -> Option<&Arc<Account>> {
        self.by_name.get(&identity.to_lowercase())
    }
}

/// A name that two accounts claim.
#[derive(Debug, Clone)]
pub struct SharedName {
    /// The name, lower case.
    pub name: String,
    /// The account that was entered first.
    pub first: Arc<Account>,
    /// The one that wanted it too.
    pub second: Arc<Account>,
}

impl Bench {
    /// The account of a person or machine, by identity in any of the spellings that operating
    /// systems send (`name`, `name@domain`, `DOMAIN\name`, `host/name.domain`); case does not
    /// count.
    #[must_use]
    pub fn find(&self, identity: &str) -> Option<&Arc<Account>> {
        self.directory.find(identity)
    }
}
