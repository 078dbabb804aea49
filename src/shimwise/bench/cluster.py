"""A cluster of Dask that takes work from here: which scheduler may be asked, and what its loss means.

A scheduler runs whatever it is sent, and whoever reads along could send more: beyond this machine it is asked
by tls:// alone, with certificates of the house's own.
"""

import contextlib
import logging
import platform
import re
import warnings
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from shimwise import __version__
from shimwise.bench.this_machine import is_this_machine
from shimwise.errors import ShimwiseError
from shimwise.extras import require_extra

if TYPE_CHECKING:
    from distributed import Client, Security

Result = TypeVar("Result")
Versions = dict[str, str | None]
CONNECTING_S = 10.0
WORKERS_S = 20.0
"""A cluster that is just being started has its first worker after so long. [s]"""
_ADDRESS = re.compile(r"(?P<scheme>tls|tcp)://(?P<host>\[[0-9a-fA-F:.]+\]|[^/:@\s]+):(?P<port>\d{1,5})/?")
_CERTIFICATES = {
    "tls_ca_file": "distributed.comm.tls.ca-file",
    "tls_client_cert": "distributed.comm.tls.client.cert",
    "tls_client_key": "distributed.comm.tls.client.key",
}
_LOGS = ("distributed", "distributed.client", "tornado.application")
_PAGE = "docs/many-machines.md says how."


class ClusterError(ShimwiseError):
    """Raised when a scheduler is not to be asked: its address, its certificates, or its workers' versions."""


class ClusterGone(BrokenExecutor, ClusterError):  # noqa: N818 - a sentence reads better by what happened
    """Raised when a scheduler or all of its workers cannot be reached, now or any more."""

    is_of_machine = True


class WorkerDied(ClusterError):  # noqa: N818
    """Raised when the workers that were given a task ended, one after the other."""


def checked_address(address: str) -> str:
    """Return a scheduler's address if it may be asked.

    Raises
    ------
    ClusterError
        If it is none, or plain tcp beyond this machine.
    """
    parts = _ADDRESS.fullmatch(address.strip())
    if parts is None or int(parts["port"]) > 65_535:
        raise ClusterError(
            f"[{address[:80]}] is no address of a scheduler. Write it as tls://HOST:8786, or as "
            "tcp://127.0.0.1:8786 on this machine."
        )
    if parts["scheme"] == "tcp" and not is_this_machine(parts["host"]):
        raise ClusterError(
            f"{parts[0]} goes to another machine unencrypted: whoever is on the way could have its workers "
            f"run anything. Give the scheduler certificates, and write "
            f"tls://{parts['host']}:{parts['port']}. {_PAGE}"
        )
    return parts[0].rstrip("/")


