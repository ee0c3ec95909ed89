"""What one film of practice shows, and what is true of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from measure.assess import Case
from measure.landmarks import VERTEBRAE, Landmark, Landmarks, hand_sd_px
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from measure.reading import Plain
from synthetic_images.recipe import Placement
from synthetic_images.truth import Truth

Path = NDArray[np.float64]
"""Rows and columns of a line on the film, shape (n, 2)."""

OPEN_END_MM = 12.0
"""Of the airway path above the carina, in which it is taken as straight (ours)."""

PATH_STEP = 4
"""Every fourth point of the truth's airway path: 3 to 12 mm apart (ours)."""


@dataclass(frozen=True, slots=True)
class FilmSpec:
    """A synthetic film: the same numbers give the same film.

    Parameters
    ----------
    seed : int
    difficulty : float
        0 to 1.
    placement : Placement or None
        Where the tube lies; None is a film without a tube.
    age_group : AgeGroup
    posture : NeckPosture or None
        Of the neck; None leaves it to the seed.
    fork_unseen : bool
        The carina cannot be seen and has to be told from what lies about it.
    """

    seed: int
    difficulty: float
    placement: Placement | None = Placement.TRACHEA
    age_group: AgeGroup = AgeGroup.ADULT
    posture: NeckPosture | None = None
    fork_unseen: bool = False

    @property
    def ident(self) -> str:
        """Name of the film; it gives nothing away to whoever reads it."""
        return f"{self.age_group.value} {self.seed}"

    def to_dict(self) -> dict[str, Plain]:
        """JSON-able form."""
        placement = None if self.placement is None else self.placement.value
        return {
            "seed": self.seed,
            "difficulty": self.difficulty,
            "placement": placement,
            "age_group": self.age_group.value,
            "posture": None if self.posture is None else self.posture.value,
            "fork_unseen": self.fork_unseen,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, object]) -> FilmSpec:
        """Read back what `to_dict` wrote."""
        # Films of earlier versions say nothing of posture and fork.
        placement, posture = data["placement"], data.get("posture")
        return cls(
            int(str(data["seed"])),
            float(str(data["difficulty"])),
            None if placement is None else Placement(str(placement)),
            AgeGroup(str(data["age_group"])),
            None if posture is None else NeckPosture(str(posture)),
            bool(data.get("fork_unseen", False)),
        )


@dataclass(frozen=True, slots=True)
class Key:
    """What is true of a film.

    Parameters
    ----------
    tip, carina : Landmark or None
        The tube's most distal point wherever it lies, None where there is no tube; the fork, None where not known.
    airway : tuple of Landmark
        Midline of the trachea, top down, ending at the carina; empty where not known.
    oesophageal : bool
        The tube is not in the airway, so that it has no height above the carina.
    line_end : Landmark or None
        Where the tube's radio-opaque line ends, above its tip.
    cuff_lower : Landmark or None
    vertebrae : mapping of str to Landmark
    tube : path or None
        The tube's axis, from its tip upwards.
    lines : mapping of str to tuple of paths
        Other long lines that may be taken for the tube.
    """

    tip: Landmark | None
    carina: Landmark | None
    airway: tuple[Landmark, ...] = ()
    oesophageal: bool = False
    line_end: Landmark | None = None
    cuff_lower: Landmark | None = None
    vertebrae: Mapping[str, Landmark] = field(default_factory=dict)
    tube: Path | None = None
    lines: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)

    @classmethod
    def from_truth(cls, truth: Truth) -> Key:
        """What a synthetic film's truth says, without lines, which only its recipe knows."""
        marks = {name: point.landmark() for name, point in truth.points.items()}
        path = [*truth.airway_path[:-1:PATH_STEP], truth.points["carina"]]
        return cls(
            tip=marks.get("tip"),
            carina=marks["carina"],
            airway=tuple(point.landmark() for point in path),
            oesophageal=truth.oesophageal,
            line_end=marks.get("line end"),
            cuff_lower=marks.get("cuff lower"),
            vertebrae={name: marks[f"vertebra {name}"] for name in VERTEBRAE},
        )


@dataclass(frozen=True, slots=True)
class Task:
    """A film to practise on.

    Parameters
    ----------
    ident : str
        Names the film over all rounds.
    film : Film
    case : Case
        What is told with the film: patient, tube, lip mark, posture; no landmarks.
    key : Key
    spec : FilmSpec or None
        How to make the film again; None for a film from a folder.
    """

    ident: str
    film: Film
    case: Case
    key: Key
    spec: FilmSpec | None = None

    def marked(self, tip: Landmark | None, carina: Landmark | None) -> Case:
        """The case with both points as a careful hand places them: the true airway, a hand's spread."""
        return replace(
            self.case,
            landmarks=Landmarks(
                tip=self._by_hand("tip", tip), carina=self._by_hand("carina", carina), airway_path=self._path()
            ),
        )

    def true_case(self) -> Case:
        """The case with the true points; a tube outside the airway has no tip to measure from."""
        return self.marked(None if self.key.oesophageal else self.key.tip, self.key.carina)

    def _path(self) -> tuple[Landmark, ...]:
        """The airway, left open near its end: a carina marked aside must not lengthen it by a bend."""
        spacing, carina = self.film.spacing, self.key.carina
        if spacing is None or carina is None:
            return ()
        rows, columns = spacing.row_mm, spacing.column_mm
        return tuple(
            point
            for point in self.key.airway
            if np.hypot((point.row - carina.row) * rows, (point.column - carina.column) * columns) > OPEN_END_MM
        )

    def _by_hand(self, name: str, at: Landmark | None) -> Landmark | None:
        if at is None:
            return None
        spacing = self.film.spacing
        mm = 1.0 if spacing is None else float(np.sqrt(spacing.row_mm * spacing.column_mm))
        return Landmark(at.row, at.column, hand_sd_px(name, mm, clear=True))
