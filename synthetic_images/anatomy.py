"""The body: landmarks of the skeleton, lungs, mediastinum and soft tissue, as curves and solids.

Lengths are those of a man of 175 cm, scaled by `Frame`; where no source stands beside them they are our
reading of anatomy atlases, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from measure.landmarks import VERTEBRAE
from measure.patient import AgeGroup, Sex
from measure.posture import NeckPosture
from synthetic_images.airway import Airway, build_airway
from synthetic_images.projection import Camera, Floats, camera
from synthetic_images.recipe import FilmRecipe
from synthetic_images.solids import Ellipsoid, Solid, Stack, oblique, upright
from synthetic_images.streams import stream

SPINE_LEVEL_MM = {
    **dict.fromkeys(("C3", "C4", "C5", "C6"), 17.0),
    "C7": 18.0,
    **{f"T{n}": 18.5 + 0.75 * n for n in range(1, 13)},
    "L1": 31.0,
}
"""Height of a vertebral body with its disc (adults; memory: the thoracic spine adds up to 28 cm)."""

MANDIBLE_LEVEL = {NeckPosture.NEUTRAL: 5.5, NeckPosture.FLEXED: 8.1, NeckPosture.EXTENDED: 3.6}
"""Vertebral level of the mandible's lower border on the film, C5 = 5, T1 = 8 (Goodman 1976, second-hand)."""

CHIN_FORWARD_MM = {NeckPosture.NEUTRAL: -88.0, NeckPosture.FLEXED: -96.0, NeckPosture.EXTENDED: -74.0}
"""Depth of the chin, in front of the carina negative (ours)."""

CAGE_FOLLOWS_SPINE = 0.4
"""Share of the spine's sideways bow that the rib cage takes part in (ours)."""

COLLAPSE_SHIFT_MM = 24.0
"""How far a full collapse draws the mediastinum to its side (ours)."""

REFERENCE_HEIGHT_CM = 175.0
FEMALE_CHEST = 0.93
"""Width of women's chests over men's of the same height (ours)."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Scale of the body: long, across and deep."""

    long: float
    across: float
    deep: float


def frame_of(recipe: FilmRecipe) -> Frame:
    """Scale by height, sex and age: children's chests are rounder and their trunks longer for their height."""
    height = (recipe.patient.height_cm or REFERENCE_HEIGHT_CM) / REFERENCE_HEIGHT_CM
    if recipe.age_group is AgeGroup.ADULT:
        across = height**0.5 * (FEMALE_CHEST if recipe.patient.sex is Sex.FEMALE else 1.0)
        return Frame(height, across, across)
    young = float(np.clip((1.0 - height) / 0.71, 0.0, 1.0))
    trunk = height * (1.0 + 0.25 * young)
    return Frame(trunk * (1.0 - 0.1 * young), trunk * (1.0 + 0.07 * young), trunk * (1.0 + 0.2 * young))


