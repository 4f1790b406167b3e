"""What happens to a treated zone: complications, days to heal, days of redness, benefit.

Each answer has a tendency of the patient's own in it, so that zones of one patient go together, and yet the
marginal model is known in closed form. With b drawn from the bridge distribution of attenuation φ and e from
the standard logistic,

    P(η / φ + b + e > 0) = 1 / (1 + exp(−η))

exactly, so an odds ratio stated on η is the marginal one (Wang Z, Louis TA, Biometrika 2003;90:765–775,
doi:10.1093/biomet/90.4.765). By the same identity φ (b + e) is itself standard logistic, and

    log T = μ + σ φ (b + e)

is marginally log-logistic with scale σ: its time ratios are the marginal ones, and the odds of T > t have the
odds ratio (time ratio)^(1/σ) for every t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from outcomes.records.scope import quarter_of
from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.people import Patient
from outcomes.records.synthetic.scenario import FRAILTY_PHI, RISKS, Clock, Risk
from outcomes.records.synthetic.treatments import Treatment
from outcomes.records.vocabulary import DELAYED_HEALING_DAYS, PROLONGED_REDNESS_DAY, SKIN_GROUPS

LATENT = (*RISKS, "healing", "redness", "improvement")


@dataclass(frozen=True, slots=True)
class Result:
    """What truly happened to a zone, seen or not.

    Attributes
    ----------
    onset : dict of str to int
        Day of onset of each complication that occurred.
    lasts : dict of str to int
        Days it lasts.
    severity : dict of str to int
        1–4.
    healing_days, redness_days : float
    improvement : int
        Grade 0–4 that a grader would give.
    satisfaction : int
        1–5.
    """

    onset: dict[str, int]
    lasts: dict[str, int]
    severity: dict[str, int]
    healing_days: float
    redness_days: float
    improvement: int
    satisfaction: int

    def happened(self, outcome: str, region: str) -> bool:
        """Whether the outcome truly occurred, the two that follow from healing and redness included."""
        if outcome == "delayed_healing":
            return self.healing_days > DELAYED_HEALING_DAYS[region]
        if outcome == "prolonged_redness":
            return self.redness_days > PROLONGED_REDNESS_DAY
        return outcome in self.onset


def bridge(u: float, phi: float = FRAILTY_PHI) -> float:
    """Quantile u of the bridge distribution: log(sin(φπu) / sin(φπ(1 − u))) / φ.

    Examples
    --------
    >>> bridge(0.5), round(bridge(0.9) + bridge(0.1), 12)
    (0.0, 0.0)
    """
    return math.log(math.sin(phi * math.pi * u) / math.sin(phi * math.pi * (1.0 - u))) / phi


def tendencies(seed: int, number: int) -> dict[str, float]:
    """A patient's own tendency for each outcome, the same over all zones and sessions."""
    draw = Stream(seed, number, 2)
    return {name: bridge(draw.uniform()) for name in LATENT}


def age_group(age: float) -> str:
    """Age band of the risk models, in whole years as the records hold them."""
    return "under 40" if int(age) < 40 else "40 to 54" if int(age) < 55 else "55 and over"


def flags(person: Patient, treatment: Treatment) -> frozenset[str]:
    """Names in `Risk.other` that apply to a treated zone."""
    care = {name for name, given in treatment.care.items() if given}
    mouth = {"mouth"} if treatment.zone in ("perioral", "upper_lip", "full_face") else set()
    return person.history | care | mouth


def log_odds(outcome: str, person: Patient, treatment: Treatment, age: float, day: date) -> float | None:
    """Marginal log odds η of a complication for one treated zone; None where it cannot occur."""
    risk: Risk = RISKS[outcome]
    if risk.only is not None and treatment.zone not in risk.only:
        return None
    settings = treatment.settings
    energy, density = scenario.REFERENCE_SETTINGS[settings.spot_class]
    indication = "scar" if treatment.indication in ("acne_scar", "other_scar") else treatment.indication
    eta = math.log(risk.base_risk / (1.0 - risk.base_risk))
    eta += risk.region.get(treatment.region, 0.0)
    eta += risk.skin.get(SKIN_GROUPS[person.skin_type], 0.0)
    eta += risk.age.get(age_group(age), 0.0)
    eta += risk.indication.get(indication, 0.0)
    eta += sum(risk.other.get(name, 0.0) for name in sorted(flags(person, treatment)))
    eta += risk.energy * (settings.energy_mj - energy) / 10.0
    eta += risk.density * (settings.density_pct - density) / 5.0
    eta += risk.passes * (settings.passes - 1)
    if treatment.second_layer is not None and risk.density:
        eta += scenario.LAYERED_LOG_ODDS
    if is_worse(person, treatment) and outcome in scenario.WORSE_ODDS_RATIOS:
        eta += math.log(scenario.WORSE_ODDS_RATIOS[outcome])
    year, quarter = quarter_of(day)
    if outcome == scenario.BAD_QUARTER_OUTCOME and f"{year}Q{quarter}" == scenario.BAD_QUARTER:
        eta += math.log(scenario.BAD_QUARTER_ODDS_RATIO)
    return eta


