//! Access-Requests: prove, decide, grant.

use jiff::Timestamp;

use super::arrival::{Dropped, Request, readable};
use super::credentials::{self, Credentials, Proof, Refused};
use super::eap::{self, Conversations};
use super::engine::{Answer, session_entry};
use super::switches::Served;
use super::verdict::{Refusal, Verdict};
use super::{authorize, class_attribute, login, mac_auth, remembered, reply};
use crate::bench::{Bench, MethodName};
use crate::decide::{self, Decision, Facts, decide};
use crate::journal::{Entry, Kind};
use crate::roster::{Admission, Admitted, Effects, MachineLogin, Roster, Session};
use crate::wire::attribute::MAX_VALUE;
use crate::wire::registry::attributes;
use crate::wire::{AttributeBuf, BuildError, Builder, Code, MAX_PACKET};

/// What an Access-Request is answered with the help of.
pub(super) struct Desk<'a> {
    pub(super) bench: &'a Bench,
    pub(super) served: &'a Served,
    pub(super) roster: &'a mut Roster,
    pub(super) conversations: &'a mut Conversations,
    pub(super) rng: &'a mut dyn rand::RngCore,
}

/// What an answer carries besides the grant: EAP-Message and keys.
#[derive(Debug, Default)]
pub(super) struct Carried {
    /// In an accept.
    pub(super) accept: Vec<AttributeBuf>,
    /// In a reject.
    pub(super) reject: Vec<AttributeBuf>,
    /// What to add to the reason of an accept.
    pub(super) note: Option<String>,
}

/// Answers an Access-Request.
pub(super) fn answer(desk: &mut Desk<'_>, request: &Request<'_>) -> Result<Answer, Dropped> {
    let proven = match credentials::kind_of(&request.packet)? {
        Credentials::Eap => return eap::answer(desk, request),
        Credentials::Mac => mac_auth::prove(request, &desk.bench.mac_authentication),
        Credentials::Login => login::prove(request, desk.bench),
        Credentials::AuthorizeOnly => authorize::prove(request, desk.roster),
    };
    match proven {
        Ok(proof) => decide_on(desk, request, proof, &Carried::default()),
        Err(refused) => reject(desk, request, &refused, &Carried::default()),
    }
}

/// Decides on what was proven and answers accordingly.
pub(super) fn decide_on(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    proof: Proof,
    carried: &Carried,
) -> Result<Answer, Dropped> {
    let facts = facts(request, &proof, desk.roster);
    let decision = decide(&facts, &desk.bench.table);
    let served = desk.served;
    let granted = served.grant(&decision.class);
    match (decision.verdict, granted) {
        (decide::Verdict::Accept, Ok(granted)) => match accepting(request, granted, carried) {
            Ok(builder) => accept(desk, request, proof, decision, builder, carried),
            Err(error) => {
                let refused = cannot_spell(&decision, &error.to_string());
                deny(desk, request, &proof, decision, &refused, &[], carried)
            }
        },
        (decide::Verdict::Reject, Ok(granted)) => {
            let refused = Refused::new(Refusal::Denied, decision.trace.summary.clone());
            deny(desk, request, &proof, decision, &refused, granted, carried)
        }
        (_, Err(error)) => {
            let refused = cannot_spell(&decision, error);
            deny(desk, request, &proof, decision, &refused, &[], carried)
        }
    }
}

/// What a decision about a proof is made from.
pub(super) fn facts<'a>(
    request: &'a Request<'_>,
    proof: &'a Proof,
    roster: &'a Roster,
) -> Facts<'a> {
    Facts {
        now: request.arrival.now,
        switch: request.switch,
        port: request.port.as_deref(),
        mac: proof.mac,
        method: proof.method,
        login: proof.login.as_ref(),
        request: Some(request.packet),
        device: proof.mac.and_then(|mac| roster.device(mac)),
    }
}

fn cannot_spell(decision: &Decision, error: &str) -> Refused {
    Refused::new(
        Refusal::CannotSpell,
        format!(
            "{} fits, but its grant can't be sent: {error}",
            decision.class
        ),
    )
}

/// An accept but for its Class attribute, which needs a session.
fn accepting(
    request: &Request<'_>,
    granted: &[AttributeBuf],
    carried: &Carried,
) -> Result<Builder, BuildError> {
    let mut builder = reply::start(Code::ACCESS_ACCEPT, request)?;
    for attribute in granted.iter().chain(&carried.accept) {
        builder.attribute(attribute)?;
    }
    reply::echo_proxy_state(&mut builder, request)?;
    if builder.len() + 2 + class_attribute::LENGTH > MAX_PACKET {
        let kind = attributes::CLASS;
        return Err(BuildError::PacketFull { kind });
    }
    Ok(builder)
}

/// Said where the bench offers 802.1X, because then a workstation without a supplicant is a
/// likely surprise.
const NO_EAPOL: &str =
    "MAC authentication was used: the switch saw no EAPOL, or did not wait for it";

