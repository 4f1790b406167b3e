"""The floors hold: import contracts are kept, every module is on a floor, no file is two rooms in one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "outcomes"
LONGEST_FILE = 400


def test_imports_only_go_down():
    run = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c(['--no-cache'])"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout
    assert "0 broken" in run.stdout


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_file_is_two_rooms(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_FILE


def test_only_wording_turns_a_number_into_text():
    """A format code with decimals (``:.2f``) outside the wording room is a number turned into text."""
    import re

    spec = re.compile(r"\{[^{}]*:[^{}]*\.\d*[fge%]\}")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for floor in ("questions", "figures", "report", "cli.py", "findings.py")
        for path in ([PACKAGE / floor] if floor.endswith(".py") else sorted((PACKAGE / floor).rglob("*.py")))
        if path.exists()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if spec.search(line)
    ]
    assert found == []
