"""Without a screen or its libraries the window says so, and what to do."""

import subprocess
import sys

import pytest

from annotate.window.application import SCREENS


@pytest.fixture
def no_screen(monkeypatch):
    for name in SCREENS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "platform", "linux")


@pytest.mark.parametrize("command", ["place", "practice run"])
def test_no_screen(no_screen, command, film, lipmark, tmp_path):
    words = (film,) if command == "place" else ()
    status, _, err = lipmark(*command.split(), *words, "--logbook", tmp_path / "log.sqlite")
    assert status == 2
    assert "no screen found" in err


@pytest.mark.parametrize("command", ["place", "practice run"])
def test_no_libraries(monkeypatch, command, film, lipmark, tmp_path):
    monkeypatch.setenv("DISPLAY", ":99")
    monkeypatch.setitem(sys.modules, "qtpy.QtWidgets", None)
    words = (film,) if command == "place" else ()
    status, _, err = lipmark(*command.split(), *words, "--logbook", tmp_path / "log.sqlite")
    assert status == 2
    assert "pip install 'lipmark[window]'" in err


DIALOG = """
from qtpy.QtGui import QPalette
from qtpy.QtPrintSupport import QPrintDialog, QPrinter
from qtpy.QtWidgets import QComboBox, QLabel, QLineEdit, QMainWindow
from annotate.window.application import application
from annotate.window.panel import DIALOGS

app = application()
window = QMainWindow()
window.setStyleSheet(DIALOGS)
printer = QPrinter()
dialog = QPrintDialog(printer, window)
dialog.show()
app.processEvents()
Role = QPalette.ColorRole
for kind, ink, ground in (
    (QLabel, Role.WindowText, Role.Window),
    (QLineEdit, Role.Text, Role.Base),
    (QComboBox, Role.ButtonText, Role.Button),
):
    for widget in filter(lambda found: found.isEnabled(), dialog.findChildren(kind)):
        shown = widget.palette()
        print(kind.__name__, shown.color(ink).lightness() - shown.color(ground).lightness())
"""


def test_the_systems_dialogs_are_bright_on_dark(screen):
    """The print dialog had black words on the window's black."""
    done = subprocess.run([sys.executable, "-c", DIALOG], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = [line.split() for line in done.stdout.splitlines()]
    assert {kind for kind, _ in told} == {"QLabel", "QLineEdit", "QComboBox"}
    assert all(int(brighter) > 100 for _, brighter in told), told
