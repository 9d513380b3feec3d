"""One file a board, and the choice of the one that this firmware runs on.

A board offers:

    name         short name, letters, digits and "-"
    uid          text that no other board has
    root         folder for all files (the file system's root on littlefs)
    log_shape    optional: (records a segment, segments, traces), what the flash has room for
    link_read()  bytes from the host, at most a few hundred, or None
    link_write(b)  bytes to the host, whole lines
    knob()       steps of the setpoint knob since last asked
    show(lines)  four lines of text for the panel
    idle()       nothing to do for a moment
    screen       optional: a display with `frame`, `begin()` and `send()` (screen.py); None without one
    position(kind) optional: read the ram's position from now on, as the setting `position_kind` says, and give it
                 to app.tick as a third argument; called at start and whenever the settings change, at rest
    maintenance() optional: restart into the interpreter, nothing energised
    run(app, healthy)  takes over: calls app.tick(counts, inputs) every millisecond and drives the outputs
                 with what it returns, calls app.poll() in between, feeds the watchdog from both, calls
                 healthy() once when all that has gone well for a while; does not come back

A module here that stands for a board has the function make(), which first of all sets every output off.
"""

import sys


def this_board(machine=None):
    """The board that this firmware runs on, by the name that MicroPython gives the machine."""
    if machine is None:
        machine = getattr(sys.implementation, "_machine", sys.platform)
    for word, module in MODULES:
        if word in machine:
            package = __import__("steadyram_fw.boards." + module, None, None, ("make",))
            return package.make()
    raise RuntimeError("steadyram has no board file for " + machine)


# (part of the machine's name, module in this folder)
MODULES = (("RP2040", "pico"), ("RP2350", "pico"), ("ESP32", "esp32"))
