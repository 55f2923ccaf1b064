"""A real supplicant on a real authenticator's port logs on through portproof.

What a login came to is read from the supplicant's status, from the authenticator's, from the
journal, and recomputed from a capture.
"""

import contextlib
import unittest
from pathlib import Path

import capture
import port
import quay
import radius
import relay
from bench import Bench
from ring import folder, portproof, wait

# Vendor 311, RFC 2548 sections 2.4.2 and 2.4.3.
SEND_KEY, RECV_KEY = 16, 17

TLS_1_2 = 'phase1="tls_disable_tlsv1_3=1"'
TLS_1_3 = 'phase1="tls_disable_tlsv1_3=0"'  # both are offered; the bench prefers 1.3


class Supplicant(unittest.TestCase):
    """A bench, an authenticator and certificates for the checks of one class."""

    # Settings of the bench file's EAP section that a class wants otherwise.
    eap = {}
    # The port that the authenticator asks.
    authentication = 1812

    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        cls.home = cls.holder.name
        port.namespaces()
        cls.make_certificates()
        cls.bench = Bench(quay.write(cls.home, eap=cls.eap), cls.home)
        cls.addClassCleanup(cls.bench.stop)
        cls.authenticator = port.Authenticator(cls.home, cls.authentication)
        cls.addClassCleanup(cls.authenticator.stop)

    @classmethod
    def make_certificates(cls, *options):
        people = [arg for name in quay.PASSWORDS for arg in ("--person", name)]
        portproof("certs", f"{cls.home}/certs", "--machine", "till-1", *people, *options)

    def setUp(self):
        self.mark = self.bench.mark()
        self.seen = self.authenticator.mark()

    def supplicant(self, *lines):
        supplicant = port.Supplicant(self.home, "\n".join(lines))
        # Cleanups run in reverse: the supplicant goes before the authenticator forgets it.
        self.addCleanup(self.authenticator.forget, supplicant.mac)
        self.addCleanup(supplicant.stop)
        return supplicant

    @contextlib.contextmanager
    def login(self, *about):
        """One of several logins in a check: fails alone, and is cleared away either way."""
        self.mark, self.seen = self.bench.mark(), self.authenticator.mark()
        with self.subTest(*about):
            try:
                yield
            finally:
                self.doCleanups()

    def accepted(self, *lines):
        supplicant = self.supplicant(*lines)
        self.assert_accepted(supplicant)
        return supplicant

    def assert_accepted(self, supplicant, after=0):
        self.assertEqual(supplicant.verdict(after), "SUCCESS", supplicant.process.tail())
        status = supplicant.status()
        self.assertEqual(status["EAP state"], "SUCCESS")
        self.assertEqual(status["suppPortStatus"], "Authorized")
        wait(
            lambda: self.authenticator.authorised(supplicant.mac), "the port to open",
            explain=self.authenticator.process.tail,
        )

    def rejected(self, *lines):
        supplicant = self.supplicant(*lines)
        self.assertEqual(supplicant.verdict(), "FAILURE", supplicant.process.tail())
        self.assertFalse(self.authenticator.authorised(supplicant.mac))
        return self.bench.wait_rejection(after=self.mark)

    def entry(self):
        return self.bench.wait_entry(after=self.mark, kind="access", verdict="answered-accept")

    def assert_keys_agree(self, supplicant, after=0):
        """The MSK of the supplicant is what the accept carries and the authenticator read:
        Recv-Key is its first half, Send-Key its second (RFC 5216 section 2.3)."""
        key = supplicant.master_key(after)
        self.assertIsNotNone(key, "the supplicant logged no key")
        self.assertEqual(self.authenticator.keys(self.seen), (key[32:64], key[:32]))
        accept, request = self.last_exchange()
        sent = [
            radius.reveal_key(accept.vendor_values(311, which)[0], request, quay.SECRET)
            for which in (SEND_KEY, RECV_KEY)
        ]
        self.assertEqual(sent, [key[32:64], key[:32]])

    def last_exchange(self):
        """The last accept with its request, from the journal."""
        octets = [raw for _, raw in self.bench.packets()]
        packets = [radius.parse(raw) for raw in octets if raw[0] in (1, 2)]
        accept = [p for p in packets if p.code == radius.ACCESS_ACCEPT][-1]
        request = [
            p
            for p in packets
            if p.code == radius.ACCESS_REQUEST
            and p.identifier == accept.identifier
            and radius.response_authenticator(accept, p, quay.SECRET) == accept.authenticator
        ][-1]
        return accept, request

    # Network blocks.

    def trust(self, authority="ca/bench-ca.pem", server=quay.SERVER):
        return [f'ca_cert="{self.home}/certs/{authority}"', f'domain_match="{server}"']

    def certificate(self, holder="person/clerk", variant="good"):
        stem = f"{self.home}/certs/{holder}/{variant}"
        return [f'client_cert="{stem}.pem"', f'private_key="{stem}.key"']

    def tls(self, *more, holder="person/clerk", variant="good", identity="clerk@lantern-quay.example"):
        return [
            "eap=TLS", f'identity="{identity}"', *self.trust(),
            *self.certificate(holder, variant), *more,
        ]

    def password(self, method, inner, *more, name="clerk", password=None):
        return [
            f"eap={method}", f'identity="{name}"', f'password="{password or quay.PASSWORDS[name]}"',
            'anonymous_identity="anonymous@lantern-quay.example"', f'phase2="{inner}"',
            *self.trust(), *more,
        ]


