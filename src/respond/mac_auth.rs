//! MAC authentication in the forms of the trade.
//!
//! User-Name is the address in any spelling; the password is the address in any spelling, empty,
//! the bench's fixed text, or (with Call-Check) not there at all. RFC 3580 section 3.5 knows
//! Call-Check; the rest is common practice, no source.

use subtle::ConstantTimeEq;

use super::arrival::{Request, mac_in};
use super::credentials::{Proof, Refused};
use super::verdict::Refusal;
use crate::bench::{MacAuthentication, MethodName};
use crate::wire::registry::attributes;
use crate::wire::{Mac, hide};

/// Checks a MAC authentication.
pub(super) fn prove(request: &Request<'_>, rules: &MacAuthentication) -> Result<Proof, Refused> {
    let mac = device(request)?;
    check_password(request, mac, rules)?;
    Ok(Proof {
        method: MethodName::Mac,
        mac: Some(mac),
        login: None,
    })
}

fn device(request: &Request<'_>) -> Result<Mac, Refused> {
    let named = mac_in(&request.packet, attributes::USER_NAME);
    match (named, request.station) {
        (Some(named), Some(station)) if named != station => Err(Refused::new(
            Refusal::MacMismatch,
            format!("User-Name says {named}, Calling-Station-Id says {station}"),
        )),
        (_, Some(mac)) | (Some(mac), None) => Ok(mac),
        (None, None) => Err(Refused::new(
            Refusal::NoMac,
            "Call-Check, but neither User-Name nor Calling-Station-Id is a MAC address",
        )),
    }
}

fn check_password(
    request: &Request<'_>,
    mac: Mac,
    rules: &MacAuthentication,
) -> Result<(), Refused> {
    let packet = &request.packet;
    let right = if let Some(hidden) = packet.first(attributes::USER_PASSWORD) {
        // RFC 2865 section 5.2 leaves no way to hide nothing; some switches send no octets.
        let password = match hidden.value {
            [] => Some(Vec::new()),
            value => hide::reveal_password(value, &request.switch.secret, packet.authenticator()),
        };
        let password = password.ok_or_else(|| wrong_form("User-Password"))?;
        is_taken(&password, mac, rules)
    } else if packet.first(attributes::CHAP_PASSWORD).is_some() {
        chap_is_taken(request, mac, rules).ok_or_else(|| wrong_form("CHAP-Password"))?
    } else {
        // Only Call-Check comes without a password.
        true
    };
    if right {
        return Ok(());
    }
    Err(Refused::new(
        Refusal::MacPassword,
        format!(
            "the password for {mac} is neither the address, nor empty, nor the bench's fixed \
             one; or the secret of {} is not the switch's",
            request.switch.name
        ),
    ))
}

fn wrong_form(attribute: &str) -> Refused {
    Refused::new(
        Refusal::PasswordForm,
        format!("{attribute} has a length that RFC 2865 section 5 does not allow"),
    )
}

fn is_taken(password: &[u8], mac: Mac, rules: &MacAuthentication) -> bool {
    let fixed = rules.password.as_ref();
    password.is_empty()
        || std::str::from_utf8(password).is_ok_and(|text| text.parse() == Ok(mac))
        || fixed.is_some_and(|fixed| fixed.bytes().ct_eq(password).into())
}

/// CHAP does not show the password, so each one that is taken is tried, the likeliest first.
/// `None` when CHAP-Password has not 17 octets.
fn chap_is_taken(request: &Request<'_>, mac: Mac, rules: &MacAuthentication) -> Option<bool> {
    let packet = &request.packet;
    let name = packet.first(attributes::USER_NAME).map(|name| name.value);
    if let Some(name) = name
        && mac_in(packet, attributes::USER_NAME).is_some()
        && hide::chap_matches(packet, name)?
    {
        return Some(true);
    }
    let fixed = rules.password.as_ref().map(|fixed| fixed.bytes());
    for password in [Some(&[][..]), fixed].into_iter().flatten() {
        if hide::chap_matches(packet, password)? {
            return Some(true);
        }
    }
    for spelling in spellings(mac) {
        if hide::chap_matches(packet, spelling.as_bytes())? {
            return Some(true);
        }
    }
    Some(false)
}

/// Every spelling of an address that [`Mac`] reads, mixed case aside.
fn spellings(mac: Mac) -> impl Iterator<Item = String> {
    let grouped = ['-', ':', '.']
        .into_iter()
        .flat_map(|separator| [2, 4, 6].map(|group| (Some(separator), group)));
    std::iter::once((None, 0))
        .chain(grouped)
        .flat_map(move |(separator, group)| {
            [false, true].map(|upper| mac.spell(separator, group, upper))
        })
}
