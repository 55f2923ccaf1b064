//! Small texts of the files: addresses, MAC masks, attribute names, tests.

use std::net::IpAddr;
use std::str::FromStr;

use ipnet::IpNet;

use crate::bench::AttributeName;
use crate::bench::yaml::nearest;
use crate::wire::Mac;
use crate::wire::registry::attributes as a;

/// An address or a prefix.
///
/// # Errors
/// Message and help.
pub(super) fn address(text: &str) -> Result<IpNet, String> {
    if let Ok(address) = text.parse::<IpAddr>() {
        return Ok(IpNet::from(address));
    }
    let Ok(net) = text.parse::<IpNet>() else {
        return Err(format!(
            "`{text}` is not an address or a prefix\nwrite 192.0.2.1, 192.0.2.0/24 or 2001:db8::/64"
        ));
    };
    if net.addr() != net.network() {
        return Err(format!(
            "`{text}` has bits beyond its prefix\nwrite {}, or the address without `/{}`",
            net.trunc(),
            net.prefix_len()
        ));
    }
    Ok(net)
}

/// A MAC prefix: hex digits with any of the usual separators, and the bits that count after a
/// slash where they are not all of the digits. Value and mask.
///
/// # Errors
/// Message and help.
pub(super) fn mac_prefix(text: &str) -> Result<(Mac, Mac), String> {
    let wrong = |what: &str| {
        format!("`{text}` is not a MAC prefix: {what}\nwrite 02:1a:70 or 02:1a:70:10:00:00/28")
    };
    let (digits, bits) = match text.split_once('/') {
        Some((digits, bits)) => (digits, Some(bits)),
        None => (text, None),
    };
    let hex: String = digits.replace(['-', ':', '.'], "");
    if hex.is_empty() || hex.len() > 12 || !hex.bytes().all(|c| c.is_ascii_hexdigit()) {
        return Err(wrong("1 to 12 hex digits are wanted"));
    }
    let given = hex.len() * 4;
    let bits = match bits {
        None if hex.len().is_multiple_of(2) => given,
        None => return Err(wrong("half an octet needs its bits, as in /20")),
        Some(bits) => bits
            .parse()
            .ok()
            .filter(|bits| (1..=given).contains(bits))
            .ok_or_else(|| wrong("the bits are more than the digits give, or none"))?,
    };
    let value = Mac::from_str(&format!("{hex:0<12}")).map_err(|error| wrong(&error.to_string()))?;
    let mask = from_u64(u64::MAX << (48 - bits));
    beyond_mask(value, mask).map_err(|rest| wrong(&rest))?;
    Ok((value, mask))
}

/// A MAC value and mask, `VALUE/MASK`.
///
/// # Errors
/// Message and help.
pub(super) fn mac_mask(text: &str) -> Result<(Mac, Mac), String> {
    let wrong = |what: &str| {
        format!(
            "`{text}` is not a MAC value and mask: {what}\n\
             write 02:00:00:00:00:00/02:00:00:00:00:00: the bits to compare with, the bits that count"
        )
    };
    let (value, mask) = text
        .split_once('/')
        .ok_or_else(|| wrong("`/` is missing"))?;
    let parse = |text: &str| {
        text.parse::<Mac>()
            .map_err(|error| wrong(&error.to_string()))
    };
    let (value, mask) = (parse(value)?, parse(mask)?);
    if mask == Mac::default() {
        return Err(wrong("no bit of the mask counts"));
    }
    beyond_mask(value, mask).map_err(|rest| wrong(&rest))?;
    Ok((value, mask))
}

fn beyond_mask(value: Mac, mask: Mac) -> Result<(), String> {
    if value.to_u64() & !mask.to_u64() == 0 {
        return Ok(());
    }
    let kept = from_u64(value.to_u64() & mask.to_u64());
    Err(format!(
        "bits are set that do not count, {kept} is left of it"
    ))
}

/// The lowest 48 bits.
fn from_u64(bits: u64) -> Mac {
    let [_, _, octets @ ..] = bits.to_be_bytes();
    Mac(octets)
}