class Md5(Supplicant):
    eap = {"methods": ["eap-md5"]}

    def test_right_password(self):
        self.accepted("eap=MD5", 'identity="clerk"', f'password="{quay.PASSWORDS["clerk"]}"')
        self.assertEqual(self.entry()["class"], "clerk-desk")

    def test_wrong_password(self):
        entry = self.rejected("eap=MD5", 'identity="clerk"', 'password="wrong"')
        self.assertIn("password", entry["reason"])

    def test_a_method_that_the_bench_does_not_offer(self):
        entry = self.rejected(*self.tls())
        self.assertRegex(entry["reason"], "(?i)EAP-TLS")


class Negotiation(Supplicant):
    """The bench prefers EAP-TLS; the supplicant says Nak and names its own method."""

    eap = {"methods": ["eap-tls", "peap", "eap-ttls", "eap-md5"]}

    def test_each_method_is_agreed_on(self):
        for block, method in (
            (self.tls(), "13 (EAP-TLS)"),
            (self.password("PEAP", "auth=MSCHAPV2"), "25 (EAP-PEAP)"),
            (self.password("TTLS", "auth=PAP"), "21 (EAP-TTLS)"),
        ):
            with self.login(method):
                supplicant = self.accepted(*block)
                self.assertEqual(supplicant.status()["selectedMethod"], method)


class Tls(Supplicant):
    def check(self, version, spelt):
        supplicant = self.accepted(*self.tls(version))
        status = supplicant.status()
        self.assertEqual(status["selectedMethod"], "13 (EAP-TLS)")
        self.assertEqual(status["eap_tls_version"], spelt)
        self.assert_keys_agree(supplicant)
        self.assertEqual(self.entry()["class"], "clerk-desk")
        # RFC 5216 section 2.3, RFC 9190 section 2.3; the accept's EAP-Key-Name (RFC 7268).
        accept, _ = self.last_exchange()
        name = accept.value(102)
        if name:
            self.assertEqual(name.hex(), status["eap_session_id"])

    def test_tls_1_2(self):
        self.check(TLS_1_2, "TLSv1.2")

    def test_tls_1_3(self):
        self.check(TLS_1_3, "TLSv1.3")

    def test_a_machine(self):
        self.accepted(
            *self.tls(holder="machine/till-1", identity="host/till-1.lantern-quay.example")
        )
        self.assertEqual(self.entry()["class"], "till-before-log-on")

    def test_another_person_gets_another_class(self):
        self.accepted(*self.tls(holder="person/purser", identity="purser@lantern-quay.example"))
        self.assertEqual(self.entry()["class"], "purser-desk")

    def test_the_key_from_the_pkcs12_file(self):
        block = self.tls()
        block[4:] = [
            f'private_key="{self.home}/certs/person/clerk/good.p12"',
            'private_key_passwd="bench-only"',
        ]
        self.assert_keys_agree(self.accepted(*block))

    def test_long_chain(self):
        supplicant = self.accepted(*self.tls(variant="long-chain"))
        self.assert_keys_agree(supplicant)

    def test_certificates_that_must_be_refused(self):
        for variant, word in (
            ("expired", "expired"),
            ("not-yet-valid", "not.*valid|valid from"),
            ("wrong-usage", "usage|client"),
            ("revoked", "revoked"),
            ("unknown-issuer", "(?i)unknown|issuer|authority"),
        ):
            for version in (TLS_1_2, TLS_1_3):
                with self.login(f"{variant} {version}"):
                    entry = self.rejected(*self.tls(version, variant=variant))
                    self.assertRegex(entry["reason"], word)

    def test_a_certificate_of_nobody_gets_no_class_of_a_group(self):
        self.accepted(*self.tls(variant="wrong-name"))
        self.assertEqual(self.entry()["class"], "holding")

    def test_a_good_certificate_of_a_disabled_account(self):
        for version in (TLS_1_2, TLS_1_3):
            with self.login(version):
                entry = self.rejected(
                    *self.tls(version, holder="person/former", identity="former@lantern-quay.example")
                )
                self.assertIn("disabled", entry["reason"])

    def test_a_server_that_the_supplicant_does_not_trust(self):
        block = self.tls()
        block[2:4] = self.trust("ca/unknown-ca.pem")
        entry = self.rejected(*block)
        self.assertRegex(entry["reason"], "(?i)supplicant.*unknown.?ca|unknown.?ca|alert")

    def test_a_server_of_another_name(self):
        block = self.tls()
        block[2:4] = self.trust(server="elsewhere.lantern-quay.example")
        entry = self.rejected(*block)
        self.assertRegex(entry["reason"], "(?i)supplicant|alert")


