"""Do practitioners' results differ by more than case-mix and chance explain?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.funnel import binomial_limits, detectable_odds_ratio
from outcomes.findings import Exhibit, Finding, Forest, Funnel, FunnelPoint, Row
from outcomes.protocol import Protocol
from outcomes.questions.practitioner_model import Compared, Comparison, compare, judged_population
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    count,
    decimal,
    estimate_text,
    listing,
    number_word,
    p_value,
    percent,
    plural,
    ratio,
)

_OUTSIDE = ("outside 95 %", "outside 99.8 %")
_TAILS = (0.001, 0.025, 0.975, 0.999)


def practitioners(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Do practitioners' results differ by more than case-mix and chance explain?

    Case-mix (region and skin type) is allowed for, settings never: they are what a practitioner chooses.
    Raw risk, observed and expected events stand beside the adjusted comparison.
    """
    comparisons = []
    for name in protocol.judged:
        outcome = protocol.outcome(name)
        population = judged_population(cases, scope.end, scope.as_of, outcome)
        if not len(population):
            continue
        comparisons.append(compare(population, outcome, None, protocol))
        off_face = (population.frame["region"] == "off_face").fillna(False)
        if bool(off_face.any()) and not bool(off_face.all()):
            comparisons.append(compare(population, outcome, "off_face", protocol))
    flagged = [(c, each) for c in comparisons for each in c.each if each.verdict in _OUTSIDE]
    exhibits: list[Exhibit] = []
    for i, c in enumerate(comparisons):
        if (i == 0 or any(each.verdict in _OUTSIDE for each in c.each)) and (funnel := _funnel(c, protocol)):
            exhibits.append(funnel)
    exhibits.append(_table(comparisons))
    exhibits.append(_shrunken(comparisons))
    people = len({each.label for c in comparisons for each in c.each})
    return Finding(
        key="practitioners",
        title="Practitioners",
        asks="Do practitioners' results differ by more than their case-mix and chance explain?",
        says=_sentences(comparisons, flagged, people, protocol),
        brief=_brief(flagged, people),
        headlines=_headlines(comparisons, flagged, people),
        estimates=tuple(_estimates(comparisons)),
        exhibits=tuple(exhibits),
        denominators=" ".join(
            f"{capital(c.outcome.label)}, {c.where}: {plural(len(c.population), 'zone')} of "
            f"{plural(c.population.patients, 'patient')}, {plural(int(c.event.sum()), 'event')}."
            for c in comparisons
        ),
        exclusions=tuple(
            f"{capital(c.outcome.label)}: {'; '.join(c.population.left_out)}."
            for c in comparisons
            if c.where == "all regions" and c.population.left_out
        ),
        methods=(
            "Each practitioner is compared with all others pooled, in a logistic model with Firth's penalty and the "
            "case-mix fixed beforehand (region and skin type), limits and p values allowing for several zones of one "
            "patient. A verdict follows the p value adjusted by Holm's method over the practitioners of a table: "
            "outside 95 % below 0.05, outside 99.8 % below 0.002.",
            "Expected events come from a case-mix model fitted without the practitioner in question. In a funnel, "
            "the height is observed over expected times the overall risk, and the limits are exact binomial ones at "
            "the number of zones divided by the design effect. The verdict comes from the test, not from the drawn "
            "line.",
            "Shrunken estimates and the spread between practitioners: random-intercept logistic regression at equal "
            "case-mix, adaptive Gauss–Hermite quadrature with 25 nodes; several zones of one patient are not allowed "
            "for there, so that the spread may be a little overstated.",
            f"Fewer than {count(protocol.fewest_judged)} zones with a known outcome are shown and never judged.",
        ),
        caveats=(
            "Case-mix is what was recorded; patients differ in more than region and skin type.",
            "Only zones whose outcome is known enter. A practitioner whose patients return more, or only when "
            "something is wrong, looks different for that alone.",
            _by_chance(comparisons),
        ),
        requests=_requests(flagged),
    )


