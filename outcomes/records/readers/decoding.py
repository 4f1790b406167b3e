"""Bytes to text: which encoding a CSV file is in, and where single bytes do not belong to it."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

STRAY = "\udc80"
"""Stands in decoded text for bytes that are not part of the encoding; no encoding can produce it."""

_MARKS: tuple[tuple[bytes, str, str], ...] = (
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
_MULTIBYTE = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
_SAMPLE_BYTES = 8192


def _mark_stray(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return STRAY, error.end


codecs.register_error("outcomes_stray", _mark_stray)


@dataclass(frozen=True, slots=True)
class Decoded:
    """Text of a file.

    Attributes
    ----------
    text : str
        The text, without byte-order mark, with `STRAY` where bytes do not belong to the encoding.
    said : str
        Which encoding, and whether it was declared or detected.
    contradiction : str
        Why the text cannot be trusted as a whole, empty when it can: the declared encoding is not the one that the
        file shows, or none was declared and the bytes speak for two.
    """

    text: str
    said: str
    contradiction: str = ""


def _same_family(name: str, marked: str) -> bool:
    """Whether a declared encoding is the one that the byte-order mark shows (utf-16 is either utf-16-le or -be)."""
    plain = codecs.lookup(name).name.replace("_", "-").removesuffix("-sig")
    return marked == plain or marked.removesuffix("-le").removesuffix("-be") == plain


def _looks_utf_16(data: bytes) -> str | None:
    """UTF-16 without a mark: every second byte of mostly Latin text is zero."""
    sample = data[:_SAMPLE_BYTES]
    if len(sample) < 4:
        return None
    even, odd = sample[0::2].count(0) / len(sample[0::2]), sample[1::2].count(0) / len(sample[1::2])
    if odd > 0.4 and even < 0.05:
        return "utf-16-le"
    if even > 0.4 and odd < 0.05:
        return "utf-16-be"
    return None


_UNCLEAR = "some characters of the file are UTF-8 and more are not, so its encoding is unclear"


def decode(data: bytes, declared: str | None = None) -> Decoded:
    r"""Which text do these bytes hold?

    A byte-order mark decides; then what was declared; then UTF-16 by its zero bytes; then UTF-8. A file that is
    not UTF-8 throughout but holds mostly UTF-8 characters IS UTF-8 with stray bytes, which are marked one by one.
    Only a file with no UTF-8 character at all is read as Windows-1252, and that is said; between the two the
    clinic has to declare it.

    Parameters
    ----------
    data : bytes
    declared : str or None
        An encoding that Python knows.

    Examples
    --------
    >>> decode("M\u00fcller".encode("cp1252")).said
    'encoding Windows-1252, detected'
    >>> decode("M\u00fcller".encode() + b"\xb5").text == "M\u00fcller" + STRAY
    True
    """
    for mark, encoding, name in _MARKS:
        if data.startswith(mark):
            text = data[len(mark) :].decode(encoding, "outcomes_stray")
            contradiction = ""
            if declared is not None and not _same_family(declared, encoding):
                contradiction = f"the byte-order mark of the file is that of {name}, not of the declared encoding"
            return Decoded(text, f"encoding {name}, by its byte-order mark", contradiction)
    if declared is not None:
        return Decoded(data.decode(declared, "outcomes_stray"), f"encoding {declared}, declared")
    wide = _looks_utf_16(data)
    if wide is not None:
        return Decoded(data.decode(wide, "outcomes_stray"), "encoding UTF-16 without byte-order mark, detected")
    text = data.decode("utf-8", "outcomes_stray")
    strays, characters = text.count(STRAY), len(_MULTIBYTE.findall(data))
    if strays and not characters:
        return Decoded(data.decode("cp1252", "outcomes_stray"), "encoding Windows-1252, detected")
    unclear = _UNCLEAR if strays > 3 * characters else ""
    return Decoded(text, "encoding UTF-8, detected", unclear)
