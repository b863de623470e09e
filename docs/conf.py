"""The documentation as a site: ``pip install '.[docs]'`` and ``sphinx-build -W docs site``."""

import json
import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

import starcal  # noqa: E402
from starcal.stars import FLAG_REASONS, Flag  # noqa: E402
from starcal.stars.columns import COLUMNS  # noqa: E402

project = "starcal"
author = "the starcal contributors"
version = release = starcal.__version__
extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.mathjax",
    "sphinx.ext.napoleon",
]
myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 3
html_theme = "furo"  # light or dark, as the reader's system is
html_title = f"starcal {version}"
html_show_sourcelink = False
exclude_patterns = ["_made"]
autodoc_typehints = "none"  # the docstrings tell them
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False
# Links of README and walk-throughs to files that are no pages of the site.
suppress_warnings = ["myst.xref_missing", "myst.header"]


def table(head, rows) -> str:
    """Write a table of Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join(map(str, line)) + " |\n" for line in lines)


def columns() -> str:
    """Every column of the star table."""
    rows = []
    for column in COLUMNS:
        name = column.name
        shown = f"`{name}_R`, `_G`, `_B`" if column.in_channels else f"`{name}`"
        rows.append((shown, column.unit or "", column.meaning))
    return table(("column", "unit", "what it is"), rows)


def flags() -> str:
    """Every flag of a star."""
    return table(
        ("flag", "number", "what it means"),
        [(f"`{flag.name.lower()}`", int(flag), FLAG_REASONS[flag]) for flag in Flag],
    )


def keys() -> str:
    """Every key of result.json, from its schema."""
    schema = json.loads((HERE / "result.schema.json").read_text(encoding="utf-8"))
    rows = [
        (f"`{name}`", " or ".join(_types(entry)), entry.get("description", ""))
        for name, entry in schema["properties"].items()
    ]
    return table(("key", "kind", "what it is"), rows)


def _types(entry) -> list[str]:
    if "enum" in entry:
        return [str(each) for each in entry["enum"]]
    kinds = entry.get("type", [])
    return [kinds] if isinstance(kinds, str) else list(kinds)


def api() -> str:
    """Every public name."""
    blocks = []
    for name in starcal.__all__:
        if name.startswith("__"):
            continue
        thing = getattr(starcal, name)
        kind = "class" if isinstance(thing, type) else "function"
        lines = [f".. auto{'exception' if _is_error(thing) else kind}:: starcal.{name}"]
        lines += ["   :members:"] * (kind == "class")
        blocks.append("\n".join(["```{eval-rst}", *lines, "```"]))
    return "\n\n".join(blocks) + "\n"


def _is_error(thing) -> bool:
    return isinstance(thing, type) and issubclass(thing, Exception)


PAGE_OF = {
    "DEVELOPERS.md": "developers.md",
    "NOTICE.md": "terms.md",
    "CHANGELOG.md": "changes.md",
}


def readme() -> str:
    """README, its links led to pages of the site where these are, else to the files."""
    text = (HERE.parent / "README.md").read_text(encoding="utf-8")
    return re.sub(r"\]\(([^)\s:#]+)", lambda link: f"]({_on_site(link[1])}", text)


def _on_site(path: str) -> str:
    """Where a link of README leads, from the first page of the site."""
    if path in PAGE_OF:
        return PAGE_OF[path]
    for folder, there in (("docs/", ""), ("examples/", "walk-throughs/")):
        if path.startswith(folder) and path.endswith(".md"):
            return there + path.removeprefix(folder)
    return f"../{path}"


MADE = HERE / "_made"
MADE.mkdir(exist_ok=True)
for made in (columns, flags, keys, api, readme):
    (MADE / f"{made.__name__}.md").write_text(made(), encoding="utf-8")
