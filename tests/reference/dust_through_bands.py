"""Print the terms of starcal/demo/dust.py: dust before real spectra, through each band.

    python tests/reference/dust_through_bands.py [FOLDER]

FOLDER (default ../shared/catalogue) holds the reference data that catalog_cache/build_star_bands.py
names. Extinction: Cardelli, Clayton & Mathis 1989, ApJ 345, 245, equations 1, 3a, 3b, and
Fitzpatrick 1999, PASP 111, 63, table 3, both R_V 3.1. E(B-V) is that of the star as it is seen.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "catalog_cache"))
from build_star_bands import responses, spectra_on  # noqa: E402

WAVE_NM = np.arange(350.0, 950.0, 0.5) + 0.25
PER_UM = [0, 0.377, 0.820, 1.667, 1.828, 2.141, 2.433, 3.704, 3.846]
AT_THESE = [0, 0.265, 0.829, 2.688, 3.055, 3.806, 4.315, 6.265, 6.591]


def cardelli(wave_nm):
    """A over E(B-V) for R_V 3.1."""
    y = 1e3 / wave_nm - 1.82
    a = [1, 0.17699, -0.50447, -0.02427, 0.72085, 0.01979, -0.77530, 0.32999]
    b = [0, 1.41338, 2.28305, 1.07233, -5.38434, -0.62251, 5.30260, -2.09002]
    polynomial = np.polynomial.polynomial.polyval
    return 3.1 * polynomial(y, a) + polynomial(y, b)


def fitzpatrick(wave_nm):
    """A over E(B-V) for R_V 3.1."""
    return CubicSpline(PER_UM, AT_THESE)(1e3 / wave_nm)


def main(folder=str(ROOT.parent / "shared" / "catalogue")):
    """Fit and print."""
    folder = Path(folder)
    bands = responses(WAVE_NM, np.load(folder / "reference_cie.npz"))
    passbands = np.load(folder / "reference_passbands.npz")
    for name in "BV":  # energy responses; the others count photons
        band = passbands[f"bessell_{name}"].astype(float)
        bands[name] = np.interp(WAVE_NM, band[:, 0] / 10, band[:, 1], 0, 0) / WAVE_NM
    spectra = [
        (bv, flux * WAVE_NM) for _, bv, flux, _ in spectra_on(WAVE_NM, folder) if bv < 1.2
    ]
    for law in (cardelli, fitzpatrick):
        rows, seen = [], {name: [] for name in bands}
        for ebv in (0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.1, 1.4):
            left = 10 ** (-0.4 * ebv * law(WAVE_NM))
            for bv, light in spectra:
                lost = {
                    name: -2.5 * np.log10(np.sum(light * left * r) / np.sum(light * r))
                    for name, r in bands.items()
                }
                excess = lost["B"] - lost["V"]
                rows.append((1, excess, bv))
                for name in bands:
                    seen[name].append((lost[name] - lost["V"]) / excess)
        for name, values in seen.items():
            terms = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0]
            print(law.__name__, name, np.round(terms, 3))


if __name__ == "__main__":
    main(*sys.argv[1:])
