"""A monitor feed while a hand moves the sensor: 8-bit limited-range luma at a steady rate, with the truth."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames import codec as codecs
from benchmarks.worlds.frames.camera import Camera, Processor, luma
from benchmarks.worlds.frames.chart import Chart, sheet
from benchmarks.worlds.frames.former import Former, Moment, Sensor, type_window
from benchmarks.worlds.frames.geometry import View
from benchmarks.worlds.frames.optics import Lens
from benchmarks.worlds.frames.pupil import best_focus_um
from benchmarks.worlds.frames.sweep import truth_channel


@dataclass(frozen=True)
class Motion:
    """How a hand moves the sensor.

    Parameters
    ----------
    turns_um
        Places between which it goes and turns back [µm against best focus], each varied by a tenth.
    leg_s
        Time of each way [s], varied by a fifth.
    rest_um, rest_s
        Where it stops, exactly, and for how long it stays there [s].
    tremor_um
        Tremor while it moves [µm rms]: a band about 9 Hz (physiological tremor) and a slow wander.
    hold_um, hold_s
        Before it goes to rest it stays for so long [s, 0 is not at all] at the sharpest place as a hand finds
        it: anywhere within ± so far [µm].
    """

    turns_um: tuple[float, ...] = (-55.0, 40.0, -32.0, 23.0)
    leg_s: float = 2.2
    rest_um: float = 0.0
    rest_s: float = 2.5
    tremor_um: float = 0.4
    hold_um: float = 1.2
    hold_s: float = 0.0

    def places_um(self, *, rate: int, seed: int) -> NDArray[np.float64]:
        """Return the place at each picture [µm against best focus]."""
        random = np.random.default_rng([seed, 11])
        turns = [turn * random.uniform(0.9, 1.1) for turn in self.turns_um]
        held = [float(random.uniform(-self.hold_um, self.hold_um))] if self.hold_s else []
        stops = [*turns, *held, self.rest_um]
        legs = []
        for start, stop in itertools.pairwise(stops):
            count = max(
                4, round(self.leg_s * random.uniform(0.8, 1.2) * rate * (0.5 if stop == stops[-1] else 1))
            )
            t = np.arange(count) / count
            # Minimum-jerk course of a reaching hand: Flash and Hogan, J. Neurosci. 5 (1985) 1688.
            legs.append(start + (stop - start) * (10 * t**3 - 15 * t**4 + 6 * t**5))
        moving = np.concatenate(legs) if legs else np.zeros(0)
        moving = moving + self.tremor_um * _tremor(len(moving), rate, random) * _fading(len(moving), rate)
        if held:
            before = sum(len(leg) for leg in legs[:-1])
            still = np.full(round(self.hold_s * rate), held[0])
            moving = np.concatenate([moving[:before], still, moving[before:]])
        return np.concatenate([moving, np.full(max(1, round(self.rest_s * rate)), self.rest_um)])


@dataclass(frozen=True)
class Feed:
    """A feed and its faults; all faults are off by default.

    Parameters
    ----------
    lens, sensor, camera, chart, motion
        What is before the pictures; of the camera, bits are not used (the feed has 8).
    width, height, pitch_um, rate
        Size of the whole picture [px], pixel pitch [µm], pictures a second.
    crop_px
        Side of the square that is made and handed out, about the picture's middle [px, even]; 0 is the whole.
    shake_px, shake_hz, exposure_s
        Amplitude [px] and frequency [Hz] of the picture's shake, and the exposure that smears it [s]; 0
        smears nothing.
    light_drift
        Light's slow change, as a part of it, over the whole feed.
    dropped
        Part of the pictures that do not arrive.
    jump_px, exposure_step
        A jump of the picture [px], and a step of the exposure as a factor, each at a random time from half
        way to the last second.
    frozen_s
        For how long at the end the same picture comes again and again [s].
    codec
        Name of a codec that the feed has been through, or none.
    tilt_range_um
        Each tilt lies within ± [µm].
    """

    lens: Lens = field(default_factory=Lens)
    sensor: Sensor = field(default_factory=Sensor)
    camera: Camera = field(default_factory=lambda: Camera(tone="Rec.709"))
    chart: Chart = field(default_factory=sheet)
    motion: Motion = field(default_factory=Motion)
    width: int = 1920
    height: int = 1080
    pitch_um: float = 6.0
    rate: int = 25
    crop_px: int = 420
    shake_px: float = 0.0
    shake_hz: float = 1.3
    exposure_s: float = 0.0
    light_drift: float = 0.0
    dropped: float = 0.0
    jump_px: float = 0.0
    exposure_step: float = 1.0
    frozen_s: float = 0.0
    codec: str = ""
    tilt_range_um: float = 0.0

    @property
    def window(self) -> type_window:
        """Part of the picture that is made."""
        if not self.crop_px:
            return 0, 0, self.width, self.height
        left, top = ((side - self.crop_px) // 4 * 2 for side in (self.width, self.height))
        return left, top, self.crop_px, self.crop_px

    def frames(self, *, seed: int) -> Iterator["FeedFrame"]:
        """Yield the pictures that arrive, in their order; the same seed yields the same feed."""
        made = self._made(seed=seed)
        if not self.codec:
            yield from made
            return
        held = list(made)
        decoded = codecs.through([frame.luma.astype(np.uint16) for frame in held], self.codec)
        scale = 2 ** (codecs.CODECS[self.codec].bits - 8)
        for frame, codes in zip(held, decoded, strict=True):
            yield FeedFrame(
                frame.index,
                frame.t_s,
                np.rint(codes / scale).astype(np.uint8),
                frame.z_um,
                frame.dropped,
                frame.is_frozen,
            )

    def _made(self, *, seed: int) -> Iterator["FeedFrame"]:
        random = np.random.default_rng([seed, 12])
        view = View(
            self.lens,
            self.width,
            self.height,
            self.pitch_um,
            roll_deg=float(random.normal(0, 0.5)),
            shift_mm=(float(random.uniform(-0.5, 0.5)), float(random.uniform(-0.5, 0.5))),
            tilt_x_um=float(random.uniform(-1, 1)) * self.tilt_range_um,
            tilt_y_um=float(random.uniform(-1, 1)) * self.tilt_range_um,
        )
        former = Former(self.chart, view, self.sensor)
        best_um = former.best_um(truth_channel(self.lens))
        processor = Processor(self.camera, seed=int(np.random.SeedSequence([seed, 13]).generate_state(1)[0]))
        places = self.motion.places_um(rate=self.rate, seed=seed)
        times = np.arange(len(places)) / self.rate
        phase, turn = random.uniform(0, 2 * math.pi, 2)
        jump_s, step_s = random.uniform(times[-1] / 2, max(times[-1] / 2, times[-1] - 1.0), 2)
        jump_turn = random.uniform(0, 2 * math.pi)
        lost = random.uniform(0, 1, len(places)) < self.dropped
        last: FeedFrame | None = None
        dropped = 0
        for index, (t_s, place_um) in enumerate(zip(times, places, strict=True)):
            is_frozen = bool(self.frozen_s and t_s > times[-1] - self.frozen_s and last is not None)
            if lost[index] and index:
                dropped += 1
                continue
            if is_frozen and last is not None:
                codes = last.luma
            else:
                shift, smear = self._shake(float(t_s), phase, turn)
                if t_s >= jump_s:
                    shift = (
                        shift[0] + self.jump_px * math.cos(jump_turn),
                        shift[1] + self.jump_px * math.sin(jump_turn),
                    )
                moment = Moment(best_um + float(place_um), shift, smear)
                channels = {name: former.form(moment, name, self.window) for name in self.lens.channels}
                light = 1 + self.light_drift * (index / len(places) - 0.5)
                light *= self.exposure_step if t_s >= step_s else 1.0
                signal = luma(processor.develop(channels, light=light))
                codes = codecs.limited(signal, 8).astype(np.uint8)
            last = FeedFrame(index, float(t_s), codes, float(place_um), dropped, is_frozen)
            dropped = 0
            yield last

    def _shake(
        self, t_s: float, phase: float, turn: float
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the picture's shift and its way during the exposure [px], on an ellipse."""
        beat = 2 * math.pi * self.shake_hz
        along, across = math.sin(beat * t_s + phase), 0.4 * math.cos(beat * t_s + phase)
        way = beat * self.exposure_s
        v_along, v_across = way * math.cos(beat * t_s + phase), -0.4 * way * math.sin(beat * t_s + phase)
        c, s = math.cos(turn) * self.shake_px, math.sin(turn) * self.shake_px
        shift = (c * along - s * across, s * along + c * across)
        return shift, (c * v_along - s * v_across, s * v_along + c * v_across)


