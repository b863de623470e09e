"""The wheel, built and installed in a clean environment, does the main job away from the
checkout."""

import json
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.campaign
def test_the_installed_wheel_does_the_main_job(tmp_path):
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--quiet",
            "--no-deps",
            "--no-build-isolation",
            "--no-index",
            "--wheel-dir",
            str(tmp_path),
            str(ROOT),
        ],
        check=True,
    )
    (wheel,) = tmp_path.glob("starcal-*.whl")
    venv.create(tmp_path / "venv", with_pip=False)
    (site,) = (tmp_path / "venv" / "lib").glob("python*/site-packages")
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--no-deps",
            "--no-index",
            "--no-compile",  # but what is imported
            "--target",
            str(site),
            str(wheel),
        ],
        check=True,
    )
    (site / "needed.pth").write_text(
        sysconfig.get_path("purelib")
    )  # the dependencies, without fetching them again
    python = tmp_path / "venv" / "bin" / "python"

    def starcal(*words: str) -> str:
        return subprocess.run(
            [python, "-m", "starcal", *words],
            cwd=tmp_path,
            check=True,
            capture_output=True,
            text=True,
        ).stdout

    where = subprocess.run(
        [python, "-c", "import starcal; print(starcal.__file__)"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert Path(where.strip()).is_relative_to(site)
    assert "checksum" in starcal("catalogue", "verify")
    starcal("demo", "owl")
    facts = json.loads(starcal("run", "--json", "owl/cygnus-camera.fits"))
    assert facts["verdict"] == "rescue"
    assert (tmp_path / "owl" / "cygnus-camera-starcal" / "report.html").exists()
