"""What the kept blocks add up to, cell by cell and method by method, and whether that meets what was asked."""

from __future__ import annotations

import json
import math
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from cells import Cell
from grid import cells

ROOT = Path(__file__).resolve().parents[2]
CERTAIN = 2.5758  # 99 %
FLOOR, CEILING, CEILING_SPARSE = 0.94, 0.96, 0.975
SPARSE_EVENTS = 15
WIDEST_TAIL = 0.035
MOST_REFUSED = 0.20
FULL_REPLICATES = 4_000
FLAG_NOMINAL = {"95 %": 0.05, "99.8 %": 0.002}
FLAG_FACTOR = 1.2


@dataclass(frozen=True, slots=True)
class Counted:
    """What one method did in one cell, over all kept blocks."""

    cell: Cell
    method: str
    asked: int
    answered: int
    below: int
    above: int
    events: float
    width: float
    error: float
    sums: dict[str, float] = field(default_factory=dict)

    @property
    def coverage(self) -> float:
        """Share of the answers whose interval held the truth."""
        return 1 - (self.below + self.above) / self.answered

    @property
    def refused(self) -> float:
        """Share of the replicates that were answered by "cannot say"."""
        return 1 - self.answered / self.asked


def limits(events: float, n: int, z: float = CERTAIN) -> tuple[float, float]:
    """Wilson limits of a simulated share.

    Examples
    --------
    >>> [round(v, 4) for v in limits(95, 100, 1.96)]
    [0.8882, 0.9785]
    """
    share = events / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def verdict(counted: Counted) -> str:
    """Whether a cell meets what was asked of it, fails, or cannot be judged.

    The 99 % interval of the simulated coverage must reach 0.94 to 0.96, to 0.975 with few events; a cell that is mostly
    answered by "cannot say" is called that and never covered. Floor and worst case need only hold the truth.
    """
    if counted.refused > MOST_REFUSED:
        return "mostly cannot say"
    low, high = limits(counted.answered - counted.below - counted.above, counted.answered)
    if "flag" in counted.method:
        nominal = FLAG_NOMINAL["99.8 %" if "99.8 %" in counted.method else "95 %"]
        if 1 - low <= nominal * FLAG_FACTOR:
            return "meets"
        return "fails" if 1 - high > nominal else "undecided"
    if "worst case" in counted.method:
        return "meets" if high >= FLOOR else "fails"
    sparse = counted.events < SPARSE_EVENTS
    if high < FLOOR:
        return "fails"
    if low > CEILING_SPARSE and not sparse:
        return "wider than needed"
    if low > CEILING and not sparse:
        return "a little wide"
    return "meets"


def collect(folder: Path) -> list[Counted]:
    """Read every kept block, in the order of the cells."""
    found: list[Counted] = []
    for cell in cells():
        path = folder / f"{cell.name}.jsonl"
        if not path.exists():
            continue
        sums: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
        for line in path.read_text(encoding="utf-8").splitlines():
            for method, tally in json.loads(line)["tally"].items():
                for key, value in tally.items():
                    sums[method][key] += value
        for method, s in sums.items():
            if s["answered"]:
                found.append(
                    Counted(
                        cell, method, int(s["asked"]), int(s["answered"]), int(s["truth below"]), int(s["truth above"]),
                        s["events"] / s["asked"], s["width"] / max(1.0, s["widths"]), s["error"] / s["answered"],
                        dict(s),
                    )
                )  # fmt: skip
    return found


def cell_words(cell: Cell) -> str:
    words = [f"{cell.patients:,} patients"]
    if cell.study not in ("healing", "median"):
        words.append(f"risk {100 * cell.risk:g} %")
    words += [f"{cell.zones.replace('-', '–')} zones", f"correlation {cell.alpha:g}"]
    if cell.exposure != "none":
        share = "" if cell.exposure == "continuous" else f" ({100 * cell.prevalence:g} %)"
        words.append(f"exposure by {cell.exposure}{share}")
    if cell.exposure != "none" or cell.odds_ratio != 1:
        words.append(f"odds ratio {cell.odds_ratio:g}")
    if cell.seen < 1:
        words.append(f"{100 * cell.seen:g} % seen" + (", more of those with an event" if cell.informative else ""))
    if cell.practitioners > 1:
        words.append(f"{cell.practitioners} practitioners" + (", one with 55 %" if cell.largest else ""))
    return ", ".join(words)


def percent(value: float) -> str:
    return f"{100 * value:.1f}"
