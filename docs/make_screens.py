"""Make docs/screens/: the marking window with synthetic films, at two sizes of the screen.

python docs/make_screens.py [NAME ...] [--out FOLDER]

Needs Xvfb. The points are dragged and the keys pressed as a reader would; what is photographed is the real window.
"""

from __future__ import annotations

import argparse
import os
import runpy
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from annotate.drawing.palette import CARINA, OTHER, PATH, TIP, ZONE
from annotate.window.panel import TONES
from annotate.window.session import Session
from annotate.window.size import scale_for
from imaging.load import load_film
from measure.posture import NeckPosture
from synthetic_images.dicom_out import to_dataset
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

DOCS = Path(__file__).resolve().parent
SCREENS = DOCS / "screens"
SCREEN = runpy.run_path(str(DOCS.parent / "tests" / "setup" / "virtual_screen.py"))
SMALL, LARGE = (1366, 768), (2560, 1440)
SEED, SIDE_PX = 12, 1536
LAST_MM = 44.0
"""Height of the tube's tip above the carina on the last film, in the patient."""
TODAY, DAY_BEFORE = "bed 4.dcm", "bed 4, the day before.dcm"
COURSE_OF_A_TUBE = (
    ("bed 4, first film.dcm", 2.0, "22"),
    ("bed 4, evening.dcm", 5.0, "22"),
    ("bed 4, next morning.dcm", -24.0, "22"),
    ("bed 4, after the move.dcm", -4.0, "20"),
    (TODAY, 0.0, "20"),
)
"""Films of one tube: how many mm higher than in the last it lies, and the mark at the lip in cm."""

EARLIER = ((film, higher, 9 * place) for place, (film, higher, _) in enumerate(COURSE_OF_A_TUBE[:-1]))
FILMS = {
    TODAY: (0.0, 52),
    DAY_BEFORE: (22.0, 28),
    **{name: (higher, 9 * place) for place, (name, higher, _) in enumerate(COURSE_OF_A_TUBE[:-1])},
}
"""All films by their files' names: height as above, hours after the first film."""

FIRST_FILM = datetime(2026, 3, 2, 8)
"""Invented, like everything on it."""

GREYS = 64
SHADES = (1.0, 0.65, 0.35)
PANEL = ((27, 30, 34), (43, 48, 54), (53, 60, 68), (89, 98, 108), (11, 95, 135), (200, 200, 200))
PATIENCE_S = 300.0


def asked(what: str | None) -> tuple[list[str], Path]:
    """Which pictures the command line asks for, and the folder that they go to."""
    parser = argparse.ArgumentParser(description=what, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="of a picture; all where none is named")
    parser.add_argument("--out", type=Path, default=SCREENS, help="default docs/screens")
    args = parser.parse_args()
    return args.names, args.out


def wait(seconds: float) -> None:
    """Let the window live."""
    from qtpy.QtWidgets import QApplication

    end = time.monotonic() + seconds
    while time.monotonic() < end:
        QApplication.processEvents()
        time.sleep(0.01)


def few_colours() -> Any:
    """A palette of greys, of what is drawn in three shades, of the panel, and of the zone over greys."""
    from PIL import Image

    greys = [(round(k * 255 / (GREYS - 1)),) * 3 for k in range(GREYS)]
    drawn = {*TONES.values(), TIP, CARINA, ZONE, PATH, OTHER}
    shades = [tuple(round(part * value) for value in colour) for colour in sorted(drawn) for part in SHADES]
    zone = [tuple(round(0.84 * grey[k] + 0.16 * ZONE[k]) for k in range(3)) for grey in greys[::3]]
    palette = Image.new("P", (1, 1))
    palette.putpalette([value for colour in (*greys, *shades, *PANEL, *zone) for value in colour])
    return palette


def photograph(name: str, size: tuple[int, int]) -> None:
    """What the screen shows, as a PNG of few colours."""
    from PIL import Image
    from qtpy.QtWidgets import QApplication

    wait(0.5)
    path = SCREENS / f"{name}.png"
    screen = QApplication.primaryScreen()
    assert screen is not None
    screen.grabWindow(0).copy(0, 0, *size).save(str(path))
    with Image.open(path) as taken:
        few = taken.convert("RGB").quantize(palette=few_colours(), dither=Image.Dither.NONE)
    few.save(path, optimize=True)


