"""Did treatment help, and does that go with the same settings as complications do?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import pandas as pd

from outcomes.estimates.design import Category, Term
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.findings import Exhibit, Finding, Forest, Row
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.disclosure import HELD_CELL, held, reason_to_hold
from outcomes.questions.population import NOT_RECORDED, Population, everyone, first_treatments, treated_between
from outcomes.questions.settings_exhibits import Verdicts, settings_forest
from outcomes.questions.settings_in_use import comparable_settings
from outcomes.questions.settings_model import Modelled, model_outcome, settings_population
from outcomes.questions.settings_steps import Step, adjusted_step
from outcomes.questions.settings_support import overlaps
from outcomes.questions.settings_verdict import adjusted_for_multiplicity, judge
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import CONTACTS, Outcome
from outcomes.wording import capital, count, estimate_text, interval, listing, of_total, percent, plural, points

GRADED_AFTER_DAYS = 120
"""Zones younger than this have not had the time to be graded; common practice, no source."""

HELPED = Outcome("improvement", "improvement of a quarter or more", "zone", None, 0, CONTACTS)
CONTENT = Outcome("satisfaction", "satisfaction of 4 or 5", "zone", None, 0, CONTACTS)
_FROM = {"improvement": ("improvement_grade", 2), "satisfaction": ("satisfaction", 4)}
GRADERS = {"treating": "the treating practitioner", "other": "a colleague", "blinded": "a blinded grader"}


def benefit(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Did treatment help, and does that go with the same settings as complications do?

    The estimand is that of *settings and complications* with benefit in the outcome's place: the odds of an improvement
    of a quarter or more (and of satisfaction of 4 or 5) for one step of a setting, among first treatments graded, at equal
    case-mix, other settings, calendar time and grader.
    """
    candidates = benefit_candidates(cases, scope, protocol)
    models = adjusted_for_multiplicity([benefit_model(candidates, outcome, protocol) for outcome in (HELPED, CONTENT)])
    verdicts = {(m.outcome.name, s.column): judge(m, s) for m in models for s in SETTINGS}
    risks = [
        model_outcome(
            settings_population(cases, scope.end, scope.as_of, outcome, protocol),
            outcome,
            protocol,
            split=False,
            profile=(),
        )
        for outcome in (protocol.outcome(name) for name in protocol.modelled)
    ]
    steps = {(m.outcome.name, s.column): _step(m, s, protocol) for m in (*models, *risks) for s in SETTINGS}
    shares = _shares(candidates, protocol)
    exhibits: list[Exhibit] = [
        _beside(models, risks, steps),
        settings_forest(
            models, verdicts, title="Adjusted odds ratios of benefit for one step of each setting", detail=True
        ),
        Forest(
            title="How often benefit was recorded, and by whom it was graded",
            detail=True,
            headers=("", "with / graded"),
            rows=tuple(shares),
            scale="proportion",
            note="Lowest: as if no zone without a grade had improved so far; highest: as if all had. A grade by the treating "
            "practitioner is not an independent one.",
        ),
    ]
    answers: list[Answer] = []
    for m in models:
        for s in SETTINGS:
            name = f"{m.outcome.label}: {s.step_label}"
            answers.append(m.effects[s.column].named(name))
            if s.column in m.split:
                answers.append(m.split[s.column].within.named(f"{name}, within practitioners"))
                answers.append(m.split[s.column].between.named(f"{name}, between practitioners"))
    answers += [step.difference for step in steps.values() if step is not None]
    answers += [row.answer for row in shares]
    return Finding(
        key="benefit",
        title="Benefit",
        asks="How often did treatment help, and does benefit go with the same settings as complications do?",
        says=_sentences(models, verdicts, steps, shares),
        brief=_brief(models, verdicts),
        headlines=_headlines(models, verdicts),
        estimates=tuple(answers),
        exhibits=tuple(exhibits),
        denominators=" ".join(
            f"{capital(m.outcome.label)}: {plural(len(m.population), 'zone')} of {plural(m.population.patients, 'patient')}."
            for m in models
        ),
        exclusions=tuple(
            f"{capital(m.outcome.label)}: {'; '.join(m.population.left_out)}." for m in models if m.population.left_out
        ),
        methods=(
            "The same model, ladder, limits, split and verdict as under Settings and complications, with benefit as the outcome "
            "and who graded it as a further term; Benjamini–Hochberg over the settings and both measures of benefit.",
            "Side by side: differences of standardised risk over one step, each among the zones whose outcome is known and whose "
            "skin type and practitioner use both ends of the step.",
            "Shares: patient as cluster, limits after Korn and Graubard (Survey Methodology 1998;24:193–201).",
        ),
        caveats=(
            "Who is graded is not random: those who return may be the content or the troubled. Bounds stand beside the share.",
            "Stronger settings are chosen for worse skin, which has more to gain.",
            "Benefit and complications are weighed by patient and practitioner; this table does not.",
        ),
    )


