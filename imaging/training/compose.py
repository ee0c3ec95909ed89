"""Airway tubes, tracheostomy tubes, stomach tubes and crossing leads drawn onto real films.

A tube is what X-rays make of it: a hollow cylinder's chord length (bright where the ray runs along the
wall), a narrow radio-opaque stripe in the wall, air inside, a slanted end. All of it is a function of the
distance from a centre line x(y) that follows the film's own windpipe, so a whole batch is drawn at once.
Ranges are our own choice, wider than the sizes in use (outer diameter about 9 to 12 mm) to cover magnification and
films whose scale is not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from imaging.training.guides import GUIDE_STEP_PX


@dataclass(frozen=True, slots=True)
class Drawn:
    """What was drawn on a batch.

    Parameters
    ----------
    film : Tensor, shape (batch, side, side)
    tip : Tensor, shape (batch, 2)
        x and y of the drawn tube's end in pixels, beside its point the nearer to its line the plainer the line is:
        so readers mark it. Meaningless where no tube was drawn.
    tube_line, gullet_line, tracheostomy, lead : Tensor, shape (batch, side, side)
        0 to 1 along each of these.
    """

    film: Tensor
    tip: Tensor
    tube_line: Tensor
    gullet_line: Tensor
    tracheostomy: Tensor
    lead: Tensor


class Dice:
    """Random numbers for a batch, on the device."""

    def __init__(self, batch: int, device: torch.device, generator: torch.Generator) -> None:
        self.batch = batch
        self.device = device
        self.generator = generator

    def uniform(self, low: float, high: float) -> Tensor:
        """One number a film."""
        return torch.rand(self.batch, device=self.device, generator=self.generator) * (high - low) + low

    def log_uniform(self, low: float, high: float) -> Tensor:
        """One number a film, evenly spread over its logarithm."""
        ratio = torch.tensor(high / low, device=self.device)
        return low * ratio ** self.uniform(0.0, 1.0)

    def normal(self, sd: float, columns: int | None = None) -> Tensor:
        """One number a film, or `columns` of them."""
        shape = (self.batch,) if columns is None else (self.batch, columns)
        return torch.randn(shape, device=self.device, generator=self.generator) * sd

    def chance(self, probability: float) -> Tensor:
        """True with this probability."""
        return self.uniform(0.0, 1.0) < probability

    def pick(self, *values: Tensor, shares: tuple[float, ...]) -> Tensor:
        """One of the values for each film."""
        weights = torch.tensor(shares, device=self.device)
        which = torch.multinomial(weights, self.batch, replacement=True, generator=self.generator)
        return torch.stack(values, 1).gather(1, which[:, None]).squeeze(1)

    def waves(self, rows: int, knots: int) -> Tensor:
        """Smooth random curves of standard deviation about one, shape (batch, rows)."""
        return _stretch(self.normal(1.0, knots), rows)


def _stretch(values: Tensor, rows: int) -> Tensor:
    return F.interpolate(values[:, None], size=rows, mode="linear", align_corners=True)[:, 0]


def _smooth(path: Tensor, reach: int) -> Tensor:
    """Average twice over `reach` rows either way, the ends held."""
    for _ in range(2):
        padded = F.pad(path[:, None], (reach, reach), mode="replicate")
        path = F.avg_pool1d(padded, 2 * reach + 1, stride=1)[:, 0]
    return path


_FADING_PX = 25.0
"""Over so many pixels (13 nominal mm) a fading line fades; ours."""


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A tube's looks; one number a film in each field, lengths in pixels.

    The stripe is missing from `gap_at` above the end for `gap_long`, where the eye is; below it a piece may go on
    (`piece`, a share of the stripe), or a bead of strength `bead` lie, `bead_at` above the end. `fading` is the
    share of the stripe's strength lost at the very end. `second` is a fainter line along the other wall. An
    armoured tube's wire shows as bars of strength `spiral`, `pitch` apart, down to `spiral_short` above the end.
    """

    radius: Tensor
    hollow: Tensor
    wall: Tensor
    stripe: Tensor
    stripe_at: Tensor
    stripe_width: Tensor
    stripe_short: Tensor
    air: Tensor
    slant: Tensor
    slant_side: Tensor
    gap_at: Tensor
    gap_long: Tensor
    piece: Tensor
    bead: Tensor
    bead_at: Tensor
    fading: Tensor
    second: Tensor
    spiral: Tensor
    pitch: Tensor
    spiral_short: Tensor


