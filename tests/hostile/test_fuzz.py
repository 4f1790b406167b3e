"""Bytes of good files changed at random: the readers answer with problems and never with a crash.

The number of inputs is fixed; OUTCOMES_FUZZ multiplies it, and OUTCOMES_FUZZ_SEED draws others.
"""

from __future__ import annotations

import io
import os
import random
import re
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from xml.sax.saxutils import escape

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.errors import OutcomesError
from outcomes.records.draft import draft_mapping
from outcomes.records.load import check
from outcomes.records.mapping import Mapping, apply_mapping
from outcomes.records.readers import read_table, tables_in

INPUTS = {"csv": 6000, "xlsx": 3000, "parquet": 4000}
TIMES = float(os.environ.get("OUTCOMES_FUZZ", "1"))
SEED = int(os.environ.get("OUTCOMES_FUZZ_SEED", "20260101"))
WHOLE_WAY_EVERY = 50
SLOWEST_S = 30.0

HEADER = [
    "record_id", "patient_id", "session_id", "treated_on", "practitioner_id", "zone", "skin_type", "pulse_energy_mj",
    "density_pct", "passes", "scarring", "blocks", "laser_start", "dressing",
]  # fmt: skip
ROWS = [
    ["R1", "P1", "S1", "2026-03-05", "A", "neck", "II", "12.5", "5", "1", "no", "infraorbital;mental", "11:20", "film"],
    ["R2", "P1", "S1", "05/03/2026", "Ä", "chin", "III", "12,5", "7.25", "2", "yes", "", "", 'a "b" c'],
    ["00123", "P2", "S2", "25/03/2026", "B", "lower_lid", "", "1,250", "5%", "1", "", "none", "9:05", "=1+1"],
    ["Total", "", "", "", "", "", "", "", "", "4", "", "", "", ""],
    ["R4", "P3", "S3", "2026-03-05T23:30:00Z", "B", "nose", "type 4", "#N/A", "", "1.0", "0", "", "14:00", "x\ny"],
]
WORDS = [
    b"\x00", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"\r", b"\n", b'"', b'""', b",", b";", b"\t", b"|", b"sep=;\n",
    b"\xed\xb2\x80", b"\xc2\xb5", b"99999999999999999999", b"1e999", b"-0", b"nan", b"2026-13-45", b"00/00/0000",
    b"25:61", b"+99:99", b"=1+1", b"#REF!", "٣".encode(), "Ⅳ".encode(), "ß".encode(), b"a@b.co", b" " * 300, b"<", b"&#0;",
    b"PK\x03\x04", b"PAR1", b"\x7f\xff\xff\xff", b"\xff\xff\xff\xff", b"9999-12-31", b"0001-01-01T00:00:00+14:00",
]  # fmt: skip


def csv_seeds() -> list[bytes]:
    def text(delimiter: str) -> str:
        lines = [[f'"{c}"' if any(x in c for x in '\n",;') else c for c in row] for row in [HEADER, *ROWS]]
        return "\n".join(delimiter.join(line) for line in lines) + "\n"

    encodings = [
        (",", "utf-8"),
        (";", "utf-8-sig"),
        ("\t", "utf-16"),
        ("|", "cp1252"),
        (",", "utf-32"),
        (",", "utf-16-le"),
    ]
    return [text(delimiter).encode(encoding) for delimiter, encoding in encodings]


def xlsx_seeds() -> list[bytes]:
    seeds = []
    for epoch_1904 in (False, True):
        book = openpyxl.Workbook()
        if epoch_1904:
            book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
        sheet = book.active
        assert sheet is not None
        sheet.title = "zones"
        for row in [HEADER, *ROWS]:
            sheet.append(row)
        sheet["D2"], sheet["D3"], sheet["H2"], sheet["I2"] = date(2026, 3, 5), datetime(2026, 3, 25, 14, 30), 12.5, 0.05
        sheet["I2"].number_format, sheet["A4"].number_format = "0%", "00000"
        sheet["A4"], sheet["K2"], sheet["M2"] = 123, True, datetime(2026, 3, 5, 11, 20).time()
        sheet["N4"] = "gauze"
        if epoch_1904:  # a formula without a result refuses the whole file
            sheet["J3"] = "=1+1"
        sheet["B5"] = 12345678901234567890
        sheet.merge_cells("N2:N3")
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["F"].hidden = True
        book.create_sheet("visits").append(["record_id", "day"])
        content = io.BytesIO()
        book.save(content)
        seeds.append(content.getvalue())
    return seeds


def parquet_seeds() -> list[bytes]:
    columns = dict(zip(HEADER, map(list, zip(*ROWS, strict=True)), strict=True))
    frames = [
        pa.table(columns),
        pa.table(
            {
                **{name: columns[name] for name in HEADER if name not in ("treated_on", "passes", "blocks", "zone")},
                "treated_on": pa.array([datetime(2026, 3, d) for d in range(1, 6)], pa.timestamp("us", tz="UTC")),
                "passes": pa.array([1, 2, None, 2**40, 5]),
                "pulse": pa.array([1.5, float("inf"), float("nan"), 2.0**60, None]),
                "blocks": pa.array([["mental"], [], None, ["none", "mental"], ["x"]]),
                "zone": pa.array(columns["zone"]).dictionary_encode(),
                "seen_on": pa.array([date(2026, 3, d) for d in range(1, 6)]),
                "photos": pa.array([True, False, None, True, True]),
            }
        ),
    ]
    seeds = []
    for frame in frames:
        for compression in ("none", "snappy"):
            content = io.BytesIO()
            pq.write_table(frame, content, compression=compression)
            seeds.append(content.getvalue())
    return seeds


