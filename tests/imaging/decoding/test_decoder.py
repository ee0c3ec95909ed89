"""The process that decodes: its walls, its death, and that it outlives no one."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from imaging.decoding.decoder import DECODER, USUAL_PIXEL_COUNT, DamagedPictureError, Decoder
from imaging.errors import FilmRefusedError, FilmUnreadableError

RASTER = {"kind": "raster"}


def png(rows=8, columns=8):
    buffer = io.BytesIO()
    Image.new("L", (columns, rows), 7).save(buffer, "PNG")
    return buffer.getvalue()


@pytest.fixture
def decoder():
    started = []

    def start(**walls):
        started.append(Decoder(**walls))
        return started[-1]

    yield start
    for one in started:
        one.close()


def interrupted(_stream):
    raise KeyboardInterrupt


def process_of(decoder):
    return decoder._process.pid


def test_one_process_serves_many_pictures(decoder):
    walled = decoder()
    told, (plane,) = walled.ask(RASTER, png())
    first = process_of(walled)
    assert (told["shape"], bytes(plane)) == ([8, 8], b"\7" * 64)
    with pytest.raises(DamagedPictureError):
        walled.ask(RASTER, png()[:30])
    assert walled.ask(RASTER, png())[0]["shape"] == [8, 8]
    assert process_of(walled) == first


def test_what_takes_too_long_is_given_up_and_its_process_replaced(decoder):
    walled = decoder(deadline_s=0.02)  # This picture takes 0.25 s on a fast machine.
    start = time.monotonic()
    with pytest.raises(FilmUnreadableError, match=r"not decoded within 0\.02 s"):
        walled.ask(RASTER, png(8000, 9900))
    assert time.monotonic() - start < 5
    ample = {**RASTER, "pixels": 10 * USUAL_PIXEL_COUNT}
    assert walled.ask(ample, png())[0]["shape"] == [8, 8]


def test_what_needs_too_much_memory_is_given_up(decoder):
    walled = decoder(memory_bytes=120_000_000)
    with pytest.raises(FilmUnreadableError, match="needs more than 120 MB"):
        walled.ask(RASTER, png(8000, 9900))
    assert walled.ask(RASTER, png())[0]["shape"] == [8, 8]


def test_picture_too_large_for_a_film_is_refused(decoder):
    with pytest.raises(FilmRefusedError, match="pixels were found"):
        decoder().ask(RASTER, png(9000, 9000))


def test_process_that_died_meanwhile_is_replaced(decoder):
    walled = decoder()
    walled.ask(RASTER, png())
    os.kill(process_of(walled), signal.SIGKILL)
    assert walled.ask(RASTER, png())[0]["shape"] == [8, 8]


def test_process_stopped_in_mid_job_is_a_damaged_picture(decoder):
    walled = decoder()
    walled.start()
    os.kill(process_of(walled), signal.SIGTERM)
    time.sleep(0.1)
    walled._process.poll = lambda: None  # It is not yet known to be gone.
    with pytest.raises(DamagedPictureError):
        walled.ask(RASTER, png())


def test_answer_after_an_interruption_is_never_another_films(decoder, monkeypatch):
    walled = decoder()
    walled.ask(RASTER, png())
    monkeypatch.setattr(
        "imaging.decoding.decoder.receive", lambda _stream: (_ for _ in ()).throw(KeyboardInterrupt)
    )
    with pytest.raises(KeyboardInterrupt):
        walled.ask(RASTER, png(20, 20))
    monkeypatch.undo()
    assert walled.ask(RASTER, png())[0]["shape"] == [8, 8]


@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="no /proc here")
def test_process_inherits_no_secret(decoder, monkeypatch):
    monkeypatch.setenv("LIPMARK_PSEUDONYM_KEY", "secret")
    walled = decoder()
    walled.ask(RASTER, png())
    assert b"secret" not in Path(f"/proc/{process_of(walled)}/environ").read_bytes()
    limits = Path(f"/proc/{process_of(walled)}/limits").read_text()
    assert "Max core file size        0 " in limits
    assert "Max file size             0 " in limits


STARTS_AND_DIES = """
import os, signal, sys, time
from imaging.decoding.decoder import DECODER
DECODER.start()
print(DECODER._process.pid, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_process_ends_with_the_one_that_asked():
    done = subprocess.run([sys.executable, "-c", STARTS_AND_DIES], stdout=subprocess.PIPE, timeout=30, check=False)
    pid = int(done.stdout)
    for _ in range(100):
        if not is_running(pid):
            return
        time.sleep(0.05)
    raise AssertionError("it still runs")


def is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_copy_of_this_process_has_a_decoder_of_its_own():
    DECODER.ask(RASTER, png())
    here = process_of(DECODER)
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        DECODER.ask(RASTER, png())
        os.write(writer, str(process_of(DECODER)).encode())
        DECODER.close()
        os._exit(0)
    os.waitpid(child, 0)
    assert int(os.read(reader, 20)) != here
    assert DECODER.ask(RASTER, png())[0]["shape"] == [8, 8]


def test_shape_survives_the_wire(decoder):
    noise = np.random.default_rng(1).integers(0, 256, (31, 17)).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).save(buffer, "PNG")
    told, (plane,) = decoder().ask(RASTER, buffer.getvalue())
    np.testing.assert_array_equal(np.frombuffer(plane, np.uint8).reshape(told["shape"]), noise)
