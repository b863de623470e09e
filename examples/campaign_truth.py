"""Verdicts and gains against the truth, on made frames with the faults of real ones.

    python examples/campaign_truth.py [--frames N] [--seed N] [--fault NAME] [--jobs N]

Each fault gets its share of the frames, at random places of the sky. `wrong` counts rescued frames
whose gain of red or blue is off by more than 5 or 10 %; `false` those that were rescued although no
gain can be right (no broadband filters, or the gain that stars need varies by more than 5 % over
the frame or with brightness); `missed` those not rescued although 15 stars or more tell a gain that
can be right and the fit's gains are. Errors, pulls and stated errors are those of rescued frames
that can be right; a pull is the error over what was stated. Every wrong and false one is named.
"""

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from astropy.wcs import WCS

import starcal
from starcal.demo.campaign import FAULTS, make_frame
from starcal.frame import Frame

TELLING = 15  # so many stars tell a gain; with fewer `undecided` is a fair answer
WRONG, VERY_WRONG, MANY_SIGMA = 0.05, 0.10, 3.0
EPOCH_YR = 2024.7  # of made frames
HEAD = (
    f"{'fault':17s} frames rescues >5% >10% missed false   error R, B %   "
    "chi2 R, B   >3 sigma   stated R, B %"
)


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

    @property
    def worst(self) -> float:
        """Larger error of the two gains."""
        return float(np.abs(self.error).max())

    @property
    def rescued(self) -> bool:
        """Whether it was said that calibration rescues the frame."""
        return self.verdict == "rescue"

    @property
    def missed(self) -> bool:
        """Whether it could have been rescued and was not."""
        fair = self.can_be_right and self.telling >= TELLING
        return fair and not self.rescued and self.worst <= WRONG


def outcome(job: tuple[str, int]) -> Outcome:
    """Make a frame and check it."""
    fault, seed = job
    made = make_frame(fault, seed)
    wcs = WCS(made.header).celestial
    frame = Frame(made.pixels, made.header, wcs, name=fault, epoch_yr=EPOCH_YR)
    told = starcal.check(frame).to_dict()
    gains, errors = (told[name] or {} for name in ("gains", "gain_errors"))
    found = np.array([gains.get(c, np.nan) for c in "RB"], float)
    return Outcome(
        fault=fault,
        seed=seed,
        verdict=told["verdict"],
        can_be_right=made.can_be_right,
        telling=made.telling,
        error=found / made.gains_true[[0, 2]] - 1,
        stated=np.array([errors.get(c, np.nan) for c in "RB"], float) / found,
        reason=told["reasons"][0] if told["reasons"] else "",
    )


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


def table(outcomes: list[Outcome]) -> str:
    """All lines: what is wrong by name, a row a fault, everything together."""
    wrong = [e for e in outcomes if e.rescued and (not e.can_be_right or e.worst > WRONG)]
    by_fault = {name: [e for e in outcomes if e.fault == name] for name in FAULTS}
    lines = [told(each) for each in wrong]
    lines += ["", HEAD]
    lines += [row(name, group) for name, group in by_fault.items() if group]
    return "\n".join([*lines, row("all", outcomes)])


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
    parser.add_argument("--frames", type=int, default=312)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=list(FAULTS))
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args(words)
    faults = [asked.fault] if asked.fault else list(FAULTS)
    print(table(campaign(asked.frames, asked.seed, faults, asked.jobs)))


if __name__ == "__main__":
    main()
