"""The hydraulic circuits, one for each kind of press, from its press file."""

from __future__ import annotations

import symbols as sym
from sheet import Sheet

from steadyram.press.part_ratings import ratings
from steadyram.press.pressfile import PressFile
from steadyram.press.sizing_parts import Wiring

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


def circuit(press: PressFile) -> Sheet:
    """Return the circuit of a press, with the numbers of its parts list.

    Every figure comes from the press file; what works the pump and what the valve does with the force, too.
    """
    kind = press.pump.driven_by
    s = Sheet(1140, 910, f"Hydraulic circuit: {press.name}")
    s.words(20, 30, s.title, 18, weight="bold")
    spring = press.cylinder.return_ == "spring"
    rated = {name.removeprefix("press."): value for name, value in ratings(press, Wiring()).items()}
    cyl = _pressing_side(s, press, rated, spring)
    if kind in ("motor", "shared"):
        _powered(s, press, rated, cyl)
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
    s.words(20, 850, _sizes(rated, kind), 13)
    s.words(20, 872, CAUTION, 13)
    return s


def _sizes(rated: dict[str, str], kind: str) -> str:
    """Return the sizes of the lines, as the list of lines and ports has them."""
    small = f"transducer, switch, gauge {rated['gauge_thread']}"
    if kind == "hand":
        return (
            f"Hoses of {rated['work_mpa']} MPa, ends {rated['port_thread']}; to the tank bore 10 mm; {small}."
        )
    if kind == "air":
        return f"Air hose bore 10 mm, ports G 1/4; to the jack's filler bore 6 mm; {small}."
    slow = f"; slow feed {rated['slow_tube']}" if rated["slow_step"] else ""
    return (
        f"Steel tube, outer diameter x wall, mm: P, A, B, cap and rod side {rated['tube']}{slow}; T "
        f"{rated['return_tube']}; drains {rated['drain_tube']}. Ports {rated['port_thread']}; {small}."
    )


def _pressing_side(
    s: Sheet, press: PressFile, rated: dict[str, str], spring: bool
) -> dict[str, tuple[float, float]]:
    """Cylinder and what hangs on its cap side: what the transducer sees is what the piston sees."""
    c, t, kind = press.cylinder, press.transducer, press.pump.driven_by
    label = f"cylinder\nbore {_mm(c.bore)}, rod {_mm(c.rod)}\nstroke {_mm(c.stroke)}"
    cyl = sym.cylinder(s, 860, 110, spring, label)
    s.line((826, 290), (920, 290), width=4)
    s.words(930, 295, "work on the bed", 13)
    ax, ay = cyl["cap"]
    s.line((ax, ay), (430, ay), (430, 240))
    for x in (480, 560, 650):
        s.dot(x, ay)
    sym.transducer(s, 480, ay - 62, "")
    s.words(268, ay - 66, f"H13 transducer {_mpa(t.range)},\nwith its snubber H14", 13)
    sym.pressure_switch(s, 560, ay - 62)
    number = "P7" if kind == "hand" else "H16"
    s.words(
        600, ay - 66, f"{number} over-force cutout switch {rated['switch_mpa']} MPa,\nsnubber of its own", 13
    )
    s.line((650, ay), (650, 152))
    sym.gauge(s, 650, 168)
    s.words(630, 168, "H15\ngauge", 12, "end")
    release = {"hand": "P3\nrelease\nby hand", "air": "the jack's\nrelease,\nby hand"}
    if press.valve.load_holding:
        hand = sym.shut_off(s, 740, 176, release.get(kind, "H12\nrelease\nby hand"))
        s.dot(740, ay)
        s.line((740, ay), hand["top"])
        s.line(hand["low"], (740, 226))
        sym.tank(s, 740, 224)
        # Oil that two seats shut in rises with warmth and outside load.
        s.dot(520, ay)
        s.line((520, ay), (520, 160))
        own = sym.relief(s, 520, 200, "")
        which = {"hand": ("P8", "cap_relief_mpa"), "air": ("A5", "thermal_mpa")}.get(
            kind, ("H11", "thermal_mpa")
        )
        s.words(544, 236, f"{which[0]} relief\n{rated[which[1]]} MPa", 12)
        s.line(own["out"], (520, 254))
        sym.tank(s, 520, 250)
    return cyl


def _rod_side(s: Sheet, rated: dict[str, str], cyl: dict[str, tuple[float, float]]) -> tuple[float, float]:
    """Counterbalance valve and relief of the rod side; return where line B goes on to the directional valve."""
    x, y = cyl["rod"]
    valve = sym.counterbalance(s, 690, 302)
    s.line((x, y), (796, y), (796, 262), valve["cylinder"])
    s.dot(752, 262)
    s.dot(752, 342)
    s.line((712, 126), (712, 246), (656, 246), (656, valve["pilot"][1]), valve["pilot"], dash="5 4")
    s.dot(712, 126)
    s.words(648, 292, "H19 counterbalance:\ncarries what hangs\non the ram", 12, "end")
    # Nothing between the piston and its relief: a port of its own.
    own = sym.relief(s, 1080, 264, "")
    s.line((896, 224), own["in"])
    s.line(own["out"], (1080, 320))
    sym.tank(s, 1080, 318)
    s.words(1046, 252, f"H20 rod-side\nrelief {rated['thermal_mpa']} MPa", 12, "end")
    return valve["valve"]


