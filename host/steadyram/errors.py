"""Errors that a person may meet, as one tree. The class owns the exit code.

SteadyramError                     exit 1  something failed; the sentence says what and what to do
├── BadInput                       exit 2  a file, option or value is wrong; nothing was changed
│   └── UnitError                          a quantity without, or with the wrong kind of, unit
├── LinkError                      exit 3  the device could not be reached or understood
│   ├── PortError                  exit 2  no such port, or it cannot be opened
│   ├── LinkTimeout                        no answer in time
│   ├── PortLost                           the port vanished in the middle
│   └── BadFrame                           a line came back damaged more often than retries allow
├── DeviceRefusal                  exit 4  the device answered "no": number and sentence of the protocol
├── Stopped                        exit 130  the person stopped it; the sentence says what was changed and what not
└── CheckFailed                    exit 5  a verification, commissioning or acceptance check did not pass

Every message is one sentence (or two): what is wrong, and what to do about it.
"""

from __future__ import annotations


class SteadyramError(Exception):
    """Base of all errors shown to people; `str()` is the sentence shown."""

    exit_code = 1


class BadInput(SteadyramError):
    """A file, option or value is wrong; nothing was changed."""

    exit_code = 2


class UnitError(BadInput):
    """A quantity lacks its unit, or has one of the wrong kind."""


class LinkError(SteadyramError):
    """The device could not be reached or understood."""

    exit_code = 3


class PortError(LinkError):
    """No such port, or it cannot be opened."""

    exit_code = 2


class LinkTimeout(LinkError):
    """The device did not answer in time."""


class PortLost(LinkError):
    """The port vanished in the middle of an exchange."""


class BadFrame(LinkError):
    """A line came back damaged more often than the retries allow."""


class DeviceRefusal(SteadyramError):
    """The device refused a request.

    number: the protocol's error number; the sentence says what the refusal was about, if the device told.
    """

    exit_code = 4

    def __init__(self, number: int, sentence: str) -> None:
        super().__init__(sentence)
        self.number = number


class Stopped(SteadyramError):
    """The person stopped it; the sentence says what was changed and what was not."""

    exit_code = 130


class CheckFailed(SteadyramError):
    """A verification, commissioning or acceptance check did not pass."""

    exit_code = 5
