"""What a check prints, shows in a notebook and writes as JSON."""

import base64
import io
import json
from dataclasses import replace
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

import starcal
from starcal.checking.check import refit
from starcal.checking.result import ROUTE_WORDS, VERDICT_WORDS, for_json
from starcal.choices import Choices
from starcal.cure.stars import recolour_checked
from starcal.layers import split
from starcal.stars import Flag, flag_words, measure_stars
from starcal.texts import counted

# Keys that the contract names for `check --json`.
KEYS = {
    "frame",
    "verdict",
    "reasons",
    "route",
    "stars",
    "wcs",
    "gains",
    "gain_errors",
    "colour_terms",
    "slope_ratios",
    "residual_mag",
    "neutral_bv",
    "catalogue",
}
SCHEMA = json.loads((Path(__file__).parents[1] / "docs" / "result.schema.json").read_text())
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
STAR_KEYS = {"detected", "catalogue", "matched", "used", "flags", "chance_matches"}


@pytest.fixture(scope="module")
def solved(scene_of, frame_of):
    scene = scene_of(
        seed=1, scale_arcsec=4.0, faint_to_mag=13.5, channel_gains=(0.6, 1.0, 0.8), gradient=0.6
    )
    return starcal.check(frame_of(scene, name="<field> & 7.fits"))


@pytest.fixture(scope="module")
def unsolved(scene_of, frame_of):
    return starcal.check(
        frame_of(scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5, with_wcs=False))
    )


@pytest.fixture(scope="module")
def mismatched(scene_of, frame_of):
    scene = scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5)
    header = scene.header.copy()
    header["CRVAL2"] += 1
    return starcal.check(frame_of(scene, header=header))


def test_json_has_the_keys_and_survives_strict_parsing(solved, unsolved, mismatched):
    for found in (solved, unsolved, mismatched):
        text = json.dumps(found.to_dict(), allow_nan=False)
        facts = json.loads(text)
        assert set(facts) >= KEYS
        assert set(facts["stars"]) >= STAR_KEYS
        assert set(facts["stars"]["flags"]) == {flag.name.lower() for flag in Flag}
        assert facts["verdict"] in VERDICT_WORDS
        assert facts["route"] in ROUTE_WORDS
        assert all(isinstance(reason, str) for reason in facts["reasons"])
        VALIDATOR.validate(facts)


def test_the_schema_refuses_what_is_no_result(solved):
    for key, wrong in {"verdict": "perhaps", "gains": {"R": 1.0}, "reasons": "why"}.items():
        assert not VALIDATOR.is_valid(for_json(solved.to_dict()) | {key: wrong}), key
    known = set(SCHEMA["properties"])
    assert set(solved.to_dict()) <= known, "say in docs/result.schema.json what the new key is"


def test_json_holds_the_numbers_of_the_result(solved):
    facts = solved.to_dict()
    assert list(facts["gains"].values()) == solved.fit.gains.tolist()
    assert facts["gains"]["G"] == 1
    assert facts["gain_errors"]["B"] == solved.fit.gain_errors[2]
    assert facts["colour_terms"] == dict(zip("RB", solved.fit.slope.tolist(), strict=True))
    assert (
        facts["stars"]["used"]
        == solved.fit.n_used
        <= facts["stars"]["matched"]
        <= facts["stars"]["catalogue"]
    )
    assert facts["stars"]["flags"]["no_match"] == np.count_nonzero(
        solved.stars["flags"] & Flag.NO_MATCH
    )
    assert facts["wcs"]["refined"] is True
    assert facts["catalogue"]["stars_in_field"] == facts["stars"]["catalogue"]


def test_what_was_not_measured_is_null(unsolved, mismatched):
    for key in ("gains", "gain_errors", "colour_terms", "slope_ratios", "residual_mag"):
        assert unsolved.to_dict()[key] is None
        assert mismatched.to_dict()[key] is None
    assert unsolved.to_dict()["wcs"] is None
    assert unsolved.to_dict()["catalogue"] is None
    assert unsolved.to_dict()["stars"]["matched"] is None
    assert mismatched.to_dict()["wcs"]["offset_px"] is None
    assert mismatched.to_dict()["wcs"]["refined"] is False
    assert unsolved.gains is None
    assert unsolved.route == mismatched.route == "palette"


def test_infinite_and_missing_numbers_become_null(solved):
    odd = replace(
        solved,
        verdict=replace(
            solved.verdict, colour_error_before=float("nan"), colour_error_after=np.inf
        ),
    )
    facts = json.loads(json.dumps(odd.to_dict(), allow_nan=False))
    assert facts["colour_error_uv"] == {"before": None, "after": None}


def test_text_for_the_terminal(solved, unsolved):
    text = str(solved)
    assert text.startswith(VERDICT_WORDS[solved.verdict.verdict])
    assert all(reason in text for reason in solved.verdict.reasons)
    assert f"{solved.fit.gains[0]:.4f}" in text
    assert "the sky has a gradient" in text  # 0.6 of the sky from edge to edge was put in
    assert str(unsolved).startswith(VERDICT_WORDS["undecided"])
    assert "WCS" in str(unsolved)
    assert " G 1, " in text
    assert "-0.000" not in text
    for width in (60, 100):
        short = solved.text(width, all_numbers=False)
        assert max(map(len, short.splitlines())) <= width
        assert "flagged" not in short
        assert short.index("because") < short.index("gains ") < short.index("every number: -v")


