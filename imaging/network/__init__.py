"""Tip and carina by trained networks: whole film first, then a closer look where they seem to be.

`members` loads them, `looking` asks them, `places` finds where their maps are brightest together, `lines` follows
tubes on the maps and `line_end` in the picture, `spine` reads vertebrae and jaw, `judging` makes landmarks of all
that.
Training, data and scores are in docs/training.md and docs/model-card.md.
"""

from imaging.network.finder import find_landmarks
from imaging.network.members import CARD, FILES, weights_sha256

__all__ = ["CARD", "FILES", "find_landmarks", "weights_sha256"]
