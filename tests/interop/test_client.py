"""A Python RADIUS library as the switch: MAC authentication, PAP, CHAP, accounting, Status-Server."""

import hashlib
import os
import socket
import unittest
from itertools import product

from pyrad import packet
from pyrad.client import Timeout

import quay
import radius
from bench import Bench
from nas import Nas
from ring import folder

MAC = "020000005011"  # a printer of the class table
CALL_CHECK = 10  # Service-Type, RFC 2865 section 5.6


def spellings(mac):
    """The forms that switches send (common practice, no source; RFC 3580 section 3.21 has one)."""
    for case in (str.lower, str.upper):
        digits = case(mac)
        yield digits
        for separator, size in product("-:.", (2, 4)):
            yield separator.join(digits[at : at + size] for at in range(0, 12, size))


class Client(unittest.TestCase):
    eap = None

    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        cls.bench = Bench(quay.write(cls.holder.name, cls.eap), cls.holder.name)
        cls.addClassCleanup(cls.bench.stop)
        cls.nas = Nas("127.0.0.1", quay.SECRET)

    def decided(self, request, **wanted):
        """Asks, and gives the reply with the journal entry that tells of it."""
        mark = self.bench.mark()
        reply = self.nas.ask(request)
        return reply, self.bench.wait_entry(after=mark, kind="access", **wanted)

    def silent(self, nas, request, verdict):
        """No answer, and the journal says why."""
        mark = self.bench.mark()
        nas.client.retries, nas.client.timeout = 1, 2
        with self.assertRaises(Timeout):
            nas.ask(request)
        return self.bench.wait_entry(after=mark, verdict=verdict)


class MacAuthentication(Client):
    def assert_printer(self, reply, entry):
        self.assertEqual(reply.code, packet.AccessAccept)
        self.assertEqual(entry["class"], "printer")
        # RFC 3580 section 3.31, the tag octet of a single tunnel is zero or absent.
        self.assertEqual(reply["Tunnel-Type:0"], [13])
        self.assertEqual(reply["Tunnel-Medium-Type:0"], [6])
        self.assertEqual(vlan(reply), "30")
        self.assertEqual(reply["Filter-Id"], ["printers"])
        self.assertIn("Class", reply)

    def test_each_spelling_of_the_address_as_name_and_password(self):
        for user in spellings(MAC):
            with self.subTest(user):
                request = self.nas.mac(user, user, "02-00-00-00-50-11")
                self.assert_printer(*self.decided(request))

    def test_each_spelling_of_the_address_in_calling_station_id(self):
        for calling in spellings(MAC):
            with self.subTest(calling):
                self.assert_printer(*self.decided(self.nas.mac(MAC, MAC, calling)))

    def test_passwords_that_switches_send(self):
        for password in (MAC, MAC.upper(), "02:00:00:00:50:11", "", quay.MAC_PASSWORD):
            with self.subTest(password):
                request = self.nas.mac(MAC, password, "02-00-00-00-50-11")
                self.assert_printer(*self.decided(request))

    def test_call_check_with_and_without_a_password(self):
        for password in (None, "", MAC):
            with self.subTest(password):
                request = self.nas.mac(
                    MAC, password, "02-00-00-00-50-11", Service_Type=CALL_CHECK
                )
                self.assert_printer(*self.decided(request))

    def test_chap_with_the_address_as_password(self):
        for own_challenge in (True, False):
            with self.subTest(own_challenge):
                request = chap(self.nas, MAC, MAC, own_challenge)
                request["Calling-Station-Id"] = "02-00-00-00-50-11"
                self.assert_printer(*self.decided(request))

    def test_another_password_is_refused(self):
        request = self.nas.mac(MAC, "something", "02-00-00-00-50-11")
        reply, _ = self.decided(request, verdict="answered-reject-mac-password")
        self.assertEqual(reply.code, packet.AccessReject)

    def test_two_different_addresses_are_refused(self):
        request = self.nas.mac(MAC, MAC, "02-00-00-00-50-12")
        reply, _ = self.decided(request, verdict="answered-reject-mac-mismatch")
        self.assertEqual(reply.code, packet.AccessReject)

    def test_an_unknown_device_is_held(self):
        request = self.nas.mac("02000000ee01", "02000000ee01", "02-00-00-00-EE-01")
        reply, entry = self.decided(request)
        self.assertEqual(reply.code, packet.AccessAccept)
        self.assertEqual(entry["class"], "holding")
        self.assertEqual(vlan(reply), "999")

    def test_a_denied_device_is_refused(self):
        request = self.nas.mac("02000000dd01", "02000000dd01", "02-00-00-00-DD-01")
        reply, entry = self.decided(request)
        self.assertEqual(reply.code, packet.AccessReject)
        self.assertEqual(entry["class"], "denied")

    def test_proxy_state_comes_back_in_order(self):
        # RFC 2865 section 5.33
        request = self.nas.mac(MAC, MAC, "02-00-00-00-50-11")
        request["Proxy-State"] = [b"first", b"second"]
        reply, _ = self.decided(request)
        self.assertEqual(reply["Proxy-State"], [b"first", b"second"])


