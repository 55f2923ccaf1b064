//! The memory of devices and sessions, kept up with every request, report and change.

use std::net::IpAddr;

use hashlink::LruCache;
use jiff::{SignedDuration, Timestamp};

use super::agenda::{Agenda, Duty, Owed, TrackId};
use super::finding::PacketRef;
use super::granted::Granted;
use super::read::{self, Counts, Eap, Method};
use super::seen::Status;
use super::tracks::{Accept, Challenge, Flaw, Last, Moment, Refusals, Seat, SwitchLog, Track};
use crate::bench::ChangeKind;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac, Packet};

/// Switches remembered, by address.
const SWITCHES: usize = 4096;
/// Devices remembered.
const SEATS: usize = 16_384;
/// Sessions remembered.
const TRACKS: usize = 16_384;
/// States given by the bench that are remembered.
const STATES: usize = 8192;

/// A Start may wait for the device's address (common practice, no source).
const START_WITHIN: SignedDuration = SignedDuration::from_secs(60);
/// A Stop may wait for the report before it to be answered.
const STOP_WITHIN: SignedDuration = SignedDuration::from_secs(30);
/// What a change set off may take: the link stays down a while, 802.1X is tried first.
const DEED_WITHIN: SignedDuration = SignedDuration::from_secs(60);
/// Asking again sooner than this after a reject is no wait.
const HASTY: std::time::Duration = std::time::Duration::from_secs(5);
/// The shortest interim interval that a switch need follow, seconds (RFC 2869 section 5.16).
const LEAST_INTERIM: u32 = 60;

/// The memory.
pub(super) struct Ledger {
    switches: LruCache<IpAddr, SwitchLog>,
    seats: LruCache<(IpAddr, Mac), Seat>,
    tracks: LruCache<TrackId, Track>,
    by_id: LruCache<(IpAddr, Vec<u8>), TrackId>,
    states: LruCache<(IpAddr, Vec<u8>), ()>,
    agenda: Agenda,
    newest: TrackId,
    none: SwitchLog,
}

/// A request with whom it is about.
#[derive(Clone, Copy)]
pub(super) struct Visit<'a> {
    pub(super) switch: IpAddr,
    /// Switch entry.
    pub(super) name: &'a str,
    pub(super) mac: Option<Mac>,
    pub(super) packet: Packet<'a>,
    pub(super) moment: Moment,
}

/// The answer that the bench gave.
#[derive(Clone, Copy)]
pub(super) struct Reply<'a> {
    pub(super) packet: Packet<'a>,
    pub(super) reference: PacketRef,
    pub(super) flaw: Option<Flaw>,
}

impl Default for Ledger {
    fn default() -> Ledger {
        Ledger {
            switches: LruCache::new(SWITCHES),
            seats: LruCache::new(SEATS),
            tracks: LruCache::new(TRACKS),
            by_id: LruCache::new(TRACKS),
            states: LruCache::new(STATES),
            agenda: Agenda::default(),
            newest: 0,
            none: SwitchLog::default(),
        }
    }
}

impl Ledger {
    pub(super) fn switch(&self, switch: IpAddr) -> &SwitchLog {
        self.switches.peek(&switch).unwrap_or(&self.none)
    }

    pub(super) fn seat(&self, switch: IpAddr, mac: Option<Mac>) -> Option<&Seat> {
        self.seats.peek(&(switch, mac?))
    }

    pub(super) fn track(&self, id: TrackId) -> Option<&Track> {
        self.tracks.peek(&id)
    }

    pub(super) fn gave_state(&self, switch: IpAddr, state: &[u8]) -> bool {
        self.states.peek(&(switch, state.to_vec())).is_some()
    }

    /// A State left for a switch.
    pub(super) fn give_state(&mut self, switch: IpAddr, packet: &Packet<'_>) {
        for state in packet.all(a::STATE) {
            self.states.insert((switch, state.value.to_vec()), ());
        }
    }

