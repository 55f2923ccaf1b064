//! A packet before it is signed.

use jiff::Timestamp;
use rand::RngCore;

use super::config::StandInConfig;
use super::misbehave::{self, Misbehaviour};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Builder, Code, Secret, hide, sign};

/// A packet before it is signed: the attributes that every copy of it carries.
#[derive(Debug, Clone)]
pub(super) struct Draft {
    pub(super) code: Code,
    pub(super) attributes: Vec<AttributeBuf>,
    /// Set after the first attribute, because it depends on the Request Authenticator.
    pub(super) credentials: Vec<Credential>,
    pub(super) seal: Seal,
    /// When what it tells of happened, where Acct-Delay-Time says how long ago that is.
    pub(super) dated: Option<Timestamp>,
}

/// A password on its way into a request.
#[derive(Clone)]
pub(super) enum Credential {
    /// User-Password.
    Pap(String),
    /// CHAP-Password against the Request Authenticator.
    Chap {
        /// CHAP identifier.
        identifier: u8,
        /// Password.
        password: String,
    },
}

impl std::fmt::Debug for Credential {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("<password>")
    }
}

/// Where Message-Authenticator goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Seal {
    None,
    First,
    Last,
    /// First, with the wrong octets.
    Broken,
}

/// A packet ready to be sent.
#[derive(Debug, Clone)]
pub(super) struct Signed {
    pub(super) authenticator: [u8; 16],
    pub(super) octets: Vec<u8>,
}

impl Draft {
    pub(super) fn new(code: Code, seal: Seal) -> Draft {
        Draft {
            code,
            attributes: Vec::with_capacity(16),
            credentials: Vec::new(),
            seal,
            dated: None,
        }
    }

    pub(super) fn octets(&mut self, kind: u8, value: impl Into<Vec<u8>>) {
        self.attributes.push(AttributeBuf::new(kind, value));
    }

    pub(super) fn text(&mut self, kind: u8, text: &str) {
        self.attributes.push(AttributeBuf::text(kind, text));
    }

    pub(super) fn integer(&mut self, kind: u8, value: u32) {
        self.attributes.push(AttributeBuf::integer(kind, value));
    }

    pub(super) fn holds(&self, kind: u8) -> bool {
        self.attributes
            .iter()
            .any(|attribute| attribute.kind == kind)
    }

    /// Leaves out every attribute of a type.
    pub(super) fn without(&mut self, kind: u8) {
        self.attributes.retain(|attribute| attribute.kind != kind);
    }

    /// Puts another value into every attribute of a type.
    pub(super) fn rewrite(&mut self, kind: u8, rewrite: impl Fn(&[u8]) -> Vec<u8>) {
        for attribute in self.attributes.iter_mut().filter(|a| a.kind == kind) {
            attribute.value = rewrite(&attribute.value);
        }
    }

    /// Signs a request with a fresh authenticator.
    pub(super) fn sign_request(
        mut self,
        identifier: u8,
        config: &StandInConfig,
        secret: &Secret,
        rng: &mut dyn RngCore,
    ) -> Signed {
        misbehave::edit(&config.misbehaviours, &mut self);
        let mut authenticator = [0; 16];
        if config.does(Misbehaviour::CountsAuthenticator) {
            authenticator = u128::from(identifier).to_be_bytes();
        } else if !self.code.request_is_digested()
            && !config.does(Misbehaviour::RepeatsAuthenticator)
        {
            rng.fill_bytes(&mut authenticator);
        }
        let builder = self.build(identifier, secret, &authenticator);
        let mut octets = if self.code.request_is_digested() {
            builder.finish_digested_request(secret)
        } else {
            builder.finish_request(&authenticator, secret)
        };
        self.break_seal(&mut octets);
        if self.code == Code::ACCOUNTING_REQUEST
            && config.does(Misbehaviour::WrongAccountingAuthenticator)
        {
            break_authenticator(&mut octets);
        }
        if let Some(own) = octets.get(4..20).and_then(|own| own.try_into().ok()) {
            authenticator = own;
        }
        Signed {
            authenticator,
            octets,
        }
    }

    /// Signs a response to the request with this authenticator.
    pub(super) fn sign_response(
        mut self,
        identifier: u8,
        config: &StandInConfig,
        secret: &Secret,
        request: &[u8; 16],
    ) -> Vec<u8> {
        misbehave::edit(&config.misbehaviours, &mut self);
        let builder = self.build(identifier, secret, request);
        let mut octets = builder.finish_response(request, secret);
        if self.seal == Seal::Broken {
            self.break_seal(&mut octets);
            let digest = sign::response_authenticator(&octets, request, secret);
            if let Some(own) = octets.get_mut(4..20) {
                own.copy_from_slice(&digest);
            }
        }
        if config.does(Misbehaviour::WrongChangeAuthenticator) {
            break_authenticator(&mut octets);
        }
        octets
    }

    /// What does not fit into a packet is left out, as in a switch: the values come from the
    /// configuration and from a server's answers, which are within limits one by one.
    fn build(&self, identifier: u8, secret: &Secret, authenticator: &[u8; 16]) -> Builder {
        let mut builder = Builder::new(self.code, identifier);
        if matches!(self.seal, Seal::First | Seal::Broken) {
            let _ = builder.message_authenticator();
        }
        let mut attributes = self.attributes.iter();
        if let Some(first) = attributes.next() {
            let _ = builder.attribute(first);
        }
        for credential in &self.credentials {
            if let Some(attribute) = credential.attribute(secret, authenticator) {
                let _ = builder.attribute(&attribute);
            }
        }
        for attribute in attributes {
            let _ = builder.attribute(attribute);
        }
        if self.seal == Seal::Last {
            let _ = builder.message_authenticator();
        }
        builder
    }

    fn break_seal(&self, octets: &mut [u8]) {
        // The first attribute's value starts at octet 22.
        if self.seal == Seal::Broken
            && let Some(octet) = octets.get_mut(22)
        {
            *octet ^= 0xff;
        }
    }
}

fn break_authenticator(octets: &mut [u8]) {
    if let Some(octet) = octets.get_mut(4) {
        *octet ^= 0xff;
    }
}

impl Credential {
    fn attribute(&self, secret: &Secret, authenticator: &[u8; 16]) -> Option<AttributeBuf> {
        match self {
            Credential::Pap(password) => {
                let value = hide::hide_password(password.as_bytes(), secret, authenticator).ok()?;
                Some(AttributeBuf::new(a::USER_PASSWORD, value))
            }
            Credential::Chap {
                identifier,
                password,
            } => {
                let mut value = vec![*identifier];
                value.extend_from_slice(&hide::chap_response(
                    *identifier,
                    password.as_bytes(),
                    authenticator,
                ));
                Some(AttributeBuf::new(a::CHAP_PASSWORD, value))
            }
        }
    }
}
