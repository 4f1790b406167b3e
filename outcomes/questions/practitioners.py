"""Do practitioners' results differ by more than case-mix and chance explain?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from outcomes.estimates.difference import ratio as quotient
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.funnel import detectable_odds_ratio, poisson_limits
from outcomes.findings import Exhibit, Finding, Forest, Funnel, FunnelPoint, Row
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import held_sentence
from outcomes.questions.practitioner_disclosure import with_held_rows
from outcomes.questions.practitioner_model import NOTICED, OUTSIDE, Compared, Comparison, compare_all, judged_rows
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

_AUDITS_A_YEAR = 4
_TAILS = (0.001, 0.025, 0.975, 0.999)


def practitioners(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Do practitioners' results differ by more than case-mix and chance explain?

    Case-mix (region and skin type) is allowed for, settings never: they are what a practitioner chooses.
    Raw risk, observed and expected events stand beside the adjusted comparison.
    """
    comparisons = with_held_rows(compare_all(cases, scope, protocol), protocol)
    flagged = [(c, each) for c in comparisons for each in c.each if each.verdict in OUTSIDE]
    noticed = [(c, each) for c in comparisons for each in c.each if each.verdict == NOTICED]
    exhibits: list[Exhibit] = []
    for i, c in enumerate(comparisons):
        if (i == 0 or any(each.verdict in (*OUTSIDE, NOTICED) for each in c.each)) and (funnel := _funnel(c)):
            exhibits.append(funnel)
    people = len({each.label for c in comparisons for each in c.each})
    if people > 1:
        exhibits += [_table(comparisons, protocol), _shrunken(comparisons)]
    return Finding(
        key="practitioners",
        title="Practitioners",
        asks="Do practitioners' results differ by more than their case-mix and chance explain?",
        says=_sentences(comparisons, flagged, noticed, people, protocol),
        brief=_brief(comparisons, flagged, noticed, people),
        headlines=_headlines(comparisons, flagged, noticed, people),
        estimates=tuple(_estimates(comparisons)),
        exhibits=tuple(exhibits),
        denominators=" ".join(_rests_on(c) for c in comparisons),
        exclusions=tuple(
            f"{capital(c.outcome.label)}: {'; '.join(c.population.left_out)}."
            for c in comparisons
            if c.where == "all regions" and c.population.left_out
        ),
        methods=(
            "Each practitioner is compared with all others pooled, in a logistic model with Firth's penalty and the "
            "case-mix that the protocol fixes (region and skin type), limits and p values allowing for several zones of one "
            "patient. A verdict follows the p value adjusted by Holm's method over all practitioners and comparisons of the "
            "audit: outside 95 % below 0.05, outside 99.8 % below 0.002. Worth a look is who has a p value below 0.05 adjusted "
            "over the practitioners of the one comparison alone.",
            "Expected events come from a model of region and skin type fitted without the practitioner in question; the "
            "interval of observed over expected allows for the error of both (MOVER on logarithms). A funnel shows observed "
            "over expected events against the expected events divided by the design effect, with exact Poisson limits. The "
            "verdict comes from the test, not from the drawn line.",
            "Shrunken estimates and the spread between practitioners: random-intercept logistic regression at equal "
            "case-mix, adaptive Gauss–Hermite quadrature with 25 nodes, each zone counted at less by the design effect of "
            "several zones of one patient. The spread and its limits come from the likelihood with the coefficients "
            "integrated out. A shrunken odds ratio is the median, and its limits are quantiles, over the spreads that the "
            "records leave possible, weighted by that likelihood and a half-normal prior with standard deviation 1: "
            "neither the spread nor the average is taken as known.",
            f"Fewer than {count(protocol.fewest_judged)} zones with a known outcome are shown and never judged.",
        ),
        caveats=(
            "Case-mix is what was recorded; patients differ in more than region and skin type.",
            "Only zones whose outcome is known enter. A practitioner whose patients return more, or only when "
            "something is wrong, looks different for that alone.",
            *((_by_chance(comparisons),) if judged_rows(comparisons) else ()),
        ),
        requests=_requests(flagged, noticed),
    )


