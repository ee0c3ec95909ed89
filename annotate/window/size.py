"""How large type and controls are: sizes are written for a usual screen and grow with a larger one."""

from __future__ import annotations

import re

USUAL_HEIGHT_PX = 900.0
"""Height of the screen that the sizes are written for, in the system's own pixels (ours, by eye)."""

SIZE = re.compile(r"\b(\d+)px\b")


def scale_for(height_px: float) -> float:
    """How much larger than usual on a screen of this height; never smaller.

    Parameters
    ----------
    height_px : float
        In the system's own pixels: what it sets for its type and controls is in them already.
    """
    return max(height_px / USUAL_HEIGHT_PX, 1.0)


def grown(style: str, scale: float) -> str:
    """A style sheet with all its sizes so much larger."""
    return SIZE.sub(lambda found: f"{round(int(found[1]) * scale)}px", style)
