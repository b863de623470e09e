"""The page of a stretched picture: shown as it is, and coloured as a run colours it."""

from dataclasses import replace

import numpy as np
import pytest
from bokeh.document import Document
from made_pictures import CURVES, made_picture

from starcal.choices import Settings
from starcal.draw.preview import write_png
from starcal.errors import NotLinearError
from starcal.frame import read_frame
from starcal.pipeline import run_settings
from starcal.view import points, rows
from starcal.view.displayed import OF_LINEAR_LIGHT, DisplayJob
from starcal.view.history import History
from starcal.view.job import cure_of, open_job
from starcal.view.page import Page
from starcal.view.visible import Window, after_shown, before_shown

SLOW_FIXTURES = ("settings", "job")
WHOLE = Window(slice(0, 360), slice(0, 480), 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("displayed")
    write_png(folder / "magenta.png", made_picture(3, CURVES["arcsinh"]).display)
    return folder


@pytest.fixture(scope="module")
def settings(folder):
    return Settings(frame=str(folder / "magenta.png"))


@pytest.fixture(scope="module")
def job(settings):
    return open_job(settings)


def levels_of(shown):
    """Pixels of the screen as (3, y, x) of 0 to 255."""
    height, width = shown.shape
    return shown.view(np.uint8).reshape(height, width, 4)[..., :3].transpose(2, 0, 1)


def test_before_is_the_picture_as_it_is(job, settings):
    assert isinstance(job, DisplayJob)
    shown = levels_of(before_shown(job, job.look(WHOLE), settings))
    np.testing.assert_array_equal(shown, np.rint(job.frame.pixels * 255))


def test_after_is_what_a_run_writes(job, settings, tmp_path):
    """To a level of the 8 bits that both are rounded to."""
    cure = cure_of(job, job.check, settings)
    shown = levels_of(after_shown(cure, job.look(WHOLE), settings)).astype(int)
    done = run_settings(settings, tmp_path / "out")
    written = np.rint(read_frame(done.folder / "picture.png").pixels * 255)
    assert np.abs(shown - written).max() <= 1
    assert np.abs(shown - np.rint(job.frame.pixels * 255)).max() > 20
    assert done.check.route == cure.route


def test_stars_tell_where_their_colours_are_from(job, settings):
    before = job.check.to_dict()
    cure = cure_of(job, job.check, settings)
    given = np.isfinite(cure.bv_mag)
    assert given.sum() > 30
    assert set(cure.source[~given]) == {"kept"}
    columns = points.columns_of(cure)
    assert np.isnan(columns["rho"]).all()  # ratios of display values mean nothing
    assert np.isfinite(columns["u_before"]).sum() > 20
    assert not points.with_catalogue(columns).size
    said = rows.verdict_html(cure)
    assert "stars coloured as they are displayed" in said
    assert "are for linear frames, and rest" in said
    assert "when their slider is let go" in said
    assert "colour_bv_mag" not in job.check.stars.colnames
    assert job.check.to_dict() == before


def test_warmth_and_saturation_move_the_colours_of_the_stars(job, settings):
    """On the page as in a run: redder stars lie further out in u'; without saturation they are as
    white as the neutral star."""
    plain, warm, white = (
        cure_of(job, job.check, replace(settings, **asked))
        for asked in ({}, {"warmth": 3.0}, {"saturation": 0.0})
    )
    known = np.isfinite(plain.uv_after + warm.uv_after).all(axis=1) & np.isfinite(plain.bv_mag)
    assert known.sum() > 10
    assert np.median(warm.uv_after[known, 0] - plain.uv_after[known, 0]) > 0.01
    spread = [np.nanstd(cure.uv_after[known], axis=0) for cure in (plain, white)]
    assert np.all(spread[1] < 0.7 * spread[0])
    for cure in (warm, white):  # nothing but footprints of stars
        touched = (cure.picture != job.frame.pixels).any(axis=0)
        assert 0.01 < touched.mean() < 0.4


def test_only_routes_that_need_no_linear_light_are_offered(job, settings):
    page = Page(Document(), job, History(settings))
    assert [name for name, _ in page.route.options] == ["best", "palette"]
    controls = page.sliders | {"clipped_cores": page.cores}
    assert {name for name, each in controls.items() if each.disabled} == set(OF_LINEAR_LIGHT)
    assert page.bands.disabled
    page.choose(route="palette")
    assert set(page.cure.source[np.isfinite(page.cure.bv_mag)]) == {"palette"}
    page.undo()
    assert page.history.now.route == "best"
    page.leave_out()
    assert "Nothing" in page.status.text or "No star" in page.status.text
    with pytest.raises(NotLinearError, match="needs linear light"):
        cure_of(job, job.check, Settings(frame=settings.frame, route="gains"))


@pytest.mark.slow
def test_a_picture_of_possible_stars_opens_unchanged_and_says_so(tmp_path):
    """The truth: every star has the colour of its B-V."""
    made = made_picture(3, CURVES["gamma"], n=90, shape=(240, 320))
    write_png(tmp_path / "true.png", made.truth)
    settings = Settings(frame=str(tmp_path / "true.png"))
    job = open_job(settings)
    cure = cure_of(job, job.check, settings)
    np.testing.assert_array_equal(cure.picture, job.frame.pixels)
    said = rows.verdict_html(cure)
    assert "the picture is unchanged" in said
    assert "--route" not in said
    assert set(cure.source) == {"kept"}
