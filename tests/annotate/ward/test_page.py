"""The page in a real Chromium: marks by pointer and keyboard, phone and screen, light and dark, axe-core."""

import io
import json
from pathlib import Path

import axe_core_python
import numpy as np
import pytest
from PIL import Image
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
TOKEN = "token-of-the-tests"
AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
PHONE, SCREEN = (360, 740), (1440, 1000)


class Browser:
    def __init__(self, driver, address):
        self.driver, self.address = driver, address

    def open(self, where, size=SCREEN, scheme="light"):
        width, height = size
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        self.driver.get(self.address + where)
        if where.startswith("/films/") and not where.endswith("print"):
            self.until(lambda: self.find("film").get_attribute("data-ready") == "yes")

    def find(self, name):
        return self.driver.find_element(By.ID, name)

    def text(self, name):
        return self.find(name).text

    def until(self, true):
        replaced = [StaleElementReferenceException]  # The page was loaded again between finding and reading.
        WebDriverWait(self.driver, 20, 0.05, ignored_exceptions=replaced).until(lambda _: true())

    def script(self, words, *values):
        return self.driver.execute_script(words, *values)


@pytest.fixture(scope="module")
def browser(ward, tmp_path_factory):
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    opened = Browser(driver, ward.address)
    opened.open(f"/sign-in?token={TOKEN}")
    yield opened
    driver.quit()


@pytest.fixture
def new_film(ward, film_bytes):
    """A film of its own for a test that answers it."""
    return ward.read(film_bytes())


@pytest.fixture
def follow_up(ward, film_bytes):
    """A film whose patient's film before somebody has confirmed as it was proposed."""
    names = []
    for day in (2, 3):
        names.append(ward.read(film_bytes(PatientID="ID-CARRIED", AcquisitionDate=f"2000010{day}")))
        if day == 2:
            client = ward.signed_in()
            form = {"form_token": ward.form_token(client), "say": "confirm", "marks": "{}"}
            form["seen"] = str(ward.service.register.film(names[0]).answer.number)
            assert client.post(f"/films/{names[0]}/decide", data=form).status_code == 200
    return names[1]


@pytest.mark.outside
def test_the_page_says_that_the_film_before_is_in_the_carina_until_a_hand_places_it(browser, follow_up):
    browser.open(f"/films/{follow_up}")
    assert "Carina: carried from the film before by the bones" in browser.text("noted")
    assert browser.find("carina").get_attribute("data-source") == "proposed"
    ActionChains(browser.driver).drag_and_drop_by_offset(browser.find("carina"), 0, 20).perform()
    browser.until(lambda: browser.text("noted") == "")
    assert browser.find("carina").get_attribute("data-source") == "hand"
    browser.find("undo").click()
    browser.until(lambda: "film before" in browser.text("noted"))


