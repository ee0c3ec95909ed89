import json
import re
import sqlite3
import sys

import pytest
from PIL import Image

from annotate.logbook.privacy import pseudonym
from annotate.logbook.store import Logbook

CARINA_ROW, COLUMN, PIXEL_MM = 900.0, 600.0, 0.2


def points(height_cm):
    return "--tip", f"{CARINA_ROW - 10.0 * height_cm / PIXEL_MM},{COLUMN}", "--carina", f"{CARINA_ROW},{COLUMN}"


@pytest.fixture(autouse=True)
def own_data_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    for name in ("LIPMARK_LOGBOOK", "LIPMARK_KEY", "LIPMARK_READER"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path / "data" / "lipmark"


@pytest.fixture
def log(lipmark, dicom_film):
    """Reads an invented patient's next film into the logbook; gives the Reading and what was told."""

    def read(height_cm, lip_mark_cm, *words, name="film.dcm", **attributes):
        path = dicom_film(name, **attributes)
        status, out, err = lipmark(
            "read", path, *points(height_cm), "--lip-mark", lip_mark_cm, "--neck", "neutral", "--json", "--log",
            "--reader", "AB", *words,
        )  # fmt: skip
        assert status == 0, err
        return json.loads(out), err

    return read


def test_a_reading_is_kept_as_it_was_shown(log):
    reading, err = log(4.5, 23, "--cuff-pressure", "25", "--height", "163")
    assert err == "logbook: 1 of 1 readings written, entry 1\n"
    with Logbook.open() as logbook:
        entry = logbook.entry(1)
    assert entry.reading == reading | {"film": entry.film[:12]}
    assert entry.reader == "AB"
    assert entry.patient == pseudonym("ID-4711")
    assert entry.landmarks["tip"]["row"] == 675.0
    assert entry.inputs["lip_mark_cm"] == 23.0
    assert entry.inputs["spacing"]["row_mm"] == PIXEL_MM
    assert entry.inputs["magnification"]["factor"]["value"] == 1100 / 950
    assert entry.inputs["cuff_pressure"]["cmh2o"] == pytest.approx(25.0)
    assert entry.inputs["patient"]["height_cm"] == 163.0


def test_no_identifier_is_on_the_disk_anywhere(log, own_data_folder, tmp_path):
    log(
        4.5, 23, name="Secret^Bed.dcm", AccessionNumber="ACC-99", PatientBirthDate="19660102", StudyDate="20261103"
    )
    earlier = tmp_path / "Secret^Before.json"
    reading, _ = log(4.4, 23, name="second.dcm")
    earlier.write_text(json.dumps(reading | {"film": "Secret^Before.dcm"}), encoding="utf-8")
    log(1.4, 23, "--previous", earlier, name="Secret^Third.dcm")
    database = sqlite3.connect(own_data_folder / "logbook.sqlite")
    everything = "\n".join(database.iterdump())
    assert everything.count('INSERT INTO "entry"') == 3
    for secret in ("Secret", "4711", "ACC-99", "19660102", "20261103", str(tmp_path)):
        assert secret not in everything
    for path in own_data_folder.rglob("*"):
        assert path.is_dir() or b"4711" not in path.read_bytes()


def test_the_film_before_is_found_in_the_logbook(log):
    first, _ = log(3.5, 24)
    explained, _ = log(5.7, 22, name="second.dcm")
    assert explained["change"]["film"] == "entry 1"
    # The earlier height is drawn at the present film's scale: the beam runs otherwise through a higher tip.
    then, now = (each["inputs"]["film_per_patient"]["value"] for each in (first, explained))
    assert explained["change"]["change_cm"]["value"] == pytest.approx(5.7 - 3.5 * now / then, abs=3e-4)
    assert not explained["change"]["flagged"]
    slipped, _ = log(1.0, 22, name="third.dcm")
    assert slipped["change"]["film"] == "entry 2"
    assert slipped["change"]["flagged"]
    assert any(text.startswith("Since entry 2") for text in slipped["cautions"])
    other, _ = log(1.0, 22, name="other.dcm", PatientID="ID-1")
    assert other["change"] is None
    nameless, _ = log(1.0, 22, name="nameless.dcm", PatientID="")
    assert nameless["change"] is None


def test_it_says_the_same_as_previous_by_hand(log, reading, dicom_film, tmp_path):
    first, _ = log(3.5, 24)
    found, _ = log(1.0, 22, name="second.dcm")
    earlier = tmp_path / "earlier.json"
    earlier.write_text(json.dumps(first), encoding="utf-8")
    words = ("--lip-mark", 22, "--neck", "neutral", "--previous", earlier)
    by_hand = reading(dicom_film("second.dcm"), *points(1.0), *words)["change"]
    assert found["change"] == by_hand | {"film": "entry 1"}


def test_a_film_that_was_read_again_is_compared_with_the_one_before_it(log):
    uid = "1.2.826.0.1.3680043.8.498.1"
    log(3.5, 24)
    log(3.6, 24, name="second.dcm", SOPInstanceUID=uid)
    log(3.7, 24, name="third.dcm")
    again, _ = log(3.4, 24, "--corrects", 2, name="second.dcm", SOPInstanceUID=uid)
    assert again["change"]["film"] == "entry 1"
    after, _ = log(3.7, 24, name="fourth.dcm")
    assert after["change"]["film"] == "entry 3"


def test_a_second_correction_is_a_conflict_and_the_reading_is_still_shown(log, lipmark, dicom_film, caplog):
    film = {"name": "film.dcm", "SOPInstanceUID": "1.2.826.0.1.3680043.8.498.2"}
    log(3.5, 24, **film)
    log(3.6, 24, "--corrects", 1, **film)
    words = (*points(3.7), "--json", "--log", "--corrects", 1)
    status, out, err = lipmark("read", dicom_film(**film), *words)
    assert status == 1
    assert json.loads(out)["distance"]["on_film_cm"] == pytest.approx(3.7)
    assert "already been corrected by entry 2" in caplog.text
    assert "0 of 1 readings written" in err


def test_a_logbook_that_cannot_be_written_loses_no_reading(lipmark, dicom_film, tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    films = [dicom_film(f"{number}.dcm") for number in range(2)]
    where = f"sqlite:///{tmp_path}/file/logbook.sqlite"
    status, out, err = lipmark("read", *films, "--jsonl", "--log", "--logbook", where)
    assert status == 1
    assert len(out.splitlines()) == 2
    assert "0 of 2 readings written" in err


def test_the_unforeseen_loses_no_reading(lipmark, dicom_film, monkeypatch, caplog):
    def burst(*_):
        raise RuntimeError("Secret^Bed")

    monkeypatch.setattr("annotate.logbook.store.Logbook.save", burst)
    status, out, err = lipmark("read", dicom_film(), *points(4.5), "--json", "--log")
    assert status == 1
    assert json.loads(out)["distance"]["on_film_cm"] == pytest.approx(4.5)
    assert "unforeseen RuntimeError" in caplog.text
    assert "Secret" not in err + caplog.text


def test_a_film_that_cannot_be_read_is_answered_and_not_kept(lipmark, dicom_film, tmp_path):
    bad = tmp_path / "bad.dcm"
    bad.write_bytes(b"no film")
    status, out, err = lipmark("read", dicom_film(), bad, "--jsonl", "--log")
    assert status == 1
    assert len(out.splitlines()) == 2
    assert "1 of 1 readings written" in err


def test_many_processes_write_in_the_order_of_the_films(lipmark, dicom_film):
    films = [dicom_film(f"{number}.dcm") for number in range(7)]
    status, out, _ = lipmark("read", *films, "--jsonl", "--log", "--workers", 2)
    assert status == 0
    with Logbook.open() as logbook:
        kept = [entry.reading["verdict"] for entry in logbook.entries()]
        assert kept == [json.loads(line)["verdict"] for line in out.splitlines()]
        assert logbook.verify().sound


def test_a_picture_file_is_kept_under_the_id_that_is_given(lipmark, png_film):
    words = (*points(4.5), "--mm-per-pixel", "0.2", "--log", "--patient-id", "ID-4711")
    assert lipmark("read", png_film, *words)[0] == 0
    with Logbook.open() as logbook:
        assert logbook.entry(1).patient == pseudonym("ID-4711")


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--reader", "AB"), "without --log"),
        (("--patient-id", "4711"), "without --log"),
        (("--log", "--reader", " "), "1 to 100 printable"),
    ],
)
def test_wrong_usage_of_read(lipmark, dicom_film, words, complaint):
    status, _, err = lipmark("read", dicom_film(), *words)
    assert status == 2
    assert complaint in err


