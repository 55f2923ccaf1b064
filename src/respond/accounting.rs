//! Accounting-Requests, kept as sessions (RFC 2866).

use jiff::Timestamp;

use super::arrival::{Dropped, Request};
use super::engine::{Answer, session_entry};
use super::remembered;
use super::reply;
use super::report::{FoundBy, Report};
use super::verdict::{Recorded, Silence, Verdict};
use crate::bench::MethodName;
use crate::journal::Kind;
use crate::roster::{Effects, Roster, Session, SessionState};
use crate::wire::registry::attributes;
use crate::wire::{Code, Packet};

/// What an Accounting-Request must not carry (RFC 2866 section 4.1).
const FORBIDDEN: [u8; 4] = [
    attributes::USER_PASSWORD,
    attributes::CHAP_PASSWORD,
    attributes::REPLY_MESSAGE,
    attributes::STATE,
];

/// What recording left: the session, and the line that says what was done.
#[derive(Default)]
struct Note {
    session: Option<Session>,
    reason: String,
    breach: Option<&'static str>,
    effects: Effects,
}

/// Records an Accounting-Request and answers it. The shell sends the answer once the effects are
/// stored, so nothing is acknowledged that was not recorded (RFC 2866 section 4.1).
pub(super) fn answer(roster: &mut Roster, request: &Request<'_>) -> Result<Answer, Dropped> {
    let status = request
        .packet
        .integer(attributes::ACCT_STATUS_TYPE)
        .ok_or_else(|| {
            Dropped::new(
                Silence::NoStatusType,
                "an Accounting-Request without Acct-Status-Type reports nothing",
            )
            .breaking("RFC 2866 section 5.13")
        })?;
    let now = request.arrival.now;
    let report = Report::read(request);
    // Values by RFC 2866 section 5.1.
    let (recorded, note) = match status {
        1 => (Recorded::Start, start(now, roster, request, &report)),
        2 => (Recorded::Stop, stop(now, roster, &report)),
        3 => (Recorded::Interim, interim(now, roster, request, &report)),
        7 => (
            Recorded::On,
            restart(now, roster, &report, "came up (Accounting-On)"),
        ),
        8 => (
            Recorded::Off,
            restart(now, roster, &report, "goes down (Accounting-Off)"),
        ),
        other => (
            Recorded::Other,
            remark(format!("status type {other} is noted, no more")),
        ),
    };
    respond(roster, request, &report, recorded, note)
}

fn respond(
    roster: &mut Roster,
    request: &Request<'_>,
    report: &Report<'_>,
    recorded: Recorded,
    note: Note,
) -> Result<Answer, Dropped> {
    let mut effects = note.effects;
    let mut entry =
        request
            .arrival
            .entry(Kind::Accounting, Verdict::Recorded(recorded), note.reason);
    entry.place = request.place();
    entry.place.mac = report.mac;
    if let Some(session) = &note.session {
        entry.place.session = Some(session.id);
        entry.place.identity.clone_from(&session.identity);
        entry.place.class = Some(session.class.clone()).filter(|class| !class.is_empty());
    }
    entry.breach = breach_of(&request.packet, recorded)
        .or(note.breach)
        .map(str::to_owned);
    if let Some(mac) = report.mac {
        effects.device(roster.see(request.arrival.now, mac));
    }
    effects.sessions.extend(note.session);
    let mut builder = reply::bare(Code::ACCOUNTING_RESPONSE, request);
    reply::echo_proxy_state(&mut builder, request)?;
    Ok(Answer {
        entry,
        reply: reply::finish(builder, request),
        effects,
    })
}

