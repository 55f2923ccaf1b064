"""A path between authenticator and bench that repeats every request and can lose a reply."""

import select
import socket
import threading

import port


class Relay:
    """Listens beside the bench; the bench takes it for the switch at 127.0.0.1."""

    PORT = 11812

    def __init__(self):
        self.lose, self.passed = None, 0
        self.outside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.outside.bind((port.BENCH, Relay.PORT))
        self.inside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.inside.bind(("127.0.0.1", 0))
        threading.Thread(target=self.carry, daemon=True).start()

    def lose_reply(self, number):
        """Of the answers from now on, this one is lost; 1 is the next."""
        self.lose, self.passed = number, 0

    def carry(self):
        switch = None
        while True:
            for ready in select.select([self.outside, self.inside], [], [])[0]:
                octets, peer = ready.recvfrom(8192)
                if ready is self.outside:
                    switch = peer
                    for _ in range(2):
                        self.inside.sendto(octets, ("127.0.0.1", 1812))
                elif switch is not None and not self.swallow():
                    self.outside.sendto(octets, switch)

    def swallow(self):
        """The bench answers each copy; both copies of one answer are lost."""
        if self.lose is None:
            return False
        self.passed += 1
        if self.passed <= 2 * (self.lose - 1):
            return False
        if self.passed == 2 * self.lose:
            self.lose = None
        return True
