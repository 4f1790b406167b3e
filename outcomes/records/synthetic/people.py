"""Who comes to the invented clinic."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.scenario import PRACTITIONERS, Practitioner


@dataclass(frozen=True, slots=True)
class Patient:
    """An invented patient.

    Attributes
    ----------
    number : int
        1, 2 … in order of the first treatment.
    first_day : date
        Day of the first treatment.
    skin_type : str
        Fitzpatrick I–VI; `skin_recorded` says whether the records hold it.
    concern : str
        What they came for: decides zones and indication.
    age : float
        Years at the first treatment; `age_recorded` says whether the records hold it.
    """

    number: int
    first_day: date
    practitioner: Practitioner
    concern: str
    skin_type: str
    skin_recorded: bool
    age: float
    age_recorded: bool
    sex: str
    weight_kg: float
    smoking: str
    history: frozenset[str]
    isotretinoin_months: int | None


_CONCERNS: dict[str, float] = {
    "face": 0.46, "eyes": 0.13, "mouth": 0.14, "acne scar": 0.12, "hands or chest": 0.08, "scar": 0.02,
    "lesion": 0.05,
}  # fmt: skip
_HISTORY: dict[str, float] = {
    "herpes_history": 0.14, "keloid_history": 0.02, "pih_history": 0.06, "melasma": 0.05, "tan_4w": 0.03,
    "diabetes": 0.04, "immunosuppressed": 0.015, "radiotherapy": 0.005,
}  # fmt: skip


def patient(seed: int, number: int, of: int) -> Patient:
    """Draw patient `number` of `of`: when, with whom, for what, and their case-mix."""
    draw = Stream(seed, number, 1)
    first_day = _first_day((number - 1 + draw.uniform()) / of)
    site = draw.pick(scenario.SITE_SHARES)
    colleagues = {p: p.share for p in PRACTITIONERS if p.site == site and p.joined <= first_day}
    practitioner = draw.pick(colleagues)
    concern = "neck" if draw.chance(practitioner.neck_share) else draw.pick(_CONCERNS)
    sex = "female" if draw.chance(0.62 if concern in ("acne scar", "scar") else 0.88) else "male"
    typical_age = {"acne scar": (32.0, 8.0), "scar": (38.0, 12.0), "lesion": (52.0, 14.0)}
    age = min(max(draw.normal(*typical_age.get(concern, (51.0, 10.5))), 18.0), 84.0)
    weight = draw.normal(67.0, 11.0) if sex == "female" else draw.normal(83.0, 13.0)
    history = frozenset(name for name, share in _HISTORY.items() if draw.chance(share))
    return Patient(
        number=number,
        first_day=first_day,
        practitioner=practitioner,
        concern=concern,
        skin_type=draw.pick(scenario.SKIN_SHARES),
        skin_recorded=not draw.chance(scenario.SKIN_NOT_RECORDED),
        age=age,
        age_recorded=not draw.chance(scenario.AGE_NOT_RECORDED),
        sex=sex,
        weight_kg=min(max(weight, 42.0), 140.0),
        smoking=draw.pick({"never": 0.66, "ex": 0.21, "current": 0.13}),
        history=history,
        isotretinoin_months=draw.whole(7, 60) if concern == "acne scar" and draw.chance(0.35) else None,
    )


def _first_day(share: float) -> date:
    """Turn a share of all first treatments into a working day; numbers grow by half over the years."""
    elapsed = (math.sqrt(0.64 + 0.8 * share) - 0.8) / 0.4
    days = (scenario.LAST_DAY - scenario.FIRST_DAY).days
    return working_day(scenario.FIRST_DAY + timedelta(days=int(elapsed * (days + 1))))


def working_day(day: date) -> date:
    """The day itself, or the Monday after a Sunday; New Year's Day becomes the day after."""
    if (day.month, day.day) == (1, 1):
        day += timedelta(days=1)
    return day + timedelta(days=1) if day.weekday() == 6 else day