def _powered(s: Sheet, press: PressFile, rated: dict[str, str], cyl: dict[str, tuple[float, float]]) -> None:
    holding = press.valve.load_holding
    slow = press.valve.slow_feed is not None
    shared = press.pump.driven_by == "shared"
    valve = sym.valve_43(s, 444, 430, "relieved" if holding else "open", ("extend Y1", "retract Y2"))
    s.words(380, 392, "H3", 12)
    a, b = valve["A"], valve["B"]
    bx, by = _rod_side(s, rated, cyl)
    s.line((bx, by), (bx, 350), (b[0], 350), b)
    if holding:
        check = sym.check(s, 430, 290, pilot=True)
        s.line((430, 240), check["out"])
        s.line(check["in"], a)
        s.line(check["pilot"], (500, check["pilot"][1]), (500, 350), dash="5 4")
        s.dot(500, 350)
        s.words(402, 294, "H4", 12, "end")
        s.words(560, 380, "H4: pilot-operated non-return valve with decompression poppet:", 13)
        s.words(560, 398, "holds the force while the valve is centred, also with the power off", 13)
    else:
        s.line((430, 240), a)
        s.words(560, 380, "no non-return valve: in the centre the pressure is lost at once", 13)
    words = (
        "centre: P shut, A and B to tank: nothing flows through it at rest, the\n"
        "rod side is open beyond H19, and the pilot line of H4 is empty"
        if holding
        else "open centre, all ports joined: while the pump runs the tank line's\n"
        "back pressure pushes the ram down. Block it; H19 carries the rest"
    )
    s.words(650, 436, words, 13)
    p, t = valve["P"], valve["T"]
    s.line(t, (t[0], 510), (1010, 510), (1010, 600))
    s.words(900, 504, f"T {rated['return_tube']}", 12)
    # The diverter of a shared unit stands where P's words would.
    s.words(590 if shared else p[0] - 6, 478 if shared else 506, f"P {rated['tube']}", 12, "end")
    s.words(770, 120, rated["tube"], 12)
    sym.bypass_filter(s, 1010, 626)
    s.line((1010, 600), (1010, 610))
    s.line((1010, 642), (1010, 760))
    sym.tank(s, 1010, 760)
    s.words(1062, 622, "H17\nreturn filter", 12)
    if shared:
        _other_machine(s, press, p)
    s.line((p[0], 552) if shared else p, (p[0], 640))
    s.dot(p[0], 560)
    x = 540 if shared else 600
    s.line((p[0], 560), (x, 560), (x, 600))
    rel = sym.relief(s, x, 640, "")
    whose = "the unit's relief" if shared else f"H10 relief {_mpa(press.pump.relief)}"
    s.words(x + 16, 700, f"{whose},\nstraight to tank", 13)
    s.line(rel["out"], (x, 760))
    sym.tank(s, x, 760)
    if slow:
        _slow_feed(s, press, p)
    if holding and not shared:
        s.dot(600, 560)
        s.line((600, 560), (850, 560))
        _unload(s, 850, 560, 710)
    _pumps(s, press, p)


def _unload(s: Sheet, x: float, y: float, gauge_x: float) -> None:
    """The valve that idles the pump while nothing is energised, and the gauge that shows whether it does."""
    s.line((x, y), (x, 616))
    u = sym.valve_22(s, x, 640, "unload Y4", "open")
    s.line(u["low"], (x, 760))
    sym.tank(s, x, 760)
    s.words(x + 12, 690, "H5: open at rest,\nshut with every\nmovement", 12)
    s.dot(gauge_x, y)
    s.line((gauge_x, y), (gauge_x, y + 30))
    sym.isolator(s, gauge_x, y + 13)
    sym.gauge(s, gauge_x, y + 46)
    s.words(gauge_x - 20, y + 50, "H21", 12, "end")