fn accept(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    proof: Proof,
    decision: Decision,
    mut builder: Builder,
    carried: &Carried,
) -> Result<Answer, Dropped> {
    let now = request.arrival.now;
    let mut effects = Effects::default();
    if let Some(mac) = proof.mac {
        let machine = machine_login(now, &proof);
        let why = &decision.trace.summary;
        effects.device(
            desk.roster
                .classify(now, mac, &decision.class, why, machine),
        );
    }
    let mut entry = entry_for(request, &proof, Verdict::Accept, &decision);
    let without_eapol = proof.method == MethodName::Mac && desk.conversations.offers();
    let no_eapol = without_eapol.then_some(NO_EAPOL);
    for note in carried.note.as_deref().into_iter().chain(no_eapol) {
        entry.reason.push_str("; ");
        entry.reason.push_str(note);
    }
    let admitted = admit(desk.roster, request, proof, &decision.class);
    entry.place.session = Some(admitted.id);
    let class = class_attribute::encode(admitted.id, admitted.accepted);
    builder.push(attributes::CLASS, &class)?;
    for session in &admitted.ended {
        effects.entries.push(farewell(request, session, &entry));
    }
    effects.sessions.extend(admitted.ended);
    effects.sessions.extend(admitted.session);
    entry.trace = Some(decision.trace);
    Ok(Answer {
        entry,
        reply: reply::finish(builder, request),
        effects,
    })
}

fn admit(roster: &mut Roster, request: &Request<'_>, proof: Proof, class: &str) -> Admitted {
    let identity = proof.login.as_ref().map(|login| login.identity.clone());
    roster.sessions_mut().admit(
        request.arrival.now,
        Admission {
            switch: &request.switch.name,
            address: request.address(),
            port: request.port.as_deref(),
            mac: proof.mac,
            identity: identity.as_deref(),
            method: proof.method,
            class,
            request: remembered::remember(&request.packet),
            login: proof.login,
            accounting_id: request.packet.text(attributes::ACCT_SESSION_ID),
        },
    )
}

fn machine_login(now: Timestamp, proof: &Proof) -> Option<MachineLogin> {
    let login = proof.login.as_ref().filter(|login| login.machine)?;
    Some(MachineLogin {
        at: now,
        name: login.account.as_ref().unwrap_or(&login.identity).clone(),
        groups: login.groups.clone(),
    })
}

/// The entry for a session that this accept put an end to.
fn farewell(request: &Request<'_>, ended: &Session, accept: &Entry) -> Entry {
    let elsewhere = ended.port != accept.place.port || ended.address != request.address();
    let moved = elsewhere && ended.mac == accept.place.mac;
    let verdict = if moved { "moved" } else { "ended" };
    session_entry(request.arrival.now, ended, verdict)
}

/// Rejects what was proven but is not let in.
fn deny(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    proof: &Proof,
    decision: Decision,
    refused: &Refused,
    granted: &[AttributeBuf],
    carried: &Carried,
) -> Result<Answer, Dropped> {
    let now = request.arrival.now;
    let mut effects = Effects::default();
    if let Some(mac) = proof.mac {
        effects.device(match refused.refusal {
            Refusal::Denied => {
                let why = &refused.reason;
                desk.roster.classify(now, mac, &decision.class, why, None)
            }
            _ => desk.roster.see(now, mac),
        });
    }
    let mut entry = entry_for(request, proof, Verdict::Reject(refused.refusal), &decision);
    entry.reason = refused.reason.clone().into_owned();
    entry.trace = Some(decision.trace);
    let reply = rejecting(desk.bench, request, refused, granted, carried)?;
    Ok(Answer {
        entry,
        reply,
        effects,
    })
}

/// Rejects what proved nothing.
pub(super) fn reject(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    refused: &Refused,
    carried: &Carried,
) -> Result<Answer, Dropped> {
    let mut effects = Effects::default();
    let mut entry = request.arrival.entry(
        Kind::Access,
        Verdict::Reject(refused.refusal),
        refused.reason.clone().into_owned(),
    );
    entry.place = request.place();
    entry.place.identity = request
        .packet
        .first(attributes::USER_NAME)
        .map(|name| readable(name.value).into_owned());
    if let Some(mac) = entry.place.mac {
        effects.device(desk.roster.see(request.arrival.now, mac));
    }
    Ok(Answer {
        entry,
        reply: rejecting(desk.bench, request, refused, &[], carried)?,
        effects,
    })
}

/// A reject has room for a message and nothing else of a grant (RFC 2865 section 5.44), and with
/// EAP not for that either (RFC 3579 section 2.6.5). A message of the class goes before the reason.
fn rejecting(
    bench: &Bench,
    request: &Request<'_>,
    refused: &Refused,
    granted: &[AttributeBuf],
    carried: &Carried,
) -> Result<Vec<u8>, Dropped> {
    let mut builder = reply::start(Code::ACCESS_REJECT, request)?;
    let message = granted.iter().find(|a| a.kind == attributes::REPLY_MESSAGE);
    match message {
        _ if !carried.reject.is_empty() => {}
        Some(message) => {
            builder.attribute(message)?;
        }
        None if bench.answers.reasons => {
            let reason = &refused.reason;
            let fits = reason.floor_char_boundary(MAX_VALUE);
            builder.text(attributes::REPLY_MESSAGE, reason.get(..fits).unwrap_or(""))?;
        }
        None => {}
    }
    for attribute in &carried.reject {
        builder.attribute(attribute)?;
    }
    reply::echo_proxy_state(&mut builder, request)?;
    Ok(reply::finish(builder, request))
}

fn entry_for(request: &Request<'_>, proof: &Proof, verdict: Verdict, decision: &Decision) -> Entry {
    let reason = decision.trace.summary.clone();
    let mut entry = request.arrival.entry(Kind::Access, verdict, reason);
    entry.place = request.place();
    entry.place.mac = proof.mac.or(entry.place.mac);
    entry.place.identity = proof.login.as_ref().map(|login| login.identity.clone());
    entry.place.class = Some(decision.class.clone());
    entry
}
