"""The bench file of the ring: a ticket office of Lantern Quay with every kind of class."""

import json
from pathlib import Path

SERVER = "radius.lantern-quay.example"
SECRET = b"lantern-authentication"
CHANGE_SECRET = b"lantern-change-requests"
MAC_PASSWORD = "fixed-for-mac-authentication"
PASSWORDS = {
    "clerk": "wonder-at-the-quay",
    "purser": "a password that fills more than two blocks of sixteen octets",
    "former": "gone-since-spring",
}

BENCH = """
bench: interop

listen:
  authentication: 0.0.0.0:1812
  accounting: 0.0.0.0:1813
  dhcp: 0.0.0.0:67

switches:
  - name: loopback
    address: 127.0.0.1/32
    secret: {secret}
    change-secret: {change_secret}
    dialect: enterprise-9
  - name: quay
    address: 192.0.2.1/32
    secret: {secret}
    change-secret: {change_secret}
    dialect: enterprise-9

mac-authentication:
  password: {mac_password}

domains: [lantern-quay.example, LQ]
people:
  - name: clerk
    password: {passwords[clerk]}
    groups: [counter]
  - name: purser
    password: {passwords[purser]}
    groups: [office]
  - name: former
    password: {passwords[former]}
    groups: [counter]
    state: disabled
machines:
  - name: till-1
    groups: [workstations]

changes:
  delay: 200ms

classes:
  holding: holding
  deny: denied
  classes:
    - name: denied
      recognise: {{ mac-prefix: "02:00:00:00:dd" }}
    - name: printer
      recognise: {{ mac-prefix: "02:00:00:00:50" }}
      grant: {{ vlan: 30, filter: printers }}
    - name: gate
      recognise:
        dhcp: {{ host-name: {{ glob: "gate-controller-*" }} }}
      grant: {{ vlan: 31, filter: gates }}
      change: bounce
    - name: till-before-log-on
      recognise: {{ group: workstations }}
      grant: {{ vlan: 39 }}
    - name: clerk-desk
      recognise: {{ group: counter }}
      grant: {{ vlan: 40, filter: counter }}
    - name: purser-desk
      recognise: {{ group: office }}
      grant: {{ vlan: 41, filter: office }}
    - name: holding
      grant: {{ vlan: 999 }}
"""

# For a bench without certificates.
PASSWORDS_ONLY = {
    "methods": ["eap-md5"], "certificate": None, "key": None, "client-ca": None, "crl": None,
}

EAP = {
    "methods": ["eap-tls", "peap", "eap-ttls", "eap-md5"],
    "certificate": "certs/server/good.pem",
    "key": "certs/server/good.key",
    "client-ca": "certs/ca/bench-ca.pem",
    "crl": "certs/ca/revoked.crl.pem",
}


def write(folder, eap=None):
    """Writes the bench file. `eap` changes settings of the EAP section (None leaves one out);
    without it there is no such section."""
    text = BENCH.format(
        secret=SECRET.decode(),
        change_secret=CHANGE_SECRET.decode(),
        mac_password=MAC_PASSWORD,
        passwords=PASSWORDS,
    )
    if eap is not None:
        text += "\neap:\n" + "".join(
            f"  {key}: {json.dumps(value)}\n"
            for key, value in {**EAP, **eap}.items()
            if value is not None
        )
    path = Path(folder) / "quay.yaml"
    path.write_text(text)
    return path
