"""What the networks say about a film, before it is judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from imaging.network.line_end import find_line_end
from imaging.network.lines import Grid, Line, follow, length_px, mean_seen, strongest
from imaging.network.members import Maps, Session, Shape
from imaging.network.places import chance, find_peak, mean_share, shares
from imaging.network.spine import Bones, Whereabouts
from measure.rough_scale import NOMINAL_SIDE_MM

_ENDOTRACHEAL, _TRACHEOSTOMY = "endotracheal tube with its tip in view", "tracheostomy tube"
"""Names of the tubes' scores."""
_FAR_FROM_USUAL = 3.0
"""No further from the usual level counts as more unusual; ours."""
_GAP_MM = 15.0
"""How long a tube's line may be missing, at its end or on its way: eyes and gaps of real lines are 3 to 14 mm."""
_AT_TIP_MM = 4.0
_LONGEST_MM = 80.0
"""A line longer than this above the tip says no more; ours."""


@dataclass(frozen=True, slots=True)
class Window:
    """A square part of the film, in square pixels as wide as a column; may reach beyond the film.

    Parameters
    ----------
    left, top : int
        First column and row.
    side : int
        Width and height.
    input_px : int
        Side of the network's input that it becomes.
    """

    left: int
    top: int
    side: int
    input_px: int

    def out(self, point: NDArray[np.float64]) -> NDArray[np.float64]:
        """A point (x, y) of the network's input, as a place in square film pixels."""
        corner = np.array([self.left, self.top], np.float64)
        return np.asarray((point + 0.5) * (self.side / self.input_px) - 0.5 + corner, np.float64)

    def grid(self, stride: int) -> Grid:
        """Where the cells of a map of it lie."""
        return Grid(self.left, self.top, self.side / self.input_px * stride)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a landmark seems to be, and what speaks for and against it.

    Parameters
    ----------
    x, y : float
        In square film pixels.
    mass : float
        Probability within 10 nominal mm of it on the closer maps.
    elsewhere : float
        The most probability within 10 nominal mm of any place further away.
    spread_mm : float
        Vertical standard deviation of the probability near it.
    apart_mm : float
        Root mean square distance of the closer looks from their middle.
    moved_mm : float
        Distance between the first looks' place and this one.
    other : (x, y)
        The place that `elsewhere` speaks of, in square film pixels.
    """

    x: float
    y: float
    mass: float
    elsewhere: float
    spread_mm: float
    apart_mm: float
    moved_mm: float
    other: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Sight:
    """Everything that the networks said about a film.

    Parameters
    ----------
    tip, carina : Spot
    unusual : float
        How far the carina lies from the usual level, in standard deviations.
    tube_far, tube_near : float
        Logit of an endotracheal tube on the whole film and on the closer look, at its place and by the view.
    tracheostomy : float
        Logit of a tracheostomy tube on the closer look, likewise.
    airway, tube_line : tuple of (x, y)
        The windpipe above the carina and the tube's line above the tip, where seen; square film pixels, upwards.
    gullet_at_tip : float
        How much the map of stomach tubes shows at the tip, 0 to 1.
    below_mm : float
        How far a stomach tube's line goes on below the tip from there.
    line_mm : float
        Length of the tube's line above the tip.
    line_end_mm : float
        How far above the networks' own place (below it where negative) the tip is, where its line was seen to end
        in the picture; else 0.
    bones : Bones
        Spine and jaw on the whole film.
    """

    tip: Spot
    carina: Spot
    unusual: float
    tube_far: float
    tube_near: float
    tracheostomy: float
    airway: Line
    tube_line: Line
    gullet_at_tip: float
    below_mm: float
    line_mm: float
    line_end_mm: float = 0.0
    bones: Bones | None = None

    def tip_features(self) -> NDArray[np.float64]:
        """What the tip's confidence is computed from."""
        line = min(self.line_mm, _LONGEST_MM) / _LONGEST_MM
        return np.array([self.tube_near, self.tube_far, *_doubts(self.tip), line, self.tracheostomy])

    def carina_features(self) -> NDArray[np.float64]:
        """What the carina's confidence is computed from."""
        return np.array([*_doubts(self.carina), min(self.unusual, _FAR_FROM_USUAL) ** 2])


def _doubts(spot: Spot) -> list[float]:
    mass = min(max(spot.mass, 0.01), 0.99)
    return [math.log(mass / (1.0 - mass)), spot.elsewhere, math.log1p(spot.apart_mm), math.log1p(spot.moved_mm)]


@dataclass(frozen=True, slots=True)
class Said:
    """One network's answer to a view: maps, shape (channels, cells, cells), and the scores' logits, shape (6,)."""

    maps: Maps
    scores: Maps


