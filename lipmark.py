"""The front door of lipmark for Python: a film in, a Reading out.

>>> import lipmark
>>> reading = lipmark.read("film.dcm", lip_mark_cm=24, neck="neutral")
>>> print(reading.verdict)
too low

Everything here lives in the rooms `imaging` and `measure`; this module only names what users need.
"""

from imaging.case import read
from imaging.errors import FilmRefusedError, FilmUnreadableError, ImagingError
from imaging.film import Film
from imaging.load import load_film
from imaging.propose import Proposal, propose
from measure.accepted_range import AcceptedRange
from measure.advice import Action, Adjustment, NoAction, Urgency
from measure.assess import assess
from measure.case import Case
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.insertion_depth import Route
from measure.landmarks import KnownObject, Landmark, Landmarks, Seen, Source
from measure.magnification import Magnification, View
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.reading import Distance, Reading
from measure.spacing import Plane, Spacing, SpacingSource
from measure.tube import Tube, TubeKind
from measure.verdict import Chances, Verdict

__all__ = [
    "AcceptedRange",
    "Action",
    "Adjustment",
    "Case",
    "Chances",
    "CuffPressure",
    "Distance",
    "Estimate",
    "Film",
    "FilmRefusedError",
    "FilmUnreadableError",
    "ImagingError",
    "KnownObject",
    "Landmark",
    "Landmarks",
    "Magnification",
    "MeasureError",
    "NeckPosture",
    "NoAction",
    "Patient",
    "Plane",
    "Proposal",
    "Reading",
    "Route",
    "Seen",
    "Sex",
    "Source",
    "Spacing",
    "SpacingSource",
    "Tube",
    "TubeKind",
    "Urgency",
    "Verdict",
    "View",
    "assess",
    "load_film",
    "propose",
    "read",
]
