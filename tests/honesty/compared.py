"""Every way to an odds ratio's interval that was tried, on the same replicates, a batch at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import numpy as np
import pandas as pd
from batches import AtValue, Fits, Floats, Tables, at_value, fit, influences
from cells import Cell, draw
from grid import slower_methods_too
from scipy import stats

from outcomes.estimates.design import Numeric, build
from outcomes.estimates.estimate import Estimate, Fit
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.mixed import random_intercept

BLOCK = 200
SLOW_BLOCKS = 2
SLOWEST_REPLICATES = 50
BOOTSTRAPS = 199
RESAMPLES = 200
CUT = float(stats.chi2.ppf(0.95, 1))
NORMAL = float(stats.norm.ppf(0.975))
MATRIX = np.array([[1.0, x, z] for z in (0, 1) for x in (0, 1)])

Tally = dict[str, dict[str, float]]


def drawn_tables(cell: Cell, rng: np.random.Generator, at: float, replicates: int) -> Tables:
    """Replicates of a cell whose exposure is yes or no, as tables."""
    events, trials = np.zeros((2, replicates, cell.patients, 2))
    pattern = np.zeros((replicates, cell.patients, 2), dtype=np.int64)
    for r in range(replicates):
        drawn = draw(cell, rng, at)
        place = 2 * drawn.patient + drawn.exposed.astype(np.int64)
        events[r] = np.bincount(place, drawn.event, 2 * cell.patients).reshape(-1, 2)
        trials[r] = np.bincount(place, minlength=2 * cell.patients).reshape(-1, 2)
        mix = np.zeros(cell.patients, dtype=np.int64)
        mix[drawn.patient] = drawn.case_mix.astype(np.int64)
        pattern[r] = 2 * mix[:, None] + np.arange(2)
    return Tables(events, trials, pattern, MATRIX)


def block(cell: Cell, rng: np.random.Generator, at: float, number: int) -> Tally:
    """One block of replicates, counted by method; the slower methods on the first blocks only."""
    tables = drawn_tables(cell, rng, at, BLOCK)
    truth = float(np.log(cell.odds_ratio))
    said = at_value(tables, truth)
    tally: Tally = defaultdict(lambda: defaultdict(float))
    events = tables.events.sum(axis=(1, 2))
    _count(tally, "Firth, scaled profile (product)", said.deviance <= CUT * said.divisor, said, truth, events)
    _count(
        tally,
        "Firth, profile scaled by the design effect alone",
        said.deviance <= CUT * said.inflation,
        said,
        truth,
        events,
    )
    _count(tally, "Firth, plain profile", said.deviance <= CUT, said, truth, events)
    quantile = stats.t.ppf(0.975, cell.patients - 1)
    near = np.abs(said.estimate - truth) <= quantile * said.error
    _count(tally, "Firth, leave-one-patient-out error (CR3), t", near, said, truth, events)
    if number < SLOW_BLOCKS and slower_methods_too(cell):
        slow: tuple[tuple[str, int, Callable[[Tables, AtValue, int], bool | None]], ...] = (
            ("wild score cluster bootstrap", BLOCK, lambda t, s, r: _wild(t, s, r, truth, rng)),
            ("patient bootstrap-t", BLOCK, lambda t, s, r: _bootstrap_t(t, s, r, truth, rng)),
            ("within-cluster resampling", BLOCK, lambda t, s, r: _within(t, truth, rng)),
            ("maximum likelihood, CR2, Satterthwaite", SLOWEST_REPLICATES, lambda t, s, r: _sandwich(t, truth)),
            ("random intercept, marginalised", SLOWEST_REPLICATES // 5, lambda t, s, r: _random(t, truth)),
        )
        for name, replicates, holds in slow:
            for r in range(replicates):
                tally[name]["asked"] += 1
                tally[name]["events"] += float(events[r])
                held = None if said.refused[r] else holds(tables.one(r), said, r)
                if held is None:
                    tally[name]["refused"] += 1
                    continue
                tally[name]["answered"] += 1
                side = "truth below" if said.estimate[r] > truth else "truth above"
                tally[name][side] += float(not held)
    return {method: dict(counted) for method, counted in tally.items()}


def _count(tally: Tally, name: str, holds: np.ndarray, said: AtValue, truth: float, events: Floats) -> None:
    answered = ~said.refused
    tally[name] = {
        "asked": float(len(events)),
        "events": float(events.sum()),
        "refused": float(said.refused.sum()),
        "answered": float(answered.sum()),
        "truth below": float((answered & ~holds & (said.estimate > truth)).sum()),
        "truth above": float((answered & ~holds & (said.estimate <= truth)).sum()),
        "error": float((said.estimate - truth)[answered].sum()),
    }


def _row(fits: Fits, r: int) -> Fits:
    part = slice(r, r + 1)
    return Fits(fits.point[part], fits.value[part], fits.probability[part], fits.inverse[part], fits.settled[part])


def _wild(tables: Tables, said: AtValue, r: int, truth: float, rng: np.random.Generator) -> bool:
    """Patients' scores at the truth, their signs drawn anew (Rademacher): is their sum an unusual one?"""
    moved = influences(tables, _row(said.fixed, r), leave_out=False)[0]
    moved = moved[moved != 0]
    signs = rng.integers(0, 2, (BOOTSTRAPS, len(moved))) * 2 - 1
    return bool(np.mean(np.abs(signs @ moved) >= abs(moved.sum())) >= 0.05)


