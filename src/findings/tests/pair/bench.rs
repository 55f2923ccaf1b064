//! Benches of the pair.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::sync::Arc;

use crate::bench::world::World;
use crate::bench::yaml::render;
use crate::bench::{self, Bench};

pub(super) const SWITCH: &str = "quay-3";

/// Authorize-Only as the spelling of a re-authentication (RFC 5176 section 3.2).
const AUTHORIZE_ONLY: &str = "\
dialect: authorize-only
about: re-authenticates by Authorize-Only
vlan: tunnel
tagged-vlans: true
priority: true
filter-rules: true
identify: [Acct-Session-Id, Calling-Station-Id]
event-timestamp: true
message-authenticator: true
changes:
  reauth:
    attributes:
      - { attribute: Service-Type, value: Authorize-Only }
    begun-by: 507
  regrant:
    with-grant: true
  disconnect:
    request: disconnect
";

struct Files(BTreeMap<&'static str, &'static str>);

impl World for Files {
    fn read(&self, path: &Path) -> io::Result<String> {
        let text = path.to_str().and_then(|path| self.0.get(path));
        text.map(|text| (*text).to_owned())
            .ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn has(&self, path: &Path) -> bool {
        path.to_str().is_some_and(|path| self.0.contains_key(path))
    }

    fn variable(&self, _: &str) -> Option<String> {
        None
    }
}

/// A bench with this dialect and these lines of YAML besides.
pub(super) fn bench(dialect: &str, more: &str) -> Arc<Bench> {
    let text = format!(
        "bench: pair
listen: {{ authentication: 192.0.2.10:1812, accounting: 192.0.2.10:1813, dhcp: 192.0.2.10:6767 }}
switches:
  - name: {SWITCH}
    address: 192.0.2.3/32
    secret: lantern-quay-radius-one
    change-secret: lantern-quay-changes-two
    dialect: {dialect}
classes:
  holding: holding
  deny: blocked
  classes:
    - name: blocked
      recognise: {{ mac: 02:00:5e:00:00:66 }}
    - name: till
      recognise: {{ mac: 02:00:5e:00:00:07 }}
      grant:
        vlan: 120
        filter: tills
        session-timeout: 300s
        when-over: reauthenticate
        interim-interval: 60s
        attributes:
          - {{ attribute: User-Name, value: till-7 }}
      change: reauth
    - name: night-till
      grant: {{ vlan: 130, filter: nights, interim-interval: 60s }}
      change: regrant
    - name: guest
      recognise: {{ mac: 02:00:5e:00:00:70 }}
      grant: {{ vlan: 170, session-timeout: 300s, when-over: end, interim-interval: 120s }}
      change: disconnect
    - name: sleeper
      recognise: {{ mac: 02:00:5e:00:00:71 }}
      grant: {{ vlan: 171, idle-timeout: 120s, interim-interval: 60s }}
      change: disconnect
    - name: radio
      recognise: {{ mac: 02:00:5e:00:00:74 }}
      grant: {{ vlan: 160, tagged-vlans: [20, 70], interim-interval: 300s }}
      change: disconnect
    - name: clerk
      recognise: {{ method: [eap-md5] }}
      grant: {{ vlan: 120, interim-interval: 300s }}
      change: reauth
    - name: holding
      grant: {{ vlan: 199 }}
      change: disconnect
{more}"
    );
    let files = Files(BTreeMap::from([
        ("authorize.yaml", AUTHORIZE_ONLY),
        ("accounts.yaml", ACCOUNTS),
    ]));
    match bench::parse(&files, "pair.yaml", &text, Path::new("")) {
        Ok(loaded) => Arc::new(loaded.bench),
        Err(found) => panic!("{}", render(&found, false)),
    }
}

/// 802.1X with a password.
pub(super) const LOGINS: &str = "\
eap: { methods: [eap-md5] }
accounts: accounts.yaml
";

const ACCOUNTS: &str = "people: [{ name: clerk, password: bench-only-clerk }]\n";
