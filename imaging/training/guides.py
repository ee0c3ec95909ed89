"""Where the windpipe runs on a film, from its carina: a path of darkest columns, upwards."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

GUIDE_STEP_PX = 4
"""Rows of the packed film per row of a guide."""

_CENTRE_CELLS = 7
"""Width of the air column, in cells of 4 px: 15 nominal mm (Breatnach 1984: 10 to 25 mm)."""
_STEP_COST = 0.25
_WANDER_COST = 1.0
"""Of a sideways step, and of leaving the vertical above the carina; ours, tuned by eye."""


def _darkness(film: Tensor) -> Tensor:
    """How much darker a column's middle is than both its sides, -1 to 1; shape (n, rows, columns)."""
    small = F.avg_pool2d(film[:, None], GUIDE_STEP_PX)
    small = F.avg_pool2d(small, (5, 1), stride=1, padding=(2, 0), count_include_pad=False)
    padding = (0, _CENTRE_CELLS // 2)
    mean = F.avg_pool2d(small, (1, _CENTRE_CELLS), stride=1, padding=padding, count_include_pad=False)
    sides = torch.minimum(mean.roll(_CENTRE_CELLS - 1, 3), mean.roll(1 - _CENTRE_CELLS, 3))
    spread = small.std((2, 3), keepdim=True) * 0.2 + 1e-3
    return ((sides - mean) / spread).clamp(-1.0, 1.0)[:, 0]


def trace_airway(film: Tensor, carina: Tensor) -> Tensor:
    """Columns of the windpipe on every row above the carina.

    Parameters
    ----------
    film : Tensor, shape (n, side, side)
        0 to 1.
    carina : Tensor, shape (n, 2)
        x and y in pixels.

    Returns
    -------
    Tensor, shape (n, side / 4)
        x in pixels; below the carina it stays at the carina's.
    """
    dark = _darkness(film)
    n, rows, columns = dark.shape
    start = ((carina + 0.5) / GUIDE_STEP_PX - 0.5).round().long()
    start_x, start_y = start[:, 0].clamp(0, columns - 1), start[:, 1].clamp(0, rows - 1)
    x = torch.arange(columns, device=film.device)[None].float()
    away = x - start_x[:, None].float()
    score = -away.square()
    moves = []
    everyone = torch.arange(n, device=film.device)
    for k in range(rows):
        row = dark[everyone, (start_y - k).clamp_min(0)]
        padded = F.pad(score, (1, 1), value=-1e9)
        options = torch.stack([padded[:, :-2] - _STEP_COST, padded[:, 1:-1], padded[:, 2:] - _STEP_COST], 2)
        best, move = options.max(2)
        moves.append(move - 1)
        score = best + row - _WANDER_COST * (away / (6.0 + 0.25 * k)).square()
    at = score.argmax(1)
    path = []
    for move in reversed(moves):
        path.append(at)
        at = (at + move[everyone, at]).clamp(0, columns - 1)
    upward = torch.stack(path[::-1], 1).float()
    row = torch.arange(rows, device=film.device)[None]
    steps_up = (start_y[:, None] - row).clamp(0, rows - 1)
    return (upward.gather(1, steps_up) + 0.5) * GUIDE_STEP_PX - 0.5
