"""Which answers survive another way of reading the same records?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding, Grid
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.benefit import CONTENT
from outcomes.questions.follow_up import newest_mature_quarter
from outcomes.questions.outcome_risk import OutcomeRisk, by_day, outcome_risk
from outcomes.questions.population import everyone, treated_between
from outcomes.questions.sensitivity_imputed import DATA_SETS
from outcomes.questions.sensitivity_readings import (
    FIRST,
    PLANNED,
    READINGS,
    WEIGHTED,
    Readings,
    first_sessions,
    planned_only,
    read_again,
)
from outcomes.questions.sensitivity_tipping import Tipping, tipping_points
from outcomes.questions.sensitivity_weighted import smallest_effective_share
from outcomes.questions.settings_model import LABELS
from outcomes.questions.settings_verdict import judge
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import (
    capital,
    cell_text,
    count,
    interval,
    level_text,
    listing,
    number_word,
    percent,
    plural,
    ratio,
)

TURNED = "another verdict than in the main analysis: "


@dataclass(frozen=True, slots=True)
class Turned:
    """A verdict that another reading turns to or from "associated"."""

    setting: Setting
    label: str
    before: str
    after: str
    reading: str

    @property
    def what(self) -> str:
        """The pair in words: "density and hyperpigmentation"."""
        return f"{self.setting.label} and {self.label}"


def sensitivity(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Which answers survive another way of reading the same records?

    Each setting's odds ratio, of complications and of benefit, is estimated again on other readings of the records,
    each judged by the same rule as the main one; risks are read again too, and for each standard on a complication it
    is said how much higher the risk of zones not known would have to be to turn its verdict.
    """
    readings = read_again(cases, scope, protocol)
    risks = _risks_again(cases, scope, protocol)
    tipping = tipping_points(cases, scope, protocol)
    moved = turned(readings)
    return Finding(
        key="sensitivity",
        title="Sensitivity",
        asks="Which answers survive another way of reading the same records?",
        says=_sentences(readings, moved, tipping),
        brief="",
        headlines=tuple(
            ("described", f"{capital(t.what)}: {t.before}, but {t.after} when {READINGS[t.reading]}.") for t in moved
        ),
        estimates=(*_answers(readings), *_risk_answers(risks), *(a for t in tipping for a in (t.risk, t.times))),
        exhibits=(
            _ratios(readings, protocol),
            _risks(risks, protocol),
            *((_standards(tipping, protocol),) if tipping else ()),
        ),
        denominators="Zones in the main analysis: "
        + "; ".join(f"{m.outcome.label} {count(len(m.population))}" for m in readings.main)
        + ". The tables say on how many each other reading rests.",
        methods=_methods(readings),
        caveats=(
            "A verdict that survives these readings is not thereby right: all of them share what the records leave out.",
            "Fewer zones widen intervals; a verdict may go from associated to not shown for that alone.",
            "Weights make up for what was recorded on the day of treatment. If zones return because of the outcome itself, "
            "only the tipping points say how much that could matter.",
            "In the main analysis case-mix that is not recorded is a level of its own. Imputed values are drawn from what is "
            "recorded beside them; if a thing goes unrecorded because of what it is, no reading here mends that.",
            "Outcomes, settings and who graded are never imputed. Benefit is graded outside the visits, so that planned visits do "
            "not bear on it.",
        ),
    )


def turned(readings: Readings) -> list[Turned]:
    """Verdicts that another reading turns to or from "associated"."""
    found = []
    for i, m, s in readings.each():
        before = judge(m, s).word
        for name in readings.others:
            after = readings.verdict(name, i, s)
            if after and after != before and "associated" in (before, after):
                found.append(Turned(s, m.outcome.label, before, after, name))
    return found


