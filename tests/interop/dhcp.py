"""DHCP in a namespace: a real client and a real server on one link with the listener, and a
hand-made DISCOVER for where the sender does not matter.

    till [t0] ---- [bridge lan] ---- [s0] shore
                        |
             the first namespace, where portproof listens
"""

import os
import socket
from pathlib import Path

from ring import Process, command

CLIENT_MAC = "02:00:00:00:77:01"

SERVER = """
start 198.51.100.100
end 198.51.100.110
interface s0
lease_file {folder}/leases
pidfile {folder}/server.pid
option subnet 255.255.255.0
option lease 600
"""


def lan():
    """Once per run."""
    if "till" in command("ip", "netns", "list"):
        return
    command("ip", "link", "add", "lan", "type", "bridge")
    command("ip", "addr", "add", "198.51.100.1/24", "dev", "lan")
    command("ip", "link", "set", "lan", "up")
    for name, link, outside in (("till", "t0", "bt0"), ("shore", "s0", "bs0")):
        command("ip", "netns", "add", name)
        command("ip", "link", "add", outside, "type", "veth", "peer", "name", link, "netns", name)
        command("ip", "link", "set", outside, "master", "lan", "up")
    command("ip", "-n", "till", "link", "set", "t0", "address", CLIENT_MAC)
    command("ip", "-n", "till", "link", "set", "t0", "up")
    command("ip", "-n", "shore", "addr", "add", "198.51.100.2/24", "dev", "s0")
    command("ip", "-n", "shore", "link", "set", "s0", "up")


def server(folder):
    config = Path(folder) / "server.conf"
    config.write_text(SERVER.format(folder=folder))
    (Path(folder) / "leases").touch()
    process = Process("dhcp-server", ["busybox", "udhcpd", "-f", config], folder, netns="shore")
    process.wait_for("started")
    return process


def client(folder, *options):
    """Runs the client until it has its lease; gives what it said."""
    script = Path(folder) / "client.sh"
    script.write_text('#!/bin/sh\necho "$1 $ip"\n')
    script.chmod(0o755)
    return command(
        "busybox", "udhcpc", "-f", "-n", "-q", "-t", "20", "-T", "1", "-i", "t0", "-s", script, *options,
        netns="till",
    )


def discover(mac, host_name, vendor_class, to=("127.0.0.1", 67)):
    """A DISCOVER (RFC 2131 section 2, options of RFC 2132) sent by unicast."""
    options = [(53, b"\x01"), (12, host_name.encode()), (60, vendor_class.encode()), (55, bytes([1, 3, 6, 15]))]
    chaddr = bytes.fromhex(mac.replace(":", ""))
    message = bytes([1, 1, 6, 0]) + os.urandom(4) + bytes(20) + chaddr + bytes(10 + 64 + 128)
    message += b"\x63\x82\x53\x63"
    message += b"".join(bytes([kind, len(value)]) + value for kind, value in options) + b"\xff"
    message = message.ljust(300, b"\0")  # RFC 1542 section 2.1
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.sendto(message, to)
