"""The network: one film in, maps of where the landmarks lie and a score for a tube out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

PLACES = ("tip", "carina", "mandible", "T1")
"""Maps that are probabilities over places: the tube's tip, the carina, the lowest point of the mandible's lower
border, the middle of the first thoracic vertebra.
"""

LINES = ("tube line", "gullet line", "tracheostomy", "vein line", "lead", "airway", "vertebra")
"""Maps of what lies in each cell, each for itself."""

MAPS = PLACES + LINES
"""Channels of the map output, in this order."""

SCORES = (
    "endotracheal tube with its tip in view", "tracheostomy tube", "mandible in view", "T1 in view",
    "endotracheal tube with its tip in view, by the whole view", "tracheostomy tube, by the whole view",
)  # fmt: skip
"""What the scores speak of, in this order."""

_SCORED_AT = ("tip", "tip", "mandible", "T1")
"""Where the first scores look: round the place that this map shows."""

STRIDE = 4
"""Film pixels per map cell."""


class Block(nn.Module):
    """Two 3 x 3 convolutions with batch normalisation around a shortcut."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(channels, channels, 3, padding=1, bias=False)
        self.first_norm = nn.BatchNorm2d(channels)
        self.second = nn.Conv2d(channels, channels, 3, padding=1, bias=False)
        self.second_norm = nn.BatchNorm2d(channels)

    def forward(self, x: Tensor) -> Tensor:
        """Same shape in and out."""
        y = F.relu(self.first_norm(self.first(x)))
        return F.relu(x + self.second_norm(self.second(y)))


class Down(nn.Sequential):
    """Halve the grid, change the number of channels."""

    def __init__(self, before: int, after: int) -> None:
        super().__init__(
            nn.Conv2d(before, after, 3, stride=2, padding=1, bias=False), nn.BatchNorm2d(after), nn.ReLU()
        )


def standardise(film: Tensor) -> Tensor:
    """Film 0..1 to two channels: whole-film contrast and local contrast.

    Parameters
    ----------
    film : Tensor, shape (batch, 1, side, side)
        `side` a multiple of 64.

    Returns
    -------
    Tensor, shape (batch, 2, side, side)
    """
    mean = film.mean((2, 3), keepdim=True)
    whole = (film - mean) / ((film - mean).square().mean((2, 3), keepdim=True) + 1e-4).sqrt()
    coarse = F.avg_pool2d(film, 8)
    squares = F.avg_pool2d(film.square(), 8)
    coarse = F.avg_pool2d(coarse, 5, stride=1, padding=2, count_include_pad=False)
    squares = F.avg_pool2d(squares, 5, stride=1, padding=2, count_include_pad=False)
    spread = (squares - coarse.square()).clamp_min(0.0).add(4e-4).sqrt()
    size = film.shape[-2:]
    local_mean = F.interpolate(coarse, size=size, mode="bilinear", align_corners=False)
    local_spread = F.interpolate(spread, size=size, mode="bilinear", align_corners=False)
    return torch.cat([whole, ((film - local_mean) / local_spread).clamp(-4.0, 4.0)], 1)


class LocalScore(nn.Module):
    """A score of what lies at a place: features averaged over its map, as wide as it is sure.

    A network that scores whole views can know a patient again instead of the tube.

    Parameters
    ----------
    channels : sequence of int
        Of the features at a quarter, an eighth and a sixteenth of the resolution.
    """

    def __init__(self, channels: Sequence[int]) -> None:
        super().__init__()
        self.judge = nn.Sequential(nn.Linear(sum(channels), 64), nn.ReLU(), nn.Dropout(0.2), nn.Linear(64, 1))

    def forward(self, features: Sequence[Tensor], place: Tensor) -> Tensor:
        """Logit, shape (batch, 1), by the logits of the place's map, shape (batch, rows, columns)."""
        share = place.detach().flatten(1).float().softmax(1).reshape(place.shape)[:, None]
        seen = []
        for level, feature in enumerate(features):
            coarse = share if level == 0 else F.avg_pool2d(share, 2**level) * 4.0**level
            seen.append((feature.float() * coarse).sum((2, 3)))
        logit: Tensor = self.judge(torch.cat(seen, 1))
        return logit


class Finder(nn.Module):
    """A U-shaped network that starts at half resolution and answers at a quarter.

    Parameters
    ----------
    stem : int
        Channels at half resolution.
    channels : sequence of int
        Channels at a quarter, an eighth ... of the resolution.
    """

    def __init__(self, stem: int, channels: tuple[int, ...]) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.PixelUnshuffle(2), nn.Conv2d(8, stem, 3, padding=1, bias=False), nn.BatchNorm2d(stem), nn.ReLU()
        )
        befores = (stem, *channels[:-1])
        self.downs = nn.ModuleList(Down(a, b) for a, b in zip(befores, channels, strict=True))
        self.encoders = nn.ModuleList(
            nn.Sequential(*[Block(c) for _ in range(1 if level == 0 else 2)]) for level, c in enumerate(channels)
        )
        self.lifts = nn.ModuleList(nn.Conv2d(b, a, 1) for a, b in pairwise(channels))
        self.decoders = nn.ModuleList(Block(c) for c in channels[:-1])
        self.maps = nn.Sequential(
            nn.Conv2d(channels[0], channels[0], 3, padding=1), nn.ReLU(), nn.Conv2d(channels[0], len(MAPS), 1)
        )
        self.local = nn.ModuleList(LocalScore(channels[:3]) for _ in _SCORED_AT)
        self.score = nn.Linear(channels[-1] + 2 * channels[1], len(SCORES) - len(_SCORED_AT))

    def forward(self, film: Tensor) -> tuple[Tensor, Tensor]:
        """Logit maps, shape (batch, 11, side / 4, side / 4), and the scores' logits, shape (batch, 6)."""
        x = self.stem(standardise(film))
        kept = []
        for down, encoder in zip(self.downs, self.encoders, strict=True):
            x = encoder(down(x))
            kept.append(x)
        deepest = kept.pop()
        x = F.dropout2d(x, 0.1, self.training)
        levels: list[Tensor] = []
        for level in reversed(range(len(kept))):
            lifted = F.interpolate(self.lifts[level](x), scale_factor=2.0, mode="nearest")
            x = self.decoders[level](kept[level] + lifted)
            levels.insert(0, x)
        maps = self.maps(x)
        middle = levels[1]
        pooled = torch.cat([deepest.mean((2, 3)), middle.amax((2, 3)), middle.mean((2, 3))], 1)
        local = [
            score(levels[:3], maps[:, MAPS.index(at)]) for score, at in zip(self.local, _SCORED_AT, strict=True)
        ]
        return maps, torch.cat([*local, self.score(pooled)], 1)
