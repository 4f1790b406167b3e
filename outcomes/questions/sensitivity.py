"""Which answers survive another way of reading the same records?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.estimates.ascertainment import tipping_risk
from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding, Grid
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.criteria_units import with_contacts
from outcomes.questions.follow_up import newest_mature_quarter
from outcomes.questions.outcome_risk import by_day, outcome_risk
from outcomes.questions.population import NOT_RECORDED, Population, everyone, treated_between
from outcomes.questions.settings_model import Modelled, model_outcome, settings_population
from outcomes.questions.settings_verdict import adjusted_for_multiplicity, judge
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import Outcome
from outcomes.wording import capital, decimal, estimate_text, interval, listing, number_word, percent, plural, ratio

_Reading = Callable[[Cases, Scope, Outcome, Protocol], Population]


@dataclass(frozen=True, slots=True)
class Reanalysis:
    """One other way of reading the records."""

    name: str
    words: str
    population: _Reading


def _as_it_is(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Population:
    return settings_population(cases, scope.end, scope.as_of, outcome, protocol)


def _planned_only(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Population:
    planned = with_contacts(cases, cases.visits["scheduled"].fillna(False).to_numpy(dtype=bool))
    return settings_population(planned, scope.end, scope.as_of, outcome, protocol)


def _first_session(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Population:
    population = settings_population(cases, scope.end, scope.as_of, outcome, protocol)
    first = everyone(cases).frame.groupby("patient_id")["treated_on"].min()
    own = population.frame["patient_id"].map(first)
    return population.keep(population.frame["treated_on"] == own, "zones of a patient's later sessions")


def _complete(cases: Cases, scope: Scope, outcome: Outcome, protocol: Protocol) -> Population:
    population = settings_population(cases, scope.end, scope.as_of, outcome, protocol)
    for column in ("skin_group", "age_group", "indication_group"):
        population = population.keep(
            population.frame[column].astype(str) != NOT_RECORDED, "zones with case-mix not recorded"
        )
    return population


REANALYSES: tuple[Reanalysis, ...] = (
    Reanalysis("planned visits", "only contacts that had been planned count", _planned_only),
    Reanalysis("first session", "only each patient's first session", _first_session),
    Reanalysis("complete", "only zones whose case-mix is recorded in full", _complete),
)


def sensitivity(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Which answers survive another way of reading the same records?

    Each setting's odds ratio is estimated again on other readings of the records, each judged by the same rule as the
    main one; for risks, how much higher the risk among those not seen would have to be to leave the printed interval.
    """
    outcomes = [protocol.outcome(name) for name in protocol.modelled]
    main = _models(_as_it_is, outcomes, cases, scope, protocol)
    others = {r.name: _models(r.population, outcomes, cases, scope, protocol) for r in REANALYSES}
    everybody = everyone(cases).frame
    unseen = [_tipping(everybody, outcome, scope, protocol) for outcome in outcomes]
    moved = changes(main, others)
    answers: list[Answer] = []
    for name, models in (("main", main), *others.items()):
        answers += [
            m.effects[s.column].named(f"{m.outcome.label}: {s.step_label}, {name}") for m in models for s in SETTINGS
        ]
    return Finding(
        key="sensitivity",
        title="Sensitivity",
        asks="Which answers survive another way of reading the same records?",
        says=_sentences(main, moved, unseen),
        brief="",
        headlines=tuple(
            ("described", f"{capital(what)}: the verdict is {before}, but {after} when {words}.")
            for what, before, after, words in moved
        ),
        estimates=tuple(answers),
        exhibits=(_grid(main, others), _unseen_grid(unseen)),
        denominators=" ".join(
            f"{capital(m.outcome.label)}: {plural(len(m.population), 'zone')} in the main analysis, "
            + listing([f"{len(o.population)} with {name}" for name, o in ((n, ms[i]) for n, ms in others.items())])
            + "."
            for i, m in enumerate(main)
        ),
        methods=(
            "The model, ladder, limits and verdict are those of Settings and complications, Benjamini–Hochberg within each reading. "
            + " ".join(f"{capital(r.name)}: {r.words}." for r in REANALYSES),
            "Tipping point: the risk among those not known at which events over all treated would reach the upper limit printed "
            "under Complications, (limit × all − events) / (all − known).",
        ),
        caveats=(
            "A verdict that survives these readings is not thereby right: all of them share what the records leave out.",
            "Fewer zones widen intervals; a verdict may go from associated to not shown for that alone.",
            "Odds ratios are not weighted for who was seen, and nothing is imputed: what is not recorded is a level of its own, or "
            "left out under complete.",
        ),
    )


def _models(
    reading: _Reading, outcomes: Sequence[Outcome], cases: Cases, scope: Scope, protocol: Protocol
) -> list[Modelled]:
    steps = tuple(s.step_label for s in SETTINGS)
    models = [model_outcome(reading(cases, scope, o, protocol), o, protocol, profile=steps) for o in outcomes]
    return adjusted_for_multiplicity(models)


def _pairs(models: Sequence[Modelled]) -> list[tuple[Modelled, Setting]]:
    return [(m, s) for m in models for s in SETTINGS]


