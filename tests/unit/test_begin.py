"""Setting up: what is no virtual environment stays, and a broken one is made again."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import venv
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from types import ModuleType

CI = Path(__file__).parents[2] / ".ci"
VERSION = f"{sys.version_info.major}.{sys.version_info.minor}"


class Setting:
    """The script with its environment at a place of the test, and what it did there."""

    def __init__(self, module: ModuleType, home: Path) -> None:
        self.module, self.home = module, home
        self.made = 0
        self.installed: list[list[str]] = []

    def make(self, home: Path, **options: Any) -> None:
        """Stand in for `venv.create`: a Python that knows pip."""
        assert options == {"with_pip": True, "clear": True}
        shutil.rmtree(home, ignore_errors=True)
        python_with_pip(home, VERSION)
        self.made += 1

    def run(self, command: list[object]) -> None:
        self.installed.append([str(word) for word in command])


@pytest.fixture
def setting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Setting:
    home = tmp_path / "env"
    monkeypatch.setenv("BLACKMOUTH_VENV", str(home))
    spec = importlib.util.spec_from_file_location("begin", CI / "begin.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found = Setting(module, home)
    monkeypatch.setattr(venv, "create", found.make)
    monkeypatch.setattr(module, "_run", found.run)
    return found


def python_with_pip(home: Path, version: str) -> None:
    """Write a stand-in for an environment whose Python answers for its pip."""
    (home / "bin").mkdir(parents=True)
    (home / "pyvenv.cfg").write_text("")
    python = home / "bin" / "python"
    python.write_text(f"#!/bin/sh\necho 'pip 1.0 from somewhere (python {version})'\n")
    python.chmod(0o755)


def test_a_new_environment_is_made_once(setting: Setting) -> None:
    setting.module._install("test")
    assert setting.made == 1
    assert setting.installed[0][1:4] == ["-m", "pip", "install"]
    assert (setting.home / ".installed-test").read_text().startswith(f"Python {VERSION} ")
    setting.module._install("test")
    assert (setting.made, len(setting.installed)) == (1, 1)
    setting.module._install("")
    assert (setting.made, len(setting.installed)) == (1, 2)


def test_a_folder_with_other_files_is_left_as_it_is(setting: Setting) -> None:
    setting.home.mkdir()
    (setting.home / "thesis.txt").write_text("mine")
    with pytest.raises(SystemExit, match="no virtual environment and is left as it is"):
        setting.module._install("")
    assert (setting.home / "thesis.txt").read_text() == "mine"
    assert (setting.made, setting.installed) == (0, [])


def test_a_file_in_its_place_is_left_as_it_is(setting: Setting) -> None:
    setting.home.write_text("mine")
    with pytest.raises(SystemExit, match="BLACKMOUTH_VENV"):
        setting.module._install("")
    assert setting.home.read_text() == "mine"


def test_an_empty_folder_is_used(setting: Setting) -> None:
    setting.home.mkdir()
    setting.module._install("")
    assert setting.made == 1


def test_an_environment_without_pip_is_made_again(setting: Setting) -> None:
    setting.home.mkdir()
    subprocess.run(
        [sys.executable, "-m", "venv", "--without-pip", str(setting.home)], check=True, timeout=60
    )
    setting.module._install("")
    assert setting.made == 1


def test_an_environment_of_another_python_is_made_again(setting: Setting) -> None:
    python_with_pip(setting.home, "2.7")
    setting.module._install("")
    assert setting.made == 1


def test_an_installation_cut_short_is_done_again(
    setting: Setting, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(command: list[object]) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(setting.module, "_run", interrupted)
        assert setting.module.main(["open"]) == 130
    assert not (setting.home / ".installed-plain").exists()
    setting.module._install("")
    assert (setting.made, len(setting.installed)) == (1, 1)


def test_without_rights_the_missing_packages_are_named(tmp_path: Path) -> None:
    """A user who is not root, without sudo, browser or ensurepip."""
    for name, line in {"id": "echo 1000", "sudo": "exit 1", "python3": "exit 1"}.items():
        (tmp_path / name).write_text(f"#!/bin/sh\n{line}\n")
        (tmp_path / name).chmod(0o755)
    (tmp_path / "apt-get").write_text("#!/bin/sh\necho ran >&2\n")
    (tmp_path / "apt-get").chmod(0o755)
    (tmp_path / "dirname").symlink_to(shutil.which("dirname") or "")
    bash = shutil.which("bash") or ""
    done = subprocess.run(
        [bash, str(CI / "run")],
        env={"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert done.returncode == 1
    assert "apt-get install chromium python3-venv" in done.stderr
    assert "ran" not in done.stderr
