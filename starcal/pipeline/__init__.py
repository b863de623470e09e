"""The whole job, in order: check, choose the route, make the picture, write files and a report.

One idea a file: `asked` says what a run was given, `made` is what a route makes, `routes` are the
ways to it, `auditing` proves it, `result` tells of it, `writing` puts it into files; `running` does
all of it.
"""

from .asked import folder_of, outputs_of
from .auditing import audited
from .result import RunResult
from .routes import as_displayed, takes_gains
from .running import run, run_prepared, run_settings

__all__ = [
    "RunResult",
    "as_displayed",
    "audited",
    "folder_of",
    "outputs_of",
    "run",
    "run_prepared",
    "run_settings",
    "takes_gains",
]
