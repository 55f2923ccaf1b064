"""A packet analyser: captures in the ring's namespace, and judges captures."""

import os
import signal
import socket
from collections import Counter
from pathlib import Path

import radius
from ring import Process, command

REPLY_CODES = {2, 3, 5, 11, 41, 42, 45, 44}


class Capture:
    """A capture of one link, until stopped. `neighbour` is an address that the link leads to."""

    def __init__(self, folder, link, neighbour):
        self.file = Path(folder) / "capture.pcapng"
        self.neighbour = neighbour
        self.process = Process(
            "capture", ["tshark", "-q", "-i", link, "-f", "udp", "-w", self.file], folder
        )
        self.process.wait_for(r"Capturing on")
        self.settle()

    def settle(self):
        """Waits until what was sent so far is in the file: the kernel hands it over in blocks."""
        marker = os.urandom(16)

        def arrived():
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
                link.sendto(marker, (self.neighbour, 9))  # discard, RFC 863
            return self.file.exists() and marker in self.file.read_bytes()

        self.process.until(arrived, "to have captured a marker")

    def stop(self):
        self.settle()
        self.process.stop(signal.SIGINT)
        return self.file


def fields(file, names, *options):
    """The wanted fields of each RADIUS packet, as texts."""
    args = ["tshark", "-r", str(file), *options, "-Y", "radius && udp", "-T", "fields", "-E", "separator=|"]
    for name in names:
        args += ["-e", name]
    lines = command(*args).splitlines()
    return [line.split("|") for line in lines if line.count("|") == len(names) - 1]


def radius_ports(file):
    """UDP ports on which nothing but RADIUS was seen, judged by framing alone: drills choose
    their ports as the system gives them."""
    args = ["tshark", "-r", str(file), "-Y", "udp", "-T", "fields", "-E", "separator=|"]
    rows = command(*args, "-e", "udp.srcport", "-e", "udp.dstport", "-e", "udp.payload").splitlines()
    seen, other = set(), set()
    for row in rows:
        if row.count("|") != 2:
            continue
        source, destination, octets = row.split("|")
        octets = bytes.fromhex(octets.replace(":", ""))
        framed = len(octets) >= 20 and int.from_bytes(octets[2:4], "big") == len(octets)
        (seen if framed else other).update((int(source), int(destination)))
    return sorted(seen - other)


def as_radius(ports):
    """Options that make the analyser take these ports for RADIUS."""
    return [part for port in ports for part in ("-d", f"udp.port=={port},radius")]


def reply_verdicts(file, secret, ports=()):
    """(code, verdict) of each reply by the analyser's own check: "1", "0" or "" for unchecked."""
    rows = fields(
        file,
        ["radius.code", "radius.authenticator.valid", "udp.srcport"],
        *as_radius(ports),
        "-o", f"radius.shared_secret:{secret.decode()}",
        "-o", "radius.validate_authenticator:TRUE",
    )
    spelt = {"1": "1", "True": "1", "0": "0", "False": "0", "": ""}
    return [
        (int(code), spelt[valid], int(port)) for code, valid, port in rows if int(code) in REPLY_CODES
    ]


def packets(file, ports=()):
    """((source, port), (destination, port), packet) of each RADIUS packet, in order."""
    rows = fields(
        file,
        ["ip.src", "udp.srcport", "ip.dst", "udp.dstport", "udp.payload"],
        *as_radius(ports),
    )
    return [
        ((src, int(sport)), (dst, int(dport)), radius.parse(bytes.fromhex(octets.replace(":", ""))))
        for src, sport, dst, dport, octets in rows
    ]


def faults(exchange, secret_of):
    """Recomputes every authenticator of `packets`; gives the faults found, and counts by code.

    `secret_of` gives the secret of a packet by its code.
    """
    found, counts, open_requests = [], Counter(), {}
    for source, destination, packet in exchange:
        counts[packet.code] += 1
        secret = secret_of(packet.code)
        if packet.code in radius.REPLIES:
            open_requests[(destination, source, packet.identifier)] = packet
            found += [f"{packet.code}/{packet.identifier}: {fault}" for fault in request_faults(packet, secret)]
            continue
        request = open_requests.get((source, destination, packet.identifier))
        if request is None:
            found.append(f"{packet.code}/{packet.identifier}: answers no request")
        else:
            found += [
                f"{packet.code}/{packet.identifier}: {fault}"
                for fault in radius.faults_of_reply(packet, request, secret)
            ]
    return found, counts


def request_faults(packet, secret):
    found = []
    if packet.code in (radius.ACCOUNTING_REQUEST, radius.COA_REQUEST, radius.DISCONNECT_REQUEST):
        if packet.authenticator != radius.request_authenticator(packet, secret):
            found.append("wrong request authenticator")
    signed = packet.value(radius.MESSAGE_AUTHENTICATOR)
    if signed is not None and signed != radius.message_authenticator(packet, secret):
        found.append("wrong Message-Authenticator")
    if signed is None and packet.code in (radius.ACCESS_REQUEST, radius.STATUS_SERVER):
        found.append("no Message-Authenticator")
    return found
