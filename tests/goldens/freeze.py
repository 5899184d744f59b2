"""Freeze a checkout: its demo bulletins and the output of its commands, as files.

Everything goes through the command line in subprocesses and is read back by pyarrow alone, so that
a checkout whose modules have other names is frozen in the same way.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analytics.data.kept import ENDING
from tests.goldens.cases import ALIASES, CASES, COPIES, EMPTY, EXAMPLE, Case

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

HERE = Path(__file__).resolve().parents[2]
CARD = "bulletin.json"
#: Of a bulletin's metadata: its tables stand in the folder anyway.
_NOT_OF_THE_RESULT = ("tables",)
_PATTERNS = (
    (re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|\+00:?00| ?UTC)?"), "<instant>"),
    (re.compile(r"\b(?=[0-9a-f]*\d)(?=[0-9a-f]*[a-f])[0-9a-f]{8,64}\b"), "<hash>"),
    # That of a batch may have no letter.
    (re.compile(r"(?<=\bb\d{4}-)[0-9a-f]{8}\b"), "<hash>"),
    (re.compile(r"localhost:\d+"), "localhost:<port>"),
)
#: What the server of the dashboard logs; how far it comes before it is ended depends on the load.
_SERVER_LOG = re.compile(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+ .*\n", re.M)
_OPEN_SECONDS = 1200.0


@dataclass(frozen=True, slots=True)
class Checkout:
    """A checkout and the temporary folder that its commands run in."""

    root: Path
    work: Path

    def environment(self, folder: Path) -> dict[str, str]:
        """Return the variables of a command: its own home, cache and code; text 100 wide."""
        ours = {
            "HOME": self.work / "home",
            "XDG_CACHE_HOME": self.work / "cache",
            "TMPDIR": folder,
            "PYTHONPATH": self.root,
            "COLUMNS": 100,
        }
        return os.environ | {name: str(value) for name, value in ours.items()}

    def command(self, line: str, **fields: object) -> list[str]:
        """Return a command line, with the names that this checkout knows."""
        words = shlex.split(line.format(demo=self.root / "demo_parquet", **fields))
        return [sys.executable, "-m", "analytics.cli", *self._known(words)]

    def _known(self, words: Sequence[str]) -> list[str]:
        if not any(word in ALIASES for word in words):
            return list(words)
        command = self._pick(words[0], self.help())
        text = self.help(command)
        return [command, *(self._pick(word, text) for word in words[1:])]

    @staticmethod
    def _pick(word: str, text: str) -> str:
        names = (word, *ALIASES.get(word, ()))
        return next((n for n in names if re.search(rf"^ +(-\w, )?{n}\b", text, re.M)), word)

    def help(self, *command: str) -> str:
        """Return the help of a command, or of the group."""
        return self._run([*self.command(""), *command, "--help"], self.work).stdout

    def _run(self, command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            command,
            cwd=folder,
            env=self.environment(self.work / "tmp"),
            capture_output=True,
            text=True,
            check=False,
        )

    def clean(self, text: str) -> str:
        """Return a text without instants, hashes, ports and the folders of this machine."""
        for path, name in ((self.work, "<work>"), (self.root, "<root>")):
            text = text.replace(str(path), name)
        for pattern, name in _PATTERNS:
            text = pattern.sub(name, text)
        return text

    def run(self, case: Case, out: Path) -> None:
        """Run a case in an empty folder and freeze what it says and writes."""
        folder = self.work / "cases" / case.name
        folder.mkdir(parents=True)
        file = self.work / f"{case.name}.{'csv' if case.line.startswith('held') else 'toml'}"
        file.write_text(self._example() if case.text == EXAMPLE else case.text)
        store = self.work / "stores" / case.store
        done = self._run(self.command(case.line, store=store, file=file), folder)
        self.keep(out / case.name, folder, done.returncode, done.stdout, done.stderr)

    def _example(self) -> str:
        return self._run(self.command("options --example"), self.work).stdout

    def keep(self, target: Path, folder: Path, status: int, stdout: str, stderr: str) -> None:
        """Write the output of a command and the files it wrote."""
        target.mkdir(parents=True, exist_ok=True)
        (target / "status.txt").write_text(f"{status}\n")
        is_table = re.match(r"[a-z_]+(,[a-z_0-9]+){3,}\n", stdout) is not None
        (target / f"stdout.{'csv' if is_table else 'txt'}").write_text(self.clean(stdout))
        (target / "stderr.txt").write_text(self.clean(stderr))
        self.collect(folder, target / "files")

    def collect(self, folder: Path, target: Path) -> None:
        """Copy the files of a folder, cleaned: Parquet as Parquet, others as text.

        What a store keeps of past seasons is no result: its tables show it.
        """
        files = [path for path in folder.rglob("*") if path.is_file() and path.suffix != ENDING]
        for path in sorted(files):
            to = target / path.relative_to(folder)
            to.parent.mkdir(parents=True, exist_ok=True)
            if path.suffix == ".parquet":
                pq.write_table(self._clean_table(pq.read_table(path)), to, compression="zstd")
            elif path.name == CARD:
                card = json.loads(path.read_text())
                kept = {name: card[name] for name in card if name not in _NOT_OF_THE_RESULT}
                to.write_text(self.clean(json.dumps(kept, indent=1)))
            else:
                to.write_text(self.clean(path.read_text(encoding="utf-8")))

    def _clean_table(self, table: pa.Table) -> pa.Table:
        for at, column in enumerate(table.schema):
            if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
                codes = table[column.name].combine_chunks().dictionary_encode()
                words = pa.array(
                    [None if w is None else self.clean(w) for w in codes.dictionary.to_pylist()],
                    column.type,
                )
                table = table.set_column(at, column, pc.take(words, codes.indices))
        return table.replace_schema_metadata(None)

    def open(self, name: str, line: str, out: Path) -> None:
        """Run `open` until the dashboard answers, freeze what it made, and end it."""
        folder = self.work / "cases" / name
        folder.mkdir(parents=True)
        said = self.work / f"{name}.stderr"
        with said.open("w") as stderr:
            child = subprocess.Popen(
                self.command(f"open --port {_free_port()} {line}"),
                cwd=folder,
                env=self.environment(folder),
                stdout=subprocess.DEVNULL,
                stderr=stderr,
            )
            try:
                _wait_for(child, said)
                for shelf in folder.glob("blackmouth-*"):
                    self.collect(shelf, out / name / "files")
            finally:
                child.send_signal(signal.SIGINT)
                status = child.wait()
        text = _SERVER_LOG.sub("", said.read_text())
        self.keep(out / name, self.work / "nothing", status, "", text)


def _wait_for(child: subprocess.Popen[bytes], said: Path) -> None:
    """Wait until a dashboard says its address."""
    end = time.monotonic() + _OPEN_SECONDS
    while "http://" not in said.read_text():
        if child.poll() is not None or time.monotonic() > end:
            raise RuntimeError(f"the dashboard did not start:\n{said.read_text()}")
        time.sleep(0.5)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        port: int = probe.getsockname()[1]
    return port


def freeze(out: Path, root: Path = HERE, jobs: int = 2, only: Sequence[str] = ("*",)) -> None:
    """Freeze a checkout.

    Parameters
    ----------
    out : pathlib.Path
        Folder to write; must not exist.
    root : pathlib.Path
        The checkout.
    jobs : int
        Commands run at a time.
    only : sequence of str
        Patterns of what to freeze: ``tables``, ``open``, ``open_public``, ``help``, names of cases.
        The demo store, which takes longest, is made only where one of them needs it.

    Raises
    ------
    FileExistsError
        If `out` exists.
    RuntimeError
        If the demo season cannot be shown.
    """
    out.mkdir(parents=True)
    with (
        tempfile.TemporaryDirectory(prefix="goldens-") as folder,
        ThreadPoolExecutor(jobs) as pool,
    ):
        work = Path(folder).resolve()
        checkout = Checkout(root.resolve(), work)
        commands = out / "commands"
        for name in ("home", "cache", "tmp", "nothing", "stores"):
            (work / name).mkdir()
        chains = [chain for chain in _chains() if any(wanted(case.name, only) for case in chain)]
        tasks = []
        if any(wanted(name, only) for name in ("tables", "open", "open_public")) or any(
            case.needs_demo_store for chain in chains for case in chain
        ):
            public = _make_store(checkout, out)
            if wanted("open_public", only):
                tasks.append(pool.submit(checkout.open, "open_public", public, commands))
        tasks += [pool.submit(_chain, checkout, chain, commands) for chain in chains]
        if wanted("help", only):
            tasks.append(pool.submit(_helps, checkout, commands))
        for task in tasks:
            task.result()


def wanted(name: str, only: Sequence[str]) -> bool:
    """Return whether one of some patterns fits a name."""
    return any(fnmatchcase(name, pattern) for pattern in only)


def _make_store(checkout: Checkout, out: Path) -> str:
    """Make the demo store, freeze its tables, and return how to open its newest in public."""
    checkout.open("open", "", out / "commands")
    (made,) = (checkout.work / "cache" / "blackmouth").glob("demo-*")
    for name in ("demo", *COPIES):
        shutil.copytree(made, checkout.work / "stores" / name)
    bulletins = made / "bulletins"
    checkout.collect(bulletins, out / "tables")
    newest = max(path.name for path in bulletins.iterdir())
    return f"--store {shlex.quote(str(made))} --public {newest}"


def _chains() -> Iterable[list[Case]]:
    """Return the cases that must run one after another, the longest first."""
    for store in (*COPIES, *EMPTY):
        yield [case for case in CASES if case.store == store]
    for case in CASES:
        if case.store == "demo":
            yield [case]


def _chain(checkout: Checkout, chain: list[Case], commands: Path) -> None:
    for case in chain:
        checkout.run(case, commands)


def _helps(checkout: Checkout, commands: Path) -> None:
    """Freeze the help of every command, under its first name."""
    first = {later: name for name, names in ALIASES.items() for later in names}
    text = checkout.help()
    names = re.findall(r"^  ([a-z][a-z-]*)  ", text.split("Commands:")[1], re.M)
    for name in ("", *names):
        said = checkout.help(*([name] if name else []))
        folder = commands / f"help_{first.get(name, name)}".rstrip("_")
        folder.mkdir(parents=True)
        (folder / "stdout.txt").write_text(checkout.clean(said))
