import duckdb
import numpy as np
import pandas as pd
import pingouin
import pytest
from sklearn.metrics import cohen_kappa_score, mean_absolute_error

from annotate.audit.figures import COUNTED, count_films
from annotate.audit.figures_trust import (
    PROPOSED_AND_HAND,
    agreement,
    corrected,
    coverage,
    explained,
    near_limits,
    pairings,
    ranges,
)
from annotate.audit.report_films import Readings, read_audit
from measure.statistics.rates import Count


@pytest.fixture(scope="module")
def audit(results):
    return read_audit(str(results), Readings.PROPOSED)


@pytest.fixture(scope="module")
def pair(audit):
    return pairings(audit.readings, 0)[0]


def by_name(figures, level=None):
    return {figure.name: figure for figure in figures if level is None or figure.level == level}


def test_readings_of_the_same_films_are_paired(audit, rows):
    found = {pairing.name: pairing for pairing in pairings(audit.readings, 0)}
    assert set(found) == {PROPOSED_AND_HAND, "reader 1 against reader 2"}
    heights = {(row["film"], row["reader"]): row["on_film_cm"] for row in rows}
    twice = [row["film"] for row in rows if row["reader"] == "reader 1"]
    for name, readers in ((PROPOSED_AND_HAND, (None, "reader 1")), (None, ("reader 1", "reader 2"))):
        pairing = found[name or " against ".join(readers)]
        for side, reader in zip((pairing.first, pairing.second), readers, strict=True):
            expected = np.array([heights[film, reader] for film in twice], float)
            assert side["on_film_cm"].to_numpy(float) == pytest.approx(expected, nan_ok=True)


def test_a_readers_name_is_a_name_and_no_part_of_the_question(tmp_path, make, write):
    odd = "O'Hara\" OR 1 = 1 --"
    audit = read_audit(str(write(tmp_path, make(films=40, hand=20, readers=(odd, "reader 2")))))
    assert {(pairing.name, len(pairing.first)) for pairing in pairings(audit.readings, 0)} == {
        (PROPOSED_AND_HAND, 20),
        (f"{odd} against reader 2", 20),
    }


@pytest.mark.outside
def test_agreement_of_distances_agrees_with_pingouin_and_scikit_learn(pair):
    a, b = pair.heights()
    found = by_name(agreement(pair, 0), "distance")
    assert found["bias"].interval.value == pytest.approx(float(np.mean(a - b)))
    assert found["mean absolute error"].interval.value == pytest.approx(mean_absolute_error(a, b))
    long = pd.DataFrame({"first": a, "second": b}).melt(ignore_index=False).reset_index()
    icc = pingouin.intraclass_corr(long, "index", "variable", "value").set_index("Type")["ICC"]
    assert found["ICC(2,1)"].interval.value == pytest.approx(icc["ICC(A,1)"])
    assert found["ICC(3,1)"].interval.value == pytest.approx(icc["ICC(C,1)"])


@pytest.mark.outside
def test_kappas_agree_with_scikit_learn(pair):
    verdicts = [side["verdict"].tolist() for side in (pair.first, pair.second)]
    assert by_name(agreement(pair, 0), "verdict")["kappa"].interval.value == pytest.approx(
        cohen_kappa_score(*verdicts)
    )
    order = ["in a main bronchus", "too low", "within range", "too high"]
    first, second = (side["zone"].to_numpy() for side in (pair.first, pair.second))
    both = (first != "") & (second != "")
    found = by_name(agreement(pair, 0), "zone")
    for weights in ("linear", "quadratic"):
        expected = cohen_kappa_score(first[both], second[both], labels=order, weights=weights)
        assert found[f"{weights} weighted kappa"].interval.value == pytest.approx(expected)


def test_too_few_pairs_are_not_compared(audit):
    assert pairings(audit.readings, 500) == []
    alone = audit.readings.filter("source = 'proposed'")
    assert pairings(alone, 0) == []


def test_pairs_without_a_distance_say_so(pair):
    silent = type(pair)(pair.name, pair.first.assign(on_film_cm=np.nan), pair.second)
    bias = by_name(agreement(silent, 0), "distance")["bias"]
    assert not bias.interval.defined
    assert "too few films" in bias.note


