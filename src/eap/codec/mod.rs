//! Message codecs of EAP and its methods: the part that the authentication server and the
//! stand-in's supplicant share. They turn octets into fields and back, and know no state, no key
//! and no rule of a method.

pub mod avp;
pub mod fragment;
pub mod ms_chap_v2;
pub mod packet;
pub mod peap;
mod read;
pub mod tls_record;

pub use packet::{Code, Malformed, Packet, Type};

/// The vendor number of the MS-CHAP attributes (RFC 2548 section 2) and of the MPPE keys.
pub const MS_CHAP_VENDOR: u32 = 311;
