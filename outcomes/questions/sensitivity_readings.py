"""The settings models of risk and of benefit, made again on other readings of the same records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.estimates.estimate import Answer
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.benefit import CONTENT, HELPED, benefit_candidates, benefit_model, graded
from outcomes.questions.criteria_units import with_contacts
from outcomes.questions.follow_up import follow_up
from outcomes.questions.population import NOT_RECORDED, Population, everyone
from outcomes.questions.sensitivity_imputed import Gaps, imputed_again
from outcomes.questions.sensitivity_weighted import weighted_for_graded, weighted_for_seen
from outcomes.questions.settings_model import Modelled, model_outcome, settings_candidates
from outcomes.questions.settings_verdict import adjusted_for_multiplicity, judge
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import Outcome

PLANNED, WEIGHTED, FIRST, COMPLETE, IMPUTED = "planned visits", "weighted", "first session", "complete", "imputed"
READINGS: dict[str, str] = {
    PLANNED: "only contacts that had been planned count",
    WEIGHTED: "zones known are weighted for those like them that are not",
    FIRST: "only each patient's first session counts",
    COMPLETE: "only zones whose case-mix is recorded in full count",
    IMPUTED: "case-mix that is not recorded is imputed",
}
_COVARIATES = ("skin_group", "age_group", "indication_group")
_STEPS = tuple(s.step_label for s in SETTINGS)


@dataclass(frozen=True, slots=True)
class Readings:
    """The main models and those of each other reading, outcome by outcome in the same order.

    Attributes
    ----------
    main : tuple of Modelled
    others : dict of str to tuple of Modelled or None
        By name of the reading; None where a reading does not apply to an outcome.
    gaps : tuple of Gaps or None
        What was imputed for each outcome; None where nothing was.
    """

    main: tuple[Modelled, ...]
    others: Mapping[str, tuple[Modelled | None, ...]]
    gaps: tuple[Gaps | None, ...] = ()

    def each(self) -> list[tuple[int, Modelled, Setting]]:
        """Every outcome (by its position) with every setting."""
        return [(i, m, s) for i, m in enumerate(self.main) for s in SETTINGS]

    def answer(self, name: str, position: int, setting: Setting) -> Answer | None:
        """The odds ratio in one reading; None where it does not apply."""
        other = self.others[name][position]
        return None if other is None else other.effects[setting.column]

    def verdict(self, name: str, position: int, setting: Setting) -> str:
        """The verdict in one reading, by the rule of the main one; empty where it does not apply.

        The parts within and between practitioners are those of the main analysis.
        """
        other = self.others[name][position]
        return "" if other is None else judge(replace(other, split=self.main[position].split), setting).word


def planned_only(cases: Cases) -> Cases:
    """Cases whose follow-up is that of planned contacts alone."""
    return with_contacts(cases, cases.visits["scheduled"].fillna(False).to_numpy(dtype=bool))


def first_sessions(population: Population, cases: Cases) -> Population:
    """The zones treated on the patient's first day of treatment."""
    first = everyone(cases).frame.groupby("patient_id")["treated_on"].min()
    own = population.frame["patient_id"].map(first)
    return population.keep(population.frame["treated_on"] == own, "zones of a patient's later sessions")


def complete_only(population: Population) -> Population:
    """The zones whose case-mix is recorded in full."""
    for column in _COVARIATES:
        recorded = population.frame[column].astype(str) != NOT_RECORDED
        population = population.keep(recorded, "zones with case-mix not recorded")
    return population


def read_again(cases: Cases, scope: Scope, protocol: Protocol) -> Readings:
    """Every settings model of risk and of benefit, in the main reading and in the others.

    p values are adjusted within each reading, over risk and over benefit apart, as in the main analyses.
    """
    outcomes = [protocol.outcome(name) for name in protocol.modelled]
    candidates = [settings_candidates(cases, scope.end, scope.as_of, o, protocol) for o in outcomes]
    planned = planned_only(cases)
    from_planned = [settings_candidates(planned, scope.end, scope.as_of, o, protocol) for o in outcomes]

    could_be_graded = benefit_candidates(cases, scope, protocol)
    risk = [
        model_outcome(_known(part, o), o, protocol, profile=_STEPS)
        for o, part in zip(outcomes, candidates, strict=True)
    ]
    good = [benefit_model(could_be_graded, o, protocol) for o in (HELPED, CONTENT)]

    def risks(zones: Sequence[Population]) -> list[Modelled]:
        return [
            model_outcome(_known(part, o), o, protocol, split=False, profile=_STEPS)
            for o, part in zip(outcomes, zones, strict=True)
        ]

    def benefits(zones: Population) -> list[Modelled]:
        return [_benefit_again(m, zones, protocol) for m in good]

    others = {
        PLANNED: (risks(from_planned), None),
        WEIGHTED: (
            [weighted_for_seen(m, part, protocol) for m, part in zip(risk, candidates, strict=True)],
            [weighted_for_graded(m, could_be_graded, protocol) for m in good],
        ),
        FIRST: (
            risks([first_sessions(part, cases) for part in candidates]),
            benefits(first_sessions(could_be_graded, cases)),
        ),
        COMPLETE: (risks([complete_only(part) for part in candidates]), benefits(complete_only(could_be_graded))),
    }
    completed = [imputed_again(m, protocol) for m in (*risk, *good)]
    models: dict[str, tuple[Modelled | None, ...]] = {
        name: (
            *adjusted_for_multiplicity(first),
            *((None,) * len(good) if second is None else adjusted_for_multiplicity(second)),
        )
        for name, (first, second) in others.items()
    }
    models[IMPUTED] = (
        *_adjusted([m for m, _ in completed[: len(risk)]]),
        *_adjusted([m for m, _ in completed[len(risk) :]]),
    )
    return Readings(
        (*adjusted_for_multiplicity(risk), *adjusted_for_multiplicity(good)),
        models,
        tuple(gaps for _, gaps in completed),
    )


def _adjusted(models: Sequence[Modelled | None]) -> tuple[Modelled | None, ...]:
    """P values adjusted over the models that there are."""
    adjusted = iter(adjusted_for_multiplicity([m for m in models if m is not None]))
    return tuple(None if m is None else next(adjusted) for m in models)


def _benefit_again(main: Modelled, zones: Population, protocol: Protocol) -> Modelled:
    population, event = graded(zones, main.outcome)
    return model_outcome(
        population, main.outcome, protocol, event=event, beside=main.beside, split=False, profile=_STEPS
    )


def _known(candidates: Population, outcome: Outcome) -> Population:
    known = pd.Series(follow_up(candidates.frame, outcome).known, index=candidates.frame.index)
    return candidates.keep(known, "zones never seen late enough to know the outcome")
