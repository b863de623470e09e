"""The examples run as their heads say."""

import subprocess
import sys
from pathlib import Path

EXAMPLES = Path(__file__).parents[1] / "examples"


def run(name: str, *words: str) -> str:
    return subprocess.run([sys.executable, EXAMPLES / name, *words], check=True, capture_output=True, text=True).stdout


def test_three_monos_become_a_picture(tmp_path):
    text = run("three_monos.py", str(tmp_path / "monos"))
    assert "verdict on the composite: no" in text
    assert "after: 0 of" in text
    assert (tmp_path / "monos" / "sho-starcal" / "picture.fits").exists()


def test_the_benchmark_prints_ratios():
    text = run("bench_main_job.py", "--small", "--rounds", "1")
    assert text.count(" floors; without import") == 3
    assert "as the manuals show" in text
