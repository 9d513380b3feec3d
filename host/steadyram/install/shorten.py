"""Give the firmware's own names short ones before it is compiled for a board: there each name is a text on the heap.

A function, an attribute, a class or a module's variable has one short name in all modules, so whoever meets under
a name still meets; the parameters of every function share the same few, and so do names that only one module or one
class says (private_names.py). What others know by its name keeps it: what the interpreter has as well (FOREIGN, and
whatever a script from outside reads), what is asked for by a text (`getattr`, `hasattr`), what is passed by keyword,
and modules. Line numbers and names of files stay, so a traceback still says where.
"""

from __future__ import annotations

import ast
import builtins
import itertools
import keyword
import re
import string
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from steadyram.install.private_names import private_names
from steadyram.install.prune import asked_for

# Names of the firmware that objects of the interpreter have, too; a test holds this list against them.
_SHARED = (
    "MARK RAW accept append buffer close crc32 done drive fill flush idle load pins poll prefix quiet raw release send "
    "size step stop tell text title word wrap"
)
FOREIGN = frozenset(_SHARED.split())
_WORD = re.compile(r"[A-Za-z_][A-Za-z_0-9]*")


@dataclass(frozen=True)
class Names:
    """`short`: name by name for all modules. `own`: by module, names that only it, or one class in it, says.
    `kept`: names that no parameter of a function may lose."""

    short: Mapping[str, str]
    own: Mapping[str, Mapping[str, str]]
    kept: frozenset[str]

    def of(self, path: str) -> dict[str, str]:
        """Return a module's names by what they become."""
        return {**self.short, **self.own.get(path, {})}


def names_of(texts: Mapping[str, str], readers: Iterable[str] = ()) -> Names:
    """What may be called otherwise, and how.

    Args:
        texts: every module of the package by path, as it will be compiled.
        readers: sources outside the package; every name in them stays.
    """
    parsed = {path: ast.parse(text) for path, text in texts.items()}
    trees = list(parsed.values())
    met: Counter[str] = Counter()
    own: set[str] = set()
    for tree in trees:
        own |= _module_names(tree) | _attributes(tree)
        for node in ast.walk(tree):
            met.update(_met(node))
    kept = _kept(trees, texts)
    for reader in readers:
        kept.update(_WORD.findall(reader))
    starts = ("__", *asked_for(trees))
    free = frozenset(name for name in own - kept if not name.startswith(starts))
    places = _shared_places(private_names(parsed, free), met)
    used: Counter[str | int] = Counter()
    for of_module in places.values():
        for name, place in of_module.items():
            used[place] += met[name]
    private = {name for of_module in places.values() for name in of_module}
    for name in free - private:
        used[name] = met[name]
    # The most used get the shortest.
    order = sorted(used, key=lambda name: (-used[name], str(name)))
    new = dict(zip(order, _short_names(kept.union(own, met)), strict=False))
    short = {name: new[name] for name in free - private if len(new[name]) < len(name)}
    shared = {path: {name: new[place] for name, place in rows.items()} for path, rows in places.items()}
    return Names(short, shared, frozenset(kept))


def _shared_places(groups: Mapping[str, list[list[str]]], met: Counter[str]) -> dict[str, dict[str, int]]:
    """Number what may share a short name: a module's own names from 0 on, those of each of its classes after them."""
    found: dict[str, dict[str, int]] = {}
    for path, (module, *classes) in groups.items():
        of_module = found[path] = {}
        for start, names in ((0, module), *((len(module), names) for names in classes)):
            # The most used first, so that the same few are the most used everywhere.
            for place, name in enumerate(sorted(names, key=lambda n: (-met[n], n)), start):
                of_module[name] = place
    return found


def shorten(path: str, text: str, names: Names) -> str:
    """Return the source of one module with its names shortened. Line numbers stay.

    Args:
        path: which module it is.
        text: its source, with machine code asked for or not.
        names: from `names_of` over the whole package.
    """
    return _parameters(_replaced(text, _places(text, ast.parse(text), names.of(path))), names.kept)


