"""`lipmark audit run` from the outside: what it leaves behind, and what it refuses."""

import csv
import json
import stat
import subprocess
import sys

import fsspec
import pytest

from annotate.audit.dataset import COLUMNS


def hand_on(film, row=800, **more):
    return {"film": film.name, "tip_row": row, "tip_column": 600, "carina_row": 1000, "carina_column": 610} | more


def test_rows_say_what_lipmark_read_says(audit, reading, manifest, dicom_film, tmp_path, rows_in):
    """The audit is no second way to measure: every value is that of the Reading by the command for one film."""
    film = dicom_film()
    known = {"lip_mark_cm": 23, "neck": "neutral", "height_cm": 170, "tube_size_mm": 8, "time": "2026-03-01"}
    status, _, err = audit(manifest([hand_on(film, **known)]), "--out", tmp_path / "out", "--hand-only")
    assert status == 0, err
    (row,) = rows_in(tmp_path / "out")
    said = reading(
        *(film, "--tip", "800,600", "--carina", "1000,610", "--lip-mark", 23, "--neck", "neutral"),
        *("--height", 170, "--tube-size", 8),
    )
    assert row["verdict"] == said["verdict"]
    assert row["reasons"] == [said["reason"]]
    for name in ("on_film", "on_film_low", "on_film_high", "in_patient", "in_patient_low", "in_patient_high"):
        assert row[f"{name}_cm"] == pytest.approx(said["distance"][f"{name}_cm"], abs=1e-4)
    for name in ("tip", "carina"):
        for what in ("row", "column", "sd_px", "confidence"):
            assert row[f"{name}_{what}"] == pytest.approx(said[name][what], abs=1e-4)
    chances = said["probabilities"]
    assert row["chance_too_low"] == pytest.approx(chances["too_low"], abs=1e-4)
    assert row["chance_within_range"] == pytest.approx(chances["within_range"], abs=1e-4)
    assert (row["range_low_cm"], row["range_high_cm"], row["accepted_range"]) == (3.0, 7.0, "goodman")
    assert (row["age_years"], row["sex"], row["view"], row["age_group"]) == (60.0, "female", "AP", "adult")
    assert list(row) == list(COLUMNS)


def test_the_summary_names_what_is_no_film(audit, dicom_film, tmp_path):
    folder = dicom_film().parent
    (folder / "report.txt").write_text("words")
    status, out, err = audit(folder, "--out", tmp_path / "out")
    assert status == 0, err
    assert "1 entries, all could be read; 1 readings" in out
    assert "\n1 file is no film and was left out: report.txt.\n" in out


def test_move_is_positive_where_the_tube_goes_in(audit, manifest, tmp_path, marks, rows_in):
    rows = [marks(cm, neck="neutral") for cm in (1.0, 5.0, 10.0)]
    assert audit(manifest(rows), "--out", tmp_path / "out")[0] == 0
    low, right, high = rows_in(tmp_path / "out", "verdict, move_cm")
    assert low["verdict"] == "too low"
    assert low["move_cm"] < 0.0
    assert (right["verdict"], right["move_cm"]) == ("within range", 0.0)
    assert high["verdict"] == "too high"
    assert high["move_cm"] > 0.0


def test_marks_alone_are_measured_like_a_film_of_that_spacing(
    audit, reading, manifest, png_film, tmp_path, rows_in
):
    row = {"mm_per_pixel": 0.2, "tip_row": 800, "tip_column": 600, "carina_row": 1000, "carina_column": 610}
    assert audit(manifest([row]), "--out", tmp_path / "out")[0] == 0
    (found,) = rows_in(tmp_path / "out", "on_film_cm, on_film_low_cm, on_film_high_cm, in_patient_cm, verdict")
    said = reading(png_film, "--mm-per-pixel", 0.2, "--tip", "800,600", "--carina", "1000,610")
    for name in ("on_film_cm", "on_film_low_cm", "on_film_high_cm", "in_patient_cm"):
        # Without the film's rows nobody knows its centre, from which the foreshortening is measured.
        assert found[name] == pytest.approx(said["distance"][name], abs=0.02)
    assert found["verdict"] == said["verdict"]


def test_bad_film_is_counted_listed_and_not_fatal(audit, dicom_film, tmp_path, rows_in):
    ward, out, listed = tmp_path / "ward", tmp_path / "out", tmp_path / "bad.csv"
    ward.mkdir()
    whole = dicom_film().read_bytes()
    (ward / "Secret-a.dcm").write_bytes(whole[:3000])
    (ward / "Secret-b.dcm").write_bytes(whole)
    status, told, err = audit(ward, "--out", out, "--list-bad", listed)
    assert status == 0
    assert "2 entries, 1 could not be read" in told
    assert "bad film: Secret-a.dcm" in err
    with listed.open(encoding="utf-8") as file:
        (bad,) = csv.DictReader(file)
    assert (bad["entry"], bad["film"]) == ("1", "Secret-a.dcm")
    broken, read = rows_in(out)
    assert "cut short" in broken["error"]
    assert broken["verdict"] == "cannot say"
    assert read["error"] is None


