"""The walk of a frame through the rooms: which room calls which while one job is done.

    python examples/walk_of_a_frame.py FRAME [starcal options of run]

Counts calls from a function of one room to a function of another, how many different ones there are,
and how often the job enters each room from outside. A door is a pair of functions; the fewer, the
less a reader has to keep in mind.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import starcal
from starcal.cli.main import main

PACKAGE = Path(starcal.__file__).parent


def room_of(code) -> str | None:
    """The folder, or the module beside the folders, that a function stands in."""
    path = Path(code.co_filename)
    if PACKAGE not in path.parents:
        return None
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


class Walk:
    """Calls between rooms, as the interpreter tells them."""

    def __init__(self):
        self.rooms = {}
        self.doors = Counter()

    def __call__(self, frame, event, _):
        if event != "call" or frame.f_back is None:
            return
        ours = self.room(frame.f_code)
        theirs = self.room(frame.f_back.f_code)
        if ours and theirs and ours != theirs:
            door = frame.f_back.f_code.co_name, frame.f_code.co_name
            self.doors[theirs, ours, *door] += 1

    def room(self, code):
        """Looked up once for each function."""
        if code not in self.rooms:
            self.rooms[code] = room_of(code)
        return self.rooms[code]


def told(doors: Counter) -> list[str]:
    """A line for each pair of rooms, the most called last."""
    pairs = sorted({key[:2] for key in doors})
    lines = ["| from | to | doors | calls |", "|---|---|---|---|"]
    for pair in pairs:
        counts = [count for key, count in doors.items() if key[:2] == pair]
        lines.append(f"| {pair[0]} | {pair[1]} | {len(counts)} | {sum(counts)} |")
    return lines


def walked(arguments: list[str]) -> Counter:
    """Doors that a run of a frame goes through."""
    walk = Walk()
    with tempfile.TemporaryDirectory() as folder:
        sys.setprofile(walk)
        try:
            main(["run", *arguments, "--out", str(Path(folder) / "out")])
        finally:
            sys.setprofile(None)
    return walk.doors


if __name__ == "__main__":
    print("\n".join(told(walked(sys.argv[1:]))))
