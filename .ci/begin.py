"""Set up a virtual environment beside the code, then open the dashboard or run the tests.

    python3 .ci/begin.py open     the dashboard on the demo season (more words go to `blackmouth`)
    python3 .ci/begin.py test     lint, formatting, types and every test (more words go to pytest)

Needs Python 3.11 or later and nothing else; uses the standard library only.
"""

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
OLDEST = (3, 11)
VERSION = f"{sys.version_info.major}.{sys.version_info.minor}"


def main(words: list[str]) -> int:
    """Run one of the two commands; return its exit status."""
    if sys.version_info < OLDEST:
        return _stop(f"Python {sys.version.split()[0]} is too old: 3.11 or later is needed")
    if not words or words[0] not in ("open", "test"):
        return _stop(__doc__ or "")
    try:
        _install("test" if words[0] == "test" else "")
        return _open(words[1:]) if words[0] == "open" else _test(words[1:])
    except subprocess.CalledProcessError as error:
        return _stop(f"this step failed: {' '.join(map(str, error.cmd))}")
    except KeyboardInterrupt:
        return 130


def _install(extra: str) -> None:
    """Make the environment and install the project with one extra, unless that was done."""
    digest = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + os.fsencode(ROOT)).hexdigest()
    stamp, words = HOME / f".installed-{extra or 'plain'}", f"Python {VERSION} {digest}\n"
    if stamp.exists() and stamp.read_text() == words:
        return
    if not _has_pip():
        _require_environment()
        _make_environment()
    print("installing (about a minute the first time) ...", file=sys.stderr, flush=True)
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    quiet = ["--quiet", "--disable-pip-version-check"]
    _run([BIN / "python", "-m", "pip", "install", *quiet, "--editable", target])
    # Last, so that an installation that was cut short is done again.
    stamp.write_text(words)


def _has_pip() -> bool:
    """Return whether the environment is whole and of this Python."""
    command = [str(BIN / "python"), "-m", "pip", "--version"]
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
    python = BIN / "python"
    _run([python, "-m", "ruff", "check", "."])
    _run([python, "-m", "ruff", "format", "--check", "."])
    _run([python, "-m", "mypy"])
    # Two workers share the cores: threads of linear algebra in each would wait for one another.
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    return subprocess.call([python, "-m", "pytest", "-n", "2", *words], cwd=ROOT, env=alone)


def _run(command: list[object]) -> None:
    subprocess.run([str(word) for word in command], cwd=ROOT, check=True)


def _stop(words: str) -> int:
    print(words, file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
