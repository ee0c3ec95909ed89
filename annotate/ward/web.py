"""The service's addresses."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from annotate.ward import pages
from annotate.ward.back import Back
from annotate.ward.errors import ChangedMeanwhileError, WardError
from annotate.ward.gate import COOKIE, FORM_TOKEN_HEADER, Gate
from annotate.ward.metrics import DELIVERIES_DUE, FILMS, METRICS
from annotate.ward.people import SESSION, People, Person, Role
from annotate.ward.reception import Reception
from annotate.ward.register import Listed, Register
from annotate.ward.review import Marks, Review, view_of
from annotate.ward.settings import Settings
from annotate.ward.shelf import CROP, LARGE, Shelf
from annotate.ward.stow import MOST_BYTES, store
from measure.errors import MeasureError

LISTED = timedelta(hours=24)
MOST_LISTED = 500
MOST_FORM_BYTES = 64 * 1024

POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}

LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]", "::1")


@dataclass(frozen=True, slots=True)
class Ward:
    """What the addresses work with."""

    settings: Settings
    gate: Gate
    people: People
    register: Register
    shelf: Shelf
    review: Review
    reception: Reception
    back: Back | None


Handler = Callable[[Request], Awaitable[Response]]


def application(ward: Ward) -> Starlette:
    """The web application of a service."""
    addresses = Addresses(ward)
    static = Path(__file__).with_name("static")
    routes = [
        Route("/health", addresses.health),
        Route("/metrics", addresses.metrics),
        Route("/api/films", addresses.api_films),
        Route("/dicomweb/studies", addresses.stow, methods=["POST"]),
        Route("/dicomweb/studies/{study}", addresses.stow, methods=["POST"]),
        Route("/sign-in", addresses.sign_in_page),
        Route("/sign-in", addresses.sign_in, methods=["POST"]),
        Route("/sign-out", addresses.sign_out, methods=["POST"]),
        Route("/", addresses.films),
        Route("/films/{film}", addresses.film),
        Route("/films/{film}/print", addresses.print_view),
        Route("/films/{film}/{part}.jpg", addresses.picture),
        Route("/films/{film}/reading.txt", addresses.text),
        Route("/films/{film}/reading.fhir.json", addresses.fhir),
        Route("/films/{film}/assess", addresses.assess, methods=["POST"]),
        Route("/films/{film}/decide", addresses.decide, methods=["POST"]),
        Route("/access", addresses.access),
        Route("/service", addresses.service),
        Mount("/static", StaticFiles(directory=static)),
    ]
    names = [*ward.settings.host_names, *LOOPBACK_NAMES, ward.settings.host]
    if not ward.settings.on_loopback and not ward.settings.host_names:
        names = ["*"]
    return Starlette(
        routes=routes,
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=names), Middleware(_Headers)],
        exception_handlers={HTTPException: addresses.refused, WardError: addresses.not_possible},
    )


class _Headers:
    """Adds the security headers to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in message["headers"]}
                ours = ((name.lower().encode(), value.encode()) for name, value in HEADERS.items())
                message["headers"] = [*message["headers"], *(each for each in ours if each[0] not in own)]
            await send(message)

        await self._app(scope, receive, with_headers)


