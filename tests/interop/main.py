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

    here = str(Path(__file__).parent)
    sys.path.insert(0, here)
    loader = unittest.TestLoader()
    suite = loader.loadTestsFromNames(names) if names else loader.discover(here)
    result = unittest.TextTestRunner(verbosity=2, stream=sys.stdout).run(suite)
    failed = len(result.failures) + len(result.errors) + len(result.unexpectedSuccesses)
    passed = result.testsRun - failed - len(result.skipped)
    print(f"interop: {passed} passed, {failed} failed, {len(result.skipped)} skipped")
    return 1 if failed or not result.testsRun else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