# ---------------------------------------------------------------- what is called how
def _module_names(tree: ast.Module) -> set[str]:
    """Names that a module binds outside of functions, and what it takes from other modules of the package."""
    found: set[str] = set()
    for node in _outside_functions(tree):
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            found.add(node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found.add(node.id)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.level:
            found.update(alias.asname or alias.name for alias in node.names)
        elif isinstance(node, ast.Global):
            found.update(node.names)
    return found


def _outside_functions(tree: ast.AST) -> Iterator[ast.AST]:
    for node in ast.iter_child_nodes(tree):
        yield node
        if not isinstance(node, (ast.FunctionDef, ast.Lambda)):
            yield from _outside_functions(node)


def _attributes(tree: ast.Module) -> set[str]:
    """Names of methods and of attributes that are set."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            found.update(n.name for n in node.body if isinstance(n, ast.FunctionDef))
        elif isinstance(node, ast.Attribute) and not isinstance(node.ctx, ast.Load):
            found.add(node.attr)
    return found


def _met(node: ast.AST) -> Iterator[str]:
    """The names that stand in a node itself."""
    if isinstance(node, ast.Name):
        yield node.id
    elif isinstance(node, ast.Attribute):
        yield node.attr
    elif isinstance(node, (ast.arg, ast.keyword)) and node.arg:
        yield node.arg
    elif isinstance(node, ast.alias):
        yield from filter(None, (node.name, node.asname))
    elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        yield node.name


def _kept(trees: Iterable[ast.Module], texts: Iterable[str]) -> set[str]:
    """What is known by its name outside, or by its text inside."""
    kept = set(FOREIGN) | set(dir(builtins))
    for path in texts:
        kept.update(_WORD.findall(path))
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                kept.add(node.value)
            elif isinstance(node, ast.keyword) and node.arg:
                kept.add(node.arg)
            elif isinstance(node, ast.ExceptHandler) and node.name:
                kept.add(node.name)
            elif isinstance(node, ast.Import):
                for alias in node.names:
                    kept.update((alias.asname or alias.name).split("."))
            elif isinstance(node, ast.ImportFrom) and not node.level:
                kept.update(alias.asname or alias.name for alias in node.names)
    return kept


def _short_names(taken: Iterable[str]) -> Iterator[str]:
    others = set(taken) | set(keyword.kwlist)
    for length in itertools.count(1):
        for letters in itertools.product(string.ascii_letters, repeat=length):
            # The first letter changes fastest: in the interpreter's hash it counts 33 times the last one, so that names
            # that follow each other lie apart in its tables (side by side, they cost the step 4 % in look-ups).
            name = "".join(reversed(letters))
            if name not in others:
                yield name


# ---------------------------------------------------------------- putting them in
Places = dict[tuple[int, int], tuple[str, str]]  # (line, column in bytes) -> (name there, name to put)


def _places(text: str, tree: ast.Module, names: Mapping[str, str]) -> Places:
    """Everywhere that a name with a shorter one stands."""
    bound = _module_names(tree)
    lines = text.splitlines()
    found: Places = {}

    def put(line: int, column: int, name: str) -> None:
        if name in names:
            found[line, column] = (name, names[name])

    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            put(node.end_lineno or 0, (node.end_col_offset or 0) - len(node.attr), node.attr)
        elif isinstance(node, ast.Name) and node.id in bound:
            put(node.lineno, node.col_offset, node.id)
        elif isinstance(node, ast.arg) and node.arg in bound:
            put(node.lineno, node.col_offset, node.arg)
        elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            word = "def " if isinstance(node, ast.FunctionDef) else "class "
            put(node.lineno, node.col_offset + len(word), node.name)
        elif isinstance(node, ast.ImportFrom) and node.level:
            for alias in node.names:
                put(alias.lineno, alias.col_offset, alias.name)
                if alias.asname:
                    end = alias.end_col_offset or 0
                    put(alias.end_lineno or 0, end - len(alias.asname), alias.asname)
        elif isinstance(node, ast.Global):
            for match in _WORD.finditer(lines[node.lineno - 1]):
                if match[0] in node.names:
                    put(node.lineno, match.start(), match[0])
    return found


def _parameters(text: str, kept: frozenset[str]) -> str:
    """The same few names for the parameters of every function."""
    found: Places = {}
    for function in _outside_functions(ast.parse(text)):
        if not isinstance(function, ast.FunctionDef):
            continue
        inside = list(ast.walk(function))
        own = [a.arg for a in function.args.args if a.arg not in kept and a.arg != "self"]
        short = _short_names(name for node in inside for name in _met(node))
        names = {name: new for name, new in zip(own, short, strict=False) if len(new) < len(name)}
        for node in inside:
            name = node.id if isinstance(node, ast.Name) else node.arg if isinstance(node, ast.arg) else ""
            if name in names and isinstance(node, (ast.Name, ast.arg)):
                found[node.lineno, node.col_offset] = (name, names[name])
    return _replaced(text, found)


def _replaced(text: str, places: Places) -> str:
    lines = text.splitlines(keepends=True)
    for (line, column), (name, new) in sorted(places.items(), reverse=True):
        raw = lines[line - 1].encode()
        end = column + len(name)
        assert raw[column:end].decode() == name, (line, column, name)
        lines[line - 1] = (raw[:column] + new.encode() + raw[end:]).decode()
    return "".join(lines)
