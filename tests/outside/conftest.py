"""A real chest CT with a virtual tube, projected in perspective: films whose truth our own code did not make.

The CT and its label volume are fetched by tests/setup/outside_data.py. World coordinates are those of the
volumes, in mm: x to the patient's right, y to the front, z to the head. The film is an AP film: a point source in
front of the patient, a detector square to the y axis behind the back.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path

import nibabel
import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian, generate_uid
from scipy import ndimage, sparse
from scipy.interpolate import UnivariateSpline
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

DATA = Path(__file__).parent / "data"
TRACHEA, VERTEBRA_T7 = 16, 37
"""Labels of the label volume, as structures.csv of the same wheel names them."""

WATER_PER_MM = 0.01837
"""Attenuation of water at 80 keV: 0.1837 cm2/g (NIST tables of mass attenuation coefficients; from memory)."""

CONTRAST_HU, WALL_HU = 8000.0, 300.0
"""The tube's radio-opaque line (barium sulphate in plastic) and its wall; ours, chosen to be seen."""

SID_MM = 1100.0
"""A portable AP distance (common practice: 100 to 130 cm)."""

BONE_TO_DETECTOR_MM = 40.0
"""Skin, mattress and cassette, from the rearmost bone to the detector; ours."""

PIXEL_MM = 0.4
FILM_SHAPE = (1000, 1040)
TIPS_MM = (10.0, 20.0, 30.0, 40.0, 50.0)


@dataclass(frozen=True)
class ChestCT:
    """The two volumes, and the airway as found in the label volume."""

    density: NDArray[np.float32] = field(repr=False)
    labels: NDArray[np.uint8] = field(repr=False)
    affine: Floats = field(repr=False)

    def to_mm(self, index: Floats) -> Floats:
        """World position of a voxel index; the affine has no rotation."""
        return np.asarray(index @ self.affine[:3, :3].T + self.affine[:3, 3])

    @cached_property
    def trachea(self) -> NDArray[np.bool_]:
        return self.labels == TRACHEA

    @cached_property
    def split_slice(self) -> int:
        """First axial slice, from the top of the trachea down, in which the airway is two."""
        touching = np.ones((3, 3))
        slices = range(self.trachea.shape[2])
        pieces = [ndimage.label(self.trachea[:, :, k], touching)[1] for k in slices]
        (single,) = np.nonzero(np.array(pieces) == 1)
        k = int(single[-1])
        while pieces[k] == 1:
            k -= 1
        return k

    @cached_property
    def carina(self) -> Floats:
        """Between the last common slice and the first split one, midway between the two main bronchi."""
        parts, _ = ndimage.label(self.trachea[:, :, self.split_slice], np.ones((3, 3)))
        one, other = (np.argwhere(parts == n).astype(float) for n in (1, 2))
        gap, nearest = cKDTree(other).query(one)
        narrow = gap <= gap.min() + 1.0
        middle = ((one + other[nearest]) / 2.0)[narrow].mean(axis=0)
        return self.to_mm(np.append(middle, self.split_slice + 0.5))

    @cached_property
    def midline(self) -> Floats:
        """Points 0.1 mm apart along the tracheal midline, from the carina up, shape (n, 3).

        Centroids of the axial slices, smoothed by 0.7 mm (root mean square). The slices just above the fork,
        where the airway widens, are left out.
        """
        filled = np.flatnonzero(self.trachea.any(axis=(0, 1)))
        slices = filled[filled >= self.split_slice + 5][:-1]
        middles = [np.append(np.argwhere(self.trachea[:, :, k]).mean(axis=0), k) for k in slices]
        points = np.vstack([self.carina, self.to_mm(np.array(middles))])
        weights = np.r_[10.0, np.ones(len(middles))]
        z = np.linspace(points[0, 2], points[-1, 2], 4000)
        smooth = 0.5 * len(points)
        x, y = (UnivariateSpline(points[:, 2], points[:, axis], w=weights, s=smooth)(z) for axis in (0, 1))
        fine = np.column_stack([x, y, z])
        along = arc_length(fine)
        steps = np.arange(0.0, along[-1], 0.1)
        return np.column_stack([np.interp(steps, along, fine[:, axis]) for axis in range(3)])

    @cached_property
    def lean_degrees(self) -> float:
        """Angle between the trachea and the coronal plane, from a straight line through the midline."""
        slope = np.polyfit(self.midline[:, 2], self.midline[:, 1], 1)[0]
        return float(np.degrees(np.arctan(slope)))

    def at(self, above_carina_mm: float) -> Floats:
        """The point of the midline at this distance along the airway."""
        along = arc_length(self.midline)
        return np.array([np.interp(above_carina_mm, along, self.midline[:, axis]) for axis in range(3)])


