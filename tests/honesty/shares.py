"""Every way to an interval of a clustered share that was tried, thousands of replicates at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from batches import Floats
from cells import Cell, zone_counts
from scipy import special, stats

BLOCK = 1_000
MOST = 13  # a patient has 1 to 12 zones
TAIL = 0.025

K = np.repeat(np.arange(MOST), MOST).astype(float)
M = np.tile(np.arange(MOST), MOST).astype(float)

Limits = tuple[Floats, Floats]
Tally = dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """What R replicates of a share need to be known by, each (R,).

    Attributes
    ----------
    table : ndarray of shape (R, 169)
        Patients with k events in m zones.
    patients, n, share, squares, fourth, alike, rarer : ndarray
        Patients, zones, share, sums of squared and of fourth powers of the patients' residuals, design effect if all zones
        of a patient were alike, patients with the rarer result.
    """

    table: Floats
    patients: Floats
    n: Floats
    share: Floats
    squares: Floats
    fourth: Floats
    alike: Floats
    rarer: Floats

    @classmethod
    def of(cls, table: Floats) -> Shares:
        """From tables of patients."""
        t, n = table.astype(float), table @ M
        share = (table @ K) / n
        powers = [t @ (K ** (j - i) * M**i) for j in (2, 4) for i in range(j + 1)]
        squares = powers[0] - 2 * share * powers[1] + share**2 * powers[2]
        fourth = sum(c * (-share) ** i * powers[3 + i] for i, c in enumerate((1, 4, 6, 4, 1)))
        rarer = np.minimum(t @ (K > 0), t @ (M > K))
        return cls(t, t.sum(axis=1), n, share, squares, np.asarray(fourth), powers[2] / n, rarer)

    @property
    def variance(self) -> Floats:
        """Linearised variance by patient."""
        return self.patients / (self.patients - 1) * self.squares / self.n**2

    @property
    def effect(self) -> Floats:
        """Design effect."""
        return np.asarray(self.variance / np.maximum(self.share * (1 - self.share) / self.n, 1e-300))


def drawn(cell: Cell, rng: np.random.Generator, replicates: int) -> Shares:
    """Replicates of a cell, in the way of `cells.draw`."""
    rows = []
    for _ in range(replicates):
        zones = zone_counts(cell, rng, cell.patients)
        together = rng.binomial(zones, np.sqrt(cell.alpha))
        shared = rng.random(cell.patients) < cell.risk
        events = np.where(shared, together, 0) + rng.binomial(zones - together, cell.risk)
        rows.append(np.bincount(events * MOST + zones, minlength=MOST * MOST))
    return Shares.of(np.array(rows, dtype=float))


def block(cell: Cell, rng: np.random.Generator) -> Tally:
    """One block of replicates, counted by method."""
    shares = drawn(cell, rng, BLOCK)
    tally = {}
    for name, method in METHODS.items():
        low, high = at_the_ends(shares, method(shares))
        tally[name] = {
            "asked": float(BLOCK),
            "answered": float(BLOCK),
            "events": float((shares.n * np.minimum(shares.share, 1 - shares.share)).sum()),
            "truth below": float((cell.risk < low).sum()),
            "truth above": float((cell.risk > high).sum()),
            "width": float((high - low).sum()),
            "widths": float(BLOCK),
        }
    return tally


def at_the_ends(s: Shares, limits: Limits) -> Limits:
    """With no event or nothing but events each patient counts once, whatever the method."""
    bound = 1 - TAIL ** (1 / s.patients)
    low = np.where(s.share == 0, 0.0, np.where(s.share == 1, 1 - bound, limits[0]))
    return low, np.where(s.share == 1, 1.0, np.where(s.share == 0, bound, limits[1]))


def exact(s: Shares, effect: Floats, degrees: Floats | None = None) -> Limits:
    """Exact limits on the effective number that a design effect and its degrees of freedom leave."""
    shrink = (stats.t.isf(TAIL, s.n - 1) / stats.t.isf(TAIL, s.patients - 1 if degrees is None else degrees)) ** 2
    size = np.minimum(s.n, s.n / np.maximum(effect, 1e-12) * shrink)
    x = s.share * size
    low = special.betaincinv(np.maximum(x, 1e-9), size - x + 1, TAIL)
    return low, special.betaincinv(x + 1, np.maximum(size - x, 1e-9), 1 - TAIL)


def cautious(s: Shares, patients: float, likeness: float = 1.0) -> Floats:
    """Design effect as if so many more patients had zones so much alike."""
    largest = 1 + likeness * (s.alike - 1)
    return np.maximum(s.effect, (s.rarer * np.maximum(s.effect, 1.0) + patients * largest) / (s.rarer + patients))


def far(s: Shares, patients: float, likeness: float = 1.0) -> Limits:
    """Cautious on the far side of the estimate only."""
    near, wide = exact(s, s.effect), exact(s, cautious(s, patients, likeness))
    return np.where(s.share >= 0.5, wide[0], near[0]), np.where(s.share <= 0.5, wide[1], near[1])


def satterthwaite(s: Shares) -> Floats:
    """Degrees of freedom of the variance from the spread of the patients' squared residuals."""
    spread = s.fourth - s.squares**2 / s.patients
    return np.clip(2 * s.squares**2 / np.maximum(spread, 1e-12), 1.0, s.patients - 1)


