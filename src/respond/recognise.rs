//! Recognition: sightings pick another class than the one in force.

use jiff::Timestamp;

use super::arrival::port_of;
use crate::bench::{Bench, ChangeKind};
use crate::decide::{Decision, Facts, Trace, decide};
use crate::journal::{Entry, Kind};
use crate::roster::{Effects, Roster, Session};
use crate::wire::{Mac, Packet};

/// A session whose device belongs in another class by now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recognition {
    /// Session number.
    pub session: u64,
    /// Class in force.
    pub from: String,
    /// Class picked.
    pub to: String,
    /// How the decision fell.
    pub trace: Trace,
    /// How the class moves a device that is already on a port.
    pub change: ChangeKind,
}

/// Decides again on each live session of a device that was accepted here, against the request
/// that was accepted and what is known of the device now. The journal hears once of what several
/// sightings in a row pick.
pub fn recognise(
    now: Timestamp,
    bench: &Bench,
    roster: &mut Roster,
    mac: Mac,
) -> (Vec<Recognition>, Effects) {
    let found: Vec<(Recognition, Entry)> = roster
        .sessions()
        .of_mac(mac)
        .filter(|session| session.accepted_here)
        .filter_map(|session| {
            let decision = decide_again(now, bench, roster, session)?;
            (decision.class != session.class)
                .then(|| recognition(now, bench, session, decision))
                .flatten()
        })
        .collect();
    let mut recognitions = Vec::new();
    let mut effects = Effects::default();
    for (recognition, entry) in found {
        let sessions = roster.sessions_mut();
        if sessions.recognised(now, recognition.session, &recognition.to) {
            recognitions.push(recognition);
            effects.entries.push(entry);
        }
    }
    (recognitions, effects)
}

fn decide_again(
    now: Timestamp,
    bench: &Bench,
    roster: &Roster,
    session: &Session,
) -> Option<Decision> {
    let switch = bench.switch(&session.switch)?;
    let request = Packet::parse(&session.request).ok();
    let port = request.and_then(|request| port_of(&request));
    Some(decide(
        &Facts {
            now,
            switch,
            port: port.as_deref(),
            mac: session.mac,
            method: session.method,
            login: session.login.as_ref(),
            request,
            device: session.mac.and_then(|mac| roster.device(mac)),
        },
        &bench.table,
    ))
}

fn recognition(
    now: Timestamp,
    bench: &Bench,
    session: &Session,
    decision: Decision,
) -> Option<(Recognition, Entry)> {
    let class = bench.table.class(&decision.class)?;
    let mut entry = super::engine::session_entry(now, session, "recognised");
    entry.kind = Kind::Recognition;
    entry.reason = format!(
        "{} instead of {}: {}",
        decision.class, session.class, decision.trace.summary
    );
    entry.trace = Some(decision.trace.clone());
    let recognition = Recognition {
        session: session.id,
        from: session.class.clone(),
        to: decision.class,
        trace: decision.trace,
        change: class.change,
    };
    Some((recognition, entry))
}