def test_results_are_their_owners_alone(audit, manifest, marks, tmp_path):
    assert audit(manifest([marks()]), "--out", tmp_path / "out")[0] == 0
    modes = {
        file.name: stat.S_IMODE(file.stat().st_mode) for file in (tmp_path / "out").rglob("*") if file.is_file()
    }
    assert len(modes) > 1
    assert set(modes.values()) == {0o600}, modes


def test_results_hold_nobody(audit, manifest, dicom_film, tmp_path, rows_in, settings_in):
    """Neither name, number or dates of the header, nor a path or a reader's name."""
    film = dicom_film("Secret.dcm", PatientBirthDate="19660102", StudyDate="20260304", AccessionNumber="ACC-99")
    rows = [hand_on(film, reader="Secret Reader"), {"film": "Secret-not-there.dcm"}]
    assert audit(manifest(rows), "--out", tmp_path / "out")[0] == 0
    written = "".join(json.dumps(row, default=str) for row in rows_in(tmp_path / "out"))
    written += json.dumps(settings_in(tmp_path / "out"))
    for told in ("Secret", "4711", "19660102", "20260304", "ACC-99", str(tmp_path)):
        assert told not in written
    assert "cannot be opened" in written
    names = [file.name for file in (tmp_path / "out").rglob("*")]
    assert not any("Secret" in name for name in names)


def test_hand_read_film_is_proposed_too(audit, manifest, dicom_film, tmp_path, rows_in):
    film = dicom_film()
    rows = [hand_on(film, reader="AB"), hand_on(film, row=790, reader="CD"), {"film": film.name, "tip_row": 1}]
    rows[2] |= {"tip_column": 2}
    assert audit(manifest(rows), "--out", tmp_path / "out")[0] == 0
    found = rows_in(tmp_path / "out", "film, source, reader, tip_row, entry")
    assert [row["source"] for row in found] == ["proposed", "hand", "hand", "mixed"]
    assert len({row["film"] for row in found}) == 1
    assert [row["reader"] for row in found][1:3] == ["reader 1", "reader 2"]
    assert found[0]["reader"] is None
    assert [row["tip_row"] for row in found[1:]] == [800.0, 790.0, 1.0]


def test_bad_rows_stop_the_run_or_are_counted(audit, manifest, tmp_path, marks, rows_in):
    path = manifest([marks(), marks(lip_mark_cm="deep")])
    status, _, err = audit(path, "--out", tmp_path / "out")
    assert status == 2
    assert "row 3: lip_mark_cm: 'deep' found" in err
    assert not (tmp_path / "out").exists()
    status, told, err = audit(path, "--out", tmp_path / "out", "--skip-bad-rows")
    assert status == 0
    assert "2 entries, 1 could not be read" in told
    assert "bad film: row 3" in err
    assert [row["error"] is None for row in rows_in(tmp_path / "out")] == [True, False]


@pytest.mark.parametrize("url", ["memory://audit/{name}", "file://{path}/out"])
def test_results_may_lie_wherever_fsspec_reaches(audit, manifest, tmp_path, url, marks):
    url = url.format(name=tmp_path.name, path=tmp_path)
    status, _, err = audit(manifest([marks(), marks(2.0)]), "--out", url, "--films-per-part", 1)
    assert status == 0, err
    with fsspec.open(f"{url}/settings.json") as file:
        assert json.load(file)["source"]["entries"] == 2
    files, root = fsspec.core.url_to_fs(url)
    assert [name.rpartition("/")[2] for name in files.ls(f"{root}/films", detail=False)] == ["part-000000.parquet"]
    assert audit(manifest([marks(), marks(2.0)]), "--out", url, "--films-per-part", 1)[0] == 0


def test_started_again_it_does_nothing_twice(audit, manifest, tmp_path, marks):
    path = manifest([marks(cm / 10.0) for cm in range(100)])
    words = (path, "--out", tmp_path / "out", "--films-per-part", 1)
    assert audit(*words)[0] == 0
    before = {file: file.stat().st_mtime_ns for file in (tmp_path / "out").rglob("*.parquet")}
    assert len(before) == 3
    status, told, _ = audit(*words)
    assert status == 0
    assert "100 entries (100 of them by an earlier run)" in told
    assert {file: file.stat().st_mtime_ns for file in before} == before