def benefit_candidates(cases: Cases, scope: Scope, protocol: Protocol) -> Population:
    """First treatments with comparable settings that have had the time to be graded."""
    population = Population(treated_between(everyone(cases).frame, date(1900, 1, 1), scope.end))
    reached = pd.Timestamp(scope.as_of - timedelta(days=GRADED_AFTER_DAYS))
    population = population.keep(
        population.frame["treated_on"] <= reached,
        f"zones treated less than {count(GRADED_AFTER_DAYS)} days before the cut-off",
    )
    population = first_treatments(population)
    population = comparable_settings(population, protocol)
    population = population.keep(population.frame["region"].notna(), "scars elsewhere, which have no region")
    for setting in SETTINGS:
        population = population.keep(
            population.frame[setting.column].notna(), f"zones without a recorded {setting.label}"
        )
    return population


def graded(population: Population, outcome: Outcome) -> tuple[Population, np.ndarray]:
    """The zones that carry the grade, with who graded as complete categories, and which of them had the benefit."""
    column, enough = _FROM[outcome.name]
    known = population.keep(population.frame[column].notna(), "zones that were not graded")
    grader = known.frame["graded_by"].astype("string").fillna(NOT_RECORDED)
    levels = [*GRADERS, NOT_RECORDED]
    frame = known.frame.assign(grader=pd.Categorical(grader, categories=levels))
    event = (frame[column].astype("Float64") >= enough).fillna(False).to_numpy(dtype=bool)
    return Population(frame, known.left_out), event


def benefit_model(candidates: Population, outcome: Outcome, protocol: Protocol, *, effects: bool = True) -> Modelled:
    """The model of one benefit; without `effects` only what adjusted shares need."""
    population, event = graded(candidates, outcome)
    beside: list[Term] = []
    if len(population):
        present = [g for g in (*GRADERS, NOT_RECORDED) if bool((population.frame["grader"] == g).any())]
        if len(present) > 1:
            beside.append(Category("grader", present[0], label="graded by"))
    return model_outcome(
        population, outcome, protocol, event=event, beside=beside, split=effects, profile=None if effects else ()
    )


def _step(modelled: Modelled, setting: Setting, protocol: Protocol) -> Step | None:
    return adjusted_step(modelled, setting, overlaps(modelled.population.frame, setting, protocol), protocol)


def _beside(
    models: Sequence[Modelled], risks: Sequence[Modelled], steps: Mapping[tuple[str, str], Step | None]
) -> Forest:
    rows = []
    for s in SETTINGS:
        for m in (*models, *risks):
            step = steps[m.outcome.name, s.column]
            term = f"{m.outcome.label}: {s.step_label}"
            answer: Answer
            if step is not None:
                answer = step.difference
            else:
                effect = m.effects.get(s.column)
                reason = effect.reason if isinstance(effect, NotEstimable) else m.rung.removeprefix("rates only: ")
                answer = NotEstimable(term, reason, n=len(m.population), unit="difference in proportion")
            kind = "benefit" if m in models else "complication"
            rows.append(Row(capital(m.outcome.label), answer, (kind,), group=capital(s.step_label)))
    return Forest(
        title="Benefit and complications side by side, for one step more of each setting",
        headers=("", "kind"),
        rows=tuple(rows),
        scale="difference",
        reference=0.0,
        note="Difference of adjusted risk in percentage points, at equal case-mix and other settings. Above 0 is more often with "
        "the higher setting: welcome in the rows of benefit, not in those of complications.",
    )


