"""Do the settings' odds ratios hold when zones seen stand for those like them that were not?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Fit, FloatArray, NotEstimable
from outcomes.estimates.weighted import predicted_chance, weighted_logistic
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.follow_up import follow_up
from outcomes.questions.outcome_risk import WEIGHTED_BY
from outcomes.questions.population import Population
from outcomes.questions.settings_model import LABELS, REFERENCES, Modelled

SMALLEST_CHANCE = 0.02
"""Chance of being seen below which a zone seen would stand for more than fifty; common practice, no source."""


def weighted_for_seen(main: Modelled, candidates: Population, protocol: Protocol) -> Modelled:
    """The same model with each zone known by follow-up weighted by the inverse of its chance of being so.

    An event found early is known whatever comes later and has weight 1. The chance is modelled on case-mix, settings,
    practitioner and calendar time, all of them known before anybody was seen.

    Parameters
    ----------
    main : Modelled
        The model of zones whose outcome is known.
    candidates : Population
        These and the zones never seen late enough, as `settings_model.settings_candidates` gives them.
    """
    if main.fit is None or main.design is None:
        return main
    state = follow_up(candidates.frame, main.outcome)
    chance = chance_of_being_seen(candidates.frame, state.seen, ~state.early)
    if isinstance(chance, NotEstimable):
        return _cannot(main, chance)
    weight = pd.Series(1 / chance, index=candidates.frame.index).loc[main.population.frame.index]
    return reweighted(main, np.asarray(weight, dtype=np.float64), protocol)


def weighted_for_graded(main: Modelled, candidates: Population, protocol: Protocol) -> Modelled:
    """The same for benefit: zones graded stand for those like them that were not."""
    if main.fit is None or main.design is None:
        return main
    graded = np.asarray(candidates.frame.index.isin(main.population.frame.index), dtype=bool)
    chance = chance_of_being_seen(candidates.frame, graded, np.ones(len(graded), dtype=bool))
    if isinstance(chance, NotEstimable):
        return _cannot(main, chance)
    return reweighted(main, (1 / chance)[graded], protocol)


def chance_of_being_seen(
    frame: pd.DataFrame, seen: NDArray[np.bool_], at_risk: NDArray[np.bool_]
) -> FloatArray | NotEstimable:
    """Chance of each zone to be seen late enough, given what was recorded on the day of treatment.

    Firth's logistic regression among the zones in `at_risk`; 1 for the others. Never below `SMALLEST_CHANCE`.
    """
    chance = np.ones(len(frame))
    if bool(seen[at_risk].all()):
        return chance
    rest = frame.loc[at_risk]
    terms: list[Term] = [Category(name, REFERENCES[name], label=LABELS[name]) for name in WEIGHTED_BY]
    terms += [Numeric(s.column, per=s.step, label=s.step_label) for s in SETTINGS]
    people = rest["practitioner_id"].astype(str)
    terms += [Category("practitioner_id", sorted(set(people))[0]), Numeric("months", per=12.0)]
    design = build(rest.assign(practitioner_id=people), terms)
    predicted = predicted_chance(design, seen[at_risk].astype(int))
    if isinstance(predicted, NotEstimable):
        return predicted
    chance[at_risk] = np.maximum(predicted, SMALLEST_CHANCE)
    return chance


def reweighted(main: Modelled, weight: FloatArray, protocol: Protocol) -> Modelled:
    """The main model fitted with weights; what it cannot say of a setting stays so, and so do the two parts.

    Zones of a case-mix level in which all or none had the event say nothing of the settings by maximum likelihood; they
    are left out, since no finite estimate exists with them.
    """
    frame, event = main.population.frame, main.event
    kept = telling(frame, event, [term.column for term in main.terms if isinstance(term, Category)])
    design = build(frame.loc[kept], main.terms)
    fit = weighted_logistic(
        design, event[kept].astype(int), weight=weight[kept], cluster=main.cluster[kept], level=protocol.level
    )
    if isinstance(fit, NotEstimable):
        return _cannot(main, fit)
    return replace(
        main,
        population=Population(frame.loc[kept], main.population.left_out),
        event=event[kept],
        design=design,
        fit=fit,
        effects={s.column: _effect(main, fit, s.column, s.step_label) for s in SETTINGS},
    )


def telling(frame: pd.DataFrame, event: NDArray[np.bool_], columns: Sequence[str]) -> NDArray[np.bool_]:
    """Rows whose level of every column holds rows with the event and rows without, among the rows that are kept."""
    kept = np.ones(len(frame), dtype=bool)
    while True:
        before = int(kept.sum())
        for column in columns:
            share = pd.Series(event[kept]).groupby(frame.loc[kept, column].astype(str).to_numpy()).mean()
            mixed = set(share.index[(share > 0) & (share < 1)])
            kept &= frame[column].astype(str).isin(mixed).to_numpy(dtype=bool)
        if int(kept.sum()) == before:
            return kept


def _effect(main: Modelled, fit: Fit, column: str, label: str) -> Answer:
    own = main.effects[column]
    if isinstance(own, NotEstimable) or not any(answer.term == label for answer in fit.terms):
        return own if isinstance(own, NotEstimable) else NotEstimable(label, "the setting does not vary", n=fit.n)
    return fit.term(label)


def _cannot(main: Modelled, refusal: NotEstimable) -> Modelled:
    effects: dict[str, Answer] = {s.column: refusal.named(s.step_label) for s in SETTINGS}
    return replace(main, fit=None, effects=effects)


def smallest_effective_share(models: Sequence[Modelled]) -> float:
    """Smallest effective number of zones, as a share of those in the model, over weighted models."""
    shares = [
        float(m.fit.details["effective_number"]) / m.fit.n
        for m in models
        if m.fit is not None and "effective_number" in m.fit.details
    ]
    return min(shares, default=1.0)
