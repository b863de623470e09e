"""Many frames of a night: each by itself, some at a time, whatever becomes of the others.

`working` has the processes, `names` which files are meant, `runs` the whole job for each frame and
its table, `checks` the other two, `common` the gains that frames have in common, `page` the page
over all.
"""

from .checks import calibrate_many, check_many, write_calibrated
from .common import found_in_common, gains_in_common
from .names import common_folder, frames_named, stands_for_several
from .page import require_summary_free, write_summary
from .runs import FrameFate, ManyRuns, run_many

__all__ = [
    "FrameFate",
    "ManyRuns",
    "calibrate_many",
    "check_many",
    "common_folder",
    "found_in_common",
    "frames_named",
    "gains_in_common",
    "require_summary_free",
    "run_many",
    "stands_for_several",
    "write_calibrated",
    "write_summary",
]
