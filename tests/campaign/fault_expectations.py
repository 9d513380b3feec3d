"""What each injected fault may come to, and from which moment its latency counts.

`codes`: faults of the definition that are right answers; `ends`: other right ends of the two cycles that follow
("stop:NAME" = the stroke ended so, "refused:NAME", "went-on" = the press worked on; each with its reason in `why`).
`evidence`: when the cause can first be seen:
  onset     the moment it comes on
  feed-on   a feed is energised with the fault on
  feed-off  every feed was told to close with the fault on, and the ram is on the part
  held      as feed-off, and there was force to hold
  retract   retract is energised with the fault on
  returned  the first feed after that was told to close
  (cycle and return limits, and no-fall, count from the pedal and from retract, whatever stands here)
  stroke-over  a feed was told to close for the last time
  rest      the ram is at the top, nothing energised, no pedal down (position-reference counts from there, too)
  over      the true force passes the over-force limit
  power-up  the power is back
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Expected:
    codes: frozenset[str] = frozenset()
    ends: frozenset[str] = frozenset()
    evidence: str = "onset"
    why: str = ""
    # Latency bound in milliseconds where it is not the definition's.
    bound_ms: int | None = None
    # Acknowledging must not clear it while its cause shows.
    stays: bool = False
    # The cycle with the fault on must end as a healthy one.
    healthy: bool = False
    # Part of the press file without which the fault cannot be: presses that lack it are left out.
    needs: str = ""
    options: dict[str, bool] = field(default_factory=dict)


def _row(
    codes: str = "",
    ends: str = "",
    evidence: str = "onset",
    why: str = "",
    bound_ms: int | None = None,
    needs: str = "",
    **more: bool,
) -> Expected:
    stays, healthy = more.pop("stays", False), more.pop("healthy", False)
    return Expected(
        frozenset(codes.split()),
        frozenset(ends.split()),
        evidence,
        why,
        bound_ms,
        stays,
        healthy,
        needs,
        more,
    )


_STALL = "cycle-too-long no-rise"
_SLACKENS = (
    "where the rise slackens while it is looked at (a plateau, the changeover), it looks like a slow sensor"
)
EXPECTED: dict[str, Expected] = {
    "sensor-open": _row("sensor-low", stays=True),
    "sensor-short": _row("sensor-high", stays=True),
    "sensor-frozen": _row("sensor-frozen", stays=True),
    "sensor-noisy": _row(
        "sensor-noisy slope-impossible",
        why="whichever its draws show first: bound of the slower",
        bound_ms=60,
    ),
    "sensor-spike": _row("slope-impossible"),
    "zero-shift": _row("slope-impossible"),
    "supply-shift": _row(
        "slope-impossible leak-fast",
        "refused:zero-out",
        why="seen at the next rest at the top where the drop is below the noise's bound; a gain error until then",
    ),
    "valve-stuck-open": _row(
        "rise-after-close over-force sensor-high no-fall reading-slow", evidence="feed-off", why=_SLACKENS
    ),
    "relay-welded": _row(
        "rise-after-close over-force sensor-high no-fall reading-slow", evidence="feed-off", why=_SLACKENS
    ),
    "valve-stuck-closed": _row(
        _STALL + " position-still reading-still",
        "stop:short",
        "feed-on",
        "the pulses are used up; in free travel a reading that stays is all that shows",
    ),
    "pump-off": _row(
        _STALL + " position-still no-fall return-too-long reading-still",
        "stop:short",
        "feed-on",
        "the pulses are used up; in free travel a reading that stays is all that shows",
    ),
    "relief-low": _row(_STALL, "stop:short", "feed-on", "the pulses are used up"),
    "relief-high": _row(
        "over-force sensor-high",
        evidence="over",
        bound_ms=20,
        why="the force that the device infers is off by the calibration's error and "
        "the sensor's lag: 20 ms from the true force instead of 8 ms from the reading; run with the cutoff off",
        cutoff_off=True,
    ),
    "retract-stuck": _row("no-fall return-too-long", evidence="retract"),
    "retract-stuck-open": _row(
        "leak-fast no-rise cycle-too-long",
        "stop:short stop:overdue",
        "returned",
        "pulses and slow feeds are tried against the open valve first: 9 s instead of 3; or more oil has gone in than "
        "this job's parts need",
        9000,
    ),
    "slow-valve": _row(
        "rise-after-close no-rise cycle-too-long",
        "went-on stop:short",
        why="the cutoff follows a late valve up to a bound; beyond it pulses may be too short to open it",
    ),
    "leak-fast": _row("leak-fast no-rise cycle-too-long", "stop:short", "held", "the pulses are used up"),
    "pedal-stuck": _row(
        ends="went-on",
        why="a closed contact is a pressed pedal: at most one stroke to the setpoint, then nothing until it opens",
    ),
    "pedal-dead": _row(ends="stop:pedal went-on", why="an open contact is a released pedal"),
    "both-pedals": _row(ends="stop:both-pedals went-on", why="both pedals are a stop, not a fault"),
    "contact-bounce": _row(
        ends="went-on stop:pedal",
        healthy=True,
        why="the chatter is not seen, but for a rare one that has three closed and then five open readings in a row: "
        "that is a press and a release",
    ),
    "estop-open": _row("estop-open", stays=True),
    "top-switch-open": _row("return-too-long", evidence="retract"),
    "top-switch-closed": _row(
        _STALL + " position-reference",
        "refused:zero-out",
        "feed-on",
        "held pressure at what seems to be the top is refused as a shifted zero; a sensor on the ram knows better",
    ),
    "power-cut": _row(
        "pedal-at-start", "went-on", evidence="power-up", why="nothing moves before both pedals were released"
    ),
    "settings-corrupt": _row("settings-bad", evidence="power-up", stays=True),
    "calibration-corrupt": _row("calibration-bad", evidence="power-up"),
    "position-open": _row(
        "position-signal position-jump position-reference position-still",
        "went-on",
        why="an encoder without wires counts 0: a jump, or no change at all where it stood at 0",
        needs="position",
    ),
    "position-frozen": _row(
        "position-still position-reference",
        "went-on",
        "feed-on",
        "frozen at the top in a stroke that is down in less than a second it is not seen; in a stroke that stops by "
        "force it does no harm",
        needs="position",
    ),
    "position-reversed": _row(
        "position-oil position-jump position-signal position-reference position-still",
        "went-on",
        why="a stroke that stops by force before the ram has gone a tenth of a millimetre shows nothing",
        needs="position",
    ),
    "position-jump": _row("position-jump", needs="position"),
    "position-lost-counts": _row("position-reference", evidence="rest", needs="position"),
    "flash-fails": _row(
        "store-failed",
        evidence="stroke-over",
        bound_ms=1000,
        stays=True,
        why="the record is written when the dwell of 0.6 s is over: nothing is energised then",
    ),
    "port-blocked": _row(
        "reading-still no-fall cycle-too-long no-rise over-force",
        "stop:overdue stop:short went-on refused:zero-out",
        "feed-on",
        "blocked under pressure the reading stays high when the ram is up, as a zero that has shifted does",
    ),
    "snubber-slow": _row(
        "reading-slow rise-after-close",
        "went-on stop:short stop:overdue",
        "feed-off",
        "what it hides while the valve closes is less than a sixteenth of the setpoint in slow strokes",
    ),
    "host-flood": _row(ends="went-on", healthy=True, why="the control step does not wait for the link"),
}
