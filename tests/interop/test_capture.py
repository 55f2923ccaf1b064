"""A packet analyser reads the capture of a live drill; what it does not check is recomputed."""

import unittest
from pathlib import Path

from pyrad.packet import AuthPacket

import capture
import quay
from bench import Bench
from nas import Nas
from ring import PORTPROOF, Process, folder, portproof

LAB = Path(__file__).parents[2] / "lab"
SECRET = b"lantern-quay-bench-only"  # of lab/lantern-quay.yaml, for every link


class LiveDrill(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        recorder = capture.Capture(cls.holder.name, "lo", "127.0.0.1")
        cls.drill = Process(
            "drill", [PORTPROOF, "drill", "--live", LAB / "drills" / "new-printer.yaml"], cls.holder.name
        )
        cls.addClassCleanup(cls.drill.stop)
        cls.drill.wait_for(r"\n(PASS|FAIL) ", patience=180)
        cls.code = cls.drill.process.wait(10)
        cls.file = recorder.stop()
        cls.ports = capture.radius_ports(cls.file)

    def test_the_drill_passed(self):
        self.assertEqual(self.code, 0, self.drill.said())

    def test_the_analyser_finds_every_reply_authentic(self):
        verdicts = capture.reply_verdicts(self.file, SECRET, self.ports)
        self.assertEqual({code for code, _, _ in verdicts}, {2, 5, 44})
        self.assertEqual({verdict for _, verdict, _ in verdicts}, {"1"}, verdicts)

    def test_the_analyser_would_have_found_a_wrong_one(self):
        verdicts = capture.reply_verdicts(self.file, b"another secret", self.ports)
        self.assertEqual({verdict for _, verdict, _ in verdicts}, {"0"}, verdicts)

    def test_every_authenticator_and_signature_is_right_when_recomputed(self):
        faults, counts = capture.faults(capture.packets(self.file, self.ports), lambda code: SECRET)
        self.assertEqual(faults, [])
        # Held and moved: two accepts; on, start, stop and start; one bounce.
        self.assertEqual(counts, {1: 2, 2: 2, 4: 4, 5: 4, 43: 1, 44: 1})

    def test_the_recomputation_would_have_found_a_wrong_one(self):
        faults, counts = capture.faults(
            capture.packets(self.file, self.ports), lambda code: b"another secret"
        )
        # An Access-Request is caught by its Message-Authenticator, all others by both.
        self.assertGreaterEqual(len(faults), counts.total())


class Export(unittest.TestCase):
    """The journal of a running bench, written as a capture."""

    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        bench = Bench(quay.write(cls.holder.name), cls.holder.name)
        cls.addClassCleanup(bench.stop)
        nas = Nas("127.0.0.1", quay.SECRET)
        for password in (quay.PASSWORDS["clerk"], "wrong"):
            request = nas.access(User_Name="clerk", NAS_Port_Id="7")
            request["User-Password"] = request.PwCrypt(password)
            nas.ask(request)
        nas.accounting(1, "export-1", User_Name="clerk", NAS_Port_Id="7")
        cls.file = Path(cls.holder.name) / "export.pcapng"
        portproof("journal", "export", "--pcapng", cls.file)

    def test_the_analyser_finds_every_reply_authentic(self):
        verdicts = capture.reply_verdicts(self.file, quay.SECRET)
        self.assertEqual(sorted(code for code, _, _ in verdicts), [2, 3, 5])
        self.assertEqual({verdict for _, verdict, _ in verdicts}, {"1"}, verdicts)

    def test_no_password_can_be_read_even_with_the_secret(self):
        hidden = [p for _, _, p in capture.packets(self.file) if p.value(2) is not None]
        self.assertEqual(len(hidden), 2)
        for request in hidden:
            password = AuthPacket(packet=request.raw, secret=quay.SECRET).PwDecrypt(request.value(2))
            self.assertNotIn(password, (quay.PASSWORDS["clerk"], "wrong"))


if __name__ == "__main__":
    unittest.main()
