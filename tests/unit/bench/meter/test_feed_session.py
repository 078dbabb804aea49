"""A feed as a page sends it: the star found in the whole picture, followed, lost and found; its landing."""

import itertools
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from filmed import PITCH_UM, REST_UM, FilmingPage, Frame, filmed, message
from property_cases import IS_EXPLORING
from shimwise.bench.meter import feed_session
from shimwise.bench.meter.feed_message import FeedRefusedError, read_message
from shimwise.bench.meter.feed_session import CODES, FeedSession
from shimwise.bench.meter.live import LiveMeter
from shimwise.bench.meter.page_feed import PageFeed
from shimwise.imaging.meter import history
from shimwise.imaging.meter.spokes import find_any_star

OPENED = [(36, "toward"), (45, "away"), (50, "away"), (61, "away")]
"""Frames in the middle of a turn, and the way that is named as the first."""
LAYOUT = {"unit": "mm", "stars": [{"id": "S0", "centre_mm": [0, 0], "radius_mm": 50.0, "spokes": 80}]}
FACTS = PageFeed(pixel_um=PITCH_UM, fnumber=2.0, first="away")


def page(facts: PageFeed = FACTS) -> tuple[FeedSession, FilmingPage]:
    session = FeedSession(facts)
    return session, FilmingPage(lambda sent: session.take(read_message(sent)).document)


def shifted(frame: Frame, right: int, down: int) -> Frame:
    return replace(frame, luma=np.roll(frame.luma, (down, right), axis=(0, 1)))


@pytest.mark.slow
def test_one_pass_and_back_gives_the_landing_and_its_side() -> None:
    _, filming = page()
    answers = list(filming.film(filmed()))
    assert answers[0]["want"] != "whole"  # a round patch is seen in the first look
    star = answers[-1]["stars"][0]
    assert star["spokes"] == 80
    assert (star["x"], star["y"]) == pytest.approx((130 + 132, 40 + 132), abs=3)
    landing = answers[-1]["landing"]
    assert landing["side"] == "short"
    assert landing["can_save"]
    assert landing["um"] == pytest.approx(REST_UM, abs=1.0)
    assert abs(landing["um"] - REST_UM) < landing["half_um"] < 3.0
    assert answers[-1]["meter"]["schema"] == "shimwise.meter/1"
    assert not any(one["landing"] for one in answers[:40])  # nothing is known before the first pass
    # Contrast is by the sharpest so far, and 1 again and again on the way there; the modulation is of itself.
    seen = [one["stars"][0] for one in answers if one["stars"]]
    sharpest = max(one["modulation"] for one in seen)
    assert seen[0]["contrast"] == 1.0
    assert seen[0]["modulation"] < 0.7 * sharpest
    assert seen[-1]["modulation"] == pytest.approx(seen[-1]["contrast"] * sharpest, rel=1e-6)


@pytest.mark.slow
def test_without_a_named_direction_no_side_is_given_and_one_named_at_rest_keeps_the_passes() -> None:
    session, filming = page(replace(FACTS, first=None))
    *_, last = filming.film(filmed())
    assert last["landing"]["side"] == "unknown"
    assert not last["landing"]["can_save"]
    assert last["landing"]["um"] == pytest.approx(abs(REST_UM), abs=1.0)
    with pytest.raises(FeedRefusedError, match="which way it is turned next"):
        session.name_first("up")
    # At rest short of the sharpest place: toward the lens is away from it, and back.
    session.name_first("toward")
    start_s = filmed()[-1].t_s + 0.04
    back = [frame for frame in filmed(is_loop=True) if frame.t_s > filmed()[-1].t_s]
    moved = [*filmed()[-15:], *back, *back[::-1], *filmed()[-40:]]
    again = [replace(frame, t_s=start_s + k / 25) for k, frame in enumerate(moved)]
    answers = list(filming.film(again))
    assert not any("no_pass" in one["meter"]["notes"] for one in answers)
    assert answers[-1]["landing"]["side"] == "short"
    assert answers[-1]["landing"]["um"] == pytest.approx(REST_UM, abs=1.0)


def again(*parts: tuple[Frame, ...]) -> list[Frame]:
    """Return parts of feeds one after the other, with times of their own."""
    return [replace(frame, t_s=k / 25) for k, frame in enumerate(itertools.chain(*parts))]


