"""Leave out the names of folded constants: on a board each of the several hundred takes room on the heap.

After folding (steadyram.install.fold), most names of whole numbers are written down but read by nobody. Their
assignments and imports go, and so do tables that only the tests read; line numbers stay. What is asked for by a
name put together at run time, as in `getattr(T, "IN_" + name)`, stays.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping

from steadyram.install.fold import Constants, module_of

# Kinds of steadyram_fw/rows.py: making one does nothing else.
TABLES = ("Words", "Rows", "Verbs")


def prune(texts: Mapping[str, str], constants: Constants, readers: Iterable[str] = ()) -> dict[str, str]:
    """The folded sources without constants and tables that nobody reads.

    Args:
        texts: every module of the package, folded, by path.
        constants: from `constants_of` over the same package.
        readers: sources outside the package; what they read stays.
    """
    trees = {path: ast.parse(text) for path, text in texts.items()}
    slim = {path: _imports(path, texts[path], tree, constants) for path, tree in trees.items()}
    trees = {path: ast.parse(text) for path, text in slim.items()}
    every = [*trees.values(), *map(ast.parse, readers)]
    starts = tuple(asked_for(every))
    read: set[str] = set()
    for tree in every:
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                read.add(node.attr)
            elif isinstance(node, ast.ImportFrom):
                read.update(alias.name for alias in node.names)
    return {
        path: _assignments(slim[path], tree, constants.get(path, {}), read, starts)
        for path, tree in trees.items()
    }


def _imports(path: str, text: str, tree: ast.Module, constants: Constants) -> str:
    """Imports of constants that the module no longer reads go."""
    loads = _loads(tree)
    lines = text.splitlines(keepends=True)
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom) or node.level == 0:
            continue
        known = constants.get(f"{module_of(path, node)}.py", {})
        kept = [a for a in node.names if a.name not in known or (a.asname or a.name) in loads]
        if len(kept) == len(node.names):
            continue
        left = ast.unparse(ast.ImportFrom(node.module, kept, node.level)) if kept else "pass"
        _put(lines, node, left)
    return "".join(lines)


def _assignments(
    text: str, tree: ast.Module, own: Mapping[str, int], read: set[str], starts: tuple[str, ...]
) -> str:
    """Constants and tables of the module that neither itself nor another reads go."""
    loads = _loads(tree) | read
    lines = text.splitlines(keepends=True)
    for node in tree.body:
        if not isinstance(node, ast.Assign) or not isinstance(node.targets[0], ast.Name):
            continue
        name = node.targets[0].id
        if not (name in own or (name.isupper() and _is_table(node.value))):
            continue
        if name not in loads and not (starts and name.startswith(starts)):
            _put(lines, node, "pass")
    return "".join(lines)


def _is_table(value: ast.expr) -> bool:
    """Whether it is made of nothing but literals, so that leaving it out leaves nothing else undone."""
    if isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id in TABLES:
        return all(map(_is_table, value.args)) and not value.keywords
    try:
        ast.literal_eval(value)
    except ValueError:
        return False
    return True


def _put(lines: list[str], node: ast.stmt, text: str) -> None:
    """`text` in the place of a statement that has its lines for itself."""
    first, last = node.lineno - 1, node.end_lineno or node.lineno
    lines[first] = " " * node.col_offset + text + "\n"
    for at in range(first + 1, last):
        lines[at] = "\n"


def _loads(tree: ast.Module) -> set[str]:
    return {n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)}


def asked_for(trees: Iterable[ast.Module]) -> set[str]:
    """Beginnings of names that getattr() is given."""
    found: set[str] = set()
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "getattr":
                name = node.args[1]
                if isinstance(name, ast.BinOp):
                    name = name.left
                if isinstance(name, ast.Constant) and isinstance(name.value, str):
                    found.add(name.value)
    return found