def arc_length(points: Floats) -> Floats:
    """Distance along a polyline from its first point."""
    return np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]


@dataclass(frozen=True)
class Geometry:
    """Point source, detector plane and film; positions in world mm."""

    source: Floats
    detector_y: float
    sid_mm: float
    top_left: tuple[float, float]

    def magnification(self, y: Floats | float) -> Floats:
        """SID over the distance from the source, for a plane at depth `y`."""
        return np.asarray(self.sid_mm / (self.source[1] - np.asarray(y)))

    def pixel(self, points: Floats) -> Floats:
        """Row and column of world points, shape (..., 2).

        Columns grow to the patient's left, rows to the feet.
        """
        scale = self.magnification(points[..., 1])
        x = self.source[0] + (points[..., 0] - self.source[0]) * scale
        z = self.source[2] + (points[..., 2] - self.source[2]) * scale
        return np.stack([(self.top_left[1] - z) / PIXEL_MM, (self.top_left[0] - x) / PIXEL_MM], axis=-1)

    def axis_at(self, axis: int, y: float) -> Floats:
        """World x (axis 0) of the film's columns, or z (axis 2) of its rows, where the rays cross depth `y`."""
        count, start = (FILM_SHAPE[1], self.top_left[0]) if axis == 0 else (FILM_SHAPE[0], self.top_left[1])
        on_detector = start - PIXEL_MM * np.arange(count)
        return np.asarray(self.source[axis] + (on_detector - self.source[axis]) / self.magnification(y))

    @cached_property
    def obliquity(self) -> Floats:
        """How much longer each ray's way through a coronal slab is than the slab's thickness."""
        across = (self.axis_at(0, self.detector_y) - self.source[0])[None, :]
        down = (self.axis_at(2, self.detector_y) - self.source[2])[:, None]
        return np.asarray(np.sqrt(1.0 + (across**2 + down**2) / self.sid_mm**2))


def place(ct: ChestCT) -> Geometry:
    """Central ray through the film's centre and the seventh thoracic vertebra, as in AP films."""
    aim = ct.to_mm(np.argwhere(ct.labels == VERTEBRA_T7).mean(axis=0))
    back = ct.to_mm(np.argwhere(ct.labels > 0).min(axis=0).astype(float))[1]
    detector_y = back - BONE_TO_DETECTOR_MM
    source = np.array([aim[0], detector_y + SID_MM, aim[2]])
    corner_low, corner_high = ct.to_mm(np.zeros(3)), ct.to_mm(np.array(ct.labels.shape) - 1.0)
    scale = SID_MM / (source[1] - ct.carina[1])
    middle_x = source[0] + ((corner_low[0] + corner_high[0]) / 2.0 - source[0]) * scale
    top_z = source[2] + PIXEL_MM * (FILM_SHAPE[0] - 1) / 2.0
    return Geometry(source, detector_y, SID_MM, (middle_x + PIXEL_MM * FILM_SHAPE[1] / 2.0, top_z))


