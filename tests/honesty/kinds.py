"""Kinds of interval that the reports print beside rates and odds ratios, each put through the function that prints it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from answers import drawn_healing, not_healed
from cells import CASE_MIX_ODDS_RATIO, CASE_MIX_SHARE, Cell, Drawn, draw, intercept, zone_counts
from scipy import optimize
from scipy.special import expit, logit

from outcomes.estimates.ascertainment import risk_among_all
from outcomes.estimates.design import Numeric, build
from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.few_groups import on_few_groups
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.interval_censored import interval_curve
from outcomes.estimates.proportion import clustered_proportion
from outcomes.estimates.standardise import standardised_risks
from outcomes.protocol import Protocol
from outcomes.questions.population import SKIN_LEVELS
from outcomes.questions.practitioner_model import Compared, _between, _expected_risk
from outcomes.questions.practitioners import _observed_over_expected
from outcomes.records.vocabulary import OUTCOME, REGIONS

BLOCK = {"change": 250, "adjusted": 100, "expected": 100, "spread": 25, "ends": 2000, "exposures": 50, "median": 50}
FULL = {
    "change": 4000, "adjusted": 4000, "expected": 2000, "spread": 1000, "ends": 20_000, "exposures": 1000, "median": 2000,
}  # fmt: skip
SPREAD = 0.3
"""Standard deviation of practitioners' log odds where they differ."""
SEEN = 0.7
"""Share of zones seen, where not all are."""
EXPOSED_WITH, EXPOSED_WITHOUT = 0.5, 0.15 / 0.7
"""Share exposed of those with the case-mix factor that is left out, and of the rest: 3 in 10 altogether."""
BY_PRACTITIONER, WHO_DIFFER = "practitioner", "practitioners, who differ besides"
UNRECORDED = "zone and by a factor not recorded"

CELLS = (
    *(
        Cell("change", patients, risk, "1-12", 0.25, odds_ratio=ratio)
        for patients, risk, ratio in (
            (60, 0.05, 1.0), (150, 0.05, 1.0), (150, 0.05, 2.0), (60, 0.9, 1.0), (150, 0.9, 2.0), (400, 0.02, 1.0),
        )
    ),
    Cell("adjusted", 300, 0.03, "2-3", 0.08, "zone", 0.3, 2.0),
    Cell("adjusted", 300, 0.08, "2-3", 0.08, "patient", 0.3, 2.0),
    Cell("adjusted", 600, 0.02, "1-12", 0.25, "patient", 0.3, 1.0),
    Cell("adjusted", 600, 0.08, "1-12", 0.25, "zone", 0.3, 2.0),
    Cell("adjusted", 1500, 0.01, "2-3", 0.08, "patient", 0.3, 2.0),
    Cell("adjusted", 1500, 0.03, "1-12", 0.25, "zone", 0.1, 1.0),
    *(
        Cell("expected", 1200, risk, alpha=0.08, practitioners=number, largest=largest)
        for risk, number, largest in (
            (0.03, 3, 0.0), (0.03, 6, 0.0), (0.03, 12, 0.0), (0.03, 6, 0.55), (0.08, 6, 0.0), (0.08, 6, 0.55),
        )
    ),
    *(
        Cell("spread", 1200, risk, alpha=alpha, practitioners=number)
        for risk, alpha, number in ((0.08, 0.0, 12), (0.08, 0.25, 12), (0.08, 0.0, 6), (0.08, 0.0, 3), (0.03, 0.08, 6))
    ),
    *(
        Cell("ends", patients, risk, zones, alpha)
        for patients, risk, zones, alpha in (
            (30, 0.12, "2-3", 0.9), (30, 0.12, "1-12", 0.25), (60, 0.06, "2-3", 0.9), (150, 0.025, "1-12", 0.5),
            (60, 0.94, "2-3", 0.9), (30, 0.88, "1-12", 0.5),
        )
    ),
    Cell("exposures", 300, 0.03, "2-3", 0.08, "continuous", 0.5, 2.0),
    Cell("exposures", 600, 0.08, "1-12", 0.25, "continuous", 0.5, 1.0),
    *(
        Cell("exposures", 1200, 0.05, alpha=0.08, exposure=exposure, prevalence=0.5, practitioners=number)
        for exposure in (BY_PRACTITIONER, WHO_DIFFER)
        for number in (6, 12)
    ),
    Cell("exposures", 600, 0.03, "2-3", 0.08, UNRECORDED, 0.3, 2.0),
    Cell("exposures", 1500, 0.08, "2-3", 0.08, UNRECORDED, 0.3, 2.0),
    *(Cell("median", patients, alpha=alpha) for patients, alpha in ((60, 0.0), (60, 0.4), (300, 0.0), (300, 0.4))),
)  # fmt: skip

