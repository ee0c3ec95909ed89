"""Train one network on the packed films, its test fold or the other collection left out."""

from __future__ import annotations

import copy
import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

from imaging.training.augment import Placement, degrade, mask_borders, place, soften
from imaging.training.compose import Dice, Drawn, Orders, compose
from imaging.training.config import Config
from imaging.training.guides import GUIDE_STEP_PX, trace_airway
from imaging.training.model import MAPS, STRIDE, Finder
from imaging.training.overlays import draw_overlays
from imaging.training.pack import HANNOVER, NIH, Entry, unpack
from imaging.training.synthetic import SyntheticFilm, read_synthetic

_LOG_LINES = 15
_REAL = ("tube", "plain", "tracheostomy", "unmarked")
_KINDS = (*_REAL, "synthetic tube", "synthetic plain", "synthetic unclear", "synthetic tracheostomy")
_FREE = ("plain", "unmarked", "synthetic plain")
"""Kinds of film on which a tube may be drawn."""
_AIRWAY_MM, _AIRWAY_HALF_WIDTH_MM = 100.0, 4.0
"""How far above the carina the windpipe is taught, and half the width of the band that is taught; ours."""
_KNOWN = ("tube line", "gullet line", "vein line")
"""Maps of lines that the synthetic films know of themselves; their vertebrae come after."""
_LINE_CELLS = {"tube line": 4, "gullet line": 3, "vein line": 2}
"""How wide such a line is taught, in cells of 2 nominal mm; ours."""


@dataclass(frozen=True, slots=True)
class Pupil:
    """What one network may learn from.

    Parameters
    ----------
    name : str
        "fold0a", "nih-a", "hannover-a", "all-a" ...: a test fold of both collections left out, one collection
        only, or everything; the letter tells the seeds.
    """

    name: str

    @property
    def fold(self) -> int:
        """Test fold left out; -1 where none is."""
        return int(self.name[4:-1]) if self.name.startswith("fold") else -1

    @property
    def origins(self) -> tuple[str, ...]:
        """Collections learnt from; synthetic films always are."""
        only = self.name.split("-")[0]
        return (only,) if only in (NIH, HANNOVER) else (NIH, HANNOVER)

    @property
    def seed(self) -> int:
        """Its own, added to the recipe's."""
        return 100 * (ord(self.name[-1]) - ord("a")) + self.fold + 1

    def allowed(self, entry: Entry) -> bool:
        """Whether it may learn from this film."""
        return entry.origin == "synthetic" or (entry.origin in self.origins and entry.fold != self.fold)


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
        known = np.zeros((len(synthetic) + 1, len(_KNOWN) + 1, cells, cells), np.uint8)
        for bands, film in zip(known, synthetic, strict=False):
            draw_known(bands, film)
        self.known = torch.from_numpy(known).to(device)

    def inside(self, which: Tensor) -> Tensor:
        """1 where the film itself lies in its square, shape (n, side, side)."""
        at = torch.arange(self.side, device=self.device)
        top, left, bottom, right = self.boxes[which].T[:, :, None]
        rows = (at >= top) & (at < bottom)
        return (rows[:, :, None] & ((at >= left) & (at < right))[:, None, :]).float()

    def known_lines(self, which: Tensor) -> Tensor:
        """Lines and vertebrae that synthetic films know of, shape (n, 4, cells, cells); 0 on real films."""
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
    """Draw a synthetic film's lines and vertebrae into `bands`, uint8 of shape (4, cells, cells)."""
    import cv2

    for band, name in zip(bands, _KNOWN, strict=False):
        for path in film.lines.get(name, ()):
            points = np.round(((path + 0.5) / GUIDE_STEP_PX - 0.5) * 16.0).astype(np.int32)
            cv2.polylines(band, [points[:, None]], False, 255, _LINE_CELLS[name], cv2.LINE_AA, 4)
    for x, y in ((film.vertebrae + 0.5) / GUIDE_STEP_PX - 0.5) * 16.0:
        cv2.circle(bands[-1], (round(x), round(y)), 28, 255, -1, cv2.LINE_AA, 4)


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


