"""Star colours on narrowband frames of known truth that are nastier than the code believes.

Run: python examples/campaign_colours.py [--frames N] [--seed N] [--own N]
Each frame lies anywhere on the sky, through SHO, HOS, OHS or HOO filters of 3 to 7 nm, with one to
three faults of `starcal.demo.campaign`; every second HOO frame is that of a colour camera behind a
filter of two lines, whose channels let some of the other line through. Prints errors of colour
(u'v') against true B-V, bias, and pulls by source and by colour. `--own N` leaves the catalogue
only its N brightest stars.
"""

import argparse
import tempfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from astropy.table import Table, vstack
from scipy.spatial import cKDTree

import starcal
from starcal.checking import check as checking
from starcal.choices import Choices
from starcal.colour.stellar import star_rgb, uv_prime_distance
from starcal.cure.stars import colours_of
from starcal.demo import campaign
from starcal.frame import write_fits
from starcal.layers import split
from starcal.stars import Flag

SYSTEMS = ("SHO", "HOS", "OHS", "HOO")
# Of what each channel of a colour camera takes of the three exposures
EXPOSURES_MIXED = np.array([[1.0, 0.05, 0.0], [0.16, 1.0, 0.0], [0.06, 0.0, 0.8]], np.float32)
SHAPE = (420, 600)
BRIGHT_SNR = 20.0
NEAR_PX = 1.5  # a blend shows the colour of the brightest star in it
FAULTS = (
    campaign.double_gaussian,
    campaign.varying_field,
    campaign.spikes,
    campaign.hot_pixels,
    campaign.columns_and_rays,
    campaign.uneven_flat,
    campaign.bright_nebula,
    campaign.dust,
    campaign.wrong_wcs,
    campaign.poor_catalogue,
)
COLOUR_EDGES_MAG = (-0.4, 0.2, 0.5, 0.8, 1.1, 1.3, 2.0)


def recipe_of(seed: int) -> tuple[campaign.Recipe, list[str]]:
    """A narrowband recipe with one to three faults, and their names."""
    rng = np.random.default_rng([seed, 77])
    plain = campaign.plain_recipe(rng, SHAPE)
    recipe = campaign._through(plain, SYSTEMS[seed % len(SYSTEMS)], rng)
    drawn = sorted(rng.choice(len(FAULTS), size=rng.integers(1, 4), replace=False))
    for index in drawn:
        recipe = FAULTS[index](recipe, rng)
    names = [FAULTS[index].__name__ for index in drawn]
    if recipe.setup.system == "HOO":
        recipe = _of_two_exposures(recipe)
        names += ["colour_camera"] * (seed // len(SYSTEMS) % 2)
    return recipe, names


def _of_two_exposures(recipe: campaign.Recipe) -> campaign.Recipe:
    """Green and blue alike in all but scale: they are one exposure."""
    red, green, _ = recipe.profiles
    sky = recipe.setup.sky_electrons
    setup = replace(recipe.setup, sky_electrons=(sky[0], sky[1], sky[1]))
    return replace(recipe, profiles=(red, green, green), setup=setup)


def frame_of(seed: int):
    """Pixels, header and truth of a frame, and the names of its faults."""
    recipe, names = recipe_of(seed)
    made = campaign.make(recipe, np.random.default_rng([seed, 78]))
    pixels = made.pixels
    gains = np.array(recipe.setup.channel_gains, np.float32)[:, None, None]
    if "colour_camera" in names:
        light = np.tensordot(EXPOSURES_MIXED, pixels / gains, axes=1)
        pixels = np.minimum(light, 1) * gains
    elif recipe.setup.system == "HOO":
        pixels = np.stack([pixels[0], pixels[1], pixels[1] * (gains[2] / gains[1])])
    return pixels, made, names


def stars_of(seed: int, folder: Path, own: int | None = None) -> Table:
    """Every measured star of a frame that is one of the truth, and what became of its colour."""
    pixels, made, names = frame_of(seed)
    write_fits(folder / "frame.fits", pixels, made.header, overwrite=True)
    choices = Choices()
    if own is not None or made.recipe.catalogue_errs != 1:
        campaign.own_catalogue(made.truth)[:own].write(folder / "own.ecsv", overwrite=True)
        choices = Choices(catalogue=f"file:{folder / 'own.ecsv'}")
    frame = starcal.read_frame(folder / "frame.fits")
    found = checking.check(frame, choices)
    parts = split(frame.pixels, found.stars)
    colours = colours_of(found, parts, choices)
    return _compared(seed, found.stars, colours, made, names)


def _compared(seed: int, stars, colours, made, names: list[str]) -> Table:
    """Each measured star beside the brightest true one within `NEAR_PX`."""
    truth = made.truth
    row = _brightest_near(stars, truth)
    true_mag = np.asarray(truth["bv_mag"])[row]
    white = made.recipe.setup.neutral_bv
    told = star_rgb(colours.bv_mag, white)
    flags = np.asarray(stars["flags"])
    table = Table(
        {
            "frame": np.full(len(stars), seed),
            "system": np.full(len(stars), made.recipe.setup.system),
            "faults": np.full(len(stars), "+".join(names)),
            "snr": np.asarray(stars["snr"]),
            "v_mag": np.asarray(truth["v_mag"])[row],
            "true_mag": true_mag,
            "listed_mag": np.asarray(stars["bv_mag"]),
            "told_mag": colours.bv_mag,
            "told_error_mag": colours.bv_error_mag,
            "source": colours.source.astype("U24"),
            "crowded": flags & Flag.BLENDED > 0,
            "clipped": flags & Flag.SATURATED > 0,
            "edge": flags & Flag.EDGE > 0,
            "shape": flags & Flag.SHAPE > 0,
            "defect": flags & Flag.DEFECT > 0,
            "matched": flags & Flag.NO_MATCH == 0,
            "error_uv": uv_prime_distance(told, star_rgb(true_mag, white)),
            "uniform_uv": uv_prime_distance(
                star_rgb(np.full(len(stars), 0.75), white), star_rgb(true_mag, white)
            ),
        }
    )
    return table[row >= 0]


def _brightest_near(stars, truth: Table) -> np.ndarray:
    """Row of the truth for each measured star, -1 where none is near, (n,)."""
    tree = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]]))
    near = tree.query_ball_point(
        np.column_stack([stars["x_px"].value, stars["y_px"].value]), NEAR_PX
    )
    v_mag = np.asarray(truth["v_mag"])
    return np.array([min(rows, key=v_mag.__getitem__) if rows else -1 for rows in near])


