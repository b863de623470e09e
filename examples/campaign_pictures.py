"""Every stretched picture of a folder through audit, solving and run; a table of what came of it.

python examples/campaign_pictures.py FOLDER [NAME ...]

A picture with a solution beside it (NAME.wcs) is solved from hints that are off by 0.2 widths and
4 % in scale, and the answer is compared with it. Exit 1 if any picture ended in a fault, was solved
wrongly, or came out with more impossible stars than before.
"""

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import starcal
from starcal.audit import same_stars
from starcal.errors import StarcalError
from starcal.frame import corners_apart_px, pixel_scale_arcsec

ENDINGS = {".png", ".tif", ".tiff", ".jpg", ".jpeg"}
OFF_WIDTHS, OFF_SCALE = 0.2, 1.04  # of the hints
SAME_PLACE_SHARE = 0.02  # of the width, at the corners: small pictures are bent a little
STANDS_OUT_SNR = 20.0
HEAD = "picture              stars judged  after  solved  before      after       same stars  outcome"


@dataclass(frozen=True, kw_only=True)
class Line:
    """What came of a picture."""

    name: str
    outstanding: int = 0
    judged: int = 0
    judged_after: int = 0
    solved: str = "-"
    before: str = "-"
    after: str = "-"
    same: str = "-"
    outcome: str = ""

    @property
    def bad(self) -> bool:
        """Whether it counts against the campaign."""
        return self.solved == "wrong" or self.outcome.startswith(("fault", "worse"))

    def __str__(self) -> str:
        """A line of the table."""
        counts = (
            f"{self.name:20s} {self.outstanding:5d} {self.judged:6d} {self.judged_after:6d}"
        )
        shares = f"{self.solved:7s} {self.before:11s} {self.after:11s} {self.same:11s}"
        return f"{counts}  {shares} {self.outcome}"


def hints_off(frame: starcal.Frame) -> dict[str, float]:
    """Where the frame points, by a fifth of its width and 4 % of its scale wrong."""
    height, width = frame.pixels.shape[1:]
    at = (width - 1) / 2 + OFF_WIDTHS * width, (height - 1) / 2
    ra_deg, dec_deg = (float(value) for value in frame.wcs.pixel_to_world_values(*at))
    return {
        "ra": ra_deg % 360,
        "dec": dec_deg,
        "scale": OFF_SCALE * pixel_scale_arcsec(frame.wcs),
    }


def solved(path: Path, truth: starcal.Frame) -> str:
    """Whether the picture is solved from hints, and rightly."""
    found = starcal.check(starcal.read_frame(path), **hints_off(truth))
    if found.located.wcs is None:
        return "no"
    apart_px = corners_apart_px(found.located.wcs, truth.wcs, truth.pixels.shape[1:])
    return "yes" if apart_px < SAME_PLACE_SHARE * truth.pixels.shape[2] else "wrong"


def standing_out(audit: starcal.Audit) -> tuple[int, int]:
    """How many stars stand out of the noise, and how many of these are judged."""
    outstanding = np.asarray(audit.stars["snr"]) >= STANDS_OUT_SNR
    judged = outstanding & (np.asarray(audit.stars["kind"]) != "unknown")
    return int(outstanding.sum()), int(judged.sum())


def line_of(path: Path, folder: Path) -> Line:
    """All of it for one picture."""
    solution = path.with_suffix(".wcs")
    frame = starcal.read_frame(path, wcs=solution if solution.exists() else None)
    seen = {"name": path.name}
    if frame.wcs is not None:
        seen["solved"] = solved(path, frame)
    try:
        done = starcal.run(frame, folder / path.stem)
    except StarcalError as error:
        return Line(**seen, outcome=f"{type(error).__name__}: {str(error)[:60]}")
    before, after = done.audit_before, done.audit_after
    seen["outstanding"], seen["judged"] = standing_out(before)
    seen["judged_after"] = standing_out(after)[1]
    rows, rows_after = same_stars(before, after)
    was, now = before.impossible[rows].sum(), after.impossible[rows_after].sum()
    worse = after.n_impossible > before.n_impossible or now > was
    return Line(
        **seen,
        before=f"{before.n_impossible}/{before.n_judged}",
        after=f"{after.n_impossible}/{after.n_judged}",
        same=f"{was}-{now}/{len(rows)}",
        outcome="worse" if worse else done.check.route_reason[-60:],
    )


def main(folder: Path, *names: str) -> int:
    """Print the table; the number of pictures that count against it."""
    print(HEAD)
    bad = 0
    with tempfile.TemporaryDirectory() as scratch:
        for path in sorted(folder.iterdir()):
            if path.suffix.lower() not in ENDINGS or (names and path.stem not in names):
                continue
            try:
                line = line_of(path, Path(scratch))
            except Exception as error:  # a fault of any kind is what is looked for
                line = Line(name=path.name, outcome=f"fault: {error!r}")
            print(line, flush=True)
            bad += line.bad
    return bad


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]) > 0)
