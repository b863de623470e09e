"""Many frames of a night: each by itself, some at a time, whatever becomes of the others.

`working` has the processes, `runs` the whole job for each frame and its table, `checks` the other
two, `page` the page over all.
"""

from .checks import calibrate_many, check_many
from .page import write_summary
from .runs import FrameFate, ManyRuns, frames_named, run_many, stands_for_several

__all__ = [
    "FrameFate",
    "ManyRuns",
    "calibrate_many",
    "check_many",
    "frames_named",
    "run_many",
    "stands_for_several",
    "write_summary",
]
