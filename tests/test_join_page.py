"""The page of a finished nebula and its stars: what its sliders do, and that it saves what `join`
writes."""

import html
import threading

import numpy as np
import pytest
import tifffile
from bokeh.document import Document
from chromium import CHROMIUM, MODEL, Browser, composed, opened, served, settled
from PIL import Image

from starcal.choices import Settings
from starcal.cli.main import main
from starcal.demo.scene import make_scene
from starcal.errors import OutputError
from starcal.frame import read_frame, write_fits
from starcal.view import seen_stars
from starcal.view.choosing import typed_path
from starcal.view.desk import desk_at_once
from starcal.view.history import History
from starcal.view.join_page import JoinPage, with_pixels
from starcal.view.visible import Window
from starcal.view.waiting_page import WaitingPage

SLOW_FIXTURES = ("files", "waited", "job")
SHAPE = (220, 300)
WHOLE = Window(slice(0, SHAPE[0]), slice(0, SHAPE[1]), 1)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A split frame, and its starless part stretched, of 16 bits."""
    folder = tmp_path_factory.mktemp("page")
    scene = make_scene(shape=SHAPE, scale_arcsec=6.0, seed=4, nebula_electrons=2e4)
    write_fits(folder / "frame.fits", scene.pixels, scene.header)
    assert main(["split", "-q", str(folder / "frame.fits"), "-o", str(folder / "it")]) == 0
    starless = np.nan_to_num(read_frame(folder / "it-starless.fits").pixels)
    dark = np.quantile(starless, 0.02)
    share = np.clip((starless - dark) / (np.quantile(starless, 0.999) - dark), 0, None)
    display = 0.05 + 0.6 * np.arcsinh(15 * share) / np.arcsinh(15)
    numbers = np.rint(65535 * np.clip(display, 0, 1)).astype(np.uint16)
    tifffile.imwrite(
        folder / "nebula.tif", numbers[:, ::-1].transpose(1, 2, 0), photometric="rgb"
    )
    return folder


@pytest.fixture(scope="module")
def waited(files):
    """The page that shows a nebula at once, when its stars are told apart; and what it showed at
    first."""
    asked = Settings(frame=str(files / "it-stars.fits"))
    kept = {"out": None, "overwrite": False}
    desk = desk_at_once(asked, nebula=files / "nebula.tif", moved="none", **kept)
    page, ended = WaitingPage(Document(), desk.waiting, desk.history), threading.Event()
    page.render()
    at_first = dict(page.picture.halves.data)
    desk.waiting.then(ended.set)
    assert ended.wait(120)
    return page, at_first


@pytest.fixture(scope="module")
def job(waited):
    return waited[0].work.job


def test_what_is_left_of_a_waiting_page_draws_no_choice_of_the_whole_one(waited):
    """The server keeps it for half a minute: each choice took three times as long."""
    page, _ = waited
    before = page.history
    page.follow(before.choose(star_strength=2.0))
    assert page.history is before


def shown(job, window=WHOLE, **asked):
    settings = Settings(**asked)
    seen = job.look(window)
    lit = job.with_stars(seen, job.stars_in(window, settings.star_size), settings)
    return channels(seen.before), channels(with_pixels(seen.before, *lit))


def after_on(page):
    """What the page shows right of the divider after a slider has moved."""
    before, lit = page.picture.halves.data["before"][0], page.picture.lit.data
    place, pixel = lit["place"][0], lit["pixel"][0]
    assert (before.ravel()[place] != pixel).all()  # nothing is sent that stays
    return with_pixels(before, place, pixel)


def channels(pixels):
    return np.stack([pixels & 255, pixels >> 8 & 255, pixels >> 16 & 255]).astype(int)


@pytest.mark.campaign
def test_what_is_seen_is_what_join_writes(files, job):
    """Drawn from the model of the stars: to 2 of 255 under half of the pixels of stars, to 12 under nine
    in ten, and where there is none
    to the rounding of 8 bits, but for 1 % where the layer has light that no star is known for."""
    out = files / "joined.tif"
    words = [str(files / "nebula.tif"), str(files / "it-stars.fits"), "-o", str(out)]
    assert main(["join", "-q", *words, "--moved", "none"]) == 0
    true = 255 * read_frame(out).pixels
    before, after = shown(job)
    starry = (before != after).any(axis=0)
    assert 0.02 < starry.mean() < 0.9
    assert np.quantile(np.abs(after - true)[:, ~starry], 0.99) < 2
    assert np.median(np.abs(after - true)[:, starry]) < 2
    assert np.quantile(np.abs(after - true)[:, starry], 0.9) < 12


def test_a_nebula_shows_at_once_then_with_its_stars(waited):
    """And then the page that can be played with, where all looks the same."""
    page, at_first = waited
    assert (at_first["before"][0] == at_first["after"][0]).all()
    page.look()
    assert page.state.text == "opened"
    assert "stars screened" in page.verdict.text
    page.render()
    seen, job = page.picture.halves.data, page.work.job
    assert (seen["before"][0] == at_first["before"][0]).all()
    assert (seen["before"][0] == job.look(page._window()).before).all()
    starry = seen["before"][0] != seen["after"][0]
    assert 0.02 < starry.mean() < 0.9


def test_every_wish_shows(job):
    _, plain = shown(job)
    changed = {
        "star_strength": 0.3,
        "star_size": 0.5,
        "brightest": 3,
        "faintest_mag": job.numbers["faintest_mag"][0] + 1,
        "star_brightness": 0.3,
        "saturation": 2.5,
        "warmth": 3.0,
    }
    for name, value in changed.items():
        _, other = shown(job, **{name: value})
        assert (other != plain).any(axis=0).mean() > 0.002, name


def test_another_size_shows_by_the_brightest_first(job, monkeypatch):
    """And by all when the hand rests, as if they had been drawn in it from the beginning. Pixels of
    other stars are not made anew."""
    monkeypatch.setattr(seen_stars, "FIRST_STARS", 5)
    seen, small = job.look(WHOLE), job.stars_in(WHOLE, 0.5)
    start = job.stars_in(WHOLE, 1.0)
    soon = start.resized(0.5)
    begun, shown, rested, true = [
        with_pixels(seen.before, *job.with_stars(seen, each, Settings()))
        for each in (start, soon, soon.finished(), small)
    ]
    assert (shown != true).any()
    assert (rested == true).all()
    alone = job.with_stars(seen, soon, Settings(), soon.unlike(start))
    assert (with_pixels(begun, *alone) == shown).all()
    assert len(alone[0]) < 0.5 * start.lit.sum()
    assert not soon.at_rest
    assert soon.finished().at_rest


def test_a_view_from_afar_has_the_same_light(job):
    """Means over 2 x 2 pixels: linear light is averaged before it is stretched, so cores differ."""
    _, near = shown(job)
    _, far = shown(job, Window(WHOLE.rows, WHOLE.columns, 2))
    binned = near.reshape(3, SHAPE[0] // 2, 2, SHAPE[1] // 2, 2).mean(axis=(2, 4))
    assert np.abs(far - binned).mean() < 2


def test_sliders_undo_and_save(files, job, monkeypatch):
    settings = Settings(frame=str(files / "nebula.tif"))
    page = JoinPage(Document(), job, History(settings), out=str(files / "saved.tif"))
    monkeypatch.setattr(page, "_window", lambda: WHOLE)
    page.render()
    first = page.picture.halves.data["after"][0].copy()
    page.sliders["star_size"].trigger("value_throttled", 1.0, 0.5)
    page.choose_left()
    page.render()
    page.stars = page.stars.finished()  # as when the hand rests
    page.render()
    assert np.array_equal(channels(after_on(page)), shown(job, star_size=0.5)[1])
    most = page.sliders["brightest"].end
    page.sliders["brightest"].trigger("value_throttled", most, 5)
    page.choose_left()
    page.render()
    assert (page.history.now.star_size, page.history.now.brightest) == (0.5, 5)
    assert (after_on(page) != first).any()
    told = job.write_whole(files / "saved.tif", page.history.now, False)
    assert "saved.tif" in told
    page.undo()
    page.undo()
    page.render()
    assert np.array_equal(after_on(page), first)
    assert page.sliders["brightest"].value == most
    words = [str(files / "nebula.tif"), str(files / "it-stars.fits"), "--moved", "none", "-q"]
    asked = ["--star-size", "0.5", "--brightest", "5"]
    assert main(["join", *words, *asked, "-o", str(files / "typed.tif")]) == 0
    assert (files / "typed.tif").read_bytes() == (files / "saved.tif").read_bytes()


def test_faintest_stars_and_cores_are_chosen_there_too(files, job, monkeypatch):
    settings = Settings(frame=str(files / "nebula.tif"))
    page = JoinPage(Document(), job, History(settings), out="")
    monkeypatch.setattr(page, "_window", lambda: WHOLE)
    slider = page.sliders["faintest_mag"]
    slider.trigger("value_throttled", slider.end, slider.start + 1)
    page.choose_left()
    assert page.history.now.faintest_mag == round(slider.start + 1, 3)
    slider.trigger("value_throttled", slider.start + 1, slider.end)
    page.choose_left()
    assert page.history.now.faintest_mag is None
    page.cores.active = False
    assert page.history.now.clipped_cores == "keep"
    page.render()
    page.undo()
    assert page.cores.active
    assert page.history.now.clipped_cores == "rebuild"


def test_moves_of_one_gesture_are_one_step(files, job):
    """However slowly they arrive; the page writes no value that a hand has moved on meanwhile."""
    settings = Settings(frame=str(files / "nebula.tif"))
    page = JoinPage(Document(), job, History(settings), out="")
    slider, seen = page.sliders["saturation"], []
    slider.on_change("value", lambda attribute, old, new: seen.append(new))
    moved = [1.0 + 0.05 * step for step in range(1, 21)]  # with the errors of such sums
    for i, value in enumerate(moved):
        slider.value = value  # as the browser says it
        slider.trigger("value_throttled", 0, value)
        if i % 5 == 0:
            page.choose_left()  # as when they come apart
    assert seen == moved
    page.sliders["warmth"].trigger("value_throttled", 1.0, 2.0)
    page.choose_left()
    assert (page.history.now.saturation, page.history.now.warmth) == (2.0, 2.0)
    assert len(page.history.past) == 2
    page.undo()
    page.undo()
    assert page.history.now == settings
    page.redo()
    assert page.history.now.saturation == 2.0
    page.reset()
    assert page.history.now == settings
    page.undo()
    assert page.history.now.saturation == 2.0
    for gesture, value in enumerate((1.5, 1.25)):
        page.status.tags = [gesture]  # as the browser counts them
        slider.trigger("value_throttled", 0, value)
    page.undo()
    assert page.history.now.saturation == 1.5


@pytest.mark.parametrize(
    ("typed", "said"),
    [("  ", "no name given"), ("a\x07.tif", "do not show"), ("x.gif", "ends in")],
)
def test_a_name_typed_on_the_page_is_judged(files, job, typed, said):
    with pytest.raises(OutputError, match=said):
        job.write_whole(typed_path(typed), Settings(), False)


@pytest.mark.parametrize("taken", ["nebula.tif", "it-stars.fits"])
def test_no_input_is_written_over_from_the_page(files, job, taken):
    output = (files / taken).with_suffix(".tif") if taken == "nebula.tif" else files / taken
    with pytest.raises(OutputError, match="is an input"):
        job.write_whole(output, Settings(), True)


# --- in a browser -------------------------------------------------------------------------------

EVIL = "nebula <img src=x onerror=pwned=1>.tif"


@pytest.mark.campaign
def test_the_page_of_join_in_a_browser(files, tmp_path):
    """Everything that a hand can do there, at 1366 x 768, of a file whose name is markup."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: the page is not tried in a browser")
    (files / EVIL).write_bytes((files / "nebula.tif").read_bytes())
    browser = Browser(tmp_path / "profile")
    size = {"width": 1366, "height": 768, "deviceScaleFactor": 1, "mobile": False}
    browser.send("Emulation.setDeviceMetricsOverride", **size)
    folder = str(tmp_path)
    browser.send("Browser.setDownloadBehavior", behavior="allow", downloadPath=folder)
    with served(files / EVIL, str(files / "it-stars.fits"), "--out", "~/w.tif") as (address, _):
        opened(browser, address)
        require_words_and_room(browser)
        require_hold(browser)
        require_choices_stay(browser)
        require_export(browser, tmp_path)
        browser.key("s", ctrl=True)
        browser.until(f"{MODEL}('status').text.includes('Saved')", tries=400)
        kinds = ("Runtime.exceptionThrown", "Log.entryAdded")
        assert [event for event in browser.events if event["method"] in kinds] == []
    browser.close()
    assert read_frame(files / "w.tif").pixels.shape[1:] == SHAPE


