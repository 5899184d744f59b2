"""A second process beside this one: parts of a work that do not need each other, made by two.

Each process takes the next part that the other has not taken. What the second process does not
deliver, since it failed or was ended, the first one makes itself and meets any fault there.
"""

from __future__ import annotations

import gc
import importlib
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

#: Bytes of a store's interviews below which to start a process costs more than it saves, some 7,000
#: interviews, and above which two would hold too much memory, some million (seen: 1 GiB at 200,000
#: and 3.3 GiB at 2,000,000 where one needs 2.2).
LEAST_BYTES, MOST_BYTES = 100_000, 10_000_000
#: What makes the parts of a bulletin.
BULLETIN = "analytics.bulletin.build:parts_of"
_ROOT = Path(__file__).resolve().parents[2]
#: The second process imports by the same paths as this one, and nothing of the current folder.
_CODE = "from analytics.bulletin.second_process import serve; serve()"
_POLL_SECONDS = 0.01
#: How often the removal of a folder is tried in which files are still made.
_TURNS = 100
_ENDING, _STEPS = ".part", "steps"


@contextmanager
def second_process(store: Path) -> Iterator[SecondProcess | None]:
    """Give a second process for a store; None where it would not help or cannot be started.

    Parameters
    ----------
    store : pathlib.Path
        A small one is not worth a process, and of a very large one two would need much memory.
    """
    second = None
    with suppress(OSError):
        size = sum(one.stat().st_size for one in (store / "interviews").glob("*.parquet"))
        if _n_processors() > 1 and LEAST_BYTES <= size <= MOST_BYTES:
            second = SecondProcess(BULLETIN)
    try:
        yield second
    finally:
        if second is not None:
            second.end()


def _n_processors() -> int:
    if hasattr(os, "sched_getaffinity"):  # what this process may use, where the system says it
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class SecondProcess:
    """A process of the same Python that makes parts by their names.

    It imports its libraries at once and then waits for what `give` sends. It ends with this one.

    Parameters
    ----------
    maker : str
        ``module:function``. The function takes what `give` sends and a function for the words of a
        step, and returns parts by name as functions without arguments, first things first. A part
        is anything that can be pickled.

    Raises
    ------
    OSError
        If the process cannot be started, or no temporary file be written.
    """

    def __init__(self, maker: str) -> None:
        self._place = tempfile.TemporaryDirectory(prefix="blackmouth-parts-")
        self._folder = Path(self._place.name)
        self._seen = 0
        paths = os.pathsep.join([str(_ROOT), *filter(None, sys.path)])
        garbage = map(str, gc.get_threshold())  # looked for as often as here
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _CODE, maker, str(self._folder), *garbage],
                env=os.environ | {"PYTHONPATH": paths},
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except OSError:
            self._place.cleanup()
            raise

    def give(self, request: object) -> None:
        """Send what the parts are made from; nothing is taken before."""
        stdin = self._process.stdin
        assert stdin is not None
        with suppress(OSError):  # it has ended: this process makes all parts
            stdin.write(pickle.dumps(request))
            stdin.flush()

    def taken(self, name: str) -> bool:
        """Take a part for this process and return False, or return True if the other has it."""
        return not _take(self._folder, name)

    def wait(self, name: str, progress: Callable[[str], None]) -> tuple[Any] | None:
        """Return a part that the second process took, or None if it ended without it.

        `progress` is called with the words of each of its steps that has not been seen.
        """
        path = self._folder / (name + _ENDING)
        while True:
            has_ended = self._process.poll() is not None
            if path.exists():
                made, seen = pickle.loads(path.read_bytes())
                for message, category in seen:
                    warnings.warn(message, category, stacklevel=2)
                return (made,)
            if has_ended:
                return None
            self._tell(progress)
            time.sleep(_POLL_SECONDS)

    def _tell(self, progress: Callable[[str], None]) -> None:
        with suppress(OSError):
            steps = (self._folder / _STEPS).read_text("utf-8").splitlines()
            if len(steps) > self._seen:
                self._seen = len(steps)
                progress(steps[-1])

    def end(self) -> None:
        """End the process and remove its files."""
        self._process.kill()
        self._process.communicate()
        self._place.cleanup()


class SharedParts:
    """Parts by name, each made once: by the second process where there is one and it has it.

    Parameters
    ----------
    makers : mapping of str to callable
        As a maker of `SecondProcess` returns them.
    second : SecondProcess, optional
    progress : callable
        Called with a few words before each step.
    """

    def __init__(
        self,
        makers: Mapping[str, Callable[[], Any]],
        second: SecondProcess | None,
        progress: Callable[[str], None],
    ) -> None:
        self._makers, self._second, self._progress = makers, second, progress
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        """Return a part; before this process waits for it, it makes others, last ones first."""
        second = self._second
        found = None
        if name not in self._made and second and second.taken(name):
            for other in reversed(list(self._makers)):
                if other not in self._made and not second.taken(other):
                    self._made[other] = self._makers[other]()
            found = second.wait(name, self._progress)
        if name not in self._made:
            self._made[name] = found[0] if found else self._makers[name]()
        return self._made[name]


def _take(folder: Path, name: str) -> bool:
    """Return whether a part was free and is taken now."""
    try:
        os.close(os.open(folder / name, os.O_CREAT | os.O_EXCL))
    except OSError:
        return False
    return True


def serve() -> None:
    """Be the second process: make the parts of ``sys.argv[1]`` in the folder ``sys.argv[2]``.

    The words after them are the thresholds of the garbage collector.
    """
    maker, place, *garbage = sys.argv[1:]
    gc.set_threshold(*map(int, garbage))
    module, _, name = maker.partition(":")
    parts_of = getattr(importlib.import_module(module), name)
    folder = Path(place)
    try:
        request = pickle.load(sys.stdin.buffer)  # of the process that started this one
    except (EOFError, pickle.UnpicklingError):
        _end_with_the_first(folder)
    ends = threading.Event()
    watch = threading.Thread(target=_when_it_ends, args=(folder, ends), daemon=True)
    watch.start()
    try:
        _make(parts_of, request, folder)
    finally:
        if ends.is_set():  # files go away under the parts being made
            watch.join()


def _make(parts_of: Callable[..., Mapping[str, Any]], request: object, folder: Path) -> None:
    with (folder / _STEPS).open("w", encoding="utf-8", buffering=1) as steps:

        def begin(words: str) -> None:
            steps.write(words + "\n")

        for part, make in parts_of(request, begin).items():
            if _take(folder, part):
                _deliver(folder / (part + _ENDING), make)


def _deliver(path: Path, make: Callable[[], Any]) -> None:
    with warnings.catch_warnings(record=True) as seen:
        warnings.simplefilter("always")
        made = make()
    draft = path.with_suffix(".draft")
    draft.write_bytes(pickle.dumps((made, [(one.message, one.category) for one in seen])))
    os.replace(draft, path)  # noqa: PTH105 - the one step that makes it visible


def _when_it_ends(folder: Path, ends: threading.Event) -> None:
    os.read(sys.stdin.fileno(), 1)  # not by `sys.stdin`: its lock would be held at the end
    ends.set()
    _end_with_the_first(folder)


def _end_with_the_first(folder: Path) -> NoReturn:
    """End at once where the first process has: nobody waits for the parts, nor removes them."""
    for _ in range(_TURNS):  # a part may be written while its folder goes
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            break
    os._exit(1)
