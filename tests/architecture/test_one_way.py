"""Dependencies point one way, and the control core is what it says: pure, integer, on its own."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware" / "steadyram_fw"
HOST = ROOT / "host" / "steadyram"
CORE_FILES = sorted((FIRMWARE / "core").glob("*.py"))

# Rooms of the firmware from the inside out; a module may import from its own room and those before it.
FIRMWARE_ROOMS = ["rows", "tables", "version", "core", "services", "panel", "app", "boards"]
# Modules that both MicroPython on the smallest board and CPython have, for what must run on both.
SHARED_LIBRARY = {"array", "binascii", "gc", "os", "struct", "sys", "time", "micropython"}
# Only the panel draws.
DRAWING = {"panel": {"framebuf"}}
NOT_IN_THE_CORE = {"float", "round", "pow", "divmod", "open", "print", "input", "exec", "eval"}
# Rooms of the host likewise; those in one row do not import each other.
HOST_ROOMS = [
    {"__init__", "errors"},
    {"units", "plain_file", "toml_text", "late"},
    {"config", "quantity_field"},
    {"link", "press"},
    {"device", "metrology", "jobs", "nameplate", "settings_file"},
    {"cycles", "commission", "install"},
    {"report", "bending"},
    {"page"},
    {"virtual"},
    {"cli"},
    {"__main__"},
]


def package_of(file: Path, root: Path) -> list[str]:
    """Dotted parts of the package that holds a file, the root package first."""
    return [root.name, *file.relative_to(root).parts[:-1]]


def imports(file: Path, root: Path, *, at_run_time: bool = True) -> Iterator[tuple[str, int]]:
    """(absolute module name, line) of every import, those inside functions included.

    at_run_time: leave out what is imported for type checkers only.
    """
    tree = ast.parse(file.read_text(encoding="utf-8"))
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        typing_only = isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        if at_run_time and typing_only:
            skipped.update(each for line in node.body for each in ast.walk(line))
    package = package_of(file, root)
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                base = package[: len(package) - node.level + 1]
                module = ".".join([*base, *([node.module] if node.module else [])])
            else:
                module = node.module or ""
            if (module.count(".") == 0 and module == root.name) or node.module is None:
                for alias in node.names:
                    yield f"{module}.{alias.name}", node.lineno
            else:
                yield module, node.lineno


def room(module: str) -> str:
    """First part below the package: its room."""
    return module.split(".")[1] if "." in module else "__init__"


def files_of(root: Path) -> list[Path]:
    return sorted(file for file in root.rglob("*.py") if "__pycache__" not in file.parts)


def name(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


# ---------------------------------------------------------------------- the control core
@pytest.mark.parametrize("file", CORE_FILES, ids=name)
def test_core_imports_only_itself_and_the_tables(file: Path) -> None:
    allowed = {"array"}
    strange = [
        f"{file.name}:{line} {module}"
        for module, line in imports(file, FIRMWARE)
        if module not in allowed and room(module) not in ("core", "tables")
    ]
    assert strange == []


@pytest.mark.parametrize("file", CORE_FILES, ids=name)
def test_core_computes_with_integers_and_does_no_io(file: Path) -> None:
    wrong = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        line = getattr(node, "lineno", 0)
        if isinstance(node, ast.Constant) and isinstance(node.value, float | complex):
            wrong.append(f"{file.name}:{line} the number {node.value}")
        elif isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div | ast.Pow):
            wrong.append(f"{file.name}:{line} {ast.unparse(node)}")
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in NOT_IN_THE_CORE:
            wrong.append(f"{file.name}:{line} a call of {ast.unparse(node.func)}")
    assert wrong == []


def allocating(node: ast.AST) -> str | None:
    """What in a function's body makes an object on MicroPython's heap, as far as syntax tells."""
    match node:
        case (
            ast.List()
            | ast.Dict()
            | ast.Set()
            | ast.ListComp()
            | ast.DictComp()
            | ast.SetComp()
            | ast.GeneratorExp()
        ):
            return "a container"
        case ast.JoinedStr() | ast.Lambda() | ast.FunctionDef() | ast.Starred():
            return "a closure, a text or unpacked arguments"
        case ast.Subscript(slice=ast.Slice()):
            return "a slice"
        case ast.Tuple(ctx=ast.Load(), elts=elements) if not all(
            isinstance(e, ast.Constant) for e in elements
        ):
            return "a tuple"
    return None


def test_the_control_step_has_no_allocating_syntax() -> None:
    """Everything that `step` can reach by name. The proof proper is the locked heap; this one names the line."""
    functions: dict[str, list[tuple[Path, ast.FunctionDef]]] = {}
    for file in CORE_FILES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                functions.setdefault(node.name, []).append((file, node))
    reached, todo = {"step"}, ["step"]
    wrong = []
    while todo:
        for file, function in functions[todo.pop()]:
            for statement in function.body:
                for node in ast.walk(statement):
                    if (what := allocating(node)) is not None:
                        wrong.append(f"{file.name}:{node.lineno} in {function.name}: {what}")  # type: ignore[attr-defined]
                    called = getattr(node, "attr", getattr(node, "id", None))
                    if called in functions and called not in reached:
                        reached.add(called)
                        todo.append(called)
    assert {"sample", "due", "near", "judge", "learn", "decide"} <= reached
    assert wrong == []


# ---------------------------------------------------------------------- who may know whom
@pytest.mark.parametrize("file", files_of(FIRMWARE), ids=name)
def test_firmware_points_inwards(file: Path) -> None:
    own = file.relative_to(FIRMWARE).parts[0].removesuffix(".py")
    if own == "__init__":
        assert list(imports(file, FIRMWARE)) == []
        return
    wrong = []
    for module, line in imports(file, FIRMWARE):
        top = module.split(".")[0]
        if top == "steadyram_fw":
            if FIRMWARE_ROOMS.index(room(module)) > FIRMWARE_ROOMS.index(own):
                wrong.append(f"{name(file)}:{line} {module}")
        elif own not in ("boards",) and top not in SHARED_LIBRARY | DRAWING.get(own, set()):
            wrong.append(f"{name(file)}:{line} {module}")
    assert wrong == []


@pytest.mark.parametrize("file", files_of(HOST), ids=name)
def test_host_points_inwards(file: Path) -> None:
    ranks = {each: rank for rank, row in enumerate(HOST_ROOMS) for each in row}
    own = file.relative_to(HOST).parts[0].removesuffix(".py")
    assert own in ranks, f"{own} has no place in the order of rooms"
    wrong = []
    for module, line in imports(file, HOST):
        if module.split(".")[0] != "steadyram" or room(module) == own:
            continue
        target = room(module)
        if target not in ranks:
            # a name of the package itself, such as its version
            target = "__init__"
        if ranks[target] >= ranks[own]:
            wrong.append(f"{name(file)}:{line} {module}")
    assert wrong == []


# Putting firmware on a board and looking at its ports happens before there is a link: they only list the ports.
LISTS_PORTS = {"host/steadyram/cli/install.py", "host/steadyram/install/doctor.py"}


def test_only_the_transport_opens_serial_ports() -> None:
    users = {
        name(file)
        for file in files_of(HOST)
        for module, _ in imports(file, HOST)
        if module.split(".")[0] == "serial"
    }
    assert users - LISTS_PORTS == {"host/steadyram/link/transport.py"}
    for file in LISTS_PORTS:
        taken = {module for module, _ in imports(ROOT / file, HOST) if module.split(".")[0] == "serial"}
        assert taken <= {"serial.tools", "serial.tools.list_ports"}, file


def test_pint_is_used_in_one_place() -> None:
    users = {
        name(file)
        for file in files_of(HOST)
        for module, _ in imports(file, HOST)
        if module.split(".")[0] == "pint"
    }
    assert users == {"host/steadyram/units.py"}


def test_the_host_knows_of_the_firmware_only_its_tables() -> None:
    """The virtual press runs the firmware; all others know the protocol's numbers and nothing behind them."""
    wrong = [
        f"{name(file)}:{line} {module}"
        for file in files_of(HOST)
        for module, line in imports(file, HOST)
        if module.startswith("steadyram_fw.")
        and not module.startswith("steadyram_fw.tables")
        and not name(file).startswith("host/steadyram/virtual/")
    ]
    assert wrong == []


