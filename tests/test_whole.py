"""Sets of files: complete or not at all, whoever dies and when; one writer at a time."""

import errno
import json
import os
import re
import subprocess
import sys
import textwrap
from contextlib import suppress
from pathlib import Path

import pytest

from starcal.errors import OutputError
from starcal.frame import Inbox, atomic_files, atomic_folder, atomic_write, lasting_path
from starcal.frame import whole as module
from starcal.frame.locks import hold, release
from starcal.frame.whole import settle

ROOT = Path(__file__).parent.parent
NAMES = ("a.txt", "b.txt", "c.txt", "d.txt")
OLD = {"a.txt": "old", "b.txt": "old", "d.txt": "old", "mine.txt": "mine"}
NEW = {"a.txt": "new", "b.txt": "new", "c.txt": "new", "mine.txt": "mine"}


def write_set(folder, word="new", overwrite=True):
    with atomic_folder(folder, NAMES, overwrite) as place:
        for name in ("a.txt", "b.txt", "c.txt"):
            (place / name).write_text(word)


def contents(folder):
    return {path.name: path.read_text() for path in folder.iterdir()}


def filled(folder):
    folder.mkdir()
    for name, word in OLD.items():
        (folder / name).write_text(word)
    return folder


class Death(BaseException):
    """A process that dies runs nothing more, its clearing up neither."""


def die_at(number, monkeypatch):
    """The n-th call that changes a name in the file system is never made, nor any after it; what
    was open is closed, as the system does."""
    calls, opened = [], []

    def mortal(call):
        def dying(*arguments, **keywords):
            calls.append(call)
            if len(calls) >= number:
                raise Death
            made = call(*arguments, **keywords)
            opened.extend([made] if call is real_open else [])
            return made

        return dying

    real_open = os.open
    for name in ("replace", "rename", "unlink", "mkdir", "rmdir", "open"):
        monkeypatch.setattr(os, name, mortal(getattr(os, name)))
    return calls, opened


def dies_at(number, monkeypatch, job):
    """Whether the job died; else it did its work."""
    with monkeypatch.context() as patch:
        calls, opened = die_at(number, patch)
        with suppress(Death):
            job()
    for file in opened:
        with suppress(OSError):  # closed in good order
            os.close(file)
    return len(calls) >= number


def test_a_set_over_an_earlier_one_is_all_old_or_all_new_wherever_its_writer_dies(
    tmp_path, monkeypatch
):
    """Each change of a name in turn; the next that comes to the folder, be it to read, settles."""
    ends = []
    for number in range(1, 100):
        folder = filled(tmp_path / str(number))
        died = dies_at(number, monkeypatch, lambda folder=folder: write_set(folder))
        settle(folder)
        assert contents(folder) in (OLD, NEW)
        ends.append(contents(folder) == NEW)
        if not died:
            break
    assert ends == sorted(ends)  # from one instant on it counts
    assert ends[-1]
    assert ends.count(True) > 5  # renames that the next one completed


