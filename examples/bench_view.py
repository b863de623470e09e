"""What the page costs on a 24-megapixel frame: opening, moving about, and each choice, for the part
that is seen.

    python examples/bench_view.py [--small]

The aim: a choice shows within 0.3 s. What is timed is all that the server does for it, up to the
bytes that go to the browser; medians of some rounds. On the way to the screen come the loopback
connection and the browser's own drawing.
"""

import argparse
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from starcal.choices import Settings
from starcal.demo.scene import make_scene
from starcal.frame import write_fits
from starcal.view import points
from starcal.view.job import cure_of, open_job
from starcal.view.visible import after_shown, before_shown, window_of

FIELD = {
    "ra_deg": 305.6,
    "dec_deg": 40.3,
    "scale_arcsec": 2.2,
    "fwhm_px": 2.8,
    "gradient": 0.1,
    "nebula_electrons": 5e3,
    "faint_to_mag": 14.5,
}
FRAMES = {
    "narrowband, star by star": {
        "system": "SHO",
        "scatter": "spectra",
        "channel_gains": (1.0, 0.25, 0.71),
    },
    "broadband, by gains": {"system": "camera", "channel_gains": (0.7, 1.0, 0.6)},
}
SCREEN = (1600, 900)  # pixels of the picture on a large screen
ROUNDS = 7
AIM_S = 0.3


def timed(action, rounds: int = ROUNDS) -> float:
    """Median seconds of some rounds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def windows(shape: tuple[int, int]) -> dict:
    """What is looked at: the whole frame, a third of it, 100 %, 400 %; round the middle."""
    height, width = shape
    per_screen = max(width / SCREEN[0], height / SCREEN[1])
    found = {}
    for name, scale in (
        ("whole frame", per_screen),
        ("a third", per_screen / 3),
        ("100 %", 1.0),
        ("400 %", 0.25),
    ):
        x_px, y_px = (
            (size - scale * seen) / 2
            for size, seen in zip((width, height), SCREEN, strict=True)
        )
        found[name] = window_of((x_px, width - x_px), (y_px, height - y_px), SCREEN, shape)
    return found


def measure(job, settings: Settings) -> None:
    """Print what each step costs in each window."""
    stars = job.check.stars
    some = tuple(
        (float(stars["x_px"][i]), float(stars["y_px"][i])) for i in job.check.fitted[:3]
    )
    rng = np.random.default_rng(0)

    def choice(**changes):
        changed = replace(
            settings, **{name: at + rng.uniform(-0.2, 0.2) for name, at in changes.items()}
        )
        return lambda: render(part, changed, both="black" in changes)

    def render(part, changed, both):
        after_shown(cure_of(job, job.check, changed), part, changed)
        if both:
            before_shown(job, part, changed)

    print(
        f"  refit with three stars left out, and all points of the plots: "
        f"{timed(lambda: points.columns_of(cure_of(job, job.refit(some), settings))):.3f} s"
    )
    print(
        f"  {'seconds':<14}{'move there':>12}{'warmth':>12}{'black point':>12}{'all at once':>12}"
    )
    worst = 0.0
    for name, window in windows(job.shape).items():
        part = job.look(window)
        costs = [
            timed(lambda window=window: render(job.look(window), settings, both=True), 3),
            timed(choice(warmth=1.0)),
            timed(choice(black=0.0)),
            timed(
                choice(warmth=1.0, saturation=1.0, star_brightness=1.0, black=0.0, strength=1.0)
            ),
        ]
        worst = max(worst, *costs[1:])
        print(f"  {name:<14}" + "".join(f"{cost:12.3f}" for cost in costs))
    print(f"  slowest choice {worst:.3f} s, {worst / AIM_S:.2f} of the {AIM_S} s aimed at")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="0.24 instead of 24 megapixels")
    shape = (400, 600) if parser.parse_args().small else (4000, 6000)
    for title, channels in FRAMES.items():
        with tempfile.TemporaryDirectory() as folder:
            scene = make_scene(shape=shape, **FIELD, **channels)
            path = Path(folder) / "frame.fits"
            write_fits(path, scene.pixels, scene.header)
            settings = Settings(frame=str(path))
            start = time.perf_counter()
            job = open_job(settings)
        print(
            f"{title}: 3 x {shape[0]} x {shape[1]}, {len(job.check.stars)} stars; read, checked "
            f"and split in "
            f"{time.perf_counter() - start:.1f} s"
        )
        measure(job, settings)


if __name__ == "__main__":
    main()
