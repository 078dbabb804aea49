"""How often a PIN may be tried: five times, then with waits that grow, for each person on each device."""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable

from shimwise.bench.access.errors import TooManyTries

FREE = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 900.0
MOST_KEPT = 10_000


class PinTries:
    """Counts tries in this process. Safe to share among threads."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self._lock = threading.Lock()
        self._tried: OrderedDict[tuple[str, str], tuple[int, float]] = OrderedDict()

    def take(self, person: str, device: str) -> None:
        """Count a try before it is looked at, so that many at once are counted too.

        Raises
        ------
        TooManyTries
            If it has to wait; then it does not count.
        """
        with self._lock:
            count, until_s = self._tried.get((person, device), (0, 0.0))
            left_s = until_s - self.clock()
            if left_s > 0:
                raise TooManyTries(left_s)
            count += 1
            wait_s = min(FIRST_WAIT_S * 2 ** (count - FREE), LONGEST_WAIT_S) if count >= FREE else 0.0
            self._tried[person, device] = (count, self.clock() + wait_s)
            self._tried.move_to_end((person, device))
            if len(self._tried) > MOST_KEPT:
                self._tried.popitem(last=False)

    def forgive(self, person: str, device: str) -> None:
        """Forget the tries, after one that was right."""
        with self._lock:
            self._tried.pop((person, device), None)
