"""Whether a host is this machine: then nothing that is sent to it can be read on the way."""

import ipaddress


def is_this_machine(host: str) -> bool:
    """Return whether a name or an address, of IPv6 with or without brackets, is of this machine alone."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.casefold() == "localhost"