def look(film: Film, members: tuple[Session, ...], shape: Shape) -> Sight:
    """Everything that the networks say about a film.

    Parameters
    ----------
    film : Film
        Upright; bright = dense.
    members : tuple of Session
        Two networks; five passes in all, two of them mirrored.
    shape : Shape
        What they take and give.
    """
    first, second = members
    rows, columns = film.shape
    tall = round(rows * film.pixel_aspect)
    long_side = max(tall, columns)
    levels = _levels(film.pixels)
    whole = Window((columns - long_side) // 2, (tall - long_side) // 2, long_side, shape.side_px)
    view = _cut(film, whole, levels)
    far = _ask(view, (first, False), (second, True))
    channels = [shape.channel(name) for name in ("tip", "carina")]
    px_per_mm = shape.side_px / NOMINAL_SIDE_MM
    places = [
        whole.out(find_peak(mean_share([said.maps[k] for said in far]), px_per_mm, shape.stride).place)
        for k in channels
    ]
    tube_far = _tube(far, shape, _ENDOTRACHEAL)
    window = _closer_window(places, tube_far, long_side, shape)
    view = _cut(film, window, levels)
    near = _ask(view, (second, False), (first, False), (first, True))
    tip, carina = (
        _spot([said.maps[k] for said in near], place, window, long_side, shape.stride)
        for k, place in zip(channels, places, strict=True)
    )
    carina = towards_usual(carina, long_side / NOMINAL_SIDE_MM, shape)
    sight = _with_lines(tip, carina, near, tube_far, window, long_side / NOMINAL_SIDE_MM, shape)
    sight = at_line_end(sight, view, window.grid(1), long_side / NOMINAL_SIDE_MM)
    return replace(sight, bones=_bones(far, shape, whole.grid(shape.stride)))


def _bones(far: Sequence[Said], shape: Shape, grid: Grid) -> Bones:
    """Spine and jaw as the looks over the whole film have them on average."""

    def where(name: str) -> Whereabouts:
        share = mean_share([said.maps[shape.channel(name)] for said in far])
        return Whereabouts(share, chance(_mean_logit(far, shape.score(f"{name} in view"))))

    vertebrae = mean_seen([said.maps[shape.channel("vertebra")] for said in far])
    return Bones(vertebrae, where("mandible"), where("T1"), grid)


def at_line_end(sight: Sight, view: Maps, grid: Grid, px_per_mm: float) -> Sight:
    """The tip where the line is seen to end in the picture, if it is; never lifted from below the carina."""
    tip = sight.tip
    end = find_line_end(view, grid, sight.tube_line, (tip.x, tip.y), px_per_mm)
    if end is None or not end.believed or tip.y > sight.carina.y >= end.y:
        return sight
    line = tuple(at for at in sight.tube_line if at[1] <= end.y)
    return replace(
        sight, tip=replace(tip, x=end.x, y=end.y), line_end_mm=end.above_mm, tube_line=line,
        line_mm=length_px(line) / px_per_mm,
    )  # fmt: skip


def _with_lines(
    tip: Spot, carina: Spot, near: Sequence[Said], tube_far: float, window: Window, px_per_mm: float, shape: Shape
) -> Sight:
    """The two spots and the lines that lead to them."""
    grid = window.grid(shape.stride)

    def band(name: str) -> Maps:
        k = shape.channel(name)
        return mean_seen([said.maps[k] for said in near])

    gap_px, gullet = _GAP_MM * px_per_mm, band("gullet line")
    line = follow(band("tube line"), grid, (tip.x, tip.y), -1, gap_px)
    return Sight(
        tip=tip,
        carina=carina,
        unusual=abs(carina.y / px_per_mm - shape.usual_level_mm) / shape.usual_level_sd_mm,
        tube_far=tube_far,
        tube_near=_tube(near, shape, _ENDOTRACHEAL),
        tracheostomy=_tube(near, shape, _TRACHEOSTOMY),
        airway=follow(band("airway"), grid, (carina.x, carina.y), -1, 0.0),
        tube_line=line,
        gullet_at_tip=strongest(gullet, grid, (tip.x, tip.y), _AT_TIP_MM * px_per_mm),
        below_mm=length_px(follow(gullet, grid, (tip.x, tip.y), 1, _AT_TIP_MM * px_per_mm)) / px_per_mm,
        line_mm=length_px(line) / px_per_mm,
    )


def _levels(pixels: NDArray[np.float32]) -> tuple[float, float]:
    sample = pixels[:: max(1, pixels.shape[0] // 256), :: max(1, pixels.shape[1] // 256)]
    low, high = np.percentile(sample, [0.2, 99.8])
    return float(low), max(float(high), float(low) + 1e-3)


def _cut(film: Film, window: Window, levels: tuple[float, float]) -> NDArray[np.float32]:
    """The window as the network's input, shape (input_px, input_px); outside the film it is black."""
    import cv2

    aspect = film.pixel_aspect
    rows, columns = film.shape
    top, bottom = window.top / aspect, (window.top + window.side) / aspect
    first, last = max(0, round(top)), min(rows, round(bottom))
    left, right = max(0, window.left), min(columns, window.left + window.side)
    side = window.input_px
    scale = side / window.side
    result = np.zeros((side, side), np.float32)
    if first >= last or left >= right:
        return result
    height, width = round((last - first) * aspect * scale), round((right - left) * scale)
    if height < 1 or width < 1:
        return result
    smaller = height < last - first
    part = cv2.resize(
        film.pixels[first:last, left:right], (width, height),
        interpolation=cv2.INTER_AREA if smaller else cv2.INTER_LINEAR,
    )  # fmt: skip
    low, high = levels
    at_row = max(0, round((first - top) * aspect * scale))
    at_column = round((left - window.left) * scale)
    part = part[: side - at_row, : side - at_column]
    result[at_row : at_row + part.shape[0], at_column : at_column + part.shape[1]] = np.clip(
        (part - low) / (high - low), 0.0, 1.0
    )
    return result


def _ask(view: NDArray[np.float32], *passes: tuple[Session, bool]) -> list[Said]:
    """What networks say of a view, as it is or mirrored; side by side, where there are cores."""

    def ask(session: Session, mirrored: bool) -> Said:
        shown = np.ascontiguousarray(view[:, ::-1]) if mirrored else view
        maps, scores = session.run(["maps", "scores"], {"film": shown[None, None]})
        return Said(maps[0, :, :, ::-1] if mirrored else maps[0], scores[0])

    with ThreadPoolExecutor(len(passes)) as threads:
        return list(threads.map(ask, *zip(*passes, strict=True)))


def _mean_logit(looks: Sequence[Said], *scores: int) -> float:
    return float(np.mean([said.scores[list(scores)] for said in looks]))


def _tube(looks: Sequence[Said], shape: Shape, name: str) -> float:
    """Logit of a tube, judged at its place and by the whole view."""
    return _mean_logit(looks, shape.score(name), shape.score(f"{name}, by the whole view"))


def _spot(closer: Sequence[Maps], far: NDArray[np.float64], window: Window, long_side: float, stride: int) -> Spot:
    px_per_mm = long_side / NOMINAL_SIDE_MM * window.input_px / window.side
    looks = [shares(maps) for maps in closer]
    peak = find_peak(np.mean(looks, axis=0, dtype=np.float32), px_per_mm, stride)
    places = np.array([find_peak(share, px_per_mm, stride).place for share in looks])
    apart = math.sqrt(float(((places - places.mean(0)) ** 2).sum(1).mean()))
    (x, y), other = window.out(peak.place), window.out(peak.other)
    moved = math.hypot(x - far[0], y - far[1]) * NOMINAL_SIDE_MM / long_side
    return Spot(
        float(x), float(y), peak.mass, peak.elsewhere, peak.spread_mm, apart / px_per_mm, moved,
        (float(other[0]), float(other[1])),
    )  # fmt: skip


def own_sd_mm(spot: Spot) -> float:
    """Standard deviation along an axis as the maps and their disagreement have it, before calibration."""
    return math.sqrt(spot.spread_mm**2 + spot.apart_mm**2 + (0.5 * min(spot.moved_mm, 30.0)) ** 2)


def towards_usual(carina: Spot, px_per_mm: float, shape: Shape) -> Spot:
    """The carina moved up or down towards the level where carinas lie, as far as the maps leave it open.

    The mean of two normal beliefs by their variances: a sure place goes 2 % of the way, a doubtful one 20 %.
    """
    own, usual = own_sd_mm(carina) ** 2, shape.usual_level_sd_mm**2
    return replace(carina, y=(usual * carina.y + own * shape.usual_level_mm * px_per_mm) / (usual + own))


def _closer_window(places: list[NDArray[np.float64]], tube_far: float, long_side: int, shape: Shape) -> Window:
    """Around the tip and the carina where they lie together, else around the carina and the neck above it."""
    side = round(long_side / shape.closer)
    tip, carina = places
    together = tube_far > 0.0 and math.dist(tip, carina) < 0.7 * side
    centre = (tip + carina) / 2.0 if together else carina - np.array([0.0, 0.1 * long_side])
    return Window(round(centre[0] - side / 2.0), round(centre[1] - side / 2.0), side, shape.side_px)
