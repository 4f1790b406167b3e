"""From kept blocks to the published page, its figure, and what reports quote of it: ``python tests/honesty/page.py``."""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import parts
from clinics import NUMBER, kept
from counting import (
    CEILING,
    CEILING_SPARSE,
    FLOOR,
    FULL_REPLICATES,
    ROOT,
    SPARSE_EVENTS,
    WIDEST_TAIL,
    Counted,
    collect,
    limits,
    percent,
    verdict,
)
from figure import TITLE, description, draw_figure, rows_drawn

FIGURE = "honesty.svg"
OWN_TABLES = ("shares", "flagging", "standard", "chart", "null audit", "null settings", "ends")
KINDS = {
    "rate": "risk of a zone",
    "weighted": "risk of all treated, some unseen",
    "compared": "odds ratio, yes or no",
    "exposures": "odds ratio, other exposures",
    "adjusted": "adjusted risks, differences, ratios",
    "change": "change of a share",
    "expected": "observed over expected",
    "spread": "spread, shrunken estimates",
    "healing": "healing model and curve",
    "median": "median of the healing curve",
}


def told_apart(row: Counted) -> bool:
    """Whether the interval is meant to hold this truth: not where return depends on the outcome."""
    return not (row.cell.informative and row.method.startswith("risk among all"))


def judged(rows: list[Counted]) -> list[Counted]:
    """The product's intervals that are judged by their coverage."""
    return [
        r
        for r in rows
        if r.method.endswith("(product)")
        and r.cell.study not in OWN_TABLES
        and told_apart(r)
        and "worst case" not in r.method
    ]


def summary(rows: list[Counted]) -> list[str]:
    """One line for each method of each study."""
    heads = ["study", "method", "cells", "replicates a cell", "coverage: lowest, median, highest (%)", "meets", "wide", "fails",
             "tail above 3.5 %", "mostly cannot say"]  # fmt: skip
    groups: dict[tuple[str, str], list[Counted]] = defaultdict(list)
    for row in rows:
        groups[KINDS[row.cell.study] + (", kept aside" if row.cell.kept_aside else ""), row.method].append(row)
    lines = []
    for (study, method), members in groups.items():
        said = [verdict(m) for m in members]
        answered = [m for m, s in zip(members, said, strict=True) if s != "mostly cannot say"]
        lines.append([
            study, method, str(len(members)), parts.replicates(members),
            parts.between([m.coverage for m in answered]) if answered else "–",
            str(said.count("meets")), str(said.count("a little wide") + said.count("wider than needed")),
            str(said.count("fails")), str(sum(parts.tail_fails(m) for m in answered)), str(said.count("mostly cannot say")),
        ])  # fmt: skip
    return parts.table(heads, lines)


def boundaries(rows: list[Counted]) -> list[str]:
    """Where the product's own intervals fall short."""
    failing = [r for r in judged(rows) if verdict(r) == "fails"]
    lines = ["## Boundaries: where the product's own intervals fall short", ""]
    if not failing:
        return [*lines, "No cell fails beyond Monte Carlo error.", ""]
    found = []
    for row in failing:
        low, high = limits(row.answered - row.below - row.above, row.answered)
        span = f"{percent(row.coverage)} ({percent(low)} to {percent(high)})"
        found.append([row.method, parts.aside_words(row.cell), f"{row.events:.0f}", span])
    heads = ["method", "cell", "events a replicate", "coverage (99 % Monte Carlo interval), %"]
    return [*lines, *parts.table(heads, found), ""]


def tails(rows: list[Counted]) -> list[str]:
    """Cells whose interval misses on one side too often."""
    lopsided = [r for r in judged(rows) if verdict(r) != "mostly cannot say" and parts.tail_fails(r)]
    lines = ["## Lopsided tails", ""]
    if not lopsided:
        return [*lines, f"No cell has a tail above {100 * WIDEST_TAIL:g} % beyond Monte Carlo error.", ""]
    found = [
        [r.method, parts.aside_words(r.cell), percent(r.below / r.answered), percent(r.above / r.answered)]
        for r in lopsided
    ]
    return [
        *lines,
        f"Cells in which one tail is above {100 * WIDEST_TAIL:g} % beyond Monte Carlo error: from such an interval no claim "
        "about one side alone should be made.",
        "",
        *parts.table(["method", "cell", "truth below the interval, %", "above, %"], found),
        "",
    ]


