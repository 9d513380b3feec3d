"""Plain words for people at the press: what a state means, and what to do about a fault or a refusal.

Headlines, sentences and remedies are the definition's own; here is what the page says besides.
"""

from __future__ import annotations

from typing import Final

from steadyram.link.definition import definition

_KNOWN = definition()
# state: headline, how it looks (calm, moving, good, warn, alarm)
STATES: Final = {each.name: (each.headline, each.look) for each in _KNOWN.states.values()}
FAULT_REMEDIES: Final = {each.name: each.remedy for each in _KNOWN.faults.values()}
ACKNOWLEDGE: Final = (
    "Then feet off the pedals, push the panel's knob (acknowledge) for a second and release it."
)
# A pedal is held although the ram is up and nothing is refused.
AT_THE_TOP: Final = "Ram at the top. Release the pedals"
# What a figure that is missing means, and what is armed.
PRESSURE_NOT_KNOWN: Final = "Pressure not known: treat the press as loaded"
FORCE_NOT_KNOWN: Final = "Force not known: treat the press as loaded"
NOT_CALIBRATED_LOADED: Final = "Force not known, not calibrated: treat the press as loaded"
VALVE_TEST_ARMED: Final = "VALVE TEST ARMED: the next stroke is not a part"
VALVE_TEST_DETAIL: Final = "The extend pedal would run a valve test without the job's set force."
VALVE_TEST_REMEDY: Final = "Touch the retract pedal to disarm it, or leave it for a minute."
LATCHED_MOVING: Final = "Ram going up by itself (latched return): touch a pedal to stop it"

REFUSAL_REMEDIES: Final = {each.name: each.remedy for each in _KNOWN.refusals.values()}
# Headlines while the pedal is still up, for what the next touch of it would meet.
WILL_REFUSE: Final = {each.name: each.headline for each in _KNOWN.refusals.values() if each.headline}
CUTOFF_OFF_READY: Final = "CUTOFF OFF: the ram stops only when you let go"
GUIDED: Final = "Calibrating: do what is asked below"
BENDING: Final = "Bending: do what is asked below"
CUTOFF_OFF_MOVING: Final = "CUTOFF OFF: let go to stop"

STOPS: Final = {each.name: (each.headline, each.look) for each in _KNOWN.stops.values()}
# The device has one word for both.
OVER_DEPTH: Final = "past the set depth"

LINK_LOST: Final = (
    "What is shown below is old. The press works on by itself and keeps every record; they come in here by "
    "themselves when the connection is back. Check the cable and the press's power."
)
# Before bed or tooling is moved with the ram; the panel has the same in its own words.
HANDLING_CHECKLIST: Final = (
    "All pins in and locked?",
    "Nobody under the load?",
    "Never work under a raised bed: block it first.",
)
CHANGES_CLOSED: Final = (
    "Changes are closed. Hold the enable button at the panel until it says that changes are open."
)
CAUTION: Final = (
    "steadyram is not a safety-rated control and replaces no guard, relief valve, emergency stop or two-hand "
    "control. Nothing on this page moves the ram. Where a latched return is selected, the ram goes on up after a touch "
    "of the retract pedal."
)
