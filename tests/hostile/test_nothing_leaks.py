"""Marks planted in every cell of an export, searched for in all that the commands print and write.

What is looked for: ids of records, patients and sessions, texts of unused, dropped, coded and faulty cells, exact
days of treatment, the folder that the export lies in. Headers may be told, and in errors the name of the file.
"""

from __future__ import annotations

import base64
import io
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from openpyxl import Workbook
from pypdf import PdfReader
from pypdf.generic import StreamObject

from outcomes.cli import cli
from outcomes.records.contract import CONTRACT, Column

MARK = "kanari"
ZONES = 48
FIRST = date(2026, 1, 5)


LABELS = {"practitioner_id": "Quux", "device_id": "Dvc", "site_id": "Ste"}


def days() -> list[date]:
    return [FIRST + timedelta(days=i) for i in range(ZONES)]


def cell(column: Column, i: int) -> str:
    """A good cell that bears a mark wherever the contract lets it."""
    if column.kind == "id":
        shared = {"patient_id": i // 2, "session_id": i // 2, "practitioner_id": i % 3, "device_id": i % 2}
        if column.name in LABELS:  # the clinic's own labels, which the report is about and may print
            return f"{LABELS[column.name]}{shared.get(column.name, i % 2)}"
        return f"{MARK}-{column.name}-{shared.get(column.name, i)}"
    if column.kind == "text":
        return f"{MARK} {column.name} {i % 2}"
    if column.kind == "code":
        return column.codes[i % len(column.codes)]
    if column.kind == "list":
        return column.codes[0]
    return {"boolean": "no", "date": "2025-11-12", "time": "17:37"}.get(column.kind, "")


NUMBERS = {"pulse_energy_mj": "12.25", "density_pct": "7.75", "passes": "1", "spot_um": "121", "last_seen_day": "100"}


def rows(*, faulty: bool) -> tuple[list[str], list[list[str]]]:
    """Rows of a flat export; with faults, every tenth row has a marked cell that cannot be read in each kind."""
    columns = [c for c in CONTRACT["zones"] if not c.name.endswith(("_severity", "_after_day", "_by_day"))]
    columns = [c for c in columns if not (c.name.endswith("_day") and c.name != "last_seen_day")]
    spoilt = [c for c in columns if c.name not in ("record_id", "patient_id", "session_id", "treated_on")]
    lines = []
    for i, day in enumerate(days()):
        line = {c.name: NUMBERS.get(c.name) or cell(c, i) for c in columns}
        line["treated_on"] = (FIRST + timedelta(days=2 * (i // 2))).isoformat()
        if faulty and i % 10 == 3:
            for column in spoilt[i // 10 :: 3]:
                line[column.name] = f"{MARK} {column.name} spoilt 71771"
        if faulty and i == 40:
            line["treated_on"] = "1907-09-13"
        lines.append([*line.values(), f"{MARK} lot {i}", f"{MARK} wrote {day}: 0171 7717177"])
    return [*(c.name for c in columns), "Lot", "Notes"], lines


def write_csv(path: Path, header: Sequence[str], lines: Sequence[Sequence[str]]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(",".join(line) for line in [header, *lines]) + "\n", encoding="utf-8")
    return path


def visits_of(*, faulty: bool) -> tuple[list[str], list[list[str]]]:
    header = ["record_id", "session_id", "seen_on", "contact", "healed", "scarring", "Initials of nurse"]
    lines = []
    for i in range(0, ZONES, 2):
        seen = FIRST + timedelta(days=2 * (i // 2) + 9)
        lines.append([f"{MARK}-record_id-{i}", "", seen.isoformat(), "in_person", "yes", "no", MARK])
        if faulty:
            lines.append([f"{MARK}-nobody-{i}", f"{MARK}-x", f"{MARK} day", f"{MARK} by pigeon", MARK, MARK, MARK])
    return header, lines


def marks() -> list[str]:
    exact = [(FIRST + timedelta(days=2 * i)) for i in range(1, ZONES // 2)]
    written = [day.isoformat() for day in exact] + [f"{day.day} {day:%B} {day.year}" for day in exact]
    return [MARK, "71771", "1907-09-13", "7717177", "17:37", "2025-11-12", *written]


def told(text: str, allowed: Sequence[str] = ()) -> list[str]:
    low = dense(text)
    for harmless in allowed:
        low = low.replace(dense(harmless), "")
    return [mark for mark in marks() if dense(mark) in low]


def dense(text: str) -> str:
    """Text without what a line break on a page can change."""
    return re.sub(r"[\s\u00a0\u00ad\u200b]", "", text).lower()


def texts_of(path: Path) -> Iterator[tuple[str, str]]:
    """Everything that a file says: its bytes, a workbook's parts, a page's pictures, a PDF's pages, streams, metadata."""
    content = path.read_bytes()
    yield path.name, content.decode("utf-8", "replace")
    yield path.name, content.decode("utf-16-le", "replace")
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for part in archive.namelist():
                yield part, f"{part} {archive.read(part).decode('utf-8', 'replace')}"
    for number, packed in enumerate(re.findall(rb";base64,([A-Za-z0-9+/=]+)", content)):
        yield f"picture {number}", base64.b64decode(packed).decode("utf-8", "replace")
    if path.suffix != ".pdf":
        return
    reader = PdfReader(io.BytesIO(content))
    for page in reader.pages:
        yield "page", " ".join(page.extract_text().split())
    yield "metadata", f"{dict(reader.metadata or {})}"
    streams = 0
    for number in range(1, int(reader.trailer["/Size"])):
        part = reader.get_object(number)
        if isinstance(part, StreamObject) and part.get("/Subtype") not in ("/Type1C", "/CIDFontType0C", "/OpenType"):
            streams += 1
            yield f"stream {number}", part.get_data().decode("latin-1")
        else:
            yield f"object {number}", str(part)
    assert streams > len(reader.pages)


def run(*arguments: object) -> str:
    done = CliRunner().invoke(cli, [str(argument) for argument in arguments])
    return "\n".join([done.output, str(done.exception or ""), repr(done.exception or "")])


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("exports") / f"{MARK} folder"
    mapping = folder / "mapping.toml"
    found = {"zones": write_csv(folder / "zones.csv", *rows(faulty=True))}
    found["visits"] = write_csv(folder / "visits.csv", *visits_of(faulty=True))
    mapping.write_text('[drop]\ncolumns = ["Notes", "Initials of nurse"]\n', encoding="utf-8")
    return found | {"mapping": mapping}


def test_a_check_tells_no_mark(exports: dict[str, Path], tmp_path: Path) -> None:
    said = run(
        "check", exports["zones"], "--visits", exports["visits"], "--mapping", exports["mapping"], "--out", tmp_path
    )
    assert "zones: 48 rows read" in said
    assert " 24 refused" in said or "visits: 48 rows read" in said
    assert told(said) == []
    lists = [path for path in tmp_path.iterdir() if path.is_file()]
    assert len(lists) == 2
    assert len((tmp_path / "problems.csv").read_text(encoding="utf-8").splitlines()) > 100
    for path in lists:
        for where, text in texts_of(path):
            assert told(text) == [], where


def test_a_refused_export_tells_no_mark(exports: dict[str, Path], tmp_path: Path) -> None:
    """Notes that nobody dropped, a file without headers, a torn file, a file that is something else."""
    said = run("audit", exports["zones"], "--out", tmp_path / "out")
    assert "free text" in said
    assert told(said) == []
    header, lines = rows(faulty=True)
    headless = write_csv(tmp_path / "a" / "headless.csv", lines[0], lines[1:])
    torn = tmp_path / "a" / "torn.csv"
    torn.write_text(exports["zones"].read_text(encoding="utf-8").replace(f"{MARK} lot 7", f'"{MARK} lot 7'), "utf-8")
    other = tmp_path / "a" / "other.xlsx"
    other.write_bytes(b"PK\x03\x04" + exports["zones"].read_bytes())
    wide = tmp_path / "a" / "wide.csv"
    wide.write_text("\n".join([";".join(header[:4]), *(",".join(line) for line in lines)]), encoding="utf-8")
    for path in (headless, torn, other, wide):
        for command in ("check", "audit", "mapping"):
            said = run(command, path)
            assert told(said) == [], (path.name, command)
    assert not (tmp_path / "out").exists()


def test_a_drafted_mapping_lists_codes_and_nothing_else(exports: dict[str, Path]) -> None:
    said = run("mapping", exports["zones"], "--visits", exports["visits"])
    coded = {c.name for t in ("zones", "visits") for c in CONTRACT[t] if c.kind in ("code", "boolean", "list")}
    listed = [line for line in said.splitlines() if MARK in line.lower()]
    expected = {f"{MARK} {name} spoilt 71771" for name in coded} | {MARK, f"{MARK} by pigeon"}
    for line in listed:
        assert line.lstrip("# ").split(" = ")[0].strip('"') in expected, line
    assert told("\n".join(line for line in said.splitlines() if line not in listed)) == []


def test_a_workbook_tells_no_mark(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.title = "zones"
    header, lines = rows(faulty=True)
    for line in [header[:-1], *(line[:-1] for line in lines)]:
        sheet.append(line)
    sheet["A5"].value = None
    sheet["B6"].value = f"={MARK}()"
    sheet.merge_cells("C7:C9")
    book.create_sheet(f"{MARK} 2")["A1"] = MARK
    book.properties.creator = book.properties.title = MARK
    path = tmp_path / f"{MARK} folder" / "export.xlsx"
    path.parent.mkdir()
    book.save(path)
    assert "have no stored result: B6" in (said := run("check", path, "--out", tmp_path / "out"))
    assert told(said) == []
    sheet["B6"].value = f"{MARK}-p"
    sheet.title = f"{MARK} sheet"
    book.save(path)
    assert "of the workbook's 2 sheets" in (said := run("check", path, "--out", tmp_path / "out"))
    assert told(said) == []


def program(folder: Path, *arguments: object, spoil: str = "") -> subprocess.CompletedProcess[str]:
    """Run the command line as a program of its own; `spoil` is code that is run before it."""
    start = f"import outcomes.cli\n{spoil}\noutcomes.cli.main()"
    root = Path(__file__).parents[2]
    return subprocess.run(
        [sys.executable, "-c", start, *map(str, arguments)],
        capture_output=True, text=True, check=False, cwd=folder, env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip


def given(exports: dict[str, Path]) -> list[object]:
    return [exports["zones"], "--visits", exports["visits"], "--mapping", exports["mapping"], "--period", "2026Q1"]


@pytest.mark.parametrize(
    ("command", "more"),
    [("audit", ()), ("audit", ("--for", "clinic")), ("benchmark", ("--practitioner", "Quux1"))],
    ids=["audit", "audit-for-the-clinic", "benchmark"],
)
def test_a_report_tells_no_mark(exports: dict[str, Path], tmp_path: Path, command: str, more: tuple[str, ...]) -> None:
    """All of it, as a program: what it prints, and each file of the report, the page and the workbook too."""
    out = ["--html", "--xlsx", "--out", "Bericht März α"]
    done = program(tmp_path, command, *given(exports), *more, *out)
    assert done.returncode == 0, done.stderr
    assert told(done.stdout + done.stderr) == []
    files = [path for path in (tmp_path / "Bericht März α").rglob("*") if path.is_file()]
    names = {f"{command}.pdf", f"{command}.html", f"{command}.xlsx", "report.json", "refused.csv", "problems.csv"}
    assert names < {path.name for path in files}
    found = [(path.name, where, text) for path in files for where, text in texts_of(path)]
    for name, where, text in found:
        assert told(text) == [], (name, where)
    # The search sees what stands on a page and in a workbook: there are the labels.
    seen = {where for _, where, text in found if "quux1" in dense(text)}
    assert seen >= {"page", "report.json", f"{command}.html"}
    assert any(where.startswith("xl/") for where in seen)


def test_an_expectation_tells_no_mark(exports: dict[str, Path], tmp_path: Path) -> None:
    asked = ["--zone", "neck", "--skin-type", "II", "--energy", "12", "--density", "8", "--passes", "1"]
    done = program(tmp_path, "expect", *given(exports), *asked)
    assert done.returncode == 0, done.stderr
    assert "neck, skin type II" in done.stdout
    assert told(done.stdout + done.stderr) == []
    assert list(tmp_path.iterdir()) == []


CRASHES = {
    "in the middle of an audit": "outcomes.cli.ask = lambda cases, *_, **__: [][cases.refused.to_string() + MARK]",
    "with a value as its text": "outcomes.cli.ask = lambda *_, **__: int(MARK)",
    "while the file is read": "outcomes.records.load.typed = lambda one: one.frame[MARK]",
    "of memory": "outcomes.cli.compose = outcomes.cli.ask = lambda *_, **__: (_ for _ in ()).throw(MemoryError(MARK))",
    "chained": "def ask(*_, **__):\n    try:\n        int(MARK)\n    except ValueError as e:\n        raise KeyError(MARK) from e\n"
    "outcomes.cli.ask = ask",
    "with a warning": "import warnings\nold = outcomes.cli.ask\n"
    "def ask(*_, **__):\n    warnings.warn(MARK)\n    raise TypeError(MARK)\noutcomes.cli.ask = ask",
}


@pytest.mark.parametrize("spoil", list(CRASHES.values()), ids=list(CRASHES))
def test_a_crash_tells_no_mark_and_leaves_nothing(exports: dict[str, Path], tmp_path: Path, spoil: str) -> None:
    spoil = f"import outcomes.records.load\nMARK = {MARK + ' 71771'!r}\n{spoil}"
    done = program(tmp_path, "audit", *given(exports), "--out", "report", spoil=spoil)
    assert done.returncode == 1
    assert "outcomes met a fault of its own" in done.stderr
    assert "Traceback" not in done.stderr
    assert told(done.stdout + done.stderr) == []
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_whole_report_with_its_figures_tells_no_id_of_the_export(tmp_path: Path) -> None:
    """The invented clinic with marked ids of records, patients and episodes: enough records for every figure."""
    clinic = Path(__file__).parents[2] / "data" / "synthetic"
    paths: dict[str, Path] = {}
    for table, mark in (("treatments", ","), ("sessions", ";"), ("visits", ","), ("layers", ",")):
        head, *lines = (clinic / f"{table}.csv").read_text(encoding="utf-8-sig").splitlines()
        ids = [i for i, name in enumerate(head.split(mark)) if name in ("Treatment ref", "Patient no", "Episode no")]
        assert ids
        rows = [line.split(mark) for line in lines]
        for row in rows:
            for i in ids:
                row[i] = f"{MARK}{row[i]}" if i < len(row) and row[i] else ""
        paths[table] = tmp_path / f"{table}.csv"
        paths[table].write_text("\n".join([head, *(mark.join(row) for row in rows)]) + "\n", encoding="utf-8")
    done = program(
        tmp_path, "audit", paths["treatments"], "--sessions", paths["sessions"], "--visits", paths["visits"],
        "--layers", paths["layers"], "--mapping", clinic / "mapping.toml", "--html", "--xlsx", "--out", "whole",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert MARK not in (done.stdout + done.stderr).lower()
    files = [path for path in (tmp_path / "whole").rglob("*") if path.is_file()]
    assert sum(path.suffix == ".svg" for path in files) > 3
    for path in files:
        for where, text in texts_of(path):
            assert MARK not in dense(text), (path.name, where)