def test_list_shows_what_is_asked_for(lipmark, log):
    log(4.5, 23, name="a.dcm")
    log(1.0, 23, name="b.dcm", PatientID="ID-1")

    def listed(*words):
        status, out, err = lipmark("log", "list", *words)
        assert status == 0, err
        return [int(line.split()[0]) for line in out.splitlines()[1:]]

    assert listed() == [1, 2]
    assert listed("--verdict", "too low") == [2]
    assert listed("--reader", "XY") == []
    assert listed("--since", "2999-01-01") == []
    assert listed("--since", "2026-01-01T07:30") == [1, 2]
    assert listed("--patient", "ID-1", "--patient-id") == [2]
    assert listed("--patient", pseudonym("ID-4711")[:8]) == [1]
    assert listed("--kind", "practice") == []


def test_show_tells_one_entry(lipmark, log):
    uid = {"SOPInstanceUID": "1.2.826.0.1.3680043.8.498.3"}
    log(1.5, 23, **uid)
    log(1.6, 23, "--corrects", 1, **uid)
    _, out, _ = lipmark("log", "show", 1)
    assert "TOO LOW" in out
    assert "corrected by    entry 2" in out
    assert "local protocol decides" in out
    _, out, _ = lipmark("log", "show", 2, "--json")
    with Logbook.open() as logbook:
        assert json.loads(out) == logbook.entry(2).plain()
    status, _, err = lipmark("log", "show", 9)
    assert status == 2
    assert "no entry 9" in err


