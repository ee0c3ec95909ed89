"""How long the marking window takes to follow a drag, on a film of 3000 x 2500 pixels.

    python tests/benchmarks/bench_window.py

From a step of the mouse to the new Reading, to the new drawing and panel, and to the finished picture.
On a screen of its own, drawn without a graphics card: a computer that has one draws faster. Medians;
docs/speed.md has the figures that were measured, and where.
"""

from __future__ import annotations

import runpy
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from annotate.window.marking import Marking
from annotate.window.purpose import Purpose
from annotate.window.session import Session
from imaging.film import Film
from imaging.propose import Proposal
from measure.landmarks import Landmark, Landmarks, Source
from measure.spacing import Plane, Spacing, SpacingSource

ROWS, COLUMNS, MM = 3000, 2500, 0.14
STEPS = 60
SCREEN = runpy.run_path(str(Path(__file__).parents[1] / "setup" / "virtual_screen.py"))

PROPOSED = Landmarks(
    tip=Landmark(1000.0, 1250.0, 8.0, Source.PROPOSED, 0.9),
    carina=Landmark(1400.0, 1260.0, 15.0, Source.PROPOSED, 0.9),
    airway_path=tuple(Landmark(1000.0 + 50 * k, 1250.0 + k, 9.0, Source.PROPOSED, 0.9) for k in range(8)),
)


def film() -> Film:
    """Grey noise with a spacing."""
    pixels = np.random.default_rng(1).random((ROWS, COLUMNS), dtype=np.float32)
    return Film(pixels, "noise", spacing=Spacing(MM, MM, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING))


def measured(name: str, step: Callable[[int], object]) -> None:
    """Print median and 95th percentile in milliseconds."""
    step(0)
    times = []
    for number in range(1, STEPS + 1):
        start = time.perf_counter()
        step(number)
        times.append(1000.0 * (time.perf_counter() - start))
    late = statistics.quantiles(times, n=20)[-1]
    print(f"{name:<52} {statistics.median(times):6.1f} ms, 95 % within {late:6.1f} ms")


def main() -> None:
    """Measure."""
    held = film()
    marking = Marking("noise", held, Proposal(PROPOSED))

    def read(number: int) -> object:
        marking.show(marking.moved("tip", 0, (900.0 + number, 1250.0)))
        return marking.reading

    measured("a step of the mouse to the new Reading", read)
    with SCREEN["virtual_screen"]():
        from napari.qt import get_qapp

        from annotate.window.main_window import MarkingWindow

        app = get_qapp()
        purpose = Purpose()
        purpose.proposes = False
        window = MarkingWindow(Session([Path("noise")], purpose, load=lambda _: held))
        window.start()
        desk = window.desk
        assert desk.marking is not None
        desk.marking.proposal = Proposal(PROPOSED)
        desk.on_mediastinum()
        app.processEvents()
        assert desk.take_near((1000.0, 1250.0), 20.0)

        def drag(number: int) -> None:
            desk.drag((-float(number), 0.0))
            desk.hover((1000.0 - number, 1250.0))

        def seen(number: int) -> None:
            drag(number)
            app.processEvents()

        measured("a step to the new drawing, magnifier and panel", drag)
        measured("a step to the finished picture, no graphics card", seen)
        desk.drop((0.0, 0.0))
        window.close()


if __name__ == "__main__":
    main()
