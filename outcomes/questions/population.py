"""Which records enter a question, and with which covariates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from outcomes.records.cases import Cases
from outcomes.records.vocabulary import REGIONS, SKIN_GROUPS
from outcomes.wording import count

NOT_RECORDED = "not recorded"
SKIN_LEVELS = ("I–II", "III", "IV", "V–VI", NOT_RECORDED)
AGE_LEVELS = ("under 40", "40 to 54", "55 and over", NOT_RECORDED)
INDICATION_LEVELS = ("photoageing or wrinkles", "scar", "other", NOT_RECORDED)

_INDICATION_GROUPS = {
    "photoageing": "photoageing or wrinkles",
    "wrinkles": "photoageing or wrinkles",
    "acne_scar": "scar",
    "other_scar": "scar",
}


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """The zones that a question is about, with covariates, and who was left out on the way.

    Attributes
    ----------
    frame : DataFrame
        One row a zone; the canonical columns and the covariates of `with_covariates`.
    left_out : tuple of str
        Each step that left zones out, with its count.
    """

    frame: pd.DataFrame
    left_out: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def patients(self) -> int:
        """How many patients the zones belong to."""
        return int(self.frame["patient_id"].nunique())

    def keep(self, mask: pd.Series, reason: str) -> Population:
        """Return the zones for which `mask` holds; `reason` words those left out ("zones treated …")."""
        wanted = mask.fillna(False).astype(bool)
        gone = int((~wanted).sum())
        if not gone:
            return self
        return Population(self.frame.loc[wanted], (*self.left_out, f"{count(gone)} {reason}"))


def with_covariates(zones: pd.DataFrame) -> pd.DataFrame:
    """The zones frame with the case-mix covariates as complete, ordered categories.

    Adds ``skin_group``, ``age_group``, ``indication_group`` (each with its "not recorded" level), ``quarter``
    (text such as 2026Q3) and ``months`` (months since the first treatment month, a whole number).
    """
    frame = zones.copy()
    skin = [SKIN_GROUPS[word] for word in frame["skin_type"].astype("string").fillna("not_recorded")]
    frame["skin_group"] = pd.Categorical(skin, categories=list(SKIN_LEVELS), ordered=True)
    age = frame["age_years"].to_numpy(dtype=float, na_value=np.nan)
    bands = np.select([np.isnan(age), age < 40, age < 55], [NOT_RECORDED, AGE_LEVELS[0], AGE_LEVELS[1]], AGE_LEVELS[2])
    frame["age_group"] = pd.Categorical(bands, categories=list(AGE_LEVELS), ordered=True)
    indication = frame["indication"].astype("string").fillna(NOT_RECORDED)
    group = [NOT_RECORDED if word == NOT_RECORDED else _INDICATION_GROUPS.get(word, "other") for word in indication]
    frame["indication_group"] = pd.Categorical(group, categories=list(INDICATION_LEVELS), ordered=True)
    frame["region"] = pd.Categorical(frame["region"].astype("string"), categories=list(REGIONS))
    when = frame["treated_on"]
    year, month = when.dt.year.astype("int64"), when.dt.month.astype("int64")
    frame["quarter"] = year.astype("string") + "Q" + ((month - 1) // 3 + 1).astype("string")
    serial = year * 12 + month
    frame["months"] = (serial - (serial.min() if len(serial) else 0)).astype("int64")
    return frame


def treated_between(frame: pd.DataFrame, start: date, end: date) -> pd.DataFrame:
    """Zones treated from `start` to `end`, both included."""
    when = frame["treated_on"]
    return frame.loc[(when >= pd.Timestamp(start)) & (when <= pd.Timestamp(end))]


def everyone(cases: Cases) -> Population:
    """All zones of the cases, with covariates."""
    return Population(with_covariates(cases.zones))


def first_treatments(population: Population) -> Population:
    """The first treatment of each zone of each patient; later ones depend on how the first went.

    A left and a right zone are two zones. Zones treated twice on one day stay both: neither is the later.
    """
    frame = population.frame
    side = frame["side"].astype("string").fillna("")
    first = (
        frame["treated_on"]
        .groupby([frame["patient_id"].to_numpy(), frame["zone"].astype("string").to_numpy(), side.to_numpy()])
        .transform("min")
    )
    return population.keep(frame["treated_on"] == first, "later treatments of a zone already treated before")