def _column(values: Tensor) -> Tensor:
    return values[:, None, None]


_STRIP_PX = 56
"""Tubes and cuffs are drawn on a strip of so many columns that follows their path: no film needs more."""


@dataclass(frozen=True, slots=True)
class Strip:
    """Columns around a path, a row each.

    Parameters
    ----------
    columns : Tensor of int64, shape (batch, side, strip)
        Which column of the film each of the strip's is.
    beside : Tensor, shape (batch, side, strip)
        Its distance from the path along the row, to the right positive.
    path : Tensor, shape (batch, side)
    """

    columns: Tensor
    beside: Tensor
    path: Tensor

    def onto_film(self, drawn: Tensor) -> Tensor:
        """What was drawn on the strip, on films of shape (batch, side, side); beyond a film it is lost."""
        side = self.path.shape[1]
        on_film = (self.columns >= 0) & (self.columns < side)
        film = torch.zeros(len(self.path), side, side, device=drawn.device)
        return film.scatter_add_(2, self.columns.clamp(0, side - 1), drawn * on_film)


def _strip(path: Tensor) -> Strip:
    offsets = torch.arange(_STRIP_PX, device=path.device) - _STRIP_PX // 2
    columns = path.round().long()[:, :, None] + offsets
    return Strip(columns, columns - path[:, :, None], path)


def _draw(strip: Strip, top: Tensor, tip: Tensor, gain: Tensor, look: Cylinder) -> tuple[Tensor, Tensor]:
    """Density and footprint of one tube a film, each of shape (batch, side, strip)."""
    path = strip.path
    slope = torch.gradient(path, dim=1)[0]
    lean = (1.0 + slope.square()).rsqrt()
    across = strip.beside * lean[:, :, None]
    y = torch.arange(path.shape[1], device=path.device, dtype=torch.float32)[None, :, None]
    unit = (across / _column(look.radius)).square()
    outer = (1.0 - unit).clamp_min(0.0).sqrt()
    inner = (_column(look.hollow).square() - unit).clamp_min(0.0).sqrt()
    end = _column(tip) - _column(look.slant) * (_column(look.radius) - _column(look.slant_side) * across)
    start = torch.sigmoid((y - _column(top)) / 0.7)
    kept = torch.sigmoid((end - y) / 0.7) * start
    brightest = (1.0 - look.hollow.square()).sqrt()
    density = kept * ((outer - inner) * _column(look.wall / brightest) - inner * _column(look.air))
    up = _column(tip) - y
    width = _column(look.stripe_width)
    stripe = torch.exp(-0.5 * ((across - _column(look.stripe_at)) / width).square())
    second = torch.exp(-0.5 * ((across + _column(look.stripe_at)) / width).square())
    gap_at, gap_end = _column(look.gap_at), _column(look.gap_at + look.gap_long)
    gapped = (_column(look.gap_long) > 0.0).float()
    gap = torch.sigmoid((up - gap_at) / 0.7) * torch.sigmoid((gap_end - up) / 0.7) * gapped
    below = torch.sigmoid((gap_at - up) / 0.7) * gapped
    near_end = (-up.clamp_min(0.0) / _FADING_PX).exp()
    stripe_kept = torch.sigmoid((up - _column(look.stripe_short)) / 0.7) * start * (1.0 - gap)
    stripe_kept = stripe_kept * (1.0 - below * (1.0 - _column(look.piece)))
    stripe_kept = stripe_kept * (1.0 - _column(look.fading) * near_end)
    lines = (stripe + second * _column(look.second)) * stripe_kept * _column(look.stripe)
    bead = ((up - _column(look.bead_at)) / (1.3 * width)).square()
    bead = bead + ((across - _column(look.stripe_at)) / (1.3 * width)).square()
    lines = lines + torch.exp(-0.5 * bead) * _column(look.bead) * start
    turns = y / _column(look.pitch) + 0.25 * across / _column(look.radius)
    wound = torch.sigmoid((up - _column(look.spiral_short)) / 0.7) * start * (unit < 0.9)
    lines = lines + wound * _column(look.spiral) * (0.5 + 0.5 * torch.sin(2.0 * torch.pi * turns))
    return (density + lines) * gain[:, :, None], kept * (unit < 1.0)


