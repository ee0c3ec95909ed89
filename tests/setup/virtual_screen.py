"""An X server that no one sees (Xvfb), for window tests, benchmarks and the screens of the documentation."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SCREEN = "2560x1440x24"


@contextmanager
def virtual_screen() -> Iterator[str]:
    """Start a server and tell Qt of this process to draw there; gives the display's name."""
    told, writer = os.pipe()
    command = ["Xvfb", "-displayfd", str(writer), "-screen", "0", SCREEN, "-nolisten", "tcp", "-noreset"]
    server = subprocess.Popen(command, pass_fds=(writer,), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.close(writer)
    # The server stops if the pipe closes before it has written the newline.
    with os.fdopen(told) as answer:
        number = answer.readline().strip()
    if not number:
        raise RuntimeError("Xvfb did not start; is it installed (tests/setup/system_packages.txt)?")
    wanted = {"DISPLAY": f":{number}", "QT_QPA_PLATFORM": "xcb", "LIBGL_ALWAYS_SOFTWARE": "1"}
    before = {name: os.environ.pop(name, None) for name in wanted}
    os.environ.update(wanted)
    try:
        yield wanted["DISPLAY"]
    finally:
        _leave_screen()
        for name, value in before.items():
            os.environ.pop(name)
            os.environ.update({} if value is None else {name: value})
        server.terminate()
        server.wait()


def _leave_screen() -> None:
    """Take Qt's leave of the server: a connection that breaks ends the process."""
    if "PySide6.QtWidgets" in sys.modules:
        from PySide6.QtWidgets import QApplication

        app = QApplication.instance()
        if app is not None:
            app.shutdown()
