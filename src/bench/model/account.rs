//! People and machines.

use crate::wire::Secret;

/// A person or a machine.
#[derive(Debug, Clone)]
pub struct Account {
    /// Name as written in the file.
    pub name: String,
    /// True for a machine.
    pub machine: bool,
    /// Further spellings under which it logs on, lower case.
    pub aliases: Vec<String>,
    /// Password, if it has one.
    pub password: Option<Password>,
    /// Groups.
    pub groups: Vec<String>,
    /// State of the account.
    pub state: AccountState,
}

/// A password in the form in which the file gives it.
#[derive(Clone)]
pub enum Password {
    /// Text.
    Text(Secret),
    /// MD4 of the UTF-16LE text (RFC 2759 section 8.3).
    NtHash(zeroize::Zeroizing<[u8; 16]>),
}

impl std::fmt::Debug for Password {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("<password>")
    }
}

/// State of an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum AccountState {
    /// May log on.
    #[default]
    Active,
    /// May not.
    Disabled,
    /// Must change the password first.
    MustChangePassword,
    /// The password's time is over.
    Expired,
}
