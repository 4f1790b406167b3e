"""Do the settings' odds ratios hold when case-mix that was not recorded is imputed?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.estimates.estimate import Answer, Fit
from outcomes.estimates.impute import imputed
from outcomes.estimates.pooling import pooled_answers, pooled_fits
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.population import NOT_RECORDED, Population
from outcomes.questions.settings_model import Modelled, model_outcome

DATA_SETS = 5
"""Completed copies of the records. Enough where what is missing makes up little of an odds ratio's variance, which the
report says (van Buuren, Flexible Imputation of Missing Data, 2018, section 2.8)."""

_ALWAYS_RECORDED = ("region", "months", "practitioner_id", *(s.column for s in SETTINGS))
_EVENT = "had_the_outcome"


@dataclass(frozen=True, slots=True)
class Gaps:
    """What was imputed for one model.

    Attributes
    ----------
    zones : dict of str to int
        Zones without the answer, by column; columns without a gap are not among them.
    missing_information : float
        Largest share, over the settings, of an odds ratio's information that is lost to what was not recorded.
    """

    zones: Mapping[str, int]
    missing_information: float


def imputed_again(main: Modelled, protocol: Protocol) -> tuple[Modelled | None, Gaps | None]:
    """The same model on records whose case-mix is completed by multiple imputation, pooled by Rubin's rules.

    The outcome, the region, the settings, the practitioner and calendar time take part in the imputation. A column that is
    recorded for fewer than ``fewest_patients_beside`` patients keeps "not recorded" as a level: there is nothing to draw from.

    Returns
    -------
    model : Modelled or None
        None where nothing is missing that could be imputed.
    gaps : Gaps or None
        None where there is no imputed model.
    """
    if main.fit is None:
        return main, None
    columns = _with_gaps(main, protocol)
    if not columns:
        return None, None
    models = [_fitted(frame, main, protocol) for frame in _completed(main, columns, protocol)]
    fits = [m.fit for m in models if m.fit is not None]
    complete_df = float(max(1, main.population.patients - len(main.fit.names)))
    effects: dict[str, Answer] = {
        s.column: pooled_answers([m.effects[s.column] for m in models], complete_df=complete_df) for s in SETTINGS
    }
    pooled = pooled_fits(fits) if len(fits) == len(models) else None
    fit = pooled if isinstance(pooled, Fit) else None
    blank = {name: int((main.population.frame[name].astype(str) == NOT_RECORDED).sum()) for name in columns}
    gaps = Gaps(blank, _missing_information(fit))
    return replace(main, fit=fit, effects=effects, split={}), gaps


def _with_gaps(main: Modelled, protocol: Protocol) -> list[str]:
    """Case-mix columns in the model that some zones lack and enough patients have."""
    frame = main.population.frame
    found = []
    for name in main.covariates:
        recorded = (frame[name].astype(str) != NOT_RECORDED).to_numpy(dtype=bool)
        patients = frame.loc[recorded, "patient_id"].nunique()
        if not recorded.all() and patients >= protocol.fewest_patients_beside:
            found.append(name)
    return found


def _completed(main: Modelled, columns: Sequence[str], protocol: Protocol) -> list[pd.DataFrame]:
    frame = main.population.frame
    open_ones = frame.assign(
        **{
            name: frame[name].cat.set_categories([c for c in frame[name].cat.categories if c != NOT_RECORDED])
            for name in columns
        },
        practitioner_id=frame["practitioner_id"].astype("string"),
        **{_EVENT: main.event.astype(int)},
    )
    others = [name for name in main.covariates if name not in columns]
    copies = imputed(
        open_ones,
        list(columns),
        list(dict.fromkeys([_EVENT, *_ALWAYS_RECORDED, *others])),
        cluster=main.cluster,
        imputations=DATA_SETS,
        seed=protocol.seed,
    )
    return [
        frame.assign(**{name: copy[name].cat.set_categories(frame[name].cat.categories) for name in columns})
        for copy in copies
    ]


def _fitted(frame: pd.DataFrame, main: Modelled, protocol: Protocol) -> Modelled:
    population = Population(frame, main.population.left_out)
    steps = [s.step_label for s in SETTINGS]
    return model_outcome(
        population, main.outcome, protocol, event=main.event, beside=main.beside, split=False, profile=steps
    )


def _missing_information(fit: Fit | None) -> float:
    if fit is None:
        return 1.0
    places = [fit.names.index(s.column) for s in SETTINGS if s.column in fit.names]
    share = fit.details["missing_information"]
    return max((float(share[j]) for j in places), default=0.0)