def test_one_line(solved, unsolved):
    for found in (solved, unsolved):
        assert "\n" not in found.summary()
        assert found.verdict.verdict in found.summary()
        assert found.frame in found.summary()
    assert f"{solved.fit.gains[2]:.4f}" in solved.summary()
    for part in (solved.fit, solved.located, solved.match, solved.light):
        assert 20 < len(repr(part)) < 900
        assert "\n" not in repr(part)


def test_rows_tell_the_tally(solved):
    rows = dict(solved.rows())
    tally = solved.to_dict()["stars"]["flags"]
    for flag in Flag:
        name, count = f"flagged {flag_words(flag)}", tally[flag.name.lower()]
        assert (name in rows) == (count > 0)
        if count:
            assert rows[name].startswith(str(count))
    assert rows["stars found"] == str(len(solved.stars))


def test_the_gains_measured_in_other_ways_make_a_table(solved):
    table = solved.second_table()
    assert len(table) == len(solved.second) > 0
    assert list(table["change"]) == [each.change for each in solved.second]


class Tags(HTMLParser):
    """Checks that tags are closed in order; collects pictures and places named."""

    def __init__(self):
        super().__init__()
        self.open, self.images, self.sources = [], [], []

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        self.sources += [attributes[name] for name in ("src", "href") if name in attributes]
        if tag == "img":
            self.images.append(attributes)
        else:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def shown_in_a_notebook(result):
    tags, text = Tags(), result._repr_html_()
    tags.feed(text)
    assert tags.open == []
    assert all(source.startswith("data:image/") for source in tags.sources)
    assert len(text) < 200_000  # bytes; a notebook of twenty results is still easy to send
    return tags, text


def test_notebook_html_is_closed_and_escaped(solved):
    _, text = shown_in_a_notebook(solved)
    assert "&lt;field&gt; &amp; 7.fits" in text
    assert "<field>" not in text


@pytest.fixture(scope="module")
def frame(scene_of, frame_of):
    return frame_of(scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5), name="<field>.fits")


recoloured = lru_cache(maxsize=1)(starcal.recolour_stars)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make", "captions"),
    [
        (starcal.calibrate, ["before", "after"]),
        (recoloured, ["before", "after"]),
        (lambda frame: split(frame.pixels, measure_stars(frame.pixels)), ["starless", "stars"]),
    ],
    ids=["calibrated", "recoloured", "split"],
)
def test_pictures_in_a_notebook(frame, make, captions):
    result = make(frame)
    tags, text = shown_in_a_notebook(result)
    assert [image["alt"].split(":")[0] for image in tags.images] == captions
    for image in tags.images:
        picture = Image.open(io.BytesIO(base64.b64decode(image["src"].split(",", 1)[1])))
        assert max(picture.size) <= 420
        assert np.asarray(picture).std() > 1  # of 255: something is to be seen
    assert "<field>" not in text
    assert len(repr(result)) < 400
    assert "\n" not in repr(result)


def test_an_audit_in_a_notebook(frame):
    audit = starcal.audit_picture(frame.pixels, name="<b>")
    _, text = shown_in_a_notebook(audit)
    assert f"{audit.n_judged} measured" in text
    assert "<b>" not in text


@pytest.mark.slow
def test_recoloured_stars_are_drawn_by_source(frame):
    made = recoloured(frame)
    axes = made.plot_map(Figure().subplots())
    drawn = {mark.get_label(): len(mark.get_offsets()) for mark in axes.collections}
    assert drawn == {f"{source} ({count})": count for source, count in made.tally.items()}


@pytest.mark.parametrize(("number", "text"), [(0, "0 stars"), (1, "1 star"), (2, "2 stars")])
def test_one_star_is_not_1_stars(number, text):
    assert counted(number, "star") == text


def test_one_star_in_the_frame_is_said_so(solved):
    one = replace(solved, catalogue=replace(solved.catalogue, stars_in_field=1))
    assert dict(one.rows())["catalogue"].endswith(": 1 star in the frame")


def test_a_result_is_frozen(solved):
    with pytest.raises(AttributeError, match="cannot assign"):
        solved.route = "palette"


# --- what was handed out stays ----------------------------------------------------------


def as_it_is(stars):
    """Every value of a star table, byte for byte, and the names in order."""
    return stars.colnames, [np.asarray(stars[name]).tobytes() for name in stars.colnames]


@pytest.mark.campaign
def test_a_result_never_changes_after_it_was_handed_out(solved, scene_of, frame_of):
    """Not by a refit with other stars, nor by colouring its stars twice in different ways."""
    scene = scene_of(
        seed=1, scale_arcsec=4.0, faint_to_mag=13.5, channel_gains=(0.6, 1.0, 0.8), gradient=0.6
    )
    frame = frame_of(scene)
    x, y = (float(solved.stars[name][solved.fitted[0]]) for name in ("x_px", "y_px"))
    of_check = as_it_is(solved.stars)

    without = refit(solved, [(x, y)])
    of_refit = as_it_is(without.stars)
    assert of_refit != of_check
    assert as_it_is(refit(without).stars) == of_check  # nothing named: all are back

    yellow = recolour_checked(frame, without, Choices(route="palette", bv=0.9))
    of_yellow = as_it_is(yellow.check.stars)
    blue = recolour_checked(frame, yellow.check, Choices(route="palette", bv=0.1))
    assert np.all(blue.check.stars["colour_bv_mag"] == 0.1)

    assert as_it_is(yellow.check.stars) == of_yellow
    assert as_it_is(without.stars) == of_refit
    assert as_it_is(solved.stars) == of_check
