//! Inside EAP-TTLS (RFC 5281 section 11): PAP, CHAP, MS-CHAPv2 or EAP in attribute-value pairs.

use super::channel::Channel;
use super::codec::MS_CHAP_VENDOR;
use super::codec::avp::{self, Avp};
use super::conversation::Step;
use super::exchange::Exchange;
use super::identity::readable;
use super::md5::chap_fits;
use super::method::{Context, judge};
use super::ms_chap;
use super::ms_chap_v2::verify;
use super::proof::{Inner, Method};
use super::refusal::{Refusal, Silence};
use super::settings::Place;
use super::tunnel::{Identified, Reply};

pub(super) struct Ttls {
    state: State,
}

enum State {
    Fresh,
    Eap(Box<Exchange>),
    /// The MS-CHAPv2 success was sent; an empty message accepts it (RFC 5281 section 11.2.4).
    Accepting(String),
}

impl Ttls {
    pub(super) fn new() -> Ttls {
        Ttls {
            state: State::Fresh,
        }
    }

    pub(super) fn receive(
        &mut self,
        context: &mut Context<'_>,
        channel: &Channel,
        plaintext: &[u8],
    ) -> Result<Reply, Refusal> {
        if plaintext.is_empty() {
            return match &mut self.state {
                State::Fresh => Ok(Reply::Wait),
                State::Accepting(identity) => Ok(proven(std::mem::take(identity), Inner::MsChapV2)),
                State::Eap(_) => Err(protocol("an empty message instead of an EAP response")),
            };
        }
        let pairs = Pairs::read(plaintext)?;
        if let Some(packet) = pairs.eap() {
            return self.eap(context, &packet);
        }
        if pairs.find(0, avp::USER_PASSWORD).is_some() {
            pap(context, &pairs)
        } else if pairs.find(0, avp::CHAP_PASSWORD).is_some() {
            chap(context, channel, &pairs)
        } else if pairs.find(MS_CHAP_VENDOR, avp::MS_CHAP2_RESPONSE).is_some() {
            self.ms_chap_v2(context, channel, &pairs)
        } else if pairs.find(MS_CHAP_VENDOR, avp::MS_CHAP_RESPONSE).is_some() {
            Err(not_allowed(context, "MS-CHAP (version 1)"))
        } else {
            Err(protocol("no password and no EAP in the tunnel"))
        }
    }

    fn eap(&mut self, context: &mut Context<'_>, packet: &[u8]) -> Result<Reply, Refusal> {
        if context.settings.methods(Place::Ttls).is_empty() {
            return Err(not_allowed(context, "EAP"));
        }
        if !matches!(self.state, State::Eap(_)) {
            self.state = State::Eap(Box::new(Exchange::new(Place::Ttls)));
        }
        let State::Eap(exchange) = &mut self.state else {
            return Err(protocol("EAP out of place"));
        };
        match exchange.inside(context, packet) {
            Step::Send(packet) => {
                let mut message = Vec::new();
                Avp::new(avp::EAP_MESSAGE, &packet).write(&mut message);
                Ok(Reply::Send(message))
            }
            Step::Success(proof, _) => Ok(Reply::Proven(Identified {
                identity: proof.identity.clone(),
                inner: Some(Inner::Eap(proof.method)),
                certificate: proof.certificate.clone(),
            })),
            Step::Failure(refusal, _) => Err(refusal),
            Step::Discard(reason) => Err(Refusal::Inside(reason)),
        }
    }

    fn ms_chap_v2(
        &mut self,
        context: &mut Context<'_>,
        channel: &Channel,
        pairs: &Pairs<'_>,
    ) -> Result<Reply, Refusal> {
        allow(context, Inner::MsChapV2)?;
        let name = pairs.user_name()?;
        let challenge = pairs.vendor_value::<16>(avp::MS_CHAP_CHALLENGE)?;
        // Ident, Flags, PeerChallenge, eight reserved octets, NtResponse (RFC 2548 section 2.3.2).
        let [ident, _flags, response @ ..] = pairs.vendor_value::<50>(avp::MS_CHAP2_RESPONSE)?;
        check_challenge(channel, challenge, ident)?;
        let (Some(&peer_challenge), Some(&nt_response)) =
            (response.first_chunk(), response.last_chunk())
        else {
            return Err(protocol("MS-CHAP2-Response is too short"));
        };
        let exchange = ms_chap::Exchange {
            authenticator_challenge: *challenge,
            peer_challenge,
            name,
        };
        let verified = verify(
            context,
            Inner::MsChapV2.name(),
            &readable(name),
            &exchange,
            &nt_response,
        )?;
        let success = [&[*ident], verified.authenticator_response.as_bytes()].concat();
        let mut message = Vec::new();
        Avp::of_vendor(MS_CHAP_VENDOR, avp::MS_CHAP2_SUCCESS, &success).write(&mut message);
        self.state = State::Accepting(verified.identity);
        Ok(Reply::Send(message))
    }

    pub(super) fn stalled(&self) -> Option<Refusal> {
        match &self.state {
            State::Fresh => None,
            State::Eap(exchange) => exchange.stalled(),
            State::Accepting(_) => Some(Refusal::Silent(Silence::ServerProof)),
        }
    }
}

