"""Each normalisation made while reading leaves a note, which the data page of a report lists; and only where made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.records.contract import COLUMN
from outcomes.records.convert.units import unit_factor
from outcomes.records.load import Checked, check

GOOD = {
    "record_id": "R1", "patient_id": "P1", "session_id": "S1", "treated_on": "2026-03-25", "practitioner_id": "A",
    "zone": "neck", "skin_type": "II", "pulse_energy_mj": "12", "density_pct": "5", "passes": "1",
    "last_seen_day": "90", "scarring": "no",
}  # fmt: skip


def rows(*changes: dict[str, str]) -> list[dict[str, str]]:
    """Two good rows, and one for each change."""
    every = [{}, {}, *changes]
    added = {name: "" for change in changes for name in change if name not in GOOD}
    return [
        {**GOOD, **added, "record_id": f"R{i}", "patient_id": f"P{i}", "session_id": f"S{i}", **change}
        for i, change in enumerate(every, start=1)
    ]


def text_of(lines: list[dict[str, str]], delimiter: str = ",") -> str:
    return "\n".join(delimiter.join(cells) for cells in [list(lines[0]), *(list(line.values()) for line in lines)])


def told(checked: Checked) -> list[str]:
    """All that the data page lists."""
    return [*checked.source.notes, *(said for file in checked.source.files for said in file.reading)]


def read(folder: Path, content: bytes, mapping: str = "", name: str = "export.csv") -> Checked:
    path = folder / name
    path.write_bytes(content)
    if not mapping:
        return check(path)
    rules = folder / "mapping.toml"
    rules.write_text(mapping, encoding="utf-8")
    return check(path, mapping=rules)


@dataclass(frozen=True)
class Made:
    """A normalisation: the rows that ask for it, the note that must be there."""

    name: str
    note: str
    changes: list[dict[str, str]] = field(default_factory=list)
    mapping: str = ""
    encode: Callable[[str], bytes] = str.encode
    delimiter: str = ","


ENERGY = "pulse_energy_mj"
MADE = [
    Made("byte-order mark", "encoding UTF-8, by its byte-order mark", encode=lambda text: text.encode("utf-8-sig")),
    Made("UTF-16", "encoding UTF-16, by its byte-order mark", encode=lambda text: text.encode("utf-16")),
    Made("code page", "encoding Windows-1252, detected", [{"practitioner_id": "Ä"}], encode=lambda t: t.encode("cp1252")),
    Made("semicolons", "delimiter semicolon, detected", delimiter=";"),
    Made("tabs", "delimiter tab, detected", delimiter="\t"),
    Made("delimiter line", "names the delimiter and is not counted as a row", encode=lambda t: f"sep=,\n{t}".encode()),
    Made("blank lines", "1 blank row(s) passed over", encode=lambda t: t.replace("\n", "\n\n", 1).encode()),
    Made("decimal comma", "decimal comma, detected", [{ENERGY: "12,5"}], delimiter=";"),
    Made("decimal comma, declared", "decimal comma, declared", [{ENERGY: "12,5"}], '[file]\ndecimal = ","', delimiter=";"),
    Made("two decimal marks", "a few cells have the other", [{ENERGY: e} for e in ("12,5", "7,5", "9.5")], delimiter=";"),
    Made("per cent sign", "numbers with a per cent sign taken as per cent", [{"density_pct": "5 %"}]),
    Made("power of ten", "numbers written with a power of ten", [{ENERGY: "1.2e1"}]),
    Made("unit", "J turned into mJ", [{ENERGY: "0.012"}], f'[zones.columns.{ENERGY}]\nfrom = "{ENERGY}"\nunit = "J"'),
    Made("day first", "dates read as dd/mm/yyyy, as a day above 12 shows", [{"treated_on": "25/03/2026"}]),
    Made("day first, declared", "dates read as dd/mm/yyyy, declared", [{"treated_on": "05/03/2026"}],
         '[file]\ndate_format = "dd/mm/yyyy"'),
    Made("eight digits", "dates of eight digits read", [{"treated_on": "20260325"}]),
    Made("month's name", "dates with the month's name read", [{"treated_on": "25 March 2026"}]),
    Made("time of day dropped", "times of day dropped from dates", [{"treated_on": "2026-03-25 14:30"}]),
    Made("instants", "instants turned into calendar days of Europe/Paris", [{"treated_on": "2026-03-25T23:30:00Z"}],
         '[file]\ntime_zone = "Europe/Paris"'),
    Made("dates counted", "dates turned into days since treatment", [{"last_seen_day": "2026-06-25"}],
         '[zones.columns.last_seen_day]\nfrom = "last_seen_day"\nunit = "date"\nmissing = ["90"]'),
    Made("am and pm", "times with am or pm turned into 24 hours", [{"laser_start": "2:30 pm"}]),
    Made("date off a time", "dates dropped from times of day", [{"laser_start": "2026-03-25 14:30"}]),
    Made("instant to a time", "instants turned into times of day of Europe/Paris",
         [{"laser_start": "2026-03-25T14:30:00Z"}], '[file]\ntime_zone = "Europe/Paris"'),
    Made("spaces", "1 cell(s) without the spaces or invisible characters at their ends", [{"zone": " chin "}]),
    Made("invisible characters", "2 cell(s) without the spaces or invisible", [{"zone": "\u200bchin", "skin_type": "I\u00a0"}]),
    Made("text formulas", '1 cell(s) written as ="…" taken as the text inside', [{"practitioner_id": '="007"'}]),
    Made("declared empty", "2 cell(s) with a text that the mapping takes for an empty cell",
         [{"scarring": "n/k"}, {"scarring": "n/k"}], '[file]\nmissing = ["n/k"]'),
    Made("look-alike letters", "codes known by another spelling or by their label", [{"skin_type": "\u2163"}]),
    Made("capitals", "codes known by another spelling or by their label", [{"zone": "NECK"}]),
    Made("labels", "codes known by another spelling or by their label", [{"zone": "Lower lid"}]),
    Made("skin type by number", "codes known by another spelling or by their label", [{"skin_type": "type 4"}]),
    Made("codes translated", "codes translated as the mapping says (1 column)", [{"zone": "BRW"}],
         '[zones.columns.zone]\nfrom = "zone"\ncodes = { "BRW" = "forehead" }'),
    Made("codes of one cell", "several codes of one cell told apart", [{"blocks": "mental/infraorbital"}]),
    Made("y and n", "yes and no read from yes/no, y/n (1 column)", [{"scarring": "N"}]),
    Made("1 and 0", "yes and no read from yes/no, 1/0 (1 column)", [{"scarring": "0.0"}]),
    Made("true and false", "yes and no read from yes/no, true/false, t/f", [{"scarring": "f"}, {"scarring": "TRUE"}]),
    Made("declared yes and no", "yes and no read from yes/no, the mapping's own words", [{"scarring": "nein"}],
         '[file]\nno = ["nein"]'),
    Made("small letters", "words put in small letters and single spaces", [{"dressing": "Film  dressing"}]),
    Made("constant", "the same value for every row, as the mapping says", [], '[zones.columns.mode]\nvalue = "fractional"'),
    Made("joined ids", "ids joined from 2 columns", [],
         '[zones.columns]\nsession_id = ["patient_id", "treated_on"]\npatient_id = "patient_id"\ntreated_on = "treated_on"'),
    Made("header look-alike", "1 header(s) matched despite capitals, spaces or look-alike characters",
         encode=lambda t: t.replace("skin_type", "Skin Type").encode()),
    Made("own name", "column(s) taken by their own name, which the mapping does not name", [], '[drop]\ncolumns = ["Lot"]'),
    Made("dropped", "1 column(s) dropped, as the mapping asks", [{"Lot": "7"}], '[drop]\ncolumns = ["Lot"]'),
    Made("not used", "not used: Lot", [{"Lot": "7"}]),
    Made("blank skin type", "skin type: blank in 1 zone, read as not recorded", [{"skin_type": ""}]),
    Made("density index", "density index turned into per cent by device", [{"device_id": "L1", "density_pct": "3"}],
         '[zones.columns.device_id]\nfrom = "device_id"\n[density_index."L1"]\n"3" = 7.5\n"5" = 10'),
    Made("implied answer", "read as yes", [{"scarring": "", "scarring_day": "60"}]),
    Made("header row", "headers in row 3, as declared", [], "[file]\nheader_row = 3",
         encode=lambda t: f"a list\n\n{t}".encode()),
]  # fmt: skip


@pytest.mark.parametrize("made", MADE, ids=lambda made: made.name)
def test_each_normalisation_of_a_csv_file_leaves_a_note(tmp_path: Path, made: Made) -> None:
    lines = rows(*made.changes)
    if made.name == "density index":
        lines = [{**line, "device_id": "L1"} for line in lines]
    if "[zones.columns.pulse" in made.mapping:
        lines = [{**line, ENERGY: "0.012"} for line in lines]
    checked = read(tmp_path, made.encode(text_of(lines, made.delimiter)), made.mapping)
    said = told(checked)
    assert any(made.note in note for note in said), said
    few = 1 if made.name == "two decimal marks" else 0
    assert checked.rows_refused == few, checked.problems


def test_a_plain_file_has_no_note_of_a_normalisation(tmp_path: Path) -> None:
    """The opposite of all of the above: nothing is said to have been done that was not."""
    checked = read(tmp_path, text_of(rows()).encode())
    assert told(checked) == [
        "patients and sessions: ids replaced by numbers in order of appearance, which mean nothing in another export",
        "encoding UTF-8, detected",
        "delimiter comma, detected",
    ]


@pytest.mark.parametrize(
    ("column", "cells", "other"),
    [
        ("healed_by_day", ("1", "2"), "weeks"),
        ("pulse_us", ("1.5", "2.5"), "ms"),
        ("scan_size_mm", ("0.9", "1.2"), "cm"),
        ("weight_kg", ("150", "171"), "lb"),
        ("topical_min", ("0.75", "1"), "hours"),
    ],
)
def test_a_unit_that_the_sizes_speak_against_is_said_and_never_converted(
    tmp_path: Path, column: str, cells: tuple[str, str], other: str
) -> None:
    lines = [{**line, column: cell} for line, cell in zip(rows(), cells, strict=True)]
    checked = read(tmp_path, text_of(lines).encode())
    assert [(p.kind, p.column, p.row, p.fatal) for p in checked.problems] == [("unit_suspect", column, None, False)]
    assert (
        f"{column} looks as if it were in {other}, by the size of its middle value; nothing was converted"
        in "|".join(checked.source.notes)
    )
    assert checked.rows_refused == 0
    assert checked.cases is not None
    frame = checked.cases.sessions if column in ("weight_kg", "topical_min") else checked.cases.zones
    assert frame[column].tolist() == [float(cell) for cell in cells]


@pytest.mark.parametrize(
    ("column", "cells", "other", "unit"),
    [
        ("pulse_energy_mj", ("0.012", "0.01"), "J", "J"),
        ("spot_um", ("0.12", "0.3"), "mm", "mm"),
        ("density_pct", ("0.05", "0.08"), "shares of 1", "fraction"),
    ],
)
def test_a_unit_that_refuses_every_row_is_named_as_the_mapping_takes_it(
    tmp_path: Path, column: str, cells: tuple[str, str], other: str, unit: str
) -> None:
    lines = [{**line, column: cell} for line, cell in zip(rows(), cells, strict=True)]
    checked = read(tmp_path, text_of(lines).encode())
    assert checked.cases is None
    assert checked.rows_refused == 2
    (found,) = [p for p in checked.problems if p.kind == "unit_suspect"]
    assert found.rule.startswith(f"looks as if it were in {other}")
    assert f'unit = "{unit}"' in found.remedy
    assert unit_factor(COLUMN["zones"][column].unit, unit) > 1


def test_a_negative_middle_is_no_unit(tmp_path: Path) -> None:
    lines = [{**line, "pulse_energy_mj": "-12"} for line in rows()]
    assert {p.kind for p in read(tmp_path, text_of(lines).encode()).problems} == {"out_of_range", "nothing_accepted"}


@pytest.mark.parametrize(
    ("column", "cells"),
    [("healed_by_day", ("5", "7")), ("pulse_us", ("40", "250")), ("weight_kg", ("80", "125")), ("topical_min", ("30", "60"))],
)  # fmt: skip
def test_a_unit_that_fits_is_not_suspected(tmp_path: Path, column: str, cells: tuple[str, str]) -> None:
    lines = [{**line, column: cell} for line, cell in zip(rows(), cells, strict=True)]
    assert read(tmp_path, text_of(lines).encode()).problems == ()


def workbook(folder: Path, change: Callable[[openpyxl.Workbook], None]) -> Checked:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "zones"
    lines = rows()
    sheet.append(list(lines[0]))
    for line in lines:
        sheet.append(list(line.values()))
    change(book)
    book.save(folder / "export.xlsx")
    return check(folder / "export.xlsx")


def put(at: str, value: object, number_format: str | None = None) -> Callable[[openpyxl.Workbook], None]:
    def change(book: openpyxl.Workbook) -> None:
        cell = book["zones"][at]
        cell.value = value
        if number_format is not None:
            cell.number_format = number_format

    return change


def hide_row(book: openpyxl.Workbook) -> None:
    book["zones"].row_dimensions[3].hidden = True


def hide_column(book: openpyxl.Workbook) -> None:
    book["zones"].column_dimensions["F"].hidden = True


def hide_sheet(book: openpyxl.Workbook) -> None:
    book.create_sheet("old").sheet_state = "hidden"


def merge(book: openpyxl.Workbook) -> None:
    book["zones"]["N1"] = "Lot"
    book["zones"].merge_cells("N2:N3")


def epoch_1904(book: openpyxl.Workbook) -> None:
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book["zones"]["D2"] = date(2026, 3, 25)


@pytest.mark.parametrize(
    ("change", "note"),
    [
        (lambda book: None, "sheet"),
        (hide_row, "1 hidden row(s) were read like the others (row 3)"),
        (hide_column, "1 hidden column(s) were read like the others"),
        (hide_sheet, "1 other sheet(s) in the workbook, 1 of them hidden"),
        (merge, "1 merged block(s) in the sheet"),
        (epoch_1904, "dates count from 1904"),
        (put("D2", 46106), "day numbers read as dates in 1 column(s)"),
        (put("D2", datetime(2026, 3, 25, 14, 30)), "times of day dropped from dates"),
        (put("I2", 0.05, "0%"), "leading zeros or per cent taken as cells show them in 1 column(s)"),
        (put("E2", 7, "000"), "leading zeros or per cent taken as cells show them in 1 column(s)"),
        (put("L2", False), "yes and no read from yes/no, true/false"),
        (put("H2", "12,5"), "decimal comma in text cells, detected"),
    ],
)
def test_each_normalisation_of_a_workbook_leaves_a_note(
    tmp_path: Path, change: Callable[[openpyxl.Workbook], None], note: str
) -> None:
    checked = workbook(tmp_path, change)
    said = told(checked)
    assert any(note in one for one in said), said
    assert checked.rows_refused == 0, checked.problems


def test_totals_are_no_record_and_are_counted(tmp_path: Path) -> None:
    content = text_of(rows()) + "\nTotal,,,,,,,24,,2,,\n"
    checked = read(tmp_path, content.encode())
    assert [(p.kind, p.row) for p in checked.problems] == [("totals_row", 4)]
    assert checked.source.count("zones").rows_read == 3


def test_each_normalisation_of_a_parquet_file_leaves_a_note(tmp_path: Path) -> None:
    lines = rows()
    columns: dict[str, object] = {name: [line[name] for line in lines] for name in GOOD}
    columns["treated_on"] = [datetime(2026, 3, 25, 14, 30)] * 2
    columns["scarring"] = [False, False]
    columns["laser_start"] = [time(9, 5)] * 2
    columns["blocks"] = [["mental", "infraorbital"], ["none"]]
    pq.write_table(pa.table(columns), tmp_path / "export.parquet")
    said = told(check(tmp_path / "export.parquet"))
    for note in (
        "rows numbered as a spreadsheet would, headers in row 1",
        "zones: times of day dropped from dates (1 column)",
        "zones: yes and no read from true/false (1 column)",
        "zones: several codes of one cell told apart (1 column)",
    ):
        assert note in said
