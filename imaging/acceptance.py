"""Which DICOM objects are taken for a single frontal chest film, and which are refused, with the reason."""

from __future__ import annotations

from types import MappingProxyType

from pydicom.dataset import Dataset
from pydicom.uid import UID, AllTransferSyntaxes

from imaging.errors import FilmRefusedError, FilmUnreadableError
from imaging.header import code_of, integer, shown, text
from imaging.limits import refuse_too_many_pixels

ACCEPTED_CLASSES = MappingProxyType(
    {
        "1.2.840.10008.5.1.4.1.1.1": "Computed Radiography",
        "1.2.840.10008.5.1.4.1.1.1.1": "Digital X-Ray for presentation",
        "1.2.840.10008.5.1.4.1.1.1.1.1": "Digital X-Ray for processing",
        "1.2.840.10008.5.1.4.1.1.7": "Secondary Capture",
        "1.2.840.10008.5.1.4.1.1.7.2": "Multi-frame Grayscale Byte Secondary Capture",
        "1.2.840.10008.5.1.4.1.1.7.3": "Multi-frame Grayscale Word Secondary Capture",
        "1.2.840.10008.5.1.4.1.1.7.4": "Multi-frame True Color Secondary Capture",
    }
)
"""SOP classes (PS3.4 B.5) that can hold one chest film; the multi-frame ones where they have one frame."""

FOR_PROCESSING = "1.2.840.10008.5.1.4.1.1.1.1.1"

ACCEPTED_MODALITIES = ("CR", "DX", "RG", "OT", "SC", "")
"""Modality (PS3.3 C.7.3.1.1.1): computed, digital and film-screen radiography, other; SC is written by some."""

CHEST_WORDS = ("CHEST", "THORA", "TORAX", "LUNG", "PULMO", "TRACHEA", "MEDIASTINUM", "WHOLEBODY", "BABYGRAM")
"""Parts of Body Part Examined that show the carina (terms of PS3.16 Annex L, and what devices write)."""

NOT_CHEST_WORDS = ("SPINE", "LUMB", "CERVIC")
"""Beats the chest words: the thoracic spine is no chest film."""


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


MODALITIES = _words(
    "ANN AR AS ASMT AU BDUS BI BMD CD CF CFM CP CR CS CT CTPROTOCOL DD DF DG DM DMS DOC DS DX EC ECG EEG EMG EOG "
    "EPS ES FA FID FS GM HC HD IO IOL IVOCT IVUS KER KO LEN LP LS M3D MA MG MR MS NM OAM OCT OP OPM OPR OPT "
    "OPTBSV OPTENF OPV OSS OT PA PLAN POS PR PT PX REG RESP RF RG RTDOSE RTIMAGE RTINTENT RTPLAN RTRAD RTRECORD "
    "RTSEGANN RTSTRUCT RWV SC SEG SM SMR SR SRF ST STAIN TEXTUREMAP TG US VA VF XA XAPROTOCOL XC"
)
"""Defined terms of Modality, retired ones too (PS3.3 C.7.3.1.1.1, from memory), and SC: those that are shown."""

BODY_PARTS = _words(
    "ABDOMEN ANKLE ARM BREAST CALCANEUS CALF CERVIX CLAVICLE COCCYX CSPINE CTSPINE ELBOW EXTREMITY EYE FEMUR "
    "FINGER FOOT FOREARM HAND HEAD HEART HIP HUMERUS JAW KNEE LEG LSPINE LSSPINE MAXILLA NECK ORBIT PATELLA "
    "PELVIS RADIUS RIB SACRUM SHOULDER SKULL SPINE SSPINE STERNUM THIGH THUMB TIBIA TLSPINE TOE TSPINE ULNA "
    "UTERUS WRIST CERVICALSPINE LUMBARSPINE THORACICSPINE"
)
"""Terms of Body Part Examined that are no chest (PS3.16 Annex L, from memory): those that are shown."""

VIDEO_WORDS = ("MPEG", "HEVC", "SMPTE")


def refuse_unless_film(dataset: Dataset) -> None:
    """Let a single-frame radiograph of the chest pass.

    Raises
    ------
    FilmRefusedError
        For everything else, with the reason.
    FilmUnreadableError
        Where the pixels are missing from what should have some.
    """
    _refuse_video(dataset)
    _refuse_class(dataset)
    _refuse_without_pixels(dataset)
    _refuse_frames(dataset)
    _refuse_modality(dataset)
    _refuse_body_part(dataset)


def _refuse(found: str, advice: str = "Choose the chest film of the study.") -> FilmRefusedError:
    return FilmRefusedError(
        f"{found}; a single frontal chest film (CR, DX or secondary capture) is expected. {advice}"
    )


def _refuse_video(dataset: Dataset) -> None:
    meta = getattr(dataset, "file_meta", None)
    syntax = UID(text(meta, "TransferSyntaxUID")) if meta is not None else UID("")
    if syntax in AllTransferSyntaxes and any(word in syntax.name.upper() for word in VIDEO_WORDS):
        raise _refuse(f"a video ({syntax.name}) was found")


def _refuse_class(dataset: Dataset) -> None:
    sop_class = UID(text(dataset, "SOPClassUID"))
    if sop_class and sop_class not in ACCEPTED_CLASSES:
        name = sop_class.name if sop_class.name != sop_class else "an unknown class"
        raise _refuse(f"{name} was found")


def _refuse_without_pixels(dataset: Dataset) -> None:
    if not all(keyword in dataset for keyword in ("Rows", "Columns", "PixelData")):
        if not len(dataset) or "Rows" in dataset or text(dataset, "SOPClassUID") in ACCEPTED_CLASSES:
            # Where a file breaks off, pydicom returns what came before, or nothing, without a word.
            raise FilmUnreadableError(
                "a file without its pixel data was found, a complete file is expected; this one was "
                "cut short. Export or send it again."
            )
        raise _refuse("a DICOM object without an image was found")
    rows, columns = integer(dataset, "Rows", 0), integer(dataset, "Columns", 0)
    if rows < 1 or columns < 1:
        raise _refuse("a DICOM image without rows or columns was found")
    refuse_too_many_pixels(rows, columns)


def _refuse_frames(dataset: Dataset) -> None:
    frames = integer(dataset, "NumberOfFrames", 1)
    if frames > 1:
        raise _refuse(f"{frames} frames were found", "Export the one frame that shows tube and carina.")


def _refuse_modality(dataset: Dataset) -> None:
    modality = text(dataset, "Modality").upper()
    if modality not in ACCEPTED_MODALITIES:
        raise _refuse(f"modality {shown(modality, MODALITIES)} was found")


def _refuse_body_part(dataset: Dataset) -> None:
    part = text(dataset, "BodyPartExamined") or code_of(dataset, "AnatomicRegionSequence")[1]
    plain = "".join(part.upper().split())
    if not plain:
        return
    if any(word in plain for word in NOT_CHEST_WORDS) or not any(word in plain for word in CHEST_WORDS):
        raise _refuse(f"body part {shown(plain, BODY_PARTS)} was found")
