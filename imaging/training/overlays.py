"""Drawn things that are no airway tube: leads, venous lines, drains, wires, texts.

They are drawn once for a run, on the CPU, and added to films with random strength on the GPU.
Widths in pixels are for films of 768 pixels (0.52 nominal mm a pixel); they are our own choice, made by
comparing drawn with real films.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

Canvas = NDArray[np.float32]
Draw = Callable[[Canvas, np.random.Generator], None]

_SHIFT = 4
"""Binary digits of sub-pixel positions given to the drawing library."""


def _curve(canvas: Canvas, points: NDArray[np.float64], width: int, value: float) -> None:
    """Draw a smooth curve through a Bezier polygon of four points, shape (4, 2), as x and y."""
    import cv2

    t = np.linspace(0.0, 1.0, 60)[:, None]
    weights = np.hstack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3])
    line = np.round((weights @ points) * (1 << _SHIFT)).astype(np.int32)
    layer = np.zeros(canvas.shape, np.uint8)
    cv2.polylines(layer, [line[:, None]], False, 255, width, cv2.LINE_AA, _SHIFT)
    np.maximum(canvas, layer.astype(np.float32) * (value / 255.0), out=canvas)


def _lead(canvas: Canvas, rng: np.random.Generator) -> None:
    import cv2

    side = canvas.shape[0]
    end = rng.uniform([0.1, 0.1], [0.9, 0.9]) * side
    start = rng.uniform(-0.1, 1.1, 2) * side
    start[rng.integers(2)] = rng.choice([-5.0, side + 5.0])
    middle = rng.uniform(0.0, 1.0, (2, 2)) * side
    _curve(canvas, np.vstack([start, middle, end]), int(rng.integers(1, 4)), rng.uniform(0.4, 1.0))
    centre = tuple(int(v) for v in end)
    radius = int(rng.integers(4, 12))
    if rng.random() < 0.6:
        layer = np.zeros(canvas.shape, np.uint8)
        thickness = int(rng.choice([-1, 2, 3]))
        if rng.random() < 0.5:
            cv2.circle(layer, centre, radius, 255, thickness, cv2.LINE_AA)
        else:
            box = cv2.boxPoints((centre, (radius * 2.0, radius * rng.uniform(0.5, 2.5)), rng.uniform(0, 180)))
            cv2.polylines(layer, [box.astype(np.int32)], True, 255, max(thickness, 1), cv2.LINE_AA)
        np.maximum(canvas, layer.astype(np.float32) / 255.0 * rng.uniform(0.4, 1.0), out=canvas)


def _venous_line(canvas: Canvas, rng: np.random.Generator) -> None:
    """A line from the neck or below the clavicle that ends beside the midline, near the right heart."""
    side = canvas.shape[0]
    end = np.array([rng.normal(0.45, 0.05), rng.uniform(0.3, 0.65)]) * side
    way = rng.choice(3)
    outward = rng.choice([-1.0, 1.0])
    if way == 0:
        start = np.array([0.5 + outward * rng.uniform(0.02, 0.12), -0.02]) * side
        bend = np.array([[0.5 + outward * rng.uniform(0.0, 0.12), 0.12], [0.47, 0.25]]) * side
    elif way == 1:
        start = np.array([0.5 + outward * rng.uniform(0.15, 0.45), rng.uniform(0.05, 0.3)]) * side
        bend = np.array([[0.5 + outward * 0.2, rng.uniform(0.1, 0.25)], [0.46, rng.uniform(0.15, 0.3)]]) * side
    else:
        start = np.array([0.5 + outward * 0.6, rng.uniform(0.2, 0.6)]) * side
        bend = np.array([[0.5 + outward * 0.3, rng.uniform(0.0, 0.3)], [0.46, rng.uniform(0.1, 0.3)]]) * side
    bend += rng.normal(0.0, 0.02, (2, 2)) * side
    _curve(canvas, np.vstack([start, bend, end]), int(rng.integers(1, 5)), rng.uniform(0.3, 0.9))


def _drain(canvas: Canvas, rng: np.random.Generator) -> None:
    side = canvas.shape[0]
    outward = rng.choice([-1.0, 1.0])
    start = np.array([0.5 + outward * 0.55, rng.uniform(0.4, 1.0)]) * side
    end = np.array([0.5 + outward * rng.uniform(0.02, 0.35), rng.uniform(0.1, 0.8)]) * side
    bend = np.array([0.5 + outward * 0.35, 0.5]) * side + rng.normal(0.0, 0.1, (2, 2)) * side
    value = rng.uniform(0.3, 0.8)
    _curve(canvas, np.vstack([start, bend, end]), int(rng.integers(1, 3)), value)
    if rng.random() < 0.6:
        shift = rng.uniform(5.0, 12.0) * np.array([0.3, 1.0])
        _curve(canvas, np.vstack([start, bend, end]) + shift, 1, value * 0.6)


def _sternal_wires(canvas: Canvas, rng: np.random.Generator) -> None:
    """Loops one below the other that close a divided breastbone, each twisted to a short knot."""
    import cv2

    side = canvas.shape[0]
    mm = side / 400.0
    x, lean = rng.normal(0.5, 0.03) * side, rng.normal(0.0, 0.08)
    top, gap = rng.uniform(0.12, 0.34) * side, rng.uniform(18.0, 42.0) * mm
    width, height = rng.uniform(10.0, 28.0) * mm, rng.uniform(5.0, 17.0) * mm
    thickness = int(rng.integers(1, 4))
    layer = np.zeros(canvas.shape, np.uint8)

    def draw(points: NDArray[np.float64], closed: bool, thick: int) -> None:
        fixed = np.round(points * (1 << _SHIFT)).astype(np.int32)
        cv2.polylines(layer, [fixed[:, None]], closed, 255, thick, cv2.LINE_AA, _SHIFT)

    for k in range(int(rng.integers(2, 8))):
        centre = np.array([x + lean * gap * k, top + gap * k]) + rng.normal(0.0, 3.0, 2) * mm
        turn = rng.uniform(0.0, 2.0 * np.pi) if rng.random() < 0.3 else rng.normal(0.0, 0.25)
        corners = np.linspace(0.0, 2.0 * np.pi, int(rng.choice([3, 3, 4, 12])), endpoint=False)
        corners = corners + np.pi / 2.0 + rng.normal(0.0, 0.25, len(corners))
        reach = rng.uniform(0.75, 1.1, len(corners))
        loop = np.stack([np.cos(corners) * width, np.sin(corners) * height], 1) * reach[:, None] / 2.0
        axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        loop = centre + loop @ axes.T
        draw(loop, rng.random() < 0.85, thickness)
        if rng.random() < 0.8:
            knot = loop[0] + np.array([[0.0, 0.0], rng.normal([0.0, 4.0], 2.5)]) * mm
            draw(knot, False, thickness + 1)
    np.maximum(canvas, layer.astype(np.float32) / 255.0 * rng.uniform(0.6, 1.4), out=canvas)


def _pacemaker(canvas: Canvas, rng: np.random.Generator) -> None:
    import cv2

    side = canvas.shape[0]
    centre = np.array([rng.choice([0.2, 0.8]) + rng.normal(0, 0.04), rng.uniform(0.15, 0.35)]) * side
    layer = np.zeros(canvas.shape, np.uint8)
    axes = (int(rng.integers(25, 45)), int(rng.integers(22, 40)))
    cv2.ellipse(layer, tuple(int(v) for v in centre), axes, rng.uniform(0, 180), 0, 360, 255, -1, cv2.LINE_AA)
    np.maximum(canvas, layer.astype(np.float32) / 255.0, out=canvas)
    for _ in range(int(rng.integers(1, 3))):
        end = np.array([rng.uniform(0.42, 0.65), rng.uniform(0.5, 0.8)]) * side
        bend = np.array([[0.5, rng.uniform(0.1, 0.25)], [0.45, rng.uniform(0.25, 0.5)]]) * side
        _curve(canvas, np.vstack([centre, bend, end]), 2, 0.8)


def _text(canvas: Canvas, rng: np.random.Generator) -> None:
    import cv2

    side = canvas.shape[0]
    letters = "".join(rng.choice(list("ABCDEFHLMNOPRSTU0123456789:/ "), int(rng.integers(1, 14))))
    where = rng.uniform(0.0, 0.95, 2) * side
    if rng.random() < 0.8:
        where[1] = rng.choice([rng.uniform(0.03, 0.15), rng.uniform(0.85, 0.98)]) * side
    layer = np.zeros(canvas.shape, np.uint8)
    font = int(rng.choice([0, 2, 3, 4]))
    place = (int(where[0]), int(where[1]))
    cv2.putText(layer, letters, place, font, rng.uniform(0.4, 1.6), 255, int(rng.integers(1, 4)), cv2.LINE_AA)
    np.maximum(canvas, layer.astype(np.float32) / 255.0 * rng.uniform(0.7, 1.5), out=canvas)


def _annotation(canvas: Canvas, rng: np.random.Generator) -> None:
    """What people draw on copies: a box, an arrow or a circle, full bright."""
    import cv2

    side = canvas.shape[0]
    layer = np.zeros(canvas.shape, np.uint8)
    thickness = int(rng.integers(1, 4))
    at = rng.uniform(0.15, 0.85, 2) * side
    other = at + rng.uniform(0.04, 0.25) * side * rng.choice([-1.0, 1.0], 2)
    one, two = (int(at[0]), int(at[1])), (int(other[0]), int(other[1]))
    shape = rng.integers(3)
    if shape == 0:
        cv2.rectangle(layer, one, two, 255, thickness, cv2.LINE_AA)
    elif shape == 1:
        cv2.arrowedLine(layer, one, two, 255, thickness + 1, cv2.LINE_AA, tipLength=rng.uniform(0.1, 0.4))
    else:
        cv2.circle(layer, one, int(rng.uniform(0.02, 0.1) * side), 255, thickness, cv2.LINE_AA)
    np.maximum(canvas, layer.astype(np.float32) / 255.0 * 1.8, out=canvas)


def _hose(canvas: Canvas, rng: np.random.Generator) -> None:
    """A breathing hose or mask strap over the neck: wide, ribbed or double-walled."""
    side = canvas.shape[0]
    start = np.array([rng.uniform(0.1, 0.9), -0.02]) * side
    end = np.array([rng.choice([-0.02, 1.02]), rng.uniform(0.02, 0.5)]) * side
    bend = rng.uniform([0.2, 0.0], [0.8, 0.3], (2, 2)) * side
    points = np.vstack([start, bend, end])
    value = rng.uniform(0.2, 0.7)
    for shift in (0.0, rng.uniform(8.0, 30.0)):
        _curve(canvas, points + shift, int(rng.integers(1, 3)), value)


_KINDS: tuple[tuple[Draw, float], ...] = (
    (_lead, 0.34),
    (_venous_line, 0.3),
    (_drain, 0.08),
    (_sternal_wires, 0.14),
    (_pacemaker, 0.05),
    (_text, 0.1),
    (_annotation, 0.08),
    (_hose, 0.08),
)
_NAMED: tuple[Draw, ...] = (_venous_line, _lead)
"""Kinds that have a map of their own, in the order of the second result."""
_SHOWS = 0.15
"""From this strength on a cell shows a line; ours."""


def draw_overlays(count: int, side: int, seed: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Draw `count` overlays of one to six things each.

    Returns
    -------
    overlays : ndarray of uint8, shape (count, side, side)
        128 = full density.
    named : ndarray of uint8, shape (count, 2, side / 4, side / 4)
        Where the venous lines run, and where the leads: 0 or 255.
    """
    with ThreadPoolExecutor() as pool:
        drawn = list(pool.map(lambda one: _draw_overlay(side, one), np.random.SeedSequence(seed).spawn(count)))
    overlays, named = zip(*drawn, strict=True)
    return np.stack(overlays), np.stack(named)


def _draw_overlay(side: int, seed: np.random.SeedSequence) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    import cv2

    rng = np.random.default_rng(seed)
    shares = np.array([share for _, share in _KINDS])
    canvas = np.zeros((side, side), np.float32)
    names = np.zeros((2, side // 4, side // 4), np.uint8)
    for kind in rng.choice(len(_KINDS), int(rng.integers(1, 7)), p=shares / shares.sum()):
        draw = _KINDS[kind][0]
        one = np.zeros_like(canvas)
        draw(one, rng)
        np.maximum(canvas, one, out=canvas)
        if draw in _NAMED:
            cells = one.reshape(side // 4, 4, side // 4, 4).max((1, 3)) > _SHOWS
            name = names[_NAMED.index(draw)]
            np.maximum(name, cells.astype(np.uint8) * 255, out=name)
    soft = cv2.GaussianBlur(canvas, (0, 0), rng.uniform(0.3, 0.9))
    return np.clip(np.round(soft * 128.0), 0, 255).astype(np.uint8), names
