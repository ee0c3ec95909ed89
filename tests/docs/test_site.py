"""The site is built strictly, tells every name of the front door, and asks no other host for anything."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import lipmark

ROOT = Path(__file__).parents[2]
LOADED = re.compile(r"<(?:script|link|img|iframe|source)\b[^>]*?\b(?:src|href)=[\"']?((?:https?:)?//[^\s\"'>]+)")


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    out = tmp_path_factory.mktemp("site")
    words = [sys.executable, "-m", "mkdocs", "build", "--quiet", "--strict", "--site-dir", str(out)]
    quiet = os.environ | {"NO_MKDOCS_2_WARNING": "1"}
    run = subprocess.run(words, cwd=ROOT, env=quiet, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    return out


def test_every_page_is_there(site):
    pages = {path.stem for path in (ROOT / "docs").glob("*.md")}
    assert pages <= {path.stem for path in site.glob("*.html")}
    assert "Read a film" in (site / "examples" / "index.html").read_text(encoding="utf-8")


def test_the_reference_tells_every_name_of_the_front_door(site):
    page = (site / "api" / "index.html").read_text(encoding="utf-8")
    assert [name for name in lipmark.__all__ if f'id="lipmark.{name}"' not in page] == []


def test_no_page_loads_anything_from_another_host(site):
    pages = list(site.rglob("*.html"))
    assert len(pages) > 20
    assert [found for page in pages for found in LOADED.findall(page.read_text(encoding="utf-8"))] == []


def test_no_style_loads_anything_from_another_host(site):
    styles = list(site.rglob("*.css"))
    assert styles
    assert [
        path for path in styles if re.search(r"(?:@import|url\()\s*[\"']?(?:https?:)?//", path.read_text())
    ] == []
