"""The ordered lists of questions, and `ask`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from threadpoolctl import threadpool_limits

from outcomes.errors import ExportRejected
from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.questions.case_mix import case_mix
from outcomes.questions.completeness import completeness
from outcomes.questions.complications import complications
from outcomes.questions.healing import healing
from outcomes.questions.practitioners import practitioners
from outcomes.questions.settings_and_risk import settings_and_risk
from outcomes.questions.settings_in_use import settings_in_use
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope

Question = Callable[[Cases, Scope, Protocol], Finding]

AUDIT: tuple[Question, ...] = (
    completeness,
    case_mix,
    settings_in_use,
    complications,
    settings_and_risk,
    healing,
    practitioners,
)


def ask(
    cases: Cases,
    scope: Scope | str | None = None,
    protocol: Protocol | None = None,
    *,
    questions: Sequence[Question] = AUDIT,
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
    questions : sequence of questions
        In order; the audit's when not given.
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
    answers = []
    # one thread: the matrices are small, and the last digit does not depend on how many threads share the work
    with threadpool_limits(limits=1, user_api="blas"):
        for question in questions:
            if progress is not None:
                progress(f"asking about {question.__name__.replace('_', ' ')}")
            answers.append(question(cases, scope, protocol or Protocol()))
    return tuple(answers)
