"""Colours of everything that is drawn on a film, from Okabe and Ito's palette for the colour-blind.

Shapes carry the meaning and colours repeat it. Source: Okabe M, Ito K. Color Universal Design, 2008 (from memory).
"""

from __future__ import annotations

Colour = tuple[int, int, int]

TIP: Colour = (230, 159, 0)
CARINA: Colour = (86, 180, 233)
ZONE: Colour = (0, 158, 115)
PATH: Colour = (240, 228, 66)
OTHER: Colour = (204, 121, 167)
PAPER: Colour = (20, 20, 20)
INK: Colour = (240, 240, 240)