Said = tuple[str, Answer, float, float]
"""Method, what was answered, the truth, and events."""
Tally = dict[str, dict[str, float]]


def tell(counted: dict[str, float], answer: Answer, truth: float, events: float) -> None:
    """Count one answer: whether it was given, and on which side of its interval the truth lies."""
    counted["asked"] += 1
    counted["events"] += events
    if not isinstance(answer, Estimate):
        counted["refused"] += 1
        return
    counted["answered"] += 1
    counted["truth below"] += float(answer.low is not None and truth < answer.low)
    counted["truth above"] += float(answer.high is not None and truth > answer.high)
    ratio = "ratio" in answer.unit
    counted["error"] += float(np.log(answer.value / truth)) if ratio else answer.value - truth
    if answer.low is not None and answer.high is not None and (not ratio or answer.low > 0):
        counted["widths"] += 1
        counted["width"] += float(np.log(answer.high / answer.low)) if ratio else answer.high - answer.low


def block(cell: Cell, rng: np.random.Generator) -> Tally:
    """One block of replicates, counted by method."""
    if cell.study == "ends":
        return ends(cell, rng)
    tally: Tally = defaultdict(lambda: defaultdict(float))
    for _ in range(BLOCK[cell.study]):
        for method, answer, truth, events in KINDS[cell.study](cell, rng):
            tell(tally[method], answer, truth, events)
    return {method: dict(counted) for method, counted in tally.items()}


_intercept = cache(intercept)


def _by_patient(cell: Cell, rng: np.random.Generator, risk: float) -> tuple[np.ndarray, np.ndarray]:
    """Events and zones of each patient, as `cells.draw` without a case-mix."""
    zones = zone_counts(cell, rng, cell.patients)
    together = rng.binomial(zones, np.sqrt(cell.alpha))
    shared = rng.random(cell.patients) < risk
    return np.where(shared, together, 0) + rng.binomial(zones - together, risk), zones


def _events(cell: Cell, rng: np.random.Generator, patient: np.ndarray, log_odds: np.ndarray) -> np.ndarray:
    """Which zones have the event at these log odds, as `cells.draw`."""
    shared = rng.random(len(patient)) < np.sqrt(cell.alpha)
    chance = np.where(shared, rng.random(cell.patients)[patient], rng.random(len(patient)))
    return np.asarray(chance < expit(log_odds))


def _mixed(cell: Cell) -> Cell:
    """The cell with a case-mix factor, for those that have no exposure."""
    return replace(cell, exposure="zone", odds_ratio=1.0)


