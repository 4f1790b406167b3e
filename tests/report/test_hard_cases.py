"""Clinics that are hard to report: the whole audit is asked and typeset; the first page is one page, nothing is cut."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pypdf import PdfReader

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


def _one_practitioner(zones: pd.DataFrame) -> pd.DataFrame:
    return zones.assign(Clinician="ANN")


def _sixty_practitioners(zones: pd.DataFrame) -> pd.DataFrame:
    patients = zones["Patient no"].astype("category").cat.codes
    return zones.assign(Clinician=[f"P{code % 60:02d}" for code in patients])


CASES: dict[str, tuple[Callable[[pd.DataFrame], pd.DataFrame], set[str]]] = {
    "forty zones": (lambda zones: zones.tail(40), _DEFAULT),
    "twelve zones": (lambda zones: zones.tail(12), _DEFAULT),
    "one practitioner": (_one_practitioner, _DEFAULT),
    "sixty practitioners": (_sixty_practitioners, _DEFAULT),
    "no visits": (lambda zones: zones, _DEFAULT - {"visits"}),
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
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(written.pdf.read_bytes())).pages]
    first = "".join(pages[0].split()).replace("-", "")
    assert "".join(FIRST_PAGE_CAUTION.split()).replace("-", "") in first
    assert "Keyfindings" in first
    assert "Howtoreadthisreport" in "".join(pages[1].split())
    assert all(len(page.split()) > 30 for page in pages)  # no page is empty but for its head and foot
