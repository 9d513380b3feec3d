"""The hydraulic circuits, one for each kind of press, from its press file."""

from __future__ import annotations

import symbols as sym
from sheet import Sheet

from steadyram.press.pressfile import PressFile

CAUTION = (
    "Principle only. A licensed person designs, sizes and fits the real circuit; local codes come first.\n"
    "Relief valve, guards, two-hand control and emergency stop are no part of steadyram and stay in force."
)
AIR_NOTE = """energised: air drives the pump.
Off: the quick exhaust empties the
jack at once, and the stroke that is
under way is all that still flows"""


def _mm(metres: float) -> str:
    return f"{metres * 1000:.0f} mm"


def _mpa(pascal: float) -> str:
    return f"{pascal / 1e6:.1f} MPa"


def _flow(flow: float) -> str:
    return f"{flow * 60000:.1f} L/min"


def circuit(press: PressFile, kind: str) -> Sheet:
    """Return the circuit of a press.

    Args:
        press: its press file; every figure on the sheet comes from it.
        kind: "electric" (one or two stages, as the press file says), "shared", "hand" or "air".
    """
    s = Sheet(1140, 900, f"Hydraulic circuit: {press.name}")
    s.words(20, 30, s.title, 18, weight="bold")
    spring = press.cylinder.return_ == "spring"
    cyl = _pressing_side(s, press, kind, spring)
    if kind in ("electric", "shared"):
        _powered(s, press, kind, cyl)
    elif kind == "hand":
        _hand(s, press)
    else:
        _air(s, press)
    if spring:
        # Dry, open to the air through a breather: no line to the tank.
        x, y = cyl["rod"]
        s.line((x, y), (x - 14, y))
        s.shape((x - 26, y), (x - 14, y - 7), (x - 14, y + 7), fill="white", width=1.5)
        s.words(x - 6, 270, "rod side open to the air", 12, "end")
    s.words(20, 862, CAUTION, 13)
    return s


def _pressing_side(s: Sheet, press: PressFile, kind: str, spring: bool) -> dict[str, tuple[float, float]]:
    """Cylinder and what hangs on its cap side: what the transducer sees is what the piston sees."""
    c, t = press.cylinder, press.transducer
    label = f"cylinder\nbore {_mm(c.bore)}, rod {_mm(c.rod)}\nstroke {_mm(c.stroke)}"
    cyl = sym.cylinder(s, 860, 110, spring, label)
    s.line((800, 290), (920, 290), width=4)
    s.words(930, 295, "work on the bed", 13)
    ax, ay = cyl["cap"]
    s.line((ax, ay), (430, ay), (430, 240))
    for x in (480, 560, 650, 740):
        s.dot(x, ay)
    sym.transducer(s, 480, ay - 62, "")
    s.words(306, ay - 66, f"transducer {_mpa(t.range)},\nwith its snubber", 13)
    sym.pressure_switch(s, 560, ay - 62)
    switch = "over-force cutout switch (P7)" if kind == "hand" else "over-force cutout switch"
    s.words(600, ay - 66, f"{switch},\nwith a snubber of its own", 13)
    s.line((650, ay), (650, 152))
    sym.gauge(s, 650, 168)
    s.words(672, 174, "gauge", 12)
    hand = sym.needle(s, 740, 176, "release\n(P3)" if kind == "hand" else "release\nby hand")
    s.line((740, ay), hand["top"])
    s.line(hand["low"], (740, 226))
    sym.tank(s, 740, 224)
    if press.valve.load_holding and press.cylinder.return_ == "powered":
        # Oil that two seats shut in rises with warmth and outside load.
        s.dot(520, ay)
        s.line((520, ay), (520, 160))
        thermal = sym.relief(s, 520, 200, "")
        s.words(544, 244, "thermal relief", 12)
        s.line(thermal["out"], (520, 254))
        sym.tank(s, 520, 250)
    return cyl


