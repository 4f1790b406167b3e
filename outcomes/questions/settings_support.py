"""Where do settings overlap? What the records can support, decided before any association is looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.firth import Rung, ladder
from outcomes.protocol import Protocol, Setting
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import count


def rung_for(parameters: int, patients: NDArray[np.str_], event: NDArray[np.bool_]) -> Rung:
    """Which rung the number of events allows; where events are the more frequent answer, that of non-events."""
    frequent = bool(2 * event.sum() > len(event))
    rarer = ~event if frequent else event
    rung = ladder(parameters, len(np.unique(patients[rarer])), int(rarer.sum()))
    return replace(rung, reason=rung.reason.replace("events", "non-events")) if frequent else rung


def patients_beside(frame: pd.DataFrame, column: str, step: float) -> int:
    """Most patients that stand on both sides of one step, wherever the step is placed.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient_id": ["a", "b", "c", "d"], "passes": [1.0, 1.0, 2.0, 2.0]})
    >>> patients_beside(rows, "passes", 1.0)
    2
    """
    place = best_step(frame, column, step)
    return 0 if place is None else place.fewer


@dataclass(frozen=True, slots=True)
class Place:
    """Where one step of a setting is placed, and how many patients stand on its thinner side."""

    low: float
    fewer: int


def best_step(frame: pd.DataFrame, column: str, step: float) -> Place | None:
    """The place of one step with most patients on its thinner side; the one nearest the median of equals.

    A patient stands at or below the step's lower end with their lowest zone, at or above its upper end with their
    highest.
    """
    if frame.empty:
        return None
    values = frame[column].astype("float64")
    by_patient = values.groupby(frame["patient_id"].to_numpy(dtype=str))
    lowest, highest = np.sort(by_patient.min().to_numpy()), np.sort(by_patient.max().to_numpy())
    candidates = np.unique(np.concatenate([values.to_numpy(), values.to_numpy() - step]))
    slack = 1e-6 * step
    below = np.searchsorted(lowest, candidates + slack, side="right")
    above = len(highest) - np.searchsorted(highest, candidates + step - slack, side="left")
    fewer = np.minimum(below, above)
    best = np.flatnonzero(fewer == fewer.max())
    nearest = best[np.argmin(np.abs(candidates[best] + step / 2 - float(values.median())))]
    return Place(float(candidates[nearest]), int(fewer[nearest]))


@dataclass(frozen=True, slots=True, eq=False)
class Overlap:
    """Which zones of a region can speak for one step of a setting.

    Attributes
    ----------
    low : float or None
        Lower end of the step; None where too few patients of the region stand on either side of any.
    zones : bool array of shape (n,)
        Zones of the whole frame whose skin type and practitioner, in this region, have patients on both sides.
    skin, practitioners : tuple of str
        Groups with patients on both sides.
    skin_without, practitioners_without : tuple of str
        Groups without: nothing is said of them.
    """

    low: float | None
    zones: NDArray[np.bool_]
    skin: tuple[str, ...] = ()
    practitioners: tuple[str, ...] = ()
    skin_without: tuple[str, ...] = ()
    practitioners_without: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """How many groups overlap, for a cell: ``4 of 5, 6 of 7``."""
        skin = f"{count(len(self.skin))} of {count(len(self.skin) + len(self.skin_without))}"
        people = (
            f"{count(len(self.practitioners))} of {count(len(self.practitioners) + len(self.practitioners_without))}"
        )
        return f"{skin}, {people}"


def overlaps(frame: pd.DataFrame, setting: Setting, protocol: Protocol) -> dict[str, Overlap]:
    """Where the groups of each region overlap in a setting: the first thing looked at, before any outcome.

    In each region one step is placed where most patients stand on either side. A skin type or a practitioner speaks
    for the region's step with at least ``fewest_in_support`` patients at or below its lower end and as many at or
    above its upper end; zones of the others are left out of the region's estimate and of adjusted risks, since the
    model could only extrapolate to them.
    """
    found: dict[str, Overlap] = {}
    frame = frame[["region", "skin_group", "practitioner_id", "patient_id", setting.column]]  # few columns, fast to cut
    here = frame["region"].astype("string").to_numpy(dtype=object)
    for region in REGIONS:
        mask = np.asarray(here == region, dtype=bool)
        part = frame.loc[mask]
        place = best_step(part, setting.column, setting.step)
        if place is None or place.fewer < protocol.fewest_patients_beside:
            found[region] = Overlap(None, np.zeros(len(frame), dtype=bool))
            continue
        skin, skin_without = _spanning(part, "skin_group", place.low, setting, protocol)
        people, people_without = _spanning(part, "practitioner_id", place.low, setting, protocol)
        speaking = mask & frame["skin_group"].astype(str).isin(skin).to_numpy(dtype=bool)
        speaking &= frame["practitioner_id"].astype(str).isin(people).to_numpy(dtype=bool)
        found[region] = Overlap(place.low, speaking, skin, people, skin_without, people_without)
    return found


def _spanning(
    part: pd.DataFrame, column: str, low: float, setting: Setting, protocol: Protocol
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Groups of a column with patients on both sides of a placed step, and groups without."""
    values = part[setting.column].astype("float64")
    slack = 1e-6 * setting.step
    patients = pd.factorize(part["patient_id"])[0]
    groups = part[column].astype(str).to_numpy(dtype=str)
    spanning: list[str] = []
    without: list[str] = []
    kind = part[column].dtype
    order = (
        [str(level) for level in kind.categories]
        if isinstance(kind, pd.CategoricalDtype)
        else sorted(set(groups.tolist()))
    )
    low_end = (values <= low + slack).to_numpy(dtype=bool)
    high_end = (values >= low + setting.step - slack).to_numpy(dtype=bool)
    present = set(groups.tolist())
    for group in (str(level) for level in order if level in present):
        own = groups == group
        fewer = min(len(np.unique(patients[own & end])) for end in (low_end, high_end))
        (spanning if fewer >= protocol.fewest_in_support else without).append(group)
    return tuple(spanning), tuple(without)
