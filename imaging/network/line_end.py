"""Where the radio-opaque line ends in the picture itself, beside the place that the networks' maps have for it.

Networks learn where tubes end, and on films of another hospital they go on along the tube beyond its line. Where
the line stands out, its end can be measured: the film is laid out straight along the tube, the brightest ridge is
followed down, and its end is where its height falls to nothing for good.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imaging.network.lines import Grid, Line
from imaging.network.members import Maps

Strip = NDArray[np.float32]

_STEP_MM = 0.4
_BELOW_MM, _ABOVE_MM, _ASIDE_MM = 15.0, 60.0, 12.0
"""The strip reaches so far below and above the tip and to either side of the tube; ours."""
_SHORTEST_MM, _FEWEST_POINTS = 30.0, 8
"""A line shorter than this above the tip, or seen at fewer places, is not followed; ours."""
_LEANS_MM = 5.0
"""Below the tip the tube goes on as it leans so far above it; ours."""
_FINE_MM, _COARSE_MM, _ALONG_MM = 0.6, 2.0, 0.8
"""A ridge is what a blur of the first width shows above one of the second; both are blurred along the tube by the
third. Real lines are 1.3 to 1.7 mm wide (docs/training.md)."""
_ON_TUBE_MM = 8.0
"""The line lies within this of the tube's middle, which is that of the map of its line; ours."""
_REFERENCE_MM = (12.0, 45.0)
"""The line's usual height is that over this part of it, in mm above the tip: no end of it lies there; ours."""
_SIDEWAYS = 0.1
"""A step aside on the way down costs so many standard deviations of the ridge; ours."""
_LEADS_MM, _TURN_CELLS, _YIELDS = 25.0, 2, 0.1
"""Below that part the ridge is looked for within so many cells of where its last stretch leads, which gives way by
so much of what is found; ours."""
_SEARCHED_MM, _COUNTED_MM = (-12.0, 35.0), (3.0, 8.0)
"""The end is looked for here, in mm above the tip; heights count so far below and above besides; ours."""
_HALF, _LEAST, _MOST = 0.5, -0.5, 1.5
"""From half its usual height on a ridge speaks for the line; no height beyond the others speaks louder; ours."""
_PIECE_ASIDE_MM, _PIECE_BELOW_MM, _PIECE_MARGIN_MM = 7.0, 4.0, 2.5
"""Below the end a piece of the line that goes on after an eye is looked for: so far aside, so far below the
networks' tip, and from so far below the end; ours."""
_PLAIN, _NO_PIECE = 0.03, 0.85
"""A line whose ridge is at least so high (the line itself then about 7 % of the film's range) ends where it is
seen to end, if no ridge of this part of its height goes on below. Fainter ones end by the networks' maps. Chosen
on films of both hospitals (docs/training.md)."""
_LOWEST_MM, _FURTHEST_MM = -4.0, 10.0
"""An end further below the networks' tip than the first is that of another line, which goes on; one further away
than the second mostly that above an eye, beyond which a piece follows; ours."""


@dataclass(frozen=True, slots=True)
class LineEnd:
    """The end of a line.

    Parameters
    ----------
    x, y : float
        In square film pixels.
    above_mm, away_mm : float
        How far above the networks' tip, and how far from it, in nominal mm.
    height : float
        How high its ridge stands, as a part of the film's range: four tenths of the line's own height.
    piece : float
        The highest ridge between it and the networks' tip, as a part of the line's height: what may be its end
        beyond an eye.
    """

    x: float
    y: float
    above_mm: float
    away_mm: float
    height: float
    piece: float

    @property
    def believed(self) -> bool:
        """Whether the tip is here."""
        plain = self.height >= _PLAIN and self.piece < _NO_PIECE
        return plain and self.above_mm >= _LOWEST_MM and self.away_mm <= _FURTHEST_MM


def find_line_end(
    view: Maps, grid: Grid, line: Line, tip: tuple[float, float], px_per_mm: float
) -> LineEnd | None:
    """The end of the line that leads to a tip; None where too little of it was seen.

    Parameters
    ----------
    view : ndarray, shape (rows, columns)
        A part of the film, 0 to 1.
    grid : Grid
        Where its pixels lie on the film.
    line : Line
        The tube above the tip, as the networks' map shows it.
    tip : (x, y)
        On the film.
    px_per_mm : float
        Film pixels per nominal mm.
    """
    above_mm = np.arange(-_BELOW_MM, _ABOVE_MM, _STEP_MM)
    aside_mm = np.arange(-_ASIDE_MM, _ASIDE_MM + _STEP_MM / 2.0, _STEP_MM)
    rows = tip[1] - above_mm * px_per_mm
    middle = _middle(line, tip, rows, px_per_mm)
    if middle is None:
        return None
    ridge = _ridge(_laid_out(view, grid, middle[:, None] + aside_mm * px_per_mm, rows))
    on_tube = np.abs(aside_mm) <= _ON_TUBE_MM
    followed = _followed(ridge, on_tube, above_mm)
    heights = ridge[np.arange(len(ridge)), followed]
    reference = (above_mm >= _REFERENCE_MM[0]) & (above_mm <= _REFERENCE_MM[1])
    height = float(np.median(heights[reference]))
    if height <= 0.0:
        return None
    end = _end(heights / height, above_mm)
    between = (above_mm >= -_PIECE_BELOW_MM) & (above_mm <= above_mm[end] - _PIECE_MARGIN_MM)
    rest = ridge[between][:, np.abs(aside_mm) <= _PIECE_ASIDE_MM]
    x, y = float(middle[end] + aside_mm[followed[end]] * px_per_mm), float(rows[end])
    return LineEnd(
        x,
        y,
        float(above_mm[end]),
        math.dist((x, y), tip) / px_per_mm,
        height,
        float(rest.max(initial=0.0)) / height,
    )


