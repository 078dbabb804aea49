"""A sweep's frames, one after another, in linear light, with what is known of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from shimwise.arrays import Picture
from shimwise.imaging.frames.clips import ClipFacts, clip_facts, is_clip, read_luma
from shimwise.imaging.frames.errors import DescriptionError, FrameFileError, TooFewFramesError
from shimwise.imaging.frames.folder import inside, open_ordinary, read_inside, read_text
from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear, limited_range
from shimwise.imaging.frames.limits import MAX_CLIP_BYTES
from shimwise.imaging.frames.listing import Coordinate, ListedFrame, Listing, read_positions, read_sweep_json
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.stills import read_still

MIN_FRAMES = 5
"""Fewest readable frames that a peak can be fitted to."""
DESCRIPTION = "sweep.json"


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame: its name, its position (µm, or mm of ring or distance) and its linear light.

    ``second`` is another channel of the same picture, where it has one.
    """

    name: str
    position: float
    pixels: Picture
    second: Picture | None = None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A frame that was left out: its name, its position and why."""

    name: str
    position: float
    reason: str

    def __str__(self) -> str:
        return f"{self.name}: {self.reason}"


class _Reader(Protocol):
    """Reads each listed frame as linear light, or returns the reason why it cannot be read."""

    def read(self, source: FrameSource) -> Iterator[Frame | Skipped]: ...


@dataclass(slots=True)
class FrameSource:
    """A sweep that can be read, as often as wanted, one frame in memory at a time.

    Iterating yields ``(position, pixels)``; :meth:`frames` yields the names too. What cannot be read is left
    out and listed in ``skipped``, which is complete once all frames were taken.

    Attributes
    ----------
    coordinate : Coordinate
        What the positions count.
    recording : Recording
        Camera, lens and codes, as given, listed, or read from the files.
    count : int
        Frames listed.
    layout : object
        Content of chart.json where there is one, not yet checked; else None.
    positions : tuple of float
        All positions as listed.
    skipped : list of Skipped
        Frames left out in the last reading.
    warnings : list of str
        What costs accuracy, once each.
    levels : CodeLevels, optional
        What the codes mean, known after the first frame.
    channel : {"luma", "green", "grey"}
        Which channel is measured, known after the first frame.
    predicted_by : str
        The codec of a clip that keeps frames as what changes from others; else empty.
    """

    coordinate: Coordinate
    recording: Recording
    count: int
    layout: object
    reader: _Reader
    positions: tuple[float, ...] = ()
    skipped: list[Skipped] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    levels: CodeLevels | None = None
    channel: str = "luma"
    predicted_by: str = ""

    def __iter__(self) -> Iterator[tuple[float, Picture]]:
        """Yield position and linear light of each frame that can be read.

        Raises
        ------
        TooFewFramesError
            At the end, when fewer than ``MIN_FRAMES`` could be read.
        """
        for frame in self.frames():
            yield frame.position, frame.pixels

    def frames(self) -> Iterator[Frame]:
        """Yield each frame that can be read; raises as iterating does."""
        self.skipped.clear()
        got = 0
        for item in self.reader.read(self):
            if isinstance(item, Skipped):
                self.skipped.append(item)
                continue
            got += 1
            yield item
        if got < MIN_FRAMES:
            raise TooFewFramesError(got, MIN_FRAMES, tuple(str(one) for one in self.skipped))

    def warn_of_other_channel(self, measured: str) -> None:
        """Keep a warning where another channel is measured than was asked for: the frames lack it."""
        wanted = self.recording.channel
        if wanted not in (None, measured):
            have = {"grey": "are grey", "green": "have the green sites of a mosaic alone", "luma": "are luma"}
            self.warn(
                f"The channel {wanted} was asked for, but the frames {have[measured]}: that is measured."
            )

    def warn(self, text: str) -> None:
        """Keep a warning, once."""
        if text not in self.warnings:
            self.warnings.append(text)


def open_sweep(
    place: Path | str,
    *,
    positions: Path | str | None = None,
    chart: Path | str | None = None,
    recording: Recording | None = None,
) -> FrameSource:
    """Open a sweep: a folder with sweep.json, or a folder of stills or a clip with a CSV of positions.

    Parameters
    ----------
    place : Path or str
        The folder, its sweep.json, or the clip.
    positions : Path or str, optional
        CSV of positions; needed for a clip and for a folder without sweep.json, and goes before sweep.json.
    chart : Path or str, optional
        chart.json, when it is not the one that sweep.json names.
    recording : Recording, optional
        What is known of the recording; takes precedence over sweep.json and the stream.

    Returns
    -------
    FrameSource
        Nothing is decoded yet.

    Raises
    ------
    DescriptionError
        When the description is missing or impossible.
    FrameFileError
        When the clip cannot be used at all.
    """
    where = Path(place)
    if where.name == DESCRIPTION and where.is_file():
        where = where.parent
    given = recording or Recording()
    listing = read_positions(Path(positions)) if positions is not None else None
    if where.is_dir():
        return _open_folder(where, listing, given, chart)
    if where.is_file():
        return _open_clip(where, listing, given, chart)
    raise DescriptionError(
        f"{where.name or where} is no folder and no clip; give the folder that holds the sweep."
    )


def _open_folder(
    folder: Path, csv: Listing | None, given: Recording, chart: Path | str | None
) -> FrameSource:
    described = read_sweep_json(folder / DESCRIPTION) if (folder / DESCRIPTION).exists() else None
    listing = csv or described
    if listing is None:
        raise DescriptionError(f"{folder.name} has no {DESCRIPTION}; add it, or give a CSV of positions.")
    known = given.or_else(described.recording) if described else given
    if csv is not None:
        listing = replace(csv, entries=_with_files(csv.entries, folder))
    return FrameSource(
        coordinate=listing.coordinate,
        recording=known,
        count=len(listing.entries),
        layout=_layout(folder, described.chart if described else None, chart),
        reader=_Stills(folder, listing.entries),
        positions=tuple(entry.position for entry in listing.entries),
    )


def picture_names(folder: Path) -> list[str]:
    """Return the names of a folder's pictures, in the order of the numbers in them."""
    suffixes = {".png", ".tif", ".tiff", ".jpg", ".jpeg", ".dng", ".exr"}
    names = [path.name for path in folder.iterdir() if path.suffix.casefold() in suffixes]
    names.sort(
        key=lambda name: [int(part) if part.isdecimal() else part for part in re.split(r"([0-9]+)", name)]
    )
    return names


