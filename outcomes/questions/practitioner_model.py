"""The comparison behind *practitioners*: one against the rest, at equal case-mix and never at equal settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.clustered import design_effect
from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.multiplicity import holm
from outcomes.estimates.proportion import clustered_proportion
from outcomes.estimates.shrunken import between_groups
from outcomes.estimates.standardise import standardised_risks
from outcomes.protocol import Protocol
from outcomes.questions.follow_up import follow_up, mature
from outcomes.questions.population import Population, everyone, first_treatments, treated_between
from outcomes.questions.settings_model import LABELS, REFERENCES
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, Outcome

CASE_MIX = ("region", "skin_group")
OFTEN_ENOUGH = 10
OUTSIDE = ("outside 95 %", "outside 99.8 %")
"""Verdicts that flag somebody."""
NOTICED = "worth a look"
"""Verdict on who stands out of one comparison and not of all; no flag."""
_SPREAD = 1  # the spread between practitioners is a parameter of its own
_MINE = "this practitioner against the rest"


@dataclass(frozen=True, slots=True)
class Compared:
    """One practitioner on one outcome.

    Attributes
    ----------
    label : str
    zones, patients, events : int
        Zones whose outcome is known, their patients, and events among them.
    expected_risk : Estimate or None
        Mean risk expected from the case-mix, by a model fitted without this practitioner.
    raw : Estimate or NotEstimable
        Unadjusted risk.
    against_rest : Estimate or NotEstimable
        Odds ratio against all others pooled, at equal case-mix; p adjusted by Holm over everybody and everything that is
        compared in the audit.
    verdict : str
        Empty until `judged_together` gives it.
    held : str
        Why the numbers of this row are held back; empty where they are not. Its estimates then say so too, and
        ``expected_risk`` is None.
    zones_held : bool
        Whether that holds for the number of zones as well.
    more_than_expected : bool or None
        On which side of the expected events the row lies, kept where its numbers are held back.
    overlap : float or None
        Share of the zones whose case-mix (region and skin type together) the others treated often enough to tell what to
        expect.
    """

    label: str
    zones: int
    patients: int
    events: int
    expected_risk: Estimate | None
    raw: Answer
    against_rest: Answer
    verdict: str
    held: str = ""
    zones_held: bool = False
    more_than_expected: bool | None = None
    overlap: float | None = None

    @property
    def expected(self) -> float | None:
        """Events expected from the case-mix."""
        return None if self.expected_risk is None else self.expected_risk.value * self.zones


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All practitioners on one outcome, within one region or over all.

    Attributes
    ----------
    outcome : Outcome
    where : str
        ``all regions`` or the region's label.
    population : Population
        Zones whose outcome is known.
    event : bool array of shape (n,)
    each : tuple of Compared
    overall : Estimate or NotEstimable
        Risk of all practitioners together, among zones whose outcome is known.
    design_effect : float
        Inflation of the variance of that risk through several zones of one patient, at least 1.
    shrunken : dict of str to Estimate or NotEstimable
        Odds ratio of each practitioner against the average one, drawn towards it by what chance explains.
    spread : Estimate or NotEstimable
        Standard deviation between practitioners on the log odds scale.
    events_held, zones_held : bool
        Whether the total of events or of zones is held back, as it would give that of a practitioner away.
    reliability : dict of str to float
        Share of what sets a practitioner's result apart that is not chance: 1 less the error variance over the variance
        between practitioners, averaged over the spreads that the records leave possible.
    """

    outcome: Outcome
    where: str
    population: Population
    event: NDArray[np.bool_]
    each: tuple[Compared, ...]
    overall: Answer
    design_effect: float
    shrunken: dict[str, Answer]
    spread: Answer
    events_held: bool = False
    zones_held: bool = False
    reliability: dict[str, float] = field(default_factory=dict)


def judged_population(cases: Cases, end: date, as_of: date, outcome: Outcome) -> Population:
    """First treatments up to `end` whose outcome has had its time and is known."""
    population = Population(treated_between(everyone(cases).frame, date(1900, 1, 1), end))
    population = population.keep(
        mature(population.frame, outcome, as_of), "zones treated too recently for the outcome to have had its time"
    )
    population = first_treatments(population)
    population = population.keep(population.frame["region"].notna(), "scars elsewhere, which have no region")
    return population.keep(
        pd.Series(follow_up(population.frame, outcome).known, index=population.frame.index),
        "zones never seen late enough to know the outcome",
    )


