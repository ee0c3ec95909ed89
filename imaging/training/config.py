"""The recipe as an object; its numbers and their meaning are in config.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

PATH = Path(__file__).with_name("config.toml")


@dataclass(frozen=True, slots=True)
class Pack:
    """How films are stored for training."""

    side_px: int
    webp_quality: int
    excluded: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Synthetic:
    """Synthetic films to learn from."""

    films: int
    difficulties: tuple[float, ...]
    seed: int


@dataclass(frozen=True, slots=True)
class Network:
    """The shape of the network."""

    side_px: int
    stem: int
    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Train:
    """The run."""

    folds: int
    seed: int
    batch: int
    made: int
    lying: int
    renewed_every: int
    steps: int
    minutes: float
    learning_rate: float
    weight_decay: float
    average_decay: float
    guides_at: tuple[float, ...]
    overlays: int
    kind_steps: int


@dataclass(frozen=True, slots=True)
class Share:
    """Parts of a batch by kind of film."""

    tube: float
    plain: float
    tracheostomy: float
    unmarked: float
    synthetic: float
    read_again: float


@dataclass(frozen=True, slots=True)
class Loss:
    """Widths and weights of the loss."""

    tip_sigma_cells: float
    carina_sigma_cells: float
    doubtful_sigma_cells: float
    bone_sigma_cells: float
    doubtful: float
    guessed: float
    tube: float
    tracheostomy: float
    bone: float
    in_view: float
    line: float
    named: float


@dataclass(frozen=True, slots=True)
class Config:
    """Everything that a run depends on."""

    pack: Pack
    synthetic: Synthetic
    network: Network
    train: Train
    share: Share
    loss: Loss


def load(path: Path = PATH) -> Config:
    """Read the recipe."""
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    raw["pack"]["excluded"] = tuple(raw["pack"]["excluded"])
    raw["synthetic"]["difficulties"] = tuple(raw["synthetic"]["difficulties"])
    raw["network"]["channels"] = tuple(raw["network"]["channels"])
    raw["train"]["guides_at"] = tuple(raw["train"]["guides_at"])
    return Config(
        Pack(**raw["pack"]),
        Synthetic(**raw["synthetic"]),
        Network(**raw["network"]),
        Train(**raw["train"]),
        Share(**raw["share"]),
        Loss(**raw["loss"]),
    )
