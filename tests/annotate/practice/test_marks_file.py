"""Teaching films from a folder."""

import csv
import json

import pytest

from annotate.logbook.store import Logbook
from annotate.practice.compare import Answer, Choice, compare
from annotate.practice.keeping import keep, kept
from annotate.practice.marks_file import COLUMNS, MarksFileError, load_task, read_marks, source_name
from annotate.practice.record import record_of
from annotate.practice.rounds import marks_round, unfinished
from annotate.practice.teaching import teach
from measure.errors import MeasureError
from synthetic_images.batch import BatchSettings, make_batch


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    make_batch(2, folder, BatchSettings(seed=3, size_px=512))
    return folder


def write_csv(folder, rows, columns=(*COLUMNS, "neck")):
    path = folder / "marks.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
    return path


def test_truth_as_synthesise_writes_it(batch):
    films = read_marks(batch / "truth.jsonl")
    lines = [json.loads(line) for line in (batch / "truth.jsonl").read_text().splitlines()]
    assert [film.path.name for film in films] == [line["film"] for line in lines]
    task = load_task(films[0])
    points = lines[0]["truth"]["points"]
    assert (task.key.tip.row, task.key.carina.column) == (points["tip"]["row"], points["carina"]["column"])
    assert task.case.posture == lines[0]["recipe"]["neck"]["posture"]
    right = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
    assert right.distance_error_mm == 0.0


def test_plain_marks(batch):
    path = write_csv(
        batch, [["film_000000.dcm", 200, 250, 260, "251.5", "flexed"], ["film_000001.dcm", "", "", 260, 251, ""]]
    )
    with_tube, without = (load_task(film) for film in read_marks(path))
    assert (with_tube.key.carina.row, with_tube.key.carina.column) == (260.0, 251.5)
    assert with_tube.case.posture == "flexed"
    assert compare(without, Answer(None, None, Choice.NO_TUBE)).solved
    offset = compare(with_tube, Answer(with_tube.key.tip, with_tube.key.carina, Choice.TOO_LOW)).tip
    assert offset.total_mm == 0.0


def test_a_round_over_a_folder_is_kept_without_the_films_names_and_goes_on(batch, tmp_path, practice, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    films, source = read_marks(batch / "truth.jsonl"), source_name(batch / "truth.jsonl")
    round_ = marks_round(films, source, practice.START, None)
    assert round_.next() == films[0]
    task = load_task(films[0])
    comparison = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
    with Logbook.open(str(tmp_path / "log.sqlite")) as logbook:
        keep(logbook, "AB", comparison, record_of(round_.settings, 0, comparison, teach(comparison)))
        history = kept(logbook, "AB")
        entry = logbook.entries()[0]
    assert "film_000000" not in json.dumps(entry.plain())
    assert entry.patient is None
    going_on = marks_round(films, source, practice.START, unfinished(history, source))
    assert going_on.next() == films[1]
    assert unfinished(history) is None


@pytest.mark.parametrize(
    ("rows", "columns", "complaint"),
    [
        ([], ("film", "tip_row"), "no column tip_column"),
        ([["film_000000.dcm", "x", 250, 260, 251, ""]], (*COLUMNS, "neck"), "line 2: tip_row 'x'"),
        ([["film_000000.dcm", "", 250, 260, 251, ""]], (*COLUMNS, "neck"), "half of the tip"),
        ([["nowhere.dcm", 1, 2, 3, 4, ""]], (*COLUMNS, "neck"), "'nowhere.dcm' not found"),
        ([["film_000000.dcm", 1, 2, 3, 4, "bent"]], (*COLUMNS, "neck"), "neck 'bent'"),
        ([], (*COLUMNS, "neck"), "no film found"),
    ],
)
def test_what_makes_no_sense_is_told_with_its_line(batch, rows, columns, complaint):
    with pytest.raises(MarksFileError, match=complaint):
        read_marks(write_csv(batch, rows, columns))


def test_a_damaged_line_of_truth_is_told(batch, tmp_path):
    path = tmp_path / "truth.jsonl"
    path.write_text("{}\n")
    with pytest.raises(MarksFileError, match="line 1"):
        read_marks(path)
    with pytest.raises(MarksFileError, match="cannot be read"):
        read_marks(tmp_path / "none.csv")


def test_a_true_point_off_the_film_is_told(batch):
    (film,) = read_marks(write_csv(batch, [["film_000000.dcm", 5000, 250, 260, 251, ""]]))
    with pytest.raises(MeasureError, match="outside a film"):
        load_task(film)