def informative(rows: list[Counted]) -> list[str]:
    """What happens when those with an event return more readily."""
    untold = [r for r in rows if not told_apart(r)]
    if not untold:
        return []
    bounds = [r for r in rows if r.cell.informative and "worst case" in r.method]
    held = f" They held it in {percent(min(r.coverage for r in bounds))} % at least." if bounds else ""
    return [
        "## When return depends on the outcome",
        "",
        "No weighting by what was recorded before treatment can mend that. The interval of the estimated risk then held the "
        f"truth in as few as {percent(min(r.coverage for r in untold))} % of replicates; the floor and the worst case are "
        f"printed beside it for that reason.{held}",
        "",
    ]


def figure_rows(rows: list[Counted]) -> list[tuple[str, list[Counted]]]:
    """Cells of the figure by kind of interval."""
    groups: dict[str, list[Counted]] = defaultdict(list)
    for row in judged(rows):
        groups[KINDS[row.cell.study]].append(row)
    return list(groups.items())


def short(rows: list[Counted]) -> dict[str, object]:
    """What the report quotes: how often each kind of interval held the truth, and how often nobody should be flagged and is."""
    kinds = [
        {
            "kind": words,
            "cells": len(answered),
            "lowest": round(min(c.coverage for c in answered), 4),
            "highest": round(max(c.coverage for c in answered), 4),
            "failing": sum(verdict(c) == "fails" for c in answered),
        }
        for words, answered in rows_drawn(figure_rows(rows))
    ]
    flagged = [
        r.below / r.answered
        for r in rows
        if r.cell.study == "null audit"
        and r.cell.odds_ratio == 1
        and "(product)" in r.method
        and r.method.endswith("95 %")
    ]
    return {"kinds": kinds, "null_audits_flagging_anybody": round(max(flagged), 4) if flagged else None}


def page(rows: list[Counted], clinics: list[dict[str, object]] | None = None) -> str:
    """The page as Markdown."""
    general = [
        r
        for r in rows
        if r.cell.study not in OWN_TABLES and told_apart(r) and (r.cell.study != "compared" or "(product)" in r.method)
    ]
    drawn = figure_rows(rows)
    picture = [f"![{TITLE}. {description(drawn)}]({FIGURE})", ""] if drawn else []
    lines = [
        "# How often the intervals are right",
        "",
        "Simulated records with a truth known exactly, put to the functions that the audit uses. Made by "
        "`python tests/honesty/study.py`, then `python tests/honesty/page.py`; nothing here is typed by hand.",
        "",
        "An interval of 95 % should hold the truth in 95 of 100 replicates. A cell is one choice of everything that is varied. It "
        f"*meets* that when the 99 % Monte Carlo interval of its coverage reaches {FLOOR} to {CEILING} (to {CEILING_SPARSE} below "
        f"{SPARSE_EVENTS} events); *wide* means that it lies above, *fails* that it lies below. A cell in which more than a "
        'fifth of the answers is "cannot say" is called that, and never covered.',
        "",
        f"Certification asks for {FULL_REPLICATES:,} replicates of a cell; the column says how many there are, and fewer can only "
        "find larger faults. Cells kept aside were looked at once, after the methods were chosen.",
        "",
        *picture,
        "Each mark is a cell, its place how often the interval held the truth; the shaded band is 94 to 96 %. Marks: ● meets, "
        "▲ wide, ✖ fails.",
        "",
        "## By method",
        "",
        *summary(general),
        "",
        *boundaries(rows),
        *tails(rows),
        *informative(rows),
        *parts.shares_tried(rows),
        *parts.odds_ratios_tried(rows),
        *parts.bounds(rows),
        *parts.null_audits(rows),
        *parts.null_settings(rows),
        *parts.flags(rows),
        *parts.standards(rows),
        *parts.charts(rows),
        *parts.whole_clinics(clinics or [], NUMBER),
    ]
    return "\n".join(lines).rstrip() + "\n"


def main() -> None:
    """Write the page and its figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(".honesty"))
    parser.add_argument("--out", type=Path, default=ROOT / "reports")
    parser.add_argument("--quoted", type=Path, default=ROOT / "outcomes" / "report" / "honesty.json")
    chosen = parser.parse_args()
    rows = collect(chosen.folder)
    (chosen.out / "honesty.md").write_text(page(rows, kept(chosen.folder)), encoding="utf-8")
    (chosen.out / FIGURE).write_text(draw_figure(figure_rows(rows)), encoding="utf-8")
    quoted = json.dumps(short(rows), ensure_ascii=False, indent=1)
    chosen.quoted.write_text(quoted + "\n", encoding="utf-8")
    print(f"honesty.md, {FIGURE} and {chosen.quoted.name} written")


if __name__ == "__main__":
    main()
