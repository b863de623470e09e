"""From three mono narrowband frames to a finished picture with true star colours.

    python examples/three_monos.py FOLDER

Makes three mono frames of a made-up nebula among the real stars of Cepheus (sulphur, hydrogen and
oxygen lines, 3 nm), composes them in the SHO mapping, and runs the whole job: stars are split from
the nebula, get their colours from the catalogue and from their own continuum, and are put back.
Then it looks at what stands in the results.
"""

import json
import sys
from pathlib import Path

from astropy.io import fits

from starcal.cli.main import main
from starcal.demo.examples import DEMOS
from starcal.demo.scene import make_scene

SMALL = {"shape": (420, 600), "scale_arcsec": 4.0}  # so that it takes seconds
LINES = {"sii": "[S II] 672 nm", "ha": "H-alpha 656 nm", "oiii": "[O III] 501 nm"}


def make_monos(folder: Path) -> dict[str, Path]:
    """Write the three frames as a camera program would: one file a filter, FILTER and WCS in the
    header."""
    scene = make_scene(**DEMOS["cepheus-sho"] | SMALL)
    paths = {}
    for plane, (name, filter_name) in zip(scene.pixels, LINES.items(), strict=True):
        header = scene.header.copy()
        header["FILTER"] = filter_name
        paths[name] = folder / f"{name}.fits"
        fits.writeto(paths[name], plane, header, overwrite=True)
    return paths


def show(folder: Path) -> None:
    """Print what a user would look up first."""
    facts = json.loads((folder / "result.json").read_text())
    print(f"verdict on the composite: {facts['verdict']}")
    print(f"colours come from: {facts['route']} ({facts['route_reason'].split('; ')[-1]})")
    for name in ("before", "after"):
        audit = facts["audit"][name]
        print(
            f"{name}: {audit['impossible']} of {audit['judged']} measured stars have a colour that "
            f"no star has"
        )
    print(f"look at {folder / 'report.html'}")


if __name__ == "__main__":
    target = Path(sys.argv[1] if len(sys.argv) > 1 else "monos")
    target.mkdir(exist_ok=True)
    monos = make_monos(target)
    composite = str(target / "sho.fits")
    if (
        main(
            [
                "compose",
                "--red",
                str(monos["sii"]),
                "--green",
                str(monos["ha"]),
                "--blue",
                str(monos["oiii"]),
                "-o",
                composite,
                "--overwrite",
            ]
        )
        == 0
        and main(["run", "-q", composite, "--overwrite"]) == 0
    ):
        show(target / "sho-starcal")