def interpolation(positions: Floats, count: int) -> sparse.csr_array:
    """Matrix that interpolates linearly at fractional indices; nothing lies outside."""
    low = np.floor(positions).astype(int)
    share = positions - low
    rows = np.tile(np.arange(len(positions)), 2)
    columns, weights = np.r_[low, low + 1], np.r_[1.0 - share, share]
    inside = (columns >= 0) & (columns < count)
    entries = (weights[inside].astype(np.float32), (rows[inside], columns[inside]))
    return sparse.csr_array(entries, shape=(len(positions), count))


def patient_only(ct: ChestCT) -> NDArray[np.float32]:
    """Attenuation per mm of the largest connected dense piece, its hollows filled: no table, no bed."""
    dense = ct.density[::4, ::4, :] > -400.0
    pieces, _ = ndimage.label(ndimage.binary_opening(dense, iterations=2))
    body = pieces == np.bincount(pieces.ravel())[1:].argmax() + 1
    for k in range(body.shape[2]):
        body[:, :, k] = ndimage.binary_dilation(ndimage.binary_fill_holes(body[:, :, k]), iterations=2)
    inside = body.repeat(4, axis=0).repeat(4, axis=1)
    attenuation = WATER_PER_MM * np.clip(1.0 + ct.density / 1000.0, 0.0, None)
    return np.where(inside, attenuation, 0.0).astype(np.float32)


def project(volume: NDArray[np.float32], affine: Floats, geometry: Geometry) -> Floats:
    """Line integral of a volume along every ray, slab by coronal slab, two voxels thick."""
    total = np.zeros(FILM_SHAPE)
    scale, origin = np.diag(affine)[:3], affine[:3, 3]
    for j in range(0, volume.shape[1] - 1, 2):
        slab = volume[:, j : j + 2, :].mean(axis=1)
        if not slab.any():
            continue
        y = origin[1] + scale[1] * (j + 0.5)
        across = interpolation((geometry.axis_at(0, y) - origin[0]) / scale[0], slab.shape[0])
        down = interpolation((geometry.axis_at(2, y) - origin[2]) / scale[2], slab.shape[1])
        total += (down @ (across @ slab).T) * (2.0 * scale[1])
    return np.asarray(total * geometry.obliquity)


