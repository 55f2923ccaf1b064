//! The methods over TLS: EAP-TLS, EAP-TTLS and PEAP share the handshake and the way to its end,
//! and differ in what happens inside.
//!
//! ```text
//! Handshake -> BeforeInside -> Inside -> Closing -> proven
//!     any of them -> Failing -> refused
//! ```

use std::sync::Arc;

use super::certificate::{CertificateCause, CertificateFault};
use super::channel::{Channel, Event};
use super::method::{Context, Move};
use super::peap::Peap;
use super::proof::{Inner, Method, Proof, Proven, TlsVersion};
use super::refusal::{Refusal, Silence};
use super::ttls::Ttls;

pub(super) struct Tunnel {
    method: Method,
    channel: Channel,
    state: State,
    inside: Inside,
}

enum State {
    Handshake,
    /// The handshake is done and our last part of it on the way; the supplicant acknowledges it
    /// before we begin inside, or begins itself.
    BeforeInside,
    Inside,
    /// All is proven; the supplicant acknowledges the last packet.
    Closing(Arc<Proof>, Arc<Proven>),
    /// The failure was told inside TLS; the supplicant acknowledges it.
    Failing(Refusal),
}

/// What happens in the tunnel.
enum Inside {
    /// EAP-TLS: nothing, the certificate was all.
    Nothing,
    Ttls(Ttls),
    Peap(Box<Peap>),
}

/// What the inside answers.
pub(super) enum Reply {
    /// Nothing to say; it is the supplicant's turn.
    Wait,
    /// Send this through the tunnel.
    Send(Vec<u8>),
    /// This account was proven, by this.
    Proven(Identified),
}

/// What a supplicant says inside after all was proven.
pub(super) enum LastAnswer {
    /// It agrees with success.
    Agrees,
    /// It wants the result told in the way of PEAP.
    WantsResult,
    /// It begins something, which must then be gone through (RFC 9427, from memory).
    GoesOn,
}

/// Who was proven inside.
pub(super) struct Identified {
    pub(super) identity: String,
    pub(super) inner: Option<Inner>,
    pub(super) certificate: Option<Arc<super::certificate::CertificateFacts>>,
}

/// One octet of application data says that all is well (RFC 9190 section 2.1.1, section 2.5).
const PROTECTED_SUCCESS: [u8; 1] = [0];

impl Tunnel {
    pub(super) fn start(
        method: Method,
        context: &Context<'_>,
    ) -> Result<(Tunnel, Vec<u8>), Refusal> {
        let tls = context.settings.plan().tls.as_ref();
        // Settings are checked, so that a method over TLS has what it needs.
        let tls = tls.ok_or_else(|| Refusal::Tls("the bench has no server certificate".into()))?;
        let tunnel = Tunnel {
            method,
            channel: Channel::new(method, tls, context.now)?,
            state: State::Handshake,
            inside: match method {
                Method::Ttls => Inside::Ttls(Ttls::new()),
                Method::Peap => Inside::Peap(Box::new(Peap::new())),
                _ => Inside::Nothing,
            },
        };
        Ok((tunnel, Channel::start()))
    }

    pub(super) fn method(&self) -> Method {
        self.method
    }

    pub(super) fn respond(
        &mut self,
        context: &mut Context<'_>,
        data: &[u8],
    ) -> Result<Move, Refusal> {
        match self.channel.receive(data, context.room) {
            Ok(Event::Ask(data)) => Ok(Move::Ask(data)),
            Ok(Event::Acknowledged) => self.acknowledged(context),
            Ok(Event::Message(message)) => self.message(context, &message),
            // A failure that was told already is the cause; what follows is its noise.
            Err(noise) => Err(match &self.state {
                State::Failing(refusal) => refusal.clone(),
                _ => noise,
            }),
        }
    }

    fn acknowledged(&mut self, context: &mut Context<'_>) -> Result<Move, Refusal> {
        match &self.state {
            State::Handshake => {
                Err(self.protocol("an empty message in the middle of the handshake"))
            }
            State::BeforeInside => self.begin(context),
            State::Inside => self.inside(context, &[]),
            State::Closing(proof, proven) => Ok(self.finish(proof.clone(), proven)),
            State::Failing(refusal) => Err(refusal.clone()),
        }
    }

