"""Whole audits of a clinic in which nothing differs: how often does any verdict say that something does?"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
from batches import Fits, Floats, divided_by, fit
from cells import CASE_MIX_ODDS_RATIO, CASE_MIX_SHARE, Cell, intercept, zone_counts
from flagging import LEVELS, LIFTED, MATRIX
from scipy import stats

from outcomes.estimates.binary import observe
from outcomes.estimates.design import Design, build
from outcomes.estimates.estimate import Estimate
from outcomes.estimates.likelihood import Surface
from outcomes.estimates.multiplicity import benjamini_hochberg, holm
from outcomes.estimates.scaled_profile import DesignEffects
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.population import AGE_LEVELS, INDICATION_LEVELS, Population
from outcomes.questions.settings_model import FULL_SET, SHORT_SET, model_outcome, settings_terms
from outcomes.questions.settings_support import rung_for
from outcomes.questions.settings_verdict import ASSOCIATED_BELOW, judge
from outcomes.records.vocabulary import REGIONS

BLOCK = {"null audit": 500, "null settings": 50}
FULL = {"null audit": 2000, "null settings": 2000}
RISKS = (1.0, 0.5, 1.5)
"""Risks of the three outcomes, times the cell's; in a cell with an odds ratio, the first alone has it."""
OFF_FACE = 0.25
AUDIT = "Holm over the audit (product)"
COMPARISON = "Holm within each comparison"
ASSOCIATED = "an audit that calls any setting associated (product)"
ADJUSTED = "an audit with any adjusted p below 0.05"

CELLS = tuple(
    Cell("null audit", 1200, risk, alpha=alpha, odds_ratio=ratio, practitioners=number, largest=largest)
    for ratio, risk, alpha, number, largest in itertools.product(
        (1.0, 2.0, 4.0), (0.03, 0.08), (0.0, 0.25), (3, 6, 12), (0.0, 0.55)
    )
) + tuple(
    Cell("null settings", 1200, risk, zones, alpha, exposure, 0.3, practitioners=6)
    for risk, zones, alpha, exposure in (
        (0.03, "2-3", 0.0, "zone"), (0.03, "2-3", 0.25, "zone"), (0.08, "2-3", 0.25, "zone"),
        (0.03, "2-3", 0.25, "patient"), (0.08, "2-3", 0.25, "patient"), (0.03, "1-12", 0.25, "patient"),
    )
)  # fmt: skip

Tally = dict[str, dict[str, float]]


def block(cell: Cell, rng: np.random.Generator) -> Tally:
    """One block of audits, those with a false verdict counted by rule."""
    return _audits(cell, rng) if cell.study == "null audit" else _settings(cell, rng)


def drawn(cell: Cell, rng: np.random.Generator, audits: int) -> tuple[list[tuple[Floats, Floats]], np.ndarray]:
    """Events and zones of each patient in each comparison, all zones and off the face in turn, and who treated them.

    Each outcome is drawn in the way of `cells.draw`; a patient's shared number, and which zones take it, are the same for all
    three, a zone's own number is not. A zone lies off the face by chance.
    """
    shape = (audits, cell.patients)
    zones = zone_counts(cell, rng, shape)
    rest = (1 - cell.largest) / (cell.practitioners - 1)
    shares = [cell.largest or rest, *[rest] * (cell.practitioners - 1)]
    who = rng.choice(cell.practitioners, size=shape, p=np.array(shares) / sum(shares))
    away = rng.binomial(zones, OFF_FACE)
    places = [(part, rng.binomial(part, np.sqrt(cell.alpha))) for part in (zones - away, away)]
    number = rng.random(shape)
    comparisons = []
    for i, times in enumerate(RISKS):
        plain = times * cell.risk / (1 - times * cell.risk)
        odds = plain * np.where((who == LIFTED) & (i == 0), cell.odds_ratio, 1.0)
        risk = odds / (1 + odds)
        on, off = (np.where(number < risk, same, 0) + rng.binomial(part - same, risk) for part, same in places)
        comparisons += [((on + off).astype(float), zones.astype(float)), (off.astype(float), away.astype(float))]
    return comparisons, who


def p_values(events: Floats, zones: Floats, who: np.ndarray, practitioners: int) -> Floats:
    """Two-sided p of each practitioner against the rest by the scaled profile, (R, practitioners); nan where not judged.

    What `flagging.p_values` gives by the product's rule. Patients of a practitioner with as many events of as many zones
    count the same and are counted once, which is many times as fast.
    """
    audits, most = len(events), int(zones.max()) + 1
    code = (who * most + events.astype(int)) * most + zones.astype(int)
    kinds = practitioners * most * most
    code = code + kinds * np.arange(audits)[:, None]
    counts = np.bincount(code.ravel(), minlength=kinds * audits).reshape(audits, practitioners, most * most)
    k, m = (np.repeat(np.arange(most), most).astype(float), np.tile(np.arange(most), most).astype(float))
    everybody = counts.sum(axis=1)
    columns = [
        _one_p(np.stack([everybody - counts[:, j], counts[:, j]], axis=1).astype(float), k, m)
        for j in range(practitioners)
    ]
    return np.stack(columns, axis=1)


