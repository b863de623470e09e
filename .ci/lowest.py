"""Prints, as constraints of pip, the lowest version of each dependency that pyproject.toml allows and that can be had."""

import subprocess
import sys
import tomllib

from packaging.requirements import Requirement
from packaging.version import Version


def versions(name: str) -> list[Version]:
    """All that can be had."""
    asked = [sys.executable, "-m", "pip", "index", "versions", "--disable-pip-version-check", name]
    text = subprocess.run(asked, check=True, capture_output=True, text=True).stdout
    return [Version(each) for each in text.split("Available versions:")[1].split("\n")[0].split(",")]


with open("pyproject.toml", "rb") as file:
    project = tomllib.load(file)["project"]
for line in dict.fromkeys(project["dependencies"] + sum(project["optional-dependencies"].values(), [])):
    wanted = Requirement(line)
    if not wanted.url and wanted.name != project["name"]:
        lowest = min(filter(wanted.specifier.contains, versions(wanted.name)))
        print(f"{wanted.name}=={lowest}")
