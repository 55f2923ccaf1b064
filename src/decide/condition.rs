//! Whether a condition holds, and on which facts.

use std::fmt;
use std::time::Duration;

use super::Facts;
use super::value;
use super::why::{List, Quoted, Why};
use crate::bench::{AttributeName, CertificateField, Condition, DhcpField, MethodName, Test};
use crate::wire::Mac;

/// No longer a line of reasons, in octets: a condition may hold hundreds.
const LONG_ENOUGH: usize = 300;

/// Whether the condition holds. What is said are the facts that settled it: of an `all` that
/// failed the first that failed, of an `any` that held the one that held.
pub(super) fn fits(condition: &Condition, facts: &Facts<'_>, why: &mut impl Why) -> bool {
    match condition {
        Condition::All(parts) => settle(parts, false, facts, why),
        Condition::Any(parts) => settle(parts, true, facts, why),
        Condition::Not(part) => !fits(part, facts, why),
        Condition::MacMask { value, mask } => mac_mask(facts, *value, *mask, why),
        Condition::MacList(list) => mac_list(facts, list, why),
        Condition::Dhcp(field, test) => dhcp(facts, *field, test, why),
        Condition::Attribute(name, test) => attribute(facts, *name, test, why),
        Condition::Switch(test) => {
            let name = Some(facts.switch.name.as_str());
            tested("switch", name, test, why)
        }
        Condition::Port(test) => tested("port", facts.port, test, why),
        Condition::Method(methods) => method(facts, methods, why),
        Condition::Group(test) => group(facts, test, why),
        Condition::Identity(test) => {
            let identity = facts.login.map(|login| login.identity.as_str());
            tested("identity", identity, test, why)
        }
        Condition::Certificate(field, test) => certificate(facts, *field, test, why),
        Condition::AfterMachine { within, group } => {
            after_machine(facts, *within, group.as_ref(), why)
        }
    }
}

/// Tries the parts until one gives `settles`; that one's reason is the reason. If none does, all
/// of their reasons are.
fn settle(parts: &[Condition], settles: bool, facts: &Facts<'_>, why: &mut impl Why) -> bool {
    let start = why.mark();
    let mut more = false;
    for part in parts {
        let before = why.mark();
        if fits(part, facts, why) == settles {
            why.forget(start, before);
            return settles;
        }
        if why.mark() - start > LONG_ENOUGH && before > start {
            why.forget(before, why.mark());
            more = true;
        }
    }
    if more {
        why.say(format_args!("…"));
    }
    !settles
}

fn mac_mask(facts: &Facts<'_>, value: Mac, mask: Mac, why: &mut impl Why) -> bool {
    let Some(mac) = facts.mac else {
        return no_mac(why);
    };
    let fits = (mac.to_u64() ^ value.to_u64()) & mask.to_u64() == 0;
    let word = if fits { "is" } else { "is not" };
    why.say(format_args!(
        "mac {mac} {word} under {}",
        Masked(value, mask)
    ));
    fits
}

fn mac_list(facts: &Facts<'_>, list: &[Mac], why: &mut impl Why) -> bool {
    let Some(mac) = facts.mac else {
        return no_mac(why);
    };
    let fits = list.contains(&mac);
    let word = if fits { "is" } else { "is not" };
    why.say(format_args!(
        "mac {mac} {word} on the list of {}",
        list.len()
    ));
    fits
}

fn no_mac(why: &mut impl Why) -> bool {
    why.say(format_args!("the request names no mac"));
    false
}

fn dhcp(facts: &Facts<'_>, field: DhcpField, test: &Test, why: &mut impl Why) -> bool {
    let word = field.word();
    let Some(sightings) = facts.device.map(|device| &device.sightings.dhcp) else {
        why.say(format_args!(
            "no sighting of dhcp {word}: the device is new"
        ));
        return false;
    };
    let Some(value) = sightings.get(word) else {
        why.say(format_args!("no sighting of dhcp {word} yet"));
        return false;
    };
    tested(format_args!("dhcp {word}"), Some(value), test, why)
}

fn attribute(facts: &Facts<'_>, name: AttributeName, test: &Test, why: &mut impl Why) -> bool {
    let Some(request) = &facts.request else {
        why.say(format_args!("no request to look for {name} in"));
        return false;
    };
    match name {
        AttributeName::Standard(kind) => {
            let values = request.all(kind).map(|found| value::standard(&found));
            any_tested(&name, values, test, why)
        }
        AttributeName::Vendor { vendor, kind } => {
            let values = request
                .vendor(vendor)
                .filter(|found| found.kind == kind)
                .map(|found| value::vendor(found.value));
            any_tested(&name, values, test, why)
        }
    }
}

fn method(facts: &Facts<'_>, methods: &[MethodName], why: &mut impl Why) -> bool {
    let fits = methods.contains(&facts.method);
    let word = if fits { "is" } else { "is not" };
    why.say(format_args!(
        "method {} {word} {}",
        facts.method,
        Methods(methods)
    ));
    fits
}

