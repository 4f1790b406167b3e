"""The tables of *settings and risk* and *benefit*: effects split in two, and region by region where groups overlap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.findings import Forest, Row
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.population import Population
from outcomes.questions.settings_model import Modelled, model_outcome
from outcomes.questions.settings_support import Overlap, overlaps
from outcomes.questions.settings_verdict import ASSOCIATED_BELOW, Judged
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import capital, cell_text, count, decimal, listing, of_total, p_value, plural

Verdicts = Mapping[tuple[str, str], Judged]


def settings_forest(models: Sequence[Modelled], verdicts: Verdicts, *, title: str, detail: bool = False) -> Forest:
    """Adjusted odds ratios for one step of each setting, with their parts within and between practitioners."""
    rows = []
    for m in models:
        for s in SETTINGS:
            effect, split = m.effects[s.column], m.split.get(s.column)
            adjusted = effect.p_adjusted if isinstance(effect, Estimate) else None
            rows.append(
                Row(
                    capital(s.step_label),
                    effect,
                    (
                        cell_text(split.within) if split else "–",
                        cell_text(split.between) if split else "–",
                        p_value(adjusted) if adjusted is not None else "–",
                    ),
                    verdict=verdicts[m.outcome.name, s.column].word,
                    group=f"{capital(m.outcome.label)}: {of_total(int(m.event.sum()), len(m.population))} zones, "
                    f"{plural(m.patients_with_events, 'patient')}",
                )
            )
    return Forest(
        title=title,
        headers=("", "within practitioners", "between practitioners", "adjusted p"),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Odds ratio at equal case-mix, other settings and calendar time. Within practitioners: a zone's setting "
        "against the practitioner's own mean for that zone; between them: that mean against the clinic's, which "
        f"rests on as many numbers as there are practitioners ({practitioners_in(models)}), and its interval allows "
        "for so few. Associated: "
        f"Benjamini–Hochberg p under {decimal(ASSOCIATED_BELOW, 2)} over all rows, the interval on one side of 1, and both "
        "parts in its direction; where the part between cannot be estimated, the part within alone. "
        f"{unsplit(models)}".strip(),
        detail=detail,
    )


def practitioners_in(models: Sequence[Modelled]) -> str:
    """How many practitioners the models hold, as one number or a span."""
    sizes = sorted({int(m.population.frame["practitioner_id"].nunique()) for m in models})
    return count(sizes[0]) if len(sizes) == 1 else f"{count(sizes[0])} to {count(sizes[-1])}"


def unsplit(models: Sequence[Modelled]) -> str:
    """Why parts are missing, each reason once."""
    reasons: dict[str, list[str]] = {}
    for s in SETTINGS:
        for part in ("within", "between"):
            silent = [
                (m.outcome.label, answer.reason)
                for m in models
                if s.column in m.split and isinstance(answer := getattr(m.split[s.column], part), NotEstimable)
            ]
            if not silent:
                continue
            kind = silent[0][1]
            whom = "" if len(silent) == len(models) else f" ({listing([label for label, _ in silent])})"
            reasons.setdefault(kind, []).append(f"{s.label} {part} practitioners{whom}")
    said = [f"{listing(what)}: {reason}" for reason, what in reasons.items()]
    return f"Cannot say: {'; '.join(said)}." if said else ""


@dataclass(frozen=True, slots=True)
class RegionRow:
    """One setting in one region: the odds ratio among zones that can speak for it."""

    region: str
    setting: Setting
    answer: Answer
    events: int
    zones: int
    overlap: Overlap


def region_rows(population: Population, modelled: Modelled, protocol: Protocol) -> list[RegionRow]:
    """Each region alone, on the zones of skin types and practitioners that use both ends of a setting's step."""
    rows = []
    places = {s.column: overlaps(population.frame, s, protocol) for s in SETTINGS}
    for region in REGIONS:
        here = (population.frame["region"].astype("string") == region).to_numpy(dtype=bool)
        for s in SETTINGS:
            place = places[s.column][region]
            mask = place.zones if place.low is not None else here
            part = Population(population.frame.loc[mask])
            event = modelled.event[mask]
            reason = _no_overlap(place, protocol)
            answer: Answer
            if reason:
                answer = NotEstimable(
                    s.step_label,
                    reason,
                    n=len(part),
                    patients=part.patients,
                    unit="odds ratio",
                )
            else:
                own = model_outcome(part, modelled.outcome, protocol, event=event, split=False, profile=(s.step_label,))
                answer = _without_counts(own.effects[s.column])
            rows.append(RegionRow(region, s, answer, int(event.sum()), len(part), place))
    return rows


def _no_overlap(place: Overlap, protocol: Protocol) -> str:
    if place.low is None:
        return f"fewer than {count(protocol.fewest_patients_beside)} patients stand on either side of any such step"
    if not place.zones.any():
        return (
            "no skin type and practitioner of this region has "
            f"{count(protocol.fewest_in_support)} patients at either end of the step"
        )
    return ""


def region_forest(models: Sequence[Modelled], by_region: Mapping[str, Sequence[RegionRow]]) -> Forest:
    """The odds ratios region by region; regions that cannot say for one reason share a line."""
    rows = []
    for m in models:
        group = capital(m.outcome.label)
        for region, label in REGIONS.items():
            here = [row for row in by_region[m.outcome.name] if row.region == region]
            silent: dict[str, list[RegionRow]] = {}
            for row in here:
                if isinstance(row.answer, Estimate):
                    rows.append(
                        Row(f"{capital(label)}, {row.setting.step_label}", row.answer, _cells(row), group=group)
                    )
                else:
                    silent.setdefault(row.answer.reason, []).append(row)
            for reason, same in silent.items():
                named = f"{capital(label)}, {listing([row.setting.label for row in same])}"
                answer = NotEstimable(named, reason, n=same[0].zones, unit="odds ratio")
                cells = ("–", _cells(same[0])[1] if len(same) == 1 else "–")
                rows.append(Row(named, answer, cells, group=group))
    return Forest(
        title="Odds ratios region by region, where groups overlap",
        detail=True,
        headers=("", "events / zones", "overlap"),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Overlap: how many skin types, and how many practitioners, have patients enough at either end of the step; "
        "zones of the others are left out here, and nothing is said of them. Age and indication are in the model "
        "only where events are enough. Not tested.",
    )


def _without_counts(answer: Answer) -> Answer:
    """A region that cannot say keeps its few events to itself: within a part of the clinic they could point to a person."""
    if isinstance(answer, Estimate):
        return answer
    return replace(answer, reason=_shared_reason(answer.reason), events=None)


def _shared_reason(reason: str) -> str:
    """A reason that holds for every setting of a region alike, without a count of events."""
    few = "patients with events, and there are" in reason or reason.startswith("a model needs")
    return "too few patients with events for a model of the region alone" if few else reason


def _cells(row: RegionRow) -> tuple[str, str]:
    return f"{count(row.events)} / {count(row.zones)}", row.overlap.words if row.overlap.low is not None else "–"


def left_without_overlap(population: Population, label: str, protocol: Protocol) -> str:
    """How many zones belong to groups that hardly use both ends of a setting's step; empty where none does."""
    parts = []
    for s in SETTINGS:
        speaking = sum(int(place.zones.sum()) for place in overlaps(population.frame, s, protocol).values())
        if silent := len(population) - speaking:
            parts.append(f"{s.label} {count(silent)}")
    if not parts:
        return ""
    return (
        f"{capital(label)}: zones in the model whose region, skin type or practitioner hardly uses both ends of the step, left out "
        f"of the region's estimate and of adjusted risks: {listing(parts)}."
    )
