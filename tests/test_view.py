"""The page: choices and the way back, the rendered part against the picture of a run, and all of it
in a browser."""

import asyncio
import base64
import contextlib
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from dataclasses import replace
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import block_reduce
from astropy.table import Table
from bokeh.document import Document
from chromium import CHROMIUM, MODEL, Browser, composed, opened, served, settled
from hypothesis import given
from hypothesis import strategies as st
from tornado.httpclient import AsyncHTTPClient, HTTPRequest
from tornado.ioloop import IOLoop
from tornado.websocket import WebSocketClosedError, websocket_connect

import starcal as starcal_package
from starcal.checking.check import check
from starcal.choices import Settings, default_of, read_settings
from starcal.colour.stellar import star_rgb, uv_prime_distance
from starcal.cure.gains import apply_calibration
from starcal.cure.stars import recolour_checked
from starcal.errors import FrameError, PageError, TooFewStars
from starcal.frame import write_fits
from starcal.stars import Flag
from starcal.view import points, rows
from starcal.view.counting import counted_outcome
from starcal.view.desk import Desk
from starcal.view.history import History
from starcal.view.job import (
    ByGains,
    ByStar,
    cure_of,
    open_job,
    star_fluxes,
)
from starcal.view.page import Page
from starcal.view.saving import save_of_job
from starcal.view.visible import (
    Window,
    after_shown,
    before_shown,
    mean_of,
    rgba,
    window_of,
)
from starcal.view.waiting import FirstSight
from starcal.view.waiting_page import WaitingPage

ROOT = Path(__file__).parents[1]
PATIENCE_S = 120  # with a machine that does much else
SHO = {
    "ra_deg": 324.7,
    "dec_deg": 57.5,
    "scale_arcsec": 3.5,
    "system": "SHO",
    "scatter": "spectra",
    "seed": 2,
    "channel_gains": (1.0, 0.25, 0.71),
    "fwhm_px": 2.6,
    "v_zero_electrons": 2e11,
    "nebula_electrons": 2e4,
}
CAMERA = {
    "ra_deg": 305.6,
    "dec_deg": 40.3,
    "scale_arcsec": 4.0,
    "seed": 1,
    "channel_gains": (0.62, 1.0, 0.78),
    "fwhm_px": 2.5,
    "nebula_electrons": 4e3,
}
LOST = CAMERA | {"with_wcs": False, "shape": (112, 160)}


SLOW_FIXTURES = {"sho", "camera", "address", "browser"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory, scene_of):
    folder = tmp_path_factory.mktemp("view")
    for name, settings in (("sho", SHO), ("camera", CAMERA), ("lost", LOST)):
        scene = scene_of(**settings)
        write_fits(folder / f"{name}.fits", np.array(scene.pixels), scene.header)
    return folder


@pytest.fixture(scope="module")
def sho(folder):
    return open_job(Settings(frame=str(folder / "sho.fits")))


@pytest.fixture(scope="module")
def camera(folder):
    return open_job(Settings(frame=str(folder / "camera.fits")))


# --- choices ----------------------------------------------------------------------------


def test_every_choice_can_be_taken_back():
    first = History(Settings(frame="a.fits"))
    second = first.choose(warmth=1.5)
    third = second.leave_out(((3.0, 4.0), (5.0, 6.0))).take_back(((3.0, 4.0),))
    assert (first.now.warmth, second.now.warmth) == (1.0, 1.5)
    assert third.now.leave_out == ((5.0, 6.0),)
    assert [
        third.undo().now.leave_out,
        third.undo().undo().now,
        third.undo().undo().undo().now,
    ] == [((3.0, 4.0), (5.0, 6.0)), second.now, first.now]
    assert first.undo() == first


def test_a_choice_that_changes_nothing_is_no_step():
    history = History(Settings(leave_out=((1.0, 2.0),)))
    assert history.choose(warmth=1.0) is history
    assert history.leave_out(((1.0, 2.0),)) is history
    assert history.take_back(((9.0, 9.0),)) is history


# --- the visible part -------------------------------------------------------------------


@given(
    st.floats(-500, 900),
    st.floats(-500, 900),
    st.floats(1, 2000),
    st.floats(1, 2000),
    st.integers(1, 1500),
    st.integers(1, 1500),
)
def test_a_window_lies_in_the_frame_and_covers_what_is_seen(x, y, width, height, across, up):
    shape = (470, 633)
    window = window_of((x, x + width), (y, y + height), (across, up), shape)
    for part, size, low, high in (
        (window.rows, shape[0], y, y + height),
        (window.columns, shape[1], x, x + width),
    ):
        assert 0 <= part.start < part.stop <= size
        assert part.start % window.step == part.stop % window.step == 0
        whole = size // window.step * window.step
        assert (
            part.start <= max(np.ceil(low), 0) or part.stop == whole
        )  # the range lies beyond the frame
        assert part.stop >= min(np.floor(high) + 1, whole) or part.start == 0


def test_one_to_one_shows_every_pixel_and_farther_off_as_many_as_the_screen():
    assert window_of((99.5, 399.5), (49.5, 249.5), (300, 200), (470, 633)) == Window(
        slice(50, 250), slice(100, 400), 1
    )
    far = window_of((-0.5, 5999.5), (-0.5, 3999.5), (1200, 800), (4000, 6000))
    assert (far.step, far.shape, far.box) == (5, (800, 1200), (-0.5, -0.5, 6000, 4000))


def test_means_are_those_of_astropy():
    """`astropy.nddata.block_reduce` is the independent mean; float32 sums of 9 differ by some
    1e-7."""
    pixels = np.random.default_rng(0).random((3, 20, 31), np.float32)
    window = Window(slice(3, 18), slice(6, 30), 3)
    expected = block_reduce(pixels[:, 3:18, 6:30], (1, 3, 3), np.mean)
    assert mean_of(pixels, window) == pytest.approx(expected, abs=1e-6)
    assert np.isnan(mean_of(np.full_like(pixels, np.nan), window)).all()


