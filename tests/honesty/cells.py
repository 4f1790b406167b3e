"""A cell of the study: what can be varied, and how one replicate is drawn. Truth is exact by construction.

Zones of one patient are made alike by a shared chance: each zone takes its patient's uniform number with
probability root(alpha) and one of its own otherwise, and has the event when that number lies below its risk. Risks are
then exactly as written, and two zones of equal risk correlate by alpha.
"""

from __future__ import annotations

import zlib
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

CASE_MIX_ODDS_RATIO = 2.0
CASE_MIX_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Cell:
    """One setting of everything that is varied.

    Attributes
    ----------
    study : str
        What is asked: a name of `study.BLOCK`.
    patients : int
    risk : float
        Mean risk of a zone; for healing unused.
    zones : str
        ``2-3`` or ``1-12`` a patient.
    alpha : float
        Correlation of two zones of one patient.
    exposure : str
        What the exposure varies by: ``zone``, ``patient``, ``continuous`` (by zone), or ``none``.
    prevalence : float
        Share exposed.
    odds_ratio : float
        Of the exposure (of one standard deviation, when continuous).
    seen : float
        Share of zones seen late.
    informative : bool
        Whether those with an event are seen three times as often, in odds.
    practitioners : int
    largest : float
        Share of the patients that the busiest practitioner has; 0 for equal shares.
    kept_aside : bool
        Not looked at while methods are being changed.
    """

    study: str
    patients: int
    risk: float = 0.03
    zones: str = "2-3"
    alpha: float = 0.08
    exposure: str = "none"
    prevalence: float = 0.3
    odds_ratio: float = 1.0
    seen: float = 1.0
    informative: bool = False
    practitioners: int = 1
    largest: float = 0.0
    kept_aside: bool = False

    @property
    def name(self) -> str:
        """All of it in one word, fit for a file name."""
        said = asdict(self)
        return "_".join(f"{key[:5]}-{said[key]}" for key in said).replace(" ", "-")

    def seed(self, block: int) -> list[int]:
        """Seed of one block of replicates: its own for each cell and block."""
        return [zlib.crc32(self.name.encode()), block]


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One replicate: n zones."""

    patient: NDArray[np.int64]
    exposed: NDArray[np.float64]
    case_mix: NDArray[np.float64]
    event: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    practitioner: NDArray[np.int64]


def zone_counts(cell: Cell, rng: np.random.Generator, shape: int | tuple[int, ...]) -> NDArray[np.int64]:
    """Zones of each patient."""
    if cell.zones == "2-3":
        return rng.integers(2, 4, shape)
    shares = 1.0 / np.arange(1, 13)
    return rng.choice(np.arange(1, 13), size=shape, p=shares / shares.sum())


def _expit(value: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1.0 / (1.0 + np.exp(-value))


def intercept(cell: Cell) -> float:
    """The intercept at which the mean risk over exposure and case-mix is the cell's; by bisection."""
    slope, shift = np.log(cell.odds_ratio), np.log(CASE_MIX_ODDS_RATIO)
    mix = ((0.0, 1 - CASE_MIX_SHARE), (1.0, CASE_MIX_SHARE))
    if cell.exposure == "continuous":
        nodes, weights = np.polynomial.hermite_e.hermegauss(41)
        levels = list(zip(nodes, weights / weights.sum(), strict=True))
    elif cell.exposure == "none":
        levels, mix = [(0.0, 1.0)], ((0.0, 1.0),)
    else:
        levels = [(0.0, 1 - cell.prevalence), (1.0, cell.prevalence)]
    low, high = -20.0, 20.0
    for _ in range(200):
        middle = (low + high) / 2
        mean = sum(w * v / (1 + np.exp(-(middle + slope * x + shift * z))) for x, w in levels for z, v in mix)
        low, high = (middle, high) if mean < cell.risk else (low, middle)
    return (low + high) / 2


def draw(cell: Cell, rng: np.random.Generator, at: float) -> Drawn:
    """Draw one replicate with the intercept that `intercept` gives."""
    counts = zone_counts(cell, rng, cell.patients)
    patient = np.repeat(np.arange(cell.patients), counts)
    n = len(patient)
    mixed = cell.exposure != "none"
    case_mix = (rng.random(cell.patients) < CASE_MIX_SHARE).astype(float)[patient] if mixed else np.zeros(n)
    if cell.exposure == "zone":
        exposed = (rng.random(n) < cell.prevalence).astype(float)
    elif cell.exposure == "patient":
        exposed = (rng.random(cell.patients) < cell.prevalence).astype(float)[patient]
    elif cell.exposure == "continuous":
        exposed = rng.standard_normal(n)
    else:
        exposed = np.zeros(n)
    risk = _expit(at + np.log(cell.odds_ratio) * exposed + np.log(CASE_MIX_ODDS_RATIO) * case_mix)
    shared = rng.random(n) < np.sqrt(cell.alpha)
    chance = np.where(shared, rng.random(cell.patients)[patient], rng.random(n))
    event = chance < risk
    odds = cell.seen / (1 - cell.seen) if cell.seen < 1 else np.inf
    if cell.seen >= 1:
        seen = np.ones(n, dtype=bool)
    else:
        lifted = np.where(event, 3 * odds, odds) if cell.informative else np.full(n, odds)
        seen = rng.random(n) < lifted / (1 + lifted)
    if cell.largest:
        rest = (1 - cell.largest) / (cell.practitioners - 1)
        shares = np.array([cell.largest] + [rest] * (cell.practitioners - 1))
    else:
        shares = np.full(cell.practitioners, 1 / cell.practitioners)
    practitioner = rng.choice(cell.practitioners, size=cell.patients, p=shares)[patient]
    return Drawn(patient, exposed, case_mix, event, seen, practitioner)
