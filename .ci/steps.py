"""The steps of `begin.py`: an environment of locked libraries, and what is done in it."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
HOME = Path(os.environ.get("BLACKMOUTH_VENV", ROOT / ".venv"))
BIN = HOME / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / "python"
LOCK = ROOT / ".ci" / "requirements.lock"
VERSION = f"{sys.version_info.major}.{sys.version_info.minor}"
#: Files of ten processor seconds and more, which the quick part leaves out; see tests/costs.py.
SLOW = [line.split()[1] for line in (ROOT / ".ci" / "slow.txt").read_text().splitlines()[1:]]
#: Tests of one part at a time, with none of pages or simulated seasons.
QUICK = ["tests/reference", "tests/properties", "tests/unit", *(f"--ignore={one}" for one in SLOW)]


def main(words: list[str], *, usage: str) -> int:
    """Run one command; return its exit status, 2 where it did not get to its work."""
    commands = {
        "open": ("", _open),
        "test": ("test", _test),
        "quick": ("test", _quick),
        "release": ("release", _release),
    }
    if not words or words[0] not in commands:
        return _stop(usage)
    extra, command = commands[words[0]]
    try:
        _install(extra)
        return command(words[1:])
    except subprocess.CalledProcessError as error:
        return _stop(f"this step failed: {' '.join(map(str, error.cmd))}")
    except KeyboardInterrupt:
        return 130


def _install(extra: str) -> None:
    """Make the environment and install the project with one extra, unless that was done."""
    asked = (ROOT / "pyproject.toml").read_bytes() + LOCK.read_bytes() + os.fsencode(ROOT)
    digest = hashlib.sha256(asked).hexdigest()
    stamp, words = HOME / f".installed-{extra or 'plain'}", f"Python {VERSION} {digest}\n"
    if stamp.exists() and stamp.read_text() == words:
        return
    if not _has_pip():
        _require_environment()
        _make_environment()
    print("installing (about a minute the first time) ...", file=sys.stderr, flush=True)
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    pip = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    # The lock bounds what is installed and adds nothing; what builds the project is locked too.
    _run([*pip, "--constraint", LOCK, "setuptools"])
    _run([*pip, "--constraint", LOCK, "--no-build-isolation", "--editable", target])
    # Last, so that an installation that was cut short is done again.
    stamp.write_text(words)


def _has_pip() -> bool:
    """Return whether the environment is whole and of this Python."""
    command = [str(PYTHON), "-m", "pip", "--version"]
    try:
        said = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError:
        return False
    return said.returncode == 0 and f"(python {VERSION})" in said.stdout


def _require_environment() -> None:
    """Refuse a place that holds anything but a virtual environment: making one clears it."""
    is_free = not HOME.exists() or (HOME.is_dir() and not any(HOME.iterdir()))
    if not is_free and not (HOME / "pyvenv.cfg").is_file():
        raise SystemExit(
            f"{HOME} is no virtual environment and is left as it is.\n"
            "Move it away, or name another place in BLACKMOUTH_VENV, then run the command again."
        )


def _make_environment() -> None:
    try:
        venv.create(HOME, with_pip=True, clear=True)
    except (subprocess.CalledProcessError, ImportError):
        raise SystemExit(
            f"this Python cannot make virtual environments: its module ensurepip is missing.\n"
            f"On Debian and Ubuntu: apt install python{VERSION}-venv, then run the command again."
        ) from None
    except OSError as error:
        raise SystemExit(f"{HOME} cannot be made: {error}") from None


def _open(words: list[str]) -> int:
    return subprocess.call([BIN / "blackmouth", "open", *words], cwd=ROOT)


def _test(words: list[str]) -> int:
    _run([PYTHON, "-m", "ruff", "check", "."])
    _run([PYTHON, "-m", "ruff", "format", "--check", "."])
    _run([PYTHON, "-m", "mypy"])
    return _pytest(words)


def _quick(words: list[str]) -> int:
    _run([PYTHON, "-m", "mypy"])
    return _pytest([*QUICK, *words])


def _release(words: list[str]) -> int:
    return subprocess.call([PYTHON, ROOT / ".ci" / "releasing.py", *words], cwd=ROOT)


def _pytest(words: list[str]) -> int:
    # Two workers share the cores: threads of linear algebra in each would wait for one another.
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    return subprocess.call(
        [PYTHON, "-m", "pytest", "-n", "2", "--dist", "loadfile", *words], cwd=ROOT, env=alone
    )


def _run(command: list[object]) -> None:
    subprocess.run([str(word) for word in command], cwd=ROOT, check=True)


def _stop(words: str) -> int:
    print(words, file=sys.stderr)
    return 2