@pytest.mark.slow
def test_a_feed_that_jumps_ends_the_named_direction_and_another_can_be_named() -> None:
    session, filming = page()
    # At rest at −12 µm the feed jumps to −38 µm, as a clip does that begins anew, and then moves away.
    answers = list(filming.film(again(filmed()[-40:], filmed()[25:])))
    last = answers[-1]["landing"]
    assert last["side"] == "unknown"
    assert answers[-1]["words"][0].endswith("from the sharpest.")
    assert "the picture jumped" in answers[-1]["words"][1]
    assert last["um"] == pytest.approx(abs(REST_UM), abs=1.0)
    assert not any(one["landing"] and one["landing"]["side"] in {"short", "deep"} for one in answers)
    session.name_first("toward")
    *_, named = filming.film(again(filmed()[-2:]))
    assert named["meter"]["notes"] == []
    back = [frame for frame in filmed(is_loop=True) if frame.t_s > filmed()[-1].t_s]
    more = again(filmed()[-15:], tuple(back), tuple(back[::-1]), filmed()[-40:])
    later = [replace(frame, t_s=frame.t_s + 60.0) for frame in more]
    *_, named = filming.film(later)
    assert named["landing"]["side"] == "short"


@pytest.mark.slow
@pytest.mark.parametrize(("opened_at", "first"), OPENED if IS_EXPLORING else OPENED[::2])
def test_opened_in_the_middle_of_a_turn_no_side_is_given_however_long_it_goes_on(
    opened_at: int, first: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The first frames are forgotten soon: no later rest and turn are taken for the first ones.
    monkeypatch.setattr(history, "MOST_FRAMES", 150)
    _, filming = page(replace(FACTS, first=first))
    loop = filmed(is_loop=True)
    answers = list(filming.film(again(loop[opened_at:], loop, loop)))
    sides = {one["landing"]["side"] for one in answers if one["landing"]}
    assert sides <= {"unknown", "on"}


@pytest.mark.slow
def test_a_rest_of_any_length_before_the_first_turn_is_its_beginning(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history, "MOST_FRAMES", 250)
    _, filming = page()
    *_, last = filming.film(again(*[filmed()[:25]] * 12, filmed()))
    assert last["landing"]["side"] == "short"


@pytest.mark.slow
def test_twelve_frames_a_second_come_to_rest_too() -> None:
    _, filming = page()
    *_, last = filming.film(filmed()[::2])
    assert last["landing"]["is_held"]
    assert last["landing"]["side"] == "short"
    assert last["landing"]["um"] == pytest.approx(REST_UM, abs=1.0)


@pytest.mark.slow
def test_so_few_frames_that_a_passage_lies_between_them_give_no_figure() -> None:
    _, filming = page()
    *_, last = filming.film(filmed()[::3])
    assert "no_pass" in last["meter"]["notes"]  # 20.2 ± 1.1 for 12 µm it would be


@pytest.mark.slow
def test_a_pass_that_was_none_is_forgotten_when_sharper_frames_come() -> None:
    meter = LiveMeter(LAYOUT, pitch_um=PITCH_UM, fnumber=2.0, first="away", levels=CODES[True])
    loop = again(filmed(is_loop=True), filmed(is_loop=True), filmed())
    stars = [replace(frame, luma=frame.luma[40:304, 130:394]) for frame in loop]
    for frame in stars[:-150]:
        meter.add(frame.t_s, frame.luma)
    history = meter.core._history
    assert history is not None
    assert history.calibration is not None
    history.calibration = replace(history.calibration, amplitude=0.6 * history.calibration.amplitude)
    for frame in stars[-150:]:
        last = meter.add(frame.t_s, frame.luma)
    assert abs(last.line.offset_um or 0.0) == pytest.approx(abs(REST_UM), abs=1.0)


@pytest.mark.slow
def test_a_star_that_wanders_is_followed_and_one_that_jumps_is_found_again() -> None:
    _, filming = page()
    moved = [shifted(frame, k // 4, 0) for k, frame in enumerate(filmed())]
    jumped = [shifted(frame, 60, 30) if k > 105 else frame for k, frame in enumerate(moved)]
    answers = list(filming.film(jumped))
    windows = {tuple(one["want"][0]) for one in answers if one["want"] != "whole"}
    assert len(windows) > 2
    assert answers[-1]["landing"]["um"] == pytest.approx(REST_UM, abs=1.5)


@pytest.mark.slow
def test_a_star_too_large_for_a_message_is_sent_smaller_and_measured_all_the_same() -> None:
    large = [replace(frame, luma=frame.luma.repeat(3, 0).repeat(3, 1)) for frame in filmed()]
    _, filming = page(replace(FACTS, pixel_um=PITCH_UM, across_px=480))
    *_, last = filming.film(large, size=(1440, 1080))
    (_, _, _, columns, rows, shrink) = last["want"][0]
    assert shrink == 2
    assert max(columns, rows) <= 512
    assert last["landing"]["um"] == pytest.approx(REST_UM, abs=1.0)


@pytest.mark.slow
def test_centre_and_corners_are_found_among_the_markers_around_them() -> None:
    def five(frame: Frame) -> Frame:
        whole = np.full((720, 1280), int(np.median(frame.luma[:20])), np.uint8)
        star = frame.luma[40:304, 130:394]
        for left, top in ((508, 228), (20, 20), (980, 20), (20, 440), (980, 440)):
            whole[top : top + 264, left : left + 264] = star
        return replace(frame, luma=whole)

    _, filming = page(replace(FACTS, stars=5))
    *_, last = filming.film([five(frame) for frame in filmed()[:5]], size=(1280, 720))
    seen = {one["star"]: one for one in last["stars"]}
    assert set(seen) == {0, 1, 2, 3, 4}
    assert {one["spokes"] for one in seen.values()} == {80}
    assert (seen[0]["x"], seen[0]["y"]) == pytest.approx((640, 360), abs=3)  # the one in the middle
    assert last["tilt"] is None  # nothing has passed through the sharpest place yet


@pytest.mark.slow
def test_stars_that_agree_show_no_tilt_and_none_where_microns_are_refused() -> None:
    def three(frame: Frame) -> Frame:
        whole = np.full((560, 1100), int(np.median(frame.luma[:20])), np.uint8)
        star = frame.luma[40:304, 130:394]
        for left, top in ((418, 148), (20, 20), (810, 20)):
            whole[top : top + 264, left : left + 264] = star
        return replace(frame, luma=whole)

    frames = [three(frame) for frame in filmed()]
    _, filming = page(replace(FACTS, stars=5))
    *_, last = filming.film(frames, size=(1100, 560))
    assert (last["tilt"]["x_um"], last["tilt"]["y_um"]) == pytest.approx((0.0, 0.0), abs=0.5)
    assert not last["tilt"]["is_chart_out"]
    assert "left and right edge agree within" in last["tilt"]["words"]
    _, blind = page(replace(FACTS, stars=5, fnumber=None))
    *_, unknown = blind.film(frames[:60], size=(1100, 560))
    assert unknown["tilt"] is None


@pytest.mark.slow
def test_the_largest_star_is_taken_and_a_patch_of_nine_spokes_is_none() -> None:
    small = filmed()[0].luma[40:304:2, 130:394:2]
    both = np.full((360, 640), int(np.median(filmed()[0].luma[:20])), np.uint8)
    both[40:304, 10:274] = filmed()[0].luma[40:304, 130:394]
    both[114:246, 300:432] = small  # nearer to the middle of the picture, and half as large
    _, filming = page()
    frames = [replace(frame, luma=both + np.uint8(k)) for k, frame in enumerate(filmed()[:4])]
    *_, last = filming.film(frames, size=(640, 360))
    assert (last["stars"][0]["x"], last["stars"][0]["y"]) == pytest.approx((142, 172), abs=3)
    down, right = np.mgrid[-120:120, -120:120] + 0.5
    for spokes, is_star in ((9, False), (36, True)):
        rays = 0.5 + 0.4 * np.cos(spokes * np.arctan2(down, right))
        picture = np.where(np.hypot(down, right) < 90, rays, 0.9).astype(np.float32)
        assert (find_any_star(picture, pitch_um=PITCH_UM) is not None) is is_star


def test_a_star_that_the_person_taps_is_taken() -> None:
    session, filming = page()
    next(filming.film(filmed()[:1]))
    session.pick(200.0, 150.0)
    answers = list(filming.film(filmed()[1:4]))
    assert answers[-1]["stars"][0]["spokes"] == 80


def test_a_picture_without_a_star_and_a_black_one_are_said() -> None:
    _, filming = page()
    blank = [replace(frame, luma=np.full_like(frame.luma, 180)) for frame in filmed()[:2]]
    *_, last = filming.film(blank)
    assert last["want"] == "whole"
    assert "No star is seen yet" in last["words"][0]
    black = [replace(frame, luma=np.full_like(frame.luma, 16)) for frame in filmed()[:2]]
    *_, last = filming.film(black)
    assert "black" in last["words"][0]


def test_a_camera_that_sends_nothing_any_more_is_frozen_and_keeps_its_star() -> None:
    session, filming = page()
    *_, last = filming.film(filmed()[:6])
    assert last["stars"]
    stalled = session.stalled(2_000_000).document
    assert stalled["meter"]["notes"] == ["frozen"]
    assert stalled["want"] == last["want"]


def test_a_picture_that_changes_its_size_or_is_tiny_is_refused() -> None:
    _, filming = page()
    list(filming.film(filmed()[:2]))
    with pytest.raises(FeedRefusedError, match=r"has become 640 × 360 px, it was 480 × 360.*Start over"):
        list(filming.film(filmed()[2:3], size=(640, 360)))
    _, tiny = page()
    with pytest.raises(FeedRefusedError, match="100 × 80 px: too small"):
        list(tiny.film([Frame(0.0, filmed()[0].luma[:80, :100])], size=(100, 80)))


def test_lost_frames_are_counted() -> None:
    _, filming = page()
    *_, last = filming.film(filmed()[:4], dropped=3)
    assert last["dropped"] == 12


@pytest.mark.slow
@pytest.mark.parametrize("wrong", [0.96, 1.04])
def test_the_interval_holds_the_truth_though_the_f_number_is_engraved_4_percent_wrong(wrong: float) -> None:
    _, filming = page(replace(FACTS, fnumber=2.0 * wrong))
    *_, last = filming.film(filmed(rest_um=-30.0))
    landing = last["landing"]
    assert landing["um"] == pytest.approx(-30.0 * wrong, abs=0.5)  # it shows nowhere
    assert abs(landing["um"] + 30.0) < landing["half_um"] < 2.0


def smoothed(how: Callable[[np.ndarray], np.ndarray]) -> list[Frame]:
    return [replace(frame, luma=how(frame.luma)) for frame in filmed()]


@pytest.mark.slow
def test_a_median_gives_no_microns_and_a_bilateral_filter_does() -> None:
    *_, median = page()[1].film(smoothed(lambda luma: cv2.medianBlur(luma, 3)))
    assert {"smoothed", "misfit"} <= set(median["meter"]["notes"])
    assert median["landing"] is None  # 14.7 for 12 µm it would be
    *_, bilateral = page()[1].film(smoothed(lambda luma: cv2.bilateralFilter(luma, 7, 5.0, 2.0)))
    assert "smoothed" in bilateral["meter"]["notes"]
    assert bilateral["landing"]["um"] == pytest.approx(REST_UM, abs=2.0)
    assert abs(bilateral["landing"]["um"] - REST_UM) < bilateral["landing"]["half_um"] < 2.0


@cache
def painted(stars: tuple[tuple[int, int, int, int], ...]) -> np.ndarray:
    """Paint stars (x, y, radius, spokes) on paper: codes of the limited range."""
    down, right = np.mgrid[0:720, 0:1280]
    paper = np.full((720, 1280), 0.9)
    for x, y, radius, spokes in stars:
        is_star = np.hypot(down - y, right - x) < radius
        paper[is_star] = 0.5 + 0.35 * np.cos(spokes * np.arctan2(down[is_star] - y, right[is_star] - x))
    codes: np.ndarray = 16 + 200 * paper
    return codes


def sheet_of(stars: list[tuple[int, int, int, int]], seed: int) -> np.ndarray:
    """Return painted stars with a camera's noise."""
    clean = painted(tuple(stars))
    noisy = clean + np.random.default_rng(seed).normal(0.0, 0.8, clean.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


@pytest.mark.slow
@pytest.mark.parametrize(("agreed", "spokes"), [(2, [36, 36, 36, 36, 72]), (9, [20, 36, 36, 36, 72])])
def test_a_marker_that_locks_as_a_star_gives_way_to_the_corner_that_was_left_out(
    monkeypatch: pytest.MonkeyPatch, agreed: int, spokes: list[int]
) -> None:
    monkeypatch.setattr(feed_session, "AGREED", agreed)
    corners = [(250, 150, 70, 36), (1030, 150, 70, 36), (250, 570, 70, 36), (1030, 570, 70, 36)]
    marker = (450, 150, 74, 20)  # larger than the corners: among the five patches that are taken first
    session, _ = page(replace(FACTS, stars=5))
    want: list[list[int]] | str = "whole"
    for k in range(14):
        frame = Frame(0.04 * k, sheet_of([(640, 360, 130, 72), *corners, marker], k))
        answer = session.take(read_message(message(frame, want, size=(1280, 720)))).document
        want = answer["want"]
    assert sorted(star["spokes"] for star in answer["stars"]) == spokes
