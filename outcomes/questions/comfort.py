"""How was pain borne, and was anaesthesia within what the clinic set itself?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.estimates.design import Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.linear import linear_regression
from outcomes.estimates.mean import clustered_mean
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Exhibit, Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.comfort_sessions import TECHNIQUES, sessions_with_care
from outcomes.questions.disclosure import HELD_CELL, held, reason_to_hold
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    cell_text,
    count,
    decapital,
    estimate_text,
    interval,
    of_total,
    plural,
    quantity,
    value_text,
)

BEARABLE_PAIN = 5.0
ENERGY_STEP_MJ = 10.0
_TERMS: tuple[tuple[str, str, str], ...] = (
    # column, label of the term, what it is in words
    ("injected", "an injection or block", "sessions with an injection or block"),
    ("topical", "a topical agent", "sessions with a topical agent"),
    ("sedated", "oral sedation or more", "sessions with sedation"),
    ("energy", "10 mJ more energy", "10 mJ more energy in the strongest zone"),
    ("zones", "one zone more", "one zone more in the session"),
    ("eyelid", "a zone of the lids", "sessions with a zone of the lids"),
    ("off_face", "a zone off the face", "sessions with a zone off the face"),
)


@dataclass(frozen=True, slots=True, eq=False)
class _Check:
    """One limit that sessions are held against: who can be told, and who keeps it."""

    label: str
    applies: np.ndarray
    told: np.ndarray
    kept: np.ndarray


def comfort(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How was pain borne, and was anaesthesia within what the clinic set itself?

    The unit is the session: one pain score, one dose and one contact time belong to it, however many zones were treated.
    Pain rests on the period and the baseline together; limits on the period, beside the baseline.
    """
    everything = sessions_with_care(cases, scope.baseline_start, scope.end, protocol.anaesthesia)
    now = (everything["treated_on"] >= pd.Timestamp(scope.start)).to_numpy(dtype=bool)
    scored = everything.loc[everything["pain"].notna()]
    techniques = _pain_by_technique(scored, protocol)
    fit = _adjusted(scored, protocol)
    effects = _effect_rows(fit)
    checks = _checks(everything, protocol)
    limits = [_check_row(check, everything, now, scope, protocol) for check in checks]
    exhibits: list[Exhibit] = [
        Forest(
            title=f"Pain of {quantity(BEARABLE_PAIN)} or less, of 10, by technique",
            headers=("", "sessions", "mean pain"),
            rows=tuple(techniques),
            scale="proportion",
            note="Who is numbed more may have been expected to feel more: the rows are not alike in what was treated.",
        ),
        Forest(
            title="What goes with more or less pain, all else in the table equal",
            detail=True,
            headers=("",),
            rows=tuple(effects),
            scale="difference",
            reference=0.0,
            note="Difference in mean pain score, of 10; below 0 is less pain.",
        ),
        Forest(
            title="Anaesthesia against the limits of the protocol",
            headers=("", f"kept / told, {scope.label}", "cannot be told", f"{scope.baseline_label}, %"),
            rows=tuple(limits),
            scale="proportion",
            note=_limits_in_words(protocol),
        ),
        _amounts(everything.loc[now], scope),
    ]
    borne = _bearable(scored, scope, protocol)
    answers = [borne, *(row.answer for row in (*techniques, *effects, *limits))]
    answers += [a for a in _means(scored, protocol)]
    answers += [_share(check, everything, ~now, scope.baseline_label, protocol) for check in checks]
    return Finding(
        key="comfort",
        title="Comfort and anaesthesia",
        asks="How was pain borne, by technique, and were doses, contact times and the time to the laser within what the clinic "
        "set itself?",
        says=_sentences(everything, now, borne, effects, limits, scope),
        brief="",
        headlines=_headlines(limits),
        estimates=tuple(answers),
        exhibits=tuple(exhibits),
        denominators=f"{plural(len(everything), 'session')} of {plural(everything['patient_id'].nunique(), 'patient')} from "
        f"{scope.baseline_label} to {scope.label}, {count(int(now.sum()))} of them in {scope.label}; pain was scored in "
        f"{count(len(scored))}.",
        exclusions=_exclusions(cases, everything, scope),
        methods=(
            "Shares by technique and against limits: patient as cluster, limits after Korn and Graubard (Survey Methodology "
            "1998;24:193–201). Mean pain: ratio of patient totals with linearised variance (Cochran, Sampling Techniques, "
            "1977, section 6.3).",
            "Adjusted differences: linear regression of the score, bias-reduced covariance by patient (CR2) with Satterthwaite's "
            "degrees of freedom (Pustejovsky and Tipton, J Bus Econ Stat 2018;36:672–683).",
            "Injected dose: strength in % times 10 times millilitres gives milligrams; held against the lower of the limit by "
            "body weight and the cap. Where adrenaline or weight is not recorded, a dose between the limits that could hold "
            "cannot be told. Minutes to the laser run from the last injection to the first pulse.",
        ),
        caveats=(
            "Limits of dose and times are those of the protocol, from memory and to be confirmed locally. Keeping them says "
            "nothing of what a patient could have been given.",
            "A topical dose is not held against a limit: how much of it is taken up is not known. It stands beside the injected "
            "one for sessions that had both.",
            "Only the first pulse is timed; how long the laser ran after it is not recorded.",
            "A pain score is the patient's and depends on who asks, when and how.",
        ),
        requests=_requests(limits, scope),
    )


