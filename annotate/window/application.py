"""The Qt application that the window lives in."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from qtpy.QtGui import QPalette
    from qtpy.QtWidgets import QApplication

NAME = "lipmark"
SCREENS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
"""Without any of these Qt finds no screen on Linux, and ends the process without a word that helps."""

COLOURS = {
    **dict.fromkeys(("Window", "AlternateBase", "ToolTipBase"), "#1b1e22"),
    **dict.fromkeys(
        ("WindowText", "Text", "ButtonText", "ToolTipText", "HighlightedText", "BrightText"), "#f0f0f0"
    ),
    "Base": "#2b3036",
    "Button": "#353c44",
    "Highlight": "#0b5f87",
    "Link": "#56b4e9",
    "PlaceholderText": "#80868c",
}
OUT_OF_USE = "#80868c"


class NoWindowError(Exception):
    """The window cannot be shown; the message says why and what to do."""


def application() -> QApplication:
    """The application, made on first use.

    Raises
    ------
    NoWindowError
        Where the libraries or a screen are missing.
    """
    if sys.platform == "linux" and not any(os.environ.get(name) for name in SCREENS):
        raise NoWindowError(
            f"no screen found ({SCREENS[0]} is not set); run it on a desktop, or through ssh -X. "
            "Everything but the window works without one: lipmark --help."
        )
    try:
        from qtpy.QtWidgets import QApplication
    except ImportError as error:
        raise NoWindowError(
            f"the window is not installed ({error.name or 'Qt'} is missing): pip install 'lipmark[window]'"
        ) from error
    made = QApplication.instance()
    if isinstance(made, QApplication):
        return made
    made = QApplication([NAME])
    made.setApplicationName(NAME)
    made.setStyle("Fusion")  # the same on every desktop, and the one that style sheets look right on
    made.setPalette(_dark())
    return made


def _dark() -> QPalette:
    """The room's colours, also for the system's own dialogs: a bright one would blind whoever reads a film."""
    from qtpy.QtGui import QColor, QPalette

    palette = QPalette()
    for role, colour in COLOURS.items():
        palette.setColor(getattr(QPalette.ColorRole, role), QColor(colour))
    for role in ("Text", "WindowText", "ButtonText"):
        palette.setColor(QPalette.ColorGroup.Disabled, getattr(QPalette.ColorRole, role), QColor(OUT_OF_USE))
    return palette
