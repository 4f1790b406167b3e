"""Who was treated, this period beside the baseline?"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outcomes.estimates.difference import difference
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import (
    EITHER,
    HELD_CELL,
    Sum,
    held,
    held_back,
    held_sentence,
    is_small,
    shows_small_counts,
)
from outcomes.questions.population import (
    AGE_LEVELS,
    INDICATION_LEVELS,
    NOT_RECORDED,
    SKIN_LEVELS,
    everyone,
    treated_between,
)
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import capital, count, decapital, estimate_text, listing, number_word, percent, plural

NO_REGION = "none"

_PATIENT_LEVEL = (
    ("Skin type", "skin_group", {level: level for level in SKIN_LEVELS}),
    ("Age", "age_group", {level: level for level in AGE_LEVELS}),
)
_ZONE_LEVEL = (
    ("Region", "region", {**REGIONS, NO_REGION: "no region (scars elsewhere)"}),
    ("Indication", "indication_group", {level: level for level in INDICATION_LEVELS}),
)


def case_mix(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Who was treated, this period beside the baseline?

    Skin type and age are counted in patients (each once a period, as first recorded in it), region and
    indication in zones. Differences are of shares, by the hybrid-score method on limits that allow for
    several zones of one patient.
    """
    everybody = everyone(cases).frame
    period = treated_between(everybody, scope.start, scope.end)
    baseline = treated_between(everybody, scope.baseline_start, scope.baseline_end)
    rows: list[Row] = []
    answers: list[Answer] = []
    sizes = _counts(period), _counts(baseline)
    for patient_level, blocks in ((True, _PATIENT_LEVEL), (False, _ZONE_LEVEL)):
        now, before = (_patients(period), _patients(baseline)) if patient_level else (period, baseline)
        for title, column, labels in blocks:
            group = f"{title}, {'patients' if patient_level else 'zones'}"
            back = [_held_levels(frame, column, list(labels), protocol) for frame in (now, before)]
            for i, (level, label) in enumerate(labels.items()):
                hidden = (i in back[0], i in back[1])
                row, found = _compared(now, before, column, level, f"{title}: {label}", protocol.level, hidden)
                if row is not None:
                    rows.append(Row(capital(label), row.answer, row.cells, group=group))
                    answers.extend(found)
    withheld_rows = held_sentence(sum(HELD_CELL in row.cells for row in rows), "row", protocol)
    forest = Forest(
        title=f"Who was treated in {scope.label}, beside {scope.baseline_label}",
        detail=True,
        headers=("", scope.label, scope.baseline_label),
        rows=tuple(rows),
        scale="difference",
        reference=0.0,
        note="Difference in percentage points, this period minus baseline. Shares are of those listed under "
        "each heading." + (f" {withheld_rows}" if withheld_rows else ""),
    )
    shifted = [row for row in rows if isinstance(row.answer, Estimate) and not _covers(row.answer, 0.0)]
    return Finding(
        key="case_mix",
        title="Who was treated",
        asks="Who was treated in this period, and has the mix changed against the baseline?",
        says=_sentences(scope, sizes, shifted, sum(isinstance(row.answer, Estimate) for row in rows)),
        estimates=tuple(answers),
        exhibits=(forest,),
        denominators=f"{scope.label}: {sizes[0]}. {scope.baseline_label}: {sizes[1]}.",
        methods=(
            "Shares carry Korn–Graubard limits with the patient as cluster (Survey Methodology 1998;24:193–201); "
            "where patients are counted, each is a cluster of one. Differences of shares carry Newcombe's hybrid "
            "limits on these (Stat Med 1998;17:873–890), taking period and baseline as independent.",
        ),
        caveats=(
            "A patient treated in both periods counts in both; the interval of a difference does not allow "
            "for that and is a little too wide or too narrow by it.",
            "No allowance is made for the number of comparisons in this table: about one interval in twenty "
            "would leave zero out if nothing had changed.",
        ),
    )


def _patients(frame: pd.DataFrame) -> pd.DataFrame:
    ordered = frame.sort_values(["treated_on", "record_id"], kind="stable")
    return ordered.drop_duplicates("patient_id")


def _counts(frame: pd.DataFrame) -> str:
    return (
        f"{plural(len(frame), 'zone')} of {plural(int(frame['patient_id'].nunique()), 'patient')} "
        f"in {plural(int(frame['session_id'].nunique()), 'session')}"
    )


def _members(frame: pd.DataFrame, column: str, level: str) -> pd.Series:
    return (frame[column].astype("string").fillna(NO_REGION) == level).fillna(False).astype(bool)


def _held_levels(frame: pd.DataFrame, column: str, levels: Sequence[str], protocol: Protocol) -> frozenset[int]:
    """Levels whose number in this span is held back; all of them add up to the number that the report begins with."""
    inside = [frame.loc[_members(frame, column, level)] for level in levels]
    blank = [i for i, level in enumerate(levels) if level == NOT_RECORDED]
    few = {i for i, part in enumerate(inside) if is_small(int(part["patient_id"].nunique()), protocol)} - {*blank}
    return held_back(
        [len(part) for part in inside],
        [Sum(tuple(range(len(levels))))],
        protocol,
        also=few if not shows_small_counts(protocol) else (),
        harmless=blank,
    )


def _compared(
    now: pd.DataFrame,
    before: pd.DataFrame,
    column: str,
    level: str,
    term: str,
    confidence: float,
    hidden: tuple[bool, bool],
) -> tuple[Row | None, list[Answer]]:
    shares: list[Answer] = []
    cells: list[str] = []
    for frame, when, back in ((now, "this period", hidden[0]), (before, "baseline", hidden[1])):
        member = _members(frame, column, level).to_numpy(dtype=bool)
        share = clustered_proportion(
            member, frame["patient_id"].to_numpy(dtype=str), term=f"{term}, {when}", level=confidence
        )
        if back:
            shares.append(held(share, EITHER, n=share.n))
            cells.append(HELD_CELL)
            continue
        shares.append(share)
        cells.append(
            f"{count(int(member.sum()))} ({percent(share.value)})"
            if isinstance(share, Estimate)
            else count(int(member.sum()))
        )
    if all(isinstance(share, Estimate) and share.events == 0 for share in shares):
        return None, []
    a, b = shares
    answer: Answer
    if isinstance(a, Estimate) and isinstance(b, Estimate):
        answer = difference(a, b, term=f"{term}, difference")
    elif any(hidden):
        answer = NotEstimable(f"{term}, difference", EITHER, n=len(now) + len(before))
    else:
        answer = NotEstimable(f"{term}, difference", "no cases in one of the two", n=len(now) + len(before))
    return Row(term, answer, tuple(cells)), [*shares, answer]


def _covers(answer: Estimate, value: float) -> bool:
    return (answer.low is None or answer.low <= value) and (answer.high is None or answer.high >= value)


def _sentences(scope: Scope, sizes: Sequence[str], shifted: Sequence[Row], compared: int) -> tuple[str, ...]:
    first = f"In {scope.label} the records hold {sizes[0]}; in {scope.baseline_label} {sizes[1]}."
    if not compared:
        return (first, "Nothing could be compared with the baseline.")
    if not shifted:
        return (first, "Every interval of a difference from the baseline holds zero.")
    moved = [f"{row.group.split(',')[0].lower()} {decapital(row.label)} {estimate_text(row.answer)}" for row in shifted]
    return (
        first,
        f"Of {number_word(compared)} intervals of a difference from the baseline, {number_word(len(shifted))} "
        f"{'leaves' if len(shifted) == 1 else 'leave'} out zero: {listing(moved)}.",
    )