def _pain_by_technique(scored: pd.DataFrame, protocol: Protocol) -> list[Row]:
    rows = []
    for technique in TECHNIQUES:
        own = scored.loc[(scored["technique"] == technique).to_numpy(dtype=bool)]
        if own.empty:
            continue
        answer = clustered_proportion(
            (own["pain"] <= BEARABLE_PAIN).to_numpy(dtype=bool),
            own["patient_id"].to_numpy(dtype=str),
            term=f"pain 5 or less, {technique}",
            level=protocol.level,
        )
        mean = clustered_mean(
            own["pain"].to_numpy(dtype=float), own["patient_id"].to_numpy(dtype=str), unit="score", level=protocol.level
        )
        reason = reason_to_hold(answer, protocol, "sessions")
        cells = (count(len(own)), cell_text(mean))
        rows.append(
            Row(capital(technique), held(answer, reason), (HELD_CELL, HELD_CELL))
            if reason
            else Row(capital(technique), answer, cells)
        )
    return rows


def _bearable(scored: pd.DataFrame, scope: Scope, protocol: Protocol) -> Answer:
    """Share of the period's scored sessions in which pain was bearable, whatever the technique."""
    recent = scored.loc[(scored["treated_on"] >= pd.Timestamp(scope.start)).to_numpy(dtype=bool)]
    answer = clustered_proportion(
        (recent["pain"] <= BEARABLE_PAIN).to_numpy(dtype=bool),
        recent["patient_id"].to_numpy(dtype=str),
        term=f"pain {quantity(BEARABLE_PAIN)} or less, {scope.label}",
        level=protocol.level,
    )
    reason = reason_to_hold(answer, protocol, "sessions")
    return held(answer, reason) if reason else answer


def _means(scored: pd.DataFrame, protocol: Protocol) -> list[Answer]:
    """Mean pain of each technique that is shown, for the tables."""
    found: list[Answer] = []
    for technique in TECHNIQUES:
        own = scored.loc[(scored["technique"] == technique).to_numpy(dtype=bool)]
        if len(own) >= protocol.disclosure.smallest_count:
            patient = own["patient_id"].to_numpy(dtype=str)
            values = own["pain"].to_numpy(dtype=float)
            found.append(
                clustered_mean(values, patient, term=f"mean pain, {technique}", unit="score", level=protocol.level)
            )
    return found


