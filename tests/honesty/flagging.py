"""Who is flagged, a batch of comparisons at a time: by the product's rule, and by the others that were tried."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from batches import Floats, Tables, at_value
from cells import Cell, zone_counts
from scipy import stats

from outcomes.estimates.multiplicity import holm

BLOCK = 100
LEVELS = (("95 %", 0.05), ("99.8 %", 0.002))
LIFTED = 1  # this practitioner's odds are the cell's; the busiest is number 0
MATRIX = np.array([[1.0, 0.0], [1.0, 1.0]])
RULE = "scaled profile, Holm (product)"

Tally = dict[str, dict[str, float]]


def drawn(cell: Cell, rng: np.random.Generator, replicates: int) -> tuple[Floats, Floats, np.ndarray]:
    """Events and zones of each patient, and who treated them, each (R, P)."""
    shape = (replicates, cell.patients)
    zones = zone_counts(cell, rng, shape)
    rest = (1 - cell.largest) / (cell.practitioners - 1)
    shares = [cell.largest or rest, *[rest] * (cell.practitioners - 1)]
    who = rng.choice(cell.practitioners, size=shape, p=np.array(shares) / sum(shares))
    odds = cell.risk / (1 - cell.risk) * np.where(who == LIFTED, cell.odds_ratio, 1.0)
    risk = odds / (1 + odds)
    together = rng.binomial(zones, np.sqrt(cell.alpha))
    events = np.where(rng.random(shape) < risk, together, 0) + rng.binomial(zones - together, risk)
    return events.astype(float), zones.astype(float), who


def block(cell: Cell, rng: np.random.Generator) -> Tally:
    """One block of comparisons of all practitioners, flags counted by rule."""
    events, zones, who = drawn(cell, rng, BLOCK)
    tally: Tally = defaultdict(lambda: defaultdict(float))
    for method, p in p_values(cell, events, zones, who).items():
        adjusted = p if "unadjusted" in method else np.array([holm(list(row)) for row in p], dtype=float)
        for words, level in LEVELS:
            flagged = adjusted < level
            alike = np.ones(cell.practitioners, dtype=bool)
            if cell.odds_ratio != 1:
                alike[LIFTED] = False
                _add(tally[f"{method}: the one with other odds flagged, {words}"], flagged[:, ~alike], events)
            _add(tally[f"{method}: a practitioner flagged, {words}"], flagged[:, alike], events)
            _add(tally[f"{method}: a comparison that flags anybody alike, {words}"], flagged[:, alike].any(1), events)
    return {method: dict(counted) for method, counted in tally.items()}


def _add(counted: dict[str, float], flagged: np.ndarray, events: Floats) -> None:
    counted["asked"] += flagged.size
    counted["answered"] += flagged.size
    counted["truth below"] += float(flagged.sum())
    counted["truth above"] += 0.0
    counted["events"] += float(events.sum()) * flagged.size / len(events)


def p_values(cell: Cell, events: Floats, zones: Floats, who: np.ndarray) -> dict[str, Floats]:
    """Two-sided p of each practitioner against the rest, (R, practitioners), by rule; nan where none can be given."""
    found: dict[str, list[Floats]] = defaultdict(list)
    inflation = _design_effect(events, zones)
    total, size = events.sum(axis=1), zones.sum(axis=1)
    for number in range(cell.practitioners):
        mine = who == number
        tables = Tables(
            np.stack([events * ~mine, events * mine], axis=2), np.stack([zones * ~mine, zones * mine], axis=2),
            np.broadcast_to(np.arange(2), (*events.shape, 2)), MATRIX,
        )  # fmt: skip
        said = at_value(tables, 0.0)
        refused = said.refused
        own, count = (events * mine).sum(axis=1), (zones * mine).sum(axis=1)
        found[RULE].append(np.where(refused, np.nan, stats.chi2.sf(said.deviance / said.divisor, 1)))
        found["plain profile, Holm"].append(np.where(refused, np.nan, stats.chi2.sf(said.deviance, 1)))
        above = stats.hypergeom.sf(own, size, total, count)
        same = stats.hypergeom.pmf(own, size, total, count)
        upper = np.clip(above + same / 2, 1e-300, 1 - 1e-16)
        z = stats.norm.isf(upper) / np.sqrt(inflation)
        found["conditional mid-P over the design effect, Holm"].append(2 * stats.norm.sf(np.abs(z)))
        rest = (total - own) / (size - count)
        exact = 2 * np.minimum(stats.binom.cdf(own, count, rest), stats.binom.sf(own - 1, count, rest))
        found["exact binomial around the others' rate, unadjusted"].append(np.minimum(exact, 1.0))
    return {method: np.stack(columns, axis=1) for method, columns in found.items()}


def _design_effect(events: Floats, zones: Floats) -> Floats:
    """As `outcomes.estimates.proportion.design_effect`, (R,)."""
    total, patients = zones.sum(axis=1), zones.shape[1]
    share = events.sum(axis=1) / total
    moved = ((events - zones * share[:, None]) ** 2).sum(axis=1) / total**2 * patients / (patients - 1)
    return np.maximum(1.0, moved / (share * (1 - share) / total))
