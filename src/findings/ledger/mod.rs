//! The memory of devices and sessions, kept up with every request, report and change.

mod asked;
mod changed;
mod reported;

use std::net::{IpAddr, SocketAddr};

use hashlink::LruCache;
use jiff::{SignedDuration, Timestamp};

use super::agenda::{Agenda, Duty, Owed, TrackId};
use super::finding::PacketRef;
use super::read::{self, Method};
use super::tracks::{Flaw, Moment, Seat, SwitchLog, Track};
use crate::wire::registry::attributes as a;
use crate::wire::{Mac, Packet};

/// Switches remembered, by address.
const SWITCHES: usize = 4096;
/// Devices remembered.
const SEATS: usize = 16_384;
/// Sessions remembered.
const TRACKS: usize = 16_384;
/// States given by the bench that are remembered.
const STATES: usize = 8192;

/// Access-Requests remembered with what their answer concerns.
const QUESTIONS: usize = 8192;

/// So many sessions without a sign of accounting are no accident.
const SILENT_SESSIONS: u32 = 3;

/// A Stop may wait for reports before it, which are repeated with ever longer waits.
const REPLACED_WITHIN: SignedDuration = SignedDuration::from_secs(300);

/// What a change set off may take: the link stays down a while, 802.1X is tried first, and a
/// server that did not answer is left alone for a minute.
const DEED_WITHIN: SignedDuration = SignedDuration::from_secs(180);
/// The shortest interim interval that a switch need follow, seconds (RFC 2869 section 5.16).
const LEAST_INTERIM: u32 = 60;

/// The memory.
pub(super) struct Ledger {
    switches: LruCache<IpAddr, SwitchLog>,
    seats: LruCache<(IpAddr, Mac), Seat>,
    tracks: LruCache<TrackId, Track>,
    by_id: LruCache<(IpAddr, Vec<u8>), TrackId>,
    states: LruCache<(IpAddr, Vec<u8>), ()>,
    questions: LruCache<(SocketAddr, u8), Question>,
    agenda: Agenda,
    newest: TrackId,
    none: SwitchLog,
}

/// A request with whom it is about.
#[derive(Clone, Copy)]
pub(super) struct Visit<'a> {
    pub(super) switch: IpAddr,
    pub(super) from: SocketAddr,
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

/// An Access-Request, for answers that leave otherwise than they were meant.
#[derive(Debug, Clone, Copy)]
pub(super) struct Question {
    pub(super) authenticator: [u8; 16],
    /// Whether it had a Message-Authenticator.
    pub(super) sealed: bool,
    method: Method,
    mac: Option<Mac>,
    track: Option<TrackId>,
}

impl Default for Ledger {
    fn default() -> Ledger {
        Ledger {
            switches: LruCache::new(SWITCHES),
            seats: LruCache::new(SEATS),
            tracks: LruCache::new(TRACKS),
            by_id: LruCache::new(TRACKS),
            states: LruCache::new(STATES),
            questions: LruCache::new(QUESTIONS),
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

    /// How many other devices have a session on a port that goes on.
    pub(super) fn running_beside(
        &self,
        switch: IpAddr,
        port: Option<&str>,
        mac: Option<Mac>,
    ) -> usize {
        self.tracks
            .iter()
            .map(|(_, track)| track)
            .filter(|track| track.switch == switch && track.port.as_deref() == port)
            .filter(|track| track.mac != mac && track.runs())
            .count()
    }

    /// The next thing that was owed and not done, where the session shows that it should have.
    pub(super) fn missed(&mut self, now: Timestamp) -> Option<Owed> {
        while let Some(owed) = self.agenda.overdue(now) {
            let Some(track) = self.tracks.peek(&owed.track) else {
                continue;
            };
            let counts = match owed.duty {
                Duty::Start if track.start.is_some() || track.stop.is_some() => false,
                // Its accept may have got lost; several do not.
                Duty::Start if track.last.is_none() => {
                    let log = entry(&mut self.switches, track.switch);
                    log.silent = log.silent.saturating_add(1);
                    log.silent >= SILENT_SESSIONS
                }
                Duty::Start => true,
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
                .owe(old, Duty::StopOfReplaced, since, REPLACED_WITHIN);
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
                line: read::line(&visit.packet),
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
                ordered: None,
                done: None,
                denied: None,
                before: None,
                early: None,
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
                self.agenda
                    .owe(id, Duty::Interim, since, two_intervals(time));
            }
            _ => self.agenda.settle(id, Duty::Interim),
        }
    }
}

/// Two intervals, and a minute for repetitions: one interim update may get stuck.
fn two_intervals(seconds: u32) -> SignedDuration {
    SignedDuration::from_secs(i64::from(seconds) * 2 + 60)
}

/// A time that a switch must keep, with a tenth of tolerance and a minute for repetitions.
fn with_slack(seconds: u32) -> SignedDuration {
    let seconds = i64::from(seconds);
    SignedDuration::from_secs(seconds + seconds / 10 + 60)
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

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use super::*;
    use crate::findings::read::Counts;
    use crate::findings::seen::Status;
    use crate::wire::{Builder, Code, Secret};

    /// Twice as many devices as are remembered, each with a session that owes its timers.
    #[test]
    fn what_is_remembered_is_bounded() {
        let secret = Secret::new("lantern quay radius one");
        let mut ledger = Ledger::default();
        for device in 0..TRACKS as u32 * 2 {
            let [_, a, b, c] = device.to_be_bytes();
            let mac = Mac([2, 0, 0x5e, a, b, c]);
            let mut request = Builder::new(Code::ACCESS_REQUEST, 1);
            request.text(a::ACCT_SESSION_ID, &mac.to_string()).unwrap();
            let request = request.finish_request(&[1; 16], &secret);
            let mut accept = Builder::new(Code::ACCESS_ACCEPT, 1);
            accept.integer(a::SESSION_TIMEOUT, 3600).unwrap();
            accept.integer(a::STATE, device).unwrap();
            let accept = accept.finish_response(&[1; 16], &secret);
            let switch = IpAddr::from(Ipv4Addr::from(0xc000_0200 + device / 4));
            let reference = PacketRef {
                entry: 1,
                packet: 0,
            };
            let visit = Visit {
                switch,
                from: SocketAddr::new(switch, 49_152),
                name: "quay-3",
                mac: Some(mac),
                packet: Packet::parse(&request).unwrap(),
                moment: Moment {
                    at: Timestamp::UNIX_EPOCH,
                    packet: reference,
                },
            };
            let reply = Reply {
                packet: Packet::parse(&accept).unwrap(),
                reference,
                flaw: None,
            };
            ledger.asked(&visit, Method::Mac, None, Some(reply));
            ledger.reported(&visit, Status::Start, Counts::default());
        }
        assert!(ledger.tracks.len() <= TRACKS);
        assert!(ledger.seats.len() <= SEATS + 1);
        assert!(ledger.by_id.len() <= TRACKS + 1);
        assert!(ledger.states.len() <= STATES);
        assert!(ledger.switches.len() <= SWITCHES + 1);
        assert!(ledger.questions.len() <= QUESTIONS);
        assert!(ledger.agenda.len() <= TRACKS * 2);
    }
}
