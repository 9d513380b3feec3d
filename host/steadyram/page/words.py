"""Plain words for people at the press: what a state means, and what to do about a fault or a refusal.

What went wrong is the definition's own sentence; here is only what to do about it.
"""

from __future__ import annotations

from typing import Final

# state: headline, how it looks (calm, moving, good, warn, alarm)
STATES: Final[dict[str, tuple[str, str]]] = {
    "starting": ("Starting: take your feet off the pedals", "warn"),
    "ready": ("Ready to press", "calm"),
    "advance": ("Pressing", "moving"),
    "settle": ("Pressing: reading the force", "moving"),
    "nudge": ("Pressing: closing in on the set force", "moving"),
    "dwell": ("Holding the set force", "moving"),
    "done": ("Stroke finished: let go of the pedal", "good"),
    "return": ("Ram going up", "moving"),
    "fault": ("Stopped by a fault", "alarm"),
    "refused": ("Will not press", "warn"),
    "storing": ("Writing the record", "calm"),
}

FAULT_REMEDIES: Final[dict[str, str]] = {
    "sensor-low": "Check the transducer's plug and cable.",
    "sensor-high": "Check the transducer's plug and cable, then the relief valve's setting.",
    "sensor-frozen": "Check the transducer and its cable; have it calibrated again if it was replaced.",
    "sensor-noisy": "Check the screen and earth of the transducer's cable; keep it away from motors and radios.",
    "slope-impossible": "Check the transducer's cable and keep it away from motor and valve wiring.",
    "over-force": "Look at part, die and ram before anything moves again.",
    "rise-after-close": "Do not press on. Have the extend valve and its relay looked at.",
    "no-rise": "Check that the pump runs, and that the extend valve opens.",
    "leak-fast": "Look for oil under the press, then at valve and piston seal.",
    "no-fall": "Check the retract valve and its relay.",
    "pedal-at-start": "Let go of the pedals. If they are free, a pedal's contact is stuck.",
    "estop-open": "Find out why it was pressed. Pull the emergency stop out when it is safe.",
    "cycle-too-long": "Look at part and pump: the force did not come in time.",
    "return-too-long": "Check the top switch and the retract valve.",
    "settings-bad": "Push the press's settings again.",
    "calibration-bad": "Calibrate again.",
    "zero-out": "Let the pressure off with the ram at the top; if the zero stays off, check the transducer.",
    "step-overrun": "Note when it happened and report it; switch the press off and on.",
    "store-failed": "Pull the records. If it comes again, the board's memory is worn.",
    "memory": "Switch the press off and on; report it if it comes again.",
    "position-signal": "Check the position sensor's plug and cable.",
    "position-jump": "Check the position sensor's cable; keep it away from motor and valve wiring.",
    "position-still": "Check that the position sensor is fast to the ram and has its supply.",
    "ack-stuck": "Release the acknowledge button. If it is free, its contact is stuck: have it replaced.",
    "position-reference": "Check whether position sensor or top switch has moved, before the next depth.",
    "jobs-bad": "Push the jobs again; or open changes and acknowledge at the panel to go on without.",
    "measured-bad": "Push the measured values again, or run characterise after you confirmed at the panel.",
    "settings-older": "Push the settings again; or open changes and acknowledge at the panel to go on with these.",
    "measured-older": "Push the measured values again; or open changes and acknowledge to go on with these.",
    "jobs-older": "Push the jobs again; or open changes and acknowledge at the panel to go on with these.",
    "calibration-older": "Push the calibration again; or open changes and acknowledge to go on with this one.",
    "manifest-bad": "Compare settings, jobs and calibration with your files; then open changes and acknowledge.",
    "reading-still": "Look whether the gauge moves: pump, extend valve, gauge valve, snubber, pressure port.",
    "oil-limit": "Look at the gauge: relief valve open, leak, or a blocked pressure port.",
    "reading-slow": "Clean or replace the snubber, bleed the pressure line, then run characterise again.",
    "commissioning-doubtful": "Run the dead-stop test again (characterise) before the next part.",
    "cutout-open": "Find out what raised the pressure. Let it off with retract, then reset the cutout.",
    "over-capacity": "Lower the set force, or correct the press's settings.",
}
ACKNOWLEDGE: Final = (
    "Then feet off the pedals, push the panel's knob (acknowledge) for a second and release it."
)
# A pedal is held although the ram is up and nothing is refused.
AT_THE_TOP: Final = "Ram at the top. Release the pedals"
# What a figure that is missing means, and what is armed.
PRESSURE_NOT_KNOWN: Final = "Pressure not known: treat the press as loaded"
NOT_CALIBRATED_LOADED: Final = "Force not known, not calibrated: treat the press as loaded"
VALVE_TEST_ARMED: Final = "VALVE TEST ARMED: the next stroke is not a part"
VALVE_TEST_DETAIL: Final = "The extend pedal would run a valve test without the job's set force."
VALVE_TEST_REMEDY: Final = "Touch the retract pedal to disarm it, or leave it for a minute."
LATCHED_MOVING: Final = "Ram going up by itself (latched return): touch a pedal to stop it"

