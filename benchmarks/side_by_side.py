"""ampsoak and general-purpose solvers on the same problems, side by side in one call.

Run: python benchmarks/side_by_side.py [--only P4,curve] [--runs 5] [--quick] [--json FILE]

Rows
----
P1, P2, P3, P4     from the problem to the last state of the reference histories (a cable in a stud bay or a bored hole)
curve P1, curve P4 limit curve of 24 currents, to 160 °C or 4 h
members            members with different properties, each at the 24 currents of P4; eight are run, and what 200 would
                   take is eight's time scaled
mesh               cost per unknown and step, and peak memory, from 5 thousand to 200 thousand cells; the cable lies off
                   centre, so that no mirror halves the work
start              fresh processes: with and without compiled kernels, and from the command to its first step

Solvers: ampsoak with the tolerance and mesh a user gets who sets neither; ngsolve (curved elements of order 2),
scikit-fem and finite volumes with CHOLMOD (cvxopt), each written as somebody who knows the library well would
(``solvers``), with meshes and steps about as coarse as the reference allows, which favours them. ngsolve; scikit-fem
with gmsh and meshio; and cvxopt are optional: rows whose package is missing are left out and named.

How it is measured: every solver sits in a process of its own, warmed by one run; then they take turns (A B C A B C
...), one thread each unless the row says otherwise (another solver spread over two processes would at best halve its
time for curves and members), and medians are told. Other load on the machine moves all of them: trust ratios of one
call, not seconds. "first" is what the first run in a process took beyond the median: compiled kernels read or, after
they changed, made. Peak memory is that of the process, with the interpreter and all packages. Error: the hotter loaded
conductor against tests/verification/data up to 250 °C at every time of the table, and each time to 60, 75, 90 and
160 °C; of a curve, the largest over its currents. A solver counts as "within" at 0.5 K and 1 % (P3 ends 6.8 K above
160 °C, so flat that 0.5 K is its sharper test). The fastest other solver is sought among those that are within. Members
have no reference: there the solvers are compared with each other, and a limit that is only just reached is reached at
times that differ most.

One JSON line per call is appended to benchmarks/results.jsonl (or ``--json``): versions, processor, load, all rows.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.metadata
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
LOADED_PACKAGES = ("numpy", "scipy", "numba", "ngsolve", "scikit-fem", "gmsh", "cvxopt")
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
KELVIN, PERCENT = 0.5, 1.0
_MESH_SIZES = ("5k", "10k", "20k", "50k", "100k", "200k")


@dataclass(frozen=True)
class Row:
    """One problem and the solvers that take turns on it; the first is the one others are compared with.

    Parameters
    ----------
    name : str
    solvers : dict       words for people to the name of a task
    wanted : float       times faster than the fastest other that is wanted; 0 when nothing is compared
    """

    name: str
    solvers: dict[str, str]
    wanted: float = 0.0


def _history(problem: str, **others: str) -> Row:
    return Row(problem, {"ampsoak": f"ampsoak history {problem}"} | others, 2.0)


_HELD = {"ngsolve P2 + splu held, TR-BDF2": "ngsolve history", "scikit-fem P2 + splu held, TR-BDF2": "skfem history"}
ROWS = (
    *(_history(p, **{words: f"{task} {p}" for words, task in _HELD.items()}) for p in ("P1", "P2", "P3")),
    _history(
        "P4",
        **{
            "ngsolve P2 + Cholesky, LI-SDIRK2": "ngsolve history P4",
            "finite volumes + CHOLMOD, LI-SDIRK2": "cvxopt history P4",
        },
    ),
    *(
        Row(
            f"curve {problem}",
            {
                "ampsoak, two threads": f"ampsoak curve {problem} 2",
                "ampsoak, one thread": f"ampsoak curve {problem} 1",
                words: f"ngsolve curve {problem}",
            },
            wanted,
        )
        for problem, words, wanted in (
            ("P1", "ngsolve, currents side by side", 2.0),
            ("P4", "ngsolve P2 + Cholesky, LI-SDIRK2", 4.0),
        )
    ),
    Row(
        "members",
        {
            "ampsoak, two threads": "ampsoak members 2",
            "ampsoak, one thread": "ampsoak members 1",
            "ngsolve P2 + Cholesky, LI-SDIRK2": "ngsolve members",
        },
        10.0,
    ),
    Row(
        "mesh",
        {
            f"ampsoak, about {size} cells, {words}": f"ampsoak mesh {size} {threads}"
            for threads, words in ((2, "two threads"), (1, "one thread"))
            for size in _MESH_SIZES
        },
    ),
)
STARTS = (  # words, mode, name, compiled kernels thrown away first, seconds wanted
    ("ampsoak: P4 to its last state, nothing compiled", "first", "ampsoak history P4", True, 20.0),
    ("ampsoak: P4 to its last state", "first", "ampsoak history P4", False, None),
    ("ampsoak run: command to first step", "command", "scenarios/2p5mm2_radial_stud_wall_gg.toml", False, 1.5),
    ("ngsolve: P4 to its last state", "first", "ngsolve history P4", False, None),
)


def _environment(**more: str) -> dict:
    """Of workers: one thread for libraries, this tree's ampsoak."""
    path = os.pathsep.join(filter(None, [str(ROOT / "src"), os.environ.get("PYTHONPATH")]))
    return dict(os.environ) | dict.fromkeys(THREADS, "1") | {"PYTHONPATH": path} | more


