//! What an Accounting-Request reports, and which session it is about.

use std::borrow::Cow;
use std::net::IpAddr;

use jiff::{SignedDuration, Timestamp};

use super::arrival::{Request, mac_in, readable};
use super::class_attribute;
use crate::roster::{Roster, Session};
use crate::wire::registry::{attributes, values};
use crate::wire::{Mac, Packet};

/// An Event-Timestamp further from now than this is the work of a wrong clock and counts for
/// nothing (the window of RFC 5176 section 6.3).
const CLOCK_TOLERANCE: SignedDuration = SignedDuration::from_secs(300);

/// The contents of an Accounting-Request.
#[derive(Debug)]
pub(super) struct Report<'a> {
    pub(super) switch: &'a str,
    pub(super) address: IpAddr,
    pub(super) port: Option<&'a str>,
    pub(super) mac: Option<Mac>,
    pub(super) name: Option<Cow<'a, str>>,
    pub(super) accounting_id: Option<&'a str>,
    /// Octets in and out (RFC 2866 sections 5.3 and 5.4, RFC 2869 sections 5.1 and 5.2).
    pub(super) octets: Option<(u64, u64)>,
    /// When it happened, by the switch's clock.
    happened: Option<Timestamp>,
    /// When it happened at the latest, by our clock and Acct-Delay-Time.
    pub(super) by: Timestamp,
    packet: Packet<'a>,
}

/// How a session was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FoundBy {
    /// By the Class of our accept.
    Class,
    /// By the Acct-Session-Id.
    AccountingId,
    /// By device and port.
    Place,
}

impl<'a> Report<'a> {
    pub(super) fn read(request: &'a Request<'_>) -> Report<'a> {
        let packet = request.packet;
        let now = request.arrival.now;
        let delay = packet.integer(attributes::ACCT_DELAY_TIME).unwrap_or(0);
        let delay = SignedDuration::from_secs(i64::from(delay));
        Report {
            switch: &request.switch.name,
            address: request.address(),
            port: request.port.as_deref(),
            mac: request
                .station
                .or_else(|| mac_in(&packet, attributes::USER_NAME)),
            name: packet
                .first(attributes::USER_NAME)
                .map(|name| readable(name.value)),
            accounting_id: packet.text(attributes::ACCT_SESSION_ID),
            octets: octets(&packet),
            happened: happened(&packet, now),
            by: now.saturating_sub(delay).unwrap_or(now),
            packet,
        }
    }

    /// The session that it is about. `begins`: a Start may bring a new Acct-Session-Id for a
    /// session found by its place; anything else with another one is about an earlier session.
    pub(super) fn session<'r>(
        &self,
        roster: &'r Roster,
        begins: bool,
    ) -> Option<(&'r Session, FoundBy)> {
        if let Some(session) = self.by_class(roster) {
            return Some((session, FoundBy::Class));
        }
        let sessions = roster.sessions();
        let by_id = self
            .accounting_id
            .and_then(|id| sessions.by_accounting_id(self.address, id))
            // A switch that restarted may count from one again, for another device.
            .filter(|session| match (session.mac, self.mac) {
                (Some(known), Some(reported)) => known == reported,
                _ => true,
            });
        if let Some(session) = by_id {
            return Some((session, FoundBy::AccountingId));
        }
        sessions
            .at_place(self.address, self.switch, self.port, self.mac)
            .filter(|session| begins || session.acct_session_id.is_none())
            .map(|session| (session, FoundBy::Place))
    }

    /// Whether the request brings back a Class at all.
    pub(super) fn has_class(&self) -> bool {
        self.packet.first(attributes::CLASS).is_some()
    }

    /// Whether the report is about an earlier Acct-Session-Id than the session has now.
    pub(super) fn is_about_another(&self, session: &Session) -> bool {
        match (session.acct_session_id.as_deref(), self.accounting_id) {
            (Some(known), Some(reported)) => known != reported,
            _ => false,
        }
    }

    /// Whether the session was asked for under another Acct-Session-Id than the report has. The
    /// one in the Access-Request is that of the accounting (RFC 2866 section 5.5).
    pub(super) fn contradicts(&self, session: &Session) -> bool {
        let asked = Packet::parse(&session.request)
            .ok()
            .and_then(|request| request.text(attributes::ACCT_SESSION_ID));
        match (asked, self.accounting_id) {
            (Some(asked), Some(reported)) => asked != reported,
            _ => false,
        }
    }

    /// Whether the report was overtaken by the end of the session, which came at `ended`.
    pub(super) fn is_late(&self, session: &Session, ended: Timestamp) -> bool {
        !self.is_about_another(session) && self.happened.is_none_or(|when| when <= ended)
    }

    /// Acct-Terminate-Cause in words (RFC 2866 section 5.10).
    pub(super) fn cause(&self) -> String {
        let kind = attributes::ACCT_TERMINATE_CAUSE;
        match self.packet.integer(kind) {
            None => "no cause given".to_owned(),
            Some(cause) => match values::value_name(kind, cause) {
                Some(name) => name.to_owned(),
                None => format!("cause {cause}"),
            },
        }
    }

    fn by_class<'r>(&self, roster: &'r Roster) -> Option<&'r Session> {
        self.packet.all(attributes::CLASS).find_map(|class| {
            let id = class_attribute::session_id(class.value)?;
            let session = roster.sessions().get(id)?;
            let named = class_attribute::names(class.value, session);
            (named && session.switch == self.switch).then_some(session)
        })
    }
}

fn octets(packet: &Packet<'_>) -> Option<(u64, u64)> {
    let count = |low, high| {
        let low = packet.integer(low).map(u64::from)?;
        let high = packet.integer(high).map_or(0, u64::from);
        Some((high << 32) | low)
    };
    let input = count(
        attributes::ACCT_INPUT_OCTETS,
        attributes::ACCT_INPUT_GIGAWORDS,
    );
    let output = count(
        attributes::ACCT_OUTPUT_OCTETS,
        attributes::ACCT_OUTPUT_GIGAWORDS,
    );
    if input.is_none() && output.is_none() {
        return None;
    }
    Some((input.unwrap_or(0), output.unwrap_or(0)))
}

fn happened(packet: &Packet<'_>, now: Timestamp) -> Option<Timestamp> {
    let seconds = packet.integer(attributes::EVENT_TIMESTAMP)?;
    let when = Timestamp::from_second(i64::from(seconds)).ok()?;
    (now.duration_since(when).abs() <= CLOCK_TOLERANCE).then_some(when)
}
