"""Real windows on a screen of their own (Xvfb); what is pressed goes through Qt as from a keyboard and a mouse."""

import json
import runpy
import time
from pathlib import Path

import pytest

from annotate.command_line import main
from annotate.window.drafts import Drafts
from annotate.window.purpose import FirstReading
from annotate.window.session import Session
from imaging.load import load_film
from measure.posture import NeckPosture
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

PATIENCE_S = 30.0
SCREEN = runpy.run_path(str(Path(__file__).parents[2] / "setup" / "virtual_screen.py"))


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    """No test touches the user's own data."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("LIPMARK_LOGBOOK", raising=False)
    monkeypatch.delenv("LIPMARK_KEY", raising=False)


@pytest.fixture(scope="session")
def invented(tmp_path_factory):
    """Two synthetic films with their truth."""
    folder = tmp_path_factory.mktemp("films")
    films = {}
    for seed in (2, 4):
        made = make_film(
            draw_recipe(seed, difficulty=0.1, placement=Placement.TRACHEA, posture=NeckPosture.NEUTRAL)
        )
        films[write_dicom(made, folder / f"bed {seed}.dcm")] = made.truth
    return films


@pytest.fixture
def film(invented):
    return next(iter(invented))


@pytest.fixture
def read_json(capsys):
    """What `lipmark read --json` answers."""

    def run(*words):
        capsys.readouterr()
        assert main(["read", *map(str, words), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    return run


@pytest.fixture(scope="session")
def screen():
    """An X server that no one sees, and Qt told to draw there."""
    with SCREEN["virtual_screen"]() as display:
        yield display


class Reader:
    """Somebody in front of the window."""

    def __init__(self, window):
        self.window = window
        self.desk = window.desk
        self.session = window.desk.session

    @property
    def marking(self):
        return self.session.marking

    @property
    def canvas(self):
        return self.window.view

    def until(self, happened, what="it"):
        from qtpy.QtWidgets import QApplication

        end = time.monotonic() + PATIENCE_S
        while not happened():
            assert time.monotonic() < end, f"waited in vain for {what}"
            QApplication.processEvents()
            time.sleep(0.005)

    def settle(self):
        from qtpy.QtWidgets import QApplication

        for _ in range(2):
            QApplication.processEvents()
            time.sleep(0.002)

    @property
    def words(self):
        """What is written on the film."""
        return [label.text for label in self.window.view._drawing.labels]

    def proposed(self):
        self.until(lambda: self.marking.proposal.landmarks.tip is not None, "a proposal")
        return self

    def press(self, words):
        """For instance "Shift+Up", to whatever has the focus."""
        from qtpy.QtGui import QKeySequence
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        self.until(lambda: QApplication.focusWidget() is not None, "the keyboard's focus")
        pressed = QKeySequence(words)[0]
        QTest.keyClick(QApplication.focusWidget(), pressed.key(), pressed.keyboardModifiers())
        self.settle()

    def on_screen(self, row, column):
        from qtpy.QtCore import QPoint

        across, down = self.window.view.camera.on_screen((row * self.marking.film.pixel_aspect, column))
        return QPoint(round(across), round(down))

    def drag(self, start, end, steps=3):
        """With the left button from one pixel of the film to another."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        here, there = self.on_screen(*start), self.on_screen(*end)
        button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        QTest.mouseMove(self.canvas, here)
        self.settle()
        QTest.mousePress(self.canvas, button, none, here)
        for step in range(1, steps + 1):
            QTest.mouseMove(self.canvas, here + (there - here) * (step / steps))
            self.settle()
        QTest.mouseRelease(self.canvas, button, none, there)
        self.settle()

    def click(self, row, column):
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        here = self.on_screen(row, column)
        QTest.mouseMove(self.canvas, here)
        self.settle()
        QTest.mouseClick(self.canvas, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, here)
        self.settle()

    def at(self, name):
        point = self.marking.points(name)[0]
        return point.row, point.column

    def field(self, key):
        return self.desk.panel._fields[key]

    def shown(self):
        """All words of the panel that are seen."""
        from qtpy.QtWidgets import QLabel

        return "\n".join(label.text() for label in self.desk.panel.findChildren(QLabel) if label.isVisible())

    def close_unasked(self):
        self.session.abandon()
        self.window.close()
        self.settle()


@pytest.fixture(scope="session")
def search(invented):
    """One process that looks, for all windows; it has started before anyone waits for it."""
    from annotate.window.search import Search

    made = Search()
    made.find(load_film(next(iter(invented))), lambda: True)
    yield made
    made.close()


@pytest.fixture
def open_window(screen, search):
    """Opens films in a window as `lipmark place` does."""
    from annotate.window.application import application
    from annotate.window.main_window import MarkingWindow

    application()
    readers = []

    def run(*paths, purpose=None, load=load_film, scale=1.0, **options):
        purpose = purpose or FirstReading("AB")
        drafts = Drafts(purpose.key, getattr(purpose, "reader", ""))
        window = MarkingWindow(
            Session([Path(path) for path in paths], purpose, drafts, load, **{"search": search} | options), scale
        )
        window.start()
        window.resize(1100, 740)
        readers.append(Reader(window))
        readers[-1].settle()
        return readers[-1]

    yield run
    for reader in readers:
        reader.close_unasked()
