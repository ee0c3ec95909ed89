"""Names and texts from files cannot steer a terminal, nor stop the command."""

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.words.printable import PrintableStream, name_of, printable

LIPMARK = [sys.executable, "-c", "import sys; from annotate.command_line import main; sys.exit(main())"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain ä 3 cm", "plain ä 3 cm"),
        ("two\nlines\tand", "two\nlines\tand"),
        ("\x1b[2J\x1b[Hwithin range", "\\x1b[2J\\x1b[Hwithin range"),
        ("a\rb", "a\\rb"),
        ("\x9b2J", "\\x9b2J"),
        ("turned \u202e round", "turned \\u202e round"),
        ("half \udcff", "half \\udcff"),
    ],
)
def test_what_is_not_printable_is_escaped(text, shown):
    assert printable(text) == shown


@given(st.text())
def test_all_that_is_shown_is_printable(text):
    shown = printable(text)
    assert all(letter.isprintable() or letter in "\n\t" for letter in shown)
    shown.encode()


def test_only_our_own_style_passes_to_the_terminal():
    stream = io.StringIO()
    print("\x1b[1mTOO LOW\x1b[0m \x1b[31m", file=PrintableStream(stream))
    assert stream.getvalue() == "\x1b[1mTOO LOW\x1b[0m \\x1b[31m\n"


def test_name_that_is_no_utf8_is_text_all_the_same():
    name = name_of(Path(os.fsdecode(b"bett\xff\xe4.dcm")))
    assert name == "bett\\xff\\xe4.dcm"
    json.dumps(name).encode()


def run(*words, **more):
    return subprocess.run([*LIPMARK, *words], capture_output=True, timeout=60, check=False, **more)


def test_films_of_any_name_are_answered(tmp_path):
    names = [b"bett\xff.dcm", b"\x1b[2Jwithin range.dcm", b"two\nlines.dcm"]
    paths = [os.fsdecode(os.fsencode(tmp_path) + b"/" + name) for name in names]
    for path in paths:
        Path(path).write_bytes(b"no film")
    for form in ("--jsonl", "--json"):
        done = run("read", form, *paths)
        assert b"Traceback" not in done.stderr
        assert b"\x1b" not in done.stdout + done.stderr
        told = done.stdout.decode("utf-8")
        films = [json.loads(line) for line in told.splitlines()] if form == "--jsonl" else json.loads(told)
        assert len(films) == 3
        for film in films:
            film["film"].encode()
    done = run("read", *paths)
    assert b"\x1b" not in done.stdout + done.stderr
    done = run("read", os.fsdecode(b"\x1b[2J-not-there*"))
    assert b"\x1b" not in done.stdout + done.stderr


def test_closed_pipe_ends_it_without_words(tmp_path):
    film = tmp_path / "no.dcm"
    film.write_bytes(b"no film")
    process = subprocess.Popen(
        [*LIPMARK, "read", "--jsonl", *[film] * 5], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    process.stdout.close()
    assert process.stderr.read() == b""
    assert process.wait(timeout=30) == 141


def test_interrupted_it_ends_soon_and_without_traceback(tmp_path):
    for number in range(6):
        (tmp_path / f"{number}.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    endless = [*LIPMARK, "read", "--jsonl", *[tmp_path / f"{number}.png" for number in range(6)] * 3000]
    process = subprocess.Popen(endless, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)
    process.stdout.readline()
    start = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert time.monotonic() - start < 5
    assert process.returncode == 130
    assert err == b"lipmark: stopped.\n"
    assert out.count(b"\n") < 18000
