"""What an audit of the invented clinic should find: coefficients, true risks, and the faults that were planted.

Everything is on the marginal scale and known in closed form (see `outcomes_model`): a model of all zones with
the right covariates estimates these very numbers, save for chance and for who was seen.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from outcomes.records.scope import quarter_of
from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.clinic import Clinic, Session
from outcomes.records.synthetic.export import Sheet
from outcomes.records.synthetic.faults import Fault
from outcomes.records.synthetic.outcomes_model import Result, is_worse, log_median, log_odds
from outcomes.records.synthetic.scenario import RISKS, Clock
from outcomes.records.synthetic.treatments import Treatment
from outcomes.records.vocabulary import DELAYED_HEALING_DAYS, PROLONGED_REDNESS_DAY

DERIVED: dict[str, Clock] = {"delayed_healing": scenario.HEALING, "prolonged_redness": scenario.REDNESS}
TRUE_OUTCOMES: tuple[str, ...] = (*RISKS, *DERIVED)
STEPS: dict[str, float] = {"pulse_energy_mj": 10.0, "density_pct": 5.0, "passes": 1.0}
REACH_DAYS: tuple[int, ...] = (7, 30, 90, 180, 365)


@dataclass(frozen=True, slots=True)
class _Zone:
    session: Session
    treatment: Treatment
    result: Result
    position: int

    @property
    def quarter(self) -> str:
        year, quarter = quarter_of(self.session.day)
        return f"{year}Q{quarter}"


def setting_log_odds(outcome: str) -> dict[str, float]:
    """Marginal log odds ratio of one step of each setting: 10 mJ, 5 points of density, one pass.

    Healing and redness are proportional in odds as well as in time: log odds ratio = log time ratio / scale.

    Examples
    --------
    >>> setting_log_odds("acne_milia")["pulse_energy_mj"]
    0.0
    """
    if outcome in DERIVED:
        clock = DERIVED[outcome]
        parts = (clock.energy / clock.scale, clock.density / clock.scale, clock.passes / clock.scale)
    else:
        risk = RISKS[outcome]
        parts = (risk.energy, risk.density, risk.passes)
    return dict(zip(STEPS, parts, strict=True))


def true_risk(outcome: str, session: Session, treatment: Treatment, *, as_peers: bool = False) -> float:
    """Marginal risk of an outcome for one treated zone, given what the scenario makes it depend on.

    With `as_peers` it is the risk that the zone would have in the hands of anybody but the worse practitioner.
    """
    if outcome in DERIVED:
        clock = DERIVED[outcome]
        region = treatment.region
        limit = DELAYED_HEALING_DAYS[region] if outcome == "delayed_healing" else PROLONGED_REDNESS_DAY
        eta = (log_median(clock, session.patient, treatment) - math.log(limit)) / clock.scale
    else:
        found = log_odds(outcome, session.patient, treatment, session.age, session.day)
        if found is None:
            return 0.0
        eta = found
    if as_peers and is_worse(session.patient, treatment):
        eta -= math.log(scenario.WORSE_ODDS_RATIOS.get(outcome, 1.0))
    return 1.0 / (1.0 + math.exp(-eta))


def truth(clinic: Clinic, sheets: dict[str, Sheet], faults: Sequence[Fault]) -> dict[str, Any]:
    """Lay the truth out as plain data, numbers rounded to six digits after the point."""
    zones = [
        _Zone(session, treatment, outcome, k)
        for session in clinic.sessions
        for k, (treatment, outcome) in enumerate(zip(session.treatments, session.results, strict=True))
    ]
    return {
        "about": "An invented clinic. Nobody and nothing in it is real.",
        "seed": clinic.seed,
        "first_treatment_day": scenario.FIRST_DAY.isoformat(),
        "last_treatment_day": scenario.LAST_DAY.isoformat(),
        "cut_off": scenario.CUT_OFF.isoformat(),
        "files": {sheet.file: _counts(sheet, faults) for sheet in sheets.values()},
        "clinic": {
            "sites": len(scenario.SITE_SHARES),
            "practitioners": len(scenario.PRACTITIONERS),
            "patients": len({s.patient.number for s in clinic.sessions}),
            "sessions": len(clinic.sessions),
            "zones": len(zones),
        },
        "scale": "Every coefficient is marginal: what a model of all zones finds. A patient's own tendency has the "
        "bridge distribution (Wang and Louis, Biometrika 2003;90:765-775), which leaves a marginal logistic model "
        "exactly logistic and a marginal log-logistic time exactly log-logistic. The conditional log odds ratio, "
        "given the patient, is the marginal one divided by phi.",
        "phi": scenario.FRAILTY_PHI,
        "settings": {name: _settings(name) for name in TRUE_OUTCOMES},
        "no_effect": [
            {"outcome": name, "setting": setting}
            for name in TRUE_OUTCOMES
            for setting, value in setting_log_odds(name).items()
            if value == 0.0
        ],
        "case_mix": {name: _case_mix(name) for name in RISKS},
        "times": {
            "healing": _times(scenario.HEALING),
            "redness": _times(scenario.REDNESS),
        },
        "improvement": {
            "log_odds_ratio_of_a_higher_grade": {
                "pulse_energy_mj": _round(scenario.IMPROVEMENT["energy"]),
                "density_pct": _round(scenario.IMPROVEMENT["density"]),
                "passes": _round(scenario.IMPROVEMENT["passes"]),
            },
            "steps": STEPS,
            "cut_points": list(scenario.IMPROVEMENT_CUTS),
        },
        "worse_practitioner": _worse(zones),
        "bad_quarter": {
            "quarter": scenario.BAD_QUARTER,
            "outcome": scenario.BAD_QUARTER_OUTCOME,
            "odds_ratio": scenario.BAD_QUARTER_ODDS_RATIO,
            "why": "For no reason that a record holds.",
        },
        "risks": {name: _risks(zones, name) for name in TRUE_OUTCOMES},
        "reach": _reach(zones),
        "planted_faults": [{"file": f.file, "row": f.row, "column": f.column, "kind": f.kind} for f in faults],
    }


def truth_text(content: dict[str, Any]) -> str:
    """Return the truth as JSON text, one planted fault a line."""
    plain = {key: value for key, value in content.items() if key != "planted_faults"}
    faults = ",\n".join("  " + json.dumps(fault) for fault in content["planted_faults"])
    body = json.dumps(plain, indent=1, ensure_ascii=False)
    return f'{body[:-2]},\n "planted_faults": [\n{faults}\n ]\n}}\n'


def _counts(sheet: Sheet, faults: Sequence[Fault]) -> dict[str, int]:
    refused = sum(fault.file == sheet.file for fault in faults)
    read = len(sheet.rows)
    return {"rows_read": read, "rows_accepted": read - refused, "rows_refused": refused}


def _settings(outcome: str) -> dict[str, Any]:
    return {
        setting: {"step": STEPS[setting], "log_odds_ratio": _round(value), "odds_ratio": _round(math.exp(value))}
        for setting, value in setting_log_odds(outcome).items()
    }


def _case_mix(outcome: str) -> dict[str, Any]:
    risk = RISKS[outcome]
    energy, density = scenario.REFERENCE_SETTINGS["narrow"]
    return {
        "risk_at_reference": risk.base_risk,
        "reference": f"face, skin type I–II, under 40, not a scar, narrow spot, {energy:g} mJ, {density:g} %, one pass",
        "only_zones": list(risk.only or ()),
        "log_odds_ratios": {
            part: {level: _round(value) for level, value in levels.items()}
            for part, levels in (
                ("region", risk.region), ("skin_group", risk.skin), ("age_group", risk.age),
                ("indication_group", risk.indication), ("other", risk.other),
            )
        },
    }  # fmt: skip


def _times(clock: Clock) -> dict[str, Any]:
    logs = {"pulse_energy_mj": clock.energy, "density_pct": clock.density, "passes": clock.passes,
            "smoking_current": clock.smoker, "wide_spot": clock.wide}  # fmt: skip
    return {
        "family": "loglogistic",
        "scale": clock.scale,
        "steps": STEPS,
        "time_ratios": {name: _round(math.exp(value)) for name, value in logs.items()},
        "log_time_ratios": {name: _round(value) for name, value in logs.items()},
        "skin_type_time_ratio": 1.0,
        "given": "the zone: within a region stronger settings go with some zones, so that a model of regions alone "
        "finds less for energy",
        "median_days": clock.median_days,
        "median_days_at": {
            region: {"pulse_energy_mj": energy, "density_pct": density, "passes": 1}
            for region, (energy, density) in scenario.TYPICAL_SETTINGS.items()
        },
    }


def _worse(zones: Sequence[_Zone]) -> dict[str, Any]:
    worse = [z for z in zones if is_worse(z.session.patient, z.treatment)]
    peers = [z for z in zones if z.treatment.zone == scenario.WORSE_ZONE and z not in worse]
    return {
        "practitioner": scenario.WORSE_PRACTITIONER,
        "zone": scenario.WORSE_ZONE,
        "odds_ratios": scenario.WORSE_ODDS_RATIOS,
        "zones": len(worse),
        "zones_of_peers": len(peers),
        "events": {name: _happened(worse, name) for name in scenario.WORSE_ODDS_RATIOS},
        "events_of_peers": {name: _happened(peers, name) for name in scenario.WORSE_ODDS_RATIOS},
        "everyone_else": "alike, given case-mix and settings",
    }


def _risks(zones: Sequence[_Zone], outcome: str) -> dict[str, Any]:
    """Events that truly occurred and those expected, among all treated, seen or not."""
    return {
        "all": _risk(zones, outcome),
        "by_quarter": _by(zones, outcome, lambda z: z.quarter),
        "by_region": _by(zones, outcome, lambda z: z.treatment.region),
        "by_practitioner": _by(zones, outcome, lambda z: z.session.patient.practitioner.code, as_peers=True),
    }


def _by(zones: Sequence[_Zone], outcome: str, key: Callable[[_Zone], str], *, as_peers: bool = False) -> dict[str, Any]:
    groups: dict[str, list[_Zone]] = {}
    for zone in zones:
        groups.setdefault(key(zone), []).append(zone)
    return {name: _risk(groups[name], outcome, as_peers=as_peers) for name in sorted(groups)}


def _risk(zones: Sequence[_Zone], outcome: str, *, as_peers: bool = False) -> dict[str, Any]:
    """Events among these zones and the sum of their risks; `as_peers`, also that in anybody else's hands."""
    expected = math.fsum(true_risk(outcome, z.session, z.treatment) for z in zones)
    risk = {"zones": len(zones), "events": _happened(zones, outcome), "expected": _round(expected)}
    if as_peers:
        from_peers = (true_risk(outcome, z.session, z.treatment, as_peers=True) for z in zones)
        risk["expected_as_peers"] = _round(math.fsum(from_peers))
    return risk


def _happened(zones: Iterable[_Zone], outcome: str) -> int:
    return sum(z.result.happened(outcome, z.treatment.region) for z in zones)


def _reach(zones: Sequence[_Zone]) -> dict[str, Any]:
    """Share of zones last seen on or after each day, among those treated at least 45 days longer ago."""
    reach: dict[str, Any] = {}
    for day in REACH_DAYS:
        followed = [z for z in zones if (scenario.CUT_OFF - z.session.day).days >= day + 45]
        seen = sum(
            any(visit.day >= day and z.position in visit.answers for visit in z.session.visits) for z in followed
        )
        reach[f"day_{day}"] = {"zones": len(followed), "seen": seen, "share": _round(seen / len(followed))}
    return reach


def _round(value: float) -> float:
    return round(value, 6)