class Logins(Client):
    def test_pap(self):
        request = self.nas.access(User_Name="clerk", NAS_Port_Id="7")
        request["User-Password"] = request.PwCrypt(quay.PASSWORDS["clerk"])
        reply, entry = self.decided(request)
        self.assertEqual(reply.code, packet.AccessAccept)
        self.assertEqual(entry["class"], "clerk-desk")
        self.assertEqual(vlan(reply), "40")

    def test_pap_with_a_password_of_more_than_one_block(self):
        # RFC 2865 section 5.2: chained blocks of 16 octets
        request = self.nas.access(User_Name="purser", NAS_Port_Id="7")
        request["User-Password"] = request.PwCrypt(quay.PASSWORDS["purser"])
        self.assertGreater(len(quay.PASSWORDS["purser"]), 32)
        reply, entry = self.decided(request)
        self.assertEqual(reply.code, packet.AccessAccept)
        self.assertEqual(entry["class"], "purser-desk")

    def test_chap_with_both_kinds_of_challenge(self):
        for own_challenge in (True, False):
            with self.subTest(own_challenge):
                request = chap(self.nas, "clerk", quay.PASSWORDS["clerk"], own_challenge)
                reply, entry = self.decided(request)
                self.assertEqual(reply.code, packet.AccessAccept)
                self.assertEqual(entry["class"], "clerk-desk")

    def test_wrong_passwords_are_refused_with_the_reason_in_the_journal(self):
        pap = self.nas.access(User_Name="clerk")
        pap["User-Password"] = pap.PwCrypt("wrong")
        for request in (pap, chap(self.nas, "clerk", "wrong", True)):
            reply, entry = self.decided(request, verdict="answered-reject-wrong-password")
            self.assertEqual(reply.code, packet.AccessReject)
            self.assertIn("clerk", entry["reason"])

    def test_unknown_people_are_refused(self):
        request = self.nas.access(User_Name="nobody")
        request["User-Password"] = request.PwCrypt("wonder")
        reply, _ = self.decided(request, verdict="answered-reject-unknown-account")
        self.assertEqual(reply.code, packet.AccessReject)

    def test_a_disabled_account_is_refused(self):
        request = self.nas.access(User_Name="former")
        request["User-Password"] = request.PwCrypt(quay.PASSWORDS["former"])
        reply, _ = self.decided(request, verdict="answered-reject-disabled")
        self.assertEqual(reply.code, packet.AccessReject)


class EapMd5(Client):
    """RFC 3748 section 5.4 over RFC 3579, by the library's own hand."""

    eap = quay.PASSWORDS_ONLY

    def login(self, password):
        request = self.nas.client.CreateAuthPacket(auth_type="eap-md5", User_Name="clerk")
        request["User-Password"] = password.encode()
        return self.nas.ask(request)

    def test_right_password(self):
        mark = self.bench.mark()
        reply = self.login(quay.PASSWORDS["clerk"])
        self.assertEqual(reply.code, packet.AccessAccept)
        entry = self.bench.wait_entry(after=mark, verdict="answered-accept")
        self.assertEqual(entry["class"], "clerk-desk")
        # EAP-Success goes with the accept (RFC 3579 section 2.6.3).
        self.assertEqual(reply["EAP-Message"][0][:1], b"\x03")

    def test_wrong_password(self):
        mark = self.bench.mark()
        reply = self.login("wrong")
        self.assertEqual(reply.code, packet.AccessReject)
        self.assertEqual(reply["EAP-Message"][0][:1], b"\x04")
        self.assertIn("password", self.bench.wait_rejection(after=mark)["reason"])


