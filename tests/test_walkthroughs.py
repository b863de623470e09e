"""The walk-throughs: every command in them is typed, and what it prints is what they show.

Three dots in what they show stand for anything: numbers that a better fit may change, and lines
that do not matter.
"""

import doctest
import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import fake_services
import numpy as np
import pytest

from starcal.cli.main import main
from starcal.demo.examples import DEMOS
from starcal.demo.scene import make_scene

FOLDER = Path(__file__).parents[1] / "examples"
WALKTHROUGHS = sorted(FOLDER.glob("*.md"))
# the rest says the same of other frames
MAIN = {"broadband-rescue", "narrowband-recolour"}
DRAWS_FIGURES = True  # what a user types is done in full
SHOWN_ALIKE = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def steps(text: str):
    """(command, what it shows) of every console block."""
    for block in re.findall(r"^```console\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        for step in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, shown = step.partition("\n")
            while command.endswith("\\"):
                more, _, shown = shown.partition("\n")
                command = command[:-1] + more
            yield command, shown


def typed(command: str, capsys) -> str:
    """Do what a command line says; what it printed."""
    words = shlex.split(command)
    if words[0] == "starcal":
        assert main(words[1:]) == 0, command + capsys.readouterr().err
        return capsys.readouterr().out
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    assert main(["demo", str(folder / "owl"), "-q"]) == 0
    return folder / "owl"


def gaia_of_demo(stem: str):
    """The stars of an example frame, as Gaia would list them if they were all there."""
    truth, sky = make_scene(**DEMOS[stem]).truth, fake_services.Sky(n=1)
    sky.ra, sky.dec, sky.v = (np.array(truth[name]) for name in ("ra_deg", "dec_deg", "v_mag"))
    sky.bp_rp = np.interp(truth["bv_mag"], fake_services.DWARF_B_V, fake_services.DWARF_BP_RP)
    sky.pmra = sky.pmdec = np.zeros(len(truth))
    return sky.gaia()


@pytest.mark.slow
@pytest.mark.parametrize(
    "path",
    [
        pytest.param(path, marks=() if path.stem in MAIN else pytest.mark.campaign)
        for path in WALKTHROUGHS
    ],
    ids=lambda path: path.stem,
)
def test_walkthrough(path, demo, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    text = path.read_text(encoding="utf-8")
    assert next(steps(text))[0] == "starcal demo owl"
    shutil.copytree(demo, "owl")  # made once for all of them
    with fake_services.running() as services:
        services.tables["gaiadr3.gaia_source"] = gaia_of_demo("cassiopeia-few")
        monkeypatch.setenv("STARCAL_GAIA_URL", f"{services.address}/tap-server/tap")
        for command, shown in list(steps(text))[1:]:
            printed = typed(command, capsys)
            alike = doctest.OutputChecker().check_output(shown, printed, SHOWN_ALIKE)
            assert alike, f"{command}\nshown:\n{shown}\nprinted:\n{printed}"
    for file in re.findall(r"`(owl/[\w./-]+\.\w+)`", text):
        assert Path(file).exists(), f"{path.name} speaks of {file}"
    if path.stem == "narrowband-recolour":
        require_figures_of_readme(Path("owl/cepheus-sho-starcal/result.json"))


def require_figures_of_readme(result: Path) -> None:
    """The caption of README's picture says what comes out."""
    readme = " ".join((FOLDER.parent / "README.md").read_text(encoding="utf-8").split())
    said = json.loads(result.read_text())["outcome"].split(".")[0]
    assert f"{said}," in readme, f"README has other figures than come out: {said}"


def test_there_is_one_for_each_case():
    assert {path.stem for path in WALKTHROUGHS} == {
        "broadband-rescue",
        "narrowband-recolour",
        "separate-star-frame",
        "no-wcs",
        "offline-catalogue",
    }


def test_the_reader_of_walkthroughs_sees_every_step():
    text = "a\n```console\n$ starcal demo owl\nx\ny\n$ starcal run a \\\n    --out b\nz\n```\n```python\n$ no\n```\n"
    assert list(steps(text)) == [
        ("starcal demo owl", "x\ny\n"),
        ("starcal run a     --out b", "z\n"),
    ]