def require_words_and_room(browser):
    assert browser.js("document.querySelector('h1').textContent") == EVIL
    assert browser.js("typeof pwned") == "undefined"
    assert html.escape(EVIL) not in browser.js("document.body.textContent")
    _, _, width, height = browser.box("picture")
    assert width * height > 0.5 * 1366 * 768
    assert browser.js("document.documentElement.scrollHeight") == 768
    for name in ("save", "undo", "redo", "folder", "status"):
        left, top, wide, high = browser.box(name)
        assert left >= 0
        assert left + wide <= 1366
        assert top + high <= 768


def require_hold(browser):
    """Without stars as long as the key is held."""
    typed = {"key": "h", "text": "h", "windowsVirtualKeyCode": 72}
    browser.send("Input.dispatchKeyEvent", type="keyDown", **typed)
    seen, before, after = composed(browser)
    assert (seen == before).all()
    assert (before != after).mean() > 0.01
    browser.send("Input.dispatchKeyEvent", type="keyUp", key="h")
    seen, before, after = composed(browser)
    assert (seen == after).all()


def require_choices_stay(browser):
    """Keys at their repeat speed, a step for all of them; back, forth, double click, typed, all."""
    plain = settled(browser)
    value = f"{MODEL}('saturation').value"
    slider = f"Bokeh.index.get({MODEL}('saturation')).el"
    browser.js(f"{slider}.shadowRoot.querySelector('.noUi-handle').focus()")
    for _ in range(20):
        browser.key("ArrowRight", code=39)
    assert browser.js(value) == pytest.approx(2.0)
    changed = settled(browser)
    assert (changed != plain).any()
    assert browser.js(value) == pytest.approx(2.0)
    assert browser.js("document.getElementById('busy').hidden")
    browser.key("u")
    browser.until(f"{value} == 1")
    assert (settled(browser) == plain).all()
    browser.key("r")
    browser.until(f"{value} > 1.99")
    browser.js(f"{slider}.dispatchEvent(new MouseEvent('dblclick', {{bubbles: true}}))")
    browser.until(f"{value} == 1")
    field = "document.querySelector('input[data-of=star_size]')"
    browser.js(f"{field}.value = 0.63, {field}.dispatchEvent(new Event('change'))")
    assert browser.js(f"{MODEL}('star_size').value") == 0.63
    assert (settled(browser) != plain).any()
    browser.key("d")
    browser.until(f"{MODEL}('star_size').value == 1")
    assert (settled(browser) == plain).all()


def require_export(browser, folder):
    """What is seen as a file: the same pixels, as large as they are on the screen."""
    browser.key("e")
    for _ in range(100):
        if found := list(folder.glob("*-seen.png")):
            break
        browser.pause(0.05)
    seen = np.array(Image.open(found[0]))
    picture = composed(browser)[0]
    times = seen.shape[0] // picture.shape[0]
    true = picture[::-1].repeat(times, axis=0).repeat(times, axis=1).astype("<u4")
    assert np.array_equal(seen.view("<u4")[..., 0] if seen.shape[2] == 4 else seen, true)