def test_pixels_are_red_green_blue_and_opaque_in_this_order_of_bytes():
    """As Bokeh and the canvas of browsers want them: the bytes R, G, B, A (HTML standard,
    ImageData)."""
    display = np.array([1.0, 0.5, 0.0], np.float32)[:, None, None]
    assert rgba(display).astype("<u4").tobytes() == bytes([255, 128, 0, 255])


@pytest.mark.campaign
def test_the_visible_part_is_that_of_the_picture_of_a_run(sho):
    """Against the whole picture as `run` makes it; only the order of float32 sums differs, far
    below the noise."""
    settings = Settings(warmth=1.4, saturation=1.6, star_brightness=1.3)
    picture = recolour_checked(sho.frame, sho.check, settings).picture
    cure = cure_of(sho, sho.check, settings)
    for step in (1, 3):
        window = Window(slice(60, 300), slice(120, 420), step)
        seen = cure.after(sho.look(window))
        part = picture[:, window.rows, window.columns]
        expected = block_reduce(part, (1, step, step), np.mean)
        assert seen == pytest.approx(expected, abs=2e-6)
        assert np.abs(seen - sho.look(window).before).max() > 0.01  # the stars did change


@pytest.mark.slow
@pytest.mark.parametrize("step", [1, 4])
def test_gains_show_as_they_are_applied(camera, step):
    """Against the whole frame as `apply_calibration` makes it, clipped and whitened stars
    included."""
    window = Window(slice(40, 320), slice(80, 440), step)
    cure = cure_of(camera, camera.check, Settings(route="gains"))
    whole = apply_calibration(camera.frame, camera.check, default_of("sky")).pixels
    expected = block_reduce(whole[:, window.rows, window.columns], (1, step, step), np.mean)
    assert cure.after(camera.look(window)) == pytest.approx(expected, abs=2e-6)
    assert len(cure.whitening.x_px) > 0
    assert np.abs(cure.whitening.excess).max() > 0.01


def test_the_best_route_is_that_of_the_check(camera, sho):
    assert isinstance(cure_of(camera, camera.check, Settings()), ByGains)
    assert isinstance(cure_of(sho, sho.check, Settings()), ByStar)
    assert set(cure_of(sho, sho.check, Settings(route="catalogue")).source) <= {
        "catalogue",
        "field median",
    }


def test_black_point_and_stretch_change_the_look_alone(sho):
    cure, part = (
        cure_of(sho, sho.check, Settings()),
        sho.look(Window(slice(0, 320), slice(0, 440), 4)),
    )
    for show in (partial(after_shown, cure), partial(before_shown, sho)):
        plain, dark, bright = (
            show(part, settings).view(np.uint8).reshape(-1, 4)[:, :3].mean()
            for settings in (Settings(), Settings(black=1.0), Settings(strength=3.0))
        )
        assert dark < plain < bright


@pytest.mark.slow
def test_a_frame_shows_before_it_is_checked(folder):
    """And can be looked at with another stretch; then what the check finds, the page that can be
    played with, or why there is none: after a frame that was chosen on the page another can be."""
    for route in ("best", "catalogue"):
        asked = Settings(route=route)
        desk = Desk(settings=asked, history=History(asked))
        desk.take(folder / "lost.fits")
        waiting, kept = desk.waiting, []
        page = WaitingPage(
            Document(), waiting, desk.history, keep=kept.append, chosen_here=True
        )
        seen = [_seen_mean(page)]
        page.sliders["strength"].trigger("value_throttled", 1.0, 3.0)
        page.choose_left()
        seen.append(_seen_mean(page))
        assert seen[1] > seen[0] + 1
        assert kept[-1].now.strength == 3.0
        while desk.waiting is not None:  # the last that its thread does
            time.sleep(0.02)
        if route == "best":
            assert waiting.job.check.match is None
        else:
            assert isinstance(waiting.error, TooFewStars)
            assert "use --route best" in str(waiting.error)
        page.look()
        assert "Verdict: undecided" in page.verdict.text
        assert (page.state.text == "opened") is (route == "best")
        assert ("Ended: " in page.status.text) is (route == "catalogue")
        assert ("choose another frame" in page.status.text) is (route == "catalogue")
        assert desk.job is waiting.job


def _seen_mean(page) -> float:
    page.render()
    return page.picture.halves.data["before"][0].view(np.uint8).mean()


def test_gains_show_before_the_stars_are_split(camera, sho):
    """As the whole page shows them then; a frame that they cannot cure stays as it is."""
    window = Window(slice(40, 320), slice(80, 440), 4)
    for job, multiplied in ((camera, True), (sho, False)):
        sight = FirstSight(job.frame, job.stretch).checked(job.check, Settings())
        assert (sight.gains is not None) is multiplied
        if multiplied:
            whole = after_shown(
                cure_of(job, job.check, Settings()), job.look(window), Settings()
            )
            np.testing.assert_array_equal(
                after_shown(sight.gains, sight.look(window), Settings()), whole
            )