def tube_points(path: Floats, outside_mm: float = 10.5, inside_mm: float = 7.5) -> tuple[Floats, Floats]:
    """Points of a square-ended tube along `path` and the attenuation times volume of each.

    The tip is square, so that its end lies on the midline and the truth needs no bevel. The line runs in the
    wall, at the patient's left and front.
    """
    step = 0.2
    angles = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    radii = np.linspace(inside_mm / 2.0, outside_mm / 2.0, 9)
    radii = (radii[1:] + radii[:-1]) / 2.0
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = np.cross(along, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    front = np.cross(side, along)
    ring = radii[:, None, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)[None]
    centre, side, front = (vectors[:, None, None, :] for vectors in (path, side, front))
    points = centre + ring[..., :1] * side + ring[..., 1:] * front
    volume = step * (radii[1] - radii[0]) * radii * (angles[1] - angles[0])
    is_line = np.abs(angles - np.pi / 4.0) < 0.15
    per_mm = WATER_PER_MM * (1.0 + np.where(is_line, CONTRAST_HU, WALL_HU) / 1000.0)
    weight = np.broadcast_to(volume[:, None] * per_mm[None, :], points.shape[:3])
    return points.reshape(-1, 3), weight.reshape(-1)


def project_tube(ct: ChestCT, geometry: Geometry, tip_mm: float) -> Floats:
    """Line integral through a tube from `tip_mm` above the carina, up along the airway and out of the film."""
    midline = ct.midline[arc_length(ct.midline) >= tip_mm - 0.05]
    onward = midline[-1] + np.arange(0.1, 60.0, 0.1)[:, None] * (midline[-1] - midline[-100]) / 9.9
    points, weight = tube_points(np.vstack([midline, onward])[::2])
    position = geometry.pixel(points)
    scale = geometry.magnification(points[:, 1])
    value = weight * (scale / PIXEL_MM) ** 2
    film = np.zeros(FILM_SHAPE)
    corner = np.floor(position).astype(int)
    share = position - corner
    for down in (0, 1):
        for across in (0, 1):
            row, column = corner[:, 0] + down, corner[:, 1] + across
            part = value * np.abs(1 - down - share[:, 0]) * np.abs(1 - across - share[:, 1])
            inside = (row >= 0) & (row < FILM_SHAPE[0]) & (column >= 0) & (column < FILM_SHAPE[1])
            np.add.at(film, (row[inside], column[inside]), part[inside])
    return film


def expose(line_integral: Floats, seed: int = 0) -> NDArray[np.float32]:
    """Film values 0..1, bright = dense: Beer-Lambert, scatter, photon noise, logarithm, unsharp mask.

    Photons in air, scatter and the mask (as film stations apply one) are ours: a clean portable film.
    """
    rng = np.random.default_rng(seed)
    in_air, scatter, mask_mm, mask_gain = 5.0e5, 0.005, 15.0, 1.0
    photons = rng.poisson(in_air * (np.exp(-line_integral) + scatter))
    density = ndimage.gaussian_filter(np.log(in_air) - np.log(np.maximum(photons, 1.0)), 0.6)
    sharpened = density + mask_gain * (density - ndimage.gaussian_filter(density, mask_mm / PIXEL_MM))
    low, high = np.percentile(sharpened[density > 0.5], (1.0, 99.8))
    return np.clip((sharpened - low) / (high - low), 0.0, 1.0).astype(np.float32)


@dataclass(frozen=True)
class CTFilm:
    """A projected film and its truth.

    `pixels` 0..1, bright = dense; `tip` (None without a tube) and `carina` as (row, column) in pixels; `airway`
    the midline between the two on the film, tip first, shape (n, 2).
    """

    pixels: NDArray[np.float32]
    pixel_mm: float
    sid_mm: float
    sod_mm: float
    tip: tuple[float, float] | None
    carina: tuple[float, float]
    airway: Floats
    true_distance_mm: float | None

    @property
    def magnification(self) -> float:
        return self.sid_mm / self.sod_mm

    def dicom(self, *, with_geometry: bool) -> bytes:
        """The film as a DX file; the geometry in the header is that of the trachea, or left out."""
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
        meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["lipmark outside check"])
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        file = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        file.SOPClassUID, file.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        file.Modality, file.BodyPartExamined, file.ViewPosition = "DX", "CHEST", "AP"
        file.PatientOrientation = ["L", "F"]
        file.PatientAge = "060Y"
        file.ImagerPixelSpacing = [self.pixel_mm, self.pixel_mm]
        if with_geometry:
            file.DistanceSourceToDetector = round(self.sid_mm, 2)
            file.DistanceSourceToPatient = round(self.sod_mm, 2)
            file.EstimatedRadiographicMagnificationFactor = round(self.magnification, 6)
        file.SamplesPerPixel, file.PhotometricInterpretation = 1, "MONOCHROME2"
        file.Rows, file.Columns = self.pixels.shape
        file.BitsAllocated, file.BitsStored, file.HighBit, file.PixelRepresentation = 16, 12, 11, 0
        file.PixelIntensityRelationship, file.PixelIntensityRelationshipSign = "LOG", -1
        file.RescaleIntercept, file.RescaleSlope, file.RescaleType = 0, 1, "US"
        file.PresentationLUTShape = "IDENTITY"
        file.WindowCenter, file.WindowWidth = 2048, 4096
        file.PixelData = np.round(self.pixels * 4095.0).astype("<u2").tobytes()
        out = io.BytesIO()
        pydicom.dcmwrite(out, file, enforce_file_format=True)
        return out.getvalue()


