import json

from PIL import Image


def test_demo_leaves_film_picture_reading_and_truth(lipmark, tmp_path):
    status, out, _ = lipmark("demo", "--out", tmp_path)
    assert status == 0
    assert "Truth: the tip was placed" in out
    reading = json.loads((tmp_path / "reading.json").read_text(encoding="utf-8"))
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    distance = reading["distance"]
    assert distance["in_patient_low_cm"] <= truth["distance_mm"] / 10.0 <= distance["in_patient_high_cm"]
    assert reading["adjustment"] is not None
    with Image.open(tmp_path / "picture.png") as picture:
        assert picture.width > 1000
