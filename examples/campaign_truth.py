"""Verdicts and gains against the truth, on made frames with the faults of real ones.

    python examples/campaign_truth.py [--frames N] [--seed N] [--fault NAME] [--jobs N]

Each fault gets its share of the frames, at random places of the sky. `wrong` counts rescued frames
whose gain of red or blue is off by more than 5 or 10 %; `false` those that were rescued although no
gain can be right (no broadband filters, or the gain that stars need varies by more than 5 % over
the frame or with brightness); `missed` those not rescued although 15 stars or more tell a gain that
can be right and the fit's gains are. Errors, pulls and stated errors are those of rescued frames
that can be right; a pull is the error over what was stated. Every wrong and false one is named.

Then what no photometry could do better: the same check of the same stars when they are given their
true light, and when they are given their true B-V besides. What is left of the errors in the first
is the catalogue's, the stars' own spectra and the dust; in the second the catalogue has no part.
"""

import argparse
import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.wcs import WCS
from scipy.spatial import cKDTree

import starcal
from starcal.catalogue import unit_vectors
from starcal.checking.check import refit
from starcal.checking.result import CheckResult
from starcal.demo.campaign import FAULTS, Made, make_frame, own_catalogue
from starcal.demo.spectra import true_calibration
from starcal.frame import Frame
from starcal.stars.apertures import ApertureLight

TELLING = 15  # so many stars tell a gain; with fewer `undecided` is a fair answer
WRONG, VERY_WRONG, MANY_SIGMA = 0.05, 0.10, 3.0
EPOCH_YR = 2024.7  # of made frames
SAME_STAR_PX = 2.0  # a measured star and the true one lie no further apart
SAME_PLACE = np.radians(1 / 3600)  # of a catalogue star, at two epochs some days apart
KNOWN_TO = 1e-3  # relative, of true light, and mag of true B-V: as good as exact
HEAD = (
    f"{'fault':17s} frames rescues >5% >10% missed false   error R, B %   "
    "chi2 R, B   >3 sigma   stated R, B %"
)
PARTS_HEAD = f"{'given':20s} rescues >5% >10% missed fair, >5%   error R, B %"
PARTS_WIDTHS = (7, 3, 4, 6, 9)


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A verdict and the relative errors of its gains, red and blue; NaN without gains."""

    verdict: str
    error: np.ndarray


NOT_TRIED = Judged(verdict="", error=np.full(2, np.nan))


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a check said of a frame, and what is true; pairs are red and blue."""

    fault: str
    seed: int
    verdict: str
    can_be_right: bool
    telling: int
    error: np.ndarray  # of the gains, relative; NaN without gains
    stated: np.ndarray  # relative
    reason: str
    by_true_light: Judged = NOT_TRIED
    by_true_colours: Judged = NOT_TRIED  # and true light

    @property
    def worst(self) -> float:
        """Larger error of the two gains."""
        return float(np.abs(self.error).max())

    @property
    def rescued(self) -> bool:
        """Whether it was said that calibration rescues the frame."""
        return self.verdict == "rescue"

    @property
    def fair(self) -> bool:
        """Whether stars enough tell gains that can be right."""
        return self.can_be_right and self.telling >= TELLING

    @property
    def missed(self) -> bool:
        """Whether it could have been rescued and was not."""
        return self.fair and not self.rescued and self.worst <= WRONG


def outcome(job: tuple[str, int]) -> Outcome:
    """Make a frame and check it."""
    fault, seed = job
    made = make_frame(fault, seed)
    wcs = WCS(made.header).celestial
    frame = Frame(made.pixels, made.header, wcs, name=fault, epoch_yr=EPOCH_YR)
    found = checked(frame, made)
    told = found.to_dict()
    gains, errors = (told[name] or {} for name in ("gains", "gain_errors"))
    stated = np.array([errors.get(c, np.nan) for c in "RB"], float)
    return Outcome(
        fault=fault,
        seed=seed,
        verdict=told["verdict"],
        can_be_right=made.can_be_right,
        telling=made.telling,
        error=judged(found, made.gains_true).error,
        stated=stated / np.array([gains.get(c, np.nan) for c in "RB"], float),
        reason=told["reasons"][0] if told["reasons"] else "",
        by_true_light=by_truth(found, made, colours=False),
        by_true_colours=by_truth(found, made, colours=True),
    )


def checked(frame: Frame, made: Made) -> CheckResult:
    """The check of a frame, with its own catalogue where it has one."""
    if made.recipe.catalogue_errs == 1:
        return starcal.check(frame)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "own.ecsv"
        own_catalogue(made.truth).write(path)
        return starcal.check(frame, catalogue=f"file:{path}")


