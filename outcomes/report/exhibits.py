"""An exhibit as the page needs it: rows of worded cells, marks on an axis, or the name of a picture."""

from __future__ import annotations

from typing import Any

from outcomes import wording
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.figures.alt import alt_text, is_empty
from outcomes.figures.draw import is_drawn
from outcomes.findings import Bars, Exhibit, Forest, Grid
from outcomes.report.axes import Axis, axis_for
from outcomes.report.document import Shown, plain
from outcomes.report.figure_numbers import figure_numbers

_VALUE_HEADERS = {
    "proportion": "%",
    "difference in proportion": "Points",
    "days": "Days",
    "difference in score": "Points",
    "odds ratio": "Odds ratio",
    "risk ratio": "Risk ratio",
    "time ratio": "Time ratio",
    "observed/expected": "Observed / expected",
}


def value_header(answers: tuple[Answer, ...], scale: str = "") -> str:
    """What the numbers of a forest are, for the head of their column; differences are said to be such."""
    units = [a.unit for a in answers if a.unit]
    unit = units[0] if units else ""
    header = _VALUE_HEADERS.get(unit, unit)
    if scale != "difference":
        return header
    return f"Difference, {wording.decapital(header)}" if header else "Difference"


def interval_header(answers: tuple[Answer, ...]) -> str:
    """Name of the interval, for the head of its column."""
    levels = {a.level for a in answers if isinstance(a, Estimate)}
    return wording.level_text(levels.pop()) if len(levels) == 1 else "interval"


def _axis_data(axis: Axis | None, reference: float | None) -> dict[str, Any] | None:
    if axis is None:
        return None
    at = axis.share(reference) if reference is not None else None
    return {
        "log": axis.log,
        "low": axis.low,
        "high": axis.high,
        "ticks": [
            {"at": axis.share(tick), "value": tick, "text": text}
            for tick, text in zip(axis.ticks, axis.texts, strict=True)
        ],
        "reference": at if at is not None and -1e-9 <= at <= 1 + 1e-9 else None,
    }


def _forest(exhibit: Forest) -> dict[str, Any]:
    answers = tuple(row.answer for row in exhibit.rows)
    axis = axis_for(answers, exhibit.scale, exhibit.reference)
    rows = []
    for row in exhibit.rows:
        answer = row.answer
        line: dict[str, Any] = {
            "label": row.label,
            "group": row.group,
            "cells": list(row.cells),
            "verdict": row.verdict,
            "estimate": plain(answer),
        }
        if isinstance(answer, NotEstimable):
            line |= {"text": "", "interval": "", "mark": None, "reason": answer.reason}
        else:
            line |= {
                "text": wording.value_text(answer.value, answer.unit),
                "interval": wording.interval(answer),
                "mark": plain(axis.mark(answer)) if axis else None,
                "reason": "",
            }
        rows.append(line)
    return {
        "shape": "forest",
        "headers": list(exhibit.headers),
        "value_header": value_header(answers, exhibit.scale),
        "interval_header": interval_header(answers),
        "verdicts": any(row.verdict for row in exhibit.rows),
        "arrows": any(line["mark"] and (line["mark"]["arrow_low"] or line["mark"]["arrow_high"]) for line in rows),
        "scale": exhibit.scale,
        "axis": _axis_data(axis, exhibit.reference),
        "rows": rows,
    }


def _grid(exhibit: Grid) -> dict[str, Any]:
    groups = exhibit.groups or ("",) * len(exhibit.rows)
    return {
        "shape": "grid",
        "headers": list(exhibit.headers),
        "number_columns": list(exhibit.number_columns),
        "rows": [{"group": g, "cells": list(row)} for g, row in zip(groups, exhibit.rows, strict=True)],
    }


def why_empty(exhibit: Exhibit) -> str:
    """Why there is nothing to show: what the question noted, or that no record qualified."""
    return exhibit.note or "No record qualified."


def exhibit_data(shown: Shown) -> dict[str, Any]:
    """Return an exhibit as the page and report.json hold it.

    Raises
    ------
    TypeError
        For a shape that has neither a drawer nor a table.
    """
    exhibit = shown.exhibit
    head: dict[str, Any] = {"name": shown.name, "title": exhibit.title}
    if is_empty(exhibit):
        return {**head, "shape": "empty", "why": why_empty(exhibit)}
    head["note"] = exhibit.note
    if isinstance(exhibit, Forest):
        return {**head, **_forest(exhibit)}
    if isinstance(exhibit, Grid):
        return {**head, **_grid(exhibit)}
    if is_drawn(exhibit):
        heads, rows = figure_numbers(exhibit)
        return {
            **head,
            "shape": "figure",
            "drawn_as": type(exhibit).__name__.lower(),
            "file": f"figures/{shown.name}.svg",
            "reading": "" if isinstance(exhibit, Bars) else exhibit.reading,
            "alt": alt_text(exhibit),
            "as_table": {"headers": list(heads), "rows": [list(row) for row in rows]},
            "numbers": plain(exhibit),
        }
    raise TypeError(f"{type(exhibit).__name__} can neither be drawn nor set as a table")
