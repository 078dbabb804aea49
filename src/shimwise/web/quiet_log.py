"""What a server logs again and again is logged once a minute, with how often it happened."""

import logging
import time
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager

AGAIN_S = 60.0
MOST_KINDS = 500
SPEAKERS = ("asyncio", "uvicorn.error", "shimwise.web")
"""Loggers that speak for each connection or request, of which anybody can make many."""


class Seldom(logging.Filter):
    """Lets a message of one kind through once in a while; the next counts how many were left out.

    Messages are of one kind where their text before its values is filled in, and the place of their error,
    are the same.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._logged: dict[Hashable, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether a record is shown."""
        kind, now_s = _kind(record), self._clock()
        at_s, left_out = self._logged.get(kind, (float("-inf"), 0))
        if now_s - at_s < AGAIN_S:
            self._logged[kind] = at_s, left_out + 1
            return False
        if len(self._logged) >= MOST_KINDS:
            self._logged.clear()
        self._logged[kind] = now_s, 0
        if left_out:
            record.msg = f"{record.getMessage().rstrip()} ({left_out} more like it before)"
            record.args = ()
        return True


def _kind(record: logging.LogRecord) -> Hashable:
    error = record.exc_info[1] if record.exc_info else None
    if error is None:
        return record.name, record.msg
    if isinstance(error, OSError) and record.name == "asyncio":
        # The library logs it with the lines of its own code, which nobody here can mend.
        record.exc_info = record.exc_text = None
        record.msg, record.args = f"{str(record.msg).splitlines()[0]}: {error.strerror or error}", ()
        return record.name, record.msg
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    return record.name, type(error), place and (place.tb_frame.f_code.co_filename, place.tb_lineno)


@contextmanager
def quiet() -> Iterator[None]:
    """Have the server's loggers repeat themselves seldom, as long as the context lasts."""
    seldom = Seldom()
    for name in SPEAKERS:
        logging.getLogger(name).addFilter(seldom)
    try:
        yield
    finally:
        for name in SPEAKERS:
            logging.getLogger(name).removeFilter(seldom)
