"""What `check`, `calibrate` and `run` cost on a 24-megapixel frame, against the floor and against the
way the manuals show a calibration.

    python examples/bench_main_job.py [--megapixels N] [--jobs check,run] [--rounds N]

Everything is timed in one run on one machine, each whole job in a process of its own; compare
ratios, not seconds. The floor is what no program can avoid: read the pixels, copy them, write them
and wait for the disk. `run` splits stars off a narrowband frame of the same stars.
"""

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from starcal.cli.main import ALGEBRA_THREADS

FIELD = {
    "ra_deg": 305.6,
    "dec_deg": 40.3,
    "scale_arcsec": 2.2,
    "channel_gains": (0.7, 1.0, 0.6),
    "fwhm_px": 2.8,
    "gradient": 0.1,
    "nebula_electrons": 5e3,
    "faint_to_mag": 14.5,
}


NARROWBAND = FIELD | {
    "system": "SHO",
    "scatter": "spectra",
    "channel_gains": (1.0, 0.25, 0.71),
    "v_zero_electrons": 2e11,
    "sky_electrons": 4e3,
    "nebula_electrons": 2e4,
}
UNCOUNTED = ("whole process", "CPU", "CPU of import", "peak memory", "stars used")


def make(path: str, shape: tuple[int, int], field: dict) -> None:
    from starcal.demo.scene import make_scene
    from starcal.frame import write_fits

    scene = make_scene(shape=shape, **field)
    write_fits(path, scene.pixels, scene.header)
    print(
        f"frame: 3 x {shape[0]} x {shape[1]}, {len(scene.truth)} stars, "
        f"{os.path.getsize(path) / 1e6:.0f} MB"
    )


def floor(source: str, target: str) -> dict[str, float]:
    times = {}
    start = time.perf_counter()
    data = np.fromfile(source, dtype=">f4")
    times["floor: read"] = time.perf_counter() - start
    start = time.perf_counter()
    copy = data.copy()
    times["floor: copy"] = time.perf_counter() - start
    start = time.perf_counter()
    with open(target, "wb") as file:
        copy.tofile(file)
        os.fsync(file.fileno())
    times["floor: write"] = time.perf_counter() - start
    return times


def check_job(source: str, target: str) -> dict[str, float]:
    """Read and check."""
    times = {}
    clock = _Clock(times)
    from starcal.checking.check import check

    clock("import")
    found = check(source, progress=clock.step)
    clock.step()
    times["stars used"] = found.fit.n_used
    return times


def run_job(source: str, target: str) -> dict[str, float]:
    """The whole job with split and report."""
    times = {}
    clock = _Clock(times)
    from starcal import pipeline
    from starcal.report import page  # noqa: F401  (imported when it is needed)

    clock("import")
    done = pipeline.run(narrowband_beside(source), f"{target}-run", progress=clock.step)
    clock.step()
    shutil.rmtree(f"{target}-run")
    times["stars used"] = len(done.check.stars)
    return times


def narrowband_beside(source: str) -> str:
    return source.replace("frame.fits", "narrowband.fits")


def starcal_job(source: str, target: str) -> dict[str, float]:
    """Calibrate file to file, step by step."""
    times = {}
    clock = _Clock(times)
    from starcal.checking.check import check
    from starcal.cure.gains import apply_calibration
    from starcal.frame import read_frame

    clock("import")
    frame = read_frame(source)
    clock("read")
    found = check(frame, progress=clock.step)
    clock.step()
    made = apply_calibration(frame, found, "grey", in_place=True)
    clock("apply gains, level the sky")
    made.write(target, overwrite=True)
    clock("write")
    times["stars used"] = found.fit.n_used
    return times


def manual_job(source: str, target: str) -> dict[str, float]:
    """The same job as the manuals of astropy and photutils show each step, with their defaults."""
    times = {}
    clock = _Clock(times)
    from astropy.coordinates import SkyCoord
    from astropy.io import fits
    from astropy.stats import SigmaClip, sigma_clipped_stats
    from astropy.wcs import WCS
    from photutils.aperture import (
        ApertureStats,
        CircularAnnulus,
        CircularAperture,
        aperture_photometry,
    )
    from photutils.background import Background2D, MedianBackground
    from photutils.detection import DAOStarFinder

    from starcal.catalogue import embedded

    clock("import")
    with fits.open(source) as hdus:
        data, header = hdus[0].data.astype(np.float32), hdus[0].header
    clock("read")
    clip = SigmaClip(sigma=3.0)
    background = Background2D(
        data[1], (64, 64), filter_size=(3, 3), sigma_clip=clip, bkg_estimator=MedianBackground()
    )
    clean = data[1] - background.background
    clock("background, one channel")
    _, _, sigma = sigma_clipped_stats(clean, sigma=3.0)
    found = DAOStarFinder(fwhm=3.0, threshold=5.0 * sigma)(clean)
    clock("find stars, one channel")
    places = np.column_stack([found["x_centroid"], found["y_centroid"]])
    aperture, ring = (
        CircularAperture(places, r=5.0),
        CircularAnnulus(places, r_in=9.0, r_out=14.0),
    )
    flux = [
        np.asarray(aperture_photometry(plane, aperture)["aperture_sum"])
        - ApertureStats(plane, ring, sigma_clip=clip).median * aperture.area
        for plane in data
    ]
    clock("photometry")
    wcs = WCS(header).celestial
    height, width = data.shape[1:]
    middle = wcs.pixel_to_world(width / 2, height / 2)
    stars = embedded.cone(
        middle.ra.deg, middle.dec.deg, np.hypot(height, width) / 2 * 2.2 / 3600, epoch_yr=2024.7
    )
    sky = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
    row, apart, _ = wcs.pixel_to_world(*places.T).match_to_catalog_sky(sky)
    colour = stars.bv_mag[row]
    good = (
        (apart.arcsec < 3)
        & np.isfinite(colour)
        & (np.min(flux, axis=0) > 0)
        & (stars.v_mag[row] < 11)
    )
    clock("match")
    gains = [
        10
        ** (
            0.4
            * np.polyval(
                np.polyfit(colour[good], -2.5 * np.log10((f / flux[1])[good]), 1), 0.65
            )
        )
        for f in flux
    ]
    clock("fit")
    data *= np.array(gains, np.float32)[:, None, None]
    clock("apply gains")
    fits.writeto(target, data, header, overwrite=True)
    clock("write")
    times["stars used"] = int(good.sum())
    return times


