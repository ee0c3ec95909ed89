def test_formulas_of_one_patient_brought_to_one_height(lipmark):
    """Cherng 2002: height / 5 - 13, to 5 cm above the carina; at 4 cm it is 1 cm deeper."""
    status, out, _ = lipmark("formulas", "--age", "58", "--height", "165", "--sex", "female")
    assert status == 0
    assert " 20.0 cm          5 cm  right mouth angle" in out
    _, out, _ = lipmark("formulas", "--age", "58", "--height", "165", "--sex", "female", "--above-carina", "4")
    assert " 21.0 cm          4 cm  right mouth angle" in out
    assert "not stated" in out


def test_nothing_that_applies_says_what_to_add(lipmark):
    status, _, err = lipmark("formulas", "--age", "58")
    assert status == 2
    assert "--height" in err


def test_strange_values_are_refused(lipmark):
    status, _, err = lipmark("formulas", "--age", "58", "--height", "1.65")
    assert status == 2
    assert "1.65 cm found" in err