def change(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """Two quarters with patients of their own; the newer has the cell's odds ratio. As `criteria_judge.judge_all`."""
    risks = (float(expit(logit(cell.risk) + np.log(cell.odds_ratio))), cell.risk)
    drawn = [_by_patient(cell, rng, risk) for risk in risks]
    now, before = (clustered_proportion(k, np.arange(cell.patients), trials=m) for k, m in drawn)
    events = float(sum(min(k.sum(), (m - k).sum()) for k, m in drawn))
    yield "share now minus share before (product)", difference(now, before), risks[0] - risks[1], events


def adjusted(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """Risks at both ends of a step over the case-mix of the zones drawn, as `settings_steps.adjusted_step`."""
    at = _intercept(cell)
    drawn = draw(cell, rng, at)
    frame = pd.DataFrame({"exposed": drawn.exposed, "case_mix": drawn.case_mix})
    design = build(frame, [Numeric("exposed"), Numeric("case_mix")])
    log_odds = at + np.log(CASE_MIX_ODDS_RATIO) * drawn.case_mix
    low, high = (float(expit(log_odds + x * np.log(cell.odds_ratio)).mean()) for x in (0, 1))
    fit = _fitted(design, drawn.event, drawn.patient, profile=())
    said: tuple[Answer, ...] = (NotEstimable("risk", "no model", n=len(frame)),) * 4
    if isinstance(fit, Fit):
        ends = [design.evaluate(frame.assign(exposed=x)) for x in (0.0, 1.0)]
        found = standardised_risks(fit, ends, ("lower end", "upper end"))
        said = (*found.risks, found.difference(1, 0), found.ratio(1, 0))
    names = ("adjusted risk, lower end", "adjusted risk, upper end", "adjusted risk difference", "adjusted risk ratio")
    for name, answer, truth in zip(names, said, (low, high, high - low, high / low), strict=True):
        yield f"{name} (product)", answer, truth, float(drawn.event.sum())


def _fitted(design: Any, event: np.ndarray, patient: np.ndarray, profile: tuple[str, ...]) -> Fit | NotEstimable:
    """The penalised fit where the number of events allows one."""
    events = int(event.sum())
    rung = ladder(design.matrix.shape[1] - 1, len(np.unique(patient[event])), events)
    if rung.rung != "penalised":
        return NotEstimable("model", rung.reason, n=len(event), events=events)
    return penalised(design, event.astype(int), cluster=patient, profile=profile)


def _frame(drawn: Drawn) -> pd.DataFrame:
    """Zones as the comparison of practitioners takes them."""
    n = len(drawn.event)
    return pd.DataFrame(
        {
            "patient_id": pd.array(drawn.patient.astype(str), dtype="string"),
            "practitioner_id": pd.array([f"P{i:02d}" for i in drawn.practitioner], dtype="string"),
            "region": pd.Categorical(["face"] * n, categories=list(REGIONS)),
            "skin_group": pd.Categorical(
                np.where(drawn.case_mix == 1, "III", "I–II"), categories=list(SKIN_LEVELS), ordered=True
            ),
        }
    )


def expected(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """Observed over expected with everybody alike, as `practitioners`; the busiest practitioner and another one."""
    drawn = draw(_mixed(cell), rng, _intercept(_mixed(cell)))
    frame, outcome = _frame(drawn), OUTCOME["hyperpigmentation"]
    for number, words in ((0, "the busiest practitioner"), (1, "another practitioner")):
        if number == 0 and not cell.largest:
            continue
        mine = drawn.practitioner == number
        label, unused = f"P{number:02d}", NotEstimable("", "not asked", n=0)
        each = Compared(
            label, int(mine.sum()), len(np.unique(drawn.patient[mine])), int(drawn.event[mine].sum()),
            _expected_risk(frame, drawn.event, mine, None, Protocol()), clustered_proportion(drawn.event[mine], drawn.patient[mine]),
            unused, "",
        )  # fmt: skip
        answer = _observed_over_expected(SimpleNamespace(outcome=outcome), each)  # type: ignore[arg-type]
        yield f"observed over expected, {words} (product)", answer, 1.0, float(each.events)
        own_alone = _without_error_of_expected(each)
        yield f"observed over expected, {words}, error of the own risk alone", own_alone, 1.0, float(each.events)


def _without_error_of_expected(each: Compared) -> Answer:
    """The same ratio with the limits of the own risk alone, as if the expected were known."""
    raw, expected = each.raw, each.expected_risk
    if expected is None or not isinstance(raw, Estimate) or raw.low is None or raw.high is None:
        return NotEstimable("observed over expected", "no risk", n=each.zones)
    value, low, high = (v / expected.value for v in (raw.value, raw.low, raw.high))
    return Estimate("observed over expected", value, low, high, "raw", each.zones, unit="observed/expected")


def spread(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """Practitioners' log odds drawn from a normal: their spread, and each of them shrunken, as `practitioners`."""
    drawn = draw(_mixed(cell), rng, 0.0)
    own = SPREAD * rng.standard_normal(cell.practitioners)
    log_odds = _intercept(_mixed(cell)) + np.log(CASE_MIX_ODDS_RATIO) * drawn.case_mix + own[drawn.practitioner]
    event = _events(cell, rng, drawn.patient, log_odds)
    found, shrunken, _ = _between(_frame(drawn), event, OUTCOME["hyperpigmentation"], None, Protocol())
    events = float(event.sum())
    yield "spread between practitioners (product)", found, SPREAD, events
    nothing = NotEstimable("", "no model", n=len(event))
    for number in range(cell.practitioners):
        answer = shrunken.get(f"P{number:02d}", nothing)
        yield "shrunken odds ratio of a practitioner (product)", answer, float(np.exp(own[number])), events


def ends(cell: Cell, rng: np.random.Generator) -> Tally:
    """Of all replicates, those without an event whose bound lies below the truth; at high shares, those with nothing else."""
    rare = cell.risk < 0.5
    words = "no event seen and the truth above" if rare else "nothing but events and the truth below"
    names = [f"{words} the bound (product)"] + [f"{words} the bound, 7 in 10 seen (product)"] * rare
    tally: Tally = {name: defaultdict(float) for name in names}
    for _ in range(BLOCK[cell.study]):
        k, m = _by_patient(cell, rng, cell.risk)
        back = [rng.binomial(each, SEEN) for each in (k, m - k)]
        for name in names:
            counted = tally[name]
            counted["asked"] += 1
            counted["events"] += float(min(k.sum(), (m - k).sum()))
            answer = _bound(k, m, rare) if name == names[0] else _bound_of_seen(back, m)
            if isinstance(answer, NotEstimable):
                counted["refused"] += 1
                continue
            counted["answered"] += 1
            if answer is not None:
                counted["truth above"] += float(answer.high is not None and cell.risk > answer.high)
                counted["truth below"] += float(answer.low is not None and cell.risk < answer.low)
    return {name: dict(counted) for name, counted in tally.items()}


def _bound(k: np.ndarray, m: np.ndarray, rare: bool) -> Answer | None:
    """What is answered when no zone, or every zone, had the event; None otherwise."""
    if (k if rare else m - k).sum():
        return None
    return clustered_proportion(k, np.arange(len(k)), trials=m)


def _bound_of_seen(back: list[np.ndarray], m: np.ndarray) -> Answer | None:
    """What is answered when no zone that was seen had the event; None otherwise."""
    if back[0].sum():
        return None
    patient = np.repeat(np.arange(len(m)), m)
    place = np.arange(len(patient)) - np.repeat(np.cumsum(m) - m, m)
    nobody = np.zeros(len(patient), dtype=bool)
    seen = place < np.repeat(back[1], m)
    return risk_among_all(nobody, seen, nobody, np.ones((len(patient), 1)), patient.astype(str)).risk


def exposures(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """Odds ratios of what is continuous, the same for all patients of a practitioner, or tied to what is not recorded."""
    truth, slope, shift = cell.odds_ratio, np.log(cell.odds_ratio), np.log(CASE_MIX_ODDS_RATIO)
    if cell.exposure == "continuous":
        drawn = draw(cell, rng, _intercept(cell))
        exposed, event = drawn.exposed, drawn.event
    else:
        drawn = draw(_mixed(cell), rng, 0.0)
        at, own = _intercept(cell), np.zeros(cell.practitioners)
        if cell.exposure == UNRECORDED:
            chance = np.where(drawn.case_mix == 1, EXPOSED_WITH, EXPOSED_WITHOUT)
            exposed, at = (rng.random(len(chance)) < chance).astype(float), _confounded(cell)
        else:
            exposed = (drawn.practitioner % 2).astype(float)
            own = (SPREAD if cell.exposure == WHO_DIFFER else 0.0) * rng.standard_normal(cell.practitioners)
        event = _events(
            cell, rng, drawn.patient, at + slope * exposed + shift * drawn.case_mix + own[drawn.practitioner]
        )
    frame = pd.DataFrame({"exposed": exposed, "case_mix": drawn.case_mix})
    events = float(event.sum())

    def asked(*columns: str) -> Answer:
        fit = _fitted(build(frame, [Numeric(c, label=c) for c in columns]), event, drawn.patient, ("exposed",))
        return fit.term("exposed") if isinstance(fit, Fit) else replace(fit, unit="odds ratio")

    if cell.exposure == UNRECORDED:
        yield "odds ratio, the factor in the model (product)", asked("exposed", "case_mix"), truth, events
        yield "odds ratio, the factor missing from the records", asked("exposed"), truth, events
        return
    answer = asked("exposed", "case_mix")
    whole = "(product)" if cell.exposure == "continuous" else "as a whole, which the product refuses"
    yield f"odds ratio, exposure by {cell.exposure} {whole}", answer, truth, events
    if cell.exposure != "continuous":
        few = on_few_groups(answer, cell.practitioners, 1)
        yield f"odds ratio, exposure by {cell.exposure}, as a part between (product)", few, truth, events


@cache
def _confounded(cell: Cell) -> float:
    """The intercept at which the mean risk is the cell's when exposure goes with the factor."""
    shares = ((1, EXPOSED_WITH, CASE_MIX_SHARE), (0, EXPOSED_WITHOUT, 1 - CASE_MIX_SHARE))
    slope, shift = np.log(cell.odds_ratio), np.log(CASE_MIX_ODDS_RATIO)

    def mean(at: float) -> float:
        return sum(w * (p * expit(at + slope + shift * z) + (1 - p) * expit(at + shift * z)) for z, p, w in shares)

    return float(optimize.brentq(lambda at: mean(at) - cell.risk, -20, 20))


def median(cell: Cell, rng: np.random.Generator) -> Iterator[Said]:
    """By which day half the zones had healed, from visits on seven days, as `healing`."""
    patient = np.repeat(np.arange(cell.patients), zone_counts(cell, rng, cell.patients))
    seen = drawn_healing(cell, patient, rng)
    curve = interval_curve(seen.after, seen.by, seen.patient, [], replicates=200, seed=1)
    yield "median days of the curve (product)", curve.median, _median_day(), float(np.isfinite(seen.by).sum())


@cache
def _median_day() -> float:
    """Half of the zones, the slower ones among them, are healed by this day."""
    return float(optimize.brentq(lambda day: not_healed(day) - 0.5, 1.0, 30.0))


KINDS: dict[str, Callable[[Cell, np.random.Generator], Iterator[Said]]] = {
    "change": change, "adjusted": adjusted, "expected": expected, "spread": spread, "exposures": exposures, "median": median,
}  # fmt: skip
