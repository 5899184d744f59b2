"""Setting up: environments, the lock of libraries, and Pythons too old or broken."""

from __future__ import annotations

import ast
import importlib
import os
import shutil
import subprocess
import sys
import tomllib
import venv
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement

if TYPE_CHECKING:
    from types import ModuleType

CI = Path(__file__).parents[2] / ".ci"
LOCK = CI / "requirements.lock"
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
    monkeypatch.syspath_prepend(CI)
    monkeypatch.delitem(sys.modules, "steps", raising=False)
    module = importlib.import_module("steps")
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
    once = len(setting.installed)
    for command in setting.installed:
        assert command[1:4] == ["-m", "pip", "install"]
        assert command[command.index("--constraint") + 1] == str(LOCK)
    assert setting.installed[-1][-1].endswith("[test]")
    assert (setting.home / ".installed-test").read_text().startswith(f"Python {VERSION} ")
    setting.module._install("test")
    assert (setting.made, len(setting.installed)) == (1, once)
    setting.module._install("")
    assert (setting.made, len(setting.installed)) == (1, 2 * once)
    assert not setting.installed[-1][-1].endswith("]")


def test_another_lock_is_installed_anew(
    setting: Setting, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    setting.module._install("test")
    once = len(setting.installed)
    other = tmp_path / "other.lock"
    other.write_bytes(LOCK.read_bytes() + b"more==1.0\n")
    monkeypatch.setattr(setting.module, "LOCK", other)
    setting.module._install("test")
    assert (setting.made, len(setting.installed)) == (1, 2 * once)


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
        assert setting.module.main(["open"], usage="") == 130
    assert not (setting.home / ".installed-plain").exists()
    setting.module._install("")
    assert setting.made == 1
    assert setting.installed


@pytest.mark.parametrize("words", [[], ["dance"]])
def test_other_words_do_nothing(setting: Setting, words: list[str]) -> None:
    assert setting.module.main(words, usage="") == 2
    assert (setting.made, setting.installed) == (0, [])


def test_a_step_that_fails_stops_before_the_tests(
    setting: Setting, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(command: list[object]) -> None:
        setting.run(command)
        if "mypy" in command:
            raise subprocess.CalledProcessError(1, [str(word) for word in command])

    monkeypatch.setattr(setting.module, "_run", run)
    monkeypatch.setattr(subprocess, "call", lambda *_, **__: pytest.fail("tests were run"))
    assert setting.module.main(["quick"], usage="") == 2
    assert setting.installed[-1][-1] == "mypy"


def test_the_quick_part_leaves_out_files_that_there_are(setting: Setting) -> None:
    assert [one for one in setting.module.SLOW if not (CI.parent / one).is_file()] == []


@pytest.mark.parametrize("python", ["3.11.0", "3.12.0", "3.13.0", "3.14.0", "3.15.0"])
@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_the_lock_holds_one_release_of_all_that_the_project_asks_for(
    python: str, system: str
) -> None:
    where = default_environment() | {
        "python_full_version": python,
        "python_version": python.rpartition(".")[0],
        "sys_platform": system,
    }
    lines = [Requirement(line) for line in LOCK.read_text().splitlines()]
    held = [one for one in lines if not one.marker or one.marker.evaluate(where)]
    release = {one.name: str(one.specifier).removeprefix("==") for one in held}
    assert len(release) == len(held)
    asked = tomllib.loads((CI.parent / "pyproject.toml").read_text())
    project = asked["project"]
    for line in (
        *project["dependencies"],
        *project["optional-dependencies"]["test"],
        *asked["build-system"]["requires"],
    ):
        one = Requirement(line)
        assert one.specifier.contains(release[one.name]), line


class TestTooOld:
    """A Python that is too old, played by this one where the project asks for a later one."""

    @pytest.fixture
    def begin(self, tmp_path: Path) -> Path:
        """Return a copy of the script that asks for a Python which is not made yet."""
        for name in ("begin.py", "pythons.py", "steps.py"):
            shutil.copy(CI / name, tmp_path)
        finder = tmp_path / "pythons.py"
        asked, bounds = finder.read_text(), "OLDEST = (3, 11)\nNEWEST = (3, 15)"
        assert bounds in asked
        finder.write_text(asked.replace(bounds, "OLDEST = NEWEST = (3, 99)"))
        return tmp_path / "begin.py"

    def run(self, begin: Path, **env: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, str(begin), "open", "x"],
            env={"HOME": str(begin.parent), **env},
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    def test_without_a_later_one_the_ways_to_get_it_are_named(self, begin: Path) -> None:
        done = self.run(begin, PATH="")
        assert done.returncode == 2
        assert "3.99" in done.stderr
        for way in ("apt install", "brew install", "winget install", "conda create"):
            assert way in done.stderr

    def test_a_later_one_on_the_machine_is_named_with_the_command(self, begin: Path) -> None:
        later, broken = begin.parent / "python3.99", begin.parent / "python3.98"
        later.write_text("#!/bin/sh\necho 3 99 /somewhere/python3.99\n")
        broken.write_text("#!/bin/sh\nexit 127\n")
        for one in (later, broken):
            one.chmod(0o755)
        done = self.run(begin, PATH=os.pathsep.join(["/nowhere", str(begin.parent)]))
        assert done.returncode == 2
        assert f"/somewhere/python3.99 {begin} open x" in done.stderr

    def test_only_what_old_pythons_read_stands_before_the_answer(self) -> None:
        """No annotation, formatted string, assignment expression or keyword-only argument."""
        later = (ast.AnnAssign, ast.JoinedStr, ast.NamedExpr)
        for name in ("begin.py", "pythons.py"):
            text = (CI / name).read_bytes()
            assert text.isascii()
            for node in ast.walk(ast.parse(text)):
                assert not isinstance(node, later), (name, ast.dump(node))
                if isinstance(node, ast.FunctionDef):
                    assert not node.returns
                    assert not node.args.kwonlyargs
                    assert not any(one.annotation for one in node.args.args)


def test_the_pythons_found_are_in_order_and_hold_this_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(CI)
    found = importlib.import_module("pythons").found()
    versions = [version for version, _ in found]
    assert versions == sorted(set(versions))
    assert sys.version_info[:2] in versions


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
        timeout=60,
    )
    assert done.returncode == 1
    assert "apt-get install chromium python3-venv" in done.stderr
    assert "ran" not in done.stderr
