"""A whole sweep: pictures, what the record lists of them, and the truth."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames import codec as codecs
from benchmarks.worlds.frames.camera import Camera, Processor, luma, type_picture
from benchmarks.worlds.frames.chart import Chart, sheet
from benchmarks.worlds.frames.former import Former, Moment, Sensor
from benchmarks.worlds.frames.geometry import View
from benchmarks.worlds.frames.optics import Lens
from benchmarks.worlds.frames.pupil import BAND_CY_MM, best_focus_um
from benchmarks.worlds.frames.stand import Stand, Walk, hand, walk


@dataclass(frozen=True)
class Setup:
    """A kind of sweep; what differs from one sweep to the next is drawn from its seed.

    Parameters
    ----------
    lens, sensor, camera, stand, chart
        What is before the pictures.
    width, height, pitch_um
        Size of the picture [px] and pixel pitch [µm].
    best_range_um, tilt_range_um
        Best focus at the frame centre lies within ± of the stand's middle, and each tilt within ± [µm],
        evenly.
    chart_turn_deg
        Yaw and pitch of the chart [degrees rms]; it also rolls by half a degree rms and lies off the axis.
    codec
        Name of a codec of :data:`benchmarks.worlds.frames.codec.CODECS`, or none.
    """

    lens: Lens = field(default_factory=Lens)
    sensor: Sensor = field(default_factory=Sensor)
    camera: Camera = field(default_factory=Camera)
    stand: Stand = field(default_factory=Stand)
    chart: Chart = field(default_factory=sheet)
    width: int = 1280
    height: int = 720
    pitch_um: float = 6.0
    best_range_um: float = 8.0
    tilt_range_um: float = 8.0
    chart_turn_deg: float = 0.3
    codec: str = ""


@dataclass(frozen=True)
class Sweep:
    """Pictures of a sweep with record and truth.

    Attributes
    ----------
    frames
        Codes: shape (height, width), or (height, width, 3) in red, green, blue; after a codec, limited-range
        luma.
    positions_um
        Positions as recorded [µm].
    record, chart, truth
        Content of ``sweep.json``, ``chart.json`` and the truth file.
    full_code, codec_bits
        Code of full scale; depth of decoded luma, 0 where no codec was at work.
    """

    frames: list[NDArray[Any]]
    positions_um: NDArray[np.float64]
    record: dict[str, Any]
    chart: dict[str, Any]
    truth: dict[str, Any]
    full_code: int
    codec_bits: int = 0

    def signals(self) -> list[type_picture]:
        """Return the pictures as signal, 0 to 1, still with the camera's tone curve."""
        if self.codec_bits:
            return [codecs.full(frame, self.codec_bits) for frame in self.frames]
        return [frame.astype(np.float32) / np.float32(self.full_code) for frame in self.frames]


def make_sweep(setup: Setup, *, seed: int, what: str = "") -> Sweep:
    """Make the pictures of a sweep; the same seed makes the same sweep.

    Parameters
    ----------
    setup
        Which kind of sweep.
    seed
        Seed of all that is drawn.
    what
        A sentence about it for the truth file.
    """
    walked = walk(setup.stand, seed=seed)
    view, best_um = _draw_view(setup, seed=seed)
    former = Former(setup.chart, view, setup.sensor)
    channel = truth_channel(setup.lens)
    origin_um = best_um - former.best_um(channel) - _centre_depth_um(view)
    processor = Processor(setup.camera, seed=_seed_of(seed, 4))
    planes_of: list[list[type_picture]] = []
    for index, true_um in enumerate(walked.true_um):
        same = int(walked.same_as[index])
        if same >= 0:
            planes_of.append(planes_of[same])
            continue
        shift = (float(walked.shift_px[index, 0]), float(walked.shift_px[index, 1]))
        moment = Moment(float(true_um) - origin_um, shift)
        channels: dict[str, type_picture] = {name: former.form(moment, name) for name in setup.lens.channels}
        if index in walked.hands:
            passes = hand(setup.height, setup.width, seed=seed * 1000 + index)
            channels = {name: plane * passes for name, plane in channels.items()}
        planes_of.append(processor.develop(channels, light=float(walked.light[index])))
    frames: list[NDArray[Any]]
    bits = codecs.CODECS[setup.codec].bits if setup.codec else 0
    if bits:
        frames = list(
            codecs.through([codecs.limited(luma(planes), bits) for planes in planes_of], setup.codec)
        )
    else:
        frames = [processor.codes(planes) for planes in planes_of]
    return Sweep(
        frames=frames,
        positions_um=walked.recorded_um,
        record=_record(setup, walked),
        chart=setup.chart.as_json(),
        truth=_truth(setup, walked, former, best_um, origin_um) | {"seed": seed, "what": what},
        full_code=setup.camera.full_code,
        codec_bits=bits,
    )