class Accounting(Client):
    def test_a_session_from_accept_to_stop(self):
        calling = "02-00-00-00-50-21"
        self.nas.ask(self.nas.mac("020000005021", "020000005021", calling, port="21"))
        session = dict(Calling_Station_Id=calling, NAS_Port_Id="21", User_Name="020000005021")
        for status, verdict in ((1, "start"), (3, "interim"), (2, "stop")):
            mark = self.bench.mark()
            reply = self.nas.accounting(status, "quay-21", **session)
            self.assertEqual(reply.code, packet.AccountingResponse)
            entry = self.bench.wait_entry(after=mark, kind="accounting", verdict=f"recorded-{verdict}")
            self.assertEqual(entry["mac"], calling)

    def test_a_switch_that_restarts(self):
        for status, verdict in ((8, "off"), (7, "on")):
            mark = self.bench.mark()
            self.assertEqual(self.nas.accounting(status, "boot").code, packet.AccountingResponse)
            self.bench.wait_entry(after=mark, verdict=f"recorded-{verdict}")

    def test_a_wrong_secret_gets_silence(self):
        stranger = Nas("127.0.0.1", b"another secret", timeout=2, retries=1)
        mark = self.bench.mark()
        with self.assertRaises(Timeout):
            stranger.accounting(1, "quay-22")
        self.bench.wait_entry(after=mark, verdict="dropped-bad-accounting-authenticator")


class Silence(Client):
    def test_a_wrong_secret_is_named(self):
        stranger = Nas("127.0.0.1", b"another secret")
        entry = self.silent(
            stranger, stranger.mac(MAC, MAC, MAC), "dropped-bad-message-authenticator"
        )
        self.assertIn("secret", entry["reason"])

    def test_no_message_authenticator_is_named(self):
        nas = Nas("127.0.0.1", quay.SECRET)
        request = nas.client.CreateAuthPacket(message_authenticator=False, User_Name=MAC)
        request["User-Password"] = request.PwCrypt(MAC)
        self.silent(nas, request, "dropped-missing-message-authenticator")

    def test_an_undeclared_address_is_named(self):
        nas = Nas("127.0.0.1", quay.SECRET)
        nas.client.bind(("127.0.0.9", 0))
        entry = self.silent(nas, nas.mac(MAC, MAC, MAC), "dropped-unknown-switch")
        self.assertIn("127.0.0.9", entry["reason"])

    def test_a_request_on_the_wrong_port_is_named(self):
        nas = Nas("127.0.0.1", quay.SECRET, authentication=1813)
        self.silent(nas, nas.mac(MAC, MAC, MAC), "dropped-wrong-port")


class Retransmission(Client):
    def test_the_same_octets_again_and_one_decision(self):
        # RFC 5080 section 2.2.2
        octets = self.nas.mac(MAC, MAC, "02-00-00-00-50-11").RequestPacket()
        mark = self.bench.mark()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
            link.bind(("127.0.0.1", 0))
            link.settimeout(10)
            replies = []
            for _ in range(3):
                link.sendto(octets, ("127.0.0.1", 1812))
                replies.append(link.recv(4096))
        self.assertEqual(len(set(replies)), 1)
        request, reply = radius.parse(octets), radius.parse(replies[0])
        self.assertEqual(radius.faults_of_reply(reply, request, quay.SECRET), [])
        self.bench.wait_entry(after=mark, kind="repeat")
        decided = self.bench.entries(kind="access")
        mine = [
            entry
            for entry in decided
            if any(p["octets"] == octets.hex() for p in entry.get("packets", []))
        ]
        self.assertEqual(len(mine), 1)


class Status(Client):
    def test_the_authentication_port_answers_with_an_accept(self):
        # RFC 5997 section 3
        self.assertEqual(self.nas.status().code, packet.AccessAccept)

    def test_the_accounting_port_answers_with_an_accounting_response(self):
        nas = Nas("127.0.0.1", quay.SECRET)
        nas.client.enforce_ma = False  # no attribute is due in this reply
        reply = nas.ask(nas.client.CreateAcctPacket(code=packet.StatusServer))
        self.assertEqual(reply.code, packet.AccountingResponse)


def vlan(reply):
    """Tunnel-Private-Group-ID without its tag (RFC 2868 section 3.6)."""
    value = radius.parse(reply.raw_packet).value(81)
    return (value[1:] if value[0] <= 0x1F else value).decode()


def chap(nas, name, password, own_challenge):
    """RFC 2865 section 2.2: the challenge is an attribute, or else the Request Authenticator."""
    request = nas.access(User_Name=name, NAS_Port_Id="7")
    challenge = os.urandom(16)
    if own_challenge:
        request["CHAP-Challenge"] = challenge
    else:
        request.authenticator = challenge
    identifier = b"\x16"
    digest = hashlib.md5(identifier + password.encode() + challenge).digest()
    request["CHAP-Password"] = identifier + digest
    return request



if __name__ == "__main__":
    unittest.main()
