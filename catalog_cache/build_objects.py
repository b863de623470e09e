"""Make objects.csv, the nebulae, clusters and galaxies that `--object` knows offline, from OpenNGC.

    pip download --no-deps pyongc==1.2.2
    python catalog_cache/build_objects.py pyongc-1.2.2-py3-none-any.whl

OpenNGC is the work of Mattia Verga and contributors, under CC BY-SA 4.0; so is the table made here.
"""

import csv
import math
import re
import sqlite3
import sys
import tempfile
import zipfile
from pathlib import Path

KINDS = {
    "Cl+N": "cluster with nebula",
    "DrkN": "dark nebula",
    "EmN": "emission nebula",
    "GCl": "globular cluster",
    "HII": "emission nebula",
    "Neb": "nebula",
    "OCl": "open cluster",
    "PN": "planetary nebula",
    "RfN": "reflection nebula",
    "SNR": "supernova remnant",
    "*Ass": "star cloud",
    "G": "galaxy",
    "GGroup": "galaxies",
    "GPair": "galaxies",
    "GTrpl": "galaxies",
    "**": "double star",
    "Other": "other",
}
# What photographers call objects that have no name in the list, and its missing number of Messier's.
MORE_NAMES = {
    "IC 1396": "Elephant's Trunk Nebula",
    "IC 1805": "Heart Nebula",
    "IC 1848": "Soul Nebula",
    "NGC 6960": "Veil Nebula",
    "NGC 5866": "M102",
}
WANTED = ("Cl+N", "DrkN", "EmN", "GCl", "HII", "Neb", "OCl", "PN", "RfN", "SNR")
BRIGHT_GALAXY_MAG = 11.5  # B; fainter ones only if they have a name
# How lists are written that photographers name objects by; other identifiers are left out.
LISTS = (
    (r"C (\d+)", "C{}"),
    (r"LBN (\d+)", "LBN {}"),
    (r"SH 2-(\d+)", "Sh2-{}"),
    (r"B 0*(\d+)", "B{}"),
    (r"Mel (\d+)", "Mel {}"),
    (r"Cl (\d+)", "Cr {}"),
    (r"PK (\S+)", "PK {}"),
)
HEAD = """\
# Nebulae, clusters and galaxies for --object, places ICRS. A selection of OpenNGC (Mattia Verga and
# contributors), taken from the Python package pyongc 1.2.2 by build_objects.py; licence: Creative
# Commons Attribution-ShareAlike 4.0 International (CC BY-SA 4.0), of the table here, too.
"""


def designation(name: str) -> str:
    """NGC0224 as NGC 224, B033 as B33."""
    letters, number = re.fullmatch(r"([A-Za-z]+)0*(\d+.*)", name).groups()
    short = letters in ("B", "C", "M", "H")
    return f"{letters}{'' if short else ' '}{number}"


def other_names(row, name: str) -> list[str]:
    """Messier's number, lists, and what it is called."""
    names = [f"M{int(number)}" for number in row["messier"].split(",") if number]
    for identifier in row["identifiers"].split(","):
        for pattern, written in LISTS:
            if found := re.fullmatch(pattern, identifier.strip()):
                names.append(written.format(found[1].lstrip("0")))
    names += [called.strip() for called in row["commonnames"].split(",") if called.strip()]
    more = MORE_NAMES.get(name)
    return names + [more] * (more is not None and more not in names)


def wanted(row) -> bool:
    if row["ra"] is None or row["type"] not in KINDS:
        return False
    named = row["messier"] or row["commonnames"]
    bright = row["type"].startswith("G") and (row["bmag"] or 99) < BRIGHT_GALAXY_MAG
    return bool(row["type"] in WANTED or named or bright)


def rows_of(wheel: str):
    with tempfile.TemporaryDirectory() as folder:
        path = zipfile.ZipFile(wheel).extract("pyongc/ongc.db", folder)
        with sqlite3.connect(path) as base:
            base.row_factory = sqlite3.Row
            for row in base.execute("select * from objects order by name"):
                if wanted(row):
                    yield (
                        designation(row["name"]),
                        KINDS[row["type"]],
                        f"{math.degrees(row['ra']):.4f}",
                        f"{math.degrees(row['dec']):.4f}",
                        f"{row['majax']:g}" if row["majax"] else "",
                        ";".join(other_names(row, designation(row["name"]))),
                    )


def main() -> None:
    target = Path(__file__).with_name("objects.csv")
    with target.open("w", encoding="utf-8", newline="") as file:
        file.write(HEAD)
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("name", "kind", "ra_deg", "dec_deg", "size_arcmin", "names"))
        writer.writerows(rows_of(sys.argv[1]))


if __name__ == "__main__":
    main()
