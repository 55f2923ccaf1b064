//! Logins of people and machines by name and password, PAP (RFC 2865 section 5.2) and CHAP
//! (section 5.3).

use subtle::ConstantTimeEq;

use super::arrival::{Request, readable};
use super::credentials::{Proof, Refused};
use super::verdict::Refusal;
use crate::bench::{Account, AccountState, Bench, MethodName, Password};
use crate::eap::nt_password_hash;
use crate::roster::Login;
use crate::wire::hide;
use crate::wire::registry::attributes;

/// Checks a login by name and password.
pub(super) fn prove(request: &Request<'_>, bench: &Bench) -> Result<Proof, Refused> {
    let name = request
        .packet
        .first(attributes::USER_NAME)
        .map(|name| readable(name.value))
        .filter(|name| !name.is_empty())
        .ok_or_else(|| Refused::new(Refusal::NoName, "a password without a User-Name"))?;
    let account = bench.find(&name).ok_or_else(|| {
        Refused::new(
            Refusal::UnknownAccount,
            format!("the bench has no person or machine named {name:?}"),
        )
    })?;
    let password = account.password.as_ref().ok_or_else(|| {
        Refused::new(
            Refusal::NoPassword,
            format!(
                "{} has no password: only a certificate proves it",
                account.name
            ),
        )
    })?;
    let chap = request.packet.first(attributes::CHAP_PASSWORD).is_some();
    if chap {
        check_chap(request, account, password)?;
    } else {
        check_pap(request, account, password)?;
    }
    check_state(account)?;
    Ok(Proof {
        method: if chap {
            MethodName::Chap
        } else {
            MethodName::Pap
        },
        mac: request.station,
        login: Some(Login {
            identity: name.into_owned(),
            account: Some(account.name.clone()),
            machine: account.machine,
            groups: account.groups.clone(),
            certificate: None,
        }),
    })
}

fn check_pap(request: &Request<'_>, account: &Account, password: &Password) -> Result<(), Refused> {
    let sent = request
        .packet
        .first(attributes::USER_PASSWORD)
        .and_then(|hidden| {
            hide::reveal_password(
                hidden.value,
                &request.switch.secret,
                request.packet.authenticator(),
            )
        })
        .ok_or_else(|| {
            Refused::new(
                Refusal::PasswordForm,
                "User-Password is not one to eight blocks of 16 octets (RFC 2865 section 5.2)",
            )
        })?;
    let right = match password {
        Password::Text(text) => text.bytes().ct_eq(&sent).into(),
        Password::NtHash(hash) => std::str::from_utf8(&sent)
            .is_ok_and(|sent| nt_password_hash(sent).ct_eq(&**hash).into()),
    };
    if right {
        Ok(())
    } else {
        Err(wrong_password(request, account))
    }
}

fn check_chap(
    request: &Request<'_>,
    account: &Account,
    password: &Password,
) -> Result<(), Refused> {
    let Password::Text(text) = password else {
        return Err(Refused::new(
            Refusal::NeedsText,
            format!(
                "CHAP needs the password of {} as text, and the bench has its hash",
                account.name
            ),
        ));
    };
    match hide::chap_matches(&request.packet, text.bytes()) {
        Some(true) => Ok(()),
        Some(false) => Err(wrong_password(request, account)),
        None => Err(Refused::new(
            Refusal::PasswordForm,
            "CHAP-Password has not 17 octets (RFC 2865 section 5.3)",
        )),
    }
}

fn wrong_password(request: &Request<'_>, account: &Account) -> Refused {
    Refused::new(
        Refusal::WrongPassword,
        format!(
            "wrong password for {}, or the secret of {} is not the switch's",
            account.name, request.switch.name
        ),
    )
}

/// Asked last: only someone who knows the password is told.
fn check_state(account: &Account) -> Result<(), Refused> {
    let (refusal, what) = match account.state {
        AccountState::Active => return Ok(()),
        AccountState::Disabled => (Refusal::Disabled, "is disabled"),
        AccountState::MustChangePassword => (
            Refusal::MustChangePassword,
            "must change the password first",
        ),
        AccountState::Expired => (Refusal::Expired, "has an expired password"),
    };
    Err(Refused::new(refusal, format!("{} {what}", account.name)))
}