def test_trend_as_a_table_and_a_picture(lipmark, log, tmp_path):
    for number, (height, mark) in enumerate([(3.5, 24), (5.7, 22), (1.0, 22)]):
        log(height, mark, name=f"{number}.dcm")
    picture = tmp_path / "out" / "trend.png"
    status, out, _ = lipmark("log", "trend", "ID-4711", "--patient-id", "--picture", picture)
    assert status == 0
    rows = [line for line in out.splitlines() if re.match(r" +\d", line)]
    assert ["!" in row for row in rows] == [False, False, True]
    assert "4711" not in out
    assert "local protocol decides" in out
    with Image.open(picture) as shown:
        assert shown.width >= 1000
        colours = {colour for _, colour in shown.convert("RGB").getcolors(2**24)}
        assert (0xD5, 0x5E, 0x00) in colours
    lipmark("log", "trend", pseudonym("ID-4711")[:10], "--picture", tmp_path / "trend.svg")
    assert (tmp_path / "trend.svg").read_text(encoding="utf-8").startswith("<?xml")
    status, _, err = lipmark("log", "trend", pseudonym("ID-4711")[:10], "--picture", tmp_path / "trend.bmp")
    assert status == 2
    assert ".png or .svg" in err


def test_a_trend_that_cannot_be_drawn_says_what_to_install(lipmark, log, tmp_path, monkeypatch):
    log(3.5, 24, name="0.dcm")
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    status, out, err = lipmark("log", "trend", "ID-4711", "--patient-id", "--picture", tmp_path / "trend.png")
    assert status == 2
    assert "1 film" in out
    assert "pip install 'lipmark[trend]'" in err


