"""The films that networks learn from, on the device, with what is known of each."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from imaging.training.guides import GUIDE_STEP_PX, trace_airway
from imaging.training.model import STRIDE, Finder
from imaging.training.pack import Entry
from imaging.training.synthetic import SyntheticFilm

REAL = ("tube", "plain", "tracheostomy", "unmarked")
_KINDS = (*REAL, "synthetic tube", "synthetic plain", "synthetic unclear", "synthetic tracheostomy")
_LINE_CELLS = {"tube line": 4, "gullet line": 3, "vein line": 2}
"""How wide lines that synthetic films know of themselves are taught, in cells of 2 nominal mm; ours."""
_DISC_CELLS = 1.75
"""Radius of the discs at vertebrae's middles; ours."""
KNOWN = (*_LINE_CELLS, "vertebra")
"""Maps whose truth synthetic films know of themselves."""


class Shelf:
    """The films on the device, with what is known of each.

    Parameters
    ----------
    entries : list of Entry
        Real films.
    pixels : ndarray of uint8, shape (films, side, side)
    boxes : ndarray of int, shape (films, 4)
        Where each film lies in its square: top, left, bottom, right.
    synthetic : sequence of SyntheticFilm
    device : torch.device
    """

    def __init__(
        self, entries: list[Entry], pixels: np.ndarray, boxes: np.ndarray, synthetic: Sequence[SyntheticFilm],
        device: torch.device,
    ) -> None:  # fmt: skip
        self.real = real = len(entries)
        entries = [*entries, *(film.entry for film in synthetic)]
        pixels = np.concatenate([pixels, *(film.pixels[None] for film in synthetic)])
        self.entries = entries
        self.pixels = torch.from_numpy(pixels).to(device)
        self.side = int(pixels.shape[1])
        self.device = device
        whole = np.tile([[0, 0, self.side, self.side]], (len(synthetic), 1))
        self.boxes = torch.from_numpy(np.concatenate([boxes, whole])).to(device)
        centre = (self.side * 0.494, self.side * 0.365)
        self.kind = torch.tensor([_KINDS.index(e.kind) for e in entries], device=device)
        self.tip = torch.tensor([e.tip or (0.0, 0.0) for e in entries], device=device)
        self.tip_confidence = torch.tensor([e.tip_confidence for e in entries], device=device)
        self.carina = torch.tensor([e.carina or centre for e in entries], device=device)
        self.carina_confidence = torch.tensor([e.carina_confidence for e in entries], device=device)
        self.guided = self.carina_confidence > 0
        self.carina_mass = torch.ones(len(entries), device=device)
        self.guide = torch.zeros(len(entries), self.side // GUIDE_STEP_PX, device=device)
        self.trace(self.guided[:real].nonzero().squeeze(1))
        rows = np.arange(self.side // GUIDE_STEP_PX) * GUIDE_STEP_PX + (GUIDE_STEP_PX - 1) / 2.0
        for number, film in enumerate(synthetic, start=real):
            columns = np.interp(rows, film.airway[:, 1], film.airway[:, 0])
            self.guide[number] = torch.from_numpy(columns).to(self.guide)
        cells = self.side // GUIDE_STEP_PX
        known = np.zeros((len(synthetic) + 1, len(KNOWN), cells, cells), np.uint8)
        for bands, film in zip(known, synthetic, strict=False):
            draw_known(bands, film)
        self.known = torch.from_numpy(known).to(device)
        bones = np.zeros((len(entries), 2, 2), np.float32)
        for number, film in enumerate(synthetic, start=real):
            bones[number] = film.mandible, film.first_thoracic
        self.bones = torch.from_numpy(bones).to(device)

    def inside(self, which: Tensor) -> Tensor:
        """1 where the film itself lies in its square, shape (n, side, side)."""
        at = torch.arange(self.side, device=self.device)
        top, left, bottom, right = self.boxes[which].T[:, :, None]
        rows = (at >= top) & (at < bottom)
        return (rows[:, :, None] & ((at >= left) & (at < right))[:, None, :]).float()

    def known_maps(self, which: Tensor) -> Tensor:
        """What synthetic films know of `KNOWN`, shape (n, 4, cells, cells); 0 on real films."""
        row = torch.where(which >= self.real, which - self.real, torch.full_like(which, len(self.known) - 1))
        return self.known[row].float() / 255.0

    def of_kind(self, which: Tensor, *kinds: str) -> Tensor:
        """True where a film is of one of these kinds."""
        return torch.isin(self.kind[which], torch.tensor([_KINDS.index(k) for k in kinds], device=self.device))

    def film(self, which: Tensor) -> Tensor:
        """Films as float32 of 0 to 1."""
        return self.pixels[which].float() / 255.0

    def trace(self, which: Tensor) -> None:
        """Find the windpipe of these films from their carinas."""
        for part in which.split(64):
            self.guide[part] = trace_airway(self.film(part), self.carina[part])

    @torch.no_grad()
    def guess(self, network: Finder, side: int, which: Tensor) -> None:
        """Give films without a marked carina the network's own, where it is sure enough."""
        network.eval()
        for part in which.split(32):
            film = F.interpolate(self.film(part)[:, None], size=(side, side), mode="bilinear", antialias=True)
            both = torch.cat([film, film.flip(3)])
            with torch.autocast(self.device.type, dtype=torch.bfloat16):
                straight, mirrored = network(both)[0][:, 1].float().chunk(2)
            point, mass = decode((straight + mirrored.flip(2)) / 2.0, side / 400.0)
            self.carina[part] = (point + 0.5) * (self.side / side) - 0.5
            self.carina_mass[part] = mass
            self.guided[part] = mass > 0.35
            self.guide[part] = trace_airway(self.film(part), self.carina[part])


def draw_known(bands: np.ndarray, film: SyntheticFilm) -> None:
    """Draw the truth of a synthetic film into `bands`, uint8 of shape (4, cells, cells): the maps of `KNOWN`."""
    import cv2

    by_name = dict(zip(KNOWN, bands, strict=True))

    def cells(points: np.ndarray) -> np.ndarray:
        return (points + 0.5) / GUIDE_STEP_PX - 0.5

    for name, width in _LINE_CELLS.items():
        for path in film.lines.get(name, ()):
            points = np.round(cells(path) * 16.0).astype(np.int32)
            cv2.polylines(by_name[name], [points[:, None]], False, 255, width, cv2.LINE_AA, 4)
    for x, y in cells(film.vertebrae) * 16.0:
        centre, radius = (round(x), round(y)), round(16.0 * _DISC_CELLS)
        cv2.circle(by_name["vertebra"], centre, radius, 255, -1, cv2.LINE_AA, 4)


def decode(logits: Tensor, px_per_mm: float) -> tuple[Tensor, Tensor]:
    """The point with most probability within 10 nominal mm, and that probability.

    Parameters
    ----------
    logits : Tensor, shape (batch, rows, columns)

    Returns
    -------
    point : Tensor, shape (batch, 2)
        x and y in input pixels.
    mass : Tensor, shape (batch,)
    """
    n, rows, columns = logits.shape
    share = logits.flatten(1).softmax(1).reshape(n, 1, rows, columns)
    radius = 10.0 * px_per_mm / STRIDE
    reach = math.ceil(radius)
    at = torch.arange(-reach, reach + 1, device=logits.device, dtype=torch.float32)
    disc = ((at[:, None].square() + at[None].square()) <= radius**2).float()
    near = F.conv2d(share, disc[None, None], padding=reach)
    mass, where = near.flatten(1).max(1)
    y, x = where // columns, where % columns
    row = torch.arange(rows, device=logits.device, dtype=torch.float32)[None, :, None]
    column = torch.arange(columns, device=logits.device, dtype=torch.float32)[None, None, :]
    inside = ((row - y[:, None, None]).square() + (column - x[:, None, None]).square()) <= radius**2
    weight = share[:, 0] * inside
    total = weight.sum((1, 2)).clamp_min(1e-9)
    point = torch.stack([(weight * column).sum((1, 2)), (weight * row).sum((1, 2))], 1) / total[:, None]
    return point * STRIDE + (STRIDE - 1) / 2.0, mass
