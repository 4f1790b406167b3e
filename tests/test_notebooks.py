"""Each notebook runs from top to bottom, and is committed with the outputs of such a run."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("default")
def test_a_notebook_runs_and_prints_what_is_committed(path, tmp_path, monkeypatch):
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    committed = nbformat.read(path, as_version=4)
    run = nbformat.read(path, as_version=4)
    NotebookClient(run, timeout=900, kernel_name="python3").execute()
    for before, after in zip(committed.cells, run.cells, strict=True):
        if before.cell_type != "code":
            continue
        assert before.outputs, "a notebook is committed with its outputs"
        assert [_text(output) for output in before.outputs] == [_text(output) for output in after.outputs]


def _text(output):
    if output.output_type == "stream":
        return output.text
    return output.get("data", {}).get("text/plain")
