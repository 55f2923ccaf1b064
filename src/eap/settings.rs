//! What a bench allows: methods, TLS, fragment size.

use std::fmt;
use std::ops::RangeInclusive;
use std::sync::Arc;

use super::proof::{Inner, Method};
use super::tls_settings::Tls;

/// Octets that an EAP packet may be set to.
///
/// Below the low end a TLS flight takes more round trips than a switch has patience for; above the
/// high end an EAP packet and its attributes do not fit one RADIUS packet (RFC 2865 section 3).
pub const FRAGMENT_RANGE: RangeInclusive<usize> = 64..=3800;

/// What a bench allows, as it is written down. [`Settings::new`] checks it.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Methods to offer, the favourite first. One alone forces that method.
    pub preference: Vec<Method>,
    /// What is allowed inside EAP-TTLS. Of the EAP methods the favourite first.
    pub ttls: Vec<Inner>,
    /// EAP methods offered inside PEAP, the favourite first.
    pub peap: Vec<Method>,
    /// Needed for EAP-TLS, EAP-TTLS and PEAP.
    pub tls: Option<Arc<Tls>>,
    /// Most octets of an EAP packet that is sent; a smaller Framed-MTU goes before it.
    pub fragment: usize,
    /// How often a wrong MS-CHAPv2 password may be tried again within one login (the `R=` of
    /// RFC 2759 section 6). A password wrong for good gives one refused login, so 0 is the default.
    pub retries: u8,
    /// The name that the server gives itself in MD5-Challenge and MS-CHAPv2.
    pub name: String,
}

impl Default for Plan {
    fn default() -> Plan {
        Plan {
            preference: vec![Method::Md5],
            ttls: vec![
                Inner::Eap(Method::MsChapV2),
                Inner::Eap(Method::Md5),
                Inner::MsChapV2,
                Inner::Chap,
                Inner::Pap,
            ],
            peap: vec![Method::MsChapV2, Method::Tls],
            tls: None,
            fragment: 1024,
            retries: 0,
            name: "portproof".to_owned(),
        }
    }
}

/// Why a plan cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanError {
    /// No method to offer.
    #[error("no EAP method to offer {0}: name at least one")]
    NoMethod(Place),
    /// A method is named twice.
    #[error("{method} is named twice {place}")]
    Twice {
        /// The method.
        method: &'static str,
        /// In which list.
        place: Place,
    },
    /// A method that cannot run there.
    #[error("{method} cannot run {place}")]
    NotThere {
        /// The method.
        method: &'static str,
        /// In which list.
        place: Place,
    },
    /// A method needs a server certificate.
    #[error("{0} needs a server certificate and its key")]
    NoTls(Method),
    /// EAP-TLS needs to know whose certificates to trust.
    #[error("EAP-TLS needs at least one CA that signs the supplicants' certificates")]
    NoClientCa,
    /// The fragment size is out of range.
    #[error("a fragment size of {0} octets is out of range: {FRAGMENT_RANGE:?}")]
    Fragment(usize),
}

/// Where methods are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Place {
    /// In the clear.
    Outside,
    /// Inside EAP-TTLS.
    Ttls,
    /// Inside PEAP.
    Peap,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Place::Outside => "outside a tunnel",
            Place::Ttls => "inside EAP-TTLS",
            Place::Peap => "inside PEAP",
        })
    }
}

/// A checked [`Plan`], shared by all logins.
#[derive(Debug)]
pub struct Settings {
    plan: Plan,
    /// The EAP methods among `plan.ttls`.
    ttls_eap: Vec<Method>,
}

impl Settings {
    /// Checks a plan.
    ///
    /// # Errors
    /// The first rule that the plan breaks.
    pub fn new(plan: Plan) -> Result<Settings, PlanError> {
        if !FRAGMENT_RANGE.contains(&plan.fragment) {
            return Err(PlanError::Fragment(plan.fragment));
        }
        check_list(Place::Outside, &plan.preference, Method::name, |_| true)?;
        let used = |method| plan.preference.contains(&method);
        if used(Method::Ttls) {
            check_list(
                Place::Ttls,
                &plan.ttls,
                Inner::name,
                |inner| !matches!(inner, Inner::Eap(method) if method.uses_tls()),
            )?;
        }
        if used(Method::Peap) {
            check_list(Place::Peap, &plan.peap, Method::name, |method| {
                matches!(method, Method::MsChapV2 | Method::Tls)
            })?;
        }
        if let Some(&method) = plan.preference.iter().find(|method| method.uses_tls()) {
            let tls = plan.tls.as_ref().ok_or(PlanError::NoTls(method))?;
            let certificates =
                used(Method::Tls) || used(Method::Peap) && plan.peap.contains(&Method::Tls);
            if certificates && !tls.verifies_clients() {
                return Err(PlanError::NoClientCa);
            }
        }
        let ttls_eap = plan
            .ttls
            .iter()
            .filter_map(|inner| match inner {
                Inner::Eap(method) => Some(*method),
                _ => None,
            })
            .collect();
        Ok(Settings { plan, ttls_eap })
    }

    /// What was checked.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The EAP methods to offer at a place.
    pub(super) fn methods(&self, place: Place) -> &[Method] {
        match place {
            Place::Outside => &self.plan.preference,
            Place::Ttls => &self.ttls_eap,
            Place::Peap => &self.plan.peap,
        }
    }
}

fn check_list<T: Copy + PartialEq>(
    place: Place,
    list: &[T],
    name: fn(T) -> &'static str,
    allowed: fn(T) -> bool,
) -> Result<(), PlanError> {
    if list.is_empty() {
        return Err(PlanError::NoMethod(place));
    }
    for (at, &item) in list.iter().enumerate() {
        let method = name(item);
        if !allowed(item) {
            return Err(PlanError::NotThere { method, place });
        }
        if list.iter().skip(at + 1).any(|&later| later == item) {
            return Err(PlanError::Twice { method, place });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(change: impl FnOnce(&mut Plan)) -> PlanError {
        let mut plan = Plan::default();
        change(&mut plan);
        Settings::new(plan).unwrap_err()
    }

    #[test]
    fn default_plan_is_good() {
        assert!(Settings::new(Plan::default()).is_ok());
    }

    #[test]
    fn broken_plans_are_named() {
        assert_eq!(
            refusal(|plan| plan.preference.clear()),
            PlanError::NoMethod(Place::Outside)
        );
        assert_eq!(
            refusal(|plan| plan.preference.push(Method::Md5)),
            PlanError::Twice {
                method: "MD5-Challenge",
                place: Place::Outside
            }
        );
        assert_eq!(
            refusal(|plan| plan.preference.push(Method::Peap)),
            PlanError::NoTls(Method::Peap)
        );
        assert_eq!(
            refusal(|plan| {
                plan.preference.push(Method::Ttls);
                plan.ttls = vec![Inner::Eap(Method::Peap)];
            }),
            PlanError::NotThere {
                method: "PEAP",
                place: Place::Ttls
            }
        );
        assert_eq!(refusal(|plan| plan.fragment = 63), PlanError::Fragment(63));
    }
}
