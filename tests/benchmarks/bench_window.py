"""How long the marking window takes: to open, to follow a drag, to turn to the next film; and whether it grows.

    python tests/benchmarks/bench_window.py [--shift FILMS]

On a screen of its own (Xvfb), 1366 x 768, without a graphics card; films are synthetic DICOM files of 2500 x 2000
pixels. `--shift` turns through so many films as in a shift of eight hours, and tells the memory. docs/speed.md has
the figures that were measured, and where.
"""

from __future__ import annotations

import argparse
import os
import runpy
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import psutil

from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

if TYPE_CHECKING:
    from annotate.window.main_window import MarkingWindow

ROWS, COLUMNS = 2500, 2000
SEEDS = (2, 3, 4, 5)
STARTS = 3
STEPS = 60
READING_S = 3.0
"""Somebody looks at each film for at least so long."""

SIZE = (1366, 768)
SCREEN = runpy.run_path(str(Path(__file__).parents[1] / "setup" / "virtual_screen.py"))

STARTER = """
import sys, time
began = float(sys.argv[1])
from annotate.window.film_view import FilmView
from annotate.window.marking import Marking
from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QApplication
from annotate.window.desk import Desk
painted, told = FilmView.paintEvent, Desk._show_proposal
seen = []

def paint(self, event):
    painted(self, event)
    if self._film is not None and not seen:
        seen.extend([time.time() - began, time.process_time()])

def tell(self, marking, proposal):
    told(self, marking, proposal)
    QApplication.processEvents()
    print(*seen, time.time() - began, time.process_time(), flush=True)
    self.session.abandon()
    QTimer.singleShot(0, self.on_close)

FilmView.paintEvent, Desk._show_proposal = paint, tell
from annotate.command_line import main
main(["place", *sys.argv[2:]])
"""


def films(folder: Path) -> list[Path]:
    """Synthetic films of a size that real ones have."""
    paths = []
    for seed in SEEDS:
        recipe = draw_recipe(seed, difficulty=0.1, rows=ROWS, columns=COLUMNS, placement=Placement.TRACHEA)
        paths.append(write_dicom(make_film(recipe), folder / f"bed {seed}.dcm"))
    return paths


@dataclass(frozen=True, slots=True)
class Clock:
    """Seconds of the wall's clock and of the processor; the second stays true on a busy machine."""

    wall: float = field(default_factory=time.perf_counter)
    processor: float = field(default_factory=time.process_time)

    def since(self, began: Clock) -> Clock:
        """What has passed."""
        return Clock(self.wall - began.wall, self.processor - began.processor)


def told(name: str, passed: list[Clock], unit: str = "ms") -> None:
    """Print median and worst of the wall's clock, and the median of the processor's."""
    factor = 1000.0 if unit == "ms" else 1.0
    walls = [factor * each.wall for each in passed]
    processor = statistics.median(factor * each.processor for each in passed)
    print(
        f"{name:<66} {statistics.median(walls):7.2f} {unit}, at most {max(walls):7.2f}; "
        f"processor {processor:7.2f} {unit}",
        flush=True,
    )


def starts(paths: list[Path]) -> None:
    """From the command to the first film, and on to its proposal, each in a new process."""
    first, proposed = [], []
    for _ in range(STARTS):
        command = [sys.executable, "-c", STARTER, str(time.time()), *map(str, paths)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
        seen, seen_busy, found, found_busy = map(float, done.stdout.split()[-4:])
        first.append(Clock(seen, seen_busy))
        proposed.append(Clock(found - seen, found_busy - seen_busy))
    told("lipmark place to the first film on the screen", first, "s")
    told("from there to its proposal", proposed, "s")


def until(happened: Callable[[], bool]) -> None:
    """Let the window live until something has happened."""
    from qtpy.QtWidgets import QApplication

    while not happened():
        QApplication.processEvents()
        time.sleep(0.002)


def looking(window: MarkingWindow) -> bool:
    """Whether the open film is still being searched."""
    return window.desk.marking is not None and window.desk.marking.looking


def drags(window: MarkingWindow) -> None:
    """From a step of the mouse to the finished frame, by the real pointer's events."""
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication

    desk, view = window.desk, window.view
    for look in ("whole", "mediastinum"):
        desk.act(look)
        QApplication.processEvents()
        tip = desk.marking.points("tip")[0]
        x, y = map(round, view.camera.on_screen((tip.row * desk.marking.film.pixel_aspect, tip.column)))
        none, left = Qt.KeyboardModifier.NoModifier, Qt.MouseButton.LeftButton
        QTest.mousePress(view, left, none, QPoint(x, y))
        times = []
        for step in range(1, STEPS + 1):
            began = Clock()
            QTest.mouseMove(view, QPoint(x, y + step))
            view.repaint()
            QApplication.processEvents()
            times.append(Clock().since(began))
        QTest.mouseRelease(view, left, none, QPoint(x, y + STEPS))
        QApplication.processEvents()
        told(f"a step of a drag to the finished frame, {look}", times)
    times = []
    for step in range(STEPS):
        began = Clock()
        view.camera = view.camera.moved(3.0 if step % 2 else -3.0, 2.0)
        view.repaint()
        QApplication.processEvents()
        times.append(Clock().since(began))
    told("a step of moving the film to the finished frame", times)


def turns(window: MarkingWindow, count: int) -> None:
    """Next film, prepared in the background while the one before was looked at."""
    from qtpy.QtWidgets import QApplication

    desk = window.desk

    def turned(action: str) -> Clock:
        began = Clock()
        desk.act(action)
        window.view.repaint()
        QApplication.processEvents()
        return Clock().since(began)

    there, back, proposed = [], [], 0
    for _ in range(count):
        end = time.monotonic() + READING_S
        until(lambda end=end: time.monotonic() > end)
        there.append(turned("next_film"))
        proposed += not looking(window)
    back.append(turned("previous_film"))
    told(f"next film, looked at {READING_S:g} s each ({proposed} of {count} already proposed)", there)
    told("previous film", back)


def shift(paths: list[Path], count: int) -> None:
    """Turn through many films as fast as they are proposed, and tell the memory."""
    from annotate.window.main_window import MarkingWindow
    from annotate.window.purpose import Purpose
    from annotate.window.session import Session

    process = psutil.Process()
    many = [paths[number % len(paths)] for number in range(count)]
    window = MarkingWindow(Session(many, Purpose(), ahead=2))
    window.start()
    for number in range(count):
        until(lambda: not looking(window))
        window.desk.act("accept")
        window.desk.act("mediastinum")
        window.desk.act("up")
        if number % max(count // 6, 1) == 0 or number == count - 1:
            print(f"  film {number + 1:>4}: {process.memory_info().rss / 2**20:7.0f} MiB", flush=True)
        window.desk.act("next_film")
    window.desk.session.abandon()
    window.close()


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shift", type=int, default=0, metavar="FILMS")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, SCREEN["virtual_screen"]():
        os.environ["XDG_DATA_HOME"] = name
        paths = films(Path(name))
        starts(paths)
        from annotate.window.application import application
        from annotate.window.main_window import MarkingWindow
        from annotate.window.purpose import FirstReading
        from annotate.window.session import Session

        application()
        window = MarkingWindow(Session(paths, FirstReading("AB"), ahead=2))
        window.setGeometry(0, 0, *SIZE)
        window.start()
        until(lambda: not looking(window))
        drags(window)
        turns(window, len(SEEDS) - 1)
        window.desk.session.abandon()
        window.close()
        if wanted.shift:
            shift(paths, wanted.shift)


if __name__ == "__main__":
    main()