def _with_files(entries: tuple[ListedFrame, ...], folder: Path) -> tuple[ListedFrame, ...]:
    """Assign the folder's pictures to rows without a file, in the order of the numbers in their names."""
    if all(entry.file is not None for entry in entries):
        return entries
    if any(entry.file is not None for entry in entries):
        raise DescriptionError("Some rows of the positions name a file and some do not; name all or none.")
    names = picture_names(folder)
    if len(names) != len(entries):
        raise DescriptionError(
            f"The positions have {len(entries)} rows and the folder {len(names)} pictures; "
            "name each row's file."
        )
    return tuple(replace(entry, file=name) for entry, name in zip(entries, names, strict=True))


def _open_clip(
    clip: Path, listing: Listing | None, given: Recording, chart: Path | str | None
) -> FrameSource:
    if listing is None:
        raise DescriptionError(f"{clip.name} is a clip; give a CSV with the position of each of its frames.")
    with open_ordinary(clip, file=clip.name, most_bytes=MAX_CLIP_BYTES) as stream:
        if not is_clip(stream.read(16)):
            raise FrameFileError(
                clip.name, "it is no clip in MOV, MP4, Matroska, MXF or AVI; give a folder for stills"
            )
    facts = clip_facts(clip)
    own = Recording(transfer=facts.transfer, signal_range=facts.signal_range)
    known = given.or_else(own)
    entries = _numbered(listing.entries, facts, clip.name)
    source = FrameSource(
        coordinate=listing.coordinate,
        recording=replace(known, width=known.width or facts.width_px, height=known.height or facts.height_px),
        count=len(entries),
        layout=_layout(clip.parent, None, chart),
        reader=_Clip(clip, facts, entries),
        positions=tuple(entries.values()),
        predicted_by=facts.codec if facts.is_predicted else "",
    )
    source.levels = _clip_levels(source.recording, facts, clip.name)
    if source.recording.signal_range is None:
        source.warn(
            "The clip does not say its range; the limited range of video is assumed. Give it if it is full."
        )
    if facts.bits == 8:
        source.warn("The clip has 8 bits; 10 bits or stills cost less accuracy.")
    return source


