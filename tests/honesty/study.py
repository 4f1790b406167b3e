"""Run the study in pieces, both cores, and keep what is done: ``python tests/honesty/study.py --minutes 30``.

Each cell has a file of its own with one line for each block of replicates; a block that is there is never run again.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections import defaultdict
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import audits
import compared
import flagging
import kinds
import numpy as np
import shares
import thresholds
from answers import answers
from cells import Cell, draw, intercept
from grid import cells

BLOCK = {
    "rate": 500, "weighted": 250, "healing": 50, "compared": compared.BLOCK,
    "flagging": flagging.BLOCK, "standard": thresholds.STANDARD_BLOCK, "chart": thresholds.CHART_BLOCK,
    "shares": shares.BLOCK, **audits.BLOCK, **kinds.BLOCK,
}  # fmt: skip
FULL = {study: 2000 if study == "flagging" else 4000 for study in BLOCK} | audits.FULL | kinds.FULL
ASIDE = 10_000


def run_block(cell: Cell, block: int) -> dict[str, dict[str, float]]:
    """Replicates of one block, counted by method: answered, refused, truth below or above, width, events."""
    rng = np.random.default_rng(cell.seed(block))
    if cell.study in audits.BLOCK:
        return audits.block(cell, rng)
    if cell.study in kinds.BLOCK:
        return kinds.block(cell, rng)
    at = intercept(cell)
    if cell.study == "compared":
        return compared.block(cell, rng, at, block)
    if cell.study in ("flagging", "shares"):
        return flagging.block(cell, rng) if cell.study == "flagging" else shares.block(cell, rng)
    if cell.study in ("standard", "chart"):
        return thresholds.standard(cell, rng) if cell.study == "standard" else thresholds.chart(cell, rng)
    tally: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for _ in range(BLOCK[cell.study]):
        drawn = draw(cell, rng, at)
        for method, answer, truth in answers(cell, drawn, rng):
            kinds.tell(tally[method], answer, truth, float(drawn.event.sum()))
    return {method: dict(counted) for method, counted in tally.items()}


def _task(task: tuple[Cell, int, Path]) -> str:
    cell, block, folder = task
    found = {"block": block, "seed": cell.seed(block), "tally": run_block(cell, block)}
    with (folder / f"{cell.name}.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(found, ensure_ascii=False) + "\n")
    return cell.name


def done(cell: Cell, folder: Path) -> set[int]:
    """Blocks of a cell that are kept."""
    path = folder / f"{cell.name}.jsonl"
    if not path.exists():
        return set()
    return {json.loads(line)["block"] for line in path.read_text(encoding="utf-8").splitlines() if line}


def tasks(folder: Path, studies: set[str], aside: bool, most: int | None) -> list[tuple[Cell, int, Path]]:
    """What is left to do, every cell a block at a time, so that all grow together."""
    left = []
    for cell in cells():
        if cell.study in studies and cell.kept_aside == aside:
            wanted = most or (ASIDE if aside else FULL[cell.study])
            blocks = range(-(-wanted // BLOCK[cell.study]))
            left += [(block, i, cell) for i, block in enumerate(sorted(set(blocks) - done(cell, folder)))]
    return [(cell, block, folder) for block, _, cell in sorted(left, key=lambda t: t[:2])]


def main() -> None:
    """Run what is left for a number of minutes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, default=Path(".honesty"))
    parser.add_argument("--study", action="append", choices=sorted(BLOCK))
    parser.add_argument("--most", type=int, help="replicates of each cell; default: as many as certify it")
    parser.add_argument("--kept-aside", action="store_true", help="run the cells kept aside, once at the end")
    chosen = parser.parse_args()
    chosen.folder.mkdir(exist_ok=True)
    left = tasks(chosen.folder, set(chosen.study or BLOCK), chosen.kept_aside, chosen.most)
    stop = time.monotonic() + 60 * chosen.minutes
    ready = (task for task in left if time.monotonic() < stop)
    count = 0
    with multiprocessing.get_context("spawn").Pool(chosen.workers) as pool:
        for _ in pool.imap_unordered(_task, ready):
            count += 1
            if time.monotonic() > stop:
                pool.terminate()
                break
    print(f"{count} of {len(left)} blocks done")


if __name__ == "__main__":
    main()
