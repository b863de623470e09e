"""What dust does to B-V of Tycho-2 and of Gaia's BP-RP, and to gains: reddened library spectra.

Spectra of Pickles 1998 through the passbands of B, V (Bessell), BT, VT (Tycho), BP, RP (Gaia DR3)
and the channels of `catalog_cache/build_star_bands.py`, read from the folder that it names. For two
laws of extinction and two R_V, per mag of E(B-V) as seen: by how much the catalogues' B-V is too
blue in the mean of a field, and how far ln gain of R and B is off, by true B-V and by that of
Tycho-2. Relations between colours are those of the same spectra without dust. Type:

    python tests/reference/dust_in_catalogues.py [FOLDER]
"""

import sys
from pathlib import Path

import numpy as np
from dust_through_bands import ROOT, cardelli, fitzpatrick, responses
from scipy.stats import gaussian_kde

BANDS = {
    **{name: f"bessell_{name}" for name in "BV"},
    **{name: f"tycho_{name}_mvb" for name in ("BT", "VT")},
    **{name: f"gaiadr3_{name}" for name in ("BP", "RP")},
}
PHOTONS = ("BP", "RP")  # the others weight energy
FIELD_MEAN_MAG, FIELD_SPREAD_MAG = 0.7, 0.35  # B-V as seen
NEUTRAL_MAG = 0.65
DEGREE = 5  # of the relations
EBV_MAG = (0.1, 0.3, 0.6)


def main(folder: str = str(ROOT.parent / "shared" / "catalogue")) -> None:
    """Measure and print."""
    wave, light, weights = read(Path(folder))
    bare = colours(light, weights)
    known = np.isfinite(list(bare.values())).all(axis=0) & (bare["true"] < 1.65)
    light, bare = light[known], {name: values[known] for name, values in bare.items()}
    for law in (fitzpatrick, cardelli):
        for ebv in EBV_MAG:
            left = 10 ** (-0.4 * ebv * law(np.clip(wave, 300, 1100)))
            print(law.__name__, ebv, told(bare, colours(light * left, weights)))


def read(folder: Path):
    """Wavelengths, nm; light of field stars, one row a star; weights of all bands."""
    bands = np.load(folder / "reference_passbands.npz")
    library = np.load(folder / "reference_pickles1998.npz")
    wave = in_nm(library["wave"])
    vega = np.interp(wave, in_nm(bands["vega_wave_nm"]), bands["vega_flux"])
    weights = {name: weight_of(bands[key], wave) for name, key in BANDS.items()}
    weights |= {name: weights[name] * wave for name in PHOTONS}
    weights = {name: weight / (vega @ weight) for name, weight in weights.items()}
    channels = responses(wave, np.load(folder / "reference_cie.npz"))
    weights |= {n: r * wave for n, r in channels.items() if n.startswith(("camera", "mono"))}
    field = [is_field(str(name)) for name in library["name"]]
    return wave, library["flux"][field].astype(float), weights


def is_field(name: str) -> bool:
    """No supergiants, no bright giants, no M stars."""
    giant = name.endswith("iii")
    return name[0] != "m" and (giant or name.endswith("v"))


def colours(light, weights):
    """B-V, BT-VT, BP-RP, and R/G, B/G of both kinds of channels, mag."""
    mag = {name: -2.5 * np.log10(light @ weight) for name, weight in weights.items()}
    found = {"true": mag["B"] - mag["V"], "tycho": mag["BT"] - mag["VT"]}
    found["gaia"] = mag["BP"] - mag["RP"]
    for kind in ("camera", "mono"):
        for channel in "RB":
            found[f"{kind} {channel}"] = mag[f"{kind}_{channel}"] - mag[f"{kind}_G"]
    return found


def told(bare, behind) -> str:
    """What one sheet of dust does, per mag of E(B-V)."""
    seen = np.median(behind["true"] - bare["true"])
    listed = {"true": (bare["true"], behind["true"])}
    words = []
    for name in ("tycho", "gaia"):
        relation = np.polynomial.Polynomial.fit(bare[name], bare["true"], DEGREE)
        listed[name] = relation(bare[name]), relation(behind[name])
        off = np.subtract(listed["true"], listed[name])
        within = behind[name] < bare[name].max()
        weight = field_weight(behind["true"]) * within
        too_blue = np.average(off[1] - off[0], weights=weight) / seen
        words.append(f"{name} too blue by {too_blue:+.3f}")
    within = behind["tycho"] < bare["tycho"].max()
    for by in ("true", "tycho"):
        for ratio in ("camera R", "mono R", "camera B", "mono B"):
            zero = zero_of(listed[by][0], bare[ratio])
            shift = zero_of(listed[by][1][within], behind[ratio][within]) - zero
            words.append(f"{ratio} by {by} {shift / 1.0857 / seen:+.3f}")
    return ", ".join(words)


def field_weight(bv):
    """Weights that make the library's spectra a field of stars as it is seen."""
    away = (bv - FIELD_MEAN_MAG) / FIELD_SPREAD_MAG
    return np.exp(-0.5 * away**2) / gaussian_kde(bv, 0.15)(bv)


def zero_of(bv, ratio) -> float:
    """The fitted ratio, mag, of the neutral star."""
    terms = np.polyfit(bv - NEUTRAL_MAG, ratio, 2, w=np.sqrt(field_weight(bv)))
    return float(terms[-1])


def in_nm(wave):
    """Wavelengths in nm, of nm or Angstrom."""
    return wave / 10 if wave.max() > 3000 else wave


def weight_of(band, wave):
    """Response at wavelengths, for a sum over equal steps."""
    response = np.interp(wave, in_nm(band[:, 0].astype(float)), band[:, 1], left=0, right=0)
    return response * np.gradient(wave)


if __name__ == "__main__":
    main(*sys.argv[1:])
