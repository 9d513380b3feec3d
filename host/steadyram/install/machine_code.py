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
    "app.py": ("tick",),
    "boards/converter.py": ("counts",),
    "boards/place.py": ("tick",),
    "boards/quadrature.py": ("tick",),
    "boards/calls.py": ("step", "read_levels"),
    "boards/registers.py": ("step",),
    "boards/wired.py": ("drive",),
    "core/controller.py": ("step", "_held", "_advance", "_closing"),
    "core/inputs.py": ("follow",),
}

# Machine words throughout: whole numbers, and arrays taken by address. Kinds of the arguments; each returns a number.
WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "boards/registers.py": {
        "begin": ("ptr32", "ptr32"),
        "look": ("ptr32", "ptr32", "ptr16", "ptr8", "ptr32"),
        "sample": ("ptr32", "ptr32"),
        "end": ("ptr32", "ptr32", "ptr32", "int"),
        "feed_fifo": ("ptr32", "int"),
    },
    "core/fixed.py": {
        "mulq": ("int", "int"),
        "clamp": ("int", "int", "int"),
        "force_over": ("int", "int"),
        "time_for": ("int", "int"),
        "isqrt": ("int",),
        "abs_of": ("int",),
    },
    "core/sense.py": {"take": ("ptr32", "int"), "mean_force": ("ptr32",)},
    "core/faults.py": {
        "pressure": ("ptr32", "int", "int"),
        "readings": ("ptr32", "int", "int", "int"),
    },
    "core/follow.py": {"look": ("ptr32", "int", "int", "int")},
    "core/position.py": {"due": ("ptr32", "int", "int")},
    "core/travel.py": {"take": ("ptr32", "ptr32", "ptr32", "int"), "judge": ("ptr32", "int", "int")},
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
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    found = {node.name: node for node in functions}
    missing = sorted({*plain, *words} - set(found))
    if missing:
        raise SteadyramError(
            f"{path} has no function {', '.join(missing)}; the tables NATIVE and WORDS are out of date."
        )
    # Only insertions: the rest must stay letter for letter what the tests ran.
    insertions: list[tuple[int, int, str]] = []
    for node in functions:
        if node.name in plain:
            insertions.append((node.lineno, node.col_offset, f"@micropython.native\n{' ' * node.col_offset}"))
    lines = text.splitlines(keepends=True)
    for function, kinds in words.items():
        insertions += _in_words(path, found[function], kinds, arch)
        line = found[function].body[0].lineno - 1
        while not lines[line - 1].rstrip().endswith(":"):
            line -= 1
        insertions.append((line, len(lines[line - 1].rstrip()) - 1, " -> int"))
    for line, column, words_in in sorted(insertions, reverse=True):
        raw = lines[line - 1].encode()
        lines[line - 1] = (raw[:column] + words_in.encode() + raw[column:]).decode()
    return "import micropython\n" + "".join(lines)


def _in_words(
    path: str, function: ast.FunctionDef, kinds: tuple[str, ...], arch: str
) -> list[tuple[int, int, str]]:
    """What to insert where (line, column) for the machine-word emitter, the kind of the result apart."""
    arguments = function.args.args
    if len(arguments) != len(kinds):
        raise SteadyramError(
            f"{path}: {function.name} takes {len(arguments)} arguments, the table WORDS names {len(kinds)}."
        )
    found = [(function.lineno, function.col_offset, "@micropython.viper\n" + " " * function.col_offset)]
    for argument, kind in zip(arguments, kinds, strict=True):
        found.append((argument.end_lineno or 0, argument.end_col_offset or 0, f": {kind}"))
    if arch == "x64":
        # Words of 64 bits take a cell of 32 from memory without its sign. Only for trying the code on a PC; on a
        # board word and cell have the same size.
        cells = {a.arg for a, kind in zip(arguments, kinds, strict=True) if kind == "ptr32"}
        for node in ast.walk(function):
            if (
                isinstance(node, ast.Subscript)
                and isinstance(node.ctx, ast.Load)
                and isinstance(node.value, ast.Name)
                and node.value.id in cells
            ):
                found.append((node.lineno, node.col_offset, "("))
                found.append((node.end_lineno or 0, node.end_col_offset or 0, " << 32 >> 32)"))
    return found