# --- figures ----------------------------------------------------------------------------


def quantiles(rows: Table) -> str:
    """Number, median and 90 % of the errors, beside those of one yellow-white."""
    if not len(rows):
        return "none"
    middle, ninety = np.quantile(rows["error_uv"], [0.5, 0.9])
    plain, plain_ninety = np.quantile(rows["uniform_uv"], [0.5, 0.9])
    return (
        f"{len(rows):5d} stars  u'v' {middle:.4f} / {ninety:.4f}   "
        f"one yellow-white {plain:.4f} / {plain_ninety:.4f}"
    )


def pulls(rows: Table) -> str:
    """rms of the pulls, its error by frames, that of the inner 95 %, and the bias."""
    if len(rows) < 10:
        return f"{len(rows):5d} stars"
    miss = np.asarray(rows["told_mag"] - rows["true_mag"])
    pull = miss / np.asarray(rows["told_error_mag"])
    near = np.sort(np.abs(pull))[: int(0.95 * len(pull))]
    by_frame = [np.mean(pull[rows["frame"] == frame] ** 2) for frame in set(rows["frame"])]
    rms = np.sqrt(np.mean(pull**2))
    error = np.std(by_frame) / np.sqrt(len(by_frame)) / (2 * rms)
    return (
        f"{len(rows):5d} stars  pull {rms:.2f} +- {error:.2f}, inner 95 % "
        f"{np.sqrt(np.mean(near**2)) / 0.871:.2f}, 68 % {np.quantile(np.abs(pull), 0.683):.2f}; "
        f"bias {np.mean(miss):+.3f}, median {np.median(miss):+.3f}"
    )


def tell(stars: Table) -> None:
    """Print the figures; what has not the shape of a star (rays, hot pixels) and what is cut by the
    edge is left out."""
    bright = stars[(stars["snr"] >= BRIGHT_SNR) & ~stars["edge"] & ~stars["shape"]]
    for system in SYSTEMS:
        print(f"{system:12s}", quantiles(bright[bright["system"] == system]))
    print(f"{'all':12s}", quantiles(bright))
    print(f"{'crowded':12s}", quantiles(bright[bright["crowded"]]))
    print(f"{'clipped':12s}", quantiles(bright[bright["clipped"] & bright["matched"]]))
    print(f"{'V < 8':12s}", quantiles(bright[(bright["v_mag"] < 8) & bright["matched"]]))
    worse = [
        int(frame)
        for frame in sorted(set(bright["frame"]))
        if np.median(bright["error_uv"][bright["frame"] == frame])
        > np.median(bright["uniform_uv"][bright["frame"] == frame])
    ]
    print("frames worse in the median than one yellow-white:", worse or "none")
    for source in sorted(set(bright["source"])):
        print(f"{source:22s}", pulls(bright[bright["source"] == source]))
    for low, high in pairwise(COLOUR_EDGES_MAG):
        told = np.asarray(bright["told_mag"])
        true = np.asarray(bright["true_mag"])
        print(
            f"told {low:+.1f} to {high:+.1f}    ", pulls(bright[(told >= low) & (told < high)])
        )
        print(
            f"true {low:+.1f} to {high:+.1f}    ", pulls(bright[(true >= low) & (true < high)])
        )


def main() -> None:
    """Make the frames and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=24, help="how many")
    parser.add_argument("--seed", type=int, default=0, help="of the first")
    parser.add_argument("--own", type=int, help="catalogue stars left, the brightest")
    parser.add_argument("--keep", metavar="FILE", help="table of all stars, as ECSV")
    asked = parser.parse_args()
    parts = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(asked.seed, asked.seed + asked.frames):
            part = stars_of(seed, Path(folder), asked.own)
            print(
                f"{seed} {part['system'][0] if len(part) else ''} {quantiles(part)}", flush=True
            )
            parts.append(part)
            if asked.keep:
                vstack(parts).write(asked.keep, overwrite=True)
    tell(vstack(parts))


if __name__ == "__main__":
    main()
