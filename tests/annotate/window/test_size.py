"""Type and controls grow with the screen; the film has every dot that the screen has."""

import os
import subprocess
import sys

import pytest
from qtpy.QtGui import QFontInfo
from qtpy.QtWidgets import QLabel

from annotate.window.size import grown, scale_for

LAPTOP, LARGE = (1366, 768), (2560, 1440)


def test_a_laptop_has_the_usual_size_and_a_higher_screen_a_larger_one():
    assert scale_for(LAPTOP[1]) == 1.0
    assert scale_for(1080) == pytest.approx(1.2)
    assert scale_for(LARGE[1]) == pytest.approx(1.6)


def test_a_style_grows_in_its_sizes_only():
    style = "#p2 { color: #10f0f0; font-size: 13px; padding: 3px 5px; }"
    assert grown(style, 1.0) == style
    assert grown(style, 2.0) == "#p2 { color: #10f0f0; font-size: 26px; padding: 6px 10px; }"


def letters(widget):
    return QFontInfo(widget.font()).pixelSize()


@pytest.mark.parametrize("size", [LAPTOP, LARGE])
def test_everything_is_as_large_as_the_screen_asks_and_has_room(open_window, film, size):
    scale = scale_for(size[1])
    reader = open_window(film, scale=scale)
    reader.window.setGeometry(0, 0, *size)
    reader.settle()
    panel = reader.desk.panel
    for widget, usual in (
        (panel.findChild(QLabel, "where"), 13),
        (panel.findChild(QLabel, "verdict"), 21),
        (reader.field("lip_mark"), 13),
        (reader.field("sex"), 13),
        (panel.menu, 13),
        (panel._length._line, 15),
    ):
        widget.ensurePolished()
        assert letters(widget) == round(usual * scale), widget
    assert reader.desk.looks.magnifier.width() == round(200 * scale)
    assert (reader.window.width(), reader.window.height()) == size
    mandible = reader.field("mandible")
    assert mandible.fontMetrics().horizontalAdvance(mandible.placeholderText()) < mandible.width() - 10 * scale


FINE_LINES = """
import sys
import numpy as np
from annotate.window.application import application
from annotate.window.camera import Camera
from annotate.window.film_view import FilmView
from imaging.film import Film

app = application()
pixels = np.zeros((400, 400), np.float32)
pixels[:, ::2] = 1.0
view = FilmView()
view.resize(300, 100)
view.show_film(Film(pixels))
view.camera = Camera((200.0, 200.0), 0.5)
shown = view.grab().toImage()
row = [shown.pixelColor(x, 100).red() for x in range(260, 340)]
print(shown.width(), max(row) - min(row))
"""


def test_a_film_has_every_dot_of_a_screen_that_the_system_scales(screen):
    """Two dots a pixel, half a pixel for one of the film: each line of the film has its own dot."""
    environment = os.environ | {"QT_SCALE_FACTOR": "2"}
    done = subprocess.run([sys.executable, "-c", FINE_LINES], env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    width, contrast = map(int, done.stdout.split())
    assert width == 600
    assert contrast > 100