def logit_t(s: Shares) -> Limits:
    """Logit scale, t on Satterthwaite's degrees of freedom."""
    spread = np.maximum(s.share * (1 - s.share), 1e-12)
    half = stats.t.isf(TAIL, satterthwaite(s)) * np.sqrt(np.maximum(s.variance, spread / s.n)) / spread
    middle = special.logit(np.clip(s.share, 1e-9, 1 - 1e-9))
    return special.expit(middle - half), special.expit(middle + half)


def gamma(s: Shares, largest: Callable[[Shares, Floats], Floats]) -> Limits:
    """Fay and Feuer's gamma limits, patients' totals of the rarer result as weights, and how much one more may bring."""
    flip = s.share > 0.5
    each = np.where(flip[:, None], (M - K)[None, :], K[None, :])
    total, squares = (s.table * each).sum(axis=1), (s.table * each**2).sum(axis=1)
    more = largest(s, each)
    safe, spread = np.maximum(total, 1e-9), np.maximum(squares, 1e-9)
    low = stats.gamma.ppf(TAIL, safe**2 / spread) * spread / safe / s.n
    raised, wide = total + more, squares + more**2
    high = np.minimum(stats.gamma.ppf(1 - TAIL, raised**2 / wide) * wide / raised / s.n, 1.0)
    return np.where(flip, 1 - high, low), np.where(flip, 1 - low, high)


def wilson(s: Shares, effect: Floats, z: Floats | float) -> Limits:
    """Wilson's limits on n over a design effect."""
    n, p = s.n / np.maximum(effect, 1.0), s.share
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return middle - half, middle + half


def _events_degrees(s: Shares) -> Floats:
    return np.clip(s.rarer - 1, 1, s.patients - 1)


PRODUCT = "cautious by 2 patients all alike, far limit only (product)"
METHODS: dict[str, Callable[[Shares], Limits]] = {
    PRODUCT: lambda s: far(s, 2),
    "Korn–Graubard as published": lambda s: exact(s, s.effect),
    "cautious by 1 patient all alike, far limit only": lambda s: far(s, 1),
    "cautious by 3 patients all alike, far limit only": lambda s: far(s, 3),
    "cautious by 2 patients all alike, both limits": lambda s: exact(s, cautious(s, 2)),
    "cautious by 5 patients of correlation 0.5, far limit only": lambda s: far(s, 5, 0.5),
    "cautious by 5 patients of correlation 0.25, both limits": lambda s: exact(s, cautious(s, 5, 0.25)),
    "design effect of correlation 0.1 at least": lambda s: exact(s, np.maximum(s.effect, 1 + 0.1 * (s.alike - 1))),
    "design effect of correlation 0.25 at least": lambda s: exact(s, np.maximum(s.effect, 1 + 0.25 * (s.alike - 1))),
    "Satterthwaite's degrees of freedom": lambda s: exact(s, s.effect, satterthwaite(s)),
    "degrees of freedom of the patients with the rarer result": lambda s: exact(s, s.effect, _events_degrees(s)),
    "logit, t on Satterthwaite's degrees of freedom": logit_t,
    "Fay–Feuer gamma, largest number of zones": lambda s: gamma(
        s, lambda s, e: np.where(s.table > 0, M, 0).max(axis=1)
    ),
    "Fay–Feuer gamma, largest total seen": lambda s: gamma(s, lambda s, e: np.where(s.table > 0, e, 0).max(axis=1)),
    "Fay–Feuer gamma, mean zones of a zone's patient": lambda s: gamma(s, lambda s, e: s.alike),
    "Wilson on the design effect": lambda s: wilson(s, s.effect, stats.t.isf(TAIL, s.patients - 1)),
    "Wilson, zones as if independent": lambda s: wilson(s, np.ones_like(s.n), float(stats.norm.isf(TAIL))),
}