class Worker:
    """A solver in its own process."""

    def __init__(self, task: str, quick: bool):
        self.log = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115 - goes with the worker
        command = [sys.executable, str(HERE / "worker.py"), "serve", task, *(["--quick"] if quick else [])]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self.log, text=True, env=_environment()
        )
        self.runs: list[dict] = []
        self.missing = self.failed = None
        answer = self._answer()
        self.missing = answer.get("missing")

    def _answer(self) -> dict:
        line = self.process.stdout.readline()
        if not line:
            self.process.wait()
            self.log.seek(0)
            words = self.log.read().strip().splitlines()
            self.failed = words[-1] if words else f"ended with {self.process.returncode}"
            return {}
        return json.loads(line)

    @property
    def usable(self) -> bool:
        """Whether it can still be asked."""
        return not (self.missing or self.failed)

    def _say(self, word: str) -> dict:
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()
        return self._answer()

    def run(self) -> None:
        """Run once."""
        answer = self._say("run")
        if answer:
            self.runs.append(answer)

    def close(self) -> dict:
        """What it found, with medians; the first run is told apart."""
        if not self.usable:
            self.process.stdin.close()
            self.process.wait()
            return {"missing": self.missing} if self.missing else {"failed": self.failed}
        found = self._say("end")
        self.process.wait()
        if self.failed:
            return {"failed": self.failed}
        first, timed = self.runs[0], self.runs[1:]

        def median(key):
            return statistics.median(run[key] for run in timed)

        found |= {"wall": median("wall"), "cpu": median("cpu"), "least_wall": min(run["wall"] for run in timed)}
        found |= {"first_beyond": first["wall"] - found["wall"], "runs": len(timed)}
        if "per_unknown" in first:
            found["nanoseconds_per_unknown_and_step"] = median("per_unknown")
        return found


def measure(row: Row, runs: int, quick: bool) -> dict:
    """Let the solvers of a row take turns."""
    solvers = dict(list(row.solvers.items())[:3]) if quick and row.name == "mesh" else row.solvers
    before = os.getloadavg()[0]
    workers = {words: Worker(task, quick) for words, task in solvers.items()}
    for _ in range(1 + runs):
        for worker in workers.values():
            if worker.usable:
                worker.run()
    found = {words: worker.close() for words, worker in workers.items()}
    return {"row": row.name, "wanted": row.wanted, "load": [before, os.getloadavg()[0]], "solvers": found}


def within(found: dict, row: str) -> bool:
    """Whether a solver keeps to 0.5 K and 1 % (what is not known does not disqualify)."""
    percents = found.get("times_percent", [])
    percents = percents[:3] if row == "P3" else percents  # the last limit is flat there
    return found.get("error_kelvin", 0.0) <= KELVIN and all(p is not None and abs(p) <= PERCENT for p in percents)