@dataclass(frozen=True, slots=True)
class Lesson:
    """One batch: what the network sees and what it should say."""

    film: Tensor
    tip: Tensor
    tip_weight: Tensor
    carina: Tensor
    carina_weight: Tensor
    carina_sigma_cells: Tensor
    tubes: Tensor
    tubes_weight: Tensor
    lines: Tensor
    line_weight: Tensor


class Teacher:
    """Makes lessons from the shelf, on the device."""

    def __init__(self, shelf: Shelf, config: Config, pupil: Pupil, generator: torch.Generator) -> None:
        self.shelf = shelf
        self.config = config
        self.generator = generator
        self.allowed = torch.tensor([pupil.allowed(e) for e in shelf.entries], device=shelf.device)
        excluded = [e.file in config.pack.excluded for e in shelf.entries]
        self.allowed &= ~torch.tensor(excluded, device=shelf.device)
        overlays, named = draw_overlays(config.train.overlays, shelf.side, config.train.seed)
        self.overlays = torch.from_numpy(overlays).to(shelf.device)
        self.named = torch.from_numpy(named).to(shelf.device)

    def _choose(self) -> Tensor:
        shelf, share = self.shelf, self.config.share
        everyone = torch.arange(len(shelf.entries), device=shelf.device)
        read_again = 1.0 + (share.read_again - 1.0) * (shelf.carina_confidence > 0).float()
        shelves = [
            (share.tube, shelf.of_kind(everyone, "tube").float()),
            (share.tracheostomy, shelf.of_kind(everyone, "tracheostomy").float()),
            (share.synthetic, (shelf.kind >= len(_REAL)).float()),
            (share.plain, shelf.of_kind(everyone, "plain").float()),
            (share.unmarked, shelf.of_kind(everyone, "unmarked") * shelf.guided * read_again),
        ]
        filled = [(part, weight * self.allowed) for part, weight in shelves if bool((weight * self.allowed).any())]
        total = sum(part for part, _ in filled)
        counts = [round(part / total * self.config.train.batch) for part, _ in filled]
        counts[-1] += self.config.train.batch - sum(counts)
        picked = [
            torch.multinomial(weight, count, replacement=True, generator=self.generator)
            for count, (_, weight) in zip(counts, filled, strict=True)
            if count
        ]
        return torch.cat(picked)

    def _orders(self, which: Tensor, dice: Dice) -> Orders:
        shelf = self.shelf
        guided = shelf.guided[which]
        free = shelf.of_kind(which, *_FREE)
        tube = free & guided & dice.chance(0.66)
        tracheostomy = free & guided & ~tube & dice.chance(0.16)
        stomach = torch.where(tube, dice.chance(0.7), dice.chance(0.3)) & guided
        return Orders(tube, tracheostomy, stomach, dice.chance(0.5), tube & dice.chance(0.25))

    @torch.no_grad()
    def lesson(self) -> Lesson:
        """The next batch."""
        shelf, config = self.shelf, self.config
        which = self._choose()
        dice = Dice(len(which), shelf.device, self.generator)
        orders = self._orders(which, dice)
        drawn, overlay = compose(
            shelf.film(which), shelf.guide[which], shelf.carina[which], self.overlays, orders, dice
        )
        tip = torch.where(orders.tube[:, None], drawn.tip, shelf.tip[which])
        has_tip = orders.tube | (shelf.tip_confidence[which] > 0)
        focus = torch.where((has_tip & dice.chance(0.5))[:, None], tip, shelf.carina[which])
        placement = place(dice, focus, shelf.side)
        side = config.network.side_px
        film = drawn.film * shelf.inside(which)
        film = placement.sample(soften(dice, film, placement.zoom, shelf.side / side), side)
        film = degrade(dice, film)
        seen = mask_borders(dice, side)
        film = torch.where(dice.chance(0.1)[:, None, None], film * seen + (1.0 - seen), film * seen)
        tip = placement.move(tip, shelf.side, side)
        carina = placement.move(shelf.carina[which], shelf.side, side)
        named = self._named(overlay) * orders.overlay[:, None, None, None]
        return self._answers(which, orders, has_tip, film, seen, tip, carina, placement, drawn, named)

    def _named(self, overlay: Tensor) -> Tensor:
        """Venous lines and leads of the overlays, shape (batch, 2, cells, cells)."""
        mirrored = overlay < 0
        named = self.named[torch.where(mirrored, -1 - overlay, overlay)].float() / 255.0
        return torch.where(mirrored[:, None, None, None], named.flip(3), named)

    def _answers(
        self, which: Tensor, orders: Orders, has_tip: Tensor, film: Tensor, seen: Tensor, tip: Tensor,
        carina: Tensor, placement: Placement, drawn: Drawn, named: Tensor,
    ) -> Lesson:  # fmt: skip
        shelf, loss = self.shelf, self.config.loss
        tip_inside, carina_inside = _inside(tip, seen), _inside(carina, seen)
        doubtful = torch.tensor([loss.guessed, loss.guessed, loss.doubtful, 1.0], device=film.device)
        tip_weight = torch.where(orders.tube, 1.0, doubtful[shelf.tip_confidence[which]])
        carina_weight = doubtful[shelf.carina_confidence[which]] * shelf.guided[which] * shelf.carina_mass[which]
        real_tube = shelf.of_kind(which, "tube", "synthetic tube")
        tube = orders.tube | real_tube
        tracheostomy = orders.tracheostomy | shelf.of_kind(which, "tracheostomy", "synthetic tracheostomy")
        # Whether a tube shows is not asked where its tip is not in view, nor where it lies in the oesophagus.
        asked = torch.where(tube, tip_inside | (real_tube & ~has_tip), True)
        asked &= ~shelf.of_kind(which, "synthetic unclear")
        asked_tracheostomy = torch.where(tracheostomy, carina_inside, True)
        cells = film.shape[1] // STRIDE
        small = self._lines(which, drawn, named)
        moved = [placement.sample(small[:, k], cells) for k in range(small.shape[1])]
        line_weight = self._line_weight(which, orders, carina_weight)
        sure = shelf.carina_confidence[which] == 3
        carina_sigma = torch.where(sure, loss.carina_sigma_cells, loss.doubtful_sigma_cells)
        return Lesson(
            film[:, None], tip, tip_weight * (has_tip & tip_inside),
            carina, carina_weight * carina_inside, carina_sigma,
            torch.stack([tube, tracheostomy], 1).float(), torch.stack([asked, asked_tracheostomy], 1).float(),
            torch.stack(moved, 1), line_weight,
        )  # fmt: skip

    def _lines(self, which: Tensor, drawn: Drawn, named: Tensor) -> Tensor:
        """What the maps after the carina's are to show, on the grid of the guides."""
        big = torch.stack([drawn.tube_line, drawn.gullet_line, drawn.tracheostomy], 1)
        tube, gullet, tracheostomy = F.avg_pool2d(big, GUIDE_STEP_PX).unbind(1)
        # A lead is thinner than a cell: the cell's brightest pixel counts.
        lead = F.max_pool2d(drawn.lead[:, None], GUIDE_STEP_PX)[:, 0]
        known = self.shelf.known_lines(which)
        lines = {
            "tube line": torch.maximum(tube, known[:, 0]), "gullet line": torch.maximum(gullet, known[:, 1]),
            "tracheostomy": tracheostomy, "vein line": torch.maximum(named[:, 0], known[:, 2]),
            "lead": torch.maximum(named[:, 1], lead), "airway": self._airway(which), "vertebra": known[:, 3],
        }  # fmt: skip
        return torch.stack([lines[name] for name in MAPS[2:]], 1)

    def _line_weight(self, which: Tensor, orders: Orders, carina_weight: Tensor) -> Tensor:
        """How much each film teaches of each of these maps: only where its lines have names."""
        shelf = self.shelf
        free = shelf.of_kind(which, *_FREE).float()
        synthetic = (which >= shelf.real).float()
        bare = shelf.of_kind(which, "tracheostomy", "synthetic tracheostomy").float()
        named = orders.overlay.float() * self.config.loss.named
        weights = {
            "tube line": torch.maximum(free, synthetic).maximum(bare),
            "gullet line": torch.maximum(orders.stomach.float(), synthetic),
            "tracheostomy": free,
            "vein line": torch.maximum(named, synthetic * self.config.loss.named),
            "lead": torch.maximum(named, orders.lead.float() * self.config.loss.named),
            "airway": carina_weight.clamp_max(1.0),
            "vertebra": synthetic,
        }
        return torch.stack([weights[name] for name in MAPS[2:]], 1)

    def _airway(self, which: Tensor) -> Tensor:
        """The windpipe above the carina as a band, on the grid of the guides."""
        shelf = self.shelf
        mm = 400.0 / shelf.side * GUIDE_STEP_PX
        cells = torch.arange(shelf.guide.shape[1], device=shelf.device, dtype=torch.float32)
        guide = (shelf.guide[which] + 0.5) / GUIDE_STEP_PX - 0.5
        carina = (shelf.carina[which, 1] + 0.5) / GUIDE_STEP_PX - 0.5
        across_mm = (cells[None, None, :] - guide[:, :, None]).abs() * mm
        above_mm = (carina[:, None] - cells[None]) * mm
        rows = (above_mm >= 0.0) & (above_mm <= _AIRWAY_MM)
        return ((_AIRWAY_HALF_WIDTH_MM - across_mm) / mm + 0.5).clamp(0.0, 1.0) * rows[:, :, None]


