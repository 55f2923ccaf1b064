"""What the checks share: processes, namespaces, waiting."""

import os
import re
import signal
import subprocess
import tempfile
import time
from pathlib import Path

PORTPROOF = os.environ["PORTPROOF"]

# Long enough for a busy machine; reached only when something is wrong.
PATIENCE = 60.0


class Process:
    """A program in the background, its output in a file. Stopped by its own process id."""

    def __init__(self, name, args, cwd, netns=None):
        self.name = name
        self.log = Path(cwd) / f"{name}.log"
        inside = ["ip", "netns", "exec", netns] if netns else []
        with self.log.open("wb") as out:
            self.process = subprocess.Popen(
                inside + [str(arg) for arg in args],
                cwd=cwd,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
            )

    def said(self):
        return self.log.read_text(errors="replace")

    def wait_for(self, pattern, patience=PATIENCE, after=0):
        """Waits until the output has the pattern, from character `after` on."""
        return self.until(
            lambda: re.search(pattern, self.said()[after:]), f"to say {pattern!r}", patience
        )

    def until(self, look, what, patience=PATIENCE):
        """Asks `look` until it gives something; an ended process will give nothing more."""

        def look_or_ended():
            ended = self.process.poll() is not None
            found = look()
            if not found and ended:
                raise AssertionError(
                    f"{self.name} ended with {self.process.returncode}, wanted {what}:\n{self.tail()}"
                )
            return found

        return wait(look_or_ended, f"{self.name} {what}", patience, self.tail)

    def tail(self, lines=40):
        return "\n".join(self.said().splitlines()[-lines:])

    def stop(self, how=signal.SIGTERM):
        if self.process.poll() is None:
            self.process.send_signal(how)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        return self.process.returncode


def wait(look, what, patience=PATIENCE, explain=lambda: ""):
    """Asks `look` until it gives something."""
    end = time.monotonic() + patience
    while True:
        found = look()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"waited {patience:.0f} s for {what}\n{explain()}")
        time.sleep(0.1)


def command(*args, netns=None, cwd=None, check=True):
    """Runs a command to its end and gives its output."""
    inside = ["ip", "netns", "exec", netns] if netns else []
    done = subprocess.run(
        inside + [str(arg) for arg in args],
        cwd=cwd,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=PATIENCE,
    )
    if check and done.returncode:
        raise AssertionError(f"{' '.join(map(str, args))}: exit code {done.returncode}\n{done.stdout}")
    return done.stdout


def portproof(*args, cwd=None, code=0):
    """Runs a portproof command that ends by itself, and checks its exit code."""
    done = subprocess.run(
        [PORTPROOF, *map(str, args)],
        cwd=cwd,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
    )
    if done.returncode != code:
        raise AssertionError(
            f"portproof {' '.join(map(str, args))}: exit code {done.returncode}, "
            f"not {code}\n{done.stdout}{done.stderr}"
        )
    return done.stdout


def folder():
    """A directory that goes when its object does; keep the object."""
    return tempfile.TemporaryDirectory(prefix="portproof-interop-")
