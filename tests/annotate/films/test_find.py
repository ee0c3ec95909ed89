"""What in a folder is a film, and that the rest is told."""

import os

from annotate.films.find import find_films


def test_what_is_no_film_is_counted_and_named(tmp_path, caplog):
    (tmp_path / "film.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / ".hidden").write_bytes(b"notes")
    for number in range(12):
        (tmp_path / f"notes {number:02d}.txt").write_bytes(b"notes")
    assert [path.name for path in find_films([str(tmp_path)])] == ["film.png"]
    assert "12 files are no films and were left out: notes 00.txt, notes 01.txt" in caplog.text
    assert "and 2 more" in caplog.text


def test_what_cannot_be_opened_or_is_no_file_is_answered(tmp_path, caplog):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "gone.dcm").symlink_to(tmp_path / "nowhere")
    with (tmp_path / "huge.dcm").open("wb") as file:
        file.truncate(2_000_000_000)
    assert [path.name for path in find_films([str(tmp_path)])] == ["gone.dcm", "huge.dcm", "pipe"]
    assert caplog.text == ""
