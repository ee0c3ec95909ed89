"""Without a screen or its libraries the window says so, and what to do."""

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
