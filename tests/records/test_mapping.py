"""A clinic's words to ours: headers, units, codes, dates, decimal marks, density indices, each fault at its row."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.errors import MappingError
from outcomes.records.contract import COLUMN, CONTRACT, TABLES, Table
from outcomes.records.convert.codes import MOST_HINTS
from outcomes.records.convert.swapped import Seen
from outcomes.records.convert.swapped import half_swapped as half_swapped_fault
from outcomes.records.mapping import Mapped, Mapping, apply_mapping, load_mapping, parse_mapping
from outcomes.records.readers import read_table

NEEDED = "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
ROW = "R{n},P1,S1,2026-03-02,A,neck,II,12,5,1"


def mapped(tmp_path: Path, content: str, mapping: str = "", table: Table = "zones", **more: object) -> Mapped:
    path = tmp_path / "export.csv"
    path.write_text(content, encoding="utf-8", newline="")
    rules = parse_mapping(mapping, sha256="x" if mapping else None)
    return apply_mapping(read_table(path, table, rules.reading(table)), rules, **more)  # type: ignore[arg-type]


def flat(tmp_path: Path, extra: str, cells: list[str], mapping: str = "") -> Mapped:
    """A whole zones export with one more column, one row a cell."""
    lines = [f"{NEEDED};{extra}".replace(",", ";")]
    lines += [f"{ROW.format(n=n)}".replace(",", ";") + f";{cell}" for n, cell in enumerate(cells, start=1)]
    return mapped(tmp_path, "\n".join(lines) + "\n", mapping)


def faults(one: Mapped) -> list[tuple[str, int | None]]:
    return [(problem.kind, problem.row) for problem in one.problems]


def column(one: Mapped, name: str) -> list[str | None]:
    return [cell if isinstance(cell, str) else None for cell in one.frame[name]]


# Headers -------------------------------------------------------------------------------------------------------


def test_an_export_in_our_words_needs_no_mapping(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED}\n{ROW.format(n=1)}\n")
    assert not one.problems
    assert list(one.frame.columns) == NEEDED.split(",")
    assert one.headers["zone"] == "zone"
    assert one.rows == [2]


def test_headers_match_despite_capitals_and_spaces_and_that_is_said(tmp_path: Path) -> None:
    # the letters of the second header are full-width ones
    one = mapped(tmp_path, f"{NEEDED.replace('zone', ' Zone ').replace('passes', 'ｐａｓｓｅｓ')}\n{ROW.format(n=1)}\n")
    assert not one.problems
    assert one.headers["zone"] == "Zone"
    assert any("matched despite capitals" in note for note in one.notes)


def test_look_alike_headers_are_two_columns_and_stop(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED},Zone\n{ROW.format(n=1)},chin\n")
    assert faults(one) == [("header_repeated", None)]
    assert one.fatal


def test_a_look_alike_that_the_mapping_uses_for_something_else_does_not_stop(tmp_path: Path) -> None:
    mapping = '[zones.columns]\nzone = "zone"\ndressing = "Zone"\n'
    one = mapped(tmp_path, f"{NEEDED},Zone\n{ROW.format(n=1)},gauze\n", mapping)
    assert not one.problems
    assert column(one, "dressing") == ["gauze"]


def test_a_header_that_the_export_lacks_stops_and_names_the_nearest(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED},Ernergy\n{ROW.format(n=1)},9\n", '[zones.columns]\npower_w = "Energy"\n')
    assert faults(one) == [("header_unknown", None)]
    assert 'Did you mean "Ernergy"?' in one.problems[0].remedy


def test_an_absent_required_column_stops(tmp_path: Path) -> None:
    one = mapped(tmp_path, "record_id,patient,zone\nR1,P1,neck\n")
    absent = {problem.column for problem in one.problems if problem.kind == "column_missing"}
    assert absent == set(NEEDED.split(",")) - {"record_id", "zone"}
    assert all(problem.fatal for problem in one.problems)


def test_columns_that_nobody_reads_are_named_in_the_notes(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED},Room,Lamp\n{ROW.format(n=1)},x,y\n")
    assert "not used: Room, Lamp" in one.notes


def test_a_header_close_to_an_absent_column_is_said_with_it(tmp_path: Path) -> None:
    header = NEEDED + ",pulse_enrgy,scaring,Healed by day,Lot"
    one = mapped(tmp_path, header + "\n" + ROW.format(n=1) + ",9,canary,4,canary\n")
    (note,) = [note for note in one.notes if note.startswith("not used")]
    # There is a pulse_energy_mj already, and "Healed by day" is read as healed_by_day.
    assert note == "not used: pulse_enrgy, scaring (close to scarring, which is absent), Lot"


def test_a_file_with_no_known_header_has_none_of_its_first_row_repeated(tmp_path: Path) -> None:
    one = mapped(tmp_path, "Ada,forehead,type two\nBea,chin,type three\n")
    told = " ".join([*one.notes, *(p.rule + p.remedy + p.column for p in one.problems)])
    assert "Ada" not in told
    assert "type two" not in told


def test_ids_can_be_joined_and_a_constant_given(tmp_path: Path) -> None:
    mapping = '[columns]\nsession_id = ["Patient", "Date"]\nmode = { value = "fractional" }\npatient_id = "Patient"\n'
    mapping += 'treated_on = "Date"\n'
    header = "record_id,Patient,Date,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
    one = mapped(tmp_path, f"{header}\nR1,007,2026-03-02,A,neck,II,12,5,1\nR2,,2026-03-02,A,neck,II,12,5,1\n", mapping)
    assert not one.problems
    assert column(one, "session_id") == ["007|2026-03-02", None]
    assert column(one, "mode") == ["fractional", "fractional"]
    assert one.headers["session_id"] == "Patient + Date"


def test_a_constant_that_does_not_fit_stops_once(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED}\n{ROW.format(n=1)}\n{ROW.format(n=2)}\n", '[columns]\nmode = { value = "odd" }\n')
    assert faults(one) == [("unknown_code", None)]
    assert one.fatal


def test_every_table_has_its_columns(tmp_path: Path) -> None:
    for table in TABLES:
        header = ",".join(c.name for c in CONTRACT[table])
        one = mapped(tmp_path, f"{header}\nR1{',' * (len(CONTRACT[table]) - 1)}\n", table=table)
        assert list(one.frame.columns) == [c.name for c in CONTRACT[table]]
        assert not one.problems


# Missing and text ----------------------------------------------------------------------------------------------


def test_only_empty_cells_and_declared_texts_are_missing(tmp_path: Path) -> None:
    cells = ["NA", "None", "-", "", " ", "x"]
    assert column(flat(tmp_path, "device_id", cells), "device_id") == ["NA", "None", "-", None, None, "x"]
    declared = flat(tmp_path, "device_id", cells, '[file]\nmissing = ["-"]\n[columns]\n'
                    'device_id = { from = "device_id", missing = ["NA"] }\n')  # fmt: skip
    assert column(declared, "device_id") == [None, "None", None, None, None, "x"]


def test_ids_stay_as_they_are(tmp_path: Path) -> None:
    one = flat(tmp_path, "device_id", ["00123", "0123", "123", '"=""007"""', "9.00720E+16", "90071992547409931"])
    assert column(one, "device_id") == ["00123", "0123", "123", "007", None, "90071992547409931"]
    assert faults(one) == [("digits_lost", 6)]


