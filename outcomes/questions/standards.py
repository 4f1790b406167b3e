"""Were the standards met that the clinic set itself?"""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import CRITERION_VERDICTS, Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.questions.criteria_judge import Judged, Judgement, judge_all, printable
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    cell_text,
    count,
    decapital,
    estimate_text,
    level_percent,
    listing,
    number_word,
    percent,
    plain_estimate,
    plural,
)

_GROUPS = {"census": "Judged by count", "interval": "Judged by interval"}


def standards(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Were the standards met that the clinic set itself?

    Each criterion is judged by its own rule on the newest quarter that has had its time, beside the quarter before it.
    """
    return standards_finding(judge_all(cases, scope, protocol), scope, protocol)


def standards_finding(judged: Sequence[Judged], scope: Scope, protocol: Protocol) -> Finding:
    """The finding on criteria that were judged already."""
    judged = printable(judged, protocol)
    answers: list[Answer] = [j.now.answer for j in judged]
    answers += [j.before.answer for j in judged]
    answers += [j.change for j in judged]
    return Finding(
        key="standards",
        title="Standards",
        asks="Were the standards met that the clinic set itself, and did that change against the quarter before?",
        says=_sentences(judged, scope),
        brief=_brief(judged),
        headlines=_headlines(judged),
        estimates=tuple(answers),
        exhibits=(_verdicts(judged), _against_before(judged)) if judged else (),
        denominators=_denominators(judged, scope),
        exclusions=_exclusions(judged),
        methods=_methods(protocol),
        caveats=_caveats(judged),
        requests=_requests(judged),
    )


def noun_of(judgement: Judgement, n: int) -> str:
    """How many of what: "12 sessions", "1 event"."""
    noun = "event" if judgement.criterion.measure == "severe_reviewed" else judgement.criterion.unit
    return plural(n, noun)


def shortfall(judgement: Judgement) -> str:
    """How a criterion was missed, in words: failures by count, or the share with its interval."""
    if judgement.criterion.rule == "interval":
        return plain_estimate(judgement.answer)
    if judgement.criterion.direction == "at most":
        return f"{count(judgement.fitting)} of {noun_of(judgement, judgement.counted)}, more than the target"
    return f"{plural(judgement.failures, 'failure')} in {noun_of(judgement, judgement.counted)}"


def target_text(judgement: Judgement) -> str:
    """The target with its direction: "at least 95 %"."""
    return f"{judgement.criterion.direction} {percent(judgement.criterion.target)}"


def _in_order(judged: Sequence[Judged]) -> list[Judged]:
    """By rule, else in the order of the protocol."""
    return sorted(judged, key=lambda j: list(_GROUPS).index(j.now.criterion.rule))


def _verdicts(judged: Sequence[Judged]) -> Forest:
    missed = sum(j.now.verdict == "not met" for j in judged)
    rows = []
    for now in (j.now for j in _in_order(judged)):
        sign = "≥" if now.criterion.direction == "at least" else "≤"
        cells = (
            now.quarter,
            f"{count(now.fitting)} / {count(now.counted)}" if _counts_shown(now) else "–",
            f"{sign} {percent(now.criterion.target, sign=False)}",
        )
        rows.append(Row(now.criterion.title, now.answer, cells, now.verdict, group=_GROUPS[now.criterion.rule]))
    return Forest(
        title=f"{capital(number_word(missed))} of {plural_word(len(judged), 'criterion', 'criteria')} not met",
        headers=("", "quarter", "recorded / of", "target, %"),
        rows=tuple(rows),
        scale="proportion",
        note="Recorded as meeting the criterion (a complication: as having had it), of the zones, sessions or events counted. By "
        "count, the verdict follows from these two alone, and the interval says what the same process could give in other "
        "quarters. By interval, shares of healing and of complications are estimated and need not be one over the other.",
    )


def _counts_shown(now: Judgement) -> bool:
    """Whether the counts behind a share stand beside it: not where the share is held back."""
    return now.counted > 0 and (now.criterion.rule == "census" or isinstance(now.answer, Estimate))


def _against_before(judged: Sequence[Judged]) -> Grid:
    ordered = _in_order(judged)
    rows = tuple(
        (
            j.now.criterion.title,
            j.before.quarter,
            j.before.verdict,
            count(j.now.applies),
            count(j.now.applies - j.now.counted),
            cell_text(j.before.answer),
            cell_text(j.change),
        )
        for j in ordered
    )
    return Grid(
        title="On whom, and against the quarter before at the same age",
        detail=True,
        headers=("", "quarter before", "verdict then", "applies to", "left out", "share then, %", "change, points"),
        rows=rows,
        groups=tuple(_GROUPS[j.now.criterion.rule] for j in ordered),
        number_columns=(3, 4, 5, 6),
        note="Sessions, zones or events that the criterion applies to, and those of them that could not be told.",
    )


def _tally(judged: Sequence[Judged]) -> dict[str, list[Judged]]:
    return {verdict: [j for j in judged if j.now.verdict == verdict] for verdict in CRITERION_VERDICTS}


def _brief(judged: Sequence[Judged]) -> str:
    if not judged:
        return ""
    tally = _tally(judged)
    parts = [f"{number_word(len(found))} {verdict}" for verdict, found in tally.items() if found]
    return f"Of {plural_word(len(judged), 'criterion', 'criteria')}, {listing(parts)}."


def plural_word(n: int, noun: str, nouns: str) -> str:
    """A small count as a word with its noun."""
    return f"{number_word(n)} {noun if n == 1 else nouns}"


def _sentences(judged: Sequence[Judged], scope: Scope) -> tuple[str, ...]:
    if not judged:
        return ("The protocol holds no criteria, so that none was judged.",)
    tally = _tally(judged)
    says = [_brief(judged)]
    failed = [j.now for j in tally["not met"] if j.now.criterion.rule == "census"]
    if failed:
        says.append(
            f"By count not met: {'; '.join(f'{decapital(n.criterion.title)} ({shortfall(n)})' for n in failed)}."
        )
    missed = [j.now for j in tally["not met"] if j.now.criterion.rule == "interval"]
    if missed:
        says.append(f"By interval not met: {'; '.join(_share_sentence(n) for n in missed)}.")
    unsaid = [j.now for j in tally["cannot say"]]
    if unsaid:
        reasons = "; ".join(f"{decapital(n.criterion.title)} ({_reason(n)})" for n in unsaid)
        says.append(f"Cannot be said: {reasons}.")
    says.append(_changes(judged))
    return tuple(says)


def _share_sentence(now: Judgement) -> str:
    return f"{decapital(now.criterion.title)}, {now.quarter}, {plain_estimate(now.answer)}; target {target_text(now)}"


def _reason(now: Judgement) -> str:
    return getattr(now.answer, "reason", "") or "nothing to judge"


def _changes(judged: Sequence[Judged]) -> str:
    said = [j.change for j in judged if isinstance(j.change, Estimate)]
    moved = [
        j
        for j in judged
        if isinstance(j.change, Estimate)
        and j.change.low is not None
        and j.change.high is not None
        and (j.change.low > 0 or j.change.high < 0)
    ]
    if not said:
        return "No change against the quarter before can be said."
    line = (
        f"Of {plural_word(len(said), 'change', 'changes')} against the quarter before, {number_word(len(moved))} "
        f"{'has' if len(moved) < 2 else 'have'} an interval that leaves out zero"
    )
    if not moved:
        return line + "."
    return f"{line}: {'; '.join(f'{decapital(j.now.criterion.title)} {estimate_text(j.change)}' for j in moved)}."


_MOST_NAMED = 4


def _headlines(judged: Sequence[Judged]) -> tuple[tuple[str, str], ...]:
    tally = _tally(judged)
    lines = []
    failed = [j.now for j in tally["not met"] if j.now.criterion.rule == "census"]
    if failed:
        named = sorted(failed, key=lambda n: n.fitting / max(1, n.counted))[:_MOST_NAMED]
        more = len(failed) - len(named)
        lines.append(
            (
                "not met",
                f"{capital(plural_word(len(failed), 'standard', 'standards'))} judged by count"
                f"{', furthest from it' if more else ''}: "
                f"{'; '.join(f'{decapital(n.criterion.title)}, {shortfall(n)}' for n in named)}"
                + (f"; and {number_word(more)} more." if more else "."),
            )
        )
    for j in tally["not met"]:
        if j.now.criterion.rule == "interval":
            lines.append(("not met", f"{capital(_share_sentence(j.now))}."))
    if tally["met"]:
        lines.append(("met", f"Standards met: {'; '.join(decapital(j.now.criterion.title) for j in tally['met'])}."))
    return tuple(lines)


def _denominators(judged: Sequence[Judged], scope: Scope) -> str:
    other = sorted({j.now.quarter for j in judged} - {scope.label})
    line = "Each row of the tables has its own count of zones, sessions or events; a session counts once."
    if other:
        line += f" Criteria that have not had their time in {scope.label} are judged on {listing(other)}."
    return line


def _exclusions(judged: Sequence[Judged]) -> tuple[str, ...]:
    return tuple(
        f"{j.now.criterion.title}, {j.now.quarter}: {listing([f'{count(n)} {why}' for n, why in j.now.left_out])}."
        for j in judged
        if j.now.left_out
    )


def _methods(protocol: Protocol) -> tuple[str, ...]:
    each = percent((1 - protocol.level) / 2)
    return (
        "A criterion judged by count is a census of the quarter: met where the share reaches the target, else so many "
        "failures. What was not recorded counts as not done; scores and grades that were not given are left out.",
        f"A criterion judged by interval is met, or not met, where the whole {level_percent(protocol.level)} interval lies on "
        f"one side of the target, so that each of the two words is meant to be wrong in at most {each} of such audits; else it is not "
        "shown. Shares carry Korn–Graubard limits with the patient as cluster (Survey Methodology 1998;24:193–201). Healing: "
        "Turnbull's estimate for interval-censored times (J R Stat Soc B 1976;38:290–295), the wider of a patient bootstrap "
        "and exact limits on the effective number. Complications: risk among all treated, weighted for who was seen.",
        "The quarter before is judged on contacts made by the day on which it was as old as the newer quarter is now. "
        "Change: Newcombe's hybrid limits on the two intervals (Stat Med 1998;17:873–890); patients treated in both "
        "quarters make it a little too wide.",
    )


def _caveats(judged: Sequence[Judged]) -> tuple[str, ...]:
    lines = [
        "Targets are the clinic's own, set beforehand; common practice without a source unless the protocol names one.",
        "A record of something is not the thing: a consent date can be there without a talk, a shield used and not written "
        "down. Rows that were set aside are in no criterion.",
    ]
    kept = sum(j.not_taken_back for j in judged)
    if kept:
        lines.append(
            "Outcomes given on the zone row without dated contacts could not be taken back to an equal age; there the quarter "
            "before has had longer."
        )
    return tuple(lines)


def _requests(judged: Sequence[Judged]) -> tuple[str, ...]:
    missed = [j for j in judged if j.now.verdict == "not met"]
    if not missed:
        return ()
    return (
        f"Decide what changes for the {plural_word(len(missed), 'criterion', 'criteria')} not met, who answers for it and "
        "by when.",
    )