def _rests_on(c: Comparison) -> str:
    zones = "zones" if c.zones_held else plural(len(c.population), "zone")
    patients = "patients" if c.zones_held else plural(c.population.patients, "patient")
    events = "events held back" if c.events_held else plural(int(c.event.sum()), "event")
    return f"{capital(c.outcome.label)}, {c.where}: {zones} of {patients}, {events}."


def _observed_over_expected(c: Comparison, each: Compared) -> Answer:
    """Observed over expected events, with the error of both: the own risk and what the others' results predict."""
    term = f"{c.outcome.label}, {each.label}: observed over expected"
    unit = "observed/expected"
    if each.held:
        return NotEstimable(term, each.held, n=None if each.zones_held else each.zones, unit=unit)
    if each.expected_risk is None or each.expected_risk.value <= 0:
        return NotEstimable(term, "no expected events", n=each.zones, events=each.events, unit=unit)
    answer = quotient(each.raw, each.expected_risk, term=term, unit=unit)
    return replace(answer, n=each.zones)


def _funnel(c: Comparison) -> Funnel | None:
    points = tuple(
        FunnelPoint(each.label, each.expected / c.design_effect, _observed_over_expected(c, each), each.verdict)
        for each in c.each
        if each.expected is not None and each.expected > 0
    )
    shown = [p for p in points if isinstance(p.answer, Estimate)]
    if len(shown) < 2:
        return None
    largest = max(p.size for p in shown) * 1.1
    sizes = np.geomspace(min(1.0, 0.5 * min(p.size for p in shown)), max(largest, 3.0), 80)
    limits = poisson_limits(sizes, _TAILS)
    outside, noticed = ([p.label for p in points if p.verdict in words] for words in (OUTSIDE, (NOTICED,)))
    claim = "no difference is shown beyond case-mix and chance"
    if outside or noticed:
        claim = (
            f"more or fewer events than expected: {listing(outside)}"
            if outside
            else f"worth a look: {listing(noticed)}"
        )
    return Funnel(
        title=f"{capital(c.outcome.label)}, {c.where}: {claim}",
        x_label="Expected events, divided by the design effect",
        y_label="Observed over expected",
        points=points,
        centre=1.0,
        sizes=tuple(float(v) for v in sizes),
        limits=(
            ("95 %", tuple(float(v) for v in limits[:, 1]), tuple(float(v) for v in limits[:, 2])),
            ("99.8 %", tuple(float(v) for v in limits[:, 0]), tuple(float(v) for v in limits[:, 3])),
        ),
        reading="Each mark is a practitioner: the more events expected, the further to the right and the narrower the limits.",
        note="The lines are exact Poisson limits for one practitioner looked at alone. The verdict of a mark comes from the "
        "test in the table, which also allows for the error of the expected and for how many are compared, so that a mark "
        "outside a line may stand within limits.",
    )


