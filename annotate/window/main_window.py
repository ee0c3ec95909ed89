"""The window of `lipmark place`: a film, and the panel beside it."""

from __future__ import annotations

from qtpy.QtCore import QEventLoop, QSize, Qt, Signal
from qtpy.QtGui import QCloseEvent
from qtpy.QtWidgets import QMainWindow, QMessageBox, QPushButton, QSplitter

from annotate.window.desk import Desk
from annotate.window.film_view import FilmView
from annotate.window.panel import DIALOGS
from annotate.window.purpose import NotSavedError
from annotate.window.session import Session
from annotate.window.size import grown, scale_for

FIRST_SIZE_PX = (1366, 768)


class MarkingWindow(QMainWindow):
    """One window for a session.

    Parameters
    ----------
    session : Session
        Its first film is opened.
    scale : float or None
        Of type and controls; None lets the screen's height decide.
    """

    closed = Signal()

    def __init__(self, session: Session, scale: float | None = None) -> None:
        super().__init__()
        screen = self.screen().availableSize()
        scale = scale_for(screen.height()) if scale is None else scale
        self.setWindowTitle(f"lipmark: {session.purpose.title}")
        self.setStyleSheet(grown(DIALOGS, scale))
        self.view = FilmView(scale)
        self.desk = Desk(self.view, session)
        self.desk.closing.connect(self.close)
        self._films = QSplitter(Qt.Orientation.Horizontal)
        self._films.addWidget(self.desk.beside.side)
        self._films.addWidget(self.view)
        self._films.addWidget(self.desk.panel)
        self._films.setChildrenCollapsible(False)
        for number, stretch in enumerate((1, 1, 0)):
            self._films.setStretchFactor(number, stretch)
        self.setCentralWidget(self._films)
        self.resize(QSize(*(round(scale * side) for side in FIRST_SIZE_PX)).boundedTo(screen))
        wide = self.desk.panel.usual_width
        self._films.setSizes([(self.width() - wide) // 2, self.width() - wide, wide])

    def start(self, number: int = 0) -> None:
        """Show the window with a film of the list."""
        self.show()
        self.activateWindow()
        self.desk.turn_to(number)
        self.view.setFocus()

    def run(self) -> None:
        """Show the window and come back when it is closed, whatever else the process has open."""
        loop = QEventLoop()
        self.closed.connect(loop.quit)
        self.start()
        loop.exec()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802, the name is Qt's
        """Unsaved marks are asked about; drafts of them stay in any case."""
        if self.desk.session.unsaved and not self._may_close():
            event.ignore()
            return
        self.hide()
        self.desk.stop()
        super().closeEvent(event)
        self.closed.emit()

    def _may_close(self) -> bool:
        names = ", ".join(path.name for path in self.desk.session.unsaved)
        box = QMessageBox(self)
        box.setWindowTitle("Unsaved marks")
        box.setText(f"Not in the logbook yet: {names}.")
        box.setInformativeText("A draft stays on this machine and is taken up when the film is opened again.")
        save = QPushButton("Save and close")
        leave = QPushButton("Close, keep the draft")
        stay = QPushButton("Stay")
        box.addButton(save, QMessageBox.ButtonRole.AcceptRole)
        box.addButton(leave, QMessageBox.ButtonRole.DestructiveRole)
        box.addButton(stay, QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(stay)
        box.setEscapeButton(stay)
        box.exec()
        if box.clickedButton() is save:
            return self._save_all()
        return box.clickedButton() is leave

    def _save_all(self) -> bool:
        """False where one could not be saved: the window then shows it, and why."""
        session = self.desk.session
        for number in [session.paths.index(path) for path in session.unsaved]:
            if number != session.number:
                self.desk.turn_to(number)
            try:
                session.save()
            except NotSavedError as error:
                session.notice = str(error)
                self.desk.refresh()
                return False
        return True
