//! EAP-TLS, EAP-TTLS and PEAP from the peer's side.

use std::sync::Arc;

use zeroize::Zeroizing;

use super::config::{ClientTls, TtlsInside};
use super::ms_chap::Login;
use super::peer::{Answer, Peer, proves};
use super::tls::{Incoming, Pipe};
use super::{Material, Surroundings, Why};
use crate::eap::codec::avp::{self, Avp};
use crate::eap::codec::fragment::Fragment;
use crate::eap::codec::{Code, MS_CHAP_VENDOR, Packet, Type, packet, peap};

pub(super) struct Tunnel {
    kind: Type,
    settings: Arc<ClientTls>,
    /// `None` before the server's start.
    pipe: Option<Pipe>,
    inside: Peer,
    /// The MS-CHAPv2 login inside EAP-TTLS that waits for the server's proof.
    login: Option<Login>,
    /// Something was said inside.
    begun: bool,
    failed: bool,
}

/// What the inside wants.
struct Said {
    plaintext: Vec<u8>,
    done: bool,
    why: Option<Why>,
}

impl Said {
    fn new(plaintext: Vec<u8>, done: bool) -> Said {
        Said {
            plaintext,
            done,
            why: None,
        }
    }
}

impl Tunnel {
    pub(super) fn new(surroundings: &Surroundings<'_>, kind: Type) -> Result<Tunnel, Why> {
        let config = surroundings.config;
        let methods = match (kind, config.ttls) {
            (Type::PEAP, _) => vec![config.peap],
            (Type::TTLS, TtlsInside::Eap(method)) => vec![method],
            (Type::TLS | Type::TTLS, _) => Vec::new(),
            _ => return Err(Why::NotSetUp("a method of that type")),
        };
        Ok(Tunnel {
            kind,
            settings: config.tls.clone().ok_or(Why::NotSetUp("TLS"))?,
            pipe: None,
            inside: Peer::new(config.account.clone(), methods),
            login: None,
            begun: false,
            failed: false,
        })
    }

    pub(super) fn kind(&self) -> Type {
        self.kind
    }

    pub(super) fn request(&mut self, surroundings: &mut Surroundings<'_>, data: &[u8]) -> Answer {
        let Some(fragment) = Fragment::parse(data) else {
            return Answer::trouble(None, Why::Protocol("a fragment is cut off"));
        };
        match self.take(surroundings, &fragment) {
            Ok(answer) => answer,
            Err(why) => {
                self.failed = true;
                // TLS may have an alert for the server; else an acknowledgement lets it go on to
                // its EAP-Failure.
                let data = self.pipe.as_mut().map(|pipe| pipe.next(room(surroundings)));
                Answer::trouble(data, why)
            }
        }
    }

    fn take(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        fragment: &Fragment<'_>,
    ) -> Result<Answer, Why> {
        let room = room(surroundings);
        if fragment.start {
            let (inner, now) = (surroundings.inner, surroundings.now);
            let pipe = Pipe::new(self.kind, inner, &self.settings, now)?;
            return Ok(Answer::data(self.pipe.insert(pipe).next(room)));
        }
        let pipe = self
            .pipe
            .as_mut()
            .ok_or(Why::Protocol("the server sends TLS without a start"))?;
        let message = match pipe.take(fragment, room)? {
            Incoming::Reply(data) => return Ok(Answer::data(data)),
            Incoming::Whole(message) => message,
        };
        if self.failed {
            return Ok(Answer::data(pipe.next(room)));
        }
        let plaintext = pipe.process(&message)?;
        if !pipe.is_established() {
            return Ok(Answer::data(pipe.next(room)));
        }
        let said = self.established(surroundings, &plaintext)?;
        let pipe = self.pipe.as_mut().ok_or(Why::Protocol("no TLS"))?;
        if !said.plaintext.is_empty() {
            pipe.write(&said.plaintext);
        }
        let done = said.done.then(|| material(pipe)).transpose()?;
        let mut answer = Answer::data(pipe.next(room)).with(done);
        answer.why = said.why;
        Ok(answer)
    }