@pytest.mark.campaign
def test_stars_of_a_separate_frame_show_as_a_run_makes_them(folder, scene_of, tmp_path):
    part = {"shape": (150, 190), "ra_deg": 324.7, "dec_deg": 57.5, "scale_arcsec": 12.0}
    names = []
    for name, settings in (("sho", SHO), ("stars", CAMERA)):
        scene = scene_of(**settings | part)
        names.append(str(tmp_path / f"{name}.fits"))
        write_fits(names[-1], np.array(scene.pixels), scene.header)
    settings = Settings(frame=names[0], star_frame=names[1])
    job = open_job(settings)
    cure = cure_of(job, job.check, settings)
    whole = Window(slice(0, 150), slice(0, 190), 1)
    made = job.recoloured(job.check, settings)
    assert cure.route == "star frame"
    assert np.mean(cure.source == "star frame") > 0.9
    np.testing.assert_allclose(cure.after(job.look(whole)), made.picture, atol=2e-5)
    brighter = replace(settings, star_brightness=2.0)
    twice = cure_of(job, job.check, brighter).after(job.look(whole))
    assert np.nansum(twice - made.picture) > 0.5 * np.nansum(made.stars)
    told = counted_outcome(job, cure, settings, lambda: True)
    assert "The stars are those of a separate frame" in told.how
    assert counted_outcome(job, cure, settings, lambda: False) is None
    columns = points.columns_of(cure)
    assert columns["given"][cure.source == "star frame"][0] == "no B−V"


@pytest.mark.campaign
def test_a_page_opens_from_python_beside_a_notebook(folder):
    """In a loop that runs already, as a notebook's does."""
    pixels = fits.getdata(folder / "lost.fits")

    async def read_page() -> str:
        page = starcal_package.view_frame(
            pixels, out=folder / "x", route="palette", bv=0.6, browser=False
        )
        answer = await AsyncHTTPClient().fetch(page.address, request_timeout=PATIENCE_S)
        assert page.settings.bv == 0.6
        assert page.address in page._repr_html_()
        page.close()
        return answer.body.decode()

    assert "star colours" in asyncio.run(read_page())
    with pytest.raises(FrameError, match="finished nebula"):
        starcal_package.view_frame(pixels, stars="a.fits")


@pytest.mark.slow
def test_what_is_saved_comes_from_memory(camera, tmp_path):
    """The whole job is done anew only where other stars would be found. That what is saved is what
    a run writes, bit for bit, a star left out of the fit, is held in a browser below."""
    settings = replace(camera.settings, sky="keep")
    refused = partial(pytest.fail, "done anew")
    done = save_of_job(camera, refused, settings, tmp_path / "page", overwrite=False)
    assert read_settings(done.folder / "result.json") == settings
    expected = apply_calibration(camera.frame, camera.check, "keep").pixels
    np.testing.assert_array_equal(fits.getdata(done.folder / "picture.fits"), expected)
    anew = []
    other = replace(settings, snr=6.0)
    save_of_job(
        camera, lambda *given, overwrite: anew.append(given), other, tmp_path, overwrite=True
    )
    assert anew == [(other, tmp_path)]


def test_a_gradient_of_colour_is_left_to_run(folder):
    with pytest.raises(FrameError, match="leave --model gradient to `starcal run`"):
        open_job(Settings(frame=str(folder / "sho.fits"), model="gradient"))


# --- response curves of the user's own --------------------------------------------------


def test_curves_typed_on_the_page_are_those_of_a_new_check(camera, folder):
    """A wrong file is said in the page's words and leaves what holds; an empty field is as if there
    had never been one."""
    wave_nm = np.arange(380.0, 720.0, 10.0)
    responses = [np.exp(-0.5 * ((wave_nm - nm) / 35) ** 2) for nm in (610, 535, 460)]
    path = folder / "curves.csv"
    Table([wave_nm, *responses], names=["wavelength", "red", "green", "blue"]).write(
        path, overwrite=True
    )
    frame = str(folder / "camera.fits")
    page = Page(Document(), camera, History(Settings(frame=frame)))
    without = page.check.to_dict()
    page.bands.value = f" {path} "
    assert page.history.now.bands == page.bands.value == str(path)
    assert page.check.to_dict() == check(frame, bands=str(path)).to_dict() != without
    fitted = page.check
    page.bands.value = str(folder / "camera.fits")  # no table
    assert "wavelength (nm), red, green, blue needed" in page.status.text
    assert (page.bands.value, page.check) == (str(path), fitted)
    page.bands.value = ""
    assert page.history.now.bands is None
    assert page.check.to_dict() == without


# --- stars as points and in words -------------------------------------------------------


def test_stars_left_out_stay_in_the_plots_with_their_residual(camera):
    everyone = camera.check
    row = everyone.fitted[0]
    place = tuple(float(everyone.stars[name][row]) for name in ("x_px", "y_px"))
    found = camera.refit(Settings(leave_out=(place,)))
    columns = points.columns_of(cure_of(camera, found, Settings()))
    assert columns["state"][row] == "left out"
    assert row in points.with_catalogue(columns)
    predicted = found.fit.predicted_mag(columns["bv"][row])
    measured = -2.5 * np.log10(star_fluxes(found)[[0, 2], row] / star_fluxes(found)[1, row])
    assert [columns["rho_left"][row], columns["beta_left"][row]] == pytest.approx(
        measured - predicted, abs=1e-9
    )
    used = columns["state"] == "used"
    assert (
        used.sum()
        == found.fit.n_used
        == len(everyone.fitted) - 1 - np.sum(columns["state"] == "outlier")
    )


def test_chromaticities_come_nearer_to_those_of_real_stars(camera):
    """Real stars: `colour.star_rgb` of each catalogue B-V, itself checked against Pickles (1998) in
    test_colour."""
    cure = cure_of(camera, camera.check, Settings())
    rows_used = camera.check.fitted[camera.check.fit.used]
    target = star_rgb(
        points.catalogue_of(camera.check, "bv_mag")[rows_used], camera.check.neutral_bv
    )
    before, after = (
        np.median(uv_prime_distance(rgb[rows_used], target))
        for rgb in (star_fluxes(camera.check).T, cure.star_rgb)
    )
    assert after < 0.4 * before
    columns = points.columns_of(cure)
    ends = points.chromaticity_range(
        columns, points.clear(camera.check), points.locus_of(camera.check)
    )
    assert ends["u"][0] < points.locus_of(camera.check)["u"].min() < ends["u"][1]


