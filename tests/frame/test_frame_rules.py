"""House rules that a reader should be able to rely on everywhere."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("config", "drivers", "daemon", "demo")
EVERY_PACKAGE_HAS = {"__init__", "__main__", "env", "errors", "contract", "contract_suite"}
"""Modules that are called so wherever there is one: Python's and Alembic's own, and two conventions of ours."""
SIDES = ("daemon/dewkeeper/cli", "config/dewkeeper_config/models", "daemon/dewkeeper/judge/inputs")
"""Folders whose modules are called as the thing is that they are one side of: its command, its table in the file, what the
judge makes of it when it comes in."""
HAVE_SIDES = {
    "book", "calibration", "changes", "channels", "commands", "journal", "learning", "page", "people", "round", "settings",
}  # fmt: skip


def _tracked(*patterns: str) -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", *patterns],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return [ROOT / line for line in listed.stdout.splitlines() if (ROOT / line).is_file()]


def test_every_test_says_what_it_shows() -> None:
    """Every test function has a docstring in one sentence or more."""
    silent = []
    for path in _tracked("tests/**/test_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node):
                silent.append(f"{path.relative_to(ROOT)}:{node.lineno} {node.name}")
    assert not silent


def test_test_files_have_unique_names() -> None:
    """Two test files of one name would stop mypy and confuse every report."""
    names = [path.name for path in _tracked("tests/**/*.py") if path.name != "conftest.py"]
    assert len(names) == len(set(names))


def test_no_public_class_name_means_two_things() -> None:
    """A class of one module has no namesake in another: a reader who knows the name knows the thing."""
    modules: dict[str, list[Path]] = {}
    for package in PACKAGES:
        for path in _tracked(f"{package}/**/*.py"):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    modules.setdefault(node.name, []).append(path)
    assert {name: where for name, where in modules.items() if len(where) > 1} == {}


def test_no_module_name_means_two_things() -> None:
    """Two modules of one name are two sides of one thing, or what every package calls so; one of them at most is the thing itself."""
    folders: dict[str, list[str]] = {}
    for path in _tracked(*(f"{package}/**/*.py" for package in PACKAGES)):
        if path.stem not in EVERY_PACKAGE_HAS:
            folders.setdefault(path.stem, []).append(str(path.parent.relative_to(ROOT)))
    double = {name: where for name, where in folders.items() if len(where) > 1}
    assert set(double) == HAVE_SIDES
    assert not {name: where for name, where in double.items() if len(set(where) - set(SIDES)) > 1}


def test_top_level_is_what_was_agreed() -> None:
    """Nothing lies at the top level but what has a reason to."""
    top = {path.relative_to(ROOT).parts[0] for path in _tracked()}
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", *PACKAGES, "tests", "deploy"}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_what_a_strangers_run_leaves_out_is_run_in_ci() -> None:
    """Whatever `tests/run` ignores or deselects `.ci/run` runs, and `tests/run` says so."""
    run, ci = ((ROOT / file).read_text(encoding="utf-8") for file in ("tests/run", ".ci/run"))
    assert re.findall(r'-m "([^"]+)"', run) == ["not slow"]
    assert "\n./tests/run -q -rs -n 2 --dist loadfile -m slow tests\n" in ci
    said = "".join(line for line in run.splitlines() if line.startswith("say "))
    for folder in re.findall(r"--ignore=(\S+)", run):
        assert re.search(rf"^ *\./tests/run -q -rs .*{folder}\b(?!/)", ci, re.MULTILINE), folder
        assert folder in said


def test_nobody_patches_our_own_modules() -> None:
    """Tests use real parts and shipped fakes: no mocking library, no replaced attributes."""
    pattern = re.compile(r"unittest\.mock|import mock\b|monkeypatch\.setattr|mocker\b")
    found = [
        str(path.relative_to(ROOT))
        for path in _tracked("tests/**/*.py")
        if path != Path(__file__) and pattern.search(path.read_text(encoding="utf-8"))
    ]
    assert not found


def test_board_is_never_imported() -> None:
    """`import board` needs an undeclared package and may prompt on a terminal; a numbered bus needs none of it."""
    found = [
        str(path.relative_to(ROOT))
        for path in _tracked("*.py")
        if re.search(r"^\s*(import board\b|from board import)", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert not found


@pytest.mark.parametrize("folder", PACKAGES)
def test_every_room_is_typed(folder: str) -> None:
    """Each package carries the marker that tells users' type checkers to believe its annotations."""
    assert list((ROOT / folder).glob("*/py.typed"))