fn group(facts: &Facts<'_>, test: &Test, why: &mut impl Why) -> bool {
    let Some(login) = facts.login else {
        return no_login("group", why);
    };
    any_tested(&"group", login.groups.iter(), test, why)
}

fn certificate(
    facts: &Facts<'_>,
    field: CertificateField,
    test: &Test,
    why: &mut impl Why,
) -> bool {
    let Some(login) = facts.login else {
        return no_login("certificate", why);
    };
    let Some(found) = &login.certificate else {
        why.say(format_args!("the login had no certificate"));
        return false;
    };
    let label = format_args!("certificate {}", field.word());
    match field {
        CertificateField::Subject => tested(label, Some(&found.subject), test, why),
        CertificateField::CommonName => tested(label, found.common_name.as_deref(), test, why),
        CertificateField::Issuer => tested(label, Some(&found.issuer), test, why),
        CertificateField::AlternativeName => {
            any_tested(&label, found.alternative_names.iter(), test, why)
        }
        CertificateField::KeyUsage => any_tested(&label, found.key_usages.iter(), test, why),
    }
}

fn no_login(what: &str, why: &mut impl Why) -> bool {
    why.say(format_args!(
        "no {what}: nobody logged on, the mac alone is known"
    ));
    false
}

fn after_machine(
    facts: &Facts<'_>,
    within: Duration,
    group: Option<&Test>,
    why: &mut impl Why,
) -> bool {
    let Some(machine) = facts.device.and_then(|device| device.machine.as_ref()) else {
        why.say(format_args!("no machine logged on with this mac before"));
        return false;
    };
    let ago = facts.now.duration_since(machine.at);
    let in_time = !ago.is_negative() && ago.unsigned_abs() <= within;
    let word = if in_time { "within" } else { "not within" };
    let name = Quoted(&machine.name);
    let (ago, within) = (ago.as_secs(), within.as_secs());
    why.say(format_args!(
        "machine {name} logged on {ago} s ago, {word} {within} s"
    ));
    in_time
        && group.is_none_or(|test| {
            any_tested(&"group of the machine", machine.groups.iter(), test, why)
        })
}

/// One value that may be missing.
fn tested(
    label: impl fmt::Display,
    value: Option<&(impl AsRef<str> + ?Sized)>,
    test: &Test,
    why: &mut impl Why,
) -> bool {
    any_tested(&label, value.into_iter(), test, why)
}

/// The first value that passes. Of several that do not, all are said.
fn any_tested(
    label: &impl fmt::Display,
    values: impl Iterator<Item = impl AsRef<str>>,
    test: &Test,
    why: &mut impl Why,
) -> bool {
    let start = why.mark();
    let mut met = false;
    for value in values {
        met = true;
        let value = value.as_ref();
        let before = why.mark();
        let passes = test.passes(value);
        why.say(format_args!(
            "{label} {} {}",
            Quoted(value),
            Phrase(test, passes)
        ));
        if passes {
            why.forget(start, before);
            return true;
        }
        if before - start > LONG_ENOUGH {
            why.forget(before, why.mark());
        }
    }
    if !met {
        why.say(format_args!("no {label}"));
    }
    false
}

/// What a test says of a value, after the value.
struct Phrase<'a>(&'a Test, bool);

impl fmt::Display for Phrase<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Phrase(test, passes) = *self;
        let is = if passes { "is" } else { "is not" };
        let matches = if passes { "matches" } else { "does not match" };
        match test {
            // A value that passes stands before this already.
            Test::Exact(_) if passes => f.write_str("is as wanted"),
            Test::Exact(text) => write!(f, "is not {}", Quoted(text)),
            Test::OneOf(texts) => write!(f, "{is} one of {}", List(texts)),
            Test::Glob(glob) => write!(f, "{matches} glob {}", Quoted(glob.glob().glob())),
            Test::Regex(regex) => write!(f, "{matches} regex {}", Quoted(regex.as_str())),
            Test::Range(from, to) => write!(f, "{is} within {from}..{to}"),
            Test::Present => f.write_str("is there"),
        }
    }
}

/// A MAC prefix in octets and bits, or value and mask.
struct Masked(Mac, Mac);

impl fmt::Display for Masked {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Masked(value, mask) = *self;
        let bits = (mask.to_u64() << 16).leading_ones();
        if mask.to_u64().count_ones() != bits {
            return write!(f, "{value} with mask {mask}");
        }
        for (at, octet) in value.prefix(bits.div_ceil(8) as usize).iter().enumerate() {
            let colon = if at > 0 { ":" } else { "" };
            write!(f, "{colon}{octet:02x}")?;
        }
        write!(f, "/{bits}")
    }
}

struct Methods<'a>(&'a [MethodName]);

impl fmt::Display for Methods<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, method) in self.0.iter().enumerate() {
            let or = if at > 0 { " or " } else { "" };
            write!(f, "{or}{method}")?;
        }
        Ok(())
    }
}
