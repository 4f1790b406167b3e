"""From kept blocks to the published page: ``python tests/honesty/page.py`` writes reports/honesty.md."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from cells import Cell, cells

ROOT = Path(__file__).resolve().parents[2]
CERTAIN = 2.5758  # 99 %
FLOOR, CEILING, CEILING_SPARSE = 0.94, 0.96, 0.975
SPARSE_EVENTS = 15
WIDEST_TAIL = 0.035
MOST_REFUSED = 0.20
FULL_REPLICATES = 4_000
FLAG_NOMINAL = 0.05
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
        if 1 - low <= FLAG_NOMINAL * FLAG_FACTOR:
            return "meets"
        return "fails" if 1 - high > FLAG_NOMINAL else "undecided"
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
                    )
                )  # fmt: skip
    return found


def _cell_words(cell: Cell) -> str:
    words = [f"{cell.patients:,} patients"]
    if cell.study != "healing":
        words.append(f"risk {100 * cell.risk:g} %")
    words += [f"{cell.zones.replace('-', '–')} zones", f"correlation {cell.alpha:g}"]
    if cell.exposure != "none":
        share = "" if cell.exposure == "continuous" else f" ({100 * cell.prevalence:g} %)"
        words += [f"exposure by {cell.exposure}{share}", f"odds ratio {cell.odds_ratio:g}"]
    if cell.seen < 1:
        words.append(f"{100 * cell.seen:g} % seen" + (", more of those with an event" if cell.informative else ""))
    if cell.practitioners > 1:
        words.append(f"{cell.practitioners} practitioners" + (", one with 55 %" if cell.largest else ""))
    return ", ".join(words)


def _percent(value: float) -> str:
    return f"{100 * value:.1f}"


def _summary(rows: list[Counted]) -> list[str]:
    heads = (
        "study", "method", "cells", "replicates a cell", "coverage: lowest, median, highest (%)", "meets", "wide", "fails",
        "undecided", "mostly cannot say",
    )  # fmt: skip
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    groups: dict[tuple[str, str], list[Counted]] = defaultdict(list)
    for row in rows:
        groups[row.cell.study + (", kept aside" if row.cell.kept_aside else ""), row.method].append(row)
    for (study, method), members in groups.items():
        said = [verdict(m) for m in members]
        judged = sorted(m.coverage for m, s in zip(members, said, strict=True) if s != "mostly cannot say")
        spread = ", ".join(_percent(v) for v in (judged[0], judged[len(judged) // 2], judged[-1])) if judged else "–"
        replicates = sorted({m.asked for m in members})
        counts = f"{replicates[0]:,}" if len(replicates) == 1 else f"{replicates[0]:,} to {replicates[-1]:,}"
        wide = said.count("a little wide") + said.count("wider than needed")
        lines.append(
            f"| {study} | {method} | {len(members)} | {counts} | {spread} | {said.count('meets')} | {wide} | "
            f"{said.count('fails')} | {said.count('undecided')} | {said.count('mostly cannot say')} |"
        )
    return lines


def _told_apart(row: Counted) -> bool:
    """Whether the interval is meant to hold this truth: not where return depends on the outcome."""
    return not (row.cell.informative and row.method.startswith("risk among all"))


def page(rows: list[Counted]) -> str:
    """The page as Markdown."""
    product = [r for r in rows if "(product)" in r.method and _told_apart(r)]
    failing = [r for r in product if verdict(r) == "fails"]
    tails = [
        r
        for r in product
        if verdict(r) in ("meets", "fails")
        and "flag" not in r.method
        and max(limits(r.below, r.answered)[0], limits(r.above, r.answered)[0]) > WIDEST_TAIL
    ]
    informative = [r for r in rows if not _told_apart(r)]
    lines = [
        "# How often the intervals are right",
        "",
        "Simulated records with a truth known exactly, put to the functions that the audit uses. Made by "
        "`python tests/honesty/study.py`, then `python tests/honesty/page.py`; nothing here is typed by hand.",
        "",
        "An interval of 95 % should hold the truth in 95 of 100 replicates. A cell *meets* that when the 99 % Monte Carlo "
        f"interval of its coverage reaches {FLOOR} to {CEILING} (to {CEILING_SPARSE} below {SPARSE_EVENTS} events); *wide* "
        "means that it lies above, *fails* that it lies below. A cell in which more than a fifth of the answers is "
        '"cannot say" is called that, and never covered. A false flag may come in 5 of 100 comparisons at most; *fails* '
        "means more than that beyond Monte Carlo error, *meets* at most 6 with it, *undecided* that the replicates do not tell yet.",
        "",
        f"Certification asks for {FULL_REPLICATES:,} replicates of a cell; the column says how many there are so far, and "
        "fewer can only find larger faults.",
        "",
        "## By method",
        "",
        *_summary([r for r in rows if _told_apart(r)]),
        "",
        "## Boundaries: where the product's own intervals fall short",
        "",
    ]
    if failing:
        lines += [
            "| method | cell | events a replicate | coverage (99 % Monte Carlo interval), % |",
            "|---|---|---|---|",
        ]
        for row in failing:
            low, high = limits(row.answered - row.below - row.above, row.answered)
            lines.append(
                f"| {row.method} | {_cell_words(row.cell)} | {row.events:.0f} | {_percent(row.coverage)} "
                f"({_percent(low)} to {_percent(high)}) |"
            )
    else:
        lines.append("None among the cells run so far.")
    lines += ["", "## Lopsided tails", ""]
    if tails:
        lines += [
            f"Cells in which one tail is above {100 * WIDEST_TAIL:g} % beyond Monte Carlo error. A standard judged by its "
            "interval can there be called met, or not met, wrongly as often as the tail says, which is more than the 2.5 % aimed at: "
            "many zones of few patients that are very much alike.",
            "",
            "| method | cell | truth below the interval, % | above, % |",
            "|---|---|---|---|",
        ]
        lines += [
            f"| {r.method} | {_cell_words(r.cell)} | {_percent(r.below / r.answered)} | {_percent(r.above / r.answered)} |"
            for r in tails
        ]
    else:
        lines.append("No cell has a tail above 3.5 % beyond Monte Carlo error.")
    if informative:
        worst = min(r.coverage for r in informative)
        lines += [
            "",
            "## When return depends on the outcome",
            "",
            "No weighting by what was recorded before treatment can mend that. The interval of the estimated risk then held the "
            f"truth in as few as {_percent(worst)} % of replicates; the floor and the worst case are printed beside it for "
            "that reason, and their row above says how often they held it.",
        ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(".honesty"))
    parser.add_argument("--out", type=Path, default=ROOT / "reports" / "honesty.md")
    chosen = parser.parse_args()
    chosen.out.write_text(page(collect(chosen.folder)), encoding="utf-8")
    print(f"{chosen.out.name} written")


if __name__ == "__main__":
    main()