def _powered(s: Sheet, press: PressFile, kind: str, cyl: dict[str, tuple[float, float]]) -> None:
    holding = press.valve.load_holding
    slow = press.valve.slow_feed is not None
    centre = "relieved" if slow else "open"
    valve = sym.valve_43(s, 444, 430, centre)
    a, b = valve["A"], valve["B"]
    bx = cyl["rod"][0] - 28
    s.line(cyl["rod"], (bx, cyl["rod"][1]), (bx, 345), (b[0], 345), b)
    if holding:
        check = sym.check(s, 430, 290, pilot=True)
        s.line((430, 240), check["out"])
        s.line(check["in"], a)
        s.line(check["pilot"], (510, check["pilot"][1]), (510, 345), dash="5 4")
        s.dot(510, 345)
        s.words(560, 372, "pilot-operated non-return valve with decompression poppet:", 13)
        s.words(560, 390, "holds the force while the valve is centred, also with the power off", 13)
    else:
        s.line((430, 240), a)
        s.words(560, 372, "no non-return valve: in the centre the pressure is lost at once", 13)
    words = {
        "relieved": (
            "centre: P shut, A and B to tank. The rod side stays open, so\n"
            "the slow feed can move the ram and the pilot line is empty"
        ),
        "open": (
            "open centre: the pump idles, and the pilot line is\nempty, so that the non-return valve shuts"
            if holding
            else "open centre: all ports joined"
        ),
    }
    s.words(680, 428, words[centre], 13)
    p, t = valve["P"], valve["T"]
    s.line(t, (t[0], 510), (1010, 510), (1010, 600))
    sym.filter_(s, 1010, 616)
    s.line((1010, 632), (1010, 760))
    sym.tank(s, 1010, 760)
    s.words(1032, 620, "return filter", 12)
    low_p = (p[0], 640)
    if kind == "shared":
        _other_machine(s, press, p)
    s.line((p[0], 552) if kind == "shared" else p, low_p)
    s.dot(p[0], 560)
    s.line((p[0], 560), (600, 560), (600, 600))
    rel = sym.relief(s, 600, 640, "")
    whose = "the unit's relief" if kind == "shared" else f"relief {_mpa(press.pump.relief)}"
    s.words(616, 700, f"{whose},\nstraight to tank", 13)
    s.line(rel["out"], (600, 760))
    sym.tank(s, 600, 760)
    if slow:
        _slow_feed(s, press, p)
    _pumps(s, press, p)


