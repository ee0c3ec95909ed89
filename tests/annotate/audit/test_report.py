import argparse
import base64
import csv
import html
import io
import json
import re

import fsspec
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from annotate.audit.report import write_report
from annotate.audit.report_page import Wishes
from annotate.commands import audit_report

NASTY = '<script>alert("x")</script>'
FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1366,900"),
)


def run(*words):
    parser = argparse.ArgumentParser(epilog=audit_report.EXAMPLES)
    audit_report.add_arguments(parser)
    return audit_report.run(parser.parse_args(["--overwrite", *(str(word) for word in words)]), parser)


@pytest.fixture(scope="module")
def made(results, tmp_path_factory):
    out = tmp_path_factory.mktemp("report")
    write_report(str(results), out)
    return out


def figures(folder):
    return list(csv.DictReader(io.StringIO((folder / "figures.csv").read_text())))


def test_the_page_lies_with_the_results_where_nothing_else_is_said(tmp_path, rows, write, capsys):
    folder = write(tmp_path, rows[:200])
    assert run(folder) == 0
    told = capsys.readouterr().out
    assert f"{folder / 'report.html'}" in told
    assert "local protocol decides" in told
    assert (folder / "figures.csv").exists()


def test_the_same_results_give_the_same_bytes(results, made, tmp_path):
    write_report(str(results), tmp_path)
    for name in ("report.html", "figures.csv"):
        assert (tmp_path / name).read_bytes() == (made / name).read_bytes()


def test_each_rate_leads_to_its_films(made, rows):
    """The page lists the films' opaque keys, films.csv all of them with what each adds to every number."""
    page = (made / "report.html").read_text()
    data = json.loads(re.search(r'id="films-data">(.*?)</script>', page).group(1))
    assert {film["line"][0] for film in data["films"]} == {row["film"] for row in rows}
    links = re.findall(r'data-group="([^"]+)" data-level="([^"]+)" data-outcome="([^"]+)"', page)
    assert ("all films", "all films", "malpositioned") in links
    for group, level, outcome in (map(html.unescape, link) for link in links):
        assert outcome in data["outcomes"]
        assert group == "all films" or level in data["levels"][data["factors"].index(group)]
    lines = list(csv.DictReader(io.StringIO((made / "films.csv").read_text())))
    told = {(f["group"], f["level"], f["figure"]): f for f in figures(made) if f["section"] == "rates"}
    for name in ("malpositioned", "surely malpositioned", "near the carina", "no answer"):
        expected = float(told["all films", "all films", name]["events"])
        assert sum(float(line[name]) for line in lines) == pytest.approx(expected, abs=0.01 * len(lines) ** 0.5)


def test_with_small_counts_hidden_no_film_is_named(tmp_path, rows, write):
    folder = write(tmp_path, rows[:600])
    assert run(folder, "--suppress", "--out", tmp_path / "out") == 0
    assert not (tmp_path / "out" / "films.csv").exists()
    for name in ("report.html", "figures.csv"):
        assert not re.findall(r"key-\d+", (tmp_path / "out" / name).read_text())


def test_one_sentence_sums_it_up_first(made):
    page = (made / "report.html").read_text()
    told = re.search(r'<p class="summary">(.*?)</p>', page).group(1)
    overall = {f["figure"]: f for f in figures(made) if f["section"] == "rates" and f["group"] == "all films"}
    for name in ("malpositioned", "surely malpositioned", "near the carina"):
        value, low, high = (100.0 * float(overall[name][end]) for end in ("value", "low", "high"))
        assert f"{value:.1f} % ({low:.1f} to {high:.1f})" in told
    assert page.index(told) < page.index("Mind")


def test_the_page_says_whether_patients_are_known(made, make, write, tmp_path):
    assert "Whose films they are is not known" in (made / "report.html").read_text()
    write_report(str(write(tmp_path, make(films=200, patients=True))), tmp_path)
    page = (tmp_path / "report.html").read_text()
    assert "allow for films of one patient being alike" in page
    assert "of 67 patients" in page


def test_the_page_says_what_to_mind(made):
    page = (made / "report.html").read_text()
    for words in ("does not replace it", "Rates count films, not patients", "comparisons were made at once"):
        assert words in page