@dataclass(frozen=True)
class Anatomy:
    """Everything in the patient but bones, vessels and devices, in patient coordinates (carina at 0)."""

    recipe: FilmRecipe
    frame: Frame
    airway: Airway
    camera: Camera

    @cached_property
    def vertebrae(self) -> dict[str, Floats]:
        """Centres of the vertebral bodies by name."""
        names = list(VERTEBRAE)
        heights = np.array([SPINE_LEVEL_MM[n] for n in names]) * self.frame.long
        z = -np.cumsum(heights) + heights / 2.0
        level = self.recipe.body.carina_level
        index = names.index("T1") + level - 1.0
        z = z - np.interp(index, np.arange(len(names)), z)
        return {n: self.spine_at(float(v)) for n, v in zip(names, z, strict=True)}

    def spine_at(self, z_mm: float | Floats) -> Floats:
        """Centre of the spine at a height."""
        z = np.asarray(z_mm, dtype=np.float64)
        unit = z / self.frame.long
        bend = np.interp(
            unit,
            (-300.0, -220.0, -150.0, -100.0, -50.0, 0.0, 50.0, 90.0, 120.0, 160.0, 200.0, 260.0),
            (18.0, 24.0, 34.0, 41.0, 45.0, 44.0, 35.0, 21.0, 11.0, 3.0, 0.0, 0.0),
        )
        y = 40.0 + (bend - 40.0) * self.recipe.body.kyphosis
        bow = self.recipe.body.scoliosis_mm * np.sin(np.clip((unit + 220.0) / 320.0, 0.0, 1.0) * np.pi)
        x = self.spine_x0 + bow * self.frame.across
        return np.stack([x, y * self.frame.deep, z], axis=-1)

    @cached_property
    def mediastinum_x0(self) -> float:
        """The middle of heart and vessels; the carina lies within some mm of it."""
        return float(stream(self.recipe.seed, "midline").normal(2.0, 2.0)) * self.frame.across

    @cached_property
    def spine_x0(self) -> float:
        """The midline of spine and rib cage: a collapsed lung draws the mediastinum off it."""
        return self.mediastinum_x0 - COLLAPSE_SHIFT_MM * self.recipe.pathology.collapse * self.frame.across

    # ------------------------------------------------------------------ lungs
    @cached_property
    def dome_mm(self) -> tuple[float, float]:
        """Height of the right and left diaphragm dome."""
        level = 8.7 + 2.3 * self.recipe.body.inspiration
        z = [self.vertebrae[f"T{n}"][2] for n in range(1, 13)]
        right = float(np.interp(level, np.arange(1, 13), z))
        rng = stream(self.recipe.seed, "domes")
        left = right - float(rng.normal(12.0, 6.0)) * self.frame.long
        lost = self.recipe.pathology.collapse
        raised = 30.0 * self.frame.long
        return right + raised * max(-lost, 0.0), left + raised * max(lost, 0.0)

    @cached_property
    def apex_mm(self) -> float:
        """Height of the lungs' apices."""
        rng = stream(self.recipe.seed, "apex")
        return float(self.vertebrae["T1"][2] + rng.normal(3.0, 4.0) * self.frame.long)

    def lifted(self, z_mm: Floats) -> Floats:
        """Heights above the carina, moved along with the apices: shoulders go with the rib cage."""
        usual = 98.0 * self.frame.long
        return np.asarray(z_mm + (self.apex_mm - usual) * np.clip(np.asarray(z_mm) / usual, 0.0, 1.0))

    @cached_property
    def chest_half_mm(self) -> tuple[float, float]:
        """Largest half-width and half-depth inside the ribs."""
        rng = stream(self.recipe.seed, "chest")
        barrel = float(rng.normal(1.0, 0.05))
        breath = 0.95 + 0.07 * self.recipe.body.inspiration
        return 137.0 * self.frame.across * breath * float(rng.normal(1.0, 0.04)), 92.0 * self.frame.deep * barrel

    def cage_at(self, z_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Half-width, half-depth and centre y of the inside of the rib cage at heights."""
        share = np.clip((self.apex_mm - z_mm) / (self.apex_mm + 180.0 * self.frame.long), 0.0, 1.0)
        width, depth = self.chest_half_mm
        knots = (0.0, 0.06, 0.14, 0.26, 0.42, 0.6, 0.8, 1.0)
        half_width = width * np.interp(share, knots, (0.37, 0.61, 0.77, 0.89, 0.96, 0.99, 1.0, 0.98))
        half_depth = depth * np.interp(share, knots, (0.30, 0.50, 0.68, 0.84, 0.96, 1.0, 1.0, 0.96))
        back = self.spine_at(np.asarray(z_mm))[..., 1] + 18.0 * self.frame.deep
        return half_width, half_depth, back - half_depth

    def cage_x(self, z_mm: Floats) -> Floats:
        """The rib cage's own middle: it follows a bowed spine part of the way."""
        spine_x = self.spine_at(z_mm)[..., 0]
        return np.asarray(self.spine_x0 + CAGE_FOLLOWS_SPINE * (spine_x - self.spine_x0))

    def lung(self, side: float, retracted: float = 0.0) -> Stack:
        """One lung before heart, spine and diaphragm are taken out.

        Parameters
        ----------
        side : float
            -1 right, 1 left.
        retracted : float
            How far a pneumothorax has let it shrink from the chest wall, 0 to 1.
        """
        bottom = min(self.dome_mm) - 62.0 * self.frame.long
        z = np.linspace(bottom, self.apex_mm - 0.5, 40)
        half_width, half_depth, centre_y = self.cage_at(z)
        share = (self.apex_mm - z) / self.frame.long
        dome = np.sqrt(np.clip(1.0 - (1.0 - np.clip((share - 45.0 * retracted) / 34.0, 0.0, 1.0)) ** 2, 1e-4, 1.0))
        inner = 3.0 * self.frame.across + 34.0 * self.frame.across * np.exp(-share / 14.0)
        middle = self.cage_x(z)
        outer = half_width * (1.0 - 0.45 * retracted)
        half_depth = half_depth * (1.0 - 0.25 * retracted)
        x = middle + side * (outer + inner) / 2.0
        sulcus = np.clip((z - bottom) / (45.0 * self.frame.long), 0.02, 1.0) ** 0.5
        depth = half_depth * dome * sulcus
        nodes = np.stack([z, x, centre_y + half_depth - depth, (outer - inner) / 2.0 * dome, depth], axis=1)
        return Stack(nodes, power=2.2)

    def diaphragm(self, side: float) -> Stack:
        """The dome and all below it on one side."""
        top = self.dome_mm[0 if side < 0 else 1]
        width, depth = self.chest_half_mm
        f = self.frame
        centre_x = self.spine_x0 + side * 0.47 * width
        _, _, centre_y = self.cage_at(np.array(top))
        drop = np.concatenate([[0.0], np.geomspace(0.6, 78.0, 28)]) * f.long
        reach = np.sqrt(np.clip(1.0 - (1.0 - drop / (78.0 * f.long)) ** 2, 0.0, 1.0))
        z = top - drop
        nodes = np.stack(
            [
                z,
                np.full_like(z, centre_x),
                centre_y + (-10.0 + 24.0 * reach) * f.deep,
                np.maximum(0.64 * width * reach, 0.3),
                np.maximum(1.16 * depth * reach, 0.3),
            ],
            axis=1,
        )[::-1]
        floor = np.repeat(nodes[:1], 2, axis=0)
        floor[:, 0] -= np.array([150.0, 20.0]) * f.long
        floor[:, 3:] *= np.array([[2.2], [1.7]])
        return Stack(np.concatenate([floor, nodes]), power=2.2)

    # ------------------------------------------------------------ mediastinum
    @cached_property
    def heart_scale(self) -> float:
        """Size of the heart; neonates' are larger for their chests."""
        young = 1.0 if self.recipe.age_group is AgeGroup.ADULT else 1.0 + 0.16 * (1.0 - min(self.frame.long, 1.0))
        return self.recipe.body.heart * young * (1.05 - 0.1 * self.recipe.body.inspiration)

    def _place(self, x: float, y: float, z: float) -> tuple[float, float, float]:
        f = self.frame
        return self.mediastinum_x0 + x * f.across, y * f.deep, z * f.long

    def heart(self) -> tuple[Ellipsoid, ...]:
        """Ventricles, right atrium, left atrium with appendage, pulmonary trunk, roots of the vessels."""
        f, h = self.frame, self.heart_scale
        lift = 0.35 * (self.dome_mm[1] / f.long + 122.0)
        long, across, deep = f.long * h, f.across * h, f.deep * h
        return (
            oblique(
                self._place(26.0 * h, -26.0, -78.0 + lift),
                (0.83, -0.25, -0.5 + 0.2 * (1.0 - self.recipe.body.inspiration)),
                (71.0 * across, 47.0 * deep, 47.0 * long),
            ),
            upright(self._place(-17.0 * h, -18.0, -72.0 + lift), (28.0 * across, 36.0 * deep, 50.0 * long)),
            upright(self._place(8.0, 2.0, -46.0 + lift), (38.0 * across, 24.0 * deep, 30.0 * long)),
            upright(self._place(22.0, -30.0, -26.0 + lift / 2), (21.0 * across, 24.0 * deep, 30.0 * long)),
            oblique(
                self._place(34.0 * h, -34.0, -55.0 + lift),
                (0.6, -0.2, -0.8),
                (40.0 * long, 26.0 * deep, 25.0 * across),
            ),
            upright(self._place(3.0, -22.0, -20.0), (36.0 * f.across, 26.0 * f.deep, 42.0 * f.long)),
        )

    @cached_property
    def arch_centre(self) -> Floats:
        """Middle of the aortic knob."""
        old = float(np.clip(((self.recipe.patient.age_years or 0.0) - 40.0) / 50.0, 0.0, 1.0))
        rng = stream(self.recipe.seed, "arch")
        return np.array(self._place(17.0 + 5.0 * old, 8.0, float(rng.normal(27.0, 4.0))))

    @cached_property
    def arch_half_mm(self) -> Floats:
        """Semi-axes of the aortic knob."""
        old = float(np.clip(((self.recipe.patient.age_years or 0.0) - 40.0) / 50.0, 0.0, 1.0))
        f = self.frame
        return np.array([(14.0 + 5.0 * old) * f.across, 22.0 * f.deep, (15.0 + 3.0 * old) * f.long])

    @property
    def arch_lateral(self) -> Floats:
        """The arch's most lateral point, to the left."""
        return np.asarray(self.arch_centre + np.array([self.arch_half_mm[0], 0.0, 0.0]))

    def mediastinum(self) -> tuple[Solid, ...]:
        """All that displaces lung near the midline: vessels, fat, oesophagus, heart, spine."""
        return (
            self._core(),
            self._spine_column(),
            self._descending_aorta(),
            self._arch(),
            *self._hila(),
            *self.heart(),
        )

    def _arch(self) -> Ellipsoid:
        return Ellipsoid(self.arch_centre, np.diag(self.arch_half_mm))

    def _hila(self) -> tuple[Ellipsoid, ...]:
        """Pulmonary arteries, veins and lymph nodes at the roots of the lungs; the left root lies higher."""
        f = self.frame
        size = np.exp(stream(self.recipe.seed, "hila").normal(0.0, 0.15, (2, 3)))
        roots = ((-36.0, -16.0, (14.0, 13.0, 21.0)), (35.0, -4.0, (14.0, 12.0, 17.0)))
        return tuple(
            upright(self._place(x, 2.0, z), tuple(np.array(half) * some * (f.across, f.deep, f.long)))
            for (x, z, half), some in zip(roots, size, strict=True)
        )

    def _core(self) -> Stack:
        """Mediastinal fat, oesophagus and great veins: from the sternum to the spine."""
        f = self.frame
        thymus = 0.0 if self.recipe.age_group is AgeGroup.ADULT else 15.0 * (1.0 - min(f.long, 1.0)) / 0.7
        # z, centre x, half-width of a man of 175 cm
        rows = np.array(
            [
                [-260, 3, 34],
                [-130, 3, 30],
                [-90, 4, 26],
                [-50, 1, 24],
                [-15, -1, 24],
                [10, -3, 24 + 0.5 * thymus],
                [35, -4, 24 + thymus],
                [60, -3, 23 + thymus],
                [80, -1, 25 + 0.5 * thymus],
                [100, 0, 32],
                [140, 0, 40],
            ],
            dtype=np.float64,
        )
        levels = np.linspace(-260.0, 140.0, 60)
        rows = np.stack([levels, *(PchipInterpolator(rows[:, 0], rows[:, i])(levels) for i in (1, 2))], axis=1)
        z = rows[:, 0] * f.long
        uneven = stream(self.recipe.seed, "mediastinum").normal(0.0, 1.0, 4)
        wave = 2.0 * np.pi * z / (110.0 * f.long)
        rows[:, 1] += 2.0 * uneven[0] * np.sin(wave + uneven[1])
        rows[:, 2] *= 1.0 + 0.06 * uneven[2] * np.sin(0.7 * wave + uneven[3])
        _, half_depth, centre_y = self.cage_at(z)
        x = 0.5 * (self.spine_at(z)[:, 0] - self.spine_x0) + self.mediastinum_x0 + rows[:, 1] * f.across
        # Below the carina only oesophagus and fat lie before the spine; above it all from sternum to spine.
        above = np.clip(z / (25.0 * f.long) + 1.0, 0.0, 1.0)
        abdomen = np.clip((np.mean(self.dome_mm) + 8.0 * f.long - z) / (26.0 * f.long), 0.0, 1.0)
        above = np.maximum(above, abdomen)
        behind = self.spine_at(z)[:, 1] - 20.0 * f.deep
        y = above * centre_y + (1.0 - above) * behind
        depth = above * (half_depth + 4.0) + (1.0 - above) * 32.0 * f.deep
        return Stack(
            np.stack([z, x, y, (1.12 * rows[:, 2] + 22.0 * abdomen**3) * f.across, depth], axis=1), power=1.45
        )

    def _spine_column(self) -> Stack:
        f = self.frame
        z = np.linspace(-300.0, 230.0, 24) * f.long
        centre = self.spine_at(z)
        half = np.interp(z / f.long, (-300.0, -100.0, 60.0, 120.0), (36.0, 31.0, 27.0, 21.0))
        nodes = np.stack(
            [z, centre[:, 0], centre[:, 1] + 12.0 * f.deep, half * f.across, 36.0 * f.deep * np.ones(24)], 1
        )
        return Stack(nodes, power=1.5)

    def _descending_aorta(self) -> Stack:
        f = self.frame
        z = np.array([-260.0, -180.0, -120.0, -60.0, 0.0, 24.0]) * f.long
        centre = self.spine_at(z)
        x = centre[:, 0] + np.array([8.0, 12.0, 17.0, 20.0, 21.0, 19.0]) * f.across
        nodes = np.stack(
            [z, x, centre[:, 1] - 8.0 * f.deep, np.full(6, 13.0 * f.across), np.full(6, 13.0 * f.deep)], 1
        )
        return Stack(nodes)

    def azygos_and_veins(self) -> tuple[Stack, ...]:
        """Superior vena cava with the brachiocephalic vein: the right border above the hilum."""
        f = self.frame
        z = np.array([-40.0, -10.0, 20.0, 55.0, 95.0]) * f.long
        x = self.mediastinum_x0 + np.array([-22.0, -25.0, -25.0, -26.0, -20.0]) * f.across
        half = np.array([10.5, 10.5, 10.5, 9.5, 3.0]) * f.across
        return (Stack(np.stack([z, x, np.full(5, -20.0 * f.deep), half, half], 1)),)

    # ------------------------------------------------------------ soft tissue
    def soft_tissue(self) -> tuple[Solid, ...]:
        """Trunk, neck, head, arms and breasts: the outline of the patient."""
        return (self._trunk(), self._neck(), *self._head(), *self._arms(), *self._breasts())

    @property
    def wall_mm(self) -> float:
        """Thickness of muscle and fat outside the ribs, on average."""
        return 25.0 * self.recipe.body.habitus * (self.frame.across + 0.15)

    def _trunk(self) -> Stack:
        f, wall = self.frame, self.wall_mm
        z = np.array([-620, -240, -160, -80, -20, 30, 55, 74, 90, 106, 122], dtype=np.float64) * f.long
        z = self.lifted(z)
        half_width, half_depth, centre_y = self.cage_at(z)
        extra = np.array([1.1, 1.0, 1.0, 1.2, 1.8, 2.7, 3.2, 3.2, 2.6, 1.7, 0.5]) * wall
        width = half_width + extra
        depth = half_depth + np.array([1.1, 1.05, 1.0, 1.0, 1.0, 1.0, 1.0, 0.9, 0.9, 0.9, 0.8]) * wall * 0.85
        return Stack(np.stack([z, np.full_like(z, self.spine_x0), centre_y, width, depth], 1), power=2.7)

    def _neck(self) -> Stack:
        f = self.frame
        girth = 0.8 + 0.2 * self.recipe.body.habitus
        z = self.lifted(np.array([30.0, 70.0, 86.0, 102.0, 120.0, 145.0, 180.0, 260.0]) * f.long)
        half = np.array([140.0, 150.0, 134.0, 108.0, 84.0, 68.0, 61.0, 60.0]) * f.across * girth
        centre = self.spine_at(z)
        depth = np.array([62.0, 58.0, 56.0, 56.0, 57.0, 58.0, 58.0, 58.0]) * f.deep * girth
        return Stack(np.stack([z, np.full_like(z, self.spine_x0), centre[:, 1] - 16.0 * f.deep, half, depth], 1))

    @cached_property
    def chin(self) -> Floats:
        """Lowest point of the mandible, placed so that the film shows it over its posture's vertebra."""
        nod = CHIN_FORWARD_MM[self.recipe.neck.posture]
        turned = np.sin(np.radians(self.recipe.neck.head_turn_deg)) * 70.0
        z = np.array([self.vertebrae[n][2] for n in VERTEBRAE])
        rows = self.camera.project(np.stack([self.vertebrae[n] for n in VERTEBRAE]))[:, 0]
        jitter = float(stream(self.recipe.seed, "mandible").uniform(-0.3, 0.3))
        level = MANDIBLE_LEVEL[self.recipe.neck.posture] + jitter - 3.0
        wanted = float(np.interp(level, np.arange(len(rows)), rows))
        point = np.array([self.spine_x0 + turned * self.frame.across, nod * self.frame.deep, 0.0])
        candidates = np.linspace(z[-1], z[0] + 60.0, 60)
        points = np.repeat(point[None, :], 60, axis=0)
        points[:, 2] = candidates
        point[2] = float(np.interp(-wanted, -self.camera.project(points)[:, 0], candidates))
        return point

    def _head(self) -> tuple[Solid, ...]:
        f = self.frame
        big = 1.0 if self.recipe.age_group is AgeGroup.ADULT else 1.0 + 0.45 * (1.0 - min(f.long, 1.0))
        s = f.across * big
        x, y, z = self.chin
        return (
            upright((self.spine_x0, y + 88.0 * s, z + 98.0 * s), (76.0 * s, 96.0 * s, 92.0 * s)),
            upright((x, y + 38.0 * s, z + 38.0 * s), (56.0 * s, 54.0 * s, 46.0 * s)),
        )

    def _arms(self) -> tuple[Stack, ...]:
        f = self.frame
        out = self.recipe.body.arms_out_mm
        girth = (0.7 + 0.3 * self.recipe.body.habitus) * f.across
        z = np.array([-620.0, -200.0, -90.0, -10.0, 40.0, 64.0, 80.0, 88.0]) * f.long
        z = self.lifted(z)
        lateral = np.array([150.0, 66.0, 52.0, 40.0, 30.0, 24.0, 18.0, 14.0])
        shift = out * np.array([4.2, 1.8, 1.2, 0.6, 0.2, 0.0, 0.0, 0.0])
        half = np.array([38.0, 42.0, 46.0, 48.0, 48.0, 42.0, 28.0, 8.0]) * girth
        arms = []
        for side in (-1.0, 1.0):
            x = self.spine_x0 + side * (self.chest_half_mm[0] + lateral * f.across + shift)
            y = np.full_like(z, 8.0 * f.deep)
            arms.append(Stack(np.stack([z, x, y, half, half], 1)))
        return tuple(arms)

    def _breasts(self) -> tuple[Ellipsoid, ...]:
        if self.recipe.patient.sex is not Sex.FEMALE or (self.recipe.patient.age_years or 0.0) < 13.0:
            return ()
        f = self.frame
        size = 0.75 + 0.35 * self.recipe.body.habitus
        front = float(self.cage_at(np.array(-90.0 * f.long))[2] - self.chest_half_mm[1]) - 0.4 * self.wall_mm
        return tuple(
            upright(
                (self.spine_x0 + side * 82.0 * f.across, front, -92.0 * f.long),
                (66.0 * size * f.across, 34.0 * size * f.deep, 58.0 * size * f.long),
            )
            for side in (-1.0, 1.0)
        )


def build_anatomy(recipe: FilmRecipe) -> Anatomy:
    """The body of a recipe."""
    rng = stream(recipe.seed, "airway")
    length = recipe.body.trachea_length_mm
    pulled = COLLAPSE_SHIFT_MM * recipe.pathology.collapse * frame_of(recipe).across
    lean = recipe.body.side_lean_deg - float(np.degrees(np.arctan2(0.8 * pulled, length)))
    airway = build_airway(
        replace(recipe.body, side_lean_deg=lean),
        bow_mm=float(rng.normal(0.0, 0.016)) * length,
        sag_mm=float(rng.normal(0.0, 0.02)) * length,
    )
    view = camera(recipe.stand, recipe.rows, recipe.columns, recipe.pitch_mm)
    return Anatomy(recipe, frame_of(recipe), airway, view)
