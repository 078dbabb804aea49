"""How often the passphrase may be tried at the door.

Counted in this process alone: whoever tries is nobody yet, and must not make the record write. Each of
several servers takes so many, of a passphrase with ten characters at least.
"""

import ipaddress
import threading
import time
from collections import deque
from collections.abc import Callable

from shimwise.web.security import ip_address_of


class Tries:
    """Counts how often the passphrase was tried: few times a minute from one address.

    Each address has a budget of its own, so that guesses from others never lock out the one that is right;
    two passphrases are checked at a time (:data:`shimwise.bench.access.pairing.AT_ONCE`), which bounds all of
    them together. Of IPv6 the network counts, its first 64 bits: a device in it takes any address it likes.

    Parameters
    ----------
    each : int
        Tries within ``within_s`` from one address.
    """

    def __init__(
        self, *, each: int = 5, within_s: float = 60.0, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.each, self.within_s, self.clock = each, within_s, clock
        self._lock = threading.Lock()
        self._tries: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str) -> float:
        """Count a try; return how long to wait before it is taken, 0 if it is taken. [s]"""
        now, address = self.clock(), _network(address)
        with self._lock:
            while self._tries and self._tries[0][0] <= now - self.within_s:
                self._tries.popleft()
            own = [at for at, who in self._tries if who == address]
            if len(own) >= self.each:
                return own[-self.each] + self.within_s - now
            self._tries.append((now, address))
        return 0.0

    def forgive(self, address: str) -> None:
        """Forget the tries of an address, after one that was right."""
        with self._lock:
            network = _network(address)
            self._tries = deque((at, who) for at, who in self._tries if who != network)


def _network(address: str) -> str:
    found = ip_address_of(address)
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((found, 64), strict=False))
    return address