KILLED = """
    import os, sys, test_whole
    from pathlib import Path
    real = os.replace
    def kill(source, target):
        real(source, target)
        if Path(target).name == "b.txt" and Path(target).parent.name == "set":
            os.kill(os.getpid(), 9)
    os.replace = kill
    test_whole.write_set(Path(sys.argv[1]))
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="this system knows no such kill")
def test_a_real_kill_between_two_renames_is_completed(tmp_path):
    folder = filled(tmp_path / "set")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests")))}
    code = textwrap.dedent(KILLED)
    done = subprocess.run([sys.executable, "-c", code, folder], env=environment, check=False)
    assert done.returncode == -9
    assert (folder / "c.txt").exists() is False  # half of the set was moved
    settle(folder)
    assert contents(folder) == NEW


def test_a_new_folder_is_there_whole_or_not(tmp_path):
    write_set(tmp_path / "deep" / "new", overwrite=False)
    assert set(contents(tmp_path / "deep" / "new")) == {"a.txt", "b.txt", "c.txt"}
    with pytest.raises(OutputError, match="exists"):
        write_set(tmp_path / "deep" / "new", overwrite=False)
    assert os.listdir(tmp_path) == ["deep"]
    assert len(os.listdir(tmp_path / "deep" / "new")) == 3


def test_a_rename_that_fails_half_way_puts_the_old_files_back(tmp_path, monkeypatch):
    """As where a file is open elsewhere and the system does not let it be replaced."""
    folder = filled(tmp_path / "set")
    real = os.replace

    def refusing(source, target):
        if Path(target) == folder / "c.txt":
            raise PermissionError(errno.EACCES, "Permission denied")
        real(source, target)

    monkeypatch.setattr(module.os, "replace", refusing)
    with pytest.raises(OutputError, match="Permission denied"):
        write_set(folder)
    assert contents(folder) == OLD


def test_an_interruption_half_way_puts_the_old_files_back(tmp_path, monkeypatch):
    folder = filled(tmp_path / "set")
    real = os.replace

    def interrupted(source, target):
        real(source, target)
        if Path(target) == folder / "a.txt" and Path(source).parent != folder:
            monkeypatch.undo()
            raise KeyboardInterrupt

    monkeypatch.setattr(module.os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_set(folder)
    assert contents(folder) == OLD


def test_a_second_writer_is_told_of_the_first(tmp_path):
    folder = filled(tmp_path / "set")
    told = rf"another run writes here \(process {os.getpid()} on"
    with atomic_folder(folder, NAMES, True) as place:
        (place / "a.txt").write_text("mine")
        with pytest.raises(OutputError, match=told):
            write_set(folder)
    assert contents(folder) == {"a.txt": "mine", "mine.txt": "mine"}
    write_set(folder)  # which is free again
    assert contents(folder) == NEW


def test_two_that_make_the_same_new_folder(tmp_path):
    """The second is refused, also where another one made the folder meanwhile."""
    with atomic_folder(tmp_path / "new", NAMES) as place:
        (place / "a.txt").write_text("mine")
        with pytest.raises(OutputError, match="another run"):
            write_set(tmp_path / "new")
        (tmp_path / "new").mkdir()
        (tmp_path / "new" / "z.txt").write_text("theirs")
    assert contents(tmp_path / "new") == {"a.txt": "mine", "z.txt": "theirs"}
    assert os.listdir(tmp_path) == ["new"]


def test_several_files_take_their_names_together(tmp_path):
    paths = [tmp_path / "x-starless.fits", tmp_path / "x-stars.fits"]
    paths[1].write_text("old")
    with pytest.raises(OutputError, match="exists"), atomic_files(paths):
        pass
    with atomic_files(paths, overwrite=True) as places:
        places[0].write_text("new")
        places[1].write_text("new")
        assert paths[1].read_text() == "old"
        assert not paths[0].exists()
    assert contents(tmp_path) == {"x-starless.fits": "new", "x-stars.fits": "new"}


def test_what_the_dead_left_goes_and_the_parts_of_the_living_stay(tmp_path):
    (tmp_path / ".starcal-0123abcd-ff.part").write_text("half")
    (tmp_path / ".starcal-0123abcd.lock").write_text("process 1 on nowhere")
    (tmp_path / ".starcal-old.part").mkdir()
    (tmp_path / ".starcal-old.part" / "picture.fits").write_text("half")
    with atomic_write(tmp_path / "a.txt") as file:
        file.write(b"first")
        with atomic_write(tmp_path / "b.txt") as other:
            other.write(b"second")
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.txt"]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no JSON",
        "[1]",
        json.dumps({"part": "../elsewhere", "new": ["a.txt"], "gone": []}),
        json.dumps({"part": ".starcal-0123abcd-ff.part", "new": [], "gone": ["../mine.txt"]}),
        json.dumps({"part": "folder", "new": [], "gone": ["a.txt"]}),
    ],
)
def test_a_journal_that_is_not_ours_is_not_followed(tmp_path, text):
    (tmp_path / "mine.txt").write_text("mine")
    folder = filled(tmp_path / "set")
    (folder / ".starcal-0123abcd.journal").write_text(text)
    settle(folder)
    assert OLD.items() <= contents(folder).items()
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_a_file_system_without_locks_does(tmp_path, monkeypatch):
    def unknown(file):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("starcal.frame.locks._hold", unknown)
    write_set(tmp_path / "new")
    write_set(tmp_path / "new", "newer")
    assert contents(tmp_path / "new") == dict.fromkeys(("a.txt", "b.txt", "c.txt"), "newer")
    assert os.listdir(tmp_path) == ["new"]


def test_a_lock_is_held_by_one(tmp_path):
    path = tmp_path / "lock"
    file = hold(path)
    assert hold(path) is None
    release(file, path)
    assert not path.exists()
    release(hold(path), path)


@pytest.mark.campaign
@pytest.mark.skipif(os.name == "nt", reason="this system knows no such kill")
def test_a_command_that_is_killed_leaves_all_old_or_all_new():
    """The short form of the campaign whose table is in docs/measured/house.md."""
    script = ROOT / "examples" / "campaign_kills.py"
    words = [sys.executable, str(script), "--instants", "4", "--only", "compose"]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    left = dict(re.findall(r"^compose +(\w.*?\w)  +\d+  (.*)$", told, re.MULTILINE))
    assert left.keys() == {"signals", "names", "two at once", "full disk"}
    assert set(re.findall(r"[A-Za-z]+", " ".join(left.values()))) == {"old", "new"}


def test_a_file_that_came_in_pieces_is_called_by_a_name_that_lasts(tmp_path):
    inbox, results = Inbox(), tmp_path / "veil-starcal"
    arriving = inbox.open("C:\\stacks\\veil.fits")
    arriving.close()
    came = str(arriving.path)
    assert lasting_path(came, results) == str(tmp_path / "veil.fits")
    assert lasting_path(str(tmp_path / "other.fits"), results) == str(tmp_path / "other.fits")
    inbox.close()
    assert not arriving.path.exists()
