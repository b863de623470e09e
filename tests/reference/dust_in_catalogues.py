"""By how much B-V of Tycho-2 and of Gaia's BP-RP are off behind dust: reddened library spectra.

Spectra of Pickles 1998 through the passbands of B, V (Bessell), BT, VT (Tycho) and BP, RP (Gaia
DR3), both beside this project in the folder that `catalog_cache/README.md` names. Prints medians over
spectra of -0.2 < B-V < 1.2 before and behind dust. Type:

    python tests/reference/dust_in_catalogues.py FOLDER
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from dust_through_bands import cardelli, fitzpatrick

from starcal.catalogue.johnson import bv_from_gaia, bv_from_tycho

ENERGY = {"B": "bessell_B", "V": "bessell_V", "BT": "tycho_BT_mvb", "VT": "tycho_VT_mvb"}
PHOTONS = {"BP": "gaiadr3_BP", "RP": "gaiadr3_RP"}


def main(folder: str = "../shared/catalogue") -> None:
    """Measure and print."""
    bands = np.load(Path(folder) / "reference_passbands.npz")
    library = np.load(Path(folder) / "reference_pickles1998.npz")
    wave = in_nm(library["wave"])
    vega = np.interp(wave, in_nm(bands["vega_wave_nm"]), bands["vega_flux"])
    weights = {name: weight_of(bands[key], wave) for name, key in ENERGY.items()}
    weights |= {name: weight_of(bands[key], wave) * wave for name, key in PHOTONS.items()}

    def colours(flux):
        mag = {
            name: -2.5 * np.log10((flux @ weight) / (vega @ weight))
            for name, weight in weights.items()
        }
        true = mag["B"] - mag["V"]
        return true, bv_from_tycho(mag["BT"] - mag["VT"]), bv_from_gaia(mag["BP"] - mag["RP"])

    flux = library["flux"].astype(float)
    bare = colours(flux)
    usual = (bare[0] > -0.2) & (bare[0] < 1.2)
    for law in (fitzpatrick, cardelli):
        for a_v in (0.4, 0.7, 1.0, 2.0):
            behind = colours(flux * 10 ** (-0.4 * a_v / 3.1 * law(np.clip(wave, 300, 1100))))
            tycho, gaia = (
                np.nanmedian(((behind[i] - behind[0]) - (bare[i] - bare[0]))[usual])
                for i in (1, 2)
            )
            print(f"{law.__name__} A_V {a_v}: Tycho-2 {tycho:+.3f}, BP-RP {gaia:+.3f}")


def in_nm(wave):
    """Wavelengths in nm, of nm or Angstrom."""
    return wave / 10 if wave.max() > 3000 else wave


def weight_of(band, wave):
    """Response at wavelengths, for a sum over equal steps."""
    response = np.interp(wave, in_nm(band[:, 0].astype(float)), band[:, 1], left=0, right=0)
    return response * np.gradient(wave)


if __name__ == "__main__":
    main(*sys.argv[1:])