def _numbered(entries: tuple[ListedFrame, ...], facts: ClipFacts, name: str) -> dict[int, float]:
    """Position of each wanted frame by its number; rows without numbers are the clip's frames in order."""
    if all(entry.frame is None for entry in entries):
        if len(entries) != facts.frames:
            raise DescriptionError(
                f"The positions have {len(entries)} rows and {name} {facts.frames} frames; add a column "
                "frame with each row's frame number, counted from 0."
            )
        return {number: entry.position for number, entry in enumerate(entries)}
    numbered: dict[int, float] = {}
    for row, entry in enumerate(entries):
        if entry.frame is None or entry.frame in numbered or entry.frame >= facts.frames:
            raise DescriptionError(
                f"Row {row + 2} of the positions has the frame {entry.frame}; give each row its own number "
                f"from 0 to {facts.frames - 1}."
            )
        numbered[entry.frame] = entry.position
    return numbered


def _clip_levels(recording: Recording, facts: ClipFacts, name: str) -> CodeLevels:
    if recording.transfer is None:
        raise DescriptionError(
            f"{name} does not say its transfer; give it, such as Rec.709, linear or a log curve's name."
        )
    is_limited = recording.signal_range != "full"
    low, high = limited_range(facts.bits) if is_limited else (0.0, 2.0**facts.bits - 1)
    return CodeLevels(
        black=recording.black_level if recording.black_level is not None else low,
        white=recording.white_level if recording.white_level is not None else high,
        transfer=recording.transfer,
        bits=facts.bits,
        is_limited=is_limited,
    )


def _layout(folder: Path, listed: str | None, given: Path | str | None) -> object:
    """Content of chart.json: the one given, else the one listed, else one beside the frames."""
    path = Path(given) if given is not None else None
    if path is None and listed is not None:
        try:
            path = inside(folder, listed)
        except FrameFileError as error:
            raise DescriptionError(f"The chart's layout: {error}.") from error
    if path is None and (folder / "chart.json").is_file():
        path = inside(folder, "chart.json")
    if path is None:
        return None
    try:
        return json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        raise DescriptionError(f"{path.name} is no JSON: {error}.") from error


@dataclass(frozen=True, slots=True)
class _Stills:
    """Reads stills one by one."""

    folder: Path
    entries: tuple[ListedFrame, ...]

    def read(self, source: FrameSource) -> Iterator[Frame | Skipped]:
        """Read each file; a bad one becomes its reason."""
        wanted = _wanted_size(source.recording)
        for entry in self.entries:
            name = entry.file or ""
            try:
                still = read_still(read_inside(self.folder, name), source.recording, file=name)
            except FrameFileError as error:
                yield Skipped(name, entry.position, error.reason)
                continue
            size = still.pixels.shape[1], still.pixels.shape[0]
            wanted = wanted or size
            if size != wanted:
                reason = f"it is {size[0]} × {size[1]} px; the sweep is {wanted[0]} × {wanted[1]} px"
                yield Skipped(name, entry.position, reason)
                continue
            source.levels, source.channel = source.levels or still.levels, still.channel
            source.warn_of_other_channel(still.channel)
            for text in still.warnings:
                source.warn(text)
            yield Frame(name, entry.position, still.pixels, still.second)


@dataclass(frozen=True, slots=True)
class _Clip:
    """Reads a clip's luma frame by frame."""

    path: Path
    facts: ClipFacts
    positions: dict[int, float]

    def read(self, source: FrameSource) -> Iterator[Frame | Skipped]:
        """Decode the frames that have a position."""
        levels = source.levels
        if levels is None:
            return
        source.warn_of_other_channel("luma")
        for item in read_luma(self.path, self.facts, frozenset(self.positions)):
            name, position = f"frame {item.number}", self.positions[item.number]
            if item.luma is None:
                yield Skipped(name, position, item.reason)
            else:
                yield Frame(name, position, codes_to_linear(item.luma, levels))


def _wanted_size(recording: Recording) -> tuple[int, int] | None:
    if recording.width is None or recording.height is None:
        return None
    return recording.width, recording.height
