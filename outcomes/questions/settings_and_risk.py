"""Do complications go with energy, density and passes, once case-mix and the other settings are allowed for?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.sensitivity import e_value
from outcomes.findings import Exhibit, Finding, Response
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.response import response_curve
from outcomes.questions.settings_exhibits import (
    Verdicts,
    left_without_overlap,
    region_forest,
    region_rows,
    settings_forest,
)
from outcomes.questions.settings_model import Modelled, model_outcome, settings_population
from outcomes.questions.settings_steps import Step, adjusted_step
from outcomes.questions.settings_support import overlaps
from outcomes.questions.settings_verdict import adjusted_for_multiplicity, judge
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.wording import capital, estimate_text, listing, number_word, plural, ratio


def settings_and_risk(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Do complications go with energy, density and passes, once case-mix and the other settings are allowed for?

    The estimand is the marginal odds ratio for one step of a setting, among first treatments with one beam
    class whose outcome is known, at equal case-mix, other settings and calendar time.
    """
    models = [
        model_outcome(settings_population(cases, scope.end, scope.as_of, outcome, protocol), outcome, protocol)
        for outcome in (protocol.outcome(name) for name in protocol.modelled)
    ]
    models = adjusted_for_multiplicity(models)
    verdicts = {(m.outcome.name, s.column): judge(m, s) for m in models for s in SETTINGS}
    steps = {
        (m.outcome.name, s.column): step
        for m in models
        for s in SETTINGS
        if (step := adjusted_step(m, s, overlaps(m.population.frame, s, protocol), protocol)) is not None
    }
    curves = [c for m in models for s in SETTINGS if (c := response_curve(m, s, protocol)) is not None]
    title = "Adjusted odds ratios for one step of each setting"
    exhibits: list[Exhibit] = [settings_forest(models, verdicts, title=title)]
    exhibits += _shown_curves(curves, models, verdicts)
    regions = {m.outcome.name: region_rows(m.population, m, protocol) for m in models}
    exhibits.append(region_forest(models, regions))
    answers: list[Answer] = []
    for m in models:
        answers += [_named(m, s, m.effects[s.column], "") for s in SETTINGS]
        for s in SETTINGS:
            if s.column in m.split:
                answers.append(_named(m, s, m.split[s.column].within, ", within practitioners"))
                answers.append(_named(m, s, m.split[s.column].between, ", between practitioners"))
        answers += [_named(m, row.setting, row.answer, f", {row.region} alone") for row in regions[m.outcome.name]]
        case_mix = [a for a in m.fit.terms if a.term.startswith(("region ", "skin type "))] if m.fit else []
        answers += [a.named(f"{m.outcome.label}: {a.term}") for a in case_mix]
    answers += [answer for step in steps.values() for answer in (step.difference, step.ratio)]
    checks = {m.outcome.label: _large_sample_check(m, protocol) for m in models}
    answers += [answer for found in checks.values() for answer in found]
    return Finding(
        key="settings_and_risk",
        title="Settings and complications",
        asks="Are pulse energy, density and number of passes tied to complications, at equal region, skin type, age, "
        "indication and other settings?",
        says=_sentences(models, verdicts, steps),
        brief=_brief(models, verdicts),
        headlines=_headlines(models, verdicts),
        estimates=tuple(answers),
        exhibits=tuple(exhibits),
        denominators=" ".join(
            f"{capital(m.outcome.label)}: {plural(len(m.population), 'zone')} of "
            f"{plural(m.population.patients, 'patient')}, {plural(int(m.event.sum()), 'event')} in "
            f"{plural(m.patients_with_events, 'patient')}."
            for m in models
        ),
        exclusions=tuple(
            f"{capital(m.outcome.label)}: {'; '.join(m.population.left_out)}." for m in models if m.population.left_out
        )
        + tuple(said for m in models if (said := left_without_overlap(m.population, m.outcome.label, protocol))),
        methods=_methods(models, checks),
        caveats=(
            "Settings are chosen for a reason, and the reason is not recorded: zones treated denser differ in more "
            "than density. An E-value says how strongly something unrecorded would have to go with both.",
            "Zones whose outcome is not known are left out. If return depends on the outcome alone, odds ratios are "
            "not moved by that, while the adjusted risks shown are those of zones seen and lie above the risk "
            "among all treated; if return depends on outcome and setting together, both are moved.",
            "The estimates describe the clinic's own range of settings and say nothing outside it.",
        ),
    )


