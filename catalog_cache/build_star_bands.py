"""Make star_bands.csv: how bright stars of each spectral type are through the channels of a
picture; and star_boxes.csv: through adjoining boxes of 5 nm, of which any broad channel is made.

Run from the repository root: python catalog_cache/build_star_bands.py [FOLDER]
FOLDER (default ../shared/catalogue) holds three files of reference data:
  reference_pickles1998.npz   stellar spectra, Pickles 1998, PASP 110, 863 (CDS J/PASP/110/863)
  reference_passbands.npz     Bessell 1990 V passband (PASP 102, 1181)
  reference_cie.npz           RGB sensitivity of one colour camera, measured by the National Physical
                              Laboratory, as distributed with colour-science 0.4.7 (Nikon 5100)
Only the numbers derived here are kept, not the spectra.
"""

import csv
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
PIVOT_NM = 550.0
MONO_NM = {"mono_R": (590.0, 690.0), "mono_G": (490.0, 575.0), "mono_B": (400.0, 510.0)}
LINES_NM = {"H": 656.3, "O": 500.7, "S": 672.4}
WIDTHS_NM = (3, 5, 7)
STEP_NM = 0.02  # fine enough that the edges of a 3 nm box fall on the grid to 1 %
CLASSES = {"iii": "III", "ii": "II", "iv": "IV", "i": "I", "v": "V"}  # longest ending first
# Spectrum and published B-V contradict each other (2.67 published, 1.51 from the spectrum): left
# out.
CONTRADICTORY = {"m2p5v"}

HEADER = """\
# Stars through the channels of a picture: magnitudes relative to V, one row a spectrum.
# column = -2.5 log10( int F l r dl / (550 nm * int F t dl) ); F flux per wavelength, l wavelength,
# r response of the channel (photons -> electrons, peak 1), t V passband (energy response).
# So a star of magnitude V gives N0 * 10^(-0.4 (V + column)) electrons where N0 is what V = 0 gives through V.
# Spectra and bv_mag: Pickles 1998, PASP 110, 863. V passband: Bessell 1990, PASP 102, 1181.
# camera: a colour camera with its own infrared filter, measured by the National Physical Laboratory
# (Nikon 5100, in colour-science 0.4.7). mono: boxes 590-690, 490-575, 400-510 nm.
# H, O, S: boxes of 3, 5, 7 nm around 656.3, 500.7, 672.4 nm.
# field_star: 1 for what fields are made of, 0 for supergiants, bright giants and giants later than M4
# (there B-V turns back: an M8 giant has the B-V of a K3 giant).
# Made by build_star_bands.py; do not edit.
"""


BOX_EDGES_NM = np.arange(350.0, 1000.1, 5.0)
BOXES_HEADER = """\
# Stars through boxes of 5 nm: magnitudes relative to V, one row a spectrum; the names of the columns
# are the middles of the boxes in nm.
# column = -2.5 log10( int F l dl / (550 nm * int F t dl) ), over the box and over the V passband; a
# channel of response r gives -2.5 log10( sum r 10^(-0.4 column) ), good to 0.002 mag where r is smooth.
# Spectra and bv_mag: Pickles 1998, PASP 110, 863. V passband: Bessell 1990, PASP 102, 1181.
# Only dwarfs, subgiants and giants to M4. Made by build_star_bands.py; do not edit.
"""


def luminosity_class(name: str) -> str:
    return next(roman for ending, roman in CLASSES.items() if name.endswith(ending))


def is_field_star(name: str) -> bool:
    kind = luminosity_class(name)
    late_giant = name[0] == "m" and kind == "III" and int(name[1:].rstrip("i")) > 4
    return kind in ("III", "IV", "V") and not late_giant


def box(wave_nm, low_nm, high_nm):
    return ((wave_nm >= low_nm) & (wave_nm < high_nm)).astype(float)


def responses(wave_nm, cie) -> dict[str, np.ndarray]:
    """Photon response of every channel on the common grid."""
    rgb = cie["cam_nikon_5100_npl_rgb"]
    camera = {
        f"camera_{c}": np.interp(wave_nm, cie["cam_nikon_5100_npl_wave"], rgb[:, i], 0, 0)
        for i, c in enumerate("RGB")
    }
    mono = {name: box(wave_nm, *edges) for name, edges in MONO_NM.items()}
    lines = {
        f"{line}{width}": box(wave_nm, centre - width / 2, centre + width / 2)
        for width in WIDTHS_NM
        for line, centre in LINES_NM.items()
    }
    return camera | mono | lines


def spectra_on(wave_nm, folder: Path):
    """Name, B-V, flux on a grid of wavelengths, and light through V, of every spectrum."""
    spectra = np.load(folder / "reference_pickles1998.npz")
    v_band = np.load(folder / "reference_passbands.npz")["bessell_V"].astype(float)
    v_response = np.interp(wave_nm, v_band[:, 0] / 10, v_band[:, 1], 0, 0)
    step_nm = wave_nm[1] - wave_nm[0]
    for name, bv_mag, flux in zip(
        map(str, spectra["name"]), spectra["bv"], spectra["flux"], strict=True
    ):
        if name not in CONTRADICTORY:
            flux = np.interp(wave_nm, spectra["wave"] / 10, flux.astype(float))
            yield name, bv_mag, flux, PIVOT_NM * np.sum(flux * v_response) * step_nm


def band_rows(folder: Path) -> list[dict]:
    cie = np.load(folder / "reference_cie.npz")
    wave_nm = np.arange(380.0, 780.0, STEP_NM) + STEP_NM / 2  # no sample on the edge of a box
    channels = responses(wave_nm, cie)
    rows = []
    for name, bv_mag, flux, energy in spectra_on(wave_nm, folder):
        row = {
            "name": name,
            "luminosity": luminosity_class(name),
            "field_star": int(is_field_star(name)),
            "bv_mag": f"{bv_mag:.3f}",
        }
        row |= {
            c: f"{-2.5 * np.log10(np.sum(flux * wave_nm * r) * STEP_NM / energy):.4f}"
            for c, r in channels.items()
        }
        rows.append(row)
    return rows


def box_rows(folder: Path) -> list[dict]:
    step_nm = 0.1
    wave_nm = np.arange(BOX_EDGES_NM[0], BOX_EDGES_NM[-1], step_nm) + step_nm / 2
    rows = []
    for name, bv_mag, flux, energy in spectra_on(wave_nm, folder):
        if is_field_star(name):
            light = (flux * wave_nm).reshape(len(BOX_EDGES_NM) - 1, -1).sum(axis=1) * step_nm
            mags = -2.5 * np.log10(light / energy)
            names = [f"{middle:.1f}" for middle in BOX_EDGES_NM[:-1] + 2.5]
            row = {
                "name": name,
                "luminosity": luminosity_class(name),
                "bv_mag": f"{bv_mag:.3f}",
            }
            rows.append(row | dict(zip(names, [f"{mag:.3f}" for mag in mags], strict=True)))
    return rows


def write(name: str, header: str, rows: list[dict]) -> None:
    with open(HERE / name, "w", newline="", encoding="utf-8") as out:
        out.write(header)
        writer = csv.DictWriter(out, rows[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{name}: {len(rows)} spectra")


def main(folder: str = str(HERE.parent.parent / "shared" / "catalogue")) -> None:
    write("star_bands.csv", HEADER, band_rows(Path(folder)))
    write("star_boxes.csv", BOXES_HEADER, box_rows(Path(folder)))


if __name__ == "__main__":
    main(*sys.argv[1:])
