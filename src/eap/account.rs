//! What the methods ask about accounts. The bench answers; this room knows no file.

use std::fmt;

use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

use super::ms_chap::nt_password_hash;
use super::proof::Proof;

/// Answers for the people and machines of a bench.
pub trait Credentials {
    /// The account that an identity names, in whichever form the supplicant sent it
    /// (`host/name.domain`, `DOMAIN\name`, `name@domain`, a bare name).
    fn account(&self, identity: &str) -> Option<Account>;

    /// A last word before the supplicant is told of success: a certificate that no account has, an
    /// account that may not use this method. All else has been proven when this is asked.
    ///
    /// # Errors
    /// Why not, as one line a person can act on.
    fn admit(&self, _proof: &Proof) -> Result<(), String> {
        Ok(())
    }
}

/// One person or machine.
#[derive(Debug, Clone)]
pub struct Account {
    /// `None` for an account that logs in by certificate only.
    pub password: Option<Password>,
    /// Whether it may log in.
    pub state: AccountState,
}

/// Whether an account may log in. Only someone who knows the password is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum AccountState {
    /// It may.
    #[default]
    Active,
    /// It is switched off.
    Disabled,
    /// Its time is over.
    Expired,
    /// Its password must be changed before it may log in, which a bench does not offer.
    MustChangePassword,
}

/// A password, as text or as its NT hash.
#[derive(Clone)]
pub enum Password {
    /// As text: serves every method.
    Text(Zeroizing<String>),
    /// The MD4 of RFC 2759 section 8.3: serves MS-CHAPv2 and PAP.
    NtHash(Zeroizing<[u8; 16]>),
}

impl Password {
    /// Takes a password as text.
    #[must_use]
    pub fn text(text: impl Into<String>) -> Password {
        Password::Text(Zeroizing::new(text.into()))
    }

    /// Takes an NT hash.
    #[must_use]
    pub fn nt_hash(hash: [u8; 16]) -> Password {
        Password::NtHash(Zeroizing::new(hash))
    }

    pub(super) fn as_text(&self) -> Option<&str> {
        match self {
            Password::Text(text) => Some(text),
            Password::NtHash(_) => None,
        }
    }

    pub(super) fn to_nt_hash(&self) -> Zeroizing<[u8; 16]> {
        match self {
            Password::Text(text) => Zeroizing::new(nt_password_hash(text)),
            Password::NtHash(hash) => hash.clone(),
        }
    }

    /// Compares with a password that arrived as octets, in constant time for equal lengths.
    pub(super) fn matches(&self, sent: &[u8]) -> bool {
        match self {
            Password::Text(text) => text.as_bytes().ct_eq(sent).into(),
            Password::NtHash(hash) => std::str::from_utf8(sent)
                .is_ok_and(|sent| nt_password_hash(sent).ct_eq(&**hash).into()),
        }
    }
}

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("<password>")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_hash_accept_the_same_password_and_no_other() {
        let hash = Password::nt_hash(nt_password_hash("gangway"));
        for password in [Password::text("gangway"), hash] {
            assert!(password.matches(b"gangway"));
            assert!(!password.matches(b"gangwaY"));
            assert!(!password.matches(b"gangway\0"));
            assert!(!password.matches(&[0xff]));
            assert_eq!(*password.to_nt_hash(), nt_password_hash("gangway"));
            assert!(!format!("{password:?}").contains("gangway"));
        }
    }
}
