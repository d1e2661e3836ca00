"""One solver in a process of its own, so that its peak memory is its own; spoken to by ``side_by_side.py``.

worker.py serve NAME [--quick]     build the task, then run it once per line on standard input until "end"; answers in JSON
worker.py first NAME               run the task once and say "first"
worker.py command FILE             run the command ``ampsoak run FILE`` and say "first" at its first step
"""

from __future__ import annotations

import json
import os
import resource
import sys
import tempfile
import time


def _own_output():
    """Standard output for answers only: what libraries print goes to standard error."""
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(2, 1)
    return answers


def _peak() -> float:
    """Peak resident memory of this process [MiB]; Linux counts in KiB, macOS in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (2**20 if sys.platform == "darwin" else 2**10)


def serve(name: str, quick: bool, answers) -> None:
    """Answer every "run" with what it took."""
    import tasks

    def tell(**answer):
        print(json.dumps(answer), file=answers)

    try:
        task = tasks.make(name, quick)
    except ModuleNotFoundError as missing:
        if missing.name.startswith("ampsoak"):
            raise
        tell(missing=missing.name)
        return
    tell(ready=True)
    outcome = None
    for line in sys.stdin:
        if line.strip() == "end":
            peak = _peak()  # before errors are looked at
            tell(**task.assess(outcome), peak_mib=peak)
            return
        outcome = None  # one outcome at a time counts towards the peak
        wall, cpu = time.perf_counter(), time.process_time()
        outcome = task.run()
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        part = {}
        if name.startswith("ampsoak mesh"):
            part = {"per_unknown": task.assess(outcome)["nanoseconds_per_unknown_and_step"]}
        tell(wall=wall, cpu=cpu, **part)


def first(name: str, answers) -> None:
    """Run once; the caller holds the watch."""
    import tasks

    try:
        task = tasks.make(name, True)
    except ModuleNotFoundError as missing:
        if missing.name.startswith("ampsoak"):
            raise
        print(json.dumps({"missing": missing.name}), file=answers)
        return
    task.run()
    print(json.dumps({"first": True, "peak_mib": _peak()}), file=answers)


def command(scenario: str, answers) -> None:
    """The command up to its first step."""
    from ampsoak.cli.main import main
    from ampsoak.heat.stepping import Stepper

    steps = Stepper.steps

    def told(stepper, until):
        for _ in steps(stepper, until):
            print(json.dumps({"first": True, "peak_mib": _peak()}), file=answers)
            raise SystemExit(0)
        yield

    Stepper.steps = told
    with tempfile.TemporaryDirectory() as folder:
        sys.argv = ["ampsoak", "run", scenario, "-o", os.path.join(folder, "run.h5"), "--quiet"]
        main()


if __name__ == "__main__":
    mode, what, *options = sys.argv[1:]
    if mode == "serve":
        serve(what, "--quick" in options, _own_output())
    else:
        {"first": first, "command": command}[mode](what, _own_output())
