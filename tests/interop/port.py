"""A wired port with a real authenticator and a real supplicant on its two ends.

    dev [d0] ---- [p1] sw [m0] ---- [a0] the first namespace, where portproof listens
"""

import re
from pathlib import Path

from quay import CHANGE_SECRET, SECRET
from ring import Process, command, wait

SWITCH, BENCH = "192.0.2.1", "192.0.2.2"
PORT_MAC = "02:00:00:00:05:01"

# What the wired driver of the authenticator sends is thin: the port attributes are set here.
AUTHENTICATOR = """
interface=p1
driver=wired
ieee8021x=1
eapol_version=2
logger_stdout=-1
logger_stdout_level=0
ctrl_interface={folder}/authenticator
eap_reauth_period=0
use_pae_group_addr=1
own_ip_addr={switch}
nas_identifier=quay-switch
auth_server_addr={bench}
auth_server_port={authentication}
auth_server_shared_secret={secret}
acct_server_addr={bench}
acct_server_port=1813
acct_server_shared_secret={secret}
radius_acct_interim_interval=60
radius_auth_req_attr=5:d:1
radius_auth_req_attr=87:s:p1
radius_auth_req_attr=61:d:15
radius_acct_req_attr=5:d:1
radius_acct_req_attr=87:s:p1
radius_acct_req_attr=61:d:15
radius_das_port=3799
radius_das_client={bench} {change_secret}
radius_das_time_window=300
radius_das_require_event_timestamp=1
radius_das_require_message_authenticator=1
"""


def namespaces():
    """Once per run; the wires go with the namespaces when the run ends."""
    if "dev" in command("ip", "netns", "list"):
        return
    for name in ("dev", "sw"):
        command("ip", "netns", "add", name)
        command("ip", "-n", name, "link", "set", "lo", "up")
    command("ip", "link", "add", "d0", "netns", "dev", "type", "veth", "peer", "name", "p1", "netns", "sw")
    command("ip", "link", "add", "a0", "type", "veth", "peer", "name", "m0", "netns", "sw")
    command("ip", "-n", "sw", "link", "set", "p1", "address", PORT_MAC)
    command("ip", "-n", "sw", "addr", "add", f"{SWITCH}/24", "dev", "m0")
    command("ip", "addr", "add", f"{BENCH}/24", "dev", "a0")
    for name, link in (("dev", "d0"), ("sw", "p1"), ("sw", "m0")):
        command("ip", "-n", name, "link", "set", link, "up")
    command("ip", "link", "set", "a0", "up")


class Authenticator:
    """The switch's end of the port."""

    def __init__(self, folder, authentication=1812):
        self.folder = Path(folder)
        config = self.folder / "authenticator.conf"
        config.write_text(
            AUTHENTICATOR.format(
                folder=folder,
                switch=SWITCH,
                bench=BENCH,
                authentication=authentication,
                secret=SECRET.decode(),
                change_secret=CHANGE_SECRET.decode(),
            )
        )
        self.process = Process("authenticator", ["hostapd", "-ddK", "-t", config], folder, netns="sw")
        wait(lambda: "OK" in self.ask("ping", "PONG"), "the authenticator", explain=self.process.tail)

    def ask(self, *words):
        return command(
            "hostapd_cli", "-p", self.folder / "authenticator", "-i", "p1", *words,
            netns="sw", check=False,
        ).replace("PONG", "OK")

    def authorised(self, mac):
        """Whether the port is open to the device."""
        return "[AUTHORIZED]" in self.ask("sta", mac)

    def mark(self):
        return len(self.process.said())

    def keys(self, after=0):
        """The last MPPE keys that it took from an accept: (Send-Key, Recv-Key)."""
        said = self.process.said()[after:]
        return tuple(last_hex(said, rf"MS-MPPE-{which}-Key") for which in ("Send", "Recv"))

    def ask_who_again(self, mac):
        """Authenticates the device again, as when a session's time is over."""
        if "OK" not in self.ask("raw", "EAPOL_REAUTH", mac):
            raise AssertionError(f"the authenticator has no session of {mac}")

    def forget(self, mac):
        """Ends the device's session. A login of the same device within 5 s would be cut off."""
        self.ask("deauthenticate", mac)

    def stop(self):
        self.process.stop()


class Supplicant:
    """The device's end of the port, with one network block. Each is another device: the
    authenticator clears up after an ended session for 5 s, and would cut off the next login."""

    count = 0

    def __init__(self, folder, block=None, profile=None):
        """With a network block of its own, or with a profile as it was written."""
        Supplicant.count += 1
        self.mac = f"02:00:00:00:0d:{Supplicant.count:02x}"
        command("ip", "-n", "dev", "link", "set", "d0", "down")
        command("ip", "-n", "dev", "link", "set", "d0", "address", self.mac, "up")
        self.control = f"{folder}/supplicant"
        if profile is None:
            profile = Path(folder) / "supplicant.conf"
            profile.write_text(
                f"ctrl_interface={self.control}\nap_scan=0\neapol_version=2\n"
                f"network={{\nkey_mgmt=IEEE8021X\neapol_flags=0\n{block}\n}}\n"
            )
        else:
            self.control = re.search(r"^ctrl_interface=(.+)$", profile.read_text(), re.M)[1]
        self.process = Process(
            "supplicant", ["wpa_supplicant", "-ddK", "-t", "-D", "wired", "-i", "d0", "-c", profile],
            folder, netns="dev",
        )

    def ask(self, *words):
        return command(
            "wpa_cli", "-p", self.control, "-i", "d0", *words, netns="dev", check=False
        )

    def status(self):
        """Its own words about itself, key by key."""
        pairs = (line.split("=", 1) for line in self.ask("status").splitlines() if "=" in line)
        return dict(pairs)

    def mark(self):
        return len(self.process.said())

    def verdict(self, after=0):
        """SUCCESS or FAILURE, the first that it says after a mark."""
        return self.process.wait_for(r"CTRL-EVENT-EAP-(SUCCESS|FAILURE)", after=after)[1]

    def master_key(self, after=0):
        """The 64 octets of the MSK as its method derived them (RFC 3748 section 7.10)."""
        method = self.status()["selectedMethod"].split("(")[1].rstrip(")")
        return last_hex(self.process.said()[after:], rf"{method}: Derived key")

    def stop(self):
        self.process.stop()


def last_hex(text, label):
    """The last hexdump that a peer logged under a label."""
    found = re.findall(rf"{label} - hexdump\(len=\d+\): ((?:[0-9a-f]{{2}} ?)+)", text)
    return bytes.fromhex(found[-1].strip().replace(" ", "")) if found else None