def _adjusted_height(c: Comparison, each: Compared) -> Answer:
    """Observed over expected times the overall risk, on the scale of the funnel, limits from the raw risk."""
    term = f"{c.outcome.label}, {each.label}: risk at the clinic's case-mix"
    if each.expected is None or each.expected <= 0 or not isinstance(c.overall, Estimate):
        return NotEstimable(term, "no expected events", n=each.zones, events=each.events)
    if not isinstance(each.raw, Estimate) or each.raw.low is None or each.raw.high is None:
        return NotEstimable(term, "no raw risk", n=each.zones, events=each.events)
    scale = each.zones / each.expected * c.overall.value
    value, low, high = (min(1.0, v * scale) for v in (each.raw.value, each.raw.low, each.raw.high))
    if not low < high:
        return NotEstimable(term, "no raw risk", n=each.zones, events=each.events)
    return Estimate(
        term,
        value,
        low,
        high,
        "observed over expected times the overall risk; limits of the raw risk on the same scale",
        each.zones,
        level=each.raw.level,
        unit="proportion",
        patients=each.patients,
        events=each.events,
    )


def _funnel(c: Comparison, protocol: Protocol) -> Funnel | None:
    if not isinstance(c.overall, Estimate) or not 0 < c.overall.value < 1:
        return None
    points = tuple(
        FunnelPoint(each.label, each.zones / c.design_effect, _adjusted_height(c, each), each.verdict)
        for each in c.each
    )
    shown = [p for p in points if isinstance(p.answer, Estimate)]
    if len(shown) < 2:
        return None
    largest = max(p.size for p in shown) * 1.1
    sizes = np.unique(np.round(np.geomspace(5, max(largest, 20), 60)))
    limits = binomial_limits(c.overall.value, sizes, _TAILS)
    outside = [p.label for p in points if p.verdict in _OUTSIDE]
    claim = (
        f"{listing(outside)} {'lies' if len(outside) == 1 else 'lie'} outside what case-mix and chance explain"
        if outside
        else "no practitioner lies outside what case-mix and chance explain"
    )
    return Funnel(
        title=f"{capital(c.outcome.label)}, {c.where}: {claim}",
        x_label="Zones with known outcome, divided by the design effect",
        y_label="Risk at the clinic's case-mix (%)",
        points=points,
        centre=c.overall.value,
        sizes=tuple(float(s) for s in sizes),
        limits=(
            ("95 %", tuple(float(v) for v in limits[:, 1]), tuple(float(v) for v in limits[:, 2])),
            ("99.8 %", tuple(float(v) for v in limits[:, 0]), tuple(float(v) for v in limits[:, 3])),
        ),
        reading="Each mark is a practitioner; the more zones, the further to the right and the narrower the limits.",
        note="A verdict comes from the adjusted test in the table, so that a mark near a line may fall either way.",
    )


def _table(comparisons: Sequence[Comparison]) -> Forest:
    rows = []
    for c in comparisons:
        for each in c.each:
            adjusted = each.against_rest.p_adjusted if isinstance(each.against_rest, Estimate) else None
            rows.append(
                Row(
                    each.label,
                    each.against_rest,
                    (
                        f"{count(each.events)} / {count(each.zones)}",
                        percent(each.raw.value) if isinstance(each.raw, Estimate) else "–",
                        decimal(each.expected, 1) if each.expected is not None else "–",
                        p_value(adjusted) if adjusted is not None else "–",
                    ),
                    verdict=each.verdict,
                    group=f"{capital(c.outcome.label)}, {c.where}",
                )
            )
    return Forest(
        title="Each practitioner against the rest, at equal case-mix",
        headers=("", "events / zones", "raw", "expected", "adjusted p"),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Odds ratio against all others pooled. Expected: events that the others' results would predict for this "
        "practitioner's case-mix.",
    )


def _shrunken(comparisons: Sequence[Comparison]) -> Forest:
    rows = []
    for c in comparisons:
        if c.where != "all regions":
            continue
        group = capital(c.outcome.label)
        spread = (
            f"; spread between practitioners {estimate_text(c.spread)} on the log odds scale"
            if isinstance(c.spread, Estimate)
            else ""
        )
        if isinstance(c.spread, NotEstimable):
            rows.append(Row("Spread between practitioners", c.spread, group=group))
        rows += [Row(who, answer, group=group + spread) for who, answer in sorted(c.shrunken.items())]
    return Forest(
        title="Shrunken estimates: what is left of each difference once chance is allowed for",
        headers=("",),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Odds ratio against the average practitioner. Shrinkage draws those with few zones most.",
    )


