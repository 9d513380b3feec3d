"""Installing on real MicroPython behind a pseudo-terminal, with the real mpremote, the plug pulled anywhere."""

import shutil
import textwrap

import pytest

from steadyram.errors import BadInput, PortLost, SteadyramError
from steadyram.install.board import BoardRepl
from steadyram.install.fold import constants_of, fold
from steadyram.install.install import OLDEST_MICROPYTHON, POINTER, check_interpreter, install
from steadyram.install.machine_code import machine_code
from steadyram.install.package import build, firmware_sources
from steadyram.install.prune import prune

APP = """
import sys


class App:
    def __init__(self, board):
        self.board = board
"""
BOARDS = """
from ..version import VERSION


class Board:
    def run(self, app, healthy):
        print("runs " + VERSION)
        {more}
        import main
        if main.HEALTHY:
            healthy()
        raise SystemExit


def this_board():
    return Board()
"""


def tiny(version, more="pass"):
    """A firmware of a few files that says which version it is and, if wanted, fails."""
    return build(
        None,
        {
            "steadyram_fw/__init__.py": "",
            "steadyram_fw/version.py": f'VERSION = "{version}"\n',
            "steadyram_fw/app.py": APP,
            "steadyram_fw/boards/__init__.py": BOARDS.format(more=more),
        },
    )


def put(board, package, **options):
    with BoardRepl(board.plug_in()) as repl:
        done = install(repl, package, **options)
    board.kill()
    return done


def test_first_installation_runs_and_proves_itself(board):
    done = put(board, tiny("1.0"))
    assert (done.before, done.already) == ("-", False)
    assert board.power_up() == "runs 1.0"
    assert board.run(f"print(open('{POINTER}').read())")[0] == f"{done.folder} good -"


def test_again_is_nothing_to_do(board):
    put(board, tiny("1.0"))
    done = put(board, tiny("1.0"))
    assert (done.already, done.written) == (True, 0)


def test_settings_and_records_are_kept(board):
    put(board, tiny("1.0"))
    board.run("f = open('settings.a', 'w')\nf.write('mine')\nf.close()\nos.mkdir('cycles')")
    put(board, tiny("2.0"))
    assert board.run("print(open('settings.a').read(), 'cycles' in os.listdir('.'))")[0] == "mine True"


def test_only_one_version_before_is_kept(board):
    for version in ("1.0", "2.0", "3.0"):
        done = put(board, tiny(version))
        assert board.power_up() == f"runs {version}"
    folders = board.run("print(sorted(x for x in os.listdir('.') if x.startswith('sr-')))")[0]
    assert folders.count("sr-") == 2
    assert done.before.startswith("sr-2.0")


class PulledPlug(Exception):
    pass


