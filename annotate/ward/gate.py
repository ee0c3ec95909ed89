"""Who is asking: a cookie, the hospital's proxy, or a bearer token."""

from __future__ import annotations

import hmac
import secrets
import threading
from urllib.parse import urlsplit

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.exceptions import HTTPException
from starlette.requests import Request

from annotate.ward.people import People, Person, Role
from annotate.ward.settings import Settings

COOKIE = "lipmark_ward"
FORM_TOKEN_HEADER = "x-form-token"

SIGN_INS = RateLimitItemPerMinute(10)
"""Attempts from one address (ours): enough for typing errors, too few for guessing."""

CHANGES = RateLimitItemPerMinute(3000)
"""Requests that measure or change, of one person (ours): a drag asks some thirty times a second."""

EVERY_ROLE = frozenset(Role)


class Gate:
    """Lets people and programs in.

    Parameters
    ----------
    people : People
        Accounts and sessions.
    settings : Settings
        Token, proxy.
    owner : str
        Name of who uses the token's address.
    """

    def __init__(self, people: People, settings: Settings, owner: str) -> None:
        self._people, self._settings, self._owner = people, settings, owner
        self.token = settings.token or secrets.token_urlsafe(24)
        self._once = not settings.token
        self._used = False
        self._lock = threading.Lock()
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def person(self, request: Request) -> Person | None:
        """Who is asking; None where nobody is signed in."""
        proxied = self._proxied(request)
        if proxied is not None:
            return proxied
        cookie = request.cookies.get(COOKIE)
        return None if cookie is None else self._people.signed_in(cookie)

    def _proxied(self, request: Request) -> Person | None:
        """Who the proxy says is asking; believed from its own addresses alone."""
        proxy = self._settings.proxy
        if proxy is None or _address(request) not in proxy.addresses:
            return None
        name = request.headers.get(proxy.header, "").strip()
        role = self._people.accounts().get(name)
        if not name or role is None:
            return None
        secret = hmac.new(self.token.encode(), name.encode(), "sha256").hexdigest()
        return Person(name, frozenset({role}), secret)

    def redeem(self, request: Request, token: str) -> str | None:
        """The cookie for who comes by the printed address; None where it does not hold (any more).

        It holds on loopback alone, and while nobody has an account.

        A random token holds once. One that was chosen with --token holds until the service stops.
        """
        self._limit(SIGN_INS, _address(request))
        if not self._settings.on_loopback or self._people.count() or not self._same(token):
            return None
        with self._lock:
            if self._once and self._used:
                return None
            self._used = True
        return self._people.sign_in(self._owner, EVERY_ROLE)

    def sign_in(self, request: Request, name: str, password: str) -> str | None:
        """The cookie for who gives name and password; None where they do not fit."""
        self._limit(SIGN_INS, _address(request))
        role = self._people.role_of(name, password)
        if role is None:
            self._people.note(name[:100], "sign-in refused")
            return None
        return self._people.sign_in(name, frozenset({role}))

    def program(self, request: Request) -> None:
        """Let a program with the bearer token pass.

        Raises
        ------
        HTTPException
            401 without it.
        """
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and self._same(token.strip()):
            return
        if token:
            self._limit(SIGN_INS, f"program {_address(request)}")
        raise HTTPException(401, "A bearer token is needed.", {"WWW-Authenticate": "Bearer"})

    def check_form(self, request: Request, person: Person, token: str) -> None:
        """Let a change pass that this person's own page asks for.

        Raises
        ------
        HTTPException
            403 where it comes from elsewhere, 429 where there are too many.
        """
        origin = request.headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
            raise HTTPException(403, "This came from another site.")
        if not hmac.compare_digest(token.encode(), person.form_token.encode()):
            raise HTTPException(403, "This page is older than your session; open it again.")
        self._limit(CHANGES, person.name)

    def _same(self, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self.token.encode())

    def _limit(self, limit: RateLimitItemPerMinute, who: str) -> None:
        if not self._limiter.hit(limit, who):
            raise HTTPException(429, "Too many attempts; wait a minute.", {"Retry-After": "60"})


def _address(request: Request) -> str:
    return "" if request.client is None else request.client.host