    /// The session that an Access-Request asks about again; `None` when a new one begins.
    pub(super) fn asked_again(&self, visit: &Visit<'_>) -> Option<TrackId> {
        let id = self.seat(visit.switch, visit.mac)?.track?;
        let track = self.track(id)?;
        let other = |known: Option<&[u8]>, now: Option<&[u8]>| match (known, now) {
            (Some(known), Some(now)) => known != now,
            _ => false,
        };
        let session = read::session_id(&visit.packet);
        let port = read::port(&visit.packet);
        let known = track.reported_as.as_deref().or(track.asked_as.as_deref());
        let renamed = other(known, session.as_deref())
            && other(track.asked_as.as_deref(), session.as_deref());
        let moved = matches!((&track.port, &port), (Some(known), Some(now)) if known != now);
        (!renamed && !moved && track.stop.is_none()).then_some(id)
    }

    /// The session that a report is about.
    pub(super) fn reported_of(&self, visit: &Visit<'_>) -> Option<TrackId> {
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

    /// The session that a change is about.
    pub(super) fn changed_of(
        &self,
        switch: IpAddr,
        mac: Option<Mac>,
        request: &Packet<'_>,
    ) -> Option<TrackId> {
        let by_id = read::session_id(request)
            .and_then(|session| self.by_id.peek(&(switch, session)))
            .copied();
        by_id.or_else(|| {
            self.seat(switch, mac.or_else(|| read::device(request)))?
                .track
        })
    }

    /// An Access-Request and its answer.
    pub(super) fn asked(
        &mut self,
        visit: &Visit<'_>,
        method: Method,
        eap: Option<&Eap>,
        reply: Option<Reply<'_>>,
    ) {
        let again = self.asked_again(visit);
        self.came_back(visit, again);
        if let Some(reply) = &reply {
            self.give_state(visit.switch, &reply.packet);
        }
        let accepted = reply.filter(|reply| reply.packet.code() == Code::ACCESS_ACCEPT);
        let track = accepted.map(|reply| self.accepted(visit, again, &reply));
        let Some(mac) = visit.mac else {
            return;
        };
        let seat = entry(&mut self.seats, (visit.switch, mac));
        if let Some(identity) = eap.and_then(|eap| eap.identity.clone()) {
            seat.identity = Some((visit.moment, identity));
        }
        if let Some(reply) = reply {
            answer_seat(seat, visit, method, &reply);
        }
        if track.is_some() {
            seat.track = track;
        }
    }

    /// An Accounting-Request.
    pub(super) fn reported(&mut self, visit: &Visit<'_>, status: Status, counts: Counts) {
        let log = entry(&mut self.switches, visit.switch);
        log.accounting.get_or_insert(visit.moment);
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

    /// A change was acknowledged.
    pub(super) fn acknowledged(
        &mut self,
        id: TrackId,
        kind: ChangeKind,
        moment: Moment,
        request: &Packet<'_>,
    ) {
        let Some(track) = self.tracks.get_mut(&id) else {
            return;
        };
        track.done = Some((kind, moment));
        if kind == ChangeKind::Regrant
            && let Some(accept) = &mut track.accept
        {
            let amended = accept.granted.amended(Granted::read(request));
            let before = std::mem::replace(&mut accept.granted, amended);
            track.before = Some((moment, before));
            self.owe_times(id, moment);
            return;
        }
        let (duty, within) = match kind {
            ChangeKind::Disconnect => (Duty::StopAfterDisconnect, STOP_WITHIN),
            ChangeKind::Bounce => (Duty::DropAfterBounce, DEED_WITHIN),
            _ => (Duty::RequestAfterReauth, DEED_WITHIN),
        };
        self.agenda
            .owe(id, duty, (moment.at, moment.packet), within);
    }

    /// A NAK said that there is no such session.
    pub(super) fn denied(&mut self, id: TrackId, moment: Moment) {
        if let Some(track) = self.tracks.get_mut(&id) {
            track.denied = Some(moment);
        }
    }

    /// The next thing that was owed and not done, where the session shows that it should have.
    pub(super) fn missed(&mut self, now: Timestamp) -> Option<Owed> {
        while let Some(owed) = self.agenda.overdue(now) {
            let Some(track) = self.tracks.peek(&owed.track) else {
                continue;
            };
            let counts = match owed.duty {
                Duty::Start => track.start.is_none() && track.stop.is_none(),
                _ => track.runs(),
            };
            if counts {
                return Some(owed);
            }
        }
        None
    }

    /// Nothing is owed any more: nobody was there to see it done.
    pub(super) fn forget_owed(&mut self) {
        self.agenda.forget();
    }

    /// A device asked: a bounce or a re-authentication had its effect, a session its due.
    fn came_back(&mut self, visit: &Visit<'_>, again: Option<TrackId>) {
        let current = self
            .seat(visit.switch, visit.mac)
            .and_then(|seat| seat.track);
        if let Some(id) = current {
            self.agenda.settle(id, Duty::DropAfterBounce);
            self.agenda.settle(id, Duty::RequestAfterReauth);
        }
        if let Some(id) = again {
            self.agenda.settle(id, Duty::Reauthentication);
            self.agenda.settle(id, Duty::End);
        }
    }

    fn accepted(
        &mut self,
        visit: &Visit<'_>,
        again: Option<TrackId>,
        reply: &Reply<'_>,
    ) -> TrackId {
        let log = entry(&mut self.switches, visit.switch);
        log.accepts = log.accepts.saturating_add(1);
        let moment = Moment {
            at: visit.moment.at,
            packet: reply.reference,
        };
        log.first_accept.get_or_insert(moment);
        let accounts = log.accounting.is_some();
        let id = again.unwrap_or_else(|| self.begin(visit));
        let session = read::session_id(&visit.packet);
        self.name(visit.switch, id, session.as_deref());
        if let Some(track) = self.tracks.get_mut(&id) {
            if session.is_some() {
                track.asked_as = session;
            }
            let earlier = track.accept.take();
            track.accept = Some(Accept {
                moment,
                first: earlier.as_ref().map_or(moment.at, |earlier| earlier.first),
                granted: Granted::read(&reply.packet),
                earlier_class: earlier.map_or_else(Vec::new, |earlier| earlier.granted.class),
                flaw: reply.flaw,
            });
            track.before = None;
            if track.start.is_none() && accounts {
                let since = (moment.at, moment.packet);
                self.agenda.owe(id, Duty::Start, since, START_WITHIN);
            }
        }
        self.owe_times(id, moment);
        id
    }

    /// A new session of a device; the one before owes its Stop.
    fn begin(&mut self, visit: &Visit<'_>) -> TrackId {
        let replaced = self
            .seat(visit.switch, visit.mac)
            .and_then(|seat| seat.track);
        if let Some(old) = replaced
            && self.track(old).is_some_and(Track::runs)
        {
            self.agenda.settle_all(old);
            let since = (visit.moment.at, visit.moment.packet);
            self.agenda
                .owe(old, Duty::StopOfReplaced, since, DEED_WITHIN);
        }
        self.newest += 1;
        let id = self.newest;
        if self.tracks.len() >= TRACKS
            && let Some((oldest, _)) = self.tracks.remove_lru()
        {
            self.agenda.settle_all(oldest);
        }
        self.tracks.insert(
            id,
            Track {
                switch: visit.switch,
                name: visit.name.to_owned(),
                port: read::port(&visit.packet),
                mac: visit.mac,
                asked_as: None,
                reported_as: None,
                reuses: None,
                accept: None,
                start: None,
                start_stamp: None,
                stop: None,
                last: None,
                interims: 0,
                still: None,
                done: None,
                denied: None,
                before: None,
            },
        );
        id
    }

    /// Enters a session under its Acct-Session-Id, and notes when another one had it.
    fn name(&mut self, switch: IpAddr, id: TrackId, session: Option<&[u8]>) {
        let Some(session) = session else {
            return;
        };
        let earlier = self.by_id.insert((switch, session.to_vec()), id);
        let start = earlier
            .filter(|earlier| *earlier != id)
            .and_then(|earlier| self.tracks.peek(&earlier)?.start);
        if let (Some(start), Some(track)) = (start, self.tracks.get_mut(&id)) {
            track.reuses = Some(start);
        }
    }

    /// What the times of the grant in force oblige the switch to, counted from `moment`.
    fn owe_times(&mut self, id: TrackId, moment: Moment) {
        let Some((granted, started)) = self.tracks.peek(&id).and_then(|track| {
            let accept = track.accept.as_ref()?;
            Some((&accept.granted, track.start.is_some()))
        }) else {
            return;
        };
        let since = (moment.at, moment.packet);
        self.agenda.settle(id, Duty::Reauthentication);
        self.agenda.settle(id, Duty::End);
        if let Some(time) = granted.session_timeout {
            let duty = if granted.again {
                Duty::Reauthentication
            } else {
                Duty::End
            };
            self.agenda.owe(id, duty, since, with_slack(time));
        }
        match granted.interim.filter(|time| *time >= LEAST_INTERIM) {
            Some(time) if started => {
                self.agenda.owe(id, Duty::Interim, since, with_slack(time));
            }
            _ => self.agenda.settle(id, Duty::Interim),
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
        note_counts(track, visit.moment, status, counts);
        self.agenda.settle(id, Duty::Start);
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
            self.agenda.owe(id, Duty::Interim, since, with_slack(time));
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

/// Puts the answer to its last request into a device's memory.
fn answer_seat(seat: &mut Seat, visit: &Visit<'_>, method: Method, reply: &Reply<'_>) {
    let moment = Moment {
        at: visit.moment.at,
        packet: reply.reference,
    };
    seat.challenge = None;
    match reply.packet.code() {
        Code::ACCESS_CHALLENGE => {
            seat.challenge = Some(Challenge {
                moment,
                state: reply
                    .packet
                    .first(a::STATE)
                    .map(|state| state.value.to_vec()),
                eap: read::eap(&reply.packet).map(|eap| eap.identifier),
            });
        }
        Code::ACCESS_ACCEPT => {
            seat.refusals = None;
            if method == Method::Mac {
                seat.let_in_by_mac = Some(moment);
            }
        }
        Code::ACCESS_REJECT => {
            let earlier = seat.refusals.filter(|refusals| {
                refusals.method == method && refusals.last.ago(moment.at) < HASTY
            });
            seat.refusals = Some(Refusals {
                method,
                last: moment,
                hasty: earlier.map_or(0, |earlier| earlier.hasty + 1),
            });
        }
        _ => {}
    }
}

fn note_counts(track: &mut Track, moment: Moment, status: Status, counts: Counts) {
    let stands = track.last.as_ref().is_some_and(|last| {
        (last.counts.input, last.counts.output) == (counts.input, counts.output)
    });
    if !stands || counts.input.is_none() {
        track.still = Some(moment);
    }
    track.last = Some(Last {
        moment,
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

/// A time that a switch must keep, with a tenth and ten seconds of tolerance.
fn with_slack(seconds: u32) -> SignedDuration {
    let seconds = i64::from(seconds);
    SignedDuration::from_secs(seconds + seconds / 10 + 10)
}

fn entry<K: std::hash::Hash + Eq + Clone, V: Default>(
    cache: &mut LruCache<K, V>,
    key: K,
) -> &mut V {
    // `get` marks it as used, `insert` keeps the bound.
    if cache.get(&key).is_none() {
        cache.insert(key.clone(), V::default());
    }
    cache.entry(key).or_insert_with(V::default)
}
