"""How do your complications compare with your peers', at your own case-mix?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.funnel import detectable_odds_ratio
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.benchmark_figures import Figure, figures_grid, own_figures
from outcomes.questions.benchmark_peers import clause, rough, rough_cell, roughly, roughly_text
from outcomes.questions.disclosure import peers_reason
from outcomes.questions.outcome_risk import by_day
from outcomes.questions.practitioner_disclosure import with_held_rows
from outcomes.questions.practitioner_model import NOTICED, OUTSIDE, Compared, Comparison, compare_all, judged_rows
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    count,
    decapital,
    estimate_text,
    listing,
    number_word,
    plural,
    ratio,
)

TWICE_THE_ODDS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Own:
    """The reader's row of one comparison, as it may be printed.

    Attributes
    ----------
    comparison : Comparison
    row : Compared or None
        None where the reader has no zone in it.
    peers : Estimate or NotEstimable
        Risk that the peers' results would give at the reader's case-mix, rounded.
    against : Estimate or NotEstimable
        Odds ratio against the pooled peers at equal case-mix, rounded.
    """

    comparison: Comparison
    row: Compared | None
    peers: Answer
    against: Answer


def own_complications(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How do your complications compare with your peers', at your own case-mix, and what can you tell a patient?"""
    rows = own_rows(cases, scope, protocol)
    figures = own_figures(cases, scope, protocol)
    flagged = [o for o in rows if o.row is not None and o.row.verdict in OUTSIDE]
    noticed = [o for o in rows if o.row is not None and o.row.verdict == NOTICED]
    return Finding(
        key="own_complications",
        title="Your complications",
        asks="How do your complications compare with your pooled peers', given whom you treat?",
        says=(*_comparison_text(rows, flagged, noticed), *_figures_text(figures)),
        brief=_brief(rows, flagged, noticed),
        headlines=_headlines(rows, flagged, noticed, figures),
        estimates=(
            *(o.against for o in rows),
            *(o.peers for o in rows),
            *(o.row.raw.named(f"{o.row.raw.term}, {o.comparison.where}") for o in rows if o.row is not None),
            *(f.own for f in figures),
            *(f.peers for f in figures),
        ),
        exhibits=(_forest(rows), figures_grid(figures), _unsaid_grid(rows, protocol)),
        denominators=" ".join(
            f"{capital(o.comparison.outcome.label)}, {o.comparison.where}: "
            + (f"{plural(o.row.zones, 'zone')} of yours" if o.row is not None and not o.row.zones_held else "yours")
            + f" beside {roughly_text(len(o.comparison.population) - (o.row.zones if o.row else 0))} of your peers."
            for o in rows
        ),
        methods=(
            "You against all others pooled, in a logistic model with Firth's penalty and the case-mix that the protocol fixes "
            "(region and skin type), limits allowing for several zones of one patient. Settings are never allowed for: they "
            "are what you choose. A verdict follows the p value adjusted by Holm's method over all practitioners and "
            "comparisons of the audit.",
            "Peers at your case-mix: the risk that a model of all others' zones gives for the regions and skin types that "
            "you treated. Whatever rests on peers is rounded: shares to whole per cents (half ones below 2 %), ratios to two "
            "figures, numbers of zones to fifties.",
            "What could have been shown: power 80 %, two-sided, two proportions without continuity correction (Fleiss, Levin and "
            "Paik 2003, section 4.3), sizes divided by the design effect.",
            "In so many of a hundred: risk among all treated by the day of the outcome's window, weighted for who was seen.",
        ),
        caveats=(
            "Case-mix is what was recorded; your patients differ from others in more than region and skin type.",
            "Only zones whose outcome is known enter the comparison. If your patients come back more readily, or only when "
            "something is wrong, your numbers differ for that alone.",
        ),
        requests=_requests(flagged, noticed),
    )


def own_rows(cases: Cases, scope: Scope, protocol: Protocol) -> list[Own]:
    """The reader's rows of the audit's comparison, with the same numbers held back as there."""
    full = compare_all(cases, scope, protocol)
    return [
        _own(open_one, printed, scope, protocol)
        for open_one, printed in zip(full, with_held_rows(full, protocol), strict=True)
    ]


