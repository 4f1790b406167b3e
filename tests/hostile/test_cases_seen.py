"""Faults seen in the wild, with their right values by hand, through the command line: check says them, audit obeys."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from outcomes.cli import cli
from outcomes.errors import OutcomesError
from outcomes.records.cases import Cases
from outcomes.records.load import load

BASE = {
    "record_id": '"case_id"', "patient_id": '"case_id"', "session_id": '"case_id"', "treated_on": '{value = "2024-01-10"}',
    "practitioner_id": '{value = "A"}', "zone": '{value = "neck"}', "skin_type": '{value = "II"}',
    "pulse_energy_mj": '{value = "12"}', "density_pct": '{value = "5"}', "passes": '{value = "1"}',
}  # fmt: skip


def rules(head: str = "", tail: str = "", **columns: str) -> str:
    lines = [f"{name} = {entry}" for name, entry in {**BASE, **columns}.items()]
    return "\n".join([head, "[zones.columns]", *lines, tail]) + "\n"


def workbook(rows: list[list[object]], *, mac: bool = False) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        book = openpyxl.Workbook()
        if mac:
            book.epoch = CALENDAR_MAC_1904
        sheet = book.active
        assert sheet is not None
        for row in rows:
            sheet.append(row)
        book.save(path)

    return write


def text(content: str | bytes) -> Callable[[Path], None]:
    data = content if isinstance(content, bytes) else content.encode()
    return lambda path: Path(path).write_bytes(data) and None


def instants(path: Path) -> None:
    utc = pa.timestamp("us", tz="UTC")
    treated = [
        datetime(2024, 3, 29, 23),
        datetime(2024, 3, 31, 22),
        datetime(2024, 10, 24, 22),
        datetime(2024, 6, 10, 21, 30),
    ]
    seen = [datetime(2024, 4, 5, 22), datetime(2024, 4, 14, 22), datetime(2024, 10, 31, 23), datetime(2024, 6, 17, 6)]
    pq.write_table(
        pa.table(
            {
                "case_id": ["K1", "K2", "K3", "K4"],
                "treat_ts": pa.array(treated, pa.timestamp("us")).cast(utc),
                "followup_ts": pa.array(seen, pa.timestamp("us")).cast(utc),
            }
        ),
        path,
    )


def days(cases: Cases, column: str = "treated_on") -> list[str]:
    return cases.zones[column].dt.strftime("%m-%d").tolist()


@dataclass(frozen=True)
class Case:
    """An input, its mapping, what the check must print, and what the accepted records must hold."""

    name: str
    suffix: str
    write: Callable[[Path], None]
    mapping: str
    says: tuple[str, ...]
    read: int
    refused: int = 0
    holds: Callable[[Cases], bool] | None = None
    silent: tuple[str, ...] = field(default=())


SEEN = '{from = "followup_date", unit = "date"}'
SERIALS: list[list[object]] = [
    ["case_id", "treat_date", "followup_date"], ["K1", date(2024, 3, 5), date(2024, 3, 19)], ["K2", 43894, 43908],
    ["K3", "2024-03-05", "2024-03-19"],
]  # fmt: skip
SWAPPED: list[list[object]] = [
    ["case_id", "treat_date"], ["K1", date(2024, 5, 3)], ["K2", "25/03/2024"], ["K3", date(2024, 11, 3)],
    ["K4", "28/03/2024"], ["K5", date(2024, 2, 4)], ["K6", "17/04/2024"],
]  # fmt: skip
FORMULAS: list[list[object]] = [
    ["case_id", "pulse_energy_mj", "pulses", "total_energy_mj"], ["K1", 10, 120, "=B2*C2"], ["K2", 12, 100, "=B3*C3"],
    ["K3", 9, 150, "=B4*C4"], ["K4", 11, 90, "=B5*C5"],
]  # fmt: skip
STRAY = b"\xef\xbb\xbfpatient_id,zone,note\nP01,cheek,energy 900 \xb5J\nP02,brow,M\xc3\xbcller\nP03,chin,ok\n"
IDS = (
    "patient_id,device_serial,energy_mj\n00123,90071992547409931,10\n0123,90071992547409932,11\n"
    "123,90071992547409933,12\n00123,90071992547409931,13\n,90071992547409934,14\n0123,,15\n"
)
ANSWERS = "case_id,complication\nK1,yes\nK2,No\nK3,Y\nK4,0\nK5,1\nK6,FALSE\nK7,\nK8,n\nK9,unknown\nK10,TRUE\nK11,0.0\nK12,nein\n"
LATE = (
    "case_id,treat_date,followup_date,note\nK1,2024-03-05,2024-03-12,a\nK2,2024-03-06,2024-03-01,\n"
    "K3,2024-03-07,,lost\nK4,2024-03-08,,\nK5,2024-03-09,2024-03-30,\nK6,2024-03-10,2024-03-02,c\n"
)
STACKED = (
    "part,row_in_part,case_id,energy_mj,complication\nA,0,K1,12,0\nA,1,K2,-5,1\nA,2,K3,14,0\nB,0,K4,11,1\n"
    "B,1,K5,15,1\nB,2,K6,13,0\n"
)
NOTE = '[drop]\ncolumns = ["note"]\n'
PATIENT = {"record_id": '"patient_id"', "patient_id": '"patient_id"', "session_id": '"patient_id"'}
BROW = {**PATIENT, "zone": '{from = "zone", codes = {brow = "forehead"}}'}

TAKEN = (
    Case(
        "days counted from 1904", "xlsx", workbook(SERIALS, mac=True),
        rules(treated_on='"treat_date"', last_seen_day=SEEN), ("dates count from 1904",), 3,
        holds=lambda c: days(c) == ["03-05"] * 3 and c.zones["last_seen_day"].tolist() == [14] * 3,
    ),
    Case(
        "half swapped, confirmed", "xlsx", workbook(SWAPPED),
        rules('[file]\ndate_cells = "swapped"', treated_on='"treat_date"'), ("swapped back, as confirmed",), 6,
        holds=lambda c: days(c) == ["03-05", "03-25", "03-11", "03-28", "04-02", "04-17"],
    ),
    Case(
        "mark and stray byte", "csv", text(STRAY), rules(tail=NOTE, **BROW),
        ("by its byte-order mark", "cannot be decoded in dropped columns (row 2)"), 3,
        holds=lambda c: c.zones["zone"].tolist() == ["cheek", "forehead", "chin"],
    ),
    Case(
        "leading zeros and long ids", "csv", text(IDS),
        rules(record_id='"energy_mj"', session_id='"energy_mj"', patient_id='"patient_id"', device_id='"device_serial"',
              pulse_energy_mj='"energy_mj"'),
        ("column patient_id (row 6): Must be given.",), 6, 1,
        holds=lambda c: c.zones["patient_id"].nunique() == 3
        and c.zones["device_id"].dropna().unique().tolist() == [f"9007199254740993{i}" for i in (1, 2, 3)],
    ),
    Case(
        "formulas in a dropped column", "xlsx", workbook(FORMULAS),
        rules(tail='[drop]\ncolumns = ["total_energy_mj"]', pulse_energy_mj='"pulse_energy_mj"'), (), 4,
        holds=lambda c: c.zones["pulse_energy_mj"].tolist() == [10, 12, 9, 11],
        silent=("their stored results were taken",),
    ),
    Case(
        "yes and no", "csv", text(ANSWERS), rules(scarring='"complication"', last_seen_day='{value = "120"}'),
        ("column complication (rows 10 and 13): Must say yes or no",), 12, 2,
        holds=lambda c: (c.zones["scarring"].sum(), c.zones["scarring"].count()) == (4, 9),
    ),
    Case(
        "yes and no in a declared language", "csv", text(ANSWERS),
        rules('[file]\nno = ["nein"]', scarring='"complication"', last_seen_day='{value = "120"}'),
        ("column complication (row 10)", "the mapping's own words"), 12, 1,
        holds=lambda c: (c.zones["scarring"].sum(), c.zones["scarring"].count()) == (4, 10),
    ),
    Case(
        "missing follow-up", "csv", text(LATE), rules(tail=NOTE, treated_on='"treat_date"', last_seen_day=SEEN),
        ("column followup_date (rows 3 and 7): Lies before the day of treatment",), 6, 2,
        holds=lambda c: c.zones["record_id"].tolist() == ["K1", "K3", "K4", "K5"]
        and c.zones["last_seen_day"].isna().tolist() == [False, True, True, False],
    ),
    Case(
        "stacked exports", "csv", text(STACKED),
        rules(pulse_energy_mj='"energy_mj"', scarring='"complication"', last_seen_day='{value = "120"}'),
        ("column energy_mj (row 3): Must lie between 1 and 1,000 mJ",), 6, 1,
        holds=lambda c: c.zones["record_id"].tolist() == ["K1", "K3", "K4", "K5", "K6"] and c.zones["scarring"].mean() == 0.4,
    ),
    Case(
        "instants of Paris", "parquet", instants,
        rules('[file]\ntime_zone = "Europe/Paris"', treated_on='"treat_ts"', last_seen_day='{from = "followup_ts", unit = "date"}'),
        ("instants turned into calendar days of Europe/Paris (2 columns)",), 4,
        holds=lambda c: days(c) == ["03-30", "04-01", "10-25", "06-10"]
        and c.zones["last_seen_day"].tolist() == [7, 14, 7, 7],
    ),
)  # fmt: skip

REFUSED = (
    Case(
        "half swapped", "xlsx", workbook(SWAPPED), rules(treated_on='"treat_date"'),
        ("3 date cells with a day up to 12 and none above, and 3 text cells", 'date_cells = "swapped"'), 6,
    ),
    Case(
        "half swapped, order declared", "xlsx", workbook(SWAPPED),
        rules('[file]\ndate_format = "dd/mm/yyyy"', treated_on='"treat_date"'), ("3 date cells with a day up to 12",), 6,
    ),
    Case("a note that nobody dropped", "csv", text(STRAY), rules(**BROW), ("column note: Announces free text",), 3),
    Case(
        "formulas without result", "xlsx", workbook(FORMULAS), rules(pulse_energy_mj='"pulse_energy_mj"'),
        ("formula cells have no stored result: D2:D5",), 0,
    ),
    Case(
        "a header twice", "csv",
        text("case_id,energy_mj,passes,energy_mj,complication\nK1,12,2,18,0\nK2,14,1,14,1\nK3,10,2,,0\nK4,11,3,16,0\n"),
        rules(pulse_energy_mj='"energy_mj"', passes='"passes"', scarring='"complication"'),
        ("disagree in rows 2 and 5; only one of them is filled in row 4",), 0,
    ),
    Case(
        "instants of nowhere", "parquet", instants,
        rules(treated_on='"treat_ts"', last_seen_day='{from = "followup_ts", unit = "date"}'),
        ("column treat_ts: Holds instants with a time zone", "column followup_ts: Holds instants"), 4,
    ),
)  # fmt: skip


def files(case: Case, folder: Path) -> tuple[Path, Path]:
    export, mapping = folder / f"export.{case.suffix}", folder / "mapping.toml"
    case.write(export)
    mapping.write_text(case.mapping, encoding="utf-8")
    return export, mapping


def outcomes(*arguments: object) -> subprocess.CompletedProcess[str]:
    root = Path(__file__).parents[2]
    return subprocess.run(
        [sys.executable, "-m", "outcomes.cli", *map(str, arguments)],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip


@pytest.mark.parametrize("case", TAKEN, ids=lambda case: case.name)
def test_a_check_says_what_was_made_of_it(tmp_path: Path, case: Case) -> None:
    export, mapping = files(case, tmp_path)
    done = CliRunner().invoke(cli, ["check", str(export), "--mapping", str(mapping), "--quiet"])
    assert done.exit_code == 0, done.output
    assert f"zones: {case.read} rows read, {case.read - case.refused} accepted, {case.refused} refused." in done.output
    for words in case.says:
        assert words.lower() in done.output.lower()
    for words in case.silent:
        assert words not in done.output
    assert case.holds is not None
    assert case.holds(load(export, mapping=mapping))


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: case.name)
def test_a_check_and_an_audit_refuse_it_and_say_why(tmp_path: Path, case: Case) -> None:
    export, mapping = files(case, tmp_path)
    done = CliRunner().invoke(cli, ["check", str(export), "--mapping", str(mapping), "--quiet"])
    assert done.exit_code == 1
    assert " accepted" not in done.output
    for words in case.says:
        assert words.lower() in done.output.lower()
    assert (f"zones: {case.read} rows read, none used" if case.read else "zones: no row was read.") in done.output
    refused = CliRunner().invoke(cli, ["audit", str(export), "--mapping", str(mapping), "--out", str(tmp_path / "out")])
    assert isinstance(refused.exception, OutcomesError)
    assert any(words.rpartition(": ")[2].lower() in str(refused.exception).lower() for words in case.says)
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.parametrize("case", TAKEN, ids=lambda case: case.name)
def test_an_audit_counts_what_the_check_counted(tmp_path: Path, case: Case) -> None:
    export, mapping = files(case, tmp_path)
    done = outcomes("audit", export, "--mapping", mapping, "--out", tmp_path / "out", "--quiet")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert (report["rows_read"], report["rows_refused"]) == (case.read, case.refused)
    assert len(pd.read_csv(tmp_path / "out" / "refused.csv")) == case.refused
    for words in case.says:
        if "(row" not in words:
            assert words.lower() in json.dumps(report, ensure_ascii=False).lower()