def _tube_look(dice: Dice, px_per_mm: float) -> Cylinder:
    radius = dice.uniform(8.0, 13.5) * px_per_mm / 2.0
    strength = dice.log_uniform(0.045, 0.36)
    wall_part = dice.pick(
        dice.uniform(0.25, 0.9), dice.uniform(0.0, 0.2), dice.uniform(0.6, 1.2), shares=(0.6, 0.22, 0.18)
    )
    stripe_part = dice.pick(dice.uniform(0.6, 1.3), dice.uniform(0.0, 0.1), shares=(0.84, 0.16))
    gapped = dice.chance(0.42).float()
    bare = torch.zeros_like(radius)
    return Cylinder(
        radius=radius,
        hollow=dice.uniform(0.66, 0.84),
        wall=strength * wall_part,
        stripe=strength * stripe_part,
        stripe_at=radius * torch.sin(dice.uniform(-1.57, 1.57)) * 0.92,
        stripe_width=dice.uniform(0.35, 0.8) * px_per_mm,
        stripe_short=dice.pick(dice.uniform(0.0, 1.0), dice.uniform(0.0, 6.0), shares=(0.7, 0.3)) * px_per_mm,
        air=strength * dice.uniform(-0.1, 0.5),
        slant=dice.uniform(0.0, 1.2),
        slant_side=dice.chance(0.5).float() * 2.0 - 1.0,
        gap_at=dice.pick(dice.uniform(1.0, 6.0), dice.uniform(5.0, 18.0), shares=(0.45, 0.55)) * px_per_mm,
        gap_long=gapped * dice.uniform(3.0, 14.0) * px_per_mm,
        piece=dice.pick(torch.ones_like(radius), dice.uniform(0.0, 1.0), bare, shares=(0.55, 0.3, 0.15)),
        bead=strength * dice.pick(bare, dice.uniform(0.3, 1.2), shares=(0.65, 0.35)),
        bead_at=dice.uniform(0.0, 3.0) * px_per_mm,
        fading=dice.pick(bare, dice.uniform(0.3, 0.9), shares=(0.75, 0.25)),
        second=dice.pick(bare, dice.uniform(0.3, 1.0), shares=(0.82, 0.18)),
        spiral=strength * dice.pick(bare, dice.uniform(0.4, 1.2), shares=(0.9, 0.1)),
        pitch=dice.uniform(1.4, 3.2) * px_per_mm,
        spiral_short=dice.uniform(4.0, 18.0) * px_per_mm,
    )


def _tracheostomy_look(dice: Dice, px_per_mm: float) -> Cylinder:
    """Wider than an airway tube through the mouth, both walls alike, mostly without a stripe."""
    strength = dice.log_uniform(0.06, 0.4)
    radius = dice.uniform(9.0, 15.0) * px_per_mm / 2.0
    bare = torch.zeros_like(radius)
    return replace(
        _tube_look(dice, px_per_mm),
        radius=radius,
        hollow=dice.uniform(0.6, 0.85),
        wall=strength * dice.uniform(0.5, 1.1),
        stripe=strength * dice.pick(bare, dice.uniform(0.3, 1.0), shares=(0.6, 0.4)),
        stripe_at=radius * dice.uniform(-0.3, 0.3),
        air=strength * dice.uniform(-0.4, 0.4),
        slant=dice.uniform(0.0, 0.3),
        gap_long=bare,
        bead=bare,
        fading=bare,
        spiral=strength * dice.pick(bare, dice.uniform(0.2, 0.8), shares=(0.85, 0.15)),
    )


