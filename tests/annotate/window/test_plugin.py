"""The plugin as napari itself finds and runs it."""

import subprocess
import sys
from pathlib import Path

import npe2
import numpy as np
import pytest
from qtpy.QtTest import QTest

from annotate.window.plugin import KEY, film_reader
from imaging.load import load_film


@pytest.mark.outside  # npe2, napari's own judge of a manifest
def test_the_manifest_is_valid():
    command = [sys.executable, "-m", "npe2", "validate", "lipmark"]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert "lipmark" in told.stdout


def test_napari_finds_reader_panel_and_sample(film):
    manager = npe2.PluginManager.instance()
    manager.discover()
    contributed = manager.get_manifest("lipmark").contributions
    assert [widget.display_name for widget in contributed.widgets] == ["Tube tip and carina"]
    [sample] = contributed.sample_data
    assert sample.key == "invented_film"
    [(pixels, options, kind)] = npe2.read([str(film)], stack=False, plugin_name="lipmark")
    assert kind == "image"
    assert np.array_equal(pixels, load_film(film).pixels)
    assert options["metadata"][KEY].spacing == load_film(film).spacing


def test_what_is_no_film_is_left_to_other_readers(tmp_path, film):
    letter = tmp_path / "letter.dcm"
    letter.write_text("Dear colleague", encoding="utf-8")
    assert film_reader(str(letter)) is None
    assert film_reader([str(film), str(letter)]) is None
    assert film_reader(str(tmp_path / "nothing.dcm")) is None
    assert film_reader([str(film)]) is not None


def until(happened):
    for _ in range(1000):
        if happened():
            return
        QTest.qWait(20)
    raise AssertionError("waited in vain")


def test_the_panel_measures_in_naparis_own_window_and_leaves_no_trace(screen, film):
    import napari

    viewer = napari.Viewer()
    try:
        naparis = list(viewer.mouse_drag_callbacks)
        viewer.open_sample("lipmark", "invented_film")
        own = [layer.name for layer in viewer.layers]
        assert own == ["invented film.dcm"]
        dock, panel = viewer.window.add_plugin_dock_widget("lipmark")
        until(lambda: panel.desk is not None and panel.desk.marking.proposal.landmarks.tip is not None)
        QTest.qWait(50)
        assert "film" in viewer.layers
        assert panel.desk.view._canvas.drawing.strokes
        desk = panel.desk
        desk.act("accept")
        assert desk.marking.unsaved
        assert desk.marking.reading.distance is not None
        viewer.open(str(film), plugin="lipmark")
        viewer.layers.selection = {viewer.layers[Path(film).name]}
        panel.measure()
        assert panel.desk.session.path.name == Path(film).name
        dock.destroyOnClose()  # what its x is bound to
        QTest.qWait(50)
        assert [layer.name for layer in viewer.layers] == [*own, Path(film).name]
        assert viewer.mouse_drag_callbacks == naparis
    finally:
        viewer.close()
        QTest.qWait(50)
