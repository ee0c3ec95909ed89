"""Tip and carina by the trained network: whole film first, then a closer look where they seem to be.

Training, data and scores are in docs/training.md and docs/model-card.md.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from measure.landmarks import Landmark, Landmarks, Seen, Source

WEIGHTS = Path(__file__).with_name("weights")
MEMBERS = tuple(WEIGHTS / f"finder_{number}.onnx" for number in range(3))
CARD = WEIGHTS / "finder.json"

Maps = NDArray[np.float32]
Card = Mapping[str, Mapping[str, list[float]]]
"""For the tip and the carina: coefficients of the confidence and of the standard deviation."""

_SIDE_PX = 640
"""What the network sees; config.toml of the training."""
_STRIDE = 4
_CLOSER = 1.5
"""How much closer the second look is, inside the range trained with: 1.5 and 1.7 do as well out of fold, and 1.5
better on the projected CT."""
_LONG_SIDE_MM = 400.0
"""Nominal length of a film's longer side where no spacing is needed; as in the films' reference marks."""
_NEAR_MM = 10.0
"""What a confidence speaks of."""
_PLACE_MM = 4.0
"""The place is where most probability lies within this; of 3 to 17 mm the best out of fold, by little."""
_STEP_CELLS = 3.0
_SEEN = 0.3
"""A line is followed by at most so many cells sideways a row, while its map shows at least so much; ours."""
_USUAL_LEVEL_MM, _USUAL_LEVEL_SD_MM = 146.5, 18.7
"""How far below the film's upper edge the carina lies, in nominal mm: mean and standard deviation over the 123
marked films."""
_FAR_FROM_USUAL = 3.0
"""No further from the usual level counts as more unusual; ours."""
_GAP_MM = 8.0
"""The tube's line may begin so far above the tip, where its bevel is; ours."""
_OTHER_TUBE = 0.3
"""The most that a tip's confidence may be where another tube is seen; ours."""
_UNCLEAR = 0.5
"""Below this confidence a point is a hint; above it an answer."""
_NO_HINT = 0.1
"""Below this one a point is not even a hint; ours."""
_TRACHEOSTOMY = 1.0
"""From this logit on a tube is taken for a tracheostomy tube: 24 of the 27 films with one reach it out of fold,
none of the 215 without; ours."""
_LINE_STEP_MM = 12.0
_LINE_SD_MM = 3.5
"""Points of the tube's line: how far apart, and how far aside of the tube's axis two in three of them lie on
30 synthetic films (docs/model-card.md)."""
_PATH_POINTS = 8
_PATH_SEEN, _PATH_ROUGH_MM = 0.8, 2.5
"""An airway path is told where so much of it is seen, and no further than this from a smooth curve; ours."""
_TIP, _CARINA, _TUBE_LINE, _AIRWAY = 0, 1, 2, 4
"""Channels of the maps; imaging/training/model.py."""


def weights_sha256() -> str:
    """SHA-256 over the members and their card, in hexadecimal: which weights propose."""
    digest = hashlib.sha256()
    for path in (*MEMBERS, CARD):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


class Session(Protocol):
    """What is used of an ONNX Runtime session."""

    def run(self, names: Sequence[str], feeds: Mapping[str, NDArray[np.float32]]) -> list[NDArray[np.float32]]:
        """Named outputs for named inputs."""
        ...


@dataclass(frozen=True, slots=True)
class Window:
    """A square part of the film, in square pixels as wide as a column; may reach beyond the film.

    Parameters
    ----------
    left, top : int
        First column and row.
    side : int
        Width and height.
    """

    left: int
    top: int
    side: int

    def out(self, point: NDArray[np.float64]) -> NDArray[np.float64]:
        """A point (x, y) of the network's input, as a place in square film pixels."""
        corner = np.array([self.left, self.top], np.float64)
        return np.asarray((point + 0.5) * (self.side / _SIDE_PX) - 0.5 + corner, np.float64)


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
    """

    x: float
    y: float
    mass: float
    elsewhere: float
    spread_mm: float
    apart_mm: float
    moved_mm: float


@dataclass(frozen=True, slots=True)
class Sight:
    """Everything that the network said about a film, before it is judged.

    Parameters
    ----------
    tip, carina : Spot
    unusual : float
        How far the carina lies from the usual level, in standard deviations.
    tube_far, tube_near : float
        Logit of an endotracheal tube on the whole film and on the closer look.
    tracheostomy : float
        Logit of a tracheostomy tube on the closer look.
    airway, tube_line : tuple of (x, y)
        The windpipe above the carina and the tube's line above the tip, where seen; square film pixels, upwards.
    """

    tip: Spot
    carina: Spot
    unusual: float
    tube_far: float
    tube_near: float
    tracheostomy: float
    airway: tuple[tuple[float, float], ...]
    tube_line: tuple[tuple[float, float], ...]

    def tip_features(self) -> NDArray[np.float64]:
        """What the tip's confidence is computed from."""
        return np.array([self.tube_near, self.tube_far, *_doubts(self.tip)])

    def carina_features(self) -> NDArray[np.float64]:
        """What the carina's confidence is computed from."""
        return np.array([*_doubts(self.carina), min(self.unusual, _FAR_FROM_USUAL) ** 2])


