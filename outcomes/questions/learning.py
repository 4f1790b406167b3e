"""Do complications go with how many zones a practitioner had treated before?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import Sum, held
from outcomes.questions.disclosure_rows import held_rows
from outcomes.questions.follow_up import follow_up
from outcomes.questions.population import everyone, treated_between
from outcomes.questions.practitioner_model import judged_population
from outcomes.questions.settings_model import LABELS, REFERENCES, SHORT_SET, explained_by_rest
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, Outcome
from outcomes.wording import capital, count, estimate_text, listing, number_word, percent, plural

BANDS: tuple[tuple[str, int, float], ...] = (
    ("1st to 50th zone", 1, 50),
    ("51st to 150th", 51, 150),
    ("151st to 400th", 151, 400),
    ("after the 400th", 401, float("inf")),
)
ALREADY = "Already treating when the records begin"
VISIBLE_START_DAYS = 90
"""A practitioner's first zones are taken as seen from the start when they come this long after the records begin."""

DOUBLING = "twice as many zones before"
FEWEST_OF_NEWCOMERS = 5
"""Patients with the event among newcomers below which their course is not given; common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class _Learned:
    outcome: Outcome
    frame: pd.DataFrame
    event: np.ndarray
    effect: Answer
    left_out: tuple[str, ...]


def learning(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Do complications go with how many zones a practitioner had treated before?

    Experience is the running number of a practitioner's zones, counted for those whose beginning lies within the records;
    how many the others had treated before is not known. It runs with the calendar, so that the two can be told apart only
    where practitioners began at different times; those already there show what the calendar does by itself.
    """
    numbered = case_numbers(cases)
    newcomers = visible_starts(cases, scope)
    learned = [
        _learned(cases, scope, protocol.outcome(name), numbered, newcomers, protocol) for name in protocol.judged
    ]
    rows = [row for one in learned for row in _bands(one, newcomers, protocol)]
    effects = [
        Row(
            capital(one.outcome.label),
            one.effect,
            (count(int(one.event.sum())), count(len(one.frame))),
        )
        for one in learned
    ]
    said = [one for one in learned if isinstance(one.effect, Estimate)]
    return Finding(
        key="learning",
        title="Experience",
        asks="Do complications go with how many zones a practitioner had treated before?",
        says=_sentences(learned, newcomers, protocol),
        brief="",
        headlines=(),
        estimates=tuple([row.answer for row in effects] + [row.answer for row in rows]),
        exhibits=(
            Forest(
                title="Complications by how many zones a practitioner had treated since beginning",
                detail=True,
                headers=("", "events / zones"),
                rows=tuple(rows),
                scale="proportion",
                note="Not adjusted; those who began within the records together. Earlier zones are also earlier in the calendar.",
            ),
            Forest(
                title="Odds ratio for twice as many zones before, within a practitioner and at equal calendar time",
                detail=True,
                headers=("", "events", "zones"),
                rows=tuple(effects),
                scale="ratio",
                reference=1.0,
                note="At equal region and skin type; below 1 is fewer with experience.",
            ),
        ),
        denominators=" ".join(
            f"{capital(one.outcome.label)}: {plural(len(one.frame), 'zone')} of "
            f"{plural(int(one.frame['patient_id'].nunique()), 'patient')}, {plural(int(one.event.sum()), 'event')}."
            for one in learned
        ),
        exclusions=tuple(
            f"{capital(one.outcome.label)}: {'; '.join(one.left_out)}." for one in learned if one.left_out
        ),
        methods=(
            "Logistic regression with Firth's penalty (Biometrika 1993;80:27–38) on the binary logarithm of the running number of "
            "a newcomer's zone, practitioner, months since the records begin, region and skin type; patient as cluster, scaled "
            "profile limits. For those already treating when the records begin the number is held constant: they tell what the "
            "calendar does. "
            f"Nothing is said where fewer than two practitioners began {count(VISIBLE_START_DAYS)} days or more after the records "
            f"do, where fewer than {count(FEWEST_OF_NEWCOMERS)} patients of theirs had the event, or where calendar and case-mix "
            f"determine more than {percent(protocol.collinear_above)} of how their experience grew.",
        ),
        caveats=(
            "Experience from before the records, or elsewhere, is not in them: who begins here may have treated for years.",
            "Harder cases may come with experience, and settings change with it; neither is allowed for."
            + ("" if said else " The table describes, and attributes nothing."),
        ),
    )