def _bootstrap_t(tables: Tables, said: AtValue, r: int, truth: float, rng: np.random.Generator) -> bool | None:
    """Whole patients drawn with replacement, each fit with its own sandwich error."""
    patients, patterns = tables.events.shape[1], len(tables.matrix)
    draws = rng.multinomial(patients, np.full(patients, 1 / patients), size=BOOTSTRAPS).astype(float)
    flat = np.zeros((2, patients, patterns))
    for kind, values in enumerate((tables.events, tables.trials)):
        np.add.at(flat[kind], (np.arange(patients)[:, None], tables.pattern[0]), values[0])
    k, n = draws @ flat[0], draws @ flat[1]
    usable = (n > 0).all(axis=1) & (k.sum(axis=1) > 0)
    fits = fit(k[usable], n[usable], tables.matrix)
    along = np.einsum("kp,bp->bk", tables.matrix, fits.inverse[:, :, 1])
    moved = along @ flat[0].T - (along * fits.probability) @ flat[1].T
    error = np.sqrt((draws[usable] * moved**2).sum(axis=1))
    t = (fits.point[:, 1] - said.estimate[r]) / error
    t = t[np.isfinite(t) & fits.settled]
    if len(t) < BOOTSTRAPS // 2:
        return None
    own = float(np.sqrt((influences(tables, _row(said.free, r), leave_out=False) ** 2).sum()))
    low, high = np.quantile(t, [0.025, 0.975])
    return bool(said.estimate[r] - high * own <= truth <= said.estimate[r] - low * own)


def _within(tables: Tables, truth: float, rng: np.random.Generator) -> bool | None:
    """One record of each patient drawn, fitted as independent, over and over (Hoffman and others 2001)."""
    events, trials, pattern = tables.events[0], tables.trials[0], tables.pattern[0]
    cells = np.stack([trials[:, 0] - events[:, 0], events[:, 0], trials[:, 1] - events[:, 1], events[:, 1]], axis=1)
    chance = np.cumsum(cells / cells.sum(axis=1, keepdims=True), axis=1)
    drawn = (rng.random((RESAMPLES, len(cells), 1)) > chance[None]).sum(axis=2)
    code = pattern[np.arange(len(cells)), drawn // 2] * 2 + drawn % 2
    patterns = len(tables.matrix)
    at = (code + 2 * patterns * np.arange(RESAMPLES)[:, None]).ravel()
    counts = np.bincount(at, minlength=RESAMPLES * 2 * patterns).reshape(RESAMPLES, patterns, 2).astype(float)
    n = counts.sum(axis=2)
    if not (n > 0).all():
        return None
    fits = fit(counts[:, :, 1], n, tables.matrix)
    if not fits.settled.all():
        return None
    value = float(fits.point[:, 1].mean())
    variance = float(fits.inverse[:, 1, 1].mean()) - float(fits.point[:, 1].var(ddof=1))
    return bool(abs(value - truth) <= NORMAL * np.sqrt(variance)) if variance > 0 else None


def as_rows(tables: Tables) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """One replicate as records: exposure and case-mix, events, patients."""
    events, trials = (v[0].astype(int).ravel() for v in (tables.events, tables.trials))
    patient = np.repeat(np.arange(tables.events.shape[1]), 2)
    rows = tables.matrix[tables.pattern[0].ravel()]
    counts = np.stack([events, trials - events], axis=1)
    place = np.repeat(np.repeat(np.arange(len(events)), 2), counts.ravel())
    event = np.repeat(np.tile([1, 0], len(events)), counts.ravel())
    frame = pd.DataFrame({"exposed": rows[place, 1], "case_mix": rows[place, 2] if rows.shape[1] > 2 else 0.0})
    return frame, event, patient[place]


def _fitted(tables: Tables) -> tuple[object, np.ndarray, np.ndarray]:
    frame, event, patient = as_rows(tables)
    return build(frame, [Numeric("exposed"), Numeric("case_mix")]), event, patient


def _sandwich(tables: Tables, truth: float) -> bool | None:
    design, event, patient = _fitted(tables)
    found = maximum_likelihood(design, event, cluster=patient)  # type: ignore[arg-type]
    answer = found.term("exposed") if isinstance(found, Fit) else found
    if not isinstance(answer, Estimate) or answer.low is None or answer.high is None:
        return None
    return bool(answer.low <= np.exp(truth) <= answer.high)


def _random(tables: Tables, truth: float) -> bool | None:
    """A random intercept of the patient, brought to the marginal scale by the usual factor (Zeger and others 1988)."""
    design, event, patient = _fitted(tables)
    found = random_intercept(design, event, group=patient, profile=())  # type: ignore[arg-type]
    if not isinstance(found, Fit):
        return None
    spread = found.details["between_sd"]
    size = spread.value if isinstance(spread, Estimate) else 0.0
    shrink = 1 / np.sqrt(1 + (16 * np.sqrt(3) / (15 * np.pi)) ** 2 * size**2)
    place = found.names.index("exposed")
    value, error = float(found.coefficients[place]), float(np.sqrt(found.covariance[place, place]))
    if not np.isfinite(error) or error <= 0:
        return None
    return bool(abs(shrink * value - truth) <= NORMAL * shrink * error)