    fn message(&mut self, context: &mut Context<'_>, message: &[u8]) -> Result<Move, Refusal> {
        if let State::Failing(refusal) = &self.state {
            return Err(refusal.clone());
        }
        let plaintext = match self.channel.process(context.now, message) {
            Ok(plaintext) => plaintext,
            Err(refusal) => return self.fail(context, refusal),
        };
        match &self.state {
            State::Handshake if !self.channel.is_established() => Ok(self.ask(context)),
            State::Handshake if self.waits_for_acknowledgement() => {
                self.state = State::BeforeInside;
                Ok(self.ask(context))
            }
            State::Handshake | State::BeforeInside if plaintext.is_empty() => self.begin(context),
            State::Closing(proof, proven) => match self.inside.last_answer(&plaintext)? {
                LastAnswer::Agrees => Ok(self.finish(proof.clone(), proven)),
                LastAnswer::WantsResult => {
                    self.channel.write(&self.inside.result(true));
                    Ok(self.ask(context))
                }
                LastAnswer::GoesOn => self.inside(context, &plaintext),
            },
            _ => self.inside(context, &plaintext),
        }
    }

    fn inside(&mut self, context: &mut Context<'_>, plaintext: &[u8]) -> Result<Move, Refusal> {
        self.state = State::Inside;
        let reply = self.inside.receive(context, &self.channel, plaintext);
        self.answer(context, reply)
    }

    /// TLS 1.2 ends a full handshake with a message of the server; the inside begins when the
    /// supplicant has it. TLS 1.3 and a resumed TLS 1.2 end with one of the supplicant, so that
    /// the server goes on at once.
    fn waits_for_acknowledgement(&self) -> bool {
        self.channel.version() == TlsVersion::Tls12
            && self.channel.has_output()
            && !matches!(self.inside, Inside::Nothing)
    }

    fn begin(&mut self, context: &mut Context<'_>) -> Result<Move, Refusal> {
        self.state = State::Inside;
        let reply = match self.channel.resumed() {
            Some(proven) => Ok(Reply::Proven(Identified {
                identity: proven.identity.clone(),
                inner: proven.inner,
                certificate: proven.certificate.clone(),
            })),
            None => self.inside.begin(context, &self.channel),
        };
        self.answer(context, reply)
    }

    fn answer(
        &mut self,
        context: &Context<'_>,
        reply: Result<Reply, Refusal>,
    ) -> Result<Move, Refusal> {
        match reply {
            Ok(Reply::Wait) => Ok(self.ask(context)),
            Ok(Reply::Send(plaintext)) => {
                self.channel.write(&plaintext);
                Ok(self.ask(context))
            }
            Ok(Reply::Proven(who)) => match self.prove(context, who) {
                Ok(next) => Ok(next),
                Err(refusal) => self.refuse_inside(context, refusal),
            },
            Err(refusal) => self.refuse_inside(context, refusal),
        }
    }

    fn prove(&mut self, context: &Context<'_>, who: Identified) -> Result<Move, Refusal> {
        let resumed = self.channel.resumed();
        let (keys, session_id) = self.channel.keys()?;
        let proof = Arc::new(Proof {
            method: self.method,
            inner: who.inner,
            outer_identity: context.identity.to_owned(),
            identity: who.identity,
            certificate: who.certificate,
            keys: Some(keys),
            session_id,
            resumed: resumed.is_some(),
            tls: Some(self.channel.version()),
        });
        context.admit(&proof)?;
        let proven = resumed.unwrap_or_else(|| {
            Arc::new(Proven {
                identity: proof.identity.clone(),
                inner: proof.inner,
                certificate: proof.certificate.clone(),
                since: context.now,
            })
        });
        self.channel.write(self.last_word(&proof).as_slice());
        if self.channel.has_output() {
            self.state = State::Closing(proof, proven);
            return Ok(self.ask(context));
        }
        Ok(self.finish(proof, &proven))
    }

    /// What is said inside the tunnel when all is proven. With TLS 1.3 that is one octet, for
    /// EAP-TLS and for the others when a session was resumed (RFC 9190 section 2.1.1; for the
    /// others RFC 9427, from memory).
    fn last_word(&self, proof: &Proof) -> Vec<u8> {
        let nothing_inside = proof.resumed || matches!(self.inside, Inside::Nothing);
        if proof.tls == Some(TlsVersion::Tls13) && nothing_inside {
            return PROTECTED_SUCCESS.to_vec();
        }
        self.inside.result(true)
    }

