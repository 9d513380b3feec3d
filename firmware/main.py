"""Starts steadyram on the board it finds itself on."""

from steadyram_fw.app import App
from steadyram_fw.boards import this_board

board = this_board()
board.run(App(board))
