"""Every key of the window: what binds it, and what the help sheet says."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Key:
    """One thing that a key does.

    Parameters
    ----------
    action : str
        Name of the window's method without "on_".
    presses : tuple of str
        What is pressed, in Qt's spelling.
    words : str
        For the help sheet.
    everywhere : bool
        Also while a field of the form is being typed in.
    """

    action: str
    presses: tuple[str, ...]
    words: str
    everywhere: bool = False


GROUPS: tuple[tuple[str, tuple[Key, ...]], ...] = (
    (
        "Points",
        (
            Key("tip", ("T",), "take the tube tip; a click or Space puts it where the mouse is"),
            Key("carina", ("C",), "take the carina, likewise"),
            Key("other", ("O",), "take another landmark from the menu"),
            Key("next_point", ("Tab",), "take the next point on the film"),
            Key("put", ("Space",), "put what is taken where the mouse is"),
            Key("accept", ("A",), "accept what is proposed as placed by hand"),
            Key("not_visible", ("V",), "what is taken is not visible on this film"),
            Key("take_away", ("Del", "Backspace"), "take the point away"),
            Key("undo", ("Ctrl+Z",), "undo", everywhere=True),
            Key("redo", ("Ctrl+Y", "Ctrl+Shift+Z"), "redo", everywhere=True),
        ),
    ),
    (
        "Fine moves",
        (
            Key("up", ("Up",), "move the point by a pixel; the other arrows likewise"),
            Key("down", ("Down",), ""),
            Key("left", ("Left",), ""),
            Key("right", ("Right",), ""),
            Key("fine_up", ("Shift+Up",), "move it by a tenth of a pixel"),
            Key("fine_down", ("Shift+Down",), ""),
            Key("fine_left", ("Shift+Left",), ""),
            Key("fine_right", ("Shift+Right",), ""),
        ),
    ),
    (
        "View",
        (
            Key("mediastinum", ("M",), "go to the mediastinum"),
            Key("whole", ("F",), "see the whole film"),
            Key("zoom_in", ("+", "="), "closer; the wheel too"),
            Key("zoom_out", ("-",), "farther"),
            Key("invert", ("I",), "invert black and white"),
            Key("magnifier", ("G",), "magnifier on or off"),
            Key("drawing", ("H",), "hide or show everything drawn"),
        ),
    ),
    (
        "Films",
        (
            Key("save", ("Ctrl+S",), "save to the logbook", everywhere=True),
            Key("next_film", ("N", "PgDown"), "next film"),
            Key("previous_film", ("P", "PgUp"), "previous film"),
            Key("form", ("L",), "type in the form, lip mark first"),
            Key("film", ("Esc",), "back to the film", everywhere=True),
            Key("help", ("F1", "?"), "this sheet"),
            Key("close", ("Ctrl+Q",), "close", everywhere=True),
        ),
    ),
)

MOUSE = (
    ("drag a point", "move it; the Reading follows"),
    ("drag elsewhere", "move the film"),
    ("wheel", "closer, farther"),
    ("click", "place what is taken"),
)


def all_keys() -> tuple[Key, ...]:
    """Every key, in the order of the help sheet."""
    return tuple(key for _, keys in GROUPS for key in keys)
