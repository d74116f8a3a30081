"""The room's door: what it offers, and that it leans on nothing else of the project."""

import ast
import re
from pathlib import Path

import brickbook.usbpd as room


def test_all_is_sorted_and_real():
    # The linter's order: constants, then classes, then functions, each sorted.
    def rank(name: str) -> tuple[int, str]:
        return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)

    assert room.__all__ == sorted(room.__all__, key=rank)
    assert all(hasattr(room, name) for name in room.__all__)


def test_no_import_from_the_rest_of_the_project():
    for path in Path(room.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            else:
                continue
            for name in names:
                assert not name.startswith("brickbook") or name.startswith("brickbook.usbpd"), path


def test_the_example_in_the_documentation_runs():
    text = (Path(__file__).parents[2] / "docs" / "usbpd.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    exec(compile(code, "docs/usbpd.md", "exec"), {})


def test_rules_and_kinds_in_the_documentation_are_those_of_the_code():
    text = (Path(__file__).parents[2] / "docs" / "usbpd.md").read_text(encoding="utf-8")
    source = (Path(room.__file__).parent / "capabilities.py").read_text(encoding="utf-8")
    rules = re.findall(r'CapabilityViolation\(\s*"([a-z0-9-]+)"', source)
    assert len(set(rules)) == 26
    for rule in set(rules):
        assert f"`{rule}`" in text, rule
    for kind in room.NegotiationKind:
        assert str(kind) in text, kind
