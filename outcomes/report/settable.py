"""Text as the page can set it: covered characters, unbroken units, breakable long words."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Any

from outcomes.figures.glyphs import clean, page_cover

_LONGEST_WORD = 22
_BREAK_EVERY = 14
_NO_BREAK = "\u00a0"
_MAY_BREAK = "\u200b"

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|mJ\b|J/cm²|µm\b|mm\b|cm²|W\b|mg\b)")
_INTERVAL = re.compile(r"(?<=\d) to (?=[\d−])")
_LEVEL_NAME = re.compile(r"(?<=%) (?=CI\b)")
_LONG = re.compile(rf"[^\s\-–—/{_NO_BREAK}{_MAY_BREAK}]{{{_LONGEST_WORD + 1},}}")

# Names that the template looks things up by; they are ours and short, and must stay as they are.
_KEYS_KEPT = frozenset({"file", "name", "key", "kind", "shape", "section", "drawn_as", "verdict", "scale"})
_KEYS_NOT_BROKEN = frozenset({"alt"})


def _with_breaks(match: re.Match[str]) -> str:
    pieces: list[str] = []
    since = 0
    for character in match[0]:
        if since >= _BREAK_EVERY and not unicodedata.category(character).startswith("M"):
            pieces.append(_MAY_BREAK)
            since = 0
        pieces.append(character)
        since += 1
    return "".join(pieces)


@lru_cache(maxsize=8192)
def settable(text: str, *, breaks: bool = True) -> str:
    r"""Return text that can be set: see `glyphs.clean`; numbers keep to their units, long words may break.

    Examples
    --------
    >>> settable("5.0 % (95 % CI 2.0 to 8.1)")
    '5.0\xa0% (95\xa0%\xa0CI 2.0\xa0to\xa08.1)'
    """
    text = clean(text, page_cover())
    text = _LEVEL_NAME.sub(_NO_BREAK, _BEFORE_UNIT.sub(_NO_BREAK, text))
    text = _INTERVAL.sub(f"{_NO_BREAK}to{_NO_BREAK}", text)
    return _LONG.sub(_with_breaks, text) if breaks else text


def settable_data(value: Any, key: str = "") -> Any:
    """Return report data with every text settable; names that the template looks up stay."""
    if isinstance(value, str):
        return value if key in _KEYS_KEPT else settable(value, breaks=key not in _KEYS_NOT_BROKEN)
    if isinstance(value, dict):
        return {name: settable_data(part, name) for name, part in value.items()}
    if isinstance(value, list):
        return [settable_data(part, key) for part in value]
    return value
