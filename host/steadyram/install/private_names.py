"""Find the firmware's names that only one module, or only one class, ever says.

On a board every name is a text on the heap, and beyond 1260 of them the interpreter's next table takes 9 KB at once.
Two names whose scopes do not meet may share one short name, as the parameters of functions do.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator, Mapping

SELF = "self"
Scope = tuple[str, str]  # path of the module and name of the class in it, "" outside of classes


def private_names(trees: Mapping[str, ast.Module], free: frozenset[str]) -> dict[str, list[list[str]]]:
    """Return by module the groups of names that may share: the module's own ones first, then each class's.

    A module's: bound outside of classes, neither imported by another module nor an attribute of anything. A class's:
    a method, or set and read as `self.name` in that class alone, where the class neither has a base nor is one.

    Args:
        trees: every module of the package by path.
        free: names that may be changed at all.
    """
    attributes: dict[str, set[Scope | None]] = defaultdict(set)
    said: set[str] = set()
    imported: set[str] = set()
    related: set[str] = set()
    for path, tree in trees.items():
        for name, scope in _attributes(path, tree, None):
            attributes[name].add(scope)
        for node in ast.walk(tree):
            if isinstance(node, ast.Name):
                said.add(node.id)
            elif isinstance(node, ast.ImportFrom) and node.level:
                imported.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ClassDef) and node.bases:
                related.update((node.name, *(base.id for base in node.bases if isinstance(base, ast.Name))))
    found: dict[str, list[list[str]]] = {}
    for path, tree in trees.items():
        bound = _bound(tree) & free
        found[path] = [sorted(bound - imported - attributes.keys())]
    for (path, kind), names in _of_one_class(attributes).items():
        if kind not in related:
            found[path].append(sorted(name for name in names if name in free and name not in said))
    return found


def _attributes(path: str, node: ast.AST, kind: str | None) -> Iterator[tuple[str, Scope | None]]:
    """Each attribute and method met, with the class that says it of itself; None where it is said of something else."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.ClassDef):
            yield from _attributes(path, child, child.name)
            continue
        if isinstance(child, ast.Attribute):
            own = kind is not None and isinstance(child.value, ast.Name) and child.value.id == SELF
            yield child.attr, (path, kind or "") if own else None
        elif isinstance(child, ast.FunctionDef) and isinstance(node, ast.ClassDef):
            yield child.name, (path, node.name)
        yield from _attributes(path, child, kind)


def _of_one_class(attributes: Mapping[str, set[Scope | None]]) -> dict[Scope, list[str]]:
    found: dict[Scope, list[str]] = defaultdict(list)
    for name, scopes in attributes.items():
        scope = next(iter(scopes))
        if len(scopes) == 1 and scope is not None:
            found[scope].append(name)
    return found


def _bound(tree: ast.AST) -> set[str]:
    """Names bound by a module outside of functions and classes, those that its functions declare global included."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Global):
            found.update(node.names)
    todo = list(ast.iter_child_nodes(tree))
    while todo:
        node = todo.pop()
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            found.add(node.name)
            continue
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found.add(node.id)
        todo.extend(ast.iter_child_nodes(node))
    return found
