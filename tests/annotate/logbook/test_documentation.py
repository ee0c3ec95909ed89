"""What docs/logbook.md shows must run."""

import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[3] / "docs" / "logbook.md").read_text(encoding="utf-8")
QUERIES = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)
POSTGRESQL = "(reading::json #>> '{distance,on_film_cm}')::float"


@pytest.fixture
def answers(logbook, draft):
    logbook.save(draft(1))
    logbook.save(draft(1, reader="CD", reading={"verdict": "too high", "distance": {"on_film_cm": 8.0}}))
    logbook.save(draft(1, supersedes=1, reading={"verdict": "within range", "distance": {"on_film_cm": 4.5}}))

    def ask(number):
        with logbook._database.reading() as connection:
            query = QUERIES[number]
            if connection.dialect.name == "postgresql":
                assert POSTGRESQL in PAGE
                query = query.replace("json_extract(reading, '$.distance.on_film_cm')", POSTGRESQL)
            return [tuple(row) for row in connection.exec_driver_sql(query)]

    return ask


def test_how_often_each_verdict_was_given(answers):
    assert sorted(answers(0)) == [("too high", 1), ("within range", 1)]


def test_each_readers_mean(answers):
    assert sorted(answers(1)) == [("AB", 2, 3.0), ("CD", 1, 8.0)]


def test_films_by_two_readers(answers):
    assert sorted(row[1:] for row in answers(2)) == [
        ("AB", "too low", "CD", "too high"),
        ("AB", "within range", "CD", "too high"),
    ]