def open_window(films: list[Path], purpose: Any, size: tuple[int, int], beside: Path | None = None) -> Any:
    """A window of that size with the first film's proposal."""
    from annotate.window.main_window import MarkingWindow

    window = MarkingWindow(Session(films, purpose, beside=beside), scale_for(size[1]))
    window.setGeometry(0, 0, *size)
    window.start()
    wait_for_proposal(window.desk)
    window.desk.act("whole")
    return window


def wait_for_proposal(desk: Any) -> None:
    """Until neither it nor how the film lies is looked for."""
    wait_while(lambda: desk.marking.looking)


def look_beside(desk: Any) -> None:
    """The film before, which is loaded and searched in the background."""
    desk.act("beside")
    wait_while(lambda: desk.beside._coming)


def wait_while(busy: Callable[[], bool]) -> None:
    """Let the window live as long as it is busy."""
    end = time.monotonic() + PATIENCE_S
    while busy():
        assert time.monotonic() < end, "still busy"
        wait(0.1)
    wait(0.3)


def close(window: Any) -> None:
    """Without a question: nothing here is to be kept."""
    window.desk.session.abandon()
    window.close()
    wait(0.2)


def fill(desk: Any, **texts: str) -> None:
    """Type into the form."""
    for key, text in texts.items():
        desk.marking.type(key, text)
    desk.refresh()
    desk._show_form()


def proposed(folder: Path, size: tuple[int, int], name: str) -> None:
    """A film as it opens."""
    from annotate.window.purpose import FirstReading

    window = open_window(both(folder), FirstReading("AB"), size)
    photograph(name, size)
    close(window)


def corrected(folder: Path, size: tuple[int, int], name: str) -> None:
    """Close to the carina, both points placed by hand, the form filled in, the magnifier beside the cursor."""
    from annotate.window.purpose import FirstReading

    window = open_window(both(folder), FirstReading("AB"), size)
    desk = window.desk
    desk.act("accept")
    fill(desk, lip_mark="24", neck="neutral", tube_size="7.5")
    desk.act("mediastinum")
    desk.points.take("tip")
    tip = desk.marking.points("tip")[0]
    desk.points.hover((tip.row, tip.column))
    photograph(name, size)
    close(window)


def inverted(folder: Path, size: tuple[int, int], name: str) -> None:
    """Black and white changed, with optional landmarks."""
    from annotate.window.purpose import FirstReading

    window = open_window(both(folder), FirstReading("AB"), size)
    desk = window.desk
    desk.act("accept")
    truth = TRUTHS[TODAY]
    for mark in ("tracheal-walls", "cords"):
        points = truth.tracheal_walls if mark == "tracheal-walls" else (truth.cords,)
        for index, point in enumerate(points):
            desk.marking.change(desk.marking.marks.put(mark, index, (point.row, point.column)))
    desk.act("invert")
    desk.act("mediastinum")
    desk.points.take("cords")
    photograph(name, size)
    close(window)


def yesterday(folder: Path, size: tuple[int, int], name: str) -> None:
    """The film before beside this one."""
    from annotate.window.purpose import FirstReading

    today, before = both(folder)
    window = open_window([today], FirstReading("AB"), size, beside=before)
    desk = window.desk
    desk.act("accept")
    fill(desk, lip_mark="23", neck="neutral")
    look_beside(desk)
    desk.act("mediastinum")
    photograph(name, size)
    close(window)


def strip(folder: Path, size: tuple[int, int], name: str) -> None:
    """All films of one tube: it slipped in unseen, was withdrawn, and is looked at today."""
    from annotate.window.purpose import FirstReading

    purpose = FirstReading("AB")
    for name_of_film, _, lip_mark in COURSE_OF_A_TUBE[:-1]:
        purpose.save(read_before(film(folder, name_of_film), lip_mark))
    paths = [film(folder, name_of_film) for name_of_film, _, _ in COURSE_OF_A_TUBE[-2:]]
    window = open_window(paths, purpose, size)
    desk = window.desk
    desk.act("next_film")
    wait_for_proposal(desk)
    desk.act("accept")
    fill(desk, lip_mark=COURSE_OF_A_TUBE[-1][2], neck="neutral")
    look_beside(desk)
    desk.act("mediastinum")
    photograph(name, size)
    close(window)


