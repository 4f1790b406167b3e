"""Is a setting's effect the same within practitioners as between them?

A practitioner who always runs denser also differs in everything else; within a practitioner, the zones that were
treated denser were chosen for a reason. The two are estimated side by side. For each setting x of a zone z treated
by practitioner p,

    x = mean of z in the clinic + (mean of p for z − mean of z in the clinic) + (x − mean of p for z),

and each of the three has a coefficient of its own. The second is the part between practitioners at equal zone, the
third the part within them; the first, how zones of one region differ, belongs to neither and is only allowed for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.design import Design, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.few_groups import on_few_groups
from outcomes.estimates.firth import penalised
from outcomes.estimates.separation import collinear_columns
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.settings_support import patients_beside, rung_for
from outcomes.wording import count, plural, quantity

SMALLEST_SPREAD = 0.5
"""Steps that practitioners' means must differ by before a part between them is stated; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Split:
    """A setting's odds ratio for one step, within practitioners and between them."""

    within: Answer
    between: Answer

    @property
    def apart(self) -> bool:
        """Whether the two parts are both known and point in different directions."""
        if isinstance(self.within, NotEstimable) or isinstance(self.between, NotEstimable):
            return False
        return (self.within.value > 1) != (self.between.value > 1)

    def agrees(self, effect: Estimate) -> bool:
        """Whether the part within practitioners, and that between them where it is known, point as the whole does."""
        parts = [part for part in (self.within, self.between) if isinstance(part, Estimate)]
        return isinstance(self.within, Estimate) and all((p.value > 1) == (effect.value > 1) for p in parts)


def split_columns(frame: pd.DataFrame, setting: Setting) -> pd.DataFrame:
    """The frame with a setting's three parts: ``<column>_of_zone``, ``_between`` and ``_within``; they add up to it."""
    column = setting.column
    values = frame[column].astype("float64")
    zone = frame["zone"].astype("string").to_numpy(dtype=object)
    person = frame["practitioner_id"].astype("string").to_numpy(dtype=object)
    # rounded, so that practitioners who share a mean share a covariate pattern
    of_zone = values.groupby(zone).transform("mean").round(6)
    of_person = values.groupby([person, zone]).transform("mean").round(6)
    return frame.assign(
        **{
            f"{column}_of_zone": of_zone,
            f"{column}_between": of_person - of_zone,
            f"{column}_within": values - of_person,
        }
    )


def split_effects(
    frame: pd.DataFrame, event: NDArray[np.bool_], beside: Sequence[Term], protocol: Protocol
) -> dict[str, Split]:
    """Odds ratio of each setting's step within practitioners and between them, all settings in one model.

    The part between rests on as many numbers as there are practitioners, whatever the zones: its limits are on the t
    distribution with that many degrees of freedom, less one and those of the settings.

    Parameters
    ----------
    frame : DataFrame
        The zones in the model, with covariates.
    event : bool array of shape (n,)
    beside : sequence of Term
        Case-mix and calendar time, as in the model that is split.
    """
    parts = frame
    terms: list[Term] = []
    for s in SETTINGS:
        parts = split_columns(parts, s)
        terms += [
            Numeric(f"{s.column}_{part}", per=s.step, label=f"{s.step_label}, {part}") for part in ("within", "between")
        ]
    terms += beside
    design = _with_zones(parts, terms)
    patients = frame["patient_id"].to_numpy(dtype=str)
    rung = rung_for(design.matrix.shape[1] - 1, patients, event)
    between_terms = sum(label.endswith(", between") for label in design.labels)
    known = {
        f"{s.step_label}, {part}": reason
        for s in SETTINGS
        for part, reason in (
            ("within", _no_within(parts, s, protocol)),
            ("between", _no_between(parts, s, between_terms)),
        )
    }
    wanted = [label for label, reason in known.items() if not reason and label in design.labels]
    if rung.rung == "penalised" and wanted:
        fit = penalised(design, event.astype(int), cluster=patients, level=protocol.level, profile=wanted)
        failed = fit.reason if isinstance(fit, NotEstimable) else ""
    else:
        fit, failed = None, rung.reason

    def answer(setting: Setting, part: str) -> Answer:
        label = f"{setting.step_label}, {part}"
        if fit is not None and not isinstance(fit, NotEstimable) and label in wanted:
            own = fit.term(label)
            return own if part == "within" else on_few_groups(own, frame["practitioner_id"].nunique(), between_terms)
        return NotEstimable(
            label,
            known[label] or failed or "the setting does not vary",
            n=len(frame),
            patients=int(frame["patient_id"].nunique()),
            events=int(event.sum()),
            unit="odds ratio",
        )

    return {s.column: Split(answer(s, "within"), answer(s, "between")) for s in SETTINGS}


def _with_zones(parts: pd.DataFrame, terms: Sequence[Term]) -> Design:
    """The design with the zones' means added as far as they say something: a few zones are told by fewer numbers."""
    means = [Numeric(f"{s.column}_of_zone", per=s.step, label=f"{s.step_label}, of the zone") for s in SETTINGS]
    design = build(parts, [*terms, *means])
    redundant = (
        {design.term_of[j] for j in collinear_columns(design.matrix, np.ones(len(parts)))} if len(parts) else set()
    )
    return build(parts, [*terms, *(m for m in means if m.column not in redundant)])


def _no_within(parts: pd.DataFrame, setting: Setting, protocol: Protocol) -> str:
    """Why nothing can be said of a setting within practitioners; empty when something can."""
    fewest = protocol.fewest_patients_beside
    if patients_beside(parts, f"{setting.column}_within", setting.step) < fewest:
        return (
            f"fewer than {count(fewest)} patients stand on either side of a difference of {setting.step_label} "
            "within practitioners"
        )
    return ""


def _no_between(parts: pd.DataFrame, setting: Setting, terms: int) -> str:
    """Why nothing can be said of a setting between practitioners; empty when something can."""
    means = parts[f"{setting.column}_between"].groupby(parts["practitioner_id"].astype(str).to_numpy()).mean()
    if len(means) < 2:
        return "one practitioner only"
    spread = float(means.max() - means.min())
    if spread < SMALLEST_SPREAD * setting.step:
        return (
            f"practitioners' means at equal zone lie within {quantity(spread, setting.unit)}, less than half the step"
        )
    if len(means) - 1 - terms < 1:
        return (
            f"{count(len(means))} practitioners are too few for a part between them, with {plural(terms, 'setting')} in "
            "the model"
        )
    return ""
