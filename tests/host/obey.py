"""A person at a virtual press who does what the prompts at the pedals say."""

from __future__ import annotations

from steadyram.virtual.press import VirtualPress


def obey(press: VirtualPress, text: str) -> bool:
    """Do what a prompt says; False when it is none of those about pedals and the enable button."""
    op = press.operator
    if "Hold the extend pedal" in text:
        op.press_extend()
    elif text == "Let go.":
        op.release_extend()
    elif text == "Send the ram to the top.":
        op.press_retract()
        press.run_until(lambda p: p.plant.at_top, 60.0)
        press.run(0.1)
        op.release_retract()
    elif "enable button" in text:
        op.hold_enable()
    else:
        return False
    return True
