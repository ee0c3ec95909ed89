"""Train the small network that tells what kind of film it is shown (`imaging.film_kind`).

Frontal adult films are the real ones and `lipmark synthesise`'s; turned and inverted ones are those, turned or
bright for dark; lateral and children's films are synthetic; what is no chest is scikit-image's own test pictures
and drawn patterns.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from numpy.typing import NDArray
from torch import Tensor, nn

from imaging.film_kind import SIDE_PX, FilmKind
from imaging.training.compose import Dice
from imaging.training.pack import fitted, unpack

KINDS = tuple(FilmKind)
PICTURES = (
    "astronaut", "brick", "camera", "cat", "cell", "checkerboard", "clock", "coffee", "coins", "colorwheel",
    "grass", "gravel", "horse", "hubble_deep_field", "immunohistochemistry", "lfw_subset", "logo",
    "microaneurysms", "moon", "page", "retina", "rocket", "shepp_logan_phantom", "text",
)  # fmt: skip
"""Of scikit-image, shipped inside it."""
_FOLDERS = {"child": FilmKind.CHILD, "neonate": FilmKind.CHILD, "lateral": FilmKind.LATERAL}
"""Folders of synthetic films that are no upright adult frontal ones."""
_SHARES = {
    FilmKind.FRONTAL: 0.36, FilmKind.ON_ITS_SIDE: 0.14, FilmKind.UPSIDE_DOWN: 0.1, FilmKind.INVERTED: 0.1,
    FilmKind.LATERAL: 0.09, FilmKind.CHILD: 0.09, FilmKind.NO_CHEST: 0.12,
}  # fmt: skip
_QUARTERS = {FilmKind.ON_ITS_SIDE: 1, FilmKind.UPSIDE_DOWN: 2}
"""Quarter turns that make a turned film of an upright one; mirroring makes the other quarter of the first."""


class KindNet(nn.Module):
    """Five halvings, then a vote: logits of `KINDS`."""

    def __init__(self) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        before = 2
        for after in (16, 32, 64, 96, 128):
            layers += [
                nn.Conv2d(before, after, 3, stride=2, padding=1, bias=False),
                nn.BatchNorm2d(after),
                nn.ReLU(),
            ]
            layers += [nn.Conv2d(after, after, 3, padding=1, bias=False), nn.BatchNorm2d(after), nn.ReLU()]
            before = after
        self.body = nn.Sequential(*layers)
        self.vote = nn.Linear(2 * before, len(KINDS))

    def forward(self, film: Tensor) -> Tensor:
        """From films 0 to 1, shape (batch, 1, side, side), to logits, shape (batch, kinds)."""
        mean = film.mean((2, 3), keepdim=True)
        whole = (film - mean) / ((film - mean).square().mean((2, 3), keepdim=True) + 1e-4).sqrt()
        near = F.avg_pool2d(film, 15, stride=1, padding=7, count_include_pad=False)
        y = self.body(torch.cat([whole, ((film - near) * 8.0).clamp(-2.0, 2.0)], 1))
        return self.vote(F.dropout(torch.cat([y.mean((2, 3)), y.amax((2, 3))], 1), 0.2, self.training))


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures of one kind, fitted to a square, shape (n, side, side)."""

    kind: FilmKind
    pixels: Tensor


def open_pictures(names: Sequence[str] = PICTURES) -> Iterator[NDArray[np.uint8]]:
    """scikit-image's own test pictures, grey."""
    from skimage import data

    for name in names:
        picture = np.asarray(getattr(data, name)())
        faces = picture if name == "lfw_subset" else picture[None]
        for face in faces[:40]:
            grey = face[..., :3].mean(2) if face.ndim == 3 else face.astype(float)
            yield np.round(255.0 * (grey - grey.min()) / max(float(np.ptp(grey)), 1e-9)).astype(np.uint8)


