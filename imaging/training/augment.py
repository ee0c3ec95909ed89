"""What other hospitals do to films: geometry, borders, contrast curves, blur, noise, compression.

All of it on the device, a batch at a time. Ranges are our own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from imaging.training.compose import Dice, blur


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the packed film lies on the network's input.

    Parameters
    ----------
    matrix : Tensor, shape (batch, 2, 3)
        From the input's to the film's coordinates, both from -1 to 1.
    zoom : Tensor, shape (batch,)
        Input pixels per pixel of the whole film fitted to the input.
    bend : Tensor, shape (batch, 2, cells, cells)
        Smooth displacement on the film (x and y, of -1 to 1) over the input: a mediastinum pushed aside.
    """

    matrix: Tensor
    zoom: Tensor
    bend: Tensor

    def sample(self, image: Tensor, side: int) -> Tensor:
        """`image`, shape (batch, rows, columns), on a grid of `side` cells; outside is 0."""
        grid = F.affine_grid(self.matrix, [image.shape[0], 1, side, side], align_corners=False)
        bend = F.interpolate(self.bend, size=(side, side), mode="bilinear", align_corners=False)
        grid = grid + bend.permute(0, 2, 3, 1)
        return F.grid_sample(image[:, None], grid, align_corners=False)[:, 0]

    def move(self, points: Tensor, before: int, after: int) -> Tensor:
        """Points in film pixels, shape (batch, 2), to input pixels."""
        film = (2.0 * points + 1.0) / before - 1.0
        turn, shift = self.matrix[:, :, :2], self.matrix[:, :, 2]
        there = torch.linalg.solve(turn, film - shift)
        for _ in range(4):  # The bend depends on the place looked for; it is small and smooth.
            grid = there[:, None, None]
            bend = F.grid_sample(self.bend, grid, padding_mode="border", align_corners=False)[:, :, 0, 0]
            there = torch.linalg.solve(turn, film - shift - bend)
        return ((there + 1.0) * after - 1.0) / 2.0


def place(dice: Dice, focus: Tensor, side: int) -> Placement:
    """A random placement; `focus` (x, y in film pixels) stays in view where the film is magnified."""
    near = dice.chance(0.42)
    zoom = dice.pick(
        dice.uniform(0.85, 1.2), dice.uniform(0.6, 0.9), dice.uniform(1.1, 1.5), shares=(0.55, 0.2, 0.25)
    )
    zoom = torch.where(near, dice.log_uniform(1.25, 2.3), zoom)
    turn = dice.pick(dice.normal(0.06), dice.uniform(-0.26, 0.26), shares=(0.7, 0.3))
    aspect = dice.normal(0.09).clamp(-0.25, 0.25).exp()
    mirror = 1.0 - 2.0 * dice.chance(0.5).float()
    across = torch.stack([turn.cos() * mirror * aspect, -turn.sin() * mirror / aspect], 1)
    down = torch.stack([turn.sin() * aspect, turn.cos() / aspect], 1)
    matrix = torch.stack([across, down], 1) / zoom[:, None, None]
    middle = torch.stack([dice.normal(0.06), dice.normal(0.08)], 1)
    point = (2.0 * focus + 1.0) / side - 1.0
    zoomed = zoom > 1.1
    centre = torch.where(zoomed[:, None], point, middle)
    reach = torch.where(zoomed, 0.45, 0.08)
    target = torch.stack([dice.uniform(-1.0, 1.0), dice.uniform(-1.0, 1.0)], 1) * reach[:, None]
    shift = centre - (matrix @ target[:, :, None])[:, :, 0]
    return Placement(torch.cat([matrix, shift[:, :, None]], 2), zoom, _bend(dice))


def _bend(dice: Dice) -> Tensor:
    """A smooth sideways and less a downward displacement on a third of the films."""
    amount = torch.tensor([0.045, 0.02], device=dice.device).reshape(1, 2, 1, 1)
    knots = dice.normal(1.0, 32).reshape(-1, 2, 4, 4) * amount * dice.chance(0.35).reshape(-1, 1, 1, 1)
    return F.interpolate(knots, size=(32, 32), mode="bicubic", align_corners=True)


