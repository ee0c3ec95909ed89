import subprocess
import sys

import pytest

from annotate.command_line import COMMANDS

HEAVY = ("scipy", "skimage", "cv2", "matplotlib", "pandas")


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)])
def test_help_teaches(lipmark, command):
    status, out, _ = lipmark(*command, "--help")
    assert status == 0
    assert "lipmark" in out
    assert "example" in out or "start with" in out


def test_no_command_is_wrong_usage(lipmark):
    status, _, err = lipmark()
    assert status == 2
    assert "COMMAND" in err


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
    assert loaded_by("from annotate.command_line import build_parser\nbuild_parser()") == []


def test_reading_given_points_loads_no_heavy_library(dicom_film):
    words = ["read", str(dicom_film()), "--tip", "675,600", "--carina", "900,600"]
    assert loaded_by(f"from annotate.command_line import main\nmain({words})") == []