def read_before(path: Path, lip_mark: str) -> Any:
    """A film with both points placed near where they truly are."""
    from annotate.window.marking import Marking
    from annotate.window.marks import Marks

    marking, truth = Marking(path.name, load_film(path)), TRUTHS[path.name]
    placed = {name: ((mark.row, mark.column),) for name, mark in (("tip", truth.tip), ("carina", truth.carina))}
    marking.restore(Marks(placed), {"lip_mark": lip_mark, "neck": "neutral"})
    return marking


def second(folder: Path, size: tuple[int, int], name: str) -> None:
    """A second reader before anything is placed."""
    from annotate.window.purpose import SecondReading

    window = open_window(both(folder), SecondReading("CD"), size)
    photograph(name, size)
    close(window)


def bad_film(folder: Path, size: tuple[int, int], name: str) -> None:
    """A file that is no film."""
    from annotate.window.purpose import FirstReading

    letter = folder / "letter.dcm"
    letter.write_text("Dear colleague", encoding="utf-8")
    window = open_window([film(folder, TODAY), letter], FirstReading("AB"), size)
    window.desk.act("next_film")
    photograph(name, size)
    close(window)


def keys(folder: Path, size: tuple[int, int], name: str) -> None:
    """The help sheet."""
    from annotate.window.purpose import FirstReading

    window = open_window(both(folder), FirstReading("AB"), size)
    window.desk.act("help")
    photograph(name, size)
    close(window)


TRUTHS: dict[str, Any] = {}
"""Landmarks of the invented films by their files' names, to place points where they are."""

EXHIBITS: tuple[tuple[Callable[[Path, tuple[int, int], str], None], tuple[int, int], str], ...] = (
    (proposed, SMALL, "proposed"),
    (corrected, SMALL, "corrected"),
    (inverted, SMALL, "inverted"),
    (second, SMALL, "second-reading"),
    (bad_film, SMALL, "bad-film"),
    (keys, SMALL, "keys"),
    (corrected, LARGE, "corrected-large"),
    (yesterday, SMALL, "yesterday"),
    (yesterday, LARGE, "yesterday-large"),
    (strip, SMALL, "strip"),
    (strip, LARGE, "strip-large"),
)


def invented(higher_mm: float = 0.0) -> Any:
    """A synthetic patient's film, with the tube so much higher."""
    recipe = draw_recipe(
        SEED,
        difficulty=0.1,
        rows=SIDE_PX,
        columns=SIDE_PX,
        placement=Placement.TRACHEA,
        posture=NeckPosture.NEUTRAL,
    )
    assert recipe.tube is not None
    tube = replace(recipe.tube, neutral_distance_mm=LAST_MM + higher_mm)
    return make_film(replace(recipe, tube=tube))


def film(folder: Path, name: str) -> Path:
    """One of the invented films as a file, made where it is not there yet."""
    path = folder / name
    if not path.exists():
        higher_mm, hours = FILMS[name]
        made = invented(higher_mm)
        TRUTHS[name] = made.truth.landmarks()
        data = to_dataset(made)
        data.AcquisitionDateTime = (FIRST_FILM + timedelta(hours=hours)).strftime("%Y%m%d%H%M%S")
        data.save_as(path, enforce_file_format=True)
    return path


def both(folder: Path) -> list[Path]:
    """Today's film and the one of the day before."""
    return [film(folder, TODAY), film(folder, DAY_BEFORE)]


def main(names: Sequence[str], out: Path) -> None:
    """Make every screen, or those of these names."""
    global SCREENS
    SCREENS = out
    SCREENS.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, SCREEN["virtual_screen"]():
        os.environ["XDG_DATA_HOME"] = folder
        os.environ.pop("LIPMARK_LOGBOOK", None)
        from annotate.window.application import application

        application()
        for exhibit, size, name in EXHIBITS:
            if not names or name in names:
                exhibit(Path(folder), size, name)


if __name__ == "__main__":
    main(*asked(__doc__))