class Addresses:
    """One method an address; those that look at films need a reader, and write down who looked."""

    def __init__(self, ward: Ward) -> None:
        self._ward = ward

    # For programs

    def health(self, request: Request) -> Response:
        """Whether it works; tells nothing of films."""
        try:
            waiting = self._ward.register.counts_waiting()
        except WardError:
            return JSONResponse({"status": "database does not answer", "version": version("lipmark")}, 503)
        return JSONResponse({"status": "ok", "version": version("lipmark"), "waiting": waiting})

    def metrics(self, request: Request) -> Response:
        """Prometheus text."""
        self._ward.gate.program(request)
        for status, count in self._ward.register.counts().items():
            FILMS.labels(status.value).set(count)
        DELIVERIES_DUE.set(0 if self._ward.back is None else len(self._ward.back.outstanding()))
        return Response(generate_latest(METRICS), media_type=CONTENT_TYPE_LATEST)

    def api_films(self, request: Request) -> Response:
        """Today's films, most urgent first; no identifiers."""
        self._ward.gate.program(request)
        listed = self._ward.register.since(datetime.now(UTC) - LISTED, MOST_LISTED)
        return JSONResponse([_plain(film) for film in listed])

    async def stow(self, request: Request) -> Response:
        """PS3.18 10.5."""
        self._ward.gate.program(request)
        body = await _body(request, MOST_BYTES)
        content_type = request.headers.get("content-type", "")
        try:
            stored = await run_in_threadpool(store, content_type, body, self._ward.reception)
        except WardError as error:
            return PlainTextResponse(str(error), 400)
        headers = {"Retry-After": "60"} if stored.status == 503 else None
        return JSONResponse(stored.plain(), stored.status, headers, media_type="application/dicom+json")

    # Signing in and out

    def sign_in_page(self, request: Request) -> Response:
        """The form, or the printed address with its token."""
        token = request.query_params.get("token")
        if token is None:
            return pages.page("sign_in.html", trouble="", by_token=self._by_token)
        cookie = self._ward.gate.redeem(request, token)
        if cookie is None:
            trouble = "This address does not hold (any more). Restart the service for a new one."
            return pages.page("sign_in.html", 401, trouble=trouble, by_token=self._by_token)
        return self._welcome(cookie)

    async def sign_in(self, request: Request) -> Response:
        """Name and password."""
        form = await _form(request)
        gate = self._ward.gate
        cookie = await run_in_threadpool(gate.sign_in, request, form.get("name", ""), form.get("password", ""))
        if cookie is None:
            trouble = "Name and password do not fit together."
            return pages.page("sign_in.html", 401, trouble=trouble, by_token=self._by_token)
        return self._welcome(cookie)

    @property
    def _by_token(self) -> bool:
        return self._ward.settings.on_loopback and not self._ward.people.count()

    def _welcome(self, cookie: str) -> Response:
        answer = RedirectResponse("/", 303)
        secure = self._ward.settings.tls_cert is not None or self._ward.settings.proxy is not None
        seconds = int(SESSION.total_seconds())
        answer.set_cookie(COOKIE, cookie, max_age=seconds, httponly=True, samesite="lax", secure=secure)
        return answer

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        person = await run_in_threadpool(self._signed_in, request)
        self._ward.gate.check_form(request, person, (await _form(request)).get("form_token", ""))
        await run_in_threadpool(self._ward.people.sign_out, request.cookies.get(COOKIE, ""))
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE)
        return answer

    # For readers

    def films(self, request: Request) -> Response:
        """Today's films, most urgent first."""
        person = self._signed_in(request)
        if Role.READER not in person.roles:
            return RedirectResponse("/access" if Role.AUDITOR in person.roles else "/service", 303)
        listed = self._ward.register.since(datetime.now(UTC) - LISTED, MOST_LISTED)
        if "x-again" not in request.headers:  # The page renews itself: that is no new look.
            self._ward.people.note(person.name, "saw the list")
        return pages.page("films.html", person=person, **pages.list_values(listed))

    def film(self, request: Request) -> Response:
        """One film, large."""
        person, film = self._looking(request, "saw the film")
        before = self._ward.register.before(film)
        if before is not None:
            self._ward.people.note(person.name, "saw the film before", before.id)
        state = self._state(film)
        readings = self._ward.register.readings(film.id)
        return pages.page("film.html", person=person, film=film, before=before, state=state, readings=readings)

    def _state(self, film: Listed) -> dict[str, Any] | None:
        """What the page starts with; None where nothing can be marked."""
        if film.answer is None:
            return None
        try:
            known = self._ward.review.known(film.id)
            marks = pages.marks_of(film.answer)
            _, reading = self._ward.review.measure(film, marks)
        except (WardError, MeasureError):
            return None
        rows, columns = known.film.shape
        return {
            "width": columns,
            "height": rows * known.film.pixel_aspect,
            "aspect": known.film.pixel_aspect,
            "mm": None if known.film.spacing is None else known.film.spacing.column_mm,
            "marks": pages.plain_marks(marks),
            "view": view_of(known.film, reading),
        }

    def print_view(self, request: Request) -> Response:
        """For paper."""
        person, film = self._looking(request, "printed the film")
        return pages.page("print.html", person=person, film=film, state=self._state(film), now=datetime.now(UTC))

    def picture(self, request: Request) -> Response:
        """A film's picture; seeing it is written down where the page is asked for."""
        self._reader(request)
        part = request.path_params["part"]
        film = self._found(request)
        content = self._ward.shelf.get(film.id, part) if part in (LARGE, CROP) else None
        if content is None:
            raise HTTPException(404, "There is no such picture (any more).")
        return Response(content, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})

    def text(self, request: Request) -> Response:
        """For the record: plain words."""
        _, film = self._looking(request, "took the text")
        return PlainTextResponse(pages.plain_text(film))

    def fhir(self, request: Request) -> Response:
        """For the record: FHIR R4."""
        from annotate.reports.fhir import bundle
        from imaging.film import Identifiers

        _, film = self._looking(request, "took the FHIR resources")
        if film.answer is None:
            raise HTTPException(404, "This film has no reading.")
        marks = pages.marks_of(film.answer)
        _, reading = self._ward.review.measure(film, marks)
        reader = film.answer.reader if pages.is_confirmed(film.answer) else ""
        whole = bundle(reading, film.identifiers or Identifiers(), reader, film.answer.time)
        return Response(whole, media_type="application/fhir+json")

    async def assess(self, request: Request) -> Response:
        """What the marks say that are being dragged."""
        plain = await _json(request)
        return await run_in_threadpool(self._assess, request, plain)

    def _assess(self, request: Request, plain: dict[str, Any]) -> Response:
        person = self._reader(request)
        self._ward.gate.check_form(request, person, request.headers.get(FORM_TOKEN_HEADER, ""))
        film = self._found(request)
        try:
            _, reading = self._ward.review.measure(film, Marks.from_plain(plain))
            view = view_of(self._ward.review.known(film.id).film, reading)
        except (WardError, MeasureError) as error:
            return JSONResponse({"trouble": str(error)}, 422)
        return JSONResponse(view | {"reading": reading.to_dict()})

    async def decide(self, request: Request) -> Response:
        """Keep what a reader says."""
        form = await _form(request)
        return await run_in_threadpool(self._decide, request, form)

    def _decide(self, request: Request, form: dict[str, str]) -> Response:
        person = self._reader(request)
        self._ward.gate.check_form(request, person, form.get("form_token", ""))
        film = self._found(request)
        try:
            marks = Marks.from_plain(json.loads(form.get("marks") or "{}") | pages.pressed(form))
            number, _ = self._ward.review.decide(film, int(form.get("seen", "0")), marks, person.name)
        except ChangedMeanwhileError as error:
            return pages.page("message.html", 409, person=person, message=str(error), back=f"/films/{film.id}")
        except (WardError, MeasureError, ValueError) as error:
            return pages.page("message.html", 422, person=person, message=str(error), back=f"/films/{film.id}")
        self._ward.people.note(person.name, marks.decision.value, film.id)
        if self._ward.back is not None:
            self._ward.back.schedule(film.id, number)
        return RedirectResponse(f"/films/{film.id}", 303)

    # For auditors and engineers

    def access(self, request: Request) -> Response:
        """Who saw or changed what."""
        person = self._signed_in(request)
        _need(person, Role.AUDITOR)
        lines = self._ward.people.accesses(request.query_params.get("film"))
        return pages.page("access.html", person=person, lines=lines)

    def service(self, request: Request) -> Response:
        """How the service does; no film."""
        person = self._signed_in(request)
        _need(person, Role.ENGINEER)
        due = [] if self._ward.back is None else self._ward.back.outstanding()
        counts = self._ward.register.counts()
        return pages.page("service.html", person=person, settings=self._ward.settings, counts=counts, due=due)

    # What many need

    def _signed_in(self, request: Request) -> Person:
        person = self._ward.gate.person(request)
        if person is None:
            raise HTTPException(401, "Sign in first.")
        return person

    def _reader(self, request: Request) -> Person:
        person = self._signed_in(request)
        _need(person, Role.READER)
        return person

    def _found(self, request: Request) -> Listed:
        film = self._ward.register.film(request.path_params["film"])
        if film is None:
            raise HTTPException(404, "There is no such film.")
        return film

    def _looking(self, request: Request, what: str) -> tuple[Person, Listed]:
        person, film = self._reader(request), self._found(request)
        self._ward.people.note(person.name, what, film.id)
        return person, film

    def refused(self, request: Request, error: Exception) -> Response:
        """Errors as a page for people, as words for programs."""
        assert isinstance(error, HTTPException)
        if request.url.path.startswith(("/api", "/dicomweb", "/metrics")) or request.method == "POST":
            return JSONResponse({"error": error.detail}, error.status_code, error.headers)
        if error.status_code == 401:
            return RedirectResponse("/sign-in", 303)
        person = self._ward.gate.person(request)
        return pages.page("message.html", error.status_code, person=person, message=error.detail, back="/")

    def not_possible(self, request: Request, error: Exception) -> Response:
        """What the service cannot do now."""
        return pages.page("message.html", 503, person=None, message=str(error), back="/")


