//! Accounting-Requests.

use std::net::IpAddr;

use jiff::Timestamp;

use super::{Duty, LEAST_INTERIM, Ledger, TrackId, Visit, entry, two_intervals};
use crate::findings::read::{self, Counts};
use crate::findings::seen::Status;
use crate::findings::tracks::{Last, Moment, Track};
use crate::wire::Packet;
use crate::wire::registry::attributes as a;

impl Ledger {
    /// The session that a report is about.
    pub(in crate::findings) fn reported_of(&self, visit: &Visit<'_>) -> Option<TrackId> {
        let session = read::session_id(&visit.packet);
        let of_device = |id: &TrackId| {
            self.track(*id)
                .is_some_and(|track| visit.mac.is_none() || track.mac == visit.mac)
        };
        let by_id = session
            .clone()
            .and_then(|session| self.by_id.peek(&(visit.switch, session)))
            .copied()
            .filter(of_device);
        if by_id.is_some() {
            return by_id;
        }
        let id = self.seat(visit.switch, visit.mac)?.track?;
        let track = self.track(id).filter(|track| track.stop.is_none())?;
        let unnamed = track.asked_as.is_none() && track.reported_as.is_none();
        (unnamed || session.is_none() || brings_class(track, &visit.packet)).then_some(id)
    }

    /// An Accounting-Request.
    pub(in crate::findings) fn reported(
        &mut self,
        visit: &Visit<'_>,
        status: Status,
        counts: Counts,
    ) {
        let log = entry(&mut self.switches, visit.switch);
        log.accounting.get_or_insert(visit.moment);
        if status.is_of_session() {
            log.silent = 0;
        }
        match status {
            Status::On => {
                log.off = None;
                self.restarted(visit.switch);
            }
            Status::Off => {
                log.off = Some(visit.moment);
                self.restarted(visit.switch);
            }
            Status::Start | Status::Stop | Status::Interim => {
                self.reported_session(visit, status, counts);
            }
            Status::Other => {}
        }
    }

    /// A record came once more: what stands behind it in the switch's queue waits as long again.
    pub(in crate::findings) fn repeated(&mut self, visit: &Visit<'_>) {
        if let Some(id) = self.reported_of(visit) {
            for duty in [
                Duty::StopOfReplaced,
                Duty::StopAfterDisconnect,
                Duty::Interim,
            ] {
                self.agenda.put_off(id, duty, visit.moment.at);
            }
        }
    }

    fn reported_session(&mut self, visit: &Visit<'_>, status: Status, counts: Counts) {
        let id = self.reported_of(visit).unwrap_or_else(|| {
            let id = self.begin(visit);
            if let Some(mac) = visit.mac {
                entry(&mut self.seats, (visit.switch, mac)).track = Some(id);
            }
            id
        });
        let session = read::session_id(&visit.packet);
        self.name(visit.switch, id, session.as_deref());
        let Some(track) = self.tracks.get_mut(&id) else {
            return;
        };
        if session.is_some() {
            track.reported_as = session;
        }
        let made = read::made(&visit.packet, visit.moment.at);
        note_counts(track, visit.moment, made, status, counts);
        if status != Status::Interim {
            self.agenda.settle(id, Duty::Start);
        }
        match status {
            Status::Start => {
                track.start.get_or_insert(visit.moment);
                track.start_stamp = read::stamp(&visit.packet);
            }
            Status::Interim => track.interims = track.interims.saturating_add(1),
            _ => {
                track.stop.get_or_insert(visit.moment);
                self.agenda.settle_all(id);
                return;
            }
        }
        let interim = track
            .accept
            .as_ref()
            .and_then(|accept| accept.granted.interim)
            .filter(|time| *time >= LEAST_INTERIM);
        if let Some(time) = interim {
            let since = (visit.moment.at, visit.moment.packet);
            self.agenda
                .owe(id, Duty::Interim, since, two_intervals(time));
        }
    }

    /// A switch that comes up or goes down has no sessions (RFC 2866 section 5.1).
    fn restarted(&mut self, switch: IpAddr) {
        let over: Vec<TrackId> = self
            .tracks
            .iter()
            .filter(|(_, track)| track.switch == switch)
            .map(|(id, _)| *id)
            .collect();
        for id in over {
            self.agenda.settle_all(id);
            if let Some(track) = self.tracks.peek_mut(&id) {
                let end = track.start;
                track.stop = track.stop.or(end);
            }
        }
        for (key, seat) in self.seats.iter_mut() {
            if key.0 == switch {
                seat.track = None;
            }
        }
    }
}

fn note_counts(track: &mut Track, moment: Moment, made: Timestamp, status: Status, counts: Counts) {
    let stands = track.last.as_ref().is_some_and(|last| {
        (last.counts.input, last.counts.output) == (counts.input, counts.output)
    });
    if !stands || counts.input.is_none() {
        track.still = Some(moment);
    }
    track.last = Some(Last {
        moment,
        made,
        status,
        counts,
    });
}

/// Whether a report brings back the Class of a session.
fn brings_class(track: &Track, packet: &Packet<'_>) -> bool {
    track.accept.as_ref().is_some_and(|accept| {
        packet.all(a::CLASS).any(|class| {
            accept
                .granted
                .class
                .iter()
                .any(|given| given == class.value)
        })
    })
}
