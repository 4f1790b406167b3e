"""The cells that are run: which values of what is varied meet which."""

from __future__ import annotations

import itertools

import audits
import kinds
from cells import Cell


def cells() -> tuple[Cell, ...]:
    """Every cell, those kept aside last."""
    sizes, risks = (100, 300, 600, 1500), (0.005, 0.01, 0.02, 0.03, 0.08)
    found = [
        Cell("rate", patients, risk, zones, alpha)
        for patients, risk, zones, alpha in itertools.product(sizes, risks, ("2-3", "1-12"), (0.0, 0.08, 0.25))
    ]
    found += [
        Cell("weighted", patients, risk, seen=seen, informative=informative)
        for patients, risk, seen, informative in itertools.product(
            (300, 600, 1500), (0.01, 0.03, 0.08), (0.95, 0.7, 0.4), (False, True)
        )
    ]
    found += [
        Cell("healing", patients, alpha=alpha) for patients, alpha in itertools.product((100, 300, 600), (0.0, 0.4))
    ]
    found += [*_compared(), *_flagging()]
    found += [
        Cell("shares", patients, risk, zones, alpha)
        for (patients, risk), (zones, alpha) in itertools.product(
            [*itertools.product(sizes, risks), *itertools.product((50, 100, 300), (0.3, 0.5, 0.9, 0.95, 0.98))],
            itertools.product(("2-3", "1-12"), (0.0, 0.08, 0.25, 0.5)),
        )
    ]
    found += [
        Cell("standard", patients, risk, zones, alpha)
        for patients, risk, (zones, alpha) in itertools.product(
            (60, 150, 400), (0.02, 0.05, 0.2, 0.75, 0.9, 0.95), (("2-3", 0.0), ("2-3", 0.25), ("1-12", 0.25))
        )
    ]
    found += [
        Cell("chart", 1, risk, odds_ratio=ratio) for risk, ratio in itertools.product((0.01, 0.03, 0.08), (2.0, 0.5))
    ]
    found += [*audits.CELLS, *kinds.CELLS]
    aside = [
        Cell("rate", 450, 0.015, "1-12", 0.15, kept_aside=True),
        Cell("rate", 900, 0.05, "2-3", 0.15, kept_aside=True),
        Cell("rate", 200, 0.04, "1-12", 0.25, kept_aside=True),
        Cell("exposures", 900, 0.025, "1-12", 0.25, "continuous", 0.5, 0.67, kept_aside=True),
        Cell("compared", 450, 0.04, "1-12", 0.15, "zone", 0.2, 1.5, kept_aside=True),
        Cell("compared", 900, 0.025, "2-3", 0.15, "patient", 0.2, 1.5, kept_aside=True),
        Cell("compared", 900, 0.015, "1-12", 0.25, "patient", 0.3, 3.0, kept_aside=True),
        Cell("weighted", 900, 0.05, seen=0.55, kept_aside=True),
        Cell("standard", 100, 0.8, "1-12", 0.15, kept_aside=True),
        Cell("standard", 250, 0.03, "1-12", 0.25, kept_aside=True),
        Cell("flagging", 900, 0.05, alpha=0.15, practitioners=5, largest=0.4, kept_aside=True),
    ]
    return (*found, *aside)


_SIZES = ((100, 0.08), (300, 0.03), (600, 0.02), (600, 0.08), (1500, 0.01), (1500, 0.03))
_LIKENESS = (("2-3", 0.0), ("2-3", 0.08), ("1-12", 0.25))
_EXPOSURES = (("zone", 0.3), ("patient", 0.3), ("zone", 0.1))


def _compared() -> list[Cell]:
    """Cells in which every way to an odds ratio's interval is compared: all of four sizes of effect."""
    return [
        Cell("compared", patients, risk, zones, alpha, exposure, prevalence, ratio)
        for (patients, risk), (zones, alpha), (exposure, prevalence), ratio in itertools.product(
            _SIZES, _LIKENESS, _EXPOSURES, (0.5, 1.0, 2.0, 4.0)
        )
    ]


def slower_methods_too(cell: Cell) -> bool:
    """Whether the bootstraps and the like are run in a cell: 24 that span the design, chosen by their place."""
    chosen = [c for c in _compared() if c.odds_ratio <= 2][::7]
    return cell in chosen[:24]


def _flagging() -> list[Cell]:
    """Practitioners who are all alike, or one with other odds."""
    return [
        Cell("flagging", 1200, risk, alpha=alpha, odds_ratio=ratio, practitioners=number, largest=largest)
        for risk, alpha, number, largest, ratio in itertools.product(
            (0.03, 0.08), (0.0, 0.25), (3, 6, 12), (0.0, 0.55), (1.0, 2.0, 4.0)
        )
    ]