def _need(person: Person, role: Role) -> None:
    if role not in person.roles:
        raise HTTPException(403, f"This is for who is {role.value} here.")


def _plain(film: Listed) -> dict[str, Any]:
    answer = {} if film.answer is None else film.answer.answer
    return {
        "film": film.id,
        "received": film.received.isoformat(),
        "status": film.status.value,
        "reason": film.reason,
        "reader": None if film.answer is None else film.answer.reader,
        "verdict": answer.get("verdict"),
        "adjustment": answer.get("adjustment"),
        "distance": answer.get("distance"),
    }


async def _body(request: Request, most: int) -> bytes:
    held = bytearray()
    async for chunk in request.stream():
        held += chunk
        if len(held) > most:
            raise HTTPException(413, f"More than {most} bytes were sent.")
    return bytes(held)


async def _form(request: Request) -> dict[str, str]:
    body = await _body(request, MOST_FORM_BYTES)
    return {name: values[-1] for name, values in parse_qs(body.decode("utf-8", "replace")).items()}


async def _json(request: Request) -> dict[str, Any]:
    try:
        plain = json.loads(await _body(request, MOST_FORM_BYTES))
    except ValueError as error:
        raise HTTPException(400, "JSON expected.") from error
    if not isinstance(plain, dict):
        raise HTTPException(400, "A JSON object expected.")
    return plain
