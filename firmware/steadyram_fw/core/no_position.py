"""What stands for ram position and stop on depth on a press without a sensor: nothing is loaded, nothing is known."""


class NoTravel:
    fitted = False
    known = False
    um = 0


class NoDepth:
    on = False
    done = False
