"""A Python RADIUS library as the switch that takes changes (RFC 5176)."""

import time
import unittest

from pyrad import packet

import dhcp
import quay
import radius
from bench import Bench
from nas import ChangePort, Nas
from ring import folder, portproof, wait

BOUNCE, REAUTH = "bounce", "reauth"


class Changes(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        cls.file = quay.write(cls.holder.name)
        cls.bench = Bench(cls.file, cls.holder.name)
        cls.addClassCleanup(cls.bench.stop)
        cls.nas = Nas("127.0.0.1", quay.SECRET)
        cls.switch = ChangePort(quay.CHANGE_SECRET)

    def setUp(self):
        self.switch.came.clear()
        self.switch.answers.clear()

    def session(self, mac, port):
        """A live session of a MAC address, with accounting. Gives its Acct-Session-Id."""
        bare, dashed = mac.replace(":", ""), mac.upper().replace(":", "-")
        reply = self.nas.ask(self.nas.mac(bare, bare, dashed, port=port))
        self.assertEqual(reply.code, packet.AccessAccept)
        identifier = f"quay-{port}"
        self.nas.accounting(
            1, identifier, User_Name=bare, Calling_Station_Id=dashed, NAS_Port_Id=port,
            Class=reply["Class"],
        )
        return identifier

    def came(self, count=1):
        wait(lambda: len(self.switch.came) >= count, f"{count} change requests", explain=self.bench.process.tail)
        return [pkt for _, pkt in self.switch.came]

    def assert_right(self, pkt, code):
        """What RFC 5176 asks of a request, recomputed."""
        request = radius.parse(pkt.raw_packet)
        self.assertEqual(request.code, code)
        secret = quay.CHANGE_SECRET
        self.assertEqual(request.authenticator, radius.request_authenticator(request, secret))
        signed = request.value(radius.MESSAGE_AUTHENTICATOR)
        self.assertEqual(signed, radius.message_authenticator(request, secret))
        stamp = int.from_bytes(request.value(55), "big")
        self.assertLess(abs(stamp - time.time()), 300)  # section 6.3
        return request

    def by_hand(self, kind, *where, code=0):
        return portproof("change", kind, "--yes", *where, cwd=self.holder.name, code=code)

    def test_a_bounce_by_hand(self):
        identifier = self.session("02:00:00:00:50:31", "31")
        mark = self.bench.mark()
        self.by_hand(BOUNCE, "--mac", "02:00:00:00:50:31")
        request = self.assert_right(self.came()[0], radius.COA_REQUEST)
        self.assertEqual(request.value(44), identifier.encode())
        self.assertEqual(request.value(31), b"02-00-00-00-50-31")
        self.bench.wait_entry(after=mark, kind="change", verdict="acked")

    def test_a_disconnect_by_hand(self):
        self.session("02:00:00:00:50:32", "32")
        mark = self.bench.mark()
        self.by_hand("disconnect", "--mac", "02:00:00:00:50:32")
        self.assert_right(self.came()[0], radius.DISCONNECT_REQUEST)
        self.bench.wait_entry(after=mark, kind="change", verdict="acked")

    def test_a_refusal_is_put_into_words(self):
        self.session("02:00:00:00:50:33", "33")
        mark = self.bench.mark()
        # The dialect falls back to a reauth; that is refused as well.
        self.switch.answers += [(packet.DisconnectNAK, 503), (packet.CoANAK, 503)]
        self.by_hand("disconnect", "--mac", "02:00:00:00:50:33", code=1)
        entry = self.bench.wait_entry(after=mark, kind="change", verdict="nak-503")
        self.assertIn("ession", entry["reason"])

    def test_silence_is_met_with_the_same_request_again(self):
        # RFC 5176 section 2.3: identifier, authenticator and source port stay.
        self.session("02:00:00:00:50:34", "34")
        self.switch.answers += [None, None]
        mark = self.bench.mark()
        self.by_hand(BOUNCE, "--mac", "02:00:00:00:50:34")
        came = self.came(3)
        self.assertEqual(len({pkt.raw_packet for pkt in came}), 1)
        self.assertEqual(len({pkt.source for pkt in came}), 1)
        self.bench.wait_entry(after=mark, kind="change", verdict="acked")

    def test_a_recognition_sends_the_bounce_of_the_class(self):
        # Held first; then it speaks DHCP, and the class table knows its host name.
        mac = "02:00:00:00:ee:41"
        identifier = self.session(mac, "41")
        mark = self.bench.mark()
        dhcp.discover(mac, host_name="gate-controller-3", vendor_class="gate")
        self.bench.wait_entry(after=mark, kind="sighting")
        recognised = self.bench.wait_entry(after=mark, kind="recognition")
        self.assertEqual(recognised["class"], "holding")  # still in force
        self.assertIn("gate", recognised["reason"])
        request = self.assert_right(self.came()[0], radius.COA_REQUEST)
        self.assertEqual(request.value(44), identifier.encode())
        self.bench.wait_entry(after=mark, kind="change", verdict="acked")
        reply = self.nas.ask(
            self.nas.mac(mac.replace(":", ""), mac.replace(":", ""), mac.upper().replace(":", "-"), port="41")
        )
        self.assertEqual(reply.code, packet.AccessAccept)
        self.assertEqual(reply["Filter-Id"], ["gates"])


if __name__ == "__main__":
    unittest.main()
