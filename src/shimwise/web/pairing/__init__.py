"""Pairing: beyond this machine only devices that were paired see the pages.

A device is paired by the house's passphrase, or by a code that a paired device or the terminal shows as a QR
code: short-lived, good for one device. Both put a random token in its cookie; the record keeps its digest.

References
----------
.. [1] RFC 6265, *HTTP State Management Mechanism*, and its revision (SameSite); RFC 6750 (bearer tokens).
"""

from shimwise.web.pairing.door import pairing_routes
from shimwise.web.pairing.forms import qr_svg
from shimwise.web.pairing.guard import COOKIE, Devices, PairedOnly
from shimwise.web.pairing.tries import Tries

__all__ = ["COOKIE", "Devices", "PairedOnly", "Tries", "pairing_routes", "qr_svg"]
