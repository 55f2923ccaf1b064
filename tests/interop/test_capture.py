"""A packet analyser reads the capture of a live drill; what it does not check is recomputed."""

import unittest
from pathlib import Path

import capture
from ring import PORTPROOF, Process, folder

LAB = Path(__file__).parents[2] / "lab"
SECRET = b"lantern-quay-bench-only"  # of lab/lantern-quay.yaml, for every link


class LiveDrill(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        recorder = capture.Capture(cls.holder.name, "lo")
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


if __name__ == "__main__":
    unittest.main()
