"""A report folder is written whole or not at all, and never over anything that is not a report.

The new report is built in a hidden folder beside the old one, and two renames exchange them. A run that is killed
between the two leaves no report in its place and the earlier one, whole, in the hidden folder; the next run puts it
back before it does anything else. A lock that ends with its process tells a run that was killed from one that is
still at work, and runs that look at a folder or exchange it do so one after the other.
"""

from __future__ import annotations

import errno
import glob
import io
import json
import os
import secrets
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from outcomes.errors import ReportError

KINDS = ("audit", "benchmark")
REPORT_FILES = (
    *(f"{kind}.{form}" for kind in KINDS for form in ("pdf", "html", "xlsx")),
    "report.json", "refused.csv", "problems.csv", "review.csv",
)  # fmt: skip
REPORT_FOLDERS = ("tables", "figures")
_DROPPINGS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})  # left by file browsers
_OWNER, _NEW, _OLD = "owner", "new", "old"
_ATTEMPTS = 200
_WAIT_S = 0.05
_TAKEN = (errno.ENOTEMPTY, errno.EEXIST)
_LIVE = ("=", "+", "-", "@", "\t", "\n", "＝", "＋", "－", "＠")


def check_free(out: Path, inputs: Iterable[Path]) -> None:
    """Stop before anything is written where writing would destroy something.

    An earlier report that a killed run had moved aside is put back first.

    Raises
    ------
    ReportError
        If `out` is a file, holds an input, holds the folder one works in, is the top of a disk, or holds
        anything but an earlier report.
    """
    folder = _resolved(out)
    with _alone(folder.parent):
        _check(folder, inputs)


def _check(folder: Path, inputs: Iterable[Path]) -> None:
    _restore(folder)
    for path in inputs:
        place = _resolved(path)
        if folder == place or folder in place.parents:
            raise ReportError(
                f"The folder {folder.name} holds a file that the audit reads, {path.name}.",
                "Choose another folder with --out.",
            )
    if not folder.exists():
        return
    if not folder.is_dir():
        raise ReportError(f"{folder.name} is a file, not a folder.", "Choose another folder with --out.")
    if os.path.ismount(folder):
        raise ReportError(
            f"{folder.name or 'The folder'} is the top of a disk, which cannot be replaced as a whole.",
            "Choose a folder within it with --out.",
        )
    here = Path.cwd()
    if folder == here or folder in here.parents:
        raise ReportError(
            f"{folder.name} is the folder that the command runs in, or holds it, and a report replaces its whole "
            "folder.",
            "Choose a folder within it with --out.",
        )
    foreign = _foreign(folder)
    if foreign:
        raise ReportError(
            f"The folder {folder.name} holds something that is not part of an earlier report: {foreign[0]}.",
            "Move it elsewhere, or choose another folder with --out.",
        )


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError):  # links that lead in a circle
        raise ReportError(f"{path.name} is a link that leads nowhere.", "Choose another folder with --out.") from None


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
        Folder of the report; its earlier content is replaced. Of two runs that write at the same time, the one
        that ends later stands.
    files : dict of str to bytes
        Content by path within the folder.

    Raises
    ------
    ReportError
        If the disk refuses, or the folder has come to hold something else; it is then as it was.
    """
    folder = _resolved(out)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _alone(folder.parent):  # or another run might take the hidden folder for that of a killed one
            # A sibling, so that the swap is two renames on one disk.
            workshop = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
            owner = (workshop / _OWNER).open("x+", encoding="utf-8")
            _lock(owner.fileno())
            owner.write(folder.name)
            owner.flush()
    except OSError as fault:
        raise _refused(out, fault) from None
    try:
        with owner:
            for name, content in files.items():
                path = workshop / _NEW / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
            with _alone(folder.parent):
                _check(folder, ())  # somebody may have put a file there in the meantime
                _swap(folder, workshop / _NEW, workshop / _OLD)
            for earlier in workshop.glob(f"{_OLD}*"):
                shutil.rmtree(earlier, ignore_errors=True)
    except OSError as fault:
        raise _refused(out, fault) from None
    finally:
        if folder.exists() or not _moved_aside(workshop):
            shutil.rmtree(workshop, ignore_errors=True)


def _swap(folder: Path, fresh: Path, earlier: Path, rename: Callable[[Path, Path], object] = Path.rename) -> None:
    """Put `fresh` in the place of `folder`, which is moved aside to `earlier` and a number."""
    for attempt in range(_ATTEMPTS):
        aside: Path | None = earlier.with_name(f"{earlier.name}{attempt:03d}")
        try:
            rename(folder, aside)  # type: ignore[arg-type]
        except FileNotFoundError:  # there was none, or another run has just moved it aside
            aside = None
        try:
            rename(fresh, folder)
            return
        except BaseException as fault:
            taken = isinstance(fault, OSError) and fault.errno in _TAKEN
            if taken and attempt + 1 < _ATTEMPTS:
                continue  # another run was faster: its report is whole, and ours comes after it
            if aside is not None and not taken:
                aside.rename(folder)
            raise


def _moved_aside(workshop: Path) -> list[Path]:
    """Earlier reports that a run has moved into its hidden folder, the latest first."""
    try:
        return sorted(workshop.glob(f"{_OLD}*"), reverse=True)
    except OSError:  # the run has just cleared its folder away
        return []


def _restore(folder: Path) -> None:
    """Put back an earlier report that a killed run had moved aside, and clear away what killed runs left."""
    for workshop in sorted(folder.parent.glob(f".{glob.escape(folder.name)}-*")):
        with _held(workshop / _OWNER, folder.name) as held:
            if not held:
                continue
            found = _moved_aside(workshop)
            if found and not folder.exists():
                try:
                    found[0].rename(folder)
                except OSError as fault:
                    raise _refused(folder, fault) from None
        shutil.rmtree(workshop, ignore_errors=True)


@contextmanager
def _held(owner: Path, name: str) -> Iterator[bool]:
    """Hold a hidden folder whose run has ended; False for one of a run at work, or of another folder."""
    try:
        file = owner.open("r+", encoding="utf-8")
    except OSError:
        yield False
        return
    with file:
        try:
            held = _lock(file.fileno()) and file.read() == name
        except (OSError, ValueError):
            held = False
        yield held


@contextmanager
def _alone(parent: Path) -> Iterator[None]:
    """Wait for other runs that are at work on reports of the same folder; not for longer than some seconds."""
    try:
        handle = os.open(parent, os.O_RDONLY)
    except OSError:  # there is no such folder yet, or the system opens none: runs then only retry
        yield
        return
    try:
        for _ in range(_ATTEMPTS):
            if _lock(handle):
                break
            time.sleep(_WAIT_S)
        yield
    finally:
        os.close(handle)


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> bool:
        """Lock a file until it is closed or its process ends; False where another process has it."""
        try:
            os.lseek(handle, 1 << 20, os.SEEK_SET)  # past the text, which stays readable
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True
else:
    import fcntl

    def _lock(handle: int) -> bool:
        """Lock a file until it is closed or its process ends; False where another process has it."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