def judged(found: CheckResult, gains_true: np.ndarray) -> Judged:
    """A verdict and how far its gains are off."""
    error = np.full(2, np.nan)
    if found.fit is not None:
        error = (found.fit.gains / gains_true - 1)[[0, 2]]
    return Judged(verdict=found.verdict.verdict, error=error)


def by_truth(found: CheckResult, made: Made, colours: bool) -> Judged:
    """What the same check says of the same stars by their true light: whole, without noise, and
    without what the frame's faults did to it; if asked for, by their true B-V as well."""
    if found.fit is None:
        return NOT_TRIED
    true_row = true_rows(found.stars, made.truth)
    stars = found.stars.copy()
    stars.meta["noise"] = replace(stars.meta["noise"], step=(0.0, 0.0, 0.0))
    if colours:
        tell_true_colours(stars, made.truth, true_row)
    light = with_true_light(found.light, made.truth, true_row)
    again = refit(replace(found, stars=stars, light=light))
    return judged(again, true_calibration(made.recipe.setup)[0])  # what filters alone call for


def with_true_light(light: ApertureLight, truth: Table, true_row: np.ndarray) -> ApertureLight:
    """The light of the same stars, all of it, as it is true."""
    flux = np.stack([np.asarray(truth[f"flux_{c}"]) for c in "rgb"])
    flux = np.where(true_row < 0, np.nan, flux[:, true_row])
    row = light.row[true_row[light.row] >= 0]
    of_shape = flux[:, light.shape_row]
    return replace(
        light,
        row=row,
        flux=flux[:, row],
        noise=KNOWN_TO * flux[:, row],
        growth_flux=np.repeat(of_shape[:, None], light.growth_flux.shape[1], axis=1),
        neighbours=np.zeros(light.neighbours.shape),
        shape_noise=KNOWN_TO * of_shape,
        alike_ln=None,
        halo=None,
    )


def true_rows(stars: Table, truth: Table) -> np.ndarray:
    """Row of the truth for each star of a table, -1 for none: of a catalogue star by the place that
    the catalogue has of it, of any other the brightest one near it."""
    tree = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]]))
    near = tree.query_ball_point(np.column_stack([stars["x_px"], stars["y_px"]]), SAME_STAR_PX)
    rows = np.array([min(group, default=-1) for group in near])  # the truth is brightest first
    listed = np.flatnonzero(truth["in_catalogue"])
    matched = np.flatnonzero(np.isfinite(stars["ra_deg"]))
    sky = cKDTree(unit_vectors(truth["ra_deg"][listed], truth["dec_deg"][listed]))
    away, which = sky.query(unit_vectors(stars["ra_deg"][matched], stars["dec_deg"][matched]))
    rows[matched] = np.where(away < SAME_PLACE, listed[which], -1)
    return rows


def tell_true_colours(stars: Table, truth: Table, true_row: np.ndarray) -> None:
    """Put the true B-V of stars in place of the catalogue's."""
    listed = np.isfinite(stars["bv_mag"]) & (true_row >= 0)
    stars["bv_mag"][listed] = truth["bv_mag"][true_row[listed]]
    stars["bv_fit_error_mag"][listed] = KNOWN_TO
    stars["bv_off_per_ebv"][listed] = 0.0
    stars["bv_common_error_mag"][listed] = 0.0


def row(name: str, outcomes: list[Outcome]) -> str:
    """A line of the table."""
    rescued = [each for each in outcomes if each.rescued]
    right = [each for each in rescued if each.can_be_right]
    errors = np.array([each.error for each in right]).reshape(-1, 2)
    stated = np.array([each.stated for each in right]).reshape(-1, 2)
    pulls = errors / stated
    numbers = [
        len(outcomes),
        len(rescued),
        sum(each.worst > WRONG for each in right),
        sum(each.worst > VERY_WRONG for each in right),
        sum(each.missed for each in outcomes),
        len(rescued) - len(right),
    ]
    widths = (6, 7, 3, 4, 6, 5)
    counts = " ".join(f"{n:{w}d}" for n, w in zip(numbers, widths, strict=True))
    if not len(right):
        return f"{name:17s} {counts}"
    middle, chi2, usual = (
        np.median(np.abs(errors), axis=0),
        np.mean(pulls**2, axis=0),
        np.median(stated, axis=0),
    )
    return (
        f"{name:17s} {counts}   {_pair(100 * middle)}   {_pair(chi2)}   "
        f"{np.count_nonzero(np.abs(pulls) > MANY_SIGMA):8d}   {_pair(100 * usual)}"
    )


