"""Values become pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse

from annotate.ward.people import Role
from annotate.ward.register import Answered, Listed
from annotate.ward.review import Marks
from annotate.ward.schema import Decision, Status
from imaging.film import Identifiers
from measure.landmarks import Source
from measure.posture import NeckPosture

STRIP_CM = (-4.0, 12.0)
"""Heights above the carina that the small ruler of the list shows (ours)."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A film's place on the small ruler, in percent from its left end.

    Parameters
    ----------
    low, high : float
        Ends of the 95 % interval.
    tip : float
        The tip.
    accepted_low, accepted_high : float
        The accepted range.
    """

    low: float
    high: float
    tip: float
    accepted_low: float
    accepted_high: float


def page(template: str, status: int = 200, /, **values: object) -> HTMLResponse:
    """A page of the ward."""
    text = _environment().get_template(template).render(values)
    return HTMLResponse(text, status)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("annotate.ward"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "age": age,
        "clock": clock,
        "name": name_of,
        "strip": strip_of,
        "cm": centimetres,
        "short": short,
    }
    environment.globals |= {
        "Role": Role,
        "Status": Status,
        "necks": [posture.value for posture in NeckPosture],
        "is_confirmed": is_confirmed,
        "urgency_of": urgency_of,
        "carina_percent": _percent(0.0),
    }
    return environment


def list_values(films: Sequence[Listed]) -> dict[str, object]:
    """What the list shows: films to be answered, and those set aside; and the day in numbers."""
    shown = [film for film in films if film.status is not Status.SET_ASIDE]
    return {
        "films": shown,
        "aside": [film for film in films if film.status is Status.SET_ASIDE],
        "summary": {
            "received": len(films),
            "waiting": sum(film.answer is None for film in shown),
            "to confirm": sum(film.answer is not None and not is_confirmed(film.answer) for film in shown),
            "confirmed": sum(film.answer is not None and is_confirmed(film.answer) for film in shown),
        },
        "now": datetime.now(UTC),
    }


def is_confirmed(answer: Answered) -> bool:
    """Whether a reader has said so."""
    return answer.decision is not Decision.PROPOSED


def urgency_of(answer: Answered) -> str:
    """How soon, as one word for the style; empty where no move is advised."""
    move = answer.answer.get("adjustment")
    return str(move["urgency"]).replace(" ", "-") if isinstance(move, Mapping) else ""


def marks_of(answer: Answered) -> Marks:
    """What a reader had set when this reading was kept: the page starts from there."""
    plain = answer.answer
    inputs = plain.get("inputs") or {}
    if answer.decision is Decision.PROPOSED:
        return Marks()
    return Marks(
        tip=_by_hand(plain.get("tip")),
        carina=_by_hand(plain.get("carina")),
        lip_mark_cm=inputs.get("lip_mark_cm"),
        tube_size_mm=(inputs.get("tube") or {}).get("size_mm"),
        neck=_given_neck(inputs),
        no_tube=answer.decision is Decision.NO_TUBE,
        no_carina=answer.decision is Decision.NO_CARINA,
    )


def _given_neck(inputs: Mapping[str, Any]) -> NeckPosture:
    given = inputs.get("neck_posture_source") == "given"
    return NeckPosture(inputs["neck_posture"]) if given else NeckPosture.UNKNOWN


def _by_hand(mark: Mapping[str, Any] | None) -> tuple[float, float] | None:
    if mark is None or mark.get("source") != Source.HAND.value:
        return None
    return float(mark["row"]), float(mark["column"])


def plain_marks(marks: Marks) -> dict[str, Any]:
    """For the page's script."""
    return {
        "tip": marks.tip,
        "carina": marks.carina,
        "lip_mark_cm": marks.lip_mark_cm,
        "tube_size_mm": marks.tube_size_mm,
        "neck": marks.neck.value,
        "no_tube": marks.no_tube,
        "no_carina": marks.no_carina,
    }


def pressed(form: Mapping[str, str]) -> dict[str, Any]:
    """What the button says that was pressed."""
    say = form.get("say")
    return {"no_tube": say == "no tube", "no_carina": say == "no carina"}


def plain_text(film: Listed) -> str:
    """The reading for the record, in words; no identifier."""
    answer = film.answer
    if answer is None:
        return f"{film.status.value}: {film.reason or 'no answer yet'}\n"
    said = (
        f"{answer.decision.value} by {answer.reader}, {clock(answer.time)}"
        if is_confirmed(answer)
        else "PROPOSED BY THE PROGRAM, CONFIRMED BY NOBODY"
    )
    return f"Endotracheal tube on the chest film received {clock(film.received)}\n{said}\n\n{answer.screen}\n"


def age(time: datetime, now: datetime | None = None) -> str:
    """How long ago, in the largest unit that tells it."""
    seconds = max(0, int(((now or datetime.now(UTC)) - time).total_seconds()))
    if seconds < 60:
        return "just now"
    for unit, size, limit in (("min", 60, 90 * 60), ("h", 3600, 48 * 3600), ("days", 86400, 10**12)):
        if seconds < limit:
            return f"{seconds // size} {unit} ago"
    return ""


def clock(time: datetime) -> str:
    """Day and time where the service runs."""
    return time.astimezone().strftime("%d %b %H:%M")


def name_of(identifiers: Identifiers | None) -> str:
    """Whose film it is, as a reader knows the patient."""
    if identifiers is None:
        return "no longer kept"
    name = identifiers.patient_name.replace("^", " ").strip()
    return " · ".join(part for part in (name, identifiers.patient_id) if part) or "not named by the film"


def strip_of(answer: Answered) -> Strip | None:
    """The film on the small ruler; None where there is no distance."""
    distance, accepted = answer.answer.get("distance"), answer.answer.get("accepted_range")
    if not isinstance(distance, Mapping) or not isinstance(accepted, Mapping):
        return None
    limits = [accepted[name]["value"] for name in ("low_cm", "high_cm")]
    return Strip(
        low=_percent(distance["on_film_low_cm"]),
        high=_percent(distance["on_film_high_cm"]),
        tip=_percent(distance["on_film_cm"]),
        accepted_low=_percent(limits[0] if limits[0] is not None else STRIP_CM[0]),
        accepted_high=_percent(limits[1] if limits[1] is not None else STRIP_CM[1]),
    )


def _percent(height_cm: float) -> float:
    low, high = STRIP_CM
    return round(100.0 * min(max((height_cm - low) / (high - low), 0.0), 1.0), 1)


def short(value: float | None) -> str:
    """A number for a form; empty where there is none."""
    return "" if value is None else f"{value:g}"


def centimetres(answer: Answered) -> str:
    """The distance on the film."""
    distance = answer.answer.get("distance")
    return f"{distance['on_film_cm']:.1f} cm" if isinstance(distance, Mapping) else "not measured"
