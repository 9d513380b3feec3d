"""Texts with units in files, checked as pydantic reads them: the value is SI, the error says what to write."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from steadyram.errors import UnitError
from steadyram.units import parse


def si_of(value: str, si_unit: str) -> float:
    """A text with its unit in SI. Raises ValueError in words that go on from the key's name."""
    try:
        return parse(value, si_unit, what="it")
    except UnitError as error:
        raise ValueError(str(error).removeprefix("it ").rstrip(".")) from None


def within(number: float, value: object, low: float, high: float, si_unit: str) -> float:
    """`number`, if low <= number <= high; raises ValueError that shows it as it was written (`value`)."""
    if not low <= number <= high:
        raise ValueError(f"is {value}, outside the plausible range {low:g} to {high:g} {si_unit}")
    return number


def quantity(si_unit: str, example: str) -> Callable[[Any], float]:
    """Validator: only text with its unit will do; `example` is shown where there is none."""

    def convert(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(f"is {value!r}, and a quantity is text with its unit, such as {example}")
        return si_of(value, si_unit)

    return convert