def judge(result: dict) -> None:
    """Add how many times faster than the fastest other that is accurate enough the first solver is."""
    solvers = {words: found for words, found in result["solvers"].items() if "wall" in found}
    for found in solvers.values():
        found["within"] = within(found, result["row"])
    own = [words for words in solvers if words.startswith("ampsoak")]
    others = {words: found["wall"] for words, found in solvers.items() if words not in own and found["within"]}
    if result["wanted"] and own and others:
        fastest = min(others, key=others.get)
        result |= {"fastest_other": fastest, "times_faster": {w: others[fastest] / solvers[w]["wall"] for w in own}}
    reference = solvers.get(next(iter(result["solvers"])))
    for found in solvers.values():
        if reference is not None and result["row"] != "start":
            found["ratio"] = found["wall"] / reference["wall"]
        if "members" in found:
            found["members_per_second"] = found["members"] / found["wall"]
    _compare_members(result, solvers)


def _compare_members(result: dict, solvers: dict) -> None:
    """Largest difference of any time to a limit between the solvers, over all members [%]; the times are not kept."""
    times = {words: found.pop("member_times") for words, found in solvers.items() if "member_times" in found}
    if len(times) < 2:
        return
    base, *others = ([t for member in found for current in member for t in current] for found in times.values())
    result["members_differ_percent"] = max(
        100 * abs(theirs / ours - 1)
        for other in others
        for ours, theirs in zip(base, other, strict=True)
        if math.isfinite(ours) and math.isfinite(theirs)
    )
    result["members_differ_in_outcome"] = sum(
        math.isfinite(ours) != math.isfinite(theirs)
        for other in others
        for ours, theirs in zip(base, other, strict=True)
    )


def start_row(runs: int) -> dict:
    """Fresh processes, from their launch to the answer."""
    before, found = os.getloadavg()[0], {words: {"walls": []} for words, *_ in STARTS}
    for number in range(runs):
        for words, mode, name, cold, wanted in STARTS:
            if cold and number >= 1:  # takes long and hardly varies
                continue
            with tempfile.TemporaryDirectory() as folder:
                environment = _environment(**({"NUMBA_CACHE_DIR": folder} if cold else {}))
                name = str(ROOT / name) if mode == "command" else name
                begun = time.perf_counter()
                process = subprocess.Popen(
                    [sys.executable, str(HERE / "worker.py"), mode, name], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                    text=True, env=environment,
                )  # fmt: skip
                line = process.stdout.readline()
                taken = time.perf_counter() - begun
                _, errors = process.communicate()
            if not line:
                found[words] = {"failed": (errors.strip().splitlines() or ["no answer"])[-1], "walls": []}
                continue
            answer, entry = json.loads(line), found[words]
            if "missing" in answer:
                entry["missing"] = answer["missing"]
                continue
            entry["walls"].append(taken)
            entry |= {"wall": statistics.median(entry["walls"]), "peak_mib": answer["peak_mib"], "wanted": wanted}
            entry["runs"] = len(entry["walls"])
    for entry in found.values():
        del entry["walls"]
    return {"row": "start", "wanted": 0.0, "load": [before, os.getloadavg()[0]], "solvers": found}


# -- words -------------------------------------------------------------------------------------------------------------


def _number(value, form: str, width: int) -> str:
    return format("-" if value is None else format(value, form), f">{width}")