def test_the_csv_holds_every_chapter(made):
    lines = figures(made)
    sections = {line["section"] for line in lines}
    assert sections == {
        *("rates", "differences", "over time", "distance", "lip mark"),
        *("agreement", "corrected", "coverage", "sensitivity"),
    }
    overall = next(line for line in lines if line["group"] == "all films" and line["figure"] == "malpositioned")
    assert float(overall["value"]) == pytest.approx(float(overall["events"]) / int(overall["films"]), abs=1e-5)
    assert float(overall["low"]) < float(overall["value"]) < float(overall["high"])


def test_on_request_no_small_count_is_anywhere(tmp_path, make, write):
    folder = write(tmp_path, make(films=400, hand=80))
    assert run(folder, "--suppress", "--out", tmp_path / "out") == 0
    for line in figures(tmp_path / "out"):
        if line["events"]:
            events, films = (round(float(line[name]), 1) for name in ("events", "films"))
            assert events == 0 or events >= 5, line
            assert films == 0 or films >= 5, line
        if line["unit"] == "films" and line["value"]:
            assert float(line["value"]) == 0 or float(line["value"]) >= 5, line
    page = (tmp_path / "out" / "report.html").read_text()
    assert "hidden" in page
    told = re.findall(r">([\d.]+) of ([\d.]+)<", page)
    assert told
    for events, films in told:
        assert all(float(number) == 0 or float(number) >= 5 for number in (events, films))


def test_words_of_the_results_are_words_on_the_page_and_no_formula_in_the_csv(tmp_path, rows, write):
    some = [row | {"unit": NASTY if i % 2 else "=1+1", "reader": None} for i, row in enumerate(rows[:300])]
    folder = write(tmp_path, some)
    assert run(folder, "--title", NASTY) == 0
    page = (folder / "report.html").read_text()
    assert NASTY not in page
    assert "&lt;script&gt;" in page
    lines = [line for line in figures(folder) if line["section"] == "rates"]
    levels = {line["level"] for line in lines if line["group"] == "Unit"}
    assert levels == {NASTY, "'=1+1"}


@pytest.mark.parametrize("kept", [1, 2, 12])
def test_very_few_films_still_make_a_report(tmp_path, rows, write, kept):
    films, page = write_report(str(write(tmp_path, rows[:kept])), tmp_path)
    assert films <= kept
    assert "How often" in page.read_text()


def test_films_that_all_cannot_be_read_still_make_a_report(tmp_path, rows, write):
    empty = {name: None for name in rows[0] if name.startswith("chance_")} | {
        "verdict": "cannot say",
        "no_action_because": "film not readable",
        "error": "no DICOM",
        "on_film_cm": None,
        "in_patient_cm": None,
        "move_cm": None,
        "action": None,
        "urgency": None,
    }
    _, page = write_report(str(write(tmp_path, [row | empty for row in rows[:40]])), tmp_path)
    assert "could not be opened" in page.read_text()


@pytest.mark.parametrize("place", ["nowhere", "memory://nowhere"])
def test_no_results_are_a_clear_error(tmp_path, place, capsys):
    with pytest.raises(SystemExit) as stopped:
        run(place, "--out", tmp_path)
    assert stopped.value.code == 2
    assert "no films/*.parquet found" in capsys.readouterr().err


def test_results_may_lie_wherever_fsspec_reaches(results, made, tmp_path):

    memory = fsspec.filesystem("memory")
    memory.put(f"{results}/", "/results-of-a-test", recursive=True)
    assert run("memory://results-of-a-test", "--out", tmp_path) == 0
    assert (tmp_path / "report.html").read_bytes() == (made / "report.html").read_bytes()


def test_a_reason_that_few_films_give_is_not_told_where_small_counts_are_hidden(tmp_path, rows, write):
    rare = {"verdict": "cannot say", "reasons": ["a reason of its own"], "on_film_cm": None, "move_cm": None}
    folder = write(tmp_path, [*rows[:300], rows[0] | rare | {"film": "another"}])
    run(folder)
    assert "a reason of its own" in (folder / "report.html").read_text()
    run(folder, "--suppress")
    assert "a reason of its own" not in (folder / "report.html").read_text()


def test_results_elsewhere_need_a_place_for_the_page(capsys):
    with pytest.raises(SystemExit):
        run("s3://bucket/results")
    assert "give --out DIR" in capsys.readouterr().err


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


@pytest.fixture
def opened(browser, made):
    browser.get((made / "report.html").as_uri())
    return browser