def _doubts(spot: Spot) -> list[float]:
    mass = min(max(spot.mass, 0.01), 0.99)
    return [math.log(mass / (1.0 - mass)), spot.elsewhere, math.log1p(spot.apart_mm), math.log1p(spot.moved_mm)]


@cache
def load_members(paths: tuple[Path, ...] = MEMBERS) -> tuple[Session, ...]:
    """Load the network's members once; one thread each, so that films can run side by side."""
    # Nothing may leave the machine: with this ONNX Runtime neither keeps a device id nor calls its maker.
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return tuple(
        onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"]) for path in paths
    )


@cache
def load_card(path: Path = CARD) -> Card:
    """The calibration beside the weights."""
    found: Card = json.loads(path.read_text(encoding="utf-8"))["calibration"]
    return found


def _levels(pixels: NDArray[np.float32]) -> tuple[float, float]:
    sample = pixels[:: max(1, pixels.shape[0] // 256), :: max(1, pixels.shape[1] // 256)]
    low, high = np.percentile(sample, [0.2, 99.8])
    return float(low), max(float(high), float(low) + 1e-3)


def _cut(film: Film, window: Window, levels: tuple[float, float]) -> NDArray[np.float32]:
    """The window as the network's input, shape (640, 640); outside the film it is black."""
    import cv2

    aspect = film.pixel_aspect
    rows, columns = film.shape
    top, bottom = window.top / aspect, (window.top + window.side) / aspect
    first, last = max(0, round(top)), min(rows, round(bottom))
    left, right = max(0, window.left), min(columns, window.left + window.side)
    scale = _SIDE_PX / window.side
    result = np.zeros((_SIDE_PX, _SIDE_PX), np.float32)
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
    part = part[: _SIDE_PX - at_row, : _SIDE_PX - at_column]
    result[at_row : at_row + part.shape[0], at_column : at_column + part.shape[1]] = np.clip(
        (part - low) / (high - low), 0.0, 1.0
    )
    return result


def _run(session: Session, view: NDArray[np.float32], mirrored: bool) -> tuple[Maps, Maps]:
    """Maps, shape (5, 160, 160), and the tubes' logits, shape (2,)."""
    if mirrored:
        view = np.ascontiguousarray(view[:, ::-1])
    maps, tubes = session.run(["maps", "tubes"], {"film": view[None, None]})
    return (maps[0, :, :, ::-1] if mirrored else maps[0]), tubes[0]


def _shares(logits: Maps) -> Maps:
    weights = np.exp(logits - logits.max())
    return np.asarray(weights / weights.sum(), np.float32)


def _together(share: Maps, radius: float) -> Maps:
    """Probability within `radius` cells of every cell."""
    import cv2

    reach = math.ceil(radius)
    offsets = np.arange(-reach, reach + 1)
    disc = (np.hypot(offsets[:, None], offsets[None]) <= radius).astype(np.float32)
    return np.asarray(cv2.filter2D(share, -1, disc, borderType=cv2.BORDER_CONSTANT), np.float32)


def _peak(share: Maps, px_per_mm: float) -> tuple[NDArray[np.float64], float, float, float]:
    """Where most probability lies together.

    Returns
    -------
    place : ndarray, shape (2,)
        x and y in input pixels.
    mass : float
        Probability within 10 nominal mm of it.
    elsewhere : float
        The most probability within 10 nominal mm of any place further than 20 mm away.
    spread_mm : float
        Vertical standard deviation of the near part.
    """
    cells_per_mm = px_per_mm / _STRIDE
    together = _together(share, _PLACE_MM * cells_per_mm)
    y, x = np.unravel_index(int(together.argmax()), together.shape)
    rows, columns = np.indices(share.shape)
    away_mm = np.hypot(rows - y, columns - x) / cells_per_mm
    close = share * (away_mm <= _PLACE_MM)
    cell = np.array([(close * columns).sum(), (close * rows).sum()], np.float64) / close.sum()
    near = share * (away_mm <= _NEAR_MM)
    mass = float(near.sum())
    elsewhere = _together(share * (away_mm > _NEAR_MM), _NEAR_MM * cells_per_mm) * (away_mm > 2.0 * _NEAR_MM)
    spread_mm = math.sqrt(float((near * (rows - cell[1]) ** 2).sum()) / mass) / cells_per_mm
    return cell * _STRIDE + (_STRIDE - 1) / 2.0, min(mass, 1.0), float(elsewhere.max()), spread_mm


def _spot(closer: Sequence[Maps], far: NDArray[np.float64], window: Window, long_side: float) -> Spot:
    px_per_mm = long_side / _LONG_SIDE_MM * _SIDE_PX / window.side
    shares = [_shares(maps) for maps in closer]
    point, mass, elsewhere, spread_mm = _peak(np.mean(shares, axis=0, dtype=np.float32), px_per_mm)
    places = np.array([_peak(share, px_per_mm)[0] for share in shares])
    apart = math.sqrt(float(((places - places.mean(0)) ** 2).sum(1).mean()))
    x, y = window.out(point)
    moved = math.hypot(x - far[0], y - far[1]) * _LONG_SIDE_MM / long_side
    return Spot(float(x), float(y), mass, elsewhere, spread_mm, apart / px_per_mm, moved)


def own_sd_mm(spot: Spot) -> float:
    """Standard deviation along an axis as the maps and their disagreement have it, before calibration."""
    return math.sqrt(spot.spread_mm**2 + spot.apart_mm**2 + (0.5 * min(spot.moved_mm, 30.0)) ** 2)


def towards_usual(carina: Spot, px_per_mm: float) -> Spot:
    """The carina moved up or down towards the level where carinas lie, as far as the maps leave it open.

    The mean of two normal beliefs by their variances: a sure place goes 2 % of the way, a doubtful one 20 %.
    """
    seen, usual = own_sd_mm(carina) ** 2, _USUAL_LEVEL_SD_MM**2
    return replace(carina, y=(usual * carina.y + seen * _USUAL_LEVEL_MM * px_per_mm) / (usual + seen))


def _line_up(closer: Sequence[Maps], spot: Spot, window: Window, gap_px: float) -> tuple[tuple[float, float], ...]:
    """A line followed upwards from a place, as far as its map shows it; empty where it does not.

    It may begin up to `gap_px` above the place.
    """
    band = 1.0 / (1.0 + np.exp(-np.mean(closer, axis=0, dtype=np.float32)))
    size = window.side / _SIDE_PX * _STRIDE
    x = (spot.x - window.left + 0.5) / size - 0.5
    row = math.floor((spot.y - window.top + 0.5) / size - 0.5)
    last_start = row - gap_px / size
    columns = np.arange(band.shape[1])
    line: list[tuple[float, float]] = []
    while 0 <= row < band.shape[0]:
        share = band[row] * (np.abs(columns - x) <= _STEP_CELLS)
        if share.max(initial=0.0) < _SEEN:
            if line or row <= last_start:
                break
            row -= 1
            continue
        x = float((share * columns).sum() / share.sum())
        line.append(((x + 0.5) * size - 0.5 + window.left, (row + 0.5) * size - 0.5 + window.top))
        row -= 1
    return tuple(line)


def look(film: Film, members: tuple[Session, ...]) -> Sight:
    """Everything that the network says about a film.

    Parameters
    ----------
    film : Film
        Upright; bright = dense.
    members : tuple of Session
        Three networks; five passes in all, two of them mirrored.
    """
    rows, columns = film.shape
    tall = round(rows * film.pixel_aspect)
    long_side = max(tall, columns)
    levels = _levels(film.pixels)
    whole = Window((columns - long_side) // 2, (tall - long_side) // 2, long_side)
    view = _cut(film, whole, levels)
    far = [_run(members[2], view, False), _run(members[1], view, True)]
    px_per_mm = _SIDE_PX / _LONG_SIDE_MM
    places = [
        whole.out(_peak(np.mean([_shares(maps[k]) for maps, _ in far], axis=0, dtype=np.float32), px_per_mm)[0])
        for k in (_TIP, _CARINA)
    ]
    tube_far = _mean_logit(far, 0)
    window = _closer_window(places, tube_far, long_side)
    view = _cut(film, window, levels)
    near = [_run(members[1], view, False), _run(members[0], view, True), _run(members[2], view, False)]
    tip, carina = (_spot([maps[k] for maps, _ in near], places[k], window, long_side) for k in (_TIP, _CARINA))
    carina = towards_usual(carina, long_side / _LONG_SIDE_MM)
    return Sight(
        tip=tip,
        carina=carina,
        unusual=abs(carina.y / long_side * _LONG_SIDE_MM - _USUAL_LEVEL_MM) / _USUAL_LEVEL_SD_MM,
        tube_far=tube_far,
        tube_near=_mean_logit(near, 0),
        tracheostomy=_mean_logit(near, 1),
        airway=_line_up([maps[_AIRWAY] for maps, _ in near], carina, window, 0.0),
        tube_line=_line_up(
            [maps[_TUBE_LINE] for maps, _ in near], tip, window, _GAP_MM * long_side / _LONG_SIDE_MM
        ),
    )


def _mean_logit(looks: Sequence[tuple[Maps, Maps]], which: int) -> float:
    return float(np.mean([tubes[which] for _, tubes in looks]))


def _closer_window(places: list[NDArray[np.float64]], tube_far: float, long_side: int) -> Window:
    """Around the tip and the carina where they lie together, else around the carina and the neck above it."""
    side = round(long_side / _CLOSER)
    tip, carina = places
    together = tube_far > 0.0 and math.dist(tip, carina) < 0.7 * side
    centre = (tip + carina) / 2.0 if together else carina - np.array([0.0, 0.1 * long_side])
    return Window(round(centre[0] - side / 2.0), round(centre[1] - side / 2.0), side)


def _probability(features: NDArray[np.float64], model: Mapping[str, list[float]]) -> float:
    scaled = (features - np.array(model["mean"])) / np.array(model["scale"])
    logit = float(scaled @ np.array(model["weights"])) + model["bias"][0]
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, logit))))