def _inside(point: Tensor, seen: Tensor) -> Tensor:
    side = seen.shape[1]
    at = point.round().long()
    inside = ((at >= 4) & (at < side - 4)).all(1)
    at = at.clamp(0, side - 1)
    return inside & (seen[torch.arange(len(at), device=at.device), at[:, 1], at[:, 0]] > 0.5)


def _place_loss(logits: Tensor, point: Tensor, weight: Tensor, sigma_cells: Tensor) -> Tensor:
    """Cross-entropy between a map and a Gaussian around the mark."""
    n, rows, columns = logits.shape
    cell = (point - (STRIDE - 1) / 2.0) / STRIDE
    x = torch.arange(columns, device=logits.device)[None]
    y = torch.arange(rows, device=logits.device)[None]
    across = (-0.5 * ((x - cell[:, :1]) / sigma_cells[:, None]).square()).softmax(1)
    down = (-0.5 * ((y - cell[:, 1:]) / sigma_cells[:, None]).square()).softmax(1)
    log_share = logits.flatten(1).log_softmax(1).reshape(n, rows, columns)
    entropy = -(down[:, :, None] * across[:, None, :] * log_share).sum((1, 2))
    return (entropy * weight).sum() / n


def _line_loss(logits: Tensor, target: Tensor, weight: Tensor) -> Tensor:
    cross = F.binary_cross_entropy_with_logits(
        logits, target, pos_weight=torch.tensor(4.0, device=logits.device), reduction="none"
    ).mean((2, 3))
    share = logits.sigmoid()
    overlap = (2.0 * (share * target).sum((2, 3)) + 20.0) / (share.sum((2, 3)) + target.sum((2, 3)) + 20.0)
    return ((cross * 5.0 + (1.0 - overlap)) * weight).mean()