class ClusterPool(Executor):
    """A scheduler's workers as an executor; a task whose worker dies is run again by another.

    Parameters
    ----------
    address : str
        Of the scheduler: ``tls://HOST:PORT``, or ``tcp://`` of this machine.

    Raises
    ------
    ClusterError
        If the address is refused, a certificate is missing, or the versions of a worker are others.
    ClusterGone
        If nobody answers, or there is no worker.
    MissingExtraError
        If Dask is not installed.
    """

    window = 1_000
    """So many tasks wait at the scheduler at most."""

    def __init__(self, address: str) -> None:
        self.address = checked_address(address)
        require_extra("cluster", "Work on a cluster")
        self._versions = versions_here()
        self._client = _connected(self.address)
        try:
            self._refuse_open_scheduler()
            self._refuse_other_versions()
            # Not pure: the same call twice is two tasks, as of any executor.
            self._tasks = self._client.get_executor(pure=False)
        except BaseException:
            self.end()
            raise

    def submit(self, fn: Callable[..., Result], /, *args: object, **kwargs: object) -> Future[Result]:
        """Send a call to the workers; it fails with ClusterGone once the scheduler is lost."""
        if self._client.status != "running":
            raise self._gone()
        outer: Future[Result] = Future()
        inner = self._tasks.submit(_checked, self._versions, fn, args, kwargs)
        inner.add_done_callback(lambda done: self._pass_on(done, outer))
        outer.add_done_callback(lambda done: inner.cancel() if done.cancelled() else None)
        return outer

    def workers(self) -> list[str]:
        """Return the addresses of the workers that are there."""
        return list(self._client.scheduler_info(n_workers=-1)["workers"])

    def has_workers(self) -> bool:
        """Whether a worker is there to do what waits.

        Raises
        ------
        ClusterGone
            If the scheduler does not answer it.
        """
        try:
            return bool(self.workers())
        except (OSError, RuntimeError) as error:
            raise self._gone() from error

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Leave the scheduler, once all that was sent is done unless it is cancelled."""
        if wait and not cancel_futures and self._client.status == "running":
            self._tasks.shutdown(wait=True)
        self.end()

    def end(self) -> None:
        """Leave at once: the scheduler forgets what was sent."""
        with contextlib.suppress(OSError, RuntimeError), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self._client.close(timeout=CONNECTING_S)

    def _pass_on(self, inner: "Future[Any]", outer: "Future[Any]") -> None:
        if not outer.set_running_or_notify_cancel():
            return
        if inner.cancelled():
            outer.set_exception(self._gone())
        elif (error := inner.exception()) is not None:
            outer.set_exception(self._in_words(error))
        else:
            outer.set_result(inner.result())

    def _in_words(self, error: BaseException) -> BaseException:
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError
        from distributed.comm.core import CommClosedError

        if isinstance(error, FutureCancelledError | CommClosedError):
            return self._gone()
        if isinstance(error, KilledWorker):
            return WorkerDied(
                f"{error.allowed_failures + 1} workers ended while they worked on this, one after the other. "
                "Their memory may be too small for it: see their logs, or do it on this machine."
            )
        return error

    def _gone(self) -> ClusterGone:
        return ClusterGone(
            f"The scheduler at {self.address} is lost. What was done is kept; start the scheduler and its "
            "workers again, then try again: it goes on from there."
        )

    def _refuse_open_scheduler(self) -> None:
        """Refuse a plain scheduler of this machine that other machines reach too."""
        if not self.address.startswith("tcp:"):
            return
        found = self._client.scheduler_info(n_workers=-1)
        for one in (str(found["address"]), *found["workers"]):
            parts = _ADDRESS.fullmatch(one)
            if parts is not None and not is_this_machine(parts["host"]):
                raise ClusterError(
                    f"The scheduler at {self.address} has the address {one} open to other machines, "
                    "unencrypted. Start scheduler and workers with --host 127.0.0.1, or give them "
                    f"certificates. {_PAGE}"
                )

    def _refuse_other_versions(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=WORKERS_S)
        except TimeoutError:
            raise ClusterGone(
                f"The scheduler at {self.address} has no worker. Start one with dask worker {self.address}, "
                "then try again."
            ) from None
        found: Any = self._client.get_versions(packages=["shimwise"])
        for worker, one in sorted(found["workers"].items()):
            packages = one["packages"]
            theirs = {name: packages.get(name) for name in self._versions}
            theirs["python"] = _python_of(theirs["python"])
            _refuse_other(theirs, self._versions, worker=worker)


def versions_here() -> Versions:
    """Return what has to be the same wherever a result is computed."""
    import numpy as np

    return {"shimwise": __version__, "python": _python_of(platform.python_version()), "numpy": np.__version__}


def _python_of(version: str | None) -> str | None:
    """Return the version of Python that libraries are built for, such as 3.12."""
    return None if version is None else ".".join(version.split(".")[:2])


def _refuse_other(theirs: Versions, mine: Versions, *, worker: str) -> None:
    others = [f"{name} {theirs[name] or 'not at all'}" for name in mine if theirs[name] != mine[name]]
    if others:
        own = ", ".join(f"{name} {version}" for name, version in mine.items() if theirs[name] != version)
        raise ClusterError(
            f"The worker {worker} has {', '.join(others)}; here it is {own}. Results could differ: install "
            "the same versions on all machines, start the workers anew, then try again."
        )


def _checked(versions: Versions, function: Callable[..., Any], args: Any, kwargs: Any) -> Any:  # noqa: ANN401
    """Run a call on a worker, which may have joined after the versions were compared."""
    from distributed import get_worker

    _refuse_other(versions_here(), versions, worker=get_worker().address)
    return function(*args, **kwargs)


def _connected(address: str) -> "Client":
    from distributed import Client

    for name in _LOGS:  # this module reports a loss itself, in one sentence
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        return Client(
            address,
            timeout=CONNECTING_S,
            security=_security() if address.startswith("tls:") else None,
            set_as_default=False,
        )
    except RuntimeError as error:
        raise ClusterError(
            f"Dask's own settings on this machine do not allow {address} ({error}). Write it as tls://, or "
            "change distributed.comm.require-encryption."
        ) from error
    except (OSError, TimeoutError) as error:
        raise ClusterGone(
            f"No scheduler answers at {address}. Start it there with dask scheduler, or see whether its "
            f"certificates and these are of one house. {_PAGE}"
        ) from error


def _security() -> "Security":
    """Return this machine's certificates, which are written in Dask's own settings.

    Raises
    ------
    ClusterError
        If one is not named there, or its file cannot be read.
    """
    import dask.config
    from distributed import Security

    for setting in _CERTIFICATES.values():
        path = dask.config.get(setting)
        if not path or not Path(path).is_file():
            what = f"names {path}, which is no file" if path else "is not set"
            raise ClusterError(
                f"tls:// needs this machine's certificates, and the setting {setting} {what}. Write it into "
                f"~/.config/dask/tls.yaml. {_PAGE}"
            )
    return Security(require_encryption=True)
