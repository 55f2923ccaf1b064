//! Identity, Nak and the methods without TLS, from the peer's side. The same machine runs in the
//! clear and inside tunnels.

use md5::{Digest, Md5};

use super::ms_chap::Login;
use super::tunnel::Tunnel;
use super::{Material, Surroundings, Why};
use crate::eap::codec::ms_chap_v2::Message;
use crate::eap::codec::packet::encode;
use crate::eap::codec::{Code, Packet, Type};

pub(super) struct Peer {
    identity: String,
    methods: Vec<Type>,
    running: Option<Running>,
    done: Option<Material>,
}

enum Running {
    MsChapV2(Option<Login>),
    Tunnel(Box<Tunnel>),
}

/// What a method makes of a request.
pub(super) struct Answer {
    /// What goes after the Type field; `None` for silence.
    pub(super) data: Option<Vec<u8>>,
    /// The method is done, and gives this.
    pub(super) done: Option<Material>,
    /// What went wrong.
    pub(super) why: Option<Why>,
}

impl Answer {
    pub(super) fn data(data: Vec<u8>) -> Answer {
        Answer {
            data: Some(data),
            done: None,
            why: None,
        }
    }

    pub(super) fn with(mut self, done: Option<Material>) -> Answer {
        self.done = done;
        self
    }

    pub(super) fn trouble(data: Option<Vec<u8>>, why: Why) -> Answer {
        Answer {
            data,
            done: None,
            why: Some(why),
        }
    }
}

impl Peer {
    pub(super) fn new(identity: String, methods: Vec<Type>) -> Peer {
        Peer {
            identity,
            methods,
            running: None,
            done: None,
        }
    }

    pub(super) fn is_done(&self) -> bool {
        self.done.is_some()
    }

    pub(super) fn material(&self) -> Option<&Material> {
        self.done.as_ref()
    }

    /// Answers a request, and tells what went wrong.
    pub(super) fn request(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        packet: &Packet<'_>,
    ) -> (Option<Vec<u8>>, Option<Why>) {
        let Some(kind) = packet.kind else {
            return (None, None);
        };
        let respond = |kind, data: &[u8]| encode(Code::Response, packet.identifier, kind, data);
        match kind {
            Type::IDENTITY => {
                self.running = None;
                self.done = None;
                (Some(respond(kind, self.identity.as_bytes())), None)
            }
            Type::NOTIFICATION => (Some(respond(kind, &[])), None),
            _ if self.methods.contains(&kind) => {
                let answer = self.method(surroundings, kind, packet);
                self.done = answer.done.or(self.done.take());
                (answer.data.map(|data| respond(kind, &data)), answer.why)
            }
            _ => {
                let mut wanted: Vec<u8> = self.methods.iter().map(|method| method.0).collect();
                if wanted.is_empty() {
                    wanted.push(0);
                }
                (Some(respond(Type::NAK, &wanted)), None)
            }
        }
    }

    fn method(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        kind: Type,
        packet: &Packet<'_>,
    ) -> Answer {
        match kind {
            Type::MD5 => md5_challenge(surroundings, packet),
            Type::MS_CHAP_V2 => {
                if !matches!(self.running, Some(Running::MsChapV2(_))) {
                    self.running = Some(Running::MsChapV2(None));
                }
                match &mut self.running {
                    Some(Running::MsChapV2(login)) => ms_chap_v2(surroundings, login, packet.data),
                    _ => Answer::trouble(None, Why::Protocol("no method runs")),
                }
            }
            _ => self.tunnel(surroundings, kind, packet.data),
        }
    }

    fn tunnel(&mut self, surroundings: &mut Surroundings<'_>, kind: Type, data: &[u8]) -> Answer {
        let running =
            matches!(&self.running, Some(Running::Tunnel(tunnel)) if tunnel.kind() == kind);
        if !running {
            match Tunnel::new(surroundings, kind) {
                Ok(tunnel) => self.running = Some(Running::Tunnel(Box::new(tunnel))),
                Err(why) => return Answer::trouble(None, why),
            }
        }
        match &mut self.running {
            Some(Running::Tunnel(tunnel)) => tunnel.request(surroundings, data),
            _ => Answer::trouble(None, Why::Protocol("no method runs")),
        }
    }
}

/// MD5 over identifier, password and challenge (RFC 3748 section 5.4, RFC 1994 section 4.1).
fn md5_challenge(surroundings: &Surroundings<'_>, packet: &Packet<'_>) -> Answer {
    let challenge = packet
        .data
        .split_first()
        .and_then(|(&size, rest)| rest.get(..usize::from(size)));
    let Some(challenge) = challenge else {
        return Answer::trouble(None, Why::Protocol("the MD5 challenge is cut off"));
    };
    let digest = Md5::new()
        .chain_update([packet.identifier])
        .chain_update(surroundings.config.password.as_bytes())
        .chain_update(challenge)
        .finalize();
    let name = surroundings.config.account.as_bytes();
    let data = [&[16], digest.as_slice(), name].concat();
    Answer::data(data).with(Some(Material::default()))
}

fn ms_chap_v2(
    surroundings: &mut Surroundings<'_>,
    login: &mut Option<Login>,
    data: &[u8],
) -> Answer {
    match (Message::parse_request(data), login) {
        (Some(Message::Challenge { id, challenge, .. }), login) => {
            let config = surroundings.config;
            let mut peer_challenge = [0; 16];
            surroundings.rng.fill_bytes(&mut peer_challenge);
            let name = config.ms_chap_name();
            let new = Login::new(name, &config.password, &challenge, &peer_challenge);
            let response = Message::Response {
                id,
                peer_challenge,
                nt_response: new.response,
                name: name.as_bytes(),
            };
            *login = Some(new);
            Answer::data(response.encode())
        }
        (Some(Message::SuccessRequest { text, .. }), Some(login)) => {
            if !proves(login, text) {
                let failure = Message::FailureResponse.encode();
                return Answer::trouble(Some(failure), Why::ServerNotProven);
            }
            Answer::data(Message::SuccessResponse.encode()).with(Some(Material {
                msk: Some(login.msk()),
                ..Material::default()
            }))
        }
        // It has one password, so that a retry would only fail again.
        (Some(Message::FailureRequest { text, .. }), _) => Answer::trouble(
            Some(Message::FailureResponse.encode()),
            Why::PasswordRefused(error_code(text)),
        ),
        _ => Answer::trouble(
            None,
            Why::Protocol("an EAP-MSCHAPv2 request that does not fit"),
        ),
    }
}

/// True if the text of a success begins with the proof (RFC 2759 section 5).
pub(super) fn proves(login: &Login, text: &[u8]) -> bool {
    text.get(..42) == Some(login.expected_proof().as_bytes())
}

/// The number after `E=` (RFC 2759 section 6); 0 when there is none.
fn error_code(text: &[u8]) -> u32 {
    std::str::from_utf8(text)
        .ok()
        .and_then(|text| text.strip_prefix("E=")?.split(' ').next()?.parse().ok())
        .unwrap_or(0)
}