def _own(open_one: Comparison, printed: Comparison, scope: Scope, protocol: Protocol) -> Own:
    where = f"{printed.outcome.label}, {printed.where}"
    own_open = next((each for each in open_one.each if each.label == scope.practitioner), None)
    own = next((each for each in printed.each if each.label == scope.practitioner), None)
    reason = peers_reason([each.zones for each in open_one.each if each.label != scope.practitioner], protocol)
    against_term, peers_term = f"{where}: you against your peers", f"{where}: peers at your case-mix"
    if own is None or own_open is None:
        nothing = "you treated no such zone whose outcome is known"
        return Own(
            printed,
            None,
            NotEstimable(peers_term, nothing, n=0, unit="proportion"),
            NotEstimable(against_term, nothing, n=0, unit="odds ratio"),
        )
    n = None if own.zones_held else own.zones
    if reason:
        words = clause(reason)
        return Own(
            printed,
            replace(own, verdict="too few to judge"),
            NotEstimable(peers_term, words, n=n, unit="proportion"),
            NotEstimable(against_term, words, n=n, unit="odds ratio"),
        )
    against = own.against_rest.named(against_term)
    return Own(printed, own, _peers_at_own(own_open, peers_term, n), rough(against, n=n))


def _peers_at_own(own: Compared, term: str, n: int | None) -> Answer:
    """Peers' risk at the reader's case-mix."""
    expected = own.expected_risk
    if expected is None or not 0 < expected.value < 1:
        return NotEstimable(
            term, "no model of your peers gives it for your regions and skin types", n=n, unit="proportion"
        )
    return rough(expected.named(term))


def _forest(rows: Sequence[Own]) -> Forest:
    drawn = []
    for o in rows:
        own = "–"
        if o.row is not None:
            events = "–" if o.row.held else count(o.row.events)
            own = f"{events}\u00a0/\u00a0{'–' if o.row.zones_held else count(o.row.zones)}"
        peers = rough_cell(o.peers)
        verdict = o.row.verdict if o.row is not None else "too few to judge"
        drawn.append(
            Row(
                f"{capital(o.comparison.outcome.label)}, {o.comparison.where}", o.against, (own, peers), verdict=verdict
            )
        )
    return Forest(
        title="You against your pooled peers, at equal case-mix",
        headers=("", "your events / zones known", "peers at your case-mix"),
        rows=tuple(drawn),
        scale="ratio",
        reference=1.0,
        note="Odds ratio; above 1, more events than your peers' results would give for your regions and skin types. "
        "A row whose interval leaves out 1 may stand within limits, since the verdict allows for how many are compared.",
    )


def _line(o: Own) -> str:
    more = isinstance(o.against, Estimate) and o.against.value > 1
    if isinstance(o.against, NotEstimable) and o.row is not None:
        more = bool(o.row.more_than_expected)
    return (
        f"You recorded {'more' if more else 'fewer'} {o.comparison.outcome.label} than your peers' results would give "
        f"({o.comparison.where}): odds ratio {estimate_text(o.against)}."
    )


def _comparison_text(rows: Sequence[Own], flagged: Sequence[Own], noticed: Sequence[Own]) -> tuple[str, ...]:
    says = [_line(o) for o in flagged]
    if flagged:
        says.append(
            "That is a reason to look, not a judgement: first at the data, then at case-mix, equipment, process, and last at "
            "the person. You have the right to reply before anything is concluded."
        )
    says += [_line(o) for o in noticed]
    if noticed:
        says.append(
            f"{'Those are' if len(noticed) > 1 else 'That is'} worth a look and no flag: alone, such a comparison would stand out; "
            "among all that the audit compares, chance can give one. Look at the data first."
        )
    said = [o for o in rows if isinstance(o.against, Estimate)]
    if said and not flagged and not noticed:
        says.append(
            f"In {number_word(len(said))} {'comparison' if len(said) == 1 else 'comparisons'} with your pooled peers, no "
            "difference is shown beyond case-mix and chance; the intervals say what remains compatible with your records."
        )
    reasons: dict[str, list[str]] = {}
    for o in rows:
        if isinstance(o.against, NotEstimable):
            reasons.setdefault(o.against.reason, []).append(f"{o.comparison.outcome.label} ({o.comparison.where})")
    says += [f"Cannot say for {listing(which)}: {reason}." for reason, which in reasons.items()]
    if not rows:
        says.append("Of none of your zones is the outcome known yet, so that there is nothing to compare.")
    return tuple(says)