def _one_or_other(which: Tensor, one: Cylinder, other: Cylinder) -> Cylinder:
    """The looks of `one` where `which` is true, else those of `other`."""
    return Cylinder(
        **{f.name: torch.where(which, getattr(one, f.name), getattr(other, f.name)) for f in fields(Cylinder)}
    )


def _stomach_look(dice: Dice, px_per_mm: float) -> Cylinder:
    radius = dice.uniform(3.0, 7.0) * px_per_mm / 2.0
    strength = dice.log_uniform(0.045, 0.36)
    return Cylinder(
        radius=radius,
        hollow=dice.uniform(0.5, 0.75),
        wall=strength * dice.uniform(0.0, 0.8),
        stripe=strength * dice.pick(dice.uniform(0.5, 1.2), dice.uniform(0.0, 0.1), shares=(0.85, 0.15)),
        stripe_at=radius * dice.uniform(-0.9, 0.9),
        stripe_width=dice.uniform(0.25, 0.7) * px_per_mm,
        stripe_short=dice.uniform(0.0, 5.0) * px_per_mm,
        air=strength * dice.uniform(-0.1, 0.3),
        slant=dice.uniform(0.0, 0.4),
        slant_side=dice.chance(0.5).float() * 2.0 - 1.0,
        gap_at=dice.uniform(3.0, 12.0) * px_per_mm,
        gap_long=dice.chance(0.3).float() * dice.uniform(2.0, 6.0) * px_per_mm,
        piece=torch.ones_like(radius),
        bead=strength * dice.chance(0.4).float() * dice.uniform(0.3, 1.5),
        bead_at=dice.uniform(0.0, 2.0) * px_per_mm,
        fading=torch.zeros_like(radius),
        second=dice.chance(0.3).float() * dice.uniform(0.3, 1.0),
        spiral=torch.zeros_like(radius),
        pitch=torch.ones_like(radius),
        spiral_short=torch.zeros_like(radius),
    )


def _tip_height_mm(dice: Dice) -> Tensor:
    """How far above the carina a drawn tube ends; below it where negative.

    Wider than life: normal heights, close to the carina, inside a main bronchus, in the neck.
    """
    return dice.pick(
        (dice.normal(20.0) + 45.0).clamp(8.0, 110.0),
        dice.uniform(0.0, 28.0),
        dice.uniform(-45.0, 0.0),
        dice.uniform(60.0, 150.0),
        shares=(0.42, 0.24, 0.2, 0.14),
    )


def _airway_path(dice: Dice, guide: Tensor, carina: Tensor, px_per_mm: float, side: int) -> Tensor:
    """A stiff tube's centre line in the windpipe and on into a main bronchus, shape (batch, side)."""
    path = _smooth(guide, 5)
    path = path + dice.normal(1.8)[:, None] * px_per_mm
    y = (torch.arange(path.shape[1], device=path.device)[None] + 0.5) * GUIDE_STEP_PX
    above = ((carina[:, 1:] - y) / (100.0 * px_per_mm)).clamp_min(0.0)
    path = path + dice.normal(5.0)[:, None] * px_per_mm * above.square()
    path = path + dice.waves(path.shape[1], 6) * 1.0 * px_per_mm
    below = (y - carina[:, 1:] + 4.0 * px_per_mm).clamp_min(0.0)
    # Right main bronchus (left on the film) runs on steeply, the left one more sideways.
    sideways = dice.pick(-dice.uniform(0.25, 0.65), dice.uniform(0.5, 1.2), shares=(0.6, 0.4))
    path = path + sideways[:, None] * below
    return _stretch(_smooth(path, 3), side)


def _hooked(dice: Dice, path: Tensor, tip: Tensor, px_per_mm: float) -> Tensor:
    """Some tubes bend over their last centimetres; shape (batch, side) in and out."""
    y = torch.arange(path.shape[1], device=path.device)[None]
    long = dice.uniform(8.0, 25.0) * px_per_mm
    depth = (1.0 - (tip[:, None] - y) / long[:, None]).clamp_min(0.0)
    bend = dice.normal(2.2) * dice.chance(0.4).float() * px_per_mm
    return path + bend[:, None] * depth.square()