fn breach_of(packet: &Packet<'_>, recorded: Recorded) -> Option<&'static str> {
    let has = |kind: &u8| packet.first(*kind).is_some();
    if FORBIDDEN.iter().any(has) {
        return Some("RFC 2866 section 4.1");
    }
    let about_session = !matches!(recorded, Recorded::On | Recorded::Off);
    (about_session && !has(&attributes::ACCT_SESSION_ID)).then_some("RFC 2866 section 5.5")
}

fn start(now: Timestamp, roster: &mut Roster, request: &Request<'_>, report: &Report<'_>) -> Note {
    let mut note = match report.session(roster, true) {
        None => unknown(now, roster, request, report, "a Start"),
        Some((session, _)) if overtaken(session, report) => overtaken_note(session),
        // The Start of a session that the switch began on its own while no server answered, sent
        // late: the session here was asked for under another name.
        Some((session, FoundBy::Place)) if session.is_live() && report.contradicts(session) => {
            about_another(session)
        }
        Some((session, by)) => {
            let renamed = report.is_about_another(session) && session.is_live();
            let earlier = session.acct_session_id.clone().filter(|_| renamed);
            let (id, mut note) = (session.id, found(session, by, report));
            note.session = roster.sessions_mut().update(id, |session| {
                run(now, session, report);
                session.started = Some(now);
            });
            note.reason = match earlier {
                None => format!("session {id} runs{}", note.reason),
                Some(earlier) => format!(
                    "session {id} runs anew{}; its accounting as {earlier} had no Stop",
                    note.reason
                ),
            };
            note
        }
    };
    if let (Some(mac), Some(session)) = (report.mac, &note.session)
        && session.is_live()
    {
        for moved in roster.sessions_mut().end_others(now, mac, session.id) {
            note.effects
                .entries
                .push(session_entry(now, &moved, "moved"));
            note.effects.sessions.push(moved);
        }
    }
    note
}

fn interim(
    now: Timestamp,
    roster: &mut Roster,
    request: &Request<'_>,
    report: &Report<'_>,
) -> Note {
    match report.session(roster, false) {
        None => unknown(now, roster, request, report, "an interim update"),
        Some((session, _)) if overtaken(session, report) => overtaken_note(session),
        Some((session, _)) if report.is_about_another(session) && session.is_live() => {
            about_another(session)
        }
        Some((session, by)) => {
            let back = if session.is_live() { "" } else { " after all" };
            let (id, mut note) = (session.id, found(session, by, report));
            note.session = roster.sessions_mut().update(id, |session| {
                run(now, session, report);
            });
            note.reason = format!("session {id} goes on{back}{}", note.reason);
            note
        }
    }
}

fn stop(now: Timestamp, roster: &mut Roster, report: &Report<'_>) -> Note {
    match report.session(roster, false) {
        None => remark(format!(
            "a Stop ({}) of a session that is not known here",
            report.cause()
        )),
        Some((session, _)) if report.is_about_another(session) => about_another(session),
        Some((session, by)) => {
            let (id, mut note) = (session.id, found(session, by, report));
            let again = if session.is_live() {
                "ended"
            } else {
                "was over already"
            };
            let cause = report.cause();
            note.reason = format!("session {id} {again}: {cause}{}", note.reason);
            note.session = roster.sessions_mut().update(id, |session| {
                hear(now, session, report);
                let at = match session.state {
                    SessionState::Ended { at, .. } => at,
                    _ => now,
                };
                session.state = SessionState::Ended { at, cause };
            });
            note
        }
    }
}

/// Accounting-On and -Off end every session of the switch that began before (RFC 2866
/// section 5.1): it has forgotten them.
fn restart(now: Timestamp, roster: &mut Roster, report: &Report<'_>, what: &str) -> Note {
    let sessions = roster.sessions_mut();
    let over: Vec<u64> = sessions
        .of_address(report.address)
        .filter(|session| session.accepted <= report.by)
        .map(|session| session.id)
        .collect();
    let mut note = remark(format!(
        "the switch {what}, which ends {} of its sessions",
        over.len()
    ));
    let cause = format!("the switch {what}");
    for id in over {
        if let Some(session) = sessions.end(now, id, &cause) {
            note.effects
                .entries
                .push(session_entry(now, &session, "ended"));
            note.effects.sessions.push(session);
        }
    }
    note
}

/// A session that accounting tells of and no accept of this bench began.
fn unknown(
    now: Timestamp,
    roster: &mut Roster,
    request: &Request<'_>,
    report: &Report<'_>,
    what: &str,
) -> Note {
    let session = Session {
        id: 0,
        switch: report.switch.to_owned(),
        address: report.address,
        port: report.port.map(str::to_owned),
        mac: report.mac,
        identity: report.name.clone().map(std::borrow::Cow::into_owned),
        method: MethodName::Mac,
        class: String::new(),
        request: remembered::remember(&request.packet),
        login: None,
        acct_session_id: report.accounting_id.map(str::to_owned),
        accepted: now,
        accepted_here: false,
        started: Some(now),
        last_heard: now,
        octets: report.octets.unwrap_or_default(),
        state: SessionState::Running,
    };
    let (session, crowded_out) = roster.sessions_mut().add(now, session);
    let mut note = remark(format!(
        "{what} of a session that was not accepted here; it is session {} now",
        session.id
    ));
    note.effects.sessions.extend(crowded_out);
    note.session = Some(session);
    note
}

fn run(now: Timestamp, session: &mut Session, report: &Report<'_>) {
    hear(now, session, report);
    session.state = SessionState::Running;
    if let Some(id) = report.accounting_id {
        session.acct_session_id = Some(id.to_owned());
    }
}

fn hear(now: Timestamp, session: &mut Session, report: &Report<'_>) {
    session.last_heard = session.last_heard.max(now);
    if let Some(octets) = report.octets {
        session.octets = octets;
    }
}

fn overtaken(session: &Session, report: &Report<'_>) -> bool {
    matches!(session.state, SessionState::Ended { at, .. } if report.is_late(session, at))
}

fn overtaken_note(session: &Session) -> Note {
    Note {
        session: Some(session.clone()),
        ..remark(format!(
            "session {} was over before this arrived",
            session.id
        ))
    }
}

fn about_another(session: &Session) -> Note {
    remark(format!(
        "about an earlier Acct-Session-Id of the port; session {} is left as it is",
        session.id
    ))
}

fn found(session: &Session, by: FoundBy, report: &Report<'_>) -> Note {
    let how = match by {
        FoundBy::Class => "",
        FoundBy::AccountingId => ", found by Acct-Session-Id",
        FoundBy::Place => ", found by device and port",
    };
    let kept_class = by == FoundBy::Class || report.has_class() || !session.accepted_here;
    let mut note = remark(how.to_owned());
    if !kept_class {
        note.reason.push_str(" because Class did not come back");
        note.breach = Some("RFC 2865 section 5.25");
    }
    note
}

fn remark(reason: String) -> Note {
    Note {
        reason,
        ..Note::default()
    }
}