def _estimates(comparisons: Sequence[Comparison]) -> list[Answer]:
    answers: list[Answer] = []
    for c in comparisons:
        for each in c.each:
            answers += [
                answer.named(f"{answer.term}, {c.where}")
                for answer in (each.raw, each.against_rest, _adjusted_height(c, each))
            ]
        if c.where == "all regions":
            answers += [c.spread, *(c.shrunken[who] for who in sorted(c.shrunken))]
    return answers


def _sentences(
    comparisons: Sequence[Comparison], flagged: Sequence[tuple[Comparison, Compared]], people: int, protocol: Protocol
) -> tuple[str, ...]:
    if people < 2:
        return ("With one practitioner there is nobody to compare with.",)
    says = []
    for c, each in flagged:
        more = "more" if each.events > (each.expected or 0) else "fewer"
        expected = f" where {decimal(each.expected, 1)} were expected" if each.expected is not None else ""
        says.append(
            f"{each.label} had {more} {c.outcome.label} than expected ({c.where}): {plural(each.events, 'event')} in "
            f"{plural(each.zones, 'zone')}{expected}; odds ratio against the rest "
            f"{estimate_text(each.against_rest)}, "
            f"{each.verdict}."
        )
    if not flagged:
        says.append(
            f"No difference between the {number_word(people)} practitioners is shown beyond case-mix and chance; the "
            "intervals in the table say what remains compatible with the records."
        )
    few = sorted({each.label for c in comparisons for each in c.each if each.verdict == "too few to judge"})
    if few:
        says.append(f"Too few to judge on one outcome or more: {listing(few)}.")
    detectable = _detectable(comparisons)
    if detectable:
        says.append(detectable)
    return tuple(says)


def _detectable(comparisons: Sequence[Comparison]) -> str:
    """What odds ratio the middle practitioner's number of zones could have shown, for the first outcome."""
    if not comparisons or not isinstance(comparisons[0].overall, Estimate):
        return ""
    c = comparisons[0]
    sizes = sorted(each.zones for each in c.each)
    middle = sizes[len(sizes) // 2]
    answer = detectable_odds_ratio(
        middle, sum(sizes) - middle, c.overall.value if isinstance(c.overall, Estimate) else 0.0, c.design_effect
    )
    if answer is None:
        return ""
    return (
        f"For a practitioner with {plural(middle, 'zone')}, the middle one, an odds ratio of about {ratio(answer)} "
        f"for {c.outcome.label} would be found four times in five by a single test; smaller ones mostly go unseen."
    )


def _headlines(
    comparisons: Sequence[Comparison], flagged: Sequence[tuple[Comparison, Compared]], people: int
) -> tuple[tuple[str, str], ...]:
    lines = [
        (
            each.verdict,
            f"{each.label}, {c.outcome.label}, {c.where}: {plural(each.events, 'event')} where "
            f"{decimal(each.expected, 1) if each.expected is not None else 'none'} were expected; odds ratio "
            f"against the rest {estimate_text(each.against_rest)}.",
        )
        for c, each in flagged
    ]
    if not flagged and people > 1:
        lines.append(
            (
                "within limits",
                f"{capital(number_word(people))} practitioners: no difference shown beyond case-mix and chance.",
            )
        )
    return tuple(lines)


def _brief(flagged: Sequence[tuple[Comparison, Compared]], people: int) -> str:
    if people < 2:
        return ""
    if not flagged:
        return f"No difference between the {number_word(people)} practitioners is shown beyond case-mix and chance."
    found = [f"{each.label} ({c.outcome.label}, {c.where})" for c, each in flagged]
    return f"Of {number_word(people)} practitioners, outside what case-mix and chance explain: {listing(found)}."


def _by_chance(comparisons: Sequence[Comparison]) -> str:
    tables = len(comparisons)
    return (
        f"If all practitioners were alike, each of the {number_word(tables)} tables would flag somebody with a "
        f"chance of at most 5 %: in four such audits a year, up to {decimal(0.05 * tables * 4, 1)} flags by chance."
    )


def _requests(flagged: Sequence[tuple[Comparison, Compared]]) -> tuple[str, ...]:
    if not flagged:
        return ()
    who = sorted({each.label for _, each in flagged})
    return (
        f"Give {listing(who)} the right of reply, looking in this order: data, case-mix, equipment, process, person.",
    )