def _pair(values: np.ndarray) -> str:
    return f"{values[0]:5.2f} {values[1]:6.2f}"


def told(each: Outcome) -> str:
    """A wrong verdict in a line."""
    kind = "false rescue" if not each.can_be_right else "wrong gains"
    red, blue = 100 * each.error
    return (
        f"  {kind}: {each.fault}, seed {each.seed}: gains off by R {red:+.1f}, B {blue:+.1f} %, "
        f"stated {_pair(100 * each.stated)} ({each.telling} stars tell)"
    )


def parts_of_errors(outcomes: list[Outcome]) -> list[str]:
    """Verdicts by true light and true colours, and how large the parts of the gains' errors are."""
    kinds = {
        "as it is": lambda e: Judged(verdict=e.verdict, error=e.error),
        "true light": lambda e: e.by_true_light,
        "true light and B-V": lambda e: e.by_true_colours,
    }
    fitted = [e for e in outcomes if e.can_be_right and e.by_true_light.verdict]
    return [
        f"{len(fitted)} frames with a fit that can be right, the same stars in all three:",
        PARTS_HEAD,
        *[bound_row(name, fitted, of) for name, of in kinds.items()],
        "",
        "where the errors of those that are rescued as they are come from, rms of R, B %:",
        *scatter_rows([e for e in fitted if e.rescued]),
    ]


def bound_row(name: str, outcomes: list[Outcome], of) -> str:
    """Counts of one kind of verdict, and the median error of what it rescues."""
    found = [of(each) for each in outcomes]
    worst = np.array([np.abs(each.error).max() for each in found])
    rescued = np.array([each.verdict == "rescue" for each in found], bool)
    fair = np.array([each.fair for each in outcomes], bool)
    which = [
        rescued,
        rescued & (worst > WRONG),
        rescued & (worst > VERY_WRONG),
        fair & ~rescued & (worst <= WRONG),
        fair & (worst > WRONG),
    ]
    counts = " ".join(f"{part.sum():{w}d}" for part, w in zip(which, PARTS_WIDTHS, strict=True))
    errors = np.array([each.error for each in found]).reshape(-1, 2)[rescued]
    return f"{name:20s} {counts}   {_pair(100 * middle_of(errors))}"


def middle_of(errors: np.ndarray) -> np.ndarray:
    """Median of red and of blue, without sign; NaN without any."""
    return np.median(np.abs(errors), axis=0) if len(errors) else np.full(2, np.nan)


def scatter_rows(outcomes: list[Outcome]) -> list[str]:
    """Root mean squares of the parts that add up to the errors of gains."""
    steps = [(e.error, e.by_true_light.error, e.by_true_colours.error) for e in outcomes]
    whole, light, colours = np.log1p(np.array(steps).reshape(-1, 3, 2)).swapaxes(0, 1)
    parts = {
        "all": whole,
        "photometry": whole - light,
        "the catalogue's B-V": light - colours,
        "spectra and dust": colours,
    }
    return [
        f"  {name:20s} {_pair(100 * np.sqrt(np.mean(part**2, axis=0)))}"
        for name, part in parts.items()
        if len(part)
    ]


def table(outcomes: list[Outcome]) -> str:
    """All lines: what is wrong by name, a row a fault, everything together."""
    wrong = [e for e in outcomes if e.rescued and (not e.can_be_right or e.worst > WRONG)]
    by_fault = {name: [e for e in outcomes if e.fault == name] for name in FAULTS}
    lines = [told(each) for each in wrong]
    lines += ["", HEAD]
    lines += [row(name, group) for name, group in by_fault.items() if group]
    lines += [row("all", outcomes), "", *parts_of_errors(outcomes)]
    return "\n".join(lines)


def campaign(frames: int, seed: int, faults: list[str], jobs: int) -> list[Outcome]:
    """Outcomes of so many frames, shared out among the faults."""
    each = [(faults[n % len(faults)], seed + n // len(faults)) for n in range(frames)]
    if jobs == 1:
        return [outcome(job) for job in each]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(outcome, each))


def main(words: list[str] | None = None) -> None:
    """Run the campaign that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=325)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=list(FAULTS))
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args(words)
    faults = [asked.fault] if asked.fault else list(FAULTS)
    print(table(campaign(asked.frames, asked.seed, faults, asked.jobs)))


if __name__ == "__main__":
    main()
