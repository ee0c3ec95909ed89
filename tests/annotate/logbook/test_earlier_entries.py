"""Entries of schema 1.0, written by the rule before this one, stay readable and are shown as what they were."""

import json
from datetime import datetime
from pathlib import Path

import pytest
from sqlalchemy import insert

from annotate.logbook.database import Database, logbook_url
from annotate.logbook.entry import Entry, Kind
from annotate.logbook.export import row_of
from annotate.logbook.rebuild import case_of_entry
from annotate.logbook.schema import EntryRow
from annotate.logbook.store import Logbook
from annotate.logbook.trend import film_in, films_of, trend
from annotate.logbook.verification import row_from_entry
from annotate.logbook.words import entry_in_words, list_line, trend_table
from measure.assess import assess

STORED = json.loads(Path(__file__).with_name("entries_schema_1.json").read_text(encoding="utf-8"))
"""As `Entry.plain` gave them: an open limit with an unknown neck, and a tube that surely lay too low."""


@pytest.fixture
def entries():
    known = [
        plain | {"kind": Kind(plain["kind"]), "time": datetime.fromisoformat(plain["time"])} for plain in STORED
    ]
    return [Entry(**each) for each in known]


@pytest.fixture
def logbook(tmp_path, entries):
    url = str(tmp_path / "old.sqlite")
    database = Database(logbook_url(url))
    with database.writing() as connection:
        for entry in entries:
            connection.execute(insert(EntryRow).values(row_from_entry(entry)))
    database.close()
    with Logbook.open(url) as opened:
        yield opened


def test_the_chain_is_whole(logbook):
    assert logbook.verify().sound


def test_the_list_shows_the_action_and_by_which_rule(entries):
    open_limit, too_low = map(list_line, entries)
    assert "near a limit" in open_limit
    assert " - " in open_limit
    assert "withdraw 3.5 cm " in too_low
    assert "  1.0   AB" in open_limit
    assert "  1.0   AB" in too_low


def test_one_entry_is_shown_as_what_it_was(entries):
    shown = entry_in_words(entries[1], None)
    assert "withdraw 3.5 cm" in shown
    assert "schema 1.0: judged by the earlier rule" in shown
    assert "chances" not in shown


def test_the_trend_compares_heights_and_inputs_by_todays_rule(logbook, entries):
    points = trend(films_of(logbook, entries[0].patient))
    assert [point.height_on_film_cm.value for point in points] == [4.8, 1.2]
    change = points[1].change
    assert change is not None
    assert change.change_cm.value == pytest.approx(-3.6, abs=0.1)
    assert 0.5 < change.probability_moved < 1.0
    assert "moved 1 cm" in trend_table(points)


def test_the_export_has_todays_columns_and_leaves_out_what_was_not_known(entries):
    row = row_of(entries[1])
    assert (row["action"], row["move_cm"], row["to_mark_cm"], row["schema_version"]) == (
        "withdraw",
        -3.5,
        20.5,
        "1.0",
    )
    assert (row["urgency"], row["chance_near_carina"], row["no_action_because"]) == (None, None, None)
    assert row["chance_too_low"] == STORED[1]["reading"]["probabilities"]["too_low"]


def test_the_film_is_measured_again_by_todays_rule(entries):
    reading = assess(case_of_entry(entries[1]))
    assert reading.distance is not None
    assert reading.distance.on_film.value == pytest.approx(1.2)
    assert reading.adjustment is not None
    assert film_in(entries[1]).lip_mark_cm == 24.0