class _Clock:
    def __init__(self, times):
        self.times = times
        self.restart()

    def restart(self):
        self.last = time.perf_counter()
        self.doing = None

    def step(self, name=None, _share=None):
        """A step begins, or the last one has ended."""
        if self.doing is not None:
            spent = time.perf_counter() - self.last
            self.times[self.doing] = self.times.get(self.doing, 0.0) + spent
        self.restart()
        self.doing = name

    def __call__(self, name):
        self.times[name] = time.perf_counter() - self.last
        if name == "import":
            self.times["CPU of import"] = time.process_time()
        self.restart()


JOBS = {
    "floor": floor,
    "check": check_job,
    "calibrate": starcal_job,
    "run": run_job,
    "manuals": manual_job,
}


def in_own_process(job: str, source: str, target: str) -> dict[str, float]:
    """Run one job in a fresh interpreter; its times, its peak memory, and its whole duration as a
    user sees it."""
    start = time.perf_counter()
    output = subprocess.run(
        [sys.executable, __file__, "--job", job, source, target],
        env=os.environ | dict.fromkeys(ALGEBRA_THREADS, "1"),  # as on the command line
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    times = {
        name: float(value)
        for name, value in (line.rsplit("\t", 1) for line in output.splitlines())
    }
    return times | {"whole process": time.perf_counter() - start}


def show(rounds: dict[str, list[dict[str, float]]], megabytes: float) -> None:
    median = {
        job: {name: statistics.median(run[name] for run in runs) for name in runs[0]}
        for job, runs in rounds.items()
    }
    base = sum(value for name, value in median["floor"].items() if name.startswith("floor"))
    for job, times in median.items():
        print(f"\n{job}")
        for name, value in times.items():
            unit = {"peak memory": "MB", "stars used": ""}.get(name, "s")
            print(f"  {name:<34}{value:10.3f} {unit}")
        work = sum(value for name, value in times.items() if name not in UNCOUNTED)
        print(
            f"  {'sum of the steps':<34}{work:10.3f} s = {work / base:.1f} floors; without import "
            f"{(work - times.get('import', 0)) / base:.1f}"
        )
        cpu = times["CPU"] - times.get("CPU of import", 0)
        print(f"  {'CPU without import over the floor':<34}{cpu / base:10.1f}")
        print(f"  {'peak memory over the frame':<34}{times['peak memory'] / megabytes:10.2f}")


def tell(job: str, source: str, target: str) -> None:
    """Do one job and print what it took."""
    for name, value in JOBS[job](source, target).items():
        print(f"{name}\t{value}")
    print(f"CPU\t{time.process_time()}")
    peak_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory\t{peak_kib / 1024 * 1.048576}")


def make_apart(path: str, megapixels: float) -> None:
    """A frame of 2 : 3, made by a process of its own, whose memory then is free."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5)
    shape = str(rows), str(3 * rows // 2)
    subprocess.run([sys.executable, __file__, "--make", path, *shape], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--rounds", type=int, default=3, help="how often each job is timed (default: 3)"
    )
    parser.add_argument(
        "--megapixels", type=float, default=24.0, help="of the frame (default: 24)"
    )
    parser.add_argument(
        "--jobs", default=",".join(JOBS), help="which, by commas (default: %(default)s)"
    )
    parser.add_argument("--job", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--make", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.make:
        path, height, width = options.make
        narrow = path.endswith("narrowband.fits")
        field = NARROWBAND if narrow else FIELD
        return make(path, (int(height), int(width)), field)
    if options.job:
        return tell(*options.job)
    jobs = dict.fromkeys(["floor", *options.jobs.split(",")])
    with tempfile.TemporaryDirectory() as folder:
        source, target = str(Path(folder) / "frame.fits"), str(Path(folder) / "out.fits")
        make_apart(source, options.megapixels)
        if "run" in jobs:
            make_apart(narrowband_beside(source), options.megapixels)
        rounds = {job: [] for job in jobs}
        for _ in range(options.rounds):  # interleaved, so that a busy moment hits all alike
            for job, runs in rounds.items():
                runs.append(in_own_process(job, source, target))
        show(rounds, os.path.getsize(source) / 1e6)
    return None


if __name__ == "__main__":
    main()
