import sys
from pathlib import Path

import pytest

if str(Path(__file__).parents[2]) not in sys.path:
    sys.path.insert(0, str(Path(__file__).parents[2]))


@pytest.fixture(scope="session", autouse=True)
def there_is_a_board():
    """Skip with one sentence where the binaries, the emulator or Node are missing."""
    from tests.board.emulated import NEWEST, NoBoard, emulator, interpreter

    try:
        emulator()
        interpreter(NEWEST)
    except NoBoard as missing:
        pytest.skip(str(missing))


@pytest.fixture(scope="session")
def firmware():
    """The firmware as built for an RP2040."""
    from steadyram.install.package import build

    return build("armv6m")