def case_numbers(cases: Cases) -> pd.Series:
    """Running number of each zone among those of its practitioner, by record id; zones of a session share the first."""
    frame = cases.zones[["record_id", "practitioner_id", "session_id", "treated_on"]].copy()
    frame = frame.sort_values(["treated_on", "session_id", "record_id"], kind="stable")
    frame["number"] = frame.groupby("practitioner_id").cumcount() + 1
    first = frame.groupby(["practitioner_id", "session_id"])["number"].transform("min")
    return pd.Series(first.to_numpy(dtype=float), index=frame["record_id"].to_numpy(dtype=str))


def visible_starts(cases: Cases, scope: Scope) -> tuple[str, ...]:
    """Practitioners whose first zone comes long enough after the records begin to be taken as their start here."""
    frame = treated_between(everyone(cases).frame, pd.Timestamp("1900-01-01").date(), scope.end)
    if frame.empty:
        return ()
    first = frame.groupby(frame["practitioner_id"].astype(str))["treated_on"].min()
    late = first >= frame["treated_on"].min() + timedelta(days=VISIBLE_START_DAYS)
    return tuple(sorted(str(who) for who in first.index[late.to_numpy(dtype=bool)]))


def _learned(
    cases: Cases,
    scope: Scope,
    outcome: Outcome,
    numbered: pd.Series,
    newcomers: Sequence[str],
    protocol: Protocol,
) -> _Learned:
    population = judged_population(cases, scope.end, scope.as_of, outcome)
    frame = population.frame
    number = numbered.reindex(frame["record_id"].to_numpy(dtype=str)).to_numpy(dtype=float)
    new = frame["practitioner_id"].astype(str).isin(newcomers).to_numpy(dtype=bool)
    # the practitioner's own mean is taken off: the model has a term for each practitioner, which it moves and nothing else
    doublings = pd.Series(np.where(new, np.log2(np.maximum(number, 1.0)), 0.0))
    own = doublings.groupby(frame["practitioner_id"].to_numpy(dtype=str)).transform("mean")
    frame = frame.assign(
        case_number=number, experience=(doublings - own).to_numpy(), calendar=frame["months"].astype(float)
    )
    event = follow_up(frame, outcome).event
    term = f"{outcome.label}: {DOUBLING}"
    return _Learned(outcome, frame, event, _effect(frame, event, newcomers, term, protocol), population.left_out)


