"""An update on a virtual press: its flash, its loader and its interpreter are those that an installation meets."""

import select

import pytest

from steadyram.virtual.default_press import default_press
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.prompt import Prompt, package_for_stand_in
from steadyram.virtual.quick_setup import open_changes, open_device
from steadyram.virtual.runtime import find_micropython

pytestmark = pytest.mark.skipif(find_micropython() is None, reason="needs MicroPython")


@pytest.fixture(scope="module")
def package():
    return package_for_stand_in(names=True)


def leave_for_prompt(press):
    device = open_device(press)
    press.run(0.5)
    open_changes(press)
    device.client.request("maintenance")
    press.run(0.2)


def typed(prompt, line):
    """Type a line at the prompt; return what came up to the next prompt, or to its end."""
    prompt.write(line)
    heard = b""
    while not heard.endswith(b">>> ") and not prompt.ended:
        if select.select([prompt.fd], [], [], 1)[0]:
            heard += prompt.read()
    return heard


@pytest.mark.parametrize("fails", [False, True])
def test_a_new_version_runs_or_the_one_before_it(tmp_path, monkeypatch, package, fails):
    monkeypatch.setattr("steadyram.virtual.prompt.package_for_stand_in", lambda names: package)
    with VirtualPress(default_press(), state_dir=tmp_path, update_fails=fails) as press:
        leave_for_prompt(press)
        assert press.at_prompt
        assert not press.powered
        prompt = Prompt(tmp_path)
        try:
            typed(prompt, b"")
            # What an installation ends with; the same folder twice, since only the loader's choice matters here.
            folder = package.folder
            pointer = f"f=open('steadyram.now','w');f.write('{folder} new {folder}');f.close()\r"
            typed(prompt, pointer.encode())
            typed(prompt, b"import machine;machine.reset()\r")
        finally:
            prompt.close()
        press.power_up()
        device = open_device(press)
        told = device.board()
        assert told["build"] == folder
        assert told["left"] == (folder if fails else "")
        press.run(6)
        leave_for_prompt(press)
        prompt = Prompt(tmp_path)
        try:
            typed(prompt, b"")
            trust = typed(prompt, b"print(open('steadyram.now').read())\r").decode().split()
        finally:
            prompt.close()
        assert "good" in trust
