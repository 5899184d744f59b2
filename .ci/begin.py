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
    stamp = HOME / f".installed-{extra or 'plain'}"
    if stamp.exists() and stamp.read_text() == digest:
        return
    if not (BIN / "python").exists() and not (BIN / "python.exe").exists():
        _make_environment()
    print("installing (about a minute the first time) ...", file=sys.stderr, flush=True)
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    quiet = ["--quiet", "--disable-pip-version-check"]
    _run([BIN / "python", "-m", "pip", "install", *quiet, "--editable", target])
    stamp.write_text(digest)


def _make_environment() -> None:
    try:
        venv.create(HOME, with_pip=True, clear=HOME.exists())
    except (subprocess.CalledProcessError, ImportError):
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        raise SystemExit(
            f"this Python cannot make virtual environments: its module ensurepip is missing.\n"
            f"On Debian and Ubuntu: apt install python{version}-venv, then run the command again."
        ) from None


def _open(words: list[str]) -> int:
    return subprocess.call([BIN / "blackmouth", "open", *words], cwd=ROOT)


def _test(words: list[str]) -> int:
    python = BIN / "python"
    _run([python, "-m", "ruff", "check", "."])
    _run([python, "-m", "ruff", "format", "--check", "."])
    _run([python, "-m", "mypy"])
    return subprocess.call([python, "-m", "pytest", "-n", "2", *words], cwd=ROOT)


def _run(command: list[object]) -> None:
    subprocess.run([str(word) for word in command], cwd=ROOT, check=True)


def _stop(words: str) -> int:
    print(words, file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