@pytest.mark.slow
def test_a_frame_without_a_fit_has_empty_plots(folder):
    job = open_job(Settings(frame=str(folder / "lost.fits")))
    columns = points.columns_of(cure_of(job, job.check, Settings()))
    nowhere = points.fit_ranges(
        columns, points.with_catalogue(columns), points.curves_of(job.check)
    )
    assert all(low < high for low, high in nowhere.values())
    assert len(points.with_catalogue(columns)) == len(points.curves_of(job.check)["bv"]) == 0
    assert set(columns["state"]) == {"not used"}


def test_columns_are_plain_arrays_and_the_plots_hold_them_all(camera):
    """Bokeh sends the memory of an array: `data` of a column of astropy's, or of a masked array, is
    another thing."""
    columns, curves = (
        points.columns_of(cure_of(camera, camera.check, Settings())),
        points.curves_of(camera.check),
    )
    assert {
        type(values) for values in (columns | curves | points.locus_of(camera.check)).values()
    } == {np.ndarray}
    matched = points.with_catalogue(columns)
    for name, (low, high) in points.fit_ranges(columns, matched, curves).items():
        assert low < columns[name][matched].min() < columns[name][matched].max() < high


def test_a_row_tells_what_is_known_of_a_star(camera):
    i = int(camera.check.fitted[3])
    cells = dict(
        zip(
            rows.HEADINGS,
            rows.star_rows(cure_of(camera, camera.check, Settings()), [i])[0],
            strict=True,
        )
    )
    stars = camera.check.stars
    assert cells["Star"] == str(i + 1)
    assert cells["x, y"] == f"{stars['x_px'][i]:.0f}, {stars['y_px'][i]:.0f}"
    assert cells["B−V"].startswith(f"{stars['bv_mag'][i]:.2f}".replace("-", "−"))
    assert cells["residual R/G"] == f"{camera.check.fit.residual_mag[0, 3]:+.3f}".replace(
        "-", "−"
    )
    assert (cells["in the fit"], cells["colour from"]) == ("used", "gains")


def test_words_are_safe_and_whole(camera):
    cure = cure_of(camera, replace(camera.check, route_reason="<b>&"), Settings())
    assert "&lt;b&gt;&amp;" in rows.verdict_html(cure)
    assert rows.table_html(cure, []) == f"<p>{rows.NOTHING_CHOSEN}</p>"
    assert rows.table_html(cure, list(range(45))).count("<tr>") == rows.MOST_ROWS + 1
    assert "and 5 more" in rows.table_html(cure, list(range(45)))
    assert rows.flags_in_words(0) == "none"
    assert rows.flags_in_words(int(Flag.LEFT_OUT | Flag.DOUBLE)) == "double, left out"


# --- the command ------------------------------------------------------------------------


def starcal(*words, code="from starcal.cli.main import main; sys.exit(main())"):
    """The command in an interpreter of its own, warnings as errors."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", f"import sys; {code}", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )


@pytest.mark.slow
def test_without_bokeh_one_line_says_what_to_type(folder):
    answer = starcal(
        "view",
        folder / "sho.fits",
        code="sys.modules['bokeh'] = None; from starcal.cli.main import main; sys.exit(main())",
    )
    assert (answer.returncode, answer.stdout) == (1, "")
    assert answer.stderr == (
        "starcal: the page needs Bokeh, which is not installed: pip install bokeh\n"
    )
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    assert "bokeh" in [name.split(">")[0] for name in wanted]  # a plain installation has it


def test_help_and_ports():
    assert "example: starcal view" in starcal("view", "--help").stdout
    answer = starcal("view", "a.fits", "--port", "70000")
    assert answer.returncode == 2
    assert "a port from 1 to 65535 needed" in answer.stderr


@pytest.fixture(scope="module")
def address(folder):
    """The page of a small frame: who is answered, and how, is the same for all."""
    with served(folder / "lost.fits") as (address, _):
        yield address


@pytest.fixture
def narrowband_address(folder):
    """The page of the narrowband frame; its files go to a folder of the user's home, which is
    `folder` here."""
    with served(folder / "sho.fits", "--out", "~/saved") as (address, _):
        yield address


def asked(address, path="", method="GET", **headers):
    """Status, headers and body of the server's answer; a path that starts with / leaves the token
    out."""
    parts = urlsplit(address)
    plug = http.client.HTTPConnection(parts.hostname, parts.port, timeout=PATIENCE_S)
    target = path if path.startswith("/") else parts.path + path
    with contextlib.closing(plug):
        plug.request(
            method,
            target,
            headers={name.replace("_", "-"): value for name, value in headers.items()},
        )
        answer = plug.getresponse()
        return answer.status, answer.read().decode()


WEBSOCKET = {
    "Upgrade": "websocket",
    "Connection": "Upgrade",
    "Sec_WebSocket_Version": "13",
    "Sec_WebSocket_Key": "c3RhcmNhbCBpcyBoZXJlIQ==",
    "Sec_WebSocket_Protocol": "bokeh, none",
}


@pytest.mark.slow
def test_only_who_has_the_token_is_answered(address):
    assert asked(address)[0] == 200
    assert asked(address, "static/js/bokeh.min.js")[0] == 200
    for path in (
        "/",
        "/ws",
        "/static/js/bokeh.min.js",
        "/favicon.ico",
        "/wrong-token/",
        "/wrong-token/ws",
        urlsplit(address).path[:-2] + "/",
    ):
        assert asked(address, path)[0] == 403, path
    assert asked(address, "/", method="POST")[0] == 403
    assert asked(address, "/ws", **WEBSOCKET)[0] == 403


@pytest.mark.slow
def test_every_answer_has_the_headers_that_a_browser_keeps_to(address):
    """Content Security Policy level 3, Referrer Policy (W3C) and RFC 7034: no other site's parts, no
    address told on, no frame around the page."""
    for path, status in (("", 200), ("static/js/bokeh.min.js", 200), ("/elsewhere", 403)):
        plug = http.client.HTTPConnection(urlsplit(address).netloc, timeout=PATIENCE_S)
        plug.request("GET", path if path.startswith("/") else urlsplit(address).path + path)
        answer = plug.getresponse()
        plug.close()
        assert answer.status == status
        rules = dict(
            rule.split(" ", 1) for rule in answer.headers["Content-Security-Policy"].split("; ")
        )
        assert rules["default-src"] == "'self'"
        assert rules["frame-ancestors"] == rules["object-src"] == rules["base-uri"] == "'none'"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.campaign
def test_messages_that_are_too_long_end_the_connection_alone(address):
    """A request's body, and a message of the page; the next one is answered."""
    from starcal.view.serving import LARGEST_BODY_BYTES, LARGEST_MESSAGE_BYTES

    async def sent_on_the_socket():
        token = re.search(r'"token":"([^"]+)"', asked(address)[1])[1]
        plug = await websocket_connect(
            HTTPRequest(f"ws{address[4:]}ws"), subprotocols=["bokeh", token]
        )
        assert json.loads(await plug.read_message())["msgtype"] == "ACK"
        with contextlib.suppress(WebSocketClosedError):
            await plug.write_message("x" * (LARGEST_MESSAGE_BYTES + 1))
        while await plug.read_message() is not None:
            pass
        plug.close()
        return plug.close_code

    plug = http.client.HTTPConnection(urlsplit(address).netloc, timeout=PATIENCE_S)
    plug.request("POST", urlsplit(address).path, body=b"x" * (LARGEST_BODY_BYTES + 1))
    assert plug.getresponse().status in (400, 413)
    plug.close()
    # RFC 6455: too big; nothing where the system was quicker to end the connection than to say so
    assert asyncio.run(sent_on_the_socket()) in (1009, None)
    assert asked(address)[0] == 200


