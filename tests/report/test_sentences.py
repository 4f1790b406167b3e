"""Every sentence of a generated report: its numbers are in report.json, and none of the forbidden ones is printed."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
import sample_findings as sample
from sample_cases import SCOPE, cases

from outcomes import wording
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.questions.ask import ask
from outcomes.questions.case_mix import case_mix
from outcomes.questions.comfort import comfort
from outcomes.questions.completeness import completeness
from outcomes.questions.settings_in_use import settings_in_use
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report import texts
from outcomes.report.compose import compose
from outcomes.report.data import json_text, report_data
from outcomes.report.paper import on_paper

FORBIDDEN = {
    # what is never printed: what is printed instead
    r"no risk": "none recorded, with the upper limit that the records are compatible with",
    r"significant": "associated, or an interval that leaves out no difference",
    r"\b(is|are|was|were) safe\b": "none recorded among so many",
    r"caus(ed|es) by|\bcaused\b": "went with, associated with",
    r"trend(s|ed|ing)? towards": "not shown, with the interval",
    r"\bproves?\b|\bproven\b": "shows, or is compatible with",
    r"outlier|\bworst\b(?! case)": "outside limits",
    r"(?<![\d.,])0\.0+ %": "0 %, or under 0.01 %",
    r"\bp (=|of) 0(\.0+)?(?![\d.])": "p under 0.001",
    r"\bnan\b|\binf\b|\bNone\b(?! (was|were|is|are|of|has|have|recorded)\b)": "cannot say, with its reason",
    r"[-−]0(\.0+)?(?![\d.])(?! to)": "0.0 without a sign",
    r"(?<![\d,./])1 (zones|patients|sessions|events|records|rows|visits|practitioners)\b": "1 zone",
    r"\bcannot say[.;,]|(?<=.)\bcannot say$": "cannot say: its reason",
}  # fmt: skip

_NUMBER = re.compile(r"(?<![\w.,])[−]?\d[\d,]*(?:\.\d+)?")
_NOT_OF_THE_RECORDS = (
    re.compile(r"\d{4}Q[1-4](?:–\d{4}Q[1-4])?"),  # names of quarters
    re.compile(r"\b(?:19|20)\d\d(?:;[\d:()–]+)?"),  # years, and the volume and pages after them
    re.compile(r"95 % CI"),
)


@pytest.fixture(scope="module")
def clinic() -> dict[str, Any]:
    """The report of four quick questions on the whole invented clinic, as the page prints it."""
    files = clinic_files()
    read = load(files["zones"], **{n: files[n] for n in ("sessions", "layers", "visits", "mapping")})
    scope = Scope.quarter(None, read.last_date)
    findings = ask(read, scope, questions=(comfort, case_mix, settings_in_use, completeness))
    return json.loads(json_text(report_data(compose(findings, read, scope))))


@pytest.fixture(scope="module")
def invented() -> dict[str, Any]:
    return json.loads(json_text(report_data(compose(sample.findings(), cases(), SCOPE))))


def _texts(value: Any, skip: tuple[str, ...] = ()) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, part in value.items():
            if key not in skip:
                yield from _texts(part, skip)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part, skip)


def _numbers(text: str) -> set[str]:
    for known in _NOT_OF_THE_RECORDS:
        text = known.sub(" ", text)
    return {n.rstrip(",") for n in _NUMBER.findall(text)}


def _known(data: dict[str, Any]) -> set[str]:
    """Every number that report.json holds outside of sentences, as the wording room prints it."""
    known: set[str] = set()
    for answers in data["estimates"].values():
        for a in answers:
            counts = [a[k] for k in ("n", "patients", "events") if a[k] is not None]
            known |= {wording.count(int(n)) for n in counts}
            values = [a[k] for k in ("estimate", "conf_low", "conf_high") if a[k] is not None]
            for v in values:
                known |= {wording.value_text(v, a["unit"]), wording.percent(abs(v), sign=False), wording.points(v)}
                known |= {wording.points(abs(v)), wording.value_text(abs(v), a["unit"])}
    for section in data["sections"]:
        for block in section["blocks"]:
            if block["kind"] == "shown":
                for text in _texts(block.get("rows", [])):
                    known |= _numbers(text)
            for head, parts in block.get("margin", []):
                if head == "Rests on":  # denominators
                    known |= set().union(*map(_numbers, parts))
    for count in data["tables"]:
        known |= {wording.count(count[k]) for k in ("rows_read", "rows_accepted", "rows_refused")}
    for key in ("rows_read", "rows_accepted", "rows_refused"):
        known.add(wording.count(sum(t[key] for t in data["tables"])))
    return known


def _answers(data: dict[str, Any]) -> Iterator[str]:
    """What the report claims: summary, key findings and what each section says."""
    yield from data["summary"]
    yield from (h["text"] for h in (*data["headlines"], *data["further"]))
    for section in data["sections"]:
        if section["key"] in data["estimates"]:
            yield from (p for b in section["blocks"] if b["kind"] == "prose" for p in b["paragraphs"])


def test_numbers_that_a_report_claims_are_in_its_data(clinic: dict[str, Any]) -> None:
    known = _known(clinic)
    volume = {n for v in clinic["volume"] for n in _numbers(v["value"])}
    of_the_protocol = {"5", "10", "7", "30", "90", "150", "180"}  # scale of pain, one step of energy, days of follow-up
    said = [(n, text) for text in _answers(clinic) for n in _numbers(text)]
    assert len(said) > 40
    missing = [(n, text) for n, text in said if n not in known | volume | of_the_protocol]
    assert missing == []


_NO_SENTENCES = ("numbers", "files", "versions", "written", "headers", "name", "as_table", "verdict", "verdicts")


@pytest.mark.parametrize("pattern", FORBIDDEN)
def test_no_forbidden_sentence_is_printed(pattern: str, clinic: dict[str, Any], invented: dict[str, Any]) -> None:
    for data in (clinic, invented):
        for text in _texts(on_paper(data), skip=_NO_SENTENCES):
            assert not re.search(pattern, text), f"{text!r}: print {FORBIDDEN[pattern]}"
    for text in (*texts.CAUTIONS, *texts.LIMITS, *texts.HOW_TO_READ, *(m for _, m in texts.VERDICT_MEANINGS)):
        assert not re.search(pattern, text), text


def test_each_forbidden_pattern_finds_what_it_forbids() -> None:
    examples = (
        "There is no risk.", "A significant rise.", "It is safe.", "This was caused by heat.", "A trend towards more.",
        "It proves that.", "One outlier.", "0.0 % of zones", "p = 0", "nan", "−0.0", "1 zones", "We cannot say.",
    )  # fmt: skip
    for pattern, example in zip(FORBIDDEN, examples, strict=True):
        assert re.search(pattern, example), example


def test_cannot_say_is_always_worded_with_its_reason() -> None:
    silent = NotEstimable("a", "no cases in 2026Q3", n=0)
    assert wording.estimate_text(silent) == "cannot say (no cases in 2026Q3)"
    assert wording.plain_estimate(silent) == "cannot say (no cases in 2026Q3)"


def test_what_the_wording_room_prints_of_the_smallest_numbers() -> None:
    rare = Estimate("a", 1e-7, 1e-9, 1e-6, "m", 9, unit="proportion")
    printed = (
        wording.percent(1e-7), wording.p_value(0.0), wording.decimal(-0.001, 1), wording.points(-1e-9), wording.plural(1, "zone"),
        wording.estimate_text(rare), wording.frequency_text(rare),
    )  # fmt: skip
    assert printed[:5] == ("under 0.01 %", "under 0.001", "0.0", "0.0", "1 zone")
    for text in printed[5:]:
        assert not any(re.search(pattern, text) for pattern in FORBIDDEN), text
