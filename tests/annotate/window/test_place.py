import re
from pathlib import Path

from annotate.window.keys import all_keys

ROOT = Path(__file__).parents[3]


def test_nothing_found_is_wrong_usage(lipmark, tmp_path):
    status, _, err = lipmark("place", tmp_path)
    assert status == 2
    assert "no film found" in err


def test_help_teaches(lipmark):
    status, out, _ = lipmark("place", "--help")
    assert status == 0
    assert "--second" in out
    assert "examples:" in out


def test_the_page_of_the_manual_has_every_key():
    page = (ROOT / "docs" / "window.md").read_text(encoding="utf-8")
    rows = {key.strip() for row in re.findall(r"^\| (.+?) \|", page, re.MULTILINE) for key in row.split(",")}
    assert {press for key in all_keys() for press in key.presses} <= rows


def test_the_command_opens_the_window_and_ends_with_it(screen, lipmark, film):
    from qtpy.QtCore import QTimer
    from qtpy.QtWidgets import QApplication

    from annotate.window.main_window import MarkingWindow

    seen = []

    def look():
        for widget in QApplication.topLevelWidgets():
            if isinstance(widget, MarkingWindow) and widget.isVisible():
                seen.append(widget.windowTitle())
                widget.close()
                return
        QTimer.singleShot(100, look)

    from napari.qt import get_qapp

    get_qapp()
    QTimer.singleShot(100, look)
    assert lipmark("place", film, "--second", "--reader", "CD")[0] == 0
    assert seen == ["lipmark: second reading"]