def _table(comparisons: Sequence[Comparison], protocol: Protocol) -> Forest:
    rows = []
    for c in comparisons:
        for each in c.each:
            adjusted = each.against_rest.p_adjusted if isinstance(each.against_rest, Estimate) else None
            rows.append(
                Row(
                    each.label,
                    each.against_rest,
                    (
                        f"{'–' if each.held else count(each.events)}\u00a0/\u00a0{'–' if each.zones_held else count(each.zones)}",
                        percent(each.raw.value) if isinstance(each.raw, Estimate) else "–",
                        decimal(each.expected, 1) if each.expected is not None else "–",
                        percent(each.overlap, sign=False) if each.overlap is not None and not each.held else "–",
                        p_value(adjusted) if adjusted is not None else "–",
                    ),
                    verdict=each.verdict,
                    group=f"{capital(c.outcome.label)}, {c.where}",
                )
            )
    hidden = held_sentence(sum(bool(each.held) for c in comparisons for each in c.each), "row", protocol)
    return Forest(
        title="Each practitioner against the rest, at equal case-mix",
        headers=("", "events / zones", "raw", "expected", "overlap, %", "adjusted p"),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Odds ratio against all others pooled. Expected: events that the others' results would predict for this "
        "practitioner's regions and skin types. Overlap: zones of a region and skin type that the others treated ten times or "
        "more, without which the expected is an extrapolation. A row whose interval leaves out 1 may "
        "stand within limits, since the verdict "
        "allows for how many are compared." + (f" {hidden}" if hidden else ""),
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
            rows.append(Row("Spread between practitioners", c.spread, ("–",), group=group))
        hidden = {each.label for each in c.each if each.held}
        rows += [
            Row(
                who,
                answer,
                (percent(c.reliability[who], sign=False) if who in c.reliability and who not in hidden else "–",),
                group=group + spread,
            )
            for who, answer in sorted(c.shrunken.items())
        ]
    return Forest(
        title="Shrunken estimates: each difference drawn towards the average practitioner",
        detail=True,
        headers=("", "reliability, %"),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note="Odds ratio against the average practitioner. Shrinkage draws those with few zones most. The limits allow for not "
        "knowing how far practitioners lie apart. Reliability: how much of what sets a practitioner apart here is not chance; "
        "near 0 it tells nothing of the practitioner.",
    )


def _estimates(comparisons: Sequence[Comparison]) -> list[Answer]:
    answers: list[Answer] = []
    for c in comparisons:
        for each in c.each:
            answers += [
                answer.named(f"{answer.term}, {c.where}")
                for answer in (each.raw, each.against_rest, _observed_over_expected(c, each))
            ]
        if c.where == "all regions":
            answers += [c.spread, *(c.shrunken[who] for who in sorted(c.shrunken))]
    return answers


def _sentences(
    comparisons: Sequence[Comparison],
    flagged: Sequence[tuple[Comparison, Compared]],
    noticed: Sequence[tuple[Comparison, Compared]],
    people: int,
    protocol: Protocol,
) -> tuple[str, ...]:
    if people == 0:
        return ("Nobody can be compared: no zone has had its time and a known outcome.",)
    if people == 1:
        return ("With one practitioner there is nobody to compare with.",)
    says = []
    for c, each in (*flagged, *noticed):
        if each.held:
            says.append(f"{_flag_without_numbers(c, each)}, {each.verdict}; its numbers are held back.")
            continue
        more = "more" if each.events > (each.expected or 0) else "fewer"
        expected = f" where {decimal(each.expected, 1)} were expected" if each.expected is not None else ""
        says.append(
            f"{each.label} had {more} {c.outcome.label} than expected ({c.where}): {plural(each.events, 'event')} in "
            f"{plural(each.zones, 'zone')}{expected}; odds ratio against the rest "
            f"{estimate_text(each.against_rest)}, "
            f"{each.verdict}."
        )
    if not judged_rows(comparisons):
        says.append(_nobody_judged(people))
    elif noticed:
        says.append(_no_flag(comparisons))
    elif not flagged:
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
    if not comparisons:
        return ""
    c, overall = comparisons[0], comparisons[0].overall
    if not isinstance(overall, Estimate):
        return ""
    sizes = sorted(each.zones for each in c.each)
    middle = sizes[len(sizes) // 2]
    if any(each.zones_held for each in c.each):
        return ""
    # the strictest step of Holm's method: what a difference must reach when it is the only one
    level = 1 - (1 - overall.level) / max(1, judged_rows(comparisons))
    answer = detectable_odds_ratio(middle, sum(sizes) - middle, overall.value, c.design_effect, level=level)
    if answer is None:
        return ""
    return (
        f"For a practitioner with {plural(middle, 'zone')}, the middle one, an odds ratio of about {ratio(answer)} "
        f"for {c.outcome.label} would be flagged four times in five; smaller ones mostly go unseen."
    )


def _headlines(
    comparisons: Sequence[Comparison],
    flagged: Sequence[tuple[Comparison, Compared]],
    noticed: Sequence[tuple[Comparison, Compared]],
    people: int,
) -> tuple[tuple[str, str], ...]:
    lines = [
        (
            each.verdict,
            f"{_flag_without_numbers(c, each)}; its numbers are held back."
            if each.held
            else f"{each.label}, {c.outcome.label}, {c.where}: {plural(each.events, 'event')} where "
            f"{decimal(each.expected, 1) if each.expected is not None else 'none'} were expected; odds ratio "
            f"against the rest {estimate_text(each.against_rest)}.",
        )
        for c, each in (*flagged, *noticed)
    ]
    if people > 1 and not judged_rows(comparisons):
        lines.append(("too few to judge", _nobody_judged(people)))
    elif people > 1 and not flagged and not noticed:
        lines.append(
            (
                "within limits",
                f"{capital(number_word(people))} practitioners: no difference shown beyond case-mix and chance.",
            )
        )
    return tuple(lines)


def _flag_without_numbers(c: Comparison, each: Compared) -> str:
    more = "more" if each.more_than_expected else "fewer"
    return f"{each.label} had {more} {c.outcome.label} than expected ({c.where})"


def _nobody_judged(people: int) -> str:
    return (
        f"None of the {number_word(people)} practitioners can be judged: too few zones whose outcome is known, or too few "
        "events."
    )


def _no_flag(comparisons: Sequence[Comparison]) -> str:
    return (
        f"Worth a look is no flag: alone, such a comparison would stand out; of the {number_word(len(comparisons))} that the "
        f"audit makes, up to {decimal(0.05 * len(comparisons), 1)} would by chance if all practitioners were alike."
    )


def _named(found: Sequence[tuple[Comparison, Compared]]) -> str:
    return listing([f"{each.label} ({c.outcome.label}, {c.where})" for c, each in found])


def _brief(
    comparisons: Sequence[Comparison],
    flagged: Sequence[tuple[Comparison, Compared]],
    noticed: Sequence[tuple[Comparison, Compared]],
    people: int,
) -> str:
    if people < 2:
        return ""
    if not judged_rows(comparisons):
        return _nobody_judged(people)
    if not flagged and noticed:
        return (
            f"None of the {number_word(people)} practitioners stands out over the whole audit; worth a look, and no flag: "
            f"{_named(noticed)}."
        )
    if not flagged:
        return f"No difference between the {number_word(people)} practitioners is shown beyond case-mix and chance."
    return (
        f"Of {number_word(people)} practitioners, more or fewer events than region and skin type and chance would give: "
        f"{_named(flagged)}; were all alike, at most 1 audit in 20 would flag anybody."
    )


def _by_chance(comparisons: Sequence[Comparison]) -> str:
    number = len(comparisons)
    compared = f"{number_word(number)} {'comparison' if number == 1 else 'comparisons'}"
    return (
        f"If all practitioners were alike, at most 5 of 100 audits would flag anybody in the {compared} of the table, and at "
        f"most {5 * _AUDITS_A_YEAR} of 100 years of {number_word(_AUDITS_A_YEAR)} audits. The next audit uses the same records "
        "again: a flag by chance can return. The price is that smaller differences go unseen."
    )


def _requests(
    flagged: Sequence[tuple[Comparison, Compared]], noticed: Sequence[tuple[Comparison, Compared]]
) -> tuple[str, ...]:
    asked = []
    if flagged:
        who = listing(sorted({each.label for _, each in flagged}))
        asked.append(
            f"Give {who} the right of reply, looking in this order: data, case-mix, equipment, process, person."
        )
    if noticed:
        asked.append(f"Look at the data behind {_named(noticed)}: worth a look, no flag.")
    return tuple(asked)
