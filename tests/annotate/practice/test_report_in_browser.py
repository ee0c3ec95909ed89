"""The report in a real Chromium: nothing fetched, nothing complained of, everything within its frame."""

import pytest
from selenium import webdriver

from annotate.practice.progress import progress_of
from annotate.practice.report import write_report

FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
OUTSIDE = """
return [...document.querySelectorAll('svg')].flatMap(svg => {
  const frame = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text')].filter(text => {
    const box = text.getBoundingClientRect();
    return box.left < frame.left - 1 || box.right > frame.right + 1
      || box.top < frame.top - 1 || box.bottom > frame.bottom + 1;
  }).map(text => text.textContent);
})
"""


@pytest.fixture(scope="module")
def opened(biased, practice, tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    page = folder / "practice.html"
    page.write_text(write_report(progress_of(biased), "AB", practice.START), encoding="utf-8")
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in (*FLAGS, f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    driver.get(page.as_uri())
    yield driver
    driver.quit()


@pytest.mark.outside
def test_nothing_is_fetched_and_nothing_complained_of(opened):
    assert opened.get_log("browser") == []
    assert opened.execute_script("return performance.getEntriesByType('resource').length") == 0


@pytest.mark.outside
def test_words_stay_within_their_pictures(opened):
    opened.set_window_size(1366, 900)
    assert opened.execute_script(OUTSIDE) == []


@pytest.mark.outside
@pytest.mark.parametrize("width", [1366, 500])
def test_the_page_scrolls_down_only(opened, width):
    opened.set_window_size(width, 900)
    assert opened.execute_script("return document.documentElement.scrollWidth - window.innerWidth") <= 0


@pytest.mark.outside
def test_the_films_are_drawn(opened):
    loaded = opened.execute_script(
        "return Promise.all([...document.querySelectorAll('svg image')].map(image => new Promise(done => {"
        " const copy = new Image(); copy.onload = () => done(copy.naturalWidth); copy.onerror = () => done(0);"
        " copy.src = image.getAttribute('href'); })))"
    )
    assert loaded
    assert all(width > 100 for width in loaded)
