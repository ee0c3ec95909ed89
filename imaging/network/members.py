"""The networks beside the code, and the card that says what they are: their numbers stand there, not here."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

WEIGHTS = Path(__file__).parents[1] / "weights"
CARD = WEIGHTS / "finder.json"

Maps = NDArray[np.float32]
Calibration = Mapping[str, Mapping[str, list[float]]]
"""For the tip and the carina: coefficients of the confidence and of the standard deviation."""


class Session(Protocol):
    """What is used of an ONNX Runtime session."""

    def run(self, names: Sequence[str], feeds: Mapping[str, NDArray[np.float32]]) -> list[NDArray[np.float32]]:
        """Named outputs for named inputs."""
        ...


@dataclass(frozen=True, slots=True)
class Shape:
    """What the networks of a card take and give.

    Parameters
    ----------
    members : tuple of str
        Their files beside the card.
    side_px, stride : int
        Side of the square that they see; pixels of it per cell of a map.
    maps : tuple of str
        Channels of the maps, in order.
    scores : tuple of str
        What the scores speak of, in order.
    closer : float
        How much closer the second look is.
    usual_level_mm, usual_level_sd_mm : float
        How far below the film's upper edge the carina lies, in nominal mm, on the marked films: mean and standard
        deviation.
    tracheostomy_logit : float
        From here on a tube is taken for a tracheostomy tube.
    """

    members: tuple[str, ...]
    side_px: int
    stride: int
    maps: tuple[str, ...]
    scores: tuple[str, ...]
    closer: float
    usual_level_mm: float
    usual_level_sd_mm: float
    tracheostomy_logit: float

    def channel(self, name: str) -> int:
        """Number of a map."""
        return self.maps.index(name)

    def score(self, name: str) -> int:
        """Number of a score."""
        return self.scores.index(name)


def read_card(path: Path = CARD) -> dict[str, Any]:
    """All that stands beside the weights."""
    card: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return card


@cache
def load_shape(path: Path = CARD) -> Shape:
    """What the networks take and give."""
    found = read_card(path)["network"]
    return Shape(**(found | {name: tuple(found[name]) for name in ("members", "maps", "scores")}))


@cache
def load_calibration(path: Path = CARD) -> Calibration:
    """What the confidences are computed with."""
    found: Calibration = read_card(path)["calibration"]
    return found


MEMBERS = tuple(WEIGHTS / name for name in load_shape().members)
FILES = (*sorted(WEIGHTS.glob("*.onnx")), CARD)
"""Every file that proposals depend on."""


def weights_sha256() -> str:
    """SHA-256 over every file of weights and the card, in hexadecimal: which weights propose."""
    digest = hashlib.sha256()
    for path in (*sorted(WEIGHTS.glob("*.onnx")), CARD):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


@cache
def load_members(paths: tuple[Path, ...] = MEMBERS) -> tuple[Session, ...]:
    """Load networks once, side by side; then one thread each, so that films can run side by side."""
    # Nothing may leave the machine: with this ONNX Runtime neither keeps a device id nor calls its maker.
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.log_severity_level = 3

    def load(path: Path) -> Session:
        session: Session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        return session

    with ThreadPoolExecutor(len(paths)) as threads:
        return tuple(threads.map(load, paths))
