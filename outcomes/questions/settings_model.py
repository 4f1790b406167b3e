"""The model behind *settings and risk*: who enters, which rung of the ladder, and what may be said per setting.

Everything here is decided before an association is looked at: the covariates by the protocol, the rung by the
number of patients with events, and whether a setting can be spoken of by its support and by how far the rest of
the model already determines it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.design import Category, Design, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.follow_up import follow_up, mature
from outcomes.questions.population import Population, everyone, first_treatments, treated_between
from outcomes.questions.settings_in_use import comparable_settings
from outcomes.questions.settings_split import Split, split_effects
from outcomes.questions.settings_support import overlaps, patients_beside, rung_for
from outcomes.records.cases import Cases
from outcomes.records.vocabulary import REGIONS, Outcome
from outcomes.wording import count, decimal

REFERENCES = {
    "region": "face",
    "skin_group": "I–II",
    "age_group": "40 to 54",
    "indication_group": "photoageing or wrinkles",
}
LABELS = {"region": "region", "skin_group": "skin type", "age_group": "age", "indication_group": "indication"}
FULL_SET = ("region", "skin_group", "age_group", "indication_group")
SHORT_SET = ("region", "skin_group")


@dataclass(frozen=True, slots=True, eq=False)
class Modelled:
    """One outcome's model and what it says for each setting.

    Attributes
    ----------
    outcome : Outcome
    population : Population
        Zones whose outcome is known, with their covariates.
    event : bool array of shape (n,)
    rung : str
        What the ladder chose and why, in words.
    covariates : tuple of str
        Case-mix columns in the model.
    terms : tuple of Term
        What the design was built from; empty on the rung "rates only".
    design : Design or None
    fit : Fit or None
        None on the rung "rates only".
    effects : dict of str to Estimate or NotEstimable
        Odds ratio for each setting's step, by column.
    split : dict of str to Split
        The same within practitioners and between them, by column; empty where it was not asked for.
    split_covariates : tuple of str
        Case-mix columns in the model that was split; fewer where events are.
    """

    outcome: Outcome
    population: Population
    event: NDArray[np.bool_]
    rung: str
    covariates: tuple[str, ...] = ()
    terms: tuple[Term, ...] = ()
    design: Design | None = None
    fit: Fit | None = None
    effects: dict[str, Answer] = field(default_factory=dict)
    split: dict[str, Split] = field(default_factory=dict)
    split_covariates: tuple[str, ...] = ()

    @property
    def patients_with_events(self) -> int:
        """How many patients had the event."""
        return int(self.population.frame.loc[self.event, "patient_id"].nunique())

    @property
    def beside(self) -> tuple[Term, ...]:
        """Terms that are neither settings, case-mix nor calendar time, such as who graded."""
        usual = {"months", *FULL_SET, *(s.column for s in SETTINGS)}
        return tuple(term for term in self.terms if term.column not in usual)

    @property
    def cluster(self) -> NDArray[np.str_]:
        """Patient of each zone."""
        return self.population.frame["patient_id"].to_numpy(dtype=str)


def settings_population(cases: Cases, end: date, as_of: date, outcome: Outcome, protocol: Protocol) -> Population:
    """Zones that can tell how `outcome` goes with settings: first treatments, comparable, mature, known."""
    population = settings_candidates(cases, end, as_of, outcome, protocol)
    return population.keep(
        pd.Series(follow_up(population.frame, outcome).known, index=population.frame.index),
        "zones never seen late enough to know the outcome",
    )


def settings_candidates(cases: Cases, end: date, as_of: date, outcome: Outcome, protocol: Protocol) -> Population:
    """Zones that could tell how `outcome` goes with settings if all had been seen late enough."""
    population = Population(treated_between(everyone(cases).frame, date(1900, 1, 1), end))
    population = population.keep(
        mature(population.frame, outcome, as_of), "zones treated too recently for the outcome to have had its time"
    )
    population = first_treatments(population)
    population = comparable_settings(population, protocol)
    population = population.keep(population.frame["region"].notna(), "scars elsewhere, which have no region")
    if outcome.regions is not None:
        population = population.keep(
            population.frame["region"].astype("string").isin(outcome.regions), "zones where it cannot occur"
        )
    for setting in SETTINGS:
        population = population.keep(
            population.frame[setting.column].notna(), f"zones without a recorded {setting.label}"
        )
    return population


def settings_terms(covariates: Sequence[str], frame: pd.DataFrame, settings: Sequence[Setting]) -> list[Term]:
    """Settings, case-mix and calendar time, in the order of the report."""
    terms: list[Term] = [
        Numeric(s.column, per=s.step, label=s.step_label, center=float(frame[s.column].astype(float).median()))
        for s in settings
    ]
    terms += [
        Category(name, REFERENCES[name], label=LABELS[name], level_labels=REGIONS if name == "region" else None)
        for name in covariates
    ]
    terms.append(Numeric("months", per=12.0, label="a year later", center=float(frame["months"].median())))
    return terms


def model_outcome(
    population: Population,
    outcome: Outcome,
    protocol: Protocol,
    *,
    event: NDArray[np.bool_] | None = None,
    beside: Sequence[Term] = (),
    split: bool = True,
    profile: Sequence[str] | None = None,
) -> Modelled:
    """Fit one outcome's model, or say why only rates can be given.

    Parameters
    ----------
    event : bool array of shape (n,) or None
        Which zones had it; read from follow-up when None.
    beside : sequence of Term
        Further terms to allow for.
    split : bool
        Whether effects are also split within and between practitioners.
    profile : sequence of str or None
        Labels of the settings' steps whose odds ratios are wanted; all, and region and skin type, when None. Effects
        hold the wanted ones and each "cannot say".
    """
    frame = population.frame
    event = follow_up(frame, outcome).event if event is None else event
    modelled = Modelled(outcome, population, event, rung="")
    reason = ""
    for covariates in (FULL_SET, SHORT_SET):
        rest = [*settings_terms(covariates, frame, ()), *beside]
        terms = [*settings_terms((), frame, SETTINGS)[:-1], *rest]
        design = build(frame, terms) if len(frame) else None
        parameters = design.matrix.shape[1] - 1 if design is not None else len(terms)
        rung = rung_for(parameters, modelled.cluster, event)
        if rung.rung != "penalised" or design is None:
            reason = rung.reason
            continue
        effects, fit = _effects(modelled, design, protocol, profile=profile)
        if fit is None:
            reason = next(iter(effects.values())).reason  # type: ignore[union-attr]
            continue
        modelled = replace(
            modelled,
            rung=rung.reason,
            covariates=covariates,
            terms=tuple(terms),
            design=design,
            fit=fit,
            effects=effects,
        )
        return _split(modelled, beside, protocol) if split else modelled
    cannot: dict[str, Answer] = {
        s.column: NotEstimable(
            s.step_label,
            reason,
            n=len(frame),
            patients=population.patients,
            events=int(event.sum()),
            unit="odds ratio",
        )
        for s in SETTINGS
    }
    return replace(modelled, rung=f"rates only: {reason}", effects=cannot)


def _split(modelled: Modelled, beside: Sequence[Term], protocol: Protocol) -> Modelled:
    """The model with its effects split; with less case-mix where events do not bear the split otherwise."""
    frame = modelled.population.frame
    for covariates in dict.fromkeys((modelled.covariates, SHORT_SET)):
        parts = split_effects(frame, modelled.event, [*settings_terms(covariates, frame, ()), *beside], protocol)
        modelled = replace(modelled, split=parts, split_covariates=covariates)
        if any(isinstance(part.within, Estimate) for part in parts.values()):
            break
    return modelled


def _effects(
    modelled: Modelled, design: Design, protocol: Protocol, *, profile: Sequence[str] | None
) -> tuple[dict[str, Answer], Fit | None]:
    steps = [s.step_label for s in SETTINGS]
    if profile is None:
        profile = [n for n in design.labels if n in steps or n.startswith(("region ", "skin type "))]
    wanted = [n for n in profile if n in design.labels]
    fit = penalised(design, modelled.event.astype(int), cluster=modelled.cluster, level=protocol.level, profile=wanted)
    if isinstance(fit, NotEstimable):
        return {s.column: fit.named(s.step_label) for s in SETTINGS}, None
    effects: dict[str, Answer] = {}
    for setting in SETTINGS:
        refusal = cannot_say(modelled.population.frame, design, setting, protocol)
        if refusal:
            effects[setting.column] = NotEstimable(
                setting.step_label,
                refusal,
                n=fit.n,
                patients=fit.patients,
                events=fit.events,
                unit="odds ratio",
                method=fit.method,
            )
        elif setting.step_label in wanted:
            effects[setting.column] = fit.term(setting.step_label)
    return effects, fit


def cannot_say(frame: pd.DataFrame, design: Design, setting: Setting, protocol: Protocol) -> str:
    """Why nothing can be said of a setting, as a clause; empty when something can.

    A setting is spoken of only if at least ``fewest_patients_beside`` patients stand on either side of one
    step, if in some region skin types and practitioners use both ends of one, and if the rest of the model explains
    no more than ``collinear_above`` of its variation.
    """
    fewest = protocol.fewest_patients_beside
    if patients_beside(frame, setting.column, setting.step) < fewest:
        return f"fewer than {count(fewest)} patients stand on either side of a difference of {setting.step_label}"
    if setting.step_label not in design.labels:
        return "the setting does not vary"
    if not any(place.zones.any() for place in overlaps(frame, setting, protocol).values()):
        return f"in no region is a difference of {setting.step_label} used by any skin type and practitioner alike"
    column = design.labels.index(setting.step_label)
    share = explained_by_rest(design.matrix, column)
    if share > protocol.collinear_above:
        return (
            f"the other settings and the case-mix determine {decimal(100 * share, 0)} % of its variation, so that "
            "it cannot be told apart from them"
        )
    return ""


def explained_by_rest(matrix: NDArray[np.float64], column: int) -> float:
    """R² of one column of a design on the others (intercept among them)."""
    target = matrix[:, column]
    rest = np.delete(matrix, column, axis=1)
    fitted = rest @ np.linalg.lstsq(rest, target, rcond=None)[0]
    spread = float(((target - target.mean()) ** 2).sum())
    return 1.0 - float(((target - fitted) ** 2).sum()) / spread if spread > 0 else 1.0