def _sd_mm(spot: Spot, model: Mapping[str, list[float]]) -> float:
    """Standard deviation along an axis, from the map's spread and the disagreement of the looks."""
    return max(model["sd_floor_mm"][0], model["sd_factor"][0] * own_sd_mm(spot))


def _at_most(sd_mm: float) -> float:
    """The most that a confidence may be beside so wide a standard deviation: 0.5 at 42 mm.

    Much kinder than a normal error would be: on marked films a closer look that contradicts the first one is
    mostly right. It bites where all looks contradict each other, as on a film upside down. Ours.
    """
    return 1.0 - math.exp(-12.0 * (_NEAR_MM / sd_mm) ** 2)


def judge(sight: Sight, film: Film, card: Card) -> tuple[Landmarks, tuple[str, ...]]:
    """Landmarks with calibrated confidence and standard deviation; a sentence for each one missing."""
    rows, columns = film.shape
    px_per_mm = max(rows * film.pixel_aspect, columns) / _LONG_SIDE_MM
    found: dict[str, Landmark] = {}
    reasons = []
    for name, spot, features in (
        ("tip", sight.tip, sight.tip_features()),
        ("carina", sight.carina, sight.carina_features()),
    ):
        sd_mm = _sd_mm(spot, card[name])
        confidence = min(_probability(features, card[name]), _at_most(sd_mm))
        if name == "tip" and sight.tracheostomy > _TRACHEOSTOMY:
            confidence = min(confidence, _OTHER_TUBE)
        if confidence < _UNCLEAR:
            reasons.append(_reason(name, sight, confidence))
        unseen = name == "tip" and sight.tube_near < 0.0 and confidence < _UNCLEAR
        if unseen or confidence < _NO_HINT or not _on_film(spot, film):
            continue
        found[name] = Landmark(
            row=(spot.y + 0.5) / film.pixel_aspect - 0.5,
            column=spot.x,
            sd_px=sd_mm * px_per_mm,
            source=Source.PROPOSED,
            confidence=confidence,
            note="estimated from what surrounds it" if name == "carina" and spot.mass < 0.7 else "",
        )
    landmarks = Landmarks(tip=found.get("tip"), carina=found.get("carina"))
    tip, carina = landmarks.tip, landmarks.carina
    if tip is not None and tip.confidence >= _UNCLEAR:
        landmarks = replace(landmarks, tube_line=_tube_line(sight, film, px_per_mm))
    if tip is None or carina is None or min(tip.confidence, carina.confidence) < _UNCLEAR:
        return landmarks, tuple(reasons)
    if tip.row > carina.row:
        side = "right" if tip.column < carina.column else "left"
        tip = replace(tip, note=f"it lies below the carina, on the side of the patient's {side} main bronchus")
    return replace(landmarks, tip=tip, airway_path=_airway_path(sight, film, px_per_mm)), tuple(reasons)


