"""Which of the truths that the invented clinic was made from lie inside the intervals of its audit."""

from __future__ import annotations

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.findings import Finding
from outcomes.protocol import SETTINGS, Protocol
from outcomes.records.vocabulary import OUTCOME

Recovered = dict[str, bool | None]  # None: the audit could not say


def _inside(finding: Finding, term: str, true_value: float) -> bool | None:
    answer = next(a for a in finding.estimates if a.term == term)
    if isinstance(answer, NotEstimable):
        return None
    assert isinstance(answer, Estimate)
    return (answer.low is None or answer.low <= true_value) and (answer.high is None or true_value <= answer.high)


def settings_recovered(finding: Finding, truth: dict, protocol: Protocol) -> Recovered:
    """True marginal odds ratio for a step of each setting, for each modelled outcome."""
    return {
        f"{name}: {s.step_label}": _inside(
            finding,
            f"{OUTCOME[name].label}: {s.step_label}",
            truth["settings"][name][s.column]["odds_ratio"],
        )
        for name in protocol.modelled
        for s in SETTINGS
    }


def healing_recovered(finding: Finding, truth: dict) -> Recovered:
    """True time ratio for a step of each setting, given the zone; None throughout where the audit gives none."""
    ratios = truth["times"]["healing"]["time_ratios"]
    if not any(a.term.startswith("time ratio: ") for a in finding.estimates):
        return {f"healing: {s.step_label}": None for s in SETTINGS}
    return {
        f"healing: {s.step_label}": _inside(finding, f"time ratio: {s.step_label}", ratios[s.column]) for s in SETTINGS
    }


def risks_recovered(finding: Finding, truth: dict) -> Recovered:
    """True risk among all treated in each span that the audit gives, by the generating model's expectation."""
    found: Recovered = {}
    for answer in finding.estimates:
        if not answer.term.endswith(": risk among all treated"):
            continue
        label, span = answer.term.removesuffix(": risk among all treated").rsplit(", ", 1)
        name = next(o.name for o in OUTCOME.values() if o.label == label)
        if name not in truth["risks"]:
            continue
        first, _, last = span.partition("–")
        quarters = truth["risks"][name]["by_quarter"]
        inside = [q for q in sorted(quarters) if first <= q <= (last or first)]
        zones = sum(quarters[q]["zones"] for q in inside)
        expected = sum(quarters[q]["expected"] for q in inside)
        if OUTCOME[name].regions is None and zones:
            found[answer.term] = _inside(finding, answer.term, expected / zones)
    return found


def bounds_recovered(finding: Finding, truth: dict) -> Recovered:
    """True risk between the lower limit of the floor and the upper limit of the worst case, outcome by outcome."""
    found: Recovered = {}
    by_term = {a.term: a for a in finding.estimates}
    for term, floor in by_term.items():
        if not term.endswith(": floor"):
            continue
        label, span = term.removesuffix(": floor").rsplit(", ", 1)
        worst = by_term[f"{label}, {span}: worst case"]
        name = next(o.name for o in OUTCOME.values() if o.label == label)
        if name not in truth["risks"] or OUTCOME[name].regions is not None:
            continue
        first, _, last = span.partition("–")
        quarters = truth["risks"][name]["by_quarter"]
        inside = [q for q in sorted(quarters) if first <= q <= (last or first)]
        zones = sum(quarters[q]["zones"] for q in inside)
        if not zones or not isinstance(floor, Estimate) or not isinstance(worst, Estimate):
            continue
        risk = sum(quarters[q]["expected"] for q in inside) / zones
        found[f"{label}, {span}: bounds"] = (floor.low or 0.0) <= risk <= (worst.high or 1.0)
    return found
