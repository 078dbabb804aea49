"""From irradiance to the codes of a file: mosaic, noise, tone, noise reduction, sharpening, depth.

Order: charge and its noise, mosaic, interpolation, tone curve, noise reduction, sharpening, codes. Photon
noise is Gaussian of the Poisson variance (right above some tens of electrons). Rec.709's curve is that of
Rec. ITU-R BT.709; the log curve is ACEScct (AMPAS S-2016-001), an open standard; the better interpolation is
that of H. S. Malvar, L. He and R. Cutler, "High-quality linear interpolation for demosaicing of
Bayer-patterned color images", ICASSP 2004. Coefficients are from memory, checked on plain colour ramps.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames.optics import LUMA

type_picture = NDArray[np.float32]


@dataclass(frozen=True)
class Camera:
    """What the camera does to the light.

    Parameters
    ----------
    exposure
        Linear signal of white paper, as a part of full scale.
    full_well_e, read_noise_e
        Electrons at full scale, and read noise [electrons rms].
    is_noisy
        Whether photons and reading scatter at all.
    mosaic
        ``"none"`` (a grey sensor, or three full ones), or a Bayer mosaic (red at the top left) interpolated
        ``"bilinear"`` or with ``"gradients"`` of the other colours.
    tone
        ``"linear"``, ``"Rec.709"``, ``"gamma 2.2"`` or ``"ACEScct"``.
    sharpening, sharpening_px
        Amount of an unsharp mask and the sd of its blur [px].
    noise_reduction
        ``"none"``, ``"median"`` (3 × 3), ``"bilateral"``, or ``"temporal"`` (feeds: a running mean of each
        pixel that lets go where the picture moves).
    noise_reduction_weight
        Strength of the bilateral filter, as its range against the noise; of the running mean, the past's
        share.
    bits
        Depth of the codes, 8 to 16.
    black
        Code of black as a part of full scale; an unknown black level is one that the record does not name.
    flare
        Veiling light added everywhere, as a part of white paper.
    """

    exposure: float = 0.6
    full_well_e: float = 20000.0
    read_noise_e: float = 4.0
    is_noisy: bool = True
    mosaic: Literal["none", "bilinear", "gradients"] = "none"
    tone: Literal["linear", "Rec.709", "gamma 2.2", "ACEScct"] = "linear"
    sharpening: float = 0.0
    sharpening_px: float = 1.0
    noise_reduction: Literal["none", "median", "bilateral", "temporal"] = "none"
    noise_reduction_weight: float = 3.0
    bits: int = 8
    black: float = 0.0
    flare: float = 0.0

    @property
    def full_code(self) -> int:
        """Highest code."""
        return int(2**self.bits - 1)


class Processor:
    """Runs a camera over pictures in their order; a temporal filter remembers the one before."""

    def __init__(self, camera: Camera, *, seed: int) -> None:
        self.camera = camera
        self._random = np.random.default_rng(seed)
        self._past: dict[int, type_picture] = {}

    def develop(self, channels: Mapping[str, type_picture], *, light: float = 1.0) -> list[type_picture]:
        """Turn irradiance into the toned, processed signal.

        Parameters
        ----------
        channels
            Irradiance against white paper: ``{"grey": …}`` or red, green and blue, each of shape (height,
            width).
        light
            Light of this exposure against the first.

        Returns
        -------
        list
            One picture, or red, green and blue; 0 to 1 is the full scale.
        """
        camera = self.camera
        planes = [(plane + camera.flare) * np.float32(camera.exposure * light) for plane in channels.values()]
        if camera.mosaic != "none":
            planes = demosaic(self._exposed(mosaic(planes)), is_plain=camera.mosaic == "bilinear")
        else:
            planes = [self._exposed(plane) for plane in planes]
        planes = [self._processed(i, toned(plane, camera.tone)) for i, plane in enumerate(planes)]
        return [np.float32(camera.black) + np.float32(1 - camera.black) * plane for plane in planes]

    def codes(self, planes: list[type_picture]) -> NDArray[Any]:
        """Round to codes, shape (height, width) or (height, width, 3) in red, green, blue."""
        full = self.camera.full_code
        kind = np.uint8 if self.camera.bits == 8 else np.uint16
        scaled = np.stack([np.rint(np.clip(plane, 0, 1) * full) for plane in planes], axis=-1).astype(kind)
        return scaled[..., 0] if len(planes) == 1 else scaled

    def _exposed(self, signal: type_picture) -> type_picture:
        camera = self.camera
        if not camera.is_noisy:
            return np.asarray(np.minimum(signal, np.float32(1.0)))
        variance = signal / np.float32(camera.full_well_e) + np.float32(
            (camera.read_noise_e / camera.full_well_e) ** 2
        )
        scatter = self._random.standard_normal(signal.shape, dtype=np.float32)
        noisy = signal + np.sqrt(np.maximum(variance, 0)) * scatter
        return np.asarray(np.minimum(noisy, np.float32(1.0)))

    def _processed(self, plane: int, signal: type_picture) -> type_picture:
        camera = self.camera
        if camera.noise_reduction == "median":
            signal = np.asarray(cv2.medianBlur(signal, 3), dtype=np.float32)
        elif camera.noise_reduction == "bilateral":
            level = 1 / np.sqrt(camera.full_well_e * camera.exposure)
            reach = float(camera.noise_reduction_weight * level * 2)
            signal = np.asarray(cv2.bilateralFilter(signal, 5, reach, 1.5), dtype=np.float32)
        elif camera.noise_reduction == "temporal":
            signal = self._blended(plane, signal)
        if camera.sharpening > 0:
            blurred = cv2.GaussianBlur(signal, (0, 0), camera.sharpening_px)
            signal = signal + np.float32(camera.sharpening) * (signal - blurred)
        return np.asarray(signal)

    def _blended(self, plane: int, signal: type_picture) -> type_picture:
        """Blend with the past where the local difference is within the noise."""
        past = self._past.get(plane)
        if past is not None and past.shape == signal.shape:
            noise = 1 / np.sqrt(self.camera.full_well_e * self.camera.exposure)
            change = cv2.blur(np.abs(signal - past), (5, 5))
            share = np.float32(self.camera.noise_reduction_weight) * np.exp(-((change / (4 * noise)) ** 2))
            signal = np.asarray(signal + share * (past - signal), dtype=np.float32)
        self._past[plane] = signal
        return signal


def toned(linear: type_picture, tone: str) -> type_picture:
    """Return the signal of a tone curve for linear light, 0 to 1."""
    return _TONES[tone](linear)


def luma(planes: list[type_picture]) -> type_picture:
    """Return Rec.709 luma of one or three planes."""
    if len(planes) == 1:
        return planes[0]
    weights = (LUMA["red"], LUMA["green"], LUMA["blue"])
    return np.asarray(sum(np.float32(w) * plane for w, plane in zip(weights, planes, strict=True)))


def mosaic(planes: list[type_picture]) -> type_picture:
    """Take from red, green and blue what a Bayer mosaic lets through, red at the top left."""
    red, green, blue = planes
    out = green.copy()
    out[0::2, 0::2] = red[0::2, 0::2]
    out[1::2, 1::2] = blue[1::2, 1::2]
    return out


def demosaic(raw: type_picture, *, is_plain: bool) -> list[type_picture]:
    """Interpolate a mosaic to red, green and blue, bilinear (plain) or with the gradients of the others."""
    row, column = np.indices(raw.shape) % 2
    at_red, at_blue = (row == 0) & (column == 0), (row == 1) & (column == 1)
    red_row = (row == 0) & (column == 1)
    if is_plain:
        cross = _BILINEAR_CROSS, _BILINEAR_ROW, _BILINEAR_ROW.T, _BILINEAR_DIAGONAL
    else:
        cross = _GRADIENT_CROSS, _GRADIENT_ROW, _GRADIENT_ROW.T, _GRADIENT_DIAGONAL
    filled = [cv2.filter2D(raw, -1, kernel, borderType=cv2.BORDER_REFLECT_101) for kernel in cross]
    at_colour = at_red | at_blue
    green = np.where(at_colour, filled[0], raw)
    red = np.where(at_red, raw, np.where(at_blue, filled[3], np.where(red_row, filled[1], filled[2])))
    blue = np.where(at_blue, raw, np.where(at_red, filled[3], np.where(red_row, filled[2], filled[1])))
    return [red, green, blue]


def _rec709(x: type_picture) -> type_picture:
    return np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 0.018) ** 0.45 - 0.099).astype(np.float32)


def _gamma(x: type_picture) -> type_picture:
    return (np.maximum(x, 0) ** (1 / 2.2)).astype(np.float32)


def _acescct(x: type_picture) -> type_picture:
    low = 10.5402377416545 * x + 0.0729055341958355
    return np.where(x <= 0.0078125, low, (np.log2(np.maximum(x, 0.0078125)) + 9.72) / 17.52).astype(
        np.float32
    )


_TONES: dict[str, Callable[[type_picture], type_picture]] = {
    "linear": lambda x: x,
    "Rec.709": _rec709,
    "gamma 2.2": _gamma,
    "ACEScct": _acescct,
}


def _kernel(rows: list[list[float]], scale: float) -> type_picture:
    return np.array(rows, dtype=np.float32) / np.float32(scale)


_BILINEAR_CROSS = _kernel([[0, 1, 0], [1, 0, 1], [0, 1, 0]], 4)
_BILINEAR_ROW = _kernel([[0, 0, 0], [1, 0, 1], [0, 0, 0]], 2)
_BILINEAR_DIAGONAL = _kernel([[1, 0, 1], [0, 0, 0], [1, 0, 1]], 4)
_GRADIENT_CROSS = _kernel(
    [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]], 8
)
_GRADIENT_ROW = _kernel(
    [[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]], 8
)
_GRADIENT_DIAGONAL = _kernel(
    [[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]], 8
)