def _stomach_path(dice: Dice, guide: Tensor, carina: Tensor, tip: Tensor, px_per_mm: float, side: int) -> Tensor:
    """A centre line beside the windpipe or in its shadow, down behind the heart and to the stomach.

    A third of them cross from side to side near the airway tube's end at row `tip`.
    """
    path = _smooth(guide, 6)
    y = (torch.arange(path.shape[1], device=path.device)[None] + 0.5) * GUIDE_STEP_PX
    aside = dice.pick(dice.normal(6.0) + 2.0, dice.normal(2.5), shares=(0.5, 0.5))
    at = tip + dice.normal(12.0) * px_per_mm
    crossing = torch.tanh((y - at[:, None]) / (dice.uniform(8.0, 40.0)[:, None] * px_per_mm))
    crossing = torch.where(dice.chance(0.35)[:, None], crossing, torch.ones_like(crossing))
    path = path + aside[:, None] * crossing * px_per_mm
    path = path + dice.waves(path.shape[1], 7) * 2.5 * px_per_mm
    below = ((y - carina[:, 1:]) / px_per_mm).clamp_min(0.0)
    path = path + dice.normal(0.08)[:, None] * below * px_per_mm
    to_stomach = (below - dice.uniform(80.0, 150.0)[:, None]).clamp_min(0.0)
    path = path + dice.uniform(0.0, 1.6)[:, None] * to_stomach * px_per_mm
    return _stretch(_smooth(path, 4), side)


def _flange(dice: Dice, path: Tensor, top: Tensor, px_per_mm: float) -> Tensor:
    """The neck plate of a tracheostomy tube: a bright rounded bar across its upper end."""
    side = path.shape[1]
    x = torch.arange(side, device=path.device, dtype=torch.float32)
    row = top.long().clamp(0, side - 1)
    centre = path.gather(1, row[:, None]).squeeze(1)
    dx, dy = x[None, None, :] - _column(centre), x[None, :, None] - _column(top)
    turn = dice.normal(0.25)
    along = dx * _column(turn.cos()) + dy * _column(turn.sin())
    beside = dy * _column(turn.cos()) - dx * _column(turn.sin())
    half_length = dice.uniform(12.0, 40.0) * px_per_mm
    half_width = dice.uniform(2.0, 9.0) * px_per_mm
    edge = torch.maximum(along.abs() - _column(half_length), beside.abs() - _column(half_width))
    return torch.sigmoid(-edge / 1.5) * _column(dice.uniform(0.0, 0.25))


def _connector(dice: Dice, path: Tensor, top: Tensor, px_per_mm: float) -> Tensor:
    """A tracheostomy tube's connector seen from its end: a bright ring round a dark hole, at the upper end."""
    side = path.shape[1]
    at = torch.arange(side, device=path.device, dtype=torch.float32)
    centre = path.gather(1, top.long().clamp(0, side - 1)[:, None]).squeeze(1) + dice.normal(2.0) * px_per_mm
    dx, dy = at[None, None, :] - _column(centre), at[None, :, None] - _column(top)
    away = torch.hypot(dx, dy / _column(dice.uniform(0.6, 1.0)))
    radius, width = dice.uniform(4.0, 9.0) * px_per_mm, dice.uniform(0.6, 1.8) * px_per_mm
    ring = torch.exp(-0.5 * ((away - _column(radius)) / _column(width)).square())
    hole = torch.sigmoid((_column(radius - width) - away) / 0.7)
    return ring * _column(dice.log_uniform(0.06, 0.5)) - hole * _column(dice.uniform(0.0, 0.12))


def _bowed(dice: Dice, path: Tensor, top: Tensor, short: Tensor, px_per_mm: float) -> Tensor:
    """Some tracheostomy tubes come from one side over their upper centimetres; shape (batch, side) in and out."""
    y = torch.arange(path.shape[1], device=path.device)[None]
    long = dice.uniform(12.0, 40.0) * px_per_mm
    rise = (1.0 - (y - top[:, None]) / long[:, None]).clamp(0.0, 1.3)
    bow = dice.normal(10.0) * dice.chance(0.6).float() * short.float() * px_per_mm
    return path + bow[:, None] * rise.square()


