"""Runs that are killed while they write, run out of disk or get in each other's way; prints what was left as JSON.

Started as a program of its own, because it forks and kills. First argument: which experiment; second: a folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from pathlib import Path

from outcomes.errors import ReportError
from outcomes.records.load import Checked, check
from outcomes.report.checked import write_problems
from outcomes.report.writing import check_free, write_whole

STEPS = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree", "tempfile.mkdtemp"}


def report(mark: str, size: int = 20) -> dict[str, bytes]:
    names = ["audit.pdf", "figures/a.svg", "report.json", "tables/a.csv"]
    content = {name: (mark * size).encode() for name in names}
    return {**content, "report.json": json.dumps({"written": names, "mark": mark}).encode()}


def digests(folder: Path) -> dict[str, str]:
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def of(files: dict[str, bytes]) -> dict[str, str]:
    return {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())}


def in_child(act) -> int:
    """Run `act` in a child process; its exit status, negative for a signal."""
    sys.stdout.flush()
    child = os.fork()
    if not child:
        try:
            act()
        except ReportError:
            os._exit(1)
        except BaseException:
            os._exit(2)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def die_at(step: int, folder: Path) -> None:
    """Arrange for this process to be killed just before its nth step on the file system below a folder."""
    left = [step]

    def hook(event: str, arguments: tuple) -> None:
        if event in STEPS and str(folder) in str(arguments[:2]):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def killed_at_every_step(root: Path) -> dict:
    old, new = report("old"), report("new")
    found = []
    for step in range(1, 200):
        folder = root / f"at {step}" / "2026Q3"
        write_whole(folder, old)

        def act(folder=folder, step=step):
            die_at(step, folder.parent)
            write_whole(folder, new)

        status = in_child(act)
        gone = not folder.exists()
        check_free(folder, [])
        left = digests(folder)
        found.append(
            {
                "status": status,
                "gone": gone,
                "holds": "old" if left == of(old) else "new" if left == of(new) else "neither",
                "beside": sorted(p.name for p in folder.parent.iterdir() if p != folder),
            }
        )
        if status == 0:
            break
    return {"found": found}


def killed_in_restoring(root: Path) -> dict:
    """A run dies between its renames, and the next one at each step of putting the earlier report back."""
    old, new = report("old"), report("new")
    found = []
    for step in range(1, 50):
        folder = root / f"at {step}" / "2026Q3"
        write_whole(folder, old)

        def between(folder=folder):
            from outcomes.report import writing

            def swap(folder, fresh, earlier):
                folder.rename(earlier.with_name("old000"))
                os.kill(os.getpid(), signal.SIGKILL)

            writing._swap = swap
            write_whole(folder, new)

        def restoring(folder=folder, step=step):
            die_at(step, folder.parent)
            check_free(folder, [])

        first = in_child(between)
        gone = not folder.exists()
        second = in_child(restoring)
        check_free(folder, [])
        found.append({"first": first, "gone": gone, "second": second, "old": digests(folder) == of(old)})
        if second == 0:
            break
    return {"found": found}


def full_disk(root: Path) -> dict:
    folder = root / "full" / "2026Q3"
    write_whole(folder, report("old"))

    def act():
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        write_whole(folder, report("new", 2000))

    status = in_child(act)
    beside = [p.name for p in folder.parent.iterdir() if p != folder]
    return {"status": status, "old": digests(folder) == of(report("old")), "beside": beside}


def lists_on_a_full_disk(root: Path) -> dict:
    """The lists of a check, on a disk that takes next to nothing, and on one that takes a part."""
    found = []
    for number, limit in enumerate((10, 2_000)):
        folder = root / f"checked{number}"
        write_problems(faulty(root, 1), folder)
        old = digests(folder)
        more = faulty(root, 200)

        def act(limit=limit, more=more, folder=folder):
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            write_problems(more, folder)

        found.append([in_child(act), digests(folder) == old])
    return {"found": found}


def lists_killed_at_every_step(root: Path) -> dict:
    """The lists of a check, killed before each step on the file system: which pair is left, if any."""
    one, more = faulty(root, 1), faulty(root, 3)
    write_problems(one, root / "old")
    write_problems(more, root / "new")
    pairs = {name: digests(root / name) for name in ("old", "new")}
    found = []
    for step in range(1, 50):
        folder = root / f"at {step}"
        write_problems(one, folder)

        def act(folder=folder, step=step):
            die_at(step, folder)
            write_problems(more, folder)

        status = in_child(act)
        left = {name: digest for name, digest in digests(folder).items() if not name.startswith(".")}
        of_one_run = [name for name, pair in pairs.items() if left.items() <= pair.items()]
        write_problems(more, folder)
        mended = {name: d for name, d in digests(folder).items() if not name.startswith(".")} == pairs["new"]
        found.append({"status": status, "of": of_one_run, "names": sorted(left), "mended": mended})
        if status == 0:
            break
    return {"found": found}


def faulty(root: Path, rows: int) -> Checked:
    head = (
        "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
    )
    lines = [f"R{i},P{i},S{i},2026-03-02,A,neck,II,,5,1" for i in range(rows)]
    (root / "export.csv").write_text("\n".join([head, "R,P,S,2026-03-02,A,neck,II,12,5,1", *lines]), encoding="utf-8")
    return check(root / "export.csv")


def read_only(root: Path) -> dict:
    """A folder of reports that nobody may write to; root, who may write anywhere, becomes nobody."""
    with tempfile.TemporaryDirectory() as place:
        shelf = Path(place) / "reports"
        folder = shelf / "2026Q3"
        write_whole(folder, report("old"))
        write_problems(faulty(root, 1), shelf / "checked")
        lists, checked = digests(shelf / "checked"), faulty(root, 3)
        Path(place).chmod(0o755)
        for path in (shelf, folder, shelf / "checked"):
            path.chmod(0o555)

        def as_nobody(act):
            def dropped():
                if os.getuid() == 0:
                    os.setgid(65534)
                    os.setuid(65534)
                act()

            return in_child(dropped)

        status = [
            as_nobody(lambda: write_whole(folder, report("new"))),
            as_nobody(lambda: write_whole(shelf / "2026Q4", report("new"))),
            as_nobody(lambda: write_problems(checked, shelf / "checked")),
        ]
        same = digests(folder) == of(report("old")) and digests(shelf / "checked") == lists
        names = sorted(p.name for p in shelf.iterdir())
        for path in (shelf, folder, shelf / "checked"):
            path.chmod(0o755)
    return {"status": status, "same": same, "names": names}


def at_the_same_time(root: Path) -> dict:
    folder = root / "shared" / "2026Q3"
    marks = ("one", "two", "three")
    children = []
    for mark in marks:
        child = os.fork()
        if not child:
            try:
                for _ in range(40):
                    check_free(folder, [])
                    write_whole(folder, report(mark))
            except BaseException as fault:
                print(f"{mark}: {fault!r}", file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        children.append(child)
    failed = sum(os.waitpid(child, 0)[1] != 0 for child in children)
    return {
        "failed": failed,
        "whole": digests(folder) in [of(report(mark)) for mark in marks],
        "beside": [p.name for p in folder.parent.iterdir() if p != folder],
    }


def killed_while_typesetting(root: Path, kills: int = 36) -> dict:
    """Kill at random moments of `typeset`, drawing, compiling and writing alike."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
    import sample_findings
    from sample_cases import SCOPE, cases

    from outcomes.report.compose import compose
    from outcomes.report.typeset import typeset

    findings = sample_findings.findings()
    reports = [compose(findings, cases(), SCOPE, organisation=name) for name in ("Clinic one", "Clinic two")]
    whole, longest = [], 0.0
    for i, made in enumerate(reports):
        started = time.monotonic()
        # In a child: threads that the typesetter starts would not live through a fork.
        assert in_child(lambda made=made, i=i: typeset(made, root / f"whole {i}")) == 0
        longest = time.monotonic() - started
        whole.append(digests(root / f"whole {i}"))
    folder, draw = root / "Q", random.Random(7)
    assert in_child(lambda: typeset(reports[0], folder)) == 0
    held, results = 0, []
    for _ in range(kills):
        child = os.fork()
        if not child:
            typeset(reports[1 - held], folder)
            os._exit(0)
        time.sleep(draw.uniform(0.0, 1.1 * longest))
        os.kill(child, signal.SIGKILL)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        check_free(folder, [])
        left = digests(folder)
        results.append("old" if left == whole[held] else "new" if left == whole[1 - held] else "neither")
        if results[-1] == "new":
            held = 1 - held
        if status == 0 and results[-1] == "old":
            results[-1] = "not written"
    return {"results": results, "beside": [p.name for p in root.iterdir() if p.name.startswith(".")]}


if __name__ == "__main__":
    print(json.dumps(globals()[sys.argv[1]](Path(sys.argv[2]))))
