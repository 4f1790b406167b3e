"""About one row in a hundred is spoiled, each in one known way, as exports are spoiled.

Only faults of single rows: what makes a whole file unusable would leave nothing to audit. Rows are chosen so
that no other row depends on them: a spoiled treatment is one of several in its session, has no follow-up of
its own (its session has) and no layers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.export import Sheet

FIRST_ROW = 2
"""The header is row 1 as a spreadsheet shows it."""

_FULL_SIZE = {"zones": 5900, "sessions": 2900, "layers": 50, "visits": 17800}
"""Rows of a full clinic, that the numbers of faults below are meant for."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One spoiled row.

    Attributes
    ----------
    file : str
    row : int
        As a spreadsheet shows it.
    column : str
        Header of the spoiled cell; empty where the whole row is the fault.
    kind : str
        Which rule it breaks, by the rule's short name.
    """

    file: str
    row: int
    column: str
    kind: str


@dataclass(slots=True)
class _Line:
    cells: list[str]
    column: str = ""
    kind: str = ""


@dataclass(slots=True)
class _Spoiler:
    """The lines of one sheet while they are being spoiled."""

    sheet: Sheet
    draw: Stream
    lines: list[_Line] = field(default_factory=list)
    scale: float = 1.0

    def __post_init__(self) -> None:
        self.lines = [_Line(list(row)) for row in self.sheet.rows]
        self.scale = len(self.lines) / _FULL_SIZE[self.sheet.table]

    def get(self, line: _Line, header: str) -> str:
        return line.cells[self.sheet.column(header)]

    def spoil(self, lines: list[_Line], count: int, header: str, kind: str, change: Callable[[str], str]) -> None:
        """Take `count` of the lines that are still whole and change one cell of each."""
        at = self.sheet.column(header)
        for line in self.take(lines, count):
            line.cells[at], line.column, line.kind = change(line.cells[at]), header, kind

    def take(self, lines: list[_Line], count: int) -> list[_Line]:
        """Take `count` of the lines out of the list: of a smaller clinic fewer, of one that has too few all."""
        wanted = min(max(1, round(count * self.scale)), len(lines))
        return [lines.pop(self.draw.whole(0, len(lines) - 1)) for _ in range(wanted)]

    def repeat(self, lines: list[_Line], count: int, key: str, *, differing: str = "") -> None:
        """Export some lines twice: word for word, or with one cell that differs (then neither is right)."""
        for line in self.take(lines, count):
            copy = _Line(list(line.cells), key, "record_repeated")
            if differing:
                at = self.sheet.column(differing)
                copy.cells[at] = "9" if line.cells[at] != "9" else "8"
                copy.kind, line.column, line.kind = "record_conflict", key, "record_conflict"
            at = next(k for k, other in enumerate(self.lines) if other is line)
            self.lines.insert(min(at + self.draw.whole(1, 40), len(self.lines)), copy)

    def done(self) -> tuple[Sheet, list[Fault]]:
        faults = [
            Fault(self.sheet.file, row, line.column, line.kind)
            for row, line in enumerate(self.lines, start=FIRST_ROW)
            if line.kind
        ]
        return replace(self.sheet, rows=[line.cells for line in self.lines]), faults


def plant(sheets: dict[str, Sheet], seed: int) -> tuple[dict[str, Sheet], tuple[Fault, ...]]:
    """Spoil about one row in a hundred of each sheet; return the spoiled sheets and the list of faults."""
    days = _treatment_days(sheets["zones"])
    spoilers = {table: _Spoiler(sheet, Stream(seed, 0, k)) for k, (table, sheet) in enumerate(sheets.items())}
    _spoil_treatments(spoilers["zones"], _untouchable(sheets))
    _spoil_sessions(spoilers["sessions"])
    _spoil_visits(spoilers["visits"], days)
    _spoil_layers(spoilers["layers"])
    spoiled: dict[str, Sheet] = {}
    faults: list[Fault] = []
    for table, spoiler in spoilers.items():
        spoiled[table], found = spoiler.done()
        faults += found
    return spoiled, tuple(faults)


def _treatment_days(treatments: Sheet) -> dict[str, str]:
    episode, day = treatments.column("Episode no"), treatments.column("Date treated")
    return {row[episode]: row[day] for row in treatments.rows}


def _untouchable(sheets: dict[str, Sheet]) -> set[str]:
    """Treatment refs that a row of another sheet depends on."""
    return {row[sheets[table].column("Treatment ref")] for table in ("visits", "layers") for row in sheets[table].rows}


def _spoil_treatments(work: _Spoiler, untouchable: set[str]) -> None:
    by_episode: dict[str, list[_Line]] = {}
    for line in work.lines:
        by_episode.setdefault(work.get(line, "Episode no"), []).append(line)
    candidates = [
        lines[-1]
        for lines in by_episode.values()
        if len(lines) > 1 and work.get(lines[-1], "Treatment ref") not in untouchable
    ]
    percent = [line for line in candidates if work.get(line, "Machine") != "M3"]
    index = [line for line in candidates if work.get(line, "Machine") == "M3"]
    work.spoil(percent, 3, "Density", "out_of_range", lambda text: f"{float(text) * 100:g}")
    work.spoil(index, 3, "Density", "density_index", lambda _: "11")
    whole = [line for line in candidates if not line.kind]
    work.spoil(whole, 6, "Zone", "unknown_code", lambda _: "UNK")
    work.spoil(whole, 3, "Skin type", "unknown_code", lambda _: "7")
    work.spoil(whole, 9, "Energy (mJ)", "out_of_range", lambda text: f"{float(text) / 1000:g}")
    work.spoil(whole, 5, "Date treated", "not_a_date", _impossible)
    work.spoil(whole, 4, "Cold sores ever", "not_yes_no", lambda _: "perhaps")
    work.spoil(whole, 3, "Antiviral", "not_yes_no", lambda _: "see notes")
    work.spoil(whole, 4, "Clinician", "value_missing", lambda _: "")
    work.spoil(whole, 4, "Energy (mJ)", "value_missing", lambda _: "")
    work.spoil(whole, 4, "Passes", "error_cell", lambda _: "#N/A")
    work.spoil(whole, 3, "Passes", "not_whole", lambda _: "1.5")
    work.repeat(whole, 4, "Treatment ref")
    work.repeat(whole, 3, "Treatment ref", differing="Energy (mJ)")
    total = [""] * len(work.sheet.headers)
    total[0], total[work.sheet.column("Patient no")] = "TOTAL", str(len(work.sheet.rows))
    work.lines.append(_Line(total, "", "totals_row"))


def _spoil_sessions(work: _Spoiler) -> None:
    whole = list(work.lines)
    weighed = [line for line in whole if work.get(line, "Weight (kg)")]
    work.spoil(weighed, 7, "Weight (kg)", "out_of_range", lambda text: text.replace(".", ""))
    whole = [line for line in whole if not line.kind]
    work.spoil(whole, 5, "Pain score", "out_of_range", lambda _: "12")
    work.spoil(whole, 4, "Laser start", "not_a_time", lambda text: f"2{text}")
    work.spoil(whole, 5, "Consent signed", "not_a_date", _impossible)
    work.spoil(whole, 4, "Photos before", "not_yes_no", lambda _: "some")
    work.repeat(whole, 2, "Episode no")
    work.repeat(whole, 1, "Episode no", differing="Pain score")


def _spoil_visits(work: _Spoiler, days: dict[str, str]) -> None:
    by_record = [line for line in work.lines if work.get(line, "Treatment ref")]
    work.spoil(by_record, 14, "Treatment ref", "points_to_no_record", lambda text: text.replace("T0", "T9"))
    later = [line for line in work.lines if not line.kind and work.get(line, "Healed")]
    at = work.sheet.column("Date seen")
    for line in work.take(later, 32):
        line.cells[at] = _year_before(days[work.get(line, "Episode no")])
        line.column, line.kind = "Date seen", "visit_before_treatment"
    work.spoil(later, 24, "Date seen", "not_a_date", _impossible)
    work.spoil(later, 16, "Date seen", "visit_undated", lambda _: "")
    work.spoil(later, 10, "Date seen", "error_cell", lambda _: "#VALUE!")
    work.spoil(later, 26, "How seen", "unknown_code", lambda _: "letter")
    work.spoil(later, 30, "Healed", "not_yes_no", lambda _: "nearly")
    work.spoil(later, 20, "Dark patches", "not_yes_no", lambda _: "perhaps")


def _spoil_layers(work: _Spoiler) -> None:
    second = [line for line in work.lines if work.get(line, "Layer") == "2"]
    if second:
        work.spoil(second, 1, "Energy (mJ)", "value_missing", lambda _: "")


def _impossible(text: str) -> str:
    """A day that no calendar has, in the same year."""
    year = text[-4:] if len(text) == 10 else "2025"
    return f"31/02/{year}"


def _year_before(day: str) -> str:
    """The right day and month, and the year before: a date typed from habit."""
    month = day[:6].replace("29/02/", "28/02/")
    return f"{month}{int(day[-4:]) - 1}"
