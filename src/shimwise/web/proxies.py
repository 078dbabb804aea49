"""The proxies whose word is taken for a request's scheme, the address it comes from, and its id."""

import ipaddress
from collections.abc import Iterable

from starlette.types import ASGIApp
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from shimwise.errors import ShimwiseError
from shimwise.web.security import ip_address_of


class BadProxyError(ShimwiseError):
    """Raised when a proxy is named by what is no address and no network."""


class Proxies:
    """Addresses of proxies; what they state of a request (``X-Forwarded-For``, ``-Proto``) is believed.

    Anybody else who sends these headers is not: the address and the scheme are those of the connection.

    Parameters
    ----------
    named : iterable of str
        Addresses or networks, such as ``127.0.0.1`` or ``10.0.7.0/29``.

    Raises
    ------
    BadProxyError
        If one is neither.
    """

    def __init__(self, named: Iterable[str] = ()) -> None:
        self.named = tuple(named)
        try:
            self._networks = tuple(map(ipaddress.ip_network, self.named))
        except ValueError as error:
            raise BadProxyError(
                f"--behind takes the address of a proxy, or its network: {error}. Give one such as 127.0.0.1 "
                "or 10.0.7.0/29."
            ) from error

    def __bool__(self) -> bool:
        return bool(self.named)

    def __contains__(self, address: object) -> bool:
        found = ip_address_of(str(address))
        return found is not None and any(found in network for network in self._networks)

    def believed(self, app: ASGIApp) -> ASGIApp:
        """Return an application that sees the requests as the proxies state them."""
        return ProxyHeadersMiddleware(app, list(self.named)) if self else app  # type: ignore[return-value, arg-type]
