"""Progress on standard error: a bar on a terminal, elsewhere one plain line per tenth."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ampsoak.cli.talk import Talk


@contextmanager
def history_progress(talk: Talk) -> Iterator[Callable | None]:
    """Yield what ``study.run.simulate`` calls as it steps: (time, duration, hottest part, its temperature [K])."""
    from ampsoak.coverage.words import temperature_words, time_words

    with _progress(talk, "history") as show:

        def stepped(at: float, duration: float, part: str, temperature: float) -> None:
            words = f"{time_words(at)} of {time_words(duration)}, hottest {part} {temperature_words(temperature)}"
            show(at / duration if duration > 0 else 1.0, words)

        yield None if talk.quiet else stepped


@contextmanager
def curve_progress(talk: Talk) -> Iterator[Callable | None]:
    """Yield what ``study.curve.limit_curve`` calls as currents are done: (done, total, current [A])."""
    from ampsoak.coverage.words import current_words

    with _progress(talk, "limit curve") as show:

        def stepped(done: int, total: int, current: float) -> None:
            show(done / total if total else 1.0, f"{done} of {total} currents, {current_words(current)} done")

        yield None if talk.quiet else stepped


@contextmanager
def protected_progress(talk: Talk, courses: int = 4) -> Iterator[Callable | None]:
    """Yield what ``study.protection.protected_run`` calls as it steps: (course, time, end of it).

    Parameters
    ----------
    talk : Talk
    courses : int    how many are stepped at most: no device and each edge; fewer are where an edge never opens
    """
    from ampsoak.coverage.words import time_words

    with _progress(talk, "devices in the loop") as show:
        begun: list[str] = []
        furthest = [0.0]

        def stepped(course: str, at: float, end: float) -> None:
            if course not in begun:
                begun.append(course)
            share = min(at / end, 1.0) if end > 0 else 1.0
            # a course may end early or go on past the history; what is shown never goes back, nor is it done too soon
            furthest[0] = max(furthest[0], min((len(begun) - 1 + share) / courses, 0.999))
            show(furthest[0], f"{course}, {time_words(at)}")

        yield None if talk.quiet else stepped
        show(1.0, "every course followed")


@contextmanager
def peaks_progress(talk: Talk) -> Iterator[Callable | None]:
    """Yield what ``study.peaks.peaks_after_opening`` calls as it steps: (done, total, course, time, end of it)."""
    from ampsoak.coverage.words import time_words

    with _progress(talk, "peaks") as show:

        def stepped(done: int, total: int, course: str, at: float, end: float) -> None:
            show(done / total, f"{done} of {total} currents, {course}, {time_words(at)}")

        yield None if talk.quiet else stepped
        show(1.0, "every current followed")


@contextmanager
def _progress(talk: Talk, label: str) -> Iterator[Callable[[float, str], None]]:
    """Yield a function (fraction done, words) that shows how far ``label`` has come."""
    if talk.quiet:
        yield lambda fraction, words: None
    elif talk.live:
        with _bar(talk, label) as show:
            yield show
    else:
        yield PlainLines(talk, label).show


@contextmanager
def _bar(talk: Talk, label: str) -> Iterator[Callable[[float, str], None]]:
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}"), BarColumn(bar_width=24), TaskProgressColumn(), TextColumn("{task.fields[words]}"),
        TextColumn("ETA"), TimeRemainingColumn(compact=True), console=talk.error_console, transient=True,
    )
    with bar:
        task = bar.add_task(label, total=1.0, words="")
        yield lambda fraction, words: bar.update(task, completed=fraction, words=words)


class PlainLines:
    """Progress as lines, one for each tenth that is passed.

    Parameters
    ----------
    talk : Talk
    label : str       what is being computed
    clock : callable  seconds; replaced in tests
    """

    def __init__(self, talk: Talk, label: str, clock: Callable[[], float] = time.monotonic):
        self._talk, self._label, self._clock = talk, label, clock
        self._begun, self._tenths = clock(), 0

    def show(self, fraction: float, words: str) -> None:
        """Write a line if ``fraction`` (0 to 1) has passed another tenth."""
        tenths = int(10 * fraction + 1e-9)
        if tenths <= self._tenths:
            return
        self._tenths = tenths
        elapsed = self._clock() - self._begun
        left = f", about {elapsed * (1 - fraction) / fraction:.0f} s left" if fraction < 1 else f", took {elapsed:.0f} s"
        self._talk.say(f"{self._label} {10 * tenths} %: {words}{left}")