def circles(root: Path) -> list[list[str]]:
    """Return the sets of modules that import each other in a circle, for type checkers and inside functions, too."""
    files = {
        ".".join([*package_of(file, root), *([] if file.stem == "__init__" else [file.stem])]): file
        for file in files_of(root)
    }
    known = {
        module: {
            full if (full := f"{target}.{name}") in files else target
            for target, name in imported_names(file, root)
            if (f"{target}.{name}" in files or target in files)
        }
        - {module}
        for module, file in files.items()
    }
    reached: dict[str, set[str]] = {}
    for module in known:
        seen, todo = set(), list(known[module])
        while todo:
            each = todo.pop()
            if each not in seen:
                seen.add(each)
                todo.extend(known[each])
        reached[module] = seen
    found = {
        tuple(sorted(other for other in reached[module] if module in reached[other]))
        for module in known
        if module in reached[module]
    }
    return [list(each) for each in sorted(found)]


def imported_names(file: Path, root: Path) -> Iterator[tuple[str, str]]:
    """(module, name) of every import of a file; the name is empty for `import module`."""
    package = package_of(file, root)
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield from ((module, alias.name) for alias in node.names)


@pytest.mark.parametrize("root", [HOST, FIRMWARE], ids=["host", "firmware"])
def test_no_modules_import_each_other_in_a_circle(root: Path) -> None:
    assert circles(root) == []


def test_a_circle_is_found(tmp_path: Path) -> None:
    root = tmp_path / "house"
    (root / "room").mkdir(parents=True)
    (root / "__init__.py").write_text("")
    (root / "a.py").write_text("def f():\n    from house.room import b\n")
    (root / "room" / "__init__.py").write_text("")
    (root / "room" / "b.py").write_text("from ..c import x\n")
    (root / "c.py").write_text("if TYPE_CHECKING:\n    from house.a import f\n")
    assert circles(root) == [["house.a", "house.c", "house.room.b"]]