@dataclass(frozen=True)
class FeedFrame:
    """One picture of a feed with its truth.

    Attributes
    ----------
    index, t_s
        Its number, dropped ones counted, and its time [s].
    luma
        8-bit limited-range luma, shape of the feed's window.
    z_um
        Sensor minus best focus at the frame centre [µm], + away from the lens (of a frozen picture: where the
        sensor really is).
    dropped
        Pictures lost since the one before.
    is_frozen
        Whether it repeats the one before because the feed stands still.
    """

    index: int
    t_s: float
    luma: NDArray[np.uint8]
    z_um: float
    dropped: int
    is_frozen: bool


def feed_truth(feed: Feed, frames: list[FeedFrame]) -> dict[str, Any]:
    """Return the content of a feed's truth file."""
    meridians_um = [
        best_focus_um(feed.lens, truth_channel(feed.lens), angles_deg=(angle,)) for angle in (0.0, 90.0)
    ]
    return {
        "fnumber": feed.lens.fnumber,
        "pitch_um": feed.pitch_um,
        "focal_mm": feed.lens.focal_mm,
        "rate": feed.rate,
        "window_px": list(feed.window),
        "rest_um": feed.motion.rest_um,
        "t_s": [round(frame.t_s, 6) for frame in frames],
        "z_um": [round(frame.z_um, 4) for frame in frames],
        "dropped": [frame.dropped for frame in frames],
        "frozen": [frame.is_frozen for frame in frames],
        "best_horizontal_minus_vertical_um": meridians_um[0] - meridians_um[1],
        "note": "z_um: sensor minus best focus at the frame centre, + away from the lens; z < 0: sensor too "
        "close, short. Horizontal: best for detail that runs along x (upright lines)",
    }


def _tremor(count: int, rate: int, random: np.random.Generator) -> NDArray[np.float64]:
    """Return tremor of rms 1: a band about 9 Hz and a wander below 1 Hz."""
    if count < 4:
        return np.zeros(count)
    f = np.fft.rfftfreq(count, 1 / rate)
    weight = np.exp(-(((f - 9.0) / 1.5) ** 2)) + 2.0 * np.exp(-((f / 0.7) ** 2)) * (f > 0)
    noise = np.fft.irfft(np.fft.rfft(random.standard_normal(count)) * weight, n=count)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def _fading(count: int, rate: int) -> NDArray[np.float64]:
    """Return 1 that falls smoothly to 0 over the last half second."""
    left = (count - np.arange(count)) / (0.5 * rate)
    return np.asarray(np.clip(left, 0, 1) ** 2)