def test_prevalence_is_corrected_towards_the_hand(make, tmp_path, write):
    """Proposals that call every third good tube bad: the plain rate is far off, the corrected one is not."""
    rows = make(films=4000, hand=1500, readers=("reader 1",), seed=5)
    random = np.random.default_rng(6)
    for row in rows:
        inside = row.get("range_low_cm") and row["range_low_cm"] <= row["on_film_cm"] <= row["range_high_cm"]
        if row["source"] == "proposed" and inside and random.random() < 0.33:
            row["on_film_cm"] = row["range_low_cm"] - 1.0
    audit = read_audit(str(write(tmp_path, rows)))
    found = by_name(corrected(audit.readings, None))
    zone = audit.readings.filter("source = 'hand'").df()["zone"]
    truth = float(np.mean(zone[zone != ""] != "within range"))
    assert found["as proposed"].interval.value - truth > 0.1
    assert found["corrected"].interval.low < truth < found["corrected"].interval.high
    assert abs(found["corrected"].interval.value - truth) < 0.04


def test_without_films_read_by_hand_nothing_is_corrected(audit):
    alone = audit.readings.filter("source = 'proposed'")
    assert list(corrected(alone, None)) == []


def test_small_counts_of_the_correction_are_hidden(make, tmp_path, write):
    audit = read_audit(str(write(tmp_path, make(films=300, hand=25, readers=("reader 1",)))))
    found = by_name(corrected(audit.readings, 5))
    assert found["sensitivity of the proposals"].count is None
    assert found["corrected"].count is None


@pytest.mark.outside
@pytest.mark.parametrize(
    ("rule", "low", "high"), [("schwartz: 2 to 6 cm", 2, 6), ("teaching-3-5: 3 to 5 cm", 3, 5)]
)
def test_other_ranges_agree_with_duckdb(results, audit, rule, low, high):
    question = (
        f"select count(*) filter (on_film_cm < {low}), count(*) filter (on_film_cm > {high}), count(*) "
        f"from '{results}/films/*.parquet' where source = 'proposed' and on_film_cm is not null"
    )
    ((below, above, films),) = duckdb.sql(question).fetchall()
    found = by_name(ranges(audit.films), rule)
    assert found["below"].count == Count(below, films)
    assert found["above"].count == Count(above, films)
    assert found["outside"].count == Count(below + above, films)


def test_an_unknown_neck_moves_the_rates_as_far_as_the_range_moves(audit):
    found = {f.level: f.count.events for f in ranges(audit.films) if f.name == "below" and "neck" in f.level}
    flexed, neutral, extended = (
        found[f"goodman, neck not known taken as {posture}"] for posture in ("flexed", "neutral", "extended")
    )
    assert flexed < neutral < extended


def test_adult_ranges_are_not_held_against_children(audit):
    children = audit.films.assign(age_group="child")
    assert all(figure.count.films == 0 for figure in ranges(children))


def test_near_a_limit_counts_between_none_and_all(audit):
    sure, either, guessed, shared = near_limits(audit.films, count_films(audit.films, None))
    assert "lower bound" in sure.level
    assert "upper bound" in either.level
    for between in (guessed, shared):
        assert sure.interval.value < between.interval.value < either.interval.value


def test_coverage_tells_why_without_numbers_or_names(audit):
    films = audit.films.astype({"reasons": object})
    first = films.index[films["reasons"].notna() & (films["reasons"] != "")][0]
    films.at[first, "reasons"] = "/ward/Bed 7/scan.dcm: 'Some One' has 3 frames"
    found = {f.level: f for f in coverage(films, count_films(films, None), None)}
    text = " ".join(found)
    assert "The carina was proposed with a confidence of …% only: place it by hand." in found
    for secret in ("ward", "scan", "Some One", "3 frames", "7/"):
        assert secret not in text
    figures = list(coverage(films, count_films(films, None), None))
    why = {f.level: f.count.events for f in figures if f.group == "no action"}
    assert why == films["no_action_because"].value_counts().to_dict()
    counted = by_name(figures)[COUNTED]
    assert counted.count == Count(int((films["verdict"] != "cannot say").sum()), len(films))


def test_lip_mark_explains_what_pingouin_says(audit):
    known = audit.films.dropna(subset=["lip_mark_cm", "in_patient_cm"])
    overall = next(iter(explained(audit.films, None)))
    r = pingouin.corr(known["lip_mark_cm"], known["in_patient_cm"])["r"].iloc[0]
    assert overall.interval.value == pytest.approx(r**2)
    assert overall.count.events == len(known)


def test_no_lip_mark_explains_nothing(audit):
    unmarked = audit.films.assign(lip_mark_cm=np.nan)
    assert not any(figure.interval.defined for figure in explained(unmarked, None))