def _tube_line(sight: Sight, film: Film, px_per_mm: float) -> tuple[Landmark, ...]:
    """The tube's line above the tip as points of the same distance, top down; empty where it is not seen."""
    upwards = np.array(sight.tube_line).reshape(-1, 2)
    if len(upwards) < 2 or np.ptp(upwards[:, 1]) < _LINE_STEP_MM * px_per_mm:
        return ()
    rows = np.arange(upwards[0, 1], upwards[-1, 1], -_LINE_STEP_MM * px_per_mm)[::-1]
    columns = np.interp(rows, upwards[::-1, 1], upwards[::-1, 0])
    return tuple(
        Landmark((y + 0.5) / film.pixel_aspect - 0.5, x, _LINE_SD_MM * px_per_mm, Source.PROPOSED)
        for y, x in zip(rows.tolist(), columns.tolist(), strict=True)
    )


def _airway_path(sight: Sight, film: Film, px_per_mm: float) -> tuple[Landmark, ...]:
    """The windpipe between tip and carina as a smooth curve; empty where it is not seen well enough."""
    height = sight.carina.y - sight.tip.y
    line = np.array(sight.airway).reshape(-1, 2)
    seen = line[(line[:, 1] >= sight.tip.y) & (line[:, 1] < sight.carina.y)]
    if height < 2.0 * _NEAR_MM * px_per_mm or len(seen) < 3 or np.ptp(seen[:, 1]) < _PATH_SEEN * height:
        return ()
    # The carina is on the curve whatever the map shows: its point weighs as much as all others.
    rows = np.append(seen[:, 1], sight.carina.y)
    columns = np.append(seen[:, 0], sight.carina.x)
    weights = np.append(np.ones(len(seen)), math.sqrt(len(seen)))
    curve = np.polynomial.Polynomial.fit(rows, columns, 2, w=weights)
    rough_px = float(np.std(curve(seen[:, 1]) - seen[:, 0]))
    if rough_px > _PATH_ROUGH_MM * px_per_mm:
        return ()
    return tuple(
        Landmark((y + 0.5) / film.pixel_aspect - 0.5, float(curve(y)), max(rough_px, 1.0), Source.PROPOSED)
        for y in np.linspace(sight.tip.y, sight.carina.y, _PATH_POINTS, endpoint=False)
    )