def lesson_loss(network: nn.Module, lesson: Lesson, config: Config) -> tuple[Tensor, Tensor]:
    """The loss, and its parts (tip, carina, tube, lines) for the log."""
    device = lesson.film.device.type
    film = lesson.film.to(memory_format=torch.channels_last)
    with torch.autocast(device, dtype=torch.bfloat16):
        maps, tubes = network(film)
    maps, tubes = maps.float(), tubes.float()
    parts = torch.stack(
        [
            _place_loss(
                maps[:, 0],
                lesson.tip,
                lesson.tip_weight,
                torch.full_like(lesson.tip_weight, config.loss.tip_sigma_cells),
            ),
            _place_loss(maps[:, 1], lesson.carina, lesson.carina_weight, lesson.carina_sigma_cells),
            (F.binary_cross_entropy_with_logits(tubes, lesson.tubes, reduction="none") * lesson.tubes_weight)
            .mean(0)
            .sum()
            * config.loss.tube,
            _line_loss(maps[:, 2:], lesson.lines, lesson.line_weight) * config.loss.line,
        ]
    )
    return parts.sum(), parts.detach()


@torch.no_grad()
def _follow(average: Finder, network: Finder, decay: float) -> None:
    """Move the kept weights towards the current ones."""
    kept = [v for v in average.state_dict().values() if v.is_floating_point()]
    new = [v for v in network.state_dict().values() if v.is_floating_point()]
    torch._foreach_lerp_(kept, new, 1.0 - decay)