def _named(modelled: Modelled, setting: Setting, answer: Answer, tail: str) -> Answer:
    return answer.named(f"{modelled.outcome.label}: {setting.step_label}{tail}")


def _large_sample_check(modelled: Modelled, protocol: Protocol) -> list[Answer]:
    """The same model by maximum likelihood with CR2 errors: a check on the tables, never a headline."""
    if modelled.design is None:
        return []
    fit = maximum_likelihood(
        modelled.design, modelled.event.astype(int), cluster=modelled.cluster, level=protocol.level
    )
    tail = ", large-sample check"
    if isinstance(fit, NotEstimable):
        return [fit.named(f"{modelled.outcome.label}{tail}")]
    return [
        _named(modelled, s, fit.term(s.step_label), tail) for s in SETTINGS if s.step_label in modelled.design.labels
    ]


def _check_said(checks: dict[str, list[Answer]]) -> str:
    """What the large-sample check came to, outcome by outcome."""
    silent = [
        f"{label} ({answer.reason})"
        for label, found in checks.items()
        for answer in found[:1]
        if isinstance(answer, NotEstimable)
    ]
    return f"It could not be made for {listing(silent)}." if silent else "It could be made for every model."


def _shown_curves(
    curves: Sequence[tuple[str, str, Response]], models: Sequence[Modelled], verdicts: Verdicts
) -> list[Exhibit]:
    """Curves for what is associated, and for the first outcome's density in any case."""
    first = models[0].outcome.name if models else ""
    return [
        curve
        for name, column, curve in curves
        if verdicts[name, column].word == "associated" or (name == first and column == "density_pct")
    ]


def _sentences(
    models: Sequence[Modelled], verdicts: Verdicts, steps: Mapping[tuple[str, str], Step]
) -> tuple[str, ...]:
    says = []
    for m in models:
        for s in SETTINGS:
            key = (m.outcome.name, s.column)
            effect = m.effects[s.column]
            if verdicts[key].word != "associated" or not isinstance(effect, Estimate):
                continue
            more = "more" if effect.value > 1 else "less"
            step = steps.get(key)
            difference = (
                f", an adjusted risk difference of {estimate_text(step.difference)} from {step.where}, among zones seen"
                if step and isinstance(step.difference, Estimate)
                else ""
            )
            confounding = _confounding(step.ratio) if step and isinstance(step.ratio, Estimate) else ""
            says.append(
                f"Zones treated with {s.step_label} had {more} {m.outcome.label}: odds ratio {estimate_text(effect)}"
                f"{difference}; {verdicts[key].basis}. {confounding}".strip()
            )
    not_shown = _grouped(models, verdicts, "not shown")
    if not_shown:
        says.append(
            f"Not shown: {not_shown}. The intervals in the table say how large an association remains compatible "
            "with the records."
        )
    unsaid = _grouped(models, verdicts, "cannot say")
    if unsaid:
        says.append(f"Cannot say: {unsaid}. The table gives the reason.")
    return tuple(says)


def _confounding(risk_ratio: Estimate) -> str:
    strength = e_value(risk_ratio)
    if strength.limit <= 1:
        return "Something unrecorded of any strength could account for that."
    return (
        f"To account for that, something unrecorded would have to go with both the setting and the outcome by a risk "
        f"ratio of at least {ratio(strength.value)} each; to bring the interval to 1, {ratio(strength.limit)}."
    )


def _grouped(models: Sequence[Modelled], verdicts: Verdicts, word: str) -> str:
    parts = []
    for m in models:
        settings = [s.label for s in SETTINGS if verdicts[m.outcome.name, s.column].word == word]
        if settings:
            parts.append(f"{listing(settings)} with {m.outcome.label}")
    return "; ".join(parts)


