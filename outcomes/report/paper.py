"""What of a report stands on paper, and what in the full tables beside it; nothing is in neither.

A table that only supports an answer (its `detail`) is not printed. It keeps its number, its section says where it is,
and it is written beside the PDF in the words of the web page. In tables that are printed, rows of one group that
cannot say for one and the same reason are set as one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import pandas as pd

from outcomes import wording
from outcomes.figures.draw import is_drawn
from outcomes.figures.house import HALF_MM, TEXT_MM
from outcomes.findings import Exhibit, Forest, Grid
from outcomes.report.document import Report, Shown
from outcomes.report.told_once import told_once

Data = dict[str, Any]

_MOST_COUNTS = 2
"""Counts beside its label with which a row that cannot say may still be set with others."""

FULL_TABLES = (
    "Tables that only support an answer are not printed. They keep their numbers and each section names its own. "
    "They are files of the folder tables/ beside this report and stand in the web page and the workbook, where these "
    "were made."
)


def is_on_paper(exhibit: Exhibit, kind: str) -> bool:
    """Whether an exhibit is printed in a report of a kind: a practitioner's own holds all."""
    return kind != "audit" or not (isinstance(exhibit, Forest | Grid) and exhibit.detail)


def figure_widths(report: Report) -> list[tuple[Shown, float]]:
    """Every drawn exhibit and the width in mm that it is drawn at: two, one after the other, stand side by side."""
    found: list[tuple[Shown, float]] = []
    for section in report.sections:
        blocks = list(section.blocks)
        while blocks:
            block, after = blocks.pop(0), blocks[0] if blocks else None
            if not isinstance(block, Shown) or not is_drawn(block.exhibit):
                continue
            if isinstance(after, Shown) and is_drawn(after.exhibit):
                found += [(block, HALF_MM), (after, HALF_MM)]
                blocks.pop(0)
            else:
                found.append((block, TEXT_MM))
    return found


def number_exhibits(sections: Sequence[Data]) -> None:
    """Number tables and figures in reading order, the same on paper, page and sheet; say where the unprinted are."""
    counts = {"Table": 0, "Figure": 0}
    for block in _shown(sections):
        kind = {"grid": "Table", "forest": "Table", "figure": "Figure"}.get(block["shape"])
        block["label"] = ""
        if kind is not None:
            counts[kind] += 1
            block["label"] = f"{kind} {counts[kind]}"
            if not block["printed"]:
                block["written_as"] = f"tables/table_{counts[kind]:02d}.csv"


def _shown(sections: Sequence[Data]) -> list[Data]:
    return [block for section in sections for block in section["blocks"] if block["kind"] == "shown"]


def full_tables(data: Data) -> tuple[Data, ...]:
    """Tables that are not printed, in reading order."""
    return tuple(block for block in _shown(data["sections"]) if "written_as" in block)


def table_cells(block: Data) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Heads and rows of a table as the web page words it; a group is a column of its own."""
    grouped = any(row["group"] for row in block["rows"])
    heads = [wording.capital(head) or "Row" for head in block["headers"]]
    if block["shape"] == "forest":
        heads += [block["value_header"] or "Value", wording.capital(block["interval_header"])]
        heads += ["Verdict"] if block["verdicts"] else []
    lines = []
    for row in block["rows"]:
        cells = list(row["cells"])
        if block["shape"] == "forest":
            said = ["cannot say", row["reason"]] if row["reason"] else [row["text"], row["interval"]]
            cells = [row["label"], *cells, *said, *([row["verdict"]] if block["verdicts"] else [])]
        lines.append((*([row["group"]] if grouped else []), *cells))
    return (*(["Group"] if grouped else []), *heads), tuple(lines)


def table_frame(block: Data) -> pd.DataFrame:
    """The same as a frame of text."""
    heads, rows = table_cells(block)
    return pd.DataFrame([list(row) for row in rows], columns=list(heads), dtype="string")


def on_paper(data: Data) -> Data:
    """Report data as the PDF prints it."""
    sections = [{**section, "blocks": _printed(section["blocks"])} for section in told_once(data["sections"])]
    how = [*data["how_to_read"], *([FULL_TABLES] if full_tables(data) else [])]
    return {**data, "how_to_read": how, "sections": sections}


def _printed(blocks: Sequence[Data]) -> list[Data]:
    """Blocks of a section without its full tables, and where those are, after the last exhibit that is printed."""
    kept, elsewhere, place = [], [], 0
    for block in blocks:
        if "written_as" in block:
            elsewhere.append(block)
        else:
            kept.append(_gathered(block))
        if block["kind"] == "shown":
            place = len(kept)
    kept, place = _paired(kept, place)
    if elsewhere:
        tables = [{"label": block["label"], "said": _named(block)} for block in elsewhere]
        kept.insert(max(place, 1), {"kind": "elsewhere", "tables": tables})
    return kept


def _named(block: Data) -> str:
    """A table that is not printed by its name, its rows and how many of them cannot say."""
    silent = sum(bool(row.get("reason")) for row in block["rows"])
    size = wording.plural(len(block["rows"]), "row")
    return f"{block['title']} ({size}{f', {wording.count(silent)} of which cannot say' if silent else ''})"


def _paired(blocks: Sequence[Data], place: int) -> tuple[list[Data], int]:
    """Figures that were drawn to stand side by side as one block; `place` counts blocks and is moved with them."""
    kept: list[Data] = []
    moved = place
    for i, block in enumerate(blocks):
        before = kept[-1] if kept else None
        if _is_half(block) and before is not None and _is_half(before):
            alike = bool(block["reading"]) and block["reading"] == before["reading"]
            told = {**block, "reading": f"Read as {before['label']}."} if alike else block
            kept[-1] = {"kind": "pair", "figures": [before, told]}
            moved -= int(i < place)
        else:
            kept.append(block)
    return kept, moved


def _is_half(block: Data) -> bool:
    return bool(block.get("half"))


def _gathered(block: Data) -> Data:
    """A forest in which rows of a group that cannot say for the same reason stand as one, after the others."""
    if block.get("shape") != "forest":
        return block
    rows: list[Data] = []
    for group in dict.fromkeys(row["group"] for row in block["rows"]):
        rows += _gathered_rows([row for row in block["rows"] if row["group"] == group], block["headers"])
    return {**block, "rows": rows}


def _gathered_rows(rows: Sequence[Data], heads: Sequence[str]) -> list[Data]:
    alike: dict[tuple[str, str], list[Data]] = defaultdict(list)
    for row in rows:
        if row["reason"] and len(_counts(row)) <= _MOST_COUNTS:
            alike[row["reason"], row["verdict"]].append(row)
    several = {key: found for key, found in alike.items() if len(found) > 1}
    merged = {id(row) for found in several.values() for row in found}
    told = [row for row in rows if id(row) not in merged]
    return told + [_as_one(found, heads) for found in several.values()]


def _counts(row: Data) -> list[tuple[int, str]]:
    """The cells of a row that say something beside its label, and their places."""
    return [(i, cell) for i, cell in enumerate(row["cells"]) if any(letter.isalnum() for letter in cell)]


def _as_one(rows: Sequence[Data], heads: Sequence[str]) -> Data:
    """Rows alike as one that names each with its counts; from the second on a count is said by its column."""
    names = []
    for row in rows:
        said = [cell if i == 0 else f"{heads[i + 1]} {cell}" for i, cell in _counts(row)]
        names.append(f"{row['label']} ({', '.join(said)})" if said else row["label"])
    return {**rows[0], "label": "; ".join(names), "cells": [], "gathered": True}