def test_no_log_tells_the_token(capsys):
    """Whatever a library logs of an address."""
    import logging

    from starcal.view.serving import keep_from_logs

    names = ("bokeh", "tornado")
    before = {
        name: (logging.getLogger(name).handlers, logging.getLogger(name).level)
        for name in names
    }
    try:
        keep_from_logs("a-secret")
        logging.getLogger("tornado.access").warning("200 GET /a-secret/ws")
        try:
            raise ValueError("/a-secret/ws")
        except ValueError:
            logging.getLogger("bokeh.server").exception("refused %s", "/a-secret/")
    finally:
        for name, (handlers, level) in before.items():
            logging.getLogger(name).handlers = handlers
            logging.getLogger(name).setLevel(level)
            logging.getLogger(name).propagate = True
    said = capsys.readouterr().err
    assert "ValueError: /TOKEN/ws" in said
    assert "a-secret" not in said
    assert "GET" not in said  # no access log


@pytest.mark.slow
def test_only_the_machine_itself_and_its_own_page_are_answered(address):
    """Another page may send requests here, and let a name of its own point to this machine."""
    host = urlsplit(address).netloc
    own = {"Host": host, "Origin": f"http://{host}"}
    assert asked(address, **own)[0] == 200
    for foreign in (
        {"Host": "evil.example"},
        {"Host": f"evil.example:{urlsplit(address).port}"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"https://{host}"},
    ):
        assert asked(address, **own | foreign)[0] == 403, foreign
        assert asked(address, "ws", **WEBSOCKET | own | foreign)[0] == 403, foreign


@pytest.mark.slow
def test_the_page_names_nothing_but_this_machine(address):
    page = asked(address)[1]
    named = re.findall(r"""(?:src|href)\s*=\s*["']([^"']+)["']""", page)
    assert len(named) >= 4
    assert {urlsplit(name).netloc for name in named} <= {"", urlsplit(address).netloc}
    assert "default-src 'self'" in page
    assert {urlsplit(url).hostname for url in re.findall(r"https?://[^\s\"'<>\\]+", page)} <= {
        "127.0.0.1",
        "www.w3.org",
    }


def test_a_port_that_is_taken(address):
    from starcal.view.serving import claim

    with pytest.raises(PageError, match="give another with --port, or none"):
        claim(urlsplit(address).port)
    with claim() as plug:
        assert plug.getsockname()[0] == "127.0.0.1"


def test_an_interrupt_ends_the_page_wherever_it_lands():
    """Where Python cleans up after an object an exception is printed and lost."""
    from starcal.view.desk import Desk
    from starcal.view.serving import claim, serve

    class Interrupted:
        def __del__(self):
            signal.raise_signal(signal.SIGINT)

    def announce(address):
        loop = IOLoop.current()
        loop.add_callback(lambda: Interrupted() and None)
        loop.call_later(20, lambda: (late.append(loop), loop.stop()))

    late = []
    usual = signal.getsignal(signal.SIGINT)
    desk = Desk(settings=Settings(), history=History(Settings()))
    serve(claim(), desk, browser=False, announce=announce)
    assert not late
    assert signal.getsignal(signal.SIGINT) == usual


