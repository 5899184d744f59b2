"""Build the release, then try the wheel alone, in an empty environment of each Python.

    .ci/release                      on the oldest and the newest Python found
    .ci/release PYTHON ...           on these

The wheel is installed with the locked libraries, in a folder that knows nothing of the repository.
There it imports its demo, makes an estimate and a bulletin, and opens the demo. Whatever fails is
said in words; the files of the release are left in `dist`.
"""

from __future__ import annotations

import csv
import os
import re
import signal
import subprocess
import sys
import tempfile
import tomllib
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import pythons

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOT = Path(__file__).resolve().parents[1]
LOCK = ROOT / ".ci" / "requirements.lock"
DIST = ROOT / "dist"
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
CHANGES = ROOT / "analytics" / "docs" / "changes.md"
ADDRESS = re.compile(r"http://localhost:\d+")
#: What the wheel must hold beside its modules.
DATA = """
from importlib.resources import files
for one in ("py.typed", "codes.toml", "docs/changes.md", "docs/interface.md"):
    assert files("analytics").joinpath(one).is_file(), f"the wheel lacks analytics/{one}"
import analytics
for name in analytics.__all__:
    getattr(analytics, name)
"""
#: The page of the week as the server makes it, without a browser.
PAGE = """
import dashboard
from pathlib import Path
from streamlit.testing.v1 import AppTest
page = AppTest.from_file(Path(dashboard.__file__).parent / "app.py", default_timeout=120).run()
assert not page.exception, page.exception
assert page.markdown, "the page is empty"
"""


def main(words: Sequence[str]) -> int:
    """Build and try; return 0, or leave with what failed in words."""
    require_changes()
    wheel = build()
    chosen = [Path(word) for word in words]
    if not chosen:
        found = pythons.found()
        chosen = [Path(path) for _, path in sorted({found[0], found[-1]})]
    for python in chosen:
        with tempfile.TemporaryDirectory(prefix="release-") as place:
            Trial(python, Path(place)).run(wheel)
    say(f"{wheel.name} works; sdist and wheel are in {DIST}")
    return 0


def require_changes() -> None:
    """Refuse a version that stands in no heading of the changes, or not in the first."""
    first = next(line for line in CHANGES.read_text().splitlines() if line.startswith("## "))
    if first.split()[1] != VERSION:
        fail(
            f"{CHANGES.relative_to(ROOT)} begins with {first!r} and pyproject.toml says {VERSION}; "
            "a release has one version and its changes stand first"
        )