    /// The handshake is done; `plaintext` came through the tunnel.
    fn established(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        plaintext: &[u8],
    ) -> Result<Said, Why> {
        let pipe = self.pipe.as_ref().ok_or(Why::Protocol("no TLS"))?;
        let (tls13, resumed) = (pipe.is_tls13(), pipe.is_resumed());
        // The last handshake message of the client goes out with this answer.
        let finishing = pipe.has_output();
        let knows_success = match self.kind {
            Type::TLS => true,
            Type::PEAP => resumed && !self.begun && !surroundings.config.before_rfc9427,
            _ => resumed && !self.begun,
        };
        if tls13 && plaintext == [0] && knows_success {
            return Ok(Said::new(Vec::new(), true));
        }
        match self.kind {
            Type::TLS if !plaintext.is_empty() => {
                Err(Why::Protocol("application data that is no success"))
            }
            Type::TLS => Ok(Said::new(Vec::new(), !tls13)),
            // With TLS 1.2, resuming is enough unless the server begins inside.
            _ if finishing && resumed => Ok(Said::new(Vec::new(), !tls13)),
            Type::TTLS if finishing && !surroundings.config.eager => {
                Ok(Said::new(Vec::new(), false))
            }
            Type::TTLS => self.ttls(surroundings, plaintext),
            _ if plaintext.is_empty() => Ok(Said::new(Vec::new(), false)),
            _ => self.peap(surroundings, plaintext),
        }
    }

    fn ttls(&mut self, surroundings: &mut Surroundings<'_>, plaintext: &[u8]) -> Result<Said, Why> {
        if self.begun {
            return self.ttls_reply(surroundings, plaintext);
        }
        self.begun = true;
        let config = surroundings.config;
        let pipe = self.pipe.as_ref().ok_or(Why::Protocol("no TLS"))?;
        let mut message = Vec::new();
        let mut say = |pair: Avp<'_>| pair.write(&mut message);
        match config.ttls {
            TtlsInside::Pap => {
                let mut password = Zeroizing::new(config.password.as_bytes().to_vec());
                let padded = password.len().next_multiple_of(16);
                password.resize(padded, 0);
                say(Avp::new(avp::USER_NAME, config.account.as_bytes()));
                say(Avp::new(avp::USER_PASSWORD, &password));
            }
            TtlsInside::Chap => {
                let (challenge, identifier) = pipe.ttls_challenge()?;
                let value = chap(identifier, config.password.as_bytes(), &challenge);
                say(Avp::new(avp::USER_NAME, config.account.as_bytes()));
                say(Avp::new(avp::CHAP_CHALLENGE, &challenge));
                say(Avp::new(avp::CHAP_PASSWORD, &value));
            }
            TtlsInside::MsChapV2 => {
                let (challenge, identifier) = pipe.ttls_challenge()?;
                let mut peer_challenge = [0; 16];
                surroundings.rng.fill_bytes(&mut peer_challenge);
                let name = config.ms_chap_name();
                let login = Login::new(name, &config.password, &challenge, &peer_challenge);
                let response = [
                    &[identifier, 0],
                    peer_challenge.as_slice(),
                    &[0; 8],
                    &login.response,
                ]
                .concat();
                say(Avp::new(avp::USER_NAME, name.as_bytes()));
                let code = avp::MS_CHAP_CHALLENGE;
                say(Avp::of_vendor(MS_CHAP_VENDOR, code, &challenge));
                let code = avp::MS_CHAP2_RESPONSE;
                say(Avp::of_vendor(MS_CHAP_VENDOR, code, &response));
                self.login = Some(login);
                return Ok(Said::new(message, false));
            }
            TtlsInside::Eap(_) => {
                let account = config.account.as_bytes();
                let identity = packet::encode(Code::Response, 0, Type::IDENTITY, account);
                say(Avp::new(avp::EAP_MESSAGE, &identity));
                return Ok(Said::new(message, false));
            }
        }
        Ok(Said::new(message, true))
    }

