"""Which text our fonts can set: every other character becomes a visible code, never a gap.

Archival and accessible PDF forbids a character that no font covers, and a figure would drop it in silence.
Text from an export is therefore cleaned before it is set: what is covered stays, what is not is written as
``[U+65E5]``, controls and direction overrides go.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path

import fontpkg_source_sans_3
import fontpkg_source_serif_4
import matplotlib
from fontTools.ttLib import TTFont

# Direction marks and overrides: they can make a line read other than it is stored.
_DIRECTION = dict.fromkeys(map(ord, "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"))
_KEPT_FORMAT = "\u00ad\u200b"  # soft hyphen, zero-width space: both only allow a line to break


def sans_files() -> tuple[Path, Path]:
    """Upright and italic of the sans, as variable fonts."""
    folder = Path(fontpkg_source_sans_3.ROOT) / "files"
    return folder / "SourceSans3[wght].ttf", folder / "SourceSans3-Italic[wght].ttf"


def font_folders() -> tuple[Path, ...]:
    """Folders that hold the fonts of the report: serif, sans, and the wide fallback."""
    return (
        Path(fontpkg_source_serif_4.ROOT) / "files",
        Path(fontpkg_source_sans_3.ROOT) / "files",
        Path(matplotlib.get_data_path()) / "fonts" / "ttf",
    )


def _characters(path: Path) -> frozenset[int]:
    with TTFont(path, lazy=True) as font:
        return frozenset(font.getBestCmap())


@cache
def figure_cover() -> frozenset[int]:
    """Code points that figure text can hold: those of the sans, upright and italic."""
    upright, italic = sans_files()
    return _characters(upright) & _characters(italic)


@cache
def page_cover() -> frozenset[int]:
    """Code points that page text can hold: those of both our families, and of the wide fallback."""
    serif, _, wide = font_folders()
    ours = figure_cover()
    for name in ("SourceSerif4[opsz,wght].ttf", "SourceSerif4-Italic[opsz,wght].ttf"):
        ours = ours & _characters(serif / name)
    fallback = _characters(wide / "DejaVuSans.ttf")
    for name in ("DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf"):
        fallback = fallback & _characters(wide / name)
    return ours | fallback


def clean(text: str, cover: frozenset[int]) -> str:
    r"""Text that the fonts can set, with a code in place of each character they cannot.

    Parameters
    ----------
    text : str
        Any text, from an export or our own.
    cover : frozenset of int
        `page_cover` or `figure_cover`.

    Examples
    --------
    >>> clean("dose\t#2 \u65e5\x00", figure_cover())
    'dose #2 [U+65E5]'
    """
    if text.isascii() and text.isprintable():  # printable ASCII is in every font
        return text
    text = unicodedata.normalize("NFC", text).translate(_DIRECTION).replace("\r\n", "\n").replace("\r", "\n")
    kept: list[str] = []
    for character in text:
        category = unicodedata.category(character)
        if character == "\n" or character in _KEPT_FORMAT:
            kept.append(character)
        elif character == "\t" or category in ("Zl", "Zp"):
            kept.append(" ")
        elif category in ("Cc", "Cf"):
            continue
        elif category in ("Cs", "Cn", "Co") or ord(character) not in cover:
            kept.append(f"[U+{ord(character):04X}]")
        else:
            kept.append(character)
    return "".join(kept)