    fn finish(&self, proof: Arc<Proof>, proven: &Arc<Proven>) -> Move {
        self.channel.link().keep_sessions(proven);
        Move::Proven(proof)
    }

    /// TLS has failed. If the library has an alert to send, the supplicant gets it first.
    fn fail(&mut self, context: &Context<'_>, refusal: Refusal) -> Result<Move, Refusal> {
        if !self.channel.has_output() {
            return Err(refusal);
        }
        self.state = State::Failing(refusal);
        Ok(self.ask(context))
    }

    /// The inside has failed. PEAP tells it in the tunnel first. In EAP-TLS what is left of the
    /// handshake is held back: a supplicant that has our Finished takes itself for logged in and
    /// disregards a failure (seen with a real one; the peer of RFC 4137 does so, from memory).
    fn refuse_inside(&mut self, context: &Context<'_>, refusal: Refusal) -> Result<Move, Refusal> {
        if matches!(self.inside, Inside::Nothing) {
            return Err(refusal);
        }
        self.channel.write(&self.inside.result(false));
        self.fail(context, refusal)
    }

    fn ask(&mut self, context: &Context<'_>) -> Move {
        Move::Ask(self.channel.next_fragment(context.room))
    }

    fn protocol(&self, what: &'static str) -> Refusal {
        Refusal::Protocol {
            method: self.method.name(),
            what,
        }
    }

    pub(super) fn stalled(&self) -> Refusal {
        let method = self.method;
        if let State::Failing(refusal) = &self.state {
            return refusal.clone();
        }
        if let Some((sent, of)) = self.channel.progress() {
            return Refusal::Silent(Silence::Fragment { sent, of });
        }
        match &self.state {
            State::Handshake if self.channel.has_answered() => {
                Refusal::Silent(Silence::ServerCertificate(method))
            }
            State::Closing(..) => Refusal::Silent(Silence::Last(method)),
            State::Inside => self
                .inside
                .stalled()
                .unwrap_or(Refusal::Silent(Silence::Method(method))),
            _ => Refusal::Silent(Silence::Method(method)),
        }
    }
}

impl Inside {
    /// The handshake is done; nothing was said inside so far.
    fn begin(&mut self, context: &mut Context<'_>, channel: &Channel) -> Result<Reply, Refusal> {
        match self {
            Inside::Nothing => by_certificate(channel),
            Inside::Ttls(_) => Ok(Reply::Wait),
            Inside::Peap(peap) => Ok(peap.begin(context)),
        }
    }

    /// The supplicant said this inside.
    fn receive(
        &mut self,
        context: &mut Context<'_>,
        channel: &Channel,
        plaintext: &[u8],
    ) -> Result<Reply, Refusal> {
        match self {
            Inside::Nothing => Err(Refusal::Protocol {
                method: Method::Tls.name(),
                what: "the supplicant sent application data, which EAP-TLS has none of",
            }),
            Inside::Ttls(ttls) => ttls.receive(context, channel, plaintext),
            Inside::Peap(peap) => peap.receive(context, plaintext),
        }
    }

    /// How the inside tells its result through the tunnel.
    fn result(&self, success: bool) -> Vec<u8> {
        match self {
            Inside::Peap(peap) => peap.result(success),
            Inside::Nothing | Inside::Ttls(_) => Vec::new(),
        }
    }

    /// What the supplicant says inside after all was proven.
    fn last_answer(&self, plaintext: &[u8]) -> Result<LastAnswer, Refusal> {
        match self {
            _ if plaintext.is_empty() => Ok(LastAnswer::Agrees),
            Inside::Peap(_) => Peap::last_answer(plaintext),
            Inside::Nothing | Inside::Ttls(_) => Ok(LastAnswer::GoesOn),
        }
    }

    fn stalled(&self) -> Option<Refusal> {
        match self {
            Inside::Nothing => None,
            Inside::Ttls(ttls) => ttls.stalled(),
            Inside::Peap(peap) => peap.stalled(),
        }
    }
}

fn by_certificate(channel: &Channel) -> Result<Reply, Refusal> {
    let certificate = channel.link().certificate().ok_or_else(|| {
        Refusal::Certificate(CertificateFault {
            cause: CertificateCause::BadChain("it cannot be read as X.509".to_owned()),
            certificate: None,
        })
    })?;
    Ok(Reply::Proven(Identified {
        identity: certificate.name().to_owned(),
        inner: None,
        certificate: Some(certificate),
    }))
}