def _volume(name: str, kind: type) -> tuple[NDArray[np.generic], Floats]:
    image = nibabel.load(DATA / name)
    return np.asarray(image.dataobj, dtype=kind), np.asarray(image.affine)


@pytest.fixture(scope="session")
def chest_ct() -> ChestCT:
    """The CT; skips where the data were not fetched."""
    if not (DATA / "mask.nii.gz").is_file() or not (DATA / "cxr.nii.gz").is_file():
        pytest.skip("the outside CT is not here; fetch it with: make setup-test")
    labels, affine = _volume("mask.nii.gz", np.uint8)
    density, _ = _volume("cxr.nii.gz", np.float32)
    return ChestCT(density, labels, affine)


@pytest.fixture(scope="session")
def ct_geometry(chest_ct: ChestCT) -> Geometry:
    return place(chest_ct)


@pytest.fixture(scope="session")
def project_volume(chest_ct: ChestCT, ct_geometry: Geometry) -> Callable[[NDArray[np.float32]], Floats]:
    """Give a function that projects a volume on the CT's grid."""
    return lambda volume: project(volume, chest_ct.affine, ct_geometry)


@pytest.fixture(scope="session")
def ct_tube(chest_ct: ChestCT, ct_geometry: Geometry) -> Callable[[float], Floats]:
    """Give a function from the tip's height in mm to the line integral through the tube alone."""
    return lambda tip_mm: project_tube(chest_ct, ct_geometry, tip_mm)


@pytest.fixture(scope="session")
def ct_film(chest_ct: ChestCT, ct_geometry: Geometry) -> Callable[[float | None], CTFilm]:
    """Give a function from the tip's height above the carina in mm (None: no tube) to the projected film.

    The patient's projection is kept in the data folder under a name that follows from this file's own text.
    """
    key = hashlib.sha256(Path(__file__).read_bytes()).hexdigest()[:12]
    kept = DATA / f"projection_{key}.npy"
    if kept.is_file():
        patient = np.load(kept)
    else:
        patient = project(patient_only(chest_ct), chest_ct.affine, ct_geometry)
        scratch = kept.with_suffix(f".{os.getpid()}.npy")
        np.save(scratch, patient)
        for old in DATA.glob("projection_????????????.npy"):
            old.unlink(missing_ok=True)
        scratch.replace(kept)

    @cache
    def film(tip_mm: float | None) -> CTFilm:
        tube = 0.0 if tip_mm is None else project_tube(chest_ct, ct_geometry, tip_mm)
        path = np.array([chest_ct.at(s) for s in np.linspace(tip_mm or 50.0, 0.0, 11)])
        airway = ct_geometry.pixel(path)
        middle_y = chest_ct.at((TIPS_MM[0] + TIPS_MM[-1]) / 2.0)[1]
        made = CTFilm(
            pixels=expose(patient + tube),
            pixel_mm=PIXEL_MM,
            sid_mm=SID_MM,
            sod_mm=float(ct_geometry.source[1] - middle_y),
            tip=None if tip_mm is None else (float(airway[0, 0]), float(airway[0, 1])),
            carina=(float(airway[-1, 0]), float(airway[-1, 1])),
            airway=airway,
            true_distance_mm=tip_mm,
        )
        _keep_for_looking(made)
        return made

    return film


def _keep_for_looking(film: CTFilm) -> None:
    """Leave the film and its truth in the ignored data folder, for trying things on it."""
    name = "film_no_tube" if film.true_distance_mm is None else f"film_tip_{film.true_distance_mm:.0f}mm"
    np.save(DATA / f"{name}.npy", film.pixels)
    (DATA / f"{name}.dcm").write_bytes(film.dicom(with_geometry=True))
    truth = {key: getattr(film, key) for key in ("tip", "carina", "pixel_mm", "sid_mm", "sod_mm")}
    truth["distance_mm"] = film.true_distance_mm
    (DATA / f"{name}.json").write_text(json.dumps(truth) + "\n")