def say(result: dict) -> None:
    """Print one row."""
    mesh = result["row"] == "mesh"
    print(f"\n{result['row']}   (load of the machine {result['load'][0]:.1f} to {result['load'][1]:.1f})")
    last = "ns per unknown and step" if mesh else "error K   times to limits %"
    if result["row"] in ("members", "start"):
        last = ""
    columns = {"wall s": 9, "cpu s": 9, "ratio": 7, "first": 7, "MiB": 6, "cells": 8, "unknowns": 9, "steps": 7}
    print(" " * 52 + "".join(f"{title:>{width}}" for title, width in columns.items()) + f"  {last}")
    for words, found in result["solvers"].items():
        if "missing" in found:
            print(f"  {words:50s}left out: {found['missing']} is not installed")
            continue
        if "failed" in found:
            print(f"  {words:50s}failed: {found['failed']}")
            continue
        cells = ((found.get("wall"), ".3f", 9), (found.get("cpu"), ".3f", 9), (found.get("ratio"), ".2f", 7))
        cells += ((found.get("first_beyond"), ".1f", 7), (found["peak_mib"], ".0f", 6), (found.get("cells"), "d", 8))
        cells += ((found.get("unknowns"), "d", 9), (found.get("steps"), "d", 7))
        line = "".join(_number(*cell) for cell in cells)
        if mesh:
            line += f"  {found['nanoseconds_per_unknown_and_step']:.0f}"
        elif "error_kelvin" in found:
            percents = " ".join(
                "never" if p is None else format(p, ".2f" if result["row"].startswith("curve") else "+.2f")
                for p in found["times_percent"]
            )
            line += f"  {found['error_kelvin']:7.2f}   {percents}{'' if found['within'] else '   NOT WITHIN'}"
        elif "members_per_second" in found:
            rate = found["members_per_second"]
            line += f"  {found['members']} members: {rate:.3g}/s; 200 would take {200 / rate:.0f} s"
        elif found.get("wanted"):
            line += f"  wanted below {found['wanted']:g} s"
        print(f"  {words:50s}{line}")
    for words, times in result.get("times_faster", {}).items():
        print(f"  {words}: {times:.2f} times as fast as {result['fastest_other']} (wanted {result['wanted']:g})")
    if "members_differ_percent" in result:
        print(
            f"  largest difference of a time to a limit between solvers: {result['members_differ_percent']:.2f} %; "
            f"reached by one and not by the other: {result['members_differ_in_outcome']}"
        )
    if result["source_changed"]:
        print("  ATTENTION: ampsoak's sources changed during this row; its solvers may have run different code")
    if mesh:
        for threads in ("two threads", "one thread"):
            costs = [
                f["nanoseconds_per_unknown_and_step"]
                for words, f in result["solvers"].items()
                if "wall" in f and words.endswith(threads)
            ]
            if costs:
                flat = f"{max(costs) / min(costs):.2f} (wanted at most 1.5)"
                print(f"  {threads}: dearest over cheapest per unknown and step {flat}")
    sys.stdout.flush()


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), platform.machine())


def _commit() -> str | None:
    """Commit of the tree that is measured; "-dirty" when files differ from it."""
    command = ["git", "-C", str(ROOT), "describe", "--always", "--dirty"]
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return None


def _source_digest() -> str:
    """Digest of ampsoak's sources, to notice that somebody edits what is being measured."""
    found = hashlib.sha256()
    for path in sorted((ROOT / "src" / "ampsoak").rglob("*.py")):
        found.update(path.read_bytes())
    return found.hexdigest()[:12]


def _versions() -> dict[str, str | None]:
    found = {"ampsoak_commit": _commit(), "python": platform.python_version()}
    for name in LOADED_PACKAGES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return found


def main() -> None:
    """Measure, print, append."""
    names = [row.name for row in ROWS] + ["start"]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help=f"rows, comma between: {', '.join(names)}, or curve for both")
    parser.add_argument("--runs", type=int, default=5, help="timed runs per solver after the warming one")
    parser.add_argument(
        "--quick", action="store_true", help="one timed run, two members, no mesh above 20 thousand cells"
    )
    parser.add_argument("--json", type=Path, default=HERE / "results.jsonl", help="file that gets one line appended")
    given = parser.parse_args()
    words = [word for word in given.only.split(",") if word]
    chosen = [name for name in names if not words or any(word in (name, name.split()[0]) for word in words)]
    if not chosen or given.runs < 1:
        parser.error(f"--only names no row ({', '.join(names)}), or --runs is below 1")
    runs = 1 if given.quick else given.runs
    record = {
        "date": time.strftime("%Y-%m-%dT%H:%M:%S%z"), "processor": _processor(), "cores": os.cpu_count(),
        "versions": _versions(), "runs": runs, "quick": given.quick, "rows": [],
    }  # fmt: skip
    print(f"{record['processor']}, {record['cores']} cores, load {os.getloadavg()[0]:.1f}")
    print(f"{runs} timed runs of each solver after a warming one, taking turns")
    by_name = {row.name: row for row in ROWS}
    for name in chosen:
        digest = _source_digest()
        result = start_row(runs) if name == "start" else measure(by_name[name], runs, given.quick)
        result |= {"source": digest, "source_changed": _source_digest() != digest}
        judge(result)
        record["rows"].append(result)
        say(result)
    with given.json.open("a", encoding="utf-8") as file:
        file.write(json.dumps(record) + "\n")


if __name__ == "__main__":
    main()
