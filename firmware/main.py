"""steadyram loader: starts the version in force, and the one before it if that does not come up.

The file `steadyram.now` holds one line: folder of the version in force, how far it is trusted, folder of the
version before or "-". Trust: "new" was never started, "tried" was started and has not proved itself yet, "good"
has run healthily. A version that was tried and did not prove itself is left for the one before, and its folder's
name goes into `steadyram.left`, which the firmware tells its host. The file is replaced by renaming, so a power cut
leaves the old line or the new one. Settings and records are not touched.

Control-C is off before anything else: a host that asks for the interpreter too early would end an update's first
start, and the next one would take that for an update that does not come up. It comes back with the prompt.
"""

import micropython

micropython.kbd_intr(-1)

import os  # noqa: E402
import sys  # noqa: E402

OLDEST = (1, 26)  # the first whose machine.Timer takes `hard` on a Pico-class board
START_MS = 8000  # the longest that one stage of a start takes; a Pico's watchdog counts to 8.3 s


def read_now(root):
    """Return (folder, trust, folder before) or None."""
    try:
        with open(root + "steadyram.now") as file:
            words = file.read().split()
    except OSError:
        return None
    return tuple(words) if len(words) == 3 else None


def write_now(root, folder, trust, before):
    """Replace the pointer."""
    with open(root + "steadyram.tmp", "w") as file:
        file.write("%s %s %s\n" % (folder, trust, before))
    os.rename(root + "steadyram.tmp", root + "steadyram.now")


def read_left(root):
    """Return the folder of an update that was left, "" without one."""
    try:
        with open(root + "steadyram.left") as file:
            return file.read().strip()
    except OSError:
        return ""


def forget_left(root):
    """Another version is tried: what was left before it is old news."""
    try:
        os.remove(root + "steadyram.left")
    except OSError:
        pass


def choose(root):
    """Return the line to start by, after noting that it is tried; None = stay in the interpreter."""
    try:
        os.remove(root + "steadyram.stay")
        return None
    except OSError:
        pass
    now = read_now(root)
    if now is None:
        return None
    folder, trust, before = now
    if trust == "tried" and before != "-":
        # in this order: a power cut in between leaves the version once more
        with open(root + "steadyram.left", "w") as file:
            file.write(folder)
        now = (before, "good", "-")
        write_now(root, *now)
    elif trust == "new":
        forget_left(root)
        now = (folder, "tried", before)
        write_now(root, *now)
    return now


def keyboard(on):
    """Let Control-C end a program, or not: while the firmware runs it would be noise on the line."""
    micropython.kbd_intr(3 if on else -1)


def watchdog(ms):
    """Start the watchdog. Its feed() is called between the stages of a start."""
    import machine

    return machine.WDT(timeout=ms)


def start(root, now):
    """Run a version; comes back only by an exception. True: start again; False: the prompt, as marked."""
    import gc

    folder, trust, before = now
    sys.path.insert(0, root + folder)
    proved = trust == "good"
    ran = []

    def healthy():
        if not proved:
            write_now(root, folder, "good", before)
        ran.append(True)

    try:
        # A version that is not proved yet may hang before its own watchdog runs, and Control-C is off.
        dog = None if proved else watchdog(START_MS)
        # While modules come in, what passes is cleared away every few KB, so that what stays lies close together:
        # a heap that is full of small gaps has no room for a long line. Not later, for a collection takes its time.
        gc.threshold(4096)
        from steadyram_fw.app import App
        from steadyram_fw.boards import this_board

        if dog:
            dog.feed()
        board = this_board()
        board.build = folder
        board.left = read_left(root)
        app = App(board)
        gc.threshold(-1)
        if dog:
            dog.feed()
        board.run(app, healthy)
    except Exception as error:
        sys.print_exception(error)
        try:
            with open(root + "steadyram.why", "w") as file:
                sys.print_exception(error, file)
            if ran:
                return True
            if before != "-" and not proved:
                write_now(root, folder, "tried", before)
                return True
            # Starting again would end the same way: the prompt, after a reset that ends the watchdog.
            with open(root + "steadyram.stay", "w") as file:
                file.write("1")
        except OSError:
            pass
        return False


def new_enough():
    """Return True, or say what to do and return False."""
    have = sys.implementation.version
    if tuple(have[:2]) >= OLDEST:
        return True
    print(
        "steadyram needs MicroPython %d.%d or newer, and this board has %d.%d.%d: put a newer one on the board; the"
        " files on it stay." % (OLDEST + tuple(have[:3]))
    )
    return False


def main(root="/"):
    """Start what is in force, or leave the prompt to whoever is there."""
    now = choose(root) if new_enough() else None
    if now is not None:
        import machine

        start(root, now)
        machine.reset()
    keyboard(True)


if __name__ == "__main__":
    main()