def _one_p(patients: Floats, k: Floats, m: Floats) -> Floats:
    """The rest against one practitioner, (R,), from the patients with k events of m zones, (R, 2, kinds)."""
    events, trials = patients @ k, patients @ m
    free, fixed = fit(events, trials, MATRIX), fit(events, trials, MATRIX, held=0.0)
    mu, spread, along = _by_side(fixed)
    squared = patients @ k**2 - 2 * mu * (patients @ (k * m)) + mu**2 * (patients @ m**2)
    own = events * (1 - mu) ** 2 + (trials - events) * mu**2
    pairs = (patients @ (m * (m - 1))).sum(axis=1) / 2
    products = ((squared - own) / spread).sum(axis=1) / 2
    alpha = np.clip(products / np.maximum(pairs - MATRIX.shape[1], 1.0), 0.0, 0.95)
    alike = (along**2 * spread * (patients @ m**2)).sum(axis=1) / fixed.inverse[:, 1, 1]
    mu, spread, along = _by_side(free)
    leverage = spread * np.einsum("kp,rpq,kq->rk", MATRIX, free.inverse, MATRIX)
    moved = along[:, :, None] * (k - m * mu[:, :, None]) / (1 - m * leverage[:, :, None])
    jackknife = (patients * moved**2).sum(axis=(1, 2)) / free.inverse[:, 1, 1]
    inflation = np.maximum.reduce([np.ones(len(mu)), 1 - alpha + alpha * alike, jackknife])
    with_events = patients[:, :, k > 0].sum(axis=(1, 2))
    refused = (with_events < 3) | (events.sum(axis=1) < 5) | ~free.settled | ~fixed.settled | ~np.isfinite(inflation)
    refused |= trials[:, 1] < Protocol().fewest_judged
    rarer = np.minimum(with_events, patients[:, :, m > k].sum(axis=(1, 2)))
    divisor = divided_by(inflation, rarer, MATRIX.shape[1])
    deviance = np.maximum(2 * (free.value - fixed.value), 0.0)
    return np.where(refused, np.nan, stats.chi2.sf(deviance / divisor, 1))


def _by_side(fits: Fits) -> tuple[Floats, Floats, Floats]:
    """Probability, its spread, and what a record there adds to the contrast, each (R, 2)."""
    mu = fits.probability
    return mu, mu * (1 - mu), np.einsum("kp,rp->rk", MATRIX, fits.inverse[:, :, 1])


def holm_rows(p: Floats) -> Floats:
    """Holm's adjustment of each row; what is missing stays so."""
    return np.array([holm(list(row)) for row in p], dtype=float)


def _audits(cell: Cell, rng: np.random.Generator) -> Tally:
    comparisons, who = drawn(cell, rng, BLOCK[cell.study])
    raw = [p_values(events, zones, who, cell.practitioners) for events, zones in comparisons]
    adjusted = {
        AUDIT: holm_rows(np.concatenate(raw, axis=1)),
        COMPARISON: np.concatenate([holm_rows(p) for p in raw], axis=1),
    }
    events = sum(float(events.sum()) for events, _ in comparisons[::2])
    lifted = np.tile(np.arange(cell.practitioners) == LIFTED, len(raw))
    tally: Tally = {}
    for rule, p in adjusted.items():
        for words, level in LEVELS:
            if cell.odds_ratio == 1:
                _count(tally, f"{rule}: an audit that flags anybody, {words}", (p < level).any(axis=1), events)
            else:
                found = (p[:, lifted] < level).any(axis=1)
                _count(tally, f"{rule}: the one with other odds flagged anywhere, {words}", found, events)
    return tally


def _count(tally: Tally, method: str, wrong: np.ndarray, events: float) -> None:
    tally[method] = {
        "asked": float(len(wrong)), "answered": float(len(wrong)), "truth below": float(wrong.sum()), "truth above": 0.0,
        "events": events,
    }  # fmt: skip


