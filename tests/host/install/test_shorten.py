"""Short names for a board: nothing but names changes, whoever met still meets, nobody else is met."""

import ast
from collections.abc import Iterator

import pytest
from tests.micropython import runtimes

from steadyram.install.fold import constants_of
from steadyram.install.package import firmware_sources, loader_source, sources_for
from steadyram.install.shorten import FOREIGN, Names, names_of, shorten


@pytest.fixture(scope="module")
def slim() -> dict[str, str]:
    """The firmware with every name."""
    texts = firmware_sources()
    return sources_for(None, texts, constants_of(texts), None)


@pytest.fixture(scope="module")
def names(slim: dict[str, str]) -> Names:
    return names_of(slim, [loader_source().decode()])


def words(node: ast.AST) -> Iterator[tuple[str, str]]:
    """(kind, name) of what a node is called or calls: "own" where it may be a local name, else "met"."""
    if isinstance(node, ast.Name):
        yield "own", node.id
    elif isinstance(node, ast.arg):
        yield "own", node.arg
    elif isinstance(node, ast.Attribute):
        yield "met", node.attr
    elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        yield "met", node.name
    elif isinstance(node, ast.alias):
        yield "met", node.name
        yield "own", node.asname or node.name
    elif isinstance(node, ast.keyword):
        yield "met", node.arg or ""
    elif isinstance(node, ast.Global):
        for name in node.names:
            yield "own", name


def bare(tree: ast.Module) -> str:
    """A tree without any name."""
    for node in ast.walk(tree):
        for field in ("id", "arg", "attr", "name", "asname"):
            if hasattr(node, field) and not isinstance(node, ast.ExceptHandler):
                setattr(node, field, "")
        if isinstance(node, ast.Global):
            node.names = []
    return ast.dump(tree)


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef]:
    """Those that are in no other function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef):
            yield node
        else:
            yield from functions(node)


def test_only_names_change_and_each_for_another_one(slim: dict[str, str], names: Names) -> None:
    there: dict[str, str] = {}
    for path, text in slim.items():
        before, after = ast.parse(text), ast.parse(shorten(path, text, names))
        assert text.count("\n") == shorten(path, text, names).count("\n")
        for old, new in zip(ast.walk(before), ast.walk(after), strict=True):
            for (kind, was), (_, now) in zip(words(old), words(new), strict=True):
                if kind == "met":
                    assert now == names.of(path).get(was, was)
                    if was not in names.own[path]:
                        # what others meet: one new name for one old one in the whole firmware
                        assert there.setdefault(was, now) == now, (path, was)
        for old_f, new_f in zip(functions(before), functions(after), strict=True):
            here: dict[str, str] = {}
            free = set()
            for old, new in zip(ast.walk(old_f), ast.walk(new_f), strict=True):
                for (kind, was), (_, now) in zip(words(old), words(new), strict=True):
                    if kind == "own":
                        assert here.setdefault(was, now) == now, (path, old_f.name, was)
                        free.add(was)
            assert len(set(here.values())) == len(here), (path, old_f.name)
            for name in free - {a.arg for a in old_f.args.args}:
                # a local name, or one of the module: of those the module knows the new one
                assert here[name] in (name, names.of(path).get(name)), (path, old_f.name, name)
        assert bare(before) == bare(after), path
    assert len(set(there.values())) == len(there)
    assert len(names.short) > 300


def test_names_that_share_a_short_one_do_not_meet(slim: dict[str, str], names: Names) -> None:
    """A shared short name is nothing else's, and on one object or in one module it stands for one name."""
    trees = {path: ast.parse(text) for path, text in slim.items()}
    every = {name for tree in trees.values() for node in ast.walk(tree) for _, name in words(node)}
    shared = {new for rows in names.own.values() for new in rows.values()}
    assert sum(map(len, names.own.values())) > 3 * len(shared)
    assert shared & (set(names.short.values()) | names.kept | every) == set()
    for path, rows in names.own.items():
        for other, tree in trees.items():
            kinds = {n.name: own_words(n) for n in ast.walk(tree) if isinstance(n, ast.ClassDef)}
            if other != path:
                met = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
                met |= {a.name for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) for a in n.names}
                assert met & set(rows) == set(), (path, other)
            else:
                module = {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)} & set(rows)
                for kind, own in kinds.items():
                    together = sorted((own & set(rows)) | module)
                    assert len({rows[name] for name in together}) == len(together), (path, kind)


def own_words(kind: ast.ClassDef) -> set[str]:
    """Attributes and methods that a class says of itself or of anything else."""
    met = {n.attr for n in ast.walk(kind) if isinstance(n, ast.Attribute)}
    return met | {n.name for n in kind.body if isinstance(n, ast.FunctionDef)}


def test_what_two_scopes_say_is_not_shared() -> None:
    texts = {
        "p/a.py": (
            "def _helper():\n    return 1\n\n\ndef told():\n    return 2\n\n\n"
            "class First:\n    def __init__(self):\n"
            "        self.count_one = _helper()\n        self.shown_to_all = 2\n\n"
            "    def _inner(self):\n        return self.count_one\n\n\n"
            "class Base:\n    def __init__(self):\n        self.of_base = 1\n"
        ),
        "p/b.py": (
            "from .a import Base, told\n\n\ndef _another(first):\n    return first.shown_to_all\n\n\n"
            "class Second(Base):\n    def __init__(self):\n        self.of_second = 1\n\n\n"
            "class Third:\n    def __init__(self):\n        self.count_three = told() + _another(self)\n"
        ),
    }
    names = names_of(texts)
    assert {path: set(rows) for path, rows in names.own.items()} == {
        "p/a.py": {"_helper", "First", "count_one", "_inner"},
        "p/b.py": {"_another", "Second", "Third", "count_three"},
    }
    assert {"told", "shown_to_all", "Base", "of_base", "of_second"} == set(names.short)
    first, second = names.own["p/a.py"], names.own["p/b.py"]
    assert len(set(first.values())) == 4
    assert len(set(second.values())) == 4
    assert set(first.values()) == set(second.values())


