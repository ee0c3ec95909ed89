"""The page: complete, self-contained, escaped, readable without the pictures; and the command that writes it."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from annotate.drawing.charts import Canvas
from annotate.logbook.store import Logbook
from annotate.practice.compare import compare
from annotate.practice.course import to_practise
from annotate.practice.keeping import keep
from annotate.practice.progress import progress_of, worst
from annotate.practice.record import record_of
from annotate.practice.report import WORST_FILMS, write_report
from annotate.practice.rounds import start_round
from annotate.practice.teaching import teach
from measure.cautions import ALWAYS
from measure.patient import AgeGroup


class Page(HTMLParser):
    """What a browser would fetch, and what it shows."""

    def __init__(self, html):
        super().__init__()
        self.links, self.words, self.ids = [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        self.links += [found[name] for name in ("src", "href") if name in found]
        self.ids += [found["id"]] if "id" in found else []

    def handle_data(self, data):
        self.words.append(data)


@pytest.fixture(scope="module")
def html(biased, practice):
    return write_report(progress_of(biased), "A<B>", practice.START)


def pictures(html):
    return [ElementTree.fromstring(f"<svg{part.split('</svg>')[0]}</svg>") for part in html.split("<svg")[1:]]


def test_nothing_is_fetched(html):
    assert all(link.startswith(("data:", "#")) for link in Page(html).links)
    assert "<script" not in html


def test_the_readers_name_is_escaped(html):
    assert "A&lt;B&gt;" in html
    assert "<B>" not in html


def test_figures_and_cautions_are_there(html, biased):
    words = " ".join(Page(html).words)
    found = progress_of(biased)
    assert f"{found.distance.bias.value:+.1f} mm" in words
    assert f"{found.answers.kappa.kappa.value:.2f}" in words
    for caution in ALWAYS:
        assert caution in words
    for mistake, _ in found.mistakes:
        assert mistake.value in words
    for item in found.repeats:
        assert item.why in words


def test_every_picture_says_in_words_what_it_shows(html, biased):
    space = "{http://www.w3.org/2000/svg}"
    found = pictures(html)
    assert len(found) == 4 + min(WORST_FILMS, len(worst(biased, 99)))
    for picture in found:
        title, description = picture.find(f"{space}title"), picture.find(f"{space}desc")
        assert picture.get("role") == "img"
        assert picture.get("aria-labelledby").split() == [title.get("id"), description.get("id")]
        assert len(title.text) > 5
        assert len(description.text) > 10
    ids = Page(html).ids
    assert len(set(ids)) == len(ids)


def test_every_class_of_the_pictures_has_a_look(html):
    used = {
        element.get("class") for picture in pictures(html) for element in picture.iter() if element.get("class")
    }
    assert {name for name in used if f"svg .{name} " not in html} <= {"label"}


def test_as_many_films_are_drawn_as_were_read(html, biased):
    found = {picture.get("aria-labelledby").split("-")[0]: picture for picture in pictures(html)}
    signs = [e for e in found["learning"].iter() if e.get("class") in ("point", "signal")]
    assert len(signs) == sum(r.error_mm is not None for r in biased)
    diamonds = [e for e in found["distance"].iter() if e.get("class") == "signal"]
    assert len(diamonds) == sum(not r.solved for r in biased if r.error_mm is not None)


def test_the_same_answers_give_the_same_page(biased, practice):
    few = [r for r in biased if not r.solved][:1] + list(biased[:3])
    pages = {write_report(progress_of(few), "AB", practice.START) for _ in range(2)}
    assert len(pages) == 1


def test_one_film_gives_a_page_too(biased, practice):
    words = " ".join(Page(write_report(progress_of(biased[:1]), "AB", practice.START)).words)
    assert "are told once 10 films have both points marked" in words
    assert "bias" not in words.split("Statistics:")[0].replace("Bias and limits", "")
    assert "kappa" not in words.split("Statistics:")[0]


@pytest.mark.parametrize("films", [2, 3, 5, 9])
def test_few_films_give_no_absurd_intervals(biased, practice, films):
    """Three films would give limits of agreement 13 standard deviations out."""
    few = [r for r in biased if r.error_mm is not None][:films]
    found = progress_of(few)
    assert found.distance is None
    assert found.offsets == {}
    assert (found.zones.kappa, found.answers.kappa) == (None, None)
    words = " ".join(Page(write_report(found, "AB", practice.START)).words)
    assert f"{found.mean_absolute_error_mm.value:.1f} mm" in words
    assert not re.search(r"mm \([+-]?[\d.]+ to", words)
    assert "nan" not in words.split()


def test_full_agreement_is_told_without_an_interval(biased, practice):
    right = [replace(r, choice=r.expected, zone=r.expected) for r in biased]
    words = " ".join(Page(write_report(progress_of(right), "AB", practice.START)).words)
    assert "1.00, not once apart yet" in words
    assert "(1.00 to 1.00)" not in words


def test_the_actions_and_the_course_are_told(html, biased):
    words = " ".join(Page(html).words)
    right = progress_of(biased).actions.right
    assert f"{right.events:.0f} of {right.films:.0f} (" in words
    assert "What to do with the tube" in words
    for item in progress_of(biased).course:
        assert item.stage.title in words
        assert item.words in words
    assert f"lipmark practice run --course {to_practise(progress_of(biased).course).key}" in words


def test_films_of_a_folder_are_not_drawn(biased, practice):
    missed = [replace(r, solved=False, spec=None) for r in biased[:5]]
    assert "data:image/png" not in write_report(progress_of(missed), "AB", practice.START)


def test_the_command_writes_the_page_of_one_trainee(practice, tmp_path, lipmark, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    url = tmp_path / "log.sqlite"
    status, _, err = lipmark(
        "practice", "report", "--out", tmp_path / "a.html", "--reader", "AB", "--logbook", url
    )
    assert status == 2
    assert "no practice of AB" in err
    round_, trainee = start_round((), practice.START, 4, None, AgeGroup.ADULT), practice.Trainee()
    with Logbook.open(str(url)) as logbook:
        while (spec := round_.next()) is not None:
            task = practice.pixelless(spec)
            comparison = compare(task, trainee.answer(task))
            record = record_of(round_.settings, len(round_.done), comparison, teach(comparison))
            round_ = round_.answered(keep(logbook, "AB", comparison, record))
    status, out, _ = lipmark(
        "practice", "report", "--reader", "AB", "--out", tmp_path / "a.html", "--logbook", url
    )
    assert status == 0
    assert out.startswith("4 films of AB")
    assert "<h1>Practice report: AB</h1>" in (tmp_path / "a.html").read_text(encoding="utf-8")
    assert (
        "there is that of AB" in lipmark("practice", "report", "--out", "x", "--reader", "CD", "--logbook", url)[2]
    )


@pytest.mark.parametrize("words", [("--difficulty", "2"), ("--films", "0"), ("--marks", "nowhere.csv")])
def test_what_cannot_be_is_a_usage_error(lipmark, tmp_path, monkeypatch, words):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    status, _, err = lipmark("practice", "run", *words, "--logbook", tmp_path / "log.sqlite")
    assert status == 2
    assert words[-1] in err


def test_words_in_a_chart_are_escaped():
    canvas = Canvas("k", "<t>", "<d>", 10)
    canvas.text(0, 0, "<w> & more")
    assert ElementTree.fromstring(canvas.done().svg).findtext("{http://www.w3.org/2000/svg}text") == "<w> & more"
