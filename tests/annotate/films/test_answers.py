"""Films answered over several processes."""

import pytest

from annotate.films import answers
from annotate.films.answers import answer_all
from imaging.case import Request


@pytest.fixture
def films(tmp_path):
    made = [tmp_path / f"{number}.png" for number in range(2)]
    for path in made:
        path.write_bytes(b"\x89PNG\r\n\x1a\n")
    return made


def test_films_that_no_process_finished_are_answered_with_the_reason(films, monkeypatch):
    monkeypatch.setattr(answers, "WORTH_PROCESSES", 1)
    given = list(answer_all(films, Request(), None, 2, deadline_s=0.0))
    assert [item.reading.film for item in given] == [str(path) for path in films]
    for item in given:
        assert item.unread
        assert "took longer than 0 s; look at it by itself" in item.reading.error


def test_film_that_needs_too_much_memory_is_answered(films, monkeypatch):
    def too_much(*_):
        raise MemoryError

    monkeypatch.setattr(answers, "film_for", too_much)
    (given,) = answer_all(films[:1], Request(), None, 1)
    assert given.unread
    assert "needs more memory" in given.reading.error
