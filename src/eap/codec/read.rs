//! One place for the length arithmetic of the codecs.

/// Reads big-endian fields from the front of a slice; every read past the end is `None`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reader<'a> {
    rest: &'a [u8],
}

impl<'a> Reader<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Reader<'a> {
        Reader { rest: bytes }
    }

    pub(super) fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.rest.split_at_checked(count)?;
        self.rest = rest;
        Some(taken)
    }

    pub(super) fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (taken, rest) = self.rest.split_first_chunk::<N>()?;
        self.rest = rest;
        Some(*taken)
    }

    pub(super) fn u8(&mut self) -> Option<u8> {
        self.array::<1>().map(|[octet]| octet)
    }

    pub(super) fn u16(&mut self) -> Option<u16> {
        self.array().map(u16::from_be_bytes)
    }

    pub(super) fn u24(&mut self) -> Option<u32> {
        self.array()
            .map(|[a, b, c]| u32::from_be_bytes([0, a, b, c]))
    }

    pub(super) fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_be_bytes)
    }

    pub(super) fn rest(self) -> &'a [u8] {
        self.rest
    }

    pub(super) fn is_empty(&self) -> bool {
        self.rest.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::Reader;

    #[test]
    fn reads_fields_and_stops_at_the_end() {
        let mut reader = Reader::new(&[1, 0, 2, 0, 0, 3, 0, 0, 0, 4, 9]);
        assert_eq!(reader.u8(), Some(1));
        assert_eq!(reader.u16(), Some(2));
        assert_eq!(reader.u24(), Some(3));
        assert_eq!(reader.u32(), Some(4));
        assert_eq!(reader.take(2), None);
        assert_eq!(reader.rest(), [9]);
        assert_eq!(reader.u16(), None);
        assert_eq!(reader.u8(), Some(9));
        assert!(reader.is_empty());
    }
}