@pytest.mark.skipif("STARCAL_BENCH" not in os.environ, reason="set STARCAL_BENCH to try it")
@pytest.mark.slow
def test_the_benchmark_prints_what_a_choice_costs():
    """Seconds and their share of what is aimed at; neither is asserted, machines differ."""
    answer = subprocess.run(
        [sys.executable, ROOT / "examples" / "bench_view.py", "--small"],
        check=True,
        text=True,
        capture_output=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    ).stdout
    assert (
        len(re.findall(r"slowest choice \d+\.\d+ s, \d+\.\d+ of the 0\.3 s aimed at", answer))
        == 2
    )


# --- in a browser -----------------------------------------------------------------------


@pytest.fixture
def browser(tmp_path):
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: the page is not tried in a browser")
    browser = Browser(tmp_path / "profile")
    yield browser
    browser.close()


def changed_from(browser, before: np.ndarray) -> float:
    """Share of the pixels that a choice has changed, once it has; a busy machine takes its time."""
    for _ in range(40):
        share = (settled(browser) != before).mean()
        if share > 0:
            break
    return share


def wait_for_left(browser, wanted):
    """What a function makes of the half on the left of the divider, once it is true."""
    for _ in range(60):
        if found := wanted(composed(browser)[1]):
            break
        browser.pause(0.3)
    return found


def require_split_at(browser, share: float) -> None:
    """Before on the left of a share of the visible width, after on the right of it."""
    picture, before, after = composed(browser)
    box = browser.js(
        f"(() => {{ const h = {MODEL}('halves').data, r = {MODEL}('picture').x_range;"
        "return [h.x[0], h.dw[0], r.start, r.end] })()"
    )
    cut = round((box[2] + share * (box[3] - box[2]) - box[0]) / box[1] * picture.shape[1])
    assert 0 < cut < picture.shape[1]
    assert (before != after).mean() > 0.02  # stars changed, and there are some
    assert (picture[:, :cut] == before[:, :cut]).all()
    assert (picture[:, cut:] == after[:, cut:]).all()


def inside(browser, plot: str, columns: tuple[str, str], corners) -> list[int]:
    """Stars of a plot whose places lie between two corners on the screen, from ranges and columns
    alone."""
    frame = browser.js(
        f"(() => {{ const p = {MODEL}('{plot}'), v = Bokeh.index.get(p), f = v.frame.bbox,"
        "c = v.el.getBoundingClientRect();"
        "return [c.x + f.left, c.x + f.right, c.y + f.bottom, c.y + f.top,"
        "p.x_range.start, p.x_range.end, p.y_range.start, p.y_range.end] })()"
    )
    (x, y), plotted = (
        zip(*corners, strict=True),
        browser.js(f"{MODEL}('{plot}').renderers[0].view.filter.indices"),
    )
    spans = np.interp(x, frame[:2], frame[4:6]), np.interp(y, frame[3:1:-1], frame[7:5:-1])
    values = [
        np.array(browser.js(f"Array.from({MODEL}('stars').data.{name})"), float)[plotted]
        for name in columns
    ]
    within = [
        (value >= min(span)) & (value <= max(span))
        for value, span in zip(values, spans, strict=True)
    ]
    return sorted(np.array(plotted)[np.all(within, axis=0)].tolist())


