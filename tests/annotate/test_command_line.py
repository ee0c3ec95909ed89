import os
import subprocess
import sys

import pytest

from annotate.command_line import COMMANDS, GROUPS
from annotate.logbook.store import Logbook

HEAVY = (
    *("scipy", "skimage", "cv2", "matplotlib", "pandas", "sqlalchemy", "onnxruntime", "duckdb", "qtpy"),
    "multiprocessing",
)


@pytest.mark.parametrize("command", [(), *(tuple(name.split()) for name in (*COMMANDS, *GROUPS))])
def test_help_teaches(lipmark, command):
    status, out, _ = lipmark(*command, "--help")
    assert status == 0
    assert "lipmark" in out
    assert "example" in out or "start with" in out


def test_no_command_is_wrong_usage(lipmark):
    status, _, err = lipmark()
    assert status == 2
    assert "COMMAND" in err


def test_a_command_whose_libraries_are_missing_says_what_to_install(lipmark, monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    status, _, err = lipmark("audit", "report", tmp_path)
    assert status == 2
    assert err == "lipmark audit report: fsspec.core found missing; pip install 'lipmark[audit]' brings it.\n"


def test_verbose_stands_before_the_command_or_after_it(lipmark, tmp_path):
    for words in (("--verbose", "read", tmp_path / "no.dcm"), ("read", tmp_path / "no.dcm", "--verbose")):
        assert lipmark(*words)[0] == 1


def test_version_is_the_distributions(lipmark):
    from importlib.metadata import version

    _, out, _ = lipmark("--version")
    assert version("lipmark") in out


def loaded_by(code):
    """Which heavy libraries a new process has loaded after some code."""
    shown = f"{code}\nimport sys\nprint(*[m for m in {HEAVY} if m in sys.modules])"
    return (
        subprocess.run([sys.executable, "-c", shown], check=True, capture_output=True, text=True)
        .stdout.splitlines()[-1]
        .split()
    )


def test_help_loads_no_heavy_library():
    words = 'try:\n main(["--help"])\nexcept SystemExit:\n pass'
    assert loaded_by(f"from annotate.command_line import main\n{words}") == []


def test_reading_given_points_loads_no_heavy_library(dicom_film):
    words = ["read", str(dicom_film()), "--tip", "675,600", "--carina", "900,600"]
    assert loaded_by(f"from annotate.command_line import main\nmain({words})") == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="threads are counted as Linux tells them")
@pytest.mark.parametrize(("asked", "threads"), [(None, 1), ("2", 2)])
def test_reading_starts_no_threads_for_linear_algebra_unless_asked(dicom_film, monkeypatch, asked, threads):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    if asked:
        monkeypatch.setenv("OPENBLAS_NUM_THREADS", asked)
    words = ["read", str(dicom_film()), "--tip", "675,600", "--carina", "900,600"]
    read = f"from annotate.command_line import main\nmain({words})\n"
    code = f"{read}import os\nprint(len(os.listdir('/proc/self/task')))"
    told = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert int(told.splitlines()[-1]) == min(threads, os.cpu_count() or 1)


LARGE = (
    *("numpy", "scipy", "sqlalchemy", "pydicom", "onnxruntime", "cv2", "skimage", "PIL", "pandas", "pyarrow"),
    *("duckdb", "qtpy"),
)
NEEDED_BY = {
    "--help": (),
    "--version": (),
    "log list": (),
    "log verify": ("sqlalchemy",),
    "formulas --age 58 --height 163": (),
}


@pytest.mark.parametrize("words", NEEDED_BY)
def test_a_command_loads_no_large_library_that_it_does_not_need(tmp_path, monkeypatch, words):
    """What a new process imports is most of the time that a short command takes."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv("LIPMARK_LOGBOOK", raising=False)
    with Logbook.open():
        pass
    asked = (
        "import sys\nfrom annotate.command_line import main\n"
        f"try:\n status = main({words.split()})\nexcept SystemExit as end:\n status = end.code or 0\n"
        f"print()\nprint(status, *[name for name in {LARGE} if name in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", asked], check=True, capture_output=True, text=True).stdout
    assert told.splitlines()[-1].split() == ["0", *NEEDED_BY[words]]
