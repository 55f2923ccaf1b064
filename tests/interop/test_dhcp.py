"""A DHCP client of Debian is seen by the listener, which answers nothing."""

import unittest

import dhcp
import quay
from bench import Bench
from ring import folder


class Dhcp(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        dhcp.lan()
        cls.bench = Bench(quay.write(cls.holder.name), cls.holder.name)
        cls.addClassCleanup(cls.bench.stop)

    def test_a_client_alone_gets_no_answer_but_is_seen(self):
        mark = self.bench.mark()
        with self.assertRaisesRegex(AssertionError, "no lease"):
            dhcp.client(self.holder.name, "-t", "3")
        entry = self.bench.wait_entry(after=mark, kind="sighting")
        self.assertEqual(entry["mac"], dhcp.CLIENT_MAC.replace(":", "-"))

    def test_discover_and_request_of_a_lease_become_sightings(self):
        server = dhcp.server(self.holder.name)
        self.addCleanup(server.stop)
        mark = self.bench.mark()
        said = dhcp.client(
            self.holder.name, "-x", "hostname:till-7", "-V", "quay-till", "-O", "42",
        )
        self.assertRegex(said, r"lease of 198\.51\.100\.\d+ obtained")
        seen = self.bench.entries(kind="sighting")[0:]
        messages = [message_type(p) for e in seen for p in e.get("packets", [])]
        self.assertIn(1, messages)  # DISCOVER
        self.assertIn(3, messages)  # REQUEST
        entry = self.bench.wait_entry(after=mark, kind="sighting")
        self.assertIn("till-7", str(entry))


def message_type(packet):
    """Option 53 (RFC 2132 section 9.6)."""
    octets = bytes.fromhex(packet["octets"])[240:]
    while octets and octets[0] != 255:
        if octets[0] == 0:
            octets = octets[1:]
            continue
        if octets[0] == 53:
            return octets[2]
        octets = octets[2 + octets[1] :]
    return None


if __name__ == "__main__":
    unittest.main()
