//! Authorize-Only: the switch asks again what an authenticated session may do (RFC 5176
//! section 3.2), after a change that began with Error-Cause 507.

use super::arrival::Request;
use super::credentials::{Proof, Refused};
use super::verdict::Refusal;
use crate::roster::{Roster, Session};
use crate::wire::registry::attributes;

/// What the session in question proved when it was accepted.
pub(super) fn prove(request: &Request<'_>, roster: &Roster) -> Result<Proof, Refused> {
    let session = find(request, roster).ok_or_else(|| {
        Refused::new(
            Refusal::NoSession,
            "Authorize-Only, but no session that was accepted here fits the request",
        )
    })?;
    Ok(Proof {
        method: session.method,
        mac: session.mac,
        login: session.login.clone(),
    })
}

fn find<'a>(request: &Request<'_>, roster: &'a Roster) -> Option<&'a Session> {
    let address = request.address();
    let sessions = roster.sessions();
    let by_id = request
        .packet
        .text(attributes::ACCT_SESSION_ID)
        .and_then(|id| sessions.by_accounting_id(address, id));
    let name = &request.switch.name;
    by_id
        .or_else(|| sessions.at_place(address, name, request.port.as_deref(), request.station))
        .filter(|session| session.accepted_here && session.is_live())
}