def replace_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write files that belong together, each whole or not at all; a link in the place of one is replaced.

    A run that is killed may leave some of them away, for the next run to write, and never one beside another of a
    different run: all but the first are taken away before the first is replaced.

    Raises
    ------
    OSError
        If the disk refuses; the files are then as they were, unless it refuses to rename.
    """
    fresh = {name: folder / f".{name}-{secrets.token_hex(4)}" for name in files}
    try:
        for name, content in files.items():
            with fresh[name].open("xb") as file:
                file.write(content)
        for name in list(files)[1:]:
            (folder / name).unlink(missing_ok=True)
        for name in files:
            fresh[name].replace(folder / name)
    except BaseException:
        for path in fresh.values():
            path.unlink(missing_ok=True)
        raise


def csv_bytes(frame: pd.DataFrame) -> bytes:
    r"""A frame as CSV that a spreadsheet shows and never computes.

    Text that a spreadsheet would take for a formula gets an apostrophe before it: headers and codes come from
    outside, and a header may be ``=HYPERLINK(…)``.

    Examples
    --------
    >>> csv_bytes(pd.DataFrame({"column": ["=1+1", "Energy"], "row": [2, -3]})).decode()
    "column,row\n'=1+1,2\nEnergy,-3\n"
    """
    texts = [name for name in frame.columns if frame[name].dtype.kind == "O"]
    shown = frame.astype(dict.fromkeys(texts, "object")).assign(**{name: frame[name].map(_inert) for name in texts})
    buffer = io.StringIO()
    shown.to_csv(buffer, index=False, float_format="%.10g", lineterminator="\n")
    return buffer.getvalue().encode("utf-8")


def _inert(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    text = cell.replace("\r\n", "\n").replace("\r", "\n")  # a lone return would end the row
    return f"'{text}" if text.startswith(_LIVE) else text


def _refused(out: Path, fault: OSError) -> ReportError:
    return ReportError(
        f"The report cannot be written to {out.name}: {fault.strerror or type(fault).__name__}.",
        "Close programs that have the earlier report open, check the permissions and the space left, and try again.",
    )