def _middle(
    line: Line, tip: tuple[float, float], rows: NDArray[np.float64], px_per_mm: float
) -> NDArray[np.float64] | None:
    """Column of the tube's middle at each row: a parabola above the tip, straight on below it."""
    seen = np.array(line, np.float64).reshape(-1, 2)
    seen = seen[(seen[:, 1] <= tip[1]) & (seen[:, 1] >= tip[1] - _ABOVE_MM * px_per_mm)]
    if len(seen) < _FEWEST_POINTS or np.ptp(seen[:, 1]) < _SHORTEST_MM * px_per_mm:
        return None
    columns, at = np.append(seen[:, 0], tip[0]), np.append(seen[:, 1], tip[1])
    curve = np.polynomial.Polynomial.fit(at, columns, 2)
    lean = float(curve.deriv()(tip[1] - _LEANS_MM * px_per_mm))
    below = np.maximum(rows - tip[1], 0.0)
    return np.asarray(curve(np.minimum(rows, tip[1])) + lean * below)


def _laid_out(view: Maps, grid: Grid, columns: NDArray[np.float64], rows: NDArray[np.float64]) -> Strip:
    """The view at places of the film, shape of `columns`: (along the tube, across it)."""
    import cv2

    x, y = grid.inward(columns, np.broadcast_to(rows[:, None], columns.shape))
    return np.asarray(
        cv2.remap(
            view, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    )


def _ridge(strip: Strip) -> Strip:
    import cv2

    along = _ALONG_MM / _STEP_MM
    fine, coarse = (
        cv2.GaussianBlur(strip, (0, 0), sigmaX=across / _STEP_MM, sigmaY=along)
        for across in (_FINE_MM, _COARSE_MM)
    )
    return np.asarray(fine - coarse, np.float32)


def _followed(ridge: Strip, on_tube: NDArray[np.bool_], above_mm: NDArray[np.float64]) -> NDArray[np.int64]:
    """Column of the line in every row of the strip.

    The brightest way down to where its end may lie, and from there the brightest place near where that leads.
    """
    first = int(np.searchsorted(above_mm, _REFERENCE_MM[0]))
    shown = np.where(on_tube, ridge, -1.0)
    sideways = _SIDEWAYS * float(ridge[:, on_tube].std())
    best = shown[-1].copy()
    came_from = np.zeros(ridge.shape, np.int64)
    for row in range(len(ridge) - 2, first - 1, -1):
        around = np.pad(best, 1, constant_values=-np.inf)
        ways = np.stack([around[:-2] - sideways, around[1:-1], around[2:] - sideways])
        chosen = ways.argmax(axis=0)
        came_from[row] = chosen - 1
        best = ways.max(axis=0) + shown[row]
    columns = np.zeros(len(ridge), np.int64)
    column = int(best.argmax())
    for row in range(first, len(ridge)):
        columns[row] = column
        column += came_from[row][column]
    recent = columns[first : first + round(_LEADS_MM / _STEP_MM)]
    lean = float(np.polynomial.Polynomial.fit(np.arange(len(recent)), recent, 1).convert().coef[-1])
    at = float(columns[first])
    for row in range(first - 1, -1, -1):
        at -= lean
        left = int(np.clip(round(at) - _TURN_CELLS, 0, ridge.shape[1] - 1))
        columns[row] = left + int(ridge[row, left : left + 2 * _TURN_CELLS + 1].argmax())
        at += _YIELDS * (columns[row] - at)
    return columns


def _end(heights: NDArray[np.floating], above_mm: NDArray[np.float64]) -> int:
    """Row above which the ridge is mostly a line and below which it mostly is none."""
    (low, high), (below_mm, higher_mm) = _SEARCHED_MM, _COUNTED_MM
    gain = np.clip(heights, _LEAST, _MOST) - _HALF
    near = (above_mm >= low - below_mm) & (above_mm <= high + higher_mm)
    below = np.concatenate([[0.0], np.cumsum(gain * near)[:-1]])
    searched = np.flatnonzero((above_mm >= low) & (above_mm <= high))
    return int(searched[below[searched].argmin()])
