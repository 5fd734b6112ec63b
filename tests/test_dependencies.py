"""What the program imports is what pyproject.toml says that it needs."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import hoodnote

ROOT = Path(__file__).parent.parent
OPTIONAL = {"pillow_heif"}           # used where it is there; the error for a HEIC photo names it


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add(node.module.partition(".")[0])
    return found


def test_every_library_that_is_imported_is_declared():
    declared = {_plain(re.match(r"[\w.-]+", line)[0]) for line in tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]}
    providers = packages_distributions()
    imported = set().union(*(_imported(p) for p in Path(hoodnote.__file__).parent.rglob("*.py")))
    foreign = imported - set(sys.stdlib_module_names) - {"hoodnote"} - OPTIONAL
    assert "numpy" in foreign
    undeclared = {name for name in foreign if not {_plain(d) for d in providers.get(name, ())} & declared}
    assert not undeclared