def test_what_nobody_sees_at_the_ends_of_an_id_does_not_split_a_patient(tmp_path: Path) -> None:
    one = flat(tmp_path, "device_id", ["P01", " P01\u200b", "\ufeffP01\u00a0", "P 01"])
    assert column(one, "device_id") == ["P01", "P01", "P01", "P 01"]


def test_ids_that_a_spreadsheet_made_dates_of_are_faults(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.append([*NEEDED.split(","), "device_id"])
    for n, cell in enumerate(["2-13", datetime(2024, 2, 3)], start=1):
        book.active.append([*ROW.format(n=n).split(","), cell])
    book.save(tmp_path / "export.xlsx")
    one = apply_mapping(read_table(tmp_path / "export.xlsx", "zones"), Mapping())
    assert faults(one) == [("became_a_date", 3)]
    csv = f"{NEEDED},device_id\n{ROW.format(n=1)},2-13\n{ROW.format(n=2)},02-Feb\n{ROW.format(n=3)},Mär-26\n"
    assert faults(mapped(tmp_path, csv)) == [("became_a_date", 3), ("became_a_date", 4)]
    assert not mapped(tmp_path, csv.replace("2-13", "13-Feb")).problems  # labels of days throughout


def test_free_text_is_not_taken_for_a_word(tmp_path: Path) -> None:
    one = flat(tmp_path, "dressing", ["Gauze  Pad", "x" * 61])
    assert column(one, "dressing") == ["gauze pad", None]
    assert faults(one) == [("free_text", 3)]
    many = flat(tmp_path, "dressing", [f"word {n}" for n in range(101)])
    assert faults(many) == [("free_text", None)]


def test_spreadsheet_errors_are_faults_whatever_the_column(tmp_path: Path) -> None:
    one = flat(tmp_path, "scan_shape", ["square", "#N/A", "#REF!"])
    assert faults(one) == [("error_cell", 3), ("error_cell", 4)]


# Numbers and units ---------------------------------------------------------------------------------------------


def test_units_are_exact(tmp_path: Path) -> None:
    mapping = '[columns]\npower_w = { from = "Power", unit = "mW" }\n'
    one = flat(tmp_path, "Power", ["12500", "70", "0.1"], mapping + "[file]\ndecimal = '.'\n")
    assert column(one, "power_w") == ["12.5", "0.07", "0.0001"]
    assert "mW turned into W (1 column)" in one.notes


@pytest.mark.parametrize(
    ("name", "unit", "cell", "expected"),
    [
        ("pulse_energy_mj", "J", "0.07", "70"),
        ("spot_um", "mm", "0.12", "120"),
        ("pulse_us", "ms", "0.48", "480"),
        ("last_seen_day", "weeks", "6", "42"),
        ("isotretinoin_months_since", "years", "1.5", "18"),
        ("age_years", "months", "450", "37.5"),
        ("density_pct", "fraction", "0.07", "7"),
        ("density_pct", "fraction", "7%", "7"),
        ("weight_kg", "lb", "150", "68.0388555"),
    ],
)
def test_each_unit(tmp_path: Path, name: str, unit: str, cell: str, expected: str) -> None:
    header = NEEDED.replace(name, "theirs") + ("" if name in NEEDED else ",theirs")
    row = dict(zip(NEEDED.split(","), ROW.format(n=1).split(","), strict=True)) | {"theirs": cell}
    line = ",".join(row.get(h, "") for h in header.split(","))
    one = mapped(tmp_path, f"{header}\n{line}\n", f'[columns]\n{name} = {{ from = "theirs", unit = "{unit}" }}\n')
    assert not one.problems
    assert column(one, name) == [expected]


def test_the_decimal_comma_is_seen_in_one_column_and_believed_in_all(tmp_path: Path) -> None:
    lines = [NEEDED + ",power_w,area_cm2", ROW.format(n=1) + ",|12,5|,|1,250|"]
    one = mapped(tmp_path, "\n".join(lines).replace("|", '"') + "\n")
    assert column(one, "power_w") == ["12.5"]
    assert column(one, "area_cm2") == ["1.25"]
    assert "decimal comma, detected" in one.notes


def test_a_decimal_mark_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    one = flat(tmp_path, "area_cm2", ["1.250", "12.125"])
    assert faults(one)[0] == ("decimal_mark", None)
    assert one.fatal
    dot = flat(tmp_path, "area_cm2", ["1.250", "12.125"], '[file]\ndecimal = "."\n')
    assert column(dot, "area_cm2") == ["1.25", "12.125"]
    comma = flat(tmp_path, "area_cm2", ["1.250", "12,125"], '[file]\ndecimal = ","\n')
    assert column(comma, "area_cm2") == [None, "12.125"]
    assert faults(comma) == [("thousands", 2)]


def test_a_number_below_one_shows_its_decimal_mark(tmp_path: Path) -> None:
    one = flat(tmp_path, "area_cm2", ["0,125", "0,250"])
    assert column(one, "area_cm2") == ["0.125", "0.25"]
    assert not one.problems


def test_thousands_separators_are_never_guessed(tmp_path: Path) -> None:
    one = flat(tmp_path, "area_cm2", ["12.5", "1,200.5", "1 200.5", "1,200", "1'200"])
    assert faults(one) == [("thousands", row) for row in (3, 4, 5, 6)]


def test_a_few_cells_with_the_other_mark_are_faults_and_doubtful_ones_too(tmp_path: Path) -> None:
    one = flat(tmp_path, "area_cm2", ["12.5", "13.5", "12,5", "1.250"])
    assert column(one, "area_cm2") == ["12.5", "13.5", None, None]
    assert faults(one) == [("decimal_mark", 4), ("decimal_mark", 5)]
    assert faults(flat(tmp_path, "area_cm2", ["12.5", "12,5"]))[0] == ("decimal_mark", None)


def test_numbers_with_anything_beside_them_are_faults(tmp_path: Path) -> None:
    one = flat(tmp_path, "area_cm2", ["12", "12 cm", "about 12", "<5", "10-20", "−3", "1e2", "５"])
    assert column(one, "area_cm2") == ["12", None, None, None, None, "-3", "100", None]
    assert faults(one) == [("not_a_number", row) for row in (3, 4, 5, 6, 9)]


def test_whole_numbers(tmp_path: Path) -> None:
    one = flat(tmp_path, "stacks", ["2", "2.0", "2.5", "two"])
    assert column(one, "stacks") == ["2", "2", None, None]
    assert faults(one) == [("not_whole", 4), ("not_a_number", 5)]


def test_words_for_grades_can_be_translated(tmp_path: Path) -> None:
    mapping = '[columns.satisfaction]\nfrom = "Happy"\ncodes = { "very" = 5, "not at all" = 1, "?" = "" }\n'
    one = flat(tmp_path, "Happy", ["Very", "3", "?", "somewhat"], mapping)
    assert column(one, "satisfaction") == ["5", "3", None, None]
    assert faults(one) == [("not_a_number", 5)]


# Codes ---------------------------------------------------------------------------------------------------------


def test_yes_and_no_in_every_usual_spelling_and_nothing_else(tmp_path: Path) -> None:
    cells = ["yes", "No", "Y", "0", "1", "FALSE", "", "n", "unknown", "TRUE", "0.0", "nein"]
    one = flat(tmp_path, "scarring", cells)
    yes, no = "true", "false"
    assert column(one, "scarring") == [yes, no, yes, no, yes, no, None, no, None, yes, no, None]
    assert faults(one) == [("not_yes_no", 10), ("not_yes_no", 13)]
    assert one.faults == {(10, "scarring"), (13, "scarring")}
    german = flat(tmp_path, "scarring", cells, '[file]\nyes = ["ja"]\nno = ["nein"]\n')
    assert faults(german) == [("not_yes_no", 10)]
    own = flat(tmp_path, "scarring", cells, '[columns.scarring]\nfrom = "scarring"\ncodes = { "unknown" = "" }\n')
    assert faults(own) == [("not_yes_no", 13)]


def test_a_clinics_own_code_wins_over_the_usual_one(tmp_path: Path) -> None:
    one = flat(
        tmp_path, "scarring", ["1", "2"], '[columns.scarring]\nfrom = "scarring"\ncodes = {"1" = "no", "2" = "yes"}\n'
    )
    assert column(one, "scarring") == ["false", "true"]


def test_codes_that_differ_only_in_capitals_are_told_apart(tmp_path: Path) -> None:
    mapping = '[columns.side]\nfrom = "Where"\ncodes = { "b" = "both", "B" = "L", "X-1" = "R" }\n'
    one = flat(tmp_path, "Where", ["b", "B", "x 1"], mapping)
    assert column(one, "side") == ["both", "L", "R"]


def test_codes_are_translated_and_unknown_ones_are_faults(tmp_path: Path) -> None:
    mapping = '[zones.columns.indication]\nfrom = "Why"\ncodes = { "sun" = "photoageing", "n/a" = "" }\n'
    one = flat(tmp_path, "Why", ["Sun", "acne scar", "n/a", "vanity"], mapping)
    assert column(one, "indication") == ["photoageing", "acne_scar", None, None]
    assert faults(one) == [("unknown_code", 5)]
    assert "[zones.columns.indication]" in one.problems[0].remedy


@pytest.mark.parametrize(
    ("cell", "code"),
    [("3", "III"), ("iv", "IV"), ("Type II", "II"), ("Fitzpatrick type 6", "VI"), ("not recorded", "not_recorded")],
)
def test_skin_types_in_either_numerals(tmp_path: Path, cell: str, code: str) -> None:
    content = f"{NEEDED}\n{ROW.format(n=1).replace('II', cell)}\n"
    assert column(mapped(tmp_path, content), "skin_type") == [code]


def test_several_blocks_in_one_cell(tmp_path: Path) -> None:
    mapping = '[columns.blocks]\nfrom = "Blocks"\ncodes = { "IO" = "infraorbital", "nil" = "none" }\n'
    one = flat(tmp_path, "Blocks", ["mental + IO", "nil", "IO/elbow", ""], mapping)
    assert column(one, "blocks") == ["infraorbital;mental", "none", None, None]
    assert faults(one) == [("unknown_code", 4)]


# Dates ---------------------------------------------------------------------------------------------------------


def test_one_day_above_twelve_settles_the_order_of_a_column(tmp_path: Path) -> None:
    one = flat(tmp_path, "consent_on", ["05/03/2024", "25/03/2024", ""])
    assert column(one, "consent_on") == ["2024-03-05", "2024-03-25", None]
    assert any(note.startswith("dates read as dd/mm/yyyy") for note in one.notes)
    american = flat(tmp_path, "consent_on", ["03/05/2024", "03/25/2024"])
    assert column(american, "consent_on") == ["2024-03-05", "2024-03-25"]


def test_an_order_that_nothing_settles_is_asked_for(tmp_path: Path) -> None:
    one = flat(tmp_path, "consent_on", ["05/03/2024", "04/06/2024"])
    assert faults(one) == [("date_order", None)]
    assert one.fatal
    declared = flat(tmp_path, "consent_on", ["05/03/2024", "04/06/2024"], '[file]\ndate_format = "mm/dd/yyyy"\n')
    assert column(declared, "consent_on") == ["2024-05-03", "2024-04-06"]


def test_both_orders_in_one_column_stop_even_a_declared_format(tmp_path: Path) -> None:
    cells = ["25/03/2024", "03/25/2024", "03/26/2024", "03/27/2024", "01/02/2024"]
    assert faults(flat(tmp_path, "consent_on", cells))[0] == ("date_order", None)
    one = flat(tmp_path, "consent_on", cells, '[file]\ndate_format = "dd/mm/yyyy"\n')
    assert ("date_order", None) in faults(one)
    typo = flat(tmp_path, "consent_on", cells[:2] + cells[:1] * 40, '[file]\ndate_format = "dd/mm/yyyy"\n')
    assert faults(typo) == [("not_a_date", 3)]


def test_dates_that_need_no_declaration(tmp_path: Path) -> None:
    cells = [
        "2024-03-05",
        "2024/03/05",
        "20240305",
        "5 Mar 2024",
        "March 5th, 2024",
        "05-Mar-2024",
        "2024-03-05T14:30:00",
    ]
    one = flat(tmp_path, "consent_on", cells)
    assert column(one, "consent_on") == ["2024-03-05"] * 7
    assert not one.problems


def test_cells_that_are_no_dates(tmp_path: Path) -> None:
    cells = ["31/02/2024", "25/03/2024", "45356", "soon", "05/03/24", "2024-13-01"]
    one = flat(tmp_path, "consent_on", cells)
    assert column(one, "consent_on") == [None, "2024-03-25", None, None, None, None]
    assert faults(one) == [
        ("not_a_date", 2),
        ("not_a_date", 4),
        ("not_a_date", 5),
        ("two_digit_year", 6),
        ("not_a_date", 7),
    ]


def test_two_digit_years_throughout_stop(tmp_path: Path) -> None:
    assert ("two_digit_year", None) in faults(flat(tmp_path, "consent_on", ["05/03/24", "25/03/24"]))


def half_swapped(tmp_path: Path) -> Path:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.append([*NEEDED.split(","), "consent_on"])
    cells = [
        datetime(2024, 5, 3),
        "25/03/2024",
        datetime(2024, 11, 3),
        "28/03/2024",
        datetime(2024, 2, 4),
        "17/04/2024",
    ]
    for n, cell in enumerate(cells, start=1):
        book.active.append([*ROW.format(n=n).split(","), cell])
    book.save(tmp_path / "export.xlsx")
    return tmp_path / "export.xlsx"


def test_half_swapped_dates_are_refused_with_the_pattern_until_confirmed(tmp_path: Path) -> None:
    path = half_swapped(tmp_path)
    raw = read_table(path, "zones", Mapping().reading("zones"))
    one = apply_mapping(raw, Mapping())
    assert [(p.kind, p.column, p.fatal) for p in one.problems] == [("dates_half_swapped", "consent_on", True)]
    assert (
        "3 date cells with a day up to 12 and none above, and 3 text cells with a day above 12 and none up to it"
        in one.problems[0].rule
    )
    swapped = apply_mapping(
        raw, parse_mapping('[columns]\nconsent_on = {from = "consent_on", date_cells = "swapped"}\n')
    )
    assert not swapped.problems
    assert column(swapped, "consent_on") == [
        "2024-03-05", "2024-03-25", "2024-03-11", "2024-03-28", "2024-04-02", "2024-04-17",
    ]  # fmt: skip
    right = apply_mapping(raw, parse_mapping('[file]\ndate_cells = "right"\n'))
    assert column(right, "consent_on")[0] == "2024-05-03"


def test_half_swapped_dates_that_were_saved_as_csv_are_seen_too(tmp_path: Path) -> None:
    cells = ["2024-05-03", "25/03/2024", "2024-11-03", "28/03/2024", "2024-02-04", "17/04/2024"]
    assert faults(flat(tmp_path, "consent_on", cells)) == [("dates_half_swapped", None)]
    padded = ["5/3/2024", "25/03/2024", "11/3/2024", "28/03/2024", "2/4/2024", "17/04/2024"]
    assert faults(flat(tmp_path, "consent_on", padded)) == [("dates_half_swapped", None)]
    assert not flat(tmp_path, "consent_on", [*padded, "13/4/2024"]).problems


def test_the_pattern_of_half_swapped_dates_parts_at_day_twelve() -> None:
    def seen(typed: int, text: int) -> list[Seen]:
        return [Seen(typed, True, "year_first", True, False, 1), Seen(text, False, "year_last", True, False, 1)]

    assert half_swapped_fault(seen(12, 13)) is not None
    assert half_swapped_fault(seen(13, 13)) is None
    assert half_swapped_fault(seen(12, 12)) is None


def test_instants_become_the_clinics_calendar_days(tmp_path: Path) -> None:
    instants = [(3, 29, 23, 0), (3, 31, 22, 0), (10, 24, 22, 0), (6, 10, 21, 30)]
    stamps = [datetime(2024, month, day, hour, minute, tzinfo=UTC) for month, day, hour, minute in instants]
    content = {name: [cell] * 4 for name, cell in zip(NEEDED.split(","), ROW.split(","), strict=True)}
    content |= {"record_id": ["R1", "R2", "R3", "R4"], "consent_on": pa.array(stamps, pa.timestamp("ns", tz="UTC"))}
    path = tmp_path / "export.parquet"
    pq.write_table(pa.table(content), path)
    raw = read_table(path, "zones")
    assert [(p.kind, p.column, p.fatal) for p in apply_mapping(raw, Mapping()).problems] == [
        ("time_zone", "consent_on", True)
    ]
    one = apply_mapping(raw, parse_mapping('[file]\ntime_zone = "Europe/Paris"\n'))
    assert not one.problems
    assert column(one, "consent_on") == ["2024-03-30", "2024-04-01", "2024-10-25", "2024-06-10"]


def test_instants_written_as_text_need_the_zone_as_well(tmp_path: Path) -> None:
    cells = ["2024-03-29T23:00:00Z", "2024-04-06T00:00:00+02:00"]
    assert faults(flat(tmp_path, "consent_on", cells)) == [("time_zone", None)]
    one = flat(tmp_path, "consent_on", cells, '[file]\ntime_zone = "Europe/Paris"\n')
    assert column(one, "consent_on") == ["2024-03-30", "2024-04-06"]


def test_times_of_day(tmp_path: Path) -> None:
    one = flat(tmp_path, "laser_start", ["9:05", "14:30:10", "02:30 pm", "2024-03-05 09:15", "25:00", "noon"])
    assert column(one, "laser_start") == ["09:05", "14:30", "14:30", "09:15", None, None]
    assert faults(one) == [("not_a_time", 6), ("not_a_time", 7)]


def test_a_date_can_stand_for_days_since_treatment(tmp_path: Path) -> None:
    mapping = '[columns]\nlast_seen_day = { from = "Last visit", unit = "date" }\n'
    one = flat(tmp_path, "Last visit", ["2026-03-09", "", "2026-03-01", "soon"], mapping)
    assert column(one, "last_seen_day") == ["7", None, None, None]
    assert faults(one) == [("not_a_date", 5), ("before_treatment", 4)]


# Density index, totals, reader's problems ----------------------------------------------------------------------


def test_a_density_index_is_converted_by_device(tmp_path: Path) -> None:
    mapping = '[density_index."L1"]\n"1" = 5\n"3" = 12.5\n'
    header = NEEDED + ",device_id"
    cells = [("1", "L1"), ("03", "L1"), ("7", "L1"), ("7.5", "L2"), ("5", ""), ("", "L1"), ("x", "L2")]
    lines = [ROW.format(n=n).replace(",5,1", f",{d},1") + f",{device}" for n, (d, device) in enumerate(cells)]
    one = mapped(tmp_path, "\n".join([header, *lines]) + "\n", mapping)
    assert column(one, "density_pct") == ["5", "12.5", None, "7.5", None, None, None]
    assert sorted(faults(one)) == [("density_index", 4), ("density_index", 6), ("not_a_number", 8)]


def test_layers_take_the_device_of_their_record(tmp_path: Path) -> None:
    mapping = '[density_index."L1"]\n"1" = 5\n'
    content = "record_id,layer_no,pulse_energy_mj,density_pct,passes\nR1,1,10,1,1\nR2,1,10,1,1\nR3,1,10,1,1\n"
    one = mapped(tmp_path, content, mapping, "layers", devices={"R1": "L1", "R2": "L2"})
    assert column(one, "density_pct") == ["5", "1", None]
    assert faults(one) == [("density_index", 4)]
    alone = mapped(tmp_path, content, mapping, "layers")
    assert [(p.kind, p.fatal) for p in alone.problems] == [("density_index", True)]


@pytest.mark.parametrize("first", ["part", "record_id"])
def test_a_row_of_totals_is_refused_with_its_reason_alone(tmp_path: Path, first: str) -> None:
    header, row = NEEDED, ROW.format(n=1)
    total = ["TOTAL:", "17", *[""] * 7, "sum"] if first == "record_id" else ["Total", *[""] * 9, "sum"]
    if first == "part":
        header, row = "part," + header, "A," + row
    one = mapped(tmp_path, f"{header}\n{row}\n{','.join(total)}\n")
    assert faults(one) == [("totals_row", 3)]


def test_a_record_called_total_is_a_record(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED}\n{ROW.format(n=1).replace('R1', 'Total')}\n")
    assert not one.problems


def test_unreadable_cells_refuse_their_row_only_where_the_column_is_used(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    row = ROW.format(n=1).encode()
    path.write_bytes(f"{NEEDED},dressing,extra\n".encode() + row + b",M\xc3\xbcll,\xff\n" + row + b",\xff,x\n")
    raw = read_table(path, "zones")
    one = apply_mapping(raw, Mapping())
    assert [(p.kind, p.row, p.column) for p in one.problems] == [("undecodable", 3, "dressing")]
    assert one.faults == {(3, "dressing")}
    assert column(one, "dressing") == ["müll", None]
    assert "1 unreadable cell(s) in columns that are not used (extra: row 2)" in one.notes


def test_a_row_whose_cells_cannot_be_told_apart_has_that_problem_alone(tmp_path: Path) -> None:
    rows = [ROW.format(n=n) for n in range(1, 8)]
    one = mapped(tmp_path, "\n".join([NEEDED, *rows, "R8,P1,S1,2026-03-02,A,neck,II,12,x"]) + "\n")
    assert faults(one) == [("too_few_cells", 9)]
    assert (9, "density_pct") in one.faults
    assert one.frame.iloc[7].isna().all()


@pytest.mark.parametrize(
    "line", ["Σ,,,,,,,33,,4", ",,,,,,,33,19,4", "Durchschnitt,,,,,,,11,6.3,1.3", "n = 3,,,,,,,,,3", "合計,,,,,,,33,,4"]
)
def test_a_row_without_id_date_and_code_is_no_record_whatever_it_is_called(tmp_path: Path, line: str) -> None:
    one = mapped(tmp_path, f"{NEEDED}\n{ROW.format(n=1)}\n{line}\n")
    assert faults(one) == [("totals_row", 3)]


@pytest.mark.parametrize(
    "above", ["a,b,c", "Patient data,,,,,,,,,", "one,two,three,four,five,six,seven,eight,nine,ten"]
)
def test_headers_below_the_first_row_are_found_and_have_to_be_declared(tmp_path: Path, above: str) -> None:
    text = f"{above}\n{NEEDED}\n{ROW.format(n=1)}\n"
    found = [p for p in mapped(tmp_path, text).problems if p.fatal]
    assert [p.kind for p in found][:1] == ["header_row"]
    assert "header_row = 2" in found[0].remedy
    assert not any(p.kind == "column_missing" for p in found)
    assert not mapped(tmp_path, text, "[file]\nheader_row = 2\n").problems


def test_headers_of_the_mapping_are_found_below_the_first_row_too(tmp_path: Path) -> None:
    names = NEEDED.split(",")
    rules = "[columns]\n" + "\n".join(f'{name} = "H {i}"' for i, name in enumerate(names)) + "\n"
    text = "title" + "," * 9 + "\n" + ",".join(f"H {i}" for i in range(len(names))) + f"\n{ROW.format(n=1)}\n"
    assert [p.kind for p in mapped(tmp_path, text, rules).problems if p.fatal] == ["header_row"]


def test_headers_again_in_another_order_stop_the_file(tmp_path: Path) -> None:
    names = NEEDED.split(",")
    other = [*names[:-2], names[-1], names[-2]]
    row = ROW.format(n=1)
    one = mapped(tmp_path, f"{NEEDED}\n{row}\n{','.join(other)}\n{ROW.format(n=2)}\n")
    assert [(p.kind, p.fatal) for p in one.problems] == [("header_changes", True)]
    assert "row 3" in one.problems[0].rule
    again = mapped(tmp_path, f"{NEEDED}\n{row}\n{NEEDED}\n{ROW.format(n=2)}\n")
    assert faults(again) == [("header_again", 3)]
    unnamed = mapped(tmp_path, f"{NEEDED},\n{row},x\n{NEEDED},\n{ROW.format(n=2)},x\n")
    assert faults(unnamed) == [("header_again", 3)]


def test_a_header_longer_than_any_header_stops_and_is_not_repeated(tmp_path: Path) -> None:
    one = mapped(tmp_path, f"{NEEDED},{'x' * 301}\n{ROW.format(n=1)},1\n")
    assert faults(one) == [("header_too_long", None)]
    assert "xxx" not in one.problems[0].rule
    assert not mapped(tmp_path, f"{NEEDED},{'x' * 300}\n{ROW.format(n=1)},1\n").problems


def test_one_header_is_not_two_numbers_and_may_be_two_ids(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="reads one header as pulse_energy_mj and as density_pct"):
        parse_mapping('[columns]\npulse_energy_mj = "Setting"\ndensity_pct = "setting"\n')
    parse_mapping(
        '[columns]\nspot_um = {from = "Tip", codes = {A = "120"}}\npulse_us = {from = "Tip", codes = {A = "90"}}\n'
    )
    one = mapped(
        tmp_path, f"{NEEDED}\n{ROW.format(n=1)}\n", '[columns]\npatient_id = "patient_id"\nsession_id = "patient_id"\n'
    )
    assert not one.problems
    assert "patient_id read as patient_id and as session_id" in one.notes


def test_a_date_before_treatment_is_said_in_words_of_dates(tmp_path: Path) -> None:
    rules = '[columns]\nlast_seen_day = {from = "seen", unit = "date"}\n'
    one = flat(tmp_path, "seen", ["2026-03-01", "2026-03-09", ""], rules)
    assert faults(one) == [("before_treatment", 2)]
    assert column(one, "last_seen_day")[1:] != [None, None]
    assert column(one, "last_seen_day")[::2] == [None, None]


def test_stray_bytes_are_said_even_in_a_dropped_column(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(f"{NEEDED},note\n{ROW.format(n=1)},".encode() + b"M\xc3\xbcller 900 \xb5J\n")
    rules = parse_mapping('[drop]\ncolumns = ["note"]\n')
    raw = read_table(path, "zones", rules.reading("zones"))
    assert "bytes that cannot be decoded in dropped columns (row 2)" in raw.reading
    assert not apply_mapping(raw, rules).problems


def test_stacked_exports_keep_their_spreadsheet_rows(tmp_path: Path) -> None:
    header = "part,row_in_part," + NEEDED
    lines = [f"{part},{i},{ROW.format(n=n)}" for n, (part, i) in enumerate([("A", 0), ("A", 1), ("B", 0), ("B", 1)])]
    one = mapped(tmp_path, "\n".join([header, *lines]).replace(",12,", ",-5 mJ,", 1) + "\n")
    assert faults(one) == [("not_a_number", 2)]
    assert one.rows == [2, 3, 4, 5]
    assert column(one, "pulse_energy_mj") == [None, "12", "12", "12"]


# The file itself -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[zone.columns]\n", "the mapping has no key 'zone'; the nearest is \"zones\""),
        ('[zones.columns]\npulse_energy = "E"\n', "the nearest is \"pulse_energy_mj\""),
        ('[zones.columns.zone]\nform = "Area"\n', "has no key 'form'; the nearest is \"from\""),
        ('[zones.columns.zone]\nfrom = "Area"\ncodes = { "x" = "fourhead" }\n', 'the nearest is "forehead"'),
        ('[zones.columns.pulse_energy_mj]\nfrom = "E"\nunit = "kJ"\n', "the unit can be mJ, J"),
        ('[zones.columns.zone]\nfrom = "Area"\nunit = "mm"\n', "has no unit"),
        ('[file]\ndate_format = "dd/mm/yy"\n', "two-digit years are refused"),
        ('[file]\ndate_format = "day first"\n', "such as dd/mm/yyyy"),
        ('[file]\ntime_zone = "Europe/Pariss"\n', 'the nearest is "Europe/Paris"'),
        ('[file]\ndecimal = ";"\n', "decimal in [file] must be one of"),
        ('[file]\nencoding = "utf-99"\n', "encoding in [file] is not known"),
        ('[file]\ndelimitter = ";"\n', 'the nearest is "delimiter"'),
        ('[file]\nheader_row = 0\n', "must be a whole number from 1"),
        ('[file]\nheader_row = 3\nskip_rows = 3\n', "which disagree"),
        ('[file]\nyes = ["x"]\nno = ["X"]\n', "mean both yes and no"),
        ('[drop]\ncolumns = ["Energy"]\n[zones.columns]\npower_w = "energy"\n', "uses a header that [drop] leaves out"),
        ('[density_index."L1"]\n"1" = "five"\n', "must give per cent"),
        ('[zones.columns]\nzone = ["A", "B"]\n', "which only ids can be"),
        ("[zones.columns.zone]\nunit = 'x'\n", "needs from (a header) or value"),
        ('[zones.columns.scarring]\nfrom = "S"\ncodes = { "x" = "maybe" }\n', "must end in yes, no or an empty text"),
        ('[columns]\nzone = "A"\n[zones.columns]\nside = "B"\n', "[columns] is short for [zones.columns]"),
        ("[zones\n", "not valid TOML"),
        ("[zones.columns]\nmode = { value = true }\n", "value in [zones.columns.mode] must be a list of texts"),
        ('[zones.columns.mode]\nfrom = "M"\ncodes = { "a" = { "b" = 1 } }\n', "must be pairs"),
        ('[visits.columns]\nday = { from = "D", unit = "date" }\n', "the unit can be days"),
    ],
)  # fmt: skip
def test_a_fault_of_the_mapping_is_named_with_the_nearest_right_word(text: str, says: str) -> None:
    with pytest.raises(MappingError) as caught:
        parse_mapping(text)
    assert says in str(caught.value)


def test_every_fault_of_the_mapping_is_named_at_once() -> None:
    with pytest.raises(MappingError) as caught:
        parse_mapping('[fil]\nx = 1\n[zones.columns]\nzon = "A"\nsid = "B"\n')
    assert "3 faults" in caught.value.wrong


def test_the_example_of_the_documentation_is_a_mapping(tmp_path: Path) -> None:
    import outcomes.records.mapping as room

    assert room.__doc__ is not None
    example = "\n".join(line[4:] for line in room.__doc__.splitlines() if line.startswith("    "))
    path = tmp_path / "mapping.toml"
    path.write_text(example, encoding="utf-8")
    mapping = load_mapping(path)
    assert mapping.sha256 is not None
    assert mapping.dropped == ("Name", "Date of birth", "Notes")
    assert mapping.columns_of("zones")["session_id"].headers == ("Patient no", "Date")
    assert mapping.density_index == {"LASER-2": {"1": "5", "2": "7.5"}}
    assert mapping.sheets == {"zones": "Treatments"}
    reading = mapping.reading("zones")
    assert (reading.header_row, reading.delimiter, reading.sheet) == (3, ";", "Treatments")
    assert reading.date_columns == ("Date", "Last visit", "consent_on")


def test_what_a_table_declares_wins_over_the_file() -> None:
    mapping = parse_mapping('[file]\ndecimal = ","\nskip_rows = 2\n[visits]\ndecimal = "."\nheader_row = 1\n')
    assert mapping.settings_of("zones").decimal == ","
    assert mapping.settings_of("visits").decimal == "."
    assert (mapping.reading("zones").header_row, mapping.reading("visits").header_row) == (3, 1)


def test_a_mapping_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="cannot be opened"):
        load_mapping(tmp_path / "absent.toml")
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(MappingError, match="not UTF-8"):
        load_mapping(tmp_path / "odd.toml")


