"""The command line: a thin translation of the library. Nothing heavy is imported before a command
is chosen."""

import os
import re
import signal
import sys
import threading
from importlib import import_module

from ..errors import StarcalError
from .arguments import build_parser
from .kept import put_kept_settings
from .terminal import open_streams, refuse, steps_told

# Which module of this folder has a command's function, and its name there.
COMMANDS = {
    "run": ("commands", "run"),
    "view": ("view_command", "view"),
    "check": ("commands", "check"),
    "calibrate": ("commands", "calibrate"),
    "compose": ("commands", "compose"),
    "split": ("commands", "split"),
    "recolour": ("commands", "recolour"),
    "join": ("commands", "join"),
    "demo": ("commands", "demo"),
    "audit": ("page_commands", "audit"),
    "plan": ("page_commands", "plan"),
    "catalogue fetch": ("catalogue_commands", "fetch"),
    "catalogue build": ("catalogue_commands", "build"),
    "catalogue list": ("catalogue_commands", "list_fields"),
    "catalogue info": ("catalogue_commands", "info"),
    "catalogue verify": ("catalogue_commands", "verify"),
    "catalogue forget": ("catalogue_commands", "forget"),
    "completion": ("completion", "completion"),
}

EMPTY = r"(--[\w-]+=)?"  # it would stand for the folder that one is in, or for no file
ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.

    Returns
    -------
    int
        Exit status: 0 done, 1 could not, 130 interrupted, 129 or 143 told to end by the system.
    """
    _one_thread_for_algebra()
    open_streams()
    try:
        _stop_in_order()
        words = sys.argv[1:] if arguments is None else arguments
        options = _parsed_options(words or ["--help"])
        _require_frame(options)
        with steps_told(options):
            return _done(options)
    except StarcalError as error:
        return refuse(str(error))
    except BrokenPipeError:  # the reader left; say no more
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        return refuse(
            "interrupted; files that were finished before are there, none is half written", 130
        )
    except _Stopped as stopped:
        return refuse(
            "stopped; files that were finished before are there, none is half written",
            128 + stopped.number,
        )
    except MemoryError:
        return refuse(
            "not enough memory for this frame; close other programs or bin the frame 2x2"
        )
    except OSError as error:
        place = error.filename or "what was to be written or printed"
        return refuse(f"{place}: {error.strerror or error}")
    except Exception as error:  # a fault of starcal: still one line, but say whose fault it is
        if os.environ.get("STARCAL_DEBUG"):
            raise
        return refuse(
            "internal fault, please report it (STARCAL_DEBUG=1 says more): "
            f"{type(error).__name__} {error}"
        )


def _one_thread_for_algebra() -> None:
    """Matrices are small here: threads for them take a quarter more of the processor's time, most
    of it spent waiting for each other. What is large has threads of its own."""
    if "numpy" in sys.modules:
        return  # too late: its library has read what holds
    for name in ALGEBRA_THREADS:
        os.environ.setdefault(name, "1")


def _done(options) -> int:
    """Do the command; where it reads pictures, up to the size that was allowed."""
    work = command_of(options.command)
    limit_mpx = getattr(options, "max_megapixels", None)
    if limit_mpx is None:
        return work(options)
    with import_module("starcal.frame").up_to_megapixels(limit_mpx):
        return work(options)


class _Stopped(BaseException):
    """The system, or a terminal that was closed, asks the process to end."""

    def __init__(self, number: int):
        super().__init__(number)
        self.number = number


def _stop_in_order() -> None:
    """Let a request to end unwind the program as Ctrl-C does, so that nothing is left behind."""
    if threading.current_thread() is not threading.main_thread():
        return  # handlers are the main thread's
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # the second is not known everywhere
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _stop)


def _stop(number, frame):
    raise _Stopped(number)


def command_of(name: str):
    """The function of a command; only now the library is imported that it needs."""
    module, function = COMMANDS[name]
    return getattr(import_module(f".{module}", __package__), function)


def _parsed_options(arguments: list[str]):
    """What was typed; where settings of an earlier run were named, they stand for what was not
    typed."""
    parser = build_parser()
    words = _southern(arguments)
    if any(re.fullmatch(EMPTY, word) for word in words):
        parser.error("an empty name was typed, as by a variable of the shell that is not set")
    options = parser.parse_args(words)
    if not getattr(options, "settings", None):
        return options
    put_kept_settings(options)
    return parser.parse_args(words)


def _southern(words: list[str]) -> list[str]:
    """Declinations such as -5d23m stay with their option; a parser takes them for an option of
    their own."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1] == "--dec" and re.match(r"-[\d.]", word):
            joined[-1] = f"--dec={word}"
        else:
            joined.append(word)
    return joined


def _require_frame(options) -> None:
    """A frame, or its three channels, and not both: else wrong usage."""
    if not hasattr(options, "frame_parser"):
        return
    channels = [options.red, options.green, options.blue]
    if any(channels) and (options.frame or not all(channels)):
        options.frame_parser.error("give FRAME, or all of --red, --green and --blue")
    several = options.several and not getattr(options, "write_wcs", None)
    several |= options.command == "view" and len(options.frame) == 2  # a nebula and its stars
    if options.command == "view" and not options.frame and not any(channels):
        return  # one is chosen on the page
    if not any(channels) and (not options.frame or (len(options.frame) > 1 and not several)):
        options.frame_parser.error(f"one FRAME needed, {len(options.frame)} given")