def mask_borders(dice: Dice, side: int) -> Tensor:
    """1 inside a random rectangle: padding of oblong films, collimation; shape (batch, side, side)."""
    at = torch.arange(side, device=dice.device, dtype=torch.float32) / side
    oblong = dice.chance(0.35)
    upright = dice.chance(0.6)
    wide = dice.uniform(0.0, 0.13) * oblong
    cropped = dice.chance(0.15)

    def edge(on: Tensor) -> Tensor:
        return wide * on + dice.uniform(0.0, 0.08) * cropped

    left, right, top, bottom = edge(upright), edge(upright), edge(~upright), edge(~upright)
    columns = (at >= left[:, None]) & (at < 1.0 - right[:, None])
    rows = (at >= top[:, None]) & (at < 1.0 - bottom[:, None])
    return (rows[:, :, None] & columns[:, None, :]).float()


def _curves(dice: Dice, film: Tensor) -> Tensor:
    """Window, gamma and an S-curve, each film its own."""
    low = dice.pick(torch.zeros_like(film[:, 0, 0]), dice.uniform(-0.15, 0.15), shares=(0.5, 0.5))
    high = dice.pick(torch.ones_like(low), dice.uniform(0.85, 1.3), shares=(0.5, 0.5))
    film = ((film - low[:, None, None]) / (high - low)[:, None, None]).clamp(0.0, 1.0)
    film = (film + 1e-4) ** dice.log_uniform(0.52, 1.95)[:, None, None]
    bend = (dice.uniform(-0.6, 0.9) * dice.chance(0.5))[:, None, None]
    return film + bend * film * (1.0 - film) * (film - 0.5) * 2.0


def _shading(dice: Dice, film: Tensor) -> Tensor:
    coarse = dice.normal(0.06, 16).reshape(-1, 1, 4, 4) * dice.chance(0.3)[:, None, None, None]
    return film + F.interpolate(coarse, size=film.shape[1:], mode="bicubic", align_corners=True)[:, 0]


def _local_contrast(dice: Dice, film: Tensor) -> Tensor:
    small = F.avg_pool2d(film[:, None], 8)
    wide = F.avg_pool2d(small, 9, stride=1, padding=4, count_include_pad=False)
    mean = F.interpolate(wide, size=film.shape[1:], mode="bilinear", align_corners=False)[:, 0]
    strength = dice.pick(dice.uniform(-0.35, 0.5), dice.uniform(0.5, 2.5), shares=(0.65, 0.35))
    return film + (strength * dice.chance(0.5))[:, None, None] * (film - mean)


def _coarsen(dice: Dice, film: Tensor) -> Tensor:
    """Some films as from a smaller picture."""
    chosen = dice.chance(0.25).nonzero().squeeze(1)
    if len(chosen):
        factor = 0.4 + 0.5 * float(torch.rand(1, generator=dice.generator, device=dice.device))
        small = F.interpolate(film[chosen, None], scale_factor=factor, mode="bilinear", antialias=True)
        film = film.clone()
        film[chosen] = F.interpolate(small, size=film.shape[1:], mode="bilinear", align_corners=False)[:, 0]
    return film