/// An attribute by its registered name, its number, or as `VENDOR/TYPE`.
///
/// # Errors
/// Message and help.
pub(super) fn attribute_name(text: &str) -> Result<AttributeName, String> {
    let wrong = |help: &str| format!("`{text}` is not an attribute\n{help}");
    const FORMS: &str = "write a registered name, a number from 1 to 255, or vendor/type as in 9/1";
    if let Some((vendor, kind)) = text.split_once('/') {
        return match (vendor.parse(), kind.parse()) {
            (Ok(vendor), Ok(kind)) if vendor > 0 => Ok(AttributeName::Vendor { vendor, kind }),
            _ => Err(wrong(
                "an IANA enterprise number and a vendor type from 0 to 255 are wanted, as in 9/1",
            )),
        };
    }
    if text.bytes().all(|c| c.is_ascii_digit()) {
        return match text.parse() {
            Ok(kind) if kind > 0 => Ok(AttributeName::Standard(kind)),
            _ => Err(wrong(FORMS)),
        };
    }
    match a::by_name(text) {
        Some(kind) => Ok(AttributeName::Standard(kind)),
        None => Err(wrong(&match nearest(text, a::names()) {
            Some(name) => format!("did you mean `{name}`?"),
            None => FORMS.to_owned(),
        })),
    }
}

/// A range of whole numbers, `FROM..TO`, both of them within.
///
/// # Errors
/// Message and help.
pub(super) fn range(text: &str) -> Result<(u64, u64), String> {
    let wrong = "write the lowest and the highest number, as in 10..20: both are within";
    let parsed = text
        .split_once("..")
        .and_then(|(from, to)| Some((from.trim().parse().ok()?, to.trim().parse().ok()?)));
    match parsed {
        Some((from, to)) if from <= to => Ok((from, to)),
        Some(_) => Err(format!("`{text}` runs backwards\n{wrong}")),
        None => Err(format!("`{text}` is not a range\n{wrong}")),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn addresses() {
        assert_eq!(address("192.0.2.7"), Ok("192.0.2.7/32".parse().unwrap()));
        assert_eq!(address("192.0.2.0/24"), Ok("192.0.2.0/24".parse().unwrap()));
        assert!(
            address("192.0.2.7/24")
                .unwrap_err()
                .contains("write 192.0.2.0/24")
        );
        assert!(address("192.0.2.300").is_err());
    }

    #[test]
    fn mac_prefixes_and_masks() {
        let mac = |text: &str| text.parse::<Mac>().unwrap();
        let of = |value, mask| Ok((mac(value), mac(mask)));
        assert_eq!(mac_prefix("02:1a:70"), of("021a70000000", "ffffff000000"));
        assert_eq!(
            mac_prefix("02-1A-70-10-00-00/28"),
            of("021a70100000", "fffffff00000")
        );
        assert_eq!(mac_prefix("021a7/20"), of("021a70000000", "fffff0000000"));
        assert_eq!(
            mac_prefix("021a.700b.c4d5"),
            of("021a700bc4d5", "ffffffffffff")
        );
        for wrong in [
            "",
            "02:1a:7",
            "02:1a:70/25",
            "02:1a:70/0",
            "02:1a:71/23",
            "02:1g",
            "/8",
        ] {
            assert!(mac_prefix(wrong).is_err(), "{wrong}");
        }
        assert_eq!(
            mac_mask("02:00:00:00:00:00/02:00:00:00:00:00"),
            of("020000000000", "020000000000")
        );
        for wrong in [
            "020000000000",
            "020000000000/000000000000",
            "030000000000/020000000000",
        ] {
            assert!(mac_mask(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn attribute_names() {
        assert_eq!(
            attribute_name("nas-port-type"),
            Ok(AttributeName::Standard(61))
        );
        assert_eq!(attribute_name("61"), Ok(AttributeName::Standard(61)));
        assert_eq!(
            attribute_name("9/1"),
            Ok(AttributeName::Vendor { vendor: 9, kind: 1 })
        );
        assert!(
            attribute_name("NAS-Prot-Type")
                .unwrap_err()
                .contains("`NAS-Port-Type`")
        );
        for wrong in ["0", "256", "9/256", "0/1", "9/", "x/1", "nothing-at-all"] {
            assert!(attribute_name(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn ranges() {
        assert_eq!(range("10..20"), Ok((10, 20)));
        assert_eq!(range("7 .. 7"), Ok((7, 7)));
        for wrong in ["10", "20..10", "a..b", "..", "1..2..3"] {
            assert!(range(wrong).is_err(), "{wrong}");
        }
    }

    proptest! {
        /// A prefix of n bits fits exactly the addresses whose first n bits are its own.
        #[test]
        fn a_prefix_is_its_bits(octets: [u8; 6], bits in 1usize..=48) {
            let kept = Mac(octets).to_u64() & (u64::MAX << (48 - bits));
            let text = format!("{}/{bits}", from_u64(kept));
            let (value, mask) = mac_prefix(&text).unwrap();
            prop_assert_eq!(value.to_u64(), kept & 0xffff_ffff_ffff);
            prop_assert_eq!(mask.to_u64().count_ones() as usize, bits);
            prop_assert_eq!(mask.to_u64().leading_zeros(), 16);
        }
    }
}