@torch.no_grad()
def quick_scores(network: Finder, shelf: Shelf, which: Tensor, side: int) -> dict[str, float]:
    """Errors on marked films seen whole, for the log; nominal mm."""
    network.eval()
    tips: list[Tensor] = []
    carinas: list[Tensor] = []
    tube_scores, labels = [], []
    for part in which.split(32):
        film = F.interpolate(shelf.film(part)[:, None], size=(side, side), mode="bilinear", antialias=True)
        with torch.autocast(shelf.device.type, dtype=torch.bfloat16):
            maps, tubes = network(film)
        scale = side / shelf.side
        for channel, marks, confidence, errors in (
            (0, shelf.tip, shelf.tip_confidence, tips),
            (1, shelf.carina, shelf.carina_confidence, carinas),
        ):
            point, _ = decode(maps[:, channel].float(), side / 400.0)
            error = ((point + 0.5) / scale - 0.5 - marks[part]).norm(dim=1) * 400.0 / shelf.side
            errors.append(error[confidence[part] > 1])
        tube_scores.append(tubes[:, 0].float().sigmoid())
        labels.append(shelf.of_kind(part, "tube"))
    tip, carina = torch.cat(tips), torch.cat(carinas)
    score, label = torch.cat(tube_scores), torch.cat(labels)
    return {
        "tips": len(tip), "tip_median_mm": float(tip.median()), "tip_within_10": float((tip <= 10).float().mean()),
        "carinas": len(carina), "carina_median_mm": float(carina.median()),
        "carina_within_10": float((carina <= 10).float().mean()),
        "tubes_found": float((score[label] > 0.5).float().mean()),
        "false_tubes": float((score[~label] > 0.5).float().mean()),
    }  # fmt: skip


def _report_speed(teacher: Teacher, network: nn.Module, config: Config) -> None:
    """Print how long a batch takes to make, and to make and learn from."""
    for learn in (False, True):
        torch.cuda.synchronize()
        began = time.monotonic()
        for _ in range(8):
            lesson = teacher.lesson()
            if learn:
                lesson_loss(network, lesson, config)[0].backward()
        torch.cuda.synchronize()
        kind = "made and learnt" if learn else "made"
        print(f"a batch of {config.train.batch} {kind} in {(time.monotonic() - began) / 8:.3f} s", flush=True)