def log_median(clock: Clock, person: Patient, treatment: Treatment) -> float:
    """Log of the marginal median days to heal, or of redness, for one treated zone."""
    settings = treatment.settings
    region = treatment.region
    if settings.spot_class == "narrow":
        energy, density = scenario.TYPICAL_SETTINGS[region]
    else:
        energy, density = scenario.REFERENCE_SETTINGS[settings.spot_class]
    value = math.log(clock.median_days[treatment.zone])
    value += clock.energy * (settings.energy_mj - energy) / 10.0
    value += clock.density * (settings.density_pct - density) / 5.0
    value += clock.passes * (settings.passes - 1)
    if person.smoking == "current":
        value += clock.smoker
    if settings.spot_class == "wide" or treatment.second_layer is not None:
        value += clock.wide
    if clock is scenario.HEALING and is_worse(person, treatment):
        value += clock.scale * math.log(scenario.WORSE_ODDS_RATIOS["delayed_healing"])
    return value


def is_worse(person: Patient, treatment: Treatment) -> bool:
    """Whether this is a zone that the worse practitioner does worse on."""
    return person.practitioner.code == scenario.WORSE_PRACTITIONER and treatment.zone == scenario.WORSE_ZONE


def result(draw: Stream, person: Patient, own: dict[str, float], treatment: Treatment, age: float, day: date) -> Result:
    """Draw what happens to one treated zone."""
    onset: dict[str, int] = {}
    lasts: dict[str, int] = {}
    severity: dict[str, int] = {}
    for name, risk in RISKS.items():
        noise, when, how_long, how_bad = draw.logistic(), draw.uniform(), draw.uniform(), draw.uniform()
        eta = log_odds(name, person, treatment, age, day)
        if eta is None or eta / FRAILTY_PHI + own[name] + noise <= 0:
            continue
        first, last, power = risk.onset
        onset[name] = round(first + (last - first) * when**power)
        shortest, longest = scenario.LASTS_DAYS[name]
        lasts[name] = round(shortest + (longest - shortest) * how_long)
        severity[name] = _severity(name, how_bad)
    days = [
        math.exp(log_median(clock, person, treatment) + clock.scale * FRAILTY_PHI * (own[key] + draw.logistic()))
        for key, clock in (("healing", scenario.HEALING), ("redness", scenario.REDNESS))
    ]
    improvement, satisfaction = _benefit(draw, own["improvement"], treatment, onset)
    return Result(onset, lasts, severity, days[0], days[1], improvement, satisfaction)


def _severity(name: str, u: float) -> int:
    if name in ("scarring", "ectropion"):
        return 2 if u < 0.45 else 3 if u < 0.9 else 4
    if name in ("bacterial_infection", "viral_infection", "fungal_infection"):
        return 2 if u < 0.35 else 3 if u < 0.97 else 4
    if name == "hyperpigmentation":
        return 1 if u < 0.4 else 2 if u < 0.96 else 3
    return 1 if u < 0.6 else 2 if u < 0.95 else 3


def improvement_score(treatment: Treatment) -> float:
    """Marginal log odds that settings add to every higher grade of improvement."""
    settings = treatment.settings
    energy, density = scenario.REFERENCE_SETTINGS[settings.spot_class]
    if settings.spot_class == "narrow":
        energy, density = scenario.TYPICAL_SETTINGS[treatment.region]
    return (
        scenario.IMPROVEMENT["energy"] * (settings.energy_mj - energy) / 10.0
        + scenario.IMPROVEMENT["density"] * (settings.density_pct - density) / 5.0
        + scenario.IMPROVEMENT["passes"] * (settings.passes - 1)
    )


def _benefit(draw: Stream, own: float, treatment: Treatment, onset: dict[str, int]) -> tuple[int, int]:
    score = improvement_score(treatment)
    latent = score + FRAILTY_PHI * (own + draw.logistic())
    grade = sum(latent > cut for cut in scenario.IMPROVEMENT_CUTS)
    trouble = scenario.SATISFACTION_AFTER_TROUBLE if {"hyperpigmentation", "scarring"} & set(onset) else 0.0
    content = score + trouble + 0.6 * own + draw.logistic()
    return grade, 1 + sum(content > cut for cut in scenario.SATISFACTION_CUTS)
