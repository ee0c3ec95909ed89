"""What the networks said becomes landmarks with a calibrated confidence, or a reason why not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from imaging.network.looking import Sight, Spot, own_sd_mm
from imaging.network.members import Calibration, Shape
from imaging.network.places import NEAR_MM, chance
from measure.landmarks import Landmark, Landmarks, Seen, Source
from measure.rough_scale import NOMINAL_SIDE_MM

BELOW_CARINA, NOTES_APART = "it lies below the carina", "; "
"""How the note of a tip there begins, and what stands between a landmark's notes."""
_NO_ANSWER = 0.3
"""The most that a tip's confidence may be where something else speaks against it: another tube, no line; ours."""
_UNCLEAR = 0.5
"""Below this confidence a point is a hint; above it an answer."""
_NO_HINT = 0.1
"""Below this one a point is not even a hint; ours."""
_SHORTEST_MM = 15.0
"""A tip is the end of a line: with less than this of it above the tip there is no answer; ours."""
_ON_GULLET, _GOES_ON_MM = 0.7, 60.0
"""A tip that lies on a stomach tube's line, which goes on so far below it, is not an airway tube's; ours."""
_SECOND = 0.1
"""From this probability on a second place is told. Of 89 tips and carinas with that much elsewhere the true place
lay there on 17 (networks that saw none of the patients, spoiled films too)."""
_LINE_END_TOLD_MM = 5.0
"""A tip that was put at its line's end so far above the networks' own place says so; ours."""
_CUT_MM = 20.0
"""A carina so near the film's lower edge may lie beyond it: no answer; ours (those of whole films lie 146 +- 19
nominal mm below the upper edge)."""
_LINE_STEP_MM = 12.0
_LINE_SD_MM = 3.5
"""Points of the tube's line: how far apart, and how far aside of the tube's axis two in three of them lie on
30 synthetic films (docs/model-card.md)."""
_PATH_POINTS = 8
_PATH_SEEN, _PATH_ROUGH_MM = 0.8, 2.5
"""An airway path is told where so much of it is seen, and no further than this from a smooth curve; ours."""


def judge(sight: Sight, film: Film, shape: Shape, card: Calibration) -> tuple[Landmarks, tuple[str, ...]]:
    """Landmarks with calibrated confidence and standard deviation; a sentence for each one missing."""
    rows, columns = film.shape
    px_per_mm = max(rows * film.pixel_aspect, columns) / NOMINAL_SIDE_MM
    found: dict[str, Landmark] = {}
    reasons = []
    against = {"tip": _against(sight, shape), "carina": _cut_off(sight.carina, film, px_per_mm)}
    for name, spot, features in (
        ("tip", sight.tip, sight.tip_features()),
        ("carina", sight.carina, sight.carina_features()),
    ):
        sd_mm = _sd_mm(spot, card[name])
        confidence = min(_probability(features, card[name]), _at_most(sd_mm))
        if against[name]:
            confidence = min(confidence, _NO_ANSWER)
        if confidence < _UNCLEAR:
            reasons.append(_reason(name, sight, confidence, against[name]))
        unseen = name == "tip" and sight.tube_near < 0.0 and confidence < _UNCLEAR
        if unseen or confidence < _NO_HINT or not _on_film(spot.x, spot.y, film):
            continue
        found[name] = Landmark(
            row=(spot.y + 0.5) / film.pixel_aspect - 0.5,
            column=spot.x,
            sd_px=sd_mm * px_per_mm,
            source=Source.PROPOSED,
            confidence=confidence,
            note=_note(name, spot, sight),
            other=_second(spot, film, sd_mm * px_per_mm),
        )
    landmarks = Landmarks(tip=found.get("tip"), carina=found.get("carina"))
    tip, carina = landmarks.tip, landmarks.carina
    if tip is not None and tip.confidence >= _UNCLEAR:
        landmarks = replace(landmarks, tube_line=_tube_line(sight, film, px_per_mm))
    if tip is None or carina is None or min(tip.confidence, carina.confidence) < _UNCLEAR:
        return landmarks, tuple(reasons)
    if tip.row > carina.row:
        side = "right" if tip.column < carina.column else "left"
        below = f"{BELOW_CARINA}, on the side of the patient's {side} main bronchus"
        tip = replace(tip, note=NOTES_APART.join(filter(None, (below, tip.note))))
    return replace(landmarks, tip=tip, airway_path=_airway_path(sight, film, px_per_mm)), tuple(reasons)


