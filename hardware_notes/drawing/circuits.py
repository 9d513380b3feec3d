"""The hydraulic circuits, one for each kind of press, from its press file."""

from __future__ import annotations

import symbols as sym
from sheet import Sheet

from steadyram.press.pressfile import PressFile

CAUTION = (
    "Principle only. A licensed person designs, sizes and fits the real circuit; local codes come first.\n"
    "Relief valve, guards, two-hand control and emergency stop are no part of steadyram and stay in force."
)
SLOW_NOTE = """slow feed needs pressure at P: fit an
unloading valve that shuts with it
in place of the tandem centre"""
AIR_NOTE = """both solenoids on the extend output:
air off stops the pump, the oil valve
stops what its coasting delivers"""


def _mm(metres: float) -> str:
    return f"{metres * 1000:.0f} mm"


def _mpa(pascal: float) -> str:
    return f"{pascal / 1e6:.1f} MPa"


def _flow(flow: float) -> str:
    return f"{flow * 60000:.1f} L/min"


def circuit(press: PressFile, kind: str) -> Sheet:
    """The circuit of a press.

    Args:
        press: its press file; every figure on the sheet comes from it.
        kind: "electric" (one or two stages, as the press file says), "shared", "hand" or "air".
    """
    s = Sheet(900, 860, f"Hydraulic circuit: {press.name}")
    s.words(20, 30, s.title, 18, weight="bold")
    c, t = press.cylinder, press.transducer
    spring = c.return_ == "spring"
    label = f"cylinder\nbore {_mm(c.bore)}, rod {_mm(c.rod)}\nstroke {_mm(c.stroke)}"
    cyl = sym.cylinder(s, 620, 100, spring, label)
    s.line((560, 280), (680, 280), width=4)
    s.words(690, 285, "work on the bed", 13)
    ax, ay = cyl["cap"]
    # the pressing line: what the transducer sees is what the piston sees
    s.line((ax, ay), (360, ay), (360, 240))
    s.dot(480, ay)
    s.dot(430, ay)
    sym.transducer(s, 430, ay - 62, "")
    s.words(300, ay - 58, f"transducer and\nsnubber, {_mpa(t.range)}", 13)
    s.line((480, ay), (480, 152))
    sym.gauge(s, 480, 168)
    s.words(502, 174, "gauge", 12)
    if kind in ("electric", "shared"):
        _powered(s, press, kind, cyl)
    elif kind == "hand":
        _hand(s, press)
    else:
        _air(s, press)
    if spring:
        s.line(cyl["rod"], (540, cyl["rod"][1]))
        s.words(440, cyl["rod"][1] + 5, "vented to tank", 12)
    s.words(20, 825, CAUTION, 13)
    return s


def _powered(s: Sheet, press: PressFile, kind: str, cyl: dict[str, tuple[float, float]]) -> None:
    holding = press.valve.load_holding
    slow = press.valve.slow_feed is not None
    centre = "tandem" if holding else "open"
    valve = sym.valve_43(s, 374, 420, centre)
    a, b = valve["A"], valve["B"]
    bx = cyl["rod"][0] - 60
    s.line(cyl["rod"], (bx, cyl["rod"][1]), (bx, 340), (b[0], 340), b)
    if holding:
        check = sym.check(s, 360, 290, pilot=True)
        s.line((360, 240), check["out"])
        s.line(check["in"], a)
        s.line(check["pilot"], (440, check["pilot"][1]), (440, 340), dash="5 4")
        s.dot(440, 340)
        s.words(600, 330, "pilot-operated check:\nholds the force when the\nvalve is in its centre", 13)
        s.words(600, 400, "tandem centre: the pump idles,\nthe cylinder is shut off", 13)
    else:
        s.line((360, 240), a)
        s.words(600, 330, "no check: in the centre the\npressure is lost at once", 13)
        s.words(600, 400, "open centre: all ports joined", 13)
    p, t = valve["P"], valve["T"]
    # pump line and tank line
    s.line(p, (p[0], 560))
    s.line(t, (t[0], 500), (620, 500), (620, 560))
    sym.filter_(s, 620, 576)
    s.line((620, 592), (620, 700))
    sym.tank(s, 620, 700)
    s.words(642, 580, "return filter", 12)
    s.dot(p[0], 530)
    s.line((p[0], 530), (460, 530), (460, 560))
    rel = sym.relief(s, 460, 600, "")
    s.words(474, 660, f"relief {_mpa(press.pump.relief)}", 13)
    s.line(rel["out"], (460, 700))
    sym.tank(s, 460, 700)
    if slow:
        assert press.valve.slow_feed is not None
        s.dot(p[0], 545)
        s.line((p[0], 545), (130, 545), (130, 520))
        v = sym.valve_22(s, 130, 480, "slow")
        s.line((130, 520), v["low"])
        r = sym.restrictor(s, 130, 400, f"{_flow(press.valve.slow_feed)}")
        s.line(v["top"], r["low"])
        s.line(r["top"], (130, 225), (360, 225))
        s.dot(360, 225)
        s.words(
            600,
            440,
            SLOW_NOTE,
            13,
        )
    pump = press.pump
    if pump.changeover is not None and pump.flow_low_stage != pump.flow_high_stage:
        assert pump.flow_low_stage is not None
        assert pump.flow_high_stage is not None
        high = sym.pump(s, p[0], 640, "M")
        s.line(high["out"], (p[0], 560))
        low = sym.pump(s, 240, 640, "")
        s.line((264, 637), (272, 637))
        s.line((264, 643), (272, 643))
        big = pump.flow_low_stage - pump.flow_high_stage
        s.words(20, 780, f"big stage adds {_flow(big)}\nbelow {_mpa(pump.changeover)}", 13)
        s.words(392, 740, f"small stage {_flow(pump.flow_high_stage)}", 13, "middle")
        # check valve on its side, free towards the small stage
        s.line(low["out"], (240, 590), (296, 590))
        s.line((306, 578), (296, 590), (306, 602))
        s.circle(308, 590, 7)
        s.line((315, 590), (p[0], 590))
        s.dot(p[0], 590)
        un = sym.relief(s, 160, 640)
        s.line(un["in"], (160, 590), (240, 590))
        s.dot(240, 590)
        s.line(un["out"], (160, 745))
        sym.tank(s, 160, 745)
        s.words(20, 640, "unloading\nvalve", 12)
        s.line(low["in"], (240, 745))
        sym.tank(s, 240, 745)
        s.line(high["in"], (p[0], 700))
        sym.tank(s, p[0], 700)
    else:
        one = sym.pump(s, p[0], 640, "M")
        s.line(one["out"], (p[0], 560))
        s.line(one["in"], (p[0], 700))
        sym.tank(s, p[0], 700)
        flow = pump.flow_high_stage or pump.flow_low_stage
        assert flow is not None
        s.words(160, 700, f"pump {_flow(flow)}", 13)
    if kind == "shared":
        s.dot(p[0], 515)
        s.line((p[0], 515), (720, 515))
        s.box(720, 480, 150, 70, dash="6 4")
        s.words(795, 510, "the other machine's\nown valve", 13, "middle")
        s.line((795, 550), (795, 690), (620, 690))
        s.dot(620, 690)
        s.words(560, 760, "selector: one machine at a time;\nits relief stays the lower of the two", 13)


