"""Clinics that are hard to report: the whole audit is asked and typeset; the first page is one page, nothing is cut."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pypdf import PdfReader
from test_pages import Rendered, headings_left_alone, pieces, pieces_off_the_page

from outcomes.protocol import Protocol
from outcomes.questions.ask import ask
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report.compose import compose
from outcomes.report.texts import FIRST_PAGE_CAUTION
from outcomes.report.typeset import typeset

pytestmark = pytest.mark.slow

_HOSTILE = 'Clinic *A* & #b "q" <i>x</i> ' + "w" * 80 + " \u0645\u0631\u062d\u0628\u0627 \u60a3"
_DEFAULT = {"visits", "sessions", "layers", "mapping"}
_REQUIRED = {
    "Treatment ref", "Patient no", "Episode no", "Date treated", "Clinician", "Zone", "Skin type", "Energy (mJ)",
    "Density", "Passes", "Machine",
}  # fmt: skip
_PEOPLE = (
    '<b>Ann</b> & "Co"', '=HYPERLINK("x")', "\u0645\u0631\u064a\u0636 \u062f\u0643\u062a\u0648\u0631", "w" * 80,
    "\u60a3\u8005 \U0001f600", '#panic("boom") $x$ @ref *b*',
)  # fmt: skip


def _one_practitioner(zones: pd.DataFrame) -> pd.DataFrame:
    return zones.assign(Clinician="ANN")


def _sixty_practitioners(zones: pd.DataFrame) -> pd.DataFrame:
    patients = zones["Patient no"].astype("category").cat.codes
    return zones.assign(Clinician=[f"P{code % 60:02d}" for code in patients])


def _hostile_names(zones: pd.DataFrame) -> pd.DataFrame:
    """Six of the names that break pages, and markup in every free field that is read as text."""
    people = sorted(zones["Clinician"].unique())
    named = {who: _PEOPLE[i % len(_PEOPLE)] for i, who in enumerate(people)}
    return zones.assign(Clinician=zones["Clinician"].map(named)).tail(1500)


def _required_only(zones: pd.DataFrame) -> pd.DataFrame:
    """All but the required columns, and the device that tells an index of density from per cent, are empty."""
    return zones.assign(**{column: "" for column in zones.columns if column not in _REQUIRED})


CASES: dict[str, tuple[Callable[[pd.DataFrame], pd.DataFrame], set[str]]] = {
    "forty zones": (lambda zones: zones.tail(40), _DEFAULT),
    "twelve zones": (lambda zones: zones.tail(12), _DEFAULT),
    "one practitioner": (_one_practitioner, _DEFAULT),
    "sixty practitioners": (_sixty_practitioners, _DEFAULT),
    "no visits": (lambda zones: zones, _DEFAULT - {"visits"}),
    "required columns only": (_required_only, {"mapping"}),
    "hostile names": (_hostile_names, _DEFAULT),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_hard_clinic_is_reported_whole(name: str, paper: str, tmp_path: Path) -> None:
    change, tables = CASES[name]
    files = clinic_files()
    export = tmp_path / "zones.csv"
    change(pd.read_csv(files["zones"], dtype=str, encoding="utf-8-sig", keep_default_na=False)).to_csv(
        export, index=False
    )
    read = load(export, **{table: files[table] for table in tables})
    scope = Scope.quarter("2026Q3", read.last_date)
    protocol = replace(Protocol(), title=_HOSTILE, organisation=_HOSTILE)
    report = compose(ask(read, scope, protocol), read, scope, protocol)
    written = typeset(report, tmp_path / "out", paper=paper, html=True, workbook=True)
    reader = PdfReader(io.BytesIO(written.pdf.read_bytes()))
    pages = [page.extract_text() for page in reader.pages]
    first = "".join(pages[0].split()).replace("-", "")
    assert "".join(FIRST_PAGE_CAUTION.split()).replace("-", "") in first
    assert "Keyfindings" in first
    assert "Howtoreadthisreport" in "".join(pages[1].split())
    assert all(len(page.split()) > 30 for page in pages)  # no page is empty but for its head and foot
    box = reader.pages[0].mediabox
    rendered = Rendered(reader, float(box.width), float(box.height), tuple(map(pieces, reader.pages)))
    for number in range(1, len(pages) + 1):
        assert headings_left_alone(rendered, number) == []
        assert pieces_off_the_page(rendered, number) == []
