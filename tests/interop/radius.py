"""RADIUS by the text of the RFCs, to judge what peers sent. Shares nothing with portproof or pyrad."""

import hashlib
import hmac
from dataclasses import dataclass, field

ACCESS_REQUEST, ACCESS_ACCEPT, ACCESS_REJECT = 1, 2, 3
ACCOUNTING_REQUEST, ACCOUNTING_RESPONSE = 4, 5
ACCESS_CHALLENGE, STATUS_SERVER = 11, 12
DISCONNECT_REQUEST, DISCONNECT_ACK, DISCONNECT_NAK = 40, 41, 42
COA_REQUEST, COA_ACK, COA_NAK = 43, 44, 45

REPLIES = {
    ACCESS_REQUEST: {ACCESS_ACCEPT, ACCESS_REJECT, ACCESS_CHALLENGE},
    STATUS_SERVER: {ACCESS_ACCEPT, ACCOUNTING_RESPONSE},
    ACCOUNTING_REQUEST: {ACCOUNTING_RESPONSE},
    DISCONNECT_REQUEST: {DISCONNECT_ACK, DISCONNECT_NAK},
    COA_REQUEST: {COA_ACK, COA_NAK},
}
MESSAGE_AUTHENTICATOR = 80


@dataclass
class Packet:
    """One packet (RFC 2865 section 3)."""

    raw: bytes
    code: int
    identifier: int
    authenticator: bytes
    attributes: list = field(default_factory=list)  # (type, value), order kept

    def values(self, kind):
        return [value for number, value in self.attributes if number == kind]

    def value(self, kind):
        values = self.values(kind)
        return values[0] if values else None

    def vendor_values(self, vendor, kind):
        """Sub-attributes in the suggested layout (RFC 2865 section 5.26)."""
        found = []
        for value in self.values(26):
            if int.from_bytes(value[:4], "big") == vendor:
                found += [v for k, v in split(value[4:]) if k == kind]
        return found


def parse(raw):
    """Raises ValueError on what RFC 2865 section 3 tells to discard."""
    if not 20 <= len(raw) <= 4096:
        raise ValueError(f"{len(raw)} octets")
    length = int.from_bytes(raw[2:4], "big")
    if not 20 <= length <= len(raw):
        raise ValueError(f"length field {length} of {len(raw)} octets")
    raw = raw[:length]
    return Packet(raw, raw[0], raw[1], raw[4:20], split(raw[20:]))


def split(octets):
    """Type, length, value (RFC 2865 section 5)."""
    found = []
    while octets:
        if len(octets) < 2 or not 2 <= octets[1] <= len(octets):
            raise ValueError("an attribute goes beyond the end")
        found.append((octets[0], octets[2 : octets[1]]))
        octets = octets[octets[1] :]
    return found


def build(code, identifier, authenticator, attributes):
    body = b"".join(bytes([kind, len(value) + 2]) + value for kind, value in attributes)
    return bytes([code, identifier]) + (20 + len(body)).to_bytes(2, "big") + authenticator + body


def request_authenticator(packet, secret):
    """Of accounting and change requests (RFC 2866 section 3, RFC 5176 section 2.3)."""
    return md5(packet.raw[:4] + bytes(16) + packet.raw[20:] + secret)


def response_authenticator(reply, request, secret):
    """RFC 2865 section 3."""
    return md5(reply.raw[:4] + request.authenticator + reply.raw[20:] + secret)


def message_authenticator(packet, secret, request=None):
    """The value that the attribute must have (RFC 3579 section 3.2, RFC 5176 section 3.4).

    A reply is computed over the authenticator of its request, a change or accounting request
    over zeros.
    """
    if request is not None:
        authenticator = request.authenticator
    elif packet.code in (ACCESS_REQUEST, STATUS_SERVER):
        authenticator = packet.authenticator
    else:
        authenticator = bytes(16)
    zeroed = [
        (kind, bytes(16) if kind == MESSAGE_AUTHENTICATOR else value)
        for kind, value in packet.attributes
    ]
    signed = build(packet.code, packet.identifier, authenticator, zeroed)
    return hmac.new(secret, signed, hashlib.md5).digest()


def faults_of_reply(reply, request, secret):
    """Everything that is wrong with a reply; an empty list when it is right."""
    faults = []
    if reply.code not in REPLIES.get(request.code, set()):
        faults.append(f"code {reply.code} does not answer code {request.code}")
    if reply.identifier != request.identifier:
        faults.append("another identifier than the request's")
    if reply.authenticator != response_authenticator(reply, request, secret):
        faults.append("wrong response authenticator")
    signed = reply.value(MESSAGE_AUTHENTICATOR)
    if signed is not None and signed != message_authenticator(reply, secret, request):
        faults.append("wrong Message-Authenticator")
    if reply.code in (ACCESS_ACCEPT, ACCESS_REJECT, ACCESS_CHALLENGE):
        if not reply.attributes or reply.attributes[0][0] != MESSAGE_AUTHENTICATOR:
            faults.append("Message-Authenticator is not the first attribute")
    return faults


def reveal_key(value, request, secret):
    """An MPPE key (RFC 2548 section 2.4.2): salt, then length octet, key and padding, hidden."""
    salt, hidden = value[:2], value[2:]
    if not salt[0] & 0x80 or len(hidden) % 16:
        raise ValueError("not a salted key")
    plain, chain = b"", request.authenticator + salt
    for at in range(0, len(hidden), 16):
        block = hidden[at : at + 16]
        plain += bytes(a ^ b for a, b in zip(block, md5(secret + chain)))
        chain = block
    return plain[1 : 1 + plain[0]]


def md5(octets):
    return hashlib.md5(octets).digest()