def _note(name: str, spot: Spot, sight: Sight) -> str:
    """What else must be known of a place; empty where nothing."""
    if name == "carina" and spot.mass < 0.7:
        return "estimated from what surrounds it"
    if name == "tip" and sight.line_end_mm >= _LINE_END_TOLD_MM:
        return f"at the end of its line, below which the tube may go on for {sight.line_end_mm:.0f} nominal mm"
    return ""


def _second(spot: Spot, film: Film, sd_px: float) -> Landmark | None:
    """The other place that the maps hold, with its probability; None where they hold none."""
    x, y = spot.other
    if spot.elsewhere < _SECOND or not _on_film(x, y, film):
        return None
    return Landmark((y + 0.5) / film.pixel_aspect - 0.5, x, sd_px, Source.PROPOSED, min(spot.elsewhere, 1.0))


def seen_by(sight: Sight, shape: Shape) -> Seen:
    """Which tube the networks saw."""
    if sight.tracheostomy > shape.tracheostomy_logit:
        return Seen.TRACHEOSTOMY
    return Seen.NO_TUBE if sight.tube_near < 0.0 else Seen.TUBE


def _against(sight: Sight, shape: Shape) -> str:
    """What forbids an answer for the tip, though a place was found; empty where nothing does."""
    if sight.tracheostomy > shape.tracheostomy_logit:
        probability = chance(sight.tracheostomy)
        return (
            f"this looks like a tracheostomy tube (probability {probability:.2f}), for which no range is known; "
            "if it is an endotracheal tube, mark it by hand."
        )
    if sight.tube_near < 0.0:
        return ""
    if sight.gullet_at_tip > _ON_GULLET and sight.below_mm > _GOES_ON_MM and sight.line_mm < _SHORTEST_MM:
        return (
            f"the line found goes on for {sight.below_mm:.0f} nominal mm below it, as a stomach tube's; "
            "mark it by hand."
        )
    if sight.line_mm < _SHORTEST_MM:
        return (
            f"{sight.line_mm:.0f} nominal mm of a tube's line found above it, at least {_SHORTEST_MM:.0f} "
            "expected; mark it by hand."
        )
    return ""


def _cut_off(carina: Spot, film: Film, px_per_mm: float) -> str:
    """What forbids an answer for the carina; empty where nothing does."""
    above_mm = (film.shape[0] * film.pixel_aspect - 1.0 - carina.y) / px_per_mm
    if above_mm >= _CUT_MM:
        return ""
    return (
        f"it seems to lie {max(above_mm, 0.0):.0f} nominal mm above the film's lower edge, or beyond it; mark it "
        "by hand."
    )


def _reason(name: str, sight: Sight, confidence: float, against: str) -> str:
    if against:
        return f"{name}: {against}"
    if name == "tip" and sight.tube_near < 0.0:
        return f"tip: no endotracheal tube seen (probability of a placed tip {confidence:.2f}); mark it by hand."
    return (
        f"{name}: unsure, {confidence:.2f} found as the probability of lying within 10 mm, at least 0.5 expected; "
        "mark it by hand."
    )


def _probability(features: NDArray[np.float64], model: Mapping[str, list[float]]) -> float:
    scaled = (features - np.array(model["mean"])) / np.array(model["scale"])
    return chance(float(scaled @ np.array(model["weights"])) + model["bias"][0])


def _sd_mm(spot: Spot, model: Mapping[str, list[float]]) -> float:
    """Standard deviation along an axis, from the map's spread and the disagreement of the looks."""
    return max(model["sd_floor_mm"][0], model["sd_factor"][0] * own_sd_mm(spot))


def _at_most(sd_mm: float) -> float:
    """The most that a confidence may be beside so wide a standard deviation: 0.5 at 42 mm.

    Much kinder than a normal error would be: on marked films a closer look that contradicts the first one is
    mostly right. It bites where all looks contradict each other, as on a film upside down. Ours.
    """
    return 1.0 - math.exp(-12.0 * (NEAR_MM / sd_mm) ** 2)


def _tube_line(sight: Sight, film: Film, px_per_mm: float) -> tuple[Landmark, ...]:
    """The tube's line above the tip as points of the same distance, top down; empty where it is not seen."""
    upwards = np.array([at for at in sight.tube_line if _on_film(*at, film)]).reshape(-1, 2)
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
    if height < 2.0 * NEAR_MM * px_per_mm or len(seen) < 3 or np.ptp(seen[:, 1]) < _PATH_SEEN * height:
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


def _on_film(x: float, y: float, film: Film) -> bool:
    rows, columns = film.shape
    return 0.0 <= x <= columns - 1 and 0.0 <= y <= rows * film.pixel_aspect - 1
