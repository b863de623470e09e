"""Prints, as constraints of pip, the lowest versions that pyproject.toml allows and that can be
had."""

import re
import subprocess
import sys
import tomllib
from itertools import chain

from packaging.requirements import Requirement
from packaging.version import VERSION_PATTERN, Version

LISTED = "Available versions:"
STANDARD = rf"\s*{VERSION_PATTERN}\s*"  # a builder's file may be listed under what is none


def versions(name: str) -> list[Version]:
    """All that can be had."""
    asked = [sys.executable, "-m", "pip", "index", "versions", name]
    text = subprocess.run(asked, check=True, capture_output=True, text=True).stdout
    listed = text.split(LISTED)[1].splitlines()[0]
    return [
        Version(each) for each in listed.split(",") if re.fullmatch(STANDARD, each, re.X | re.I)
    ]


with open("pyproject.toml", "rb") as file:
    project = tomllib.load(file)["project"]
extras = project["optional-dependencies"].values()
for line in dict.fromkeys(chain(project["dependencies"], *extras)):
    wanted = Requirement(line)
    if wanted.name != project["name"]:
        lowest = min(filter(wanted.specifier.contains, versions(wanted.name)))
        print(f"{wanted.name}=={lowest}")