class ServerCertificate(Supplicant):
    """The supplicant judges the bench's certificate; the bench file is edited while it serves."""

    def present(self, variant):
        quay.write(self.home, eap={
            "certificate": f"certs/server/{variant}.pem", "key": f"certs/server/{variant}.key",
        })
        self.bench.wait_entry(after=self.bench.mark() - 1, kind="desk", verdict="reloaded")

    def test_what_must_be_refused_is_refused_and_told(self):
        for variant, words in (
            ("expired", "expired"),
            ("not-yet-valid", "(?i)certificate"),
            ("wrong-usage", "(?i)certificate"),
            ("wrong-name", "(?i)certificate|name"),
            ("unknown-issuer", "(?i)unknown CA"),
        ):
            for version in (TLS_1_2, TLS_1_3):
                self.present(variant)
                with self.login(f"{variant} {version}"):
                    entry = self.rejected(*self.password("PEAP", "auth=MSCHAPV2", version))
                    self.assertRegex(entry["reason"], words)

    def test_certificates_made_anew_come_into_force(self):
        self.present("good")
        mark = self.bench.mark()
        self.make_certificates("--force")
        self.bench.wait_entry(after=mark, kind="desk", verdict="reloaded")
        # The supplicant trusts the new authority alone, and shows a new certificate.
        self.accepted(*self.tls())

    def test_a_long_chain_is_taken(self):
        self.present("long-chain")
        self.assert_keys_agree(self.accepted(*self.tls()))


class Profiles(Supplicant):
    """The supplicant runs the profiles that came with the certificates, as they are."""

    def profile(self, name):
        home = Path(self.home) / "certs"
        supplicant = port.Supplicant(home, profile=home / "profiles" / f"{name}.conf")
        self.addCleanup(self.authenticator.forget, supplicant.mac)
        self.addCleanup(supplicant.stop)
        return supplicant

    def test_by_certificate(self):
        for name, class_ in (
            ("person-clerk-tls", "clerk-desk"),
            ("machine-till-1-tls", "till-before-log-on"),
        ):
            with self.login(name):
                self.assert_accepted(self.profile(name))
                self.assertEqual(self.entry()["class"], class_)

    def test_by_a_password_that_the_supplicant_asks_for(self):
        for method in ("peap-mschapv2", "ttls-mschapv2", "ttls-pap"):
            with self.login(method):
                supplicant = self.profile(f"person-clerk-{method}")
                supplicant.process.wait_for("CTRL-REQ-PASSWORD")
                supplicant.ask("password", "0", quay.PASSWORDS["clerk"])
                self.assert_accepted(supplicant)
                self.assertEqual(self.entry()["class"], "clerk-desk")