def build() -> Path:
    """Make the sdist, and from it the wheel; return the wheel."""
    DIST.mkdir(exist_ok=True)
    for old in DIST.glob("blackmouth-*"):
        old.unlink()
    say("building")
    command = [sys.executable, "-m", "build", "--outdir", str(DIST), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        fail(f"the build failed (`pip install -e .[release]` adds its tool):\n{_end(done)}")
    made = sorted(one.name for one in DIST.glob("blackmouth-*"))
    wanted = [f"blackmouth-{VERSION}-py3-none-any.whl", f"blackmouth-{VERSION}.tar.gz"]
    if made != wanted:
        fail(f"the build made {made}; it should make {wanted}")
    return DIST / wanted[0]


class Trial:
    """An empty environment of one Python, a folder to work in and a home of its own."""

    def __init__(self, python: Path, place: Path) -> None:
        self.python, self.place = python, place
        self.bin = place / "environment" / ("Scripts" if os.name == "nt" else "bin")
        self.work, self.home = place / "work", place / "home"
        for folder in (self.work, self.home):
            folder.mkdir()
        hidden = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "XDG_CACHE_HOME", "DISPLAY")
        self.plain = {name: value for name, value in os.environ.items() if name not in hidden}
        self.own = self.plain | {"HOME": str(self.home)}

    def run(self, wheel: Path) -> None:
        """Install the wheel and use it."""
        say(f"{self.python}: installing the wheel alone")
        self._call([self.python, "-m", "venv", self.bin.parent], env=self.plain)
        pip = [self.bin / "python", "-m", "pip", "install", "--quiet"]
        self._call([*pip, "--disable-pip-version-check", "-c", LOCK, wheel], env=self.plain)
        said = self._blackmouth("--version")
        if not said.strip().endswith(VERSION):
            fail(f"blackmouth --version says {said.strip()!r}; the release is {VERSION}")
        self._python(DATA)
        self._try_commands()
        self._try_open()
        say(f"{self.python}: every step is done")

    def _try_commands(self) -> None:
        say("  its demo, an estimate and a bulletin")
        self._blackmouth("demo", "--out", "demo")
        self._blackmouth("import", "demo", "--store", "store")
        self._blackmouth("estimate", "--store", "store", "--by", "season", "--out", "rows.csv")
        with (self.work / "rows.csv").open(newline="") as file:
            known = [row["quantity"] for row in csv.DictReader(file) if row["estimate"]]
        if "kept_fish" not in known:
            fail(f"the estimate of the demo has no figure for kept_fish; it has {known}")
        self._blackmouth("bulletin", "--store", "store", "--out", "tables")
        if not (self.work / "tables" / "rows.csv").stat().st_size:
            fail("the bulletin wrote no result rows")

    def _try_open(self) -> None:
        say("  opening the demo (its bulletins are made first: some minutes)")
        log = self.place / "open.txt"
        with log.open("w") as out:
            command = [str(self.bin / "blackmouth"), "open"]
            opened = subprocess.Popen(command, cwd=self.work, env=self.own, stdout=out, stderr=out)
            try:
                address = self._address(opened, log)
                _require_answer(address)
                self._python(PAGE, BLACKMOUTH_ARCHIVE=str(self._demo_archive()))
            finally:
                opened.send_signal(signal.SIGINT)
                status = opened.wait(60)
        if status:
            fail(f"blackmouth open ended with status {status}: {log.read_text()[-2000:]}")

    def _address(self, opened: subprocess.Popen[bytes], log: Path) -> str:
        """Return the address that the dashboard names, once it does."""
        for _ in range(1800):
            if found := ADDRESS.search(log.read_text()):
                return found.group()
            try:
                opened.wait(1)
            except subprocess.TimeoutExpired:
                continue
            break
        raise SystemExit(failure(f"blackmouth open named no address: {log.read_text()[-2000:]}"))

    def _demo_archive(self) -> Path:
        """Return the archive of the demo store in the trial's own home."""
        found = [one for one in self.home.rglob("demo-*/bulletins") if one.is_dir()]
        if len(found) != 1:
            fail(f"the demo store should be in one place of {self.home}; found {found}")
        return found[0]

    def _blackmouth(self, *words: str) -> str:
        return self._call([self.bin / "blackmouth", *words], env=self.own)

    def _python(self, code: str, **more: str) -> None:
        self._call([self.bin / "python", "-W", "ignore", "-c", code], env=self.own | more)

    def _call(self, command: Sequence[object], env: dict[str, str]) -> str:
        words = [str(word) for word in command]
        done = subprocess.run(
            words, cwd=self.work, env=env, capture_output=True, text=True, check=False
        )
        if done.returncode:
            fail(f"{self.python}: this failed: {' '.join(words)}\n{_end(done)}")
        return done.stdout


def _require_answer(address: str) -> None:
    for path in ("/", "/_stcore/health"):
        try:
            with urllib.request.urlopen(address + path, timeout=60) as answer:
                if answer.status == 200:
                    continue
                seen = str(answer.status)
        except urllib.error.URLError as error:
            seen = str(error)
        fail(f"the dashboard answered {address}{path} with {seen}")


def _end(done: subprocess.CompletedProcess[str]) -> str:
    return (done.stdout + done.stderr)[-3000:]


def say(words: str) -> None:
    """Say on stderr what is done."""
    print(words, file=sys.stderr, flush=True)


def fail(words: str) -> NoReturn:
    """Leave with status 1 and the reason."""
    raise SystemExit(failure(words))


def failure(words: str) -> str:
    """Return the words that a release fails with."""
    return f"no release: {words}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
