"""One practitioner's own questions: what did I treat, how did it go, how do I stand beside my pooled peers?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import partial

import numpy as np
import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.benchmark_complications import own_complications
from outcomes.questions.benchmark_course import own_course
from outcomes.questions.benchmark_healing import own_healing
from outcomes.questions.benchmark_peers import clause, is_own, rough, roughly_text, why_no_peers
from outcomes.questions.disclosure import is_small, peers_reason, shows_small_counts, small_reason, withheld
from outcomes.questions.population import Population, everyone, treated_between
from outcomes.questions.settings_in_use import comparable_settings
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import ZONES
from outcomes.wording import capital, count, estimate_text, number_word, percent, plural, quantity

REACH_DAYS = (30, 90, 180)

PROTECTED = (
    "No colleague is named, counted or shown alone. Peers are pooled, at least {fewest} of them and none with more than "
    "{share} of the zones, and every number that rests on them is rounded.",
    "Counts from 1 to {most} are held back here as they are in the clinic's audit, with the same further numbers, so that the "
    "audit and all such reports laid side by side give none of them away.",
    "Somebody who held this report and those of all your peers but one could narrow down that one's numbers as far as the "
    "rounding allows, and no further. It is written for you alone: please do not pass it on.",
)


def protected(protocol: Protocol) -> tuple[str, ...]:
    """What this report protects, and what it cannot, in sentences."""
    rule = protocol.disclosure
    words = {
        "fewest": number_word(rule.fewest_peers),
        "share": percent(rule.largest_peer_share).replace(".0", ""),
        "most": count(rule.smallest_count - 1),
    }
    sentences = tuple(sentence.format(**words) for sentence in PROTECTED)
    if shows_small_counts(protocol):
        open_words = "Small counts of your own are shown in full: this report was asked for within the clinic."
        return (sentences[0], open_words, sentences[2])
    return sentences


def own_practice(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """What did you treat, and whom did you see again?"""
    everybody = everyone(cases).frame
    span = treated_between(everybody, scope.baseline_start, scope.end)
    mine = span.loc[is_own(span, scope)]
    now = treated_between(mine, scope.start, scope.end)
    before = treated_between(mine, scope.baseline_start, scope.baseline_end)
    rows = _reach_rows(span, scope, protocol)
    first = (
        f"In {scope.label} you treated {_volume(now, protocol)}; in {scope.baseline_label} {_volume(before, protocol)}."
    )
    said = [row for row in rows if row.group.startswith("Day 90") and row.label == "Yours"]
    says = [first]
    if said and isinstance(said[0].answer, Estimate):
        says.append(f"Of your zones old enough, {estimate_text(said[0].answer)} were seen on or after day 90.")
    return Finding(
        key="own_practice",
        title="Your practice",
        asks="What did you treat, and whom did you see again?",
        says=tuple(says),
        brief=first,
        headlines=tuple(("described", sentence) for sentence in says[1:]),
        estimates=tuple(row.answer for row in rows),
        exhibits=(
            Forest(
                title="Follow-up reached, yours and your pooled peers'",
                headers=("", "zones"),
                rows=tuple(rows),
                scale="proportion",
                note=f"Zones treated in {scope.baseline_label} and {scope.label}, each day among those treated that many days "
                "before the data cut-off or earlier.",
            ),
        ),
        denominators=f"Your zones, {scope.baseline_label} and {scope.label}.",
        methods=("Share seen on or after a day: Korn–Graubard limits with the patient as cluster.",),
        caveats=("Whom you did not see again, you do not know about: nor does this report.",),
    )


def _volume(frame: pd.DataFrame, protocol: Protocol) -> str:
    numbers = (len(frame), int(frame["patient_id"].nunique()), int(frame["session_id"].nunique()))
    if any(is_small(n, protocol) for n in numbers) and not shows_small_counts(protocol):
        return f"fewer than {count(protocol.disclosure.smallest_count)} patients"
    zones, patients, sessions = numbers
    return f"{plural(zones, 'zone')} of {plural(patients, 'patient')} in {plural(sessions, 'session')}"


def _reach_rows(span: pd.DataFrame, scope: Scope, protocol: Protocol) -> list[Row]:
    rows = []
    for day in REACH_DAYS:
        old = span.loc[span["treated_on"] <= pd.Timestamp(scope.as_of - timedelta(days=day))]
        mine = is_own(old, scope).to_numpy(dtype=bool)
        seen = old["last_seen_day"].to_numpy(dtype=float, na_value=-1.0) >= day
        patient = old["patient_id"].to_numpy(dtype=str)
        term = f"seen on or after day {day}"
        own = clustered_proportion(seen[mine], patient[mine], term=f"{term}, yours", level=protocol.level)
        group = f"Day {day} or later"
        shown = withheld([own], protocol)[0]
        size = "–" if shown.n is None else count(shown.n)
        rows.append(Row("Yours", shown, (size,), group=group))
        reason = why_no_peers(old, scope, protocol)
        peers: Answer = (
            NotEstimable(f"{term}, peers", clause(reason), n=None, unit="proportion")
            if reason
            else rough(clustered_proportion(seen[~mine], patient[~mine], term=f"{term}, peers", level=protocol.level))
        )
        rows.append(Row("Peers, pooled", peers, ("–" if reason else roughly_text(int((~mine).sum())),), group=group))
    return rows


def own_settings(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Where do your settings stand among your peers', zone by zone?"""
    span = Population(treated_between(everyone(cases).frame, scope.baseline_start, scope.end))
    compared = comparable_settings(span, protocol)
    frame = compared.frame
    mine = is_own(frame, scope)
    rows: list[tuple[str, ...]] = []
    hidden = 0
    for zone, (label, _) in ZONES.items():
        here = frame.loc[(frame["zone"].astype("string") == zone).to_numpy(dtype=bool)]
        own = here.loc[mine.loc[here.index]]
        if len(own) < protocol.fewest_judged or own["patient_id"].nunique() < protocol.fewest_in_support:
            continue
        others = here.loc[~mine.loc[here.index]]
        reason = peers_reason([int(n) for n in others["practitioner_id"].value_counts()], protocol)
        if not reason and others["patient_id"].nunique() < protocol.fewest_patients_beside:
            reason = small_reason("patients", protocol)
        hidden += bool(reason)
        cells = [f"{capital(label)}, {count(len(own))}"]
        for setting in SETTINGS:
            cells.append(_quartiles(own[setting.column]))
            beside = _quartiles if setting.column == "passes" else partial(_beside, own[setting.column])
            cells.append("–" if reason else beside(others[setting.column]))
        rows.append(tuple(cells))
    heads = [h for s in SETTINGS for h in (s.heading, "peers")]
    says = [_settings_text(rows, protocol)]
    if rows:
        says.append(
            "Standing apart from your peers says that choices differ, not that either is better: patients differ too, and no "
            "setting is recommended."
        )
    if hidden:
        says.append(
            f"In {plural(hidden, 'kind')} of zone your peers are not shown: too few others treated it, or one of them most of it."
        )
    return Finding(
        key="own_settings",
        title="Your settings",
        asks="Where do your settings stand among your pooled peers', zone by zone?",
        says=tuple(says),
        exhibits=(
            Grid(
                title="Your settings beside your pooled peers'",
                headers=("Zone, how many of yours", *heads),
                rows=tuple(rows),
                note="Yours: median (quartiles). Peers: their median, and how many in ten of their zones were treated with less "
                "than your median; for passes, their median and quartiles.",
            ),
        ),
        denominators=f"Your {plural(int(mine.sum()), 'zone')} treated with a {protocol.spot_class} beam, "
        f"{scope.baseline_label} and {scope.label}.",
        exclusions=(),
        methods=(
            f"Zones that you treated at least {count(protocol.fewest_judged)} times, by the zones' own quartiles.",
        ),
    )


