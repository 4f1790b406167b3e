"""The ordered lists of questions, and `ask`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from threadpoolctl import threadpool_limits

from outcomes.errors import ExportRejected
from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.questions.actions import actions
from outcomes.questions.benefit import benefit
from outcomes.questions.case_mix import case_mix
from outcomes.questions.comfort import comfort
from outcomes.questions.completeness import completeness
from outcomes.questions.complications import complications
from outcomes.questions.consent_figures import consent_figures
from outcomes.questions.criteria_judge import judge_all
from outcomes.questions.healing import healing
from outcomes.questions.learning import learning
from outcomes.questions.planning import planning
from outcomes.questions.practitioners import practitioners
from outcomes.questions.sensitivity import sensitivity, with_sensitivity
from outcomes.questions.settings_and_risk import settings_and_risk
from outcomes.questions.settings_in_use import settings_in_use
from outcomes.questions.standards import standards_finding
from outcomes.questions.trend import trend
from outcomes.records.actions import ActionRegister
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope

Question = Callable[[Cases, Scope, Protocol], Finding]

AUDIT: tuple[Question, ...] = (
    complications,
    trend,
    settings_and_risk,
    benefit,
    sensitivity,
    healing,
    practitioners,
    learning,
    comfort,
    consent_figures,
    case_mix,
    settings_in_use,
    completeness,
)
"""The audit's questions; standards and actions are put before them, planning after the last that it plans for."""

_PLANNED_AFTER = "consent_figures"


def ask(
    cases: Cases,
    scope: Scope | str | None = None,
    protocol: Protocol | None = None,
    *,
    questions: Sequence[Question] | None = None,
    register: ActionRegister | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[Finding, ...]:
    """Put the audit's questions to the cases.

    Parameters
    ----------
    cases : Cases
    scope : Scope, str or None
        A scope, a quarter such as ``2026Q3``, or None for the last complete quarter in the data.
    protocol : Protocol or None
        What was fixed beforehand; None for the defaults.
    questions : sequence of questions or None
        These alone, in order; the whole audit, with standards, actions and planning, when None.
    register : ActionRegister or None
        Actions of earlier audits.
    progress : callable or None
        Told a short sentence before each question.

    Returns
    -------
    tuple of Finding
        One answer a question, in order.

    Raises
    ------
    ExportRejected
        If there is no accepted zone to ask about.
    ProtocolError
        If the period is not a quarter or begins after the data end.
    """
    if not len(cases):
        raise ExportRejected(
            "No row of treated zones was accepted.", "Run outcomes check on the export to see which rules they break."
        )
    if not isinstance(scope, Scope):
        scope = Scope.quarter(scope, cases.last_date)
    protocol = protocol or Protocol()
    say = progress or (lambda sentence: None)
    # one thread: the matrices are small, and the last digit does not depend on how many threads share the work
    with threadpool_limits(limits=1, user_api="blas"):
        if questions is not None:
            return _each(questions, cases, scope, protocol, say)
        say("asking about standards and actions")
        judged = judge_all(cases, scope, protocol)
        first = (standards_finding(judged, scope, protocol), actions(register, judged, scope, protocol))
        answers = with_sensitivity(_each(AUDIT, cases, scope, protocol, say))
        plan = planning((*first, *answers), judged, cases, scope, protocol)
    after = next(i for i, finding in enumerate(answers) if finding.key == _PLANNED_AFTER) + 1
    return (*first, *answers[:after], plan, *answers[after:])


def _each(
    questions: Sequence[Question], cases: Cases, scope: Scope, protocol: Protocol, say: Callable[[str], None]
) -> tuple[Finding, ...]:
    answers = []
    for question in questions:
        say(f"asking about {getattr(question, '__name__', 'records').replace('_', ' ')}")
        answers.append(question(cases, scope, protocol))
    return tuple(answers)
