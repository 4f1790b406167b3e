"""The study itself is checked: its draws are what they say, it finds a method that is wrong, and it can be resumed."""

from __future__ import annotations

import json

import numpy as np
import pytest
import study
from answers import RATE
from cells import Cell, cells, draw, intercept
from page import Counted, collect, page, verdict


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
    assert "| rate |" in page(collect(tmp_path))


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
