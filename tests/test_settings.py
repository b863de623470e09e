"""Choices made by hand: stars left out, routes, the look of previews, and settings that repeat a
run exactly."""

import json
import math
import os
import shutil
from dataclasses import FrozenInstanceError, asdict, fields
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from campaigns import also

import starcal
from starcal.checking.check import check, refit
from starcal.choices import (
    Choices,
    OfCalibrate,
    OfCheck,
    OfRecolour,
    OfRun,
    Settings,
    read_settings,
)
from starcal.cli.files import asked_for
from starcal.cli.main import _parsed_options, main
from starcal.cure.stars import recolour_stars
from starcal.demo.examples import DEMOS
from starcal.demo.scene import make_scene
from starcal.draw.tone import SKY_DISPLAY, choose_stretch
from starcal.errors import FrameError, OutputError, SettingsError, TooFewStars
from starcal.frame import write_fits
from starcal.layers import light_shares, recolour, split
from starcal.pipeline import run_settings
from starcal.pipeline.asked import objects_among, settings_asked_for
from starcal.stars import Flag
from starcal.versions import told_differences, versions

FIELD = {
    "shape": (250, 360),
    "scale_arcsec": 4.0,
    "channel_gains": (0.5, 1.0, 0.7),
    "faint_to_mag": 13.5,
}
SHO = {
    "system": "SHO",
    "v_zero_electrons": 2e11,
    "sky_electrons": 4e3,
    "nebula_electrons": 8e3,
    "channel_gains": (1.0, 0.25, 0.71),
}


