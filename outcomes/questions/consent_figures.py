"""What can a patient be told of this clinic's own risks, in so many of a hundred?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.complication_tables import NOT_OF_THE_SKIN, Places, risks_by_place
from outcomes.questions.disclosure import HELD_CELL, Sum, bound_of_few, held, is_small, shows_small_counts
from outcomes.questions.disclosure_rows import held_rows
from outcomes.questions.outcome_risk import OutcomeRisk, by_day, outcome_risk
from outcomes.questions.population import NOT_RECORDED, SKIN_LEVELS, everyone, treated_between
from outcomes.questions.published import SERIES, published_share
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, Outcome
from outcomes.wording import (
    between_so_many,
    capital,
    count,
    frequency_base,
    frequency_cell,
    frequency_text,
    level_text,
    listing,
    percent,
    plural,
)

BY_SKIN_TYPE = "hyperpigmentation"


@dataclass(frozen=True, slots=True)
class Told:
    """One figure: the answer, the bound that few events leave, and what would be needed to say more.

    Attributes
    ----------
    answer : Estimate or NotEstimable
    at_most : float or None
        Upper limit where events are held back.
    known : int or None
        Zones whose outcome is known; None where that is held back.
    needed : str
        What would answer it, as a clause; empty where it is answered.
    """

    answer: Answer
    at_most: float | None
    known: int | None
    needed: str = ""

    def cell(self) -> str:
        """The figure for a table."""
        if isinstance(self.answer, Estimate):
            return frequency_cell(self.answer)
        if self.at_most is not None:
            return f"{HELD_CELL} ({between_so_many(0.0, self.at_most, frequency_base(self.at_most))})"
        return HELD_CELL if HELD_CELL in self.answer.reason else "cannot say"


def consent_figures(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """What can a patient be told of this clinic's own risks, in so many of a hundred?

    Risks among all treated, all records in which the outcome has had its time, by region; hyperpigmentation also by
    skin type in the region that is treated most. A figure is given only where enough patients were seen late enough.
    """
    everybody = everyone(cases).frame
    outcomes = [
        o
        for o in protocol.outcomes
        if o.kind == "zone" and o.derived_from != "healing" and o.name not in NOT_OF_THE_SKIN
    ]
    places = [(o, risks_by_place(everybody, o, scope, protocol)) for o in outcomes]
    table = [(o, _by_region(p, protocol)) for o, p in places]
    skin = _by_skin_type(everybody, places, protocol)
    told = [t for _, row in table for t in row.values()] + [t for _, _, t in skin]
    answers = [t.answer for t in told]
    shares = [found[0] for s in SERIES for o in outcomes if (found := published_share(s, o.name, protocol.level))]
    given = sum(isinstance(a, Estimate) for a in answers)
    return Finding(
        key="consent_figures",
        title="Figures for consent",
        asks="What are this clinic's own risks, in so many of a hundred, and where are there too few cases to say?",
        says=_sentences(table, skin, given, len(answers), protocol),
        estimates=(*answers, *shares),
        exhibits=(_grid(table, protocol), *_skin_forest(skin), _published_grid(table, protocol)),
        denominators=_denominators(places, everybody),
        methods=(
            "Risk among all treated by the day of the outcome's window, weighted for who was seen, as under "
            "Complications. A figure is given where at least "
            f"{count(protocol.fewest_seen)} patients and {percent(protocol.lowest_reach).replace('.0', '')} of zones were "
            "seen late enough by a contact that can tell. Limits are rounded outward, so that what is said never holds less "
            "than the interval does; a risk below 2 in 100 is said in 1,000.",
            "Where 1 to 4 events are held back, the figure in brackets is the exact upper limit of the largest of them "
            "(Clopper CJ, Pearson ES. Biometrika 1934;26:404–413) among the patients seen, each counted once.",
            *(f"{s.label}: {s.citation}." for s in SERIES),
        ),
        caveats=(
            "These are averages of those treated here. The patient in the room differs from them, and neither the settings "
            "nor what made the practitioner choose them is allowed for.",
            "A patient treated in several zones has the risk in each of them; the figures are of one zone.",
            "None recorded is not the same as cannot happen: the figure beside it says how much remains compatible.",
            "Published series count treatments, not zones, with other devices, follow-up and definitions. They are "
            "context and no target.",
        ),
    )


def _by_region(places: Places, protocol: Protocol) -> dict[str, Told]:
    found = {}
    for j, (column, region, _, risk) in enumerate(places.risks):
        if column != "region":
            continue
        answer = places.answer(j, protocol)
        bound = bound_of_few(places.bounded_on(j), protocol.level, protocol)
        known = None if j in places.back.sizes[1] else risk.known
        term = f"{risk.outcome.label}{by_day(risk.outcome)}, {REGIONS[region]}"
        found[region] = _told(answer.named(term), bound, known, risk, protocol)
    return found


def _told(answer: Answer, bound: float | None, known: int | None, risk: OutcomeRisk, protocol: Protocol) -> Told:
    if isinstance(answer, Estimate) or HELD_CELL in answer.reason:
        return Told(answer, bound, known)
    seen, day = risk.weighted.seen_patients, risk.outcome.seen_from_day
    if seen < protocol.fewest_seen:
        few = is_small(seen, protocol) and not shows_small_counts(protocol)
        have = f"fewer than {count(protocol.disclosure.smallest_count)} patients" if few else plural(seen, "patient")
        reason = f"{have} seen on or after day {count(day)}, {count(protocol.fewest_seen)} needed"
        more = "about " if few else ""
        needed = f"{more}{plural(protocol.fewest_seen - (0 if few else seen), 'further patient')} seen on or after day {count(day)}"
        plain = replace(answer, reason=reason, patients=None, events=None, note=f"would be answered by {needed}")
        return Told(plain, None, known, needed)
    needed = f"more of those treated seen on or after day {count(day)}"
    return Told(replace(answer, note=f"would be answered by {needed}"), None, known, needed)


def _by_skin_type(
    everybody: pd.DataFrame, places: Sequence[tuple[Outcome, Places]], protocol: Protocol
) -> list[tuple[str, str, Told]]:
    """Hyperpigmentation by skin type in the region with most zones: (region, skin type, figure)."""
    found = next((p for o, p in places if o.name == BY_SKIN_TYPE), None)
    regions = (
        []
        if found is None
        else [(r.treated, code, i) for i, (c, code, _, r) in enumerate(found.risks) if c == "region"]
    )
    if found is None or not regions:
        return []
    _, region, whole = max(regions)
    outcome = found.risks[whole][3].outcome
    span = treated_between(everybody, everybody["treated_on"].min().date(), found.end)
    here = span.loc[(span["region"] == region).fillna(False).to_numpy(dtype=bool)]
    risks = [
        outcome_risk(
            here.loc[(here["skin_group"] == level).to_numpy(dtype=bool)], outcome, f"skin type {level}", protocol
        )
        for level in SKIN_LEVELS
    ]
    cells = [*risks, found.risks[whole][3]]
    last = len(cells) - 1
    back = held_rows(
        [r.events for r in cells],
        [[r.treated for r in cells], [r.known for r in cells]],
        [Sum(tuple(range(last)), whole=last)],
        protocol,
        patients=[r.patients for r in cells],
        unprinted=[SKIN_LEVELS.index(NOT_RECORDED)] + ([last] if whole in found.back.events else []),
        harmless=[SKIN_LEVELS.index(NOT_RECORDED)],
        order=range(last - 1, -1, -1),
    )
    rows = []
    for j, (level, risk) in enumerate(zip(SKIN_LEVELS, risks, strict=True)):
        if level == NOT_RECORDED or not risk.treated:
            continue
        answer = risk.weighted.risk.named(f"{outcome.label}{by_day(outcome)}, {REGIONS[region]}, skin type {level}")
        bound = None
        if j in back.events:
            bound = bound_of_few(risk.weighted.seen_patients if j in back.bounded else None, protocol.level, protocol)
            answer = held(answer, back.reasons[j], n=None if j in back.sizes[0] else risk.treated)
        known = None if j in back.sizes[1] else risk.known
        rows.append((region, level, _told(answer, bound, known, risk, protocol)))
    return rows


def _grid(table: Sequence[tuple[Outcome, dict[str, Told]]], protocol: Protocol) -> Grid:
    rows = tuple(
        (capital(f"{o.label}{by_day(o)}"), *(row[region].cell() if region in row else "–" for region in REGIONS))
        for o, row in table
    )
    return Grid(
        title="This clinic's own risks for one zone, with what is compatible with the records",
        headers=("", *(capital(label) for label in REGIONS.values())),
        rows=rows,
        note=f"So many of 100 or 1,000 zones treated; in brackets the {level_text(protocol.level)}, rounded outward.",
    )


def _skin_forest(skin: Sequence[tuple[str, str, Told]]) -> tuple[Forest, ...]:
    if not skin:
        return ()
    rows = tuple(Row(level, t.answer, (t.cell(), "–" if t.known is None else count(t.known))) for _, level, t in skin)
    region = REGIONS[skin[0][0]]
    return (
        Forest(
            title=f"Hyperpigmentation by skin type, {region}",
            detail=True,
            headers=("Skin type", "in so many", "zones known"),
            rows=rows,
            scale="proportion",
            note="Among all treated, weighted for who was seen; not adjusted for anything else.",
        ),
    )


def _published_grid(table: Sequence[tuple[Outcome, dict[str, Told]]], protocol: Protocol) -> Grid:
    rows = []
    for outcome, _ in table:
        found = [published_share(series, outcome.name, protocol.level) for series in SERIES]
        if any(found):
            cells = []
            for one in found:
                cells.append(
                    "–" if one is None or not isinstance(one[0], Estimate) else _published_cell(one[0], one[1], outcome)
                )
            rows.append((capital(outcome.label), *cells))
    return Grid(
        title="Published series, as context",
        detail=True,
        headers=("", *(series.label for series in SERIES)),
        rows=tuple(rows),
        note="So many of 100 or 1,000 treatments, Wilson limits of the counts, which were worked back from printed "
        "percentages. Sources under Methods.",
    )


def _published_cell(share: Estimate, word: str, outcome: Outcome) -> str:
    own_word = "" if word == outcome.label else f", {word}"
    return frequency_cell(share) + own_word


def _denominators(places: Sequence[tuple[Outcome, Places]], everybody: pd.DataFrame) -> str:
    if not places or everybody.empty:
        return "No zone."
    ends = sorted({p.end for _, p in places})
    zones = [len(everybody.loc[everybody["treated_on"] <= pd.Timestamp(end)]) for end in (ends[0], ends[-1])]
    return (
        f"All zones treated up to the newest quarter in which an outcome has had its time: from {plural(zones[0], 'zone')} for "
        f"the slowest outcome to {count(zones[1])} for the fastest."
    )


def _sentences(
    table: Sequence[tuple[Outcome, dict[str, Told]]],
    skin: Sequence[tuple[str, str, Told]],
    given: int,
    asked: int,
    protocol: Protocol,
) -> tuple[str, ...]:
    says = []
    said = [
        (o, region, t.answer)
        for o, row in table
        for region, t in row.items()
        if isinstance(t.answer, Estimate) and t.answer.value > 0
    ]
    commonest = sorted(said, key=lambda s: -s[2].value)[:3]
    if commonest:
        words = [
            f"{o.label}{by_day(o)}, {REGIONS[region]}: {frequency_text(answer)}" for o, region, answer in commonest
        ]
        says.append(f"Of zones treated here, the most frequent: {'; '.join(words)}.")
    by_skin = [(level, t.answer) for _, level, t in skin if isinstance(t.answer, Estimate)]
    if len(by_skin) > 1:
        words = [f"skin type {level} {frequency_text(answer)}" for level, answer in by_skin]
        says.append(f"Hyperpigmentation, {REGIONS[skin[0][0]]}: {'; '.join(words)}.")
    says.append(
        f"Of {plural(asked, 'figure')} asked for, {count(given) if given else 'none'} can be given."
        if asked
        else "No figure can be given: no zone has had its time."
    )
    lacking: dict[str, dict[str, list[str]]] = {}
    for o, row in table:
        for region, t in row.items():
            if t.needed:
                lacking.setdefault(t.needed, {}).setdefault(o.label, []).append(REGIONS[region])
    for needed, which in sorted(lacking.items(), key=lambda item: (-sum(map(len, item[1].values())), item[0]))[:2]:
        named = [f"{label} ({listing(regions)})" for label, regions in which.items()]
        says.append(f"Cannot say for {listing(named)}: {needed} would answer it.")
    return tuple(says)
