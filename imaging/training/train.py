"""Train networks side by side on the packed films, each with its test fold or the other collection left out."""

from __future__ import annotations

import copy
import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

from imaging.training.config import Config
from imaging.training.model import PLACES, SCORES, STRIDE, Finder
from imaging.training.pack import HANNOVER, NIH, Entry, unpack
from imaging.training.shelf import REAL, Shelf, decode
from imaging.training.synthetic import read_synthetic
from imaging.training.teacher import Desk, Lesson, Teacher

_LOG_LINES = 15
_PARTS = (*PLACES, "scores", "lines")


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
        logits, target, pos_weight=torch.full((), 4.0, device=logits.device), reduction="none"
    ).mean((2, 3))
    share = logits.sigmoid()
    overlap = (2.0 * (share * target).sum((2, 3)) + 20.0) / (share.sum((2, 3)) + target.sum((2, 3)) + 20.0)
    return ((cross * 5.0 + (1.0 - overlap)) * weight).mean()


def lesson_loss(network: nn.Module, lesson: Lesson, config: Config) -> tuple[Tensor, Tensor]:
    """The loss, and its parts (`_PARTS`) for the log."""
    device = lesson.film.device.type
    film = lesson.film.float().to(memory_format=torch.channels_last)
    with torch.autocast(device, dtype=torch.bfloat16):
        maps, scores = network(film)
    maps, scores = maps.float(), scores.float()
    places = [
        _place_loss(maps[:, k], lesson.places[:, k], lesson.place_weight[:, k], lesson.place_sigma_cells[:, k])
        for k in range(len(PLACES))
    ]
    score = F.binary_cross_entropy_with_logits(scores, lesson.scores, reduction="none") * lesson.score_weight
    lines = _line_loss(maps[:, len(PLACES) :], lesson.lines.float(), lesson.line_weight)
    parts = torch.stack([*places, score.mean(0).sum(), lines * config.loss.line])
    return parts.sum(), parts.detach()


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
            maps, scores = network(film)
        scale = side / shelf.side
        for channel, marks, confidence, errors in (
            (0, shelf.tip, shelf.tip_confidence, tips),
            (1, shelf.carina, shelf.carina_confidence, carinas),
        ):
            point, _ = decode(maps[:, channel].float(), side / 400.0)
            error = ((point + 0.5) / scale - 0.5 - marks[part]).norm(dim=1) * 400.0 / shelf.side
            errors.append(error[confidence[part] > 1])
        tube_scores.append(scores[:, SCORES.index("endotracheal tube with its tip in view")].float().sigmoid())
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


def save(out: Path, name: str, average: Finder, log: list[dict[str, float]]) -> None:
    """Write the averaged weights (float16) and the log."""
    out.mkdir(parents=True, exist_ok=True)
    weights = {k: v.half().cpu() if v.is_floating_point() else v.cpu() for k, v in average.state_dict().items()}
    torch.save(weights, out / f"{name}.pt.part")
    (out / f"{name}.pt.part").replace(out / f"{name}.pt")
    (out / f"{name}.json").write_text(json.dumps(log, indent=0))


