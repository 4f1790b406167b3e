"""The invented clinic: every number it is made from.

Two sites, seven practitioners, three devices, treatments from 2024-01-01 to 2026-09-30, follow-up recorded up
to 2026-10-14. Nobody and nothing here is real. Rates, medians and ranges are a practitioner's plausible
values, from memory; odds ratios and time ratios are chosen.

Effects are stated on the marginal scale, the one that a model of all zones finds. How a patient's own
tendency is mixed in without changing them is in `outcomes_model`.

What is truly so in this clinic, so that an audit has right answers to find:

* denser or stronger settings carry more hyperpigmentation, longer redness and slower healing, and also more
  improvement; energy and density have no effect at all on acne or milia;
* settings follow risk: careful practitioners go lower in darker skin;
* one practitioner's necks do worse than their case-mix explains, everyone else is alike;
* one quarter has more bacterial infections, for no reason that any record holds;
* people with trouble come back more than people without.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

SEED = 20240101
PATIENTS = 2200
FIRST_DAY = date(2024, 1, 1)
LAST_DAY = date(2026, 9, 30)
CUT_OFF = date(2026, 10, 14)

FRAILTY_PHI = 0.8
"""Attenuation of the bridge distribution: a share 1 − φ² of the latent variance belongs to the patient."""


@dataclass(frozen=True, slots=True)
class Practitioner:
    """A practitioner's volume, style and case-mix.

    Attributes
    ----------
    code : str
        As the record system writes it.
    site : str
    joined : date
        First day on which they treat.
    share : float
        Share of the site's new patients, relative to colleagues at work that day.
    density_style, energy_style : float
        How much denser (points) and stronger (mJ) they treat the face than the clinic as a whole.
    caution : float
        Points of density taken off per step of darker skin (III, IV, V–VI).
    second_pass : float
        Chance of a second pass on the face.
    neck_share : float
        Chance that a new patient comes for the neck.
    """

    code: str
    site: str
    joined: date
    share: float
    density_style: float
    energy_style: float
    caution: float
    second_pass: float
    neck_share: float


HARBOUR, MILL = "Harbour Row", "Mill Lane"

PRACTITIONERS: tuple[Practitioner, ...] = (
    Practitioner("LBR", HARBOUR, FIRST_DAY, 0.34, 0.0, 0.5, 1.0, 0.35, 0.07),
    Practitioner("TOK", HARBOUR, FIRST_DAY, 0.28, 2.0, 1.5, 0.6, 0.45, 0.06),
    Practitioner("JAD", HARBOUR, FIRST_DAY, 0.20, -2.0, -1.5, 1.4, 0.20, 0.05),
    Practitioner("PWH", HARBOUR, date(2024, 7, 1), 0.18, 0.5, -0.5, 1.0, 0.30, 0.05),
    Practitioner("MVS", MILL, FIRST_DAY, 0.42, 0.0, 0.0, 1.0, 0.30, 0.40),
    Practitioner("RNE", MILL, FIRST_DAY, 0.38, -1.0, 1.5, 0.8, 0.40, 0.06),
    Practitioner("GSC", MILL, date(2025, 1, 6), 0.24, 1.5, -1.0, 1.2, 0.25, 0.05),
)

SITE_SHARES: dict[str, float] = {HARBOUR: 0.58, MILL: 0.42}

WORSE_PRACTITIONER = "MVS"
WORSE_ZONE = "neck"
WORSE_ODDS_RATIOS: dict[str, float] = {"hyperpigmentation": 3.5, "delayed_healing": 3.5, "scarring": 3.5}

BAD_QUARTER = "2025Q2"
BAD_QUARTER_OUTCOME = "bacterial_infection"
BAD_QUARTER_ODDS_RATIO = 4.0

# A device: site, spot µm by class, step of the density dial in points (None: an index), step of energy in mJ.
DEVICES: dict[str, tuple[str, dict[str, int], float | None, float]] = {
    "M1": (HARBOUR, {"narrow": 120, "wide": 1000}, 1.0, 1.0),
    "M2": (HARBOUR, {"narrow": 140, "medium": 400}, 0.5, 2.5),
    "M3": (MILL, {"narrow": 120, "medium": 300}, None, 1.0),
}
DENSITY_INDEX: dict[int, float] = {
    1: 3.0, 2: 4.0, 3: 5.0, 4: 6.5, 5: 8.0, 6: 10.0, 7: 12.5, 8: 15.0, 9: 17.5, 10: 20.0,
}  # fmt: skip

SKIN_SHARES: dict[str, float] = {"I": 0.05, "II": 0.35, "III": 0.35, "IV": 0.18, "V": 0.05, "VI": 0.02}
SKIN_STEPS: dict[str, int] = {"I": 0, "II": 0, "III": 1, "IV": 2, "V": 3, "VI": 3}
SKIN_NOT_RECORDED = 0.015
AGE_NOT_RECORDED = 0.01

# Reference settings at which the baseline risks and medians hold: (energy mJ, density %), by spot class.
REFERENCE_SETTINGS: dict[str, tuple[float, float]] = {
    "narrow": (15.0, 10.0), "medium": (22.0, 13.0), "wide": (90.0, 55.0),
}  # fmt: skip


def _log(**ratios: float) -> dict[str, float]:
    return {name: math.log(ratio) for name, ratio in ratios.items()}


@dataclass(frozen=True, slots=True)
class Risk:
    """A complication's marginal logistic model: log odds = intercept + sum of the parts that apply.

    Attributes
    ----------
    base_risk : float
        Risk on the face of skin type I–II, under 40, photoageing, reference settings, one pass.
    region, skin, age, indication, other : dict of str to float
        Log odds ratios by level; a level that is not listed has none.
    energy, density, passes : float
        Log odds ratios of 10 mJ, of 5 points and of one more pass.
    onset : (float, float, float)
        First and last day of onset, and the power that bends the uniform draw towards early days.
    only : tuple of str or None
        Zones where it can occur.
    """

    base_risk: float
    onset: tuple[float, float, float]
    region: dict[str, float]
    skin: dict[str, float]
    age: dict[str, float]
    indication: dict[str, float]
    other: dict[str, float]
    energy: float = 0.0
    density: float = 0.0
    passes: float = 0.0
    only: tuple[str, ...] | None = None


NONE: dict[str, float] = {}

RISKS: dict[str, Risk] = {
    "hyperpigmentation": Risk(
        0.0175, (18, 80, 1.4), {"eyelid": -0.1, "off_face": 0.25}, {"III": 1.15, "IV": 2.2, "V–VI": 2.9},
        {"40 to 54": 0.05, "55 and over": 0.1}, {"scar": 0.15}, NONE,
        math.log(1.15), math.log(1.3), math.log(1.3),
    ),
    "acne_milia": Risk(
        0.092, (6, 45, 1.2), {"eyelid": -0.2, "off_face": -0.7}, NONE,
        {"40 to 54": -0.1, "55 and over": -0.3}, {"scar": 0.3}, NONE, 0.0, 0.0, math.log(1.3),
    ),
    "bacterial_infection": Risk(0.006, (3, 12, 1.0), NONE, NONE, NONE, NONE, _log(immunosuppressed=3.0)),
    "viral_infection": Risk(
        0.009, (3, 10, 1.0), {"eyelid": -0.7, "off_face": -1.2}, NONE, NONE, NONE,
        _log(herpes_history=3.0, antiviral=0.4, mouth=1.8),
    ),
    "fungal_infection": Risk(0.003, (7, 25, 1.0), NONE, NONE, NONE, NONE, _log(diabetes=2.0)),
    "blister_burn": Risk(
        0.006, (1, 4, 1.0), {"off_face": 0.3}, {"IV": 0.3, "V–VI": 0.6}, NONE, NONE, NONE,
        math.log(1.15), math.log(1.2), math.log(1.3),
    ),
    "contact_dermatitis": Risk(0.028, (3, 20, 1.0), NONE, NONE, NONE, NONE, _log(antibiotic=1.5)),
    "hypopigmentation": Risk(
        0.004, (100, 320, 1.0), {"off_face": 0.5}, {"IV": 0.5, "V–VI": 0.8}, NONE, NONE, NONE,
        math.log(1.15), math.log(1.3), math.log(1.3),
    ),
    "scarring": Risk(
        0.0018, (30, 85, 1.0), {"off_face": 1.6}, NONE, NONE, NONE, _log(keloid_history=4.0),
        math.log(1.15), math.log(1.3), math.log(1.3),
    ),
    "ectropion": Risk(0.003, (14, 60, 1.0), NONE, NONE, NONE, NONE, NONE, only=("lower_lid",)),
    "synechia": Risk(0.0006, (14, 40, 1.0), NONE, NONE, NONE, NONE, NONE, only=("lower_lid", "upper_lid")),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Clock:
    """A marginal log-logistic accelerated failure time: log T = log median + log time ratios + scale · noise.

    Attributes
    ----------
    median_days : dict of str to float
        By zone, at the region's typical settings.
    scale : float
        Scale of the logistic noise; an odds ratio is the time ratio to the power 1 / scale.
    energy, density, passes, smoker, wide : float
        Log time ratios of 10 mJ, of 5 points, of one more pass, of current smoking, and of the wide spot.
    """

    median_days: dict[str, float]
    scale: float
    energy: float
    density: float
    passes: float
    smoker: float
    wide: float


_FACE = ("forehead", "glabella", "temple", "crows_feet", "nose", "medial_cheek", "lateral_cheek", "cheek")
_MOUTH = ("upper_lip", "chin", "perioral", "jawline", "full_face")
_HEALING_SCALE = 0.22
_REDNESS_SCALE = 0.4

HEALING = Clock(
    {
        **dict.fromkeys(_FACE, 5.8), **dict.fromkeys(_MOUTH, 6.7), "upper_lid": 5.0, "lower_lid": 5.0,
        "neck": 9.0, "chest": 10.0, "hands": 12.0, "forearms": 11.0, "scar_other": 9.0,
    },
    _HEALING_SCALE, math.log(1.04), math.log(1.05), math.log(1.08), math.log(1.1), math.log(8.0 / 6.0),
)  # fmt: skip
REDNESS = Clock(
    {
        **dict.fromkeys(_FACE, 21.0), **dict.fromkeys(_MOUTH, 22.0), "upper_lid": 19.0, "lower_lid": 19.0,
        "neck": 33.0, "chest": 34.0, "hands": 40.0, "forearms": 38.0, "scar_other": 34.0,
    },
    _REDNESS_SCALE, _REDNESS_SCALE * math.log(1.1), _REDNESS_SCALE * math.log(1.3),
    _REDNESS_SCALE * math.log(1.3), 0.0, math.log(1.3),
)  # fmt: skip

# The settings at which a region's median days hold: (energy mJ, density %), narrow spot.
TYPICAL_SETTINGS: dict[str, tuple[float, float]] = {
    "face": (18.0, 11.5), "eyelid": (9.0, 7.0), "off_face": (9.5, 5.5),
}  # fmt: skip

LAYERED_LOG_ODDS = 0.3
"""Added to every complication that depends on settings, where a zone was treated in layers."""

# Log odds of a higher grade, per step; cut points of the grades on the logistic scale.
IMPROVEMENT = {"energy": math.log(1.25), "density": math.log(1.35), "passes": math.log(1.25)}
IMPROVEMENT_CUTS = (-3.6, -1.45, 0.15, 1.7)
SATISFACTION_CUTS = (-3.9, -2.6, -1.2, 0.7)
SATISFACTION_AFTER_TROUBLE = -0.9

# Follow-up: target day, spread of the appointment (first and last day), chance of going on to it.
STAGES: tuple[tuple[int, int, int, float], ...] = (
    (7, 6, 9, 0.935), (30, 28, 38, 0.80), (90, 86, 106, 0.44), (180, 176, 205, 0.63), (365, 358, 395, 0.46),
)  # fmt: skip
STAY_LOG_ODDS = {"trouble": 1.5, "Mill Lane": -0.35, "decade": 0.12}
MISSED = 0.08
LATE = 0.10
COMES_BY_ITSELF: dict[str, float] = {
    "hyperpigmentation": 0.5, "acne_milia": 0.35, "bacterial_infection": 0.85, "viral_infection": 0.8,
    "fungal_infection": 0.6, "blister_burn": 0.6, "contact_dermatitis": 0.6, "hypopigmentation": 0.3,
    "scarring": 0.6, "ectropion": 0.9, "synechia": 0.8,
}  # fmt: skip
LASTS_DAYS: dict[str, tuple[float, float]] = {
    "hyperpigmentation": (45.0, 300.0), "acne_milia": (7.0, 40.0), "bacterial_infection": (5.0, 14.0),
    "viral_infection": (6.0, 14.0), "fungal_infection": (7.0, 21.0), "blister_burn": (3.0, 10.0),
    "contact_dermatitis": (4.0, 21.0), "hypopigmentation": (900.0, 1200.0), "scarring": (900.0, 1200.0),
    "ectropion": (30.0, 200.0), "synechia": (20.0, 200.0),
}  # fmt: skip