@pytest.mark.campaign
def test_the_page_in_a_browser(browser, narrowband_address, folder):
    """Load, drag, zoom, brush, click, leave out, refit, undo, colours, save; then the command line
    does the same."""
    from starcal.view.page import MOST_NUMBERS

    address = narrowband_address
    opened(browser, address)
    require_split_at(browser, 0.5)

    # the divider, by mouse and by key
    left, top, width, height = browser.box("picture")
    assert width * height >= 0.5 * 1500 * 950
    middle = left + width / 2, top + height / 2
    browser.drag(middle, (middle[0] + 40, middle[1]), (middle[0] + width / 10, middle[1]))
    assert browser.js(f"{MODEL}('split').value") == pytest.approx(
        60, abs=0.5
    )  # percent; a pixel or two of the hand
    browser.key(",")
    browser.key(",")
    share = browser.js(f"{MODEL}('split').value") / 100
    assert share == pytest.approx(0.56, abs=0.005)
    require_split_at(browser, share)

    # 100 %, beyond, and back
    browser.key("1")
    span = f"({MODEL}('picture').x_range.end - {MODEL}('picture').x_range.start) / {MODEL}('picture').inner_width"
    assert browser.js(span) == pytest.approx(1)
    browser.key("+")
    browser.key("+")
    assert browser.js(span) == pytest.approx(
        1 / 3
    )  # whole multiples: pixels of the frame are alike on the screen
    browser.until(
        f"Math.abs({MODEL}('halves').data.dw[0] - {span} * {MODEL}('picture').inner_width) < 4"
    )
    assert "300 %" in browser.js("document.getElementById('zoom').textContent")
    for _ in range(9):
        browser.key("+")
    assert browser.js(span) == pytest.approx(1 / 16)

    # what cannot be done is said, and is no step to undo
    browser.key("x")
    browser.until(f"{MODEL}('status').text.includes('{rows.NOTHING_CHOSEN}')")
    browser.js(
        f"{MODEL}('stars').selected.indices = [{MODEL}('stars').data.state.indexOf('not used')]"
    )
    browser.until(f"{MODEL}('chosen').data.name.length == 1")
    for key, sentence in (("x", rows.NONE_IN_FIT), ("t", rows.NONE_LEFT_OUT)):
        browser.key(key)
        browser.until(f"{MODEL}('status').text.includes('{sentence}')")
    browser.require_refused("gains", "Choose another route")

    # the next star comes into sight, however near the view is
    browser.key("n")
    star = browser.until(
        f"{MODEL}('stars').selected.indices.length == 1 && {MODEL}('stars').selected.indices[0]"
    )
    for axis in "xy":
        browser.until(
            f"{MODEL}('picture').{axis}_range.start < {MODEL}('stars').data.{axis}[{star}] && "
            f"{MODEL}('stars').data.{axis}[{star}] < {MODEL}('picture').{axis}_range.end"
        )
    browser.until(f"{MODEL}('chosen').data.name[0] == '{star + 1}'")
    for _ in range(20):
        browser.key("-")
    width, height = browser.js(
        f"[{MODEL}('picture').inner_width, {MODEL}('picture').inner_height]"
    )
    header = fits.getheader(folder / "sho.fits")
    assert browser.js(span) == pytest.approx(
        max(header["NAXIS1"] / width, header["NAXIS2"] / height)
    )  # no farther
    settled(browser)

    # choose in a plot: the same stars light up in the picture
    browser.key("g")
    browser.until("document.getElementById('plots').offsetHeight > 250")
    settled(browser)
    x, y, w, h = browser.box("fit_rho")
    corners = (x + 0.3 * w, y + 0.2 * h), (x + 0.6 * w, y + 0.8 * h)
    browser.drag(corners[0], (x + 0.5 * w, y + 0.5 * h), corners[1])
    browser.until(f"{MODEL}('stars').selected.indices.length > 0")
    chosen = sorted(browser.js(f"{MODEL}('stars').selected.indices"))
    assert chosen == inside(browser, "fit_rho", ("bv", "rho"), corners)
    browser.until(f"{MODEL}('chosen').data.name.length == {len(chosen)}")
    assert len(chosen) > MOST_NUMBERS  # too many to read beside each other
    assert set(browser.js(f"{MODEL}('chosen').data.name")) == {""}
    assert (
        browser.js(f"{MODEL}('table').text").count("<tr>")
        == min(len(chosen), rows.MOST_ROWS) + 1
    )

    # click a star: its row shows
    star = chosen[0]
    at = browser.js(
        f"(() => {{ const p = {MODEL}('picture'), s = {MODEL}('stars').data, v = "
        f"Bokeh.index.get(p);"
        f"return [(s.x[{star}] - p.x_range.start) / (p.x_range.end - p.x_range.start) * "
        f"p.inner_width,"
        f"(p.y_range.end - s.y[{star}]) / (p.y_range.end - p.y_range.start) * p.inner_height] }})()"
    )
    browser.drag((left + at[0] + 1, top + at[1] + 1))
    browser.until(f"{MODEL}('chosen').data.name.length == 1")
    assert browser.js(f"{MODEL}('table').text").count(f">{star + 1}</th>") == 1

    # leave the worst star out: a new fit at once; undo; leave it out again
    browser.key("n")
    browser.until(
        f"{MODEL}('table').text.includes('<td>used</td>') || "
        f"{MODEL}('table').text.includes('outlier')"
    )
    fitted = browser.js(f"{MODEL}('verdict').text")
    browser.key("x")
    browser.until(f"{MODEL}('states').text.includes('left out 1')")
    assert browser.js(f"{MODEL}('verdict').text") != fitted
    browser.key("u")
    browser.until(f"!{MODEL}('states').text.includes('left out')")
    assert browser.js(f"{MODEL}('verdict').text") == fitted
    browser.key("x")
    browser.until(f"{MODEL}('states').text.includes('left out 1')")

    # colours: the route as a select, saturation by the keyboard on its slider
    browser.select_route("catalogue")
    browser.until(f"{MODEL}('verdict').text.includes('Route: catalogue')")
    plain = settled(browser)
    browser.js(
        f"Bokeh.index.get({MODEL}('saturation')).el.shadowRoot.querySelector('.noUi-handle').focus()"
    )
    for _ in range(8):
        browser.key("ArrowRight", code=39)
    saturation = browser.js(f"{MODEL}('saturation').value")
    assert saturation > 1.2
    browser.until(f"!{MODEL}('undo').disabled && {MODEL}('status').text == '<p></p>'")
    assert changed_from(browser, plain) > 0.005

    # another route on the left of the divider, and the frame again
    frame_before = composed(browser)[1]
    browser.js(f"{MODEL}('beside').value = 'palette'")
    browser.until("document.getElementById('before').textContent == 'Route: palette'")
    assert 0.005 < wait_for_left(browser, lambda left: (left != frame_before).mean()) < 0.9
    browser.js(f"{MODEL}('beside').value = 'before'")
    assert wait_for_left(browser, lambda left: np.array_equal(left, frame_before))

    # the map of shapes and the marks come and go; the picture alone fills the screen
    shown = f"{MODEL}('picture').renderers.filter(each => each.data_source?.name == '{{}}').map(each => each.visible)"
    for key, name, drawn in (("m", "shape_map", 2), ("s", "stars", 2)):
        first = browser.js(shown.format(name))
        assert first.count(False) == drawn - (name == "stars")
        browser.key(key)
        browser.until(f"{shown.format(name)}.every(each => each)")
    browser.key("f")
    browser.until("document.fullscreenElement && document.fullscreenElement.id == 'picture'")
    browser.key("f")
    browser.until("!document.fullscreenElement")
    settled(browser)
    browser.until(f"{MODEL}('outcome').text.includes(' now')")
    outcome = browser.js(f"{MODEL}('outcome').text")

    # save, and let the command line repeat it
    browser.key("s", ctrl=True)
    browser.until(f"{MODEL}('status').text.includes('Saved in')", tries=1200)
    saved = folder / "saved"
    result = json.loads((saved / "result.json").read_text())
    settings = result["settings"]
    # a star at the limits may be judged otherwise: the page's picture is the run's to 2e-5
    assert f"<b>{result['outcome'].split(' had ')[0]} had " in outcome
    assert (settings["route"], len(settings["leave_out"])) == ("catalogue", 1)
    assert settings["saturation"] == pytest.approx(saturation, abs=0.001)
    answer = starcal("run", "--settings", saved / "result.json", "--out", folder / "again")
    assert answer.returncode == 0, answer.stderr
    for name in (
        "picture.fits",
        "starless.fits",
        "stars.fits",
        "stars.ecsv",
        "result.json",
        "before-after.png",
    ):
        assert (folder / "again" / name).read_bytes() == (saved / name).read_bytes(), name
    assert np.isfinite(fits.getdata(saved / "picture.fits")).all()

    # saving again is refused, and said
    browser.js(f"Bokeh.index.get({MODEL}('save')).click()")
    browser.until(f"{MODEL}('status').text.includes('tick “replace earlier files”')")

    # a page that is loaded again finds its choices
    opened(browser, address)
    assert browser.js(f"[{MODEL}('route').value, {MODEL}('saturation').value]") == [
        "catalogue",
        saturation,
    ]

    # another tab shows the same choices, and says so
    from bokeh.client import pull_session

    other = pull_session(url=address[:-1])
    other.document.get_model_by_name("route").value = "palette"
    other.force_roundtrip()  # what was changed is sent when the client's own loop runs
    browser.until(f"{MODEL}('route').value == 'palette'")
    browser.until(f"{MODEL}('status').text.includes('another tab')")
    assert browser.js(f"{MODEL}('saturation').value") == saturation
    other.close()

    urls = [
        event["params"]["request"]["url"]
        for event in browser.events
        if event["method"] == "Network.requestWillBeSent"
    ]
    sockets = [
        event["params"]["url"]
        for event in browser.events
        if event["method"] == "Network.webSocketCreated"
    ]
    assert len(urls) > 4
    assert len(sockets) == 2
    assert {urlsplit(url).netloc for url in (*urls, *sockets)} - {""} == {
        urlsplit(address).netloc
    }
    assert [
        event
        for event in browser.events
        if event["method"] in ("Runtime.exceptionThrown", "Log.entryAdded")
    ] == []


