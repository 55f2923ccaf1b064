//! Changes that were answered.

use std::net::IpAddr;

use jiff::{SignedDuration, Timestamp};

use super::{DEED_WITHIN, Duty, Ledger, TrackId};
use crate::bench::ChangeKind;
use crate::findings::granted::Granted;
use crate::findings::read;
use crate::findings::tracks::Moment;
use crate::wire::{Mac, Packet};

/// A Stop may wait for the report before it to be answered, and both may get lost.
const STOP_WITHIN: SignedDuration = SignedDuration::from_secs(120);

impl Ledger {
    /// The session that a change is about.
    pub(in crate::findings) fn changed_of(
        &self,
        switch: IpAddr,
        mac: Option<Mac>,
        request: &Packet<'_>,
    ) -> Option<TrackId> {
        // A change that names an Acct-Session-Id is about that session or about none.
        if let Some(session) = read::session_id(request) {
            return self.by_id.peek(&(switch, session)).copied();
        }
        self.seat(switch, read::device(request).or(mac))?.track
    }

    /// A change of a session was sent.
    pub(in crate::findings) fn ordered(&mut self, id: TrackId, at: Timestamp) {
        if let Some(track) = self.tracks.get_mut(&id) {
            track.ordered = Some(at);
        }
    }

    /// A change was acknowledged that was sent first at `sent`.
    pub(in crate::findings) fn acknowledged(
        &mut self,
        id: TrackId,
        kind: ChangeKind,
        (sent, moment): (Timestamp, Moment),
        request: &Packet<'_>,
    ) {
        let Some(track) = self.tracks.get_mut(&id) else {
            return;
        };
        // What the change set off may have overtaken the answer.
        let seat = track.mac.map(|mac| (track.switch, mac));
        let asked = seat
            .and_then(|seat| self.seats.peek(&seat)?.asked)
            .is_some_and(|asked| asked >= sent);
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
        if kind == ChangeKind::Disconnect || !asked {
            self.agenda
                .owe(id, duty, (moment.at, moment.packet), within);
        }
    }

    /// A NAK said that there is no such session, to a change that was sent first at `sent`. Before
    /// its Start the switch may not have had the accept.
    pub(in crate::findings) fn denied(&mut self, id: TrackId, sent: Timestamp, moment: Moment) {
        if let Some(track) = self.tracks.get_mut(&id)
            && track.start.is_some_and(|start| start.at < sent)
        {
            track.denied = Some(moment);
        }
    }
}