class Learner:
    """A network with all that its learning needs.

    On a GPU one step of learning is recorded once and replayed: its many small programs cost no time to start.

    Parameters
    ----------
    pupil : Pupil
    shelf : Shelf
    config : Config
    """

    def __init__(self, pupil: Pupil, shelf: Shelf, config: Config) -> None:
        torch.manual_seed(config.train.seed + pupil.seed)
        self.pupil = pupil
        self.config = config
        self.device = shelf.device
        self.generator = torch.Generator(self.device).manual_seed(config.train.seed + pupil.seed)
        self.allowed = torch.tensor([pupil.allowed(e) for e in shelf.entries], device=self.device)
        self.held_out = (~self.allowed & (shelf.kind < REAL.index("unmarked"))).nonzero().squeeze(1)
        self.network = Finder(config.network.stem, config.network.channels).to(self.device)
        self.network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
        self.average = copy.deepcopy(self.network)
        on_gpu = self.device.type == "cuda"
        self.program: nn.Module = torch.compile(self.network) if on_gpu else self.network
        self.rate = torch.zeros((), device=self.device)
        self.optimiser = torch.optim.AdamW(
            self.network.parameters(), lr=self.rate, weight_decay=config.train.weight_decay,
            fused=True, capturable=on_gpu,
        )  # fmt: skip
        self.kept, self.new = (
            [v for v in network.state_dict().values() if v.is_floating_point()]
            for network in (self.average, self.network)
        )
        self.parts = torch.zeros(len(_PARTS), device=self.device)
        self.lesson: Lesson | None = None
        self.recording: torch.cuda.CUDAGraph | None = None
        self.log: list[dict[str, float]] = []
        self.network.train()

    def _step(self, lesson: Lesson) -> None:
        self.optimiser.zero_grad(set_to_none=True)
        loss, parts = lesson_loss(self.program, lesson, self.config)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 5.0)
        self.optimiser.step()
        self.parts += parts

    def _record(self, lesson: Lesson) -> None:
        """Three steps as they are, which also build the programs, then a recorded one."""
        self.lesson = lesson
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for _ in range(3):
                self._step(lesson)
        torch.cuda.current_stream().wait_stream(aside)
        self.recording = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self.recording):
            self._step(lesson)

    def learn(self, desk: Desk, step: int, rate: float) -> None:
        """One step, the `step`-th from 0, at a learning rate."""
        lesson = desk.take(self.allowed, self.config.train.batch, self.generator)
        self.rate.fill_(rate)
        if self.device.type != "cuda":
            self._step(lesson)
        elif self.recording is None or self.lesson is None:
            self._record(lesson)
        else:
            for field in fields(Lesson):
                getattr(self.lesson, field.name).copy_(getattr(lesson, field.name))
            self.recording.replay()
        decay = min(self.config.train.average_decay, (step + 1) / (step + 10))
        torch._foreach_lerp_(self.kept, self.new, 1.0 - decay)

    def note(self, shelf: Shelf, step: int, since: int, seconds: float, examined: bool) -> None:
        """One more line of the log: the mean loss since the last, and scores on the films left out."""
        entry = {"step": step, "seconds": seconds, "guided": float(shelf.guided.float().mean())}
        entry |= dict(zip(_PARTS, (self.parts / since).tolist(), strict=True))
        self.parts.zero_()
        if examined and len(self.held_out):
            entry |= quick_scores(self.average, shelf, self.held_out, self.config.network.side_px)
        self.log.append(entry)
        print(self.pupil.name, json.dumps({k: round(v, 3) for k, v in entry.items()}), flush=True)


def _rate(config: Config, step: int, progress: float) -> float:
    warm = min(1.0, (step + 1) / 200)
    return config.train.learning_rate * warm * (0.5 + 0.5 * math.cos(math.pi * progress))


def train(
    folder: Path, synthetic: Path, out: Path, config: Config, pupils: Sequence[Pupil], device_name: str
) -> None:
    """Train networks side by side and write their averaged weights (float16) and logs to `out`, over and over.

    Films are made once for all of them; each sees those alone that it may learn from. Unmarked films get their
    airway guides from the first of them: name one first that learns from NIH alone, to which those films belong.

    Parameters
    ----------
    folder : Path
        Packed films.
    synthetic : Path
        Synthetic films; trained without where there are none.
    pupils : sequence of Pupil
        What each may learn from; their names are those of the files.
    """
    device = torch.device(device_name)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    torch.backends.cudnn.benchmark = True
    shelf = Shelf(*unpack(folder, config.pack.side_px), read_synthetic(synthetic), device)
    generator = torch.Generator(device).manual_seed(config.train.seed + pupils[0].seed)
    teacher = Teacher(shelf, config, generator)
    learners = [Learner(pupil, shelf, config) for pupil in pupils]
    unmarked = (learners[0].allowed & teacher.fit & (shelf.carina_confidence == 0)).nonzero().squeeze(1)
    desk = Desk(teacher, config.train.lying)
    waiting = list(config.train.guides_at)
    began = time.monotonic()
    step = since = lines = 0
    while True:
        spent = (time.monotonic() - began) / (60.0 * config.train.minutes)
        progress = max(step / config.train.steps, spent)
        if progress >= lines / _LOG_LINES and since:
            lines += 1
            for learner in learners:
                learner.note(shelf, step, since, time.monotonic() - began, lines % 5 == 0 or progress >= 1.0)
                save(out, learner.pupil.name, learner.average, learner.log)
            since = 0
        if progress >= 1.0:
            break
        if waiting and progress >= waiting[0]:
            waiting.pop(0)
            if len(unmarked):
                shelf.guess(learners[0].average, config.network.side_px, unmarked)
                teacher.look_again()
        if step % config.train.renewed_every == 0:
            desk.renew()
        for learner in learners:
            learner.learn(desk, step, _rate(config, step, progress))
        step, since = step + 1, since + 1