def _slow_feed(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """The slow branch, from P to the cap side."""
    assert press.valve.slow_feed is not None
    s.dot(p[0], 575)
    s.line((p[0], 575), (150, 575), (150, 562))
    sym.filter_(s, 150, 546)
    v = sym.valve_22(s, 150, 490, "slow Y3")
    s.words(182, 470, "H6", 12)
    s.line((150, 530), v["low"])
    f = sym.flow_control(
        s, 150, 400, f"H7 flow control {_flow(press.valve.slow_feed)},\npressure-compensated"
    )
    s.line(v["top"], f["low"])
    c = sym.check(s, 150, 320)
    s.line(f["top"], c["in"])
    s.words(172, 324, "H8 non-return valve", 12)
    s.line(c["out"], (150, 225), (430, 225))
    s.dot(430, 225)
    s.words(172, 552, "H9 pressure filter", 12)


def _pumps(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """One pump, or two stages with the large one's unloading valve; the outlet joins the line of P."""
    pump = press.pump
    if pump.changeover is None or pump.flow_low_stage == pump.flow_high_stage:
        one = sym.pump(s, p[0], 690, "M")
        s.line(one["out"], (p[0], 640))
        s.line(one["in"], (p[0], 760))
        sym.strainer(s, p[0], 738)
        sym.tank(s, p[0], 760)
        flow = pump.flow_high_stage or pump.flow_low_stage
        assert flow is not None
        number = "" if pump.driven_by == "shared" else "H1 "
        s.words(250, 740, f"{number}pump {_flow(flow)}", 13)
        return
    assert pump.flow_low_stage is not None
    assert pump.flow_high_stage is not None
    small = sym.pump(s, p[0], 700, "M")
    s.line(small["out"], (p[0], 640))
    large = sym.pump(s, 300, 700, "")
    s.line((324, 697), (344, 697))
    s.line((324, 703), (344, 703))
    s.words(p[0] + 30, 752, f"H1 small stage\n{_flow(pump.flow_high_stage)}", 13)
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
    s.words(356, 640, "H8", 12)
    s.dot(p[0], 655)
    un = sym.unloader(s, 190, 700)
    s.line(un["in"], (190, 655), (300, 655))
    s.dot(300, 655)
    s.line(un["out"], (190, 785))
    sym.tank(s, 190, 785)
    s.dot(p[0], 615)
    s.line(un["pilot"], (90, 700), (90, 615), (p[0], 615), dash="5 4")
    s.words(20, 730, f"H2 unloading valve\n{_mpa(pump.changeover)}, pilot from P", 12)
    s.line(large["in"], (300, 785))
    sym.tank(s, 300, 785)
    sym.strainer(s, 300, 760)
    s.line(small["in"], (p[0], 785))
    sym.strainer(s, p[0], 760)
    sym.tank(s, p[0], 785)


def _other_machine(s: Sheet, press: PressFile, p: tuple[float, float]) -> None:
    """The pump feeds one machine at a time, by a diverter in the line to the press's P."""
    d = sym.diverter(s, p[0] - 36, 528)
    s.line(p, d["press"])
    s.line(d["in"], (d["in"][0], 560), (p[0], 560))
    # The press may be the weaker of the two: a relief of its own, behind the diverter.
    s.dot(p[0], 484)
    s.line((p[0], 484), (880, 484), (880, 560))
    s.dot(680, 484)
    s.line((680, 484), (680, 600))
    own = sym.relief(s, 680, 640, "")
    s.line(own["out"], (680, 760))
    sym.tank(s, 680, 760)
    s.words(696, 700, f"S2 relief of the\npress's branch\n{_mpa(press.pump.relief)}", 12)
    _unload(s, 880, 560, 960)
    s.line((880, 560), (960, 560))
    s.line(d["other"], (d["other"][0], 488), (232, 488))
    s.box(82, 464, 150, 48, dash="6 4")
    s.words(157, 484, "the other machine's\nown valve", 13, "middle")
    s.line((157, 512), (157, 560))
    sym.tank(s, 157, 560)
    s.words(216, 580, "S1 diverter, by hand, detent:\nthe press or the other machine", 12)


def _hand(s: Sheet, press: PressFile) -> None:
    """Spill circuit: what the pump gives goes back to tank unless the valve is energised."""
    check = sym.check(s, 430, 320)
    s.line((430, 240), check["out"])
    s.words(452, 324, "P2 non-return valve at the cylinder's end: holds the force", 13)
    s.line(check["in"], (430, 420))
    s.dot(430, 420)
    s.line((430, 420), (640, 420), (640, 446))
    v = sym.valve_22(s, 640, 470, "press P1", "open")
    s.line(v["low"], (640, 560))
    sym.tank(s, 640, 560)
    s.words(700, 440, "open at rest: the lever moves and nothing is pressed.", 13)
    s.words(700, 458, "Energised = pressing. At the set force it opens and the lever", 13)
    s.words(700, 476, "goes soft. Power off: the oil goes back to the tank, as long as", 13)
    s.words(700, 494, "P1 opens and its hose is free. No valve, no coupling in the hose.", 13)
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
    air = sym.valve_32_air(s, 374, 620, "press A1")
    quick = sym.quick_exhaust(s, 364, 540)
    s.line(pump["drive"], quick["out"])
    s.line(quick["supply"], air["out"])
    s.words(120, 528, "A2 quick exhaust valve at\nthe jack, with silencer", 12)
    s.line(air["supply"], (364, 740), (190, 740))
    # A source of air: the open triangle points into the line.
    s.shape((190, 740), (176, 732), (176, 748), fill="white")
    s.box(230, 724, 96, 32)
    s.words(278, 745, "A3", 13, "middle")
    s.words(60, 776, "A3: filter, regulator, lockable shut-off that exhausts downstream", 13)
    s.words(690, 560, AIR_NOTE, 13)
