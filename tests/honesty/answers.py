"""What the product answers on one replicate, and what each answer ought to hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from cells import CASE_MIX_SHARE, Cell, Drawn
from numpy.typing import NDArray
from scipy.special import ndtr

from outcomes.estimates.accelerated import accelerated_failure_time, adjusted_median
from outcomes.estimates.ascertainment import risk_among_all
from outcomes.estimates.design import Numeric, build
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.interval_censored import interval_curve
from outcomes.estimates.proportion import clustered_proportion, proportion

Said = tuple[str, Answer, float]
"""Method, what was answered, and the truth."""

RATE = "Korn–Graubard, cautious far limit (product)"
VISITS = np.array([2.0, 5.0, 7.0, 10.0, 14.0, 21.0, 30.0])
HEALING_SCALE = 0.22
HEALING_MEDIAN = 7.0
HEALING_RATIO = 1.2


def rate(cell: Cell, drawn: Drawn) -> Iterator[Said]:
    """The risk of all zones: the product's interval, the published one, and one that takes zones as independent."""
    yield RATE, clustered_proportion(drawn.event, drawn.patient), cell.risk
    plain = clustered_proportion(drawn.event, drawn.patient, alike_patients=0)
    yield "Korn–Graubard as published", plain, cell.risk
    yield "Wilson, zones as if independent", proportion(int(drawn.event.sum()), len(drawn.event)), cell.risk


def weighted(cell: Cell, drawn: Drawn) -> Iterator[Said]:
    """The risk among all treated from those seen; floor and worst case must hold the truth whoever returns."""
    ones = np.ones((len(drawn.event), 1))
    nobody = np.zeros(len(drawn.event), dtype=bool)
    found = risk_among_all(nobody, drawn.seen, drawn.event & drawn.seen, ones, drawn.patient.astype(str))
    yield "risk among all treated (product)", found.risk, cell.risk
    if isinstance(found.floor, Estimate) and isinstance(found.worst_case, Estimate):
        low = found.floor.low if found.floor.low is not None else 0.0
        high = found.worst_case.high if found.worst_case.high is not None else 1.0
        bounds = Estimate("bounds", (low + high) / 2, low, high, "floor and worst case", len(drawn.event))
        yield "from the floor to the worst case (product)", bounds, cell.risk


@dataclass(frozen=True, slots=True, eq=False)
class Healing:
    """Zones that were seen at a visit: between which days each healed, its patient, and whether it was of the slower kind."""

    after: NDArray[np.float64]
    by: NDArray[np.float64]
    patient: NDArray[np.str_]
    longer: NDArray[np.float64]


def drawn_healing(cell: Cell, patient: NDArray[np.int64], rng: np.random.Generator) -> Healing:
    """Healing times that two zones of a patient share in part, by way of a normal value, and visits that may be missed."""
    n = len(patient)
    longer = (rng.random(n) < CASE_MIX_SHARE).astype(float)
    normal = np.sqrt(cell.alpha) * rng.standard_normal(cell.patients)[patient]
    share = ndtr(normal + np.sqrt(1 - cell.alpha) * rng.standard_normal(n))
    days = HEALING_MEDIAN * HEALING_RATIO**longer * (share / (1 - share)) ** HEALING_SCALE
    came = rng.random((n, len(VISITS))) < 0.8
    healed = days[:, None] <= VISITS[None, :]
    after = np.max(np.where(came & ~healed, VISITS[None, :], 0.0), axis=1)
    by = np.min(np.where(came & healed, VISITS[None, :], np.inf), axis=1)
    known = came.any(axis=1)
    by = np.where(np.isinf(by), np.nan, by)[known]
    return Healing(after[known], by, patient[known].astype(str), longer[known])


def not_healed(day: float) -> float:
    """Share of all zones, the slower kind among them, that have truly not healed by a day."""
    left = [1 / (1 + (day / (HEALING_MEDIAN * HEALING_RATIO**x)) ** (1 / HEALING_SCALE)) for x in (0, 1)]
    return (1 - CASE_MIX_SHARE) * left[0] + CASE_MIX_SHARE * left[1]


def healing(cell: Cell, drawn: Drawn, rng: np.random.Generator) -> Iterator[Said]:
    """Time ratio and adjusted median of the healing model, and the band of the share not yet healed on two days."""
    seen = drawn_healing(cell, drawn.patient, rng)
    after, by, patient, longer = seen.after, seen.by, seen.patient, seen.longer
    frame = pd.DataFrame({"longer": longer})
    design = build(frame, [Numeric("longer", label="longer")])
    fit = accelerated_failure_time(design, after, by, cluster=patient)
    if isinstance(fit, NotEstimable):
        yield "time ratio (product)", fit, HEALING_RATIO
    else:
        yield "time ratio (product)", fit.term("longer"), HEALING_RATIO
        usual = design.evaluate(frame.assign(longer=0.0))
        yield "adjusted median days (product)", adjusted_median(fit, [usual], ["median"])[0], HEALING_MEDIAN
    curve = interval_curve(after, by, patient, [7.0, 14.0], replicates=200, seed=1)
    for i, day in enumerate((7.0, 14.0)):
        yield f"share not healed by day {day:.0f}, band (product)", curve.share_at(i), not_healed(day)


def answers(cell: Cell, drawn: Drawn, rng: np.random.Generator) -> Iterator[Said]:
    """Everything that is asked of one replicate of a cell."""
    if cell.study == "rate":
        return rate(cell, drawn)
    if cell.study == "weighted":
        return weighted(cell, drawn)
    return healing(cell, drawn, rng)
