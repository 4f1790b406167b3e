"""From a `Report` to its folder: PDF, report.json, tables, figures, refused.csv, problems.csv; web page and workbook."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import pandas as pd
import typst

from outcomes.errors import ReportError
from outcomes.estimates.estimate import tidy
from outcomes.figures.draw import draw
from outcomes.figures.glyphs import font_folders
from outcomes.records.problems import problem_frame
from outcomes.report.data import json_text, report_data
from outcomes.report.document import Report
from outcomes.report.paper import figure_widths, full_tables, on_paper, table_frame
from outcomes.report.settable import settable_data
from outcomes.report.webpage import page_text
from outcomes.report.workbook import workbook_bytes
from outcomes.report.writing import check_free, csv_bytes, write_whole

PDF_STANDARDS: tuple[Literal["a-2a", "ua-1"], ...] = ("a-2a", "ua-1")
"""Archival and accessible: typst refuses to write a file that breaks the rules it checks."""

_MAIN, _HOUSE = "audit.typ", "house.typ"
_DATA = "report.json"
_UNSETTLED = "did not converge"
_NOT_PRINTED = ("estimates", "files", "tables", "versions", "written")


@dataclass(frozen=True, slots=True)
class Written:
    """Where a report was written.

    Attributes
    ----------
    folder, pdf, json : Path
    tables, figures : tuple of Path
    """

    folder: Path
    pdf: Path
    json: Path
    tables: tuple[Path, ...]
    figures: tuple[Path, ...]
    html: Path | None = None
    workbook: Path | None = None


def typeset(
    report: Report,
    out: Path,
    *,
    inputs: Iterable[Path] = (),
    paper: str = "a4",
    html: bool = False,
    workbook: bool = False,
    restricted: Mapping[str, pd.DataFrame] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Written:
    """Write a report's folder, whole or not at all.

    Parameters
    ----------
    report : Report
    out : Path
        Folder to write; an earlier report in it is replaced, anything else is left alone and refused.
    inputs : iterable of Path
        Files that were read; none of them may lie in `out`.
    paper : str
        ``a4`` or ``letter``.
    html : bool
        Also write the report as one web page.
    workbook : bool
        Also write the tidy tables as one XLSX workbook.
    restricted : mapping of str to DataFrame or None
        Further CSV files by name, such as ``review.csv``, that stay within the clinic and are in no other file.
    progress : callable or None
        Told a short sentence before each step.

    Returns
    -------
    Written

    Raises
    ------
    ReportError
        If the folder cannot be used or the PDF cannot be set; what was there before is then untouched.
    """
    say = progress or (lambda sentence: None)
    check_free(out, inputs)
    say("drawing figures")
    pictures = {f"figures/{s.name}.svg": draw(s.exhibit, width).svg for s, width in figure_widths(report)}
    tables = {f"tables/{key}.csv": csv_bytes(tidy(answers)) for key, answers in report.estimates}
    data = report_data(report)
    tables |= {block["written_as"]: csv_bytes(table_frame(block)) for block in full_tables(data)}
    extra = {f"{report.kind}.{form}" for form, wanted in (("html", html), ("xlsx", workbook)) if wanted}
    kept = {name: csv_bytes(frame) for name, frame in (restricted or {}).items()}
    main = f"{report.kind}.pdf"
    data["written"] = sorted([main, "problems.csv", "refused.csv", "report.json", *pictures, *tables, *extra, *kept])
    say("typesetting the report")
    content: dict[str, bytes] = {
        main: compile_pdf(data, pictures, date.fromisoformat(report.scope["as_of"]), paper=paper),
        "report.json": json_text(data).encode("utf-8"),
        "refused.csv": csv_bytes(_refused_frame(report)),
        "problems.csv": csv_bytes(problem_frame(report.problems)),
        **{name: svg.encode("utf-8") for name, svg in pictures.items()},
        **tables,
        **kept,
    }
    if html:
        content[f"{report.kind}.html"] = page_text(settable_data(data), pictures).encode("utf-8")
    if workbook:
        content[f"{report.kind}.xlsx"] = workbook_bytes(report, full_tables(data))
    write_whole(out, content)
    return Written(
        folder=out,
        pdf=out / main,
        json=out / "report.json",
        tables=tuple(out / name for name in tables),
        figures=tuple(out / name for name in pictures),
        html=out / f"{report.kind}.html" if html else None,
        workbook=out / f"{report.kind}.xlsx" if workbook else None,
    )


def _refused_frame(report: Report) -> pd.DataFrame:
    frame = pd.DataFrame(list(report.refused), columns=["table", "row", "rules"])
    frame["row"] = frame["row"].astype("Int64")
    return frame


@cache
def _fonts() -> typst.Fonts:
    folders = [str(folder) for folder in font_folders()]
    # The fonts that come with typst serve the formulas only.
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True, font_paths=folders)


def _template(name: str) -> bytes:
    return (files("outcomes.report") / "templates" / name).read_bytes()


def compile_pdf(data: dict[str, Any], pictures: dict[str, str], as_of: date, *, paper: str = "a4") -> bytes:
    """Set report data as PDF on `paper` (``a4`` or ``letter``); text enters as data and never as markup.

    Raises
    ------
    ReportError
        If typst refuses, or warns of anything.
    """
    printed = settable_data(on_paper({key: part for key, part in data.items() if key not in _NOT_PRINTED}))
    sources: Any = {  # typst takes files by name as well, which its annotations leave out
        "main.typ": _template(_MAIN),
        _HOUSE: _template(_HOUSE),
        "formulas.typ": _template("formulas.typ"),
        _DATA: json_text(_without_numbers(printed)).encode("utf-8"),
        **{name: svg.encode("utf-8") for name, svg in pictures.items()},
    }
    stamp = datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC)
    try:
        pdf, warned = _compiled(sources, stamp, {"paper": paper})
        if any(_UNSETTLED in message for message in warned):
            pdf, warned = _compiled(sources, stamp, {"paper": paper, "flow": "plain"})
    except typst.TypstError as fault:
        raise _unset(fault.message) from fault
    except RuntimeError as fault:
        raise _unset(str(fault)) from fault
    if warned:
        raise _unset(warned[0])
    return pdf


def _compiled(sources: Any, stamp: datetime, inputs: dict[str, str]) -> tuple[bytes, list[str]]:
    """The PDF, and what typst warned of."""
    with tempfile.TemporaryDirectory() as root:
        pdf, warnings = typst.compile_with_warnings(
            sources,
            root=root,
            font_paths=_fonts(),
            format="pdf",
            pdf_standards=list(PDF_STANDARDS),
            timestamp=stamp,
            sys_inputs=inputs,
        )
    return bytes(pdf), [str(warning.message) for warning in warnings]


def _unset(message: str) -> ReportError:
    return ReportError(f"The report could not be typeset: {message}.", "Nothing was written; please report this line.")


def _without_numbers(value: Any) -> Any:
    """Leave out the raw numbers behind figures and rows: the page prints their worded form."""
    if isinstance(value, dict):
        return {k: _without_numbers(part) for k, part in value.items() if k not in ("numbers", "as_table", "estimate")}
    if isinstance(value, list):
        return [_without_numbers(part) for part in value]
    return value
