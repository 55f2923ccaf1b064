//! The options of one DHCP message, framed strictly and not yet understood.

use std::collections::BTreeMap;

use dhcproto::Decoder;

use super::dhcp::NotASighting;

const PAD: u8 = 0;
const END: u8 = 255;

/// Values by option code. An option that comes in several parts is joined in the order of arrival
/// (RFC 3396 section 5).
#[derive(Debug, Default)]
pub(super) struct Options(BTreeMap<u8, Vec<u8>>);

impl Options {
    /// Adds the options of one field of the message, up to the End option. A field that stops
    /// without one, after a whole option, is taken: nothing of it is lost.
    pub(super) fn add(&mut self, field: &[u8]) -> Result<(), NotASighting> {
        let mut decoder = Decoder::new(field);
        while let Ok(code) = decoder.read_u8() {
            match code {
                PAD => {}
                END => break,
                _ => {
                    let value = value(&mut decoder).ok_or(NotASighting::Truncated {
                        option: code,
                        left: decoder.buffer().len(),
                    })?;
                    self.0.entry(code).or_default().extend_from_slice(value);
                }
            }
        }
        Ok(())
    }

    /// The value of an option, all its parts joined.
    pub(super) fn get(&self, code: u8) -> Option<&[u8]> {
        self.0.get(&code).map(Vec::as_slice)
    }
}

/// The sub-options of Relay Agent Information; no pad or end among them (RFC 3046 section 2.0).
/// `None` when one runs past the option.
pub(super) fn sub_options(option: &[u8]) -> Option<Vec<(u8, &[u8])>> {
    let mut decoder = Decoder::new(option);
    let mut found = Vec::new();
    while let Ok(code) = decoder.read_u8() {
        found.push((code, value(&mut decoder)?));
    }
    Some(found)
}

fn value<'a>(decoder: &mut Decoder<'a>) -> Option<&'a [u8]> {
    let length = decoder.read_u8().ok()?;
    decoder.read_slice(usize::from(length)).ok()
}