def drop(browser, name: str, content: bytes) -> None:
    """Let a file fall onto the page."""
    text = base64.b64encode(content).decode()
    browser.js(
        f"(() => {{ const bytes = Uint8Array.from(atob('{text}'), c => c.charCodeAt(0));"
        "const moved = new DataTransfer();"
        f"moved.items.add(new File([bytes], {json.dumps(name)}));"
        "document.dispatchEvent(new DragEvent('drop', {dataTransfer: moved, bubbles: true})) })()"
    )


@pytest.mark.campaign
def test_a_small_window_and_a_frame_without_a_fit_in_a_browser(browser, folder):
    """The picture has the room and files can be saved; what needs a fit is off; the page says when
    its server ends."""
    browser.send(
        "Emulation.setDeviceMetricsOverride",
        width=1280,
        height=800,
        deviceScaleFactor=1,
        mobile=False,
    )
    frame = folder / "<img src=x onerror=document.title='run'>&lt;b&gt;.fits"
    frame.write_bytes((folder / "lost.fits").read_bytes())
    fits.setval(frame, "OBJECT", value="<script>document.title='run'</script>")
    with served(None, folder=folder) as (address, server):
        browser.send("Page.navigate", url=address)
        browser.until("document.body.dataset.ready == 'yes'")
        assert frame.name in browser.js(f"{MODEL}('listed').options.map(each => each[0])")
        drop(browser, "lost.txt", b"no picture")
        browser.until(f"{MODEL}('status').text.includes('no picture that starcal reads')")
        drop(browser, frame.name, frame.read_bytes())
        browser.until(f"{MODEL}('picture').inner_width > 0")  # the frame as it is, at first
        browser.until(f"!!{MODEL}('folder')")  # the page has loaded itself again
        browser.until(f"{MODEL}('halves').data.before[0].shape[0] > 100")
        # the same file lies in the folder: files go beside that
        assert browser.js(f"{MODEL}('folder').value") == str(folder / f"{frame.stem}-starcal")
        assert browser.js("document.querySelector('h1').textContent") == frame.name
        assert frame.name in browser.js("document.title")
        assert browser.js("document.querySelectorAll('h1 *, img[src=x]').length") == 0
        _, _, width, height = browser.box("picture")
        assert width * height >= 0.5 * 1280 * 800
        for name in ("save", "folder", "undo"):
            _, top, _, height = browser.box(name)
            assert top >= 0
            assert top + height <= 800
        place = "document.getElementById('status').getBoundingClientRect()"
        assert browser.js(f"{place}.bottom") <= 800  # a long sentence is scrolled within it
        assert browser.js("document.documentElement.scrollHeight") == 800
        assert browser.js("document.getElementById('plots').offsetHeight") == 0
        browser.key("g")
        browser.until("document.getElementById('plots').offsetHeight > 250")
        assert browser.box("picture")[3] > 250
        assert browser.js(
            f"['leave_out', 'take_back', 'next', 'previous'].every(n => {MODEL}(n).disabled)"
        )
        for route in ("catalogue", "continuum"):
            browser.require_refused(route, "choose “best for this frame”")
        beneath = f"{folder}/sho.fits/<img src=x onerror=alert(1)>"  # a file is no folder
        browser.js(f"{MODEL}('folder').value = {beneath!r}")
        browser.key("s", ctrl=True)
        browser.until(f"{MODEL}('status').text.includes('Not saved')")
        shown = browser.js("Bokeh.index.get(" + MODEL + "('status')).el.shadowRoot.textContent")
        assert "onerror" in shown
        assert browser.js("document.getElementById('ended').hidden")
        server.send_signal(signal.SIGINT)
        server.wait(20)
        browser.until("!document.getElementById('ended').hidden")