def _slow_feed(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """The slow branch, and the valve that idles the pump while nothing is energised."""
    assert press.valve.slow_feed is not None
    s.dot(p[0], 575)
    s.line((p[0], 575), (150, 575), (150, 562))
    sym.filter_(s, 150, 546)
    v = sym.valve_22(s, 150, 490, "slow")
    s.line((150, 530), v["low"])
    f = sym.flow_control(s, 150, 400, f"flow control {_flow(press.valve.slow_feed)},\npressure-compensated")
    s.line(v["top"], f["low"])
    c = sym.check(s, 150, 320)
    s.line(f["top"], c["in"])
    s.words(172, 324, "non-return valve", 12)
    s.line(c["out"], (150, 225), (430, 225))
    s.dot(430, 225)
    s.words(172, 552, "pressure filter", 12)
    s.dot(600, 560)
    s.line((600, 560), (800, 560), (800, 616))
    u = sym.valve_22(s, 800, 640, "unload", "open")
    s.line(u["low"], (800, 760))
    sym.tank(s, 800, 760)
    s.words(636, 552, "open at rest; shut with extend, retract and slow", 12)


def _pumps(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """One pump, or two stages with the large one's unloading valve; the outlet joins the line of P."""
    pump = press.pump
    if pump.changeover is None or pump.flow_low_stage == pump.flow_high_stage:
        one = sym.pump(s, p[0], 690, "M")
        s.line(one["out"], (p[0], 640))
        s.line(one["in"], (p[0], 760))
        sym.tank(s, p[0], 760)
        flow = pump.flow_high_stage or pump.flow_low_stage
        assert flow is not None
        s.words(250, 740, f"pump {_flow(flow)}", 13)
        return
    assert pump.flow_low_stage is not None
    assert pump.flow_high_stage is not None
    small = sym.pump(s, p[0], 700, "M")
    s.line(small["out"], (p[0], 640))
    large = sym.pump(s, 300, 700, "")
    s.line((324, 697), (344, 697))
    s.line((324, 703), (344, 703))
    s.words(p[0] + 30, 752, f"small stage\n{_flow(pump.flow_high_stage)}", 13)
    s.words(
        20,
        832,
        f"large stage adds {_flow(pump.flow_low_stage - pump.flow_high_stage)} below {_mpa(pump.changeover)}",
        13,
    )
    # non-return valve on its side, free towards P
    s.line(large["out"], (300, 655), (352, 655))
    s.line((362, 643), (352, 655), (362, 667))
    s.circle(364, 655, 7)
    s.line((371, 655), (p[0], 655))
    s.dot(p[0], 655)
    un = sym.unloader(s, 190, 700)
    s.line(un["in"], (190, 655), (300, 655))
    s.dot(300, 655)
    s.line(un["out"], (190, 785))
    sym.tank(s, 190, 785)
    s.dot(p[0], 615)
    s.line(un["pilot"], (90, 700), (90, 615), (p[0], 615), dash="5 4")
    s.words(20, 730, "unloading valve,\npilot from P", 12)
    s.line(large["in"], (300, 785))
    sym.tank(s, 300, 785)
    s.line(small["in"], (p[0], 785))
    sym.tank(s, p[0], 785)


def _other_machine(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """The pump feeds one machine at a time, by a diverter in the line to the press's P."""
    d = sym.diverter(s, p[0] - 36, 528)
    s.line(p, d["press"])
    s.line(d["in"], (d["in"][0], 560), (p[0], 560))
    # The press may be the weaker of the two: a relief of its own, behind the diverter.
    s.dot(p[0], 484)
    s.line((p[0], 484), (760, 484), (760, 600))
    own = sym.relief(s, 760, 640, "")
    s.line(own["out"], (760, 760))
    sym.tank(s, 760, 760)
    s.words(806, 645, f"relief of the press's branch\n{_mpa(press.pump.relief)}", 12)
    s.line(d["other"], (d["other"][0], 488), (250, 488))
    s.box(100, 464, 150, 48, dash="6 4")
    s.words(175, 484, "the other machine's\nown valve", 13, "middle")
    s.line((175, 512), (175, 560))
    sym.tank(s, 175, 560)
    s.words(216, 580, "diverter, worked by hand:\nthe press or the other machine", 12)


def _hand(s: Sheet, press: PressFile) -> None:
    """Spill circuit: what the pump gives goes back to tank unless the valve is energised."""
    check = sym.check(s, 430, 320)
    s.line((430, 240), check["out"])
    s.words(452, 324, "non-return valve (P2) at the cylinder's end: holds the force", 13)
    s.line(check["in"], (430, 420))
    s.dot(430, 420)
    s.line((430, 420), (640, 420), (640, 446))
    v = sym.valve_22(s, 640, 470, "press (P1)", "open")
    s.line(v["low"], (640, 560))
    sym.tank(s, 640, 560)
    s.words(700, 440, "open at rest: the lever moves and nothing is pressed.", 13)
    s.words(700, 458, "Energised = pressing. At the set force it opens and the lever", 13)
    s.words(700, 476, "goes soft; power off = the pump cannot press.", 13)
    stroke = press.pump.stroke_volume
    assert stroke is not None
    pump = sym.pump(s, 430, 500, "hand", "")
    s.line((430, 420), pump["out"])
    s.words(300, 570, f"{stroke * 1e6:.1f} cm³\na stroke", 13)
    s.line(pump["in"], (430, 620))
    sym.tank(s, 430, 620)
    s.dot(430, 445)
    s.line((430, 445), (200, 445), (200, 460))
    rel = sym.relief(s, 200, 500, "")
    s.words(40, 560, f"the pump's own\nrelief {_mpa(press.pump.relief)}", 13)
    s.line(rel["out"], (200, 620))
    sym.tank(s, 200, 620)


def _air(s: Sheet, press: PressFile) -> None:
    """The valve is on the air side: oil flows only while the air motor strokes."""
    check = sym.check(s, 430, 310)
    s.line((430, 240), check["out"])
    s.words(452, 314, "the jack's own non-return valve: holds the force", 13)
    pump = sym.pump(s, 430, 440, "air")
    s.line(check["in"], pump["out"])
    s.dot(430, 380)
    s.line((430, 380), (600, 380), (600, 400))
    rel = sym.relief(s, 600, 440, f"relief {_mpa(press.pump.relief)}")
    s.line(rel["out"], (600, 560))
    sym.tank(s, 600, 560)
    s.line(pump["in"], (430, 560))
    sym.tank(s, 430, 560)
    s.words(456, 490, "air-driven\noil pump", 13)
    air = sym.valve_32_air(s, 374, 620, "extend")
    quick = sym.quick_exhaust(s, 364, 540)
    s.line(pump["drive"], quick["out"])
    s.line(quick["supply"], air["out"])
    s.words(120, 528, "quick exhaust valve at\nthe jack, with silencer", 12)
    s.line(air["supply"], (364, 740), (190, 740))
    s.shape((178, 740), (190, 732), (190, 748), fill="white")
    s.words(60, 776, "dry, regulated air; lockable shut-off that exhausts downstream", 13)
    s.words(690, 560, AIR_NOTE, 13)