def compare_all(cases: Cases, scope: Scope, protocol: Protocol) -> list[Comparison]:
    """Everything that practitioners are compared on, over all regions and off the face, judged together."""
    comparisons = []
    for name in protocol.judged:
        outcome = protocol.outcome(name)
        population = judged_population(cases, scope.end, scope.as_of, outcome)
        if not len(population):
            continue
        comparisons.append(compare(population, outcome, None, protocol))
        off_face = (population.frame["region"] == "off_face").fillna(False)
        if bool(off_face.any()) and not bool(off_face.all()):
            comparisons.append(compare(population, outcome, "off_face", protocol))
    return judged_together(comparisons, protocol)


def compare(population: Population, outcome: Outcome, region: str | None, protocol: Protocol) -> Comparison:
    """Each practitioner against the rest, on one outcome, over all regions or within one; no verdict yet."""
    if region is not None:
        frame = population.frame
        population = Population(frame.loc[(frame["region"] == region).to_numpy(dtype=bool)], population.left_out)
    frame = population.frame
    event = follow_up(frame, outcome).event
    patient = frame["patient_id"].to_numpy(dtype=str)
    overall = clustered_proportion(event, patient, term=f"{outcome.label}, all practitioners", level=protocol.level)
    each = [
        _one(frame, event, str(who), outcome, region, protocol) for who in sorted(frame["practitioner_id"].unique())
    ]
    spread, shrunken, reliability = _between(frame, event, outcome, region, protocol)
    return Comparison(
        outcome=outcome,
        where="all regions" if region is None else REGIONS[region],
        population=population,
        event=event,
        each=tuple(each),
        overall=overall,
        design_effect=design_effect(event, patient) if len(event) else 1.0,
        shrunken=shrunken,
        spread=spread,
        reliability=reliability,
    )


def _case_mix_terms(region: str | None) -> list[Term]:
    return [
        Category(name, REFERENCES[name], label=LABELS[name], level_labels=REGIONS if name == "region" else None)
        for name in CASE_MIX
        if not (name == "region" and region is not None)
    ]


def _one(
    frame: pd.DataFrame,
    event: NDArray[np.bool_],
    who: str,
    outcome: Outcome,
    region: str | None,
    protocol: Protocol,
) -> Compared:
    mine = (frame["practitioner_id"] == who).to_numpy(dtype=bool)
    patient = frame["patient_id"].to_numpy(dtype=str)
    term = f"{outcome.label}, {who}"
    return Compared(
        label=who,
        zones=int(mine.sum()),
        patients=len(np.unique(patient[mine])),
        events=int(event[mine].sum()),
        expected_risk=_expected_risk(frame, event, mine, region, protocol),
        raw=clustered_proportion(event[mine], patient[mine], term=f"{term}, raw risk", level=protocol.level),
        against_rest=_against_rest(frame, event, mine, f"{term} against the rest", region, protocol),
        verdict="",
        overlap=_overlap(frame, mine),
    )


def _overlap(frame: pd.DataFrame, mine: NDArray[np.bool_]) -> float | None:
    """Share of own zones whose kind the others treated `OFTEN_ENOUGH` times or more."""
    if not mine.any():
        return None
    kind = (frame["region"].astype("string") + "|" + frame["skin_group"].astype("string")).to_numpy(dtype=str)
    others = pd.Series(kind[~mine]).value_counts()
    often = set(others.index[others >= OFTEN_ENOUGH])
    return float(np.mean([each in often for each in kind[mine]]))


def _expected_risk(
    frame: pd.DataFrame, event: NDArray[np.bool_], mine: NDArray[np.bool_], region: str | None, protocol: Protocol
) -> Estimate | None:
    """Mean risk of this practitioner's zones, by a case-mix model of everybody else's."""
    case_mix = frame[list(CASE_MIX)]
    others = case_mix.loc[~mine]
    if others.empty or not event[~mine].any():
        return None
    design = build(others, _case_mix_terms(region))
    patient = frame["patient_id"].to_numpy(dtype=str)[~mine]
    fit = penalised(design, event[~mine].astype(int), cluster=patient, level=protocol.level, profile=())
    if isinstance(fit, NotEstimable):
        return None
    try:
        matrix = design.evaluate(case_mix.loc[mine])
    except ValueError:  # a skin type that only this practitioner treated: nothing to expect from
        return None
    (answer,) = standardised_risks(fit, [matrix], ("expected",), level=protocol.level).risks
    return answer if isinstance(answer, Estimate) else None


