"""The scripts that photograph the window run: one picture of each, of those that need no search."""

import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.parametrize(
    ("script", "name", "made"),
    [
        ("make_screens.py", "second-reading", {"second-reading.png"}),
        (
            "make_practice_screens.py",
            "practice-question",
            {"practice-question.jpg", "practice-ruler.jpg", "practice-answer.jpg"},
        ),
    ],
)
def test_a_picture_is_made_as_the_pages_show_it(script, name, made, tmp_path):
    words = [sys.executable, DOCS / script, name, "--out", tmp_path]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert {path.name for path in tmp_path.iterdir()} == made
    for path in tmp_path.iterdir():
        with Image.open(path) as picture, Image.open(DOCS / "screens" / path.name) as shown:
            assert picture.size == shown.size
            grey = picture.convert("L")
            assert grey.histogram()[0] < 0.9 * grey.width * grey.height
