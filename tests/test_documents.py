"""README and documentation: links lead somewhere; what a report says of a run does it again."""

import re
import shlex
from pathlib import Path

import pytest
from astropy.io.fits import Header

from starcal.choices import Settings
from starcal.cli.arguments import build_parser
from starcal.cli.files import asked_for
from starcal.report.facts import command_of_run, frame_rows

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    page
    for folder in ("", "docs", "docs/measured", "examples")
    for page in (ROOT / folder).glob("*.md")
)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_links_lead_to_files_that_are_there(page):
    text = page.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)", text)
    gone = [
        link
        for link in links
        if "://" not in link and not (page.parent / link.partition("#")[0]).exists()
    ]
    assert gone == []


def test_every_page_of_the_site_is_in_its_lists():
    docs = ROOT / "docs"
    index = (docs / "index.md").read_text(encoding="utf-8")
    pages = [*docs.glob("*.md"), *docs.glob("measured/*.md"), *docs.glob("walk-throughs/*.md")]
    names = {page.relative_to(docs).with_suffix("").as_posix() for page in pages} - {"index"}
    assert {name for name in names if f"\n{name}\n" not in index} == set()


def test_readme_keeps_its_two_set_up_commands_and_all_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert (
        "\n    python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/starcal demo"
        in text
    )
    assert "pip install '.[test]' && .venv/bin/python -m pytest\n" in text
    for name in build_parser()._subparsers._group_actions[0].choices:
        assert f"`starcal {name}" in text, name


def typed(**chosen) -> Settings:
    return Settings(frame="a b.fits", **chosen)


@pytest.mark.parametrize(
    "settings",
    [
        typed(),
        typed(warmth=1.25, route="palette", bv=0.6, spread=0.1, tiff=True),
        typed(leave_out=((1.5, 2.0), (30.0, 4.0)), online=False, catalogue="gaia", timeout=5.0),
        typed(
            ra=84.123456789,
            dec=-5.4,
            neutral_bv=0.61234567,
            scale=2.5,
            assume_linear=True,
            star_frame="s.fits",
        ),
        typed(object="North America Nebula", scale=2.0, brightest=200.0, wcs="a.wcs"),
        Settings(red="r.fits", green="g.fits", blue="b.fits", full_scale=65535.0),
    ],
)
def test_the_command_of_a_run_asks_for_the_same_again(settings):
    words = shlex.split(command_of_run(settings, "out"))
    assert words[0] == "starcal"
    again = asked_for(build_parser().parse_args(words[1:]))
    for name in ("ra", "dec"):  # typed as text, which may be sexagesimal
        value = getattr(again, name)
        object.__setattr__(again, name, None if value is None else float(value))
    assert again == settings


def test_what_a_header_says_of_a_frame_is_told(scene_of, frame_of):
    scene = scene_of(scale_arcsec=4.0, faint_to_mag=13.5, seed=1)
    header = Header(scene.header, copy=True)
    header["INSTRUME"], header["FOCALLEN"], header["FILTERG"] = "Mono 9", 400, "H-alpha"
    told = dict(frame_rows(frame_of(scene, header=header)))
    assert told["size"] == "480 x 340 pixels (0.2 megapixels)"
    assert told["field"] == "32 x 23 arcmin, 4.00 arcsec a pixel"  # 480 and 340 times 4 / 60
    assert told["camera"] == "Mono 9"
    assert told["focal length"] == "400 mm"
    assert told["filters of R, G, B"] == "R, H-alpha, B"  # its own card before FILTER2
    assert "exposure" not in told