def with_sensitivity(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings, with each headline and sentence on a setting saying which other readings turn it.

    Without *sensitivity* among them they come back as they are.
    """
    own = next((f for f in findings if f.key == "sensitivity"), None)
    if own is None:
        return tuple(findings)
    notes: dict[tuple[str, str], list[str]] = {}
    for answer in own.estimates:
        pair, _, name = answer.term.rpartition(", ")
        label, _, step = pair.rpartition(": ")
        if name in READINGS and answer.note.startswith(TURNED):
            after = answer.note.removeprefix(TURNED).split(";")[0]
            notes.setdefault((label, step), []).append(f"{capital(after)} when {READINGS[name]}.")
    return tuple(_carried(f, notes) if f.key in ("settings_and_risk", "benefit") else f for f in findings)


def _carried(finding: Finding, notes: dict[tuple[str, str], list[str]]) -> Finding:
    def headline(word: str, sentence: str) -> tuple[str, str]:
        for s in SETTINGS:
            for (label, step), found in notes.items():
                ratio_of = sentence.startswith(f"{capital(s.label)} and {label}: ")
                helped = finding.key == "benefit" and any(
                    f"{s.more} went with {often} frequent {label}" in sentence for often in ("more", "less")
                )
                if step == s.step_label and word == "associated" and (ratio_of or helped):
                    sentence = f"{sentence} {' '.join(found)}"
        return word, sentence

    def said(sentence: str) -> str:
        for (label, step), found in notes.items():
            if sentence.startswith(f"Zones treated with {step} had ") and f" {label}" in sentence.split(": ")[0]:
                sentence = f"{sentence} {' '.join(found)}"
        return sentence

    headlines = tuple(headline(word, sentence) for word, sentence in finding.headlines)
    return replace(finding, headlines=headlines, says=tuple(said(sentence) for sentence in finding.says))


def _answers(readings: Readings) -> list[Answer]:
    answers: list[Answer] = []
    for i, m, s in readings.each():
        name = f"{m.outcome.label}: {s.step_label}"
        before = judge(m, s).word
        answers.append(m.effects[s.column].named(f"{name}, main"))
        for reading in readings.others:
            answer = readings.answer(reading, i, s)
            if answer is None:
                continue
            after = readings.verdict(reading, i, s)
            moved = after != before and "associated" in (before, after)
            note = "; ".join(part for part in (f"{TURNED}{after}" if moved else "", answer.note) if part)
            answers.append(replace(answer, term=f"{name}, {reading}", note=note))
    return answers


def _ratios(readings: Readings, protocol: Protocol) -> Grid:
    rows, groups = [], []
    for i, m, s in readings.each():
        if m.outcome is CONTENT:  # in the tables; the page shows one measure of benefit
            continue
        before = judge(m, s).word
        cells = [cell_text(m.effects[s.column]), *(_limits(readings.answer(name, i, s)) for name in readings.others)]
        other = [
            f"{after} ({name})"
            for name in readings.others
            if (after := readings.verdict(name, i, s)) and after != before
        ]
        rows.append((capital(s.step_label), *cells, f"{before}; {listing(other)}" if other else f"{before} in all"))
        groups.append(capital(m.outcome.label))
    return Grid(
        "Odds ratios of one step of each setting, read in other ways",
        ("", "Main", *(capital(name) for name in readings.others), "Verdict"),
        tuple(rows),
        tuple(groups),
        note=f"With {level_text(protocol.level)}; of other readings the interval alone, the estimate being in the tables. "
        + " ".join(f"{capital(n)}: {w}." for n, w in READINGS.items()),
    )


def _limits(answer: Answer | None) -> str:
    if answer is None:
        return "–"
    return interval(answer) if isinstance(answer, Estimate) else "cannot say"


def _risks_again(cases: Cases, scope: Scope, protocol: Protocol) -> list[dict[str, OutcomeRisk]]:
    """The risk of each modelled outcome among all treated in its newest mature quarter, in the readings that apply."""
    zones = {"main": everyone(cases), PLANNED: everyone(planned_only(cases))}
    zones[FIRST] = first_sessions(zones["main"], cases)
    found = []
    for outcome in (protocol.outcome(name) for name in protocol.modelled):
        start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
        found.append(
            {
                name: outcome_risk(treated_between(part.frame, start, end), outcome, label, protocol)
                for name, part in zones.items()
            }
        )
    return found


def _risks(risks: Sequence[dict[str, OutcomeRisk]], protocol: Protocol) -> Grid:
    rows = []
    for found in risks:
        main = found["main"]
        w = main.weighted
        rows.append(
            (
                f"{capital(main.outcome.label)}{by_day(main.outcome)}, {main.span}",
                f"{count(main.treated - main.known)} / {count(main.treated)}",
                *(
                    cell_text(a)
                    for a in (w.risk, w.seen_rate, found[PLANNED].weighted.risk, found[FIRST].weighted.risk)
                ),
                f"{_bound(w.floor)} to {_bound(w.worst_case)}",
            )
        )
    return Grid(
        "Risks by other readings, in per cent",
        ("", "Not known / all", "Main", "Known only", "Planned visits", "First session", "Bounds"),
        tuple(rows),
        number_columns=(1, 2, 3, 4, 5, 6),
        detail=True,
        note=f"With {level_text(protocol.level)}. Main: weighted for who was seen, as under Complications. Known only: without "
        "weights. Bounds: as if none, or all, of the zones not known had it.",
    )


def _bound(answer: Answer) -> str:
    return percent(answer.value, sign=False) if isinstance(answer, Estimate) else "–"


def _risk_answers(risks: Sequence[dict[str, OutcomeRisk]]) -> list[Answer]:
    answers: list[Answer] = []
    for found in risks:
        main = found["main"]
        term = f"{main.outcome.label}, {main.span}"
        answers += [risk.weighted.risk.named(f"{term}: risk, {name}") for name, risk in found.items()]
        answers.append(main.weighted.seen_rate.named(f"{term}: risk, known only"))
        answers.append(main.weighted.floor.named(f"{term}: risk, floor"))
        answers.append(main.weighted.worst_case.named(f"{term}: risk, worst case"))
    return answers


def _standards(tipping: Sequence[Tipping], protocol: Protocol) -> Grid:
    return Grid(
        "How much higher the risk of zones not known would have to be to turn a standard",
        (
            "",
            "Target, %",
            "Not known / all",
            "Risk among all treated, %",
            "Verdict",
            "Reaches the target at",
            "So that it is",
        ),
        tuple(
            (
                f"{t.criterion.title}, {t.quarter}",
                percent(t.criterion.target, sign=False),
                f"{count(t.unknown)} / {count(t.treated)}",
                cell_text(t.risk),
                t.verdict,
                f"{ratio(t.times.value)} times" if isinstance(t.times, Estimate) else "–",
                t.words,
            )
            for t in tipping
        ),
        note="Times: the risk of zones not known over that of zones known and like them. The verdict is that of the interval "
        f"here, with {level_text(protocol.level)}.",
        detail=True,
    )


def _sentences(readings: Readings, moved: Sequence[Turned], tipping: Sequence[Tipping]) -> tuple[str, ...]:
    firm = [f"{s.label} and {m.outcome.label}" for _, m, s in readings.each() if judge(m, s).word == "associated"]
    lost = {t.what for t in moved if t.before == "associated"}
    kept = [what for what in firm if what not in lost]
    says = [f"Associated in every reading: {'; '.join(kept)}."] if kept else []
    says += [
        f"{capital(t.what)}: {t.before} in the main analysis, but {t.after} when {READINGS[t.reading]}." for t in moved
    ]
    if not any(m.fit is not None for m in readings.main):
        says.append("No settings model could be fitted, so that there is none to read in other ways.")
    elif not moved:
        says.append("No verdict turns to or from associated in another reading.")
    for t in tipping:
        if isinstance(t.times, Estimate):
            says.append(
                f"{t.criterion.title}, {t.quarter}: {t.words}, by the risk of zones not known against that of zones known "
                "and like them."
            )
    return tuple(says)


def _methods(readings: Readings) -> tuple[str, ...]:
    weighted = [m for m in readings.others[WEIGHTED] if m is not None]
    return (
        "The model, ladder, limits and verdict are those of Settings and complications and of Benefit, Benjamini–Hochberg within "
        "each reading; the parts within and between practitioners are those of the main analysis.",
        "Weighted: zones known by follow-up (or graded) carry the inverse of their chance of being so, by Firth's logistic "
        "regression on region, skin type, age, settings, practitioner and calendar time; zones with an event found early carry 1. "
        "Logistic regression with these weights, sandwich covariance by patient (Binder, Int Stat Rev 1983;51:279–292; Seaman and "
        "White, Stat Methods Med Res 2013;22:278–295). Zones of a case-mix level in which all or none had the event drop out. "
        f"The weights leave an effective number of at least {percent(smallest_effective_share(weighted))} of the zones.",
        *_imputation(readings),
        "Tipping point: with k events recorded among n treated and a risk R among all, zones not known are taken to hold "
        "n R − k events; at ρ times that the risk is k/n + ρ (R − k/n). Its limits move in proportion.",
    )


def _imputation(readings: Readings) -> tuple[str, ...]:
    """How case-mix was imputed, how much of it, and how much that costs; nothing where no gap was filled."""
    filled = [gaps for gaps in readings.gaps if gaps is not None]
    if not filled:
        return ()
    most: dict[str, int] = {}
    for gaps in filled:
        for name, zones in gaps.zones.items():
            most[name] = max(zones, most.get(name, 0))
    blanks = listing([f"{LABELS[name]} (up to {plural(zones, 'zone')} in a model)" for name, zones in most.items()])
    return (
        f"Imputed: {blanks}, in {number_word(DATA_SETS)} completed copies of the records by chained equations, patient by patient, "
        "with the outcome, region, settings, practitioner and calendar time as predictors (van Buuren, Flexible Imputation of "
        "Missing Data, 2018, doi:10.1201/9780429492259); the main model in each, pooled by Rubin's rules. What is not recorded takes "
        f"at most {percent(max(gaps.missing_information for gaps in filled))} of the information on an odds ratio.",
    )