def _hand(s: Sheet, press: PressFile) -> None:
    v = sym.valve_22(s, 360, 330, "extend")
    s.line((360, 240), v["top"])
    s.words(424, 320, "shut at rest: at the set force\nthe lever goes solid", 13)
    release = sym.valve_22(s, 200, 330, "release", actuator="hand")
    s.line((360, 265), (200, 265), release["top"])
    s.dot(360, 265)
    s.line(release["low"], (200, 640))
    sym.tank(s, 200, 640)
    s.words(30, 420, "hand release: lets the ram\nup with the power off", 13)
    s.line(v["low"], (360, 420))
    check = sym.check(s, 360, 450)
    s.line((360, 420), check["out"])
    stroke = press.pump.stroke_volume
    assert stroke is not None
    pump = sym.pump(s, 360, 540, "hand", "")
    s.words(250, 610, f"{stroke * 1e6:.1f} cm³\na stroke", 13)
    s.line(check["in"], pump["out"])
    s.line(pump["in"], (360, 640))
    sym.tank(s, 360, 640)
    s.dot(360, 492)
    s.line((360, 492), (520, 492), (520, 505))
    rel = sym.relief(s, 520, 545, f"relief {_mpa(press.pump.relief)}")
    s.line(rel["out"], (520, 640))
    sym.tank(s, 520, 640)
    s.words(540, 475, "the pump's own relief: never shut off from the pump", 13)


def _air(s: Sheet, press: PressFile) -> None:
    v = sym.valve_22(s, 360, 320, "extend")
    s.line((360, 240), v["top"])
    release = sym.valve_22(s, 200, 320, "release", actuator="hand")
    s.line((360, 258), (200, 258), release["top"])
    s.dot(360, 258)
    s.line(release["low"], (200, 470))
    sym.tank(s, 200, 470)
    s.words(30, 400, "hand release: lets the ram\nup with the power off", 13)
    pump = sym.pump(s, 360, 470, "air")
    s.line(v["low"], pump["out"])
    s.dot(360, 400)
    s.line((360, 400), (520, 400), (520, 430))
    rel = sym.relief(s, 520, 470, f"relief {_mpa(press.pump.relief)}")
    s.line(rel["out"], (520, 640))
    sym.tank(s, 520, 640)
    s.line(pump["in"], (360, 640))
    sym.tank(s, 360, 640)
    s.words(386, 520, "air-driven\noil pump", 13)
    air = sym.valve_32_air(s, 304, 580, "extend")
    s.line(pump["drive"], (294, air["out"][1]))
    s.line(air["supply"], (294, 700), (120, 700))
    s.shape((108, 700), (120, 692), (120, 708), fill="white")
    s.words(60, 730, "dry, regulated air; lockable shut-off and exhaust", 13)
    s.words(
        570,
        560,
        AIR_NOTE,
        13,
    )