def _adjusted(scored: pd.DataFrame, protocol: Protocol) -> Fit | NotEstimable:
    known = scored.loc[scored["energy_mj"].notna()]
    frame = pd.DataFrame(
        {
            "energy": known["energy_mj"].to_numpy(dtype=float) / ENERGY_STEP_MJ,
            **{
                name: known[name].to_numpy(dtype=float)
                for name in ("injected", "topical", "sedated", "zones", "eyelid", "off_face")
            },
        }
    )
    patient = known["patient_id"].to_numpy(dtype=str)
    told = [
        (column, label)
        for column, label, _ in _TERMS
        if column in ("energy", "zones") or _fewest_on_a_side(frame[column], patient) >= protocol.fewest_patients_beside
    ]
    terms: list[Term] = [Numeric(column, label=label) for column, label in told]
    if not len(frame):
        return NotEstimable("pain, adjusted", "no pain score is recorded", n=0, unit="difference")
    return linear_regression(
        build(frame, terms), known["pain"].to_numpy(dtype=float), cluster=patient, level=protocol.level, unit="score"
    )


def _fewest_on_a_side(flag: pd.Series, patient: np.ndarray) -> int:
    return min(len(set(patient[flag.to_numpy() == side])) for side in (0.0, 1.0))


def _effect_rows(fit: Fit | NotEstimable) -> list[Row]:
    if isinstance(fit, NotEstimable):
        return [Row("Pain, adjusted", fit)]
    found = {answer.term: answer for answer in fit.terms}
    rows = []
    for _, label, words in _TERMS:
        answer = found.get(label) or NotEstimable(
            label, "too few patients with, or without", n=fit.n, patients=fit.patients, unit="difference in score"
        )
        rows.append(Row(capital(words), answer.named(f"pain: {words}")))
    return rows


def _checks(frame: pd.DataFrame, protocol: Protocol) -> tuple[_Check, ...]:
    limits = protocol.anaesthesia
    injected = frame["injected"].to_numpy(dtype=bool)
    topical = frame["topical"].to_numpy(dtype=bool)
    within, above = (frame[name].to_numpy(dtype=bool) for name in ("dose_within", "dose_above"))
    minutes, contact = frame["minutes_to_laser"].to_numpy(dtype=float), frame["topical_min"].to_numpy(dtype=float)
    works = (minutes >= limits.works_from_min) & (minutes <= limits.works_until_min)
    return (
        _Check("Injected dose within the limit", injected, within | above, within),
        _Check("Laser begun while the block works", injected, ~np.isnan(minutes), works),
        _Check(
            "Topical agent left on long enough", topical, ~np.isnan(contact), contact >= limits.topical_at_least_min
        ),
    )


def _limits_in_words(protocol: Protocol) -> str:
    limits = protocol.anaesthesia
    return (
        f"Dose: {quantity(limits.mg_per_kg)} mg/kg and at most {quantity(limits.cap_mg)} mg, with adrenaline "
        f"{quantity(limits.mg_per_kg_with_adrenaline)} mg/kg and {quantity(limits.cap_mg_with_adrenaline)} mg. Block: "
        f"{quantity(limits.works_from_min)} to {quantity(limits.works_until_min)} minutes after the last injection. Topical "
        f"agent: {quantity(limits.topical_at_least_min)} minutes or more. From memory, to be confirmed locally; not advice."
    )


def _share(check: _Check, frame: pd.DataFrame, span: np.ndarray, label: str, protocol: Protocol) -> Answer:
    told = check.applies & check.told & span
    return clustered_proportion(
        check.kept[told], frame["patient_id"].to_numpy(dtype=str)[told],
        term=f"{decapital(check.label)}, {label}", level=protocol.level,
    )  # fmt: skip


def _check_row(check: _Check, frame: pd.DataFrame, now: np.ndarray, scope: Scope, protocol: Protocol) -> Row:
    told = check.applies & check.told & now
    unknown = int((check.applies & ~check.told & now).sum())
    earlier = cell_text(_share(check, frame, ~now, scope.baseline_label, protocol))
    cells = (f"{count(int((told & check.kept).sum()))} / {count(int(told.sum()))}", count(unknown), earlier)
    return Row(check.label, _share(check, frame, now, scope.label, protocol), cells)


