"""Batches: resumable, the same bytes whatever the workers, with a truth file and a card."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from synthetic_images.batch import BatchSettings, FileFormat, make_batch
from synthetic_images.errors import SyntheticError

SMALL = BatchSettings(seed=5, size_px=96, file_format=FileFormat.PNG, age_group=None, with_tube=None)


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_interrupted_and_resumed_gives_the_bytes_of_one_run(tmp_path: Path) -> None:
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    make_batch(5, whole, SMALL, workers=2)
    make_batch(2, parts, SMALL)
    with (parts / "truth.jsonl").open("a") as lines:
        lines.write('{"film": "film_0000')
    seen: list[tuple[int, int]] = []
    result = make_batch(5, parts, SMALL, progress=lambda done, wanted: seen.append((done, wanted)))
    assert (result.made, result.kept) == (3, 2)
    assert seen == [(3, 5), (4, 5), (5, 5)]
    assert _bytes(parts) == _bytes(whole)


def test_truth_file_and_card(tmp_path: Path) -> None:
    result = make_batch(2, tmp_path, SMALL)
    records = [json.loads(line) for line in result.truth.read_text().splitlines()]
    assert [r["film"] for r in records] == ["film_000000.png", "film_000001.png"]
    assert all("carina" in r["truth"]["points"] for r in records)
    assert "No person was imaged" in result.card.read_text()


def test_other_settings_in_the_same_folder_are_refused(tmp_path: Path) -> None:
    make_batch(1, tmp_path, SMALL)
    with pytest.raises(SyntheticError, match="other settings"):
        make_batch(1, tmp_path, BatchSettings(seed=6, size_px=96))
    with pytest.raises(SyntheticError, match="at least one"):
        make_batch(0, tmp_path, SMALL)