SLOW_FIXTURES = {"by_hand"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("settings")
    for name, settings in {"broad": FIELD, "sho": FIELD | SHO}.items():
        scene = make_scene(**settings)
        write_fits(folder / f"{name}.fits", scene.pixels, scene.header)
    return folder


@pytest.fixture(scope="module")
def broad(folder):
    return check(folder / "broad.fits")


@pytest.fixture(scope="module")
def sho(folder):
    return check(folder / "sho.fits")


@pytest.fixture(scope="module")
def plain(folder):
    """The narrowband frame with its stars recoloured as usual."""
    return recolour_stars(folder / "sho.fits")


def place_of(found, row):
    return float(found.stars["x_px"][row]), float(found.stars["y_px"][row])


# --- stars left out by hand -------------------------------------------------------------


def test_a_star_left_out_is_flagged_and_not_fitted(folder, broad):
    row = broad.fitted[3]
    found = check(folder / "broad.fits", leave_out=[place_of(broad, row)])
    assert found.stars["flags"][row] & Flag.LEFT_OUT
    assert row not in found.fitted
    assert set(found.fitted) == set(broad.fitted) - {row}
    assert found.to_dict()["stars"]["flags"]["left_out"] == 1


def test_the_refit_is_the_fit_that_a_new_check_makes(folder, broad):
    places = [place_of(broad, row) for row in broad.fitted[:4]]
    anew, again = check(folder / "broad.fits", leave_out=places), refit(broad, places)
    assert again.to_dict() == anew.to_dict()
    np.testing.assert_array_equal(again.stars["flags"], anew.stars["flags"])
    assert anew.gains[0] != broad.gains[0]


def test_the_first_check_is_left_alone_and_stars_come_back(broad):
    before = broad.to_dict()
    without = refit(broad, [place_of(broad, broad.fitted[0])])
    assert broad.to_dict() == before
    assert refit(without).to_dict() == before


def test_a_wrong_star_left_out_mends_the_gains(folder, broad):
    """A catalogue colour that is wrong by 0.5 mag, in every star of a tenth; leaving them out gives
    the gains back."""
    wrong = broad.fitted[::10]
    spoilt = refit(broad)
    spoilt.stars["bv_mag"][wrong] += 0.2  # too little to be clipped, so that it pulls
    pulled, mended = refit(spoilt), refit(spoilt, [place_of(broad, row) for row in wrong])
    clean = refit(broad, [place_of(broad, row) for row in wrong])
    # relative: left out of the fit, a star is still expected to shine by its colour where the light
    # of its neighbours is measured; a thousandth of the gains' own errors
    assert mended.gains == pytest.approx(clean.gains, rel=1e-5)
    assert abs(pulled.gains[2] - clean.gains[2]) > 1e-3


@pytest.mark.campaign
def test_a_star_left_out_is_out_of_the_continuum_relation(folder, sho, plain):
    row = int(np.argmax(np.char.startswith(plain.colours.source, "catalogue")))
    without = recolour_stars(folder / "sho.fits", leave_out=[place_of(sho, row)])
    assert len(without.colours.continuum.used) == len(plain.colours.continuum.used) - 1


def test_a_place_without_a_star_is_said(broad):
    found = refit(broad, [(-50.0, -50.0)])
    assert any("no star to leave out at x -50.0, y -50.0" in note for note in found.notes)
    assert refit(found).notes == broad.notes


def test_leaving_out_too_many_leaves_no_fit(broad):
    found = refit(broad, [place_of(broad, row) for row in range(len(broad.stars))])
    assert found.fit is None
    assert found.verdict.verdict == "undecided"


# --- routes by hand ---------------------------------------------------------------------


@pytest.mark.campaign
def test_one_source_alone(folder):
    catalogue, continuum = (
        recolour_stars(folder / "sho.fits", route=route) for route in ("catalogue", "continuum")
    )
    assert set(catalogue.colours.source) == {"catalogue", "field median"}
    assert "continuum" in set(continuum.colours.source)
    assert not any("catalogue" in source for source in continuum.colours.source)
    assert catalogue.check.route_reason.startswith("asked for by --route catalogue; ")


@pytest.mark.campaign
def test_a_source_that_no_star_has_is_refused_and_best_helps(folder):
    frame = starcal.read_frame(folder / "sho.fits")
    for card in ("CTYPE1", "CTYPE2", "RA", "DEC", "OBJCTRA", "OBJCTDEC"):
        frame.header.remove(card, ignore_missing=True)
    write_fits(folder / "nowhere.fits", frame.pixels, frame.header, overwrite=True)
    for route in ("catalogue", "continuum"):
        with pytest.raises(TooFewStars, match="use --route best"):
            recolour_stars(folder / "nowhere.fits", route=route)
    assert len(recolour_stars(folder / "nowhere.fits", route="best").colours.source)


@pytest.mark.slow
def test_run_obeys_the_route(folder, tmp_path):
    """A frame that gains rescue may have its stars coloured one by one all the same."""
    done = starcal.run(folder / "broad.fits", tmp_path / "a", route="palette")
    assert "starless.fits" in done.files
    assert done.check.route == "palette"
    assert set(done.check.stars["colour_source"]) == {"palette"}


@pytest.mark.campaign
def test_gains_against_the_verdict(folder, tmp_path):
    """Refused where the channels carry no star colour; its advice is followed."""
    with pytest.raises(FrameError, match="Let `starcal run` colour its stars"):
        starcal.run(folder / "sho.fits", tmp_path / "a", route="gains")
    assert "stars.fits" in starcal.run(folder / "sho.fits", tmp_path / "b").files
    with pytest.raises(FrameError, match="use --route best"):
        recolour_stars(folder / "sho.fits", route="gains")


@pytest.mark.slow
def test_gains_say_what_they_cannot_do(folder, tmp_path):
    done = starcal.run(folder / "broad.fits", tmp_path / "a", route="gains", warmth=1.5)
    assert any("gains leave them as they come" in note for note in done.check.notes)


def test_choices_that_make_no_sense():
    with pytest.raises(ValueError, match="one of best, gains, catalogue, continuum, palette"):
        Choices(route="rainbow")
    with pytest.raises(ValueError, match="a factor above 0, up to 100 needed"):
        Choices(star_brightness=0.0)


@pytest.mark.campaign
def test_star_brightness_multiplies_the_layer(folder, plain):
    bright = recolour_stars(folder / "sho.fits", star_brightness=1.5)
    np.testing.assert_allclose(bright.stars, 1.5 * plain.stars, rtol=1e-6)
    np.testing.assert_array_equal(bright.starless, plain.starless)


# --- what stars give of a view ----------------------------------------------------------


@pytest.mark.slow
def test_shares_times_colours_are_the_layer_of_a_view(folder, sho):
    """The mean of squares of pixels, of a window whose sides are no multiples of them."""
    parts = split(starcal.read_frame(folder / "sho.fits").pixels, sho.stars)
    rgb = starcal.colour.star_rgb(np.linspace(-0.2, 1.4, len(sho.stars)), 0.65)
    layer = recolour(parts, rgb)
    window = slice(31, 231), slice(50, 351)
    for step in (1, 2, 3):
        rows, columns = 200 // step, 301 // step
        seen = (light_shares(parts, window, step) @ rgb).T.reshape(3, rows, columns)
        cut = layer[:, *window][:, : rows * step, : columns * step]
        mean = cut.reshape(3, rows, step, columns, step).mean(axis=(2, 4))
        np.testing.assert_allclose(seen, mean, atol=3e-6 * cut.max())  # float32


# --- the look of previews ---------------------------------------------------------------


def test_black_at_one_puts_the_sky_to_black():
    rng = np.random.default_rng(0)
    sky = rng.normal(0.01, 1e-4, (3, 300, 300)).astype(np.float32)
    sky[:, 100:140, 100:140] += 0.05
    stretch = choose_stretch(sky)
    shown = [
        float(np.median(stretch.adjusted(black=black).apply(sky))) for black in (0.0, 0.5, 1.0)
    ]
    assert shown[0] == pytest.approx(SKY_DISPLAY, abs=0.01)  # by the stretch's own promise
    assert shown[0] > shown[1] > shown[2]
    assert shown[2] < 0.03


def test_strength_lifts_faint_light():
    rng = np.random.default_rng(0)
    sky = rng.normal(0.01, 1e-4, (3, 300, 300)).astype(np.float32)
    stretch = choose_stretch(sky)
    assert np.median(stretch.adjusted(strength=2.0).apply(sky)) > np.median(stretch.apply(sky))
    assert stretch.adjusted() == stretch


# --- settings ---------------------------------------------------------------------------

BY_HAND = [
    "--route",
    "continuum",
    "--warmth",
    "1.3",
    "--saturation",
    "0.8",
    "--star-brightness",
    "1.2",
    "--neutral-bv",
    "0.5",
    "--black",
    "0.2",
    "--strength",
    "1.4",
    "--snr",
    "6",
]


@pytest.fixture(scope="module")
def by_hand(folder, sho):
    """The folder of a run in which everything was chosen by hand."""
    x, y = place_of(sho, int(np.flatnonzero(sho.stars["flags"] == 0)[0]))
    arguments = ["run", str(folder / "sho.fits"), "--out", str(folder / "hand"), "-q"]
    assert main([*arguments, "--leave-out", f"{x:.2f},{y:.2f}", *BY_HAND]) == 0
    return folder / "hand"


@pytest.mark.slow
def test_settings_repeat_a_run_exactly(by_hand, tmp_path):
    assert (
        main(
            [
                "run",
                "--settings",
                str(by_hand / "result.json"),
                "--out",
                str(tmp_path / "again"),
                "-q",
            ]
        )
        == 0
    )
    first, again = (
        json.loads((path / "result.json").read_text()) for path in (by_hand, tmp_path / "again")
    )
    assert first["settings"].pop("frame") == "../sho.fits"
    again["settings"].pop("frame")  # the same file, seen from elsewhere
    assert again == first
    for name in ("picture.fits", "starless.fits", "stars.fits"):
        np.testing.assert_array_equal(
            fits.getdata(tmp_path / "again" / name), fits.getdata(by_hand / name)
        )
    for name in ("before-after.png", "stars.ecsv"):
        assert (tmp_path / "again" / name).read_bytes() == (by_hand / name).read_bytes()


@pytest.mark.slow
def test_settings_of_other_libraries_are_said_to_be_so(by_hand, tmp_path, capsys):
    """`--settings` tells what repeats bit for bit from what need not."""
    result = json.loads((by_hand / "result.json").read_text())
    assert result["versions"] == versions()
    assert told_differences(by_hand / "result.json") == []
    result["versions"] |= {"numpy": "1.0", "a library of the future": "9"}
    (by_hand / "other.json").write_text(json.dumps(result))
    arguments = ["run", "--settings", str(by_hand / "other.json"), "--out", str(by_hand)]
    assert main(arguments) == 1  # the folder is full, which is found at once
    told = capsys.readouterr().err.splitlines()[0]
    assert f"is of a run with numpy 1.0 (here {np.__version__}): numbers may differ" in told


def test_every_choice_is_in_the_result(by_hand):
    known = json.loads((by_hand / "result.json").read_text())["settings"]
    assert set(known) == {field.name for field in fields(Settings)}
    assert (known["route"], known["warmth"], known["neutral_bv"], known["strength"]) == (
        "continuum",
        1.3,
        0.5,
        1.4,
    )
    assert len(known["leave_out"]) == 1


@pytest.mark.slow
def test_frame_and_results_may_be_moved_together_and_what_is_typed_goes_first(
    by_hand, folder, tmp_path
):
    shutil.copytree(folder, tmp_path / "moved")
    moved = tmp_path / "moved" / "hand" / "result.json"
    assert read_settings(moved).frame == str(tmp_path / "moved" / "sho.fits")
    typed = ["--warmth", "1", "--leave-out", "10,10", "--out", str(tmp_path / "b"), "-q"]
    assert main(["run", "--settings", str(moved), *typed]) == 0
    known = read_settings(tmp_path / "b" / "result.json")
    assert (known.warmth, known.saturation, len(known.leave_out)) == (1.0, 0.8, 2)
    assert known.frame == str(tmp_path / "moved" / "sho.fits")
    assert json.loads((tmp_path / "b" / "result.json").read_text())["route"] == "continuum"


def test_paths_lead_back_from_where_links_lead(tmp_path):
    """Another file of the frame's name beside a link would be taken for the frame."""
    frame, other = tmp_path / "disk" / "night" / "a.fits", tmp_path / "a.fits"
    folder = tmp_path / "disk" / "night" / "a-starcal"
    folder.mkdir(parents=True)
    for path in (frame, other):
        path.touch()
    link = tmp_path / "latest"
    link.symlink_to(folder)
    for seen_from in (folder, link):  # where it is written; where it is read
        settings = Settings(frame=str(frame)).to_dict(seen_from)
        (folder / "result.json").write_text(json.dumps({"settings": settings}))
        for place in (folder, link):
            found = read_settings(place / "result.json")
            assert os.path.samefile(found.frame, frame)


def test_what_a_file_was_read_by_is_kept(tmp_path):
    asked = settings_asked_for(
        Choices(), "a.fits", 4095, {"wcs": Path("b.wcs"), "starless": None}
    )
    assert (asked.frame, asked.full_scale, asked.wcs) == ("a.fits", 4095, "b.wcs")


def test_what_came_from_no_file_is_named(tmp_path):
    """A run with an array or a WCS object was said to repeat as if the file alone told it."""
    given = {"frame": "a.fits", "wcs": WCS(naxis=2), "starless": None, "star_frame": Path("b")}
    assert objects_among(given, Choices()) == ("wcs",)
    arrays = {"frame": np.zeros(1), "star_frame": np.zeros(1)}
    assert objects_among(arrays, Settings()) == ("frame", "star_frame")
    assert objects_among(arrays, Settings(red="r", star_frame="b")) == ()
    path = tmp_path / "result.json"
    path.write_text(json.dumps({"settings": {}, "not_from_files": ["frame", "star_frame"]}))
    (told,) = told_differences(path)
    assert told.endswith("give the same frame and star frame again, which came from no file")


def test_a_table_of_ones_own_is_found_again(tmp_path):
    asked = Settings(frame="a.fits", catalogue=f"file:{tmp_path / 'stars.csv'}")
    assert asked.to_dict(tmp_path / "out")["catalogue"] == "file:../stars.csv"


def test_a_table_in_the_home_folder_is_found_from_anywhere(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("USERPROFILE", str(tmp_path / "home"))
    asked = Settings(frame="a.fits", catalogue="file:~/stars.csv")
    assert asked.to_dict(tmp_path / "out")["catalogue"] == "file:../home/stars.csv"
    assert asked.inputs == ["a.fits", str(tmp_path / "home" / "stars.csv")]
    of_nobody = Settings(catalogue="file:~nobody-is-called-so/stars.csv")
    assert of_nobody.own_table == Path("~nobody-is-called-so/stars.csv")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["green", "starless", "catalogue", *also("star_frame")])
def test_nothing_that_is_read_is_written_over(folder, tmp_path, name):
    """Whatever it is read for, and though files may be replaced; the advice is followed."""
    precious = tmp_path / "stars.fits"
    shutil.copy(folder / "broad.fits", precious)
    before = precious.read_bytes()
    asked = Settings(
        frame=str(folder / "broad.fits"),
        **{name: f"file:{precious}" if name == "catalogue" else str(precious)},
    )
    with pytest.raises(
        OutputError, match="is an input: choose another place for the output, with -o or --out"
    ):
        run_settings(asked, tmp_path, overwrite=True)
    assert precious.read_bytes() == before
    if name == "star_frame":
        assert (
            "picture.fits" in run_settings(asked, tmp_path / "elsewhere", overwrite=True).files
        )


def test_settings_that_cannot_be_used(tmp_path, capsys):
    path = tmp_path / "result.json"
    for text, says in (
        ("no json", "holds no settings"),
        ("[1]", "holds no settings"),
        ("{}", "holds no settings"),
        ('{"settings": {"rainbow": 1}}', "does not know: rainbow"),
        ('{"settings": 3}', "does not know"),
        ('{"settings": {"route": "rainbow"}}', "is one of best.* Mend it there"),
        ('{"settings": {"star_brightness": "much"}}', "Mend it there"),
        ('{"settings": {"sky": "pink"}}', "it is one of grey, keep. Mend it there"),
        ('{"settings": {"leave_out": [[NaN, 5]]}}', "pairs of numbers"),
        ('{"settings": {"leave_out": [1]}}', "pairs of numbers"),
    ):
        path.write_text(text)
        with pytest.raises(SettingsError, match=says):
            read_settings(path)
    with pytest.raises(SettingsError, match="No such file"):
        read_settings(tmp_path / "none.json")
    assert main(["run", "--settings", str(path)]) == 1
    assert "pairs of numbers" in capsys.readouterr().err


def test_a_setting_that_has_another_name_now_is_told_so(tmp_path):
    """A file of an earlier version is refused and not half obeyed; mended as advised, it is read."""
    path = tmp_path / "result.json"
    path.write_text('{"settings": {"frame": "a.fits", "white_bv": 0.5}}')
    with pytest.raises(
        SettingsError, match=r"white_bv \(its name is neutral_bv now\). Mend it there"
    ):
        read_settings(path)
    path.write_text(path.read_text().replace("white_bv", "neutral_bv"))
    assert read_settings(path).neutral_bv == 0.5


# --- choices by keyword -----------------------------------------------------------------


def test_keywords_are_the_choices_by_name_and_type():
    """Each keyword of a public function is a choice of the same type, and none is forgotten."""
    choices = get_type_hints(Choices)
    assert get_type_hints(OfRun) == choices
    for some in (OfCheck, OfCalibrate, OfRecolour):
        assert get_type_hints(some).items() <= choices.items()


def test_a_keyword_that_a_function_does_not_obey_is_refused(broad):
    """And not taken in silence: a check makes no star warmer."""
    for function, keyword in (
        (starcal.check, {"warmth": 1.2}),
        (starcal.calibrate, {"route": "palette"}),
        (starcal.recolour_stars, {"sky": "keep"}),
        (starcal.run, {"white_bv": 0.5}),
    ):
        with pytest.raises(TypeError, match=f"{next(iter(keyword))} given; what can be asked"):
            function("a.fits", **keyword)


@pytest.mark.slow
def test_choices_and_keywords_are_the_same_question(folder, broad):
    """One object, keywords, or an object with some of it changed."""
    frame = starcal.read_frame(folder / "broad.fits")
    asked = Choices(neutral_bv=0.4, snr=8.0)
    answers = [
        starcal.check(frame, asked),
        starcal.check(frame, neutral_bv=0.4, snr=8.0),
        starcal.check(frame, Choices(snr=8.0), neutral_bv=0.4),
    ]
    assert answers[0].to_dict() == answers[1].to_dict() == answers[2].to_dict()
    assert answers[0].gains[2] != broad.gains[2]


@pytest.mark.parametrize(
    ("wrong", "needed"),
    [
        ({"neutral_bv": 7.0}, "neutral_bv 7.0 given, colours are known for B-V -0.37 to 1.5"),
        ({"neutral_bv": math.nan}, "neutral_bv nan given"),
        ({"snr": "5"}, "snr 5 given, a number above 0, up to 1000 needed"),
        ({"timeout": None}, "timeout None given, seconds above 0"),
        ({"scale": 0.0}, "scale 0.0 given, arcsec above 0"),
        ({"saturation": math.inf}, "saturation inf given, 0 to 10 needed"),
        ({"warmth": 500}, "warmth 500 given, -4 to 6 needed"),
        ({"brightest": 1.5}, "brightest 1.5 given, a whole number above 0 needed"),
        ({"tiff": "yes"}, "tiff 'yes' given; it is True or False"),
        ({"online": "no"}, "online 'no' given; it is True or False"),
        ({"model": "cube"}, "model 'cube' given; it is one of gains, matrix"),
        ({"bv": 1.4, "spread": 0.1}, "spread 0 or a bv in between needed"),
        ({"leave_out": [1.0]}, "pairs of numbers needed"),
    ],
)
def test_a_choice_that_cannot_be_is_refused_when_it_is_made(wrong, needed):
    with pytest.raises(ValueError, match=needed):
        Choices(**wrong)


def test_numbers_of_numpy_are_numbers():
    """Of an array or a table, single precision and whole ones too, a result can be kept of."""
    made = Choices(snr=np.int64(7), warmth=np.float32(1.25), tiff=np.True_)
    assert made == Choices(snr=7, warmth=1.25, tiff=True)
    assert json.loads(json.dumps(asdict(made)))["warmth"] == 1.25


def test_choices_cannot_change():
    with pytest.raises(FrozenInstanceError):
        Choices().snr = 3.0
    assert Choices(leave_out=[[1, 2]]).leave_out == ((1.0, 2.0),)


# --- what can be typed ------------------------------------------------------------------


def test_places_are_pairs_of_numbers(capsys):
    for wrong in ("100", "a,b", "nan,5", "5,inf", "1,2,3"):
        with pytest.raises(SystemExit):
            main(["run", "a.fits", "--leave-out", wrong])
    assert "needed" in capsys.readouterr().err


# --- what is said -----------------------------------------------------------------------


@pytest.mark.campaign
def test_possible_colours_are_not_replaced_by_invented_ones_without_a_word(tmp_path):
    """A broadband frame that nobody knows the place of: no route but the palette, and the frame
    was fine before."""
    scene = make_scene(**DEMOS["cassiopeia-few"] | {"with_wcs": False, "shape": (340, 480)})
    write_fits(tmp_path / "few.fits", scene.pixels, scene.header)
    done = starcal.run(tmp_path / "few.fits")
    assert done.audit_before.n_impossible == 0
    assert done.check.route == "palette"
    assert done.check.verdict.next_steps[0].startswith(
        "compare with the frame as it was: 0 of its"
    )
    asked = starcal.run(tmp_path / "few.fits", tmp_path / "b", route="palette")
    assert not any("compare with" in step for step in asked.check.verdict.next_steps)


def test_gains_of_a_verdict_no_are_said_not_to_be_applied(broad, sho):
    assert "gains, not applied" in dict(sho.rows())
    assert "gains" in dict(broad.rows())


def test_a_file_with_a_wrong_model_is_refused(by_hand, tmp_path):
    facts = json.loads((by_hand / "result.json").read_text())
    for name, wrong in (("model", "cube"), ("neutral_bv", 7.0)):
        (tmp_path / "result.json").write_text(
            json.dumps({"settings": facts["settings"] | {name: wrong}})
        )
        with pytest.raises(SettingsError, match="Mend it there"):
            read_settings(tmp_path / "result.json")


def test_one_file_typed_stands_for_three_that_were_kept(tmp_path):
    """With a mark of its encoding before it, as editors of Windows put there."""
    path = tmp_path / "result.json"
    three = {"settings": {"red": "r.fits", "green": "g.fits", "blue": "b.fits", "snr": 7}}
    path.write_text(json.dumps(three), encoding="utf-8-sig")
    asked = asked_for(_parsed_options(["run", "a.fits", "--settings", str(path)]))
    assert (asked.first_file, asked.red, asked.snr) == ("a.fits", None, 7)
    path.write_text(json.dumps({"settings": {"frame": "a.fits"}}))
    typed = ["--red", "1", "--green", "2", "--blue", "3"]
    asked = asked_for(_parsed_options(["run", *typed, "--settings", str(path)]))
    assert (asked.frame, asked.blue) == (None, "3")


def test_what_belongs_to_one_frame_goes_to_no_other(tmp_path, capsys):
    """A star left out by its place, and where the frame points, are of its own pixels."""
    path, frame = tmp_path / "result.json", tmp_path / "a.fits"
    known = {"frame": "a.fits", "wcs": "a.wcs", "leave_out": [[1, 2]], "snr": 7}
    path.write_text(json.dumps({"settings": known}))

    def asked(name: str) -> Settings:
        return asked_for(_parsed_options(["run", name, "--settings", str(path)]))

    moved = asked(str(tmp_path / "elsewhere" / "a.fits"))  # what was kept is gone
    assert (Path(moved.wcs).name, moved.leave_out) == ("a.wcs", ((1, 2),))
    frame.touch()
    assert asked(str(frame)).leave_out == ((1, 2),)
    assert capsys.readouterr().err == ""
    other = asked("b.fits")
    assert (other.wcs, other.leave_out, other.snr) == (None, (), 7)
    assert f"not taken, as of {frame} alone: --wcs, --leave-out" in capsys.readouterr().err
