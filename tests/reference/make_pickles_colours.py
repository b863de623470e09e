"""Makes pickles_colours.csv: sRGB colours of real stars from spectra, without any code of starcal.

Needs ../shared/catalogue/reference_pickles1998.npz and reference_cie.npz beside the repository; the
spectra themselves are not part of it. Run: python tests/reference/make_pickles_colours.py
"""

from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
SHARED = HERE.parents[2] / "shared" / "catalogue"
HEADER = """\
# Linear sRGB (D65, largest channel 1) and CIE 1931 x, y of stars, by integrating their spectra, 360 to 830 nm.
# Source of spectra and B-V: A. J. Pickles 1998, PASP 110, 863 (CDS J/PASP/110/863), files uk*.dat and their table.
# Source of the colour matching functions: CIE 1931 2-degree observer, 1 nm (CIE 15). RGB primaries: IEC 61966-2-1.
# Derived numbers, made by make_pickles_colours.py in November 2025.
type,bv_mag,x,y,r,g,b
"""
XYZ_TO_RGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def star_colours():
    """(names, B-V, xy, rgb) of every spectrum."""
    pickles, cie = (
        np.load(SHARED / "reference_pickles1998.npz"),
        np.load(SHARED / "reference_cie.npz"),
    )
    flux = np.array(
        [np.interp(cie["cmf_wave"], pickles["wave"] / 10.0, row) for row in pickles["flux"]]
    )
    xyz = flux @ cie["cmf_xyz"]
    rgb = xyz @ XYZ_TO_RGB.T
    return (
        pickles["name"],
        pickles["bv"],
        xyz[:, :2] / xyz.sum(1, keepdims=True),
        rgb / rgb.max(1, keepdims=True),
    )


def table():
    rows = zip(*star_colours(), strict=True)
    order = sorted(rows, key=lambda row: (float(row[1]), str(row[0])))
    return HEADER + "".join(
        f"{name},{bv:.3f},{x:.5f},{y:.5f},{r:.5f},{g:.5f},{b:.5f}\n"
        for name, bv, (x, y), (r, g, b) in order
    )


if __name__ == "__main__":
    (HERE / "pickles_colours.csv").write_text(table())
