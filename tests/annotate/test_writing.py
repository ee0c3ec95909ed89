"""Files are written whole or not at all, never onto an input, for their owner alone."""

import os
import stat

import pytest

from annotate.writing import OutputError, text_in, whole_file, write_text


def test_file_is_its_owners_and_whole(tmp_path):
    path = tmp_path / "new folder" / "report.html"
    with whole_file(path) as file:
        file.write(b"half ")
        assert not path.exists()
        file.write(b"whole")
    assert path.read_bytes() == b"half whole"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [item.name for item in path.parent.iterdir()] == ["report.html"]


def test_existing_file_is_replaced_only_where_asked(tmp_path):
    path = tmp_path / "report.html"
    write_text(path, "first")
    with pytest.raises(OutputError, match=r"there is such a file already; .*--overwrite"):
        write_text(path, "second")
    assert path.read_text() == "first"
    write_text(path, "third", overwrite=True)
    assert path.read_text() == "third"


def test_file_that_appears_meanwhile_is_not_replaced(tmp_path):
    path = tmp_path / "report.html"

    def overtaken():
        with whole_file(path) as file:
            file.write(b"ours")
            path.write_bytes(b"another's")

    with pytest.raises(OutputError, match="already"):
        overtaken()
    assert path.read_bytes() == b"another's"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("kind", ["itself", "hard link", "another way"])
def test_input_is_never_written_onto(kind, overwrite, tmp_path):
    film = tmp_path / "film.dcm"
    film.write_bytes(b"film")
    path = film
    if kind == "hard link":
        path = tmp_path / "picture.png"
        os.link(film, path)
    elif kind == "another way":
        (tmp_path / "way").symlink_to(tmp_path)
        path = tmp_path / "way" / "film.dcm"
    with pytest.raises(OutputError, match="never written onto"):
        write_text(path, "picture", overwrite=overwrite, inputs=[tmp_path / "other", film])
    assert film.read_bytes() == b"film"


@pytest.mark.parametrize("kind", ["link", "dangling link", "folder", "pipe"])
def test_what_is_no_file_is_left_alone(kind, tmp_path):
    film, path = tmp_path / "film.dcm", tmp_path / "out"
    film.write_bytes(b"film")
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(film if kind == "link" else tmp_path / "not there")
    with pytest.raises(OutputError, match="link, pipe or device"):
        write_text(path, "picture", overwrite=True)
    assert film.read_bytes() == b"film"
    assert not (tmp_path / "not there").exists()


def test_failure_leaves_what_was_there(tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    write_text(path, "before")

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_text(path, "after", overwrite=True)
    assert path.read_text() == "before"
    assert len(list(tmp_path.iterdir())) == 1


def test_interruption_leaves_what_was_there(tmp_path):
    path = tmp_path / "report.html"

    def interrupted():
        with whole_file(path) as file, text_in(file) as lines:
            lines.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []


def test_text_within_is_utf8_as_it_is(tmp_path):
    path = tmp_path / "films.csv"
    with whole_file(path) as file, text_in(file) as lines:
        lines.write("ä\r\nb\n")
    assert path.read_bytes() == b"\xc3\xa4\r\nb\n"
