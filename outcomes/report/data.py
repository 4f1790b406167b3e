"""A report as strict JSON: what report.json holds and the page prints."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from outcomes import wording
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.figures.house import TEXT_MM
from outcomes.findings import Curves, Cusum, Exhibit, Forest, Funnel, Response
from outcomes.report import texts
from outcomes.report.document import Block, Headline, Report, Request, Section, Shown, kind_of, plain
from outcomes.report.exhibits import exhibit_data
from outcomes.report.paper import figure_widths, is_on_paper, number_exhibits


def tidy_record(answer: Answer) -> dict[str, Any]:
    """One answer under the fixed tidy names; a "cannot say" has its reason in the note."""
    found: tuple[float | None, float | None, float | None, float | None, float | None, float | None, str]
    if isinstance(answer, Estimate):
        found = (answer.value, answer.low, answer.high, answer.level, answer.p_value, answer.p_adjusted, answer.note)
    else:
        note = f"cannot say: {answer.reason}" + (f"; {answer.note}" if answer.note else "")
        found = (None, None, None, None, None, None, note)
    value, low, high, level, p_value, p_adjusted, note = found
    record = {
        "term": answer.term,
        "estimate": value,
        "conf_low": low,
        "conf_high": high,
        "level": level,
        "unit": answer.unit,
        "method": answer.method,
        "n": answer.n,
        "patients": answer.patients,
        "events": answer.events,
        "p_value": p_value,
        "p_adjusted": p_adjusted,
        "note": note,
    }
    return {key: plain(part) for key, part in record.items()}


def _basis(exhibit: Exhibit) -> str:
    """On how many records and patients a drawn exhibit rests, where it knows."""
    if isinstance(exhibit, Response | Cusum):
        unit = "zone" if isinstance(exhibit, Response) else "session"
        return (
            f"{wording.plural(exhibit.n, unit)} of {wording.plural(exhibit.patients, 'patient')}, "
            f"{wording.plural(exhibit.events, 'event')}."
        )
    if isinstance(exhibit, Curves):
        parts = [f"{c.label} {wording.count(c.n)} of {wording.count(c.patients)}" for c in exhibit.curves]
        return f"Zones of patients: {'; '.join(parts)}."
    return ""


def _block(block: Block, kind: str) -> dict[str, Any]:
    if isinstance(block, Shown):
        printed = is_on_paper(block.exhibit, kind)
        return {
            "kind": kind_of(block), **exhibit_data(block), "basis": _basis(block.exhibit), "printed": printed,
        }  # fmt: skip
    return {"kind": kind_of(block), **plain(block)}


def _section(section: Section, number: int, kind: str) -> dict[str, Any]:
    return {
        "key": section.key,
        "number": number,
        "title": section.title,
        "blocks": [_block(block, kind) for block in section.blocks],
    }


def _pointing(report: Report, entries: Sequence[Headline | Request]) -> list[dict[str, Any]]:
    return [{**plain(entry), "number": report.number_of(entry.section)} for entry in entries]


def verdicts_used(report: Report) -> tuple[str, ...]:
    """Verdict words that stand anywhere in the report, in their fixed order."""
    used = {h.verdict for h in (*report.headlines, *report.further)}
    if any(isinstance(answer, NotEstimable) for _, answers in report.estimates for answer in answers):
        used.add("cannot say")
    for shown in report.exhibits():
        if isinstance(shown.exhibit, Forest):
            used |= {row.verdict for row in shown.exhibit.rows}
        if isinstance(shown.exhibit, Funnel):
            used |= {point.verdict for point in shown.exhibit.points}
    return tuple(word for word, _ in texts.VERDICT_MEANINGS if word in used)


def report_data(report: Report) -> dict[str, Any]:
    """Return a report as plain data in a fixed order.

    Parameters
    ----------
    report : Report

    Returns
    -------
    dict
        Top-level ``rows_read``, ``rows_accepted`` and ``rows_refused`` count the zones; ``tables`` counts every
        table that was read.
    """
    zones = next((c for c in report.counts if c.table == "zones"), None)
    meanings = dict(texts.VERDICT_MEANINGS)
    sections = [_section(section, i, report.kind) for i, section in enumerate(report.sections, start=1)]
    number_exhibits(sections)
    halves = {shown.name for shown, width in figure_widths(report) if width < TEXT_MM}
    for block in (block for section in sections for block in section["blocks"] if block["kind"] == "shown"):
        block["half"] = block["name"] in halves
    return {
        "kind": report.kind,
        "heading": texts.HEADINGS[report.kind],
        "requests_heading": texts.REQUESTS_HEADINGS[report.kind],
        "title": report.title,
        "organisation": report.organisation,
        "scope": plain(report.scope),
        "rows_read": zones.rows_read if zones else 0,
        "rows_accepted": zones.rows_accepted if zones else 0,
        "rows_refused": zones.rows_refused if zones else 0,
        "tables": plain(report.counts),
        "volume": plain(report.volume),
        "summary": list(report.summary),
        "headlines": _pointing(report, report.headlines),
        "further": _pointing(report, report.further),
        "requests": _pointing(report, report.requests),
        "caution": report.caution,
        "how_to_read": list(texts.HOW_TO_READ),
        "glossary": [{"term": term, "meaning": meaning} for term, meaning in texts.GLOSSARY],
        "verdicts": [{"verdict": word, "meaning": meanings[word]} for word in verdicts_used(report)],
        "sections": sections,
        "estimates": {key: [tidy_record(a) for a in answers] for key, answers in report.estimates},
        "files": plain(report.files),
        "versions": {name: number for name, number in report.versions},
    }


def json_text(data: dict[str, Any]) -> str:
    """Strict JSON, the same text for the same data."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
