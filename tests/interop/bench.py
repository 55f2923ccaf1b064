"""A running `portproof serve`, seen through its journal."""

import json

from ring import PORTPROOF, Process


class Bench:
    """Serves a bench file with an empty memory, until stopped."""

    def __init__(self, bench_file, folder):
        self.process = Process(
            "portproof", [PORTPROOF, "serve", "--in-memory", "--json", bench_file], folder
        )
        # It greets on standard error once its sockets are bound.
        self.process.wait_for(r"authentication +\S+:\d+")

    def entries(self, **wanted):
        """Journal entries so far whose fields have the wanted values."""
        found = []
        for line in self.process.said().splitlines():
            if not line.startswith("{"):
                continue
            try:
                entry = json.loads(line)
            except json.JSONDecodeError:
                continue  # the last line, half written
            if all(entry.get(key) == value for key, value in wanted.items()):
                found.append(entry)
        return found

    def mark(self):
        return len(self.entries())

    def wait_entry(self, after=0, **wanted):
        """The first entry after a mark that has the wanted values."""
        seqs = {entry["seq"] for entry in self.entries()[:after]}

        def look():
            fresh = [entry for entry in self.entries(**wanted) if entry["seq"] not in seqs]
            return fresh and fresh[0]

        return self.process.until(look, f"an entry with {wanted}")

    def wait_rejection(self, after):
        """The first entry after a mark that tells of a reject."""
        seqs = {entry["seq"] for entry in self.entries()[:after]}

        def look():
            return [
                entry
                for entry in self.entries(kind="access")
                if entry["seq"] not in seqs and entry["verdict"].startswith("answered-reject")
            ]

        return self.process.until(look, "a reject")[0]

    def packets(self):
        """Every packet of the journal, as (record, octets)."""
        return [
            (packet, bytes.fromhex(packet["octets"]))
            for entry in self.entries()
            for packet in entry.get("packets", [])
        ]

    def stop(self):
        self.process.stop()

