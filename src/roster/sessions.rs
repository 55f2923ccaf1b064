//! Sessions by number, with the indexes by which requests and people find them.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::net::IpAddr;

use jiff::{SignedDuration, Timestamp};

use super::memory::Limits;
use super::{Login, Session, SessionState};
use crate::bench::MethodName;
use crate::wire::Mac;

/// All sessions that are remembered: the live ones and the last of the ended ones.
#[derive(Debug, Clone, Default)]
pub struct Sessions {
    all: BTreeMap<u64, Session>,
    /// Live sessions of a device.
    by_mac: HashMap<Mac, Vec<u64>>,
    /// Live sessions at a port: by switch entry, then port.
    by_port: HashMap<String, HashMap<String, Vec<u64>>>,
    /// The latest session of an Acct-Session-Id: by address of the switch, then the identifier.
    by_accounting: HashMap<IpAddr, HashMap<String, u64>>,
    /// Ended sessions, the longest ended first.
    ended: VecDeque<u64>,
    /// Classes that sightings picked for live sessions and no accept has granted yet.
    recognised: HashMap<u64, Recognised>,
    last_id: u64,
    limits: Limits,
}

/// A device says the same thing several times while it boots; one recognition in this time is
/// enough, and after it another one may try again what did not take effect.
const RECOGNITION_HOLD: SignedDuration = SignedDuration::from_secs(30);

#[derive(Debug, Clone)]
struct Recognised {
    class: String,
    at: Timestamp,
}

/// What an accept says of a session.
#[derive(Debug, Clone)]
pub struct Admission<'a> {
    /// Switch entry.
    pub switch: &'a str,
    /// Address that the switch asked from.
    pub address: IpAddr,
    /// Port.
    pub port: Option<&'a str>,
    /// Device.
    pub mac: Option<Mac>,
    /// Identity, for a login.
    pub identity: Option<&'a str>,
    /// How it was admitted.
    pub method: MethodName,
    /// Class granted.
    pub class: &'a str,
    /// The request without secrets, see [`Session::request`].
    pub request: Vec<u8>,
    /// Who it proved to be.
    pub login: Option<Login>,
    /// Acct-Session-Id of the request.
    pub accounting_id: Option<&'a str>,
}

/// What an accept did to the sessions.
#[derive(Debug, Clone)]
pub struct Admitted {
    /// The session's number.
    pub id: u64,
    /// When it began; with the number it makes the Class attribute.
    pub accepted: Timestamp,
    /// Whether the accept began it; otherwise it re-authenticated.
    pub began: bool,
    /// Its record, when it changed enough to be stored.
    pub session: Option<Session>,
    /// Sessions that it put an end to.
    pub ended: Vec<Session>,
}

impl Sessions {
    pub(super) fn load(limits: Limits, sessions: impl IntoIterator<Item = Session>) -> Sessions {
        let mut loaded = Sessions {
            limits,
            ..Sessions::default()
        };
        let mut ended: Vec<(Timestamp, u64)> = Vec::new();
        for session in sessions {
            if let SessionState::Ended { at, .. } = session.state {
                ended.push((at, session.id));
            }
            loaded.last_id = loaded.last_id.max(session.id);
            loaded.index(session.id, &Keys::of(&session));
            loaded.all.insert(session.id, session);
        }
        ended.sort_unstable();
        loaded.ended = ended.into_iter().map(|(_, id)| id).collect();
        loaded.drop_long_ended();
        loaded
    }

    /// A session by number.
    #[must_use]
    pub fn get(&self, id: u64) -> Option<&Session> {
        self.all.get(&id)
    }

