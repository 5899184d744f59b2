"""Which Pythons the project runs on, and where this machine has one.

    python3 .ci/pythons.py     a line for each that is found, oldest first: version and path

Any Python can read this file, 2.7 included: one that is too old has to say so.
"""

import os
import re
import subprocess
import sys

OLDEST = (3, 11)
NEWEST = (3, 15)  # the last for which every library of the lock has a binary
NAME = re.compile(r"python3(\.\d+)?$")
# Only a Python that can make virtual environments is of use.
ASKED = (
    "import sys, ensurepip, venv; print('%d %d %s' % (sys.version_info[:2] + (sys.executable,)))"
)

HOW_TO_GET_ONE = """\
Install one beside it and run the command again with it, `python3.13 .ci/begin.py open`:
    Debian 12, Ubuntu 24.04 or later   sudo apt install python3 python3-venv
    Fedora                             sudo dnf install python3.13
    macOS                              brew install python@3.13
    Windows                            winget install Python.Python.3.13; its name is `py -3.13`
    without rights on the machine      conda create -n blackmouth python=3.13; conda activate it
"""


def main():
    """Print the Pythons that are found."""
    for version, path in found():
        print(dotted(version) + " " + path)


def found():
    """Return version and path of each usable Python, one a version, oldest first."""
    first = {}
    for path in [sys.executable] + _on_path() + _of_pyenv():
        answer = _ask(path)
        if answer and OLDEST <= answer[0] <= NEWEST:
            first.setdefault(*answer)
    return sorted(first.items())


def too_old(words):
    """Return what to do where this Python is too old for a command of these words."""
    mine, here = sys.version.split()[0], found()
    said = "Python " + mine + " is too old: " + dotted(OLDEST) + " or later is needed.\n"
    if not here:
        return said + HOW_TO_GET_ONE
    return said + "This machine has one. Run:\n    " + " ".join([here[-1][1], sys.argv[0]] + words)


def dotted(version):
    """Return (3, 11) as 3.11."""
    return ".".join(map(str, version))


def _on_path():
    return _named(os.environ.get("PATH", "").split(os.pathsep))


def _of_pyenv():
    versions = os.path.join(
        os.environ.get("PYENV_ROOT", os.path.expanduser("~/.pyenv")), "versions"
    )
    if not os.path.isdir(versions):
        return []
    return _named(os.path.join(versions, one, "bin") for one in sorted(os.listdir(versions)))


def _named(folders):
    return [
        os.path.join(folder, name)
        for folder in folders
        if os.path.isdir(folder)
        for name in sorted(os.listdir(folder))
        if NAME.match(name)
    ]


def _ask(path):
    """Return version and real path of a Python; None of what does not answer as one."""
    with open(os.devnull, "w") as nowhere:
        try:
            said = subprocess.check_output([path, "-c", ASKED], stderr=nowhere)
            major, minor, executable = said.decode().strip().split(" ", 2)
        except (OSError, subprocess.CalledProcessError, ValueError):
            return None
    return (int(major), int(minor)), executable


if __name__ == "__main__":
    main()
