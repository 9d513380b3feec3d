"""Which functions of the firmware become machine code on a board, and how their sources ask for it.

The sources stay plain Python: CPython has no decorator for it, and MicroPython's WebAssembly build no emitter.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping

from steadyram.errors import SteadyramError

# Every object operation stays a call into the interpreter, without the decoding of bytecode in between: three times
# the size of bytecode for a little time, so only what runs in every millisecond of a stroke.
NATIVE: Mapping[str, tuple[str, ...]] = {
    "core/fixed.py": ("mulq", "force_over", "time_for"),
    "core/controller.py": ("step", "_pedals", "_held", "_advance", "_closing"),
    "core/cutoff.py": ("advance", "_count", "_mark", "_ahead"),
}

# Machine words throughout: whole numbers, and arrays taken by address. Kinds of the arguments; each returns a number.
WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "core/sense.py": {"take": ("ptr32", "int")},
    "core/faults.py": {
        "pressure": ("ptr32", "int", "int"),
        "readings": ("ptr32", "int", "int", "int"),
    },
    "core/trace.py": {"note": ("ptr32", "ptr16", "ptr16", "ptr16")},
}


def machine_code(path: str, text: str, arch: str) -> str:
    """The source of one module with machine code asked for where the tables say so. Line numbers move.

    Args:
        path: place of the module, `steadyram_fw/core/sense.py`.
        text: its source, constants folded or not.
        arch: what it is compiled for, as mpy-cross spells it.

    Raises SteadyramError when the tables name a function that the module does not have, or not with as many arguments.
    """
    name = path.removeprefix("steadyram_fw/")
    plain = NATIVE.get(name, ())
    words = WORDS.get(name, {})
    if not plain and not words:
        return text
    tree = ast.parse(text)
    found = {node.name: node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    missing = sorted({*plain, *words} - set(found))
    if missing:
        raise SteadyramError(
            f"{path} has no function {', '.join(missing)}; the tables NATIVE and WORDS are out of date."
        )
    for function in plain:
        found[function].decorator_list.append(_emitter("native"))
    for function, kinds in words.items():
        _in_words(path, found[function], kinds, arch)
    tree.body.insert(0, ast.Import([ast.alias("micropython")]))
    return ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def _emitter(name: str) -> ast.expr:
    return ast.Attribute(ast.Name("micropython", ast.Load()), name, ast.Load())


def _in_words(path: str, function: ast.FunctionDef, kinds: tuple[str, ...], arch: str) -> None:
    arguments = function.args.args
    if len(arguments) != len(kinds):
        raise SteadyramError(
            f"{path}: {function.name} takes {len(arguments)} arguments, the table WORDS names {len(kinds)}."
        )
    function.decorator_list.append(_emitter("viper"))
    for argument, kind in zip(arguments, kinds, strict=True):
        argument.annotation = ast.Name(kind, ast.Load())
    function.returns = ast.Name("int", ast.Load())
    if arch == "x64":
        cells = {a.arg for a, kind in zip(arguments, kinds, strict=True) if kind == "ptr32"}
        function.body = [_Signed(cells).visit(statement) for statement in function.body]


class _Signed(ast.NodeTransformer):
    """`c[i]` becomes `c[i] << 32 >> 32`: words of 64 bits take a cell of 32 from memory without its sign.

    Only for trying the code on a PC; on a board word and cell have the same size.
    """

    def __init__(self, cells: set[str]) -> None:
        self._cells = cells

    def visit_Subscript(self, node: ast.Subscript) -> ast.expr:
        self.generic_visit(node)
        if not (
            isinstance(node.ctx, ast.Load)
            and isinstance(node.value, ast.Name)
            and node.value.id in self._cells
        ):
            return node
        width = ast.Constant(32)
        return ast.BinOp(ast.BinOp(node, ast.LShift(), width), ast.RShift(), width)
