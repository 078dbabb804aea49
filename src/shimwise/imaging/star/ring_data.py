"""The rings of one star through a sweep, as a fit of focus takes them."""

from dataclasses import dataclass

from shimwise.arrays import FloatArray
from shimwise.imaging.star.response import Response


@dataclass(frozen=True, slots=True)
class RingData:
    """Signed modulation of the rings of one star through a sweep.

    Attributes
    ----------
    position_um : ndarray
        Positions of the frames, (frames,), µm.
    frequency_cy_mm : ndarray
        Frequency of each ring at the sensor, at the reference position, (rings,), cycles/mm.
    modulation, pixels : ndarray
        Signed modulation and the number of pixels behind each value, (frames, rings).
    detuning : ndarray, optional
        How far the frequency at the sensor lies from the ring's, as a share, (frames, rings): the picture
        grows through a sweep, and the pixels between a ring's edges change.
    pitch_um : float
        Pixel pitch, µm: the pixel's own transfer changes with the frequency.
    response : Response, optional
        The frequencies that each ring shows; without it its own alone.
    """

    position_um: FloatArray
    frequency_cy_mm: FloatArray
    modulation: FloatArray
    pixels: FloatArray
    detuning: FloatArray | None = None
    pitch_um: float = 0.0
    response: Response | None = None
