"""steadyram loader: starts the version in force, and the one before it if that does not come up.

The file `steadyram.now` holds one line: folder of the version in force, how far it is trusted, folder of the
version before or "-". Trust: "new" was never started, "tried" was started and has not proved itself yet, "good"
has run healthily. A version that was tried and did not prove itself is left for the one before. The file is
replaced by renaming, so a power cut leaves the old line or the new one. Settings and records are not touched.
"""

import os
import sys


def read_now(root):
    """(folder, trust, folder before) or None."""
    try:
        with open(root + "steadyram.now") as file:
            words = file.read().split()
    except OSError:
        return None
    return tuple(words) if len(words) == 3 else None


def write_now(root, folder, trust, before):
    with open(root + "steadyram.tmp", "w") as file:
        file.write("%s %s %s\n" % (folder, trust, before))
    os.rename(root + "steadyram.tmp", root + "steadyram.now")


def choose(root):
    """The line to start by, after noting that it is tried; None = stay in the interpreter."""
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
        now = (before, "good", "-")
        write_now(root, *now)
    elif trust == "new":
        now = (folder, "tried", before)
        write_now(root, *now)
    return now


def keyboard(on):
    """Whether Control-C ends a program: not while the firmware runs, where it would be noise on the line."""
    import micropython

    micropython.kbd_intr(3 if on else -1)


def start(root, now):
    """Run a version; comes back only by an exception."""
    import gc

    folder, trust, before = now
    sys.path.insert(0, root + folder)
    proved = [trust == "good"]

    def healthy():
        if not proved[0]:
            write_now(root, folder, "good", before)
            proved[0] = True

    try:
        # While modules come in, what passes is cleared away every few KB, so that what stays lies close together:
        # a heap that is full of small gaps has no room for a long line. Not later, for a collection takes its time.
        gc.threshold(4096)
        from steadyram_fw.app import App
        from steadyram_fw.boards import this_board

        board = this_board()
        app = App(board)
        gc.threshold(-1)
        keyboard(False)
        board.run(app, healthy)
    except Exception as error:
        sys.print_exception(error)
        try:
            with open(root + "steadyram.why", "w") as file:
                sys.print_exception(error, file)
            if before != "-" and not proved[0]:
                write_now(root, folder, "tried", before)
        except OSError:
            pass
        return before != "-" or proved[0]
    finally:
        keyboard(True)


def main(root="/"):
    now = choose(root)
    if now is not None and start(root, now):
        import machine

        machine.reset()


if __name__ == "__main__":
    main()
