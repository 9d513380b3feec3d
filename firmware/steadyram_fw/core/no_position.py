"""What stands for ram position and stop on depth on a press without a sensor: nothing is loaded, nothing is known."""


class NoTravel:
    def __init__(self):
        # Of its own, not of the class: a first store to an instance would allocate, in a step.
        self.fitted = False
        self.known = False
        self.um = 0


class NoDepth:
    def __init__(self):
        self.on = False
        self.done = False