def test_trend_follows_films_and_not_corrections(lipmark, log):
    uid = {"name": "a.dcm", "SOPInstanceUID": "1.2.826.0.1.3680043.8.498.4"}
    log(3.5, 24, **uid)
    log(5.7, 22, name="b.dcm")
    log(3.4, 24, "--corrects", 1, **uid)
    _, out, _ = lipmark("log", "trend", "ID-4711", "--patient-id")
    assert [int(line.split()[0]) for line in out.splitlines() if re.match(r" +\d", line)] == [3, 2]


def test_a_patient_must_be_one(lipmark, log):
    log(4.5, 23, name="a.dcm")
    log(1.0, 23, name="b.dcm", PatientID="ID-1")
    for words, count in ((("",), 2), (("zz",), 0), (("%",), 0)):
        status, _, err = lipmark("log", "trend", *words)
        assert status == 2
        assert f"{count} patients found" in err
    status, out, _ = lipmark("log", "trend", "ID-99", "--patient-id")
    assert status == 0
    assert "no film" in out


@pytest.mark.parametrize("ending", ["csv", "parquet", "json"])
def test_export_writes_current_entries_and_all_on_request(lipmark, log, tmp_path, ending):
    uid = {"SOPInstanceUID": "1.2.826.0.1.3680043.8.498.5"}
    log(3.5, 24, **uid)
    log(3.4, 24, "--corrects", 1, **uid)
    path = tmp_path / f"entries.{ending}"
    assert lipmark("log", "export", path)[1].startswith("1 entries")
    assert lipmark("log", "export", path, "--all", "--overwrite")[1].startswith("2 entries")
    status, _, err = lipmark("log", "export", path)
    assert (status, "--overwrite" in err) == (2, True)
    status, _, err = lipmark("log", "export", tmp_path / "a.xlsx")
    assert status == 2
    assert ".parquet" in err


def test_verify_tells_what_is_wrong(lipmark, log, own_data_folder):
    status, out, err = lipmark("log", "verify")
    assert (status, out) == (2, "")
    assert "no file found there" in err
    assert not own_data_folder.joinpath("logbook.sqlite").exists()
    for number in range(3):
        log(4.5, 23, name=f"{number}.dcm")
    status, out, _ = lipmark("log", "verify")
    assert status == 0
    noted = out.split("--seen ")[1].strip()
    assert lipmark("log", "verify", "--seen", noted)[0] == 0
    database = sqlite3.connect(own_data_folder / "logbook.sqlite")
    database.executescript("DROP TRIGGER entry_update; UPDATE entry SET reader = 'XY' WHERE number = 2;")
    database.close()
    status, out, _ = lipmark("log", "verify")
    assert status == 1
    assert "Entry 2 is not what was written" in out
    status, _, err = lipmark("log", "verify", "--seen", "nonsense")
    assert status == 2
    assert "NUMBER:HASH" in err


def test_a_logbook_that_cannot_be_opened_is_told(lipmark, tmp_path):
    (tmp_path / "notes.txt").write_text("no database " * 20, encoding="utf-8")
    status, _, err = lipmark("log", "list", "--logbook", tmp_path / "notes.txt")
    assert status == 2
    assert "not a database" in err


def test_two_readers_by_login_name_and_by_environment(lipmark, dicom_film, monkeypatch):
    monkeypatch.setenv("LIPMARK_READER", "CD")
    assert lipmark("read", dicom_film(), *points(4.5), "--log")[0] == 0
    monkeypatch.delenv("LIPMARK_READER")
    monkeypatch.setenv("LOGNAME", "ward7")
    assert lipmark("read", dicom_film(), *points(4.5), "--log")[0] == 0
    with Logbook.open() as logbook:
        assert [entry.reader for entry in logbook.entries()] == ["CD", "ward7"]


def test_list_shows_the_last_entries(lipmark, log):
    for name in ("a.dcm", "b.dcm", "c.dcm"):
        log(3.5, 24, name=name)
    out = lipmark("log", "list", "--last", "2")[1]
    numbers = [line.split()[0] for line in out.splitlines()[1:]]
    assert numbers == ["...", "2", "3"]
    assert "left out" not in lipmark("log", "list", "--last", "3")[1]
    assert lipmark("log", "list", "--last", "0")[0] == 2
