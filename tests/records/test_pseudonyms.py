"""Pseudonyms: the same in every export under one key, meaningless without one; the key and the ids never come out."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from outcomes.cli import cli
from outcomes.errors import ExportRejected, KeyRefused
from outcomes.protocol import Protocol
from outcomes.questions.ask import ask
from outcomes.questions.complications import complications
from outcomes.questions.healing import healing
from outcomes.records import pseudonyms as module
from outcomes.records.cases import Cases
from outcomes.records.load import check, load
from outcomes.records.pseudonyms import KEYED, NUMBERED, pseudonyms, read_key
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report.compose import compose
from outcomes.report.data import report_data

KEY = b"0123456789abcdef0123456789abcdef"
OTHER = b"fedcba9876543210fedcba9876543210"
HEADER = (
    "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes,"
    "last_seen_day,scarring"
)


def row(number: int, *, patient: str, session: str, energy: str = "12", day: int = 2) -> str:
    return f"R{number},{patient},{session},2026-03-{day:02d},DR-7,neck,II,{energy},5,1,120,no"


def export(folder: Path, *rows: str, name: str = "export.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


def clinic(key: bytes | None) -> Cases:
    files = clinic_files()
    tables = {name: files[name] for name in ("sessions", "layers", "visits")}
    return load(files["zones"], mapping=files["mapping"], key=key, **tables)


ROWS = (
    row(1, patient="K-0017", session="K-0017"),
    row(2, patient="K-0004", session="V-88", day=3),
    row(3, patient="K-0017", session="V-91", day=9),
)


def test_a_keyed_pseudonym_is_what_another_program_makes_of_the_same_key() -> None:
    """Values of: printf 'outcomes patient\\0K-0017' | openssl dgst -sha256 -hmac KEY (OpenSSL 3.0), first 16 digits."""
    assert pseudonyms(["K-0017"], "patient", KEY) == {"K-0017": "P49914dae5582dc09"}
    assert pseudonyms(["K-0017"], "session", KEY) == {"K-0017": "Saec8d3047c60a5f4"}


def test_without_a_key_patients_and_sessions_are_numbered_as_they_come(tmp_path: Path) -> None:
    cases = load(export(tmp_path, *ROWS))
    assert cases.zones["patient_id"].tolist() == ["P000001", "P000002", "P000001"]
    assert cases.zones["session_id"].tolist() == ["S000001", "S000002", "S000003"]
    assert NUMBERED in cases.source.notes
    assert KEYED not in cases.source.notes


def test_numbers_say_nothing_of_the_ids_and_do_not_mind_refused_rows(tmp_path: Path) -> None:
    plain = load(export(tmp_path, *ROWS))
    renamed = [line.replace("K-00", "someone-").replace("V-", "zz") for line in ROWS]
    refused = row(9, patient="K-9999", session="V-1", energy="")
    other = load(export(tmp_path, refused, *renamed, name="other.csv"))
    assert other.source.count("zones").rows_refused == 1
    unmoved = plain.zones.columns.drop("source_row")
    pd.testing.assert_frame_equal(plain.zones[unmoved], other.zones[unmoved])


def test_a_key_gives_a_patient_the_same_pseudonym_in_every_export(tmp_path: Path) -> None:
    first = load(export(tmp_path, *ROWS), key=KEY).zones.set_index("record_id")
    later = load(export(tmp_path, ROWS[2], ROWS[1], name="later.csv"), key=KEY).zones.set_index("record_id")
    assert first.loc[later.index, ["patient_id", "session_id"]].equals(later[["patient_id", "session_id"]])
    assert first["patient_id"].nunique() == 2
    foreign = load(export(tmp_path, *ROWS), key=OTHER).zones
    assert set(foreign["patient_id"]).isdisjoint(first["patient_id"])
    assert set(first["patient_id"].str[1:]).isdisjoint(first["session_id"].str[1:])  # the same text as both


@pytest.mark.parametrize("key", [None, KEY])
def test_the_record_and_the_practitioner_stay_and_every_table_fits_together(key: bytes | None) -> None:
    files = clinic_files()
    cases = clinic(key)
    raw = pd.read_csv(files["zones"], dtype=str, encoding="utf-8-sig")
    assert set(cases.zones["record_id"]) <= set(raw["Treatment ref"])
    assert set(cases.zones["practitioner_id"]) <= set(raw["Clinician"])
    said = pd.read_csv(files["sessions"], dtype=str, sep=None, engine="python", encoding="utf-8-sig")
    for frame in (cases.zones, cases.sessions, cases.layers, cases.visits):
        texts = frame.select_dtypes(["string"]).stack().unique()
        assert set(texts).isdisjoint(set(raw["Patient no"]) | set(raw["Episode no"]) | set(said["Episode no"]))
    sessions = cases.sessions.set_index("session_id")
    assert sessions.index.is_unique
    known = cases.zones["session_id"].isin(sessions.index)
    assert known.mean() > 0.95
    sites = sessions["site_id"].reindex(cases.zones.loc[known, "session_id"]).reset_index(drop=True)
    pd.testing.assert_series_equal(
        sites, cases.zones.loc[known, "site_id"].reset_index(drop=True), check_names=False, check_dtype=False
    )


def test_no_number_of_a_finding_moves_with_the_key() -> None:
    scope = Scope.quarter("2025Q4", date(2026, 3, 31))
    found = []
    for key in (None, KEY):
        cases = clinic(key).during(date(2025, 7, 1), date(2025, 12, 31))
        found.append([ask_one(cases, scope, Protocol()) for ask_one in (complications, healing)])
    assert any(len(finding.estimates) > 10 for finding in found[0])
    for plain, keyed in zip(*found, strict=True):
        assert (plain.says, plain.brief, plain.headlines) == (keyed.says, keyed.brief, keyed.headlines)
        for mine, theirs in zip(plain.estimates, keyed.estimates, strict=True):
            assert close(mine, theirs), mine


def close(mine: object, theirs: object) -> bool:
    """Whether two answers are the same but for the last digits, which the order of a sum may change."""
    names = ("term", "value", "low", "high", "n", "patients", "events", "p_value", "reason")
    pairs = [(getattr(mine, name, None), getattr(theirs, name, None)) for name in names]
    return type(mine) is type(theirs) and all(
        a == pytest.approx(b, rel=1e-9, abs=1e-12) if isinstance(a, float) else a == b for a, b in pairs
    )


@pytest.mark.slow
def test_no_word_of_the_whole_audit_moves_with_the_key() -> None:
    told = []
    for key in (None, KEY):
        cases = clinic(key)
        scope = Scope.quarter(None, cases.last_date)
        report = compose(ask(cases, scope, Protocol()), cases, scope, Protocol())
        told.append(repr(report_data(report)))
    assert NUMBERED in told[0]
    assert told[0].replace(NUMBERED, KEYED) == told[1]


def test_two_ids_of_one_pseudonym_refuse_the_export(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(module, "HEX_DIGITS", 1)
    rows = [row(i, patient=f"K{i}", session="V", day=2) for i in range(1, 18)]
    rows = [line.replace(",V,", f",V{i},") for i, line in enumerate(rows)]
    with pytest.raises(
        ExportRejected, match=r"Two patients would get the same pseudonym under this key\. Choose"
    ) as no:
        load(export(tmp_path, *rows), key=KEY)
    assert "K1" not in str(no.value)


# The key ------------------------------------------------------------------------------------------------------


def keyed_file(folder: Path, content: bytes) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "key.txt"
    path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    "content", [KEY, KEY + b"\n", KEY + b"\r\n", b"\xef\xbb\xbf" + KEY + b"\n"], ids=["bare", "lf", "crlf", "bom"]
)
def test_a_key_is_the_same_from_a_file_and_from_the_environment(tmp_path: Path, content: bytes) -> None:
    assert read_key(keyed_file(tmp_path, content), environment={}) == KEY
    assert read_key(None, environment={"OUTCOMES_KEY": KEY.decode() + "\n"}) == KEY
    assert read_key(keyed_file(tmp_path, content), environment={"OUTCOMES_KEY": OTHER.decode()}) == KEY
    assert read_key(None, environment={"OUTCOMES": OTHER.decode()}) is None


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "shorter than 32"),
        (KEY[:31], "shorter than 32"),
        (b"ab" * 40, "fewer than 8 different"),
        (KEY + b"\n" + KEY, "not one line"),
        (KEY[:20] + b" " + KEY[:20], "not one line"),
        (KEY.decode().encode("utf-16"), "not one line"),
        ("ä".encode() * 40, "not one line"),
        (KEY * 33, "longer than 1,024"),
    ],
)
def test_a_key_that_could_be_guessed_or_is_no_key_is_refused(tmp_path: Path, content: bytes, why: str) -> None:
    with pytest.raises(KeyRefused, match=why) as refused:
        read_key(keyed_file(tmp_path, content), environment={})
    shown = str(refused.value)
    assert KEY.decode()[:20] not in shown
    assert shown.count(". ") == 1
    assert shown.endswith(".")
    if b"\0" not in content:
        with pytest.raises(KeyRefused):
            read_key(None, environment={"OUTCOMES_KEY": content.decode("utf-8", "surrogateescape")})


@pytest.mark.parametrize("command", ["check", "audit"])
@pytest.mark.parametrize("place", ["out", "out/deeper", "linked"])
def test_a_key_stored_with_the_output_is_refused_and_left_alone(tmp_path: Path, command: str, place: str) -> None:
    path = export(tmp_path, *ROWS)
    out = tmp_path / "out"
    key = keyed_file(out if place == "linked" else tmp_path / place, KEY)
    given = out
    if place == "linked":
        given = tmp_path / "another name"
        given.symlink_to(out)
    done = CliRunner().invoke(cli, [command, str(path), "--key", str(key), "--out", str(given)])
    assert isinstance(done.exception, KeyRefused)
    assert "handed on with it" in done.exception.wrong
    assert key.read_bytes() == KEY
    assert [p for p in out.rglob("*") if p.is_file()] == [key]


def test_a_key_among_the_reports_is_refused_where_no_folder_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = export(tmp_path, *ROWS)
    key = keyed_file(tmp_path / "reports", KEY)
    done = CliRunner().invoke(cli, ["audit", str(path), "--key", str(key)])
    assert isinstance(done.exception, KeyRefused)


def test_the_key_is_never_written_or_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = export(tmp_path, *ROWS, row(4, patient="K-5", session="V-5", energy="much"))
    key = keyed_file(tmp_path / "safe", KEY)
    out = tmp_path / "out"
    for given, variable in ((["--key", str(key)], None), ([], KEY.decode())):
        if variable is not None:
            monkeypatch.setenv("OUTCOMES_KEY", variable)
        done = CliRunner().invoke(cli, ["check", str(path), "--out", str(out), *given])
        assert done.exit_code == 0, done.output
        assert "made with the clinic's key" in done.output
        written = [p.read_bytes() for p in out.rglob("*") if p.is_file()]
        assert len(written) == 2
        for text in (done.output.encode(), *written):
            assert KEY not in text
            assert KEY[:8] not in text
            assert b"K-0017" not in text
    monkeypatch.setenv("OUTCOMES_KEY", "short")
    done = CliRunner().invoke(cli, ["check", str(path)])
    assert isinstance(done.exception, KeyRefused)
    assert "in OUTCOMES_KEY is shorter" in done.exception.wrong


def test_a_faulty_row_is_judged_by_the_ids_of_the_export(tmp_path: Path) -> None:
    """A session of two patients is found whatever their pseudonyms."""
    rows = [row(1, patient="A1", session="V"), row(2, patient="A2", session="V"), row(3, patient="A3", session="W")]
    for key in (None, KEY):
        checked = check(export(tmp_path, *rows), key=key)
        assert [(p.row, p.kind) for p in checked.problems] == [
            (2, "session_of_two_patients"),
            (3, "session_of_two_patients"),
        ]
