"""A column of cells converted once for each distinct text, with a fault instead of a value where that fails."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

_UNSEEN = "".join(chr(code) for code in range(0x3001) if chr(code).isspace())
_UNSEEN += "\u00ad\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\u2066\u2067\u2068\u2069\ufeff"
_TEXT_FORMULA = re.compile(r'="(?P<text>[^"]*)"')


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a cell or a column cannot be converted: kind, rule and remedy, never the value."""

    kind: str
    rule: str
    remedy: str


@dataclass(slots=True)
class Converted:
    """A converted column.

    Attributes
    ----------
    cells : Series
        Converted text, dtype ``string``; missing where the cell was empty or has a fault.
    faults : dict of int to Fault
        Faults of single cells, by position.
    fatal : list of Fault
        Faults of the column as a whole.
    notes : list of str
        What was decided about the column, without values.
    """

    cells: pd.Series
    faults: dict[int, Fault] = field(default_factory=dict)
    fatal: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def distinct(cells: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Distinct texts of a column, and for each cell which one it holds (−1 for a missing cell)."""
    which, texts = pd.factorize(cells)
    return np.asarray(which), [str(text) for text in texts]


def spread(which: np.ndarray, results: Iterable[str | Fault | None], index: pd.Index) -> Converted:
    """Give each cell the result of its distinct text."""
    found = list(results)
    faulty = {i: result for i, result in enumerate(found) if isinstance(result, Fault)}
    texts = np.array([None if isinstance(r, Fault) else r for r in found] + [None], dtype=object)
    faults: dict[int, Fault] = {}
    if faulty:
        for position in np.flatnonzero(np.isin(which, list(faulty))):
            faults[int(position)] = faulty[int(which[position])]
    return Converted(pd.Series(texts[which], index=index, dtype="string"), faults)


def each(cells: pd.Series, convert: Callable[[str], str | Fault | None]) -> Converted:
    """Convert a column, each distinct text once.

    Examples
    --------
    >>> each(pd.Series(["a", None, "a"], dtype="string"), str.upper).cells.tolist()
    ['A', <NA>, 'A']
    """
    which, texts = distinct(cells)
    return spread(which, [convert(text) for text in texts], cells.index)


def bare(text: str) -> str:
    """Text without spaces and invisible characters at its ends."""
    return text.strip(_UNSEEN)


def clean(cells: pd.Series, missing: Iterable[str] = ()) -> pd.Series:
    r"""Cells without surrounding spaces; only empty ones and the declared texts are missing.

    A cell written as ``="00123"``, which keeps a spreadsheet from making a number of it, is the text inside.

    Examples
    --------
    >>> clean(pd.Series([" a ", '="007"', "NA", "-"], dtype="string"), ["-"]).tolist()
    ['a', '007', 'NA', <NA>]
    """
    declared = {text.strip() for text in missing}

    def plain(text: str) -> str | None:
        text = bare(text)
        if match := _TEXT_FORMULA.fullmatch(text):
            text = bare(match["text"])
        return None if not text or text in declared else text

    return each(cells, plain).cells