@pytest.mark.outside
@pytest.mark.parametrize("size", [PHONE, SCREEN], ids=["phone", "screen"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_core_finds_nothing(browser, read_film, size, scheme):
    for where in ("/", f"/films/{read_film}", "/access", "/service"):
        browser.open(where, size, scheme)
        browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE})
        found = browser.driver.execute_async_script("axe.run().then(arguments[0])")
        told = [(each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found["violations"]]
        assert told == [], where
        assert browser.script("return document.documentElement.scrollWidth") <= size[0], where


@pytest.mark.outside
def test_nothing_is_fetched_from_elsewhere_and_nothing_complained_of(browser, read_film):
    browser.driver.get_log("browser")
    for where in ("/", f"/films/{read_film}", f"/films/{read_film}/print"):
        browser.open(where)
        asked = browser.script("return performance.getEntriesByType('resource').map(each => each.name)")
        assert asked, where
        assert [name for name in asked if not name.startswith(browser.address)] == []
    assert browser.driver.get_log("browser") == []


@pytest.mark.outside
def test_dragging_changes_the_answer(browser, read_film):
    browser.open(f"/films/{read_film}")
    before, place = browser.text("headline"), browser.text("place")
    ActionChains(browser.driver).drag_and_drop_by_offset(browser.find("tip"), 0, 60).perform()
    browser.until(lambda: browser.text("place") != place)
    assert browser.text("headline") != before
    assert browser.find("tip").get_attribute("data-source") == "hand"
    assert browser.find("carina").get_attribute("data-source") == "proposed"
    assert browser.text("confirm") == "Confirm with your changes"
    browser.find("undo").click()
    browser.until(lambda: browser.text("place") == place)
    assert browser.text("headline") == before


@pytest.mark.outside
def test_the_keyboard_moves_a_mark_by_a_pixel_and_by_ten(browser, read_film):
    browser.open(f"/films/{read_film}")

    def row():
        return float(browser.script("return place('carina').y / state.aspect - 0.5"))

    start = row()
    browser.find("carina").send_keys(Keys.ARROW_DOWN)
    assert row() == pytest.approx(start + 1.0)
    browser.find("carina").send_keys(Keys.SHIFT, Keys.ARROW_UP)
    assert row() == pytest.approx(start - 9.0)
    assert "placed by hand" in browser.find("carina").get_attribute("aria-valuetext")


@pytest.mark.outside
def test_marks_lie_on_the_pixels_that_they_mean(browser, ward, read_film):
    """A mark at the middle of the film is drawn at the middle of the picture, close up too."""
    browser.open(f"/films/{read_film}")
    for press in (False, True):
        if press:
            browser.find("closer").click()
        apart = browser.script(
            """
            move('tip', state.width / 2, state.height / 2);
            const middles = ['#pixels', '#tip circle.ink'].map(name => {
              const box = document.querySelector(name).getBoundingClientRect();
              return [box.x + box.width / 2, box.y + box.height / 2];
            });
            return [0, 1].map(axis => middles[1][axis] - middles[0][axis]);
            """
        )
        assert np.abs(apart).max() < 1.0


@pytest.mark.outside
def test_a_proposal_is_visibly_only_that_until_a_reader_confirms(browser, new_film, ward):
    browser.open("/")
    row = browser.driver.find_element(By.CSS_SELECTOR, f"a[href='/films/{new_film}']")
    assert "Proposal: confirmed by nobody" in row.text
    browser.open(f"/films/{new_film}")
    assert browser.text("said") == "Proposal: confirmed by nobody"
    browser.find("lip").send_keys("23")
    browser.until(lambda: "23" in browser.text("headline"))
    browser.find("confirm").click()
    browser.until(lambda: "corrected by" in browser.text("said"))
    assert browser.find("lip").get_attribute("value") == "23"
    assert next(film for film in ward.api() if film["film"] == new_film)["status"] == "confirmed"


@pytest.mark.outside
@pytest.mark.parametrize(("button", "said"), [("no tube", "no tube"), ("no carina", "carina cannot be seen")])
def test_no_tube_and_no_carina(browser, new_film, ward, button, said):
    browser.open(f"/films/{new_film}")
    browser.driver.find_element(By.CSS_SELECTOR, f"button[value='{button}']").click()
    browser.until(lambda: said in browser.text("said"))
    answer = next(film for film in ward.api() if film["film"] == new_film)
    assert answer["distance"] is None
    assert answer["adjustment"] is None


@pytest.mark.outside
def test_a_service_that_is_gone_is_told_and_nothing_can_be_confirmed(browser, read_film):
    browser.open(f"/films/{read_film}")
    browser.script("window.fetch = () => Promise.reject(new TypeError('gone')); move('tip', 200, 200)")
    browser.until(lambda: "does not answer" in browser.text("trouble"))
    assert not browser.find("confirm").is_enabled()


def test_the_picture_shows_the_film_upright_and_whole(ward, read_film):
    client = ward.signed_in()
    picture = Image.open(io.BytesIO(client.get(f"/films/{read_film}/large.jpg").content))
    assert picture.size == (512, 512)
    assert Image.open(io.BytesIO(client.get(f"/films/{read_film}/crop.jpg").content)).size == (240, 240)
    assert client.get(f"/films/{read_film}/film.jpg").status_code == 404


def test_the_page_answers_as_the_command_to_the_last_digit(ward, film_bytes, tmp_path, capsys, read_film):
    from annotate.command_line import main

    path = tmp_path / "film.dcm"
    content = ward.service.reception._shelf.get(read_film, "film")
    path.write_bytes(content)
    client = ward.signed_in()
    token = ward.form_token(client)
    marks = {"tip": [180.25, 250.5], "carina": [260.125, 255.0], "lip_mark_cm": 23, "neck": "neutral"}
    answer = client.post(f"/films/{read_film}/assess", json=marks, headers={"X-Form-Token": token})
    words = ["--tip", "180.25,250.5", "--carina", "260.125,255", "--lip-mark", "23", "--neck", "neutral", "--json"]
    assert main(["read", str(path), *words]) == 0
    by_command = json.loads(capsys.readouterr().out)
    by_page = answer.json()["reading"]
    assert by_page["distance"] is not None
    assert by_page.pop("film") == read_film
    assert by_command.pop("film") == str(path)
    assert by_page == by_command


def test_with_the_film_before_it_answers_as_the_command_with_that_film(ward, film_bytes, tmp_path, capsys):
    from annotate.command_line import main

    register, names = ward.service.register, []
    today, yesterday = (film_bytes(PatientID="ID-FOLLOWED", AcquisitionDate=f"2000010{day}") for day in (3, 2))
    for content in (today, yesterday):
        known = {film["film"] for film in ward.api()}
        ward.service.reception.receive(content, "test")
        ward.answered(len(known) + 1)
        names += [film["film"] for film in ward.api() if film["film"] not in known]
    client = ward.signed_in()
    headers = {"X-Form-Token": ward.form_token(client)}
    marks = {"tip": [150.0, 250.5], "carina": [260.0, 255.0], "lip_mark_cm": 23}
    form = {"form_token": headers["X-Form-Token"], "say": "confirm", "marks": json.dumps(marks)}
    form["seen"] = str(register.film(names[1]).answer.number)
    assert client.post(f"/films/{names[1]}/decide", data=form).status_code == 200
    marks = {"tip": [180.25, 250.5], "carina": [260.125, 255.0], "lip_mark_cm": 24}
    by_page = client.post(f"/films/{names[0]}/assess", json=marks, headers=headers).json()["reading"]
    path, before = tmp_path / "today.dcm", tmp_path / "before.json"
    path.write_bytes(today)
    before.write_text(json.dumps(register.film(names[1]).answer.answer))
    words = ["--tip", "180.25,250.5", "--carina", "260.125,255", "--lip-mark", "24", "--previous", str(before)]
    assert main(["read", str(path), *words, "--json"]) == 0
    by_command = json.loads(capsys.readouterr().out)
    assert by_command.pop("film") == str(path)
    assert by_page.pop("film") == names[0]
    assert by_command["change"] is not None
    assert by_page == by_command