def _amounts(frame: pd.DataFrame, scope: Scope) -> Grid:
    """What was given, as quartiles over sessions; never the highest, which is one patient's."""
    both = frame["technique"] == "topical and injected"
    lines = (
        ("Injected lidocaine, mg", frame["injected_mg"]),
        ("Injected lidocaine, mg/kg", frame["injected_mg_kg"]),
        ("Injected lidocaine where a topical agent was used too, mg", frame["injected_mg"].where(both)),
        ("Topical agent, g", frame["topical_g"]),
        ("Topical agent where an injection was given too, g", frame["topical_g"].where(both)),
        ("Minutes from the last injection to the laser", frame["minutes_to_laser"]),
    )
    rows = []
    for label, values in lines:
        known = values.dropna().to_numpy(dtype=float)
        if len(known) < 20:  # quartiles of fewer would come close to single patients
            rows.append(
                (label, count(len(known)) if len(known) > 4 or not len(known) else "fewer than 5", "too few to show")
            )
            continue
        low, middle, high = (quantity(float(np.quantile(known, q))) for q in (0.25, 0.5, 0.75))
        rows.append((label, count(len(known)), f"{middle} ({low} to {high})"))
    return Grid(
        f"What was given in {scope.label}",
        ("", "Sessions", "Median (quartiles)"),
        tuple(rows),
        number_columns=(1, 2),
        note="Recorded amounts, whatever the agent's strength. No limit is set here for what is left on the skin.",
        detail=True,
    )


def _sentences(
    everything: pd.DataFrame,
    now: np.ndarray,
    borne: Answer,
    effects: Sequence[Row],
    limits: Sequence[Row],
    scope: Scope,
) -> tuple[str, ...]:
    if everything.empty:
        return (
            "The export holds no sessions with anaesthesia or pain for these quarters, so that nothing can be said.",
        )
    says = []
    if isinstance(borne, Estimate) and borne.events is not None:
        says.append(
            f"In {scope.label}, pain was {quantity(BEARABLE_PAIN)} or less in {of_total(borne.events, borne.n)} scored "
            f"sessions, {estimate_text(borne)}; {count(int(now.sum()) - borne.n)} were not scored."
        )
    else:
        says.append(f"Pain in {scope.label}: {estimate_text(borne)}.")
    shown = [row for row in effects if isinstance(row.answer, Estimate) and not _covers_zero(row.answer)]
    for row in shown[:3]:
        if isinstance(row.answer, Estimate):
            more = "more" if row.answer.value > 0 else "less"
            says.append(
                f"{row.label} went with {more} pain, all else in the table equal: a difference of "
                f"{value_text(row.answer.value, row.answer.unit)} points of 10 ({interval(row.answer)})."
            )
    for row in limits:
        if isinstance(row.answer, Estimate):
            unknown = f"; in {row.cells[1]} it cannot be told" if row.cells[1] != "0" else ""
            says.append(f"{row.label}: {_kept(row.answer)} sessions{unknown}.")
    return tuple(says)


def _covers_zero(answer: Estimate) -> bool:
    return (answer.low is None or answer.low <= 0) and (answer.high is None or answer.high >= 0)


def _kept(answer: Estimate) -> str:
    """In how many of the sessions that tell a limit was kept."""
    return of_total(answer.events or 0, answer.n)


def _headlines(limits: Sequence[Row]) -> tuple[tuple[str, str], ...]:
    told = [f"{decapital(row.label)} {_kept(row.answer)}" for row in limits if isinstance(row.answer, Estimate)]
    return (("described", f"Sessions: {'; '.join(told)}."),) if told else ()


def _exclusions(cases: Cases, everything: pd.DataFrame, scope: Scope) -> tuple[str, ...]:
    span = cases.during(scope.baseline_start, scope.end)
    without = int(span.zones["session_id"].nunique()) - len(everything)
    return (f"{plural(without, 'session')} that the sessions table does not hold.",) if without else ()


def _requests(limits: Sequence[Row], scope: Scope) -> tuple[str, ...]:
    dose = next((row for row in limits if row.label == "Injected dose within the limit"), None)
    if dose is None or not isinstance(dose.answer, Estimate):
        return ()
    beyond = dose.answer.n - (dose.answer.events or 0)
    if not beyond:
        return ()
    return (
        f"Have the {plural(beyond, 'session')} of {scope.label} reviewed in which the recorded injected dose lay above the "
        "limit of the protocol.",
    )
