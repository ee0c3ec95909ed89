"""Lessons: batches of films, drawn on and spoiled, with what a network should say of them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from imaging.training.augment import Placement, another_hospital, degrade, mask_borders, place, soften
from imaging.training.compose import Dice, Drawn, Orders, compose
from imaging.training.config import Config
from imaging.training.guides import GUIDE_STEP_PX
from imaging.training.model import LINES, STRIDE
from imaging.training.overlays import draw_overlays
from imaging.training.shelf import KNOWN, REAL, Shelf

_FREE = ("plain", "unmarked", "synthetic plain")
"""Kinds of film on which a tube may be drawn."""
_AIRWAY_MM, _AIRWAY_HALF_WIDTH_MM = 100.0, 4.0
"""How far above the carina the windpipe is taught, and half the width of the band that is taught; ours."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One batch: which films of the shelf, what the network sees of them and what it should say.

    Films and maps are kept in half precision; `lesson_loss` computes in single precision.
    """

    which: Tensor
    film: Tensor
    places: Tensor
    place_weight: Tensor
    place_sigma_cells: Tensor
    scores: Tensor
    score_weight: Tensor
    lines: Tensor
    line_weight: Tensor


class Teacher:
    """Makes lessons from the shelf, on the device, from all films that are fit to learn from."""

    def __init__(self, shelf: Shelf, config: Config, generator: torch.Generator) -> None:
        self.shelf = shelf
        self.config = config
        self.generator = generator
        excluded = [e.file in config.pack.excluded for e in shelf.entries]
        self.fit = ~torch.tensor(excluded, device=shelf.device)
        overlays, named = draw_overlays(config.train.overlays, shelf.side, config.train.seed)
        self.overlays = torch.from_numpy(overlays).to(shelf.device)
        self.named = torch.from_numpy(named).to(shelf.device)
        self.look_again()

    def look_again(self) -> None:
        """Count anew what there is of each kind: more unmarked films are guided than before."""
        shelf, share = self.shelf, self.config.share
        everyone = torch.arange(len(shelf.entries), device=shelf.device)
        read_again = 1.0 + (share.read_again - 1.0) * (shelf.carina_confidence > 0).float()
        kinds = [
            (share.tube, shelf.of_kind(everyone, "tube").float()),
            (share.tracheostomy, shelf.of_kind(everyone, "tracheostomy").float()),
            (share.synthetic, (shelf.kind >= len(REAL)).float()),
            (share.plain, shelf.of_kind(everyone, "plain").float()),
            (share.unmarked, shelf.of_kind(everyone, "unmarked") * shelf.guided * read_again),
        ]
        filled = [(part, weight * self.fit) for part, weight in kinds if bool((weight * self.fit).any())]
        total = sum(part for part, _ in filled)
        counts = [round(part / total * self.config.train.made) for part, _ in filled]
        counts[-1] += self.config.train.made - sum(counts)
        self.shares = [(count, weight) for count, (_, weight) in zip(counts, filled, strict=True) if count]

    def _choose(self) -> Tensor:
        return torch.cat(
            [
                torch.multinomial(weight, count, replacement=True, generator=self.generator)
                for count, weight in self.shares
            ]
        )

    def _orders(self, which: Tensor, dice: Dice) -> Orders:
        shelf = self.shelf
        guided = shelf.guided[which]
        free = shelf.of_kind(which, *_FREE)
        tube = free & guided & dice.chance(0.66)
        tracheostomy = free & guided & ~tube & dice.chance(0.4)
        stomach = torch.where(tube, dice.chance(0.7), dice.chance(0.3)) & guided
        return Orders(tube, tracheostomy, stomach, dice.chance(0.5), tube & dice.chance(0.25))

    @torch.no_grad()
    def lesson(self) -> Lesson:
        """The next batch."""
        shelf, config = self.shelf, self.config
        which = self._choose()
        dice = Dice(len(which), shelf.device, self.generator)
        orders = self._orders(which, dice)
        film = another_hospital(dice, shelf.film(which), which >= shelf.real)
        drawn, overlay = compose(film, shelf.guide[which], shelf.carina[which], self.overlays, orders, dice)
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
        points = [tip, shelf.carina[which], *shelf.bones[which].unbind(1)]
        places = torch.stack([placement.move(point, shelf.side, side) for point in points], 1)
        named = self._named(overlay) * orders.overlay[:, None, None, None]
        return self._answers(which, orders, has_tip, film, seen, places, placement, drawn, named)

    def _named(self, overlay: Tensor) -> Tensor:
        """Venous lines and leads of the overlays, shape (batch, 2, cells, cells)."""
        mirrored = overlay < 0
        named = self.named[torch.where(mirrored, -1 - overlay, overlay)].float() / 255.0
        return torch.where(mirrored[:, None, None, None], named.flip(3), named)

    def _answers(
        self, which: Tensor, orders: Orders, has_tip: Tensor, film: Tensor, seen: Tensor, places: Tensor,
        placement: Placement, drawn: Drawn, named: Tensor,
    ) -> Lesson:  # fmt: skip
        shelf, loss = self.shelf, self.config.loss
        inside = torch.stack([_inside(place, seen) for place in places.unbind(1)], 1)
        tip_inside, carina_inside = inside[:, 0], inside[:, 1]
        doubtful = torch.tensor([loss.guessed, loss.guessed, loss.doubtful, 1.0], device=film.device)
        tip_weight = torch.where(orders.tube, 1.0, doubtful[shelf.tip_confidence[which]]) * has_tip
        carina_weight = doubtful[shelf.carina_confidence[which]] * shelf.guided[which] * shelf.carina_mass[which]
        synthetic = (which >= shelf.real).float()
        place_weight = torch.stack([tip_weight, carina_weight, synthetic * loss.bone, synthetic * loss.bone], 1)
        real_tube = shelf.of_kind(which, "tube", "synthetic tube")
        tube = orders.tube | real_tube
        tracheostomy = orders.tracheostomy | shelf.of_kind(which, "tracheostomy", "synthetic tracheostomy")
        # Whether a tube shows is not asked where its tip is not in view, nor where it lies in the oesophagus.
        asked = torch.where(tube, tip_inside | (real_tube & ~has_tip), True)
        asked &= ~shelf.of_kind(which, "synthetic unclear")
        asked_tracheostomy = torch.where(tracheostomy, carina_inside, True)
        asked, asked_tracheostomy = asked * loss.tube, asked_tracheostomy * loss.tracheostomy
        scores = torch.stack([tube, tracheostomy, inside[:, 2], inside[:, 3], tube, tracheostomy], 1)
        bone = synthetic * loss.in_view
        score_weight = torch.stack([asked, asked_tracheostomy, bone, bone, asked, asked_tracheostomy], 1)
        cells = film.shape[1] // STRIDE
        small = self._lines(which, drawn, named)
        moved = [placement.sample(small[:, k], cells) for k in range(small.shape[1])]
        line_weight = self._line_weight(which, orders, carina_weight)
        sure = shelf.carina_confidence[which] == 3
        carina_sigma = torch.where(sure, loss.carina_sigma_cells, loss.doubtful_sigma_cells)
        tip_sigma, bone_sigma = (
            torch.full_like(carina_sigma, sigma) for sigma in (loss.tip_sigma_cells, loss.bone_sigma_cells)
        )
        return Lesson(
            which, film[:, None].half(), places, place_weight * inside,
            torch.stack([tip_sigma, carina_sigma, bone_sigma, bone_sigma], 1),
            scores.float(), score_weight, torch.stack(moved, 1).half(), line_weight,
        )  # fmt: skip

    def _lines(self, which: Tensor, drawn: Drawn, named: Tensor) -> Tensor:
        """What the maps of lines are to show, on the grid of the guides."""
        big = torch.stack([drawn.tube_line, drawn.gullet_line, drawn.tracheostomy], 1)
        tube, gullet, tracheostomy = F.avg_pool2d(big, GUIDE_STEP_PX).unbind(1)
        # A lead is thinner than a cell: the cell's brightest pixel counts.
        lead = F.max_pool2d(drawn.lead[:, None], GUIDE_STEP_PX)[:, 0]
        lines = dict(zip(KNOWN, self.shelf.known_maps(which).unbind(1), strict=True))
        lines |= {
            "tube line": torch.maximum(tube, lines["tube line"]),
            "gullet line": torch.maximum(gullet, lines["gullet line"]), "tracheostomy": tracheostomy,
            "vein line": torch.maximum(named[:, 0], lines["vein line"]),
            "lead": torch.maximum(named[:, 1], lead), "airway": self._airway(which),
        }  # fmt: skip
        return torch.stack([lines[name] for name in LINES], 1)

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
        return torch.stack([weights[name] for name in LINES], 1)

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


class Desk:
    """The latest lessons, from which every learner takes those films that it may learn from.

    Making a film takes as long as learning from it, so what is made is made once for all who learn on this device.

    Parameters
    ----------
    teacher : Teacher
    lessons : int
        How many of the latest batches lie on the desk.
    """

    def __init__(self, teacher: Teacher, lessons: int) -> None:
        self.teacher = teacher
        self.next = 0
        made = [teacher.lesson() for _ in range(lessons)]
        self.lying = {
            field.name: torch.stack([getattr(lesson, field.name) for lesson in made]) for field in fields(Lesson)
        }

    def renew(self) -> None:
        """Replace the oldest batch by a new one."""
        lesson = self.teacher.lesson()
        for name, kept in self.lying.items():
            kept[self.next] = getattr(lesson, name)
        self.next = (self.next + 1) % len(self.lying["which"])

    def take(self, allowed: Tensor, batch: int, generator: torch.Generator) -> Lesson:
        """A batch of different films that one learner may see.

        Parameters
        ----------
        allowed : Tensor of bool, shape (films of the shelf,)
        """
        may = allowed[self.lying["which"].flatten()].float()
        rows = torch.multinomial(may, batch, replacement=False, generator=generator)
        return Lesson(**{name: kept.flatten(0, 1)[rows] for name, kept in self.lying.items()})
