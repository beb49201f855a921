"""The judge's own house rules: who may write what, and who may quiet."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

JUDGE = Path(__file__).resolve().parents[2] / "daemon/dewkeeper/judge"
MODULES = {
    path.relative_to(JUDGE).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
    for path in JUDGE.rglob("*.py")
    if path.name != "contract_suite.py"  # which looks into everything, to hold it to the contract
}
CALLED = {
    "JudgeState": {"state", "_state"},
    "ProbeState": {"probe", "known", "watch"},
    "ProbePast": {"past"},
    "LimitRun": {"run", "inner", "outer", "read"},
    "AlarmInstance": {"instance", "alarm"},
}
"""What records of more than twelve fields are called wherever they are used."""
CHANGING = {"append", "add", "discard", "clear", "pop", "sort", "extend", "insert", "remove", "update", "setdefault", "popitem"}  # fmt: skip
QUIETING = {"raise_", "clear", "ease", "amend", "reword", "annotate", "withhold", "release", "acknowledge", "realarm", "exclude"}  # fmt: skip
WITHHELD = {"suppressed", "shelved", "out_of_service"}


def _fields(record: ast.ClassDef) -> set[str]:
    """Return the fields of a record that may be written after it was made."""
    found: set[str] = set()
    for line in record.body:
        if isinstance(line, ast.Assign) and ast.unparse(line.targets[0]) == "__slots__":
            found |= set(ast.literal_eval(line.value))
        elif isinstance(line, ast.AnnAssign) and not any("frozen" in ast.unparse(one) for one in record.decorator_list):
            found.add(ast.unparse(line.target))
    return found


def _written(tree: ast.Module) -> Iterator[tuple[str, str, int]]:
    """Yield (what it is called, field, line) of every field that a module assigns, deletes or changes in place."""
    for node in ast.walk(tree):
        targets: list[ast.expr] = []
        if isinstance(node, ast.Assign | ast.Delete):
            targets = node.targets
        elif isinstance(node, ast.AugAssign | ast.AnnAssign):
            targets = [node.target]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CHANGING:
            targets = [node.func.value]
        for target in targets:
            for one in target.elts if isinstance(target, ast.Tuple) else [target]:
                while isinstance(one, ast.Subscript):
                    one = one.value
                if isinstance(one, ast.Attribute):
                    yield ast.unparse(one.value).rpartition(".")[2], one.attr, one.lineno


def test_a_big_record_is_written_by_one_module() -> None:
    """What has more than twelve fields is written by its own methods alone, so that who reads one file knows what it may become."""
    homes = {
        record.name: (name, fields)
        for name, tree in MODULES.items()
        for record in tree.body
        if isinstance(record, ast.ClassDef) and len(fields := _fields(record)) > 12
    }
    assert homes.keys() == CALLED.keys()
    assert [
        f"{name}:{line} writes {called}.{field}"
        for record, (home, fields) in homes.items()
        for name, tree in MODULES.items()
        if name != home
        for called, field, line in _written(tree)
        if called in CALLED[record] and field in fields - {"register", "timers"}  # records of their own, with methods
    ] == []


def test_one_file_raises_clears_and_quiets() -> None:
    """Nothing but `acting` excludes readings, raises, clears or quiets; `adopt` only takes over what another version did."""
    found = []
    for name, tree in MODULES.items():
        if name in ("acting.py", "adopt.py", "register.py"):
            continue
        for node in ast.walk(tree):
            call = node.func if isinstance(node, ast.Call) else None
            if not isinstance(call, ast.Attribute) or call.attr not in QUIETING:
                continue
            if ast.unparse(call.value).rpartition(".")[2] in ("register", "state"):
                found.append(f"{name}:{call.lineno} {ast.unparse(call)}")
        found += [f"{name}:{line} {field}" for called, field, line in _written(tree) if called == "register" and field in WITHHELD]  # fmt: skip
    assert found == []
