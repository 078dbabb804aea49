"""Notices of files in words: how a file was read, what it adds to a record, what a plan leaves out."""

from collections.abc import Mapping

from shimwise.sheets.words.remedy_words import Numbers, Words


def _column_not_read(column: str, n: Numbers) -> str:
    title = f"Column {column}" if column else f"Column {n['place']:g}, which has no name,"
    return f"{title} is not read." + (f" Is {n['near']} meant?" if n["near"] else "")


def _adjusted_in_prep(names: str, n: Numbers) -> str:
    were = "was" if n["count"] == 1 else "were"
    return f"{names} {were} adjusted in this prep: the readings count as taken after that."


def _repeats(_: str, n: Numbers) -> str:
    subject = f"Line {n['lines']} says" if n["count"] == 1 else f"Lines {n['lines']} say"
    return (
        f"{subject} what readings of this prep say already, from another file or the pad; they count as "
        "repeats. Withdraw them if they are the same looks."
    )


FILE_WORDS: Mapping[str, Words] = {
    "read_as_windows_1252": "Read as Windows-1252, since it is not UTF-8 (byte {byte:g} cannot be read as "
    "UTF-8). Check the names.",
    "column_not_read": _column_not_read,
    "rows_not_read": lambda _, n: (
        "One row has no reading yet, and is left out."
        if n["count"] == 1
        else f"{n['count']} rows have no reading yet, and are left out."
    ),
    "names_alike": "{kind} {unit} are taken for different ones. Write one name one way.",
    "adjusted_in_prep": _adjusted_in_prep,
    "record_kept": "What the record knows of {unit} stands; the rows say more or other of it.",
    "kit_tolerance_not_taken": "The kit's tolerance of ±{tolerance_um:g} µm is not taken over: the prep or "
    "its bodies have their own.",
    "kit_not_taken": "What the kit says of {unit} (mechanism, gauge, history) is not taken with readings of "
    "units that the record knows. Take the kit in by itself: shimwise import KIT.toml.",
    "repeats": _repeats,
    "body_not_known": "Body {unit} is neither in the kit nor in the readings: it is planned as one of which "
    "nothing is known. Known are {known}.",
    "lens_not_planned": "{unit} is not planned with: the kit does not give its {missing}.",
}
FILE_WORDS_IN_HOUSE: Mapping[str, Words] = {
    "names_alike": "{kind} {unit} are one unit here where capitals alone differ. Write one name one way.",
}
