//! What a switch still owes, and by when.

use std::collections::{BTreeSet, HashMap};

use jiff::{SignedDuration, Timestamp};

use super::finding::PacketRef;

/// Number of a session track.
pub(super) type TrackId = u64;

/// Things that a switch owes of a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) enum Duty {
    /// An accounting Start after an accept.
    Start,
    /// A Stop of a session that another one of its device replaced.
    StopOfReplaced,
    /// An interim update at the interval granted.
    Interim,
    /// A re-authentication at Session-Timeout with Termination-Action RADIUS-Request.
    Reauthentication,
    /// The end at Session-Timeout.
    End,
    /// A Stop after a Disconnect-ACK.
    StopAfterDisconnect,
    /// A Stop or a new request after an acknowledged bounce.
    DropAfterBounce,
    /// An Access-Request after an acknowledged re-authentication.
    RequestAfterReauth,
    /// An answer to a change.
    Answer,
}

/// A duty with what gave rise to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Owed {
    pub(super) track: TrackId,
    pub(super) duty: Duty,
    /// When it arose.
    pub(super) since: Timestamp,
    /// When it was due at the latest.
    pub(super) due: Timestamp,
    within: SignedDuration,
    /// The packet from which it arose.
    pub(super) cause: PacketRef,
}

/// Everything that is owed. Each session owes each duty once at most, so the bound on sessions
/// bounds it too.
#[derive(Debug, Default)]
pub(super) struct Agenda {
    due: BTreeSet<(Timestamp, TrackId, Duty)>,
    owed: HashMap<(TrackId, Duty), Owed>,
}

impl Agenda {
    /// Something is owed within a time; it takes the place of the same duty owed before.
    pub(super) fn owe(
        &mut self,
        track: TrackId,
        duty: Duty,
        (since, cause): (Timestamp, PacketRef),
        within: SignedDuration,
    ) {
        self.settle(track, duty);
        let due = since.saturating_add(within).unwrap_or(Timestamp::MAX);
        self.due.insert((due, track, duty));
        self.owed.insert(
            (track, duty),
            Owed {
                track,
                duty,
                since,
                due,
                within,
                cause,
            },
        );
    }

    /// Gives a duty that is owed as much time again from `now`.
    pub(super) fn put_off(&mut self, track: TrackId, duty: Duty, now: Timestamp) {
        let Some(owed) = self.owed.get_mut(&(track, duty)) else {
            return;
        };
        let due = now.saturating_add(owed.within).unwrap_or(Timestamp::MAX);
        self.due.remove(&(owed.due, track, duty));
        self.due.insert((due, track, duty));
        owed.due = due;
    }

    /// A duty was done, or is owed no more.
    pub(super) fn settle(&mut self, track: TrackId, duty: Duty) {
        if let Some(owed) = self.owed.remove(&(track, duty)) {
            self.due.remove(&(owed.due, track, duty));
        }
    }

    /// Nothing of a session is owed any more.
    pub(super) fn settle_all(&mut self, track: TrackId) {
        use Duty as D;
        for duty in [
            D::Start,
            D::StopOfReplaced,
            D::Interim,
            D::Reauthentication,
            D::End,
            D::StopAfterDisconnect,
            D::DropAfterBounce,
            D::RequestAfterReauth,
        ] {
            self.settle(track, duty);
        }
    }

    /// Nothing is owed any more: nobody was there to see it done.
    pub(super) fn forget(&mut self) {
        self.due.clear();
        self.owed.clear();
    }

    /// How much is owed.
    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.due.len().max(self.owed.len())
    }

    /// The next duty whose time was over before `now`.
    pub(super) fn overdue(&mut self, now: Timestamp) -> Option<Owed> {
        let (due, track, duty) = *self.due.first()?;
        if due >= now {
            return None;
        }
        self.due.remove(&(due, track, duty));
        self.owed.remove(&(track, duty))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAUSE: PacketRef = PacketRef {
        entry: 1,
        packet: 0,
    };

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).unwrap()
    }

    fn agenda(duties: &[(TrackId, Duty, i64)]) -> Agenda {
        let mut agenda = Agenda::default();
        for (track, duty, within) in duties {
            let within = SignedDuration::from_secs(*within);
            agenda.owe(*track, *duty, (at(0), CAUSE), within);
        }
        agenda
    }

    #[test]
    fn overdue_comes_in_the_order_of_time() {
        let mut agenda = agenda(&[(1, Duty::End, 30), (2, Duty::Start, 10)]);
        assert_eq!(agenda.overdue(at(10)), None, "due at 10, not over");
        assert_eq!(agenda.overdue(at(40)).map(|owed| owed.track), Some(2));
        assert_eq!(agenda.overdue(at(40)).map(|owed| owed.track), Some(1));
        assert_eq!(agenda.overdue(at(40)), None);
    }

    #[test]
    fn what_is_put_off_is_due_later() {
        let mut agenda = agenda(&[(1, Duty::StopOfReplaced, 10)]);
        agenda.put_off(1, Duty::StopOfReplaced, at(8));
        agenda.put_off(2, Duty::StopOfReplaced, at(8));
        assert_eq!(agenda.overdue(at(18)), None);
        assert_eq!(agenda.overdue(at(19)).map(|owed| owed.due), Some(at(18)));
        assert_eq!(agenda.overdue(at(99)), None);
    }

    #[test]
    fn what_is_done_or_owed_anew_is_not_overdue() {
        let mut agenda = agenda(&[(1, Duty::Interim, 10), (1, Duty::End, 10)]);
        agenda.owe(
            1,
            Duty::Interim,
            (at(5), CAUSE),
            SignedDuration::from_secs(10),
        );
        agenda.settle(1, Duty::End);
        assert_eq!(agenda.overdue(at(12)), None);
        assert_eq!(agenda.overdue(at(16)).map(|owed| owed.since), Some(at(5)));
    }
}
