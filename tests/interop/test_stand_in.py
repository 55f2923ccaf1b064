"""The stand-in switch against a Python RADIUS library: as its server, and sending it changes."""

import json
import threading
import time
import unittest
from pathlib import Path

from pyrad import packet
from pyrad.client import Client, Timeout
from pyrad.server import RemoteHost, Server

import radius
from nas import DICTIONARY
from ring import PORTPROOF, Process, folder

SECRET = b"stand-in-against-library"
BOUNCE = b"subscriber:command=bounce-host-port"  # vendor 9, type 1, as the dialect has it

STAND_IN = """
name: quay-2
servers:
  - {{ authentication: 127.0.0.1:1812, accounting: 127.0.0.1:1813, secret: {secret} }}
ports: {{ count: 8, prefix: "1/", order: mac-only }}
dialect: {{ family: enterprise-9 }}
bounce: {{ link-down: 1s }}
changes: {{ require-event-timestamp: true }}
devices:
  - {{ name: printer, mac: "02:1a:70:00:00:01" }}
  - {{ name: till, mac: "02:1a:70:00:00:02" }}
"""


class Responder(Server):
    """Accepts every MAC address into VLAN 30, and keeps what came."""

    def __init__(self):
        super().__init__(
            addresses=["127.0.0.1"],
            hosts={"127.0.0.1": RemoteHost("127.0.0.1", SECRET, "stand-in")},
            dict=DICTIONARY,
            enforce_ma=True,
            enable_pkt_verify=True,
        )
        self.came = []
        self.forge = False
        threading.Thread(target=self.Run, daemon=True).start()

    def HandleAuthPacket(self, pkt):
        self.came.append(pkt)
        reply = self.CreateReplyPacket(pkt)
        reply["Tunnel-Type"] = 13
        reply["Tunnel-Medium-Type"] = 6
        reply["Tunnel-Private-Group-Id"] = "30"
        reply["Class"] = b"of the library"
        if self.forge:
            reply.secret = b"another secret"
        self.SendReplyPacket(pkt.fd, reply)

    def HandleAcctPacket(self, pkt):
        self.came.append(pkt)
        self.SendReplyPacket(pkt.fd, self.CreateReplyPacket(pkt))

    def of(self, code):
        return [pkt for pkt in self.came if pkt.code == code]


class StandIn(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        file = Path(cls.holder.name) / "quay-2.yaml"
        file.write_text(STAND_IN.format(secret=SECRET.decode()))
        cls.server = Responder()
        cls.switch = Process(
            "stand-in",
            [PORTPROOF, "stand-in", "--json", "--plug", "printer=1/1", "--plug", "till=1/2", file],
            cls.holder.name,
        )
        cls.addClassCleanup(cls.switch.stop)
        cls.first = cls.wait_event("session-started", mac="02-1A-70-00-00-01")["session"]
        cls.wait_event("session-started", mac="02-1A-70-00-00-02")

    @classmethod
    def events(cls, kind, **wanted):
        events = (json.loads(line) for line in cls.switch.said().splitlines() if line.startswith("{"))
        return [
            event
            for event in events
            if event["event"] == kind and all(event.get(k) == v for k, v in wanted.items())
        ]

    @classmethod
    def wait_event(cls, kind, after=0, **wanted):
        return cls.switch.until(
            lambda: cls.events(kind, **wanted)[after:], f"event {kind} {wanted}"
        )[0]

    def send(self, code, secret=SECRET, stamp=None, **attributes):
        client = Client("127.0.0.1", secret=secret, dict=DICTIONARY, retries=1, timeout=2)
        request = client.CreateCoAPacket(code=code)
        for name, value in attributes.items():
            request[name.replace("_", "-")] = value
        request["Event-Timestamp"] = int(time.time()) if stamp is None else stamp
        request.add_message_authenticator()
        return client.SendPacket(request)

    def test_its_requests_are_signed_as_the_rfcs_say(self):
        for pkt in self.server.came:
            request = radius.parse(pkt.raw_packet)
            if request.code == radius.ACCOUNTING_REQUEST:
                self.assertEqual(request.authenticator, radius.request_authenticator(request, SECRET))
            else:
                signed = request.value(radius.MESSAGE_AUTHENTICATOR)
                self.assertEqual(signed, radius.message_authenticator(request, SECRET))

    def test_it_does_what_the_library_grants(self):
        admitted = self.wait_event("admitted", mac="02-1A-70-00-00-01")
        self.assertIn("30", json.dumps(admitted))
        start = next(
            pkt for pkt in self.server.of(packet.AccountingRequest)
            if pkt.get("Acct-Session-Id") == [self.first]
        )
        self.assertEqual(start["Acct-Status-Type"], [1])
        self.assertEqual(start["Class"], [b"of the library"])  # RFC 2865 section 5.25
        self.assertEqual(start["Calling-Station-Id"], ["02-1A-70-00-00-01"])
        self.assertEqual(start["NAS-Port-Type"], [15])

    def test_a_disconnect_ends_the_session_and_another_finds_none(self):
        mac = "02-1A-70-00-00-02"
        session = self.events("session-started", mac=mac)[-1]["session"]
        stops = len(self.events("session-stopped", mac=mac))
        reply = self.send(packet.DisconnectRequest, Acct_Session_Id=session)
        self.assertEqual(reply.code, packet.DisconnectACK)
        self.wait_event("session-stopped", after=stops, mac=mac)
        reply = self.send(packet.DisconnectRequest, Acct_Session_Id=session)
        self.assertEqual(reply.code, packet.DisconnectNAK)
        self.assertEqual(reply["Error-Cause"], [503])

    def test_a_bounce_is_acknowledged_and_done(self):
        bounces = len(self.events("bounced", port="1/1"))
        value = (9).to_bytes(4, "big") + bytes([1, len(BOUNCE) + 2]) + BOUNCE
        reply = self.send(
            packet.CoARequest, Calling_Station_Id="02-1A-70-00-00-01", Vendor_Specific=value
        )
        self.assertEqual(reply.code, packet.CoAACK, reply.get("Error-Cause"))
        self.wait_event("bounced", after=bounces, port="1/1")

    def test_silence_where_the_rfc_asks_for_it(self):
        for wrong in ({"secret": b"another secret"}, {"stamp": int(time.time()) - 3600}):
            with self.subTest(wrong):
                dropped = len(self.events("change-dropped"))
                with self.assertRaises(Timeout):
                    self.send(packet.DisconnectRequest, Acct_Session_Id=self.first, **wrong)
                self.wait_event("change-dropped", after=dropped)

    def test_a_forged_reply_lets_nobody_in(self):
        self.server.forge = True
        self.addCleanup(setattr, self.server, "forge", False)
        dropped = len(self.events("reply-dropped"))
        admitted = len(self.events("admitted", mac="02-1A-70-00-00-02"))
        session = self.events("session-started", mac="02-1A-70-00-00-02")[-1]["session"]
        self.send(packet.DisconnectRequest, Acct_Session_Id=session)
        event = self.wait_event("reply-dropped", after=dropped)
        self.assertRegex(event["reason"], "(?i)authenticator")
        self.assertEqual(len(self.events("admitted", mac="02-1A-70-00-00-02")), admitted)


if __name__ == "__main__":
    unittest.main()
