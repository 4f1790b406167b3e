"""How do your zones heal, and what benefit is recorded, beside your pooled peers?"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outcomes.estimates.accelerated import accelerated_failure_time, adjusted_median
from outcomes.estimates.design import Category, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.benchmark_peers import clause, is_own, rough, roughly_text, why_no_peers
from outcomes.questions.benefit import CONTENT, HELPED, benefit_candidates, graded
from outcomes.questions.disclosure import withheld
from outcomes.questions.healing import FEWEST_ZONES_OF_A_KIND, healing_population
from outcomes.questions.healing_curves import healing_intervals
from outcomes.questions.settings_model import LABELS, REFERENCES
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import ZONES
from outcomes.wording import capital, count, estimate_text, plural

_MINE = "your zones against your peers'"
_CASE_MIX = ("skin_group", "age_group")


def own_healing(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How do your zones heal, and what benefit is recorded, beside your pooled peers?"""
    assessed = healing_population(cases, scope.end)
    ratio_answer, own_days, peer_days, zones = _healing(assessed.frame, scope, protocol)
    benefit = _benefit_rows(cases, scope, protocol)
    own_n = int(is_own(assessed.frame, scope).sum())
    day_rows = [Row("Your zones", own_days, (count(zones),)), Row("The same zones, peers' results", peer_days, ("",))]
    says = _sentences(ratio_answer, own_days, peer_days, benefit)
    return Finding(
        key="own_healing",
        title="Your healing and benefit",
        asks="How many days do your zones take to heal, and what improvement and satisfaction are recorded, beside your "
        "pooled peers?",
        says=says,
        headlines=tuple(("described", sentence) for sentence in says[:1] if isinstance(own_days, Estimate)),
        estimates=(ratio_answer, own_days, peer_days, *(row.answer for row in benefit)),
        exhibits=(
            Forest(
                "Days until half have healed, at your zones, skin types and ages",
                ("", "zones"),
                tuple(day_rows),
                "days",
            ),
            Forest(
                "Improvement and satisfaction",
                ("", "zones"),
                tuple(benefit),
                "proportion",
                note="Among zones graded; not adjusted. Who is graded is not chance.",
            ),
        ),
        denominators=f"{plural(own_n, 'zone')} of yours whose healing was assessed, beside "
        f"{roughly_text(len(assessed) - own_n)} of your peers.",
        methods=(
            "Accelerated failure time model of the family that the protocol fixes, on the intervals between visits, with zone, "
            "skin type and age and a term for your zones, sandwich covariance by patient; settings are not allowed for, since "
            "they are what you choose. What rests on peers is rounded.",
            "Benefit: improvement of a quarter or more and satisfaction of 4 or 5, as in the audit; shares "
            "with the patient as cluster (Korn and Graubard, Survey Methodology 1998;24:193–201).",
        ),
        caveats=(
            "Those who come back early may do so because healing is slow; if you see patients earlier than your peers do, that "
            "alone moves the days.",
            "Graded by whoever graded; a treating practitioner's grade is not a blinded one.",
        ),
    )


def _healing(frame: pd.DataFrame, scope: Scope, protocol: Protocol) -> tuple[Answer, Answer, Answer, int]:
    terms = (
        "time ratio: you against your peers",
        "your median days to heal",
        "the same zones with your peers' results",
    )
    units = ("time ratio", "days", "days")
    zone = frame["zone"].astype("string")
    sizes = zone.value_counts()
    common = [z for z in ZONES if int(sizes.get(z, 0)) >= FEWEST_ZONES_OF_A_KIND]
    frame = frame.loc[zone.isin(common).to_numpy(dtype=bool)]
    mine = is_own(frame, scope)
    own = int(mine.sum())

    def cannot(reason: str) -> tuple[Answer, Answer, Answer, int]:
        first, second, third = (
            NotEstimable(term, reason, n=own, unit=unit) for term, unit in zip(terms, units, strict=True)
        )
        return first, second, third, own

    if frame.loc[mine, "patient_id"].nunique() < protocol.fewest_patients_beside:
        return cannot(f"fewer than {count(protocol.fewest_patients_beside)} of your patients were assessed for healing")
    if reason := why_no_peers(frame, scope, protocol):
        return cannot(clause(reason))
    marked = frame.assign(_mine=mine.astype(float))
    model: list[Term] = [Numeric("_mine", label=_MINE)]
    model += [Category(name, REFERENCES[name], label=LABELS[name]) for name in _CASE_MIX]
    reference = str(frame["zone"].astype("string").value_counts().index[0])
    model.append(Category("zone", reference, label="zone", levels=tuple(common)))
    design = build(marked, model)
    after, by, patient = healing_intervals(marked)
    fit = accelerated_failure_time(design, after, by, family=protocol.aft_family, cluster=patient, level=protocol.level)
    if isinstance(fit, NotEstimable):
        return cannot(fit.reason)
    here = marked.loc[mine]
    matrices = [design.evaluate(here.assign(_mine=value)) for value in (1.0, 0.0)]
    own_days, peer_days = adjusted_median(fit, matrices, terms[1:], level=protocol.level)
    return rough(fit.term(_MINE).named(terms[0]), n=own), rough(own_days, n=own), rough(peer_days, n=own), own


def _benefit_rows(cases: Cases, scope: Scope, protocol: Protocol) -> list[Row]:
    candidates = benefit_candidates(cases, scope, protocol)
    rows: list[Row] = []
    for outcome in (HELPED, CONTENT):
        population, good = graded(candidates, outcome)
        found, label = population.frame, capital(outcome.label)
        mine = is_own(found, scope).to_numpy(dtype=bool)
        patient = found["patient_id"].to_numpy(dtype=str)
        own = clustered_proportion(good[mine], patient[mine], term=f"{label}: yours", level=protocol.level)
        rows.append(Row("Yours", withheld([own], protocol)[0], (count(int(mine.sum())),), group=label))
        reason = why_no_peers(found, scope, protocol)
        peers: Answer = (
            NotEstimable(f"{label}: peers", clause(reason), n=None, unit="proportion")
            if reason
            else rough(clustered_proportion(good[~mine], patient[~mine], term=f"{label}: peers", level=protocol.level))
        )
        rows.append(Row("Peers, pooled", peers, ("–" if reason else roughly_text(int((~mine).sum())),), group=label))
    return rows


def _sentences(ratio_answer: Answer, own: Answer, peers: Answer, benefit: Sequence[Row]) -> tuple[str, ...]:
    says = []
    if isinstance(own, Estimate) and isinstance(peers, Estimate):
        says.append(
            f"Half of your zones are healed by day {estimate_text(own).replace(' days', '', 1)}; with your peers' results the same "
            f"zones would be by day {estimate_text(peers).replace(' days', '', 1)}."
        )
        if isinstance(ratio_answer, Estimate):
            beside = (ratio_answer.low or 0.0) > 1 or (ratio_answer.high or 2.0) < 1
            word = "leaves out" if beside else "holds"
            says.append(
                f"The time ratio is {estimate_text(ratio_answer)}: its interval {word} 1, where there is no difference."
            )
    else:
        reason = own.reason if isinstance(own, NotEstimable) else ""
        says.append(f"Your healing cannot be set beside your peers': {reason}.")
    for row in benefit:
        if row.label == "Yours":
            says.append(f"{row.group}: {estimate_text(row.answer)} of your zones that were graded.")
    return tuple(says)