# What an unknown word may mean -------------------------------------------------------------------------------


def code_problems(folder: Path, name: str, cell: str) -> list[str]:
    line = dict(zip(NEEDED.split(","), ROW.format(n=1).split(","), strict=True)) | {name: cell}
    one = mapped(folder, ",".join(line) + "\n" + ",".join(line.values()) + "\n")
    return [f"{problem.rule}. {problem.remedy}" for problem in one.problems]


@pytest.mark.parametrize(
    ("name", "cell", "meant"),
    [
        ("zone", "forehaed", "forehead"),
        ("zone", "Cheeks (L)", "cheek"),
        ("zone", "decolletage", "chest"),
        ("eye_shield", "extrenal", "external"),
        ("blocks", "infraorbital + mentall", "mental"),
        ("side", "elsewhere", None),
        ("zone", "elbow", None),
    ],
)
def test_a_word_close_to_a_code_is_answered_with_the_code_and_not_read(
    tmp_path: Path, name: str, cell: str, meant: str | None
) -> None:
    (said,) = code_problems(tmp_path, name, cell)
    assert ("Did you mean" in said) == (meant is not None)
    if meant is not None:
        assert said.endswith(f'Did you mean "{meant}"?')
    assert cell not in said


@pytest.mark.parametrize(
    ("name", "cell"), [("smoking", "curent"), ("sex", "femal"), ("skin_type", "IIII"), ("indication", "acne scarz")]
)
def test_what_a_cell_says_of_the_person_is_not_told_by_the_nearest_code(tmp_path: Path, name: str, cell: str) -> None:
    (said,) = code_problems(tmp_path, name, cell)
    assert "Did you mean" not in said
    assert all(code in said for code in COLUMN["zones"][name].codes)  # all of them are named instead


def test_near_words_are_looked_for_a_few_times_only(tmp_path: Path) -> None:
    lines = [ROW.format(n=i).replace("neck", f"forehead{i}") for i in range(3_000)]
    one = mapped(tmp_path, NEEDED + "\n" + "\n".join(lines) + "\n")
    assert len(one.problems) == 3_000
    assert sum("Did you mean" in problem.remedy for problem in one.problems) == MOST_HINTS


def test_an_absent_column_is_answered_with_the_header_that_the_trade_would_give_it(tmp_path: Path) -> None:
    one = mapped(tmp_path, "Case no,Operator,zone treated,zone,treated_on\nR1,A,B,neck,2026-03-25\n")
    meant = {p.column: p.remedy.partition("Did you mean ")[2] for p in one.problems if p.kind == "column_missing"}
    assert (meant["record_id"], meant["practitioner_id"]) == ('"Case no"?', '"Operator"?')
    assert meant["density_pct"] == ""
