"""A standard exactly at its threshold, and the control chart with nothing changed: how often are their words wrong?"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from batches import Floats
from cells import Cell, zone_counts

from outcomes.estimates.charts import cusum_scores
from outcomes.estimates.proportion import clustered_proportion
from outcomes.estimates.run_lengths import limit_for_run_length, run_length, run_length_quantiles
from outcomes.protocol import Criterion
from outcomes.questions.criteria_judge import verdict_by_interval

STANDARD_BLOCK = 500
CHART_BLOCK = 500
CASES_BETWEEN = 1_000
QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9)

Tally = dict[str, dict[str, float]]


def standard(cell: Cell, rng: np.random.Generator) -> Tally:
    """Verdicts where the truth is the target: each of met and not met should come in 2.5 of 100 at most."""
    direction = "at most" if cell.risk < 0.5 else "at least"
    criterion = Criterion("standard", "A standard", "yes", cell.risk, direction, "interval")
    counted: dict[str, float] = defaultdict(float)
    patient = np.arange(cell.patients)
    for _ in range(STANDARD_BLOCK):
        zones = zone_counts(cell, rng, cell.patients)
        together = rng.binomial(zones, np.sqrt(cell.alpha))
        shared = rng.random(cell.patients) < cell.risk
        events = np.where(shared, together, 0) + rng.binomial(zones - together, cell.risk)
        answer = clustered_proportion(events, patient, trials=zones)
        said = verdict_by_interval(criterion, answer)
        counted["asked"] += 1
        counted["answered"] += said != "cannot say"
        counted["refused"] += said == "cannot say"
        counted["events"] += float(min(events.sum(), (zones - events).sum()))
        counted["truth below"] += said == ("not met" if direction == "at most" else "met")
        counted["truth above"] += said == ("met" if direction == "at most" else "not met")
    return {"verdict where the truth is the target (product)": dict(counted)}


def chart(cell: Cell, rng: np.random.Generator) -> Tally:
    """Cases until the chart signals, its limit set for one false signal in 1,000 cases, beside what it states."""
    risks = case_risks(cell)
    asked = cell.odds_ratio
    limit = limit_for_run_length(risks, CASES_BETWEEN, odds_ratio=asked)
    found = {}
    for words, true in (("nothing changed", 1.0), ("odds as the chart asks for", asked)):
        lengths = simulated_lengths(risks, asked, limit, true, rng)
        stated = run_length_quantiles(risks, odds_ratio=asked, limit=limit, true_odds_ratio=true, shares=QUANTILES)
        found[f"control chart, {words} (product)"] = {
            "asked": float(len(lengths)),
            "answered": float(len(lengths)),
            "cases": float(lengths.sum()),
            "squares": float((lengths**2).sum()),
            "stated": run_length(risks, odds_ratio=asked, limit=limit, true_odds_ratio=true),
            **{f"quantile {q}": float(np.quantile(lengths, q)) for q in QUANTILES},
            **{f"stated {q}": float(v) for q, v in zip(QUANTILES, stated, strict=True)},
            **{f"by stated {q}": float((lengths <= v).sum()) for q, v in zip(QUANTILES, stated, strict=True)},
        }
    return found


def case_risks(cell: Cell) -> Floats:
    """Risks of the cases to come: eight kinds of case, log odds a normal's quantiles with deviation 0.7."""
    from statistics import NormalDist

    spread = np.array([NormalDist().inv_cdf((i + 0.5) / 8) for i in range(8)]) * 0.7
    low, high = -15.0, 15.0
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if np.mean(1 / (1 + np.exp(-middle - spread))) < cell.risk else (low, middle)
    return np.asarray(1 / (1 + np.exp(-low - spread)))


def simulated_lengths(
    risks: Floats, asked: float, limit: float, true: float, rng: np.random.Generator, most: int = 200_000
) -> Floats:
    """Cases until the first signal of many charts run beside each other."""
    with_event, without = cusum_scores(risks, asked)
    odds = risks / (1 - risks) * true
    chance = odds / (1 + odds)
    at, length = np.zeros(CHART_BLOCK), np.zeros(CHART_BLOCK)
    running = np.arange(CHART_BLOCK)
    for case in range(1, most):
        kind = rng.integers(0, len(risks), len(running))
        event = rng.random(len(running)) < chance[kind]
        at[running] = np.maximum(0.0, at[running] + np.where(event, with_event[kind], without[kind]))
        over = at[running] >= limit
        length[running[over]] = case
        running = running[~over]
        if not len(running):
            return length
    raise RuntimeError("a chart ran on past every bound")