def changes(main: Sequence[Modelled], others: dict[str, list[Modelled]]) -> list[tuple[str, str, str, str]]:
    """Verdicts that another reading turns: what, the main word, the other word, and the reading in words."""
    words = {r.name: r.words for r in REANALYSES}
    found = []
    for name, models in others.items():
        for (m, s), (o, _) in zip(_pairs(main), _pairs(models), strict=True):
            before, after = judge(m, s).word, judge(o, s).word
            if before != after and "associated" in (before, after):
                found.append((f"{s.label} and {m.outcome.label}", before, after, words[name]))
    return found


def _cell(answer: Answer) -> str:
    return f"{ratio(answer.value)} ({interval(answer)})" if isinstance(answer, Estimate) else "cannot say"


def _grid(main: Sequence[Modelled], others: dict[str, list[Modelled]]) -> Grid:
    rows, groups = [], []
    for i, (m, s) in enumerate(_pairs(main)):
        cells = [capital(s.step_label), _cell(m.effects[s.column])]
        turned = []
        for name, models in others.items():
            o, _ = _pairs(models)[i]
            cells.append(_cell(o.effects[s.column]))
            if judge(o, s).word != judge(m, s).word:
                turned.append(f"{judge(o, s).word} ({name})")
        word = judge(m, s).word
        rows.append((*cells, f"{word}; {listing(turned)}" if turned else f"{word} in all"))
        groups.append(capital(m.outcome.label))
    return Grid(
        "Odds ratios of one step of each setting, read in other ways",
        ("", "Main", *(capital(name) for name in others), "Verdict"),
        tuple(rows),
        tuple(groups),
        number_columns=tuple(range(1, 2 + len(others))),
        note="With 95 % intervals, each adjusted as in Settings and complications.",
    )


@dataclass(frozen=True, slots=True)
class _Unseen:
    outcome: Outcome
    span: str
    reach: float
    seen: Answer
    risk: Answer
    needed: float | None


def _tipping(everybody: pd.DataFrame, outcome: Outcome, scope: Scope, protocol: Protocol) -> _Unseen:
    start, end, label = newest_mature_quarter(outcome, scope.end, scope.as_of)
    found = outcome_risk(treated_between(everybody, start, end), outcome, label, protocol).weighted
    needed = None
    if isinstance(found.risk, Estimate) and found.risk.high is not None:
        needed = tipping_risk(found.events, found.known, found.n, found.risk.high)
    return _Unseen(outcome, label, found.known / max(1, found.n), found.seen_rate, found.risk, needed)


def _unseen_grid(unseen: Sequence[_Unseen]) -> Grid:
    rows = tuple(
        (
            f"{capital(u.outcome.label)}{by_day(u.outcome)}",
            u.span,
            percent(u.reach, sign=False),
            _share(u.seen),
            _share(u.risk),
            _needed_cell(u),
        )
        for u in unseen
    )
    return Grid(
        "How much higher the risk among those not seen would have to be",
        (
            "",
            "Quarter",
            "Known, %",
            "Share among those known, %",
            "Risk among all treated, %",
            "Needed among the others, %",
        ),
        rows,
        number_columns=(2, 3, 4, 5),
        note="Needed: the risk among those not known at which the share among all treated would lie above its printed interval.",
    )


def _share(answer: Answer) -> str:
    return f"{percent(answer.value, sign=False)} ({interval(answer)})" if isinstance(answer, Estimate) else "cannot say"


def _sentences(
    main: Sequence[Modelled], moved: Sequence[tuple[str, str, str, str]], unseen: Sequence[_Unseen]
) -> tuple[str, ...]:
    firm = [f"{s.label} and {m.outcome.label}" for m, s in _pairs(main) if judge(m, s).word == "associated"]
    turned = {what for what, before, _, _ in moved if before == "associated"}
    kept = [what for what in firm if what not in turned]
    says = []
    if kept:
        says.append(f"Associated in every reading: {listing(kept)}.")
    says += [
        f"{capital(what)} is {before} in the main analysis but {after} when {words}."
        for what, before, after, words in moved
    ]
    if not moved:
        says.append(
            f"No verdict changes between associated and another in the {number_word(len(REANALYSES))} other readings."
        )
    for u in unseen:
        if u.needed is not None:
            says.append(
                f"{capital(u.outcome.label)}, {u.span}: a risk of {percent(u.needed)}{_times(u)} among those not known would lift the "
                f"share of all treated above its interval ({estimate_text(u.risk)})."
            )
    return tuple(says)


def _needed_cell(u: _Unseen) -> str:
    if u.needed is None:
        return "–"
    text = percent(u.needed, sign=False)
    if isinstance(u.seen, Estimate) and u.seen.value > 0:
        return f"{text} ({decimal(u.needed / u.seen.value, 1)} times)"
    return text


def _times(u: _Unseen) -> str:
    """How many times the share among those known that is."""
    if u.needed is None or not isinstance(u.seen, Estimate) or not u.seen.value > 0:
        return ""
    return f" ({decimal(u.needed / u.seen.value, 1)} times that of those known)"
