"""Fold the firmware's named constants into its code before it is compiled for a board.

`tables.IN_EXTEND` costs a small board two dictionary look-ups every time, and the control step has over a
hundred of them. MicroPython's compiler folds a constant only within one module, so this is done to the
source: names of whole numbers that a module gets from `tables` or by `from .x import NAME`, and its own
capital names, become the numbers. Nothing else is touched, and line numbers stay.
"""

from __future__ import annotations

import ast
import io
import tokenize
from collections.abc import Mapping
from pathlib import PurePosixPath

Constants = Mapping[str, Mapping[str, int]]


def constants_of(sources: Mapping[str, str]) -> dict[str, dict[str, int]]:
    """Whole numbers bound once, at module level, to capital names; by module path (`package/x.py`)."""
    return {path: _own(ast.parse(text)) for path, text in sources.items() if path.endswith(".py")}


def _own(tree: ast.Module) -> dict[str, int]:
    found: dict[str, int] = {}
    bound: dict[str, int] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            bound[node.id] = bound.get(node.id, 0) + 1
    for statement in tree.body:
        if isinstance(statement, ast.Assign) and len(statement.targets) == 1:
            target = statement.targets[0]
            value = statement.value
            if isinstance(value, ast.Call) and ast.unparse(value.func) == "const" and value.args:
                value = value.args[0]
            if (
                isinstance(target, ast.Name)
                and isinstance(value, ast.Constant)
                and type(value.value) is int
                and target.id.isupper()
                and bound[target.id] == 1
            ):
                found[target.id] = value.value
    return found


def fold(path: str, text: str, constants: Constants) -> str:
    """The source of `path` with constants of other modules and its own folded in.

    Args:
        path: place of the module, `package/folder/module.py`.
        text: its source.
        constants: from `constants_of` over the whole package.
    """
    tree = ast.parse(text)
    modules: dict[str, Mapping[str, int]] = {}
    names: dict[str, int] = dict(constants.get(path, {}))
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom) or node.level == 0:
            continue
        for alias in node.names:
            base = module_of(path, node)
            found = constants.get(f"{base}/{alias.name}.py")
            if found is not None:
                modules[alias.asname or alias.name] = found
            value = constants.get(f"{base}.py", {}).get(alias.name)
            if value is not None:
                names[alias.asname or alias.name] = value
    # a name that is bound anywhere else as well is somebody else's: leave it alone
    for node in ast.walk(tree):
        if isinstance(node, ast.arg):
            names.pop(node.arg, None)
            modules.pop(node.arg, None)
        elif isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Load):
            modules.pop(node.id, None)
            if node.id not in constants.get(path, {}):
                names.pop(node.id, None)
    return _replace(text, _places(tree, modules, names))


def module_of(path: str, node: ast.ImportFrom) -> str:
    """Path, without its ending, of what a relative import in `path` imports from."""
    folder = PurePosixPath(path).parent
    for _ in range(node.level - 1):
        folder = folder.parent
    return str(folder / node.module.replace(".", "/")) if node.module else str(folder)


def _places(
    tree: ast.Module, modules: Mapping[str, Mapping[str, int]], names: Mapping[str, int]
) -> dict[tuple[int, int], tuple[int, int]]:
    """(line, column) -> (end column, value) of every use to replace."""
    places: dict[tuple[int, int], tuple[int, int]] = {}
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Attribute)
            and isinstance(node.ctx, ast.Load)
            and isinstance(node.value, ast.Name)
            and node.attr in modules.get(node.value.id, {})
        ):
            value = modules[node.value.id][node.attr]
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id in names:
            value = names[node.id]
        else:
            continue
        if node.end_lineno == node.lineno and node.end_col_offset is not None:
            places[node.lineno, node.col_offset] = (node.end_col_offset, value)
    return places


def _replace(text: str, places: Mapping[tuple[int, int], tuple[int, int]]) -> str:
    lines = text.splitlines(keepends=True)
    for (line, column), (end, value) in sorted(places.items(), reverse=True):
        raw = lines[line - 1].encode()
        word = str(value) if value >= 0 else f"({value})"
        lines[line - 1] = (raw[:column] + word.encode() + raw[end:]).decode()
    folded = "".join(lines)
    for _ in tokenize.generate_tokens(io.StringIO(folded).readline):
        pass
    return folded
