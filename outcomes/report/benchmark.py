"""One practitioner's report: own answers, what it protects, room for reflection and for a signature."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes import wording
from outcomes.errors import ReportError
from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.questions.benchmark import protected
from outcomes.questions.benchmark_peers import is_own
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.report import texts
from outcomes.report.compose import scope_words, software_versions
from outcomes.report.document import (
    Checklist,
    Columns,
    FileDigest,
    Headline,
    Prose,
    Report,
    Request,
    Section,
    SignOff,
    Volume,
)
from outcomes.report.sections import finding_section

KIND = "benchmark"

REFLECTION: tuple[str, ...] = (
    "What in these pages did you expect, and what not?",
    "Which of your records would you look at again, and is what they say right?",
    "Were your patients different in something that is not recorded?",
    "Whom did you not see again, and how could you reach them?",
    "What, if anything, will you do differently, and how will you know whether it helped?",
)

SIGNERS: tuple[str, ...] = ("Practitioner", "Discussed with")


def compose_benchmark(
    findings: Sequence[Finding], cases: Cases, scope: Scope, protocol: Protocol | None = None
) -> Report:
    """Arrange one practitioner's findings into a report for that practitioner.

    Parameters
    ----------
    findings : sequence of Finding
        Answers to ``outcomes.questions.benchmark.BENCHMARK``, in order.
    cases : Cases
    scope : Scope
        From ``outcomes.questions.benchmark_peers.own_scope``.
    protocol : Protocol or None
        None for the defaults.

    Returns
    -------
    Report
        Of kind ``benchmark``. It lists no refused row and no problem: those are the clinic's, not one practitioner's.

    Raises
    ------
    ReportError
        If there is no finding, two share a key, or the scope names no practitioner.
    """
    keys = [finding.key for finding in findings]
    if not keys or len(set(keys)) != len(keys):
        raise ReportError(
            "A report needs at least one finding, and each finding a key of its own.",
            "Ask at least one question, and each question once.",
        )
    if scope.practitioner is None:
        raise ReportError(
            "A personal report was asked for without a practitioner.", "Name one, as the export spells it."
        )
    protocol = protocol or Protocol()
    return Report(
        title=f"Your records, {scope.practitioner}",
        organisation=protocol.organisation,
        kind=KIND,
        scope=scope_words(scope),
        volume=_volume(cases, scope, protocol),
        summary=tuple(finding.brief for finding in findings if finding.brief),
        headlines=tuple(Headline(v, text, f.key) for f in findings for v, text in f.headlines),
        further=(),
        requests=tuple(Request(text, f.key) for f in findings for text in f.requests),
        caution=texts.FIRST_PAGE_CAUTION,
        sections=benchmark_layout(findings, protocol),
        estimates=tuple((finding.key, finding.estimates) for finding in findings),
        counts=cases.source.counts,
        files=tuple(FileDigest(f.table, f.kind, f.sha256, f.reading) for f in cases.source.files),
        versions=software_versions(),
    )


def benchmark_layout(findings: Sequence[Finding], protocol: Protocol) -> tuple[Section, ...]:
    """One section a question, then what is protected and cannot be shown, reflection and signature."""
    return (
        *(finding_section(finding, texts.REQUESTS_HEADINGS[KIND]) for finding in findings),
        _methods(findings),
        _limits(protocol),
        _reflection(),
    )


def _methods(findings: Sequence[Finding]) -> Section:
    """How it was computed, in full: what does not fit in the margins."""
    entries = tuple((finding.title, finding.methods) for finding in findings if finding.methods)
    return Section("methods", "How it was computed", (Columns(entries),))


def _limits(protocol: Protocol) -> Section:
    entries = (
        ("What this report protects", protected(protocol)),
        ("How it must not be used", (texts.CAUTIONS[0], texts.CAUTIONS[3])),
    )
    return Section("limits", "Protection and use", (Columns(entries, listed=True),))


def _reflection() -> Section:
    return Section(
        "reflection",
        "Your reflection",
        (
            Prose(("These questions are yours to answer; nobody marks the answers.",)),
            Checklist(REFLECTION),
            SignOff(SIGNERS),
        ),
    )


def _volume(cases: Cases, scope: Scope, protocol: Protocol) -> tuple[Volume, ...]:
    own = cases.where(lambda zones: is_own(zones, scope), "own")
    now, before = own.during(scope.start, scope.end), own.during(scope.baseline_start, scope.baseline_end)
    numbers = (
        (len(now), "of your zones treated"),
        (now.patients, "of your patients"),
        (int(now.zones["session_id"].nunique()), "of your sessions"),
        (len(before), "of your zones in the baseline"),
    )
    smallest = protocol.disclosure.smallest_count
    hide = protocol.audience != "clinic" and any(0 < n < smallest for n, _ in numbers)
    return tuple(
        Volume(f"under {wording.count(smallest)}" if hide and n < smallest else wording.count(n), label)
        for n, label in numbers
    )