def test_report_of_an_unfinished_run_says_so(audit, lipmark, manifest, tmp_path, marks):
    out = tmp_path / "out"
    assert audit(manifest([marks(cm / 10.0) for cm in range(100)]), "--out", out, "--films-per-part", 1)[0] == 0
    said = []
    for part in (None, out / "films" / "part-000002.parquet"):
        if part is not None:
            part.unlink()
        assert lipmark("audit", "report", out, "--overwrite")[0] == 0
        said.append((out / "report.html").read_text(encoding="utf-8"))
    assert "not finished" not in said[0]
    assert "not finished: 20 entries of its source are missing" in said[1]


def test_changed_settings_are_refused(audit, manifest, tmp_path, marks):
    path = manifest([marks()])
    assert audit(path, "--out", tmp_path / "out")[0] == 0
    status, _, err = audit(path, "--out", tmp_path / "out", "--range", "2.5-5.5")
    assert status == 2
    assert "settings range: then goodman, now 2.5-5.5" in err
    assert "another --out" in err


def test_changed_manifest_is_refused(audit, manifest, tmp_path, marks):
    assert audit(manifest([marks()]), "--out", tmp_path / "out")[0] == 0
    status, _, err = audit(manifest([marks(), marks(2.0)]), "--out", tmp_path / "out")
    assert status == 2
    assert "source entries: then 1, now 2" in err
    assert "source sha256" in err


def test_another_software_is_refused(audit, manifest, tmp_path, marks, settings_in):
    path, out = manifest([marks()]), tmp_path / "out"
    assert audit(path, "--out", out)[0] == 0
    settings = settings_in(out)
    settings["software"]["onnxruntime"] = "0.1"
    (out / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
    status, _, err = audit(path, "--out", out)
    assert status == 2
    assert "software onnxruntime: then 0.1, now" in err


@pytest.mark.parametrize("out", ["file/results", "nothing-that-fsspec-knows://results"])
def test_place_that_cannot_be_written_is_told(audit, manifest, tmp_path, marks, out):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    place = out if "://" in out else tmp_path / out
    status, _, err = audit(manifest([marks()]), "--out", place)
    assert status == 2
    assert f"{place}: " in err


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("nothing-here", "nothing found"),
        ("notes.txt", "a file that ends in '.txt' found"),
        ("empty", "no film found"),
    ],
)
def test_source_that_is_none_is_told(audit, tmp_path, source, told):
    (tmp_path / "empty").mkdir()
    (tmp_path / "notes.txt").write_text("no film", encoding="utf-8")
    status, _, err = audit(tmp_path / source, "--out", tmp_path / "out")
    assert status == 2
    assert told in err


def test_missing_scheduler_is_told(lipmark, manifest, tmp_path, monkeypatch, marks):
    monkeypatch.setattr("annotate.audit.workers.CONNECT_S", 1)
    words = ("--scheduler", "tcp://127.0.0.1:9", "--insecure-scheduler", "--out", tmp_path / "out")
    status, _, err = lipmark("audit", manifest([marks()]), *words)
    assert status == 2
    assert "no answer" in err


def test_missing_certificates_are_told(lipmark, manifest, tmp_path, marks):
    words = ("--scheduler", "tls://127.0.0.1:9", "--out", tmp_path / "out")
    status, _, err = lipmark("audit", manifest([marks()]), *words)
    assert status == 2
    assert "no TLS certificates found" in err


def test_scheduler_that_anyone_can_use_is_refused(lipmark, manifest, tmp_path, marks, scheduler):
    status, _, err = lipmark("audit", manifest([marks()]), "--scheduler", scheduler, "--out", tmp_path / "out")
    assert status == 2
    assert "tls://HOST:PORT expected" in err
    assert "--insecure-scheduler" in err


def test_audit_on_this_machine_opens_no_port(manifest, tmp_path, marks):
    """strace sees every socket that a process is bound to."""
    log = tmp_path / "trace"
    lipmark = [sys.executable, "-c", "import sys; from annotate.command_line import main; sys.exit(main())"]
    command = ["strace", "-f", "-qq", "--seccomp-bpf", "-e", "trace=bind,listen", "-o", log, *lipmark, "audit"]
    words = [manifest([marks()] * 9), "--out", tmp_path / "out", "--workers", "2"]
    done = subprocess.run([*command, *words], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "AF_INET" not in log.read_text()


def test_range_without_upper_limit_is_null(audit, manifest, tmp_path, marks, rows_in):
    assert audit(manifest([marks(8.0)]), "--out", tmp_path / "out", "--range", "prehospital")[0] == 0
    (row,) = rows_in(tmp_path / "out", "range_low_cm, range_high_cm, verdict")
    assert (row["range_low_cm"], row["verdict"]) == (2.0, "within range")
    assert row["range_high_cm"] is None


def test_help_names_the_commands_of_two_words(lipmark):
    status, out, _ = lipmark("audit", "--help")
    assert status == 0
    for command in ("audit report", "audit plan", "audit demo"):
        assert f"lipmark {command}" in out
    status, out, _ = lipmark("audit", "demo", "--help")
    assert status == 0
    assert "usage: lipmark audit demo" in out