@pytest.mark.outside
def test_a_browser_asks_for_nothing_and_complains_of_nothing(browser, made):
    browser.get("about:blank")
    browser.get_log("performance")
    browser.get_log("browser")
    address = (made / "report.html").as_uri()
    browser.get(address)
    asked = re.findall(
        r'"method":"Network.requestWillBeSent".*?"url":"(.*?)"', str(browser.get_log("performance"))
    )
    assert {url for url in asked if not url.startswith("data:")} == {address}
    assert browser.get_log("browser") == []
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0


@pytest.mark.outside
def test_every_picture_speaks_and_fits(opened):
    names = opened.execute_script(
        "return [...document.querySelectorAll('svg')].map(svg => [svg.getAttribute('role'),"
        " ...svg.getAttribute('aria-labelledby').split(' ').map(id => document.getElementById(id).textContent)])"
    )
    assert len(names) >= 7
    assert all(role == "img" and title and description for role, title, description in names)
    outside = opened.execute_script(
        "return [...document.querySelectorAll('svg')].flatMap(svg => { const all = svg.getBoundingClientRect();"
        " return [...svg.querySelectorAll('text')].filter(text => { const box = text.getBoundingClientRect();"
        " return box.left < all.left - 1 || box.right > all.right + 1 || box.top < all.top - 1 ||"
        " box.bottom > all.bottom + 1 }).map(text => text.textContent) })"
    )
    assert outside == []


def column(opened, caption, index):
    return opened.execute_script(
        "const table = [...document.querySelectorAll('table')].find(t => t.caption.textContent === arguments[0]);"
        "return [[...table.tBodies[0].rows].map(row => row.cells[arguments[1]].dataset.sort),"
        " table.tHead.rows[0].cells[arguments[1]].getAttribute('aria-sort')]",
        caption,
        index,
    )


def press(opened, caption, index):
    path = f"//table[caption='{caption}']/thead/tr/th[{index + 1}]/button"
    button = opened.find_element(By.XPATH, path)
    opened.execute_script("arguments[0].focus()", button)
    button.send_keys(Keys.ENTER)


@pytest.mark.outside
def test_tables_sort_by_keyboard_and_say_so(opened):
    before, state = column(opened, "By month", 2)
    assert state == "none"
    press(opened, "By month", 2)
    rising, state = column(opened, "By month", 2)
    assert (rising, state) == (sorted(before, key=float), "ascending")
    press(opened, "By month", 2)
    falling, state = column(opened, "By month", 2)
    assert (falling, state) == (sorted(before, key=float, reverse=True), "descending")
    press(opened, "By month", 0)
    months, state = column(opened, "By month", 0)
    assert (months, state) == (sorted(months), "ascending")
    assert column(opened, "By month", 2)[1] == "none"


@pytest.mark.outside
def test_a_rate_that_is_chosen_shows_its_films(opened, rows):
    link = opened.find_element(By.CSS_SELECTOR, 'a[data-group="Sex"][data-level="female"][data-outcome="too low"]')
    opened.execute_script("arguments[0].click()", link)
    lines = opened.execute_script(
        "return [...document.querySelectorAll('#films-table tbody tr')]"
        ".map(row => [...row.cells].map(cell => cell.textContent))"
    )
    said = opened.execute_script("return document.getElementById('films-of').textContent")
    assert said == f"Sex, female, too low: {len(lines)} films listed."
    first = {
        row["film"]: row
        for row in sorted(rows, key=lambda r: (r["film"], r["source"] != "hand", r["reader"] or ""))[::-1]
    }
    expected = {
        key for key, row in first.items() if row["sex"] == "female" and (row["chance_too_low"] or 0.0) >= 0.0095
    }
    shown = {line[0] for line in lines}
    assert shown <= expected
    assert {key for key in expected if first[key]["chance_too_low"] >= 0.0105} <= shown
    chances = [int(line[-1].split()[0]) for line in lines]
    assert chances == sorted(chances, reverse=True)


@pytest.mark.outside
def test_the_page_is_no_wider_than_the_screen_and_prints(opened):
    wide = "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    scroll, client = opened.execute_script(wide)
    assert scroll <= client
    printed = opened.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF-")
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 40


def test_wishes_hide_nothing_unless_asked():
    assert Wishes().least is None
