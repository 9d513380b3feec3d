# mypy: ignore-errors
"""Run by heap_on_wasm.mjs: the application on a board without hardware, at rest."""

from steadyram_fw.app import App
from steadyram_fw.boards.screen import Screen


class Wire:
    def writeto(self, address, data):
        pass

    def writevto(self, address, pieces):
        pass


class Board:
    name = "pico"
    uid = "e660c0d1c7432b2f"
    root = "/files"
    log_shape = (160, 14, 24)
    screen = Screen(Wire())

    def link_read(self):
        return None

    def link_write(self, data):
        pass

    def knob(self):
        return 0

    def show(self, lines):
        pass


app = App(Board())
for _ in range(300):
    app.tick(6554, 48)
    app.poll()
    Board.screen.send()