def save(out: Path, name: str, average: Finder, log: list[dict[str, float]]) -> None:
    """Write the averaged weights (float16) and the log."""
    out.mkdir(parents=True, exist_ok=True)
    weights = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in average.state_dict().items()}
    torch.save(weights, out / f"{name}.pt.part")
    (out / f"{name}.pt.part").replace(out / f"{name}.pt")
    (out / f"{name}.json").write_text(json.dumps(log, indent=0))


def _compiled(network: Finder, device: torch.device) -> nn.Module:
    """The network as one program where there is a GPU; where that fails it runs as it is."""
    if device.type != "cuda":
        return network
    torch._dynamo.config.suppress_errors = True
    compiled: nn.Module = torch.compile(network)
    return compiled


def train(folder: Path, synthetic: Path, out: Path, config: Config, pupil: Pupil, device_name: str) -> Finder:
    """Train a network and write its averaged weights (float16) and its log to `out`, over and over.

    Parameters
    ----------
    folder : Path
        Packed films.
    synthetic : Path
        Synthetic films; trained without where there are none.
    pupil : Pupil
        What it may learn from; its name is that of the files.
    """
    torch.manual_seed(config.train.seed + pupil.seed)
    device = torch.device(device_name)
    generator = torch.Generator(device).manual_seed(config.train.seed + pupil.seed)
    torch.backends.cudnn.benchmark = True
    shelf = Shelf(*unpack(folder, config.pack.side_px), read_synthetic(synthetic), device)
    teacher = Teacher(shelf, config, pupil, generator)
    network = Finder(config.network.stem, config.network.channels).to(device)
    network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    average = copy.deepcopy(network)
    learner = _compiled(network, device)
    steps = config.train.steps
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=config.train.learning_rate, weight_decay=config.train.weight_decay
    )
    marked = shelf.kind < _REAL.index("unmarked")
    held_out = (~teacher.allowed & marked).nonzero().squeeze(1)
    unmarked = (teacher.allowed & (shelf.carina_confidence == 0)).nonzero().squeeze(1)
    waiting = list(config.train.guides_at)
    log: list[dict[str, float]] = []
    began = time.monotonic()
    running = torch.zeros(4, device=device)
    step, since = 0, 0
    while True:
        spent = (time.monotonic() - began) / (60.0 * config.train.minutes)
        progress = max(step / steps, spent)
        if progress >= 1.0:
            break
        warm = min(1.0, (step + 1) / 200)
        rate = config.train.learning_rate * warm * (0.5 + 0.5 * math.cos(math.pi * progress))
        for group in optimiser.param_groups:
            group["lr"] = rate
        if waiting and progress >= waiting[0]:
            waiting.pop(0)
            if len(unmarked):
                shelf.guess(average, config.network.side_px, unmarked)
        network.train()
        loss, parts = lesson_loss(learner, teacher.lesson(), config)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        _follow(average, network, min(config.train.average_decay, (step + 1) / (step + 10)))
        running += parts
        step += 1
        if step == 60 and device.type == "cuda":
            _report_speed(teacher, learner, config)
        since += 1
        if progress >= len(log) / _LOG_LINES:
            entry = {"step": step, "seconds": time.monotonic() - began}
            entry |= dict(zip(("tip", "carina", "tube", "lines"), (running / since).tolist(), strict=True))
            entry |= {"guided": float(shelf.guided.float().mean())}
            running.zero_()
            since = 0
            if len(held_out) and len(log) % 5 == 4:
                entry |= quick_scores(average, shelf, held_out, config.network.side_px)
            log.append(entry)
            print(pupil.name, json.dumps({k: round(v, 3) for k, v in entry.items()}), flush=True)
            save(out, pupil.name, average, log)
    if len(held_out):
        last = quick_scores(average, shelf, held_out, config.network.side_px) | {"step": step}
        log.append(last)
        print(pupil.name, "last", json.dumps({k: round(v, 3) for k, v in last.items()}), flush=True)
    save(out, pupil.name, average, log)
    return average