def _on_film(spot: Spot, film: Film) -> bool:
    rows, columns = film.shape
    return 0.0 <= spot.x <= columns - 1 and 0.0 <= spot.y <= rows * film.pixel_aspect - 1


def _reason(name: str, sight: Sight, confidence: float) -> str:
    if name == "tip" and sight.tracheostomy > _TRACHEOSTOMY:
        probability = 1.0 / (1.0 + math.exp(-sight.tracheostomy))
        return (
            f"tip: this looks like a tracheostomy tube (probability {probability:.2f}), for which no range is "
            "known; if it is an endotracheal tube, mark it by hand."
        )
    if name == "tip" and sight.tube_near < 0.0:
        return f"tip: no endotracheal tube seen (probability of a placed tip {confidence:.2f}); mark it by hand."
    return (
        f"{name}: unsure, {confidence:.2f} found as the probability of lying within 10 mm, at least 0.5 expected; "
        "mark it by hand."
    )


def seen_by(sight: Sight) -> Seen:
    """Which tube the network saw."""
    if sight.tracheostomy > _TRACHEOSTOMY:
        return Seen.TRACHEOSTOMY
    return Seen.NO_TUBE if sight.tube_near < 0.0 else Seen.TUBE


def find_landmarks(film: Film) -> tuple[Landmarks, tuple[str, ...], Seen]:
    """Propose the tube's tip and the carina.

    Parameters
    ----------
    film : Film
        Upright; pixels 0 to 1, bright = dense. Pixels need not be square.

    Returns
    -------
    landmarks : Landmarks
        Tip and carina where found; a confidence below 0.5 marks a hint, no answer.
    reasons : tuple of str
        One plain sentence for each point that is missing or unsure.
    seen : Seen
        Which tube.
    """
    sight = look(film, load_members())
    return *judge(sight, film, load_card()), seen_by(sight)
