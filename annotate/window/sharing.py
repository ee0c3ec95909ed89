"""What leaves the window: a note for the record, a picture, a print. None of them tells whose film it is."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import Qt
from qtpy.QtGui import QGuiApplication, QImage, QPainter
from qtpy.QtWidgets import QFileDialog

from annotate.window.stage import Stage
from annotate.window.words import note_of

RESOLUTION_DPI = 150


class Sharing:
    """Actions that hand something out.

    Parameters
    ----------
    stage : Stage
        The desk.
    """

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    def on_copy(self) -> None:
        """A note for the record goes to the clipboard."""
        marking, clipboard = self._stage.marking, QGuiApplication.clipboard()
        if marking is None or clipboard is None or not self._may():
            return
        clipboard.setText(note_of(marking.reading))
        self._stage.notify("Copied: a note for the record, without name or date. Paste it there.")

    def on_picture(self) -> None:
        """The annotated film becomes a PNG."""
        marking = self._stage.marking
        if marking is None or not self._may():
            return
        name, _ = QFileDialog.getSaveFileName(self._stage.view.area, "Save picture", "tube.png", "Picture (*.png)")
        if name:
            self._write(Path(name))

    def on_print(self) -> None:
        """The same on paper."""
        from qtpy.QtPrintSupport import QPrintDialog, QPrinter

        if self._stage.marking is None or not self._may():
            return
        printer = QPrinter()
        printer.setResolution(RESOLUTION_DPI)
        if QPrintDialog(printer, self._stage.view.area).exec():
            self.draw_on(printer)
            self._stage.notify("Printed.")

    def draw_on(self, paper: object) -> None:
        """Draw the picture over the width of a page."""
        image = self._image()
        painter = QPainter(paper)  # type: ignore[call-overload]
        page = painter.viewport()
        fitting = image.size().scaled(page.size(), Qt.AspectRatioMode.KeepAspectRatio)
        painter.setViewport(page.x(), page.y(), fitting.width(), fitting.height())
        painter.setWindow(image.rect())
        painter.drawImage(0, 0, image)
        painter.end()

    def _may(self) -> bool:
        """Only where a Reading may be seen."""
        marking = self._stage.marking
        if marking is None or not self._stage.session.purpose.tells(marking) or marking.looking:
            self._stage.notify("There is nothing to hand out yet.")
            return False
        return True

    def _write(self, path: Path) -> None:
        from annotate.drawing.picture import write_picture

        marking = self._stage.marking
        if marking is None:
            return
        path = path if path.suffix else path.with_suffix(".png")
        try:
            write_picture(marking.answer.film, marking.reading, path)
        except OSError as error:
            self._stage.notify(f"{path.name}: not written ({error.strerror}); choose another folder.")
            return
        self._stage.notify(f"Picture saved: {path.name}.")

    def _image(self) -> QImage:
        from annotate.drawing.picture import annotated_picture

        marking = self._stage.marking
        assert marking is not None
        picture = annotated_picture(marking.answer.film, marking.reading)
        return QImage(
            picture.tobytes(), picture.width, picture.height, 3 * picture.width, QImage.Format.Format_RGB888
        ).copy()