def _quartiles(values: pd.Series) -> str:
    known = values.dropna().astype(float)
    if known.empty:
        return "–"
    low, middle, high = (quantity(float(known.quantile(q))) for q in (0.25, 0.5, 0.75))
    return f"{middle} ({low} to {high})"


def _beside(own: pd.Series, others: pd.Series) -> str:
    """Peers' median, and in tenths how many of their zones were treated with less than the reader's median."""
    mine, theirs = own.dropna().astype(float), others.dropna().astype(float).to_numpy()
    if mine.empty or not len(theirs):
        return "–"
    middle = float(mine.median())
    return f"{quantity(float(np.median(theirs)))}; {count(round(10 * float(np.mean(theirs < middle))))} in 10"


def _settings_text(rows: list[tuple[str, ...]], protocol: Protocol) -> str:
    if not rows:
        return (
            f"You treated no zone {count(protocol.fewest_judged)} times or more with a {protocol.spot_class} beam, so that "
            "nothing is set beside your peers."
        )
    return (
        f"{capital(number_word(len(rows)))} {'kind' if len(rows) == 1 else 'kinds'} of zone you treated "
        f"{count(protocol.fewest_judged)} times or more; the table sets your settings there beside your pooled peers'."
    )


Question = Callable[[Cases, Scope, Protocol], Finding]

BENCHMARK: tuple[Question, ...] = (own_practice, own_complications, own_healing, own_course, own_settings)
"""One practitioner's questions, in order; each needs a scope from `own_scope`."""