def test_module_names_are_found_again_by_their_new_names(slim: dict[str, str], names: Names) -> None:
    """Every name that a function takes from its module is one that the module binds, before and after alike."""
    for path, text in slim.items():
        for version in (text, shorten(path, text, names)):
            tree = ast.parse(version)
            bound = {name for node in ast.walk(tree) for name in stored(node)}
            loaded = {n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)}
            loose = loaded - bound
            if version is text:
                known = loose
            assert loose == known, path


def stored(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Load):
        yield node.id
    elif isinstance(node, ast.arg):
        yield node.arg
    elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        yield node.name
    elif isinstance(node, ast.alias):
        yield (node.asname or node.name).split(".")[0]
    elif isinstance(node, ast.ExceptHandler) and node.name:
        yield node.name


def test_no_name_of_the_interpreter_is_changed(names: Names) -> None:
    """A name of ours that an object of the interpreter has as well belongs into FOREIGN."""
    known = set(in_stubs()) | set(in_micropython())
    assert {"readinto", "fill_rect", "ticks_us", "upper", "rx_fifo"} <= known
    ours = {name for name in names.short if not name.startswith("_")}
    assert ours & known == set(), "put them into steadyram.install.shorten.FOREIGN"
    assert {"append", "close", "flush", "poll"} <= FOREIGN


def in_stubs() -> Iterator[str]:
    """Names in the stubs of the boards' interpreters."""
    files = [
        file
        for folder in (runtimes.ROOT / ".ci").glob("typings*")
        for file in folder.rglob("*.pyi")
        if "asyncio" not in file.parts and "uasyncio" not in file.stem
    ]
    if not files:
        runtimes.missing("The stubs of the boards are not installed (.ci/run).")
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                yield node.name
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                yield node.target.id


def in_micropython() -> list[str]:
    """What its modules and objects say that they have."""
    script = (
        "import array, binascii, builtins, framebuf, gc, io, os, select, struct, sys, time\n"
        "picture = framebuf.FrameBuffer(bytearray(8), 8, 8, framebuf.MONO_VLSB)\n"
        "for thing in (array, binascii, builtins, framebuf, gc, io, os, select, struct, sys, time, picture, '', b'',\n"
        " [], (), {}, {1}, 1, bytearray(1), memoryview(b''), array.array('i'), select.poll(), sys.stdin,\n"
        " sys.stdin.buffer, (i for i in ()), OSError(1)):\n"
        "    print(' '.join(dir(thing)))\n"
    )
    return " ".join(runtimes.run([str(runtimes.micropython()), "-c", script])).split()


def test_what_others_call_by_its_name_keeps_it() -> None:
    texts = {
        "p/m.py": (
            "from . import other_one\nfrom .other_one import Thing, look_up\n\nboard_name = 1\n\n\n"
            "class Long(Thing):\n    _kind = 2\n\n    def _push_menu(self):\n        return self._kind\n\n"
            "    def push(self, page_name):\n        getattr(self, '_push_' + page_name)(named_one=board_name)\n"
            "        return look_up(self.asked_for, lambda: page_name) + other_one.look_up(1, 2)\n"
        ),
        "p/other_one.py": (
            "class Thing:\n    def __init__(self, named_one, outside_one=0):\n        self.asked_for = named_one\n"
            "        self.by_text = hasattr(self, 'by_text')\n\n\n"
            "def look_up(what_for, where_to):\n    global board_name\n    board_name = what_for\n    return where_to\n"
        ),
    }
    names = names_of(texts, ["thing = outside_one\nThing(outside_one=2)\n"])
    assert set(names.short) == {"_kind", "push", "asked_for", "look_up"}
    assert set(names.own["p/m.py"]) == {"Long", "board_name"}
    assert set(names.own["p/other_one.py"]) == {"board_name"}
    short = names.of("p/m.py")
    assert shorten("p/m.py", texts["p/m.py"], names) == (
        f"from . import other_one\nfrom .other_one import Thing, {short['look_up']}\n\n{short['board_name']} = 1\n\n\n"
        f"class {short['Long']}(Thing):\n    {short['_kind']} = 2\n\n    def _push_menu(self):\n"
        f"        return self.{short['_kind']}\n\n"
        f"    def {short['push']}(self, {parameter(names, texts['p/m.py'])}):\n"
        f"        getattr(self, '_push_' + {parameter(names, texts['p/m.py'])})(named_one={short['board_name']})\n"
        f"        return {short['look_up']}(self.{short['asked_for']}, lambda: {parameter(names, texts['p/m.py'])})"
        f" + other_one.{short['look_up']}(1, 2)\n"
    )
    other = shorten("p/other_one.py", texts["p/other_one.py"], names)
    assert "named_one, outside_one=0" in other
    assert "hasattr(self, 'by_text')" in other
    assert f"    global {names.own['p/other_one.py']['board_name']}\n" in other


def parameter(names: Names, text: str) -> str:
    tree = ast.parse(shorten("p/m.py", text, names))
    return next(f.args.args[1].arg for f in functions(tree) if len(f.args.args) == 2)
