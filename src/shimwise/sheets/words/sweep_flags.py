"""A sweep's flags as people read them: frames left out for one reason are told once."""

from collections.abc import Iterable

from shimwise.sheets.words.shared import counted, listed

__all__ = ["grouped_flags"]

_LEFT_OUT, _SENTENCE = "frame left out: ", ". A frame could not be used and is left out."
MOST_NAMED = 3


def grouped_flags(flags: Iterable[str]) -> list[str]:
    """Give flags in their order, those of frames left out put together by their reason.

    Parameters
    ----------
    flags : iterable of str
        As ``shimwise.sweep/1`` holds them: one for each frame.

    Returns
    -------
    list of str
        ``7 frames left out (a.png, b.png and 5 more): it is 640 × 480 px``.
    """
    told: list[str] = []
    left_out: dict[str, list[str]] = {}
    for flag in flags:
        if not (flag.startswith(_LEFT_OUT) and flag.endswith(_SENTENCE)):
            told.append(flag)
            continue
        name, colon, reason = flag.removeprefix(_LEFT_OUT).removesuffix(_SENTENCE).partition(": ")
        if not colon:
            name, reason = "", name
        if reason not in left_out:
            told.append(reason)  # its place, until all of it are counted
        left_out.setdefault(reason, []).append(name)
    return [_left_out(one, left_out[one]) if one in left_out else one for one in told]


def _left_out(reason: str, names: list[str]) -> str:
    named = [name for name in names if name]
    which = f" ({listed(named, most=MOST_NAMED)})" if named else ""
    return f"{counted(len(names), 'frame')} left out{which}: {reason}."
