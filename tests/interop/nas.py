"""A Python RADIUS library as the switch: it asks, and it takes changes."""

import io
import threading
import time

from pyrad import packet
from pyrad.client import Client
from pyrad.dictionary import Dictionary
from pyrad.server import RemoteHost, Server

# Number, name, type of each attribute that the checks use: RFC 2865, 2866, 2868, 2869, 5176.
ATTRIBUTES = """
1 User-Name string|2 User-Password octets|3 CHAP-Password octets|4 NAS-IP-Address ipaddr
5 NAS-Port integer|6 Service-Type integer|8 Framed-IP-Address ipaddr|11 Filter-Id string
12 Framed-MTU integer|18 Reply-Message string|24 State octets|25 Class octets
26 Vendor-Specific octets|27 Session-Timeout integer|28 Idle-Timeout integer
29 Termination-Action integer|30 Called-Station-Id string|31 Calling-Station-Id string
32 NAS-Identifier string|33 Proxy-State octets|40 Acct-Status-Type integer
41 Acct-Delay-Time integer|44 Acct-Session-Id string|46 Acct-Session-Time integer
49 Acct-Terminate-Cause integer|55 Event-Timestamp integer|56 Egress-VLANID integer
60 CHAP-Challenge octets|61 NAS-Port-Type integer|79 EAP-Message octets
80 Message-Authenticator octets|85 Acct-Interim-Interval integer|87 NAS-Port-Id string
101 Error-Cause integer
"""
TAGGED = "64 Tunnel-Type integer|65 Tunnel-Medium-Type integer|81 Tunnel-Private-Group-Id string"


def dictionary():
    """In the only form in which the library takes it."""
    entries = [entry.split() for line in ATTRIBUTES.split("\n") for entry in line.split("|") if entry]
    lines = [f"ATTRIBUTE {name} {number} {kind}" for number, name, kind in entries]
    for number, name, kind in (entry.split() for entry in TAGGED.split("|")):
        lines.append(f"ATTRIBUTE {name} {number} {kind} has_tag")
    return Dictionary(io.StringIO("\n".join(lines) + "\n"))


DICTIONARY = dictionary()


class Nas:
    """The asking side, on loopback or in a namespace."""

    def __init__(self, server, secret, authentication=1812, accounting=1813, timeout=5, retries=3):
        self.client = Client(
            server=server,
            authport=authentication,
            acctport=accounting,
            secret=secret,
            dict=DICTIONARY,
            retries=retries,
            timeout=timeout,
            enforce_ma=True,
        )
        # Replies to accounting need no Message-Authenticator: `enforce_ma` spares them.

    def access(self, **attributes):
        request = self.client.CreateAuthPacket()
        for name, value in attributes.items():
            request[name.replace("_", "-")] = value
        return request

    def mac(self, user, password, calling, port="7", **more):
        """MAC authentication by PAP; `password` None leaves it out."""
        request = self.access(
            User_Name=user,
            Calling_Station_Id=calling,
            NAS_Port_Id=port,
            NAS_Port_Type=15,
            NAS_IP_Address="127.0.0.1",
            **more,
        )
        if password is not None:
            request["User-Password"] = request.PwCrypt(password)
        return request

    def ask(self, request):
        return self.client.SendPacket(request)

    def accounting(self, status, session, **attributes):
        """Start 1, Stop 2, Interim 3, On 7, Off 8 (RFC 2866 section 5.1)."""
        request = self.client.CreateAcctPacket()
        request["Acct-Status-Type"] = status
        request["Acct-Session-Id"] = session
        request["NAS-IP-Address"] = "127.0.0.1"
        for name, value in attributes.items():
            request[name.replace("_", "-")] = value
        return self.ask(request)

    def status(self):
        request = self.client.CreateAuthPacket(code=packet.StatusServer)
        return self.ask(request)


class ChangePort(Server):
    """The side that takes changes. Answers as it was told to, and keeps what came."""

    def __init__(self, secret, address="127.0.0.1", port=3799):
        super().__init__(
            addresses=[address],
            coaport=port,
            hosts={address: RemoteHost(address, secret, "bench")},
            dict=DICTIONARY,
            auth_enabled=False,
            acct_enabled=False,
            coa_enabled=True,
            enable_pkt_verify=True,
        )
        self.came = []
        self.answers = []  # of each next request: None for silence, or (ACK or NAK code, cause)
        threading.Thread(target=self.Run, daemon=True).start()

    def HandleCoaPacket(self, pkt):
        self.take(pkt, packet.CoAACK)

    def HandleDisconnectPacket(self, pkt):
        self.take(pkt, packet.DisconnectACK)

    def take(self, pkt, ack):
        self.came.append((time.monotonic(), pkt))
        code, cause = (ack, None) if not self.answers else self.answers.pop(0) or (None, None)
        if code is None:
            return
        reply = self.CreateReplyPacket(pkt)
        reply.code = code
        reply["Event-Timestamp"] = int(time.time())
        if cause is not None:
            reply["Error-Cause"] = cause
        reply.add_message_authenticator()
        self.SendReplyPacket(pkt.fd, reply)