class NoClientAuthority(Supplicant):
    """Passwords need no authority for clients' certificates."""

    eap = {"methods": ["peap", "eap-ttls"], "client-ca": None, "crl": None}

    def test_peap(self):
        self.accepted(*self.password("PEAP", "auth=MSCHAPV2"))


class Ttls(Supplicant):
    INNER = ("auth=PAP", "auth=CHAP", "auth=MSCHAPV2", "autheap=MD5", "autheap=MSCHAPV2")

    def check(self, inner, version, spelt):
        supplicant = self.accepted(*self.password("TTLS", inner, version))
        status = supplicant.status()
        self.assertEqual(status["selectedMethod"], "21 (EAP-TTLS)")
        self.assertEqual(status["eap_tls_version"], spelt)
        self.assert_keys_agree(supplicant)
        entry = self.entry()
        self.assertEqual(entry["class"], "clerk-desk")

    def wrong(self, inner):
        entry = self.rejected(*self.password("TTLS", inner, password="wrong"))
        self.assertIn("password", entry["reason"])

    def test_a_person_that_is_not_known(self):
        block = self.password("TTLS", "auth=PAP", password="x")
        block[1] = 'identity="nobody"'
        entry = self.rejected(*block)
        self.assertIn("nobody", entry["reason"])


class Peap(Supplicant):
    def check(self, inner, version, spelt):
        more = [version]
        if inner == "auth=TLS":
            stem = f"{self.home}/certs/person/clerk/good"
            more += [
                f'ca_cert2="{self.home}/certs/ca/bench-ca.pem"',
                f'client_cert2="{stem}.pem"', f'private_key2="{stem}.key"',
            ]
        block = self.password("PEAP", inner, *more)
        if inner == "auth=TLS":
            block[1] = 'identity="clerk@lantern-quay.example"'
        supplicant = self.accepted(*block)
        status = supplicant.status()
        self.assertEqual(status["selectedMethod"], "25 (EAP-PEAP)")
        self.assertEqual(status["eap_tls_version"], spelt)
        self.assert_keys_agree(supplicant)
        self.assertEqual(self.entry()["class"], "clerk-desk")

    def test_wrong_password(self):
        entry = self.rejected(*self.password("PEAP", "auth=MSCHAPV2", password="wrong"))
        self.assertIn("password", entry["reason"])


def matrix(case, name, inners):
    """One check for each inner method under each TLS version."""
    for inner in inners:
        for version, spelt in ((TLS_1_2, "TLSv1.2"), (TLS_1_3, "TLSv1.3")):
            label = f"test_{inner.replace('=', '_')}_{spelt}".lower().replace(".", "_")

            def run(self, inner=inner, version=version, spelt=spelt):
                self.check(inner, version, spelt)

            setattr(case, label, run)


def wrong_passwords(case):
    for inner in case.INNER:

        def run(self, inner=inner):
            self.wrong(inner)

        setattr(case, f"test_wrong_password_{inner.replace('=', '_')}".lower(), run)


matrix(Ttls, "TTLS", Ttls.INNER)
matrix(Peap, "PEAP", ("auth=MSCHAPV2", "auth=TLS"))
wrong_passwords(Ttls)


class Resumption(Supplicant):
    def check(self, block, reused):
        supplicant = self.accepted(*block)
        self.assertEqual(supplicant.status()["tls_session_reused"], "0")
        self.mark, self.seen = self.bench.mark(), self.authenticator.mark()
        after = supplicant.mark()
        self.authenticator.ask_who_again(supplicant.mac)
        self.assert_accepted(supplicant, after)
        self.assertEqual(supplicant.status()["tls_session_reused"], reused)
        self.assert_keys_agree(supplicant, after)
        self.assertEqual(self.entry()["class"], "clerk-desk")

    def test_tls(self):
        for version in (TLS_1_2, TLS_1_3):
            with self.login(version):
                self.check(self.tls(version), "1")

    def test_ttls(self):
        self.check(self.password("TTLS", "auth=MSCHAPV2", TLS_1_2), "1")

    def test_peap(self):
        self.check(self.password("PEAP", "auth=MSCHAPV2", TLS_1_2), "1")


class NoResumption(Resumption):
    eap = {"resumption": False}

    def check(self, block, reused):
        super().check(block, "0")


