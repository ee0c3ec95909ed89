"""What the commands ask of the network, seen from outside by strace: nothing beyond this machine."""

import os
import re
import runpy
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

SCREEN = runpy.run_path(str(Path(__file__).parents[1] / "setup" / "virtual_screen.py"))

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")

ADDRESS = re.compile(r'sin6?_port=htons\((\d+)\).*?(?:inet_addr\("([^"]+)"\)|AF_INET6, "([^"]+)")')
LIPMARK = [sys.executable, "-c", "import sys; from annotate.command_line import main; sys.exit(main())"]
STRACE = ["strace", "-f", "-qq"]
SECONDS_OF_A_WINDOW = 25.0


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    words = ["synthesise", "2", "--out", str(folder), "--difficulty", "0.1", "--workers", "1"]
    subprocess.run([*LIPMARK, *words], check=True, capture_output=True)
    return folder


@pytest.fixture
def traced(tmp_path):
    """Runs lipmark under strace in a home of its own; gives the addresses asked for and the home."""
    home = tmp_path / "home"
    home.mkdir()
    log = tmp_path / "trace"
    traced_calls = [*STRACE, "--seccomp-bpf", "-e", "trace=connect,sendto,sendmsg,sendmmsg", "-o", log]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")}
    kept.pop("ORT_DISABLE_TELEMETRY", None)

    def run(*words, stop_after_s=None, **more):
        command = [*traced_calls, *LIPMARK, *map(str, words)]
        process = subprocess.Popen(
            command,
            env={**kept, "HOME": str(home), **more},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        if stop_after_s is None:
            answer, error = process.communicate(timeout=300)
            assert process.returncode == 0, error.decode()
            assert answer
        else:
            time.sleep(stop_after_s)
            assert process.poll() is None, process.stderr.read().decode()
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate(timeout=30)
        return addresses(log.read_text(errors="replace")), home

    return run


def addresses(trace):
    found = (ADDRESS.search(line) for line in trace.splitlines() if "AF_INET" in line)
    return {match.group(2) or match.group(3) for match in found if match}


def beyond_this_machine(found):
    return {address for address in found if not address.startswith("127.") and address != "::1"}


def test_the_trace_sees_a_call_to_a_name_server(tmp_path):
    log = tmp_path / "trace"
    ask = "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).connect(('192.0.2.1', 53))"
    subprocess.run([*STRACE, "-e", "trace=connect", "-o", log, sys.executable, "-c", ask], check=True)
    assert beyond_this_machine(addresses(log.read_text())) == {"192.0.2.1"}


def test_read_with_proposals_asks_no_one_and_leaves_no_trace(films, traced):
    found, home = traced("read", *sorted(films.glob("*.dcm")), "--json")
    assert not found
    assert not list(home.rglob("*"))


def test_read_with_workers_asks_no_one(films, traced):
    film = next(films.glob("*.dcm"))
    found, home = traced("read", *[film] * 6, "--jsonl", "--workers", "2")
    assert not found
    assert not list(home.rglob("*"))


def test_synthesise_asks_no_one(traced, tmp_path):
    found, _ = traced("synthesise", "2", "--out", tmp_path / "out", "--workers", "2", "--size", "512")
    assert not found


def test_audit_asks_no_one_beyond_this_machine(films, traced, tmp_path):
    found, _ = traced("audit", "run", films, "--out", tmp_path / "out", "--workers", "2")
    assert not beyond_this_machine(found)
    found, _ = traced("audit", "report", tmp_path / "out", "--out", tmp_path / "report")
    assert not found


def test_place_asks_no_one(films, traced):
    with SCREEN["virtual_screen"]() as display:
        found, home = traced("place", films, DISPLAY=display, stop_after_s=SECONDS_OF_A_WINDOW)
    assert not found
    assert not [path for path in home.rglob("*") if "Microsoft" in path.parts]
