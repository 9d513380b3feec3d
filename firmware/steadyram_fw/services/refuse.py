"""The one exception by which a service says no to a request."""


class Refuse(Exception):
    """`number` is an error of the protocol, `detail` names the key, slot or record concerned ("" = none)."""

    def __init__(self, number, detail=""):
        super().__init__(number, detail)
        self.number = number
        self.detail = detail
