import xml.etree.ElementTree as ElementTree

import pytest

from annotate.audit import charts
from annotate.audit.figures import Figure, OverTime, rate
from measure.statistics.control_chart import p_chart
from measure.statistics.interval import undefined
from measure.statistics.rates import Count

SVG = "{http://www.w3.org/2000/svg}"


def rates_of(*counts):
    return [
        rate("rates", "Unit", f"unit <{index}>", f"outcome {index}", count) for index, count in enumerate(counts)
    ]


def over_time(*counts, baseline=None):
    periods = tuple(f"2025-{month:02d}" for month in range(1, len(counts) + 1))
    return OverTime(periods, counts, p_chart(counts, baseline), baseline, 0)


def pictures():
    rates = rates_of(Count(3, 20), Count(0, 9), Count(9, 9))
    yield charts.rate_bars("a", "Bars", rates)
    yield charts.forest("b", "Forest", rates, rates[0])
    yield charts.control_chart("c", "Time", over_time(*[Count(5, 50)] * 5, Count(40, 50), baseline=5))
    yield charts.histogram(
        "d", "Bars", charts.Histogram((0.0, 1.0, 2.0, 3.0), (4, None, 0), "cm", (1.0, 9.0), "zone")
    )
    yield charts.boxes("e", "Boxes", [charts.Box(22.0, 1, 2, 3, 4, 5, 30)], "lip mark, cm", "cm")
    cloud = charts.Cloud(((3.0, 0.5, 1), (4.0, -0.25, 9)), (("bias", 0.1), ("upper limit", 1.0)))
    yield charts.difference_cloud("f", "Cloud", cloud)


@pytest.mark.parametrize("picture", pictures(), ids=lambda picture: picture.title)
def test_each_picture_has_a_title_and_a_description_that_name_it(picture):
    root = ElementTree.fromstring(picture.svg)
    assert root.get("role") == "img"
    labels = root.get("aria-labelledby").split()
    found = {child.get("id"): child for child in root}
    assert [found[label].tag for label in labels] == [f"{SVG}title", f"{SVG}desc"]
    assert found[labels[0]].text == picture.title
    assert any(sign.isdigit() for sign in found[labels[1]].text)


@pytest.mark.parametrize("picture", pictures(), ids=lambda picture: picture.title)
def test_nothing_is_drawn_outside_the_picture(picture):
    root = ElementTree.fromstring(picture.svg)
    _, _, width, height = (float(number) for number in root.get("viewBox").split())
    for element in root.iter():
        for name, end in (
            ("x1", width),
            ("x2", width),
            ("cx", width),
            ("y1", height),
            ("y2", height),
            ("cy", height),
        ):
            if element.get(name) is not None:
                assert -1 <= float(element.get(name)) <= end + 1, ElementTree.tostring(element)


def test_the_same_numbers_give_the_same_bytes():
    assert [picture.svg for picture in pictures()] == [picture.svg for picture in pictures()]


def test_words_of_the_data_cannot_break_out():
    rates = rates_of(Count(3, 20))
    svg = charts.forest("b", "<script>alert(1)</script>", rates, rates[0]).svg
    assert "<script>" not in svg
    assert "unit &lt;0&gt;" in svg


def test_a_signal_is_told_by_shape_and_word_not_by_colour_alone():
    calm = charts.control_chart("c", "Time", over_time(*[Count(5, 50)] * 6)).svg
    shifted = charts.control_chart("c", "Time", over_time(*[Count(5, 50)] * 5, Count(40, 50), baseline=5)).svg
    assert calm.count('class="signal"') == calm.count(">signal<") == 0
    assert shifted.count('class="signal"') == shifted.count(">signal<") == 1
    assert "2025-06 80.0 % (signal)" in shifted


def test_bars_stand_where_the_rates_are():
    (half, whole) = rates_of(Count(10, 20), Count(20, 20))
    root = ElementTree.fromstring(charts.rate_bars("a", "Bars", [half, whole]).svg)
    widths = [float(box.get("width")) for box in root.iter(f"{SVG}rect")]
    assert widths[1] == pytest.approx(2 * widths[0], abs=0.2)


def test_a_hidden_rate_is_not_drawn():
    hidden = Figure("rates", "Unit", "unit C", "malpositioned", undefined("hidden"), "share")
    svg = charts.forest("b", "Forest", [*rates_of(Count(3, 20)), hidden], hidden).svg
    assert "unit C" not in svg
