"""Many frames, one and two at a time: seconds, and how much of two processes is gained.

    python examples/bench_many.py [--frames N] [--megapixels M]

Efficiency is the time with one process over twice that with two; 1 is all that can be had.
"""

import argparse
import shutil
import tempfile
import time
from pathlib import Path

import starcal
from starcal.demo.scene import make_scene
from starcal.frame import write_fits


def frames_in(folder: Path, count: int, megapixels: float) -> None:
    """The same frame so many times."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5)
    scene = make_scene(
        shape=(rows, 3 * rows // 2), scale_arcsec=4.0, channel_gains=(0.5, 1, 0.7)
    )
    write_fits(folder / "0.fits", scene.pixels, scene.header)
    for number in range(1, count):
        shutil.copyfile(folder / "0.fits", folder / f"{number}.fits")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=50)
    parser.add_argument("--megapixels", type=float, default=6.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "frames").mkdir()
        frames_in(folder / "frames", options.frames, options.megapixels)
        took_s = {}
        for jobs in (1, 2):
            start = time.perf_counter()
            made = starcal.run_many([folder / "frames"], folder / f"by-{jobs}", jobs=jobs)
            took_s[jobs] = time.perf_counter() - start
            print(f"{jobs} at a time: {made}, {took_s[jobs]:.0f} s")
        print(f"two give {took_s[1] / took_s[2]:.2f} of one")


if __name__ == "__main__":
    main()
