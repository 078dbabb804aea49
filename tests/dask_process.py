"""A scheduler of Dask, a worker of it, or both, as one process: ``python dask_process.py both tcp://127.0.0.1:PORT``.

What is beyond the address is Dask's own settings, from the variables that begin with ``DASK_``.
"""

import asyncio
import gc
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from importlib import import_module
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from child_process import ends_with_the_tests

READY = "ready"


def free_address(scheme: str = "tcp") -> str:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return f"{scheme}://127.0.0.1:{server.getsockname()[1]}"


@contextmanager
def dask_process(role: str, address: str, **variables: str) -> Iterator[subprocess.Popen[str]]:
    """Start a scheduler, a worker or both; it is killed at the end."""
    scratch = tempfile.mkdtemp()
    known = {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "DASK_TEMPORARY_DIRECTORY": scratch}
    process = subprocess.Popen(
        ends_with_the_tests(sys.executable, __file__, role, address, sign=signal.SIGKILL),
        env=os.environ | known | variables,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == READY
        yield process
    finally:
        process.kill()
        process.communicate()
        shutil.rmtree(scratch, ignore_errors=True)
        _collect_sockets()


def _collect_sockets() -> None:
    """Collect the sockets that a client of Dask leaves open when it is closed, before another test's turn."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


def certificates(folder: Path) -> dict[str, str]:
    """Make an authority and a certificate of it that all parts share; return their settings as variables."""
    authority_key, key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    authority = _signed("authority", authority_key, "authority", authority_key)
    certificate = _signed("shimwise", key, "authority", authority_key)
    files = {"ca.pem": authority, "cert.pem": certificate}
    for name, one in files.items():
        (folder / name).write_bytes(one.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return tls_settings(folder)


def tls_settings(folder: Path) -> dict[str, str]:
    start = "DASK_DISTRIBUTED__COMM__"
    found = {f"{start}REQUIRE_ENCRYPTION": "True", f"{start}TLS__CA_FILE": str(folder / "ca.pem")}
    for role in ("SCHEDULER", "WORKER", "CLIENT"):
        found[f"{start}TLS__{role}__CERT"] = str(folder / "cert.pem")
        found[f"{start}TLS__{role}__KEY"] = str(folder / "key.pem")
    return found


def client_settings(variables: Mapping[str, str]) -> dict[str, str]:
    """Return variables as settings of this process, which then has Dask's own beside them."""
    import_module("distributed")
    return {
        name.removeprefix("DASK_").lower().replace("__", ".").replace("_", "-"): value
        for name, value in variables.items()
    }


def _signed(
    name: str, key: ec.EllipticCurvePrivateKey, by: str, by_key: ec.EllipticCurvePrivateKey
) -> x509.Certificate:
    def named(common: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, common)])

    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(named(name))
        .issuer_name(named(by))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=name == by, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .sign(by_key, hashes.SHA256())
    )


async def _run(role: str, address: str) -> None:
    from distributed import Scheduler, Worker

    scheme, _, place = address.partition("://")
    host, _, port = place.partition(":")
    parts = []
    if role in ("both", "scheduler"):
        parts.append(await Scheduler(host=host, port=int(port), protocol=scheme, dashboard=False))
    if role in ("both", "worker"):
        parts.append(await Worker(address, host=host, nthreads=1, dashboard=False))
    print(READY, flush=True)
    await asyncio.gather(*(part.finished() for part in parts))


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(KeyboardInterrupt):
        asyncio.run(_run(*sys.argv[1:]))