def patterns(count: int, seed: int) -> Iterator[NDArray[np.uint8]]:
    """Noise, ramps, checks, stripes, blobs, shapes: what test patterns and broken files look like."""
    import cv2

    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[: 2 * SIDE_PX, : 2 * SIDE_PX]
    for number in range(count):
        noise = rng.random(rows.shape).astype(np.float32)
        size = int(rng.integers(4, 60))
        picture = (
            noise,
            cv2.GaussianBlur(noise, (0, 0), float(rng.uniform(2.0, 30.0))),
            (rows * rng.normal() + columns * rng.normal()),
            ((rows // size + columns // size) % 2).astype(np.float32),
            np.sin((rows * rng.normal() + columns * rng.normal()) / size),
            np.hypot(rows - rng.uniform(0, 256), columns - rng.uniform(0, 256)),
            np.full(rows.shape, 0.5) + 0.01 * noise,
            _shapes(rng),
        )[number % 8]
        spread = max(float(np.ptp(picture)), 1e-9)
        yield np.round(255.0 * (picture - picture.min()) / spread).astype(np.uint8)


def _shapes(rng: np.random.Generator) -> NDArray[np.float32]:
    import cv2

    canvas = np.full((2 * SIDE_PX, 2 * SIDE_PX), rng.uniform(0, 255), np.uint8)
    for _ in range(int(rng.integers(2, 12))):
        at = tuple(int(v) for v in rng.uniform(0, 2 * SIDE_PX, 2))
        axes = (int(rng.uniform(5, 120)), int(rng.uniform(5, 120)))
        shade = float(rng.uniform(0, 255))
        cv2.ellipse(canvas, at, axes, rng.uniform(0, 180), 0, 360, shade, int(rng.choice([-1, 2, 6])), cv2.LINE_AA)
    return canvas.astype(np.float32)


def _square(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    rows, columns = picture.shape
    scale = 1.5 * SIDE_PX / max(rows, columns)
    size = (max(round(columns * scale), 1), max(round(rows * scale), 1))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return fitted(small.astype(np.uint8, copy=False), round(1.5 * SIDE_PX))[0]


def _folder(folder: Path) -> list[NDArray[np.uint8]]:
    import cv2

    images = (cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(folder.glob("*.png")))
    return [_square(image.astype(np.uint8, copy=False)) for image in images if image is not None]


def collect(
    packed: Path, synthetic: Path, side: int, origins: tuple[str, ...], names: Sequence[str], device: torch.device
) -> list[Pictures]:
    """All that a network may learn from, by kind."""
    entries, pixels, boxes = unpack(packed, side)

    def film(number: int) -> NDArray[np.uint8]:
        top, left, bottom, right = boxes[number]
        return pixels[number, top:bottom, left:right]

    frontal = [film(k) for k, e in enumerate(entries) if e.origin in origins]
    made = [picture for folder in sorted(synthetic.glob("[0-9]*")) for picture in _folder(folder)]
    found = {FilmKind.FRONTAL: [_square(p) for p in frontal] + made}
    found |= {FilmKind.INVERTED: [_square(255 - p) for p in frontal] + [255 - p for p in made]}
    found |= {FilmKind.NO_CHEST: [_square(p) for p in open_pictures(names)]}
    found[FilmKind.NO_CHEST] += [_square(p) for p in patterns(60, 1)]
    for name, kind in _FOLDERS.items():
        found[kind] = found.get(kind, []) + _folder(synthetic / name)
    return [Pictures(k, torch.from_numpy(np.stack(v)).to(device)) for k, v in found.items() if v]


def _warped(dice: Dice, picture: Tensor, near: Tensor) -> Tensor:
    """Turned a little, moved, squeezed, cut; `near`: pictures that may be looked at from very near."""
    turn = torch.where(near, dice.uniform(-3.2, 3.2), dice.normal(0.09))
    zoom = torch.where(near, dice.log_uniform(0.8, 4.0), dice.log_uniform(0.72, 1.55))
    aspect = dice.normal(0.1).exp()
    mirror = 1.0 - 2.0 * dice.chance(0.5).float()
    across = torch.stack([turn.cos() * mirror * aspect, -turn.sin() * mirror / aspect], 1)
    down = torch.stack([turn.sin() * aspect, turn.cos() / aspect], 1)
    reach = torch.where(near, 0.6, 0.12)[:, None]
    shift = torch.stack([dice.uniform(-1.0, 1.0), dice.uniform(-1.0, 1.0)], 1) * reach
    matrix = torch.cat([torch.stack([across, down], 1) / zoom[:, None, None], shift[:, :, None]], 2)
    grid = F.affine_grid(matrix, [dice.batch, 1, SIDE_PX, SIDE_PX], align_corners=False)
    return F.grid_sample(picture[:, None], grid, align_corners=False)[:, 0]


def _shaded(dice: Dice, picture: Tensor) -> Tensor:
    gamma, low = dice.log_uniform(0.45, 2.2)[:, None, None], dice.uniform(0.0, 0.3)[:, None, None]
    picture = low + (picture.clamp(1e-4, 1.0) ** gamma) * (1.0 - low) * dice.uniform(0.5, 1.0)[:, None, None]
    noise = torch.randn(picture.shape, device=picture.device, generator=dice.generator)
    picture = picture + noise * dice.log_uniform(0.002, 0.045)[:, None, None]
    edge = (dice.uniform(-0.1, 0.16).clamp_min(0.0) * SIDE_PX)[:, None]
    at = torch.arange(SIDE_PX, device=picture.device)[None]
    kept = (at >= edge) & (at < SIDE_PX - edge)
    upright = dice.chance(0.5)[:, None, None]
    seen = torch.where(upright, kept[:, None, :], kept[:, :, None])
    return torch.where(seen, picture, dice.chance(0.15).float()[:, None, None]).clamp(0.0, 1.0)


def lesson(pictures: Sequence[Pictures], batch: int, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """A batch of pictures, shape (batch, 1, side, side), and the numbers of their kinds."""
    by_kind = {p.kind: p.pixels for p in pictures}
    device = pictures[0].pixels.device
    parts, kinds = [], []
    for kind, share in _SHARES.items():
        source = by_kind.get(FilmKind.FRONTAL if kind in _QUARTERS else kind)
        if source is None:
            continue
        count = round(share * batch)
        which = torch.randint(len(source), (count,), device=device, generator=generator)
        parts.append(torch.rot90(source[which].float() / 255.0, _QUARTERS.get(kind, 0), (1, 2)))
        kinds += [KINDS.index(kind)] * count
    picture, kind_number = torch.cat(parts), torch.tensor(kinds, device=device)
    dice = Dice(len(picture), device, generator)
    picture = _warped(dice, picture, kind_number == KINDS.index(FilmKind.NO_CHEST))
    return _shaded(dice, picture)[:, None], kind_number


def train_kinds(
    packed: Path, synthetic: Path, out: Path, name: str, origins: tuple[str, ...], names: Sequence[str],
    side: int, steps: int, device_name: str,
) -> KindNet:  # fmt: skip
    """Train one network and write its weights to `out`."""
    device = torch.device(device_name)
    torch.manual_seed(1)
    generator = torch.Generator(device).manual_seed(1)
    pictures = collect(packed, synthetic, side, origins, names, device)
    network = KindNet().to(device)
    optimiser = torch.optim.AdamW(network.parameters(), lr=2e-3, weight_decay=0.02)
    began = time.monotonic()
    for step in range(steps):
        for group in optimiser.param_groups:
            group["lr"] = 2e-3 * min(1.0, (step + 1) / 100) * (0.5 + 0.5 * math.cos(math.pi * step / steps))
        picture, kind = lesson(pictures, 128, generator)
        loss = F.cross_entropy(network(picture), kind, label_smoothing=0.01)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        if step % 500 == 499:
            print(
                name,
                json.dumps(
                    {"step": step + 1, "loss": round(loss.item(), 4), "s": round(time.monotonic() - began)}
                ),
                flush=True,
            )
    out.mkdir(parents=True, exist_ok=True)
    torch.save(
        {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in network.state_dict().items()},
        out / f"{name}.pt",
    )
    return network
