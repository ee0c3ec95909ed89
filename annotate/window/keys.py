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
    needs_form : bool
        Only where patient and tube can be typed in, so not in a lesson.
    """

    action: str
    presses: tuple[str, ...]
    words: str
    everywhere: bool = False
    needs_form: bool = False


GROUPS: tuple[tuple[str, tuple[Key, ...]], ...] = (
    (
        "Points",
        (
            Key("tip", ("T",), "take the tube tip; again: the next click moves it"),
            Key("carina", ("C",), "take the carina, likewise"),
            Key("other", ("O",), "take another landmark from the menu"),
            Key("next_point", ("Tab",), "take the next point on the film"),
            Key("put", ("Space",), "put what is taken where the mouse is"),
            Key("accept", ("A",), "accept what is proposed as placed by hand"),
            Key("clear", ("K",), "points seen without doubt, or not", needs_form=True),
            Key("not_visible", ("V",), "what is taken is not visible on this film"),
            Key("take_away", ("Del", "Backspace"), "take the point away"),
            Key("undo", ("Ctrl+Z",), "undo", everywhere=True),
            Key("redo", ("Ctrl+Y", "Ctrl+Shift+Z"), "redo", everywhere=True),
            Key("up", ("Up",), "move the point by a pixel; all arrows"),
            Key("down", ("Down",), ""),
            Key("left", ("Left",), ""),
            Key("right", ("Right",), ""),
            Key("fine_up", ("Shift+Up",), "by a tenth of a pixel; all arrows"),
            Key("fine_down", ("Shift+Down",), ""),
            Key("fine_left", ("Shift+Left",), ""),
            Key("fine_right", ("Shift+Right",), ""),
        ),
    ),
    (
        "Look",
        (
            Key("mediastinum", ("M",), "go to the mediastinum"),
            Key("whole", ("F",), "see the whole film"),
            Key("zoom_in", ("+", "="), "closer"),
            Key("zoom_out", ("-",), "farther"),
            Key("invert", ("I",), "invert black and white"),
            Key("brighter", ("Ctrl+Up",), "brighter"),
            Key("darker", ("Ctrl+Down",), "darker"),
            Key("more_contrast", ("Ctrl+Right",), "more contrast"),
            Key("less_contrast", ("Ctrl+Left",), "less contrast"),
            Key("magnifier", ("G",), "magnifier on or off"),
            Key("ruler", ("R",), "lay a ruler on the film, or take it away"),
            Key("drawing", ("H",), "hide or show everything drawn"),
            Key("beside", ("Y",), "the film before beside this one", needs_form=True),
            Key("fold", ("B",), "fold the panel, or unfold it"),
        ),
    ),
    (
        "Patient and tube",
        (
            Key("neutral", ("1",), "neck neutral", needs_form=True),
            Key("flexed", ("2",), "neck flexed", needs_form=True),
            Key("extended", ("3",), "neck extended", needs_form=True),
            Key("jaw", ("J",), "type where the mandible is", needs_form=True),
            Key("form", ("L",), "type in the form, lip mark first"),
            Key("film", ("Esc",), "back to the film", everywhere=True),
            Key("who", ("U",), "whose film, and of when; kept nowhere", needs_form=True),
        ),
    ),
    (
        "Films",
        (
            Key("save", ("Ctrl+S",), "save to the logbook", everywhere=True),
            Key("copy", ("Ctrl+C",), "copy a note for the record", needs_form=True),
            Key("picture", ("Ctrl+E",), "save a picture", needs_form=True),
            Key("print", ("Ctrl+P",), "print", needs_form=True),
            Key("next_film", ("N", "PgDown"), "next film"),
            Key("previous_film", ("P", "PgUp"), "previous film"),
            Key("help", ("F1", "?"), "this sheet"),
            Key("close", ("Ctrl+Q",), "close", everywhere=True),
        ),
    ),
)

MOUSE = (
    ("drag a point", "move it; the Reading follows"),
    ("drag the ruler", "its grips bend and turn it, its scale moves it"),
    ("drag elsewhere", "move the film"),
    ("right button", "drag: up brighter, right less contrast"),
    ("wheel", "closer, farther"),
    ("click", "place what is taken, or what is missing"),
)


def all_keys() -> tuple[Key, ...]:
    """Every key, in the order of the help sheet."""
    return tuple(key for _, keys in GROUPS for key in keys)