class Fragments(Supplicant):
    """Both sides cut their messages small (RFC 5216 section 2.1.5)."""

    eap = {"fragment-size": 100}

    def test_small_fragments_in_both_directions(self):
        for block in (
            self.tls("fragment_size=100", TLS_1_2),
            self.tls("fragment_size=100", TLS_1_3, variant="long-chain"),
            self.password("PEAP", "auth=MSCHAPV2", "fragment_size=100"),
        ):
            with self.login(block[0]):
                supplicant = self.accepted(*block)
                self.assert_keys_agree(supplicant)
                longest = max(
                    sum(len(value) for value in radius.parse(raw).values(79))
                    for _, raw in self.bench.packets()
                    if raw[0] == radius.ACCESS_CHALLENGE
                )
                self.assertLessEqual(longest, 100)


class BadPath(Supplicant):
    """Every request arrives twice, and one answer of the login is lost, each in its turn
    (RFC 5080 section 2.2.2; the authenticator repeats after 3 s)."""

    eap = {"methods": ["eap-tls"]}
    authentication = relay.Relay.PORT

    @classmethod
    def setUpClass(cls):
        port.namespaces()
        cls.path = relay.Relay()
        super().setUpClass()

    def test_every_login_succeeds_once(self):
        for number in range(1, 5):  # three challenges, then the accept
            with self.login(f"answer {number} lost"):
                self.path.lose_reply(number)
                accepts = len(self.accepts())
                supplicant = self.accepted(*self.tls())
                self.assertIsNone(self.path.lose, "the login had fewer answers")
                self.assert_keys_agree(supplicant)
                self.assertEqual(len(self.accepts()), accepts + 1)

    def accepts(self):
        return self.bench.entries(kind="access", verdict="answered-accept")


class DisconnectPort(Supplicant):
    """The authenticator's own port for changes."""

    def test_a_disconnect_ends_the_session(self):
        mac = self.accepted(*self.tls()).mac
        portproof("change", "disconnect", "--yes", "--mac", mac, cwd=self.home)
        self.bench.wait_entry(after=self.mark, kind="change", verdict="acked")
        wait(
            lambda: not self.authenticator.authorised(mac), "the port to close",
            explain=self.authenticator.process.tail,
        )
        self.bench.wait_entry(after=self.mark, kind="accounting", verdict="recorded-stop")

    def test_a_bounce_falls_back_to_what_the_authenticator_knows(self):
        # It knows no CoA that a switch would, Error-Cause 401, but Disconnect.
        mac = self.accepted(*self.tls()).mac
        said = portproof("change", "bounce", "--yes", "--mac", mac, cwd=self.home)
        self.assertRegex(said, r"(?s)bounce refused: 401.*reauth refused: 401.*disconnect acknowledged")
        wait(
            lambda: not self.authenticator.authorised(mac), "the port to close",
            explain=self.authenticator.process.tail,
        )


class OnTheWire(Supplicant):
    """What went between authenticator and bench, judged by the analyser and recomputed."""

    def test_every_authenticator_is_right(self):
        recorder = capture.Capture(self.home, "a0", port.SWITCH)
        mac = self.accepted(*self.tls()).mac
        portproof("change", "disconnect", "--yes", "--mac", mac, cwd=self.home)
        self.bench.wait_entry(after=self.mark, kind="accounting", verdict="recorded-stop")
        file = recorder.stop()
        change_codes = {40, 41, 42, 43, 44, 45}
        for secret, mine in (
            (quay.SECRET, lambda code: code not in change_codes),
            (quay.CHANGE_SECRET, lambda code: code in change_codes),
        ):
            verdicts = [(c, v) for c, v, _ in capture.reply_verdicts(file, secret) if mine(c)]
            self.assertTrue(verdicts)
            self.assertEqual({verdict for _, verdict in verdicts}, {"1"}, verdicts)
        exchange = capture.packets(file)
        faults, counts = capture.faults(
            exchange, lambda code: quay.CHANGE_SECRET if code in change_codes else quay.SECRET
        )
        self.assertEqual(faults, [])
        for code in (1, 2, 4, 5, 11, 40, 41):
            self.assertGreater(counts[code], 0, f"code {code}")


if __name__ == "__main__":
    unittest.main()
