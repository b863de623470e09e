"""The page of a finished nebula and its stars: what its sliders do, and that it saves what `join`
writes."""

import numpy as np
import pytest
import tifffile
from bokeh.document import Document

from starcal.choices import Settings
from starcal.cli.main import main
from starcal.demo.scene import make_scene
from starcal.frame import read_frame, write_fits
from starcal.view.history import History
from starcal.view.join_page import JoinPage
from starcal.view.joining import open_join_job, seen_pair
from starcal.view.visible import Window

SLOW_FIXTURES = ("files", "job")
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
def job(files):
    settings = Settings(frame=str(files / "nebula.tif"))
    nebula, stars = files / "nebula.tif", files / "it-stars.fits"
    return open_join_job(nebula, stars, settings, moved="none")


def shown(job, window=WHOLE, **asked):
    settings = Settings(**asked)
    shares = job.shares_in(window, settings.star_size)
    before, after = seen_pair(job, window, settings, shares)
    return channels(before), channels(after)


def channels(pixels):
    return np.stack([pixels & 255, pixels >> 8 & 255, pixels >> 16 & 255]).astype(int)


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


def test_every_wish_shows(job):
    _, plain = shown(job)
    changed = {
        "star_strength": 0.3,
        "star_size": 0.5,
        "brightest": 3,
        "star_brightness": 0.3,
        "saturation": 2.5,
        "warmth": 3.0,
    }
    for name, value in changed.items():
        _, other = shown(job, **{name: value})
        assert (other != plain).any(axis=0).mean() > 0.002, name


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
    page.sliders["brightest"].trigger("value_throttled", job.star_count, 5)
    page.render()
    assert (page.history.now.star_size, page.history.now.brightest) == (0.5, 5)
    assert (page.picture.halves.data["after"][0] != first).any()
    told = job.save(files / "saved.tif", page.history.now, False)
    assert "saved.tif" in told
    page.undo()
    page.undo()
    page.render()
    assert np.array_equal(page.picture.halves.data["after"][0], first)
    assert page.sliders["brightest"].value == job.star_count
    words = [str(files / "nebula.tif"), str(files / "it-stars.fits"), "--moved", "none", "-q"]
    asked = ["--star-size", "0.5", "--brightest", "5"]
    assert main(["join", *words, *asked, "-o", str(files / "typed.tif")]) == 0
    assert (files / "typed.tif").read_bytes() == (files / "saved.tif").read_bytes()
