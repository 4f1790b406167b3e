"""What was made of cells without a word from anybody: each kind of normalisation as a note, never a cell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from outcomes.records.contract import Column
from outcomes.records.convert.cells import Converted, bare, distinct
from outcomes.records.headers import fold
from outcomes.records.mapping.types import ColumnMapping

_VOCABULARIES: tuple[tuple[str, frozenset[str]], ...] = (
    ("y/n", frozenset({"y", "n"})),
    ("true/false", frozenset({"true", "false"})),
    ("t/f", frozenset({"t", "f"})),
    ("1/0", frozenset({"1", "0", "1.0", "0.0", "1,0", "0,0"})),
)

_SPELLING = "codes known by another spelling or by their label"
ENDS = "cell(s) without the spaces or invisible characters at their ends"
FORMULAS = 'cell(s) written as ="…" taken as the text inside'
EMPTIED = "cell(s) with a text that the mapping takes for an empty cell"


def tidied(raw: pd.Series, plain: pd.Series) -> dict[str, int]:
    """How many cells of a column lost spaces, a formula's marks, or all they held, on being cleaned.

    Parameters
    ----------
    raw, plain : Series
        The cells before and after.

    Examples
    --------
    >>> text = lambda *cells: pd.Series(cells, dtype="string")
    >>> tidied(text(" a", "n/k", "b"), text("a", None, "b")) == {ENDS: 1, EMPTIED: 1}
    True
    """
    changed = (raw.notna() & plain.isna()) | (raw != plain).fillna(False)
    counts: dict[str, int] = {}
    for before, after in zip(raw[changed], plain[changed], strict=True):
        formula = bare(before).startswith('="')
        what = FORMULAS if formula else EMPTIED if pd.isna(after) else ENDS
        if formula or not pd.isna(after) or bare(before):
            counts[what] = counts.get(what, 0) + 1
    return counts


def remarks(column: Column, spec: ColumnMapping, cells: pd.Series, converted: Converted) -> list[str]:
    """What was made of the cells of one column, beside what its reader says itself.

    Parameters
    ----------
    column : Column
    spec : ColumnMapping
    cells : Series
        Cleaned text.
    converted : Converted
        The same column in our words.
    """
    if spec.value is not None:
        return ["the same value for every row, as the mapping says"]
    if column.kind == "id" and not spec.codes:
        return [f"ids joined from {len(spec.headers)} columns"] if len(spec.headers) > 1 else []
    pairs = _pairs(cells, converted)
    codes = {fold(code) for code in spec.codes}
    own = {text for text, _ in pairs if fold(text) in codes} if codes else set()
    said = ["codes translated as the mapping says"] if own else []
    rest = [(text, ours) for text, ours in pairs if text not in own]
    if column.kind == "boolean":
        said += _words_for_yes_and_no(text for text, _ in rest)
    elif column.kind == "list":
        said += ["several codes of one cell told apart"] if any(";" in ours for _, ours in pairs) else []
        said += [] if codes else _spelled(rest, _SPELLING)
    elif column.kind == "code":
        said += _spelled(rest, _SPELLING)
    elif column.kind == "text":
        said += _spelled(rest, "words put in small letters and single spaces")
    elif column.kind in ("number", "integer") and not spec.holds_dates(column):
        said += _written(text for text, _ in rest)
    return said


def _pairs(cells: pd.Series, converted: Converted) -> list[tuple[str, str]]:
    """Distinct texts that were read, each with what was read."""
    which, texts = distinct(cells)
    held = converted.cells.notna().to_numpy(dtype=bool) & (which >= 0)
    values, first = np.unique(which[held], return_index=True)
    ours = converted.cells.to_numpy(dtype=object)[held]
    return [(texts[int(value)], str(ours[at])) for value, at in zip(values, first, strict=True)]


def _spelled(pairs: Iterable[tuple[str, str]], note: str) -> list[str]:
    return [note] if any(text != ours for text, ours in pairs) else []


def _words_for_yes_and_no(texts: Iterable[str]) -> list[str]:
    words = {fold(text) for text in texts}
    known = {name for name, vocabulary in _VOCABULARIES if words & vocabulary}
    rest = words - {"yes", "no"} - {word for _, vocabulary in _VOCABULARIES for word in vocabulary}
    found = [*(["yes/no"] if words & {"yes", "no"} else []), *(name for name, _ in _VOCABULARIES if name in known)]
    found += ["the mapping's own words"] if rest else []
    return [f"yes and no read from {', '.join(found)}"] if found and found != ["yes/no"] else []


def _written(texts: Iterable[str]) -> list[str]:
    texts = list(texts)
    said = []
    if any(text.endswith("%") for text in texts):
        said.append("numbers with a per cent sign taken as per cent")
    if any("e" in text.lower() for text in texts):
        said.append("numbers written with a power of ten")
    return said


def counted(kinds: Mapping[str, int]) -> list[str]:
    """Counts of cells as notes, in a fixed order."""
    return [f"{kinds[what]:,} {what}" for what in (ENDS, FORMULAS, EMPTIED) if kinds.get(what)]