fn pap(context: &Context<'_>, pairs: &Pairs<'_>) -> Result<Reply, Refusal> {
    allow(context, Inner::Pap)?;
    let identity = readable(pairs.user_name()?);
    let sent = pairs
        .find(0, avp::USER_PASSWORD)
        .map(without_padding)
        .unwrap_or_default();
    let (account, password) = context.account(&identity, Inner::Pap.name())?;
    judge(
        &account,
        &identity,
        Inner::Pap.name(),
        password.matches(sent),
    )?;
    Ok(proven(identity, Inner::Pap))
}

/// The password may be filled up with zero octets to hide its length (RFC 5281 section 11.2.5).
fn without_padding(password: &[u8]) -> &[u8] {
    let end = password
        .iter()
        .rposition(|&octet| octet != 0)
        .map_or(0, |last| last + 1);
    password.get(..end).unwrap_or_default()
}

fn chap(context: &Context<'_>, channel: &Channel, pairs: &Pairs<'_>) -> Result<Reply, Refusal> {
    allow(context, Inner::Chap)?;
    let identity = readable(pairs.user_name()?);
    let challenge = pairs.value::<16>(avp::CHAP_CHALLENGE)?;
    let [ident, value @ ..] = pairs.value::<17>(avp::CHAP_PASSWORD)?;
    check_challenge(channel, challenge, ident)?;
    let method = Inner::Chap.name();
    let (account, password) = context.account(&identity, method)?;
    let fits = chap_fits(&password, &identity, method, *ident, challenge, value)?;
    judge(&account, &identity, method, fits)?;
    Ok(proven(identity, Inner::Chap))
}

/// Challenge and identifier must be those that both sides take from TLS
/// (RFC 5281 section 11.2.2, section 11.2.4): the supplicant does not choose them.
fn check_challenge(channel: &Channel, challenge: &[u8; 16], ident: &u8) -> Result<(), Refusal> {
    let expected = channel.ttls_challenge()?;
    let [front @ .., last] = &expected;
    if front == challenge && last == ident {
        return Ok(());
    }
    Err(protocol(
        "the challenge is not the one that TLS gives (RFC 5281 section 11.1)",
    ))
}

fn proven(identity: String, inner: Inner) -> Reply {
    Reply::Proven(Identified {
        identity,
        inner: Some(inner),
        certificate: None,
    })
}

fn allow(context: &Context<'_>, inner: Inner) -> Result<(), Refusal> {
    if context.settings.plan().ttls.contains(&inner) {
        return Ok(());
    }
    Err(not_allowed(context, inner.name()))
}

fn not_allowed(context: &Context<'_>, wanted: &'static str) -> Refusal {
    Refusal::InnerNotAllowed {
        wanted,
        allowed: context.settings.plan().ttls.clone(),
    }
}

fn protocol(what: &'static str) -> Refusal {
    Refusal::Protocol {
        method: Method::Ttls.name(),
        what,
    }
}

/// The attribute-value pairs of one message.
struct Pairs<'a>(Vec<Avp<'a>>);

impl<'a> Pairs<'a> {
    fn read(plaintext: &'a [u8]) -> Result<Pairs<'a>, Refusal> {
        let pairs =
            avp::parse(plaintext).ok_or(protocol("an attribute-value pair runs past the end"))?;
        // RFC 5281 section 10.1: an unknown pair with the M bit means failure.
        let known = |pair: &Avp<'_>| match (pair.vendor, pair.code) {
            (0, code) => matches!(
                code,
                avp::USER_NAME
                    | avp::USER_PASSWORD
                    | avp::CHAP_PASSWORD
                    | avp::CHAP_CHALLENGE
                    | avp::EAP_MESSAGE
            ),
            (MS_CHAP_VENDOR, code) => matches!(
                code,
                avp::MS_CHAP_CHALLENGE | avp::MS_CHAP2_RESPONSE | avp::MS_CHAP_RESPONSE
            ),
            _ => false,
        };
        if pairs.iter().any(|pair| pair.mandatory && !known(pair)) {
            return Err(protocol(
                "an attribute-value pair must be understood and is not (RFC 5281 section 10.1)",
            ));
        }
        Ok(Pairs(pairs))
    }

    fn find(&self, vendor: u32, code: u32) -> Option<&'a [u8]> {
        self.0
            .iter()
            .find(|pair| pair.vendor == vendor && pair.code == code)
            .map(|pair| pair.data)
    }

    /// The EAP packet, put together when it comes in several pairs.
    fn eap(&self) -> Option<Vec<u8>> {
        let is_eap = |pair: &&Avp<'_>| pair.vendor == 0 && pair.code == avp::EAP_MESSAGE;
        let parts: Vec<&[u8]> = self.0.iter().filter(is_eap).map(|pair| pair.data).collect();
        (!parts.is_empty()).then(|| parts.concat())
    }

    fn user_name(&self) -> Result<&'a [u8], Refusal> {
        self.find(0, avp::USER_NAME)
            .ok_or(protocol("no User-Name in the tunnel"))
    }

    fn value<const N: usize>(&self, code: u32) -> Result<&'a [u8; N], Refusal> {
        self.exact(0, code)
    }

    fn vendor_value<const N: usize>(&self, code: u32) -> Result<&'a [u8; N], Refusal> {
        self.exact(MS_CHAP_VENDOR, code)
    }

    fn exact<const N: usize>(&self, vendor: u32, code: u32) -> Result<&'a [u8; N], Refusal> {
        self.find(vendor, code)
            .and_then(|value| value.try_into().ok())
            .ok_or(protocol(
                "a challenge or response is missing or has a wrong length",
            ))
    }
}