def _against_rest(
    frame: pd.DataFrame,
    event: NDArray[np.bool_],
    mine: NDArray[np.bool_],
    term: str,
    region: str | None,
    protocol: Protocol,
) -> Answer:
    patients = frame.loc[mine, "patient_id"].nunique()
    if int(mine.sum()) < protocol.fewest_judged:
        return NotEstimable(term, "fewer zones than are judged", n=int(mine.sum()), unit="odds ratio")
    if mine.all():
        return NotEstimable(term, "nobody else treated such zones", n=int(mine.sum()), unit="odds ratio")
    marked = frame[list(CASE_MIX)].assign(_mine=mine.astype(float))
    design = build(marked, [Numeric("_mine", label=_MINE), *_case_mix_terms(region)])
    with_events = int(frame.loc[event, "patient_id"].nunique())
    rung = ladder(design.matrix.shape[1] - 1, with_events, int(event.sum()))
    if rung.rung != "penalised":
        return NotEstimable(term, rung.reason, n=int(mine.sum()), patients=int(patients), unit="odds ratio")
    fit = penalised(
        design,
        event.astype(int),
        cluster=frame["patient_id"].to_numpy(dtype=str),
        level=protocol.level,
        profile=(_MINE,),
    )
    if isinstance(fit, NotEstimable):
        return fit.named(term)
    answer = fit.term(_MINE)
    if isinstance(answer, Estimate):
        return replace(answer, term=term, n=int(mine.sum()), patients=int(patients), events=int(event[mine].sum()))
    return answer.named(term)


def judged_together(comparisons: Sequence[Comparison], protocol: Protocol) -> list[Comparison]:
    """Verdicts over everything that is compared, so that an audit of people all alike flags anybody in 5 of 100 at most.

    Holm's method over all practitioners of all comparisons: with each comparison judged alone, twelve of them would
    flag somebody in some 38 of 100 such audits. Who stands out of one comparison but not of the audit is worth a look.
    """
    raw = [[_p_value(each, protocol) for each in c.each] for c in comparisons]
    adjusted = iter(holm([p for own in raw for p in own]))
    return [
        replace(
            c,
            each=tuple(_with_verdict(each, next(adjusted), p) for each, p in zip(c.each, holm(own), strict=True)),
        )
        for c, own in zip(comparisons, raw, strict=True)
    ]


def _p_value(each: Compared, protocol: Protocol) -> float | None:
    if not isinstance(each.against_rest, Estimate) or each.zones < protocol.fewest_judged:
        return None
    return each.against_rest.p_value


def _with_verdict(each: Compared, p: float | None, alone: float | None) -> Compared:
    if p is None or alone is None or not isinstance(each.against_rest, Estimate):
        return replace(each, verdict="too few to judge")
    verdict = NOTICED if alone < 0.05 else "within limits"
    verdict = OUTSIDE[1] if p < 0.002 else OUTSIDE[0] if p < 0.05 else verdict
    return replace(each, against_rest=replace(each.against_rest, p_adjusted=p), verdict=verdict)


def judged_rows(comparisons: Sequence[Comparison]) -> int:
    """How many verdicts there are: what Holm's method allows for."""
    return sum(each.verdict != "too few to judge" for c in comparisons for each in c.each)


def _between(
    frame: pd.DataFrame, event: NDArray[np.bool_], outcome: Outcome, region: str | None, protocol: Protocol
) -> tuple[Answer, dict[str, Answer], dict[str, float]]:
    """Spread between practitioners, shrunken estimates and reliability, by a random intercept at equal case-mix."""
    term = f"{outcome.label}: spread between practitioners"
    practitioners = frame["practitioner_id"].to_numpy(dtype=str)
    count = len(np.unique(practitioners))
    if count < 3:
        return NotEstimable(term, "fewer than three practitioners", n=len(frame)), {}, {}
    design = build(frame, _case_mix_terms(region))
    with_events = int(frame.loc[event, "patient_id"].nunique())
    rung = ladder(design.matrix.shape[1] - 1 + _SPREAD, with_events, int(event.sum()))
    if rung.rung != "penalised":
        return NotEstimable(term, rung.reason, n=len(frame), events=int(event.sum())), {}, {}
    effect = design_effect(event, frame["patient_id"].to_numpy(dtype=str))
    found = between_groups(design, event.astype(int), group=practitioners, design_effect=effect, level=protocol.level)
    if isinstance(found, NotEstimable):
        return found.named(term), {}, {}
    shrunken = {
        str(who): answer.named(f"{outcome.label}, {who}: shrunken odds ratio against the average practitioner")
        for who, answer in found.shrunken.items()
    }
    return found.spread.named(term), shrunken, {str(who): share for who, share in found.reliability.items()}
