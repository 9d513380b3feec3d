"""Runs the control core under CPython with every arithmetic result checked against 31 bits, intermediates included.

The 32-bit board and the WebAssembly build make a big-int object, hence an allocation, of whatever leaves that
range. This finds the same, names the line, and shows how much room each line has left.
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

SMALL = 1 << 30  # a small integer on a 32-bit word: -2**30 <= x < 2**30
_CHECK = "_steadyram_narrow"


class TooWide(ArithmeticError):
    """A result that does not fit; the sentence names file, line and value."""


class Narrow:
    """Collects the widest magnitude of each line. strict: raise at the first that does not fit."""

    def __init__(self, strict: bool = True) -> None:
        self.strict = strict
        self.on = False
        self.widest: dict[tuple[str, int], int] = {}

    def watch(self, on: bool) -> None:
        """Look at results from now on, or no longer."""
        self.on = on

    def check(self, value: object, file: str, line: int) -> object:
        if self.on and type(value) is int:
            size = value if value >= 0 else ~value
            key = (file, line)
            if size > self.widest.get(key, -1):
                self.widest[key] = size
                if size >= SMALL and self.strict:
                    raise TooWide(f"{file}:{line} makes {value}, which needs more than 31 bits")
        return value

    def worst(self, count: int) -> list[tuple[str, int, int]]:
        """(file, line, largest magnitude) of the lines with the least room."""
        found = sorted(self.widest.items(), key=lambda each: -each[1])
        return [(file, line, size) for (file, line), size in found[:count]]


class _Wrap(ast.NodeTransformer):
    """`a op b` becomes `check(a op b, file, line)`; `x op= b` becomes `x = check(x op b, ...)`."""

    def __init__(self, file: str) -> None:
        self._file = file

    def _checked(self, node: ast.expr) -> ast.expr:
        call = ast.Call(
            ast.Name(_CHECK, ast.Load()), [node, ast.Constant(self._file), ast.Constant(node.lineno)], []
        )
        return ast.copy_location(call, node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.expr:
        self.generic_visit(node)
        return self._checked(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.expr:
        self.generic_visit(node)
        if isinstance(node.op, ast.Not) or isinstance(node.operand, ast.Constant):
            return node
        return self._checked(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.stmt:
        self.generic_visit(node)
        # The core's targets are names, attributes of names and items at plain indices: reading them twice is harmless.
        again = ast.parse(ast.unparse(node.target), mode="eval").body
        whole = ast.copy_location(ast.BinOp(again, node.op, node.value), node)
        return ast.copy_location(ast.Assign([node.target], self._checked(whole)), node)


@contextmanager
def narrow_core(core: Path, narrow: Narrow) -> Iterator[ModuleType]:
    """The package `steadyram_fw.core` replaced by its checked copy; gives its module `controller`."""
    names = [
        f"steadyram_fw.core.{file.stem}" for file in sorted(core.glob("*.py")) if file.stem != "__init__"
    ]
    before = {name: sys.modules.pop(name) for name in names if name in sys.modules}
    finder = _Finder(core, narrow)
    sys.meta_path.insert(0, finder)
    try:
        yield importlib.import_module("steadyram_fw.core.controller")
    finally:
        sys.meta_path.remove(finder)
        for name in names:
            sys.modules.pop(name, None)
        sys.modules.update(before)
        package = sys.modules["steadyram_fw.core"]
        for name, module in before.items():
            setattr(package, name.rpartition(".")[2], module)


class _Finder:
    def __init__(self, core: Path, narrow: Narrow) -> None:
        self._core = core
        self._narrow = narrow

    def find_spec(self, name: str, path: object = None, target: object = None) -> object:
        package, _, stem = name.rpartition(".")
        file = self._core / f"{stem}.py"
        if package != "steadyram_fw.core" or not file.is_file():
            return None
        return importlib.util.spec_from_loader(name, _Loader(file, self._narrow))


class _Loader:
    def __init__(self, file: Path, narrow: Narrow) -> None:
        self._file = file
        self._narrow = narrow

    def create_module(self, spec: object) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        tree = ast.parse(self._file.read_text(encoding="utf-8"))
        tree = ast.fix_missing_locations(_Wrap(self._file.name).visit(tree))
        module.__dict__[_CHECK] = self._narrow.check
        exec(compile(tree, str(self._file), "exec"), module.__dict__)