def _figures_text(figures: Sequence[Figure]) -> tuple[str, ...]:
    given = [f for f in figures if isinstance(f.own, Estimate) and f.own.value > 0]
    if not given:
        return ()
    most = max(given, key=lambda f: f.own.value if isinstance(f.own, Estimate) else 0.0)
    return (
        f"Of your zones, the most frequent complication is {most.outcome.label}{by_day(most.outcome)}: {decapital(most.cell())}.",
    )


def _brief(rows: Sequence[Own], flagged: Sequence[Own], noticed: Sequence[Own]) -> str:
    if flagged:
        found = [f"{o.comparison.outcome.label} ({o.comparison.where})" for o in flagged]
        return f"Beyond region, skin type and chance your results differ from your pooled peers' in {listing(found)}."
    if noticed:
        found = [f"{o.comparison.outcome.label} ({o.comparison.where})" for o in noticed]
        return f"Your results do not stand out over the whole audit; worth a look, and no flag: {listing(found)}."
    if any(isinstance(o.against, Estimate) for o in rows):
        return "No difference from your pooled peers is shown beyond region, skin type and chance."
    return ""


def _headlines(
    rows: Sequence[Own], flagged: Sequence[Own], noticed: Sequence[Own], figures: Sequence[Figure]
) -> tuple[tuple[str, str], ...]:
    lines = [(o.row.verdict, _line(o)) for o in (*flagged, *noticed) if o.row is not None]
    if not lines and (brief := _brief(rows, flagged, noticed)):
        lines.append(("within limits", brief))
    return (*lines, *(("described", sentence) for sentence in _figures_text(figures)))


def _requests(flagged: Sequence[Own], noticed: Sequence[Own]) -> tuple[str, ...]:
    if not flagged and not noticed:
        return ()
    which = listing([f"{o.comparison.outcome.label} ({o.comparison.where})" for o in (*flagged, *noticed)])
    if not flagged:
        return (f"Read your records of {which}, the data first: worth a look, no flag.",)
    return (
        f"Read your records of {which} in this order: data, case-mix, equipment, process, person; then write your reply.",
    )


def _unsaid_grid(rows: Sequence[Own], protocol: Protocol) -> Grid:
    """What the reader's zones could have shown, and how many it would take to show twice the odds."""
    lines = []
    # the strictest step of Holm's method, as in the audit
    level = 1 - (1 - protocol.level) / max(1, judged_rows([o.comparison for o in rows]))
    for o in rows:
        if o.row is None or not isinstance(o.peers, Estimate):
            continue
        rest = roughly(len(o.comparison.population) - o.row.zones)
        inflation = _half_steps(o.comparison.design_effect)
        now = detectable_odds_ratio(o.row.zones, rest, o.peers.value, inflation, level=level)
        needed = zones_to_show(TWICE_THE_ODDS, rest, o.peers.value, inflation, level)
        lines.append(
            (
                f"{capital(o.comparison.outcome.label)}, {o.comparison.where}",
                "–" if o.row.zones_held else count(o.row.zones),
                "none" if now is None else ratio(round(now, 1)),
                "more than there can be" if needed is None else f"about {count(needed)}",
            )
        )
    return Grid(
        title="Not shown is not no difference: what your zones could have shown, four times in five",
        headers=("", "your zones known", "smallest odds ratio", "zones needed for twice the odds"),
        rows=tuple(lines),
        number_columns=(1, 2, 3),
        note="At the level that a verdict asks of one practitioner among all, with as many zones of peers as now, rounded. "
        "Where there are too few of the peers' zones, no number of yours would be enough.",
    )


def _half_steps(design_effect: float) -> float:
    return max(1.0, round(2 * design_effect) / 2)


def zones_to_show(odds_ratio: float, rest: int, risk: float, design_effect: float, level: float) -> int | None:
    """Fewest zones of one practitioner with which an odds ratio would be flagged four times in five, to the next ten.

    Examples
    --------
    >>> zones_to_show(2.0, 2000, 0.1, 1.0, 0.95)
    140
    """
    for n in range(10, 20_001, 10):
        found = detectable_odds_ratio(n, rest, risk, design_effect, level=level)
        if found is not None and found <= odds_ratio:
            return n
    return None