def changed(data: bytes, draw: random.Random) -> bytes:
    """Some bytes flipped, cut out, doubled, put in or cut off."""
    work = bytearray(data)
    for _ in range(draw.choice([1, 1, 1, 2, 3, 8, 30])):
        at = draw.randrange(len(work) + 1)
        stop = min(len(work), at + draw.choice([1, 1, 2, 4, 16, 200]))
        how = draw.randrange(7)
        if how == 0 and at < len(work):
            work[at] ^= 1 << draw.randrange(8)
        elif how == 1 and at < len(work):
            work[at] = draw.randrange(256)
        elif how == 2:
            del work[at:stop]
        elif how == 3:
            work[at:at] = work[at:stop] * draw.choice([1, 2, 50])
        elif how == 4:
            work[at:at] = draw.choice(WORDS)
        elif how == 5:
            work[at:stop] = draw.choice(WORDS)
        elif draw.random() < 0.2:
            del work[at:]
    return bytes(work)


def changed_inside(data: bytes, draw: random.Random) -> bytes:
    """A workbook with changes in its parts, zipped anew; or in the bytes of the archive."""
    if draw.random() < 0.25:
        return changed(data, draw)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        parts = old.namelist()
        cells = [part for part in parts if part.endswith(("sheet1.xml", "sharedStrings.xml"))]
        aims = {part for part in cells if draw.random() < 0.6} or {draw.choice(parts)}
        for part in parts:
            content = old.read(part)
            if part in aims and draw.random() < 0.05:
                continue
            new.writestr(part, altered(content, draw) if part in aims else content)
    return out.getvalue()


def altered(content: bytes, draw: random.Random) -> bytes:
    """XML with other texts or values of attributes, with an element less or doubled, or with bytes changed."""
    how = draw.randrange(10)
    if how == 0:
        return changed(content, draw)
    pattern = rb">([^<>]+)<" if how < 5 else rb'="([^"]*)"' if how < 9 else rb"(<(c|row|xf|numFmt)\b[^>]*?/?>)"
    places = [match.span(1) for match in re.finditer(pattern, content)]
    for start, stop in sorted(draw.sample(places, min(len(places), draw.choice([1, 1, 2, 5]))), reverse=True):
        old = content[start:stop]
        new = draw.choice(
            [b"0", b"1", b"-1", b"1.5", b"99999999", b"1e308", b"", b"x", b"s", b"str", b"e", b"d", old * 2]
        )
        if how < 5 and draw.random() < 0.7:
            new = escape(draw.choice(WORDS).decode("latin-1")).encode()
        content = content[:start] + (draw.choice([b"", old + old]) if how == 9 else new) + content[stop:]
    return content


def flipped(data: bytes, draw: random.Random) -> bytes:
    """One to three bytes changed, mostly before the footer that says where everything is."""
    work = bytearray(data)
    for _ in range(draw.choice([1, 1, 2, 3])):
        work[draw.randrange(len(work) if draw.random() < 0.2 else len(work) // 2)] = draw.randrange(256)
    return bytes(work) if draw.random() < 0.8 else changed(data, draw)


def read_all(path: Path, number: int) -> list[str]:
    """Read a file as every table; now and then go the whole way. Kinds of problems found."""
    kinds = []
    for table in {"zones", *tables_in(path)}:
        raw = read_table(path, table)
        mapped = apply_mapping(raw, Mapping())
        kinds += [problem.kind for problem in mapped.problems]
        assert raw.fatal or len(raw.rows) == len(raw.frame)
    if number % WHOLE_WAY_EVERY == 0:
        draft_mapping(path)
        checked = check(path)
        assert all(c.rows_read == c.rows_accepted + c.rows_refused for c in checked.source.counts)
    return kinds


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "seeds", "change"),
    [("csv", csv_seeds, changed), ("xlsx", xlsx_seeds, changed_inside), ("parquet", parquet_seeds, flipped)],
)
def test_changed_bytes_end_in_problems_and_never_in_a_crash(
    tmp_path: Path,
    kind: str,
    seeds: Callable[[], list[bytes]],
    change: Callable[[bytes, random.Random], bytes],
) -> None:
    draw, good = random.Random(f"{SEED}-{kind}"), seeds()
    path, kept = tmp_path / f"export.{kind}", tmp_path / "crash"
    found: Counter[str] = Counter()
    slowest = 0.0
    inputs = round(TIMES * INPUTS[kind])
    for number in range(inputs):
        data = change(draw.choice(good), draw)
        path.write_bytes(data)
        started = time.process_time()  # on a busy machine a clock on the wall says nothing
        try:
            found.update(set(read_all(path, number)) or {"nothing"})
        except OutcomesError:
            found["refused"] += 1
        except Exception as crash:
            kept.write_bytes(data)
            raise AssertionError(f"input {number} of {inputs} ({kept}): {type(crash).__name__}") from crash
        slowest = max(slowest, time.process_time() - started)
    print(f"{kind}: {inputs} inputs, slowest {slowest:.1f} s, {dict(found.most_common(12))}")
    assert slowest < SLOWEST_S
    assert len(found) > 5
