"""A real pointer on a screen of its own (xdotool on Xvfb): what a hand that is not quite still takes and does."""

import random
import subprocess
import sys
import time

import numpy as np
import pytest

from annotate.logbook.store import Logbook
from annotate.window.purpose import Purpose
from imaging.film import Film
from imaging.propose import Proposal
from measure.landmarks import Landmark, Landmarks, Source
from measure.spacing import Plane, Spacing, SpacingSource
from synthetic_images.anatomy import build_anatomy
from synthetic_images.recipe import Placement, draw_recipe
from synthetic_images.truth import find_truth
from synthetic_images.tube import place_tube

FILMS = range(20)
SCATTER_PX = 4
PATH_POINTS = 14
SIDE_PX, FILM_MM = 1200, 400.0


class Looked(Purpose):
    """Marks that are not kept."""

    proposes = False


def xdotool(*commands):
    subprocess.run(["xdotool", *" ".join(commands).split()], check=True, timeout=120)


def proposed_as(seed):
    """Tip, carina and a dense airway path between them, where a synthetic patient has them."""
    recipe = draw_recipe(seed, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX, placement=Placement.TRACHEA)
    body = build_anatomy(recipe)
    truth = find_truth(body, place_tube(body)).landmarks()
    tip, carina = truth.tip, truth.carina
    path = tuple(
        Landmark(row, column, 6.0, Source.PROPOSED, 0.9)
        for row, column in zip(
            np.linspace(tip.row - 40.0, carina.row, PATH_POINTS),
            np.linspace(tip.column, carina.column, PATH_POINTS),
            strict=True,
        )
    )
    return Landmarks(
        tip=Landmark(tip.row, tip.column, 8.0, Source.PROPOSED, 0.9),
        carina=Landmark(carina.row, carina.column, 12.0, Source.PROPOSED, 0.9),
        airway_path=path,
    )


@pytest.mark.parametrize("look", ["whole", "mediastinum"])
def test_tip_or_carina_is_taken_with_every_press_near_one(open_window, look):
    mm = FILM_MM / SIDE_PX
    film = Film(
        np.full((SIDE_PX, SIDE_PX), 0.5, np.float32),
        spacing=Spacing(mm, mm, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING),
    )
    reader = open_window("noise", purpose=Looked(), load=lambda _: film)
    scatter, taken = random.Random(14), []
    for seed in FILMS:
        reader.marking.restore(type(reader.marking.marks)(), {})
        reader.marking.proposal = Proposal(proposed_as(seed))
        reader.desk.act(look)
        reader.desk.refresh()
        reader.settle()
        for name in ("tip", "carina"):
            reader.desk.points.selected = ""
            corner = reader.canvas.mapToGlobal(reader.on_screen(*reader.at(name)))
            across, down = (scatter.randint(-SCATTER_PX, SCATTER_PX) for _ in range(2))
            xdotool(f"mousemove {corner.x() + across} {corner.y() + down}", "mousedown 1")
            reader.until(lambda: reader.desk.points.dragging or reader.canvas._doing is not None, "the press")
            taken.append((name, reader.desk.points.selected))
            xdotool("mouseup 1")
            reader.until(lambda: not reader.desk.points.dragging and reader.canvas._doing is None, "the release")
    assert len(taken) == 2 * len(FILMS)
    assert all(meant == got for meant, got in taken), taken


DRIVEN = """
import sys
from annotate.window import main_window
from annotate.command_line import main

class Placed(main_window.MarkingWindow):
    def start(self, number=0):
        super().start(number)
        self.move(0, 0)
        print("open", flush=True)

main_window.MarkingWindow = Placed
main(["place", *sys.argv[1:]])
"""
PRESSES = 2000
KEYS = (
    *"tcovakmfighyb123jlunpu",
    *("Tab", "space", "Delete", "BackSpace", "Escape", "Up", "Down", "Left", "Right", "plus", "minus", "Return"),
    *("ctrl+z", "ctrl+y", "ctrl+s", "ctrl+c", "shift+Up", "ctrl+Up", "ctrl+Left", "F1", "Next", "Prior", "n"),
)
"""Every key but those that close the window or open the desktop's own dialogs."""


def test_two_thousand_random_keys_and_clicks_end_with_a_living_window(screen, invented, tmp_path):
    """A crash was seen once, typing ahead after N."""
    command = [sys.executable, "-c", DRIVEN, *map(str, invented), "--logbook", str(tmp_path / "log.sqlite")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline().strip() == "open", process.stderr.read()
        wild = random.Random(2000)
        for _ in range(20):
            xdotool(*(_anything(wild) for _ in range(PRESSES // 20)))
            assert process.poll() is None, process.stderr.read()
        time.sleep(1.0)
        assert process.poll() is None, process.stderr.read()
    finally:
        process.terminate()
        _, said = process.communicate(timeout=30)
    assert "Traceback" not in said, said
    with Logbook.open(str(tmp_path / "log.sqlite")) as logbook:
        assert logbook.entries(), "no key has reached the window"


def _anything(wild):
    if wild.random() < 0.55:
        return f"key --delay 4 {wild.choice(KEYS)}"
    across, down = wild.randrange(5, 1360), wild.randrange(5, 760)
    act = wild.choice(("click --delay 0 1", "click --delay 0 4", "click --delay 0 5", "mousedown 1", "mouseup 1"))
    return f"mousemove {across} {down} {act}"


def test_what_happens_in_the_window_is_seen_by_the_pointer(open_window, film):
    """A click on a film without a mark places what is asked for: tip first, then carina."""
    reader = open_window(film, purpose=Looked())
    for wanted, (row, column) in (("tip", (300, 520)), ("carina", (500, 512))):
        assert reader.marking.asked == wanted
        corner = reader.canvas.mapToGlobal(reader.on_screen(row, column))
        xdotool(f"mousemove {corner.x()} {corner.y()} click 1")
        reader.until(lambda name=wanted: bool(reader.marking.points(name)), wanted)
        reader.press("Esc")
    assert reader.at("tip") == pytest.approx((300, 520), abs=2.0 / reader.window.view.camera.zoom)
    assert reader.marking.asked == ""
