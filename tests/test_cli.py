"""The command line, as a user types it: exit status, one line on stderr, JSON, help without
numpy."""

import json
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import fake_services
import numpy as np
import pytest
from astropy.io import fits

from starcal.catalogue import transport
from starcal.catalogue.choose import stars_around
from starcal.choices import Settings
from starcal.cli.arguments import build_parser
from starcal.cli.files import asked_for
from starcal.cli.main import COMMANDS, _parsed_options, command_of, main
from starcal.cli.terminal import show
from starcal.demo.scene import make_scene
from starcal.frame import Frame, write_fits, write_tiff16
from starcal.place.hints import hints_of

FIELD = {
    "shape": (300, 430),
    "scale_arcsec": 4.0,
    "channel_gains": (0.5, 1.0, 0.7),
    "faint_to_mag": 13.5,
}
JSON_KEYS = {
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
}  # the contract of `check --json`


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Frames to work on: broadband, narrowband, without WCS, and a damaged one."""
    folder = tmp_path_factory.mktemp("frames")
    for name, settings in {
        "broad": {},
        "sho": {"system": "SHO", "v_zero_electrons": 2e11, "shape": (150, 210)},
        "unsolved": {"with_wcs": False, "faint_to_mag": 12.5},
    }.items():
        scene = make_scene(**FIELD | settings)
        write_fits(folder / f"{name}.fits", scene.pixels, scene.header)
    whole = (folder / "broad.fits").read_bytes()
    (folder / "cut.fits").write_bytes(whole[: len(whole) // 2])
    return folder


def one_line(capsys) -> str:
    streams = capsys.readouterr()
    assert streams.err.count("\n") == 1
    assert "Traceback" not in streams.err
    return streams.err


def test_check_prints_the_verdict(folder, capsys):
    assert main(["check", str(folder / "broad.fits")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Rescue:")
    assert "gains" in out


def test_check_json_is_one_object_that_keeps_the_contract(folder, capsys):
    assert main(["check", "--json", str(folder / "broad.fits")]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts.keys() >= JSON_KEYS
    assert facts["gains"].keys() == {"R", "G", "B"}
    assert facts["stars"].keys() >= {
        "detected",
        "catalogue",
        "matched",
        "used",
        "flags",
        "chance_matches",
    }
    assert facts["wcs"].keys() >= {"offset_px", "rotation_deg", "scatter_px", "refined"}


IGNORED = {
    "join N S -o O.fits --how add --star-size 0.7": "--how add takes layers as they are",
    "join N S -o O.fits --stretch --settings R": "--stretch takes layers as they are",
    "check F --columns ra=x": "give it, --catalogue file:PATH",
    "catalogue fetch --for F --radius 1": "--for FRAME tells the field",
}


@pytest.mark.parametrize("words", IGNORED)
def test_nothing_is_ignored_without_a_word(words, folder, capsys):
    files = {"R": "run/result.json", "F": "broad.fits"}
    typed = [str(folder / files[word]) if word in files else word for word in words.split()]
    if "R" in words.split():
        (folder / "run").mkdir(exist_ok=True)
        (folder / "run" / "result.json").write_text('{"settings": {"warmth": 2}}')
    with pytest.raises(SystemExit, match="2"):
        main(typed)
    assert IGNORED[words] in capsys.readouterr().err


def test_a_folder_is_checked_frame_by_frame(folder, tmp_path, capsys):
    shutil.copy(folder / "cut.fits", tmp_path / "a.fits")
    shutil.copy(folder / "cut.fits", tmp_path / "b.fits")
    assert main(["check", str(tmp_path)]) == 1
    assert capsys.readouterr().err.count("cut short") == 2


def test_what_could_not_be_measured_is_null(folder, capsys):
    asked = ["check", "--json", str(folder / "unsolved.fits"), "--catalogue", "file:s.csv"]
    assert main(asked) == 0
    facts = json.loads(capsys.readouterr().out)
    assert any("the catalogue file:s.csv was not used" in note for note in facts["notes"])
    assert facts["gains"] is None
    assert facts["wcs"] is None
    assert facts["stars"]["matched"] is None
    assert facts["route"] == "palette"


@pytest.mark.slow
def test_several_frames_give_a_line_each_and_a_bad_one_does_not_stop_the_rest(folder, capsys):
    names = ["broad.fits", "cut.fits", "sho.fits"]
    assert main(["check", *(str(folder / name) for name in names)]) == 1
    streams = capsys.readouterr()
    assert [line.split(":")[0] for line in streams.out.splitlines()] == [
        str(folder / name) for name in names[::2]
    ]
    assert "cut.fits" in streams.err


def test_several_frames_as_json_give_an_object_a_line(folder, capsys):
    assert (
        main(["check", "--json", *(str(folder / name) for name in ("broad.fits", "cut.fits"))])
        == 1
    )
    good, bad = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert good["verdict"] == "rescue"
    assert "cut.fits" in bad["error"]


def test_calibrate_writes_the_frame_times_its_gains(folder, tmp_path, capsys):
    target = tmp_path / "out.fits"
    assert (
        main(
            [
                "calibrate",
                "--json",
                "-v",
                "--sky",
                "keep",
                str(folder / "broad.fits"),
                "-o",
                str(target),
            ]
        )
        == 0
    )
    said = capsys.readouterr()
    gains = json.loads(said.out)["gains"]
    assert re.search(r"^ +\d+\.\d s  matching the catalogue \(\d+ %\)$", said.err, re.MULTILINE)
    before, after = fits.getdata(folder / "broad.fits"), fits.getdata(target)
    unclipped = (before < 0.85 * before.max(axis=(1, 2), keepdims=True)).all(
        axis=0
    )  # near clipping turns white
    assert unclipped.mean() > 0.99
    for channel, plane, made in zip("RGB", before, after, strict=True):
        np.testing.assert_allclose(
            made[unclipped], plane[unclipped] * gains[channel], rtol=1e-6
        )  # float32 rounding
    header = fits.getheader(target)
    assert header["CRVAL1"] == fits.getheader(folder / "broad.fits")["CRVAL1"]
    assert any("multiplied" in line for line in header["HISTORY"])


def test_a_grey_sky_is_grey(folder, tmp_path):
    assert (
        main(["calibrate", "-q", str(folder / "broad.fits"), "-o", str(tmp_path / "out.fits")])
        == 0
    )
    levels = [np.median(plane) for plane in fits.getdata(tmp_path / "out.fits")]
    assert (
        np.ptp(levels) < 2e-4
    )  # a few pixel sigmas: stars lift the median of each channel a little


@pytest.mark.slow
def test_calibrate_refuses_what_gains_cannot_mend_and_its_advice_works(
    folder, tmp_path, capsys
):
    frame = str(folder / "sho.fits")
    assert main(["calibrate", frame, "-o", str(tmp_path / "out.fits")]) == 1
    message = one_line(capsys)
    assert "Let `starcal run` colour its stars" in message
    assert not (tmp_path / "out.fits").exists()
    assert main(["run", "-q", frame, "--out", str(tmp_path / "run")]) == 0


def test_calibrate_without_a_wcs_says_what_to_do(folder, tmp_path, capsys):
    assert (
        main(["calibrate", str(folder / "unsolved.fits"), "-o", str(tmp_path / "out.fits")])
        == 1
    )
    assert "Let `starcal run`" in one_line(capsys)


def test_a_wcs_file_serves_a_frame_without_one(folder, tmp_path, capsys):
    assert (
        main(
            [
                "check",
                "--json",
                str(folder / "unsolved.fits"),
                "--wcs",
                str(folder / "broad.fits"),
            ]
        )
        == 0
    )
    assert json.loads(capsys.readouterr().out)["verdict"] == "rescue"


@pytest.mark.slow
def test_hints_serve_a_frame_without_a_wcs(folder, tmp_path, capsys):
    place = ["--ra", "305.3", "--dec", "+40d25m", "--scale", "4.2"]  # 0.2 degrees and 5 % off
    assert (
        main(
            [
                "run",
                "--json",
                str(folder / "unsolved.fits"),
                *place,
                "--out",
                str(tmp_path / "run"),
            ]
        )
        == 0
    )
    facts = json.loads(capsys.readouterr().out)
    assert facts["verdict"] == "rescue"
    assert facts["wcs"]["solved"]
    assert fits.getheader(tmp_path / "run" / "picture.fits")["CTYPE1"].startswith("RA---TAN")


PLACE = (
    "--ra",
    "305.3",
    "--dec",
    "+40d25m",
    "--scale",
    "4.2",
)  # of the fields here: 0.2 degrees and 5 % off


def facts_of(capsys, *words) -> dict:
    assert main([words[0], "--json", *words[1:]]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_wcs_that_was_found_is_written_and_serves_the_next_time(folder, tmp_path, capsys):
    frame, kept = str(folder / "unsolved.fits"), str(tmp_path / "kept.fits")
    before = (folder / "unsolved.fits").read_bytes()
    solved = facts_of(capsys, "check", frame, *PLACE, "--write-wcs", kept)
    assert (folder / "unsolved.fits").read_bytes() == before
    assert fits.getheader(kept)["IMAGEW"] == FIELD["shape"][1]
    again = facts_of(capsys, "check", frame, "--wcs", kept)
    assert solved["wcs"].pop("solved") is True
    assert again["wcs"].pop("solved") is False
    assert again["stars"] == solved["stars"]
    assert again["gains"] == pytest.approx(
        solved["gains"], rel=1e-9
    )  # cards have 12 digits and more
    assert again["wcs"]["offset_px"] == pytest.approx(solved["wcs"]["offset_px"], abs=1e-3)
    assert not any("no WCS in the header" in note for note in again["notes"])


@pytest.mark.slow
def test_calibrate_and_run_write_the_wcs_too(folder, tmp_path, capsys):
    frame, kept = str(folder / "unsolved.fits"), [tmp_path / "a.wcs", tmp_path / "b.wcs"]
    assert (
        main(
            [
                "calibrate",
                frame,
                *PLACE,
                "-o",
                str(tmp_path / "o.fits"),
                "--write-wcs",
                str(kept[0]),
            ]
        )
        == 0
    )
    assert f"WCS written: {kept[0]}" in capsys.readouterr().out
    assert (
        main(
            [
                "run",
                "-q",
                frame,
                *PLACE,
                "--out",
                str(tmp_path / "run"),
                "--write-wcs",
                str(kept[1]),
            ]
        )
        == 0
    )
    assert kept[0].read_bytes() == kept[1].read_bytes()


def test_a_wcs_within_reach_is_written_put_right(folder, tmp_path, capsys):
    with fits.open(folder / "broad.fits") as hdus:
        hdus[0].header["CRPIX1"] += 12.0
        hdus.writeto(tmp_path / "off.fits")
    kept = str(tmp_path / "kept.fits")
    assert (
        facts_of(capsys, "check", str(tmp_path / "off.fits"), "--write-wcs", kept)["wcs"][
            "offset_px"
        ][0]
        > 11.5
    )
    offset = facts_of(capsys, "check", str(tmp_path / "off.fits"), "--wcs", kept)["wcs"][
        "offset_px"
    ]
    assert offset == pytest.approx([0, 0], abs=0.05)


@pytest.mark.slow
def test_no_wcs_to_write_says_what_to_type(folder, tmp_path, capsys):
    frame, kept = str(folder / "unsolved.fits"), tmp_path / "kept.fits"
    assert main(["check", "-q", frame, "--write-wcs", str(kept)]) == 1
    assert "with --ra, --dec and --scale" in one_line(capsys)
    assert not kept.exists()
    assert main(["check", "-q", frame, *PLACE, "--write-wcs", str(kept)]) == 0


def test_a_written_wcs_harms_no_other_file(folder, tmp_path, capsys):
    frame, kept = str(folder / "broad.fits"), tmp_path / "kept.fits"
    kept.write_text("precious")
    assert main(["check", frame, "--write-wcs", str(kept)]) == 1
    assert "--overwrite" in one_line(capsys)
    assert kept.read_text() == "precious"
    assert main(["check", "-q", frame, "--write-wcs", str(kept), "--overwrite"]) == 0
    assert main(["check", frame, "--write-wcs", frame, "--overwrite"]) == 1
    assert "is an input" in one_line(capsys)
    for words in (
        [
            "calibrate",
            frame,
            "-o",
            str(tmp_path / "o.fits"),
            "--write-wcs",
            str(tmp_path / "o.fits"),
        ],
        ["run", frame, "--out", str(tmp_path), "--write-wcs", str(tmp_path / "stars.fits")],
    ):
        assert main(words) == 1
        assert "another output already: give --write-wcs another name" in one_line(capsys)
    with pytest.raises(SystemExit) as leaving:
        main(["check", frame, str(folder / "sho.fits"), "--write-wcs", str(kept)])
    assert leaving.value.code == 2


@pytest.mark.slow
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_wcs_of_a_tiff_goes_round(tmp_path, capsys, mirrored):
    """Rows of a TIFF are turned over in reading; its WCS is told of the frame as it then is."""
    scene = make_scene(**FIELD | {"with_wcs": False, "mirrored": mirrored})
    frame, kept = str(tmp_path / "frame.tif"), str(tmp_path / "kept.fits")
    write_tiff16(frame, scene.pixels)
    solved = facts_of(capsys, "check", frame, *PLACE, "--write-wcs", kept)
    again = facts_of(capsys, "check", frame, "--wcs", kept)
    assert again["stars"]["matched"] == solved["stars"]["matched"] > 15
    assert again["gains"] == pytest.approx(solved["gains"], rel=1e-9)


@pytest.mark.slow
def test_too_few_stars_to_solve_by_say_which_catalogue_to_name(tmp_path, monkeypatch, capsys):
    """A frame of a quarter of a degree, of stars that only the service knows."""
    place = (195.0, 27.0)
    monkeypatch.setattr(transport, "RETRY_PAUSE_S", 0.02)
    with fake_services.running() as fake:
        fake.tables["gaiadr3.gaia_source"] = fake_services.Sky(*place, n=700).gaia()
        monkeypatch.setenv("STARCAL_GAIA_URL", f"{fake.address}/tap-server/tap")
        known = stars_around("gaia", *place, 0.25, epoch_yr=2024.7, limit_mag=15.0).stars
        scene = make_scene(
            shape=(420, 600),
            ra_deg=place[0],
            dec_deg=place[1],
            scale_arcsec=1.5,
            with_wcs=False,
            stars=known,
            faint_to_mag=None,
        )
        write_fits(tmp_path / "narrow.fits", scene.pixels, scene.header)
        words = [
            str(tmp_path / "narrow.fits"),
            "--ra",
            "195.02",
            "--dec",
            "27.01",
            "--scale",
            "1.5",
        ]
        reasons = facts_of(capsys, "check", *words)["reasons"]
        assert any(
            "use a deeper catalogue (--catalogue gaia" in reason for reason in reasons
        ), reasons
        monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "empty"))
        found = facts_of(capsys, "check", *words, "--catalogue", "gaia")
    assert found["wcs"]["solved"]
    assert found["stars"]["matched"] >= 10


# --- joining ----------------------------------------------------------------------------


@pytest.mark.slow
def test_layers_of_different_places_are_not_joined(tmp_path, capsys):
    """0.3 px are let pass, 0.7 are not; then what the message advises is done."""
    stem, whole = str(tmp_path / "broad"), tmp_path / "whole.fits"
    scene = make_scene(**FIELD | {"shape": (150, 190)})
    write_fits(tmp_path / "frame.fits", scene.pixels, scene.header)
    splitting = ["split", "-q", str(tmp_path / "frame.fits"), "-o", stem]
    assert main(splitting) == 0
    layers = [f"{stem}-starless.fits", f"{stem}-stars.fits"]
    for off_px, status in ((0.3, 0), (0.4, 1)):
        with fits.open(layers[1], mode="update") as hdus:
            hdus[0].header["CRPIX2"] += off_px
        assert main(["join", "-q", *layers, "-o", str(whole)]) == status
        if status == 0:
            whole.unlink()
    assert "0.7 px" in (said := one_line(capsys))
    assert "starcal split FRAME -o STEM" in said
    assert not whole.exists()
    assert main([*splitting, "--overwrite"]) == 0  # as advised
    assert main(["join", "-q", *layers, "-o", str(whole)]) == 0


def test_half_a_hint_says_what_is_missing(folder, capsys):
    assert main(["check", str(folder / "unsolved.fits"), "--ra", "305.3"]) == 1
    assert "--dec" in one_line(capsys)


def test_three_files_make_a_frame(folder, tmp_path, capsys):
    data, header = fits.getdata(folder / "broad.fits", header=True)
    del header["NAXIS3"]
    for name, plane in zip(("red", "green", "blue"), data, strict=True):
        fits.writeto(tmp_path / f"{name}.fits", plane, header)
    channels = [
        word
        for name in ("red", "green", "blue")
        for word in (f"--{name}", str(tmp_path / f"{name}.fits"))
    ]
    assert main(["check", "--json", *channels]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "rescue"


def test_an_existing_output_stays_without_overwrite(folder, tmp_path, capsys):
    target = tmp_path / "mine.fits"
    target.write_text("precious")
    command = ["calibrate", "-q", str(folder / "broad.fits"), "-o", str(target)]
    assert main(command) == 1
    assert "--overwrite" in one_line(capsys)
    assert target.read_text() == "precious"
    assert main([*command, "--overwrite"]) == 0


def test_the_input_is_never_written_over(folder, tmp_path, capsys):
    frame = tmp_path / "frame.fits"
    frame.write_bytes((folder / "broad.fits").read_bytes())
    before = frame.read_bytes()
    for words in ([str(frame)], [str(folder / "broad.fits"), "--catalogue", f"file:{frame}"]):
        assert main(["calibrate", "--overwrite", *words, "-o", str(frame)]) == 1
        assert "is an input" in one_line(capsys)
        assert frame.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [
        ["check"],
        ["run", "a.fits", "b.fits", "--jobs", "0"],
        ["calibrate", "a.fits", "b.fits", "-o", "c.fits"],
        ["check", "--red", "r.fits"],
        ["calibrate", "a.fits"],
        ["nonsense"],
        ["check", "a.fits", "--neutral-bv", "9"],
        ["check", "a.fits", "--snr", "-1"],
        ["run", "a.fits", "--sky", "pink"],
        ["split", "a.fits", "-o", "b", "--ra", "30"],  # it looks for no place
        ["run", ""],  # a variable that is not set: the folder one is in was worked through
        ["run", "a.fits", "--star-frame="],
    ],
)
def test_wrong_usage_exits_with_2(words, capsys):
    with pytest.raises(SystemExit) as leaving:
        main(words)
    assert leaving.value.code == 2
    err = capsys.readouterr().err
    assert err.startswith("starcal")
    assert err.count("\n") == 1
    assert "--help" in err


@pytest.mark.parametrize("name", ["nosuch.fits", "cut.fits", "."])
def test_a_bad_path_is_one_line_and_exit_1(folder, name, capsys):
    assert main(["check", str(folder / name)]) == 1
    assert name.strip(".") in one_line(capsys)


def test_catalogue_info_and_verify(capsys):
    assert main(["catalogue", "info", "--json"]) == 0
    assert (
        json.loads(capsys.readouterr().out)["rows"] > 2_500_000
    )  # Hoeg et al. 2000: 2 539 913 and the supplement
    assert main(["catalogue", "verify"]) == 0
    assert "checksum" in capsys.readouterr().out


def test_the_cache_is_listed_verified_and_cleared(capsys):
    for action in ("list", "verify", "forget"):
        assert main(["catalogue", action]) == 0
    assert "0 fields" in capsys.readouterr().out
    assert main(["catalogue", "info", "nosuch.ecsv"]) == 1
    assert "nosuch.ecsv" in one_line(capsys)


def test_a_service_out_of_reach_is_one_line_with_the_command_for_elsewhere(
    folder, monkeypatch, capsys
):
    with socket.socket() as taken:  # bound but not listening: connections to it are refused
        taken.bind(("127.0.0.1", 0))
        monkeypatch.setenv("STARCAL_GAIA_URL", f"http://127.0.0.1:{taken.getsockname()[1]}/tap")
        assert (
            main(["check", str(folder / "broad.fits"), "--catalogue", "gaia", "--timeout", "5"])
            == 1
        )
    assert "starcal catalogue fetch --ra" in one_line(capsys)
    assert main(["check", str(folder / "broad.fits"), "--catalogue", "embedded"]) == 0


def test_an_unknown_catalogue_is_refused_with_the_names(folder, capsys):
    assert main(["check", str(folder / "broad.fits"), "--catalogue", "gaja"]) == 1
    assert "gaia" in one_line(capsys)


def test_help_is_quick_to_load_and_every_command_has_an_example():
    code = (
        "import sys; from starcal.cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass\n"
        "assert not {'numpy', 'astropy', 'scipy', 'matplotlib'} & set(sys.modules), "
        "sorted(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    actions = [
        parser
        for group in build_parser()._subparsers._group_actions
        for parser in group.choices.values()
    ]
    assert len(actions) >= 5
    assert all("example: starcal" in parser.format_help() for parser in actions)


def test_every_command_has_its_function():
    for name in COMMANDS:
        assert callable(command_of(name)), name


def test_options_have_the_defaults_of_the_choices():
    """Of every command that takes a frame, whatever it does with it."""
    defaults = asked_for(build_parser().parse_args(["run", "a.fits"]))
    assert defaults == Settings(frame="a.fits")
    for words in (
        ["check"],
        ["view"],
        ["calibrate", "-o", "b.fits"],
        ["recolour", "-o", "b.fits"],
    ):
        assert asked_for(build_parser().parse_args([*words, "a.fits"])) == defaults, words


@pytest.mark.parametrize(
    ("typed", "needed"),
    [
        (["--neutral-bv", "3"], "colours are known for B-V -0.37 to 1.5"),
        (["--snr", "0"], "a number above 0, up to 1000 needed"),
        (["--spread", "-1"], "0 to 1 mag needed"),
        (["--warmth", "500"], "-4 to 6 needed; 1 is true"),
        (["--black", "2"], "-10 to 1 needed"),
        (["--sky", "pink"], "invalid choice: 'pink'"),
        (["--spread", "0.1", "--bv", "1.4"], "spread 0 or a bv in between needed"),
        (["--white-bv", "0.6"], "unrecognized arguments: --white-bv"),
    ],
)
def test_choices_that_cannot_be_are_wrong_usage(typed, needed, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["run", "a.fits", *typed])
    assert ended.value.code == 2
    assert needed in capsys.readouterr().err


@pytest.mark.slow
def test_a_closed_pipe_is_no_traceback(folder):
    shell = f"{sys.executable} -m starcal check {folder / 'unsolved.fits'} | true"
    done = subprocess.run(
        ["bash", "-c", shell],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": os.getcwd()},
    )
    assert "Traceback" not in done.stderr


def test_a_fault_of_starcal_is_one_line_too(folder, monkeypatch, capsys):
    import starcal.checking.check

    def broken(*_, **__):
        raise KeyError("left behind")

    monkeypatch.setattr(starcal.checking.check, "measure_stars", broken)
    assert main(["check", str(folder / "broad.fits")]) == 1
    assert "please report" in one_line(capsys)


@pytest.mark.campaign
def test_demo_writes_frames_that_the_rest_can_read(tmp_path, capsys):
    assert main(["demo", str(tmp_path / "owl")]) == 0
    files = [name for name in capsys.readouterr().out.split() if name.endswith(".fits")]
    assert len(files) == 5
    assert main(["check", *files]) == 0
    verdicts = {
        line.split(":")[0].split("/")[-1]: line.split(":")[1].split(",")[0].strip()
        for line in capsys.readouterr().out.splitlines()
    }
    assert verdicts == {
        "cygnus-camera.fits": "rescue",
        "cepheus-sho.fits": "no",
        "cepheus-stars.fits": "rescue",
        "cassiopeia-few.fits": "undecided",
        "orion-unsolved.fits": "undecided",
    }


def test_demo_into_a_file_says_what_is_needed(folder, capsys):
    assert main(["demo", str(folder / "broad.fits")]) == 1
    assert "is a file: give the name of a folder" in one_line(capsys)


# --- completion -------------------------------------------------------------------------

TYPED = (
    ("starcal che", "check"),
    ("starcal run --star-f", "--star-frame"),
    ("starcal catalogue fo", "forget"),
    ("starcal run fr", "frame.fits"),
    ("starcal audit --stretched y", "yes"),
)


@pytest.mark.skipif(not shutil.which("bash"), reason="no bash here to try the script in")
def test_bash_completes_commands_options_and_files(tmp_path, capsys):
    assert main(["completion", "bash"]) == 0
    (tmp_path / "starcal.bash").write_text(capsys.readouterr().out)
    (tmp_path / "frame.fits").touch()
    for typed, wanted in TYPED:
        words = typed.split()
        code = (
            f"source ./starcal.bash; COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}; "
            f"_shtab_starcal; "
            "echo ${COMPREPLY[@]}"
        )
        done = subprocess.run(
            ["bash", "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
        )
        assert done.stdout.split() == [wanted], typed


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_knows_every_command(shell, capsys):
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(name.split()[0] in script for name in COMMANDS)
    if shutil.which(shell):
        subprocess.run([shell, "-n"], input=script, text=True, check=True)


def test_a_southern_declination_needs_no_equals_sign():
    words = ["check", "a.fits", "--ra", "5h35m", "--dec", "-5d23m", "--scale", "4"]
    frame = Frame(np.zeros((3, 8, 8), np.float32), fits.Header())
    hints = hints_of(asked_for(_parsed_options(words)), frame)
    assert (hints.ra_deg, hints.dec_deg) == pytest.approx((83.75, -5 - 23 / 60))


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["chek", "frame.fits"], "check"),
        (["recolor", "frame.fits"], "recolour"),
        (["catalog", "info"], "catalogue"),
        (["run", "frame.fits", "--warmht", "2"], "--warmth"),
        (["check", "frame.fits", "--catalog", "gaia"], "--catalogue"),
        (["run", "frame.fits", "--route", "contiuum"], "continuum"),
        (["run", "frame.fits", "--sky", "gray"], "grey"),
        (["plan", "--aperture", "80", "--ra", "1", "--dec", "2"], "--aperture-mm"),
    ],
)
def test_a_misspelt_word_is_guessed(words, meant, capsys):
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    assert capsys.readouterr().err.endswith(f". Did you mean {meant}?\n")


def test_a_file_without_a_command_is_told_the_usual_one(tmp_path, capsys):
    frame = tmp_path / "l'oeil 1.fits"
    frame.touch()
    with pytest.raises(SystemExit):
        main([str(frame)])
    _, advised = capsys.readouterr().err.split("To do the whole job: ")
    assert shlex.split(advised) == ["starcal", "run", str(frame)]


def test_a_file_that_looks_like_an_option(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("-a1.fits").touch()
    with pytest.raises(SystemExit):
        main(["check", "-a1.fits"])
    advised = capsys.readouterr().err.split("If that is a file, type ")[1]
    assert Path(shlex.split(advised)[0]).samefile("-a1.fits")
    assert not advised.startswith("-")


def test_streams_that_are_closed_or_know_few_letters(tmp_path, monkeypatch):
    path = tmp_path / "said.txt"
    with path.open("w", encoding="ascii") as narrow:
        monkeypatch.setattr(sys, "stdout", narrow)
        assert main(["plan", "--object", "M42", "--aperture-mm", "80"]) == 0
    assert "M42" in path.read_text(encoding="ascii")
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(sys, name, None)
    assert main(["catalogue", "list"]) == 0
    assert main(["check", "none.fits"]) == 1
    sys.stdout.close()
    sys.stderr.close()


@pytest.mark.parametrize("words", [["zzzz"], ["audit", "a.png", "--centre"]])
def test_a_word_like_no_other_is_not_guessed(words, capsys):
    with pytest.raises(SystemExit):
        main(words)
    said = capsys.readouterr().err
    assert "Did you mean" not in said
    assert said.endswith(f"Usage: starcal{' audit' * (words[0] == 'audit')} --help\n")


def test_frames_may_stand_behind_options():
    typed = ["run", "a.fits", "--jobs", "2", "b.fits", "c.fits"]
    assert build_parser().parse_args(typed).frame == ["a.fits", "b.fits", "c.fits"]


@pytest.mark.parametrize(
    ("words", "needed"),
    [
        (["fetch", "--ra", "1", "--dec", "2", "--radius", "500"], "up to 90 needed"),
        (["fetch", "--ra", "1", "--dec", "2", "--limit", "99"], "3 to 25 mag needed"),
        (["build", "--limit", "3"], "6 to 16 mag needed"),
    ],
)
def test_a_field_that_no_catalogue_has_is_wrong_usage(words, needed, capsys):
    with pytest.raises(SystemExit) as left:
        main(["catalogue", *words])
    assert left.value.code == 2
    assert needed in capsys.readouterr().err


def test_options_are_in_groups_and_every_command_that_writes_takes_o_and_out(capsys):
    parsers = build_parser()._subparsers._group_actions[0].choices
    assert {group.title for group in parsers["run"]._action_groups} >= {
        "where the frame points",
        "star catalogue",
        "star colours",
    }
    writing = (
        "run",
        "view",
        "calibrate",
        "compose",
        "split",
        "recolour",
        "join",
        "audit",
        "plan",
    )
    for name in writing:
        assert {"-o", "--out"} <= set(parsers[name]._option_string_actions), name


@pytest.mark.parametrize(
    ("terminal", "no_colour", "coloured"),
    [(True, "", True), (True, "1", False), (False, "", False)],
)
def test_the_verdict_has_a_colour_on_a_terminal_alone(
    terminal, no_colour, coloured, monkeypatch, capsys
):
    """NO_COLOR as agreed among programs: any value but an empty one."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: terminal, raising=False)
    monkeypatch.setenv("NO_COLOR", no_colour)
    monkeypatch.setenv("TERM", "xterm")
    options = build_parser().parse_args(["check", "a.fits"])
    show(options, {}, "No: it cannot.\n  because  it cannot")
    assert ("\x1b[1;31mNo: it cannot.\x1b[0m\n" in capsys.readouterr().out) == coloured


def test_starcal_alone_shows_the_help(capsys):
    with pytest.raises(SystemExit) as left:
        main([])
    assert left.value.code == 0
    assert "commands:" in capsys.readouterr().out


def test_control_characters_do_not_reach_the_terminal(capsys):
    assert main(["check", "a\x1b[31mred\x07.fits"]) == 1
    assert "a?[31mred?.fits" in capsys.readouterr().err
