"""Whether every link of the built site leads to a page, a file and a place on it that is there.

    sphinx-build -W docs site && python docs/check_links.py site

Asks no network: links to other hosts are counted and left alone. Those are followed by
`sphinx-build -b linkcheck docs links`, where there is a network and no haste.
"""

import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

LINKS = {"a": "href", "link": "href", "img": "src", "script": "src"}


class Page(HTMLParser):
    """Where a page leads, and the places on it that may be led to."""

    def __init__(self, path: Path):
        super().__init__()
        self.links: list[str] = []
        self.places: set[str] = set()
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        """Take note of a link, and of a name."""
        given = dict(attrs)
        if link := given.get(LINKS.get(tag, "")):
            self.links.append(link)
        self.places |= {given[name] for name in ("id", "name") if given.get(name)}


def broken_links(site: Path) -> tuple[list[str], int, int]:
    """Links that lead nowhere, and how many there are within the site and to other hosts."""
    pages = {path: Page(path) for path in sorted(site.rglob("*.html"))}
    gone, within, outside = [], 0, 0
    for path, page in pages.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme in ("http", "https"):
                outside += 1
            elif not parts.scheme:
                within += 1
                if why := _fault_of(path, parts, site, pages):
                    gone.append(f"{path.relative_to(site)}: {link} {why}")
    return gone, within, outside


def _fault_of(path: Path, parts, site: Path, pages: dict) -> str:
    """Why a link leads nowhere; empty for a good one."""
    target = path if not parts.path else (path.parent / unquote(parts.path)).resolve()
    target = target / "index.html" if target.is_dir() else target
    if not target.is_relative_to(site):
        return "leaves the site"
    if not target.exists():
        return "is not there"
    place = unquote(parts.fragment)
    if place and target in pages and place not in pages[target].places:
        return "has no such place"
    return ""


if __name__ == "__main__":
    gone, within, outside = broken_links(Path(sys.argv[1]).resolve())
    print(f"{within} links within the site, {outside} to other hosts (not asked)")
    sys.exit("\n".join(gone) or 0)