    fn ttls_reply(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        plaintext: &[u8],
    ) -> Result<Said, Why> {
        let pairs = avp::parse(plaintext).ok_or(Why::Protocol("an AVP runs past the end"))?;
        let find = |vendor, code| {
            let fits = |pair: &&Avp<'_>| (pair.vendor, pair.code) == (vendor, code);
            pairs.iter().find(fits).map(|pair| pair.data)
        };
        if let Some(login) = &self.login {
            let success = find(MS_CHAP_VENDOR, avp::MS_CHAP2_SUCCESS);
            // The identifier stands before the proof (RFC 2548 section 2.3.3).
            let text = success.and_then(|value| value.split_first());
            return match text {
                Some((_, text)) if proves(login, text) => Ok(Said::new(Vec::new(), true)),
                _ => Err(Why::ServerNotProven),
            };
        }
        let Some(request) = find(0, avp::EAP_MESSAGE) else {
            return Ok(Said::new(Vec::new(), false));
        };
        let (response, said) = self.inner_eap(surroundings, request)?;
        let mut message = Vec::new();
        if let Some(response) = &response {
            Avp::new(avp::EAP_MESSAGE, response).write(&mut message);
        }
        Ok(Said {
            plaintext: message,
            ..said
        })
    }

    fn peap(&mut self, surroundings: &mut Surroundings<'_>, plaintext: &[u8]) -> Result<Said, Why> {
        self.begun = true;
        let request = peap::expand(Code::Request, 0, plaintext)
            .ok_or(Why::Protocol("nothing inside PEAP"))?;
        let parsed =
            Packet::parse(&request).map_err(|_| Why::Protocol("no EAP packet inside PEAP"))?;
        if parsed.kind != Some(Type::TLV) {
            let (response, said) = self.inner_eap(surroundings, &request)?;
            return Ok(Said {
                plaintext: response
                    .map_or_else(Vec::new, |packet| peap::compress(&packet).to_vec()),
                // Only the result ends PEAP.
                done: false,
                ..said
            });
        }
        let resumed = self.pipe.as_ref().is_some_and(Pipe::is_resumed);
        let agreed = self.inside.is_done() || resumed;
        let success = peap::read_result(parsed.data) == Some(true) && agreed;
        let result = peap::result_tlv(success);
        Ok(Said {
            plaintext: packet::encode(Code::Response, parsed.identifier, Type::TLV, &result),
            done: success,
            why: (!success).then_some(Why::ResultFailure),
        })
    }

    fn inner_eap(
        &mut self,
        surroundings: &mut Surroundings<'_>,
        request: &[u8],
    ) -> Result<(Option<Vec<u8>>, Said), Why> {
        let parsed =
            Packet::parse(request).map_err(|_| Why::Protocol("no EAP packet in the tunnel"))?;
        let mut inner = Surroundings {
            inner: true,
            rng: &mut *surroundings.rng,
            ..*surroundings
        };
        let (response, why) = self.inside.request(&mut inner, &parsed);
        let said = Said {
            plaintext: Vec::new(),
            done: self.inside.is_done(),
            why,
        };
        Ok((response, said))
    }
}

fn chap(identifier: u8, password: &[u8], challenge: &[u8; 16]) -> [u8; 17] {
    use md5::{Digest, Md5};
    let digest = Md5::digest([&[identifier], password, challenge].concat());
    let mut value = [identifier; 17];
    let [_, rest @ ..] = &mut value;
    rest.copy_from_slice(&digest);
    value
}

/// Most octets of an EAP packet that is sent. Inside a tunnel there is less room.
fn room(surroundings: &Surroundings<'_>) -> usize {
    let fragment = surroundings.config.fragment;
    if surroundings.inner {
        fragment.saturating_sub(64).max(64)
    } else {
        fragment
    }
}

fn material(pipe: &Pipe) -> Result<Material, Why> {
    let keys = pipe.keys()?;
    Ok(Material {
        msk: keys.first_chunk().map(|msk| Zeroizing::new(*msk)),
        session_id: pipe.session_id(),
        resumed: pipe.is_resumed(),
    })
}