def _on(wanted: Tensor, dice: Dice, draw: Callable[[Dice, Tensor], Tensor], side: int) -> Tensor:
    """Draw on the wanted films alone, given dice for them and their numbers; 0 on the others."""
    film = torch.zeros(len(wanted), side, side, device=wanted.device)
    chosen = wanted.nonzero().squeeze(1)
    if len(chosen):
        film[chosen] = draw(Dice(len(chosen), dice.device, dice.generator), chosen)
    return film


def _cuff(dice: Dice, strip: Strip, tip: Tensor, px_per_mm: float) -> Tensor:
    y = torch.arange(strip.path.shape[1], device=tip.device, dtype=torch.float32)[None, :, None]
    centre = tip - dice.uniform(28.0, 48.0) * px_per_mm
    long = (y - _column(centre)) / _column(dice.uniform(14.0, 23.0) * px_per_mm)
    wide = strip.beside / _column(dice.uniform(7.0, 13.0) * px_per_mm)
    return (1.0 - long.square() - wide.square()).clamp_min(0.0).sqrt() * _column(-dice.uniform(0.0, 0.08))


def _lead_at_tip(dice: Dice, tip: Tensor, px_per_mm: float, side: int) -> Tensor:
    """A wire across the film near the airway tube's end, some with a ring; shape (batch, side, side)."""
    at = torch.arange(side, device=tip.device, dtype=torch.float32)
    turn = dice.uniform(0.0, 3.1416)
    centre = tip + torch.stack([dice.normal(8.0), dice.normal(8.0)], 1) * px_per_mm
    dx, dy = at[None, None, :] - _column(centre[:, 0]), at[None, :, None] - _column(centre[:, 1])
    along = dx * _column(turn.cos()) + dy * _column(turn.sin())
    beside = dy * _column(turn.cos()) - dx * _column(turn.sin())
    beside = beside + _column(dice.normal(0.6) / side) * along.square()
    line = torch.exp(-0.5 * (beside / _column(dice.uniform(0.5, 1.6))).square())
    start = dice.uniform(-1.0, 0.1) * side
    wire = line * torch.sigmoid((along - _column(start)) / 0.7)
    away = torch.hypot(dx, dy) - _column(dice.uniform(2.0, 6.5) * px_per_mm)
    ring = torch.exp(-0.5 * (away / _column(dice.uniform(0.7, 1.6))).square())
    return torch.maximum(wire, ring * _column(dice.chance(0.4).float()))


def blur(image: Tensor, sigma: Tensor, reach: int = 4) -> Tensor:
    """Gaussian blur with its own width for each film; shape (batch, rows, columns)."""
    offsets = torch.arange(-reach, reach + 1, device=image.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (offsets[None] / sigma[:, None].clamp_min(0.05)).square())
    kernel = kernel / kernel.sum(1, keepdim=True)
    n = image.shape[0]
    padded = F.pad(image[None], (reach, reach, reach, reach), mode="replicate")
    down = F.conv2d(padded, kernel[:, None, :, None], groups=n)
    return F.conv2d(down, kernel[:, None, None, :], groups=n)[0]


@dataclass(frozen=True, slots=True)
class Orders:
    """What to draw on each film of a batch: booleans of shape (batch,)."""

    tube: Tensor
    tracheostomy: Tensor
    stomach: Tensor
    overlay: Tensor
    lead: Tensor