def truth_channel(lens: Lens) -> str:
    """Return the channel that the truth names: luma of a colour picture, else its only one."""
    return lens.channels[0] if len(lens.channels) == 1 else "luma"


def _draw_view(setup: Setup, *, seed: int) -> tuple[View, float]:
    random = np.random.default_rng([seed, 3])
    best_um = setup.stand.centre_um + float(random.uniform(-1, 1)) * setup.best_range_um
    tilt = random.uniform(-1, 1, 2) * setup.tilt_range_um
    turns = random.normal(0, 1, 2) * setup.chart_turn_deg
    view = View(
        setup.lens,
        setup.width,
        setup.height,
        setup.pitch_um,
        yaw_deg=float(turns[0]),
        pitch_deg=float(turns[1]),
        roll_deg=float(random.normal(0, 0.5)),
        shift_mm=(float(random.uniform(-1, 1)), float(random.uniform(-1, 1))),
        tilt_x_um=float(tilt[0]),
        tilt_y_um=float(tilt[1]),
    )
    return view, best_um


def _centre_depth_um(view: View) -> float:
    """Return the height of the image where the axis meets the chart [µm]."""
    x, y, w = np.linalg.inv(view.chart_to_image) @ (0.0, 0.0, 1.0)
    return view.chart_height_um(float(x / w), float(y / w))


def _record(setup: Setup, walked: Walk) -> dict[str, Any]:
    camera = setup.camera
    record: dict[str, Any] = {
        "frames": [
            {"file": f"{index:03d}.png", "position_um": round(float(position), 6)}
            for index, position in enumerate(walked.recorded_um)
        ],
        "width": setup.width,
        "height": setup.height,
        "pitch_um": setup.pitch_um,
        "fnumber": setup.lens.fnumber,
        "focal_mm": setup.lens.focal_mm,
        "transfer": camera.tone,
        "chart": "chart.json",
        "swept": "sensor",
    }
    if camera.bits > 8:
        shift = 16 - camera.bits
        record |= {"bit_depth": camera.bits, "left_shift": shift}
        record |= {"black_level": round(camera.black * camera.full_code) << shift}
        record |= {"white_level": camera.full_code << shift}
    return record


def _truth(setup: Setup, walked: Walk, former: Former, best_um: float, origin_um: float) -> dict[str, Any]:
    stand, view = setup.stand, former.view
    channel = truth_channel(setup.lens)
    step_um = walked.recorded_um[1] - walked.recorded_um[0]
    span_um = step_um * (stand.frames - 1)
    creep = stand.drift_um / span_um

    def as_recorded(place_um: float) -> float:
        return float((place_um + creep * stand.centre_um) / (1 + creep))

    names = [channel] + [name for name in setup.lens.channels if name != channel]
    peaks = {name: best_focus_um(setup.lens, name) - best_focus_um(setup.lens, channel) for name in names}
    after_um = {"missing": -step_um, "doubled": step_um}.get(stand.slip)
    late = np.abs(walked.true_um - walked.recorded_um) if stand.backlash_um else np.zeros(stand.frames)
    first = [i for i in range(stand.frames) if i * stand.step_um < stand.backlash_um]
    stars = []
    for star in former.stars:
        x_px, y_px = view.to_px(star.star.x_mm, star.star.y_mm)
        at_um = as_recorded(origin_um + former.star_best_um(star, channel))
        stars.append({"id": star.star.name, "x_px": float(x_px), "y_px": float(y_px), "best_um": at_um})
    return {
        "best_um": as_recorded(best_um),
        "best_by_channel_um": {name: as_recorded(best_um + off) for name, off in peaks.items()},
        "channel": channel,
        "band_cy_mm": list(BAND_CY_MM),
        "tilt_x_um": view.tilt_x_um,
        "tilt_y_um": view.tilt_y_um,
        "chart_yaw_deg": view.yaw_deg,
        "chart_pitch_deg": view.pitch_deg,
        "stars": stars,
        "true_positions_um": [float(place) for place in walked.true_um],
        "slip": stand.slip,
        "slip_at": walked.slip_at,
        "best_after_slip_um": None if after_um is None else as_recorded(best_um) + float(after_um),
        "hands": list(walked.hands),
        "backlash_frames": [i for i in first if late[i] > 0],
        "note": "best_um: peak of the noise-free lens MTF, mean over the band and all directions, at the "
        "frame centre, in units of position_um before a slip; colour pictures: of luma",
    }


def _seed_of(seed: int, part: int) -> int:
    """Return an independent seed for a part of the world."""
    return int(np.random.SeedSequence([seed, part]).generate_state(1)[0])
