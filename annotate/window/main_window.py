"""The window of `lipmark place`: a film, and the panel beside it."""

from __future__ import annotations

from qtpy.QtCore import QEventLoop, Qt, Signal
from qtpy.QtGui import QCloseEvent, QResizeEvent
from qtpy.QtWidgets import QMainWindow, QMessageBox, QPushButton, QSplitter

from annotate.window.desk import Desk
from annotate.window.film_view import FilmView
from annotate.window.panel import DIALOGS
from annotate.window.purpose import NotSavedError
from annotate.window.session import Session

FIRST_SIZE = (1366, 768)


class MarkingWindow(QMainWindow):
    """One window for a session.

    Parameters
    ----------
    session : Session
        Its first film is opened.
    """

    closed = Signal()

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.setWindowTitle(f"lipmark: {session.purpose.title}")
        self.setStyleSheet(DIALOGS)
        self.view = FilmView()
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
        self.resize(*FIRST_SIZE)
        self.desk.panel.fit(self.height())
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

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802, the name is Qt's
        """A large screen gets larger type."""
        super().resizeEvent(event)
        panel, before = self.desk.panel, self.desk.panel.usual_width
        panel.fit(event.size().height())
        if panel.usual_width != before:
            side, film, _ = self._films.sizes()
            self._films.setSizes([side, film, panel.usual_width])

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
