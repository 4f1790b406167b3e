"""Headers and words compared on purpose: case, spaces and look-alike characters do not count."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Sequence

_INVISIBLE = re.compile("[\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff\u00ad]")
_JOINTS = re.compile(r"[\s_\-\u2010-\u2015]+")


def tidy_header(text: str) -> str:
    r"""A header as it is shown: no invisible characters, single spaces.

    Examples
    --------
    >>> tidy_header(" Energy\n(mJ) ")
    'Energy (mJ)'
    """
    return " ".join(_INVISIBLE.sub("", text).split())


def fold(text: str) -> str:
    """Text without what readers do not see: case, spaces, underscores, hyphens, compatibility characters.

    Examples
    --------
    >>> fold(" Pulse-Energy_mJ") == fold("pulse energy MJ")
    True
    """
    plain = unicodedata.normalize("NFKC", _INVISIBLE.sub("", text)).casefold()
    return _JOINTS.sub(" ", plain).strip()


def nearest(word: str, options: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """Which option looks most like a word; None when none is near.

    Examples
    --------
    >>> nearest("pulse_energy", ["passes", "pulse_energy_mj"])
    'pulse_energy_mj'
    """
    by_fold: dict[str, str] = {}
    for option in options:
        by_fold.setdefault(fold(option), option)
    found = difflib.get_close_matches(fold(word), list(by_fold), n=1, cutoff=cutoff)
    return by_fold[found[0]] if found else None


def did_you_mean(word: str, options: Iterable[str]) -> str:
    """`` Did you mean "…"?`` as the end of a sentence, or nothing when no option is near."""
    near = nearest(word, options)
    return f' Did you mean "{near}"?' if near is not None else ""


def find_header(wanted: str, headers: Sequence[str]) -> tuple[str, ...]:
    """Headers that a wanted one can mean: the exact one if it is there, else every look-alike.

    Examples
    --------
    >>> find_header("Energy", ["energy ", "ENERGY", "Density"])
    ('energy ', 'ENERGY')
    >>> find_header("Energy", ["energy", "Energy"])
    ('Energy',)
    """
    shown = tidy_header(wanted)
    if shown in headers:
        return (shown,)
    key = fold(wanted)
    return tuple(header for header in headers if fold(header) == key)


def matches(header: str, names: Iterable[str]) -> bool:
    """Whether a header is one of the names, look-alikes included."""
    key = fold(header)
    return any(fold(name) == key for name in names)


def rows_in_words(rows: Sequence[int], *, most: int = 10) -> str:
    """Row numbers for a sentence, the first few and how many more.

    Examples
    --------
    >>> rows_in_words([2])
    'row 2'
    >>> rows_in_words([2, 5, 9])
    'rows 2, 5 and 9'
    >>> rows_in_words(range(2, 30), most=3)
    'rows 2, 3, 4 and 25 more'
    """
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) <= most:
        return f"rows {', '.join(str(row) for row in rows[:-1])} and {rows[-1]}"
    return f"rows {', '.join(str(row) for row in rows[:most])} and {len(rows) - most} more"
