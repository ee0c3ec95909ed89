"""What kind of film a picture is: an upright frontal chest of an adult, or what else."""

from __future__ import annotations

from enum import StrEnum


class FilmKind(StrEnum):
    """What the small network tells apart; the order is that of its answers."""

    FRONTAL = "an upright frontal chest film of an adult"
    TURNED_LEFT = "a frontal chest film turned by a quarter counter-clockwise"
    TURNED_RIGHT = "a frontal chest film turned by a quarter clockwise"
    UPSIDE_DOWN = "a frontal chest film upside down"
    LATERAL = "a lateral chest film"
    CHILD = "a chest film of a child"
    NO_CHEST = "no chest film"


SIDE_PX = 128
"""What the network sees: the film's longer side fitted to it."""
