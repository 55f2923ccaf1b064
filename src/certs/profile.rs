//! Profiles for the open-source supplicant of Linux systems: one network block for a wired port
//! in the format of its configuration file.

use super::plan::Subject;
use super::set::{CA, MARK};
use super::{Plan, Role};

/// Profiles of a subject: path and text. Machines log on by certificate, people by certificate
/// or password.
pub(super) fn of(plan: &Plan, subject: Subject<'_>) -> Vec<(String, String)> {
    let Some(identity) = subject.identity() else {
        return Vec::new();
    };
    let folder = subject.folder();
    let by_certificate = format!(
        "    eap=TLS\n    client_cert=\"{folder}/good.pem\"\n    private_key=\"{folder}/good.key\"\n"
    );
    let mut methods = vec![("tls", by_certificate)];
    if subject.role == Role::Person {
        methods.push(("peap-mschapv2", by_password(plan, "PEAP", "MSCHAPV2")));
        methods.push(("ttls-mschapv2", by_password(plan, "TTLS", "MSCHAPV2")));
        methods.push(("ttls-pap", by_password(plan, "TTLS", "PAP")));
    }
    methods
        .into_iter()
        .map(|(method, settings)| {
            let path = format!(
                "profiles/{}-{}-{method}.conf",
                subject.role.word(),
                subject.name
            );
            (path, profile(plan, &identity, &settings))
        })
        .collect()
}

/// The password stays out of the file: the supplicant asks for it.
fn by_password(plan: &Plan, outer: &str, inner: &str) -> String {
    format!(
        "    eap={outer}\n    phase2=\"auth={inner}\"\n    anonymous_identity=\"anonymous@{}\"\n    \
         # No password here: the supplicant asks for it on its control interface.\n",
        plan.domain
    )
}

fn profile(plan: &Plan, identity: &str, settings: &str) -> String {
    format!(
        "{MARK}\
         # Wired 802.1X. Start the supplicant with its wired driver in the directory of manifest.json:\n\
         # the paths are relative. To try another certificate of the set, change its two lines.\n\
         ctrl_interface=/run/wpa_supplicant\n\
         ap_scan=0\n\
         eapol_version=2\n\
         network={{\n    \
             key_mgmt=IEEE8021X\n    \
             eapol_flags=0\n    \
             identity=\"{identity}\"\n    \
             ca_cert=\"{CA}\"\n    \
             domain_match=\"{server}.{domain}\"\n\
         {settings}\
         }}\n",
        server = plan.server,
        domain = plan.domain,
    )
}