    /// All of them, ended ones too, in the order in which they began.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Session> {
        self.all.values()
    }

    /// How many are live.
    #[must_use]
    pub fn live_count(&self) -> usize {
        self.all.len() - self.ended.len()
    }

    /// Live sessions of a device.
    pub fn of_mac(&self, mac: Mac) -> impl Iterator<Item = &Session> {
        self.resolve(self.by_mac.get(&mac))
    }

    /// Live sessions at a port of a switch entry.
    pub fn at_port(&self, switch: &str, port: &str) -> impl Iterator<Item = &Session> {
        self.resolve(self.by_port.get(switch).and_then(|ports| ports.get(port)))
    }

    /// The latest session, live or ended, to which a switch gave this Acct-Session-Id.
    #[must_use]
    pub fn by_accounting_id(&self, address: IpAddr, id: &str) -> Option<&Session> {
        self.get(*self.by_accounting.get(&address)?.get(id)?)
    }

    /// The live session of a device at a place; without an address, whoever is on the port.
    #[must_use]
    pub fn at_place(
        &self,
        address: IpAddr,
        switch: &str,
        port: Option<&str>,
        mac: Option<Mac>,
    ) -> Option<&Session> {
        let here = |session: &&Session| {
            session.address == address
                && session.switch == switch
                && session.mac == mac
                && session.port.as_deref() == port
        };
        match (mac, port) {
            (Some(mac), _) => self.of_mac(mac).find(here),
            (None, Some(port)) => self.at_port(switch, port).find(here),
            (None, None) => None,
        }
    }

    /// Live sessions that a switch at this address has.
    pub fn of_address(&self, address: IpAddr) -> impl Iterator<Item = &Session> {
        self.iter()
            .filter(move |session| session.address == address && session.is_live())
    }

    /// Begins a session, or renews the one that the device already has at that place. Sessions
    /// of the device elsewhere that accounting never spoke of end: nothing else would end them.
    pub fn admit(&mut self, now: Timestamp, admission: Admission<'_>) -> Admitted {
        let current = self
            .at_place(
                admission.address,
                admission.switch,
                admission.port,
                admission.mac,
            )
            .map(|session| (session.id, clashes(session, admission.accounting_id)));
        match current {
            Some((id, false)) => self.renew(now, id, admission),
            Some((id, true)) => {
                let cause = "the switch began another session on the port and sent no Stop";
                let ended = self.end(now, id, cause).into_iter().collect();
                self.begin(now, admission, ended)
            }
            None => self.begin(now, admission, Vec::new()),
        }
    }

    fn begin(
        &mut self,
        now: Timestamp,
        admission: Admission<'_>,
        mut ended: Vec<Session>,
    ) -> Admitted {
        if let Some(mac) = admission.mac {
            ended.extend(self.end_silent_ones(now, mac, admission.switch, admission.port));
        }
        let session = Session {
            id: 0,
            switch: admission.switch.to_owned(),
            address: admission.address,
            port: admission.port.map(str::to_owned),
            mac: admission.mac,
            identity: admission.identity.map(str::to_owned),
            method: admission.method,
            class: admission.class.to_owned(),
            request: admission.request,
            login: admission.login,
            acct_session_id: admission.accounting_id.map(str::to_owned),
            accepted: now,
            accepted_here: true,
            started: None,
            last_heard: now,
            octets: (0, 0),
            state: SessionState::Accepted,
        };
        let (session, crowded_out) = self.add(now, session);
        ended.extend(crowded_out);
        Admitted {
            id: session.id,
            accepted: session.accepted,
            began: true,
            session: Some(session),
            ended,
        }
    }

    fn renew(&mut self, now: Timestamp, id: u64, admission: Admission<'_>) -> Admitted {
        self.recognised.remove(&id);
        let renewed = self.all.get_mut(&id).map(|session| {
            let changed = !session.accepted_here
                || session.class != admission.class
                || session.method != admission.method
                || session.identity.as_deref() != admission.identity
                || session.login != admission.login
                || session.request != admission.request;
            session.last_heard = session.last_heard.max(now);
            if changed {
                session.accepted_here = true;
                admission.class.clone_into(&mut session.class);
                session.method = admission.method;
                session.identity = admission.identity.map(str::to_owned);
                session.login = admission.login;
                session.request = admission.request;
            }
            (session.accepted, changed)
        });
        let (accepted, changed) = renewed.unwrap_or((now, false));
        let session = match admission.accounting_id {
            Some(accounting_id) if self.lacks_accounting_id(id) => {
                self.update(id, |s| s.acct_session_id = Some(accounting_id.to_owned()))
            }
            _ => changed.then(|| self.all.get(&id).cloned()).flatten(),
        };
        Admitted {
            id,
            accepted,
            began: false,
            session,
            ended: Vec::new(),
        }
    }

    fn lacks_accounting_id(&self, id: u64) -> bool {
        self.get(id).is_some_and(|s| s.acct_session_id.is_none())
    }

    fn end_silent_ones(
        &mut self,
        now: Timestamp,
        mac: Mac,
        switch: &str,
        port: Option<&str>,
    ) -> Vec<Session> {
        let silent: Vec<u64> = self
            .of_mac(mac)
            .filter(|session| session.state == SessionState::Accepted)
            .map(|session| session.id)
            .collect();
        let cause = moved_to(switch, port);
        silent
            .into_iter()
            .filter_map(|id| self.end(now, id, &cause))
            .collect()
    }

    /// Notes that sightings pick another class for a session. False when they did so a moment ago
    /// and the change is still to take effect.
    pub fn recognised(&mut self, now: Timestamp, id: u64, class: &str) -> bool {
        let fresh = self.recognised.get(&id).is_some_and(|known| {
            known.class == class && now.duration_since(known.at) < RECOGNITION_HOLD
        });
        if !fresh {
            let class = class.to_owned();
            self.recognised.insert(id, Recognised { class, at: now });
        }
        !fresh
    }

    /// Ends every other live session of a device: accounting told that it is on a port now, and a
    /// device is on one port at a time.
    pub fn end_others(&mut self, now: Timestamp, mac: Mac, keep: u64) -> Vec<Session> {
        let Some(kept) = self.get(keep) else {
            return Vec::new();
        };
        let cause = moved_to(&kept.switch, kept.port.as_deref());
        let others: Vec<u64> = self
            .of_mac(mac)
            .map(|session| session.id)
            .filter(|id| *id != keep)
            .collect();
        others
            .into_iter()
            .filter_map(|id| self.end(now, id, &cause))
            .collect()
    }

    /// Adds a session under a new number, which it returns with the record, and which sessions
    /// had to make room.
    pub fn add(&mut self, now: Timestamp, mut session: Session) -> (Session, Vec<Session>) {
        let crowded_out = self.make_room(now);
        self.last_id += 1;
        session.id = self.last_id;
        self.index(session.id, &Keys::of(&session));
        self.all.insert(session.id, session.clone());
        (session, crowded_out)
    }

    /// Ends a live session; its record, when it was live.
    pub fn end(&mut self, now: Timestamp, id: u64, cause: &str) -> Option<Session> {
        self.get(id).filter(|session| session.is_live())?;
        self.update(id, |session| {
            session.state = SessionState::Ended {
                at: now,
                cause: cause.to_owned(),
            };
        })
    }

    /// Alters a session and keeps the indexes true; the record after it.
    pub fn update(&mut self, id: u64, change: impl FnOnce(&mut Session)) -> Option<Session> {
        let session = self.all.get_mut(&id)?;
        let before = Keys::of(session);
        change(session);
        session.id = id;
        let after = session.clone();
        if !before.are_those_of(&after) {
            self.reindex(&before, &after);
        }
        let granted = |recognised: &Recognised| recognised.class == after.class;
        if !after.is_live() || self.recognised.get(&id).is_some_and(granted) {
            self.recognised.remove(&id);
        }
        Some(after)
    }

    fn reindex(&mut self, before: &Keys, after: &Session) {
        self.unindex(after.id, before);
        self.index(after.id, &Keys::of(after));
        match (before.live, after.is_live()) {
            (true, false) => self.ended.push_back(after.id),
            (false, true) => self.ended.retain(|ended| *ended != after.id),
            _ => {}
        }
        self.drop_long_ended();
    }

    fn resolve<'a>(&'a self, ids: Option<&'a Vec<u64>>) -> impl Iterator<Item = &'a Session> {
        ids.into_iter().flatten().filter_map(|id| self.all.get(id))
    }

    fn index(&mut self, id: u64, keys: &Keys) {
        if let Some(accounting_id) = &keys.accounting_id {
            self.by_accounting
                .entry(keys.address)
                .or_default()
                .insert(accounting_id.clone(), id);
        }
        if !keys.live {
            return;
        }
        if let Some(mac) = keys.mac {
            self.by_mac.entry(mac).or_default().push(id);
        }
        if let Some(port) = &keys.port {
            let ports = self.by_port.entry(keys.switch.clone()).or_default();
            ports.entry(port.clone()).or_default().push(id);
        }
    }

    fn unindex(&mut self, id: u64, keys: &Keys) {
        if let Some(accounting_id) = &keys.accounting_id
            && let Some(ids) = self.by_accounting.get_mut(&keys.address)
            && ids.get(accounting_id) == Some(&id)
        {
            ids.remove(accounting_id);
            if ids.is_empty() {
                self.by_accounting.remove(&keys.address);
            }
        }
        if let Some(mac) = keys.mac {
            remove_from(&mut self.by_mac, &mac, id);
        }
        if let Some(port) = &keys.port
            && let Some(ports) = self.by_port.get_mut(&keys.switch)
        {
            remove_from(ports, port, id);
            if ports.is_empty() {
                self.by_port.remove(&keys.switch);
            }
        }
    }

    fn drop_long_ended(&mut self) {
        while self.ended.len() > self.limits.ended {
            if let Some(session) = self.ended.pop_front().and_then(|id| self.all.remove(&id)) {
                self.unindex(session.id, &Keys::of(&session));
            }
        }
    }

    /// Makes room for one more live session by ending a sixteenth of them, the longest unheard
    /// first.
    fn make_room(&mut self, now: Timestamp) -> Vec<Session> {
        if self.live_count() < self.limits.live {
            return Vec::new();
        }
        let mut candidates: Vec<(Timestamp, u64)> = self
            .iter()
            .filter(|session| session.is_live())
            .map(|session| (session.last_heard, session.id))
            .collect();
        candidates.sort_unstable();
        candidates.truncate((self.limits.live / 16).max(1));
        candidates
            .into_iter()
            .filter_map(|(_, id)| self.end(now, id, "made room: too many live sessions"))
            .collect()
    }
}

