"""The study itself is checked: its draws are what they say, it finds a method that is wrong, and it can be resumed."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree

import numpy as np
import pytest
import study
from answers import RATE
from cells import Cell, draw, intercept
from counting import ROOT, Counted, collect, verdict
from figure import TITLE, description, draw_figure
from grid import cells
from page import KINDS, OWN_TABLES, figure_rows, page, short


@pytest.mark.parametrize("exposure", ["none", "zone", "patient", "continuous"])
def test_risk_odds_ratio_and_correlation_are_those_of_the_cell(exposure):
    cell = Cell("odds ratio", 40_000, 0.08, "1-12", 0.25, exposure, 0.3, 2.0)
    drawn = draw(cell, np.random.default_rng(3), intercept(cell))
    clusters = np.bincount(drawn.patient, weights=drawn.event - cell.risk)
    error = np.sqrt((clusters**2).sum()) / len(drawn.event)
    assert abs(drawn.event.mean() - cell.risk) < 4 * error
    if exposure in ("zone", "patient"):
        within = [drawn.event[(drawn.exposed == x) & (drawn.case_mix == 0)].mean() for x in (0, 1)]
        odds = [p / (1 - p) for p in within]
        assert odds[1] / odds[0] == pytest.approx(2.0, rel=0.15)
    if exposure == "none":  # all risks are equal: two zones of a patient correlate by alpha
        pairs = np.flatnonzero(drawn.patient[1:] == drawn.patient[:-1])
        found = np.corrcoef(drawn.event[pairs], drawn.event[pairs + 1])[0, 1]
        assert found == pytest.approx(0.25, abs=0.03)


def test_those_with_an_event_return_more_where_the_cell_says_so():
    cell = Cell("weighted", 20_000, 0.08, seen=0.4, informative=True)
    drawn = draw(cell, np.random.default_rng(4), intercept(cell))
    assert drawn.seen[~drawn.event].mean() == pytest.approx(0.4, abs=0.01)
    assert drawn.seen[drawn.event].mean() == pytest.approx(2 / 3, abs=0.03)


def test_every_cell_has_a_name_and_a_seed_of_its_own():
    named = [cell.name for cell in cells()]
    assert len(named) == len(set(named)) > 250
    assert len({tuple(cell.seed(0)) for cell in cells()}) == len(named)


def test_zones_taken_as_independent_are_found_out_and_the_products_interval_holds(monkeypatch):
    """A negative control: with up to twelve zones alike, an interval that ignores it misses far too often."""
    monkeypatch.setitem(study.BLOCK, "rate", 400)
    cell = Cell("rate", 300, 0.08, "1-12", 0.25)
    tally = study.run_block(cell, 0)
    coverage = {method: 1 - (t["truth below"] + t["truth above"]) / t["answered"] for method, t in tally.items()}
    assert coverage["Wilson, zones as if independent"] < 0.9
    # 400 replicates: a standard error of 1.1 points
    assert coverage[RATE] > 0.95 - 4 * 0.011


def test_a_block_is_the_same_each_time_and_is_not_run_again(tmp_path, monkeypatch):
    monkeypatch.setitem(study.BLOCK, "rate", 20)
    cell = next(c for c in cells() if c.study == "rate")
    assert study.run_block(cell, 1) == study.run_block(cell, 1)
    study._task((cell, 0, tmp_path))
    assert study.done(cell, tmp_path) == {0}
    left = study.tasks(tmp_path, {"rate"}, aside=False, most=40)
    assert sum(c == cell for c, _, _ in left) == 1
    kept = json.loads((tmp_path / f"{cell.name}.jsonl").read_text(encoding="utf-8"))
    assert kept["tally"] == study.run_block(cell, 0)
    assert f"| {KINDS['rate']} | {RATE} | 1 | 20 |" in page(collect(tmp_path))


@pytest.mark.parametrize(
    ("below", "above", "answered", "expected"),
    [(100, 100, 4000, "meets"), (150, 150, 4000, "fails"), (20, 20, 4000, "wider than needed"), (60, 60, 4000, "a little wide"),
     (5, 5, 1000, "mostly cannot say")],
)  # fmt: skip
def test_a_cell_is_judged_by_its_monte_carlo_interval(below, above, answered, expected):
    counted = Counted(Cell("rate", 600), "x (product)", 4000, answered, below, above, 50.0, 0.1, 0.0)
    assert verdict(counted) == expected


def test_flags_are_judged_by_their_upper_limit():
    method = "a comparison that flags anybody (product)"
    assert verdict(Counted(Cell("flags", 600), method, 2000, 2000, 60, 0, 50.0, 0.1, 0.0)) == "meets"
    assert verdict(Counted(Cell("flags", 600), method, 2000, 2000, 160, 0, 50.0, 0.1, 0.0)) == "fails"
    assert verdict(Counted(Cell("flags", 600), method, 200, 200, 10, 0, 50.0, 0.1, 0.0)) == "undecided"


def _counted(study: str, below: int, above: int, method: str = "x (product)", risk: float = 0.03) -> Counted:
    return Counted(Cell(study, 600, risk), method, 4000, 4000, below, above, 50.0, 0.1, 0.0)


def test_every_study_has_words_or_a_table_of_its_own():
    assert {cell.study for cell in cells()} <= {*KINDS, *OWN_TABLES}


def test_what_fails_is_printed_among_the_boundaries_and_drawn_as_such():
    rows = [_counted("rate", 90, 90), _counted("compared", 200, 120, risk=0.01)]
    text = page(rows)
    boundaries = text.partition("## Boundaries")[2].partition("##")[0]
    assert "92.0 (90.8 to 93.0)" in boundaries  # 3,680 of 4,000; R 4.2: binom::binom.wilson(3680, 4000, 0.99)
    assert "risk 1 %" in boundaries
    assert "risk 3 %" not in boundaries
    assert "| 5.0 | 3.0 |" in text.partition("## Lopsided tails")[2]
    told = description(figure_rows(rows))
    assert "odds ratio, yes or no: 1 cells, held in 92.0 to 92.0 %, 1 below 94 %" in told
    assert "risk of a zone: 1 cells, held in 95.5 to 95.5 %, none below 94 %" in told


def test_the_figure_says_in_words_what_it_shows_and_is_the_same_each_time():
    rows = figure_rows([_counted("rate", 90, 90), _counted("rate", 20, 20), _counted("change", 200, 120)])
    drawn = draw_figure(rows)
    assert drawn == draw_figure(rows)
    root = ElementTree.fromstring(drawn)
    assert root.get("role") == "img"
    assert [root.find(f"{{http://www.w3.org/2000/svg}}{tag}").text for tag in ("title", "desc")] == [
        TITLE,
        description(rows),
    ]


def test_null_audits_are_judged_by_who_flags_anybody():
    rule = "Holm over the audit (product)"
    alike = [
        Counted(
            Cell("null audit", 1200, risk),
            f"{rule}: an audit that flags anybody, 95 %",
            2000,
            2000,
            wrong,
            0,
            99.0,
            0,
            0,
        )
        for risk, wrong in ((0.03, 80), (0.08, 170))
    ]
    one = Counted(
        Cell("null audit", 1200, 0.03, odds_ratio=2.0), f"{rule}: the one with other odds flagged anywhere, 95 %",
        2000, 2000, 900, 0, 99.0, 0, 0,
    )  # fmt: skip
    assert f"| {rule} | 95 % | 4.0, 8.5, 8.5 | 1 | 45.0, 45.0, 45.0 | – |" in page([*alike, one])


def test_the_published_page_and_what_the_report_quotes_agree():
    """Of each kind: cells, and lowest and highest coverage, from the table of the page."""
    text = (ROOT / "reports" / "honesty.md").read_text(encoding="utf-8")
    quoted = json.loads((ROOT / "outcomes" / "report" / "honesty.json").read_text(encoding="utf-8"))
    table = text.partition("## By method")[2].partition("##")[0]
    for kind in quoted["kinds"]:
        rows = [
            line.split(" | ")
            for line in table.splitlines()
            if re.match(rf"\| {re.escape(kind['kind'])}(, kept aside)? \|", line)
        ]
        spans = [
            row[4].split(", ") for row in rows if "(product)" in row[1] and "worst case" not in row[1] and row[4] != "–"
        ]
        assert f"{100 * kind['lowest']:.1f}" == min((s[0] for s in spans), key=float)
        assert f"{100 * kind['highest']:.1f}" == max((s[-1] for s in spans), key=float)
    assert {kind["kind"] for kind in quoted["kinds"]} <= set(KINDS.values())


def test_what_the_report_quotes_is_made_from_the_cells():
    rows = [_counted("rate", 90, 90), _counted("rate", 30, 30, risk=0.01), _counted("change", 200, 120)]
    assert short(rows)["kinds"] == [
        {"kind": "risk of a zone", "cells": 2, "lowest": 0.955, "highest": 0.985, "failing": 0},
        {"kind": "change of a share", "cells": 1, "lowest": 0.92, "highest": 0.92, "failing": 1},
    ]
