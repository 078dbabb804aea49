"""From the bytes of a text file to its text, whatever program wrote it; what is no text is refused.

UTF-8 with and without a byte order mark, UTF-16 and UTF-32 with one. Windows-1252 is accepted where all that
is not ASCII in it is a letter or a sign that a technician types, since any byte means something there.
"""

import codecs
import re
from dataclasses import dataclass

from shimwise.files.errors import ReadingsFileError
from shimwise.notices import Notice

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_TYPED_1252 = frozenset("‘’“”´–—…°±²³µ·¼½¾ªº€§ŠšŽžŒœŸ\xa0") | frozenset(
    chr(code) for code in range(0xC0, 0x100) if code not in (0xD7, 0xF7)
)
_SAVE_AS = 'Save it as "CSV UTF-8"'


@dataclass(frozen=True, slots=True)
class Decoded:
    """A file's text, and notices of how it was read."""

    text: str
    notices: tuple[Notice, ...] = ()


def decoded(data: bytes | str, *, name: str) -> Decoded:
    """Read the bytes of a file as text, without a byte order mark.

    Parameters
    ----------
    data : bytes or str
        The file's content; text is only checked.
    name : str
        The file, for the message.

    Raises
    ------
    ReadingsFileError
        If it is empty, in no encoding that is accepted, or holds control characters.
    """
    found = Decoded(data.removeprefix("\ufeff")) if isinstance(data, str) else _decoded_bytes(data, name)
    control = _CONTROL.search(found.text)
    if control is not None:
        line = len(re.findall(r"\r\n|\r|\n", found.text[: control.start()])) + 1
        code = ord(control.group())
        hint = "it may be UTF-16 without its mark, or no text at all. " if code == 0 else ""
        raise ReadingsFileError(
            f"holds the control character U+{code:04X}; {hint}{_SAVE_AS} and try again.",
            name=name,
            line=line,
            found=control.group(),
        )
    if not found.text.strip():
        raise ReadingsFileError(
            "is empty. The first line has to name the columns, each line below it is one row.", name=name
        )
    return found


def _decoded_bytes(data: bytes, name: str) -> Decoded:
    if data.startswith(b"PK\x03\x04"):
        raise ReadingsFileError(f"is a workbook or an archive, not a CSV. {_SAVE_AS} from it.", name=name)
    encoding = next((codec for mark, codec in _MARKS if data.startswith(mark)), "utf-8")
    try:
        return Decoded(data.decode(encoding))
    except UnicodeDecodeError as error:
        if encoding == "utf-8" and (text := _sensible_1252(data)) is not None:
            return Decoded(text, (Notice("read_as_windows_1252", numbers={"byte": error.start + 1}),))
        place = f"byte {error.start + 1} cannot be read as {encoding.removesuffix('-sig').upper()}"
        raise ReadingsFileError(
            f"{place}, and it is in no other encoding that is accepted (UTF-8, UTF-16 with its mark, "
            f"Windows-1252). {_SAVE_AS} and try again.",
            name=name,
        ) from error


def _sensible_1252(data: bytes) -> str | None:
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        return None
    return text if all(c.isascii() or c in _TYPED_1252 for c in set(text)) else None
