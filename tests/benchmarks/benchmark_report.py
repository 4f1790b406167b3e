"""How long is a report in the making beside the drawing of its figures? Processor seconds and ratios of one run.

Run it on an otherwise idle machine; it asks the whole audit of the invented clinic first (about two minutes)::

    python tests/benchmarks/benchmark_report.py

The PDF is set once cold, as in a run of the command, and once warm, when the engine still holds what it laid out.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from typing import TypeVar

from outcomes.estimates.estimate import tidy
from outcomes.figures.draw import draw
from outcomes.questions.ask import ask
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report.compose import compose
from outcomes.report.data import json_text, report_data
from outcomes.report.paper import figure_widths, full_tables
from outcomes.report.settable import settable_data
from outcomes.report.typeset import compile_pdf
from outcomes.report.webpage import page_text
from outcomes.report.workbook import workbook_bytes
from outcomes.report.writing import csv_bytes

T = TypeVar("T")


def timed(spent: dict[str, float], step: str, work: Callable[[], T]) -> T:
    """What `work` gives, its processor seconds kept under the name of the step."""
    start = time.process_time()
    made = work()
    spent[step] = time.process_time() - start
    return made


def main() -> None:
    """Ask, then time each step of the report."""
    files = clinic_files()
    cases = load(files["zones"], **{n: files[n] for n in ("sessions", "layers", "visits", "mapping")})
    scope = Scope.quarter(None, cases.last_date)
    findings = ask(cases, scope)
    spent: dict[str, float] = {}
    report = timed(spent, "arranging and wording", lambda: compose(findings, cases, scope))
    shown = figure_widths(report)
    pictures = timed(
        spent, "drawing figures", lambda: {f"figures/{s.name}.svg": draw(s.exhibit, width).svg for s, width in shown}
    )
    data = timed(spent, "plain data", lambda: report_data(report))
    data["written"] = []
    as_of: date = scope.as_of
    timed(spent, "PDF, cold", lambda: compile_pdf(data, pictures, as_of))
    timed(
        spent, "tables and report.json", lambda: [json_text(data), *(csv_bytes(tidy(a)) for _, a in report.estimates)]
    )
    audit = sum(spent.values())
    timed(spent, "PDF, warm", lambda: compile_pdf(data, pictures, as_of))
    timed(spent, "web page", lambda: page_text(settable_data(data), pictures))
    timed(spent, "workbook", lambda: workbook_bytes(report, full_tables(data)))
    figures = spent["drawing figures"]
    for step, seconds in spent.items():
        print(f"{step:<24} {seconds:6.2f} s {seconds / figures:6.2f} × figures")
    print(f"{'report with PDF':<24} {audit:6.2f} s {audit / figures:6.2f} × figures")


if __name__ == "__main__":
    main()