def _brief(models: Sequence[Modelled], verdicts: Verdicts) -> str:
    found = []
    for m in models:
        for s in SETTINGS:
            effect = m.effects[s.column]
            if verdicts[m.outcome.name, s.column].word == "associated" and isinstance(effect, Estimate):
                more = "more" if effect.value > 1 else "less"
                found.append(f"{s.more} went with {more} {m.outcome.label}")
    others = sum(one.word == "not shown" for one in verdicts.values())
    unsaid = sum(one.word == "cannot say" for one in verdicts.values())
    rest = []
    if others:
        which = f"{number_word(others)} {'pair' if others == 1 else 'pairs'}"
        which = f"the other {which}" if found and not unsaid else f"{which} of setting and complication"
        rest.append(f"for {which} no association is shown")
    if unsaid:
        pairs = "" if others else f" {'pair' if unsaid == 1 else 'pairs'} of setting and complication"
        rest.append(f"for {number_word(unsaid)}{pairs} nothing can be said")
    said = f"At equal case-mix and other settings, {listing(found)}" if found else ""
    return f"{capital('; '.join(part for part in (said, listing(rest)) if part))}."


def _headlines(models: Sequence[Modelled], verdicts: Verdicts) -> tuple[tuple[str, str], ...]:
    lines: list[tuple[str, str]] = []
    for m in models:
        for s in SETTINGS:
            effect = m.effects[s.column]
            if verdicts[m.outcome.name, s.column].word == "associated" and isinstance(effect, Estimate):
                lines.append(
                    (
                        "associated",
                        f"{capital(s.label)} and {m.outcome.label}: odds ratio {estimate_text(effect)} for "
                        f"{s.step_label}, adjusted.",
                    )
                )
    for word in ("not shown", "cannot say"):
        grouped = _grouped(models, verdicts, word)
        if grouped:
            lines.append((word, f"{capital(grouped)}."))
    return tuple(lines)


def _methods(models: Sequence[Modelled], checks: dict[str, list[Answer]]) -> tuple[str, ...]:
    rungs = "; ".join(f"{m.outcome.label}: {m.rung}" for m in models)
    return (
        "Logistic regression with Firth's penalty (Biometrika 1993;80:27–38). Limits are where the penalised profile "
        "deviance, divided by its inflation through several zones of one patient and by an allowance for few patients "
        "telling it, reaches the χ² quantile on one degree of freedom; p values are penalised likelihood ratio tests "
        "divided by the same. The penalised rung is taken when patients with events are at least three for each "
        "parameter, otherwise only rates are given.",
        "In the model beside the settings: region, skin type, age and indication, each with what is not recorded as "
        "a level of its own, and calendar time as a straight line; region and skin type only, where events are "
        "fewer. The tables hold the odds ratios of region and skin type, which are allowed for and not tested.",
        f"Rung taken, from events alone before any association was looked at: {rungs}.",
        "A setting is spoken of only if patients enough stand on either side of one step and the rest of the model "
        "does not determine it. Coverage is never in one model with density and passes. Each setting is split into the "
        "practitioner's own mean for the zone and the deviation from it; associated needs both parts on one side.",
        "Adjusted risks are standardised over the zones whose skin type and practitioner use both ends of the step "
        "(g-computation), with the intercept corrected "
        "so that mean predicted and observed risk agree; limits by the delta method "
        "on the largest of three covariances: model-based, inflated by the design effect, and clustered by patient.",
        "Large-sample check in the tables: the same model by maximum likelihood with CR2 errors by patient and "
        f"Satterthwaite degrees of freedom (Pustejovsky and Tipton, J Bus Econ Stat 2018;36:672–683). {_check_said(checks)}",
        "E-values after VanderWeele and Ding (Ann Intern Med 2017;167:268–274), from the adjusted risk ratio for one step.",
        "A curve of risk along a setting is a model of its own: the same terms, with the setting as a restricted cubic spline "
        "of three knots. It is drawn for what is associated, and for density with the first outcome in any case.",
    )
