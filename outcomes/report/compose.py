"""Findings into a report for the committee: arranges and words, computes nothing."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version

from outcomes import wording
from outcomes.errors import ReportError
from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.records.actions import ActionRegister
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.report import texts
from outcomes.report.document import FileDigest, Headline, Report, Request, Volume
from outcomes.report.sections import audit_layout

_FIRST_PAGE_HEADLINES = 7
_REACH_DAY = 30
_SENTENCES = (
    ("standards", "actions"),
    ("complications",),
    ("settings_and_risk", "benefit", "healing"),
    ("practitioners", "completeness"),
)
"""Questions that share a sentence of the summary, which so has five at most; any other joins the last of them."""
_SOFTWARE = (
    "outcomes", "numpy", "scipy", "pandas", "pandera", "statsmodels", "scikit-learn", "firthmodels", "matplotlib",
    "typst", "fonttools", "fontpkg-source-serif-4", "fontpkg-source-sans-3", "openpyxl", "pyarrow",
)  # fmt: skip
_SAID_AS = {"typst": "typst (Python package)"}


def software_versions() -> tuple[tuple[str, str], ...]:
    """Versions of Python and of every library that a number or a page depends on.

    The typst library carries its own version; the engine inside it states another one in the PDF.
    """
    found = [("Python", platform.python_version())]
    for name in _SOFTWARE:
        try:
            found.append((_SAID_AS.get(name, name), version(name)))
        except PackageNotFoundError:
            continue
    return tuple(found)


def compose(
    findings: Sequence[Finding],
    cases: Cases,
    scope: Scope,
    protocol: Protocol | None = None,
    *,
    title: str | None = None,
    organisation: str | None = None,
    register: ActionRegister | None = None,
) -> Report:
    """Arrange findings into the audit report.

    Parameters
    ----------
    findings : sequence of Finding
        In the order they are to be read.
    cases : Cases
        What was loaded; gives the counts of the data pages.
    scope : Scope
    protocol : Protocol or None
        Gives title, organisation and windows; None for the defaults.
    title, organisation : str or None
        Printed instead of the protocol's.
    register : ActionRegister or None
        The register of actions that was asked with; its fingerprint is printed.

    Returns
    -------
    Report

    Raises
    ------
    ReportError
        If there is no finding, or two of them share a key.
    """
    keys = [finding.key for finding in findings]
    if not keys or len(set(keys)) != len(keys):
        raise ReportError(
            "A report needs at least one finding, and each finding a key of its own.",
            "Ask at least one question, and each question once.",
        )
    protocol = protocol or Protocol()
    versions = software_versions()
    first, further = _headlines(findings)
    named = protocol.organisation if organisation is None else organisation
    return Report(
        title=protocol.title if title is None else title,
        organisation=named,
        kind="audit",
        scope=scope_words(scope),
        volume=_volume(findings, cases, scope),
        summary=_summary(findings, cases, scope, named),
        headlines=first,
        further=further,
        requests=_requests(findings),
        caution=texts.FIRST_PAGE_CAUTION,
        sections=audit_layout(findings, cases, scope, protocol, versions, register),
        estimates=tuple((finding.key, finding.estimates) for finding in findings),
        counts=cases.source.counts,
        files=tuple(FileDigest(f.table, f.kind, f.sha256, f.reading) for f in cases.source.files),
        versions=versions,
        problems=cases.problems,
        refused=_refused(cases),
    )


def scope_words(scope: Scope) -> dict[str, str]:
    """Labels and dates of period, baseline and cut-off, as printed."""
    return {
        "period": scope.label,
        "start": scope.start.isoformat(),
        "end": scope.end.isoformat(),
        "span": wording.span_text(scope.start, scope.end),
        "baseline": scope.baseline_label,
        "baseline_start": scope.baseline_start.isoformat(),
        "baseline_end": scope.baseline_end.isoformat(),
        "baseline_span": wording.span_text(scope.baseline_start, scope.baseline_end),
        "as_of": scope.as_of.isoformat(),
        "cut_off": wording.day_text(scope.as_of),
    }


def _refused(cases: Cases) -> tuple[tuple[str, int | None, str], ...]:
    rows = []
    for table, row, rules in cases.refused[["table", "row", "rules"]].itertuples(index=False):
        number = int(row) if row == row and row is not None else None  # a missing number is not equal to itself
        rows.append((str(table), number, str(rules)))
    return tuple(rows)


def _reach(findings: Sequence[Finding]) -> tuple[str, Answer] | None:
    """Follow-up reach by day 30 and the quarter it is of: the newest whose zones are old enough to tell."""
    named = f"reach day {_REACH_DAY}, "
    for finding in findings:
        if finding.key == "completeness":
            for answer in finding.estimates:
                if answer.term.startswith(named):
                    return answer.term.removeprefix(named), answer
    return None


def _volume(findings: Sequence[Finding], cases: Cases, scope: Scope) -> tuple[Volume, ...]:
    period = cases.during(scope.start, scope.end)
    sessions = int(period.zones["session_id"].nunique())
    reach = _reach(findings)
    return (
        Volume(wording.count(len(period)), "zones treated"),
        Volume(wording.count(period.patients), "patients"),
        Volume(wording.count(sessions), "sessions"),
        _reach_told(reach),
    )


def _reach_told(reach: tuple[str, Answer] | None) -> Volume:
    if reach is None:
        return Volume("not asked", "follow-up reach")
    quarter, answer = reach
    if not isinstance(answer, Estimate):
        return Volume("cannot say", f"how far follow-up reaches: {answer.reason}")
    return Volume(
        wording.percent(answer.value),
        f"seen on or after day {_REACH_DAY}, of {wording.plural(answer.n, 'zone')} treated in {quarter}",
    )


def _summary(findings: Sequence[Finding], cases: Cases, scope: Scope, organisation: str) -> tuple[str, ...]:
    period = cases.during(scope.start, scope.end)
    who = f"{organisation} recorded" if organisation else "The records hold"
    says = [
        f"{who} {wording.plural(len(period), 'treated zone')} of {wording.plural(period.patients, 'patient')} in "
        f"{scope.label}; {_set_aside(cases)}."
    ]
    briefs = {finding.key: finding.brief for finding in findings if finding.brief}
    told = {key for keys in _SENTENCES for key in keys}
    last = tuple(key for key in briefs if key not in told)
    for keys in (*_SENTENCES[:-1], (*_SENTENCES[-1], *last)):
        parts = [briefs[key].rstrip(".") for key in keys if key in briefs]
        if parts:
            says.append(f"{'; '.join([parts[0], *map(wording.decapital, parts[1:])])}.")
    return tuple(says)


def _set_aside(cases: Cases) -> str:
    """How many rows of every table were read and set aside, those of treated zones said apart."""
    counts = cases.source.counts
    refused = sum(c.rows_refused for c in counts)
    said = f"of {wording.plural(sum(c.rows_read for c in counts), 'row')} read"
    said += f", {wording.count(refused) if refused else 'none'} {'was' if refused < 2 else 'were'} set aside"
    zones = cases.source.count("zones").rows_refused
    if refused and len(counts) > 1:
        said += f", {wording.count(zones) if zones else 'none'} of them treated zones"
    return said


def _headlines(findings: Sequence[Finding]) -> tuple[tuple[Headline, ...], tuple[Headline, ...]]:
    """Split headlines into those of the first page and the rest.

    The first headline of each finding comes first, so that no question is silent; places left go to the most
    urgent of the others. Each part is then ordered by urgency, within it by the order of the report.
    """
    ranked = [
        (texts.MORE_URGENT_FIRST.index(verdict), place, order, Headline(verdict, text, finding.key))
        for place, finding in enumerate(findings)
        for order, (verdict, text) in enumerate(finding.headlines)
    ]
    leading = sorted(entry for entry in ranked if entry[2] == 0)
    others = sorted(entry for entry in ranked if entry[2] > 0)
    queue = [*leading, *others]
    first, rest = sorted(queue[:_FIRST_PAGE_HEADLINES]), sorted(queue[_FIRST_PAGE_HEADLINES:])
    return tuple(h for _, _, _, h in first), tuple(h for _, _, _, h in rest)


def _requests(findings: Sequence[Finding]) -> tuple[Request, ...]:
    seen: dict[str, Request] = {}
    for finding in findings:
        for text in finding.requests:
            seen.setdefault(text, Request(text, finding.key))
    return tuple(seen.values())
