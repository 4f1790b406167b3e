"""How long would half the zones of a region take to heal at its usual settings, and at one step less or more of each?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.estimates.accelerated import adjusted_median
from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Fit, FloatArray, NotEstimable
from outcomes.findings import Grid
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import capital, cell_text, level_text, plural, quantity

STEPS = {"less": -1, "more": 1}


@dataclass(frozen=True, slots=True)
class RegionMedians:
    """Adjusted median days to heal of one region.

    Attributes
    ----------
    region : str
    zones, patients : int
        Zones of the region that are in the model.
    usual : dict of str to float
        Median of each setting among them, by column.
    at_usual : Estimate or NotEstimable
    steps : dict of (str, str) to Estimate or NotEstimable
        By column of the setting and ``less`` or ``more``: that setting one step away, the others as usual.
    """

    region: str
    zones: int
    patients: int
    usual: Mapping[str, float]
    at_usual: Answer
    steps: Mapping[tuple[str, str], Answer]

    @property
    def answers(self) -> tuple[Answer, ...]:
        """All of them, the usual settings first."""
        return (self.at_usual, *self.steps.values())


def region_medians(
    frame: pd.DataFrame, design: Design, fit: Fit, zones: Sequence[str], protocol: Protocol
) -> tuple[RegionMedians, ...]:
    """Adjusted median days to heal by region, at its usual settings and one step of each setting away.

    Averaged over the region's own zones in the model, each with its own case-mix. A step is said only where at least
    ``fewest_patients_beside`` patients of the region were treated as far from the usual setting, or further.

    Parameters
    ----------
    frame : DataFrame
        The zones in the model.
    design : Design
        What the model was fitted to.
    fit : Fit
        From `accelerated_failure_time`.
    zones : sequence of str
        Kinds of zone that the model knows.
    """
    kept = frame.loc[frame["zone"].astype("string").isin(zones).to_numpy(dtype=bool)]
    here = kept["region"].astype(str)
    return tuple(
        _of_region(kept.loc[(here == region).to_numpy(dtype=bool)], region, design, fit, protocol)
        for region in REGIONS
        if bool((here == region).any())
    )


def _of_region(frame: pd.DataFrame, region: str, design: Design, fit: Fit, protocol: Protocol) -> RegionMedians:
    usual = {s.column: float(frame[s.column].astype(float).median()) for s in SETTINGS}
    patients = int(frame["patient_id"].nunique())
    term = f"adjusted median days to heal, {REGIONS[region]}"

    def median(label: str, **changed: float) -> Answer:
        matrix: FloatArray = design.evaluate(frame.assign(**{**usual, **changed}))
        return adjusted_median(fit, [matrix], [label], level=protocol.level)[0]

    steps: dict[tuple[str, str], Answer] = {}
    for s in SETTINGS:
        for word, sign in STEPS.items():
            label = f"{term}, {_step_words(s, word)}"
            reached = usual[s.column] + sign * s.step
            beyond = patients_beyond(frame, s, reached, sign)
            if beyond < protocol.fewest_patients_beside:
                steps[s.column, word] = NotEstimable(
                    label,
                    f"fewer than {plural(protocol.fewest_patients_beside, 'patient')} were treated with "
                    f"{quantity(reached, s.unit)} or {word}",
                    n=len(frame),
                    patients=patients,
                    unit="days",
                    method=fit.method,
                )
            else:
                steps[s.column, word] = median(label, **{s.column: reached})
    return RegionMedians(region, len(frame), patients, usual, median(f"{term}, usual settings"), steps)


def patients_beyond(frame: pd.DataFrame, setting: Setting, value: float, sign: int) -> int:
    """Patients with a zone treated at a value of a setting or further from the middle, upward for a sign of 1.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient_id": ["a", "a", "b"], "passes": [1.0, 2.0, 3.0]})
    >>> from outcomes.protocol import SETTINGS
    >>> patients_beyond(rows, SETTINGS[2], 2.0, 1), patients_beyond(rows, SETTINGS[2], 1.0, -1)
    (2, 1)
    """
    away = sign * (frame[setting.column].astype(float) - value)
    return int(frame.loc[(away >= -1e-6 * setting.step).to_numpy(dtype=bool), "patient_id"].nunique())


def _step_words(setting: Setting, word: str) -> str:
    return setting.step_label if word == "more" else setting.step_label.replace("more", "less")


def steps_table(regions: Sequence[RegionMedians], protocol: Protocol) -> Grid:
    """The medians as a table: a setting of a region a row; one step less, usual, one step more."""
    rows, groups = [], []
    for r in regions:
        usual = cell_text(r.at_usual, "–")
        for s in SETTINGS:
            less, more = (cell_text(r.steps[s.column, word], "–") for word in STEPS)
            rows.append((capital(s.label), _amount(s, s.step), less, _amount(s, r.usual[s.column]), more))
            groups.append(f"{capital(REGIONS[r.region])}, {plural(r.zones, 'zone')}: {usual} days at usual settings")
    return Grid(
        title="Adjusted median days to heal, one step of a setting away from what is usual in the region",
        detail=True,
        headers=("", "Step", "One step less", "Usual", "One step more"),
        rows=tuple(rows),
        groups=tuple(groups),
        number_columns=(1, 2, 3, 4),
        note=f"With {level_text(protocol.level)}, for zones treated with a {protocol.spot_class} beam; the other settings as usual, "
        "over the case-mix of the region's own zones in the model. A dash: fewer than "
        f"{plural(protocol.fewest_patients_beside, 'patient')} were treated that far from usual, and nothing is said. This "
        "describes zones treated so, not what a change would do.",
    )


def _amount(setting: Setting, value: float) -> str:
    """A setting with its unit: "10 mJ", "1 pass"."""
    return quantity(value, "pass" if setting.unit == "passes" and value == 1 else setting.unit)
