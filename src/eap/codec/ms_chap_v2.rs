//! EAP-MSCHAPv2 messages after their Type field.
//!
//! The layout is common practice from memory (an expired draft); what the fields hold is
//! RFC 2759 sections 3 to 6.

use super::read::Reader;

const CHALLENGE: u8 = 1;
const RESPONSE: u8 = 2;
const SUCCESS: u8 = 3;
const FAILURE: u8 = 4;
const CHANGE_PASSWORD: u8 = 7;
/// Peer challenge, eight reserved octets, NT response and flags.
const RESPONSE_SIZE: u8 = 49;

/// One message. `id` is the MS-CHAPv2-ID, the server's count of tries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message<'a> {
    /// Server to peer: a challenge of 16 octets and the server's name.
    Challenge {
        /// MS-CHAPv2-ID.
        id: u8,
        /// AuthenticatorChallenge.
        challenge: [u8; 16],
        /// Name of the server.
        name: &'a [u8],
    },
    /// Peer to server.
    Response {
        /// MS-CHAPv2-ID.
        id: u8,
        /// PeerChallenge.
        peer_challenge: [u8; 16],
        /// NtResponse.
        nt_response: [u8; 24],
        /// Name of the account.
        name: &'a [u8],
    },
    /// Server to peer: `S=...` and text.
    SuccessRequest {
        /// MS-CHAPv2-ID.
        id: u8,
        /// What RFC 2759 section 5 says.
        text: &'a [u8],
    },
    /// Server to peer: `E=... R=... C=... V=... M=...`.
    FailureRequest {
        /// MS-CHAPv2-ID.
        id: u8,
        /// What RFC 2759 section 6 says.
        text: &'a [u8],
    },
    /// Peer to server: the success was verified.
    SuccessResponse,
    /// Peer to server: the failure was seen.
    FailureResponse,
    /// Peer to server: a new password (RFC 2759 section 7). Its content is not read.
    ChangePassword,
}

impl<'a> Message<'a> {
    /// Reads what a server sends; `None` when it is none of the three.
    #[must_use]
    pub fn parse_request(bytes: &'a [u8]) -> Option<Message<'a>> {
        let mut reader = Reader::new(bytes);
        let (opcode, id, _length) = (reader.u8()?, reader.u8()?, reader.u16()?);
        Some(match opcode {
            CHALLENGE if reader.u8()? == 16 => Message::Challenge {
                id,
                challenge: reader.array()?,
                name: reader.rest(),
            },
            SUCCESS => Message::SuccessRequest {
                id,
                text: reader.rest(),
            },
            FAILURE => Message::FailureRequest {
                id,
                text: reader.rest(),
            },
            _ => return None,
        })
    }

    /// Reads what a peer sends; `None` when it is none of the four. The acknowledgements are one
    /// octet; longer ones are accepted.
    #[must_use]
    pub fn parse_response(bytes: &'a [u8]) -> Option<Message<'a>> {
        let mut reader = Reader::new(bytes);
        Some(match reader.u8()? {
            RESPONSE => {
                let (id, _length) = (reader.u8()?, reader.u16()?);
                if reader.u8()? != RESPONSE_SIZE {
                    return None;
                }
                let peer_challenge = reader.array()?;
                reader.take(8)?;
                let nt_response = reader.array()?;
                reader.u8()?;
                Message::Response {
                    id,
                    peer_challenge,
                    nt_response,
                    name: reader.rest(),
                }
            }
            SUCCESS => Message::SuccessResponse,
            FAILURE => Message::FailureResponse,
            CHANGE_PASSWORD => Message::ChangePassword,
            _ => return None,
        })
    }

    /// Writes the message.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        match self {
            Message::Challenge {
                id,
                challenge,
                name,
            } => with_length(CHALLENGE, *id, &[&[16], challenge, name]),
            Message::Response {
                id,
                peer_challenge,
                nt_response,
                name,
            } => with_length(
                RESPONSE,
                *id,
                &[
                    &[RESPONSE_SIZE],
                    peer_challenge,
                    &[0; 8],
                    nt_response,
                    &[0],
                    name,
                ],
            ),
            Message::SuccessRequest { id, text } => with_length(SUCCESS, *id, &[text]),
            Message::FailureRequest { id, text } => with_length(FAILURE, *id, &[text]),
            Message::SuccessResponse => vec![SUCCESS],
            Message::FailureResponse => vec![FAILURE],
            Message::ChangePassword => vec![CHANGE_PASSWORD],
        }
    }
}

fn with_length(opcode: u8, id: u8, parts: &[&[u8]]) -> Vec<u8> {
    let body = parts.concat();
    let length = u16::try_from(4 + body.len()).unwrap_or(u16::MAX);
    let mut bytes = vec![opcode, id];
    bytes.extend_from_slice(&length.to_be_bytes());
    bytes.extend_from_slice(&body);
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_round_trip() {
        for message in [
            Message::Challenge {
                id: 3,
                challenge: [7; 16],
                name: b"bench",
            },
            Message::SuccessRequest {
                id: 3,
                text: b"S=00",
            },
            Message::FailureRequest {
                id: 4,
                text: b"E=691 R=0",
            },
        ] {
            assert_eq!(
                Message::parse_request(&message.encode()),
                Some(message.clone())
            );
        }
    }

    #[test]
    fn responses_round_trip_and_wrong_sizes_are_refused() {
        let response = Message::Response {
            id: 3,
            peer_challenge: [1; 16],
            nt_response: [2; 24],
            name: b"host/till-3",
        };
        let mut bytes = response.encode();
        assert_eq!(bytes.len(), 4 + 1 + 49 + 11);
        assert_eq!(Message::parse_response(&bytes), Some(response));
        assert_eq!(Message::parse_response(&bytes[..53]), None);
        bytes[4] = 48;
        assert_eq!(Message::parse_response(&bytes), None);
        assert_eq!(
            Message::parse_response(&[SUCCESS]),
            Some(Message::SuccessResponse)
        );
        assert_eq!(Message::parse_response(&[9]), None);
        assert_eq!(Message::parse_response(&[]), None);
    }
}