def _cosines(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    rows = torch.cos(math.pi * (2 * k[None] + 1) * k[:, None] / 16) * 0.5
    rows[0] /= math.sqrt(2.0)
    return rows


def _compress(dice: Dice, film: Tensor) -> Tensor:
    """JPEG's loss on some films: cosine terms of 8 x 8 blocks rounded, high ones more coarsely."""
    chosen = dice.chance(0.15).nonzero().squeeze(1)
    if not len(chosen):
        return film
    side = film.shape[1]
    blocks = film[chosen].reshape(-1, side // 8, 8, side // 8, 8).permute(0, 1, 3, 2, 4)
    basis = _cosines(film.device)
    terms = basis @ blocks @ basis.T
    k = torch.arange(8, device=film.device, dtype=torch.float32)
    coarse = dice.log_uniform(0.01, 0.08)[chosen].reshape(-1, 1, 1, 1, 1)
    step = (1.0 + k[:, None] + k[None]) * coarse
    back = basis.T @ (torch.round(terms / step) * step) @ basis
    film = film.clone()
    film[chosen] = back.permute(0, 1, 3, 2, 4).reshape(-1, side, side)
    return film


def _grain(dice: Dice, film: Tensor) -> Tensor:
    noise = torch.randn(film.shape, device=film.device, generator=dice.generator)
    soft = F.avg_pool2d(noise[:, None], 3, stride=1, padding=1)[:, 0] * 3.0
    mixed = torch.where(dice.chance(0.5)[:, None, None], noise, soft)
    return film + mixed * (dice.log_uniform(0.003, 0.09) * dice.chance(0.6))[:, None, None]


def _moire(dice: Dice, film: Tensor) -> Tensor:
    """Stripes of a photographed screen on a few films."""
    at = torch.arange(film.shape[1], device=film.device, dtype=torch.float32)
    turn, wave = dice.uniform(0.0, 3.1416), dice.log_uniform(2.5, 14.0)
    across, down = (turn.cos() / wave)[:, None, None], (turn.sin() / wave)[:, None, None]
    phase = at[None, None, :] * across + at[None, :, None] * down
    strength = dice.log_uniform(0.01, 0.07) * dice.chance(0.08)
    return film * (1.0 + strength[:, None, None] * torch.sin(phase * 2.0 * math.pi))


_COARSE = 24
"""Terms of a film's spectrum, either way, that may be another film's: shapes of 32 pixels and more; ours."""


def another_hospital(dice: Dice, film: Tensor, synthetic: Tensor) -> Tensor:
    """Half of the synthetic films of a batch with the coarse light and shade of real ones of it.

    Their spectrum's amplitudes go a part of the way to the real one's, its phases, in which the shapes are, stay:
    Fourier domain adaptation (Yang and Soatto, CVPR 2020).

    Parameters
    ----------
    film : Tensor, shape (batch, side, side)
    synthetic : Tensor of bool, shape (batch,)
    """
    which = synthetic.nonzero().squeeze(1)
    lenders = (~synthetic).nonzero().squeeze(1)
    if not len(which) or not len(lenders):
        return film
    chosen = torch.randint(len(lenders), (len(which),), device=film.device, generator=dice.generator)
    own, lent = torch.fft.rfft2(film[which]), torch.fft.rfft2(film[lenders[chosen]])
    share = (dice.uniform(0.3, 1.0) * dice.chance(0.5))[which, None, None]
    at = torch.fft.fftfreq(own.shape[1], 1.0 / own.shape[1], device=film.device).abs()
    coarse = (at[:, None] <= _COARSE) & (at[None, : own.shape[2]] <= _COARSE)
    amplitude = own.abs() ** (1.0 - share * coarse) * lent.abs() ** (share * coarse)
    mixed = torch.fft.irfft2(torch.polar(amplitude, own.angle()), s=film.shape[1:])
    film = film.clone()
    film[which] = mixed.clamp(0.0, 1.0)
    return film


def degrade(dice: Dice, film: Tensor) -> Tensor:
    """Everything but geometry; films 0 to 1, shape (batch, side, side)."""
    film = _shading(dice, film)
    film = _local_contrast(dice, film).clamp(0.0, 1.0)
    film = _curves(dice, film)
    film = _moire(dice, film)
    film = _coarsen(dice, film)
    film = _grain(dice, film)
    film = _compress(dice, film)
    inverted = dice.chance(0.02)[:, None, None]
    return torch.where(inverted, 1.0 - film, film).clamp(0.0, 1.0)


def soften(dice: Dice, film: Tensor, zoom: Tensor, shrink: float) -> Tensor:
    """Blur before sampling: what shrinking needs against aliasing, and now and then much more."""
    needed = ((shrink / zoom).square() - 1.0).clamp_min(0.0).sqrt() * 0.45
    extra = dice.pick(dice.uniform(0.0, 0.5), dice.uniform(0.4, 1.7), shares=(0.65, 0.35))
    return blur(film, (needed.square() + extra.square()).sqrt())