/// What a session is found by.
struct Keys {
    address: IpAddr,
    switch: String,
    port: Option<String>,
    mac: Option<Mac>,
    accounting_id: Option<String>,
    live: bool,
}

impl Keys {
    fn of(session: &Session) -> Keys {
        Keys {
            address: session.address,
            switch: session.switch.clone(),
            port: session.port.clone(),
            mac: session.mac,
            accounting_id: session.acct_session_id.clone(),
            live: session.is_live(),
        }
    }

    fn are_those_of(&self, session: &Session) -> bool {
        self.address == session.address
            && self.switch == session.switch
            && self.port == session.port
            && self.mac == session.mac
            && self.accounting_id == session.acct_session_id
            && self.live == session.is_live()
    }
}

fn moved_to(switch: &str, port: Option<&str>) -> String {
    match port {
        Some(port) => format!("the device moved to port {port} of {switch}"),
        None => format!("the device moved to {switch}"),
    }
}

/// Whether a request's Acct-Session-Id says that it is not about this session.
fn clashes(session: &Session, accounting_id: Option<&str>) -> bool {
    match (session.acct_session_id.as_deref(), accounting_id) {
        (Some(known), Some(asked)) => known != asked,
        _ => false,
    }
}

fn remove_from<K, Q>(index: &mut HashMap<K, Vec<u64>>, key: &Q, id: u64)
where
    K: std::borrow::Borrow<Q> + Eq + std::hash::Hash,
    Q: Eq + std::hash::Hash + ?Sized,
{
    if let Some(ids) = index.get_mut(key) {
        ids.retain(|known| *known != id);
        if ids.is_empty() {
            index.remove(key);
        }
    }
}
