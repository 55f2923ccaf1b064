//! EAP from both sides: the server's state machines against the stand-in's supplicant, which is
//! written apart from them and shares only the message codecs.

mod failures;
mod keys;
mod logins;
mod pair;
mod pki;