def _shares(candidates: Population, protocol: Protocol) -> list[Row]:
    rows = []
    for outcome in (HELPED, CONTENT):
        known, event = graded(candidates, outcome)
        group = capital(outcome.label)
        n = len(candidates)
        patient = known.frame["patient_id"].to_numpy(dtype=str)
        everyone_graded = clustered_proportion(
            event, patient, term=f"{outcome.label}, graded zones", level=protocol.level
        )
        rows.append(Row("All graded", everyone_graded, (of_total(int(event.sum()), len(known)),), group=group))
        if outcome is HELPED:
            for code, words in GRADERS.items():
                mine = (known.frame["grader"] == code).to_numpy(dtype=bool)
                if not mine.any():
                    continue
                answer = clustered_proportion(
                    event[mine], patient[mine], term=f"{outcome.label}, graded by {words}", level=protocol.level
                )
                reason = reason_to_hold(answer, protocol)
                rows.append(
                    Row(f"Graded by {words}", held(answer, reason), (HELD_CELL,), group=group)
                    if reason
                    else Row(
                        f"Graded by {words}", answer, (of_total(int(event[mine].sum()), int(mine.sum())),), group=group
                    )
                )
        everybody = candidates.frame["patient_id"].to_numpy(dtype=str)
        carries = candidates.frame.index.isin(known.frame.index[event])
        ungraded = ~candidates.frame.index.isin(known.frame.index)
        for word, flag in (("Lowest", carries), ("Highest", carries | ungraded)):
            bound = clustered_proportion(
                flag, everybody, term=f"{outcome.label}, {word.lower()} of all", level=protocol.level
            )
            rows.append(Row(f"{word}, of all {count(n)}", bound, (of_total(int(flag.sum()), n),), group=group))
    return rows


def _sentences(
    models: Sequence[Modelled],
    verdicts: Verdicts,
    steps: Mapping[tuple[str, str], Step | None],
    shares: Sequence[Row],
) -> tuple[str, ...]:
    first = shares[0].answer
    if not isinstance(first, Estimate):
        return ("No benefit was graded in zones old enough to be, so that nothing can be said.",)
    low, high = (next(r.answer for r in shares if r.label.startswith(word)) for word in ("Lowest", "Highest"))
    bounds = (
        f"; from {percent(low.value)} to {percent(high.value)} of all, whatever the zones not graded hold"
        if isinstance(low, Estimate) and isinstance(high, Estimate)
        else ""
    )
    says = [
        f"An improvement of a quarter or more was graded in {shares[0].cells[0]} zones graded, {estimate_text(first)}{bounds}."
    ]
    for m in models:
        for s in SETTINGS:
            effect = m.effects[s.column]
            if verdicts[m.outcome.name, s.column].word != "associated" or not isinstance(effect, Estimate):
                continue
            more = "more" if effect.value > 1 else "less"
            step = steps[m.outcome.name, s.column]
            by = (
                f", {points(step.difference.value)} points ({interval(step.difference)})"
                if step is not None and isinstance(step.difference, Estimate)
                else ""
            )
            says.append(
                f"Zones treated with {s.step_label} had {m.outcome.label} {more} often: odds ratio {estimate_text(effect)}{by}."
            )
    for word in ("not shown", "cannot say"):
        parts = []
        for m in models:
            settings = [s.label for s in SETTINGS if verdicts[m.outcome.name, s.column].word == word]
            if settings:
                parts.append(f"{listing(settings)} with {m.outcome.label}")
        if parts:
            says.append(f"{capital(word)}: {'; '.join(parts)}.")
    return tuple(says)


def _associated(models: Sequence[Modelled], verdicts: Verdicts) -> list[str]:
    found = []
    for m in models:
        for s in SETTINGS:
            effect = m.effects[s.column]
            if verdicts[m.outcome.name, s.column].word == "associated" and isinstance(effect, Estimate):
                found.append(f"{s.more} went with {'more' if effect.value > 1 else 'less'} frequent {m.outcome.label}")
    return found


def _brief(models: Sequence[Modelled], verdicts: Verdicts) -> str:
    found = _associated(models, verdicts)
    return f"Among zones graded, {listing(found)}." if found else ""


def _headlines(models: Sequence[Modelled], verdicts: Verdicts) -> tuple[tuple[str, str], ...]:
    found = _associated(models, verdicts)
    if found:
        return (("associated", f"Benefit: {listing(found)}, at equal case-mix and other settings."),)
    if any(isinstance(m.effects[s.column], Estimate) for m in models for s in SETTINGS):
        return (("not shown", "Benefit: no setting is shown to go with more or less of it."),)
    return ()