REFUSAL_REMEDIES: Final[dict[str, str]] = {
    "cutoff-required": "Turn the cutoff on at the panel, then press the pedal again.",
    "record-pending": "Wait a moment, then press the pedal again.",
    "no-calibration": "Calibrate first (Set up, Calibration).",
    "no-job": "Choose a job (Set up, Job).",
    "setpoint-range": "Lower the job's set force, or check the tooling's rating.",
    "zero-out": "Let the pressure off with the ram at the top; if it stays, check the transducer.",
    "sensor-doubtful": "Check the transducer's plug and cable, then press the pedal again.",
    "no-position": "Calibrate the position sensor, or choose a job that stops on force.",
    "no-reference": "Send the ram to the top, then press the pedal again.",
    "selector-moved": "Release the pedal, look at the selectors, then press the pedal again.",
    "not-characterised": "Run 'steadyram characterise' on this press; until then the cutoff does not press.",
    "no-ceiling": "Set the ceiling of handling jobs in the press's settings (handling_n).",
    "zero-first": "Ram clear of the work, pressure off: take the zero at the panel (menu, zero).",
    "not-configured": "Push the press's settings first.",
}

# Headlines while the pedal is still up, for what the next touch of it would meet.
WILL_REFUSE: Final[dict[str, str]] = {
    "cutoff-required": "CUTOFF OFF: will not press",
    "no-calibration": "Not calibrated: will not press",
    "no-job": "No job chosen: will not press",
    "not-characterised": "Press not characterised: will not press",
}
CUTOFF_OFF_READY: Final = "CUTOFF OFF: the ram stops only when you let go"
GUIDED: Final = "Calibrating: do what is asked below"
BENDING: Final = "Bending: do what is asked below"
CUTOFF_OFF_MOVING: Final = "CUTOFF OFF: let go to stop"

STOPS: Final[dict[str, tuple[str, str]]] = {
    "none": ("no stroke yet", "calm"),
    "setpoint": ("set force reached", "good"),
    "pedal": ("let go early", "warn"),
    "both-pedals": ("both pedals", "warn"),
    "estop": ("emergency stop", "alarm"),
    "fault": ("fault", "alarm"),
    "no-cutoff": ("cutoff was off", "warn"),
    "probe": ("commissioning", "calm"),
    "short": ("short of the set force", "warn"),
    "stalled": ("commissioning: force ceiling reached", "calm"),
    "selector": ("cutoff selector moved in mid-stroke", "warn"),
    "over": ("over the set force", "alarm"),
    "depth": ("set depth reached", "good"),
    "window": ("outside the job's window", "alarm"),
    "ceiling": ("handling: ceiling reached", "calm"),
    "overdue": ("overdue: part missing, or reading stuck", "alarm"),
}
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
