//! Changes, carried out.

use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::change_rules::{self, Order, Wish};
use super::change_server::{ChangeRequest, ChangeServer, Verdict};
use super::device::{PowerSource, Spot};
use super::event::{ReauthenticationCause, StopCause, What};
use super::misbehave::Misbehaviour;
use super::outputs::{Outputs, Place};
use super::port::Port;
use super::schedule::after;
use super::switch::StandIn;
use crate::wire::registry::error_cause::ErrorCause;

impl StandIn {
    pub(super) fn take_change(
        &mut self,
        now: Timestamp,
        out: &mut Outputs,
        peer: SocketAddr,
        datagram: &[u8],
    ) {
        let mut changes = std::mem::take(&mut self.changes);
        let mut post = self.parts(now, out).0.post;
        if let Some(request) = changes.receive(&mut post, peer, datagram) {
            self.carry_out(now, out, &mut changes, &request);
        }
        self.changes = changes;
    }

    /// Answers a change, then does it: the answer leaves before a link goes down.
    fn carry_out(
        &mut self,
        now: Timestamp,
        out: &mut Outputs,
        changes: &mut ChangeServer,
        request: &ChangeRequest<'_>,
    ) {
        let found = change_rules::read(&request.packet, &self.config)
            .and_then(|wish| self.named(&wish).map(|named| (wish, named)));
        let mut post = self.parts(now, out).0.post;
        let (wish, named) = match found {
            Ok(found) => found,
            Err(cause) => {
                changes.answer(
                    &mut post,
                    Place::default(),
                    request,
                    Verdict::Refused(cause),
                );
                return;
            }
        };
        let verdict = match wish.order {
            Order::Authorize(_) if !self.config.does(Misbehaviour::AcksAuthorizeOnly) => {
                Verdict::Begun
            }
            _ => Verdict::Done,
        };
        let place = self.named_place(&named);
        let mut post = self.parts(now, out).0.post;
        changes.answer(&mut post, place, request, verdict);
        self.obey(now, out, &wish.order, &named);
    }

    /// Ports and session numbers that a change names.
    fn named(&self, wish: &Wish) -> Result<Vec<(usize, u64)>, ErrorCause> {
        if self.config.does(Misbehaviour::DeniesSessions) {
            return Err(ErrorCause::SESSION_CONTEXT_NOT_FOUND);
        }
        let named: Vec<(usize, u64)> = self
            .ports
            .iter()
            .enumerate()
            .flat_map(|(at, port)| port.named(&wish.selectors).map(move |serial| (at, serial)))
            .collect();
        let Some((first, _)) = named.first().copied() else {
            return Err(ErrorCause::SESSION_CONTEXT_NOT_FOUND);
        };
        // A port is bounced as a whole, however many devices are on it.
        let one_port = matches!(wish.order, Order::Bounce(_) | Order::Disable)
            && named.iter().all(|(at, _)| *at == first);
        if named.len() > 1 && !one_port && !self.config.changes.several_sessions {
            return Err(ErrorCause::MULTIPLE_SESSION_SELECTION_UNSUPPORTED);
        }
        Ok(named)
    }

    fn named_place(&self, named: &[(usize, u64)]) -> Place {
        let mut place = Place::default();
        if let Some((at, serial)) = named.first()
            && let Some(port) = self.ports.get(*at)
        {
            place = port.place();
            if named.len() == 1 {
                place.mac = port
                    .sessions
                    .iter()
                    .find(|session| session.serial == *serial)
                    .map(|session| session.mac);
            }
        }
        place
    }

    fn obey(&mut self, now: Timestamp, out: &mut Outputs, order: &Order, named: &[(usize, u64)]) {
        if self.config.does(match order {
            Order::Disconnect => Misbehaviour::AckWithoutDisconnect,
            Order::Bounce(_) | Order::Disable => Misbehaviour::AckWithoutBounce,
            Order::Reauthenticate(_) | Order::Authorize(_) => Misbehaviour::AckWithoutReauth,
            Order::Regrant(_) => Misbehaviour::AckWithoutRegrant,
        }) {
            return;
        }
        if matches!(order, Order::Bounce(_) | Order::Disable) {
            let mut ports: Vec<usize> = named.iter().map(|(at, _)| *at).collect();
            ports.dedup();
            for at in ports {
                match order {
                    Order::Bounce(down) => self.bounce_port(now, out, at, *down),
                    _ => self.disable_port(now, out, at),
                }
            }
            return;
        }
        let (mut step, ports, _) = self.parts(now, out);
        for (at, serial) in named {
            let Some(Port { line, sessions, .. }) = ports.get_mut(*at) else {
                continue;
            };
            let Some(index) = sessions.iter().position(|s| s.serial == *serial) else {
                continue;
            };
            if *order == Order::Disconnect {
                sessions
                    .remove(index)
                    .end(&mut step, line, StopCause::AdminReset);
                continue;
            }
            let Some(session) = sessions.get_mut(index) else {
                continue;
            };
            match order {
                Order::Reauthenticate(grant) => {
                    session.take_over((**grant).clone());
                    session.reauthenticate(&mut step, line, ReauthenticationCause::Change);
                }
                Order::Authorize(state) => session.ask_for_grant(&mut step, line, state),
                Order::Regrant(grant) => session.regrant(&mut step, line, (**grant).clone()),
                Order::Disconnect | Order::Bounce(_) | Order::Disable => {}
            }
        }
    }

    pub(super) fn bounce_port(
        &mut self,
        now: Timestamp,
        out: &mut Outputs,
        at: usize,
        down: Option<Duration>,
    ) {
        let bounce = self.config.bounce.clone();
        let down = down.unwrap_or(bounce.link_down);
        let (mut step, ports, devices) = self.parts(now, out);
        let Some(port) = ports.get_mut(at) else {
            return;
        };
        let power_cut = bounce.cut_power
            && port.feeds()
            && devices.iter().any(|device| {
                device.config.power == PowerSource::Poe && device.spot == Some(Spot::Port(at))
            });
        step.post
            .note(port.place(), What::Bounced { down, power_cut });
        port.shut(Some(after(now, down)), bounce.cut_power);
    }

    fn disable_port(&mut self, now: Timestamp, out: &mut Outputs, at: usize) {
        let (mut step, ports, _) = self.parts(now, out);
        if let Some(port) = ports.get_mut(at) {
            step.post.note(port.place(), What::Disabled);
            port.shut(None, true);
        }
    }
}
