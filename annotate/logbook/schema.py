"""The tables as SQLAlchemy sees them; migrations/ makes them, triggers included."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import BigInteger, DateTime, Dialect, FetchedValue, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator


class UtcTime(TypeDecorator[datetime]):
    """A time in UTC to the microsecond: timestamptz in PostgreSQL, ISO text without zone in SQLite."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


Number = BigInteger().with_variant(Integer, "sqlite")
"""SQLite has its row number as key only where the column is called INTEGER."""


class Base(DeclarativeBase):
    """What the tables share."""


class LogbookRow(Base):
    """The logbook itself: one row."""

    __tablename__ = "logbook"

    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    made: Mapped[datetime] = mapped_column(UtcTime)


class EntryRow(Base):
    """One entry; JSON values are canonical text, so that the hash is over what is stored."""

    __tablename__ = "entry"
    __table_args__ = (
        Index("entry_patient", "patient", "number"),
        Index("entry_film", "film", "number"),
        Index("entry_time", "time"),
    )

    number: Mapped[int] = mapped_column(Number, primary_key=True, autoincrement=False)
    time: Mapped[datetime] = mapped_column(UtcTime)
    kind: Mapped[str] = mapped_column(String(16))
    film: Mapped[str] = mapped_column(String(64))
    patient: Mapped[str | None] = mapped_column(String(64))
    reader: Mapped[str] = mapped_column(String(100))
    inputs: Mapped[str] = mapped_column(Text)
    landmarks: Mapped[str] = mapped_column(Text)
    reading: Mapped[str] = mapped_column(Text)
    supersedes: Mapped[int | None] = mapped_column(Number, ForeignKey("entry.number"), unique=True)
    software: Mapped[str] = mapped_column(String(64))
    weights: Mapped[str] = mapped_column(String(64))
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64), unique=True)
    verdict: Mapped[str | None] = mapped_column(Text, server_default=FetchedValue())
    """Read out of `reading` by the database itself, so that it cannot say something else."""
