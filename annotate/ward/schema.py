"""The ward's tables as SQLAlchemy sees them; migrations/ makes them."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import Float, ForeignKey, Index, Integer, LargeBinary, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from annotate.logbook.schema import Number, UtcTime

VERSION = "0001"
"""The newest revision in migrations/versions."""

VERSION_TABLE = "ward_schema_version"


class Status(StrEnum):
    """Where a film stands."""

    QUEUED = "queued"
    BEING_READ = "being read"
    PROPOSED = "proposed"
    CONFIRMED = "confirmed"
    SET_ASIDE = "set aside"


class Decision(StrEnum):
    """How a reading came about."""

    PROPOSED = "proposed"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"
    NO_TUBE = "no tube"
    NO_CARINA = "carina cannot be seen"


class Base(DeclarativeBase):
    """What the tables share."""


class FilmRow(Base):
    """One film; what names a patient is encrypted, and empty once the pixels are gone."""

    __tablename__ = "film"
    __table_args__ = (
        Index("film_received", "received"),
        Index("film_status", "status", "received"),
        Index("film_patient", "patient", "received"),
    )

    id: Mapped[str] = mapped_column(String(16), primary_key=True)
    object_key: Mapped[str] = mapped_column(String(64), unique=True)
    """Keyed hash of the SOP Instance UID: a film that comes twice is one."""
    received: Mapped[datetime] = mapped_column(UtcTime)
    source: Mapped[str] = mapped_column(String(64))
    status: Mapped[str] = mapped_column(String(16))
    reason: Mapped[str] = mapped_column(Text, default="")
    holder: Mapped[str | None] = mapped_column(String(36))
    """Which service is reading it, until `held_until`."""
    held_until: Mapped[datetime | None] = mapped_column(UtcTime)
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    answered: Mapped[datetime | None] = mapped_column(UtcTime)
    identifiers: Mapped[bytes | None] = mapped_column(LargeBinary)
    patient: Mapped[str | None] = mapped_column(String(64))
    fingerprint: Mapped[str] = mapped_column(String(64), default="")
    rank: Mapped[int] = mapped_column(Integer, default=9)
    rank_within: Mapped[float] = mapped_column(Float, default=0.0)
    reading: Mapped[int | None] = mapped_column(Number)
    """The reading that holds; None before the first."""
    pixels_gone: Mapped[datetime | None] = mapped_column(UtcTime)


class ReadingRow(Base):
    """One answer to a film; readings are only added."""

    __tablename__ = "reading"
    __table_args__ = (Index("reading_film", "film", "number"),)

    number: Mapped[int] = mapped_column(Number, primary_key=True, autoincrement=True)
    film: Mapped[str] = mapped_column(String(16), ForeignKey("film.id"))
    time: Mapped[datetime] = mapped_column(UtcTime)
    reader: Mapped[str] = mapped_column(String(100))
    decision: Mapped[str] = mapped_column(String(24))
    answer: Mapped[str] = mapped_column(Text)
    """`Reading.to_dict()` as JSON."""
    summary: Mapped[str] = mapped_column(Text)
    """The part of it that lists show."""
    headline: Mapped[str] = mapped_column(Text)
    place: Mapped[str] = mapped_column(Text)
    screen: Mapped[str] = mapped_column(Text)


class DeliveryRow(Base):
    """One object on its way to the archive."""

    __tablename__ = "delivery"
    __table_args__ = (Index("delivery_due", "done", "due"),)

    number: Mapped[int] = mapped_column(Number, primary_key=True, autoincrement=True)
    film: Mapped[str] = mapped_column(String(16), ForeignKey("film.id"))
    reading: Mapped[int] = mapped_column(Number, ForeignKey("reading.number"))
    kind: Mapped[str] = mapped_column(String(24))
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    due: Mapped[datetime] = mapped_column(UtcTime)
    done: Mapped[datetime | None] = mapped_column(UtcTime)
    trouble: Mapped[str] = mapped_column(Text, default="")


class AccountRow(Base):
    """Who may sign in."""

    __tablename__ = "account"

    name: Mapped[str] = mapped_column(String(100), primary_key=True)
    role: Mapped[str] = mapped_column(String(16))
    password: Mapped[str] = mapped_column(String(200))
    """Argon2 hash; empty where the hospital's proxy signs in."""
    made: Mapped[datetime] = mapped_column(UtcTime)


class SessionRow(Base):
    """Somebody signed in; the cookie itself is not kept, only its hash."""

    __tablename__ = "session"

    cookie: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(String(100))
    roles: Mapped[str] = mapped_column(String(64))
    form_token: Mapped[str] = mapped_column(String(64))
    ends: Mapped[datetime] = mapped_column(UtcTime)


class AccessRow(Base):
    """Who saw or changed what; only added."""

    __tablename__ = "access"
    __table_args__ = (Index("access_film", "film", "time"),)

    number: Mapped[int] = mapped_column(Number, primary_key=True, autoincrement=True)
    time: Mapped[datetime] = mapped_column(UtcTime)
    name: Mapped[str] = mapped_column(String(100))
    what: Mapped[str] = mapped_column(String(40))
    film: Mapped[str | None] = mapped_column(String(16))
