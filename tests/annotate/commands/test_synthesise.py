import json

import pydicom
import pytest


@pytest.fixture
def synthesise(lipmark, tmp_path):
    def run(count, *words):
        status, out, err = lipmark(
            "synthesise", count, "--out", tmp_path / "films", "--size", 256, "--workers", 1, *words
        )
        return status, out, err, tmp_path / "films"

    return run


def test_films_with_their_truth_and_card(synthesise):
    status, out, _, folder = synthesise(2)
    assert status == 0
    lines = [json.loads(line) for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(lines) == len(list(folder.glob("*.dcm"))) == 2
    assert "2 films made" in out
    assert "invented" in (folder / "CARD.md").read_text(encoding="utf-8")
    assert pydicom.dcmread(folder / lines[0]["film"]).Modality == "DX"


def test_stopped_it_goes_on_and_the_bytes_are_the_same(synthesise, lipmark, tmp_path):
    synthesise(1)
    status, out, _, folder = synthesise(2)
    assert status == 0
    assert "1 films made, 1 were there" in out
    lipmark("synthesise", 2, "--out", tmp_path / "again", "--size", 256, "--workers", 2)
    for name in ("film_000000.dcm", "film_000001.dcm", "truth.jsonl"):
        assert (folder / name).read_bytes() == (tmp_path / "again" / name).read_bytes()


@pytest.mark.parametrize(
    "words", [("--difficulty", "2"), ("--seed", "-1"), ("--age-group", "teen"), ("--workers", "0")]
)
def test_wrong_dials_are_wrong_usage(synthesise, words):
    assert synthesise(1, *words)[0] == 2


def test_another_batch_is_not_mixed_in(synthesise):
    synthesise(1)
    status, _, err, _ = synthesise(1, "--seed", 5)
    assert status == 2
    assert "another folder" in err
