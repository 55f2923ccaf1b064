"""Runs the checks of the interop ring inside fresh namespaces; `run` makes them."""

import subprocess
import sys
import unittest
from pathlib import Path


def main(names):
    # `ip netns add` leaves mount points in /run/netns: keep them off the host's.
    Path("/run/netns").mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", "/run/netns"], check=True)
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)

    suite = unittest.TestLoader().loadTestsFromNames(names)
    result = unittest.TextTestRunner(verbosity=2, stream=sys.stdout).run(suite)
    # A check of several parts fails once, however many of them failed.
    broken = {getattr(case, "test_case", case).id() for case, _ in result.failures + result.errors}
    passed = max(result.testsRun - len(broken) - len(result.skipped), 0)
    print(f"interop: {passed} passed, {len(broken)} failed, {len(result.skipped)} skipped")
    return 0 if passed and result.wasSuccessful() else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
