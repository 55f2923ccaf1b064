//! The port's side of 802.1X: it asks for the identity, carries EAP between device and server
//! (RFC 3579 section 2), and gives up on a device that falls silent.

use std::time::Duration;

use jiff::Timestamp;

use super::config::Dot1xTimers;
use super::schedule::after;
use crate::eap::codec::packet::{encode, failure, success};
use crate::eap::codec::{Code, Packet, Type};

/// 802.1X on one session.
#[derive(Debug, Clone)]
pub(super) struct Dot1x {
    stage: Stage,
    /// The EAP packet that is out to the device.
    request: Vec<u8>,
    /// Identifier of that packet, or of the last one that was.
    identifier: u8,
    /// What the device answered to the identity request.
    pub(super) identity: Vec<u8>,
    /// State of the last challenge (RFC 2865 section 5.24), or of the accept that asks for
    /// re-authentication.
    pub(super) state: Option<Vec<u8>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Not tried yet.
    Idle,
    /// The identity was asked for.
    Identity(Wait),
    /// A request of the server is out to the device.
    Talking(Wait),
    /// A request is out to the server.
    Asking,
    /// It let the device in.
    Passed,
    /// It did not.
    Failed,
}

/// Waiting for the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Wait {
    until: Timestamp,
    each: Duration,
    /// How often the packet is sent again.
    left: u32,
}

/// What waiting came to.
pub(super) enum Waited {
    /// Not over.
    Nothing,
    /// This packet goes out again.
    Again(Vec<u8>),
    /// The device speaks no 802.1X.
    NoEapol,
    /// It did, and fell silent.
    Silent,
}

impl Dot1x {
    pub(super) fn new() -> Dot1x {
        Dot1x {
            stage: Stage::Idle,
            request: Vec::new(),
            identifier: 0,
            identity: Vec::new(),
            state: None,
        }
    }

    pub(super) fn is_idle(&self) -> bool {
        self.stage == Stage::Idle
    }

    pub(super) fn has_passed(&self) -> bool {
        self.stage == Stage::Passed
    }

    pub(super) fn is_asking(&self) -> bool {
        self.stage == Stage::Asking
    }

    pub(super) fn is_asking_for_identity(&self) -> bool {
        matches!(self.stage, Stage::Identity(_))
    }

    pub(super) fn is_busy(&self) -> bool {
        matches!(
            self.stage,
            Stage::Identity(_) | Stage::Talking(_) | Stage::Asking
        )
    }

    pub(super) fn rest(&mut self) {
        self.stage = Stage::Idle;
    }

    pub(super) fn pass(&mut self) {
        self.stage = Stage::Passed;
    }

    pub(super) fn fail(&mut self) {
        self.stage = Stage::Failed;
    }

    pub(super) fn ask(&mut self) {
        self.stage = Stage::Asking;
    }

    /// Asks for the identity; gives the packet for the device.
    pub(super) fn begin(
        &mut self,
        now: Timestamp,
        timers: &Dot1xTimers,
        state: Option<Vec<u8>>,
    ) -> Vec<u8> {
        self.state = state;
        self.identity.clear();
        self.identifier = self.identifier.wrapping_add(1);
        let wait = Wait::new(now, timers.tx_period, timers.tries);
        self.stage = Stage::Identity(wait);
        self.request = encode(Code::Request, self.identifier, Type::IDENTITY, &[]);
        self.request.clone()
    }

    /// The packet that is out to the device.
    pub(super) fn outstanding(&self) -> Vec<u8> {
        self.request.clone()
    }

    /// Takes an EAP packet of the device: true when it answers the request that is out and goes to
    /// the server (RFC 3748 section 4.1). Anything else is passed over.
    pub(super) fn take(&mut self, eap: &[u8]) -> bool {
        let Ok(packet) = Packet::parse(eap) else {
            return false;
        };
        if packet.code != Code::Response || packet.identifier != self.identifier {
            return false;
        }
        match self.stage {
            Stage::Identity(_) if packet.kind == Some(Type::IDENTITY) => {
                self.identity = packet.data.to_vec();
                true
            }
            Stage::Talking(_) => true,
            _ => false,
        }
    }

    /// Takes the EAP packet of an Access-Challenge; gives it for the device.
    ///
    /// # Errors
    /// When it is no EAP-Request.
    pub(super) fn challenge(
        &mut self,
        now: Timestamp,
        timers: &Dot1xTimers,
        eap: Option<&[u8]>,
        state: Option<Vec<u8>>,
        seconds: Option<u32>,
    ) -> Result<Vec<u8>, String> {
        let eap = eap.ok_or("a challenge without EAP-Message (RFC 3579 section 2.6.3)")?;
        let packet = Packet::parse(eap).map_err(|error| error.to_string())?;
        if packet.code != Code::Request {
            return Err(
                "a challenge whose EAP packet is no request (RFC 3579 section 2.6.3)".into(),
            );
        }
        // Session-Timeout in a challenge is how long the supplicant may take (RFC 3580 section
        // 3.17).
        let each = seconds.map_or(timers.supplicant_timeout, |seconds| {
            Duration::from_secs(seconds.max(1).into())
        });
        self.identifier = packet.identifier;
        self.state = state;
        self.request = eap.to_vec();
        self.stage = Stage::Talking(Wait::new(now, each, timers.supplicant_tries));
        Ok(self.request.clone())
    }

    /// The packet that tells the device the outcome: the server's, or one made here where it sent
    /// none.
    pub(super) fn outcome(&self, good: bool, eap: Option<Vec<u8>>) -> Vec<u8> {
        eap.unwrap_or_else(|| {
            if good {
                success(self.identifier)
            } else {
                failure(self.identifier)
            }
        })
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        match self.stage {
            Stage::Identity(wait) | Stage::Talking(wait) => Some(wait.until),
            _ => None,
        }
    }

    /// What waiting for the device came to.
    pub(super) fn tick(&mut self, now: Timestamp) -> Waited {
        let (Stage::Identity(wait) | Stage::Talking(wait)) = &mut self.stage else {
            return Waited::Nothing;
        };
        if wait.until > now {
            return Waited::Nothing;
        }
        if wait.left > 0 {
            wait.left -= 1;
            wait.until = after(now, wait.each);
            return Waited::Again(self.request.clone());
        }
        if self.is_asking_for_identity() {
            Waited::NoEapol
        } else {
            Waited::Silent
        }
    }
}

impl Wait {
    fn new(now: Timestamp, each: Duration, tries: u32) -> Wait {
        Wait {
            until: after(now, each),
            each,
            left: tries.saturating_sub(1),
        }
    }
}
