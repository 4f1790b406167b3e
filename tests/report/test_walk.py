"""The whole sample report, sentence by sentence: each number it says is in its data; the PDF prints none of its own."""

from __future__ import annotations

import io
import json
import re
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from test_sentences import _NO_SENTENCES, FORBIDDEN
from walked import NOT_OF_THE_RECORDS, OF_A_PRACTITIONER, known_to, known_to_all, numbers_in, sentences, texts_in

from outcomes.questions.ask import ask
from outcomes.questions.benchmark import BENCHMARK
from outcomes.questions.benchmark_peers import own_scope
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report.benchmark import compose_benchmark
from outcomes.report.data import json_text, report_data
from outcomes.report.paper import on_paper
from outcomes.report.typeset import compile_pdf

SAMPLE = Path(__file__).parents[2] / "reports" / "sample"
CHECKED = ("says", "title", "note", "reading", "basis", "alt")
COUNTED = "Left out, and why"

Data = dict[str, Any]


@pytest.fixture(scope="module")
def sample() -> Data:
    """The committed report of the invented clinic, which the README's command makes again byte for byte."""
    return json.loads((SAMPLE / "report.json").read_text(encoding="utf-8"))


def _missing(data: Data) -> list[tuple[str, str, str]]:
    """Section, number and sentence of every number that a section says and its own data do not hold."""
    everywhere = known_to_all(data)
    found = []
    for section in data["sections"]:
        if section["key"] in data["estimates"]:
            known = known_to(section, data) | everywhere
            for kind, text in sentences(section):
                if kind in CHECKED:
                    found += [(section["key"], n, text) for n in numbers_in(text) if n not in known]
    return found


def _missing_on_first_page(data: Data) -> list[tuple[str, str]]:
    known = known_to_all(data).union(*(known_to(section, data) for section in data["sections"]))
    said = [*data["summary"], *(e["text"] for name in ("headlines", "further", "requests") for e in data[name])]
    return [(n, text) for text in said for n in numbers_in(text) if n not in known]


def _forbidden(data: Data) -> list[tuple[str, str]]:
    texts = list(texts_in(on_paper(data), skip=_NO_SENTENCES))
    return [(pattern, text) for pattern in FORBIDDEN for text in texts if re.search(pattern, text)]


def test_each_number_that_a_section_says_is_in_its_own_data(sample: Data) -> None:
    said = [
        n for s in sample["sections"] if s["key"] in sample["estimates"] for _, t in sentences(s) for n in numbers_in(t)
    ]
    assert len(said) > 500
    assert _missing(sample) == []


def test_each_number_of_the_first_page_is_in_the_data_of_a_section(sample: Data) -> None:
    assert _missing_on_first_page(sample) == []


def test_records_left_out_are_no_more_than_were_read(sample: Data) -> None:
    most = max(t["rows_accepted"] for t in sample["tables"])
    counts = [n for s in sample["sections"] for kind, text in sentences(s) if kind == COUNTED for n in numbers_in(text)]
    assert len(counts) > 40
    assert all(re.fullmatch(r"[\d,]+", n) and int(n.replace(",", "")) <= most for n in counts)


def test_the_same_records_left_out_are_the_same_number_wherever_it_is_said(sample: Data) -> None:
    """Zones too young for an outcome, and first treatments with it known, are counted alike by each question."""
    told: dict[tuple[str, str], set[str]] = {}
    for section in sample["sections"]:
        for kind, text in sentences(section):
            outcome = text.partition(":")[0]
            if kind == COUNTED:
                for n, words in re.findall(r"([\d,]+) (zones treated too recently|later treatments)", text):
                    told.setdefault((outcome, words), set()).add(n)
    assert len(told) >= 6
    assert {key: found for key, found in told.items() if len(found) > 1} == {}


def test_what_is_not_yet_mature_is_what_was_left_out(sample: Data) -> None:
    trend = next(s for s in sample["sections"] if s["key"] == "trend")
    said = {
        n for kind, text in sentences(trend) if kind == "says" for n in re.findall(r"([\d,]+) not yet mature", text)
    }
    left = {n for kind, text in sentences(trend) if kind == COUNTED for n in re.findall(r": ([\d,]+) zones", text)}
    assert len(said) >= 2
    assert said <= left


def test_no_forbidden_sentence_is_printed_in_the_whole_report(sample: Data) -> None:
    assert _forbidden(sample) == []


def test_the_walk_finds_a_number_that_is_not_in_the_data(sample: Data) -> None:
    """A check that cannot fail is none: one changed digit is found, in a section and on the first page."""
    changed = json.loads(json.dumps(sample))
    section = next(s for s in changed["sections"] if s["key"] == "complications")
    section["blocks"][0]["paragraphs"][0] += " It was 37.91 % (95 % CI 36.44 to 39.58)."
    changed["summary"][2] += " It was 37.91 %."
    assert {n for _, n, _ in _missing(changed)} == {"37.91", "36.44", "39.58"}
    assert [n for n, _ in _missing_on_first_page(changed)] == ["37.91"]


def test_each_exception_is_used_by_the_report(sample: Data) -> None:
    text = "\n".join(texts_in(sample))
    assert [pattern for pattern in NOT_OF_THE_RECORDS if not re.search(pattern, text, re.MULTILINE)] == []


def test_the_pdf_prints_no_number_that_is_not_in_the_report(sample: Data) -> None:
    """Numbers with a decimal point or a thousand, read back from the pages, are numbers of report.json."""
    pictures = {f"figures/{path.name}": path.read_text("utf-8") for path in sorted((SAMPLE / "figures").glob("*.svg"))}
    pdf = compile_pdf(sample, pictures, date.fromisoformat(sample["scope"]["as_of"]))
    pages = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    pattern = re.compile(r"(?<![\w.,])\d{1,3}(?:,\d{3})+(?![\d,])|(?<![\w.,;:–/-])\d+\.\d+(?![\w./])")
    held = set(pattern.findall("\n".join(texts_in(sample)))) | {t for t in texts_in(sample)}
    ticks = {word for svg in pictures.values() for word in re.findall(r">([^<>]+)</text>", svg)}
    formulas = (files("outcomes.report") / "templates" / "formulas.typ").read_text("utf-8")
    printed = set(pattern.findall(pages)) - set(pattern.findall(formulas))
    assert len(printed) > 300
    assert printed - held - ticks == set()


@pytest.mark.slow
def test_each_number_of_a_practitioners_own_report_is_in_its_data() -> None:
    export = clinic_files()
    cases = load(export["zones"], **{n: export[n] for n in ("sessions", "layers", "visits", "mapping")})
    scope = own_scope(cases, Scope.quarter(None, cases.last_date), "MVS")
    findings = ask(cases, scope, questions=BENCHMARK)
    data = json.loads(json_text(report_data(compose_benchmark(findings, cases, scope))))
    assert _missing(data) == []
    assert _missing_on_first_page(data) == []
    assert _forbidden(data) == []
    text = "\n".join(texts_in(data))
    assert [pattern for pattern in OF_A_PRACTITIONER if not re.search(pattern, text)] == []
