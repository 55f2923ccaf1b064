//! A look into the first TLS message of a side: its random, which TLS 1.2 puts in the Session-Id
//! (RFC 5216 section 2.3) and which the TLS library keeps to itself.

use super::read::Reader;

const HANDSHAKE: u8 = 22;
const CLIENT_HELLO: u8 = 1;
const SERVER_HELLO: u8 = 2;

/// The 32 octets of random in a ClientHello or ServerHello at the front of `records`
/// (RFC 5246 section 7.4.1.2, section 6.2.1). `None` when the octets start with something else.
#[must_use]
pub fn hello_random(records: &[u8]) -> Option<[u8; 32]> {
    let handshake = handshake_front(records);
    let mut reader = Reader::new(&handshake);
    if !matches!(reader.u8()?, CLIENT_HELLO | SERVER_HELLO) {
        return None;
    }
    let (_length, _version) = (reader.u24()?, reader.u16()?);
    reader.array()
}

/// The first octets of the handshake stream, gathered over records: a sender may cut a hello into
/// records of any size.
fn handshake_front(records: &[u8]) -> Vec<u8> {
    const WANTED: usize = 1 + 3 + 2 + 32;
    let mut gathered = Vec::with_capacity(WANTED);
    let mut reader = Reader::new(records);
    while gathered.len() < WANTED {
        let (Some(HANDSHAKE), Some(_version), Some(length)) =
            (reader.u8(), reader.u16(), reader.u16())
        else {
            break;
        };
        let Some(body) = reader.take(usize::from(length)) else {
            break;
        };
        gathered.extend(body.iter().take(WANTED - gathered.len()));
    }
    gathered
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(body: &[u8]) -> Vec<u8> {
        let mut record = vec![22, 3, 1, 0, u8::try_from(body.len()).unwrap()];
        record.extend_from_slice(body);
        record
    }

    #[test]
    fn random_is_found_over_record_borders() {
        let mut hello = vec![1, 0, 0, 40, 3, 3];
        hello.extend_from_slice(&[0x5a; 32]);
        hello.extend_from_slice(&[0; 6]);
        assert_eq!(hello_random(&record(&hello)), Some([0x5a; 32]));
        let (front, back) = hello.split_at(10);
        let cut = [record(front), record(back)].concat();
        assert_eq!(hello_random(&cut), Some([0x5a; 32]));
    }

    #[test]
    fn other_messages_have_no_random() {
        let alert = [21, 3, 3, 0, 2, 2, 48];
        assert_eq!(hello_random(&alert), None);
        assert_eq!(hello_random(&record(&[11; 60])), None);
        assert_eq!(hello_random(&record(&[1, 0, 0, 40, 3, 3, 9])), None);
        assert_eq!(hello_random(&[]), None);
    }
}
