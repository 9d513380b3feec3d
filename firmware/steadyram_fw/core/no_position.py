"""What stands for ram position and stop on depth on a press without a sensor: nothing is loaded, nothing is known."""


class _Travel:
    def __init__(self):
        # Of its own, not of the class: a first store to an instance would allocate, in a step.
        self.fitted = False
        self.known = False
        self.um = 0


class _Depth:
    def __init__(self):
        self.on = False
        self.done = False


def NoTravel():
    """Of no declared kind: Travel may take its place."""
    return _Travel()


def NoDepth():
    """Of no declared kind: Depth may take its place."""
    return _Depth()