class Puller:
    """An mpremote transport that has the plug pulled before the n-th thing that the board is told."""

    def __init__(self, board, at):
        from mpremote.transport_serial import SerialTransport

        puller = self
        puller.count = 0

        class Transport(SerialTransport):
            def exec_raw_no_follow(self, command):
                puller.count += 1
                if puller.count == at:
                    # the first half of it still arrives
                    self.use_raw_paste = False
                    raw = command.encode() if isinstance(command, str) else command
                    self.serial.write(raw[: len(raw) // 2])
                    board.kill()
                    raise OSError("the plug was pulled")
                return super().exec_raw_no_follow(command)

        self.transport = Transport(board.plug_in())


def pulled(board, package, at):
    """Install with the plug pulled at the n-th step; True when it came to that."""
    puller = Puller(board, at)
    try:
        with BoardRepl("pty", puller.transport) as repl:
            install(repl, package)
    except (PortLost, SteadyramError, OSError):
        return True
    finally:
        board.kill()
    return False


@pytest.mark.parametrize("part", range(4))
def test_plug_pulled_at_every_step_leaves_the_old_version_or_the_new(board, tmp_path, part):
    """Steps are dealt to four tests, so that they run side by side."""
    put(board, tiny("1.0"))
    assert board.power_up() == "runs 1.0"
    before = tmp_path / "before.img"
    shutil.copy(board.image, before)
    package = tiny("2.0")
    seen = {"runs 1.0": 0, "runs 2.0": 0}
    at = part + 1
    while True:
        shutil.copy(before, board.image)
        interrupted = pulled(board, package, at)
        first = board.power_up()
        assert first in seen, f"pulled at step {at}: {first}"
        assert board.power_up() == first
        seen[first] += 1
        if not interrupted:
            break
        if at % 8 == 1:
            put(board, package)
            assert board.power_up() == "runs 2.0", f"installing again after step {at}"
        at += 4
    assert seen["runs 1.0"] >= 4
    assert seen["runs 2.0"] >= 1
    assert first == "runs 2.0"


def test_version_that_does_not_come_up_is_left_for_the_one_before(board):
    put(board, tiny("1.0"))
    board.power_up()
    put(board, tiny("2.0", "raise ValueError('bad')"))
    assert "bad" in "\n".join(
        board.run(
            "import main\nmain.keyboard = main.watchdog = lambda on: None\nmain.HEALTHY = False\n"
            "print(main.start('/flash/', main.choose('/flash/')))"
        )
    )
    assert board.power_up() == "runs 1.0"
    assert board.power_up() == "runs 1.0"
    assert "bad" in "\n".join(board.run("print(open('steadyram.why').read())"))


def test_update_that_was_left_is_named_until_another_one_is_tried(board):
    put(board, tiny("1.0"))
    board.power_up()
    bad = put(board, tiny("2.0", "raise ValueError('bad')"))
    board.power_up()
    assert board.power_up() == "runs 1.0"
    assert board.run("import main\nprint(main.read_left('/flash/'))") == [bad.folder]
    put(board, tiny("3.0"))
    assert board.power_up() == "runs 3.0"
    assert board.run("import main\nprint(repr(main.read_left('/flash/')))") == ["''"]


@pytest.mark.parametrize("proved", [False, True])
def test_version_that_ends_at_its_start_with_none_before_it_is_left_at_the_prompt_once(board, proved):
    put(board, tiny("1.0", "raise ValueError('bad')"))
    if proved:
        board.run("import main\nmain.write_now('/flash/', main.read_now('/flash/')[0], 'good', '-')")
    assert [board.power_up() for _ in range(3)] == ["runs 1.0", "stays", "runs 1.0"]
    assert "bad" in "\n".join(board.run("print(open('steadyram.why').read())"))


def test_loader_and_installer_ask_for_the_same_micropython(board):
    put(board, tiny("1.0"))
    assert board.run("import main\nprint(main.OLDEST)")[0] == str(OLDEST_MICROPYTHON[:2])


def test_loader_says_in_a_sentence_that_the_interpreter_is_too_old(board):
    put(board, tiny("1.0"))
    code = "import main\nmain.OLDEST = (9, 9)\nmain.main('/flash/')\nprint(open('{0}').read())"
    said, pointer = board.run(code.format(POINTER))[:2]
    assert said.startswith("steadyram needs MicroPython 9.9 or newer, and this board has")
    assert " new " in pointer, "nothing is noted as tried"


def test_version_that_hangs_until_the_watchdog_is_left_for_the_one_before(board):
    put(board, tiny("1.0"))
    board.power_up()
    put(board, tiny("2.0", "raise SystemExit"))
    assert board.power_up() == "runs 2.0", "started, then the watchdog bites before it proves itself"
    assert board.power_up() == "runs 1.0"


def test_proven_version_that_dies_later_is_started_again(board):
    put(board, tiny("1.0"))
    board.power_up()
    put(board, tiny("2.0"))
    assert board.power_up() == "runs 2.0"
    assert board.power_up() == "runs 2.0"


def test_maintenance_mark_stays_at_the_prompt_once(board):
    put(board, tiny("1.0"))
    board.run("open('steadyram.stay', 'w').write('1')")
    assert board.power_up() == "stays"
    assert board.power_up() == "runs 1.0"


def test_foreign_main_is_not_replaced_unless_told(board):
    board.run("open('main.py', 'w').write('print(1)')")
    with pytest.raises(BadInput, match="not steadyram's"):
        put(board, tiny("1.0"))
    board.kill()
    assert board.run("print(os.listdir('.'))")[0] == "['main.py']", "nothing was written"
    put(board, tiny("1.0"), force=True)
    assert board.power_up() == "runs 1.0"


def test_too_little_room_is_told_before_anything_is_written(tmp_path, board):
    board.blocks = 16
    board.image.write_bytes(b"\xff" * 4096 * board.blocks)
    with pytest.raises(BadInput, match=r"KiB free and needs"):
        put(board, tiny("1.0"))


def test_whole_firmware_installs_and_imports(board):
    script = """
        from steadyram_fw.core.controller import Controller
        from steadyram_fw import tables as T
        import steadyram_fw.app, steadyram_fw.boards.pico, steadyram_fw.boards.esp32
        core = Controller()
        for _ in range(500):
            core.step(6554, T.IN_ESTOP_OK | T.IN_TOP | T.IN_CUTOFF)
        print(T.STATE_NAMES[core.state])
        """
    with BoardRepl(board.plug_in()) as repl:
        arch = repl.interpreter().arch
        package = build(arch, readers=[textwrap.dedent(script)])
        done = install(repl, package)
    board.kill()
    assert arch == "x64"
    assert done.written == len(package.files) + 1
    rows = board.run(f'\n        import sys\n        sys.path.insert(0, "/flash/{done.folder}"){script}')
    assert rows == ["ready"]


@pytest.mark.parametrize("arch", [None, "armv6m", "armv7emsp", "xtensawin"])
def test_firmware_compiles_for_every_kind_of_board(arch):
    package = build(arch)
    assert len(package.files) == len(firmware_sources())
    assert all(data[:2] == b"M\x06" for data in package.files.values())


def test_native_refuses_a_function_that_is_not_there():
    with pytest.raises(SteadyramError, match="out of date"):
        machine_code("steadyram_fw/core/trace.py", "def other():\n    pass\n", "armv6m")
    with pytest.raises(SteadyramError, match="takes 1 arguments"):
        machine_code("steadyram_fw/core/trace.py", "def note(c):\n    pass\n", "armv6m")


def test_cells_are_signed_on_a_pc_and_left_alone_on_a_board():
    source = "def note(c, a, b, d):\n    c[1] += c[0]\n    return c[1]\n"
    assert "return (c[1] << 32 >> 32)" in machine_code("steadyram_fw/core/trace.py", source, "x64")
    board = machine_code("steadyram_fw/core/trace.py", source, "armv6m")
    assert board == (
        "import micropython\n@micropython.viper\ndef note(c: ptr32, a: ptr16, b: ptr16, d: ptr16) -> int:\n"
        "    c[1] += c[0]\n    return c[1]\n"
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": "circuitpython"}, "not MicroPython"),
        ({"version": (1, 25, 0)}, "1.26 or newer"),
        ({"mpy": 5}, "compiled files of version 5"),
    ],
)
def test_unsuitable_interpreter_is_told_in_a_sentence(change, words):
    from steadyram.install.board import Interpreter

    known = {
        "name": "micropython",
        "version": (1, 26, 1),
        "mpy": 6,
        "machine": "x",
        "root": "/",
        "free_flash": 1,
        "whole_flash": 1,
        "free_heap": 1,
    }
    check_interpreter(Interpreter(**known))
    with pytest.raises(BadInput, match=words):
        check_interpreter(Interpreter(**{**known, **change}))


def test_constants_that_nobody_reads_are_left_out_and_lines_stay():
    sources = {
        "p/t.py": (
            "A = const(1)\nB = const(2)\nIN_X = const(3)\nROWS = (A, 5)\n"
            'TOLD = Words("""\\\none\ntwo""")\nMADE = make("x")\nWHY = "no"\n'
        ),
        "p/m.py": (
            "from . import t\nfrom .t import (\n    A,\n    B,\n)\n\n\n"
            "def f(B):\n    return A + t.B + t.ROWS[B]\n"
        ),
        "p/n.py": 'from . import t\n\nx = getattr(t, "IN_" + "X")\n',
    }
    constants = constants_of(sources)
    folded = {path: fold(path, text, constants) for path, text in sources.items()}
    slim = prune(folded, constants)
    # f has a B of its own: its import is taken for read, to be safe
    assert slim["p/t.py"] == (
        'pass\nB = const(2)\nIN_X = const(3)\nROWS = (1, 5)\npass\n\n\nMADE = make("x")\npass\n'
    )
    assert slim["p/n.py"] == sources["p/n.py"]
    assert "import A" not in slim["p/m.py"]
    assert len(slim["p/m.py"].splitlines()) == len(sources["p/m.py"].splitlines())
    assert slim["p/m.py"].endswith("    return 1 + 2 + t.ROWS[B]\n")
