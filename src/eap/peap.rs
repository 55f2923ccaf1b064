//! Inside PEAP version 0: EAP with its header left out, then a word on the result. All of it is
//! common practice from memory; there is no RFC.

use super::codec::{Code, Packet, Type, packet, peap};
use super::conversation::Step;
use super::exchange::Exchange;
use super::method::Context;
use super::proof::{Inner, Method};
use super::refusal::Refusal;
use super::settings::Place;
use super::tunnel::{Identified, LastAnswer, Reply};

pub(super) struct Peap {
    exchange: Exchange,
}

impl Peap {
    pub(super) fn new() -> Peap {
        Peap {
            exchange: Exchange::new(Place::Peap),
        }
    }

    /// The server begins, with the question who it is.
    pub(super) fn begin(&mut self, context: &mut Context<'_>) -> Reply {
        let question = self.exchange.start(context.identifier);
        Reply::Send(peap::compress(&question).to_vec())
    }

    pub(super) fn receive(
        &mut self,
        context: &mut Context<'_>,
        plaintext: &[u8],
    ) -> Result<Reply, Refusal> {
        let identifier = self.exchange.identifier();
        let packet = peap::expand(Code::Response, identifier, plaintext)
            .ok_or(protocol("an empty message instead of an EAP response"))?;
        match self.exchange.inside(context, &packet) {
            Step::Send(packet) => Ok(Reply::Send(peap::compress(&packet).to_vec())),
            Step::Success(proof, _) => Ok(Reply::Proven(Identified {
                identity: proof.identity.clone(),
                inner: Some(Inner::Eap(proof.method)),
                certificate: proof.certificate.clone(),
            })),
            Step::Failure(refusal, _) => Err(refusal),
            Step::Discard(reason) => Err(Refusal::Inside(reason)),
        }
    }

    /// The packet that tells the result.
    pub(super) fn result(&self, success: bool) -> Vec<u8> {
        packet::encode(
            Code::Request,
            self.exchange.identifier().wrapping_add(1),
            Type::TLV,
            &peap::result_tlv(success),
        )
    }

    /// What the supplicant says to our success.
    ///
    /// After resuming with TLS 1.3 that was one octet. A supplicant from before RFC 9427 takes it
    /// for a request of type 0 and answers with a Nak (seen with a supplicant of 2022); it is told
    /// the result as ever.
    pub(super) fn last_answer(plaintext: &[u8]) -> Result<LastAnswer, Refusal> {
        let packet = peap::expand(Code::Response, 0, plaintext).unwrap_or_default();
        match Packet::parse(&packet) {
            Ok(response) if response.kind == Some(Type::TLV) => {
                match peap::read_result(response.data) {
                    Some(true) => Ok(LastAnswer::Agrees),
                    Some(false) => Err(Refusal::ResultRefused),
                    None => Err(protocol("the last message tells no result")),
                }
            }
            Ok(response) if response.kind == Some(Type::NAK) => Ok(LastAnswer::WantsResult),
            _ => Err(protocol("the last message is no result")),
        }
    }

    pub(super) fn stalled(&self) -> Option<Refusal> {
        self.exchange.stalled()
    }
}

fn protocol(what: &'static str) -> Refusal {
    Refusal::Protocol {
        method: Method::Peap.name(),
        what,
    }
}