def _effect(frame: pd.DataFrame, event: np.ndarray, newcomers: Sequence[str], term: str, protocol: Protocol) -> Answer:
    n, events = len(frame), int(event.sum())

    def cannot(reason: str) -> NotEstimable:
        return NotEstimable(term, reason, n=n, events=events, unit="odds ratio")

    if len(newcomers) < 2:
        return cannot("experience and calendar run together: fewer than two practitioners began after the records do")
    people = tuple(sorted(frame["practitioner_id"].astype(str).unique()))
    if n == 0:
        return cannot("no zone whose outcome is known")
    if len(people) < 2:
        return cannot("fewer than two practitioners")
    busiest = str(frame["practitioner_id"].value_counts().index[0])
    terms: list[Term] = [
        Numeric("experience", label=DOUBLING),
        Numeric("calendar", per=12.0, label="one year later"),
        Category("practitioner_id", reference=busiest, label="practitioner", levels=people),
    ]
    terms += [
        Category(name, REFERENCES[name], label=LABELS[name], level_labels=REGIONS if name == "region" else None)
        for name in SHORT_SET
    ]
    design = build(frame, terms)
    share = explained_by_rest(design.matrix, design.labels.index(DOUBLING)) if DOUBLING in design.labels else 1.0
    if share > protocol.collinear_above:
        return cannot(f"calendar and case-mix determine {percent(share)} of how a newcomer's experience grew")
    mine = event & frame["practitioner_id"].astype(str).isin(newcomers).to_numpy(dtype=bool)
    if frame.loc[mine, "patient_id"].nunique() < FEWEST_OF_NEWCOMERS:
        return cannot(f"fewer than {count(FEWEST_OF_NEWCOMERS)} patients of newcomers had the event")
    patients = int(frame.loc[event, "patient_id"].nunique())
    rung = ladder(design.matrix.shape[1] - 1, patients, events)
    if rung.rung != "penalised":
        return cannot(rung.reason)
    cluster = frame["patient_id"].to_numpy(dtype=str)
    fit = penalised(design, event.astype(int), cluster=cluster, level=protocol.level, profile=(DOUBLING,))
    return fit.named(term) if isinstance(fit, NotEstimable) else fit.term(DOUBLING).named(term)


def _bands(one: _Learned, newcomers: Sequence[str], protocol: Protocol) -> list[Row]:
    rows: list[Row] = []
    number = one.frame["case_number"].to_numpy(dtype=float)
    new = one.frame["practitioner_id"].astype(str).isin(newcomers).to_numpy(dtype=bool)
    groups = [(label, new & (number >= low) & (number <= high)) for label, low, high in BANDS]
    shown = [(label, mine) for label, mine in [*groups, (ALREADY, ~new)] if mine.any()]
    patient = one.frame["patient_id"].to_numpy(dtype=str)
    events = [int(one.event[mine].sum()) for _, mine in shown]
    sizes = [int(mine.sum()) for _, mine in shown]
    # what all newcomers had follows from the total and those already there
    bands = tuple(i for i, (label, _) in enumerate(shown) if label != ALREADY)
    patients = [len(set(patient[mine])) for _, mine in shown]
    back = held_rows(events, [sizes], [Sum(bands)] if bands else [], protocol, patients=patients)
    for i, (label, mine) in enumerate(shown):
        answer = clustered_proportion(
            one.event[mine], patient[mine], term=f"{one.outcome.label}, {label}", level=protocol.level
        )
        if i in back.events:
            answer = held(answer, back.reasons[i])
        rows.append(Row(label, answer, (back.of(i, events[i], sizes[i]),), group=capital(one.outcome.label)))
    return rows


def _sentences(learned: Sequence[_Learned], newcomers: Sequence[str], protocol: Protocol) -> tuple[str, ...]:
    says = [
        f"{capital(one.outcome.label)}: odds ratio for twice as many zones before {estimate_text(one.effect)}, at equal calendar "
        "time, region and skin type, within a practitioner."
        for one in learned
        if isinstance(one.effect, Estimate)
    ]
    silent = [one for one in learned if isinstance(one.effect, NotEstimable)]
    if silent:
        reasons = sorted({one.effect.reason for one in silent if isinstance(one.effect, NotEstimable)})
        says.append(f"Cannot say for {listing([one.outcome.label for one in silent])}: {'; '.join(reasons)}.")
    began = "No" if not newcomers else capital(number_word(len(newcomers)))
    says.append(
        f"{began} {'practitioner' if len(newcomers) < 2 else 'practitioners'} began "
        f"{count(VISIBLE_START_DAYS)} days or more after the records do. The table describes; it attributes nothing to experience."
        if silent
        else f"{capital(number_word(len(newcomers)))} practitioners began {count(VISIBLE_START_DAYS)} days or more after the "
        "records do, which is what tells experience from calendar time."
    )
    return tuple(says)
