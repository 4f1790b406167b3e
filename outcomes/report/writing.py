"""A report folder is written whole or not at all, and never over anything that is not a report."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from outcomes.errors import ReportError

REPORT_FILES = ("audit.pdf", "report.json", "refused.csv", "problems.csv")
REPORT_FOLDERS = ("tables", "figures")
_DROPPINGS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})  # left by file browsers


def check_free(out: Path, inputs: Iterable[Path]) -> None:
    """Stop before anything is written where writing would destroy something.

    Raises
    ------
    ReportError
        If `out` is a file, holds an input, lies within one, or holds anything but an earlier report.
    """
    folder = out.resolve()
    for path in inputs:
        if folder == path.resolve() or folder in path.resolve().parents:
            raise ReportError(
                f"The folder {out.name} holds a file that the audit reads, {path.name}.",
                "Choose another folder with --out.",
            )
    if not folder.exists():
        return
    if not folder.is_dir():
        raise ReportError(f"{out.name} is a file, not a folder.", "Choose another folder with --out.")
    foreign = _foreign(folder)
    if foreign:
        raise ReportError(
            f"The folder {out.name} holds something that is not part of an earlier report: {foreign[0]}.",
            "Move it elsewhere, or choose another folder with --out.",
        )


def _foreign(folder: Path) -> list[str]:
    """Entries of a folder that an earlier report did not write."""
    written = _written_before(folder)
    found = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir() or p.is_symlink())
    return [name for name in found if name not in written and name.rsplit("/", 1)[-1] not in _DROPPINGS]


def _written_before(folder: Path) -> frozenset[str]:
    try:
        listed = json.loads((folder / "report.json").read_text(encoding="utf-8"))["written"]
        return frozenset(str(name) for name in listed) & frozenset(_possible(listed))
    except (OSError, ValueError, KeyError, TypeError):
        return frozenset()


def _possible(names: Iterable[str]) -> Iterable[str]:
    for name in map(str, names):
        head, _, rest = name.partition("/")
        if name in REPORT_FILES or (head in REPORT_FOLDERS and rest and "/" not in rest):
            yield name


def write_whole(out: Path, files: dict[str, bytes]) -> None:
    """Write files into a folder so that it holds all of them or what it held before.

    Parameters
    ----------
    out : Path
        Folder of the report; its earlier content is replaced.
    files : dict of str to bytes
        Content by path within the folder.

    Raises
    ------
    ReportError
        If the disk refuses; the folder is then as it was.
    """
    folder = out.resolve()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        # A sibling, so that the swap is two renames on one disk.
        workshop = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as fault:
        raise _refused(out, fault) from None
    try:
        fresh, earlier = workshop / "new", workshop / "old"
        for name, content in files.items():
            path = fresh / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        _swap(folder, fresh, earlier)
    except OSError as fault:
        raise _refused(out, fault) from None
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def _swap(folder: Path, fresh: Path, earlier: Path, rename: Callable[[Path, Path], object] = Path.rename) -> None:
    if not folder.exists():
        rename(fresh, folder)
        return
    rename(folder, earlier)
    try:
        rename(fresh, folder)
    except BaseException:
        earlier.rename(folder)
        raise


def _refused(out: Path, fault: OSError) -> ReportError:
    return ReportError(
        f"The report cannot be written to {out.name}: {fault.strerror or type(fault).__name__}.",
        "Close programs that have the earlier report open, check the permissions and the space left, and try again.",
    )