def compose(
    film: Tensor, guide: Tensor, carina: Tensor, overlays: Tensor, orders: Orders, dice: Dice
) -> tuple[Drawn, Tensor]:
    """Draw on a batch of films, 0 to 1, shape (batch, side, side).

    Returns
    -------
    Drawn
    Tensor, shape (batch,)
        Which overlay each film got; negative where it is mirrored (-1 is the first).
    """
    side = film.shape[1]
    px_per_mm = side / 400.0
    short = orders.tracheostomy
    tip = carina[:, 1] - _tip_height_mm(dice) * px_per_mm
    tip = torch.where(short, carina[:, 1] - dice.uniform(10.0, 70.0) * px_per_mm, tip)
    tip = torch.maximum(tip, 12.0 * px_per_mm * dice.uniform(1.0, 2.0)).clamp_max(side - 10.0)
    path = _hooked(dice, _airway_path(dice, guide, carina, px_per_mm, side), tip, px_per_mm)
    top = torch.where(short, tip - dice.uniform(35.0, 85.0) * px_per_mm, torch.full_like(tip, -50.0))
    path = _bowed(dice, path, top, short, px_per_mm)
    gain = (1.0 + 0.25 * dice.waves(side, 9)).clamp(0.35, 1.6)
    look = _one_or_other(short, _tracheostomy_look(dice, px_per_mm), _tube_look(dice, px_per_mm))
    strip = _strip(path)
    density, footprint = _draw(strip, top, tip, gain, look)
    density = density + _cuff(dice, strip, tip, px_per_mm) * _column(dice.chance(0.3).float())
    drawn = _column((orders.tube | short).float())
    density, footprint = strip.onto_film(density * drawn), strip.onto_film(footprint * drawn)
    flange, connector = short & dice.chance(0.6), short & dice.chance(0.65)
    density += _on(flange, dice, lambda d, k: _flange(d, path[k], top[k], px_per_mm), side)
    density += _on(connector, dice, lambda d, k: _connector(d, path[k], top[k], px_per_mm), side)
    stomach, stomach_print = _stomach(dice, guide, carina, tip, px_per_mm, side, orders.stomach)
    row = tip.round().long().clamp(0, side - 1)
    point = 0.4 * look.slant * look.slant_side * look.radius
    line = look.stripe / (look.stripe + 0.5 * look.wall + 1e-6)
    tip_x = path.gather(1, row[:, None]).squeeze(1) + torch.lerp(point, look.stripe_at, line)
    end = torch.stack([tip_x, tip], 1)
    lead = _on(orders.lead, dice, lambda d, k: _lead_at_tip(d, end[k], px_per_mm, side), side)
    density += stomach
    density += lead * _column(dice.log_uniform(0.06, 0.5))
    overlay, which = _overlay(dice, overlays)
    density += overlay * _column(dice.log_uniform(0.06, 0.6) * orders.overlay.float())
    density = blur(density, dice.uniform(0.2, 1.15))
    composed = film + density * (1.1 - film).clamp_min(0.3)
    is_tube = _column((~short).float())
    return Drawn(
        composed.clamp(0.0, 1.0), end, footprint * is_tube, stomach_print, footprint * (1.0 - is_tube), lead
    ), which


def _stomach(
    dice: Dice, guide: Tensor, carina: Tensor, tip: Tensor, px_per_mm: float, side: int, wanted: Tensor
) -> tuple[Tensor, Tensor]:
    """Density and footprint of a stomach tube on the wanted films."""
    strip = _strip(_stomach_path(dice, guide, carina, tip, px_per_mm, side))
    low = carina[:, 1] + dice.uniform(90.0, 200.0) * px_per_mm
    end = dice.pick(torch.full_like(tip, side + 50.0), low, shares=(0.7, 0.3))
    gain = (1.0 + 0.25 * dice.waves(side, 9)).clamp(0.35, 1.6)
    density, footprint = _draw(strip, torch.full_like(tip, -50.0), end, gain, _stomach_look(dice, px_per_mm))
    drawn = _column(wanted.float())
    return strip.onto_film(density * drawn), strip.onto_film(footprint * drawn)


def _overlay(dice: Dice, overlays: Tensor) -> tuple[Tensor, Tensor]:
    """One overlay a film, half of them mirrored; their numbers, -1 - number where mirrored."""
    which = torch.randint(len(overlays), (dice.batch,), device=dice.device, generator=dice.generator)
    mirrored = dice.chance(0.5)
    overlay = overlays[which].float() / 128.0
    overlay = torch.where(_column(mirrored), overlay.flip(2), overlay)
    return overlay, torch.where(mirrored, -1 - which, which)