def settings_audit(cell: Cell, rng: np.random.Generator) -> tuple[pd.DataFrame, list[np.ndarray]]:
    """Zones with three settings of two values each, drawn without regard to what happens, and three outcomes."""
    counts = zone_counts(cell, rng, cell.patients)
    patient = np.repeat(np.arange(cell.patients), counts)
    n = len(patient)
    darker = (rng.random(cell.patients) < CASE_MIX_SHARE)[patient]
    practitioner = rng.integers(0, cell.practitioners, cell.patients)[patient]
    if cell.exposure == "patient":
        high = (rng.random((3, cell.patients)) < cell.prevalence)[:, patient]
    else:
        high = rng.random((3, n)) < cell.prevalence
    skin = ["I–II", "III", "IV", "V–VI", "not recorded"]
    frame = pd.DataFrame(
        {
            "patient_id": pd.array(patient.astype(str), dtype="string"),
            "practitioner_id": pd.array([f"P{i:02d}" for i in practitioner], dtype="string"),
            "zone": pd.array(np.where(rng.random(n) < 0.5, "cheek", "forehead"), dtype="string"),
            "region": pd.Categorical(["face"] * n, categories=list(REGIONS)),
            "skin_group": pd.Categorical(np.where(darker, "III", "I–II"), categories=skin, ordered=True),
            "age_group": pd.Categorical(["40 to 54"] * n, categories=list(AGE_LEVELS), ordered=True),
            "indication_group": pd.Categorical(
                ["photoageing or wrinkles"] * n, categories=list(INDICATION_LEVELS), ordered=True
            ),
            "months": np.zeros(n, dtype="int64"),
        }
    )
    for setting, values, low in zip(SETTINGS, high, (20.0, 10.0, 1.0), strict=True):
        frame[setting.column] = low + setting.step * values
    together, number = rng.random(n) < np.sqrt(cell.alpha), rng.random(cell.patients)[patient]
    events = []
    for times in RISKS:
        risk = 1 / (1 + np.exp(-_at(times * cell.risk) - np.log(CASE_MIX_ODDS_RATIO) * darker))
        events.append(np.where(together, number, rng.random(n)) < risk)
    return frame, events


@cache
def _at(risk: float) -> float:
    """The intercept at which the mean risk over the case-mix is as asked."""
    return intercept(Cell("null settings", 0, risk, exposure="zone"))


def settings_p_values(frame: pd.DataFrame, event: np.ndarray) -> list[float]:
    """The p values that `model_outcome` gives the three settings, without limits and all the rest; nan without a model."""
    patients = frame["patient_id"].to_numpy(dtype=str)
    for covariates in (FULL_SET, SHORT_SET):
        design = build(frame, settings_terms(covariates, frame, SETTINGS))
        if rung_for(design.matrix.shape[1] - 1, patients, event).rung == "penalised":
            return _null_p_values(design, event, patients)
    return [np.nan] * len(SETTINGS)


def _null_p_values(design: Design, event: np.ndarray, patients: np.ndarray) -> list[float]:
    data = observe(design, event.astype(int), cluster=patients)
    surface = Surface.of(data, penalty=0.5)
    best = surface.maximum()
    effects = DesignEffects.of(surface, data.cells, best)  # type: ignore[arg-type]
    found = []
    for setting in SETTINGS:
        column = design.labels.index(setting.step_label)
        null = surface.held(column, 0.0, best)
        deviance = max(2 * (best.value - null.value), 0.0) / effects.divisor(null, column, Protocol().level)
        found.append(float(stats.chi2.sf(deviance, 1)))
    return found


def associated(frame: pd.DataFrame, events: Sequence[np.ndarray], adjusted: Sequence[float | None]) -> int:
    """How many pairs of setting and outcome the product calls associated, given the adjusted p of each, outcome by outcome.

    The product's own model, limits, split and `judge`, asked only where the p is small enough: elsewhere `judge` cannot say
    "associated" (`settings_verdict.stands_out`).
    """
    protocol, found = Protocol(), 0
    for i, (name, event) in enumerate(zip(protocol.modelled, events, strict=True)):
        own = dict(zip(SETTINGS, adjusted[len(SETTINGS) * i :], strict=False))
        small = {s: p for s, p in own.items() if p is not None and p < ASSOCIATED_BELOW}
        if not small:
            continue
        wanted = [s.step_label for s in small]
        model = model_outcome(Population(frame), protocol.outcome(name), protocol, event=event, profile=wanted)
        for setting, p in small.items():
            effect = model.effects[setting.column]
            if isinstance(effect, Estimate):
                effects = {**model.effects, setting.column: replace(effect, p_adjusted=p)}
                found += judge(replace(model, effects=effects), setting).word == "associated"
    return found


def _settings(cell: Cell, rng: np.random.Generator) -> Tally:
    """Audits that call a setting associated; the whole model, its limits and its split only where a p value asks for them."""
    size, total = BLOCK[cell.study], 0.0
    by_p, called = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    for r in range(size):
        frame, events = settings_audit(cell, rng)
        total += float(sum(event.sum() for event in events))
        adjusted = benjamini_hochberg([p for event in events for p in settings_p_values(frame, event)])
        by_p[r] = any(p is not None and p < ASSOCIATED_BELOW for p in adjusted)
        called[r] = associated(frame, events, adjusted) > 0
    tally: Tally = defaultdict(dict)
    _count(tally, ASSOCIATED, called, total)
    _count(tally, ADJUSTED, by_p, total)
    return dict(tally)
